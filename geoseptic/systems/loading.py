"""What a code lets one put on a soil: the lines of its loading table that hold or may hold, and the area that follows."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from geoseptic.errors import CodeSilentError, ParameterError, UnnamedSoilError
from geoseptic.model.citation import Citation
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import AREA_PER_BEDROOM, AREA_PER_FLOW, NOT_SUITABLE, RATE, ROOT_RATE, Loading, soil_key
from geoseptic.units import GALLON_M3

SLACK: Final = 1e-9
"""Relative: a length that is over a multiple by less is that multiple."""


@dataclass(frozen=True)
class Span:
    """A quantity: `plan` to plan with, and how low and high it may be. All three are equal where it is known."""

    low: float
    plan: float
    high: float

    @property
    def known(self) -> bool:
        return math.isclose(self.low, self.high, rel_tol=SLACK)

    @property
    def ends(self) -> tuple[float, float, float]:
        return self.low, self.plan, self.high

    def times(self, factor: float) -> "Span":
        return Span(self.low * factor, self.plan * factor, self.high * factor)


@dataclass(frozen=True)
class Option:
    """One loading that may hold: a line, and the percolation at which it is taken (None for a line by soil)."""

    line: Loading
    percolation: float | None
    value: float
    note: str = ""


@dataclass(frozen=True)
class Ground:
    """What is known of the ground: loadings that may hold, those to plan with (the one that asks for most counts), and why none does.

    `why_not` is empty unless the code forbids a field there; `assumptions` is empty where soil or percolation is known."""

    options: tuple[Option, ...]
    plan: tuple[Option, ...]
    why_not: str
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    citations: tuple[Citation, ...]


# --- the ground --------------------------------------------------------------------------------------------------------------------


def ground_of(rules: RuleSet, percolation: float | None, soil: str | None, layout: str, flow: Span | None) -> Ground:
    """The loading lines that hold or may hold."""
    sizing = rules.sizing
    if not sizing.loading:
        raise CodeSilentError(rules.id, "the loading rate or absorption area for a soil")
    if percolation is not None and not (math.isfinite(percolation) and percolation >= 0):
        raise ParameterError("the percolation rate must be a number of min/in that is not negative.")
    if soil is not None and sizing.soils and soil_key(soil) not in {soil_key(name) for name in sizing.soils}:
        raise UnnamedSoilError(rules.id, soil, sizing.soils)
    lines = _of_layout(sizing.loading, layout)
    in_flow = [line for line in lines if flow is None or _holds_for(line, flow)]
    if flow is not None and not in_flow:
        low, high = (value / GALLON_M3 for value in (min(line.flow_low for line in lines), max(line.flow_high for line in lines)))
        raise CodeSilentError(
            rules.id, f"design flows of {flow.plan / GALLON_M3:.4g} gpd: what was read holds for {low:.4g} to {high:.4g} gpd"
        )
    tables = _tables(line for line in in_flow if line.band)
    by_soil = [line for line in in_flow if not line.band]
    fitting = [table for table in tables if soil is None or not table[0].soils or table[0].is_of(soil)]
    notes: list[str] = []
    found: list[Option] = []
    if percolation is not None and fitting:
        found += _at_each(rules, fitting, percolation)
    elif percolation is not None:
        notes.append("the rule set sizes by soil: the percolation rate is not used")
    own = [line for line in by_soil if soil is not None and line.is_of(soil)]
    found += [Option(line, None, line.value) for line in own]
    if soil is not None and not sizing.soils:
        notes.append("the rule set sizes by percolation: the soil's name is not used")
    barred = [option for option in found if option.line.kind == NOT_SUITABLE]
    citations = [option.line.citation for option in found]
    if percolation is not None and fitting and own:
        notes.append("soil and percolation are both known: the one that asks for more area counts")
    several = len([option for option in found if option.line.band]) > 1
    if found and (not several or len(barred) == len(found)):
        why_not = _reasons(barred)
        options = tuple(option for option in found if option.line.kind != NOT_SUITABLE)
        return Ground(options, options, why_not, (), (*notes, *_option_notes(found)), tuple(citations))
    if found:
        # By percolation, but the class of the soil is not known: every class may hold.
        options = tuple(option for option in found if option.line.kind != NOT_SUITABLE)
        words = "soil class not known: every class of the code's table considered, the worst acceptable one planned with"
        return Ground(options, options, "", (words,), (*notes, *_option_notes(found)), tuple(citations))
    return _unknown_ground(rules, fitting or tables, by_soil, "percolation" if soil is not None and fitting else "soil", notes)


def _holds_for(line: Loading, flow: Span) -> bool:
    return line.flow_low * (1 - SLACK) <= flow.low and flow.high <= line.flow_high * (1 + SLACK)


def _unknown_ground(
    rules: RuleSet, tables: Sequence[Sequence[Loading]], by_soil: Sequence[Loading], unknown: str, notes: Sequence[str]
) -> Ground:
    """Neither soil nor percolation helps: from the best soil of the table to the worst acceptable one."""
    options = [option for table in tables for line in table for option in _edges(line)]
    options += [Option(line, None, line.value) for line in by_soil if line.kind != NOT_SUITABLE]
    if not options:
        raise CodeSilentError(rules.id, "the best and the worst soil that it accepts: state the percolation rate")
    assumed = rules.sizing.assumed
    plan: list[Option] = []
    what = ""
    if assumed is not None and assumed.soil:
        plan = [Option(line, None, line.value) for line in by_soil if line.is_of(assumed.soil)]
        what = f"soil {assumed.soil}"
    elif assumed is not None and assumed.percolation_min_per_in is not None:
        plan = _at_each(rules, tables, assumed.percolation_min_per_in)
        what = f"{assumed.percolation_min_per_in:g} min/in"
    plan = [option for option in plan if option.line.kind != NOT_SUITABLE]
    if plan:
        words = (
            f"{unknown} not known: {what} assumed to plan with; the range is from the best soil of the code's table to the worst acceptable"
        )
    else:
        words = f"{unknown} not known: planned with the worst acceptable soil of the code's table; the range begins at the best"
    more = "the soil may also be one that the code does not accept" if _has_barred(tables, by_soil) else ""
    citations = [option.line.citation for option in options] + ([assumed.citation] if assumed and plan else [])
    return Ground(
        tuple(options), tuple(plan or options), "", (words,), (*notes, *([more] if more else [])), tuple(dict.fromkeys(citations))
    )


def _of_layout(lines: Sequence[Loading], layout: str) -> list[Loading]:
    """Lines for this layout; where the code has none of its own for beds, those for trenches (times the bed rule's factor)."""
    own = [line for line in lines if line.layout in (layout, "any")]
    return own or list(lines)


def _tables(lines: Iterable[Loading]) -> list[list[Loading]]:
    """Lines by percolation, one table for each soil that they are restricted to, each in the order of its bands."""
    found: dict[tuple[str, ...], list[Loading]] = {}
    for line in lines:
        found.setdefault(tuple(sorted(soil_key(name) for name in line.soils)), []).append(line)
    return [sorted(table, key=_low_edge) for table in found.values()]


def _low_edge(line: Loading) -> tuple[float, bool]:
    assert line.band is not None
    return line.band.low, not line.band.low_included


def _at(rules: RuleSet, table: Sequence[Loading], percolation: float) -> Option:
    """The line of one table at a percolation rate. In a gap between two bands it is the slower one, unless the code interpolates."""
    for line in table:
        if line.band is not None and line.band.holds(percolation):
            return Option(line, percolation, line.value)
    for before, after in pairwise(table):
        assert before.band is not None and after.band is not None
        if not before.band.holds(percolation) and after.band.starts_above(percolation) and percolation >= before.band.high:
            if after.interpolate and before.kind == after.kind:
                share = (percolation - before.band.high) / (after.band.low - before.band.high)
                value = before.value + share * (after.value - before.value)
                return Option(after, percolation, value, f"{percolation:g} min/in: interpolated between two bands, as the code says")
            gap = f"{percolation:g} min/in lies between two bands of the code ({before.band}, {after.band}): the slower one is taken"
            return Option(after, percolation, after.value, gap)
    first, last = table[0].band, table[-1].band
    assert first is not None and last is not None
    beyond = f"faster than its table begins ({first})" if first.starts_above(percolation) else f"slower than its table ends ({last})"
    raise CodeSilentError(rules.id, f"a percolation of {percolation:g} min/in, {beyond}")


def _at_each(rules: RuleSet, tables: Sequence[Sequence[Loading]], percolation: float) -> list[Option]:
    """The line of each table; a class of soil whose table does not reach this rate drops out, unless all do."""
    found, silent = [], None
    for table in tables:
        try:
            found.append(_at(rules, table, percolation))
        except CodeSilentError as error:
            silent = error
    if silent is not None and not found:
        raise silent
    return found


def _edges(line: Loading) -> list[Option]:
    """A line at the fastest and the slowest rate of its band."""
    if line.kind == NOT_SUITABLE or line.band is None:
        return []
    ends = (line.band.low, line.band.high)
    if line.kind == ROOT_RATE or line.per_minute:
        return [Option(line, end, line.value) for end in ends if math.isfinite(end) and end > 0]
    return [Option(line, line.band.low, line.value)]


def _has_barred(tables: Sequence[Sequence[Loading]], by_soil: Sequence[Loading]) -> bool:
    return any(line.kind == NOT_SUITABLE for table in (*tables, by_soil) for line in table)


def _reasons(barred: Sequence[Option]) -> str:
    return "; ".join(
        f"{option.line.where} is not suitable under {option.line.citation}" + (f": {option.line.note}" if option.line.note else "")
        for option in barred
    )


def _option_notes(options: Sequence[Option]) -> list[str]:
    return [note for option in options for note in (option.note, option.line.note) if note]


# --- the area ---


def area_span(ground: Ground, flow: Span | None, house: Span) -> Span:
    """Absorption area in m2. Of several loadings that may hold the least area is the low end, the most the high end."""

    def pick(choose: Callable[[Iterable[float]], float], options: Sequence[Option], q: float, n: float) -> float:
        return choose(_option_area_m2(option, q, n) for option in options)

    # Only areas by the bedroom come without a flow, and they do not ask for it.
    flow = flow or Span(0.0, 0.0, 0.0)
    if len(ground.options) == len(ground.plan) and not ground.assumptions:
        # Soil and percolation are both known: one governs, and there is no range but that of the house.
        return Span(*(pick(max, ground.plan, q, n) for q, n in zip(flow.ends, house.ends, strict=True)))
    return Span(
        pick(min, ground.options, flow.low, house.low),
        pick(max, ground.plan, flow.plan, house.plan),
        pick(max, ground.options, flow.high, house.high),
    )


def _option_area_m2(option: Option, flow_m3_per_day: float, bedrooms: float) -> float:
    line = option.line
    if line.kind == RATE:
        return flow_m3_per_day / option.value
    if line.kind == AREA_PER_BEDROOM:
        return bedrooms * option.value
    assert option.percolation is not None or line.kind == AREA_PER_FLOW
    if line.kind == ROOT_RATE:
        return flow_m3_per_day * math.sqrt(option.percolation or 0.0) / option.value
    more = line.per_minute * ((option.percolation or 0.0) - line.beyond) if line.per_minute else 0.0
    return flow_m3_per_day * (option.value + more)
