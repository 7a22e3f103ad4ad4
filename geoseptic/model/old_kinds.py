"""What an old system is, as a table: where its water ends, whether a tank is before it, whose water it is; with words and sources."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from geoseptic.model.citation import Citation
from geoseptic.model.finding_words import CLEAR_WATER, GREYWATER, SEWAGE

ACCEPTABLE: Final = "acceptable"
REPLACE_WHEN: Final = "must be replaced when"
CANNOT_SAY: Final = "cannot say"
NOT_ACCEPTABLE: Final = "not acceptable"
VERDICTS: Final = (NOT_ACCEPTABLE, CANNOT_SAY, REPLACE_WHEN, ACCEPTABLE)
"""The worst first: a property has the worst verdict of its systems."""

PIT: Final = "pit"
FIELD: Final = "field"
OPEN: Final = "open"
SEWER: Final = "sewer"
HELD: Final = "held"
ENDS: Final = (PIT, FIELD, OPEN, SEWER, HELD)
"""Where water may end: in a pit, in a drain field, in the open, in a public sewer, or in a tank that is pumped out."""

WATERS: Final = (SEWAGE, GREYWATER, CLEAR_WATER)

READ_ON: Final = "2026-11-26"
PRACTICE: Final = Citation("practice", "Common practice", "no source", "undated", "", "", checked=False)
WA_DEFINITIONS: Final = Citation(
    "wa-0010", "WAC 246-272A-0010", "(12) Cesspool", "stored copy, undated",
    "https://app.leg.wa.gov/wac/default.aspx?cite=246-272A-0010", READ_ON, checked=True,
    note="read in a copy of the code, not on the state's own page",
)  # fmt: skip
IPSDC_DEFINITIONS: Final = Citation(
    "ipsdc-202", "International Private Sewage Disposal Code", "section 202, Cesspool", "2012",
    "https://up.codes/viewer/south_holland/ipsdc-2012/chapter/2/definitions", READ_ON, checked=True,
)  # fmt: skip
SEEPAGE_DEFINITION: Final = Citation(
    "seepage-pit", "10 NYCRR Appendix 75-A", "75-A.1(b), Seepage pit", "2010-02-03", "", "", checked=False, note="from memory"
)
WA_HOLDING: Final = Citation(
    "wa-0240", "WAC 246-272A-0240", "(1) and (2)", "2007-07-01",
    "http://www.mrsc.org/mc/wac/wac%20246%20%20title/wac%20246%20-272a%20chapter/wac%20246%20-272a-0240.htm", READ_ON, checked=True,
)  # fmt: skip
OR_DISCHARGES: Final = Citation(
    "or-0130", "OAR 340-071-0130", "(3) Prohibited discharges of wastewater", "stored copy, undated",
    "https://oregon.public.law/rules/oar_340-071-0130", READ_ON, checked=True,
)  # fmt: skip
MA_FAILURE: Final = Citation(
    "ma-15303", "310 CMR 15.303", "(1)(a)", "2024-05-24",
    "http://casetext.com/regulation/code-of-massachusetts-regulations/department-310-cmr-department-of-environmental-protection/"
    "title-310-cmr-15000-the-state-environmental-code-title-5-standard-requirements-for-the-sitting-construction-inspection-upgrade-and-expansion-of-on-site-sewage/"
    "subpart-d-inspection-and-maintenance-of-systems/section-15303-systems-failing-to-protect-public-health-and-safety-and-the-environment",
    READ_ON, checked=True,
    note="read in a copy of the code, not on the state's own page",
)  # fmt: skip
WA_GREYWATER: Final = Citation(
    "wa-272c-0020", "WAC 246-272C-0020", "(9) Greywater", "stored copy, undated",
    "https://apps.leg.wa.gov/wac/default.aspx?cite=246-272C-0020", READ_ON, checked=True,
)  # fmt: skip
MA_ABANDONMENT: Final = Citation(
    "ma-15354", "310 CMR 15.354", "Abandonment of systems", "undated", "", "", checked=False, note="from memory"
)


@dataclass(frozen=True)
class OldKind:
    """One kind of old system.

    words, definition, basis : what it is called, by what it is known, and where that is said.
    asks : kinds whose standing in the rule set counts, the first that is not silent.
    otherwise, why : the verdict where the rule set is silent, and its reason; `why_basis` where that is said.
    """

    words: str
    definition: str
    basis: Citation
    asks: tuple[str, ...]
    otherwise: str
    why: str
    why_basis: Citation = PRACTICE


ASK: Final = "the rule set says nothing of it: ask the health authority"

OLD_KINDS: Final[Mapping[str, OldKind]] = MappingProxyType(
    {
        "direct_discharge": OldKind(
            "straight pipe to the open",
            "waste water that comes out in the open, at a ditch, creek, slope or storm drain",
            OR_DISCHARGES,
            ("straight_pipe",),
            NOT_ACCEPTABLE,
            "waste water on the ground or in a ditch or stream is a danger to health wherever it is; other codes forbid it",
            OR_DISCHARGES,
        ),
        "cesspool": OldKind(
            "cesspool",
            "a pit that takes untreated sewage and lets the liquid seep into the ground: nothing parts solids from liquid before it",
            WA_DEFINITIONS,
            ("cesspool",),
            CANNOT_SAY,
            ASK,
        ),
        "cesspools_in_series": OldKind(
            "cesspool with an overflow pit",
            "a pit that takes untreated sewage and overflows into another: a pit is no tank, so the second is a cesspool too",
            IPSDC_DEFINITIONS,
            ("cesspool",),
            CANNOT_SAY,
            ASK,
        ),
        "field_without_tank": OldKind(
            "drain field without a tank",
            "untreated sewage to perforated pipe or a trench, without a tank before it",
            PRACTICE,
            (),
            NOT_ACCEPTABLE,
            "solids clog the soil, and no code that geoseptic has read allows a field without treatment before it",
        ),
        "greywater_pit": OldKind(
            "greywater pit",
            "a pit that takes water of baths, showers, basins or laundry only, without a tank",
            WA_GREYWATER,
            ("dry_well", "cesspool"),
            CANNOT_SAY,
            ASK,
        ),
        "seepage_pit": OldKind(
            "septic tank and seepage pit",
            "a tank, then a pit that lets the settled liquid seep into the ground",
            SEEPAGE_DEFINITION,
            ("seepage_pit",),
            CANNOT_SAY,
            ASK,
        ),
        "seepage_pits_in_series": OldKind(
            "septic tank and seepage pits, one after the other",
            "a tank, then a pit that overflows into another",
            SEEPAGE_DEFINITION,
            ("seepage_pit",),
            CANNOT_SAY,
            ASK,
        ),
        "holding_tank": OldKind(
            "holding tank",
            "a tank without an outlet, which must be pumped out",
            WA_HOLDING,
            (),
            CANNOT_SAY,
            "holding tanks are allowed in few cases and with a contract for pumping: ask for permit and pumping record",
            WA_HOLDING,
        ),
        "conventional": OldKind(
            "septic tank and drain field",
            "a tank, then perforated pipe, trenches or a bed",
            PRACTICE,
            ("tank_and_field",),
            ACCEPTABLE,
            "the ordinary system of every code that geoseptic has read",
        ),
        "clear_water": OldKind(
            "drain of clear water",
            "water of roofs, sumps, softeners or condensate only",
            PRACTICE,
            (),
            ACCEPTABLE,
            "no waste water goes into it; some codes keep it apart from wells and fields",
        ),
        "public_sewer": OldKind(
            "public sewer", "a connection to the public sewer", PRACTICE, (), ACCEPTABLE, "the sewer's owner answers for what follows"
        ),
        "not_in_use": OldKind(
            "out of use",
            "a tank or pit that is noted as abandoned or filled and that nothing was seen to flow into",
            MA_ABANDONMENT,
            (),
            NOT_ACCEPTABLE,
            "an old tank or pit must be pumped out and filled or taken away: it collapses, and counts as a source until then",
            MA_ABANDONMENT,
        ),
        "filled": OldKind(
            "out of use and filled", "a tank or pit that is noted as filled and that nothing was seen to flow into", MA_ABANDONMENT, (),
            ACCEPTABLE, "filled, so that it can neither collapse nor be used", MA_ABANDONMENT,
        ),
    }
)  # fmt: skip
"""The worst first: of several kinds that a system may be, the first names it."""


@dataclass(frozen=True)
class Line:
    """One line of the table: the kind where all that it states holds. None: whatever it is."""

    kind: str
    end: str
    waters: tuple[str, ...]
    untreated: bool | None = None
    in_series: bool | None = None


WASTE: Final = (SEWAGE, GREYWATER)

TABLE: Final = (
    Line("public_sewer", SEWER, WATERS),
    Line("clear_water", OPEN, (CLEAR_WATER,)),
    Line("clear_water", PIT, (CLEAR_WATER,)),
    Line("clear_water", FIELD, (CLEAR_WATER,)),
    Line("direct_discharge", OPEN, WASTE),
    Line("cesspool", PIT, (SEWAGE,), untreated=True, in_series=False),
    Line("cesspools_in_series", PIT, (SEWAGE,), untreated=True, in_series=True),
    Line("greywater_pit", PIT, (GREYWATER,), untreated=True),
    Line("seepage_pit", PIT, WASTE, untreated=False, in_series=False),
    Line("seepage_pits_in_series", PIT, WASTE, untreated=False, in_series=True),
    Line("field_without_tank", FIELD, WASTE, untreated=True),
    Line("conventional", FIELD, WASTE, untreated=False),
    Line("holding_tank", HELD, WATERS),
)
"""Which kind it is. Of every end, water and answer exactly one line holds; tests/model/test_old_kinds.py goes through all of them."""


def kinds_of(ends: Iterable[str], untreated: Iterable[bool], waters: Iterable[str], in_series: bool) -> frozenset[str]:
    """The kinds that a system may be, of all that its end, the lack of a tank and its water may be."""
    untreated, waters = tuple(untreated), tuple(waters)
    return frozenset(_kind(end, bare, water, in_series) for end in ends for bare in untreated for water in waters)


def _kind(end: str, untreated: bool, water: str, in_series: bool) -> str:
    return next(
        line.kind
        for line in TABLE
        if line.end == end and water in line.waters and line.untreated in (None, untreated) and line.in_series in (None, in_series)
    )
