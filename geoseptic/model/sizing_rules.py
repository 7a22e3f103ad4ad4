"""What a code says on the size of a field: flow, loading, tank, trench, bed, reserve, percolation test. SI inside.

Percolation rates stay in minutes per inch: codes state their classes in them, and a conversion would blur the edges.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any, Final

from geoseptic.model.citation import Citation

FIXTURES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "any": "fixtures of any age",
        "water_saving": "water-saving fixtures (1.6 gallons a flush, sold since 1994)",
        "from_1980": "fixtures of 1980 to 1994 (3.5 gallons a flush)",
        "old": "fixtures from before 1980",
    }
)
"""What a design flow may depend on. An old house on which nobody looked has the highest figure."""

LAYOUTS: Final = ("any", "trench", "bed")

RATE, ROOT_RATE, AREA_PER_BEDROOM, AREA_PER_FLOW, NOT_SUITABLE = "rate", "root_rate", "area_per_bedroom", "area_per_flow", "not_suitable"
"""What the value of a loading line is; see Loading."""

SIDEWALLS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "none": "the bottom alone counts",
        "sides": "the bottom and the two long sides count",
        "perimeter": "the bottom and the sides all round count",
    }
)

STABILISATION: Final[Mapping[str, str]] = MappingProxyType(
    {
        "successive_drops": "the last drops, each within a length of the one before",
        "drop_range": "the largest less the smallest of the last drops within a length",
        "same_rate": "the slowest less the fastest of the last rates within a share of their mean",
        "duration": "the test lasts long enough",
        "fixed_fall": "the time that the last inches take",
    }
)

COMBINATIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "average": "arithmetic mean of the holes' minutes per inch",
        "slowest": "the slowest hole",
        "average_unless_apart": "arithmetic mean, unless the holes differ by more than a stated number of minutes per inch",
        "average_of_two_slowest": "arithmetic mean of the two slowest holes",
    }
)


@dataclass(frozen=True)
class BedroomTable:
    """A value by the number of bedrooms: that of the first count that is not smaller, beyond the last one `each_more` for each.

    `each_more` is None where the code says nothing of larger houses.
    """

    counts: tuple[int, ...]
    values: tuple[float, ...]
    each_more: float | None = None
    minimum: float = 0.0

    def value(self, bedrooms: int) -> float | None:
        """The value, or None where the table does not reach so far."""
        if bedrooms <= self.counts[-1]:
            found = next(value for count, value in zip(self.counts, self.values, strict=True) if bedrooms <= count)
        elif self.each_more is None:
            return None
        else:
            found = self.values[-1] + self.each_more * (bedrooms - self.counts[-1])
        return max(found, self.minimum)


@dataclass(frozen=True)
class DesignFlow:
    """Sewage to design for, in m3/day by bedrooms."""

    table: BedroomTable
    fixtures: str
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class TankRule:
    """Volume of the septic tank in m3 by bedrooms, and at least `times_daily_flow` days of flow."""

    table: BedroomTable
    times_daily_flow: float
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class Band:
    """Percolation rates in min/in from low to high; each edge belongs to the band or not."""

    low: float
    high: float
    low_included: bool = True
    high_included: bool = True

    def holds(self, rate_min_per_in: float) -> bool:
        """Whether a rate lies in the band. [min/in]"""
        above = rate_min_per_in > self.low or (self.low_included and rate_min_per_in == self.low)
        return above and (rate_min_per_in < self.high or (self.high_included and rate_min_per_in == self.high))

    def starts_above(self, rate_min_per_in: float) -> bool:
        """Whether all of the band is slower than a rate. [min/in]"""
        return rate_min_per_in < self.low or (rate_min_per_in == self.low and not self.low_included)

    def meets(self, other: "Band") -> bool:
        """Whether some rate is in both."""
        first, second = sorted((self, other), key=lambda band: (band.low, not band.low_included))
        if first.high == second.low:
            return first.high_included and second.low_included
        return first.high > second.low

    def __str__(self) -> str:
        if self.low == self.high:
            return f"{self.low:g} min/in"
        if math.isinf(self.high):
            return f"{'from' if self.low_included else 'over'} {self.low:g} min/in"
        return f"{'' if self.low_included else 'over '}{self.low:g} to {'' if self.high_included else 'under '}{self.high:g} min/in"


@dataclass(frozen=True)
class Loading:
    """One line of a code's loading table.

    `band` is set for lines by percolation; `soils` for lines by soil, and for lines by percolation that hold for some soils
    alone. What `value` is depends on `kind`:

    rate : m/day (m3 of sewage on a m2 in a day)
    root_rate : m/day times the root of min/in; the rate is value / sqrt(percolation)
    area_per_bedroom : m2
    area_per_flow : day/m (m2 for a m3/day), and `per_minute` more for each min/in over `beyond`
    not_suitable : 0

    `interpolate` says that the code itself lets one interpolate between the band before and this one. `flow_low` and
    `flow_high` (m3/day) bound the flows for which the line holds.
    """

    kind: str
    value: float
    stated: str
    band: Band | None
    soils: tuple[str, ...]
    layout: str
    citation: Citation
    per_minute: float = 0.0
    beyond: float = 0.0
    interpolate: bool = False
    flow_low: float = 0.0
    flow_high: float = math.inf
    note: str = ""

    def is_of(self, soil: str) -> bool:
        """Whether the line holds for a soil of that name."""
        return soil_key(soil) in {soil_key(name) for name in self.soils}

    @property
    def where(self) -> str:
        """Which percolation and soil the line is for."""
        soil = f"soil {self.soils[0]}" if self.soils else ""
        return ", ".join(part for part in (soil, str(self.band) if self.band else "") if part)


@dataclass(frozen=True)
class GravelCredit:
    """Less bottom area for a trench with gravel of this depth below its pipe (from `low_m`, under `high_m`)."""

    low_m: float
    high_m: float
    reduction: float
    citation: Citation


@dataclass(frozen=True)
class TrenchRule:
    """Trenches. Spacing is the larger of `spacing_m` and `spacing_widths` trench widths, between walls or between centres."""

    width_m: float
    min_width_m: float
    max_width_m: float
    max_length_m: float
    spacing_m: float
    spacing_widths: float
    spacing_between: str
    sidewall: str
    sidewall_m: float
    min_depth_m: float | None
    max_depth_m: float | None
    citation: Citation
    note: str = ""

    def wall_to_wall_m(self, width_m: float) -> float:
        """Undisturbed soil between the side walls of two neighbouring trenches of that width."""
        spacing = max(self.spacing_m, self.spacing_widths * width_m)
        return spacing - width_m if self.spacing_between == "centres" else spacing


@dataclass(frozen=True)
class BedRule:
    """Beds. `slowest` (min/in) is the percolation from which on none is allowed; `area_times` the trench area that one needs."""

    allowed: bool
    area_times: float
    slowest: float
    max_width_m: float
    max_length_m: float
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class ReserveRule:
    """Area to keep free for a second field, as a share of the first."""

    share: float
    only_where_possible: bool
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class Assumed:
    """What is assumed of a house or soil of which nothing is known; `soil` and `percolation` may both be left open."""

    bedrooms: int
    fewest_bedrooms: int
    most_bedrooms: int
    percolation_min_per_in: float | None
    soil: str
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class BuildingSewer:
    """Least fall of the sewer from house to tank, for pipes from `diameter_low_m` to `diameter_high_m` wide, both included."""

    fall_m_per_m: float
    stated: str
    diameter_low_m: float
    diameter_high_m: float
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class Spacing:
    """How far a hole must be from every other of its kind (`least_m`), and how far it may be from the next one (`most_m`)."""

    least_m: float = 0.0
    most_m: float = math.inf

    @property
    def is_stated(self) -> bool:
        return self != Spacing()


@dataclass(frozen=True)
class PitRule:
    """Soil pits or borings, in the field and in the reserve each. `note` is for those who dig."""

    number: int
    spacing: Spacing
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class PercolationRule:
    """How a percolation test is run and read. Times in minutes, lengths in metres, rates in min/in.

    kind : a key of STABILISATION, with `count` readings and the tolerance `within_m` or `within_share`.
    settled_after : with so many readings a hole counts as settled whatever they say; None where the code has no such rule.
    mean_of : the hole's rate is the mean of so many last rates (1: the last one).
    fall_m : for fixed_fall, the last fall that is timed.
    """

    kind: str
    holes: int
    presoak_min: float
    min_readings: int
    duration_min: float
    interval_min: tuple[float, ...]
    count: int
    within_m: float
    within_share: float
    settled_after: int | None
    mean_of: int
    fall_m: float
    combine: str
    apart_min_per_in: float
    fastest: float
    slowest: float
    citation: Citation
    note: str = ""
    spacing: Spacing = Spacing()


@dataclass(frozen=True)
class SizingRules:
    """Every sizing table of one code; what is empty or None the code (or what was read of it) does not say."""

    design_flow: tuple[DesignFlow, ...] = ()
    loading: tuple[Loading, ...] = ()
    tank: tuple[TankRule, ...] = ()
    gravel_credit: tuple[GravelCredit, ...] = ()
    trench: TrenchRule | None = None
    bed: BedRule | None = None
    reserve: ReserveRule | None = None
    assumed: Assumed | None = None
    percolation: PercolationRule | None = None
    building_sewer: tuple[BuildingSewer, ...] = ()
    test_pits: PitRule | None = None

    @property
    def stated(self) -> frozenset[str]:
        """The names of the tables that say something."""
        return frozenset(field.name for field in fields(self) if getattr(self, field.name))

    @property
    def soils(self) -> tuple[str, ...]:
        """Every soil that the loading table names."""
        return tuple(dict.fromkeys(name for line in self.loading for name in line.soils))

    def sewer_fall(self, diameter_m: float) -> BuildingSewer | None:
        """The steepest fall that the code asks of a pipe so wide; None where it is silent on it."""
        lines = [line for line in self.building_sewer if line.diameter_low_m - 1e-9 <= diameter_m <= line.diameter_high_m + 1e-9]
        return max(lines, key=lambda line: line.fall_m_per_m, default=None)

    @property
    def citations(self) -> tuple[Citation, ...]:
        """Every citation in use, in the order of their keys."""
        entries = (entry for field in fields(self) for entry in _listed(getattr(self, field.name)))
        return tuple(sorted({entry.citation for entry in entries}, key=lambda citation: (citation.key, str(citation))))


def soil_key(name: str) -> str:
    """A soil's name for comparing: without regard to case and to runs of spaces."""
    return " ".join(name.casefold().split())


def _listed(value: Any) -> Iterable[Any]:
    if value is None:
        return ()
    return value if isinstance(value, tuple) else (value,)
