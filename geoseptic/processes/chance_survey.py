"""Where to go first so that most undecided lots get an answer: as a layer, tables and a page for those who go."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.chance import survey
from geoseptic.chance.answers import BySize, of_100, tenths
from geoseptic.chance.draws import LOT_LINE, PRESUMED, WELL
from geoseptic.chance.visits import neighbourhoods, walk
from geoseptic.errors import listed
from geoseptic.model.cautions import BEFORE_A_LOT, BEFORE_AN_OLD_WELL, SCREENING_AID
from geoseptic.model.certainty import Certainty
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.results import Block, LayerResult, PageResult, Results, TableResult
from geoseptic.processes.chance_cases import InDoubt
from geoseptic.processes.land import Land
from geoseptic.processes.lots import Lots
from geoseptic.processes.uncertain import FILE, Uncertain

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

BUILDINGS, SOIL, BEDROOMS, BOTH = "buildings", "soil", "bedrooms", "soil and bedrooms"
CONDITION: Final = "open condition"

LEAST_PERCENT: Final = 1.0
"""What settles a lot in fewer of 100 cases is no reason to go there. Our own choice."""

MOST_NAMES: Final = 20
MOST_WALKS: Final = 40
"""Neighbourhoods on the page; the table has all."""

LEGEND: Final = VectorLegend(
    "What to survey first",
    "point",
    "what",
    (
        Swatch(WELL, "Locate a well", "#124a80"),
        Swatch(PRESUMED, "Find a presumed well", "#7b1f6e"),
        Swatch(LOT_LINE, "Survey a lot's lines", "#5c2a12"),
        Swatch(BUILDINGS, "Measure a lot's buildings", "#d68b48"),
        Swatch(SOIL, "Test the soil", "#60af61"),
        Swatch(BEDROOMS, "Ask for the bedrooms", "#efd183"),
        Swatch(CONDITION, "Settle a condition that is not known", "#d08bd4"),
        Swatch(BOTH, "Test the soil and ask for the bedrooms", "#2c7c41"),
    ),
)

NOTES: Final[Mapping[str, str]] = {
    "rank": "Place in the order of what settles most, 1 first",
    "what": "What to make known: well, presumed well, lot line, buildings, soil, bedrooms, open condition",
    "id": "Of which well or parcel",
    "settles": "How many undecided parcels get an answer by it, as the mean of what may come out",
    "parcels": f"Parcels that may get an answer by it, the likeliest first, {MOST_NAMES} at most",
    "words": "What to do",
    "neighbourhood": "Ground that one person can walk in a day, numbered by how much there is to settle, 1 first",
    "stop": "Order of a walk through the neighbourhood, from the stop that settles most",
    "within_m": "How far from this point the thing may be",
    "cautions": "Before anyone goes there",
}

OF_PARCEL: Final[Mapping[str, str]] = {
    "parcel_id": "Parcel that is undecided",
    "rank": "Place in the parcel's own order, 1 first",
    "what": NOTES["what"],
    "id": NOTES["id"],
    "settles_percent": "Chance that knowing it settles the parcel's answer",
    "decides_percent": "Share of the doubt that hangs on it alone; empty for soil, bedrooms and conditions",
    "words": NOTES["words"],
    "cautions": NOTES["cautions"],
}


@dataclass(frozen=True)
class Surveyed:
    """What may be looked at for undecided lots, one row a lot and thing, by lot and then the most settling first.

    lot, what, name : which lot it is for, and the thing. settles, of_doubt : as `settles` and `decides` of `chance.survey.Settling`, the
    second NaN of soil, bedrooms and conditions.
    decides, settled_by : of each lot of the run its first thing in words, None where there is none, and its chance in percent.
    open_near : of each lot of the run what near it hangs on a condition that is not known, in words.
    """

    lot: npt.NDArray[np.int64]
    what: Words
    name: Words
    settles: Floats
    of_doubt: Floats
    decides: Words
    settled_by: Floats
    open_near: Words


def surveyed(land: Land, searched: Lots, cases: Words, learnt: Words, chances: BySize, open_near: Words, certainty: Certainty) -> Surveyed:
    """What knowing each thing would do for each undecided lot; `learnt` as in `chance_fits.Drawn`, `open_near` has for each lot a list."""
    rows = [
        (lot, what, name, settles, of_doubt)
        for lot in np.flatnonzero([one is not None for one in learnt]).tolist()
        for what, name, settles, of_doubt in sorted(
            _of_lot(land, cases[lot], learnt[lot], lot, chances, certainty),
            key=lambda row: (-row[2], -np.nan_to_num(row[3]), row[0], row[1]),
        )
    ]
    decides, settled_by = np.full(len(searched), None, object), np.full(len(searched), np.nan)
    for lot, what, name, settles, _ in reversed(rows):
        decides[lot], settled_by[lot] = (what if name == str(land.fabric.ids[lot]) else f"{what} {name}"), float(tenths(settles))
    columns = list(zip(*rows, strict=True)) or [()] * 5
    return Surveyed(
        np.array(columns[0], np.int64),
        np.array(columns[1], object),
        np.array(columns[2], object),
        np.array(columns[3], np.float64),
        np.array(columns[4], np.float64),
        decides,
        settled_by,
        np.array([listed(words) for words in open_near], object),
    )


def _of_lot(
    land: Land, doubt: InDoubt, learnt: Floats, lot: int, chances: BySize, certainty: Certainty
) -> Iterator[tuple[str, str, float, float]]:
    own = str(land.fabric.ids[lot])
    wells = doubt.wells.ids.tolist()
    on_record = len(wells) - doubt.presumed
    things = [
        (LOT_LINE, own),
        (BUILDINGS, own),
        *((WELL if row < on_record else PRESUMED, str(name)) for row, name in enumerate(wells)),
    ]
    for (what, name), (settles, of_doubt) in zip(things, learnt.tolist(), strict=True):
        if settles > 0 or of_doubt > 0:
            yield what, name, settles, of_doubt
    largest, smallest, eased, least = (float(one.share[lot]) for one in (chances.largest, chances.smallest, chances.eased, chances.least))
    settles = survey.either_settles((largest, smallest), (eased, least), certainty)
    if settles > 0:
        yield CONDITION, own, settles, np.nan
    settles = survey.either_settles((largest, eased), (smallest, least), certainty)
    if settles > 0:
        yield _open_fact(land, lot), own, settles, np.nan


def _open_fact(land: Land, lot: int) -> str:
    if np.isfinite(land.parcels.numbers("bedrooms")[lot]):
        return SOIL
    known = np.isfinite(land.parcels.numbers("percolation_min_per_in")[lot]) or land.parcels.texts("soil")[lot] is not None
    return BEDROOMS if known else BOTH


def survey_results(land: Land, looked: Surveyed, uncertain: Uncertain) -> Results:
    """The layer `survey_first` of `chances.gpkg`, the tables and the page."""
    table, points_m = _visits(land, looked, uncertain)
    frame = GeoDataFrame(table, geometry=land.frame.from_metres(shapely.points(points_m)), crs=land.frame.crs)
    title = "What to survey first"
    description = (
        f"{title}: what makes most undecided parcels decided, each thing by itself, if a visit leaves no doubt of it. A parcel that hangs "
        f"on several things may need all of them. {SCREENING_AID}"
    )
    names = tuple(table)
    rows = tuple(tuple(row) for row in frame[list(names)].astype(object).itertuples(index=False, name=None))
    undecided = len(np.unique(looked.lot))
    return Results(
        layers=(LayerResult(FILE, "survey_first", frame, LEGEND, title, description, NOTES),),
        tables=(
            TableResult("survey_first", names, rows, title, NOTES),
            TableResult("survey_by_parcel", tuple(OF_PARCEL), tuple(_by_parcel(land, looked)), "What would settle each parcel", OF_PARCEL),
        ),
        pages=(PageResult("survey_first", title, tuple(_page(frame, undecided))),),
        counts={
            "parcels_undecided_by_places": undecided,
            "survey_visits": len(frame),
            "survey_neighbourhoods": int(frame.neighbourhood.max()) if len(frame) else 0,
        },
        warnings=(BEFORE_AN_OLD_WELL,) if len(frame) else (),
    )


def _visits(land: Land, looked: Surveyed, uncertain: Uncertain) -> tuple[dict[str, object], Floats]:
    """The columns of the layer, the most settling first, and the points. [m]"""
    owners: dict[tuple[str, str], list[tuple[float, str]]] = {}
    for lot, what, name, settles in zip(looked.lot.tolist(), looked.what, looked.name, looked.settles.tolist(), strict=True):
        if 100 * settles >= LEAST_PERCENT:
            owners.setdefault((what, name), []).append((settles, str(land.fabric.ids[lot])))
    total = {thing: sum(settles for settles, _ in found) for thing, found in owners.items()}
    things = sorted(owners, key=lambda thing: (-round(total[thing], 9), thing))
    points_m, within_m = _places(land, uncertain, things)
    settles = np.array([total[thing] for thing in things])
    group, stop = _walks(points_m, settles)
    open_near = {str(name): words for name, words in zip(land.fabric.ids, looked.open_near, strict=True)}
    best_first = [sorted(owners[thing], key=lambda pair: (-pair[0], pair[1])) for thing in things]
    return {
        "rank": np.arange(1, len(things) + 1),
        "what": [what for what, _ in things],
        "id": [name for _, name in things],
        "settles": np.round(settles, 2),
        "parcels": [", ".join(name for _, name in found[:MOST_NAMES]) for found in best_first],
        "words": [words_of(*thing, found, open_near.get(thing[1], "")) for thing, found in zip(things, best_first, strict=True)],
        "neighbourhood": group,
        "stop": stop,
        "within_m": np.round(within_m, 0),
        "cautions": [_cautions(what) for what, _ in things],
    }, points_m


def _places(land: Land, uncertain: Uncertain, things: list[tuple[str, str]]) -> tuple[Floats, Floats]:
    """Where to go for each thing, and how far from there it may be: (things, 2) and (things,). [m]"""
    everyone = uncertain.every_well
    kinds = [WELL] * len(uncertain.wells) + [PRESUMED] * len(uncertain.presumed)
    places = dict(zip(zip(kinds, map(str, everyone.ids), strict=True), zip(everyone.middle_m, everyone.reach_m, strict=True), strict=True))
    lots = {str(name): row for row, name in enumerate(land.fabric.ids)}
    points_m, within_m = np.empty((len(things), 2)), np.zeros(len(things))
    for row, (what, name) in enumerate(things):
        if what in (WELL, PRESUMED):
            points_m[row], within_m[row] = places[what, name]
        else:
            points_m[row] = shapely.get_coordinates(shapely.point_on_surface(land.fabric.shapes_m[lots[name]]))[0]
    return points_m, within_m


def _walks(points_m: Floats, settles: Floats) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Neighbourhood and stop of each visit, both from 1; the neighbourhood with most to settle comes first."""
    group = neighbourhoods(points_m)
    most = np.bincount(group, weights=settles)
    number = np.empty(len(most), np.int64)
    number[np.argsort(-np.round(most, 9), kind="stable")] = np.arange(1, len(most) + 1)
    stop = np.zeros(len(group), np.int64)
    for one in range(len(most)):
        own = np.flatnonzero(group == one)
        stop[own[walk(points_m[own])]] = np.arange(1, len(own) + 1)
    return number[group], stop


def words_of(what: str, name: str, found: list[tuple[float, str]], open_near: str = "") -> str:
    """What to do, and what that settles: words before numbers. `open_near` is what hangs on a condition by a parcel of that name."""
    total = sum(settles for settles, _ in found)
    task = {
        WELL: f"Locate well {name}",
        PRESUMED: f"Find out where the well of {name.removeprefix('presumed on ')} is, or that there is none",
        LOT_LINE: f"Have the lines of parcel {name} surveyed",
        BUILDINGS: f"Measure how far the buildings of parcel {name} are from its lines",
        SOIL: f"Have the soil of parcel {name} tested",
        BEDROOMS: f"Ask how many bedrooms the house on parcel {name} has",
        BOTH: f"Have the soil of parcel {name} tested and ask for the bedrooms",
        CONDITION: f"Find out for parcel {name} what is not known: {open_near}",
    }[what]
    names = listed([parcel for _, parcel in found])
    if len(found) == 1:
        whose = "its answer" if names == name else f"parcel {names}"
        return f"{task}: settles {whose} in {of_100(total)} of 100 cases."
    return f"{task}: may settle the parcels {names}; of these {len(found)} on average {total:.1f}."


def _cautions(what: str) -> str:
    return BEFORE_AN_OLD_WELL if what in (WELL, PRESUMED) else "" if what == BEDROOMS else BEFORE_A_LOT


def _by_parcel(land: Land, looked: Surveyed) -> Iterator[tuple[str | int | float | None, ...]]:
    before, rank = -1, 0
    for lot, what, name, settles, of_doubt in zip(
        looked.lot.tolist(), looked.what, looked.name, looked.settles.tolist(), looked.of_doubt.tolist(), strict=True
    ):
        rank = rank + 1 if lot == before else 1
        before = lot
        own = str(land.fabric.ids[lot])
        share = None if np.isnan(of_doubt) else float(tenths(of_doubt))
        yield (
            own,
            rank,
            what,
            name,
            float(tenths(settles)),
            share,
            words_of(what, name, [(settles, own)], str(looked.open_near[lot])),
            _cautions(what),
        )


def _page(frame: GeoDataFrame, undecided: int) -> Iterator[Block]:
    if not len(frame):
        yield "text", "No parcel is undecided for want of a place, of soil or of bedrooms that one visit alone would settle."
        return
    yield (
        "text",
        f"{undecided} parcels are undecided. Each visit is counted by itself; where a parcel hangs on two things, both must be known.",
    )
    yield "text", BEFORE_AN_OLD_WELL
    last = int(frame.neighbourhood.max())
    for number in range(1, min(last, MOST_WALKS) + 1):
        own = frame[frame.neighbourhood == number].sort_values("stop")
        yield "heading", f"Neighbourhood {number}: {len(own)} stops, on average {own.settles.sum():.1f} answers"
        for stop, words in zip(own.stop, own.words, strict=True):
            yield "item", f"Stop {stop}: {words}"
    if last > MOST_WALKS:
        yield "text", f"{last - MOST_WALKS} more neighbourhoods, with less to settle, are in survey_first.csv."
