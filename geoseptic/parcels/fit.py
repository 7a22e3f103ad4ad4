"""Whether a drain field and its reserve fit on a lot, and where: trenches along the contour, inside what the law and the ground leave."""

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels import fitbound, fitground, fitroom, fitsearch
from geoseptic.parcels.fitgrid import Rings, holds_square
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

SQUARE_ROUND_DISC: Final = 1.05
"""The square is so much wider than the disc, of which the buffer may take a hundredth more than it should."""

Box = tuple[float, float, float, float]
"""Left, bottom, right, top; NaN of an empty shape. [m]"""

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
class Outlines:
    """Areas, bounds and rings of many shapes, read at once; ring k of all of them is `starts[k]:starts[k + 1]`, shape n has the rings
    `first[n]:first[n + 1]`."""

    areas_m2: list[float]
    boxes_m: list[Box]
    xy_m: npt.NDArray[np.float64]
    starts: npt.NDArray[np.int64]
    first: list[int]

    @classmethod
    def of(cls, shapes: Geometries) -> "Outlines":
        """Read once what the searches of these shapes ask for; shape (lots,), coordinates in metres."""
        parts, shape_of = shapely.get_parts(shapes, return_index=True)
        rings, part_of = shapely.get_rings(parts, return_index=True)
        starts = np.zeros(len(rings) + 1, np.int64)
        np.cumsum(shapely.get_num_coordinates(rings), out=starts[1:])
        first = np.searchsorted(shape_of[part_of], np.arange(len(shapes) + 1))
        boxes_m = [(left, bottom, right, top) for left, bottom, right, top in shapely.bounds(shapes).tolist()]
        return cls(shapely.area(shapes).tolist(), boxes_m, shapely.get_coordinates(rings), starts, first.tolist())

    def rings(self, number: int, middle: tuple[float, float]) -> Rings:
        """The rings of one shape about a point."""
        first, last = self.first[number], self.first[number + 1]
        if first == last:
            return Rings(np.zeros(2), np.zeros(2), np.array([0, 2]))
        starts = self.starts[first : last + 1]
        xy_m = self.xy_m[starts[0] : starts[-1]]
        return Rings(xy_m[:, 0] - middle[0], xy_m[:, 1] - middle[1], starts - starts[0])


@dataclass(frozen=True)
class Site:
    """One lot: envelopes in metres, where the tank's outlet is (NaN where there is no house), and what its pipe starts at.

    outlines : those of field and reserve, if they were read with those of other sites, and which of them are this one's.
    """

    field: shapely.Geometry
    reserve: shapely.Geometry
    outlet_x_m: float
    outlet_y_m: float
    outlet_invert_m: float
    outlines: tuple[Outlines, Outlines, int] | None = dataclasses.field(default=None, repr=False, compare=False)

    @property
    def same(self) -> bool:
        """Whether field and reserve share one envelope."""
        return self.reserve is self.field

    @cached_property
    def _read(self) -> tuple[Outlines, Outlines, int]:
        if self.outlines is not None:
            return self.outlines
        own = Outlines.of(np.array([self.field], object))
        return own, own if self.same else Outlines.of(np.array([self.reserve], object)), 0

    @cached_property
    def middle(self) -> tuple[float, float]:
        """Middle of the bounds of the field's envelope, about which the search looks at the lot. [m]"""
        left, bottom, right, top = self.boxes_m[0]
        return (left + right) / 2, (bottom + top) / 2

    @property
    def boxes_m(self) -> tuple[Box, Box]:
        """Bounds of the envelopes of field and reserve."""
        fields, reserves, number = self._read
        return fields.boxes_m[number], (fields if self.same else reserves).boxes_m[number]

    @property
    def areas_m2(self) -> tuple[float, float]:
        """Of the envelopes of field and reserve."""
        fields, reserves, number = self._read
        return fields.areas_m2[number], (fields if self.same else reserves).areas_m2[number]

    @cached_property
    def rings(self) -> tuple[Rings, Rings]:
        """The envelopes of field and reserve, about the middle."""
        fields, reserves, number = self._read
        own = fields.rings(number, self.middle)
        return own, own if self.same else reserves.rings(number, self.middle)


def sites(fields: Geometries, reserves: Geometries, starts: Sequence[tuple[float, float, float]]) -> list[Site]:
    """A site for each envelope of a field, that of its reserve, and start of the pipe: x, y and invert; shapes are read all at once.
    Envelopes that are equal become one and the same, which the search makes use of. [m]"""
    same = shapely.equals_exact(fields, reserves, 0.0)
    outlines = Outlines.of(fields), Outlines.of(np.where(same, shapely.Polygon(), reserves))
    return [
        Site(own, own if alike else other, *start, outlines=(*outlines, number))
        for number, (own, other, start, alike) in enumerate(zip(fields, reserves, starts, same.tolist(), strict=True))
    ]


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


def fit(site: Site, need: FieldNeed, terrain: Terrain, pipes: Pipes, ground: "SiteGround | None" = None) -> Fit:
    """Find room for the field and its reserve on one lot.

    Two exact negatives come first: too little area, and no disc as wide as the narrowest layout. Then a search on a turned grid, and where
    that finds less than field and reserve, a search in all directions on ever finer cells, as far as a bound does not show it to be in
    vain. Among spots a field with its reserve comes before one without, gravity before a pump, a longer flow path to a well before a
    shorter one, longer trenches, gentler slope, shorter run of pipe. `ground` of these envelopes and this terrain is what several searches
    may share, from whatever outlet.
    """
    ground = ground or SiteGround(site, terrain)
    if need in ground.answers:
        return _from_another_outlet(ground.answers[need], _Lot.of(site, pipes, ground), need)
    refused = refused_at_once(ground.site, need)
    if refused is not None:
        return Fit(None, refused, False)
    lot = _Lot.of(site, pipes, ground)
    best, unknown, decided, last = _searched(lot, need, most_by_area(ground.site, need))
    found = Fit(None if best is None else best.placement(need, lot.middle), decided, unknown)
    ground.answers[need] = _Answer(found, best, last)
    return found


@dataclass(frozen=True)
class Room:
    """Whether there is room for a field, and for all that is asked for; whether unknown ground stood in the way."""

    field: bool
    both: bool
    met_unknown_ground: bool


def room(site: Site, need: FieldNeed, terrain: Terrain, pipes: Pipes, ground: "SiteGround | None" = None) -> Room:
    """Whether `fit` would find room, without looking for the best place."""
    ground = ground or SiteGround(site, terrain)
    if refused_at_once(ground.site, need) is not None:
        return Room(False, False, False)
    most_kind = most_by_area(ground.site, need)
    lot = _Lot.of(site, pipes, ground)
    found, unknown, _, _ = _searched(lot, need, most_kind, most_kind)
    kind = 0 if found is None else found.best.kind
    return Room(kind > 0, kind == 2, unknown)


def refused_at_once(site: Site, need: FieldNeed) -> Decision | None:
    """What shows without a search that there is no room for the field; None if nothing does."""
    least_m2, _, narrowest_m = least_of(need)
    if site.areas_m2[0] < least_m2:
        return "area"
    radius_m = DISC_SHARE * narrowest_m
    # Nearly every lot holds a square round such a disc, which is seen in a tenth of the time.
    if holds_square(site.rings[0], SQUARE_ROUND_DISC * 2.0 * radius_m, MOST_CELLS):
        return None
    if shapely.is_empty(shapely.buffer(site.field, -radius_m, quad_segs=4)):
        return "disc"
    return None


@lru_cache(maxsize=1000)
def least_of(need: FieldNeed) -> tuple[float, float, float]:
    """Least area of a layout of the field and of one of the reserve, and the narrowest width of a field. [m2, m2, m]"""
    field, reserve = layouts(need), layouts(need, need.reserve_share)
    areas_m2 = [min((option.length_m * option.depth_m for option in options), default=0.0) for options in (field, reserve)]
    return areas_m2[0], areas_m2[1], min(min(option.length_m, option.depth_m) for option in field)


def most_by_area(site: Site, need: FieldNeed) -> int:
    """1 where the areas show that there is no room for the reserve, else 2."""
    least_m2 = least_of(need)[:2]
    if site.same:
        return 2 if site.areas_m2[0] >= sum(least_m2) else 1
    return 2 if site.areas_m2[1] >= least_m2[1] else 1


@dataclass(frozen=True)
class SiteGround:
    """The ground of one site on one terrain as searches for several sizes share it; made when it is first asked for, so neither may change
    meanwhile. Directions to try first and, where asked for, all others; for each how long a trench of field and reserve may be worth
    trying; and what `fit` found for each need. [rad, m]"""

    site: Site
    terrain: Terrain
    answers: "dict[FieldNeed, _Answer]" = dataclasses.field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def rings(self) -> Rings:
        return self.site.rings[0]

    @property
    def spare_rings(self) -> Rings:
        return self.site.rings[1]

    @property
    def same(self) -> bool:
        return self.site.same

    @cached_property
    def patch(self) -> fitground.Patch:
        """The ground under the lot, cell for cell."""
        return _patch(self.site, self.terrain)

    @cached_property
    def first(self) -> tuple[Angles, Angles, Angles]:
        """Directions to try first, with the longest trench of field and of reserve in each. [rad, m]"""
        return self._with_lengths(*fitground.directions(self.rings, self.patch, SEEN_DROP_M))

    @cached_property
    def all_round(self) -> tuple[Angles, Angles, Angles]:
        """The same all round, where the first ones leave no room. [rad, m]"""
        return self._with_lengths(*fitground.more_directions(self.first[0], self.rings, self.patch, STEP_ROUND, SEEN_DROP_M))

    def _with_lengths(self, turns: Angles, longest_m: Angles) -> tuple[Angles, Angles, Angles]:
        column_m = longest_m[:, None]
        if self.same:
            return turns, column_m, column_m
        return turns, column_m, fitground.longest_level(turns, self.spare_rings, self.patch, SEEN_DROP_M)[:, None]


@dataclass(frozen=True)
class _Lot:
    """A lot as the search reads it, about its middle."""

    middle: tuple[float, float]
    ground: SiteGround
    house: fitsearch.House

    @classmethod
    def of(cls, site: Site, pipes: Pipes, ground: SiteGround) -> "_Lot":
        middle = ground.site.middle
        x, y = site.outlet_x_m - middle[0], site.outlet_y_m - middle[1]
        return cls(middle, ground, fitsearch.House(x, y, site.outlet_invert_m, pipes.fall_m_per_m, pipes.depth_m))


@dataclass(frozen=True)
class _Found:
    """What a search gave, with the layouts that it was given."""

    best: fitsearch.Best
    fields: tuple[Layout, ...]
    reserves: tuple[Layout, ...]

    def placement(self, need: FieldNeed, middle: tuple[float, float]) -> Placement:
        best, layout = self.best, self.fields[self.best.field.layout]
        reserve_layout = self.reserves[best.reserve.layout] if best.reserve.layout >= 0 else None
        corners = [_corners(best.field, layout, best.turn, need, middle)]
        if reserve_layout is not None:
            corners.append(_corners(best.reserve, reserve_layout, best.turn, need, middle))
        field, *shapes = shapely.polygons(np.concatenate(corners)).tolist()
        trenches, spares = shapes[: layout.count], shapes[layout.count :]
        return Placement(
            field,
            spares[0] if spares else None,
            tuple(trenches),
            tuple(spares[1:]),
            layout,
            reserve_layout,
            100.0 * best.under.steepest,
            best.under.path_m,
            best.lift_m,
            best.run_m,
        )


@dataclass(frozen=True)
class _Stage:
    """One search on cells of one size: what is tried, and for an answer of which kind."""

    most_layouts: int
    tries: fitroom.Tries
    cell_m: float
    least_kind: int


@dataclass(frozen=True)
class _Answer:
    """What `fit` found on some ground, and the stage that found it; None where there is no room."""

    fit: Fit
    found: _Found | None
    stage: _Stage


def _from_another_outlet(before: _Answer, lot: _Lot, need: FieldNeed) -> Fit:
    """The answer for another outlet: which stage finds room, and for what, does not depend on it, only the choice among the spots."""
    if before.found is None or before.fit.placement is None:
        return before.fit
    found, _ = _search(lot, need, before.stage, fitsearch.BEST)
    assert found is not None  # it was found before
    best, old = found.best, before.found.best
    if (best.turn, best.field, best.reserve) == (old.turn, old.field, old.reserve):
        return replace(before.fit, placement=replace(before.fit.placement, lift_m=best.lift_m, run_m=best.run_m))
    return replace(before.fit, placement=found.placement(need, lot.middle))


def _searched(lot: _Lot, need: FieldNeed, most_kind: int, enough: int = fitsearch.BEST) -> tuple[_Found | None, bool, Decision, _Stage]:
    """What is found, whether unknown ground was met, what decided it, and the stage that found it."""
    ground = lot.ground
    last = _Stage(FEW_LAYOUTS, all_tries(need, FEW_LAYOUTS, *ground.first), CELLS_M[0], 1)
    found, unknown = _search(lot, need, last, enough)
    kind = found.best.kind if found else 0
    if kind >= most_kind:
        return found, unknown, "grid", last
    decided: Decision = "grid"
    _, _, work = laid(need, MOST_LAYOUTS)
    tries = all_tries(need, MOST_LAYOUTS, *ground.all_round)
    for cell_m, bound_cell_m in zip(CELLS_M, BOUND_CELLS_M, strict=True):
        tries = fitbound.worth_trying(
            ground.rings, ground.spare_rings, ground.same, tries, bound_cell_m, MOST_CELLS, kind + 1, work, ground.patch
        )
        if not len(tries.turns):
            break
        if cell_m < CELLS_M[0]:
            decided = "fine grid"
        stage = _Stage(MOST_LAYOUTS, tries, cell_m, kind + 1)
        finer, more_unknown = _search(lot, need, stage, enough)
        unknown |= more_unknown
        if finer is not None:
            found, kind, last = finer, finer.best.kind, stage
        if kind >= most_kind:
            break
    return found, unknown, decided, last


def _search(lot: _Lot, need: FieldNeed, stage: _Stage, enough: int) -> tuple[_Found | None, bool]:
    fields, reserves, work = laid(need, stage.most_layouts)
    ground, least_kind = lot.ground, stage.least_kind
    best, unknown = fitsearch.search(
        ground.rings,
        ground.spare_rings,
        ground.same,
        stage.tries,
        stage.cell_m,
        MOST_CELLS,
        MOST_SPOTS,
        least_kind,
        enough,
        work,
        lot.house,
        ground.patch,
    )
    return (None if best.field.layout < 0 else _Found(best, fields, reserves)), unknown


def all_tries(need: FieldNeed, most_layouts: int, turns: Angles, longest_m: Angles, spare_longest_m: Angles) -> fitroom.Tries:
    """All layouts in all directions in which the ground may let their trenches run."""
    _, _, work = laid(need, most_layouts)
    fields = work.fields[:, 1] <= longest_m
    alike = work.reserves is work.fields and spare_longest_m is longest_m
    return fitroom.Tries(turns, fields, fields if alike else work.reserves[:, 1] <= spare_longest_m)


@lru_cache(maxsize=1000)
def laid(need: FieldNeed, most_layouts: int) -> tuple[tuple[Layout, ...], tuple[Layout, ...], fitroom.Work]:
    """At most so many layouts of field and of reserve, and the same as the search reads it."""
    fields, reserves = layouts(need, 1.0, most_layouts), layouts(need, need.reserve_share, most_layouts)
    trenches = fitground.Trenches(need.trench_width_m, need.trench_width_m + need.spacing_m, SEEN_DROP_M)
    table = _table(fields)
    return fields, reserves, fitroom.Work(table, table if reserves == fields else _table(reserves), need.spacing_m, trenches)


def _patch(site: Site, terrain: Terrain) -> fitground.Patch:
    """The ground under both envelopes, and as far round as a block of the coarsest cells may stick out."""
    boxes, middle = [box for box in site.boxes_m if not math.isnan(box[0])], site.middle
    left, bottom = (min(box[end] for box in boxes) - BOUND_CELLS_M[0] for end in (0, 1))
    right, top = (max(box[end] for box in boxes) + BOUND_CELLS_M[0] for end in (2, 3))
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


def _corners(spot: fitroom.Spot, layout: Layout, turn: float, need: FieldNeed, middle: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Corners of the rectangle and then of its trenches in the world, shape (1 + trenches, 4, 2). [m]"""
    width_m, pitch_m = need.trench_width_m, need.trench_width_m + need.spacing_m
    found: npt.NDArray[np.float64] = fitroom.corners(
        spot.u, spot.v, layout.count, layout.length_m, layout.depth_m, width_m, pitch_m, turn, *middle
    )
    return found
