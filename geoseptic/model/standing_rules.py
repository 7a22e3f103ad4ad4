"""What a code says of kinds of old systems, as data: whether one may be built, what becomes of one that is there; and what was common when.

Silence is a value here, and it never reads as permission: whoever asks for the standing of a kind gets words for it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Final

from geoseptic.model.citation import Citation

KINDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "cesspool": "cesspool (a pit that takes raw sewage, with no tank before it)",
        "seepage_pit": "seepage pit after a tank",
        "dry_well": "dry well that takes waste water",
        "privy": "privy",
        "straight_pipe": "pipe to a ditch, a stream or the surface",
        "metal_tank": "metal septic tank",
        "tank_and_field": "septic tank with a drain field",
        "sewer": "public sewer",
    }
)
"""Kinds of system that may be in the ground, with their words. `sewer` is never stated by a code here; an old pit may lie beside it."""

NEW: Final[Mapping[str, str]] = MappingProxyType(
    {
        "banned": "no new one may be built",
        "repair_only": "a new one only to repair or replace an old system",
        "allowed": "a new one may be allowed",
    }
)
"""What a code says of building one, the strictest first."""

EXISTING: Final[Mapping[str, str]] = MappingProxyType(
    {
        "banned": "one that is there may not be used",
        "replace_by_date": "one that is there must be replaced by a date",
        "counts_as_failed": "one that is there counts as failed, whether it works or not",
        "replace_at_sale": "one that is there must be replaced when the property changes hands",
        "replace_on_failure": "one that is there must be replaced, not repaired, when it fails",
        "allowed_if_working": "one that is there may stay while it works",
    }
)
"""What a code says of one that is there, the strictest first. Several may hold of one kind."""

SILENCE: Final = "the rule set says nothing: ask the health authority"


@dataclass(frozen=True)
class StandingLine:
    """One line of a code on one kind of system.

    new, existing : a word of NEW and EXISTING; empty where the line is not about that. At least one is stated.
    new_since, existing_from : ISO day or year from which it holds; of `replace_by_date` the day by which. Empty where not stated.
    only : words that narrow the line ("within 200 ft of a public well"); empty where it holds of every one.
    unless : words of the code's exceptions; empty where it names none.
    """

    kind: str
    new: str
    new_since: str
    existing: str
    existing_from: str
    only: str
    unless: str
    citation: Citation
    note: str = ""

    @property
    def plain_words(self) -> str:
        """What the line says, without whom it means and without its citation."""
        parts = []
        if self.new:
            parts.append(NEW[self.new] + (f" since {self.new_since}" if self.new_since else ""))
        if self.existing == "replace_by_date":
            parts.append(f"one that is there must be replaced by {self.existing_from}")
        elif self.existing:
            parts.append(EXISTING[self.existing] + (f", from {self.existing_from} on" if self.existing_from else ""))
        return "; ".join(parts)

    @property
    def words(self) -> str:
        """The line as a sentence, without its citation."""
        text = self.plain_words
        if self.only:
            text += f" (only {self.only})"
        return text + (f" (except {self.unless})" if self.unless else "")


@dataclass(frozen=True)
class Standing:
    """All that a rule set says of one kind of system. Without lines the set is silent, and that is no permission."""

    kind: str
    lines: tuple[StandingLine, ...]

    @property
    def is_silent(self) -> bool:
        return not self.lines

    @property
    def new(self) -> str | None:
        """The strictest word of NEW that holds of every one of its kind; None where the set does not say."""
        said = [line.new for line in self.lines if line.new and not line.only]
        return min(said, key=list(NEW).index, default=None)

    def existing(self, on: date | None = None) -> tuple[str, ...]:
        """The words of EXISTING that hold, the strictest first; empty where the set does not say, which is no permission.

        With a day `on`, only those that hold then; `replace_by_date` is told before its day too. Lines that hold of some alone (`only`) are
        among them: whether one is of those must be found out.
        """
        said = {
            line.existing
            for line in self.lines
            if line.existing
            and (on is None or line.existing == "replace_by_date" or not line.existing_from or line.existing_from <= on.isoformat())
        }
        return tuple(word for word in EXISTING if word in said)

    @property
    def words(self) -> str:
        """Every line with its citation, or that the set says nothing."""
        if self.is_silent:
            return SILENCE
        told = [f"{line.words} [{line.citation}]" for line in self.lines]
        if not any(line.new for line in self.lines):
            told.append(f"of new ones {SILENCE}")
        if not any(line.existing for line in self.lines):
            told.append(f"of one that is there {SILENCE}")
        return "; ".join(told)


@dataclass(frozen=True)
class Era:
    """What was commonly built in some years.

    built_from, built_to : first and last year, both included; None where open.
    likely, possible : kinds in order, the commonest first; `likely` are those that one expects, `possible` those that would be no surprise.
    basis : what it rests on, "common practice, no source" for all that ship here.
    """

    built_from: int | None
    built_to: int | None
    likely: tuple[str, ...]
    possible: tuple[str, ...]
    words: str
    basis: str

    def holds(self, year: float) -> bool:
        """Whether a house of that year is of this era; False for NaN."""
        low = -float("inf") if self.built_from is None else self.built_from
        high = float("inf") if self.built_to is None else self.built_to
        return low <= year <= high


def standing_of(kind: str, lines: Iterable[StandingLine]) -> Standing:
    """What the lines say of `kind`."""
    return Standing(kind, tuple(line for line in lines if line.kind == kind))
