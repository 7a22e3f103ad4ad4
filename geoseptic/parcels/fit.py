"""Whether a drain field and its reserve fit on a lot, and where: trenches along the contour, inside what the law and the ground leave."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.parcels import fitbound, fitground, fitroom, fitsearch
from geoseptic.parcels.fitgrid import Rings
from geoseptic.terrain.slope import half_window_cells

Floats = npt.NDArray[np.float32]
Angles = npt.NDArray[np.float64]

CELLS_M: Final = (1.0, 0.3, 0.1)
BOUND_CELLS_M: Final = (2.0, 1.0, 0.3)
"""Cells of the search, ever finer, and those that rule out beforehand for which directions a search is in vain."""

MOST_CELLS: Final = 400
"""Side of the largest search grid; a lot too large for it is searched on larger cells, which only misses tight spots."""

MOST_SPOTS: Final = 150
"""Spots weighed for each layout and direction; room is looked for everywhere, the best is chosen among so many."""

FEW_LAYOUTS: Final = 6
MOST_LAYOUTS: Final = 12
STEP_ROUND: Final = math.radians(5.0)
"""Where the usual layouts and directions leave no room, more layouts are tried, and directions all round by such steps."""

SHORTEST_TRENCH_M: Final = 6.0
"""No layout has trenches shorter than 20 ft, unless the longest that the code allows is shorter. Common practice, no source."""

DROP_ALONG_TRENCH_M: Final = 0.3
"""How much the fitted ground may differ along one trench: its bottom must be level, so one part of it lies that much deeper.
Common practice, no source."""

BETWEEN_STEPS_M: Final = 0.02
"""The ground along a trench is looked at step by step; this much of the drop is kept in hand for what lies between two steps."""

SEEN_DROP_M: Final = DROP_ALONG_TRENCH_M - BETWEEN_STEPS_M

DISC_SHARE: Final = 0.49
"""Half the width of the narrowest layout must fit as a radius. A little less than half: the buffer may be short by a hundredth."""

Decision = Literal["area", "disc", "grid", "fine grid"]


@dataclass(frozen=True)
class FieldNeed:
    """What has to fit. Trench lengths are totals; spacing is between the walls of neighbouring trenches. [m]"""

    trench_length_m: float
    trench_width_m: float
    max_trench_m: float
    spacing_m: float
    reserve_share: float


@dataclass(frozen=True)
class Layout:
    """One way to lay trenches: `count` of `length_m` each, side by side on `length_m` x `depth_m`."""

    count: int
    length_m: float
    depth_m: float


@dataclass(frozen=True)
class Site:
    """One lot: envelopes in metres, where the tank's outlet is (NaN where there is no house), and what its pipe starts at."""

    field: shapely.Geometry
    reserve: shapely.Geometry
    outlet_x_m: float
    outlet_y_m: float
    outlet_invert_m: float


@dataclass(frozen=True)
class Terrain:
    """Rasters of one shape that the search reads at its spots; `good` holds the codes of `fitgrid`.

    unknown_is_good : take ground of which nothing is known, its height included, for good and level. Never to say that a field fits, only
    to ask whether what nobody knows could make the difference.
    """

    elevation_m: Floats
    good: npt.NDArray[np.uint8]
    path_m: Floats
    left_m: float
    top_m: float
    cell_size_m: float
    window_m: float
    unknown_is_good: bool = False

    @property
    def half_window(self) -> int:
        return half_window_cells(self.cell_size_m, self.window_m)


@dataclass(frozen=True)
class Pipes:
    """Fall of the effluent line, and how deep below ground the pipe of a trench lies."""

    fall_m_per_m: float
    depth_m: float


@dataclass(frozen=True)
class Placement:
    """Where it fits. Field and reserve are rectangles, their trenches run alike.

    reserve : None where no reserve is asked for, or where there is no room for one.
    slope_percent : steepest fitted ground under the field's trenches; path_m : shortest flow path to a well from under one.
    lift_m : 0 by gravity, NaN where the house or its outlet is not known; run_m : from the outlet straight to the field.
    """

    field: shapely.Polygon
    reserve: shapely.Polygon | None
    trenches: tuple[shapely.Polygon, ...]
    reserve_trenches: tuple[shapely.Polygon, ...]
    layout: Layout
    reserve_layout: Layout | None
    slope_percent: float
    path_m: float
    lift_m: float
    run_m: float


@dataclass(frozen=True)
class Fit:
    """The answer for one lot: a placement or none, what decided it, and whether unknown ground stood in the way."""

    placement: Placement | None
    decided_by: Decision
    met_unknown_ground: bool


@lru_cache(maxsize=1000)
def layouts(need: FieldNeed, share: float = 1.0, most_layouts: int = MOST_LAYOUTS) -> tuple[Layout, ...]:
    """At most so many ways to lay `share` of the needed length, longest trenches first: from the fewest trenches that the longest one
    allows to the most that keep the shortest."""
    total_m = share * need.trench_length_m
    fewest = math.ceil(total_m / need.max_trench_m - 1e-9)
    if fewest < 1:
        return ()
    most = max(fewest, math.floor(total_m / SHORTEST_TRENCH_M))
    counts = sorted({round(number) for number in np.geomspace(fewest, most, most_layouts)})
    return tuple(Layout(count, total_m / count, count * need.trench_width_m + (count - 1) * need.spacing_m) for count in counts)


def fit(site: Site, need: FieldNeed, terrain: Terrain, pipes: Pipes) -> Fit:
    """Find room for the field and its reserve on one lot.

    Two exact negatives come first: too little area, and no disc as wide as the narrowest layout. Then a search on a turned grid, and where
    that finds less than field and reserve, a search in all directions on ever finer cells, as far as a bound does not show it to be in
    vain. Among spots a field with its reserve comes before one without, gravity before a pump, a longer flow path to a well before a
    shorter one, longer trenches, gentler slope, shorter run of pipe.
    """
    refused = refused_at_once(site, need)
    if refused is not None:
        return Fit(None, refused, False)
    lot = _Lot.of(site, terrain, pipes)
    best, unknown, decided = _searched(lot, need, _most_by_area(site, need))
    return Fit(None if best is None else best.placement(need, lot.middle), decided, unknown)


@dataclass(frozen=True)
class Room:
    """Whether there is room for a field, and for all that is asked for; whether unknown ground stood in the way."""

    field: bool
    both: bool
    met_unknown_ground: bool


def room(site: Site, need: FieldNeed, terrain: Terrain, pipes: Pipes) -> Room:
    """Whether `fit` would find room, without looking for the best place."""
    if refused_at_once(site, need) is not None:
        return Room(False, False, False)
    most_kind = _most_by_area(site, need)
    found, unknown, _ = _searched(_Lot.of(site, terrain, pipes), need, most_kind, most_kind)
    kind = 0 if found is None else found.best.kind
    return Room(kind > 0, kind == 2, unknown)


def refused_at_once(site: Site, need: FieldNeed) -> Decision | None:
    """What shows without a search that there is no room for the field; None if nothing does."""
    options = layouts(need)
    if shapely.area(site.field) < min(layout.length_m * layout.depth_m for layout in options):
        return "area"
    narrowest_m = min(min(layout.length_m, layout.depth_m) for layout in options)
    if shapely.is_empty(shapely.buffer(site.field, -DISC_SHARE * narrowest_m, quad_segs=4)):
        return "disc"
    return None


def _most_by_area(site: Site, need: FieldNeed) -> int:
    """1 where the areas show that there is no room for the reserve, else 2."""
    least_m2 = [
        min((option.length_m * option.depth_m for option in layouts(need, share)), default=0.0) for share in (1.0, need.reserve_share)
    ]
    if site.reserve is site.field:
        return 2 if shapely.area(site.field) >= sum(least_m2) else 1
    return 2 if shapely.area(site.reserve) >= least_m2[1] else 1


@dataclass(frozen=True)
class _Lot:
    """A lot as the search reads it, about its middle."""

    middle: tuple[float, float]
    rings: Rings
    spare_rings: Rings
    same: bool
    patch: fitground.Patch
    house: fitsearch.House

    @classmethod
    def of(cls, site: Site, terrain: Terrain, pipes: Pipes) -> "_Lot":
        left, bottom, right, top = shapely.bounds(site.field)
        middle = ((left + right) / 2, (bottom + top) / 2)
        same = site.reserve is site.field
        rings = _rings(site.field, middle)
        invert_m = site.outlet_invert_m
        house = fitsearch.House(site.outlet_x_m - middle[0], site.outlet_y_m - middle[1], invert_m, pipes.fall_m_per_m, pipes.depth_m)
        return cls(middle, rings, rings if same else _rings(site.reserve, middle), same, _patch(site, terrain, middle), house)


@dataclass(frozen=True)
class _Found:
    """What a search gave, with the layouts that it was given."""

    best: fitsearch.Best
    fields: tuple[Layout, ...]
    reserves: tuple[Layout, ...]

    def placement(self, need: FieldNeed, middle: tuple[float, float]) -> Placement:
        best, layout = self.best, self.fields[self.best.field.layout]
        field, *trenches = _drawn(best.field, layout, best.turn, need, middle)
        reserve, reserve_trenches, reserve_layout = None, (), None
        if best.reserve.layout >= 0:
            reserve_layout = self.reserves[best.reserve.layout]
            reserve, *spare_trenches = _drawn(best.reserve, reserve_layout, best.turn, need, middle)
            reserve_trenches = tuple(spare_trenches)
        return Placement(
            field,
            reserve,
            tuple(trenches),
            reserve_trenches,
            layout,
            reserve_layout,
            100.0 * best.under.steepest,
            best.under.path_m,
            best.lift_m,
            best.run_m,
        )


def _searched(lot: _Lot, need: FieldNeed, most_kind: int, enough: int = fitsearch.BEST) -> tuple[_Found | None, bool, Decision]:
    turns = fitground.directions(lot.rings, lot.patch)
    found, unknown = _search(lot, need, FEW_LAYOUTS, _tries(lot, need, FEW_LAYOUTS, turns), CELLS_M[0], 1, enough)
    kind = found.best.kind if found else 0
    if kind >= most_kind:
        return found, unknown, "grid"
    decided: Decision = "grid"
    _, _, work = _work(need, MOST_LAYOUTS)
    tries = _tries(lot, need, MOST_LAYOUTS, fitground.more_directions(turns, lot.rings, lot.patch, STEP_ROUND))
    for cell_m, bound_cell_m in zip(CELLS_M, BOUND_CELLS_M, strict=True):
        tries = fitbound.worth_trying(lot.rings, lot.spare_rings, lot.same, tries, bound_cell_m, MOST_CELLS, kind + 1, work, lot.patch)
        if not len(tries.turns):
            break
        if cell_m < CELLS_M[0]:
            decided = "fine grid"
        finer, more_unknown = _search(lot, need, MOST_LAYOUTS, tries, cell_m, kind + 1, enough)
        unknown |= more_unknown
        if finer is not None:
            found, kind = finer, finer.best.kind
        if kind >= most_kind:
            break
    return found, unknown, decided


def _search(
    lot: _Lot, need: FieldNeed, most_layouts: int, tries: fitroom.Tries, cell_m: float, least_kind: int, enough: int
) -> tuple[_Found | None, bool]:
    fields, reserves, work = _work(need, most_layouts)
    best, unknown = fitsearch.search(
        lot.rings, lot.spare_rings, lot.same, tries, cell_m, MOST_CELLS, MOST_SPOTS, least_kind, enough, work, lot.house, lot.patch
    )
    return (None if best.field.layout < 0 else _Found(best, fields, reserves)), unknown


def _tries(lot: _Lot, need: FieldNeed, most_layouts: int, turns: Angles) -> fitroom.Tries:
    """All layouts in all directions in which the ground may let their trenches run."""
    _, _, work = _work(need, most_layouts)
    longest_m = fitground.longest_level(turns, lot.rings, lot.patch, SEEN_DROP_M)[:, None]
    spare_longest_m = longest_m
    if not lot.same:
        spare_longest_m = fitground.longest_level(turns, lot.spare_rings, lot.patch, SEEN_DROP_M)[:, None]
    return fitroom.Tries(turns, work.fields[:, 1] <= longest_m, work.reserves[:, 1] <= spare_longest_m)


@lru_cache(maxsize=1000)
def _work(need: FieldNeed, most_layouts: int) -> tuple[tuple[Layout, ...], tuple[Layout, ...], fitroom.Work]:
    fields, reserves = layouts(need, 1.0, most_layouts), layouts(need, need.reserve_share, most_layouts)
    trenches = fitground.Trenches(need.trench_width_m, need.trench_width_m + need.spacing_m, SEEN_DROP_M)
    return fields, reserves, fitroom.Work(_table(fields), _table(reserves), need.spacing_m, trenches)


def _rings(shape: shapely.Geometry, middle: tuple[float, float]) -> Rings:
    if shapely.is_empty(shape):
        return Rings(np.zeros(2), np.zeros(2), np.array([0, 2]))
    rings = shapely.get_rings(shapely.get_parts(shape))
    starts = np.zeros(len(rings) + 1, np.int64)
    np.cumsum(shapely.get_num_coordinates(rings), out=starts[1:])
    away = shapely.get_coordinates(rings) - middle
    return Rings(np.ascontiguousarray(away[:, 0]), np.ascontiguousarray(away[:, 1]), starts)


def _patch(site: Site, terrain: Terrain, middle: tuple[float, float]) -> fitground.Patch:
    """The ground under both envelopes, and as far round as a block of the coarsest cells may stick out."""
    bounds = shapely.bounds(np.array([site.field, site.reserve], object))
    left, bottom = np.nanmin(bounds[:, :2], axis=0) - BOUND_CELLS_M[0]
    right, top = np.nanmax(bounds[:, 2:], axis=0) + BOUND_CELLS_M[0]
    cell_m = terrain.cell_size_m
    row_0, col_0 = math.floor((terrain.top_m - top) / cell_m), math.floor((left - terrain.left_m) / cell_m)
    rows = math.floor((terrain.top_m - bottom) / cell_m) - row_0 + 1
    cols = math.floor((right - terrain.left_m) / cell_m) - col_0 + 1
    return fitground.patch_of(
        terrain.elevation_m,
        terrain.good,
        terrain.path_m,
        row_0,
        col_0,
        rows,
        cols,
        terrain.half_window,
        terrain.left_m + col_0 * cell_m - middle[0],
        terrain.top_m - row_0 * cell_m - middle[1],
        cell_m,
        terrain.unknown_is_good,
    )


def _table(options: tuple[Layout, ...]) -> npt.NDArray[np.float64]:
    return np.array([(option.count, option.length_m, option.depth_m) for option in options], np.float64).reshape(-1, 3)


def _drawn(spot: fitroom.Spot, layout: Layout, turn: float, need: FieldNeed, middle: tuple[float, float]) -> list[shapely.Polygon]:
    """The rectangle and then its trenches, in the world."""
    low = np.concatenate([[0.0], (need.trench_width_m + need.spacing_m) * np.arange(layout.count)])
    high = np.concatenate([[layout.depth_m], low[1:] + need.trench_width_m])
    u = spot.u + np.array([0.0, layout.length_m, layout.length_m, 0.0])
    v = spot.v + np.column_stack([low, low, high, high])
    cosine, sine = math.cos(turn), math.sin(turn)
    xy = np.stack([middle[0] + u * cosine - v * sine, middle[1] + u * sine + v * cosine], axis=-1)
    return list(shapely.polygons(xy))
