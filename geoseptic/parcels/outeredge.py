"""Which parcels lie at the outer edge of their layer, beside ground of which it tells nothing: neighbours may have wells there."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

GAP_M: Final = 40.0
"""Ground between parcels that is narrower (roads, small streams) counts as theirs: nobody looks for a well there. Our own choice."""

CELLS_A_LENGTH: Final = 3
MOST_CELLS: Final = 8_000_000
"""Cells along the shorter of the two lengths, and how many there are at most: wider ones of a larger county tell less exactly."""

LOTS_AT_ONCE: Final = 8192
"""Lots whose outlines are looked at together."""


def at_the_outer_edge(lots_m: Geometries, within_m: float, gap_m: float = GAP_M) -> Flags:
    """Which lots come within `within_m` of ground that is on none of them and at least `gap_m` wide, to about a cell.

    The layer is counted in cells of a third of the shorter length, so that neither slivers nor overlaps matter; ground in which no square
    of `gap_m` has room is taken for a road.

    Parameters
    ----------
    lots_m : areas, in metres; an empty one is at no edge.
    within_m, gap_m : greater than 0. [m]
    """
    from scipy import ndimage  # 0.3 s to load with KDTree, and a run that keeps what it finds here seldom asks again
    from scipy.spatial import KDTree

    left, bottom, right, top = shapely.total_bounds(lots_m)
    if not np.isfinite(left):
        return np.zeros(len(lots_m), bool)
    pad_m = 2.0 * (within_m + gap_m)
    size_m = np.array([right - left, top - bottom]) + 2.0 * pad_m
    cell_m = max(min(within_m, gap_m) / CELLS_A_LENGTH, math.sqrt(size_m[0] * size_m[1] / MOST_CELLS))
    cols, rows = (math.ceil(length_m / cell_m) for length_m in size_m)
    corner_m = np.array([left, bottom]) - pad_m
    closed = _closed(_covered(lots_m[~shapely.is_empty(lots_m)], corner_m, cell_m, rows, cols), max(1, round(gap_m / cell_m / 2.0)))
    beside = ~closed & ndimage.binary_dilation(closed)
    reach = within_m / cell_m
    near = ndimage.maximum_filter(beside.view(np.uint8), 2 * math.ceil(reach + 1) + 1, mode="constant")
    found = np.zeros(len(lots_m), bool)
    wanted = _holds_some(near, (shapely.bounds(lots_m) - np.tile([left, bottom], 2) + pad_m) / cell_m)
    if not wanted.any():
        return found
    # From the middle of a cell beside the layer; half a cell more is its side.
    tree = KDTree(np.column_stack(np.nonzero(beside)[::-1]) + 0.5)
    for lots in np.array_split(np.flatnonzero(wanted), np.count_nonzero(wanted) // LOTS_AT_ONCE + 1):
        points, owner = _Rings.of(lots_m[lots], corner_m, cell_m).along()
        maybe = near[points[:, 1].astype(np.int64), points[:, 0].astype(np.int64)] == 1
        if maybe.any():
            apart, _ = tree.query(points[maybe], distance_upper_bound=reach + 0.5)
            found[lots[owner[maybe][np.isfinite(apart)]]] = True
    return found


@dataclass(frozen=True)
class _Rings:
    """Edges of all rings in cells: where they begin and end, shape (edges, 2), 1 where covered ground lies to the left and -1 where it lies
    to the right, and whose each is."""

    start: Floats
    end: Floats
    turn: Floats
    lot: npt.NDArray[np.int64]

    @classmethod
    def of(cls, lots_m: Geometries, corner_m: Floats, cell_m: float) -> "_Rings":
        parts, owner = shapely.get_parts(lots_m, return_index=True)
        _, xy, (ring_ends, part_ends) = shapely.to_ragged_array(parts)
        inner = np.ones(len(ring_ends) - 1, bool)
        inner[part_ends[:-1][np.diff(part_ends) > 0]] = False
        lot = np.repeat(owner, np.diff(part_ends))
        xy = (xy[:, :2] - corner_m) / cell_m
        ring = np.repeat(np.arange(len(lot)), np.diff(ring_ends))
        same = ring[1:] == ring[:-1]
        start, end, ring = xy[:-1][same], xy[1:][same], ring[:-1][same]
        doubled = np.bincount(ring, weights=start[:, 0] * end[:, 1] - end[:, 0] * start[:, 1], minlength=len(lot))
        return cls(start, end, (np.sign(doubled) * np.where(inner, -1.0, 1.0))[ring], lot[ring])

    def along(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """Points along the edges, a cell apart at most, and whose each is."""
        step = self.end - self.start
        count = np.ceil(np.hypot(*step.T)).astype(np.int64).clip(1)
        edge, number = _repeated(count)
        return self.start[edge] + (number / count[edge])[:, None] * step[edge], self.lot[edge]


def _repeated(count: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Each place so often, and the how manieth of it that is."""
    place = np.repeat(np.arange(len(count)), count)
    return place, np.arange(len(place)) - (np.cumsum(count) - count)[place]


def _covered(lots_m: Geometries, corner_m: Floats, cell_m: float, rows: int, cols: int) -> Flags:
    """Cells whose middle lies on a lot, one or several: from an edge on with ground to its right a lot begins, else one ends."""
    steps = np.zeros(rows * cols, np.int16)
    for some in np.array_split(lots_m, len(lots_m) // LOTS_AT_ONCE + 1):
        rings = _Rings.of(some, corner_m, cell_m)
        first, last = (np.ceil(ends[:, 1] - 0.5).astype(np.int64) for ends in (rings.start, rings.end))
        edge, number = _repeated(abs(last - first))
        row = number + np.minimum(first, last)[edge]
        (x0, y0), (x1, y1) = rings.start[edge].T, rings.end[edge].T
        col = np.ceil(x0 + (row + 0.5 - y0) * (x1 - x0) / (y1 - y0) - 0.5).astype(np.int64)
        np.add.at(steps, row * cols + col, (np.where(y1 < y0, 1.0, -1.0) * rings.turn[edge]).astype(np.int16))
    covered: Flags = steps.reshape(rows, cols).cumsum(axis=1, dtype=np.int16) > 0
    return covered


def _holds_some(near: npt.NDArray[np.uint8], bounds: Floats) -> Flags:
    """Which bounds, in cells, hold a cell that is marked; those of an empty lot hold none."""
    some = ~np.isnan(bounds[:, 0])
    west, south, east, north = bounds[some].astype(np.int64).T
    total = np.zeros((near.shape[0] + 1, near.shape[1] + 1), np.int32)
    near.cumsum(axis=0, dtype=np.int32).cumsum(axis=1, out=total[1:, 1:])
    held = np.zeros(len(bounds), bool)
    held[some] = total[north + 1, east + 1] - total[south, east + 1] - total[north + 1, west] + total[south, west] > 0
    return held


def _closed(covered: Flags, half: int) -> Flags:
    """What is covered, and all ground beside it in which no square of 2 `half` + 1 cells has room."""
    from scipy import ndimage

    wide = ndimage.maximum_filter(covered.view(np.uint8), 2 * half + 1, mode="constant")
    return np.asarray(ndimage.minimum_filter(wide, 2 * half + 1, mode="constant"), np.uint8).astype(bool)
