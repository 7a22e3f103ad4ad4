"""Whether a kind of old system may stay under a rule set. Silence is never a yes."""

from dataclasses import dataclass
from typing import Final

from geoseptic.model.citation import Citation
from geoseptic.model.old_kinds import ACCEPTABLE, CANNOT_SAY, NOT_ACCEPTABLE, OLD_KINDS, REPLACE_WHEN
from geoseptic.model.rules import RuleSet
from geoseptic.model.standing_rules import Standing, StandingLine

MUST_GO: Final = frozenset({"banned", "counts_as_failed"})
MUST_GO_WHEN: Final = frozenset({"replace_by_date", "replace_at_sale", "replace_on_failure"})
MAY_STAY: Final = "allowed_if_working"


@dataclass(frozen=True)
class Judged:
    """What becomes of one kind of system. `when` says on what it must be replaced, empty where that is not the verdict."""

    verdict: str
    words: str
    when: str
    citations: tuple[Citation, ...]


def judged(kind: str, rules: RuleSet) -> Judged:
    """The verdict on a kind of model/old_kinds.py.

    Of the kinds that stand for it the first on which the rule set says anything counts. Not acceptable: one that is there is banned or
    counts as failed, whatever else. Must be replaced when: one must go on some day or in some case. Acceptable: one may stay while it
    works. Where the rule set says nothing of those that are there, or only of some of them, nobody can say.
    """
    old = OLD_KINDS[kind]
    standing = next((found for name in old.asks if not (found := rules.standing(name)).is_silent), None)
    if standing is None:
        return Judged(old.otherwise, f"{old.why} [{old.why_basis}]", "", (old.why_basis,))
    said = f"{standing.words}"
    cited = tuple(dict.fromkeys(line.citation for line in standing.lines))
    lines = [line for line in standing.lines if line.existing]
    if any(line.existing in MUST_GO and not line.only for line in lines):
        return Judged(NOT_ACCEPTABLE, said, "", cited)
    going = [line for line in lines if line.existing in MUST_GO | MUST_GO_WHEN]
    stays = any(line.existing == MAY_STAY and not line.only for line in lines)
    if going and (stays or any(not line.only for line in going)):
        return Judged(REPLACE_WHEN, said, "; or ".join(_when(line) for line in going), cited)
    if stays:
        return Judged(ACCEPTABLE, said, "", cited)
    if going:
        said += "; of those of which that does not hold it says nothing: ask the health authority"
    return Judged(NOT_ACCEPTABLE if old.otherwise == NOT_ACCEPTABLE else CANNOT_SAY, said, "", cited)


def metal_tank(rules: RuleSet) -> tuple[Standing, bool]:
    """What the rule set says of metal tanks, and whether it says that one that is there must go in any case."""
    standing = rules.standing("metal_tank")
    return standing, any(line.existing in MUST_GO and not line.only for line in standing.lines)


def _when(line: StandingLine) -> str:
    """On what it must be replaced, such as 'it fails'."""
    words = {
        "replace_by_date": f"{line.existing_from} comes, at the latest",
        "replace_at_sale": "the property changes hands",
        "replace_on_failure": "it fails",
    }.get(line.existing, "")
    if not words:
        words = "its use is banned" if line.existing == "banned" else "it counts as failed"
    if line.existing_from and line.existing != "replace_by_date":
        words += f" (from {line.existing_from} on)"
    if line.only:
        words += f" (only {line.only})"
    return words + (f" (except {line.unless})" if line.unless else "")
