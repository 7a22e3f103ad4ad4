"""Percolation rates and sizes as tables, in the units that the rule set's trade uses."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from geoseptic.model.citation import Citation
from geoseptic.model.results import Cell, Results, TableResult
from geoseptic.model.rules import RuleSet
from geoseptic.systems.loading import Span
from geoseptic.systems.percolation import SiteRate
from geoseptic.systems.sizing import FieldSize
from geoseptic.units import CUBIC_METRES_PER_DAY_PER_UNIT, CUBIC_METRES_PER_UNIT, METRES_PER_UNIT, SQUARE_METRES_PER_UNIT

NO_FALL = "no fall"


@dataclass(frozen=True)
class _Units:
    """Names of the units and how much of SI each is."""

    length: str
    area: str
    volume: str
    flow: str
    loading: str

    @property
    def metres(self) -> float:
        return METRES_PER_UNIT[self.length]

    @property
    def square_metres(self) -> float:
        return SQUARE_METRES_PER_UNIT[self.area]

    @property
    def cubic_metres(self) -> float:
        return CUBIC_METRES_PER_UNIT[self.volume]

    @property
    def cubic_metres_per_day(self) -> float:
        return CUBIC_METRES_PER_DAY_PER_UNIT[self.flow]


FEET = _Units("ft", "ft2", "gal", "gpd", "gpd/ft2")
METRES = _Units("m", "m2", "L", "L/day", "L/day/m2")


def percolation_results(found: SiteRate, rules: RuleSet) -> Results:
    """One row a hole, and one for the site."""
    rows: list[tuple[Cell, ...]] = [
        ("hole", hole.hole, _rate(hole.min_per_in), hole.readings, round(hole.duration_min, 2), hole.basis, "", str(found.citation))
        for hole in found.holes
    ]
    verdict = "within the test's limits" if found.usable else "not suitable"
    rows.append(("site", "", _rate(found.min_per_in), None, None, found.how, verdict, str(found.citation)))
    notes = {
        "what": "Hole, or the whole site",
        "hole": "Hole as the sheet names it",
        "min_per_in": "Minutes for the water to fall one inch",
        "falls": "How many falls were measured",
        "minutes": "From the first reading to the last",
        "basis": "What the rate rests on",
        "verdict": "Whether the rate is within the limits that the rule states for a test",
        "citation": "Where the rule was read",
    }
    return Results(
        tables=(TableResult("percolation", tuple(notes), tuple(rows), "Percolation rate", notes),),
        counts={
            "holes": len(found.holes),
            "readings": sum(hole.readings for hole in found.holes),
            "min_per_in": _rate(found.min_per_in),
            "usable": found.usable,
        },
        warnings=(*found.notes, *unchecked([found.citation])),
    )


def sizing_results(found: FieldSize, rules: RuleSet) -> Results:
    """One row a quantity: its value where it is known, else what to plan with and the range."""
    units = FEET if rules.unit == "ft" else METRES
    flow, loading = units.cubic_metres_per_day, units.cubic_metres_per_day / units.square_metres
    trench_m = None if found.trench_width_m is None else _one(found.trench_width_m)
    lines = None if found.lines is None else _one(found.lines)
    share = None if found.reserve_share is None else _one(found.reserve_share)
    rows = [
        _row("bedrooms", found.bedrooms, 1.0, "", 0),
        _row("design flow", found.flow_m3_per_day, flow, units.flow, 1),
        _row("loading", found.loading_m_per_day, loading, units.loading, 3, "; ".join(found.loading_stated), needed=False),
        _row("absorption area", found.area_m2, units.square_metres, units.area, 1),
        _row("trench width", trench_m, units.metres, units.length, 2),
        _row("trench length, all lines", found.trench_length_m, units.metres, units.length, 1),
        _row("trench lines, at least", lines, 1.0, "", 0),
        _row("area of the bottoms", found.bottom_area_m2, units.square_metres, units.area, 1),
        _row("septic tank", found.tank_volume_m3, units.cubic_metres, units.volume, 0),
        _row("reserve, share of the field", share, 0.01, "percent", 0),
        _row("reserve area", found.reserve_area_m2, units.square_metres, units.area, 1),
        ("suitable", "yes" if found.suitable else "no", None, None, None, "", found.why_not),
        *[("assumed", None, None, None, None, "", words) for words in found.assumptions],
        *[("note", None, None, None, None, "", words) for words in found.notes],
        *[("source", None, None, None, None, "", str(citation)) for citation in found.citations],
    ]
    notes = {
        "quantity": "What the row is about",
        "value": "Its value, where it is known",
        "planned": "What to plan with, where it is not known: it rests on the rows 'assumed'",
        "low": "Lower end of the range",
        "high": "Upper end of the range",
        "unit": "Unit",
        "basis": "What it rests on",
    }
    return Results(
        tables=(TableResult("sizing", tuple(notes), tuple(rows), f"Size of tank and field, by {found.layout}", notes),),
        counts={"assumptions": len(found.assumptions), "suitable": found.suitable},
        warnings=(
            *([found.why_not] if found.why_not else []),
            *(f"assumed: {words}" for words in found.assumptions),
            *found.notes,
            *unchecked(found.citations),
        ),
    )


def _row(name: str, span: Span | None, unit_si: float, unit: str, digits: int, basis: str = "", needed: bool = True) -> tuple[Cell, ...]:
    """A quantity in its unit. A range leaves the cell of the value empty: there is none. What is needed is rounded up."""
    if span is None:
        return (name, None, None, None, None, unit, basis or "not said by the rule set, or not for this soil and layout")
    low, plan, high = (_rounded(value / unit_si, digits, needed) for value in (span.low, span.plan, span.high))
    if span.known:
        return (name, plan, None, None, None, unit, basis)
    return (name, None, plan, low, high, unit, basis)


def _rounded(value: float, digits: int, up: bool) -> float | int:
    """To so many decimals. Up, unless it is over by no more than an error of calculation: 243.75 becomes 243.8, 600.0 stays."""
    scale = 10**digits
    whole = math.ceil(value * scale - 1e-6) if up else round(value * scale)
    return whole / scale if digits else whole


def _one(value: float) -> Span:
    return Span(value, value, value)


def _rate(min_per_in: float) -> Cell:
    return NO_FALL if math.isinf(min_per_in) else round(min_per_in, 2)


def unchecked(citations: Iterable[Citation]) -> list[str]:
    """A sentence for each value in use that rests on memory or on a secondary page."""
    return [f"value used that was not checked against the code's own text: {citation}" for citation in citations if not citation.checked]
