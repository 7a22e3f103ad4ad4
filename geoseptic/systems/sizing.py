"""How large a system a house and its soil need: flow, absorption area, trench length, tank, reserve. All in SI.

What nobody knows of the house or the soil becomes a range, from the best soil to the worst acceptable one, with a planning
value between that rests on the rule set's stated assumption; each assumption is told in words.
"""

import math
from dataclasses import dataclass

from geoseptic.errors import CodeSilentError, ParameterError
from geoseptic.model.citation import Citation
from geoseptic.model.layers import MOST_BEDROOMS
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import (
    AREA_PER_BEDROOM,
    FIXTURES,
    NOT_SUITABLE,
    SIDEWALLS,
    BedRule,
    SizingRules,
    TrenchRule,
)
from geoseptic.systems.loading import SLACK, Span, area_span, ground_of
from geoseptic.units import FOOT_M, from_metres


@dataclass(frozen=True)
class FieldSize:
    """What one house on one soil needs under one code. m, m2, m3, m3/day.

    suitable : False where the code forbids a field on that soil; then area, trench and reserve are None, and `why_not` says why.
    area_m2 : absorption area as the code counts it, sidewalls included where it counts them.
    flow_m3_per_day : None where the code sizes by the bedroom and says no flow.
    loading_m_per_day : flow over area, whatever form the code's table has; its own words are in `loading_stated`.
    trench_length_m : all trenches together; None for a bed. lines : how many trenches of the code's length that takes at least.
    bottom_area_m2 : area of the bottoms, for drawing.
    tank_volume_m3 : None where the code, or what was read of it, is silent.
    reserve_share : None where the code is silent; reserve_area_m2 is that share of the bottom area.
    assumptions : what was not known and how it was filled; empty if nothing was assumed.
    notes : what else a reader must know: gaps between bands, credits, silence.
    """

    rules_id: str
    layout: str
    bedrooms: Span
    flow_m3_per_day: Span | None
    suitable: bool
    why_not: str
    loading_stated: tuple[str, ...]
    loading_m_per_day: Span | None
    area_m2: Span | None
    trench_width_m: float | None
    trench_length_m: Span | None
    lines: int | None
    bottom_area_m2: Span | None
    tank_volume_m3: Span | None
    reserve_share: float | None
    reserve_area_m2: Span | None
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    citations: tuple[Citation, ...]

    @property
    def assumed(self) -> bool:
        return bool(self.assumptions)


@dataclass(frozen=True)
class TrenchLayout:
    """What a drawing of trenches must keep. m.

    wall_to_wall_m : undisturbed soil between the side walls of neighbours; centre_to_centre_m : that and one width.
    bed_allowed : only where the code says so.
    """

    width_m: float
    max_length_m: float
    wall_to_wall_m: float
    centre_to_centre_m: float
    bed_allowed: bool
    bed: BedRule | None
    min_depth_m: float | None
    max_depth_m: float | None
    citations: tuple[Citation, ...]


def trench_layout_rule(rules: RuleSet, width_m: float | None = None) -> TrenchLayout:
    """Width, longest line and spacing of trenches under `rules`; at the code's usual width, or at `width_m`.

    Raises CodeSilentError where the set says nothing of trenches, ParameterError where the width is outside the code's limits.
    """
    trench = _trench_rule(rules)
    width = _width(trench, width_m)
    apart, bed = trench.wall_to_wall_m(width), rules.sizing.bed
    return TrenchLayout(
        width_m=width,
        max_length_m=trench.max_length_m,
        wall_to_wall_m=apart,
        centre_to_centre_m=apart + width,
        bed_allowed=bed is not None and bed.allowed,
        bed=bed,
        min_depth_m=trench.min_depth_m,
        max_depth_m=trench.max_depth_m,
        citations=(trench.citation,) if bed is None else (trench.citation, bed.citation),
    )


def field_size(
    rules: RuleSet,
    *,
    bedrooms: int | None = None,
    fixtures: str | None = None,
    flow_m3_per_day: float | None = None,
    percolation_min_per_in: float | None = None,
    soil: str | None = None,
    trench_width_m: float | None = None,
    gravel_depth_m: float | None = None,
    layout: str = "trench",
) -> FieldSize:
    """Size of the system under one rule set.

    Parameters
    ----------
    bedrooms, percolation_min_per_in, soil : None where nobody knows; the set's assumption stands in, and the result is a range.
    fixtures : a key of FIXTURES; None where nobody looked: the highest flow counts.
    flow_m3_per_day : a design flow to use instead of that by bedrooms.
    gravel_depth_m : gravel below the pipe, for codes that give credit for it.
    layout : "trench" or "bed".

    Raises
    ------
    CodeSilentError : the set says nothing that is needed here.
    ParameterError : a soil that the set does not name, a width outside its limits, no bedrooms and no assumption, or a bed where
        none is allowed.
    """
    if layout not in ("trench", "bed"):
        raise ParameterError(f"layout must be trench or bed, not '{layout}'.")
    sizing = rules.sizing
    house, assumptions, citations = _bedrooms(rules, bedrooms)
    flow, flow_assumptions, flow_citations = _flow(rules, house, fixtures, flow_m3_per_day)
    if flow_m3_per_day is not None and not any(line.kind == AREA_PER_BEDROOM for line in sizing.loading):
        # The flow is known, so the bedrooms matter for the tank alone.
        assumptions = [f"{words}, for the tank alone" for words in assumptions]
    tank, tank_notes, tank_citations = _tank(rules, house, flow)
    ground = ground_of(rules, percolation_min_per_in, soil, layout, flow)
    citations += [*flow_citations, *tank_citations, *ground.citations]
    notes = [*tank_notes, *ground.notes]
    assumptions += [*flow_assumptions, *ground.assumptions]
    if sizing.reserve is None:
        notes.append("the rule set says nothing of a reserve")
    else:
        citations.append(sizing.reserve.citation)
        if sizing.reserve.only_where_possible:
            notes.append("the reserve is asked for where possible")
    share = sizing.reserve.share if sizing.reserve else None
    why_not = ground.why_not or _bed_refusal(sizing, layout, percolation_min_per_in)
    trench, width_m, shape = None, None, None
    if layout == "trench":
        trench = _trench_rule(rules)
        width_m = _width(trench, trench_width_m)
        citations.append(trench.citation)
    elif sizing.bed is None or not sizing.bed.allowed:
        raise ParameterError(f"rule set '{rules.id}' does not say that a bed is allowed. Use trenches.")
    else:
        citations.append(sizing.bed.citation)
    area = None
    if not why_not:
        area = area_span(ground, flow, house)
        if layout == "bed" and sizing.bed and not any(option.line.layout == "bed" for option in ground.options):
            area = area.times(sizing.bed.area_times)
        area, credit_notes, credit_citations = _credited(sizing, area, gravel_depth_m, layout)
        notes += credit_notes
        citations += credit_citations
        if trench is not None and width_m is not None:
            shape = _trench_length(area, trench, width_m)
            if trench.sidewall != "none":
                notes.append(f"sidewalls of {from_metres(trench.sidewall_m, 'ft'):.3g} ft: {SIDEWALLS[trench.sidewall]}")
    bottom = area if shape is None or width_m is None else shape.times(width_m)
    return FieldSize(
        rules_id=rules.id,
        layout=layout,
        bedrooms=house,
        flow_m3_per_day=flow,
        suitable=not why_not,
        why_not=why_not,
        loading_stated=tuple(dict.fromkeys(f"{option.line.stated} ({option.line.where})" for option in ground.plan)),
        loading_m_per_day=None if area is None or flow is None else Span(flow.high / area.high, flow.plan / area.plan, flow.low / area.low),
        area_m2=area,
        trench_width_m=width_m,
        trench_length_m=shape,
        lines=None if shape is None or trench is None else max(1, math.ceil(shape.plan / trench.max_length_m * (1 - SLACK))),
        bottom_area_m2=bottom,
        tank_volume_m3=tank,
        reserve_share=share,
        reserve_area_m2=None if bottom is None or share is None else bottom.times(share),
        assumptions=tuple(dict.fromkeys(assumptions)),
        notes=tuple(dict.fromkeys(notes)),
        citations=tuple(dict.fromkeys(citations)),
    )


# --- the house -------------------------------------------------------------------------------------------------------------------


def _bedrooms(rules: RuleSet, bedrooms: int | None) -> tuple[Span, list[str], list[Citation]]:
    if bedrooms is not None:
        if not 1 <= bedrooms <= MOST_BEDROOMS:
            raise ParameterError(f"bedrooms must be 1 to {MOST_BEDROOMS}, not {bedrooms:.6g}.")
        return Span(bedrooms, bedrooms, bedrooms), [], []
    assumed = rules.sizing.assumed
    if assumed is None:
        raise ParameterError(f"bedrooms are not known, and rule set '{rules.id}' states no assumption. State them.")
    words = f"bedrooms not known: {assumed.bedrooms} assumed, {assumed.fewest_bedrooms} to {assumed.most_bedrooms} considered"
    return Span(assumed.fewest_bedrooms, assumed.bedrooms, assumed.most_bedrooms), [words], [assumed.citation]


def _flow(rules: RuleSet, house: Span, fixtures: str | None, stated: float | None) -> tuple[Span | None, list[str], list[Citation]]:
    """Design flow in m3/day; None where the code sizes by the bedroom and says no flow."""
    if fixtures is not None and fixtures not in FIXTURES:
        raise ParameterError(f"fixtures must be one of {', '.join(FIXTURES)}, not '{fixtures}'.")
    if stated is not None:
        if not (math.isfinite(stated) and stated > 0):
            raise ParameterError("the design flow must be over zero.")
        return Span(stated, stated, stated), [], []
    lines = rules.sizing.design_flow
    if not lines and rules.sizing.loading and all(line.kind in (AREA_PER_BEDROOM, NOT_SUITABLE) for line in rules.sizing.loading):
        return None, [], []
    if not lines:
        raise CodeSilentError(rules.id, "the design flow of a house")
    named = [line for line in lines if line.fixtures in (fixtures, "any")]
    open_lines = named or list(lines)

    def at(bedrooms: float) -> float:
        flows = [flow for line in open_lines if (flow := line.table.value(int(bedrooms))) is not None]
        if len(flows) < len(open_lines):
            raise CodeSilentError(rules.id, f"the design flow of a house with {int(bedrooms)} bedrooms")
        return max(flows)

    assumptions = []
    if not named:
        binding = max(open_lines, key=lambda line: line.table.value(int(house.plan)) or 0.0)
        assumptions.append(f"age of the fixtures not known: the highest flow assumed ({FIXTURES[binding.fixtures]})")
    return Span(at(house.low), at(house.plan), at(house.high)), assumptions, [line.citation for line in open_lines]


def _tank(rules: RuleSet, house: Span, flow: Span | None) -> tuple[Span | None, list[str], list[Citation]]:
    """Volume of the septic tank in m3; None, with a note, where the code is silent."""
    lines = rules.sizing.tank
    if not lines:
        return None, ["the rule set says nothing of the tank's volume"], []

    def at(bedrooms: float, flow_m3_per_day: float | None) -> float | None:
        volumes = []
        for line in lines:
            volume = line.table.value(int(bedrooms))
            if volume is None or (line.times_daily_flow and flow_m3_per_day is None):
                return None
            volumes.append(max(volume, line.times_daily_flow * (flow_m3_per_day or 0.0)))
        return max(volumes)

    flows = (None, None, None) if flow is None else flow.ends
    low, plan, high = (at(n, q) for n, q in zip(house.ends, flows, strict=True))
    if low is None or plan is None or high is None:
        return None, [f"the rule set says nothing of a tank for {int(house.high)} bedrooms"], []
    return Span(low, plan, high), [], [line.citation for line in lines]


# --- area and length -------------------------------------------------------------------------------------------------------------


def _credited(sizing: SizingRules, area: Span, gravel_m: float | None, layout: str) -> tuple[Span, list[str], list[Citation]]:
    """The area less the credit for gravel below the pipe of a trench."""
    if gravel_m is None:
        return area, [], []
    found = [credit for credit in sizing.gravel_credit if credit.low_m * (1 - SLACK) <= gravel_m < credit.high_m * (1 - SLACK)]
    if not found or layout != "trench":
        return area, ["the rule set gives no credit for this depth of gravel"], []
    (credit,) = found
    words = f"{100 * credit.reduction:g} percent less area for {from_metres(gravel_m, 'in'):.3g} in of gravel below the pipe"
    return area.times(1 - credit.reduction), [words], [credit.citation]


def _trench_length(area: Span, trench: TrenchRule, width_m: float) -> Span:
    """Length in m of all trenches together.

    Where the sides all round count, those at the ends of one trench are counted: split in several, they come out a little long.
    """
    ends_m2 = 2 * trench.sidewall_m * width_m if trench.sidewall == "perimeter" else 0.0
    per_m = width_m + (0.0 if trench.sidewall == "none" else 2 * trench.sidewall_m)
    low, plan, high = (max(value - ends_m2, 0.0) / per_m for value in area.ends)
    return Span(low, plan, high)


def _trench_rule(rules: RuleSet) -> TrenchRule:
    if rules.sizing.trench is None:
        raise CodeSilentError(rules.id, "the width, length and spacing of trenches")
    return rules.sizing.trench


def _width(trench: TrenchRule, width_m: float | None) -> float:
    if width_m is None:
        return trench.width_m
    if not trench.min_width_m * (1 - SLACK) <= width_m <= trench.max_width_m * (1 + SLACK):
        low, high = (from_metres(value, "ft") for value in (trench.min_width_m, trench.max_width_m))
        raise ParameterError(f"a trench {width_m / FOOT_M:.3g} ft wide is outside the {low:.3g} to {high:.3g} ft of {trench.citation}.")
    return width_m


def _bed_refusal(sizing: SizingRules, layout: str, percolation: float | None) -> str:
    bed = sizing.bed
    if layout == "bed" and bed is not None and percolation is not None and percolation >= bed.slowest:
        return f"no bed where the percolation is {bed.slowest:g} min/in or slower, by {bed.citation}"
    return ""
