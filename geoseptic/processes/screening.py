"""The county screening's judgement: what was found of each lot, proven, named and put into words."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import CodeSilentError, listed
from geoseptic.model.frame import Geometries
from geoseptic.model.rules import DRINKING_WATER, RuleSet
from geoseptic.parcels import envelope, tank
from geoseptic.parcels.envelope import LOT_LINE, subtract
from geoseptic.parcels.fit import Placement
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.proof import broken
from geoseptic.parcels.zones import MAY_BE_REQUIRED, Zones, zones
from geoseptic.processes.land import Land
from geoseptic.processes.layouts import Laid, Setting, drawn, joined, laid_out, rooms_in, rooms_on_good_ground, without
from geoseptic.processes.lot_ground import LotGround
from geoseptic.processes.lot_sizes import Sizes, known_number
from geoseptic.processes.lots import NO_WAY_THROUGH, Lots, dwellings, houses_on_the_line, without_rows
from geoseptic.processes.soil_ground import TOO_SHALLOW, SoilLayers, Under, flooded_lots, floodways, named_soils, under, worse
from geoseptic.processes.steps import Cut
from geoseptic.processes.tables import claims_of
from geoseptic.processes.workers import Pool, pool_of
from geoseptic.stages import stage
from geoseptic.systems.gravity import Burial, Profile
from geoseptic.systems.verdict import DOES_NOT_FIT, FITS_WITHOUT_FULL_RESERVE, verdict

RELAXED = 4
"""How many of the greediest features are tried one by one when nothing fits."""

TOLD_ONLY = frozenset({"cut_bank", "water_line", "drain"})
"""Features that pipes may cross with care; that they do is told."""

UNSEEN_WELL_M = 61.0
"""200 ft, the longest distance from a private well in the rule sets: how near a house without a well on record is worth a word."""

NAMED = 5
"""How many features an open question names."""


@dataclass(frozen=True)
class Search:
    """What the screening of all lots is given: layers, envelopes, the lots as the search reads them, and their ground."""

    land: Land
    cuts: Mapping[str, Cut]
    lots: Lots
    setting: Setting
    ground: LotGround
    workers: int


@dataclass(frozen=True)
class Screened:
    """One lot's answer. `drawn_for` says which size was drawn, `under` is what lies under the field, None where none was placed."""

    sizes: Sizes
    placement: Placement | None
    drawn_for: str
    decided_by: str
    verdict: str
    reasons: tuple[str, ...]
    would_fit_without: tuple[str, ...]
    profile: Profile | None
    under: Under | None
    unproven: tuple[str, ...]
    notes: tuple[str, ...] = ()
    to_reserve: Profile | None = None
    fall_along_m: float = 0.0


@dataclass(frozen=True)
class Screening:
    """All lots' answers, their primary fields (empty where there is none), and the tanks with their lines, one row a lot."""

    lots: tuple[Screened, ...]
    fields_m: Geometries
    tanks: tank.Tanks
    burial: Burial
    failures: tuple[tuple[int, str, str], ...] = ()
    """Lots at which a step failed: index, stage and reason."""


def soils_on_lots(
    soil: SoilLayers, rules: RuleSet, land: Land, floodplain_excluded: bool
) -> tuple[tuple[npt.NDArray[np.object_], Geometries], dict[int, str]]:
    """The mapped soil and the flooded ground of each lot, and at which lots these could not be found."""

    def found(ignored: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.object_], Geometries]:
        lots_m = without_rows(land.fabric.shapes_m, ignored)
        return named_soils(soil, rules, lots_m), flooded_lots(soil, lots_m, floodplain_excluded)

    return without_culprits(found, len(land.fabric.ids))


def told_of(found: Screening, name: str, failed: Mapping[int, str]) -> Screening:
    """The answers with further failures, of a stage of that name."""
    return replace(found, failures=tuple(sorted({*found.failures, *((row, name, why) for row, why in failed.items())})))


@stage("room for fields")
def screen(
    search: Search, soil: SoilLayers, rules: RuleSet, ground: Ground | None, facts: Mapping[str, bool], granted: frozenset[str]
) -> Screening:
    """Search, place, prove and judge every lot."""
    with pool_of(search.setting, search.workers, len(search.lots)) as pool:
        parts, failed = pool.each(laid_out, search.lots)
        whole = joined(parts)

        def judged(ignored: npt.NDArray[np.bool_]) -> tuple[Laid, list[Screened]]:
            laid = without(whole, ignored)
            return laid, _judged(search, laid, soil, rules, ground, facts, granted)

        (laid, screened), unjudged = without_culprits(judged, len(search.lots))
        (bounded, unexplained), unbound = without_culprits(lambda ignored: _with_bounds(search, screened, pool, ignored), len(search.lots))
    by_stage = {"layout": failed, "proof of the layout": unjudged, "what binds": {**unexplained, **unbound}}
    failures = sorted((row, name, why) for name, lost in by_stage.items() for row, why in lost.items())
    return Screening(tuple(bounded), drawn(laid.answers)[0], laid.tanks, search.setting.burial, tuple(failures))


def _judged(
    search: Search,
    laid: Laid,
    soil: SoilLayers,
    rules: RuleSet,
    ground: Ground | None,
    facts: Mapping[str, bool],
    granted: frozenset[str],
) -> list[Screened]:
    """The layouts proven, and put into words."""
    land, lots = search.land, np.arange(len(search.lots))
    answers, tanks = laid.answers, laid.tanks
    fields, reserves = drawn(answers)
    unproven: list[list[str]] = [[] for _ in answers]
    for shapes, part in ((fields, "drain_field"), (reserves, "reserve"), (tanks.footprints_m, "septic_tank")):
        cut = search.cuts[part]
        for lot in np.flatnonzero(broken(shapes, lots, land.fabric, cut.zones, land.obstacles, cut.envelopes.lot_line_m)).tolist():
            unproven[lot].append(f"the {part.replace('_', ' ')} could not be shown to keep every distance")
    doubts = [list(words) for words in unproven]
    astray, beside = _pipes_astray(search, tanks, rules, ground, facts, granted)
    for lot, words in astray:
        doubts[lot].append(words)
    notes: list[list[str]] = [[] for _ in answers]
    for lot, words in [*beside, *_crossed(search, soil, tanks)]:
        notes[lot].append(words)
    lived_in, _ = dwellings(land)
    for lot in np.flatnonzero(lived_in > 1).tolist():
        doubts[lot].append(f"{lived_in[lot]} dwellings on the lot: the field is sized for one")
    for lot, others in land.fabric.stacked_with.items():
        names = listed(land.fabric.ids[list(others)].tolist())
        doubts[lot].append(f"the same ground is also that of {names}: whether there is room for what all of them need was not looked at")
    for lot, claims in claims_of(land.fabric).items():
        notes[lot].append(claims)
    falls_m = np.array([laid.fall_along_m(lot, search.setting) for lot in range(len(answers))])
    below, below_reserve = _below(land, soil, fields, falls_m), _below(land, soil, reserves, falls_m)
    still_open = _open_zones(land, search.cuts["drain_field"])
    screened = []
    for lot, answer in enumerate(answers):
        along = laid.profiles[lot]
        for name, found_below in (("field", below.get(lot)), ("reserve", below_reserve.get(lot))):
            if found_below is not None and found_below.against:
                doubts[lot].append(f"under the {name}: {found_below.against}")
        found = replace(
            answer.found,
            by_gravity=None if along is None else along.by_gravity,
            open_setbacks=", ".join(still_open.get(lot, [])[:NAMED]),
            doubts=tuple(doubts[lot]),
        )
        words, reasons = verdict(found)
        screened.append(
            Screened(
                search.lots.sizes[lot],
                answer.placement,
                answer.drawn_for if answer.placement else "",
                answer.fit.decided_by if answer.fit else "soil",
                words,
                reasons,
                (),
                along,
                worse(below[lot], below_reserve.get(lot)) if lot in below else None,
                tuple(unproven[lot]),
                tuple(notes[lot]),
                laid.to_reserve[lot],
                float(falls_m[lot]),
            )
        )
    return screened


def _below(land: Land, soil: SoilLayers, shapes_m: Geometries, falls_m: npt.NDArray[np.float64]) -> dict[int, Under]:
    """Lot -> what lies under its shape, empty where there is none; `falls_m` : fall of the ground along its trenches. One row a lot."""
    drawn = np.flatnonzero(~shapely.is_empty(shapes_m))
    rates = [known_number(rate) for rate in land.parcels.numbers("percolation_min_per_in")[drawn]]
    return dict(zip(drawn.tolist(), under(soil, shapes_m[drawn], rates, falls_m[drawn].tolist()), strict=True))


def _pipes_astray(
    search: Search, tanks: tank.Tanks, rules: RuleSet, ground: Ground | None, facts: Mapping[str, bool], granted: frozenset[str]
) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
    """Lots whose pipes as drawn leave the lot, or come nearer to drinking water, ponds and old systems than a building sewer may; and those
    that come nearer than that to anything else, in words.

    Codes that say nothing of a building sewer leave only the lot and the features themselves to keep. The line from tank to field carries
    the same sewage and is held to the same.
    """
    land, lots = search.land, np.arange(len(search.lots))
    feature = land.obstacles.feature
    serious = np.isin(feature, list(DRINKING_WATER | NO_WAY_THROUGH))
    # The sewer starts at a building, drives are told apart, and a house has water and power lines of its own.
    other = np.isin(feature, list(TOLD_ONLY))
    doubts: list[tuple[int, str]] = []
    notes: list[tuple[int, str]] = []
    for rows, found, what in (
        (serious, doubts, "leaves the lot or comes too near a well or water, a pool or an old system: another way must be found"),
        (other, notes, "comes nearer to a cut, drain or water line than the code lets a sewer, or crosses it"),
    ):
        some = land.obstacles.kept(rows)
        try:
            kept_from = zones(some, rules, "building_sewer", facts=facts, granted=granted, ground=ground)
        except CodeSilentError:
            kept_from = Zones("building_sewer")
        for lines, name in _pipes(tanks):
            for lot in np.flatnonzero(broken(lines, lots, land.fabric, kept_from, some, 0.0)).tolist():
                found.append((lot, f"the {name} as drawn {what}"))
    try:
        from_line_m = rules.requirement("building_sewer", LOT_LINE).settled(facts, granted).largest.distance_m or 0.0
    except CodeSilentError:
        from_line_m = 0.0
    if from_line_m > 0:
        for lines, name in _pipes(tanks):
            near = shapely.dwithin(lines, shapely.boundary(land.fabric.shapes_m), from_line_m)
            notes += [
                (lot, f"the {name} as drawn is nearer to the lot line than the code lets a sewer") for lot in np.flatnonzero(near).tolist()
            ]
    return doubts, notes


def _pipes(tanks: tank.Tanks) -> tuple[tuple[Geometries, str], ...]:
    return (tanks.sewers_m, "sewer from house to tank"), (tanks.effluents_m, "line from tank to field")


def _crossed(search: Search, soil: SoilLayers, tanks: tank.Tanks) -> list[tuple[int, str]]:
    """Lots with pipes as drawn under a driveway, through a floodway or over the reserve, in words."""
    obstacles = search.land.obstacles
    found = [(lot, "the line from tank to field as drawn runs over the reserve") for lot in np.flatnonzero(tanks.crosses_reserve).tolist()]
    for shapes, where in (
        (obstacles.shapes_m[obstacles.feature == "driveway"], "under a driveway: it must bear the traffic, or go another way"),
        (floodways(soil), "through a mapped floodway"),
    ):
        tree = shapely.STRtree(shapes)
        for lines, name in _pipes(tanks):
            lots = np.unique(tree.query(lines, predicate="intersects")[0]).tolist()
            found += [(lot, f"the {name} as drawn runs {where}") for lot in lots]
    return found


def _with_bounds(
    search: Search, screened: list[Screened], pool: Pool, ignored: npt.NDArray[np.bool_]
) -> tuple[list[Screened], dict[int, str]]:
    """For lots where nothing fits: what binds, and which single feature's setback stands in the way; and at which lots that failed. Nothing
    is looked for on the ignored ones."""
    cut = search.cuts["drain_field"]
    taken = cut.envelopes.takes_m2
    short = (DOES_NOT_FIT, FITS_WITHOUT_FULL_RESERVE)
    lots = [lot for lot, answer in enumerate(screened) if answer.verdict in short and answer.sizes.largest is not None and not ignored[lot]]
    failed: dict[int, str] = {}
    greediest = {lot: sorted((name for name in taken if taken[name][lot] > 0), key=lambda name: (-taken[name][lot], name)) for lot in lots}
    bare = [lot for lot in lots if not screened[lot].reasons]
    tried: dict[str, list[int]] = {}
    for lot in bare:
        for name in greediest[lot][:RELAXED]:
            tried.setdefault(name, []).append(lot)
    helps: dict[int, list[str]] = {}
    for name, members in tried.items():
        shapes = envelope.without(search.land.fabric, cut.zones, search.land.obstacles, cut.envelopes.lot_line_m, np.array(members), name)
        # The feature itself stays where it is: only the distance from it is relaxed.
        own = search.land.obstacles.kept(search.land.obstacles.feature == name)
        lot_number, thing = shapely.STRtree(shapes).query(own.shapes_m, predicate="intersects")[::-1]
        order = np.lexsort((thing, lot_number))
        shapes = subtract(shapes, lot_number[order], own.shapes_m[thing[order]])
        rooms, lost = pool.each(rooms_in, search.lots.of(members), shapes)
        failed |= {members[row]: why for row, why in lost.items()}
        for lot, fits in zip(members, chain.from_iterable(rooms), strict=True):
            if fits:
                helps.setdefault(lot, []).append(name)
    rooms, lost = pool.each(rooms_on_good_ground, search.lots.of(bare), cut.envelopes.shapes_m[bare])
    failed |= {bare[row]: why for row, why in lost.items()}
    by_ground = dict(zip(bare, chain.from_iterable(rooms), strict=True))
    out = list(screened)
    for lot in np.flatnonzero(ignored).tolist():
        if screened[lot].verdict in short and not screened[lot].reasons:
            out[lot] = replace(screened[lot], reasons=("what binds could not be found",))
    tank_bound = search.cuts["septic_tank"].envelopes.binding()
    for lot in lots:
        reasons = screened[lot].reasons
        if reasons and screened[lot].placement is not None and tank_bound[lot]:
            reasons = (*reasons, f"the tank is bound by {tank_bound[lot]}")
        elif not reasons and by_ground[lot]:
            wrong = _ground_under(search, lot)
            other = "; a code may allow another kind of system there, with treatment or under pressure" if TOO_SHALLOW in wrong else ""
            reasons = (f"the setbacks leave room, the ground does not: {', '.join(wrong)}{other}",)
        elif not reasons:
            bound = ", ".join(name.replace("_", " ") for name in greediest[lot][:RELAXED])
            what = "field and reserve" if screened[lot].verdict == DOES_NOT_FIT else "the reserve besides the field"
            reasons = (f"no room for {what} between the setbacks from {bound}" if bound else "the lot is too small",)
        out[lot] = replace(screened[lot], reasons=reasons, would_fit_without=tuple(helps.get(lot, ())))
    return out, failed


def _ground_under(search: Search, lot: int) -> list[str]:
    """What is wrong with the ground of a lot's envelope, the most widespread first."""
    envelope, grid = search.cuts["drain_field"].envelopes.shapes_m[lot], search.ground.elevation.grid
    window = grid.over(shapely.bounds(envelope))
    row, col = np.mgrid[window]
    inside = shapely.contains_xy(envelope, *grid.middles_m(row, col))
    cells = {name: int(np.count_nonzero(mask & inside)) for name, mask in search.ground.bad(window).items()}
    return sorted((name for name, count in cells.items() if count), key=lambda name: (-cells[name], name)) or [
        "too steep along the trenches"
    ]


def assumed_of_lots(land: Land, cut: Cut, *, presumed: bool) -> list[str]:
    """For each lot what is assumed of wells in reach and of its house, in words; empty where nothing is."""
    stated = land.wells.numbers("location_error")
    unstated = {str(name) for name, error in zip(land.wells.ids, stated, strict=True) if np.isnan(error)}
    on_no_record = land.obstacles.presumed
    names = {
        row: cut.zones.feature_id[row] if on_no_record[source] else f"{cut.zones.feature_id[row]} (location error)"
        for row, source in enumerate(cut.zones.source)
        if cut.zones.feature[row].endswith("_well") and (on_no_record[source] or cut.zones.feature_id[row] in unstated)
    }
    met = _met(land, cut, names)
    words: list[list[str]] = [[f"place of wells assumed: {listed(met[lot])}"] if lot in met else [] for lot in range(len(land.fabric.ids))]
    if not presumed and land.well_not_on_record.any():
        near = shapely.STRtree(land.fabric.shapes_m).query(land.fabric.shapes_m[land.well_not_on_record], "dwithin", distance=UNSEEN_WELL_M)
        hidden = land.fabric.ids[land.well_not_on_record]
        for lot in np.unique(near[1]).tolist():
            owners = [str(hidden[number]) for number in near[0][near[1] == lot]]
            words[lot].append(f"no well presumed on {listed(owners)}, where a house has none on record")
    _, possible = dwellings(land)
    for lot in np.flatnonzero(possible > 1).tolist():
        words[lot].append(f"the house taken to be the largest of {possible[lot]} buildings that may be dwellings")
    for lot, others in houses_on_the_line(land):
        shared = f", which {listed(land.fabric.ids[list(others)].tolist())} share" if others else ""
        words[lot].append(f"the house on the lot line or in a gap{shared} taken to be this lot's")
    return ["; ".join(several) for several in words]


def _open_zones(land: Land, cut: Cut) -> dict[int, list[str]]:
    """For each lot, the features whose setbacks there hang on something that nobody has stated."""
    still_open = {
        int(row): f"{cut.zones.feature[row].replace('_', ' ')} {cut.zones.feature_id[row]}" for row in cut.zones.rows(MAY_BE_REQUIRED)
    }
    return _met(land, cut, still_open)


def _met(land: Land, cut: Cut, names: Mapping[int, str]) -> dict[int, list[str]]:
    """Lot -> the names of those zones that it meets, in order; `names` has one for each row of the zones that counts."""
    if not names:
        return {}
    rows = list(names)
    zone, lot = shapely.STRtree(land.fabric.shapes_m).query(cut.zones.shapes_m[rows], predicate="intersects")
    met: dict[int, set[str]] = {}
    for owner, number in zip(lot.tolist(), zone.tolist(), strict=True):
        met.setdefault(owner, set()).add(names[rows[number]])
    return {owner: sorted(several) for owner, several in met.items()}
