"""The ranking as a layer and tables: every rank with the factors and words that it came from."""

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.model import legend_table
from geoseptic.model.cautions import BEFORE_ANY_LID, SCREENING_AID
from geoseptic.model.results import Cell, LayerResult, Results, TableResult
from geoseptic.model.rules import RuleSet
from geoseptic.processes.priority import OLD_PARTS, Exposed, Ground, Ranked
from geoseptic.processes.sizing_tables import unchecked

FILE = "priority"
NO_HOUSE = "no house on record"
OUTSIDE = "in none of the areas"
OWN_CHOICE = (
    "the values of the factors and their weights are our own choice, common practice without a source: the order says where to go first, "
    "and no parcel is clear for coming late"
)


def ranking_results(ground: Ground, exposed: Exposed, ranked: Ranked, rules: RuleSet) -> Results:
    """The layer, the tables, the counts, and what to doubt."""
    columns, notes = _columns(ground, exposed, ranked, rules)
    frame = GeoDataFrame(columns, geometry=ground.frame.from_metres(ground.shapes_m), crs=ground.frame.crs)
    title = "Which parcels come first"
    description = f"{title}: likely cesspool x wells exposed x wet season x no place for another. {OWN_CHOICE}. {SCREENING_AID}"
    first = np.lexsort((ground.ids.astype(str), ranked.order.rank))
    names = tuple(columns)
    rows = tuple(tuple(row) for row in frame[list(names)].iloc[first].astype(object).itertuples(index=False, name=None))
    tables = [TableResult("priority", names, rows, title, notes), _sensitivity(ranked)]
    if len(ground.areas_m):
        tables.append(_neighbourhoods(ground, exposed, ranked))
    last = ranked.order.rank <= ranked.top
    cited = dict.fromkeys(
        entry.citation
        for entry in rules.setbacks
        if entry.part in OLD_PARTS and entry.feature in set(ground.wells.feature) and not entry.relief
    )
    return Results(
        layers=(LayerResult(FILE, "parcels", frame, legend_table.PRIORITY, title, description, notes),),
        tables=tuple(tables),
        counts={
            "parcels": len(ground.ids),
            "among_the_first": int(last.sum()),
            "tied_with_another": int((ranked.order.tied > 1).sum()),
            "different_places": len(np.unique(ranked.order.rank)),
            "weights": dict(ranked.weights),
        },
        warnings=(*ground.notes, *exposed.notes, OWN_CHOICE, BEFORE_ANY_LID, *unchecked(cited)),
    )


def _columns(ground: Ground, exposed: Exposed, ranked: Ranked, rules: RuleSet) -> tuple[dict[str, object], dict[str, str]]:
    factors = {name: np.round(values, 3) for name, values in ranked.factors.items()}
    columns: dict[str, object] = {
        "parcel_id": ground.ids,
        "rank": ranked.order.rank,
        "tied": ranked.order.tied,
        "priority": _classes(ground, ranked),
        "score": np.round(ranked.score, 4),
        "f_cesspool": factors["cesspool"],
        "cesspool": ground.cesspool,
        "cesspool_basis": ground.cesspool_why,
        "f_wells": factors["wells"],
        "wells_exposed": exposed.count,
        "which_wells": [", ".join(names) for names in exposed.which],
        "own_well": ground.well_words,
        "f_season": factors["season"],
        "may_fail_in_wet_season": ground.season,
        "wet_season_reasons": ground.season_why,
        "f_replacement": factors["replacement"],
        "verdict": ground.verdict,
        "verdict_reasons": ground.verdict_why,
        "cautions": np.where(ground.cesspool.astype(str) == NO_HOUSE, "", BEFORE_ANY_LID).astype(object),
    }
    weights = ", ".join(f"{name} {weight:g}" for name, weight in ranked.weights.items())
    notes = {
        "parcel_id": "Parcel",
        "rank": "Its place in the order, 1 first; parcels of the same score share the best of their places",
        "tied": "How many parcels share this place, this one included",
        "priority": f"Class of the place: among the first {ranked.top}, in the first tenth, in the first or second half",
        "score": f"Product of the four factors, each to the power of its weight ({weights})",
        "f_cesspool": "Factor: how likely a cesspool is, from 0 to 1",
        "cesspool": "What the triage says of a cesspool",
        "cesspool_basis": "What that rests on",
        "f_wells": "Factor: wells exposed, 0.2 for none and half the way to 1 more with each",
        "wells_exposed": f"Wells that are or may be within the distance of '{rules.id}' of where the old system is presumed, or downslope",
        "which_wells": "Their names; presumed ones are on no record",
        "own_well": "The well of the house itself",
        "f_season": "Factor: whether it may fail in the wet season",
        "may_fail_in_wet_season": "The same in words; no sign found clears nothing",
        "wet_season_reasons": "Signs, and what could not be looked at",
        "f_replacement": "Factor: whether a conforming system has no place on the lot",
        "verdict": "Whether one fits, by the screening; unknown where the parcel was not screened",
        "verdict_reasons": "What binds there",
        "cautions": "Before anyone goes to a lid or a pit",
    }
    return columns, notes


def _classes(ground: Ground, ranked: Ranked) -> npt.NDArray[np.object_]:
    rank, count = ranked.order.rank, len(ranked.order.rank)
    found = np.full(count, "second half", object)
    found[rank <= count / 2] = "first half"
    found[rank <= count / 10] = "first tenth"
    found[rank <= ranked.top] = "first"
    found[ground.cesspool.astype(str) == NO_HOUSE] = NO_HOUSE
    return found


def _sensitivity(ranked: Ranked) -> TableResult:
    notes = {
        "factor": "Factor whose weight moves",
        "weight": "Its weight, which moves by a fifth down and up",
        "first": f"Parcels whose rank is at most {ranked.top}, ties included",
        "stay": "How many of them still are",
        "stay_percent": "The same in percent",
        "enter": "How many others come in",
    }
    rows = tuple(
        (move.factor, round(move.weight, 3), move.first, move.stay, round(100 * move.stay / move.first, 1), move.enter)
        for move in ranked.moved
    )
    return TableResult("sensitivity", tuple(notes), rows, "How firm the first parcels are", notes, markdown=True)


def _neighbourhoods(ground: Ground, exposed: Exposed, ranked: Ranked) -> TableResult:
    """Counts by area; a parcel belongs to every area that holds a point within it, so one on overlapping areas counts in each."""
    points = shapely.point_on_surface(ground.shapes_m)
    parcel, area = shapely.STRtree(ground.areas_m).query(points, predicate="intersects")
    names = ground.area_names[area]
    outside = np.setdiff1d(np.arange(len(points)), parcel)
    parcel, names = np.concatenate([parcel, outside]), np.concatenate([names, np.full(len(outside), OUTSIDE, object)])
    notes = {
        "name": "Area",
        "parcels": "Parcels in it",
        "cesspool_likely": "Of these, cesspool likely",
        "cesspool_possible": "Cesspool possible",
        "cesspool_unknown": "Not known",
        "wells_exposed": "Different wells that are or may be exposed to one of them",
        "may_fail_in_wet_season": "May fail in the wet season",
        "does_not_fit": "No conforming system fits on the lot",
        "among_first": f"Among the first {ranked.top}",
        "best_rank": "Best rank",
        "middle_rank": "Middle rank (median)",
    }
    rows: list[tuple[Cell, ...]] = []
    for name in sorted(set(names.tolist()) | set(ground.area_names.tolist()), key=lambda word: (word == OUTSIDE, str(word))):
        own = parcel[names == name]
        ranks = ranked.order.rank[own]
        wells = {well for row in own.tolist() for well in exposed.which[row]}
        rows.append(
            (
                str(name),
                len(own),
                *(int((ground.cesspool[own] == word).sum()) for word in ("likely", "possible", "unknown")),
                len(wells),
                int((ground.season[own] == "yes").sum()),
                int((ground.verdict[own] == "does not fit").sum()),
                int((ranks <= ranked.top).sum()),
                int(ranks.min()) if len(own) else None,
                float(np.median(ranks)) if len(own) else None,
            )
        )
    rows.sort(key=lambda row: (row[0] == OUTSIDE, -int(row[8] or 0), str(row[0])))
    return TableResult("neighbourhoods", tuple(notes), tuple(rows), "The order by area", notes)
