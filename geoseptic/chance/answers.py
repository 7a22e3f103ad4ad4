"""What a chance means in three words: it fits, it does not fit, nobody can say; and how sure that is.

"Does not fit" is said of the chance at best (of the smallest field that soil and house leave open, if conditions that nobody has stated
turn out not to hold), "fits" of the chance of the largest, if they hold: between the two stands a fact that nobody has looked up, and no
chance speaks for it.

- certain: the chance is at least `certain`, the lower end of its sampling interval at least halfway from `likely` to there, so that the
  draws cannot have mistaken a likely answer for a certain one (33 draws that all agree are the fewest that do by the common thresholds);
  and nothing in reach whose place could matter is placed by a section, a lot or presumption alone.
- likely: the chance is at least `likely`, and the lower end over one half.
- else nobody can say, nor of a lot without a chance.

Where the slope lies near a limit, the answer must also hold if the heights lie off: "fits" on the ground that is not too steep for certain,
"does not fit" on all ground that perhaps is not. Certain asks for that with a certain chance; likely either for that with a likely one, or
for a certain one on ground that is likely so: of places and heights one may be in doubt, not both.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.model.certainty import Certainty

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]
Flags = npt.NDArray[np.bool_]

FITS: Final = "fits"
NO_FIT: Final = "does not fit"
CANNOT_SAY: Final = "cannot say"
CERTAIN: Final = "certain"
LIKELY: Final = "likely"
ANSWERS: Final = (FITS, NO_FIT, CANNOT_SAY)
SURE: Final = (CERTAIN, LIKELY, CANNOT_SAY)

NEAR_LIMIT: Final = "the slope lies near the limit, and the heights may be off"

MOST_NAMES: Final = 3
"""Names in one sentence; the column `never_certain` has more."""


@dataclass(frozen=True)
class Chances:
    """A chance from 0 to 1 of each of n lots, with the ends of its sampling interval; NaN where nobody knows."""

    share: Floats
    low: Floats
    high: Floats

    def __len__(self) -> int:
        return len(self.share)


@dataclass(frozen=True)
class BySize:
    """The chances of the largest field that soil and house leave open and of the smallest, each with its reserve, if open conditions hold;
    and of both if they do not: `eased` and `least`. The same where nothing is open."""

    largest: Chances
    smallest: Chances
    eased: Chances
    least: Chances


@dataclass(frozen=True)
class BySlope:
    """The chances if the heights lie off, each with its reserve; those of the ground as it is given where no slope is near a limit.

    near : where a slope is near a limit.
    surely, likely : of the largest field, on ground that keeps the limit all over a field with a chance of at least `certain`, `likely`.
    hardly, perhaps : of the least that may be asked, on cells that keep it with a chance of at least 1 less `likely`, 1 less `certain`.
    gentler : of the largest field on the ground of `perhaps`.
    """

    near: Flags
    surely: Chances
    likely: Chances
    hardly: Chances
    perhaps: Chances
    gentler: Chances


@dataclass(frozen=True)
class Answers:
    """What is said of each lot, in words of `ANSWERS` and `SURE`; the second is `CANNOT_SAY` where the first is.

    by_slope : where a slope near a limit leaves it less sure than places do.
    """

    answer: Words
    sure: Words
    by_slope: Flags


def answers(largest: Chances, at_best: Chances, rough: Flags, certainty: Certainty, by_slope: BySlope | None = None) -> Answers:
    """The three-way answer of each lot.

    Parameters
    ----------
    largest, at_best : chance of the largest field that soil and house leave open, and of the least that may be asked; the same where
        nothing but places is in doubt.
    rough : whether something of which only the section, the lot or nothing is on record lies in reach and could matter.
    by_slope : the chances if the heights lie off; None where they do not.
    """
    fits = _sure(largest.share, largest.low, rough, certainty)
    none = _sure(1.0 - at_best.share, 1.0 - at_best.high, rough, certainty)
    known = ~(np.isnan(largest.share) | np.isnan(largest.low))
    # A field that fits at its largest fits at its smallest: where the two contradict each other, nobody can say.
    answer = np.where(known & (fits != CANNOT_SAY) & (none == CANNOT_SAY), FITS, CANNOT_SAY).astype(object)
    answer[known & (none != CANNOT_SAY) & (fits == CANNOT_SAY)] = NO_FIT
    sure = np.where(answer == FITS, fits, np.where(answer == NO_FIT, none, CANNOT_SAY)).astype(object)
    held = np.zeros(len(answer), bool)
    if by_slope is not None:
        fits = _on_slopes(by_slope.surely.share, by_slope.surely.low, by_slope.likely.share, by_slope.likely.low, certainty)
        none = _on_slopes(
            1.0 - by_slope.perhaps.share, 1.0 - by_slope.perhaps.high, 1.0 - by_slope.hardly.share, 1.0 - by_slope.hardly.high, certainty
        )
        most = np.where(answer == FITS, fits, none)
        held = by_slope.near & (sure != CANNOT_SAY) & (most != CERTAIN) & (sure != most)
        sure[held] = most[held]
        answer[sure == CANNOT_SAY] = CANNOT_SAY
    return Answers(answer, sure, held)


def _on_slopes(share: Floats, low: Floats, likely_share: Floats, likely_low: Floats, certainty: Certainty) -> Words:
    """How sure an answer is at most, by its chance on the ground on which it holds for certain, and on that on which it likely does."""
    anywhere = np.zeros(len(share), bool)
    found = _sure(share, low, anywhere, certainty)
    found[(found == CANNOT_SAY) & (_sure(likely_share, likely_low, anywhere, certainty) == CERTAIN)] = LIKELY
    return found


def _sure(share: Floats, low: Floats, rough: Flags, certainty: Certainty) -> Words:
    found = np.full(len(share), CANNOT_SAY, object)
    found[(share >= certainty.likely) & (low > 0.5)] = LIKELY
    firm = (share >= certainty.certain) & (low >= 0.5 * (certainty.certain + certainty.likely))
    found[firm & ~np.asarray(rough, bool)] = CERTAIN
    return found


def in_words(
    found: Answers, chances: BySize, why_rough: list[list[str]], why_not: Words, certainty: Certainty, by_slope: BySlope | None = None
) -> list[str]:
    """A sentence or two on each lot, the words before the numbers.

    why_rough : names of what leaves nothing certain there. why_not : why the lot has no chance, empty where it has one.
    """
    return [
        _sentence(
            str(found.answer[lot]),
            str(found.sure[lot]),
            tuple(float(end[lot]) for end in (chances.largest.share, chances.largest.low, chances.largest.high)),
            tuple(float(one.share[lot]) for one in (chances.smallest, chances.eased, chances.least)),
            why_rough[lot],
            str(why_not[lot] or ""),
            certainty,
            tuple(float(one.share[lot]) for one in (by_slope.surely, by_slope.gentler)) if by_slope and found.by_slope[lot] else (),
        )
        for lot in range(len(chances.largest))
    ]


def _sentence(
    answer: str,
    sure: str,
    chance: tuple[float, ...],
    others: tuple[float, ...],
    rough: list[str],
    why_not: str,
    certainty: Certainty,
    on_slopes: tuple[float, ...] = (),
) -> str:
    share, low, high = chance
    if np.isnan(share):
        return f"Nobody can say: {why_not or 'there is no chance for this lot'}."
    cases = f"room in {of_100(share)} of 100 cases" + ("" if low == high else f", {of_100(low)} to {of_100(high)} by the draws")
    if answer == NO_FIT and of_100(others[-1]) != of_100(share):
        # That is what the answer is judged by.
        cases = f"{cases}; the least that may be asked in {of_100(others[-1])} of 100"
    if answer == FITS and sure == CERTAIN:
        return f"Field and reserve fit wherever things lie, within their stated errors ({cases})."
    if answer == NO_FIT and sure == CERTAIN:
        return f"Field and reserve do not fit wherever things lie, within their stated errors ({cases})."
    if on_slopes:
        steeper, gentler = (of_100(one) for one in on_slopes)
        cases = f"{cases}; {steeper} if the ground is steeper, {gentler} if it is gentler"
    if answer == CANNOT_SAY and on_slopes:
        return f"Nobody can say: {NEAR_LIMIT} ({cases})." + _not_certain(rough)
    if answer == CANNOT_SAY:
        return _open_answer(share, cases, others, rough, certainty)
    verb = "fit" if answer == FITS else "do not fit"
    return f"Field and reserve probably {verb}{f', but {NEAR_LIMIT}' if on_slopes else ''} ({cases})." + _not_certain(rough)


def _open_answer(share: float, cases: str, others: tuple[float, ...], rough: list[str], certainty: Certainty) -> str:
    smallest, eased, least = others
    much = certainty.likely - 0.5
    if smallest - share > much and smallest - share >= eased - share:
        return (
            f"Nobody can say: it hangs on soil or bedrooms. The largest field that they leave open has {cases}, the smallest in "
            f"{of_100(smallest)}."
        )
    if eased - share > much:
        return (
            f"Nobody can say: it hangs on a condition that is not known ({cases}, with the distances that it may ask, and in "
            f"{of_100(eased)} without them)."
        )
    if least - share > much:
        return (
            f"Nobody can say: it hangs on soil or bedrooms, and on a condition that is not known ({cases}, for the largest field "
            f"with the distances that it may ask, and in {of_100(least)} for the smallest without them)."
        )
    if share >= certainty.likely or least <= 1.0 - certainty.likely:
        return f"Nobody can say: the draws are too few ({cases})."
    return f"Nobody can say: it hangs on where things are ({cases})." + _not_certain(rough)


def _not_certain(rough: list[str]) -> str:
    if not rough:
        return ""
    more = f" and {len(rough) - MOST_NAMES} more" if len(rough) > MOST_NAMES else ""
    named = ", ".join(well_called(name) for name in rough[:MOST_NAMES])
    return f" Nothing is certain here before somebody has found {named}{more}."


def well_called(name: str) -> str:
    """What a well is called in a sentence, by its name."""
    return f"the well {name}" if name.startswith("presumed ") else name


def of_100(share: float) -> str:
    """A chance as cases of 100, where 0 and 100 are said of nothing less."""
    if 0.0 < share < 0.01:
        return "fewer than 1"
    if 0.99 < share < 1.0:
        return "more than 99"
    return f"{100.0 * share:.0f}"


def tenths(share: npt.ArrayLike) -> Floats:
    """Chances in percent to a tenth, where 0.0 and 100.0 are said of none and of all alone; NaN stays."""
    share = np.asarray(share, np.float64)
    between = (share > 0.0) & (share < 1.0)
    percent = np.round(100.0 * share, 1)
    return np.where(between, np.clip(percent, 0.1, 99.9), percent)
