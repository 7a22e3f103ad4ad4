"""The triage of every lot: what is on record of it, what that makes likely, and the layer that tells it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.model import legend_table
from geoseptic.model.cautions import BEFORE_ANY_LID, SCREENING_AID
from geoseptic.model.results import LayerResult, Results
from geoseptic.model.rules import RuleSet
from geoseptic.model.standing_rules import KINDS, Era
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.unrecorded import built_lots
from geoseptic.processes.accounts import failure
from geoseptic.processes.land import Land
from geoseptic.processes.lots import ON_THE_LOT, without_rows
from geoseptic.processes.sizing_tables import unchecked
from geoseptic.processes.tables import repair_records
from geoseptic.stages import stage
from geoseptic.systems.triage import ANSWERS, NO_HOUSE, SMALL_LOT_M2, Built, Facts, Second, Triage, Well, known_year, triage
from geoseptic.units import SQUARE_METRES_PER_UNIT

FILE = "old_systems"

NO_SIZE_M2 = 0.01
"""A house of less was drawn without its size. Our own choice."""


@dataclass(frozen=True)
class LotTriage:
    """The triage of one lot with what is on record of it."""

    facts: Facts
    found: Triage


@stage("what is probably in the ground")
def triage_lots(land: Land, rules: RuleSet, second_building_m2: float) -> tuple[tuple[LotTriage, ...], dict[int, str]]:
    """The triage of every lot of `land`, in the order of its parcels, and at which lots not everything on record could be found. Lots of
    which the same is on record get the same answer."""
    known: dict[Facts, LotTriage] = {}
    found, failed = facts_of_lots(land, rules, second_building_m2)
    return tuple(known.get(facts) or known.setdefault(facts, LotTriage(facts, triage(facts, rules))) for facts in found), failed


def facts_of_lots(land: Land, rules: RuleSet, second_building_m2: float) -> tuple[list[Facts], dict[int, str]]:
    """What is on record of every lot, and at which lots it could not be found whether a second building stands there."""
    parcels = land.parcels
    permit, sewer, water = (parcels.flags(name) for name in ("permit_on_file", "public_sewer", "public_water"))
    years, permit_years = (_years(land, name) for name in ("year_built", "permit_year"))
    eras: dict[float, Era | None] = {year: rules.era(year) for year in {*years, *permit_years} if year == year}
    systems = parcels.texts("permit_system")
    told = np.array(
        [
            permit[row] is True or sewer[row] is True or system is not None or permit_years[row] == permit_years[row]
            for row, system in enumerate(systems)
        ],
        bool,
    )
    # Of a lot whose ground is not known, nobody knows that nothing is on it.
    told[list(land.fabric.spoilt)] = True
    built = _built(land, told)
    second, failed = without_culprits(lambda ignored: _second_buildings(land, second_building_m2, ignored), len(land.fabric.shapes_m))
    small = shapely.area(land.fabric.shapes_m) < SMALL_LOT_M2
    return [
        Facts(
            built[row],
            eras.get(years[row]),
            permit[row],
            system,
            eras.get(permit_years[row]),
            permit_years[row] < years[row],
            sewer[row],
            _well(built[row], water[row], land.well_not_on_record[row]),
            second[row],
            bool(small[row]),
        )
        for row, system in enumerate(systems.tolist())
    ], failed


def _years(land: Land, column: str) -> list[float]:
    """The years of a column; NaN where they are not known, as of one that is still to come."""
    this_year = date.today().year
    return [known_year(year, this_year) for year in land.parcels.numbers(column).tolist()]


def _built(land: Land, told: npt.NDArray[np.bool_]) -> list[Built]:
    """Whether there is a house. Without a layer of buildings, or where a permit or a sewer tells of something, no is not known."""
    built = built_lots(land.parcels, land.on_lots["buildings"][1])
    return [
        "yes" if is_built else "no" if land.buildings is not None and not told[row] else "unknown"
        for row, is_built in enumerate(built.tolist())
    ]


def _well(built: Built, on_water: bool | None, hidden: np.bool_) -> Well:
    if hidden:
        return "presumed"
    if on_water is True:
        return "public"
    return "recorded" if built == "yes" else "no house" if built == "no" else "unknown"


def _second_buildings(land: Land, least_m2: float, ignored: npt.NDArray[np.bool_]) -> list[Second]:
    """Whether a building beside the largest one of a lot is of at least `least_m2`; unknown of the lots that are to be ignored."""
    lots_m = without_rows(land.fabric.shapes_m, ignored)
    lots = len(lots_m)
    if land.buildings is None:
        return ["unknown"] * lots
    roofs_m = shapely.make_valid(land.buildings.shapes_m)
    # Of a house that is drawn without an area nobody knows how large it is.
    sizeless = np.zeros(lots, bool)
    sizeless[shapely.STRtree(lots_m).query(roofs_m[shapely.area(roofs_m) < NO_SIZE_M2], predicate="intersects")[1]] = True
    large = np.flatnonzero(shapely.area(roofs_m) >= least_m2)
    roofs_m, no_dwelling = roofs_m[large], np.array([flag is True for flag in land.buildings.flags("not_a_dwelling")[large]], bool)
    roof, lot = shapely.STRtree(lots_m).query(roofs_m, predicate="intersects")
    share = shapely.area(shapely.intersection(roofs_m[roof], lots_m[lot])) / shapely.area(roofs_m[roof])
    roof, lot = roof[share >= ON_THE_LOT], lot[share >= ON_THE_LOT]
    count = np.bincount(lot, minlength=lots)
    dwellings = np.bincount(lot[~no_dwelling[roof]], minlength=lots)
    return [
        "possible" if homes > 1 else "unknown" if open_ else "none" if all_ < 2 else "not a dwelling"
        for all_, homes, open_ in zip(count, dwellings, ignored | (sizeless & (count > 0)), strict=True)
    ]


def triage_results(land: Land, rules: RuleSet, lots: Sequence[LotTriage], failed: Mapping[int, str]) -> Results:
    """The layer `parcels`, its counts, and what the run could not know; `failed` are lots of which not everything could be found."""
    counts: dict[str, object] = dict(land.counts)
    counts |= {f"parcels: {answer}": sum(lot.found.answer == answer for lot in lots) for answer in ANSWERS}
    counts["parcels_with_a_presumed_well"] = sum(lot.facts.well == "presumed" for lot in lots)
    counts["parcels_with_a_second_building"] = sum(lot.facts.second_building in ("possible", "not a dwelling") for lot in lots)
    silent = sorted(
        {kind for lot in lots for kind in (*lot.found.likely, *lot.found.possible) if rules.standing(kind).is_silent} - {"sewer"}
    )
    said = f"'{rules.id}' says nothing of the standing of {', '.join(kind.replace('_', ' ') for kind in silent)}: ask the health authority"
    used = {kind for lot in lots for kind in (*lot.found.likely, *lot.found.possible)}
    cited = dict.fromkeys(line.citation for line in rules.standings if line.kind in used)
    return Results(
        layers=(_parcels(land, rules, lots),),
        counts=counts,
        warnings=(
            *land.notes,
            *([said] if silent else []),
            "what a house of some age commonly had is common practice, no source: it tells where to look first and clears no lot",
            BEFORE_ANY_LID,
            *unchecked(cited),
        ),
        repairs=repair_records(land.repairs),
        failures=tuple(failure(land, lot, "buildings on the lot", why) for lot, why in sorted(failed.items())),
    )


def _parcels(land: Land, rules: RuleSet, lots: Sequence[LotTriage]) -> LayerResult:
    area = f"{rules.unit}2"
    found = [lot.found for lot in lots]
    years = [None if year != year else int(year) for year in _years(land, "year_built")]
    columns: dict[str, object] = {
        "parcel_id": land.fabric.ids,
        "expected": [lot.answer for lot in found],
        "likely": [_kinds(lot.likely) for lot in found],
        "possible": [_kinds(lot.possible) for lot in found],
        "cesspool": [lot.cesspool for lot in found],
        "basis": [lot.basis for lot in found],
        "reasons": ["; ".join(lot.reasons) for lot in found],
        "standing": [lot.standing for lot in found],
        "ask_first": ["; ".join(lot.ask_first) for lot in found],
        "well": [lot.well for lot in found],
        "may_have_second_system": [lot.second_system for lot in found],
        "year_built": years,
        "permit_on_file": _yes_no(land.parcels.flags("permit_on_file")),
        "public_sewer": _yes_no(land.parcels.flags("public_sewer")),
        f"lot_{area}": np.round(shapely.area(land.fabric.shapes_m) / SQUARE_METRES_PER_UNIT[area], 0),
        "cautions": ["" if lot.answer == NO_HOUSE else BEFORE_ANY_LID for lot in found],
    }
    notes = {
        "parcel_id": "Parcel",
        "expected": f"What is expected in the ground: {', '.join(ANSWERS)}",
        "likely": "Kinds of system that one expects, the commonest first",
        "possible": "Kinds that would be no surprise, the commonest first",
        "cesspool": "Whether a cesspool is likely, possible, may remain (on a sewer), not expected or unknown; not expected is no no",
        "basis": "What the expectation rests on",
        "reasons": "Why, in words",
        "standing": f"What '{rules.id}' says of these kinds, with section; where it says nothing, ask the health authority",
        "ask_first": "What closes the question soonest, in order",
        "well": "The well of the house: on record, presumed, or public water",
        "may_have_second_system": "Whether a second building may have a system of its own",
        "year_built": "Year of the house, as the parcel layer says",
        "permit_on_file": "Whether a permit is on file, as the parcel layer says",
        "public_sewer": "Whether the parcel is on a public sewer, as the parcel layer says",
        f"lot_{area}": "Area of the lot",
        "cautions": "Before anyone goes to a lid or a pit",
    }
    frame = GeoDataFrame(columns, geometry=land.frame.from_metres(land.fabric.shapes_m), crs=land.frame.crs)
    frame["year_built"] = frame["year_built"].astype("Int64")
    title = f"What is probably in the ground? Standing by {rules.title}"
    return LayerResult(FILE, "parcels", frame, legend_table.OLD_SYSTEMS, title, f"{title}. {SCREENING_AID}", notes)


def _kinds(kinds: Sequence[str]) -> str:
    return "; ".join(KINDS[kind] for kind in kinds)


def _yes_no(flags: npt.NDArray[np.object_]) -> list[str]:
    return ["unknown" if flag is None else "yes" if flag else "no" for flag in flags]
