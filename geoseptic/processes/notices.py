"""What a run tells beside its layers: answers that change nothing, ground that nobody knows, and which wells to find first."""

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import PRINTED_IDS, listed
from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import by_groups
from geoseptic.io.keptplanes import Part, by_windows
from geoseptic.io.shelves import AT_ONCE
from geoseptic.model.grid import Raster
from geoseptic.model.layers import WELL_KINDS
from geoseptic.model.results import Results
from geoseptic.model.rules import EXCLUSIVE, PARTS, RuleSet, with_exclusions
from geoseptic.parcels import burn
from geoseptic.parcels.outeredge import GAP_M
from geoseptic.parcels.zones import MAY_BE_REQUIRED, OF_ONE_WELL, ROUGH_FROM_M
from geoseptic.processes import kept_land
from geoseptic.processes.kept_envelopes import bundles, groups_by_place, hashed
from geoseptic.processes.land import Land
from geoseptic.processes.shelved_envelopes import by_place
from geoseptic.processes.steps import Cut
from geoseptic.processes.tables import OPEN_FROM_M2
from geoseptic.terrain.windows import windows
from geoseptic.units import from_metres, in_both_units, metres_per

OFF_FROM_M2 = 1.0
"""A parcel that juts out of the raster by less is taken to lie on it: outlines and rasters are not cut that finely."""

WITHOUT_RULES_M: Final = 30.48
"""How far from a well a field is usually kept, 100 ft, where no rule set says it: common practice, no source."""

READS_TOO_CLEAR: Final = (
    "A well there that is on no record closes nothing, and is presumed only where a building of the layer stands there: along that edge "
    "ground may read too clear"
)
STAYS_EMPTY: Final = (
    "A well there that is on no record is presumed only where a building of the layer stands there: well_downslope may be empty along that "
    "edge although water from round the house comes to a well"
)
"""What follows from not knowing the ground beyond the outer edge of the parcels, for setbacks and for old systems."""


def notices(
    land: Land, rules: RuleSet, cuts: Collection[Cut], facts: Mapping[str, bool], granted: Collection[str], elevation: Raster | None
) -> Results:
    """Everything that a run with parcels and wells tells beside its layers, as warnings and counts."""
    warnings = idle_answers(land, rules, [cut.zones.part for cut in cuts], facts, granted)
    counts: dict[str, object] = {}
    if elevation is not None:
        off, partly = off_the_elevation(land, elevation)
        counts = {"parcels_off_the_elevation": len(off), "parcels_partly_off_the_elevation": len(partly)}
        if len(off):
            warnings.append(f"{len(off)} parcels lie off the elevation: nothing is known of their ground ({listed(list(off))})")
        if len(partly):
            where = "known in part: what lies off the elevation is unknown"
            warnings.append(f"{len(partly)} parcels lie partly off the elevation, their ground is {where} ({listed(list(partly))})")
    within_m = longest_from_a_well_m(rules, [cut.zones.part for cut in cuts], facts, granted)
    edge = edge_results(land, within_m, READS_TOO_CLEAR)
    counts |= edge.counts
    warnings += edge.warnings
    cut = next((cut for cut in cuts if cut.zones.part == "drain_field"), next(iter(cuts)))
    wells = wells_to_locate(land, rules, cut)
    if wells:
        counts["wells_to_locate_first"] = wells[:PRINTED_IDS]
        unit = rules.unit
        first = [f"{well['well_id']} ({well[f'opens_{unit}2']:,.0f} {unit}2 on {well['parcels']} parcels)" for well in wells]
        part = PARTS[cut.zones.part].lower()
        warnings.append(f"{len(wells)} wells are placed so roughly that they leave ground open for a {part}; find first {listed(first)}")
    return Results(counts=counts, warnings=tuple(warnings))


def idle_answers(land: Land, rules: RuleSet, parts: Collection[str], facts: Mapping[str, bool], granted: Collection[str]) -> list[str]:
    """Facts and granted reliefs that the user stated and that change nothing, one sentence each."""
    lines = [entry for entry in rules.setbacks if entry.part in parts]
    read = frozenset(name for line in lines for name in line.when) | {name for line in rules.vertical_separation for name in line.when}
    where = f"'{rules.id}' for a {' or '.join(PARTS[part].lower() for part in parts)}"
    told = []
    for name in facts:
        group = next((names for names in EXCLUSIVE if name in names), frozenset({name}))
        if not group & read:
            told.append(f"--facts {name} changes nothing: no line of {where} depends on it")
    of_the_site = with_exclusions(facts)
    for name in granted:
        reliefs = [entry.when for entry in lines if entry.relief and name in entry.when]
        others = min((when - set(granted) for when in reliefs), key=len, default=frozenset())
        of_a_feature = any((name, True) in own for own in land.obstacles.facts)
        if not reliefs:
            told.append(f"--granted {name} changes nothing: no relief of {where} depends on it")
        elif others:
            more = " ".join(f"--granted {other}" for other in sorted(others))
            told.append(f"--granted {name} changes nothing without {more}: the relief of {where} depends on both")
        elif name in OF_ONE_WELL and not of_a_feature:
            told.append(f"--granted {name} changes nothing: the column {name} of no well says that it holds")
        elif not of_a_feature and of_the_site.get(name) is not True:
            told.append(f"--granted {name} changes nothing before it is also stated that it holds: --facts {name}=yes")
    return told


def longest_from_a_well_m(rules: RuleSet, parts: Collection[str], facts: Mapping[str, bool], granted: Collection[str]) -> float:
    """The longest distance that may be asked between these parts and a private well; 0 where the rule set is silent. [m]"""
    asked = [rules.requirement(part, "private_well") for part in parts if not rules.silent_on(part, ("private_well",))]
    return max((one.settled(facts, frozenset(granted)).largest.distance_m or 0.0 for one in asked), default=0.0)


def at_the_edge(land: Land, within_m: float) -> npt.NDArray[np.object_]:
    """Ids of the parcels so near to ground that is on none of them that a neighbour's well there might matter."""
    return land.fabric.ids[kept_land.at_the_outer_edge(land.claimed, within_m)] if within_m > 0 else land.fabric.ids[:0]


def edge_results(land: Land, within_m: float, hence: str) -> Results:
    """How many parcels lie at the outer edge, and where any do a warning with what follows from that."""
    ids = at_the_edge(land, within_m)
    counts = {"parcels_at_the_outer_edge": len(ids)}
    told = f"{edge_told(len(ids), len(land.fabric.ids), within_m, hence)}. Give the parcels beyond it as well ({listed(list(ids))})"
    return Results(counts=counts, warnings=(told,) if len(ids) else ())


def edge_told(at_edge: int, parcels: int, within_m: float, hence: str) -> str:
    """The same in words, without names."""
    return (
        f"{at_edge} of {parcels} parcels lie at the outer edge of the layer: within {in_both_units(within_m)} of ground that is on none "
        f"of its parcels and wider than a road ({in_both_units(GAP_M)}); open water and public ground count as such. {hence}"
    )


def off_the_elevation(land: Land, elevation: Raster) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Ids of the parcels of which no ground is known, and of those of which a part is not; without the spoilt ones."""
    shapes, grid = land.fabric.shapes_m, elevation.grid
    left, bottom, right, top = grid.bounds_m
    extent = shapely.box(left, bottom, right, top)
    outside_m2 = np.zeros(len(shapes))
    west, south, east, north = shapely.bounds(shapes).T
    beyond = ~((west >= left) & (south >= bottom) & (east <= right) & (north <= top))
    outside_m2[beyond] = shapely.area(shapely.difference(shapes[beyond], extent))
    known, unknown = np.zeros(len(shapes), np.int64), np.zeros(len(shapes), np.int64)
    if any(by_windows(elevation.plane, (), _gaps, lambda window: (Part(elevation.plane, window),))[1]):
        near = burn.Near(shapes)
        for window in windows(grid.shape):
            own, rows = near.of(grid.window(*window))
            blind, lot = np.isnan(elevation.plane.read(*window)), burn.numbered_by_middle(own, grid.window(*window))
            known[rows] += np.bincount(lot[~blind & (lot >= 0)], minlength=len(rows))
            unknown[rows] += np.bincount(lot[blind & (lot >= 0)], minlength=len(rows))
    off = (outside_m2 >= shapely.area(shapes) - OFF_FROM_M2) | ((known == 0) & (unknown > 0))
    partly = ~off & ((outside_m2 > OFF_FROM_M2) | (unknown > 0))
    # Of a spoilt parcel no ground is known anyhow, and its shape may be empty: it is listed among the failures.
    spoilt = list(land.fabric.spoilt)
    off[spoilt] = partly[spoilt] = False
    return land.fabric.ids[off], land.fabric.ids[partly]


def _gaps(heights_m: Part) -> tuple[tuple[()], bool]:
    return (), bool(np.isnan(heights_m.read()).any())


def wells_to_locate(land: Land, rules: RuleSet, cut: Cut) -> list[dict[str, object]]:
    """The wells whose rough place leaves ground open, the greediest first: how far off the well may be, and how much of which number of
    parcels would be clear if it, and whatever else is open there, turned out well."""
    zones, envelopes, obstacles, unit = cut.zones, cut.envelopes, land.obstacles, rules.unit
    source = zones.source
    error_m = obstacles.location_error_m[source]
    of_wells = np.isin(obstacles.feature[source], list(WELL_KINDS.values())) & ~obstacles.presumed[source]
    rough = error_m > np.maximum(zones.distance_m, ROUGH_FROM_M)
    still_open = zones.status == MAY_BE_REQUIRED
    rows = np.flatnonzero(of_wells & rough & still_open)
    lots = np.flatnonzero(envelopes.possible_area_m2 > envelopes.area_m2 + OPEN_FROM_M2)
    if not len(rows) or not len(lots):
        return []
    zone, lot, area_m2 = _opened_m2(land, cut, lots, cut.zone_shapes[rows])
    # A well stands for several rings, one in the other: on each lot the widest counts.
    names, well = np.unique(zones.feature_id[rows], return_inverse=True)
    pairs, pair = np.unique(well[zone] * len(lots) + lot, return_inverse=True)
    widest_m2 = np.zeros(len(pairs))
    np.maximum.at(widest_m2, pair, area_m2)
    told = widest_m2 > OPEN_FROM_M2
    opens_m2 = np.bincount(pairs[told] // len(lots), weights=widest_m2[told], minlength=len(names))
    parcels = np.bincount(pairs[told] // len(lots), minlength=len(names))
    off_m = np.zeros(len(names))
    np.maximum.at(off_m, well, error_m[rows])
    return [
        {
            "well_id": str(names[index]),
            f"location_error_{unit}": round(from_metres(float(off_m[index]), unit), 1),
            f"opens_{unit}2": round(float(opens_m2[index]) / metres_per(unit) ** 2, 1),
            "parcels": int(parcels[index]),
        }
        for index in np.argsort(-opens_m2, kind="stable")
        if parcels[index]
    ]


Pairs = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.float64]]


_NONE: Final = np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)


def _opened_m2(land: Land, cut: Cut, lots: npt.NDArray[np.int64], rings: Hashed) -> Pairs:
    """Pairs of a ring and one of the lots, each by its place in its row, and how much open ground of the lot lies in the ring. [m2]"""
    clear, possible = hashed(cut.envelopes)
    keeps, lots_m = kept.in_use() is not None, land.lots.bounds_m
    place = np.full(len(possible), -1)
    place[lots] = np.arange(len(lots))

    def near(own: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        return rings.by_place.near(lots_m[own])

    def given(own: npt.NDArray[np.int64]) -> tuple[Hashed, Hashed, Hashed]:
        return possible[own], clear[own], rings[near(own)]

    parts = groups_by_place(lots_m) if keeps else by_place(lots_m, AT_ONCE)
    groups = [own for rows in parts if len(own := rows[place[rows] >= 0])]
    done = by_groups(_opened, groups, given, bundles=bundles(lots_m, groups, given)) if keeps else [_opened(*given(own)) for own in groups]
    found = [(near(own)[ring], place[own[lot]], area_m2) for own, ((ring, lot, area_m2), _) in zip(groups, done, strict=True) if len(ring)]
    if not found:
        return _NONE
    ring, lot, area_m2 = (np.concatenate(column) for column in zip(*found, strict=True))
    return ring, lot, area_m2


def _opened(possible: Hashed, clear: Hashed, rings: Hashed) -> tuple[Pairs, None]:
    open_m, shapes = shapely.difference(possible.shapes, clear.shapes), rings.shapes
    ring, lot = shapely.STRtree(open_m).query(shapes, predicate="intersects")
    # Most lots lie in a wide ring whole; only the others are cut: 2.4 s instead of 6.9 s with 2,000 such wells on 20,000 lots.
    shapely.prepare(shapes)
    cut_off = ~shapely.covers(shapes[ring], open_m[lot])
    shapely.destroy_prepared(shapes)
    area_m2 = shapely.area(open_m[lot])
    area_m2[cut_off] = shapely.area(shapely.intersection(shapes[ring[cut_off]], open_m[lot[cut_off]]))
    return (ring, lot, area_m2), None
