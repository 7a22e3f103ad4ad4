"""Where field, reserve and tank go on each lot: the search for room, with the tank's own place and the run of the pipes in mind."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import CodeSilentError
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.rules import RuleSet
from geoseptic.parcels import tank
from geoseptic.parcels.fit import FieldNeed, Fit, Pipes, Placement, Site, Terrain, fit
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND, UNKNOWN_GROUND
from geoseptic.processes import steps
from geoseptic.processes.land import Land
from geoseptic.processes.lot_sizes import AS_A_BED, LARGEST, PLANNED, SMALLEST, Sizes
from geoseptic.processes.mapping import Mapped
from geoseptic.processes.soil_ground import SoilLayers, forbidden_ground, unknown_ground
from geoseptic.processes.steps import Cut
from geoseptic.systems.gravity import Burial, Ground, Profile, profile
from geoseptic.systems.verdict import Found
from geoseptic.terrain import flowpath
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at

OPEN_FROM_M2 = 1.0
"""An envelope that could grow by less has no open question worth a search."""

TO_SPARE_M = 0.1
"""So that a rounding does not take the tank's place again."""

CHUNK = 250

NO_ROOM = shapely.Polygon()
NOTHING = Found(
    field=False, reserve=False, planned=False, smaller=False, in_possible=False, on_unknown_ground=False, tank=None, by_gravity=None
)

T = TypeVar("T")


@dataclass(frozen=True)
class Search:
    """What the search of all lots shares. `tank_forbidden_m` is ground of each lot where no tank may stand though no setback says so."""

    land: Land
    cuts: Mapping[str, Cut]
    sizes: Sequence[Sizes]
    terrain: Terrain
    bed_terrain: Terrain
    bad_ground: Mapping[str, npt.NDArray[np.bool_]]
    houses_m: Geometries
    tank_forbidden_m: Geometries
    burial: Burial
    workers: int

    @cached_property
    def barriers_m(self) -> Geometries:
        """Of each lot what no pipe may run under."""
        return tank.on_lots(self.land.fabric.shapes_m, self.land.buildings_m)

    @cached_property
    def tank_envelopes_m(self) -> Geometries:
        """Where a tank may stand on each lot."""
        room: Geometries = shapely.difference(self.cuts["septic_tank"].envelopes.shapes_m, self.tank_forbidden_m)
        return room

    @cached_property
    def possible_tank_envelopes_m(self) -> Geometries:
        """The same if every open question of the setbacks is answered in the lot's favour."""
        room: Geometries = shapely.difference(self.cuts["septic_tank"].envelopes.possible_m, self.tank_forbidden_m)
        return room

    @property
    def pipes(self) -> Pipes:
        return Pipes(self.burial.effluent_fall_m_per_m, self.burial.field_pipe_depth_m)

    def each(self, task: Callable[[int], T], lots: Sequence[int]) -> list[T]:
        """What `task` gives for each of the lots, in their order."""
        if self.workers <= 1 or len(lots) <= CHUNK:
            return [task(lot) for lot in lots]
        parts = [lots[start : start + CHUNK] for start in range(0, len(lots), CHUNK)]
        with ThreadPoolExecutor(self.workers) as pool:
            return [answer for part in pool.map(lambda some: [task(lot) for lot in some], parts) for answer in part]


@dataclass(frozen=True)
class Searched:
    """What the search of one lot gave: the fit to draw, for which of the sizes, and what it means; no fit where no field is allowed."""

    fit: Fit | None
    drawn_for: str
    found: Found
    need: FieldNeed | None = None

    @property
    def placement(self) -> Placement | None:
        return self.fit.placement if self.fit else None


def houses(land: Land) -> Geometries:
    """The largest building that may be a dwelling and whose middle lies on each lot; empty where there is none."""
    found = np.full(len(land.fabric.ids), NO_ROOM, object)
    lot, roofs, _ = _lived_in(land)
    order = np.argsort(shapely.area(roofs), kind="stable")
    found[lot[order]] = roofs[order]
    return found


def dwellings(land: Land) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """How many buildings on each lot are known to be dwellings, and how many may be."""
    lot, _, known = _lived_in(land)
    count = len(land.fabric.ids)
    return np.bincount(lot[known], minlength=count), np.bincount(lot, minlength=count)


def _lived_in(land: Land) -> tuple[npt.NDArray[np.int64], Geometries, npt.NDArray[np.bool_]]:
    """Buildings that may be dwellings: lot, shape, and whether it is known."""
    buildings = np.flatnonzero(land.obstacles.feature == "building")
    said = [dict(land.obstacles.facts[index]).get("not_a_dwelling") for index in buildings]
    may_be = np.array([word is not True for word in said], bool)
    roofs = land.obstacles.shapes_m[buildings[may_be]]
    known = np.array([word is False for word in said], bool)[may_be]
    building, lot = shapely.STRtree(land.fabric.shapes_m).query(shapely.point_on_surface(roofs), predicate="within")
    return lot, roofs[building], known[building]


def bad_ground(
    elevation: Raster, mapped: Mapped, soil: SoilLayers, rules: RuleSet, *, floodplain_excluded: bool
) -> dict[str, npt.NDArray[np.bool_]]:
    """Why -> cells where no field may lie for what the ground is."""
    limit_percent = steps.slope_limit_percent(rules)
    found = {} if limit_percent is None else {f"slope over {limit_percent:g} percent": mapped.slope_percent > limit_percent}
    found["hollow that holds water"] = steps.ponding_m(mapped.ground) > 0
    return {name: mask for name, mask in (found | forbidden_ground(soil, elevation.grid, floodplain_excluded)).items() if mask.any()}


def terrain_of(elevation: Raster, mapped: Mapped, soil: SoilLayers, bad: Mapping[str, npt.NDArray[np.bool_]], window_m: float) -> Terrain:
    """What the search reads of the ground: bad where it excludes, unknown where nobody knows."""
    grid, code = elevation.grid, mapped.paths.code
    good = np.full(grid.shape, GOOD_GROUND, np.uint8)
    good[np.isnan(mapped.slope_percent) | (code == flowpath.NO_ELEVATION) | (code == flowpath.LEAVES_THE_DATA)] = UNKNOWN_GROUND
    good[unknown_ground(soil, grid)] = UNKNOWN_GROUND
    for mask in bad.values():
        good[mask] = BAD_GROUND
    path_m = np.where(code == flowpath.REACHES_NO_WELL, np.float32(np.inf), mapped.paths.distance_m)
    left, _, _, top = grid.bounds_m
    return Terrain(elevation.values.astype(np.float32, copy=False), good, path_m, left, top, grid.cell_size_m, window_m)


def bed_terrain_of(terrain: Terrain, mapped: Mapped, rules: RuleSet) -> Terrain:
    """The same for beds, which codes allow on gentler ground only; where the code says nothing of its own, the same as for trenches."""
    try:
        limit = rules.slope_limit("drain_field", "bed")
    except CodeSilentError:
        return terrain
    return replace(terrain, good=np.where(mapped.slope_percent > limit.max_percent, np.uint8(BAD_GROUND), terrain.good))


def laid_out(search: Search) -> tuple[tank.Tanks, list[Searched]]:
    """Field, reserve and tank of every lot, and what the search found; tanks have one row a lot.

    The tank has the last word twice: where the field took its only place, and where sewage would have to be lifted to the field, the field
    is looked for once more.
    """
    answers = _searched(search)
    tanks = _tanks(search, answers)
    answers = _beside_the_tank(search, tanks, answers)
    tanks = _tanks(search, answers)
    answers = _below_the_tank(search, tanks, answers)
    tanks = _tanks(search, answers)
    return tanks, _with_tank(search, tanks, answers)


def _tanks(search: Search, answers: Sequence[Searched], possible: bool = False) -> tank.Tanks:
    fields = shapes_of([answer.placement.field if answer.placement else None for answer in answers])
    reserves = shapes_of([answer.placement.reserve if answer.placement else None for answer in answers])
    envelopes_m = search.possible_tank_envelopes_m if possible else search.tank_envelopes_m
    tanks = tank.place(search.houses_m, envelopes_m, fields, reserves, search.land.fabric.shapes_m, search.barriers_m)
    return _with_headers(search, tanks, answers)


def _beside_the_tank(search: Search, tanks: tank.Tanks, answers: list[Searched]) -> list[Searched]:
    """Where a house has a field and no tank, the field is looked for on what is left when the tank has the nearest lawful place."""
    with_field = np.array([answer.placement is not None for answer in answers], bool)
    crowded = np.flatnonzero(~shapely.is_empty(search.houses_m) & with_field & ~tanks.placed)
    centres = tank.nearest_places(search.houses_m[crowded], search.tank_envelopes_m[crowded])
    kept = dict(zip(crowded.tolist(), shapely.buffer(centres, tank.ROOM_RADIUS_M + tank.CLEAR_OF_FIELD_M + TO_SPARE_M), strict=True))
    lots = [lot for lot, shape in kept.items() if not shapely.is_empty(shape)]
    found = search.each(lambda lot: _again(search, lot, answers[lot], kept[lot], start_of(search, lot)), lots)
    again = dict(zip(lots, found, strict=True))
    return [again.get(lot, answer) for lot, answer in enumerate(answers)]


def _below_the_tank(search: Search, tanks: tank.Tanks, answers: list[Searched]) -> list[Searched]:
    """Where sewage would have to be lifted, the field is looked for once more from the tank as it stands; taken where that lifts less."""
    runs = {lot: profile_of(search, tanks, lot, answers[lot].placement) for lot in np.flatnonzero(tanks.placed).tolist()}
    lifted = {lot: run for lot, run in runs.items() if run is not None and run.lift_m > 0}

    def again(lot: int) -> Searched:
        # As much lower as was missing: the search knows nothing of the ground on the way and of the header along the field.
        centre, run = tanks.centres_m[lot], lifted[lot]
        start = float(shapely.get_x(centre)), float(shapely.get_y(centre)), run.tank_outlet_m - run.lift_m
        return _again(search, lot, answers[lot], NO_ROOM, start)

    second = list(answers)
    for lot, found in zip(lifted, search.each(again, list(lifted)), strict=True):
        second[lot] = found
    moved = _tanks(search, second)
    out = list(answers)
    for lot, before in lifted.items():
        after = profile_of(search, moved, lot, second[lot].placement) if moved.placed[lot] else None
        if after is not None and after.lift_m < before.lift_m:
            out[lot] = second[lot]
    return out


def _again(search: Search, lot: int, answer: Searched, kept_free: shapely.Geometry, start: tuple[float, float, float]) -> Searched:
    """The same lot searched anew for the size that was drawn, off the ground that is kept free; the answer as it was if that finds less."""
    need, terrain = answer.need, search.bed_terrain if answer.drawn_for == AS_A_BED else search.terrain
    assert need is not None  # what was drawn has a size
    field = shapely.difference(at_home(search, lot, search.cuts["drain_field"].envelopes.shapes_m[lot]), kept_free)
    reserve = shapely.difference(at_home(search, lot, search.cuts["reserve"].envelopes.shapes_m[lot]), kept_free)
    found = fit(site_of(field, reserve, bool(shapely.equals_exact(field, reserve, 0.0)), start), need, terrain, search.pipes)
    return replace(answer, fit=found) if found.placement is not None and has_both(found, need) >= has_both(answer.fit, need) else answer


def _with_tank(search: Search, tanks: tank.Tanks, answers: Sequence[Searched]) -> list[Searched]:
    """The answers with what was found of the tank; None where the lot has no house to drain."""
    has_house, in_possible = ~shapely.is_empty(search.houses_m), tanks.placed
    if (has_house & ~tanks.placed).any():
        in_possible = _tanks(search, answers, possible=True).placed
    out = []
    for lot, answer in enumerate(answers):
        there = bool(tanks.placed[lot]) if has_house[lot] else None
        out.append(replace(answer, found=replace(answer.found, tank=there, tank_in_possible=there is False and bool(in_possible[lot]))))
    return out


def _searched(search: Search) -> list[Searched]:
    """Room for every lot's field and reserve; where there is none, whether what nobody knows could make the difference."""
    field, reserve = search.cuts["drain_field"].envelopes, search.cuts["reserve"].envelopes
    same = np.asarray(shapely.equals_exact(field.shapes_m, reserve.shapes_m, 0.0))
    same_possible = np.asarray(shapely.equals_exact(field.possible_m, reserve.possible_m, 0.0))
    failed = {int(lot) for cut in search.cuts.values() for lot in cut.envelopes.failed}
    terrain = search.terrain
    blind = replace(terrain, unknown_is_good=True)
    pipes = search.pipes

    def searched(lot: int) -> Searched:
        chosen = search.sizes[lot]
        if lot in failed:
            return Searched(None, "", replace(NOTHING, unsized="an envelope of the lot could not be shown to keep every distance"))
        if chosen.largest is None or chosen.planned is None or chosen.smallest is None:
            return Searched(None, "", replace(NOTHING, soil_forbids=chosen.size.why_not, unsized=chosen.in_doubt))
        start = start_of(search, lot)
        own_field, own_reserve = at_home(search, lot, field.shapes_m[lot]), at_home(search, lot, reserve.shapes_m[lot])
        clear = site_of(own_field, own_reserve, bool(same[lot]), start)
        first = fit(clear, chosen.largest, terrain, pipes)
        if has_both(first, chosen.largest):
            return Searched(first, LARGEST, replace(NOTHING, field=True, reserve=True), chosen.largest)
        for bed in chosen.beds:
            laid = fit(clear, bed, search.bed_terrain, pipes)
            if has_both(laid, bed):
                return Searched(laid, AS_A_BED, replace(NOTHING, field=True, reserve=True), bed)
        drawn, size, drawn_need = (first, LARGEST, chosen.largest) if first.placement else (first, "", None)
        met_unknown, alone = first.met_unknown_ground, False
        fits: dict[str, bool] = {}
        for name, need in ((PLANNED, chosen.planned), (SMALLEST, chosen.smallest)):
            if not any(fits.values()) and need not in (chosen.largest, chosen.planned if name == SMALLEST else None):
                found = fit(clear, need, terrain, pipes)
                fits[name] = has_both(found, need)
                drawn, size, drawn_need = (found, name, need) if fits[name] else (drawn, size, drawn_need)
                met_unknown |= found.met_unknown_ground
                alone |= found.placement is not None
        in_possible = False
        # Whether another part of the lot may be reached, across a road, is an open question too.
        possible = site_of(field.possible_m[lot], reserve.possible_m[lot], bool(same_possible[lot]), start)
        if shapely.area(possible.field) > shapely.area(clear.field) + OPEN_FROM_M2:
            found = fit(possible, chosen.smallest, terrain, pipes)
            in_possible = has_both(found, chosen.smallest)
            met_unknown |= found.met_unknown_ground
            alone |= found.placement is not None
        on_unknown = False
        if met_unknown:
            found = fit(possible, chosen.smallest, blind, pipes)
            on_unknown = has_both(found, chosen.smallest)
            alone |= found.placement is not None
        return Searched(
            replace(drawn, decided_by=first.decided_by),
            size,
            replace(
                NOTHING,
                field=first.placement is not None,
                planned=fits.get(PLANNED, False),
                smaller=any(fits.values()),
                in_possible=in_possible,
                on_unknown_ground=on_unknown,
                alone_at_best=alone,
            ),
            drawn_need,
        )

    return search.each(searched, range(len(search.sizes)))


def at_home(search: Search, lot: int, envelope: shapely.Geometry) -> shapely.Geometry:
    """The envelope on the part of the lot that the house stands on; all of it where the lot has one part or no house."""
    shape, house = search.land.fabric.shapes_m[lot], search.houses_m[lot]
    parts = shapely.get_parts(shape)
    if len(parts) < 2 or shapely.is_empty(house):
        return envelope
    part = parts[np.argmin(shapely.distance(parts, shapely.point_on_surface(house)))]
    return shapely.intersection(envelope, part)


def has_both(found: Fit | None, need: FieldNeed) -> bool:
    """Whether the field was found, and the reserve too if one is asked for."""
    return found is not None and found.placement is not None and (found.placement.reserve is not None or need.reserve_share == 0)


def site_of(field: shapely.Geometry, reserve: shapely.Geometry, alike: bool, start: tuple[float, float, float]) -> Site:
    """A lot's envelopes; `alike` where the reserve may go where the field may."""
    return Site(field, field if alike else reserve, *start)


def start_of(search: Search, lot: int) -> tuple[float, float, float]:
    """Where the effluent line would start, roughly, before the tank is placed: at the house, one tank's length out."""
    house, burial = search.houses_m[lot], search.burial
    if shapely.is_empty(house):
        return float("nan"), float("nan"), float("nan")
    middle = shapely.centroid(house)
    x, y = float(shapely.get_x(middle)), float(shapely.get_y(middle))
    fall_m = burial.sewer_cover_m + burial.sewer_fall_m_per_m * tank.TANK_LENGTH_M + burial.tank_drop_m
    return x, y, height_m(search.terrain, x, y) - fall_m


def profile_of(search: Search, tanks: tank.Tanks, lot: int, placement: Placement | None) -> Profile | None:
    """Heights along the run from house to field; None where there is no run, or a height on it is not known."""
    if placement is None or not tanks.placed[lot]:
        return None
    sewer, effluent = _ground_along(tanks.sewers_m[lot], search.terrain), _ground_along(tanks.effluents_m[lot], search.terrain)
    return profile(sewer, effluent, float(effluent.heights_m[-1]), search.burial)


def _with_headers(search: Search, tanks: tank.Tanks, answers: Sequence[Searched]) -> tank.Tanks:
    """The tanks with their effluent lines led on along the field to its highest corner, from where all trenches can be fed."""
    effluents_m = tanks.effluents_m.copy()
    for lot in np.flatnonzero(tanks.placed).tolist():
        placement = answers[lot].placement
        assert placement is not None  # a tank is placed where there is a field
        corners = shapely.get_coordinates(placement.field)[:-1]
        heights_m = np.array([height_m(search.terrain, x, y) for x, y in corners])
        if np.isnan(heights_m).any():
            continue
        line = shapely.get_coordinates(effluents_m[lot])
        # Of corners about as high the nearest.
        far_m = np.hypot(*(corners - line[-1]).T)
        top = np.lexsort((far_m, -np.round(heights_m, 1)))[0]
        effluents_m[lot] = shapely.LineString(np.vstack([line, corners[top]]))
    return replace(tanks, effluents_m=effluents_m)


def _ground_along(line: shapely.LineString, terrain: Terrain) -> Ground:
    """Ground under a line, at its corners and between them about once a cell."""
    length_m = float(shapely.length(line))
    corners = shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(line)))
    steps = np.linspace(0.0, length_m, max(2, int(np.ceil(length_m / terrain.cell_size_m)) + 1))
    stations_m = np.unique(np.concatenate([corners, steps]))
    places = shapely.get_coordinates(shapely.line_interpolate_point(line, stations_m))
    return Ground(stations_m, np.array([height_m(terrain, x, y) for x, y in places]))


def height_m(terrain: Terrain, x: float, y: float) -> float:
    """Height of the fitted ground at a point, NaN where unknown. [m]"""
    row = int(np.floor((terrain.top_m - y) / terrain.cell_size_m))
    col = int(np.floor((x - terrain.left_m) / terrain.cell_size_m))
    height, _, _ = plane_at(terrain.elevation_m, row, col, terrain.half_window, LEAST_KNOWN_SHARE)
    return float(height)


def shapes_of(shapes: Sequence[shapely.Geometry | None]) -> Geometries:
    """As an array, empty where there is none."""
    array = np.empty(len(shapes), object)
    array[:] = [NO_ROOM if shape is None else shape for shape in shapes]
    return array
