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
Rows = npt.NDArray[np.int64]

GAP_M: Final = 40.0
"""Ground between parcels that is narrower (roads, small streams) counts as theirs: nobody looks for a well there. Our own choice."""

CELLS_A_LENGTH: Final = 3
MOST_CELLS: Final = 8_000_000
"""Cells along the shorter of the two lengths, and how many there are at most: wider ones of a larger county tell less exactly."""

LOTS_AT_ONCE: Final = 8192
"""Lots whose outlines are looked at together."""


@dataclass(frozen=True)
class Cells:
    """How ground is counted: the corner of the map (left, bottom), the side of its cells, and the two lengths. [m]"""

    left_m: float
    bottom_m: float
    cell_m: float
    within_m: float
    gap_m: float

    @classmethod
    def over(cls, bounds_m: Floats, within_m: float, gap_m: float = GAP_M) -> "Cells":
        """Of a layer whose lots have these bounds, shape (lots, 4), with NaN for an empty one; not all are."""
        corner_m = np.nanmin(bounds_m[:, :2], axis=0)
        pad_m = 2.0 * (within_m + gap_m)
        size_m = np.nanmax(bounds_m[:, 2:], axis=0) - corner_m + 2.0 * pad_m
        cell_m = max(min(within_m, gap_m) / CELLS_A_LENGTH, math.sqrt(size_m[0] * size_m[1] / MOST_CELLS))
        left_m, bottom_m = (corner_m - pad_m).tolist()
        return cls(left_m, bottom_m, cell_m, within_m, gap_m)

    @property
    def reach(self) -> float:
        return self.within_m / self.cell_m

    @property
    def half(self) -> int:
        """Half the side of the square that has no room in a road."""
        return max(1, round(self.gap_m / self.cell_m / 2.0))

    @property
    def beyond(self) -> int:
        """So many cells round a lot hold all that its answer hangs on."""
        return math.ceil(self.reach + 1) + 2 * self.half + 2

    @property
    def beyond_m(self) -> float:
        """Lots whose bounds are farther apart on the map than this, along either axis, do not matter to each other."""
        return (self.beyond + 1) * self.cell_m

    def counted(self, places_m: Floats) -> Floats:
        """Places, or bounds, in cells: pairs of x and y along the last axis."""
        return (places_m - np.tile([self.left_m, self.bottom_m], places_m.shape[-1] // 2)) / self.cell_m


def at_the_outer_edge(lots_m: Geometries, within_m: float, gap_m: float = GAP_M) -> Flags:
    """Which lots come within `within_m` of ground that is on none of them and at least `gap_m` wide, to about a cell.

    The layer is counted in cells of a third of the shorter length, so that neither slivers nor overlaps matter; ground in which no square
    of `gap_m` has room is taken for a road.

    Parameters
    ----------
    lots_m : areas, in metres; an empty one is at no edge.
    within_m, gap_m : greater than 0. [m]
    """
    if shapely.is_empty(lots_m).all():
        return np.zeros(len(lots_m), bool)
    return some_at_the_outer_edge(lots_m, np.arange(len(lots_m)), Cells.over(shapely.bounds(lots_m), within_m, gap_m))


def some_at_the_outer_edge(lots_m: Geometries, own: Rows, cells: Cells) -> Flags:
    """`at_the_outer_edge` of the lots in the rows `own`, of which some has a shape; the others that come within `cells.beyond_m` of what
    bounds these are there too."""
    bounds = cells.counted(shapely.bounds(lots_m[own]))
    found = np.zeros(len(own), bool)
    low = np.floor(np.nanmin(bounds[:, :2], axis=0)).astype(np.int64) - cells.beyond
    shape = np.floor(np.nanmax(bounds[:, 2:], axis=0)).astype(np.int64) + cells.beyond + 1 - low
    covered = _covered(lots_m[~shapely.is_empty(lots_m)], cells, low, shape)
    closed = ~_spread(~_spread(covered, cells.half), cells.half)
    beside = ~closed & (_along(closed, 1) | _along(closed.T, 1).T)
    near = _spread(beside, math.ceil(cells.reach + 1))
    wanted = np.flatnonzero(_holds_some(near, bounds - np.tile(low, 2)))
    if not len(wanted):
        return found
    # From the middle of a cell beside the layer; half a cell more is its side.
    tree, farthest = shapely.STRtree(shapely.points(np.column_stack(np.nonzero(beside)[::-1]) + low + 0.5)), cells.reach + 0.5
    for some in np.array_split(wanted, len(wanted) // LOTS_AT_ONCE + 1):
        points, owner = _Rings.of(lots_m[own[some]], cells).along()
        col, row = points.astype(np.int64).T - low[:, None]
        maybe = np.flatnonzero(near[row, col])
        (point, _), apart = tree.query_nearest(
            shapely.points(points[maybe]), max_distance=farthest, return_distance=True, all_matches=False
        )
        found[some[owner[maybe[point[apart < farthest]]]]] = True
    return found


@dataclass(frozen=True)
class _Rings:
    """Edges of all rings in cells: where they begin and end, shape (edges, 2), 1 where covered ground lies to the left and -1 where it lies
    to the right, and whose each is."""

    start: Floats
    end: Floats
    turn: Floats
    lot: Rows

    @classmethod
    def of(cls, lots_m: Geometries, cells: Cells) -> "_Rings":
        parts, owner = shapely.get_parts(lots_m, return_index=True)
        _, xy, (ring_ends, part_ends) = shapely.to_ragged_array(parts)
        inner = np.ones(len(ring_ends) - 1, bool)
        inner[part_ends[:-1][np.diff(part_ends) > 0]] = False
        lot = np.repeat(owner, np.diff(part_ends))
        xy = cells.counted(xy[:, :2])
        ring = np.repeat(np.arange(len(lot)), np.diff(ring_ends))
        same = ring[1:] == ring[:-1]
        start, end, ring = xy[:-1][same], xy[1:][same], ring[:-1][same]
        doubled = np.bincount(ring, weights=start[:, 0] * end[:, 1] - end[:, 0] * start[:, 1], minlength=len(lot))
        return cls(start, end, (np.sign(doubled) * np.where(inner, -1.0, 1.0))[ring], lot[ring])

    def along(self) -> tuple[Floats, Rows]:
        """Points along the edges, a cell apart at most, and whose each is."""
        step = self.end - self.start
        count = np.ceil(np.hypot(*step.T)).astype(np.int64).clip(1)
        edge, number = _repeated(count)
        return self.start[edge] + (number / count[edge])[:, None] * step[edge], self.lot[edge]


def _repeated(count: Rows) -> tuple[Rows, Rows]:
    """Each place so often, and the how manieth of it that is."""
    place = np.repeat(np.arange(len(count)), count)
    return place, np.arange(len(place)) - (np.cumsum(count) - count)[place]


def _covered(lots_m: Geometries, cells: Cells, low: Rows, shape: Rows) -> Flags:
    """Cells from column and row `low` on, so many of each, whose middle lies on a lot, one or several: from an edge on with ground to its
    right a lot begins, else one ends."""
    cols, rows = shape.tolist()
    # The last column is of what begins or ends farther right.
    steps = np.zeros(rows * (cols + 1), np.int16)
    for some in np.array_split(lots_m, len(lots_m) // LOTS_AT_ONCE + 1):
        rings = _Rings.of(some, cells)
        first, last = (np.clip(np.ceil(ends[:, 1] - 0.5).astype(np.int64) - low[1], 0, rows) for ends in (rings.start, rings.end))
        edge, number = _repeated(abs(last - first))
        row = number + np.minimum(first, last)[edge]
        (x0, y0), (x1, y1) = rings.start[edge].T, rings.end[edge].T
        col = np.ceil(x0 + (row + low[1] + 0.5 - y0) * (x1 - x0) / (y1 - y0) - 0.5).astype(np.int64) - low[0]
        step = (np.where(y1 < y0, 1.0, -1.0) * rings.turn[edge]).astype(np.int16)
        np.add.at(steps, row * (cols + 1) + np.clip(col, 0, cols), step)
    covered: Flags = steps.reshape(rows, cols + 1)[:, :-1].cumsum(axis=1, dtype=np.int16) > 0
    return covered


def _holds_some(near: Flags, bounds: Floats) -> Flags:
    """Which bounds, in cells, hold a cell that is marked; those of an empty lot hold none."""
    some = ~np.isnan(bounds[:, 0])
    west, south, east, north = bounds[some].astype(np.int64).T
    total = np.zeros((near.shape[0] + 1, near.shape[1] + 1), np.int32)
    near.cumsum(axis=0, dtype=np.int32).cumsum(axis=1, out=total[1:, 1:])
    held = np.zeros(len(bounds), bool)
    held[some] = total[north + 1, east + 1] - total[south, east + 1] - total[north + 1, west] + total[south, west] > 0
    return held


def _spread(cells: Flags, half: int) -> Flags:
    """Cells with a marked one in the square of 2 `half` + 1 cells round them."""
    return _along(_along(cells, half).T, half).T


def _along(cells: Flags, half: int) -> Flags:
    """Cells with a marked one among the `half` before and behind them in their column."""
    done = 0
    while done < half:
        more = min(2 * done + 1, half - done)
        spread = cells.copy("K")
        spread[more:] |= cells[:-more]
        spread[:-more] |= cells[more:]
        cells, done = spread, done + more
    return cells
