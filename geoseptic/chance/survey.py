"""What to survey first: how many answers would be settled if one thing were known.

A lot is undecided where its three-way answer is "cannot say" and its chance is known. A thing that a visit makes known (where a well is,
where the lot lies, where its buildings are) settles it in so far as the answer is likely or certain afterwards: the share of the draws of
that thing in which, over all draws of everything else, the chance is at least `likely` or at most 1 less it ("pick and freeze": draw j of
the one thing is put together with draw m of the others, for all j and m; sobol1993). What was so before counts for nothing.

Exact: things are uncertain independently of each other and their draws hang on their own names alone, so every put-together draw is as good
as a drawn one, and a layout keeps all distances in it where it keeps each thing's own: these are known from the draws there are, but for
the rounding of draws to spots, so that nothing is drawn or searched anew. A thing whose draws make no difference to any layout settles
exactly 0. A visit is taken to leave no doubt of the thing.

Approximate: room is known by the layouts that the search found in the draws themselves and, in the directions in which some had room, in
some that are put together (`known_of`), while in another of these one more may have room: chances there are a little too low, which
`tests/chance/test_survey.py` measures. Shares have the sampling error of so many draws. Things are looked at one by one: where two must
both be known, neither settles the lot alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.chance.fits import Case, Drawn, Places, fits, rounds, tables_of
from geoseptic.chance.kept import Around, kept_bits
from geoseptic.model.certainty import Certainty

MOST_FOUND: Final = 20
MOST_MORE: Final = 12
"""Layouts of one size that are looked at, a bit each: of those found in the draws, and of those found in draws that are put together."""

MOST_SEARCHED: Final = 24
"""In how many put together draws without a known layout room is looked for."""

LOT_LINE, BUILDINGS, FIRST_WELL = range(3)
"""Things of a lot, by their rows; its wells follow in their order."""

Floats = npt.NDArray[np.float64]
Bits = npt.NDArray[np.uint64]

ALL: Final = np.uint64(0xFFFFFFFFFFFFFFFF)


@dataclass(frozen=True)
class Settling:
    """What knowing each thing of one lot would do; shape (things,), by their rows.

    settles : share from 0 to 1 in which it settles the lot's answer.
    decides : share of the variance of whether field and reserve fit that goes with the thing alone (first-order index of sobol1993).
    """

    settles: Floats
    decides: Floats


def known_of(cases: Sequence[Case], places: Places, drawn: Sequence[Sequence[Drawn]]) -> list[Bits]:
    """In which draws each layout that holds field and reserve keeps its distances from each thing, for several sizes, of which each one's
    layouts hold the next as well: shape (things, draws), bit l of a number stands for layout l.

    Layouts are those `drawn` for each size, and others that are found where these have no room: in draws put together of each thing as it
    lies in another draw, the k-th of those that lie k s on.
    """
    about = [rounds(case, places, rounded=True) for case in cases]
    layouts: list[Drawn] = []
    found: list[Bits] = []
    for own, case, its in zip(about, cases, drawn, strict=True):
        more = [one for one in its if one.kind == 2][:MOST_FOUND]
        if found and case.field is cases[0].field and case.reserve is cases[0].reserve:
            found.append(found[-1] | kept_of(own, more, len(layouts)))
        else:
            found.append(kept_of(own, layouts + more, 0))
        layouts += more
    draws = len(places)
    for size, case in enumerate(cases):
        on = (np.arange(draws) + max(1, draws // 7) * np.arange(len(found[size]))[:, None]) % draws
        unknown = np.flatnonzero(np.bitwise_and.reduce(np.take_along_axis(found[size], on, axis=1), axis=0) == 0)[:MOST_SEARCHED]
        if not len(unknown):
            continue
        wells_m = [places.wells_m[rows[unknown], well] for well, rows in enumerate(on[FIRST_WELL:])]
        together = places.of_these(
            places.lot_m[on[LOT_LINE][unknown]],
            places.buildings_m[on[BUILDINGS][unknown]],
            np.stack(wells_m, axis=1) if wells_m else places.wells_m[unknown],
        )
        more = [one for one in fits(case, together, layouts).drawn if one.kind == 2][:MOST_MORE]
        for other in range(size, len(cases)):
            found[other] = found[other] | kept_of(about[other], more, len(layouts))
        layouts += more
    return found


def kept_of(about: tuple[Around, Around], drawn: Sequence[Drawn], first: int) -> Bits:
    """In which draws each layout keeps its distances from each thing, shape (things, draws): one bit each, from the first on."""
    return np.asarray(kept_bits(*tables_of(drawn), *about, first))


def settling(largest: Bits, smallest: Bits, certainty: Certainty) -> Settling:
    """What knowing each thing alone would do for a lot that is undecided.

    largest, smallest : `kept_of` of the largest and of the smallest field that soil and house leave open (the same where the size is
    known), for the same draws: "fits" must hold of the largest, "does not fit" of the smallest.
    """
    things = len(largest)
    settles, decides = np.zeros(things), np.zeros(things)
    for thing in range(things):
        own = (largest[thing], smallest[thing])
        if all((bits == bits[0]).all() for bits in own):
            continue
        others = tuple(np.bitwise_and.reduce(np.delete(bits, thing, axis=0), axis=0, initial=ALL) for bits in (largest, smallest))
        chance = known_chances(own[0], others[0])
        best = chance if largest is smallest else known_chances(own[1], others[1])
        before = float(decided(chance.mean(), best.mean(), certainty))
        settles[thing] = max(0.0, float(decided(chance, best, certainty).mean()) - before)
        share = chance.mean()
        decides[thing] = chance.var() / (share * (1.0 - share)) if 0.0 < share < 1.0 else 0.0
    return Settling(settles, decides)


def decided(chance: Floats | float, best: Floats | float, certainty: Certainty) -> npt.NDArray[np.bool_]:
    """Whether an answer of these chances, of the largest field and of the smallest, is likely at least."""
    return np.asarray((np.asarray(chance) >= certainty.likely) | (np.asarray(best) <= 1.0 - certainty.likely))


def either_settles(most: tuple[float, float], least: tuple[float, float], certainty: Certainty) -> float:
    """Share in which knowing a fact settles the answer: two cases of equal weight, that it asks the most (the largest field that soil and
    bedrooms leave open; conditions that nobody has stated hold) or the least. Of each stand the chances with the most and with the least
    that the other fact may ask. The weight is our own choice: nobody knows better."""
    if bool(decided(most[0], least[1], certainty)) or most == least:
        return 0.0
    return 0.5 * sum(float(decided(*one, certainty)) for one in (most, least))


@njit(cache=True, nogil=True)
def known_chances(own, others):  # type: ignore[no-untyped-def]
    """For each draw of one thing the share of all draws of the others with which some layout keeps everything; float64 (draws,)."""
    out = np.empty(own.size)
    for j in range(own.size):
        count = 0
        for m in range(others.size):
            if own[j] & others[m] != 0:
                count += 1
        out[j] = count / others.size
    return out
