"""What a soil-survey map unit says of an absorption field: the federal rating, and the code's separation from rock and water.

A map unit is coarser than a lot, so nothing here replaces a test hole. What the survey does not say stays unknown: an empty depth means
"none reported in the described depth", so it counts as none down to that depth where the described depth is stated, and is unknown where it
is not. It is never zero, and never "none at all".
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import pandas as pd

from geoseptic.model.checking import CheckedLayer
from geoseptic.model.layers import SOILS
from geoseptic.model.rules import EXCLUSIVE, with_exclusions
from geoseptic.model.soil_rules import (
    CLASSES,
    PROPERTIES,
    RATED_DEPTH_M,
    UNKNOWN,
    Criterion,
    SoilProperties,
    SoilRating,
    Span,
    VerticalSeparation,
)

Separation = Literal["holds", "fails", "unknown"]
Row = Mapping[str, object]

CEMENTED: Final = ("duripan", "petrocalcic", "petroferric", "petrogypsic", "ortstein", "placic", "cemented")
"""Words in the kind of a restrictive layer that make it a cemented pan. From memory."""

MAY_PASS_WATER: Final = ("textural",)
"""Words in the kind of a layer that slows water without stopping it: whether a code calls it impermeable is open. From memory."""

WET_DRAINAGE: Final = frozenset({"somewhat poorly drained", "poorly drained", "very poorly drained", "subaqueous"})
"""Drainage classes that a soil has because water stands in it: no water table on record is then a gap in the record. From memory."""

HYDROLOGIC_GROUP: Final = re.compile(r"[abcd]|[abc]/d")
"""The four groups, and the dual ones (neh-630-7; key in data/references.toml)."""

DRAINED_M: Final = 0.6
"""A soil of a dual group counts as drained where seasonal high water is kept at least so deep, 24 in; undrained it is higher (neh-630-7;
key in data/references.toml)."""

ALWAYS_ASKED: Final = ("bedrock", "impermeable_layer", "high_water")
"""What a code that is silent on it leaves unknown."""

ROOM_TOLERANCE_M: Final = 1e-6

MOST: Final = {column.name: column.high for column in SOILS.columns}
"""Column -> the largest number that a survey may have there."""


# --- from the survey's columns -------------------------------------------------------------------------------------------------


def soil_properties(layer: CheckedLayer) -> list[SoilProperties]:
    """The properties of each polygon of a layer that holds the contract SOILS."""
    return [properties({name: values[number] for name, values in layer.columns.items()}) for number in range(len(layer))]


def properties(row: Row) -> SoilProperties:
    """One map unit in SI, from the survey's columns (names and units: SOILS in model/layers.py).

    A column that is absent from `row` was not brought: unknown. One that is there but empty was looked for: for depths see the module's
    head, for everything else unknown too. A negative number is unknown, and one beyond what the contract has for a depth.
    """
    described_m = _number(row, "described_cm") / 100
    if math.isnan(described_m):
        described_m = _number(row, "hzdepb_r") / 100
    kind = _word(row, "reskind") or ""
    restricted = _depth(row, "resdept_r", described_m)
    if kind and not restricted.is_known:
        # A layer is named, so an empty depth is a gap in the record and not "none".
        restricted = UNKNOWN
    # The record may be the shallowest of several, so another kind of layer may lie below it, but none above.
    below = Span(restricted.low, math.inf)
    none_reported = "reskind" in row and not kind and restricted.low > 0 and not restricted.is_known
    is_rock = "bedrock" in kind
    is_pan = any(word in kind for word in CEMENTED)
    is_tight = bool(kind) and not is_rock and not any(word in kind for word in MAY_PASS_WATER)
    rock = _depth(row, "brockdepmin", described_m)
    if is_rock:
        rock = _both(rock, restricted) if rock.is_known else restricted
    return SoilProperties(
        slope_percent=Span.of(_number(row, "slopegraddcp")),
        bedrock_m=rock,
        pan_m=restricted if is_pan else below,
        water_m=_water(row, described_m),
        ksat_um_s=_permeability(row),
        flooding=_word(row, "flodfreqdcd"),
        ponding_percent=_share(_word(row, "pondfreqprs")),
        stones_percent=Span.of(_number(row, "frag_over_3in")),
        subsidence_m=Span.of(_number(row, "totalsub_r") / 100),
        permafrost="present" if "permafrost" in kind else "absent" if kind or none_reported else None,
        restriction_m=restricted if is_tight else below,
        soil=_word(row, "soil"),
        hydrologic_group=hydrologic_group(row),
    )


def hydrologic_group(row: Row) -> str | None:
    """A to D, or a dual group such as "B/D"; None where the survey has none, or a word that is no group."""
    word = _word(row, "hydgrpdcd")
    return word.upper() if word and HYDROLOGIC_GROUP.fullmatch(word) else None


def is_dual(group: str | None) -> bool:
    """Whether high water lies in the soil unless somebody keeps it drained."""
    return group is not None and "/" in group


def _depth(row: Row, name: str, described_m: float) -> Span:
    if name not in row:
        return UNKNOWN
    value_m = _number(row, name) / 100
    if not math.isnan(value_m):
        return Span.of(value_m)
    is_empty = _is_empty(row[name])
    return Span(described_m, math.inf) if is_empty and not math.isnan(described_m) else UNKNOWN


def _water(row: Row, described_m: float) -> Span:
    """The least depth in a year. The spring's alone is only a bound: another season may be wetter.

    A depth recorded of a soil with a dual hydrologic group may be that of its drained state: it says how deep water lies at most.
    """
    recorded = _recorded_water(row, described_m)
    if is_dual(hydrologic_group(row)) and recorded.low >= DRAINED_M:
        return Span(-math.inf, recorded.high)
    return recorded


def _recorded_water(row: Row, described_m: float) -> Span:
    spring = _depth(row, "wtdepaprjunmin", described_m)
    if "wtdepannmin" not in row:
        return Span(-math.inf, spring.high)
    year = _depth(row, "wtdepannmin", described_m)
    if not year.is_known and _word(row, "drclassdcd") in WET_DRAINAGE:
        year = UNKNOWN
    return Span(min(year.low, spring.low), min(year.high, spring.high)) if spring.is_known else year


def _permeability(row: Row) -> Span:
    """Unknown where the horizon is stated and lies outside the depths that are rated."""
    top_m, bottom_m = _number(row, "hzdept_r") / 100, _number(row, "hzdepb_r") / 100
    if top_m >= RATED_DEPTH_M[1] or bottom_m <= RATED_DEPTH_M[0]:
        return UNKNOWN
    return Span.of(_number(row, "ksat_r"))


def _share(words: str | None) -> Span:
    """Percent as a number or as a class such as "0-14%"."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)(?:\s*-\s*(\d+(?:\.\d+)?))?\s*%?", words or "")
    if match is None:
        return UNKNOWN
    return Span(float(match[1]), float(match[2] or match[1]))


def _both(first: Span, second: Span) -> Span:
    """Two records of one depth: the shallower; one that says nothing leaves the other as it is."""
    if UNKNOWN in (first, second):
        return second if first == UNKNOWN else first
    return first.shallower(second)


def _number(row: Row, name: str) -> float:
    value = row.get(name)
    if _is_empty(value):
        return math.nan
    number = float(value)  # type: ignore[arg-type]  # the contract has made it a number
    return number if 0 <= number < math.inf and number <= MOST.get(name, math.inf) else math.nan


def _word(row: Row, name: str) -> str | None:
    value = row.get(name)
    return None if _is_empty(value) else str(value).strip().casefold() or None


def _is_empty(value: object) -> bool:
    return value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))


# --- the federal rating --------------------------------------------------------------------------------------------------------


def interpretation(soil: SoilProperties, criteria: Sequence[Criterion]) -> SoilRating:
    """The federal rating for septic tank absorption fields.

    Each criterion gives a class, or two where its property is known in part or not at all; the worst of all counts. So one severe feature
    makes a soil severe whatever else is unknown, and a soil of which one property is missing is at best unknown.
    soil-survey-ratings; key in data/references.toml.
    """
    ends = [(criterion, *_ends(soil, criterion)) for criterion in criteria]
    at_best = max((best for _, best, _ in ends), default=0)
    at_worst = max((worst for *_, worst in ends), default=len(CLASSES) - 1)
    return SoilRating(
        CLASSES[at_best],
        CLASSES[at_worst],
        _distinct(criterion.feature for criterion, best, _ in ends if best == at_best > 0),
        _distinct(PROPERTIES[criterion.property] for criterion, _, worst in ends if worst > at_best),
    )


def worst_of(ratings: Sequence[SoilRating]) -> SoilRating:
    """Several soils under one field; of none, everything is unknown."""
    if not ratings:
        return SoilRating("slight", "severe", (), ("soil",))
    at_best = max((rating.at_best for rating in ratings), key=CLASSES.index)
    at_worst = max((rating.at_worst for rating in ratings), key=CLASSES.index)
    return SoilRating(
        at_best,
        at_worst,
        _distinct(name for rating in ratings if rating.at_best == at_best for name in rating.limiting),
        _distinct(name for rating in ratings if CLASSES.index(rating.at_worst) > CLASSES.index(at_best) for name in rating.unknown),
    )


def _ends(soil: SoilProperties, criterion: Criterion) -> tuple[int, int]:
    """Places in CLASSES of the best and the worst that the criterion may give."""
    value = getattr(soil, criterion.property)
    if isinstance(value, Span):
        low, high = (CLASSES.index(criterion.rating(end)) for end in (value.low, value.high))
        return min(low, high), max(low, high)
    if value not in criterion.words:
        return 0, len(CLASSES) - 1
    found = CLASSES.index(criterion.words[value])
    return found, found


def _distinct(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))


# --- vertical separation -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NeededSeparation:
    """What a code asks above one thing: at least `least_m` in any case, and up to `most_m` (by `line`) where open conditions hold."""

    above: str
    measured_from: str
    least_m: float
    most_m: float
    line: VerticalSeparation


@dataclass(frozen=True)
class SeparationCheck:
    """One line of the code against one place. `room_m` is the soil between the field (or the ground) and what limits it."""

    needed: NeededSeparation
    room_m: Span
    verdict: Separation


@dataclass(frozen=True)
class VerticalVerdict:
    """The worst of all checks; unknown also where the code (or what was read of it) is silent on rock, tight layers or water."""

    verdict: Separation
    checks: tuple[SeparationCheck, ...]
    silent_on: tuple[str, ...]


def separation(needed_m: float, trench_bottom_depth_m: float, limiting_depth_m: float | Span) -> Separation:
    """Whether `needed_m` of soil lie between the bottom of a trench and what limits it; depths from the ground down, NaN = unknown.

    Where no depth is enough (infinite), it is not known what else the code would let one build.
    """
    if math.isinf(needed_m):
        return "unknown"
    limit = limiting_depth_m if isinstance(limiting_depth_m, Span) else Span.of(limiting_depth_m)
    deep_enough_m = needed_m + trench_bottom_depth_m - ROOM_TOLERANCE_M
    if limit.low >= deep_enough_m:
        return "holds"
    return "fails" if limit.high < deep_enough_m else "unknown"


def needed_separations(
    lines: Sequence[VerticalSeparation],
    known: Mapping[str, bool] | None = None,
    percolation_min_per_in: float | None = None,
    soil: str | None = None,
) -> tuple[NeededSeparation, ...]:
    """What is asked above each thing that the lines name, by what is known of the site.

    Parameters
    ----------
    known : condition of the rules -> whether it holds; one not named is unknown, and what it might ask counts in `most_m`.
    percolation_min_per_in : None where not tested.
    soil : by the name that the rules have for it; None where not known.

    Raises
    ------
    ParameterError : a name in `known` is no condition, or two that exclude each other are said to hold.
    """
    facts = with_exclusions(known or {})
    groups: dict[tuple[str, str], list[VerticalSeparation]] = {}
    for line in lines:
        groups.setdefault((line.above, line.measured_from), []).append(line)
    return tuple(_needed(group, _Site(facts, percolation_min_per_in, soil)) for group in groups.values())


def vertical_verdict(
    lines: Sequence[VerticalSeparation],
    soil: SoilProperties,
    trench_bottom_depth_m: float,
    known: Mapping[str, bool] | None = None,
    percolation_min_per_in: float | None = None,
    groundwater_m: Span = UNKNOWN,
) -> VerticalVerdict:
    """The code's vertical separation at one place.

    Parameters
    ----------
    lines : `vertical_separation` of the rule set.
    soil : the map unit there.
    trench_bottom_depth_m : depth of the bottom of the field below the ground, where the ground is highest above it.
    known, percolation_min_per_in : see needed_separations.
    groundwater_m : depth of mapped groundwater; the shallower of it and of the survey's counts.
    """
    depths = limiting_depths(soil, groundwater_m)
    checks = []
    for needed in needed_separations(lines, known, percolation_min_per_in, soil.soil):
        bottom_m = trench_bottom_depth_m if needed.measured_from == "field_bottom" else 0.0
        depth = depths[needed.above]
        at_most, at_least = (separation(asked_m, bottom_m, depth) for asked_m in (needed.most_m, needed.least_m))
        verdict: Separation = "holds" if at_most == "holds" else "fails" if at_least == "fails" else "unknown"
        checks.append(SeparationCheck(needed, Span(depth.low - bottom_m, depth.high - bottom_m), verdict))
    silent = tuple(name for name in ALWAYS_ASKED if name not in {check.needed.above for check in checks})
    verdicts = {check.verdict for check in checks}
    worst: Separation = "fails" if "fails" in verdicts else "unknown" if "unknown" in verdicts or silent else "holds"
    return VerticalVerdict(worst, tuple(checks), silent)


def limiting_depths(soil: SoilProperties, groundwater_m: Span = UNKNOWN) -> dict[str, Span]:
    """Depth below ground of each thing that a field is kept above (keys of LIMITING).

    The survey does not tell fractured rock from sound rock, nor high water of a season from water that stands: the one that a code asks
    more for is not above what the survey reports, and may lie deeper.
    """
    water = _both(soil.water_m, groundwater_m)
    return {
        "bedrock": soil.bedrock_m,
        "fractured_bedrock": Span(soil.bedrock_m.low, math.inf),
        "impermeable_layer": soil.restriction_m.shallower(soil.pan_m).shallower(Span(soil.bedrock_m.low, math.inf)),
        "high_water": water,
        "normal_high_water": Span(water.low, math.inf),
    }


@dataclass(frozen=True)
class _Site:
    """What is known of one place: conditions of the rules, percolation and soil."""

    facts: Mapping[str, bool]
    percolation: float | None
    soil: str | None


def _needed(lines: Sequence[VerticalSeparation], site: _Site) -> NeededSeparation:
    if site.soil is not None and any(line.soils for line in lines) and not any(line.is_of(site.soil) for line in lines):
        # A soil that the code does not name may be any of those that it does.
        site = replace(site, soil=None)
    open_lines = [line for line in lines if _holds(line, site) is not False]
    # With every line ruled out the longest stays: a gap in a table is no permission.
    largest = max(open_lines or lines, key=lambda line: line.distance_m)
    sure_m = [line.distance_m for line in open_lines if _holds(line, site)]
    named = {condition for line in lines if line.band is None and len(line.when) == 1 for condition in line.when}
    by_soil_alone = all(line.soils and line.band is None and not line.when for line in lines)
    if not sure_m and open_lines and (by_soil_alone or any(group <= named for group in EXCLUSIVE)):
        sure_m = [min(line.distance_m for line in open_lines)]
    least_m = max(sure_m, default=0.0) if open_lines else largest.distance_m
    return NeededSeparation(largest.above, largest.measured_from, least_m, largest.distance_m, largest)


def _holds(line: VerticalSeparation, site: _Site) -> bool | None:
    """Whether the line binds; None where that is open."""
    answers: list[bool | None] = [site.facts.get(name) for name in line.when]
    if line.band is not None:
        answers.append(None if site.percolation is None else line.band.holds(site.percolation))
    if line.soils:
        answers.append(None if site.soil is None else line.is_of(site.soil))
    return False if False in answers else None if None in answers else True
