"""Draws of places and of the ground, the same for everybody who asks.

What draw k of a thing is hangs on the seed, on what kind of thing it is and on its own name, and on nothing else: any subset of the things
or of the draws, in any order, on any worker, gives the same numbers, and two lots see one well in one place.
"""

import math
from dataclasses import dataclass
from hashlib import blake2b
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit

from geoseptic.chance.closed import FARTHEST_SIGMAS
from geoseptic.chance.errors import DISC, EXACT, GAUSSIAN, IN_GROUND, NEAR_HOUSE_M, SQUARE, PlaceErrors

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]
Keys = npt.NDArray[np.uint64]

WELL: Final = "well"
PRESUMED: Final = "presumed well"
LOT_LINE: Final = "lot line"
BUILDING: Final = "building"
GROUND: Final = "ground"

MOST_TRIES: Final = 2000
"""Points thrown at a piece of ground before its middle is taken: of ground that is a hundredth of its bounds, one piece in 500 million."""

FARTHEST_FROM_HOUSE: Final = 6.0
"""How many times `NEAR_HOUSE_M` from its house a well that is drawn to it is looked for."""

_FARTHEST_SHARE: Final = 1.0 - math.exp(-0.5 * FARTHEST_SIGMAS**2)


LEAST_SIDE: Final = 512
MOST_SIDE: Final = 2048
"""Cells along a side of the field of errors of the heights."""


@dataclass(frozen=True)
class Draws:
    """`count` draws of everything that is uncertain, told by a seed."""

    seed: int
    count: int

    def keys(self, what: str, ids: Words) -> Keys:
        """What the draws of things of one kind begin from, shape (things,)."""
        start = f"{self.seed}\x00{what}\x00"
        return np.array([int.from_bytes(blake2b(f"{start}{name}".encode(), digest_size=8).digest(), "little") for name in ids], np.uint64)

    def places_m(self, what: str, errors: PlaceErrors, first: int = 0, stop: int | None = None) -> Floats:
        """Places of things in the draws `first` to `stop` (default all), shape (draws, things, 2). [m]"""
        stop = self.count if stop is None else stop
        keys = self.keys(what, errors.ids)
        out = np.empty((stop - first, len(errors), 2))
        _places(keys, errors.kind, errors.middle_m, errors.size_m, first, out)
        rows = np.flatnonzero(errors.kind == IN_GROUND)
        if len(rows):
            own = np.empty((stop - first, len(rows), 2))
            edges, start, walls, wall_start, around, middle = _grounds(errors, rows)
            _in_grounds(keys[rows], edges, start, walls, wall_start, around, middle, errors.near_share[rows], first, own)
            out[:, rows] = own
        return out

    def wells_m(self, wells: PlaceErrors, presumed: PlaceErrors, first: int = 0, stop: int | None = None) -> Floats:
        """Places of wells on record and of presumed ones after them, as `places_m`. [m]"""
        both = [self.places_m(what, errors, first, stop) for what, errors in ((WELL, wells), (PRESUMED, presumed))]
        return np.concatenate(both, axis=1)

    def shifts_m(self, what: str, ids: Words, sigma_m: npt.ArrayLike, first: int = 0, stop: int | None = None) -> Floats:
        """Rigid shifts with Gaussian error of `sigma_m` along both axes, one a thing or for all; shape (draws, things, 2). [m]"""
        stop = self.count if stop is None else stop
        out = np.empty((stop - first, len(ids), 2))
        sigmas_m = np.ascontiguousarray(np.broadcast_to(np.asarray(sigma_m, np.float64), len(ids)))
        _places(self.keys(what, ids), np.full(len(ids), GAUSSIAN, np.uint8), np.zeros((len(ids), 2)), sigmas_m, first, out)
        return out

    def lot_shifts_m(self, parcel_ids: Words, sigma_m: npt.ArrayLike, first: int = 0, stop: int | None = None) -> Floats:
        """How far the true outline of each lot lies off, as a whole; shape (draws, lots, 2). [m]"""
        return self.shifts_m(LOT_LINE, parcel_ids, sigma_m, first, stop)

    def building_shifts_m(self, parcel_ids: Words, sigma_m: npt.ArrayLike, first: int = 0, stop: int | None = None) -> Floats:
        """How far all buildings round each lot lie off, as one; shape (draws, lots, 2). [m]"""
        return self.shifts_m(BUILDING, parcel_ids, sigma_m, first, stop)

    def ground_offsets(self, side_cells: int, first: int = 0, stop: int | None = None) -> npt.NDArray[np.int64]:
        """Row and column at which each draw's part of the periodic field of `GroundError` begins, shape (draws, 2)."""
        stop = self.count if stop is None else stop
        out = np.empty((stop - first, 1, 2))
        key = self.keys(GROUND, np.array(["offset"], object))
        _places(key, np.full(1, SQUARE, np.uint8), np.full((1, 2), 0.5 * side_cells), np.full(1, float(side_cells)), first, out)
        return np.minimum(out[:, 0].astype(np.int64), side_cells - 1)


@dataclass(frozen=True)
class GroundError:
    """Errors of the heights: a square field that goes on without end, each part of it like any other.

    values_m : float32, shape (side, side), with a mean square of `rmse_m` squared. [m]
    """

    values_m: npt.NDArray[np.float32]
    cell_m: float

    def window(self, offset: npt.NDArray[np.int64], rows: slice, cols: slice) -> npt.NDArray[np.float32]:
        """The errors of a draw with this offset over rows and columns of the raster, which may lie beyond it. [m]"""
        side = self.values_m.shape[0]
        row, col = (int(start) + np.arange(own.start, own.stop) for start, own in zip(offset, (rows, cols), strict=True))
        part: npt.NDArray[np.float32] = self.values_m[np.ix_(row % side, col % side)]
        return part

    def rises(self, half_cells: int) -> npt.NDArray[np.float32]:
        """Rise a metre, along columns (eastward) and along rows (southward), of the plane fitted over 2 `half_cells` + 1 cells round each
        cell of the field; shape (2, side, side). A fitted plane is linear in the heights: what is added to them adds this to its rise."""
        offsets = np.arange(-half_cells, half_cells + 1)
        weights = np.zeros(self.values_m.shape)
        weights[np.ix_(offsets, offsets)] = offsets / (self.cell_m * len(offsets) * (offsets.astype(np.float64) ** 2).sum())
        field = np.fft.rfft2(self.values_m)
        along = [np.fft.irfft2(field * np.conj(np.fft.rfft2(own)), s=self.values_m.shape) for own in (weights, weights.T)]
        return np.array(along, np.float32)


def ground_error(seed: int, rmse_m: float, correlation_m: float, cell_m: float) -> GroundError:
    """A field of errors of the heights with covariance `rmse_m`^2 exp(-distance / `correlation_m`).

    Made on a torus by the Fourier transform of the covariance, which is exact there; its side is 64 correlation lengths and more as far as
    `MOST_SIDE` allows, so that a cell hardly feels itself round the torus. [m]
    """
    side = int(min(MOST_SIDE, max(LEAST_SIDE, 2 ** math.ceil(math.log2(64.0 * correlation_m / cell_m)))))
    apart_m = cell_m * np.minimum(np.arange(side), side - np.arange(side))
    covariance = np.exp(-np.hypot(apart_m[:, None], apart_m) / correlation_m)
    spread = np.sqrt(np.maximum(np.fft.rfft2(covariance).real, 0.0))
    noise = Draws(seed, side * side // 2).shifts_m(GROUND, np.array(["field"], object), 1.0).reshape(side, side)
    field = np.fft.irfft2(np.fft.rfft2(noise) * spread, s=(side, side))
    scale = rmse_m / math.sqrt(float((field**2).mean()))
    return GroundError((field * scale).astype(np.float32), cell_m)


@njit(cache=True, nogil=True)
def mixed(state):  # type: ignore[no-untyped-def]
    """The output function of SplitMix64 (steele2014): 64 bits that look like chance of 64 that count."""
    state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return state ^ (state >> np.uint64(31))


@njit(cache=True, nogil=True)
def word(key, number):  # type: ignore[no-untyped-def]
    """Output `number` (from 0) of SplitMix64 that begins from `key`."""
    return mixed(key + (np.uint64(number) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15))


@njit(cache=True, nogil=True)
def share(key, number):  # type: ignore[no-untyped-def]
    """The same as a number from 0 to below 1."""
    return (word(key, number) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@njit(cache=True, nogil=True)
def _places(keys, kind, middle_m, size_m, first, out):  # type: ignore[no-untyped-def]
    for thing in range(keys.size):
        for draw in range(out.shape[0]):
            own = word(keys[thing], first + draw)
            u, v = share(own, 0), share(own, 1)
            east = north = 0.0
            if kind[thing] == SQUARE:
                east, north = (u - 0.5) * size_m[thing], (v - 0.5) * size_m[thing]
            elif kind[thing] != EXACT:
                # One radius and one direction: a Gaussian error that ends, or a disc.
                far = math.sqrt(u) if kind[thing] == DISC else math.sqrt(-2.0 * math.log(1.0 - u * _FARTHEST_SHARE))
                east, north = size_m[thing] * far * math.cos(2.0 * math.pi * v), size_m[thing] * far * math.sin(2.0 * math.pi * v)
            out[draw, thing, 0] = middle_m[thing, 0] + east
            out[draw, thing, 1] = middle_m[thing, 1] + north


def _grounds(errors: PlaceErrors, rows: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.float64] | npt.NDArray[np.int64], ...]:
    """Edges of the grounds and of the houses as rows x, y, x, y, with where each thing's begin; bounds of both; a point on each ground."""
    grounds_m = errors.ground_m[rows]
    edges, start = edges_of(grounds_m)
    walls, wall_start = edges_of(np.where([house is None for house in errors.house_m[rows]], shapely.Polygon(), errors.house_m[rows]))
    around = np.tile(shapely.bounds(grounds_m), (1, 2))
    more = FARTHEST_FROM_HOUSE * NEAR_HOUSE_M
    housed = np.flatnonzero(np.diff(wall_start))
    near = shapely.bounds(errors.house_m[rows[housed]]) + np.array([-more, -more, more, more])
    around[housed, 4:6] = np.fmax(around[housed, 4:6], near[:, :2])
    around[housed, 6:8] = np.fmin(around[housed, 6:8], near[:, 2:])
    middle = shapely.get_coordinates(shapely.point_on_surface(grounds_m)).reshape(-1, 2)
    return edges, start, walls, wall_start, around, middle


def edges_of(shapes_m: Words) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Edges of all rings of areas as rows x, y, x, y, and where each area's begin, with an end; shapes (edges, 4) and (areas + 1,)."""
    parts, owner = shapely.get_parts(shapes_m, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    edges = np.concatenate([xy[:-1], xy[1:]], axis=1)[same]
    start = np.searchsorted(owner[part[ring[1:][same]]], np.arange(len(shapes_m) + 1))
    return np.ascontiguousarray(edges), start.astype(np.int64)


@njit(cache=True, nogil=True)
def inside(edges, begin, end, x, y):  # type: ignore[no-untyped-def]
    """Whether a point lies in the area of these edges, by the parity of those to its right."""
    odd = False
    for edge in range(begin, end):
        x0, y0, x1, y1 = edges[edge]
        if (y0 > y) != (y1 > y) and x < x0 + (y - y0) * (x1 - x0) / (y1 - y0):
            odd = not odd
    return odd


@njit(cache=True, nogil=True)
def apart(edges, begin, end, x, y):  # type: ignore[no-untyped-def]
    """Distance of a point from the nearest of these edges."""
    least = np.inf
    for edge in range(begin, end):
        x0, y0, x1, y1 = edges[edge]
        along, up = x1 - x0, y1 - y0
        length = along * along + up * up
        t = 0.0 if length == 0.0 else min(1.0, max(0.0, ((x - x0) * along + (y - y0) * up) / length))
        least = min(least, math.hypot(x - x0 - t * along, y - y0 - t * up))
    return least


@njit(cache=True, nogil=True)
def _in_grounds(keys, edges, start, walls, wall_start, around, middle, near_share, first, out):  # type: ignore[no-untyped-def]
    """Points in grounds: thrown into the bounds until one lies on the ground, and near the house where the draw asks for that."""
    for thing in range(keys.size):
        begin, end = start[thing], start[thing + 1]
        wall, last_wall = wall_start[thing], wall_start[thing + 1]
        for draw in range(out.shape[0]):
            own = word(keys[thing], first + draw)
            near = last_wall > wall and share(own, 0) < near_share[thing]
            bounds = around[thing, 4:] if near else around[thing, :4]
            x, y = middle[thing, 0], middle[thing, 1]
            for turn in range(MOST_TRIES):
                x = bounds[0] + share(own, 3 * turn + 1) * (bounds[2] - bounds[0])
                y = bounds[1] + share(own, 3 * turn + 2) * (bounds[3] - bounds[1])
                if inside(edges, begin, end, x, y):
                    if not near or inside(walls, wall, last_wall, x, y):
                        break
                    if share(own, 3 * turn + 3) < math.exp(-apart(walls, wall, last_wall, x, y) / NEAR_HOUSE_M):
                        break
                x, y = middle[thing, 0], middle[thing, 1]
            out[draw, thing, 0] = x
            out[draw, thing, 1] = y
