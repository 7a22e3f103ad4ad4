"""Which parcels a county visits first: what its layers say of each, which wells are exposed, and the order of them."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.errors import CodeSilentError, listed
from geoseptic.model import layers
from geoseptic.model.checking import CheckedLayer, check, source_of
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.names import ALIKE, near_matches
from geoseptic.model.rules import RuleSet, Setback
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.obstacles import Obstacles, gather
from geoseptic.parcels.repair import polygons_only
from geoseptic.parcels.tank import on_lots
from geoseptic.processes.land import wells_near
from geoseptic.stages import stage
from geoseptic.systems import priority as ranking
from geoseptic.systems.priority import FACTORS as FACTORS
from geoseptic.systems.triage import WELL_WORDS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Words = npt.NDArray[np.object_]

OLD_PARTS: Final = ("cesspool", "seepage_pit", "drain_field")
"""What the old system may be: the longest distance of any of them counts."""

MOVED_SHARE: Final = 0.2
"""How far each weight moves in the sensitivity."""

OFFLINE: Final = "not in the layer of old systems"


@dataclass(frozen=True)
class Ranked:
    """The order of a run: factors and scores by parcel, in the order of `ids` of the ground."""

    factors: Mapping[str, Floats]
    weights: Mapping[str, float]
    score: Floats
    order: ranking.Order
    top: int
    moved: tuple[ranking.Moved, ...]


@dataclass(frozen=True)
class Ground:
    """What the layers of a run say. All columns have a row for every parcel of either layer; shapes in metres of `frame`.

    cesspool, season, verdict : words of the factors' tables, "unknown" where nothing is known. `..._why` are the words behind each.
    well_words : what is known of the house's own well.
    well_downslope, downslope_well : well that water from round the house, and from a drawn field, comes to; empty where none is known.
    searched_m : where the old system is looked for, empty where no search area is drawn.
    areas_m, area_names : the neighbourhoods, empty where there are none.
    """

    frame: Frame
    ids: Words
    shapes_m: Geometries
    cesspool: Words
    cesspool_why: Words
    season: Words
    season_why: Words
    verdict: Words
    verdict_why: Words
    well_words: Words
    well_downslope: Words
    downslope_well: Words
    wells: Obstacles
    houses_m: Geometries | None
    searched_m: Geometries
    areas_m: Geometries
    area_names: Words
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Exposed:
    """Wells that may be exposed to each parcel's old system: how many, and their names, a tuple for each parcel."""

    count: Ints
    which: tuple[tuple[str, ...], ...]
    places_m: Geometries
    notes: tuple[str, ...]


@stage("checking layers")
def check_ranked(
    old_systems: GeoDataFrame,
    screening: GeoDataFrame | None,
    wells: GeoDataFrame,
    buildings: GeoDataFrame | None,
    search_areas: GeoDataFrame | None,
    neighbourhoods: GeoDataFrame | None,
    assumed_location_error_m: float,
) -> Ground:
    """Every layer checked and joined by parcel_id. A parcel of one layer alone stays, and what the other would say is unknown."""
    old = check(old_systems, layers.OLD_SYSTEMS, None, source_of(old_systems))
    frame = Frame.of(old_systems.crs, "old_systems", source_of(old_systems))
    found = None if screening is None else check(screening, layers.SCREENING, frame, source_of(screening))
    notes = [note for layer in (old, found) if layer is not None for note in layer.notes]
    ids, shapes_m = old.ids, old.shapes_m
    if found is not None:
        new = ~np.isin(found.ids.astype(str), ids.astype(str))
        ids, shapes_m = np.concatenate([ids, found.ids[new]]), np.concatenate([shapes_m, found.shapes_m[new]])
        missing = len(ids) - int(np.isin(ids.astype(str), found.ids.astype(str)).sum())
        for count, layer in ((int(new.sum()), "old_systems"), (missing, "screening")):
            if count:
                notes.append(f"{count} parcels are not in the layer {layer}: what it would say of them is unknown, and counts as that")
        notes += _near_told("old_systems", old.ids, "screening", found.ids)
    else:
        notes.append("without --screening nobody knows on which lots another system has no place: unknown for all")
    rows = {str(name): row for row, name in enumerate(ids)}
    own = np.array([rows[str(name)] for name in old.ids], np.int64)
    fit = np.empty(0, np.int64) if found is None else np.array([rows[str(name)] for name in found.ids], np.int64)
    around = shapely.box(*shapely.total_bounds(shapes_m))
    checked_wells = wells_near(wells, frame, around, "parcels", assumed_location_error_m)
    obstacles, assumed = gather([checked_wells], assumed_location_error_m)
    roofs = None if buildings is None else check(buildings, layers.BUILDINGS, frame, source_of(buildings))
    searched = None if search_areas is None else check(search_areas, layers.SEARCH_AREAS, frame, source_of(search_areas))
    areas = None if neighbourhoods is None else check(neighbourhoods, layers.NEIGHBOURHOODS, frame, source_of(neighbourhoods))
    notes += [note for layer in (roofs, searched, areas) if layer is not None for note in layer.notes]
    if "may_fail_in_wet_season" not in old.columns:
        notes.append("the layer of old systems says nothing of the wet season: unknown for all")

    if searched is not None:
        notes += _strange_areas(searched, rows)
    words = old.texts("well")
    strange = np.array([word is not None and word not in WELL_WORDS.values() for word in words], bool)
    if strange.any():
        # A word that nobody has defined is no well on record.
        told = listed(sorted(set(words[strange])))
        notes.append(f"{int(strange.sum())} parcels have in the column well no word of old_systems ({told}): taken as unknown")
        words[strange] = None

    def of_old(column: str, missing: str) -> Words:
        return _placed(old.texts(column), own, len(ids), missing)

    def of_fit(column: str, missing: str) -> Words:
        return np.full(len(ids), missing, object) if found is None else _placed(found.texts(column), fit, len(ids), missing)

    return Ground(
        frame,
        ids,
        polygons_only(shapes_m),
        of_old("cesspool", "unknown"),
        of_old("basis", OFFLINE),
        of_old("may_fail_in_wet_season", "unknown"),
        of_old("wet_season_reasons", ""),
        of_fit("verdict", "unknown"),
        of_fit("reasons", "not screened"),
        _placed(words, own, len(ids), WELL_WORDS["unknown"]),
        of_old("well_downslope", ""),
        of_fit("downslope_well", ""),
        obstacles,
        None if roofs is None or not len(roofs) else _houses(roofs, polygons_only(shapes_m)),
        _searched(searched, rows),
        np.empty(0, object) if areas is None else polygons_only(areas.shapes_m),
        np.empty(0, object) if areas is None else _names(areas),
        (*notes, *checked_wells.notes, *assumed),
    )


def _near_told(one: str, names: Words, other: str, others: Words) -> list[str]:
    """Parcels that may be one by their names, and are two for want of the same spelling."""
    pairs = [f"{name!a} and {match!a}" for name, match in near_matches(map(str, names), map(str, others))]
    return [f"names in {one} and in {other} that {ALIKE}, taken for different parcels: {listed(pairs)}"] if pairs else []


def _strange_areas(areas: CheckedLayer, rows: Mapping[str, int]) -> list[str]:
    """Search areas of parcels that no layer has, by which nothing is found."""
    names = [str(name) for name in areas.texts("parcel_id")]
    strange = list(dict.fromkeys(name for name in names if name not in rows))
    if not strange:
        return []
    count = sum(name not in rows for name in names)
    told = f"{count} of {len(names)} search areas are of parcels that are in no layer, and count for nothing ({listed(strange)})"
    return [told, *_near_told("search_areas", np.array(strange, object), "the other layers", np.array(list(rows), object))]


def _placed(values: Words, rows: Ints, count: int, missing: str) -> Words:
    """`values` at `rows`, `missing` in the others and where a value is empty."""
    found = np.full(count, missing, object)
    known = np.array([value is not None for value in values], bool)
    found[rows[known]] = values[known]
    return found


def _names(areas: CheckedLayer) -> Words:
    return np.array([name if name else f"without a name ({row + 1})" for row, name in enumerate(areas.texts("name"))], object)


def _searched(areas: CheckedLayer | None, rows: Mapping[str, int]) -> Geometries:
    """The search areas of each parcel as one shape, empty where there are none; those of parcels that no layer has are left out."""
    found = np.full(len(rows), shapely.Polygon(), object)
    if areas is None:
        return found
    owner = np.array([rows.get(str(name), -1) for name in areas.texts("parcel_id")], np.int64)
    order = np.argsort(owner, kind="stable")
    for own in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
        if len(own) and owner[own[0]] >= 0:
            found[owner[own[0]]] = shapely.union_all(areas.shapes_m[own])
    return found


def _houses(roofs: CheckedLayer, lots_m: Geometries) -> Geometries:
    """The buildings of each lot that may be dwellings, as one shape; empty where there are none."""
    homes = np.array([flag is not True for flag in roofs.flags("not_a_dwelling")], bool)
    return on_lots(lots_m, polygons_only(roofs.shapes_m[homes]))


@stage("wells exposed")
def exposed_wells(ground: Ground, rules: RuleSet, reach_m: float) -> Exposed:
    """Wells that lie, or may lie, within the setback of the place where each lot's old system is presumed.

    The place is where the search areas lie; without any the house and `reach_m` round it, within the lot; without a house the lot. A well
    counts from the edge of the disc of its location error. A presumed well of the lot itself always counts, one of a neighbour where his
    lot lies within the setback; so does a well downslope of the house or of the screening's field, at any distance.
    """
    places_m, notes = _places(ground, reach_m)
    tree = shapely.STRtree(places_m)
    lot_of: list[Ints] = []
    names: list[Words] = []
    for feature in dict.fromkeys(ground.wells.feature.tolist()):
        line, told = _longest(rules, feature)
        notes += told
        if line is None:
            continue
        rows = np.flatnonzero(ground.wells.feature == feature)
        within_m = (line.distance_m or 0.0) + ground.wells.location_error_m[rows]
        well, lot = tree.query(ground.wells.shapes_m[rows], predicate="dwithin", distance=within_m)
        lot_of.append(lot)
        names.append(ground.wells.ids[rows[well]])
    own = {WELL_WORDS["presumed"], WELL_WORDS["unknown"]}
    hidden = np.flatnonzero(np.isin(ground.well_words.astype(str), list(own)))
    presumed, _ = _longest(rules, "private_well")
    if presumed is not None and len(hidden):
        other, lot = tree.query(ground.shapes_m[hidden], predicate="dwithin", distance=presumed.distance_m or 0.0)
        lot_of += [lot, hidden]
        names += [_presumed(ground.ids[hidden[other]]), _presumed(ground.ids[hidden])]
    for wells in (ground.well_downslope, ground.downslope_well):
        below = np.flatnonzero(wells.astype(str) != "")
        lot_of.append(below)
        names.append(wells[below])
    return Exposed(*_counted(np.concatenate(lot_of), np.concatenate(names), len(ground.ids)), places_m, tuple(notes))


def _presumed(ids: Words) -> Words:
    return np.array([f"presumed on {name}" for name in ids], object)


def _places(ground: Ground, reach_m: float) -> tuple[Geometries, list[str]]:
    searched = ~shapely.is_empty(ground.searched_m)
    places_m = np.where(searched, ground.searched_m, ground.shapes_m)
    rest = np.flatnonzero(~searched)
    if ground.houses_m is None:
        told = "without --buildings the old system may be anywhere on a lot without search areas: wells are counted from the whole lot"
        return places_m, [told] if len(rest) else []
    near = shapely.intersection(outward(ground.houses_m[rest], reach_m), ground.shapes_m[rest])
    built = ~shapely.is_empty(near)
    places_m[rest[built]] = near[built]
    return places_m, []


def _longest(rules: RuleSet, feature: str) -> tuple[Setback | None, list[str]]:
    """The longest distance that the rules ask of any old system from `feature`, and what had to be said.

    Where they are silent on that kind of well it is held to the longest that they ask from any.
    """
    if own := _lines(rules, feature):
        return max(own, key=_distance_m), []
    others = [line for other in layers.WELL_KINDS.values() for line in _lines(rules, other)]
    if not others:
        return None, [f"'{rules.id}' has no distance from any well: none is counted"]
    return max(others, key=_distance_m), [f"'{rules.id}' has no distance from '{feature}': held to the longest that it asks from any well"]


def _lines(rules: RuleSet, feature: str) -> list[Setback]:
    found = []
    for part in OLD_PARTS:
        with suppress(CodeSilentError):
            found.append(rules.setback(part, feature))
    return found


def _distance_m(line: Setback) -> float:
    return line.distance_m or 0.0


def _counted(lot: Ints, name: Words, lots: int) -> tuple[Ints, tuple[tuple[str, ...], ...]]:
    """How many different wells each lot has, and their names."""
    which: list[dict[str, None]] = [{} for _ in range(lots)]
    for row, well in zip(lot.tolist(), name.tolist(), strict=True):
        which[row][str(well)] = None
    return np.array([len(own) for own in which], np.int64), tuple(tuple(own) for own in which)


@stage("order")
def rank(ground: Ground, exposed: Exposed, weights: Mapping[str, float], top: int) -> Ranked:
    """Factors, scores, order and how firm it is."""
    factors = {
        "cesspool": _looked_up(ranking.CESSPOOL, ground.cesspool),
        "wells": ranking.wells_factor(np.minimum(exposed.count, ranking.TOO_MANY)),
        "season": _looked_up(ranking.SEASON, ground.season),
        "replacement": _looked_up(ranking.REPLACEMENT, ground.verdict),
    }
    log_score = ranking.log_scores(factors, weights)
    return Ranked(
        factors, weights, np.exp(log_score), ranking.order(log_score), top, ranking.sensitivity(factors, weights, top, MOVED_SHARE)
    )


def _looked_up(table: Mapping[str, float], words: Words) -> Floats:
    return np.array([table[word] for word in words.tolist()])
