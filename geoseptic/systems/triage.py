"""What is probably in the ground of a lot of which the county has no paper, and what to ask first: stated rules, no measured odds.

Every answer is in words. Nothing here clears a lot: what is not known stays "unknown", and what a house of some age commonly had is marked
as common practice.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from geoseptic.model.rules import RuleSet
from geoseptic.model.standing_rules import KINDS, Era

PIT_LIKELY: Final = "pit without a tank likely"
PIT_POSSIBLE: Final = "pit without a tank possible"
TANK_EXPECTED: Final = "tank expected"
ON_SEWER: Final = "on a sewer: an old system may remain"
UNKNOWN: Final = "unknown"
NO_HOUSE: Final = "no house on record"
ANSWERS: Final = (PIT_LIKELY, PIT_POSSIBLE, TANK_EXPECTED, ON_SEWER, UNKNOWN, NO_HOUSE)

BY_PERMIT: Final = "what the permit on file is said to be for"
BY_AGE: Final = "the age of the house alone (common practice, no source)"
BY_NOTHING: Final = "nothing that is on record"

WITHOUT_TANK: Final = frozenset({"cesspool", "privy", "dry_well", "straight_pipe"})
"""Kinds that let sewage into the ground or the open without a tank before it."""

SMALL_LOT_M2: Final = 929.0304
"""10,000 ft2: a lot on which there was hardly room for a field beside the house. Common practice, no source."""

EARLIEST_YEAR: Final = 1600
"""A year before it is a slip or stands for none, and so is one that is still to come."""

MAY_BE_OLDER: Final = "the year of the house is not known: it may be older than the permit, and an older pit may lie there"

WELL_WORDS: Final = {
    "presumed": "none on record: presumed to be somewhere on the lot",
    "recorded": "on record on this lot",
    "public": "public water",
    "no house": "no house on record",
    "unknown": "not known whether there is a house, and so a well",
}
SECOND_WORDS: Final = {
    "possible": "a second building over the size may have one",
    "not a dwelling": "a second building over the size is said to be no dwelling; it may still have plumbing",
    "none": "no second building over the size on the map",
    "unknown": "not known: no layer of buildings",
}

Built = Literal["yes", "no", "unknown"]
Well = Literal["presumed", "recorded", "public", "no house", "unknown"]
Second = Literal["possible", "not a dwelling", "none", "unknown"]


@dataclass(frozen=True)
class Facts:
    """What is on record of one lot; None is not known.

    era, permit_era : those of the house's year and of the permit's year; None where the year is not known or in no era.
    permit_before_house : whether the permit is older than the house, as far as both years are known.
    """

    built: Built
    era: Era | None
    permit_on_file: bool | None
    permit_system: str | None
    permit_era: Era | None
    permit_before_house: bool
    public_sewer: bool | None
    well: Well
    second_building: Second
    small_lot: bool


@dataclass(frozen=True)
class Triage:
    """What is expected on one lot.

    likely, possible : kinds in order, the commonest first.
    basis : what that rests on, in words; never a number.
    standing : what the rule set says of these kinds, with citations.
    ask_first : what closes the question soonest, in order.
    """

    answer: str
    likely: tuple[str, ...]
    possible: tuple[str, ...]
    basis: str
    reasons: tuple[str, ...]
    standing: str
    ask_first: tuple[str, ...]
    well: str
    second_system: str

    @property
    def cesspool(self) -> Literal["likely", "possible", "may remain", "not expected", "unknown", "no house on record"]:
        """Of a cesspool in particular: raw sewage in a pit. On a sewer one may remain, full or still taking water. A privy, a dry
        well or a pipe to the open that is on file alone does not say where the rest of the house drains."""
        if self.answer == NO_HOUSE:
            return "no house on record"
        if self.answer == ON_SEWER and (not self.likely or "cesspool" in (*self.likely, *self.possible)):
            return "may remain"
        if not self.likely:
            return "unknown"
        if "cesspool" in self.likely:
            return "likely"
        if set(self.likely) <= WITHOUT_TANK and self.answer != ON_SEWER:
            return "unknown"
        return "possible" if "cesspool" in self.possible else "not expected"


def known_year(year: float, this_year: int) -> float:
    """The year itself; NaN where it cannot be one of something that stands."""
    return year if EARLIEST_YEAR <= year <= this_year else math.nan


def triage(facts: Facts, rules: RuleSet) -> Triage:
    """What is probably in the ground, by the eras of the rule set and by what the permit says, and the standing of each kind."""
    if facts.built == "no":
        return _told(facts, rules, NO_HOUSE, (), (), BY_NOTHING, ())
    likely, possible, basis, reasons = _expected(facts)
    if facts.public_sewer is True:
        words = "on a public sewer by the record: what stood before it may still be in the ground, open or full, and may still take water"
        return _told(facts, rules, ON_SEWER, likely, possible, basis, (words, *reasons))
    if not likely:
        return _told(facts, rules, UNKNOWN, (), (), BY_NOTHING, reasons)
    open_kinds = TANK_EXPECTED if not WITHOUT_TANK & set(possible) else PIT_POSSIBLE
    answer = PIT_LIKELY if WITHOUT_TANK & set(likely) else open_kinds
    return _told(facts, rules, answer, likely, possible, basis, reasons)


def _expected(facts: Facts) -> tuple[tuple[str, ...], tuple[str, ...], str, tuple[str, ...]]:
    """Likely and possible kinds, what they rest on, and why."""
    by_age = facts.era
    if facts.permit_system is not None and facts.permit_on_file is not False:
        reasons = [f"the permit on file is said to be for: {KINDS[facts.permit_system]}. What was built may differ"]
        possible: tuple[str, ...] = ()
        if facts.permit_before_house:
            reasons.append("the permit is older than the house: it may be of an earlier one")
            possible = () if by_age is None else tuple(kind for kind in (*by_age.likely, *by_age.possible) if kind != facts.permit_system)
        elif by_age is not None and WITHOUT_TANK & set(by_age.likely) and facts.permit_system not in WITHOUT_TANK:
            possible = tuple(kind for kind in by_age.likely if kind in WITHOUT_TANK)
            reasons.append("an older pit may lie beside it, closed or still in use: houses of this age commonly began with one")
        elif by_age is None and facts.permit_system not in WITHOUT_TANK:
            possible = ("cesspool",)
            reasons.append(MAY_BE_OLDER)
        return (facts.permit_system,), possible, BY_PERMIT, tuple(reasons)
    era, reasons = by_age, []
    if facts.permit_on_file is True:
        reasons.append("a permit is on file, and no column says for what: read it, it comes before anything said here")
        if facts.permit_era is not None and not facts.permit_before_house:
            era = facts.permit_era
            reasons.append(f"by the year of the permit: {era.words}")
    elif facts.permit_on_file is False:
        reasons.append("no permit on file")
        if facts.permit_system is not None:
            reasons.append(f"yet a column says that one is for: {KINDS[facts.permit_system]}. Clear that up first")
    else:
        reasons.append("not known whether a permit is on file")
    if facts.permit_before_house:
        reasons.append("the permit is older than the house: it may be of an earlier one")
    if era is None:
        reasons.append("the year of building is not known")
        return (), (), BY_NOTHING, tuple(reasons)
    if era is by_age:
        reasons.append(f"houses {_years(era)}: {era.words} ({era.basis})")
    likely, possible = era.likely, era.possible
    if by_age is None and "cesspool" not in (*likely, *possible):
        possible = (*possible, "cesspool")
        reasons.append(MAY_BE_OLDER)
    if era is not by_age and by_age is not None:
        possible = (*possible, *(kind for kind in (*by_age.likely, *by_age.possible) if kind not in (*likely, *possible)))
    pits = tuple(kind for kind in possible if kind in ("cesspool", "seepage_pit"))
    if facts.small_lot and pits:
        possible = (*pits, *(kind for kind in possible if kind not in pits))
        reasons.append("a small lot: with little room for a field a pit is likelier than by age alone (common practice, no source)")
    basis = BY_AGE if era is by_age else "the year of the permit alone (common practice, no source)"
    return likely, possible, basis, tuple(reasons)


def _told(
    facts: Facts,
    rules: RuleSet,
    answer: str,
    likely: tuple[str, ...],
    possible: tuple[str, ...],
    basis: str,
    reasons: tuple[str, ...],
) -> Triage:
    return Triage(
        answer,
        likely,
        possible,
        basis,
        reasons,
        "" if answer == NO_HOUSE else standing_words(rules, likely, possible),
        tuple(_questions(facts, answer, likely, possible)),
        WELL_WORDS[facts.well],
        SECOND_WORDS[facts.second_building],
    )


def standing_words(rules: RuleSet, likely: Iterable[str], possible: Iterable[str]) -> str:
    """What the rule set says of every likely kind, and of a cesspool where one is possible or nothing is known."""
    likely = tuple(likely)
    asked = [kind for kind in likely if kind != "sewer"]
    if not likely or "cesspool" in possible:
        asked.append("cesspool")
    return "; ".join(f"{KINDS[kind].split(' (')[0]}: {rules.standing(kind).words}" for kind in dict.fromkeys(asked))


def _questions(facts: Facts, answer: str, likely: tuple[str, ...], possible: tuple[str, ...]) -> Iterable[str]:
    """What to ask or look for first, the cheapest first."""
    if facts.well == "presumed":
        yield "find the well: ask the owner, look in the cellar and the crawl space"
    if answer == NO_HOUSE:
        if facts.second_building != "none":
            yield "look whether a house stands or stood here"
        return
    if facts.permit_on_file is True:
        yield "read the permit and its as-built drawing"
    elif facts.permit_on_file is None:
        yield "ask the county whether a permit is on file"
    if facts.public_sewer is None:
        yield "ask the sewer utility whether the house is joined"
    elif facts.public_sewer:
        yield "ask when the house was joined to the sewer and whether the old system was pumped out and filled"
    if facts.built == "unknown":
        yield "find out whether a house stands here"
    if facts.era is None:
        yield "find the year of building: assessor, old photographs, neighbours"
    yield "ask the owner and the pumper what was pumped, where and when"
    if WITHOUT_TANK & {*likely, *possible} or answer == UNKNOWN:
        yield "follow every drain from the house: look for a tank before any pit, and for more than one pit"
    if "metal_tank" in (*likely, *possible):
        yield "a tank of that time may be of steel: its top may be rusted through, keep off it"
    if facts.second_building in ("possible", "not a dwelling"):
        yield "ask whether the second building has water and where its drain goes"


def _years(era: Era) -> str:
    if era.built_from is None:
        return f"built before {(era.built_to or 0) + 1}"
    return f"built {era.built_from} to {era.built_to}" if era.built_to is not None else f"built since {era.built_from}"
