"""The chance that a field, and a field with its reserve, fit on each lot: in how many draws the search finds room for them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from geopandas import GeoDataFrame

from geoseptic.chance import survey
from geoseptic.chance.answers import ANSWERS, CANNOT_SAY, CERTAIN, Answers, BySize, Chances, answers, in_words, tenths
from geoseptic.chance.fits import ONCE, WAYS, Case, Fits, Places, fits
from geoseptic.errors import CodeSilentError, SizingError, listed
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.certainty import Certainty
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.results import LayerResult, Results, merged
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.onelot import without_culprits
from geoseptic.processes import chance_survey, lot_sizes, lots
from geoseptic.processes.accounts import failure
from geoseptic.processes.chance_cases import Around, around, case_of, cases_of, eased, in_reach, open_conditions
from geoseptic.processes.land import Land
from geoseptic.processes.layouts import Setting
from geoseptic.processes.lot_ground import LotGround, terrains_of
from geoseptic.processes.lots import NO_ROOM, Lots
from geoseptic.processes.screening_legends import SURE
from geoseptic.processes.soil_ground import SoilLayers, named_soils
from geoseptic.processes.tables import polygons
from geoseptic.processes.uncertain import FILE, Uncertain
from geoseptic.processes.workers import pool_of
from geoseptic.stages import stage
from geoseptic.systems.gravity import Burial

Floats = npt.NDArray[np.float64]

NORMAL_95: Final = 1.959964
"""Half the width of 95 percent of a normal distribution, in standard deviations."""

NOT_JUDGED: Final = "not judged"
NOT_JUDGED_COLOUR: Final = "#6f6f6f"
LEGEND: Final = VectorLegend(
    "Do field and reserve fit, and how sure is that?",
    "polygon",
    "answer_class",
    (*SURE.swatches, Swatch(NOT_JUDGED, "Not judged: see why, this is no clearance", NOT_JUDGED_COLOUR, hatch=True)),
)
"""The answer and how sure it is, in the colours and words of sheets and county map."""

NOTES: Final[Mapping[str, str]] = {
    "parcel_id": "Parcel",
    "answer": "Whether field and reserve fit: fits, does not fit, cannot say",
    "sure": "How sure that is: certain, likely, cannot say; by the thresholds of the rule set, and never certain beside a well that is "
    "placed by a section, a lot or presumption alone and could matter",
    "in_words": "The same in a sentence",
    "answer_class": "Answer and how sure it is in one, as the map is coloured; not judged where there is no chance",
    "chance_primary": "Share of the draws in which the primary field fits, in percent; empty where the lot is not judged",
    "primary_low": "That share's 95 percent interval for so many draws (Wilson): from",
    "primary_high": "That interval: to",
    "chance_both": "Share of the draws in which the primary field and its reserve fit, in percent",
    "both_low": "That share's 95 percent interval for so many draws (Wilson): from",
    "both_high": "That interval: to",
    "chance_if_smallest": "The same for the smallest field that soil and house leave open",
    "if_smallest_low": "That share's 95 percent interval for so many draws (Wilson): from",
    "if_smallest_high": "That interval: to",
    "chance_if_not_required": "As chance_both, if all that may be required near the lot for another reason than a place turns out not "
    "to be; empty where nothing near it hangs on that",
    "if_not_required_low": "That share's 95 percent interval for so many draws (Wilson): from",
    "if_not_required_high": "That interval: to",
    "open_conditions": "What that is: distances that hang on a condition which nobody has stated, or on the lie of ground of which not "
    "enough is known or round a well of uncertain place. They count as required in every other column",
    "decides": "Of an undecided lot the thing that knowing settles most, or on which most of the doubt hangs",
    "settled_by": "Chance that knowing it settles the answer, in percent; 0 where more than that must be known",
    "line_error_m": "How far the lot's lines are taken to lie off: one standard deviation along each axis, in metres",
    "building_error_m": "The same of the buildings as they are seen from the lot, which lie off as one: the largest error of those whose "
    "distance may reach it",
    "draws": "How many draws the shares are of; 1 where nothing that reaches the lot is uncertain",
    "why_not": "Why the lot is not judged",
    "never_certain": "Wells in reach that are placed by a section, a lot or presumption alone: no share here is a certainty",
    "decided_by": "How many draws were decided by what",
}


@dataclass(frozen=True)
class Drawn:
    """What fits in each draw of some lots, as in `chance.fits.Fits`; shapes (lots, draws) and (lots,).

    at_best : whether the smallest field that soil and house leave open fits, with its reserve.
    eased : whether the largest does if open conditions turn out not to hold. least : whether the smallest does then.
    is_open : whether a condition is open near the lot; where none is, nothing is eased.
    wells_matter : whether a field might fit were there no roughly placed wells.
    learnt : what knowing each thing would do, rows of `settles` and `decides` (things, 2) in the order of `chance.survey`; None where the
    lot is not undecided.
    """

    kind: npt.NDArray[np.int8]
    at_best: npt.NDArray[np.bool_]
    eased: npt.NDArray[np.bool_]
    least: npt.NDArray[np.bool_]
    is_open: npt.NDArray[np.bool_]
    decided: npt.NDArray[np.int8]
    wells_matter: npt.NDArray[np.bool_]
    learnt: npt.NDArray[np.object_]


def drawn_lots(searched: Lots, setting: Setting, cases: npt.NDArray[np.object_], certainty: npt.NDArray[np.object_]) -> Drawn:
    """What fits in each draw of each lot; -1 in `decided` for those of which nothing can be said."""
    count = max((one.draws.count for one in cases if one is not None), default=0)
    kind, decided = np.zeros((len(searched), count), np.int8), np.full((len(searched), count), -1, np.int8)
    at_best, without, at_least = (np.zeros((len(searched), count), bool) for _ in range(3))
    is_open = np.zeros(len(searched), bool)
    matter, learnt = np.ones(len(searched), bool), np.full(len(searched), None, object)
    for lot, doubt in enumerate(cases):
        if doubt is None or searched.why_not[lot]:
            continue
        case, places, sizes = case_of(searched, lot, doubt, setting), doubt.places(), searched.sizes[lot]
        found = fits(case, places)
        kind[lot], decided[lot] = found.kind, found.decided
        smallest = case if sizes.smallest == sizes.largest else replace(case, asked=((sizes.smallest, setting.terrain, True),))
        eased_case, least = eased(case, doubt), eased(smallest, doubt)
        # Where the largest fits, so does the smallest, on less of the same ground; and with less to keep clear of, what fits still does.
        both = found.kind == 2
        at_best[lot], one = _also(smallest, places, both, case)
        without[lot], other = _also(eased_case, places, both, case)
        at_least[lot], last = _also(least, places, at_best[lot] | without[lot], smallest, eased_case)
        asked = [found, *(more for more in (one, other, last) if more is not None)]
        is_open[lot] = doubt.eased is not None
        rough = doubt.wells.rough
        if rough.any() and not at_least[lot].any():
            either = least if least.asked == case.asked else replace(least, asked=(*least.asked, *case.asked))
            matter[lot] = (fits(*without_wells(either, places, rough)).kind == 2).any()
        if not survey.decided(both.mean(), at_least[lot].mean(), certainty[lot]):
            learnt[lot] = _learnt(case, least, places, asked, certainty[lot])
    return Drawn(kind, at_best, without, at_least, is_open, decided, matter, learnt)


def _also(case: Case, places: Places, fitting: npt.NDArray[np.bool_], *known: Case) -> tuple[npt.NDArray[np.bool_], Fits | None]:
    """In which draws field and reserve fit in this case, where they do in `fitting` at least; the `known` cases are not asked again."""
    rest = np.flatnonzero(~fitting)
    if not len(rest) or any(case is one for one in known):
        return fitting, None
    found, more = fits(case, places.kept(rest)), fitting.copy()
    more[rest] = found.kind == 2
    return more, found


def without_wells(case: Case, places: Places, rows: npt.NDArray[np.bool_]) -> tuple[Case, Places]:
    """The same lot without these of its wells."""
    field = replace(case.field, wells_m=case.field.wells_m[~rows])
    reserve = field if case.same else replace(case.reserve, wells_m=case.reserve.wells_m[~rows])
    return replace(case, field=field, reserve=reserve), replace(places, wells_m=np.ascontiguousarray(places.wells_m[:, ~rows]))


def _learnt(case: Case, least: Case, places: Places, asked: Sequence[Fits], certainty: Certainty) -> Floats:
    """What knowing each thing would do, shape (things, 2); `asked` is what was found, in the case itself first."""
    rest = [layout for found in asked[1:] for layout in found.drawn]
    cases, drawn = ([case], [asked[0].drawn]) if least is case else ([case, least], [asked[0].drawn, rest])
    bits = survey.known_of(cases, places, drawn)
    known = survey.settling(bits[0], bits[-1], certainty)
    return np.column_stack([known.settles, known.decides])


@stage("chance of fitting")
def fit_results(
    land: Land,
    rules: RuleSet,
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: LotGround,
    ground_facts: Any,
    soil: SoilLayers,
    uncertain: Uncertain,
    window_m: float,
    workers: int,
) -> Results:
    """The layer `parcels` of `chances.gpkg`."""
    searched, failed = lots_in_doubt(land, rules, soil)
    field, reserve = (around(land, rules, part, facts, granted, ground_facts, uncertain, workers) for part in ("drain_field", "reserve"))
    cases, astray = cases_of(land, searched, field, reserve, uncertain)
    searched = searched.barred(astray)
    cases[searched.why_not != ""] = None
    setting = Setting(*terrains_of(ground, window_m, workers), Burial())
    with pool_of(setting, workers, len(searched)) as pool:
        found, lost = pool.each(drawn_lots, searched, cases, np.full(len(searched), rules.certainty, object))
    for row, why in lost.items():
        searched.why_not[row] = why
    drawn = _joined(found, uncertain.draws.count)
    rough = _rough(searched, (field.strict, reserve.strict), uncertain)
    chances = BySize(*(_chances(searched, drawn, fitting) for fitting in (drawn.kind == 2, drawn.at_best, drawn.eased, drawn.least)))
    answered = answers(
        chances.largest, chances.least, np.array([bool(names) for names in rough], bool) & drawn.wells_matter, rules.certainty
    )
    told = in_words(answered, chances, rough, searched.why_not, rules.certainty)
    open_near = open_conditions(searched.shapes_m, field, reserve)
    looked = chance_survey.surveyed(land, searched, cases, drawn.learnt, chances, open_near, rules.certainty)
    layer = _layer(land, searched, drawn, chances, rough, open_near, answered, told, looked, uncertain)
    ways = np.bincount(drawn.decided[drawn.decided >= 0], minlength=len(WAYS)).tolist()
    judged = searched.why_not == ""
    own = Results(
        layers=(layer,),
        counts={
            **{f"answer_{word}".replace(" ", "_"): int(np.count_nonzero(judged & (answered.answer == word))) for word in ANSWERS},
            "answers_certain": int(np.count_nonzero(answered.sure == CERTAIN)),
            "certain_from": rules.certainty.certain,
            "likely_from": rules.certainty.likely,
            "thresholds_from": rules.certainty.basis,
            "parcels_judged": int(np.count_nonzero(judged)),
            "draws_decided_by": dict(zip(WAYS, ways, strict=True)),
        },
        warnings=(
            "chances of fitting hold for the largest field that soil and house leave open, with heights, soil and the lie of the water as "
            "they are given; the tank, pipes and what lies under the field are not in them, and ground of which nothing is known counts as "
            "no room",
        ),
        failures=tuple(failure(land, row, "chance of fitting", why) for row, why in sorted({**failed, **astray, **lost}.items())),
    )
    return merged(own, chance_survey.survey_results(land, looked, uncertain))


def lots_in_doubt(land: Land, rules: RuleSet, soil: SoilLayers) -> tuple[Lots, dict[int, str]]:
    """The lots with their houses and sizes and why some are not judged, and at which a step failed."""
    soils, failed = without_culprits(
        lambda ignored: named_soils(soil, rules, lots.without_rows(land.fabric.shapes_m, ignored)), len(land.fabric.ids)
    )
    why_not: dict[int, str] = {**land.fabric.spoilt, **failed}
    for lot, others in land.fabric.stacked_with.items():
        why_not.setdefault(lot, f"the same ground is also that of {listed(land.fabric.ids[list(others)].tolist())}")
    lived_in, _ = lots.dwellings(land)
    for lot in np.flatnonzero(lived_in > 1).tolist():
        why_not.setdefault(lot, f"{lived_in[lot]} dwellings on the lot: the field is sized for one")
    sizes = np.full(len(land.fabric.ids), None, object)
    try:
        sizes[:] = lot_sizes.sizes_of(land.parcels, soils, rules)
    except (SizingError, CodeSilentError) as error:
        why_not |= {lot: why_not.get(lot) or str(error) for lot in range(len(sizes))}
    for lot, size in enumerate(sizes):
        if size is not None and (size.in_doubt or size.largest is None):
            why_not.setdefault(lot, size.in_doubt or size.size.why_not)
    nothing = np.full(len(sizes), NO_ROOM, object)
    words = np.array([why_not.get(lot, "") for lot in range(len(sizes))], object)
    blank = dict.fromkeys([column.name for column in fields(Lots)], nothing)
    own = {"shapes_m": land.fabric.shapes_m, "houses_m": lots.houses(land), "why_not": words, "sizes": sizes}
    return Lots(**{**blank, **own}), failed


def _rough(searched: Lots, parts: Sequence[Around], uncertain: Uncertain) -> list[list[str]]:
    """For each lot the wells that may be nearer to it than their distance and whose place leaves nothing certain."""
    everyone, keep_m = uncertain.every_well, np.max([part.wells_m for part in parts], axis=0)
    near = in_reach(searched.shapes_m, everyone, keep_m, uncertain.line_sigmas_m)
    return [[str(name) for name in everyone.ids[rows[everyone.rough[rows]]]] for rows in near]


def _joined(found: Sequence[Drawn], draws: int) -> Drawn:
    def rows(name: str) -> Any:
        parts = [getattr(one, name) for one in found]
        if name in ("is_open", "wells_matter", "learnt"):
            return np.concatenate(parts)
        # Chunks without any lot to judge know of no draws.
        unknown = -1 if name == "decided" else 0
        return np.concatenate([part if part.shape[1] else np.full((len(part), draws), unknown, part.dtype) for part in parts])

    return Drawn(*(rows(column.name) for column in fields(Drawn)))


def _chances(searched: Lots, drawn: Drawn, fitting: npt.NDArray[np.bool_]) -> Chances:
    """The chance of what is `fitting` in each draw, NaN for lots that are not judged."""
    judged = searched.why_not == ""
    return Chances(*(np.where(judged, end, math.nan) for end in shares(fitting, drawn)))


def shares(fitting: npt.NDArray[np.bool_], drawn: Drawn) -> tuple[Floats, Floats, Floats]:
    """For each lot the share of draws that are `fitting`, and its interval. Shape (lots,)."""
    count = np.where((drawn.decided == ONCE).any(axis=1), 1, fitting.shape[1])
    hits = np.where(count == 1, fitting[:, 0], fitting.sum(axis=1))
    low, high = wilson(hits, count)
    share = hits / count
    return share, np.where(count == 1, share, low), np.where(count == 1, share, high)


def wilson(hits: npt.ArrayLike, count: npt.ArrayLike) -> tuple[Floats, Floats]:
    """The 95 percent interval of a chance of which `hits` of `count` independent draws are known (wilson1927)."""
    k, n, z = np.asarray(hits, np.float64), np.asarray(count, np.float64), NORMAL_95
    middle, half = (k + z * z / 2) / (n + z * z), z * np.sqrt(k * (n - k) / n + z * z / 4) / (n + z * z)
    return np.where(k == 0, 0.0, middle - half), np.where(k == n, 1.0, middle + half)


def _layer(
    land: Land,
    searched: Lots,
    drawn: Drawn,
    found: BySize,
    rough: list[list[str]],
    open_near: npt.NDArray[np.object_],
    answered: Answers,
    told: list[str],
    looked: chance_survey.Surveyed,
    uncertain: Uncertain,
) -> LayerResult:
    """The layer `parcels`; `found` has the chances of a field with its reserve, `rough` and `open_near` what near each lot is in doubt."""
    judged = searched.why_not == ""
    columns: dict[str, object] = {"parcel_id": land.fabric.ids, "answer": answered.answer, "sure": answered.sure, "in_words": told}
    columns["answer_class"] = _classes(answered, judged)
    of_open = drawn.is_open & judged
    eased = Chances(*(np.where(of_open, end, math.nan) for end in (found.eased.share, found.eased.low, found.eased.high)))
    named = {
        "primary": _chances(searched, drawn, drawn.kind >= 1),
        "both": found.largest,
        "if_smallest": found.smallest,
        "if_not_required": eased,
    }
    for name, own in named.items():
        for column, values in ((f"chance_{name}", own.share), (f"{name}_low", own.low), (f"{name}_high", own.high)):
            columns[column] = tenths(values)
    columns["open_conditions"] = [listed(words) if there and words else None for words, there in zip(open_near, of_open, strict=True)]
    columns |= {"decides": looked.decides, "settled_by": looked.settled_by}
    columns |= {"line_error_m": np.round(uncertain.line_sigmas_m, 3), "building_error_m": np.round(uncertain.building_sigmas_m, 3)}
    once = (drawn.decided == ONCE).any(axis=1)
    columns["draws"] = [(1 if one else drawn.kind.shape[1]) if there else None for one, there in zip(once, judged, strict=True)]
    columns["why_not"] = [words or None for words in searched.why_not]
    columns["never_certain"] = [listed(names) or None if names else None for names in rough]
    columns["decided_by"] = [_ways(row) if there else None for row, there in zip(drawn.decided, judged, strict=True)]
    frame = GeoDataFrame(columns, geometry=land.frame.from_metres(polygons(land.fabric.shapes_m)), crs=land.frame.crs)
    title = "Chance that a field, and a field with its reserve, fit on each parcel"
    description = f"{title}. {SCREENING_AID}"
    return LayerResult(FILE, "parcels", frame, LEGEND, title, description, NOTES)


def _classes(answered: Answers, judged: npt.NDArray[np.bool_]) -> list[str]:
    """The class of each lot in the legend."""
    return [
        NOT_JUDGED if not there else CANNOT_SAY if answer == CANNOT_SAY else f"{answer}, {sure}"
        for answer, sure, there in zip(answered.answer, answered.sure, judged, strict=True)
    ]


def _ways(decided: npt.NDArray[np.int8]) -> str:
    counts = np.bincount(decided[decided >= 0], minlength=len(WAYS)).tolist()
    return ", ".join(f"{name} {count}" for name, count in zip(WAYS, counts, strict=True) if count)
