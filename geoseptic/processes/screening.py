"""Steps of the county screening: size, room, tank, gravity, verdict, one lot at a time."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import ParameterError
from geoseptic.model.checking import CheckedLayer
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.rules import RuleSet
from geoseptic.parcels import fitgrid, tank
from geoseptic.parcels.envelope import LOT_LINE, without
from geoseptic.parcels.fit import FieldNeed, Fit, Pipes, Placement, Site, Terrain, fit
from geoseptic.processes.land import Land
from geoseptic.processes.steps import Cut
from geoseptic.stages import stage
from geoseptic.systems.gravity import Burial, Profile, profile
from geoseptic.systems.sizing import FieldSize, TrenchLayout, field_size, trench_layout_rule
from geoseptic.systems.verdict import DOES_NOT_FIT, Found, verdict
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at

RESERVE_IF_SILENT = 1.0
"""A full second field where the code, or what was read of it, says nothing of a reserve. Common practice, no source."""

OPEN_FROM_M2 = 1.0
RELAXED = 4
"""How many of the greediest features are tried one by one when nothing fits."""

CHUNK = 250


@dataclass(frozen=True)
class Sizes:
    """One lot's size of field, from the smallest that the assumptions leave open to the largest."""

    size: FieldSize
    smallest: FieldNeed | None
    largest: FieldNeed | None
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class Screened:
    """One lot's answer."""

    sizes: Sizes
    placement: Placement | None
    decided_by: str
    found: Found
    verdict: str
    reasons: tuple[str, ...]
    would_fit_without: tuple[str, ...]
    profile: Profile | None


@dataclass(frozen=True)
class Screening:
    """All lots' answers, and the tanks with their lines."""

    lots: tuple[Screened, ...]
    tanks: tank.Tanks
    houses_m: Geometries
    burial: Burial
    layout: TrenchLayout


def sizes_of(parcels: CheckedLayer, rules: RuleSet) -> tuple[list[Sizes], TrenchLayout]:
    """The size of field that each lot's house and soil demand; what nobody knows becomes a range with its assumption in words."""
    layout = trench_layout_rule(rules)

    @cache
    def sized(bedrooms: int | None, percolation: float | None, soil: str | None) -> Sizes:
        size = field_size(rules, bedrooms=bedrooms, percolation_min_per_in=percolation, soil=soil)
        assumptions = size.assumptions
        share = size.reserve_share
        if share is None:
            share = RESERVE_IF_SILENT
            assumptions = (*assumptions, "the rule set says nothing of a reserve: a full second field is held free")
        if size.trench_length_m is None:
            return Sizes(size, None, None, assumptions)

        def need(length_m: float) -> FieldNeed:
            return FieldNeed(length_m, layout.width_m, layout.max_length_m, layout.wall_to_wall_m, share)

        return Sizes(size, need(size.trench_length_m.low), need(size.trench_length_m.high), assumptions)

    found = []
    wrong: list[str] = []
    for identifier, bedrooms, percolation, soil in zip(
        parcels.ids, parcels.numbers("bedrooms"), parcels.numbers("percolation_min_per_in"), parcels.texts("soil"), strict=True
    ):
        try:
            found.append(sized(_whole(bedrooms), _known(percolation), soil))
        except ParameterError as error:
            wrong.append(f"{identifier}: {error}")
    if wrong:
        raise ParameterError("parcels whose field cannot be sized:\n" + "\n".join(wrong[:20]))
    return found, layout


def houses(land: Land, dwelling: npt.NDArray[np.bool_]) -> Geometries:
    """The largest dwelling whose middle lies on each lot; empty where there is none."""
    found = np.full(len(land.fabric.ids), shapely.Polygon(), object)
    roofs = land.buildings_m[dwelling]
    house, lot = shapely.STRtree(land.fabric.shapes_m).query(shapely.point_on_surface(roofs), predicate="within")
    order = np.argsort(shapely.area(roofs[house]), kind="stable")
    found[lot[order]] = roofs[house[order]]
    return found


def terrain_of(elevation: Raster, values: npt.NDArray[np.uint8], ground_bad: npt.NDArray[np.bool_], unknown: npt.NDArray[np.bool_],
               path_m: npt.NDArray[np.float32], window_m: float) -> Terrain:  # fmt: skip
    """What the search reads of the ground: bad where it excludes, unknown where nobody knows."""
    good = np.full(values.shape, fitgrid.GOOD_GROUND, np.uint8)
    good[unknown] = fitgrid.UNKNOWN_GROUND
    good[ground_bad] = fitgrid.BAD_GROUND
    left, _, _, top = elevation.grid.bounds_m
    return Terrain(elevation.values.astype(np.float32, copy=False), good, path_m, left, top, elevation.grid.cell_size_m, window_m)


@stage("room for fields")
def screen(
    land: Land,
    rules: RuleSet,
    cuts: Mapping[str, Cut],
    sizes: Sequence[Sizes],
    layout: TrenchLayout,
    terrain: Terrain,
    houses_m: Geometries,
    burial: Burial,
    workers: int,
) -> Screening:
    """Search, place, and judge every lot."""
    field, reserve = cuts["drain_field"].envelopes, cuts["reserve"].envelopes
    same = np.asarray(shapely.equals_exact(field.shapes_m, reserve.shapes_m, 0.0))
    same_possible = np.asarray(shapely.equals_exact(field.possible_m, reserve.possible_m, 0.0))
    pipes = Pipes(burial.effluent_fall_m_per_m, burial.field_pipe_depth_m)
    known_good = terrain
    blind = Terrain(
        terrain.elevation_m,
        np.where(terrain.good == fitgrid.UNKNOWN_GROUND, np.uint8(fitgrid.GOOD_GROUND), terrain.good),
        terrain.path_m,
        terrain.left_m,
        terrain.top_m,
        terrain.cell_size_m,
        terrain.window_m,
    )
    starts = [_start(house, terrain, burial) for house in houses_m]

    def site(lot: int, shape: shapely.Geometry, spare: shapely.Geometry, alike: bool) -> Site:
        return Site(shape, shape if alike else spare, *starts[lot])

    def search(lot: int) -> tuple[Fit | None, Found]:
        chosen = sizes[lot]
        if chosen.largest is None or chosen.smallest is None:
            return None, Found(False, False, False, False, False, None, None, chosen.size.why_not)
        clear = site(lot, field.shapes_m[lot], reserve.shapes_m[lot], bool(same[lot]))
        first = fit(clear, chosen.largest, known_good, pipes)
        if _both(first):
            return first, Found(True, True, True, True, True, None, None)
        smaller = chosen.smallest != chosen.largest and _both(fit(clear, chosen.smallest, known_good, pipes))
        in_possible = False
        possible = site(lot, field.possible_m[lot], reserve.possible_m[lot], bool(same_possible[lot]))
        if shapely.area(possible.field) > shapely.area(clear.field) + OPEN_FROM_M2:
            in_possible = _both(fit(possible, chosen.smallest, known_good, pipes))
        on_unknown = first.met_unknown_ground and _both(fit(possible, chosen.smallest, blind, pipes))
        alone = first.placement is not None
        return first, Found(alone, False, smaller, in_possible, on_unknown, None, None)

    def some(start: int) -> list[tuple[Fit | None, Found]]:
        return [search(lot) for lot in range(start, min(start + CHUNK, len(sizes)))]

    chunks = range(0, len(sizes), CHUNK)
    if workers > 1:
        with ThreadPoolExecutor(workers) as pool:
            answers = [answer for part in pool.map(some, chunks) for answer in part]
    else:
        answers = [answer for start in chunks for answer in some(start)]
    placements = [answer[0].placement if answer[0] else None for answer in answers]
    fields = _array([placement.field if placement else shapely.Polygon() for placement in placements])
    reserves = _array([placement.reserve if placement and placement.reserve else shapely.Polygon() for placement in placements])
    tanks = tank.place(houses_m, cuts["septic_tank"].envelopes.shapes_m, fields, reserves)
    has_house = ~np.asarray(shapely.is_empty(houses_m))
    profiles = [
        _profile(tanks, lot, placement, terrain, burial) if placement and tanks.placed[lot] else None
        for lot, placement in enumerate(placements)
    ]
    screened = []
    for lot, (first, found) in enumerate(answers):
        full = Found(
            found.field,
            found.reserve,
            found.smaller,
            found.in_possible,
            found.on_unknown_ground,
            bool(tanks.placed[lot]) if has_house[lot] else None,
            None if (along := profiles[lot]) is None else along.by_gravity,
            found.soil_forbids,
        )
        words, reasons = verdict(full)
        decided = first.decided_by if first else "soil"
        screened.append(Screened(sizes[lot], placements[lot], decided, full, words, reasons, (), profiles[lot]))
    return Screening(tuple(_with_relaxations(land, cuts, screened, known_good, pipes, starts)), tanks, houses_m, burial, layout)


def _with_relaxations(
    land: Land,
    cuts: Mapping[str, Cut],
    screened: list[Screened],
    terrain: Terrain,
    pipes: Pipes,
    starts: Sequence[tuple[float, float, float]],
) -> list[Screened]:
    """For lots where nothing fits: which single feature's setback stands in the way."""
    cut = cuts["drain_field"]
    lots = [lot for lot, answer in enumerate(screened) if answer.verdict == DOES_NOT_FIT and answer.sizes.largest is not None]
    names = [LOT_LINE, *sorted(set(cut.envelopes.takes_m2) - {LOT_LINE})]
    taken = {name: cut.envelopes.takes_m2.get(name, np.zeros(len(screened))) for name in names}
    tried: dict[str, list[int]] = {}
    for lot in lots:
        for name in sorted(names, key=lambda name: (-taken[name][lot], name))[:RELAXED]:
            if taken[name][lot] > 0:
                tried.setdefault(name, []).append(lot)
    helps: dict[int, list[str]] = {}
    for name, members in tried.items():
        shapes = without(land.fabric, cut.zones, land.obstacles, cut.envelopes.lot_line_m, np.array(members), name)
        for lot, shape in zip(members, shapes, strict=True):
            need = screened[lot].sizes.largest
            assert need is not None  # lots without a size are not tried
            if not shapely.is_empty(shape) and _both(fit(Site(shape, shape, *starts[lot]), need, terrain, pipes)):
                helps.setdefault(lot, []).append(name)
    out = list(screened)
    for lot in lots:
        answer = screened[lot]
        bound = [name for name in sorted(names, key=lambda name: (-taken[name][lot], name)) if taken[name][lot] > 0][:RELAXED]
        reasons = answer.reasons or (f"no room between the setbacks from {', '.join(name.replace('_', ' ') for name in bound)}",)
        out[lot] = Screened(
            answer.sizes,
            answer.placement,
            answer.decided_by,
            answer.found,
            answer.verdict,
            reasons,
            tuple(helps.get(lot, ())),
            answer.profile,
        )
    return out


def _both(found: Fit) -> bool:
    return found.placement is not None and found.placement.reserve is not None


def _start(house: shapely.Geometry, terrain: Terrain, burial: Burial) -> tuple[float, float, float]:
    """Where the effluent line would start, roughly, before the tank is placed: at the house, one tank's length out."""
    if shapely.is_empty(house):
        return float("nan"), float("nan"), float("nan")
    middle = shapely.centroid(house)
    x, y = float(shapely.get_x(middle)), float(shapely.get_y(middle))
    fall_m = burial.sewer_cover_m + burial.sewer_fall_m_per_m * tank.TANK_LENGTH_M + burial.tank_drop_m
    return x, y, _height(terrain, x, y) - fall_m


def _profile(tanks: tank.Tanks, lot: int, placement: Placement, terrain: Terrain, burial: Burial) -> Profile | None:
    def height(point: shapely.Point) -> float:
        return _height(terrain, float(shapely.get_x(point)), float(shapely.get_y(point)))

    corners = [shapely.Point(xy) for xy in shapely.get_coordinates(placement.field)[:-1]]
    return profile(
        height(tanks.exits_m[lot]),
        height(tanks.centres_m[lot]),
        float(np.max([height(corner) for corner in corners])),
        float(shapely.length(tanks.sewers_m[lot])),
        float(shapely.length(tanks.effluents_m[lot])),
        burial,
    )


def _height(terrain: Terrain, x: float, y: float) -> float:
    """Height of the fitted ground at a point, NaN where unknown. [m]"""
    row = int(np.floor((terrain.top_m - y) / terrain.cell_size_m))
    col = int(np.floor((x - terrain.left_m) / terrain.cell_size_m))
    height_m, _, _ = plane_at(terrain.elevation_m, row, col, terrain.half_window, LEAST_KNOWN_SHARE)
    return float(height_m)


def _whole(value: float) -> int | None:
    return None if np.isnan(value) else int(value)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _array(shapes: Sequence[shapely.Geometry]) -> Geometries:
    array = np.empty(len(shapes), object)
    array[:] = shapes
    return array
