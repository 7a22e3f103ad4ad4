"""Where to look for the buried tank or pit of each lot, and in which order: steps over checked layers, and the layers that tell it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.io.keptparts import by_parts
from geoseptic.model import layers, legend_table
from geoseptic.model.cautions import BEFORE_ANY_LID, SCREENING_AID
from geoseptic.model.checking import check, source_of
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.legends import VectorLegend
from geoseptic.model.results import LayerResult, PointsResult
from geoseptic.model.search_rules import NEAR_WELL, PAVED, SearchRules
from geoseptic.parcels.onelot import by_halves
from geoseptic.parcels.searchareas import (
    ALL_SIDES,
    CLASSES,
    EXIT_STATES,
    SIDE_STATES,
    SIDES,
    Pieces,
    Yards,
    class_of,
    cut_off_share,
    frames_of,
    joined,
    outward_points,
    search_areas,
)
from geoseptic.parcels.sweep import Stops, kept_stops, starts, sweep
from geoseptic.parcels.tank import on_lots
from geoseptic.pools import in_order
from geoseptic.processes.land import Land
from geoseptic.processes.lots import houses, without_rows
from geoseptic.stages import stage
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, half_window_cells, planes_at
from geoseptic.units import SQUARE_METRES_PER_UNIT, from_metres, in_both_units

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

Rows = npt.NDArray[np.int64]
_Answer = tuple[Pieces, Stops, Rows, Words, Floats]
_Parts = tuple[list[tuple[Rows, _Answer]], dict[int, str]]

FILE = "old_systems"
CHUNK = 250
"""Lots handed out at a time, as in processes/workers.py."""

WORTH_PROCESSES = 2000
"""With fewer lots, starting workers takes longer than they save."""

ALWAYS = "keep off covers and soft ground, never enter or lean into a hole"
"""In every row; what else is to be heeded stands in the first row of each lot and in the description of the layer. Common practice, no
source."""

LOTS_IN_GPX = 100
"""With more lots, the file for a receiver holds the first stop of each lot alone: receivers take some hundreds of points."""

MUCH_CUT_OFF = 0.1
"""From so much of the ground near the house on it is told that the tank may lie over the lot line. Our own choice."""

DRIVE_WIDTH_M = 3.0
"""Of a drive that is drawn as a line, 10 ft. Common practice, no source."""

POINTS = ("E", "NE", "N", "NW", "W", "SW", "S", "SE")
"""Points of the compass, from east anticlockwise."""

SOLID = ("building", "pool", "surface_water", "water_supply_reservoir")

NO_HOUSE = "not drawn: no building that may be a dwelling is on the map of this lot"
PAPER_FIRST = "not drawn: a permit is on file, read it first (--search-lots all draws it)"
NO_GROUND = "not drawn: no open ground of this lot lies near enough to the house"
FAILED = "not drawn: the search failed"
DRAWN = "drawn"


@dataclass(frozen=True)
class Search:
    """What was found for the lots that were searched, whose places among all lots are `lots`; `status` has a row for every lot.

    found, stops : of the searched lots, by their place in `lots`, as are `yards`. stops_in_all : before the first so many were kept.
    start_why : why the sweep starts where it does. cut_off : share of the ground near the house beyond the lot.
    """

    lots: npt.NDArray[np.int64]
    status: Words
    found: Pieces
    stops: Stops
    stops_in_all: npt.NDArray[np.int64]
    start_why: Words
    cut_off: Floats
    yards: Yards
    notes: tuple[str, ...]
    failures: Mapping[int, str] = field(default_factory=dict)
    """Lot at which the search failed -> why."""


@stage("where to look: what is round the houses")
def yards_of(
    land: Land, elevation: Raster | None, plumbing: GeoDataFrame | None, rules: SearchRules, ignored: npt.NDArray[np.bool_]
) -> tuple[Yards, tuple[str, ...]]:
    """What the search knows of every lot, nothing of the ignored ones, and what had to be said of the layers."""
    lots = without_rows(land.fabric.shapes_m, ignored)
    homes = houses(land, lots)
    notes = []
    feature, shapes = land.obstacles.feature, land.obstacles.shapes_m
    solid = shapes[np.isin(feature, SOLID)]
    solid = solid[shapely.get_dimensions(solid) == 2]
    paved = shapes[feature == "driveway"]
    thin = shapely.get_dimensions(paved) < 2
    paved[thin] = shapely.buffer(paved[thin], DRIVE_WIDTH_M / 2, cap_style="flat")
    wells = np.isin(feature, list(layers.WELL_KINDS.values())) & ~land.obstacles.presumed
    rough = wells & ~(land.obstacles.location_error_m <= rules.near_well_m)
    if rough.any():
        notes.append(
            f"{len(set(land.obstacles.ids[rough]))} wells are known to no better than {in_both_units(rules.near_well_m)}: the ground near "
            "them is searched as any other"
        )
    near_wells = shapely.buffer(shapes[wells & ~rough], rules.near_well_m, quad_segs=4)
    exits = _plumbing(land, homes, plumbing, rules, notes)
    fall_m = np.full((len(lots), SIDES), np.nan) if elevation is None else falls_m(elevation, homes, rules)
    if elevation is None:
        notes.append(
            "without an elevation nothing tells which side of a house is the lower: no side is favoured in the search for its tank"
        )
    elif 2 * elevation.grid.cell_size_m > rules.reach_m:
        notes.append(f"cells of {in_both_units(elevation.grid.cell_size_m)} are too large to tell which side of a house is the lower")
    has_heights = np.full(len(lots), elevation is not None)
    return Yards(lots, homes, on_lots(lots, solid), on_lots(lots, paved), on_lots(lots, near_wells), exits, fall_m, has_heights), tuple(
        notes
    )


def _plumbing(land: Land, homes: Geometries, plumbing: GeoDataFrame | None, rules: SearchRules, notes: list[str]) -> Geometries:
    """The stacks and exits of each lot's house as one shape, empty where there are none."""
    nothing = np.full(len(homes), shapely.MultiPoint(), object)
    if plumbing is None:
        return nothing
    checked = check(plumbing, layers.PLUMBING, land.frame, source_of(plumbing))
    notes += checked.notes
    if not len(checked):
        return nothing
    points = checked.shapes_m
    point, house = shapely.STRtree(homes).query_nearest(points, max_distance=rules.reach_m, all_matches=False)
    # The house itself is one of the buildings: a point for which another is nearer is that one's.
    _, nearest_m = shapely.STRtree(land.buildings_m).query_nearest(points[point], all_matches=False, return_distance=True)
    own = shapely.distance(points[point], homes[house]) <= nearest_m
    point, house = point[own], house[own]
    left_out = len(checked) - len(point)
    if left_out:
        notes.append(
            f"{left_out} of {len(checked)} points of plumbing belong to no house that is searched for: they are at another building, or "
            f"farther than {in_both_units(rules.reach_m)} from the largest dwelling of a lot"
        )
    for lot in np.unique(house).tolist():
        nothing[lot] = shapely.MultiPoint(points[point[house == lot]].tolist())
    return nothing


def falls_m(elevation: Raster, homes: Geometries, rules: SearchRules) -> Floats:
    """How far the smoothed ground falls from the wall to the end of the search on each side of each house, NaN where it is not known;
    shape (houses, SIDES). [m]"""
    grid, heights = elevation.grid, elevation.plane.array()
    half = half_window_cells(grid.cell_size_m, rules.smoothed_over_m)
    found = np.full((len(homes), SIDES), np.nan)
    built = np.flatnonzero(~shapely.is_empty(homes))
    to_cell = ~grid.transform_m
    for start in range(0, len(built), 4096):
        rows = built[start : start + 4096]
        xy = outward_points(frames_of(homes[rows]), rules.reach_m)
        col, row = to_cell @ (xy[..., 0].ravel(), xy[..., 1].ravel())
        rows_of, cols_of = (np.floor(values).astype(np.int64) for values in (row, col))
        z = planes_at(heights, rows_of, cols_of, half, LEAST_KNOWN_SHARE)[:, 0].reshape(xy.shape[:-1])
        found[rows] = (z[..., 0] - z[..., 1]).mean(axis=2)
    return found


@stage("where to look")
def search(
    yards: Yards, notes: Sequence[str], wanted: npt.NDArray[np.bool_], rules: SearchRules, spacing_m: float, stops: int, workers: int
) -> Search:
    """Search areas and sweep of the wanted lots that have a house; the first `stops` of each sweep are kept."""
    built = ~shapely.is_empty(yards.houses_m)
    lots = np.flatnonzero(wanted & built)
    built_alone = yards.of(lots)
    chunks = [np.arange(start, min(start + CHUNK, len(lots))) for start in range(0, max(1, len(lots)), CHUNK)]

    def made(missing: list[tuple[Any, ...]]) -> Iterator[_Parts]:
        if workers > 1 and len(lots) >= WORTH_PROCESSES:
            yield from in_order(workers, None, [partial(_each, part[0], rules, spacing_m, stops) for part in missing])
        else:
            yield from (_each(part[0], rules, spacing_m, stops) for part in missing)

    given = [(built_alone.of(rows),) for rows in chunks]
    done = by_parts(_each, lambda: (rules, spacing_m, stops), given, made, lambda answer: not answer[1])
    failures = {int(lots[rows[at]]): why for rows, (_, failed) in zip(chunks, done, strict=True) for at, why in failed.items()}
    answered = [(rows[at], answer) for rows, (found, _) in zip(chunks, done, strict=True) for at, answer in found]
    lots, own = np.setdiff1d(lots, list(failures)), yards.of(np.setdiff1d(lots, list(failures)))
    if not answered:
        answered = [(np.arange(0), _searched(own, rules, spacing_m, stops))]
    # The rows of what was answered, without those that failed before them.
    ends = np.cumsum([0, *(len(rows) for rows, _ in answered)])
    parts, answers = [slice(first, last) for first, last in pairwise(ends.tolist())], [answer for _, answer in answered]
    pieces, kept, totals, why, cut_off = [], [], [], [], []
    first_piece = 0
    for part, (found, its_stops, total, its_why, share) in zip(parts, answers, strict=True):
        pieces.append(found if part.start == 0 else found.moved(part.start))
        kept.append(its_stops.moved(part.start, first_piece))
        first_piece += len(found)
        totals.append(total)
        why.append(its_why)
        cut_off.append(share)
    status = np.where(built, np.where(wanted, DRAWN, PAPER_FIRST), NO_HOUSE).astype(object)
    for lot, reason in failures.items():
        status[lot] = f"{FAILED} ({reason})"
    found = joined(pieces)
    bare = np.bincount(found.lot, minlength=len(lots)) == 0
    status[lots[bare]] = NO_GROUND
    return Search(
        lots,
        status,
        found,
        Stops.joined(kept),
        np.concatenate(totals),
        np.concatenate(why),
        np.concatenate(cut_off),
        own,
        tuple(notes),
        failures,
    )


def _each(yards: Yards, rules: SearchRules, spacing_m: float, stops: int) -> _Parts:
    """The search of these lots, in one or several parts with their rows, and why it failed at some."""
    if not len(yards):
        return [(np.arange(0), _searched(yards, rules, spacing_m, stops))], {}
    return by_halves(lambda rows: _searched(yards.of(rows), rules, spacing_m, stops), len(yards))


def _searched(yards: Yards, rules: SearchRules, spacing_m: float, stops: int) -> _Answer:
    found, begin = search_areas(yards, rules), starts(yards, rules)
    kept, total = kept_stops(sweep(yards, found, begin, rules, spacing_m), stops, len(yards))
    return found, kept, total, begin.why, cut_off_share(yards, _tank_reach_m(rules))


def told_of(found: Search, failed: Mapping[int, str]) -> Search:
    """The search with further lots of which nothing could be known, and why."""
    status = found.status.copy()
    for lot, why in failed.items():
        status[lot] = f"{FAILED} ({why})"
    return replace(found, status=status, failures={**failed, **found.failures})


def _tank_reach_m(rules: SearchRules) -> float:
    """How far from the wall the likeliest band ends."""
    return max(rules.bands, key=lambda band: band.weight).to_m


def search_columns(land: Land, found: Search, rules: SearchRules) -> tuple[dict[str, object], dict[str, str]]:
    """Columns of the layer of parcels, one row a lot, and what each means."""
    count = len(land.fabric.ids)
    begin, stops, beyond = np.full(count, "", object), np.full(count, "", object), np.full(count, np.nan)
    kept = np.bincount(found.stops.lot, minlength=len(found.lots))
    drawn = found.status[found.lots] == DRAWN
    for row, lot in enumerate(found.lots.tolist()):
        if drawn[row]:
            begin[lot] = found.start_why[row]
            stops[lot] = f"{kept[row]} of {found.stops_in_all[row]}"
        if found.cut_off[row] >= MUCH_CUT_OFF:
            beyond[lot] = np.round(100 * found.cut_off[row])
    columns: dict[str, object] = {"search": found.status, "search_from": begin, "search_stops": stops, "beyond_lot_percent": beyond}
    notes = {
        "search": "Whether search areas are drawn, and why not",
        "search_from": "Where the sweep begins, and why there",
        "search_stops": "How many stops of the sweep are in the layer, of how many that cover what is to be looked at first",
        "beyond_lot_percent": f"Share of the ground within {in_both_units(_tank_reach_m(rules))} of the house that lies beyond the lot "
        f"line, from {100 * MUCH_CUT_OFF:g} percent: a tank or pit may lie there too, under a road or a neighbour's yard",
    }
    return columns, notes


def search_layers(
    land: Land, found: Search, rules: SearchRules, unit: str, spacing_m: float
) -> tuple[tuple[LayerResult, ...], PointsResult]:
    """The layers `search_areas` and `sweep`, and the sweep for a receiver; lengths in `unit`."""
    return (_areas(land, found, rules, unit), _sweep(land, found, rules, unit, spacing_m)), _waypoints(land, found, unit)


def _areas(land: Land, found: Search, rules: SearchRules, unit: str) -> LayerResult:
    pieces = found.found
    order = np.lexsort((np.arange(len(pieces)), -np.round(pieces.likelihood), pieces.lot))
    pieces = pieces.of(order)
    first = np.searchsorted(pieces.lot, np.arange(len(found.lots)))
    area = f"{unit}2"
    columns: dict[str, object] = {
        "parcel_id": land.fabric.ids[found.lots][pieces.lot],
        "look": [CLASSES[place][0] for place in class_of(pieces.likelihood).tolist()],
        "likelihood": np.round(pieces.likelihood).astype(np.int64),
        "place": np.arange(len(pieces)) - first[pieces.lot] + 1,
        "look_for": [rules.bands[number].look_for for number in pieces.band.tolist()],
        f"from_{unit}": [round(from_metres(rules.bands[number].from_m, unit), 1) for number in pieces.band.tolist()],
        f"to_{unit}": [round(from_metres(rules.bands[number].to_m, unit), 1) for number in pieces.band.tolist()],
        "sides": _sides(pieces, found.yards),
        "reasons": _reasons(pieces, rules, unit),
        "basis": [rules.bands[number].citation.title for number in pieces.band.tolist()],
        f"area_{area}": np.round(shapely.area(pieces.shapes_m) / SQUARE_METRES_PER_UNIT[area]),
        "cautions": np.where(np.arange(len(pieces)) == first[pieces.lot], BEFORE_ANY_LID, ALWAYS),
    }
    notes = {
        "parcel_id": "Parcel",
        "look": "In which order to look on this lot: first, next, later, last",
        "likelihood": "0 to 100, the best ground of this lot being 100: a rank within the lot by stated weights. It is no probability and "
        "says nothing of two lots",
        "place": "Place of the area in that order on its lot",
        "look_for": "What may lie there",
        f"from_{unit}": "Nearest distance from the wall of the house",
        f"to_{unit}": "Farthest distance from the wall",
        "sides": "Sides of the house that the area may lie on",
        "reasons": "What raises or lowers its rank",
        "basis": "Where the distances from the wall were read; none of them is law",
        f"area_{area}": "Area",
        "cautions": "Before anyone goes there",
    }
    title = "Where to look for a buried tank or pit"
    words = (
        f"{title}, ranked within each lot. Beyond {in_both_units(rules.reach_m)} from the wall nothing is drawn, and a pit may lie there "
    )
    words += f"all the same. {BEFORE_ANY_LID} {SCREENING_AID}"
    return _layer(land, "search_areas", columns, pieces.shapes_m, legend_table.SEARCH_AREAS, title, words, notes)


def _sweep(land: Land, found: Search, rules: SearchRules, unit: str, spacing_m: float) -> LayerResult:
    stops, pieces = found.stops, found.found
    band = pieces.band[stops.piece]
    look_for = [rules.bands[number].look_for for number in band.tolist()]
    side = _compass_of_stops(stops, found.yards)
    off = [round(from_metres(value, unit), 1) for value in stops.off_wall_m.tolist()]
    columns: dict[str, object] = {
        "parcel_id": land.fabric.ids[found.lots][stops.lot],
        "stop": stops.number,
        "leg": np.where(stops.number == 1, "begin", "stop"),
        f"off_wall_{unit}": off,
        "side": side,
        "likelihood": np.round(pieces.likelihood[stops.piece]).astype(np.int64),
        "words": _first_words(stops, found, off, side, unit, look_for),
        "cautions": np.where(stops.number == 1, BEFORE_ANY_LID, ALWAYS),
    }
    spacing = in_both_units(spacing_m)
    notes = {
        "parcel_id": "Parcel",
        "stop": "Number of the stop on its lot, in the order of the walk",
        "leg": "begin: the first stop of the lot",
        f"off_wall_{unit}": "Distance from the wall of the house",
        "side": "Direction from the middle of the house",
        "likelihood": "Of the area that the stop lies in: a rank within the lot and no probability",
        "words": "At the first stop of a lot: where that is, and what to look for",
        "cautions": "Before anyone goes there",
    }
    title = "Stops for the probe or the camera locator"
    words = (
        f"{title}, over what is to be looked at first on each lot: the patch nearest to the likeliest exit first, in it "
        f"to and fro along lines {spacing} apart, a stop every {spacing}. {BEFORE_ANY_LID} {SCREENING_AID}"
    )
    return _layer(land, "sweep", columns, shapely.points(stops.xy_m), legend_table.SWEEP, title, words, notes)


def _waypoints(land: Land, found: Search, unit: str) -> PointsResult:
    stops = found.stops
    all_of_them = len(found.lots) <= LOTS_IN_GPX
    rows = np.arange(len(stops)) if all_of_them else np.flatnonzero(stops.number == 1)
    ids = land.fabric.ids[found.lots][stops.lot[rows]]
    side = _compass_of_stops(stops, found.yards)
    off = [f"{from_metres(value, unit):.1f} {unit}" for value in stops.off_wall_m[rows].tolist()]
    which = "all stops" if all_of_them else f"the first stop of each of {len(found.lots)} lots"
    return PointsResult(
        "sweep",
        land.frame,
        tuple(f"{name} {number}" for name, number in zip(ids, stops.number[rows], strict=True)),
        stops.xy_m[rows],
        tuple(f"{distance} from the wall, {side[row]} of the house" for distance, row in zip(off, rows.tolist(), strict=True)),
        tuple("begin" if number == 1 else "stop" for number in stops.number[rows].tolist()),
        f"Sweep for a buried tank or pit: {which}",
        BEFORE_ANY_LID,
    )


def _first_words(
    stops: Stops, found: Search, off: Sequence[float], side: Sequence[str], unit: str, look_for: Sequence[str]
) -> npt.NDArray[np.object_]:
    """What to do, at the first stop of each lot; the others say it by their columns."""
    words = np.full(len(stops), "", object)
    for row in np.flatnonzero(stops.number == 1).tolist():
        lot = int(stops.lot[row])
        where = f"{off[row]:g} {unit} from the wall, {side[row]} of the house"
        words[row] = f"begin at the {found.start_why[lot]}; {where}. {found.stops_in_all[lot]} stops in all. Look for {look_for[row]}"
    return words


def _sides(pieces: Pieces, yards: Yards) -> list[str]:
    """The sides of each piece in points of the compass."""
    eighth = _eighth(yards.frames.directions())
    known: dict[tuple[int, int], str] = {}
    for lot, mask in {(lot, mask) for lot, mask in zip(pieces.lot.tolist(), pieces.sides.tolist(), strict=True)}:
        names = {POINTS[place] for side, place in enumerate(eighth[lot].tolist()) if mask >> side & 1}
        known[lot, mask] = "all sides" if mask == ALL_SIDES else ", ".join(name for name in POINTS if name in names)
    return [known[key] for key in zip(pieces.lot.tolist(), pieces.sides.tolist(), strict=True)]


def _compass_of_stops(stops: Stops, yards: Yards) -> list[str]:
    away = stops.xy_m - yards.frames.middle_m[stops.lot]
    return [POINTS[place] for place in _eighth(away).tolist()]


def _eighth(vectors: Floats) -> npt.NDArray[np.int64]:
    """Place in POINTS of the direction of each vector; the last axis holds x and y."""
    return np.rint(np.arctan2(vectors[..., 1], vectors[..., 0]) / (np.pi / 4)).astype(np.int64) % 8


def _reasons(pieces: Pieces, rules: SearchRules, unit: str) -> list[str]:
    """In words, what holds of each piece."""
    known: dict[tuple[int, ...], str] = {}
    keys = list(
        zip(
            pieces.band.tolist(),
            pieces.side_state.tolist(),
            pieces.exit_state.tolist(),
            pieces.paved.tolist(),
            pieces.near_well.tolist(),
            strict=True,
        )
    )
    for key in set(keys):
        number, side, way, paved, near = key
        band = rules.bands[number]
        from_, to = (f"{from_metres(value, unit):g}" for value in (band.from_m, band.to_m))
        names = (SIDE_STATES[side], EXIT_STATES[way], PAVED if paved else "", NEAR_WELL if near else "")
        words = [rules.factors[name].words for name in names if name]
        known[key] = "; ".join([f"{from_} to {to} {unit} from the wall", *words])
    return [known[key] for key in keys]


def _layer(
    land: Land,
    name: str,
    columns: dict[str, object],
    shapes_m: Geometries,
    legend: VectorLegend,
    title: str,
    words: str,
    notes: dict[str, str],
) -> LayerResult:
    frame = GeoDataFrame(columns, geometry=land.frame.from_metres(np.asarray(shapes_m, object)), crs=land.frame.crs)
    return LayerResult(FILE, name, frame, legend, title, words, notes)
