"""The sizing tables of a rule file: design flow, loading, tank, trench, bed, reserve, percolation test, assumptions."""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import Final, TypeVar

from geoseptic.io.rulevalues import (
    Faults,
    read_citation,
    read_count,
    read_flag,
    read_names,
    read_number,
    read_quantity,
    read_tables,
    read_text,
    refuse_unknown,
    short,
)
from geoseptic.model.citation import Citation
from geoseptic.model.layers import MOST_BEDROOMS
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import (
    AREA_PER_BEDROOM,
    AREA_PER_FLOW,
    COMBINATIONS,
    FIXTURES,
    LAYOUTS,
    NOT_SUITABLE,
    RATE,
    ROOT_RATE,
    SIDEWALLS,
    STABILISATION,
    Assumed,
    Band,
    BedroomTable,
    BedRule,
    BuildingSewer,
    DesignFlow,
    GravelCredit,
    Loading,
    PercolationRule,
    PitRule,
    ReserveRule,
    SizingRules,
    Spacing,
    TankRule,
    TrenchRule,
    soil_key,
)
from geoseptic.units import (
    CUBIC_METRES_PER_DAY_PER_UNIT,
    CUBIC_METRES_PER_UNIT,
    FALL_PER_UNIT,
    FOOT_M,
    GALLON_M3,
    METRES_PER_UNIT,
    MINUTES_PER_UNIT,
    SQUARE_METRES_PER_UNIT,
)

SIZING_TABLES: Final = frozenset(
    {"design_flow", "loading", "tank", "gravel_credit", "trench", "bed", "reserve", "assumed", "percolation", "building_sewer"}
    | {"test_pits"}
)
"""Their names, which are also those of the fields of SizingRules."""

LOADING_UNITS: Final[Mapping[str, tuple[str, float]]] = {
    "gpd/ft2": (RATE, GALLON_M3 / FOOT_M**2),
    "L/m2/day": (RATE, 0.001),
    "gpd/ft2*sqrt(min/in)": (ROOT_RATE, GALLON_M3 / FOOT_M**2),
    "ft2/bedroom": (AREA_PER_BEDROOM, SQUARE_METRES_PER_UNIT["ft2"]),
    "m2/bedroom": (AREA_PER_BEDROOM, SQUARE_METRES_PER_UNIT["m2"]),
    "ft2/gpd": (AREA_PER_FLOW, FOOT_M**2 / GALLON_M3),
}
"""What a loading value is, and its factor to SI."""

BAND: Final = re.compile(r"([\[(])\s*([0-9.]+)\s*,\s*([0-9.]+|inf)\s*([\])])")
TABLE_KEYS: Final = frozenset({"bedrooms", "values", "each_more", "minimum", "unit", "cite", "note"})
FLOW_KEYS: Final = TABLE_KEYS | {"per_bedroom", "first_bedroom", "fixtures"}
TANK_KEYS: Final = TABLE_KEYS | {"times_daily_flow"}
LOADING_KEYS: Final = frozenset(
    {"percolation", "per_inches", "soil", "layout", "value", "unit", "suitable", "per_minute", "beyond", "interpolate"}
    | {"flow_from", "flow_to", "cite", "note"}
)
CREDIT_KEYS: Final = frozenset({"from", "to", "reduction_percent", "cite"})
TRENCH_KEYS: Final = frozenset(
    {"width", "min_width", "max_width", "max_length", "spacing", "spacing_widths", "spacing_between", "sidewall", "sidewall_height"}
    | {"min_depth", "max_depth", "cite", "note"}
)
BED_KEYS: Final = frozenset({"allowed", "area_times", "slowest", "max_width", "max_length", "cite", "note"})
RESERVE_KEYS: Final = frozenset({"percent", "only_where_possible", "cite", "note"})
ASSUMED_KEYS: Final = frozenset({"bedrooms", "fewest_bedrooms", "most_bedrooms", "percolation", "soil", "cite", "note"})
PERCOLATION_KEYS: Final = frozenset(
    {"kind", "holes", "presoak", "min_readings", "duration", "interval_min", "count", "within", "within_percent", "settled_after"}
    | {"mean_of", "fall", "combine", "apart", "fastest", "slowest", "spacing_min", "spacing_max", "cite", "note"}
)
SEWER_KEYS: Final = frozenset({"min_fall", "diameter_from", "diameter_to", "cite", "note"})
PITS_KEYS: Final = frozenset({"number", "spacing_min", "spacing_max", "cite", "note"})

MAX_FALL: Final = 0.25
"""Steepest least fall that is believed: 3 in a foot; more is a slip in the number or the unit."""
MAX_SPACING_M: Final = 100.0
"""Widest spacing of holes that is believed."""
Citations = Mapping[str, Citation]
Entry = Mapping[str, object]
Value = TypeVar("Value")


def read_sizing(table: Entry, citations: Citations, bases: Iterable[RuleSet], faults: Faults) -> SizingRules:
    """The sizing of one file over that of the sets it extends: each table is taken whole, from the file or from one base."""
    own: dict[str, object] = {
        "design_flow": _lines(table, "design_flow", FLOW_KEYS, citations, faults, _design_flow),
        "loading": _lines(table, "loading", LOADING_KEYS, citations, faults, _loading),
        "tank": _lines(table, "tank", TANK_KEYS, citations, faults, _tank),
        "gravel_credit": _lines(table, "gravel_credit", CREDIT_KEYS, citations, faults, _gravel_credit),
        "trench": _single(table, "trench", TRENCH_KEYS, citations, faults, _trench),
        "bed": _single(table, "bed", BED_KEYS, citations, faults, _bed),
        "reserve": _single(table, "reserve", RESERVE_KEYS, citations, faults, _reserve),
        "assumed": _single(table, "assumed", ASSUMED_KEYS, citations, faults, _assumed),
        "percolation": _single(table, "percolation", PERCOLATION_KEYS, citations, faults, _percolation),
        "building_sewer": _lines(table, "building_sewer", SEWER_KEYS, citations, faults, _building_sewer),
        "test_pits": _single(table, "test_pits", PITS_KEYS, citations, faults, _test_pits),
    }
    merged = _merged(table, own, list(bases), faults)
    _refuse_overlaps(merged, faults)
    _refuse_credits_twice(merged, faults)
    _refuse_fixtures_twice(merged, faults)
    _refuse_diameters_twice(merged, faults)
    if merged.assumed and merged.assumed.soil and soil_key(merged.assumed.soil) not in {soil_key(name) for name in merged.soils}:
        faults.add("assumed", f"soil '{short(merged.assumed.soil)}' is in no loading line. Known: {', '.join(merged.soils) or 'none'}.")
    return merged


# --- tables ----------------------------------------------------------------------------------------------------------------


def _lines(
    table: Entry,
    name: str,
    keys: frozenset[str],
    citations: Citations,
    faults: Faults,
    read: Callable[[Entry, Citation, str, Faults], Value | None],
) -> tuple[Value, ...]:
    found = []
    for number, entry in read_tables(table, name, faults):
        where = f"{name} {number}"
        refuse_unknown(entry, keys, where, faults)
        citation = read_citation(entry, citations, where, faults)
        value = read(entry, citation or _NOWHERE, where, faults)
        if value is not None and citation is not None:
            found.append(value)
    return tuple(found)


def _single(
    table: Entry,
    name: str,
    keys: frozenset[str],
    citations: Citations,
    faults: Faults,
    read: Callable[[Entry, Citation, str, Faults], Value | None],
) -> Value | None:
    entry = table.get(name)
    if entry is None:
        return None
    if not isinstance(entry, dict):
        faults.add(name, f"write it as one table: [{name}].")
        return None
    refuse_unknown(entry, keys, name, faults)
    citation = read_citation(entry, citations, name, faults)
    value = read(entry, citation or _NOWHERE, name, faults)
    return value if citation is not None else None


# Stands in while the other faults of an entry without a citation are gathered; the file is refused, so it is never handed on.
_NOWHERE: Final = Citation("", "", "", "", "", "", False)


def _merged(table: Entry, own: Mapping[str, object], bases: list[RuleSet], faults: Faults) -> SizingRules:
    replaced = read_names(table, "replaces", sorted(SIZING_TABLES), "the top of the file", faults, required=False)
    found: dict[str, object] = {}
    for name in sorted(SIZING_TABLES):
        inherited = [(base.id, getattr(base.sizing, name)) for base in bases if getattr(base.sizing, name)]
        if own[name] or name in table:
            found[name] = own[name]
            if inherited and name not in replaced:
                faults.add(
                    name,
                    f"'{inherited[-1][0]}', which this set extends, has this table too. A table is replaced whole: "
                    f'write replaces = ["{name}"] at the top.',
                )
            elif not inherited and name in replaced:
                faults.add("replaces", f"{name}: nothing that this set extends has this table.")
        else:
            if name in replaced:
                faults.add("replaces", f"{name}: this file does not have the table.")
            if len({id(value) for _, value in inherited}) > 1:
                names = " and ".join(f"'{set_id}'" for set_id, _ in inherited)
                faults.add("extends", f"{names} both have {name}. State which holds, by writing the table in this file.")
            if inherited:
                found[name] = inherited[-1][1]
    return SizingRules(**found)  # type: ignore[arg-type]  # each name was read as the type of its field


def _refuse_overlaps(sizing: SizingRules, faults: Faults) -> None:
    lines = sizing.loading
    for number, line in enumerate(lines, 1):
        for earlier_number, earlier in enumerate(lines[: number - 1], 1):
            if "any" not in (line.layout, earlier.layout) and line.layout != earlier.layout:
                continue
            if line.flow_low > earlier.flow_high or earlier.flow_low > line.flow_high:
                continue
            shared = {soil_key(name) for name in line.soils} & {soil_key(name) for name in earlier.soils}
            same_soil = bool(shared) or not (line.soils or earlier.soils)
            if line.band and earlier.band and same_soil and line.band.meets(earlier.band):
                faults.add(f"loading {number}", f"the band {line.band} overlaps that of loading {earlier_number} ({earlier.band}).")
            elif not line.band and not earlier.band and shared:
                faults.add(f"loading {number}", f"soil '{short(min(shared))}' is already in loading {earlier_number}.")


def _refuse_credits_twice(sizing: SizingRules, faults: Faults) -> None:
    credits = sorted(sizing.gravel_credit, key=lambda credit: credit.low_m)
    if any(before.high_m > after.low_m for before, after in pairwise(credits)):
        faults.add("gravel_credit", "two lines hold for the same depth.")


def _refuse_fixtures_twice(sizing: SizingRules, faults: Faults) -> None:
    seen = [line.fixtures for line in sizing.design_flow]
    if len(set(seen)) < len(seen) or ("any" in seen and len(seen) > 1):
        faults.add("design_flow", "two lines hold for the same fixtures.")


def _refuse_diameters_twice(sizing: SizingRules, faults: Faults) -> None:
    lines = sorted(sizing.building_sewer, key=lambda line: line.diameter_low_m)
    if any(before.diameter_high_m >= after.diameter_low_m for before, after in pairwise(lines)):
        faults.add("building_sewer", "two lines hold for the same diameter.")


# --- one line ----------------------------------------------------------------------------------------------------------------


def _design_flow(entry: Entry, citation: Citation, where: str, faults: Faults) -> DesignFlow | None:
    factor = _factor(entry, CUBIC_METRES_PER_DAY_PER_UNIT, where, faults)
    fixtures = (read_names(entry, "fixtures", FIXTURES, where, faults, required=False) or ("any",))[0]
    note = read_text(entry, "note", where, faults, required=False)
    if "per_bedroom" not in entry:
        table = _bedroom_table(entry, factor, where, faults)
    elif "bedrooms" in entry or "values" in entry:
        faults.add(where, "it has both per_bedroom and a table by bedrooms. Leave one out.")
        return None
    else:
        each = _positive(entry, "per_bedroom", where, faults)
        first = _positive(entry, "first_bedroom", where, faults) if "first_bedroom" in entry else each
        minimum = _positive(entry, "minimum", where, faults) if "minimum" in entry else 0.0
        if each is None or first is None or minimum is None:
            return None
        table = BedroomTable((1,), (first * factor,), each * factor, minimum * factor)
    return None if table is None else DesignFlow(table, fixtures, citation, note)


def _tank(entry: Entry, citation: Citation, where: str, faults: Faults) -> TankRule | None:
    factor = _factor(entry, CUBIC_METRES_PER_UNIT, where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    times = _positive(entry, "times_daily_flow", where, faults) if "times_daily_flow" in entry else 0.0
    if "bedrooms" in entry:
        table = _bedroom_table(entry, factor, where, faults)
    else:
        minimum = _positive(entry, "minimum", where, faults)
        table = None if minimum is None else BedroomTable((1,), (minimum * factor,), 0.0)
        if times == 0:
            faults.add(where, "a minimum alone is no volume: give bedrooms and values, or times_daily_flow.")
    return None if table is None or times is None else TankRule(table, times, citation, note)


def _loading(entry: Entry, citation: Citation, where: str, faults: Faults) -> Loading | None:
    band = read_band(entry, where, faults) if "percolation" in entry else None
    soils = read_soils(entry, where, faults) if "soil" in entry else ()
    if "percolation" not in entry and not soils:
        faults.add(where, "it is for no percolation and no soil: give one of them.")
    layout = (read_names(entry, "layout", LAYOUTS, where, faults, required=False) or ("any",))[0]
    kind, value, stated = _loading_value(entry, where, faults)
    per_minute = _positive(entry, "per_minute", where, faults) if "per_minute" in entry else 0.0
    beyond = read_number(entry, "beyond", where, faults) if "beyond" in entry else 0.0
    if ("per_minute" in entry or "beyond" in entry) and kind != AREA_PER_FLOW:
        faults.add(where, "per_minute and beyond belong to an area for a flow, such as ft2/gpd.")
    if kind == ROOT_RATE and band is None:
        faults.add(where, "a rate that follows the percolation needs a band of percolation.")
    flow_low = read_quantity(entry, "flow_from", CUBIC_METRES_PER_DAY_PER_UNIT, where, faults, required=False)
    flow_high = read_quantity(entry, "flow_to", CUBIC_METRES_PER_DAY_PER_UNIT, where, faults, required=False)
    interpolate = read_flag(entry, "interpolate", where, faults)
    if interpolate and (band is None or kind in (NOT_SUITABLE, ROOT_RATE)):
        faults.add(where, "only a value by percolation can be interpolated.")
    note = read_text(entry, "note", where, faults, required=False)
    if not kind or value is None or per_minute is None or beyond is None or ("percolation" in entry and band is None):
        return None
    factor = LOADING_UNITS[str(entry["unit"])][1] if per_minute else 1.0
    return Loading(
        kind=kind,
        value=value,
        stated=stated,
        band=band,
        soils=soils,
        layout=layout,
        citation=citation,
        per_minute=per_minute * factor,
        beyond=beyond,
        interpolate=interpolate,
        flow_low=flow_low or 0.0,
        flow_high=math.inf if flow_high is None else flow_high,
        note=note,
    )


def _loading_value(entry: Entry, where: str, faults: Faults) -> tuple[str, float | None, str]:
    """Kind, value in SI, and the value as stated."""
    if not read_flag(entry, "suitable", where, faults, default=True):
        if "value" in entry:
            faults.add(where, "it has both a value and suitable = false. Leave one out.")
        return NOT_SUITABLE, 0.0, "not suitable"
    value = _positive(entry, "value", where, faults)
    unit = read_text(entry, "unit", where, faults)
    if unit and unit not in LOADING_UNITS:
        faults.add(where, f"unit '{short(unit)}' is not known. Use one of: {', '.join(LOADING_UNITS)}.")
    if value is None or unit not in LOADING_UNITS:
        return "", None, ""
    kind, factor = LOADING_UNITS[unit]
    more = f" and {entry.get('per_minute')} more for each min/in over {entry.get('beyond', 0)}" if "per_minute" in entry else ""
    return kind, value * factor, f"{value:g} {unit}{more}"


def _gravel_credit(entry: Entry, citation: Citation, where: str, faults: Faults) -> GravelCredit | None:
    low = read_quantity(entry, "from", METRES_PER_UNIT, where, faults)
    high = read_quantity(entry, "to", METRES_PER_UNIT, where, faults) if "to" in entry else math.inf
    percent = _positive(entry, "reduction_percent", where, faults)
    if percent is not None and percent >= 100:
        faults.add(where, "reduction_percent must be under 100.")
    if low is not None and high is not None and low >= high:
        faults.add(where, "from must be less than to.")
    return None if low is None or high is None or percent is None else GravelCredit(low, high, percent / 100, citation)


def _trench(entry: Entry, citation: Citation, where: str, faults: Faults) -> TrenchRule | None:
    def length(key: str, required: bool = True) -> float | None:
        return read_quantity(entry, key, METRES_PER_UNIT, where, faults, required)

    width, longest, spacing = length("width"), length("max_length"), length("spacing")
    narrowest, widest = length("min_width", False), length("max_width", False)
    shallowest, deepest = length("min_depth", False), length("max_depth", False)
    between = (read_names(entry, "spacing_between", ("walls", "centres"), where, faults) or ("walls",))[0]
    sidewall = (read_names(entry, "sidewall", SIDEWALLS, where, faults) or ("none",))[0]
    height = length("sidewall_height", required=sidewall != "none")
    if sidewall == "none" and "sidewall_height" in entry:
        faults.add(where, "sidewall_height is given, but sidewall is none.")
    widths = _positive(entry, "spacing_widths", where, faults) if "spacing_widths" in entry else 0.0
    note = read_text(entry, "note", where, faults, required=False)
    if width is None or longest is None or spacing is None or widths is None or (sidewall != "none" and height is None):
        return None
    if not 0 < (narrowest or width) <= width <= (widest or width) or longest <= 0:
        faults.add(where, "width must lie between min_width and max_width, and every length be over zero.")
        return None
    if between == "centres" and max(spacing, widths * width) < width:
        faults.add(where, "spacing between centres is less than the width: the trenches would overlap.")
    return TrenchRule(
        width,
        narrowest or width,
        widest or width,
        longest,
        spacing,
        widths,
        between,
        sidewall,
        height or 0.0,
        shallowest,
        deepest,
        citation,
        note,
    )


def _bed(entry: Entry, citation: Citation, where: str, faults: Faults) -> BedRule | None:
    allowed = read_flag(entry, "allowed", where, faults, required=True)
    times = _positive(entry, "area_times", where, faults) if "area_times" in entry else 1.0
    slowest = _positive(entry, "slowest", where, faults) if "slowest" in entry else math.inf
    width = read_quantity(entry, "max_width", METRES_PER_UNIT, where, faults) if "max_width" in entry else math.inf
    longest = read_quantity(entry, "max_length", METRES_PER_UNIT, where, faults) if "max_length" in entry else math.inf
    note = read_text(entry, "note", where, faults, required=False)
    if times is None or slowest is None or width is None or longest is None:
        return None
    return BedRule(allowed, times, slowest, width, longest, citation, note)


def _reserve(entry: Entry, citation: Citation, where: str, faults: Faults) -> ReserveRule | None:
    percent = read_number(entry, "percent", where, faults)
    if percent is not None and not 0 <= percent <= 300:
        faults.add(where, f"percent = {percent:g} is not between 0 and 300.")
        return None
    where_possible = read_flag(entry, "only_where_possible", where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    return None if percent is None else ReserveRule(percent / 100, where_possible, citation, note)


def _assumed(entry: Entry, citation: Citation, where: str, faults: Faults) -> Assumed | None:
    bedrooms, fewest, most = (
        read_count(entry, key, where, faults, high=MOST_BEDROOMS) for key in ("bedrooms", "fewest_bedrooms", "most_bedrooms")
    )
    percolation = _positive(entry, "percolation", where, faults) if "percolation" in entry else None
    soil = read_text(entry, "soil", where, faults, required=False)
    note = read_text(entry, "note", where, faults, required=False)
    if bedrooms is None or fewest is None or most is None:
        return None
    if not fewest <= bedrooms <= most:
        faults.add(where, "bedrooms must lie between fewest_bedrooms and most_bedrooms.")
    return Assumed(bedrooms, fewest, most, percolation, soil, citation, note)


def _percolation(entry: Entry, citation: Citation, where: str, faults: Faults) -> PercolationRule | None:
    (kind,) = read_names(entry, "kind", STABILISATION, where, faults)[:1] or ("",)
    (combine,) = read_names(entry, "combine", COMBINATIONS, where, faults)[:1] or ("",)
    by_drops, by_rates, by_fall = kind in ("successive_drops", "drop_range"), kind == "same_rate", kind == "fixed_fall"
    for key, belongs in {
        "within": by_drops,
        "within_percent": by_rates,
        "fall": by_fall,
        "apart": combine == "average_unless_apart",
    }.items():
        if key in entry and not belongs:
            faults.add(where, f"{key} does not belong to kind = '{kind}' with combine = '{combine}'.")
    within = read_quantity(entry, "within", METRES_PER_UNIT, where, faults, required=by_drops)
    percent = _positive(entry, "within_percent", where, faults) if by_rates else 0.0
    fall = read_quantity(entry, "fall", METRES_PER_UNIT, where, faults, required=by_fall)
    apart = _positive(entry, "apart", where, faults) if combine == "average_unless_apart" else 0.0
    duration = read_quantity(entry, "duration", MINUTES_PER_UNIT, where, faults, required=kind == "duration")
    presoak = read_quantity(entry, "presoak", MINUTES_PER_UNIT, where, faults)
    holes = read_count(entry, "holes", where, faults)
    readings = read_count(entry, "min_readings", where, faults, default=1)
    count = read_count(entry, "count", where, faults, default=2, low=2) if by_drops or by_rates else 1
    mean_of = read_count(entry, "mean_of", where, faults, default=1)
    after = read_count(entry, "settled_after", where, faults) if "settled_after" in entry else None
    intervals = entry.get("interval_min", [])
    if not isinstance(intervals, list) or not all(isinstance(item, int) and 0 < item <= 240 for item in intervals):
        faults.add(where, "interval_min must be a list of minutes, such as [30, 10].")
        return None
    fastest = _positive(entry, "fastest", where, faults) if "fastest" in entry else 0.0
    slowest = _positive(entry, "slowest", where, faults) if "slowest" in entry else math.inf
    spacing = _spacing(entry, where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    if spacing is None or None in (percent, apart, presoak, holes, readings, count, mean_of, fastest, slowest) or not kind or not combine:
        return None
    if (by_drops and within is None) or (by_fall and fall is None) or (kind == "duration" and duration is None):
        return None
    assert presoak is not None and holes is not None and readings is not None and count is not None and mean_of is not None
    assert percent is not None and apart is not None and fastest is not None and slowest is not None
    return PercolationRule(
        kind=kind,
        holes=holes,
        presoak_min=presoak,
        min_readings=max(readings, count, mean_of),
        duration_min=duration or 0.0,
        interval_min=tuple(float(item) for item in intervals),
        count=count,
        within_m=within or 0.0,
        within_share=percent / 100,
        settled_after=after,
        mean_of=mean_of,
        fall_m=fall or 0.0,
        combine=combine,
        apart_min_per_in=apart,
        fastest=fastest,
        slowest=slowest,
        citation=citation,
        note=note,
        spacing=spacing,
    )


def _building_sewer(entry: Entry, citation: Citation, where: str, faults: Faults) -> BuildingSewer | None:
    fall = read_quantity(entry, "min_fall", FALL_PER_UNIT, where, faults)
    low = read_quantity(entry, "diameter_from", METRES_PER_UNIT, where, faults) if "diameter_from" in entry else 0.0
    high = read_quantity(entry, "diameter_to", METRES_PER_UNIT, where, faults) if "diameter_to" in entry else math.inf
    note = read_text(entry, "note", where, faults, required=False)
    if fall is not None and not 0 < fall <= MAX_FALL:
        faults.add(where, f"min_fall = '{short(str(entry['min_fall']))}' is not between 0 and 3 in/ft.")
    if low is not None and high is not None and low > high:
        faults.add(where, "diameter_from must not be more than diameter_to.")
    return None if fall is None or low is None or high is None else BuildingSewer(fall, str(entry["min_fall"]), low, high, citation, note)


def _test_pits(entry: Entry, citation: Citation, where: str, faults: Faults) -> PitRule | None:
    number = read_count(entry, "number", where, faults, high=20)
    spacing = _spacing(entry, where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    return None if number is None or spacing is None else PitRule(number, spacing, citation, note)


def _spacing(entry: Entry, where: str, faults: Faults) -> Spacing | None:
    least = read_quantity(entry, "spacing_min", METRES_PER_UNIT, where, faults) if "spacing_min" in entry else 0.0
    most = read_quantity(entry, "spacing_max", METRES_PER_UNIT, where, faults) if "spacing_max" in entry else math.inf
    if least is None or most is None:
        return None
    if least > most:
        faults.add(where, "spacing_min must not be more than spacing_max.")
    for key, value in (("spacing_min", least), ("spacing_max", most)):
        if key in entry and not 0 < value <= MAX_SPACING_M:
            faults.add(where, f"{key} = '{short(str(entry[key]))}' is not between 0 and {MAX_SPACING_M:g} m.")
    return Spacing(least, most)


# --- one value ---------------------------------------------------------------------------------------------------------------


def _positive(entry: Entry, key: str, where: str, faults: Faults) -> float | None:
    value = read_number(entry, key, where, faults)
    if value is not None and value <= 0:
        faults.add(where, f"{key} = {value:g} must be over zero.")
        return None
    return value


def _factor(entry: Entry, units: Mapping[str, float], where: str, faults: Faults) -> float:
    unit = read_text(entry, "unit", where, faults)
    if unit and unit not in units:
        faults.add(where, f"unit '{short(unit)}' is not known. Use one of: {', '.join(units)}.")
    return units.get(unit, 1.0)


def _bedroom_table(entry: Entry, factor: float, where: str, faults: Faults) -> BedroomTable | None:
    counts, values = entry.get("bedrooms"), entry.get("values")
    if not isinstance(counts, list) or not isinstance(values, list) or not counts or len(counts) != len(values):
        faults.add(where, "bedrooms and values must be two lists of the same length.")
        return None
    if not all(type(count) is int and 1 <= count <= MOST_BEDROOMS for count in counts) or counts != sorted(set(counts)):
        faults.add(where, f"bedrooms must rise, in whole numbers from 1 to {MOST_BEDROOMS}.")
        return None
    if not all(type(value) in (int, float) and 0 < value < 1e6 for value in values) or values != sorted(values):
        faults.add(where, "values must be numbers over zero that do not fall with more bedrooms.")
        return None
    each = _positive(entry, "each_more", where, faults) if "each_more" in entry else None
    minimum = _positive(entry, "minimum", where, faults) if "minimum" in entry else 0.0
    return BedroomTable(
        tuple(counts), tuple(value * factor for value in values), None if each is None else each * factor, (minimum or 0.0) * factor
    )


def read_soils(entry: Entry, where: str, faults: Faults) -> tuple[str, ...]:
    """The names of soil that a line holds for: one, or a list."""
    value = entry["soil"]
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(name, str) and name.strip() for name in names):
        faults.add(where, "soil must be a name in quotes, or a list of names.")
        return ()
    if len({soil_key(name) for name in names}) < len(names):
        faults.add(where, "soil names something twice.")
    return tuple(name.strip() for name in names)


def read_band(entry: Entry, where: str, faults: Faults) -> Band | None:
    """A band such as "[6, 15]", "[10, 30)" or "(60, inf)": a round bracket leaves its edge out."""
    words = read_text(entry, "percolation", where, faults)
    match = BAND.fullmatch(words)
    inches = _positive(entry, "per_inches", where, faults) if "per_inches" in entry else 1.0
    try:
        low, high = (float(match[2]), float(match[3])) if match else (math.nan, math.nan)
    except ValueError:
        low = high = math.nan
    if match is None or math.isnan(low) or inches is None:
        faults.add(where, f'percolation \'{short(words)}\' must be a band such as "[6, 15]", "[10, 30)" or "(60, inf)".')
        return None
    band = Band(low / inches, high / inches, match[1] == "[", match[4] == "]")
    if band.low > band.high or (band.low == band.high and not (band.low_included and band.high_included)):
        faults.add(where, f"percolation '{short(words)}' holds no rate.")
        return None
    return band
