"""What a code says: setbacks, slope limits and sizing, each with its citation. Silence raises; it never becomes zero."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType
from typing import Final

from geoseptic.errors import CodeSilentError, ParameterError, listed
from geoseptic.model.certainty import NOTHING_STATED, Certainty
from geoseptic.model.citation import Citation as Citation
from geoseptic.model.sizing_rules import SizingRules
from geoseptic.model.soil_rules import VerticalSeparation
from geoseptic.model.standing_rules import KINDS, Era, Standing, StandingLine, standing_of

PARTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "building_sewer": "Building sewer",
        "septic_tank": "Septic tank",
        "distribution_box": "Distribution box",
        "drain_field": "Drain field",
        "reserve": "Reserve area",
        "seepage_pit": "Seepage pit",
        "cesspool": "Cesspool",
    }
)
"""The parts of a system, in the order in which sewage meets them."""

FEATURES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "private_well": "Private well",
        "public_well": "Public well",
        "irrigation_well": "Irrigation well",
        "decommissioned_well": "Decommissioned well",
        "spring": "Spring",
        "public_spring": "Public spring",
        "surface_water": "Surface water",
        "intermittent_water": "Intermittent water",
        "water_supply_reservoir": "Water supply reservoir",
        "water_supply_tributary": "Tributary to a water supply",
        "irrigation_canal": "Irrigation canal or ditch",
        "wetland": "Wetland",
        "vernal_pool": "Vernal pool",
        "lot_line": "Lot line",
        "building": "Building",
        "driveway": "Driveway",
        "pool": "Swimming pool",
        "cut_bank": "Cut or bank",
        "water_line": "Water line",
        "drain": "Drain or interceptor",
        "dry_well": "Dry well or stormwater infiltration",
        "underground_utility": "Underground utility",
        "existing_field": "Existing drain field",
        "existing_pit": "Existing seepage pit or cesspool",
    }
)
"""What a part keeps its distance from; the order is that of the bits in the reasons raster."""

DRINKING_WATER: Final = frozenset(
    {
        "private_well", "public_well", "irrigation_well", "decommissioned_well", "spring", "public_spring",
        "surface_water", "intermittent_water", "water_supply_reservoir", "water_supply_tributary",
    }
)  # fmt: skip
"""Features for which a silent code stops the run: a missing value here can put sewage into somebody's water."""

STRICTER: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "irrigation_well": ("private_well",),
        "decommissioned_well": ("private_well",),
        "intermittent_water": ("surface_water",),
        "irrigation_canal": ("surface_water",),
        "wetland": ("surface_water",),
        "vernal_pool": ("wetland",),
        "spring": ("private_well",),
        "public_spring": ("public_well", "spring"),
        "public_well": ("private_well",),
        "water_supply_reservoir": ("surface_water",),
        "water_supply_tributary": ("surface_water",),
    }
)
"""Where a code does not name the first, the others are what it is most nearly (a decommissioned well was a hole to the
aquifer); of several the longest counts; the stand-in is reported. A public well that a code does not name is at least a well."""

CONDITIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        # found from the ground by geoseptic itself
        "drainage_path": "the part lies in the direct path of drainage to the feature",
        "feature_downslope": "the feature lies downslope of the part",
        "feature_upslope": "the feature lies upslope of the part",
        # facts about the site, stated by the user or unknown
        "coarse_gravel": "the field lies in coarse gravel",
        "permeable_soil": "the soil is more permeable than clay or loam",
        "soil_group_a": "the soil is of group A",
        "soil_group_b": "the soil is of group B",
        "soil_group_c": "the soil is of group C",
        "shallow_restrictive_layer": "less than 5 ft of undisturbed soil lie above a restrictive layer",
        "deep_undisturbed_soil": "at least 5 ft of undisturbed soil lie above a restrictive layer",
        "cut_meets_limiting_layer": "the cut meets a layer that limits the effective soil depth",
        "cut_clear_of_limiting_layer": "the cut does not meet a layer that limits the effective soil depth",
        "steep_ground": "the ground is steeper than 3 percent",
        "gentle_ground": "the ground is not steeper than 3 percent",
        "large_flow": "the facility's design flow is over the code's threshold",
        "cast_iron_pipe": "the sewer is of cast iron with watertight joints",
        "other_pipe": "the sewer is not of cast iron",
        # facts about one feature, from its own column or unknown
        "deep_casing": "the well has deep watertight casing, or casing sealed into an impervious stratum",
        "pressure_cemented": "the well's annulus is pressure cemented",
        "sensitive_well": "the well is shallow or its casing is not known to be deep",
        "shallow_aquifer": "water enters the well less than 50 ft below grade",
        "basement": "the building has a basement or cellar",
        "no_basement": "the building stands on a slab or crawl space",
        "not_a_dwelling": "the building is not a dwelling",
        "lined_watertight": "the channel is lined or piped watertight",
        "unlined": "the channel is not lined",
        "feeds_water_supply": "the wetland or drain borders or drains to a water supply or a tributary of one",
        "intercepts_groundwater": "the drain or ditch meets or lowers the seasonal high groundwater",
        "protected_water": "the water carries a class for which the code asks the longer distance",
        # said by the health authority
        "authority_consent": "the health authority has agreed in writing to a shorter distance here",
    }
)  # fmt: skip
"""Every condition that a setback may depend on."""

GROUND_CONDITIONS: Final = frozenset({"drainage_path", "feature_downslope", "feature_upslope"})
"""Conditions that differ from place to place round one feature and follow from elevation."""

EXCLUSIVE: Final[tuple[frozenset[str], ...]] = (
    frozenset({"feature_downslope", "feature_upslope"}),
    frozenset({"soil_group_a", "soil_group_b", "soil_group_c"}),
    frozenset({"shallow_restrictive_layer", "deep_undisturbed_soil"}),
    frozenset({"cut_meets_limiting_layer", "cut_clear_of_limiting_layer"}),
    frozenset({"steep_ground", "gentle_ground"}),
    frozenset({"cast_iron_pipe", "other_pipe"}),
    frozenset({"basement", "no_basement"}),
    frozenset({"lined_watertight", "unlined"}),
)
"""Groups of conditions of which exactly one is true."""


@dataclass(frozen=True)
class Setback:
    """One line of a code's table.

    distance_m is None where the code states that none applies. `when` names conditions that must all hold. A `relief`
    is a shorter distance that the authority may grant: never applied unless the user says that it was granted.
    """

    part: str
    feature: str
    distance_m: float | None
    stated: str
    when: frozenset[str]
    relief: bool
    measured_from: str
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class Requirement:
    """What a code asks between one part and one feature, before it is known which conditions hold.

    `stands_for` is the feature whose value is used because the code does not name this one, else None.
    """

    part: str
    feature: str
    entries: tuple[Setback, ...]
    stands_for: str | None = None

    def settled(self, known: Mapping[str, bool], granted: frozenset[str] = frozenset()) -> "Settled":
        """Split the entries by what is known.

        Parameters
        ----------
        known : condition name -> whether it holds; a condition not named is unknown.
        granted : reliefs that the authority has granted for this part and feature, by condition name. One counts where
            all its conditions are granted and known to hold; without a condition it never counts.

        Raises
        ------
        ParameterError : a name is no condition, or two that exclude each other are said to hold.
        """
        facts = with_exclusions(known)
        _refuse_unknown_conditions(granted)
        reliefs = [
            entry
            for entry in self.entries
            if entry.relief and entry.when and entry.when <= granted and all(facts.get(name) is True for name in entry.when)
        ]
        if reliefs:
            return Settled(min(reliefs, key=_distance), ())
        open_entries = [entry for entry in self.entries if not entry.relief and not any(facts.get(name) is False for name in entry.when)]
        certain = min(
            (max((e for e in open_entries if e.when <= holding), key=_distance, default=None) for holding in cases(open_entries, facts)),
            key=lambda entry: -2.0 if entry is None else _distance(entry),
        )
        if not open_entries:
            # Every line was ruled out by stated facts: keep the longest, a gap in a table is no permission.
            certain = max((entry for entry in self.entries if not entry.relief), key=_distance)
        least_m = -1.0 if certain is None else _distance(certain)
        possible = tuple(sorted((entry for entry in open_entries if _distance(entry) > least_m), key=_distance))
        if certain is None and not possible:
            # Every line that may hold says "not applicable": so does their sum.
            certain = open_entries[0]
        return Settled(certain, possible)


@dataclass(frozen=True)
class Settled:
    """`certain` binds in any case (None where the code's lines do not cover every case); each of `possible` is longer and
    binds where its conditions hold."""

    certain: Setback | None
    possible: tuple[Setback, ...]

    @property
    def largest(self) -> Setback:
        entry = self.possible[-1] if self.possible else self.certain
        assert entry is not None  # one of the two is there: a requirement has at least one line
        return entry


@dataclass(frozen=True)
class SlopeLimit:
    """The steepest ground for a part; `kind` is the layout that it is for: any, trench or bed."""

    part: str
    max_percent: float
    kind: str
    citation: Citation
    note: str = ""


@dataclass(frozen=True)
class RuleSet:
    """One code, with what it extends already merged in."""

    id: str
    title: str
    jurisdiction: str
    edition: str
    unit: str
    summary: str
    extends: tuple[str, ...]
    setbacks: tuple[Setback, ...]
    slope_limits: tuple[SlopeLimit, ...]
    source: str = ""
    sizing: SizingRules = field(default_factory=SizingRules)
    vertical_separation: tuple[VerticalSeparation, ...] = ()
    standings: tuple[StandingLine, ...] = ()
    eras: tuple[Era, ...] = ()
    certainty: Certainty = NOTHING_STATED

    def standing(self, kind: str) -> Standing:
        """What the code says of a kind of old system; where it says nothing the answer is silent, and its words say to ask."""
        if kind not in KINDS:
            raise ParameterError(f"no such kind of system: '{kind}'. Kinds: {', '.join(KINDS)}.")
        return standing_of(kind, self.standings)

    def era(self, year_built: float) -> Era | None:
        """The era of a house of that year; None where the year is unknown (NaN) or in no era."""
        return next((era for era in self.eras if era.holds(year_built)), None)

    def requirement(self, part: str, feature: str) -> Requirement:
        """What the code asks between `part` and `feature`; raises CodeSilentError where it says nothing."""
        if part not in PARTS or feature not in FEATURES:
            raise ParameterError(
                f"no such part and feature: '{part}', '{feature}'. Parts: {', '.join(PARTS)}; features: {', '.join(FEATURES)}."
            )
        named = lines_that_count(self.setbacks, part, feature)
        if named is None:
            raise CodeSilentError(self.id, f"the distance from a {_words(part)} to a {_words(feature)}")
        name, entries = named
        return Requirement(part, feature, entries, None if name == feature else name)

    def setback(self, part: str, feature: str, known: Mapping[str, bool] | None = None) -> Setback:
        """The one setback to keep: the longest that holds or may hold. Raises CodeSilentError."""
        return self.requirement(part, feature).settled(known or {}).largest

    def slope_limit(self, part: str = "drain_field", kind: str | None = None) -> SlopeLimit:
        """The steepest ground that the code allows for `part`, or for that kind of it (trench, bed); raises CodeSilentError."""
        limits = [limit for limit in self.slope_limits if limit.part == part and kind in (None, limit.kind)]
        if not limits:
            raise CodeSilentError(self.id, f"the slope of the ground for a {_words(part)}")
        # Several kinds (trench, bed): the most permissive one, since a layout may choose its kind.
        return max(limits, key=lambda limit: limit.max_percent)

    def silent_on(self, part: str, features: Iterable[str]) -> tuple[str, ...]:
        """Those of `features` on which the code says nothing for `part`."""
        silent = []
        for feature in features:
            try:
                self.requirement(part, feature)
            except CodeSilentError:
                silent.append(feature)
        return tuple(silent)

    @property
    def standing_citations(self) -> tuple[Citation, ...]:
        """Every citation of a line on old systems, in the order of the lines."""
        return tuple(dict.fromkeys(line.citation for line in self.standings))

    @property
    def citations(self) -> tuple[Citation, ...]:
        """Every citation of a setback or slope limit, in the order of their keys; those of sizing are in `sizing.citations`."""
        found = {entry.citation for entry in self.setbacks} | {limit.citation for limit in self.slope_limits}
        return tuple(sorted(found, key=lambda citation: (citation.key, str(citation))))


def lines_that_count(setbacks: Sequence[Setback], part: str, feature: str) -> tuple[str, tuple[Setback, ...]] | None:
    """The feature whose lines count for `feature` (itself, or what stands in for it) and these lines; None if the code is silent."""
    entries = tuple(entry for entry in setbacks if entry.part == part and entry.feature == feature)
    if any(not entry.relief for entry in entries):
        return feature, entries
    found = [named for name in STRICTER.get(feature, ()) if (named := lines_that_count(setbacks, part, name)) is not None]
    return max(found, key=lambda named: max(_distance(entry) for entry in named[1] if not entry.relief), default=None)


def with_exclusions(known: Mapping[str, bool]) -> dict[str, bool]:
    """`known` and what follows from it: of each exclusive group exactly one holds.

    Raises ParameterError where a name is no condition, or where two of one group are said to hold.
    """
    _refuse_unknown_conditions(known)
    facts = dict(known)
    for group in EXCLUSIVE:
        holding = sorted(name for name in group if facts.get(name) is True)
        unknown = [name for name in group if name not in facts]
        if len(holding) > 1:
            raise ParameterError(f"{' and '.join(holding)} cannot hold together: state one of them.")
        if holding:
            facts |= dict.fromkeys(unknown, False)
        elif len(unknown) == 1:
            facts[unknown[0]] = True
    return facts


def _refuse_unknown_conditions(names: Iterable[str]) -> None:
    unknown = sorted(name for name in names if name not in CONDITIONS)
    if unknown:
        raise ParameterError(f"no such condition: {listed(unknown)}. The conditions are {', '.join(CONDITIONS)}.")


def cases(entries: Sequence[Setback], facts: Mapping[str, bool]) -> Iterator[frozenset[str]]:
    """The conditions that hold, of those that the entries name, for every case that the known facts leave open."""
    names = sorted(set().union(*(entry.when for entry in entries)) if entries else ())
    for values in product((True, False), repeat=len(names)):
        case = dict(zip(names, values, strict=True))
        if all(facts.get(name, value) == value for name, value in case.items()) and all(
            _one_holds(group, case, facts) for group in EXCLUSIVE if group & case.keys()
        ):
            yield frozenset(name for name, value in case.items() if value)


def _one_holds(group: frozenset[str], case: Mapping[str, bool], facts: Mapping[str, bool]) -> bool:
    """Whether exactly one of `group` holds in `case`, or may hold outside it."""
    holding = sum(case.get(name, False) for name in group)
    elsewhere = any(name not in case and facts.get(name) is not False for name in group)
    return holding == 1 or (holding == 0 and elsewhere)


def _distance(entry: Setback) -> float:
    return -1.0 if entry.distance_m is None else entry.distance_m


def _words(name: str) -> str:
    return name.replace("_", " ")
