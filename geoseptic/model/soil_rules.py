"""What makes a soil unfit, as data: the federal criteria for absorption fields, and how far a code keeps a field above rock and water."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from geoseptic.model.citation import Citation
from geoseptic.model.sizing_rules import Band, soil_key
from geoseptic.units import FOOT_M

SoilClass = Literal["slight", "moderate", "severe"]
CLASSES: Final[tuple[SoilClass, ...]] = ("slight", "moderate", "severe")
"""From the least limiting to the most."""

PROPERTIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "slope_percent": "slope",
        "bedrock_m": "depth to bedrock",
        "pan_m": "depth to a cemented pan",
        "water_m": "depth to high water",
        "ksat_um_s": "permeability",
        "flooding": "flooding",
        "ponding_percent": "ponding",
        "stones_percent": "large stones",
        "subsidence_m": "subsidence",
        "permafrost": "permafrost",
    }
)
"""What the criteria judge, with its words; the fields of SoilProperties."""

LIMITING: Final[Mapping[str, str]] = MappingProxyType(
    {
        "bedrock": "bedrock",
        "fractured_bedrock": "fractured bedrock or very permeable material",
        "impermeable_layer": "an impermeable or unsuitable layer",
        "high_water": "seasonal high water",
        "normal_high_water": "water that stands for most of the year",
    }
)
"""What a field is kept above."""

MEASURED_FROM: Final = ("field_bottom", "ground")

RATED_DEPTH_M: Final = (24 * FOOT_M / 12, 60 * FOOT_M / 12)
"""Depths between which the criteria judge permeability: 24 to 60 in; newer ratings 24 to 72 in (soil-survey-ratings in
data/references.toml)."""

EDGE: Final = 1e-9
"""A value nearer than this to the edge of a class is on it: conversions of units must not push it over."""


@dataclass(frozen=True)
class Span:
    """A number that is known to lie from `low` to `high`. One that is known is both; of one that is unknown both ends are infinite."""

    low: float
    high: float

    @classmethod
    def of(cls, value: float) -> "Span":
        """The number itself; unknown where it is NaN."""
        return UNKNOWN if math.isnan(value) else cls(value, value)

    @property
    def is_known(self) -> bool:
        return self.low == self.high

    def shallower(self, other: "Span") -> "Span":
        """The lesser of the two depths, as far as it is known."""
        return Span(min(self.low, other.low), min(self.high, other.high))


UNKNOWN: Final = Span(-math.inf, math.inf)


@dataclass(frozen=True)
class SoilProperties:
    """One map unit in SI; every number is a Span, so that "none down to 2 m" is not taken for "none". Words are None where unknown."""

    slope_percent: Span = UNKNOWN
    bedrock_m: Span = UNKNOWN
    pan_m: Span = UNKNOWN
    water_m: Span = UNKNOWN
    ksat_um_s: Span = UNKNOWN
    flooding: str | None = None
    ponding_percent: Span = UNKNOWN
    stones_percent: Span = UNKNOWN
    subsidence_m: Span = UNKNOWN
    permafrost: str | None = None
    restriction_m: Span = UNKNOWN
    soil: str | None = None
    """By the name that the rules have for it."""
    hydrologic_group: str | None = None
    """A, B, C or D; A/D, B/D or C/D for a soil that is D unless somebody keeps it drained (neh-630-7; key in data/references.toml)."""


@dataclass(frozen=True)
class Criterion:
    """One line of the federal table.

    By number: moderate from `mild` to `harsh`, both included, severe beyond `harsh`; `more_is_worse` says on which side that is. Where
    the table has no moderate, `mild` equals `harsh` and that value itself is slight. By words: `words` maps each to its class.
    """

    property: str
    feature: str
    mild: float
    harsh: float
    more_is_worse: bool
    words: Mapping[str, SoilClass]
    stated: str
    citation: Citation
    note: str = ""

    def rating(self, value: float) -> SoilClass:
        """The class of a number in the unit of the property."""
        sign = 1.0 if self.more_is_worse else -1.0
        if sign * (value - self.harsh) > EDGE:
            return "severe"
        return "moderate" if self.mild != self.harsh and sign * (value - self.mild) >= -EDGE else "slight"


@dataclass(frozen=True)
class SoilRating:
    """What a soil rates as: the worst of all criteria, between `at_best` and `at_worst` where something is not known.

    `limiting` names the features that surely make it as bad as `at_best`, `unknown` the properties that may make it worse. A "severe" is
    a flag for a look on the ground, and a ban only where a code says so; a "slight" that rests on a map is no test of a lot.
    """

    at_best: SoilClass
    at_worst: SoilClass
    limiting: tuple[str, ...]
    unknown: tuple[str, ...]

    @property
    def soil_class(self) -> Literal["slight", "moderate", "severe", "unknown"]:
        return self.at_best if self.at_best == self.at_worst else "unknown"

    @property
    def words(self) -> str:
        """One line for a report, such as "unknown: at best moderate (slope); not known: large stones"."""
        if self.soil_class != "unknown":
            return f"{self.soil_class} ({', '.join(self.limiting)})" if self.limiting else self.soil_class
        why = f" ({', '.join(self.limiting)})" if self.limiting else ""
        return f"unknown: at best {self.at_best}{why}; not known: {', '.join(self.unknown)}"


@dataclass(frozen=True)
class VerticalSeparation:
    """One line of a code: soil of `distance_m` between a field and what limits it.

    measured_from : "field_bottom" (of the trench or bed), or "ground" for usable soil counted from the surface.
    when : conditions of the rules that must all hold; `band`: percolation rates, and `soils`: soils for which the line holds. All empty:
    always.
    distance_m : infinite where no depth is enough for the kind of field that is screened here; that never reads as "fails", for another
    kind may do.
    """

    above: str
    distance_m: float
    stated: str
    measured_from: str
    when: frozenset[str]
    band: Band | None
    citation: Citation
    note: str = ""
    soils: tuple[str, ...] = ()

    @property
    def key(self) -> tuple[str, str, frozenset[str], Band | None, frozenset[str]]:
        """A line replaces the one of the same key."""
        return self.above, self.measured_from, self.when, self.band, frozenset(soil_key(name) for name in self.soils)

    def is_of(self, soil: str) -> bool:
        """Whether the line names that soil."""
        return soil_key(soil) in {soil_key(name) for name in self.soils}
