"""The chance that a cell keeps every setback, window by window.

A cell keeps its distance where all of it does: half its diagonal is added to every distance from a thing of uncertain place, which is at
most a fifth of a cell more than a shape that touches the cell would ask. Things are uncertain independently of each other, so chances
multiply.

Exact, to 0.0001: wells with Gaussian error, in a disc or a square, by closed forms; the rigid shift of lot lines and of buildings, by the
closed ground blurred with the density of the shift, to the place of an edge in its cell (all buildings in reach of a cell shift as one).
Sampled: wells that are somewhere in a piece of ground, by the draws that everything else uses.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit
from scipy import ndimage, special

from geoseptic.chance.closed import FARTHEST_SIGMAS, LEAST_CHANCE, disc_chance, gaussian_chance, square_chance
from geoseptic.chance.draws import apart, edges_of, inside
from geoseptic.chance.errors import DISC, GAUSSIAN, IN_GROUND, SQUARE, PlaceErrors
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid
from geoseptic.parcels import burn
from geoseptic.parcels.buffers import MARGIN_M, OVERSHOOT

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

TABLE_STEPS: Final = 256
"""Points at which a chance that hangs on the distance alone is found; between them it is drawn straight, which is 0.0001 off at most."""


@dataclass(frozen=True)
class UncertainWells:
    """Wells of uncertain place, and what is kept clear of each.

    errors : one row a well.
    keep_m : the distance that is asked all round. [m]
    points_m : places of those that are in a ground, in their order, shape (draws, wells in a ground, 2). [m]
    further_of, further_m, further_where_m : wells of which a longer distance is asked on some ground, that distance, and the ground.
    """

    errors: PlaceErrors
    keep_m: Floats
    points_m: Floats
    further_of: npt.NDArray[np.int64]
    further_m: Floats
    further_where_m: Geometries

    def near(self, grid: Grid) -> "UncertainWells":
        """Those that can matter to the cells of a grid."""
        longest_m = self.keep_m.copy()
        np.maximum.at(longest_m, self.further_of, self.further_m)
        reach_m = self.errors.reach_m + _asked_m(longest_m, grid.cell_size_m) + grid.cell_size_m
        left, bottom, right, top = grid.bounds_m
        x, y = self.errors.middle_m.T
        return self.picked(np.flatnonzero((x + reach_m >= left) & (x - reach_m <= right) & (y + reach_m >= bottom) & (y - reach_m <= top)))

    def picked(self, rows: npt.NDArray[np.int64]) -> "UncertainWells":
        """Only those rows, which ascend."""
        kept = np.isin(self.further_of, rows)
        return UncertainWells(
            self.errors.kept(rows),
            self.keep_m[rows],
            self.points_m[:, np.isin(np.flatnonzero(self.errors.kind == IN_GROUND), rows)],
            np.searchsorted(rows, self.further_of[kept]),
            self.further_m[kept],
            self.further_where_m[kept],
        )


@dataclass(frozen=True)
class Ground:
    """What closes ground for sure, and what does so but may be shifted.

    closed_m : zones of things whose place is known.
    unclear_m : ground of which nothing can be said.
    parcels_m : off them nothing is asked, and nothing is clear.
    strips_m : what the lot lines close on both sides, shifted with `line_sigma_m`.
    by_buildings_m : what the buildings close, shifted with `building_sigma_m`; empty where nothing shifts them.
    own_m, own_sigmas_m : lots whose lines, or buildings as seen from there, are shifted with another standard deviation, and both of them,
        shape (lots, 2): all that is shifted is so for the cells of such a lot.
    """

    closed_m: Geometries
    unclear_m: Geometries
    parcels_m: Geometries
    strips_m: Geometries
    by_buildings_m: Geometries
    line_sigma_m: float
    building_sigma_m: float
    own_m: Geometries
    own_sigmas_m: Floats

    def near(self, grid: Grid) -> "Ground":
        """What of it can matter to the cells of a grid."""
        more = self.halo_cells(grid.cell_size_m)
        wide = grid.window(slice(-more, grid.shape[0] + more), slice(-more, grid.shape[1] + more))
        found: dict[str, Any] = {name: near.of(wide)[0] for name, near in self._by_place.items()}
        found["own_m"], rows = self._own.of(grid)
        return replace(self, **found, own_sigmas_m=self.own_sigmas_m[rows])

    @cached_property
    def _by_place(self) -> Mapping[str, burn.Near]:
        names = ("closed_m", "unclear_m", "parcels_m", "strips_m", "by_buildings_m")
        return {name: burn.Near(getattr(self, name)) for name in names}

    @cached_property
    def _own(self) -> burn.Near:
        return burn.Near(self.own_m)

    def halo_cells(self, cell_m: float) -> int:
        """Cells round a window that its chances hang on."""
        most_m = max(self.line_sigma_m, self.building_sigma_m, float(self.own_sigmas_m.max(initial=0.0)))
        return math.ceil(FARTHEST_SIGMAS * most_m / cell_m) + 1


def clear_chance(grid: Grid, wells: UncertainWells, ground: Ground) -> Floats:
    """Chance from 0 to 1 that each cell keeps every setback; NaN where nothing can be said, 0 off the parcels and where something else
    closes the cell for certain. Shape `grid.shape`."""
    chance = (~burn.touched(ground.closed_m, grid)).astype(np.float64)
    chance *= shifted_chance(ground, grid)
    chance[~burn.centred(ground.parcels_m, grid)] = 0
    well_chance(chance, grid, wells)
    chance[burn.touched(ground.unclear_m, grid) & (chance > 0)] = np.nan
    return chance


def well_chance(chance: Floats, grid: Grid, wells: UncertainWells) -> None:
    """Multiply `chance` by those that each cell keeps its distance from each well."""
    further = np.unique(wells.further_of)
    plain = wells.picked(np.setdiff1d(np.arange(len(wells.errors)), further))
    _times(chance, grid, plain, plain.keep_m)
    for row in further:
        own = wells.picked(np.array([row]))
        # The longest distance asked of a cell counts: it is one and the same well.
        longest_m = np.fmax(own.keep_m, own.further_m.max())
        more_m = float((own.errors.reach_m + _asked_m(longest_m, grid.cell_size_m))[0]) + grid.cell_size_m
        x, y = own.errors.middle_m[0]
        rows, cols = grid.over(np.array([x - more_m, y - more_m, x + more_m, y + more_m]), 1)
        if rows.start >= rows.stop or cols.start >= cols.stop:
            continue
        part = grid.window(rows, cols)
        kept = np.ones(part.shape)
        _times(kept, part, own, own.keep_m)
        for index in np.argsort(own.further_m, kind="stable"):
            if own.further_m[index] > own.keep_m[0]:
                longer = np.ones(part.shape)
                _times(longer, part, own, own.further_m[[index]])
                kept = np.where(burn.touched(own.further_where_m[[index]], part), longer, kept)
        chance[rows, cols] *= kept


def _asked_m(keep_m: Floats, cell_m: float) -> Floats:
    """What the middle of a cell must keep for all of the cell to keep it, as zones are drawn and burnt."""
    asked: Floats = (keep_m + MARGIN_M) * OVERSHOOT + cell_m * (math.sqrt(0.5) + burn.GROWN_CELLS)
    return asked


def _times(chance: Floats, grid: Grid, wells: UncertainWells, keep_m: Floats) -> None:
    """Multiply by the chances that cells keep these distances from these wells, in full rings."""
    errors, cell_m = wells.errors, grid.cell_size_m
    asked_m = _asked_m(keep_m, cell_m)
    at = grid.cells_of(errors.middle_m) - 0.5
    radial = np.isin(errors.kind, (GAUSSIAN, DISC))
    sorts, which = np.unique(np.column_stack([errors.kind, errors.size_m, asked_m])[radial], axis=0, return_inverse=True)
    reach_m = sorts[:, 1] * np.where(sorts[:, 0] == GAUSSIAN, FARTHEST_SIGMAS, 1.0)
    table = np.empty((len(sorts), TABLE_STEPS + 1))
    _tables(sorts, reach_m, table)
    _radial(chance, at[radial], which.ravel(), sorts[:, 2] - reach_m, sorts[:, 2] + reach_m, table, cell_m)
    square = errors.kind == SQUARE
    _square(chance, at[square], errors.size_m[square], asked_m[square], cell_m)
    rows = np.flatnonzero(errors.kind == IN_GROUND)
    if len(rows):
        edges, start = edges_of(errors.ground_m[rows])
        places = grid.cells_of(wells.points_m.reshape(-1, 2)).reshape(-1, len(rows), 2) - 0.5
        corner = grid.cells_of(np.concatenate([edges[:, :2], edges[:, 2:]])) - 0.5
        in_cells = np.ascontiguousarray(np.concatenate([corner[: len(edges)], corner[len(edges) :]], axis=1))
        _drawn(chance, places, in_cells, start, asked_m[rows] / cell_m)


def shifted_chance(ground: Ground, grid: Grid) -> Floats:
    """Chance that neither lot lines nor buildings close each cell, their shifts being independent; for a cell of a lot with errors of its
    own all is shifted by these."""
    found = _shifted(ground, grid, ground.line_sigma_m, ground.building_sigma_m)
    sigmas_m, which = np.unique(ground.own_sigmas_m, axis=0, return_inverse=True)
    for number, (line_m, building_m) in enumerate(sigmas_m.tolist()):
        own_m = ground.own_m[which.ravel() == number]
        rows, cols = grid.over(shapely.total_bounds(own_m), 1)
        if rows.start < rows.stop and cols.start < cols.stop:
            part = grid.window(rows, cols)
            found[rows, cols] = np.where(burn.centred(own_m, part), _shifted(ground, part, line_m, building_m), found[rows, cols])
    return found


def _shifted(ground: Ground, grid: Grid, line_sigma_m: float, building_sigma_m: float) -> Floats:
    open_of_lines = _blurred(
        grid, line_sigma_m, ground.strips_m, lambda wide, strips: burn.touched(strips, wide) | ~burn.centred(ground.parcels_m, wide)
    )
    if not len(ground.by_buildings_m):
        return open_of_lines
    return open_of_lines * _blurred(grid, building_sigma_m, ground.by_buildings_m, lambda wide, zones: burn.touched(zones, wide))


def _blurred(grid: Grid, sigma_m: float, shapes_m: Geometries, closed_on: Callable[[Grid, Geometries], Mask]) -> Floats:
    """Chance that ground which is shifted as a whole does not close each cell: 1 less the closed ground blurred by the shift's density.

    Certainly open is only what shapes grown by half a cell leave so: by a part of a cell they may come to touch one that they do not touch
    now. The blur itself is of the shapes as they are, each shift standing for those half a cell round it: grown ones made chances too low
    (tests/benchmarks/calibration.py).
    """
    sigma = sigma_m / grid.cell_size_m
    half = math.ceil(FARTHEST_SIGMAS * sigma) if sigma > 0 else 0
    rows, cols = grid.shape
    wide = grid.window(slice(-half, rows + half), slice(-half, cols + half))
    if half == 0:
        return (~closed_on(wide, shapes_m)).astype(np.float64)
    closed = closed_on(wide, shapes_m)
    perhaps = closed_on(wide, shapely.buffer(shapes_m, 0.5 * grid.cell_size_m, quad_segs=1, join_style="mitre"))
    edges = special.ndtr((np.arange(-half, half + 2) - 0.5) / sigma)
    weights = np.diff(edges) / (edges[-1] - edges[0])
    inner = slice(half, half + rows), slice(half, half + cols)
    blurred = ndimage.convolve1d(ndimage.convolve1d(closed.astype(np.float64), weights, axis=0), weights, axis=1)[inner]
    size = 2 * half + 1
    found: Floats = np.clip(1.0 - blurred, LEAST_CHANCE, 1.0 - LEAST_CHANCE)
    found[~ndimage.maximum_filter(perhaps, size=size)[inner]] = 1
    found[ndimage.minimum_filter(closed, size=size)[inner]] = 0
    return found


@njit(cache=True, nogil=True)
def _tables(sorts, reach_m, table):  # type: ignore[no-untyped-def]
    """Chance to be within the asked distance, from the farthest where it is sure (or none) to the nearest where it is ruled out."""
    for index in range(table.shape[0]):
        kind, size, asked = sorts[index]
        low, high = max(0.0, asked - reach_m[index]), asked + reach_m[index]
        for step in range(table.shape[1]):
            distance = low + (high - low) * step / (table.shape[1] - 1)
            table[index, step] = gaussian_chance(distance, size, asked) if kind == GAUSSIAN else disc_chance(distance, size, asked)


@njit(cache=True, nogil=True)
def _radial(chance, at, which, sure_m, out_m, table, cell_m):  # type: ignore[no-untyped-def]
    rows, cols = chance.shape
    steps = table.shape[1] - 1
    for thing in range(which.size):
        own = which[thing]
        low, high = max(0.0, sure_m[own]), out_m[own]
        per_step = steps / (high - low)
        more = high / cell_m
        for row in range(max(0, int(math.ceil(at[thing, 1] - more))), min(rows, int(math.floor(at[thing, 1] + more)) + 1)):
            for col in range(max(0, int(math.ceil(at[thing, 0] - more))), min(cols, int(math.floor(at[thing, 0] + more)) + 1)):
                if chance[row, col] == 0.0:
                    continue
                apart_m = cell_m * math.hypot(row - at[thing, 1], col - at[thing, 0])
                if apart_m >= high:
                    continue
                if apart_m < sure_m[own]:
                    chance[row, col] = 0.0
                    continue
                step = (apart_m - low) * per_step
                first = min(int(step), steps - 1)
                part = step - first
                within = table[own, first] * (1.0 - part) + table[own, first + 1] * part
                chance[row, col] *= 1.0 - min(1.0 - LEAST_CHANCE, max(LEAST_CHANCE, within))


@njit(cache=True, nogil=True)
def _square(chance, at, side_m, asked_m, cell_m):  # type: ignore[no-untyped-def]
    rows, cols = chance.shape
    for thing in range(side_m.size):
        more = (0.5 * side_m[thing] + asked_m[thing]) / cell_m
        for row in range(max(0, int(math.ceil(at[thing, 1] - more))), min(rows, int(math.floor(at[thing, 1] + more)) + 1)):
            for col in range(max(0, int(math.ceil(at[thing, 0] - more))), min(cols, int(math.floor(at[thing, 0] + more)) + 1)):
                if chance[row, col] > 0.0:
                    east_m, north_m = cell_m * (col - at[thing, 0]), cell_m * (row - at[thing, 1])
                    chance[row, col] *= 1.0 - square_chance(east_m, north_m, side_m[thing], asked_m[thing])


@njit(cache=True, nogil=True)
def _drawn(chance, places, edges, start, asked):  # type: ignore[no-untyped-def]
    """Share of the draws that keep the distance. Neither all nor none of them is certainty, unless the ground itself says so."""
    rows, cols = chance.shape
    draws = places.shape[0]
    for thing in range(asked.size):
        begin, end, far = start[thing], start[thing + 1], asked[thing]
        left = low = np.inf
        right = high = -np.inf
        for edge in range(begin, end):
            left, right = min(left, edges[edge, 0]), max(right, edges[edge, 0])
            low, high = min(low, edges[edge, 1]), max(high, edges[edge, 1])
        first_row, last_row = max(0, int(math.ceil(low - far))), min(rows, int(math.floor(high + far)) + 1)
        first_col, last_col = max(0, int(math.ceil(left - far))), min(cols, int(math.floor(right + far)) + 1)
        if first_row >= last_row or first_col >= last_col:
            continue
        hits = np.zeros((last_row - first_row, last_col - first_col + 1), np.int32)
        for draw in range(draws):
            x, y = places[draw, thing, 0], places[draw, thing, 1]
            for row in range(max(first_row, int(math.ceil(y - far))), min(last_row, int(math.floor(y + far)) + 1)):
                across = math.sqrt(max(0.0, far * far - (row - y) ** 2))
                begin_col, end_col = max(first_col, int(math.ceil(x - across))), min(last_col, int(math.floor(x + across)) + 1)
                if begin_col < end_col:
                    hits[row - first_row, begin_col - first_col] += 1
                    hits[row - first_row, end_col - first_col] -= 1
        for row in range(first_row, last_row):
            count = 0
            for col in range(first_col, last_col):
                count += hits[row - first_row, col - first_col]
                if chance[row, col] == 0.0:
                    continue
                if count == 0:
                    if inside(edges, begin, end, col, row) or apart(edges, begin, end, col, row) < far:
                        chance[row, col] *= 1.0 - 1.0 / (draws + 1)
                elif count == draws:
                    farthest = math.hypot(max(col - left, right - col), max(row - low, high - row))
                    chance[row, col] *= 0.0 if farthest < far else 1.0 / (draws + 1)
                else:
                    chance[row, col] *= 1.0 - count / draws
