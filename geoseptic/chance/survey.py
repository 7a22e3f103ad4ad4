"""What to survey first: how many answers would be settled if one thing were known.

A lot is undecided where its three-way answer is "cannot say" and its chance is known. A thing that a visit makes known (where a well is,
where the lot lies, where its buildings are) settles it in so far as the answer is likely or certain afterwards: the share of the draws of
that thing in which, over all draws of everything else, the chance is at least `likely` or at most 1 less it ("pick and freeze": draw j of
the one thing is put together with draw m of the others, for all j and m; sobol1993). What was so before counts for nothing.

Exact: things are uncertain independently of each other and their draws hang on their own names alone, so every put-together draw is as
good as a drawn one, and a layout keeps all distances in it where it keeps each thing's own: these are known, exactly, from the draws there
are, so that nothing is drawn or searched anew. A thing whose draws make no difference to any layout settles exactly 0. A visit is taken to
leave no doubt of the thing.

Approximate: room is known by the layouts that the search found in the draws themselves and in `SHUFFLES` times as many put together
(`more_layouts`), while in another draw that is put together one more may have room: chances there are a little too low, which
`tests/chance/test_survey.py` measures by the real search.
Shares have the sampling error of so many draws. Things are looked at one by one: where two must both be known, neither settles the lot
alone.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.chance.fits import Case, Keeps, Places, fits
from geoseptic.chance.kept import Box, Outlines, box_of, keeps, outlines_of
from geoseptic.model.certainty import Certainty
from geoseptic.parcels.fit import Placement

MOST_LAYOUTS: Final = 64
"""Layouts of a lot that are looked at: those that keep all distances in most draws, one bit each."""

SHUFFLES: Final = 2
"""How many times as many draws are put together and searched as there are, to know more layouts."""

LOT_LINE, BUILDINGS, FIRST_WELL = range(3)
"""Things of a lot, by their rows; its wells follow in their order."""

Floats = npt.NDArray[np.float64]
Bits = npt.NDArray[np.uint64]
Drawn = tuple[tuple[Placement, int], ...]
"""Layouts and what each holds, as in `Fits.drawn`."""

ALL: Final = np.uint64(0xFFFFFFFFFFFFFFFF)


@dataclass(frozen=True)
class Settling:
    """What knowing each thing of one lot would do; shape (things,), by their rows.

    settles : share from 0 to 1 in which it settles the lot's answer.
    decides : share of the variance of whether field and reserve fit that goes with the thing alone (first-order index of sobol1993).
    """

    settles: Floats
    decides: Floats


def more_layouts(case: Case, places: Places) -> Drawn:
    """Layouts of draws in which each thing lies as in another draw: the k-th is put together of draws that lie k + s, k + 2 s, ... on."""
    draws = len(places)
    found: Drawn = ()
    for shuffle in range(1, SHUFFLES + 1):
        on = [(np.arange(draws) + shuffle * thing * max(1, draws // 7)) % draws for thing in range(FIRST_WELL + places.wells_m.shape[1])]
        wells_m = places.wells_m.copy()
        for well, rows in enumerate(on[FIRST_WELL:]):
            wells_m[:, well] = places.wells_m[rows, well]
        found += fits(case, Places(places.lot_m[on[LOT_LINE]], places.buildings_m[on[BUILDINGS]], wells_m)).drawn
    return found


def kept_of(case: Case, places: Places, drawn: Drawn) -> Bits:
    """In which draws each layout that holds field and reserve keeps its distances from each thing, shape (things, draws): bit l of a number
    stands for layout l."""
    lot = outlines_of(np.array([case.lot], object), case.field.line_m)
    parts = (case.field, case.reserve)
    every = []
    for placement, kind in drawn:
        if kind == 2:
            rows = _rows(box_of(placement.field), case.field, lot, places)
            if placement.reserve is not None:
                rows &= _rows(box_of(placement.reserve), parts[-1], lot, places)
            every.append(rows)
    things = FIRST_WELL + places.wells_m.shape[1]
    if not every:
        return np.zeros((things, len(places)), np.uint64)
    kept = np.array(every)
    most = np.argsort(-kept.all(axis=1).sum(axis=1), kind="stable")[:MOST_LAYOUTS]
    weights = np.uint64(1) << np.arange(len(most), dtype=np.uint64)
    bits: Bits = (kept[most] * weights[:, None, None]).sum(axis=0, dtype=np.uint64)
    return bits


def _rows(box: Box, part: Keeps, lot: Outlines, places: Places) -> npt.NDArray[np.bool_]:
    """In which draws one rectangle keeps its distances from each thing, shape (things, draws)."""
    draws, wells = places.wells_m.shape[:2]
    asked, still = np.ones(draws, bool), np.zeros((draws, 2))
    anywhere, own = lot._replace(keep_m=np.array([-np.inf])), lot._replace(keep_m=np.array([part.line_m]))
    no_wells, no_distances = np.empty((draws, 0, 2)), np.empty(0)
    nothing = outlines_of(np.empty(0, object), 0.0)
    things = outlines_of(part.things, part.keep_m)
    found = np.empty((FIRST_WELL + wells, draws), bool)
    found[LOT_LINE] = keeps(box, own, nothing, no_wells, no_distances, places.lot_m, still, asked)
    found[BUILDINGS] = keeps(box, anywhere, things, no_wells, no_distances, still, places.buildings_m, asked)
    for well in range(wells):
        one_m = np.ascontiguousarray(places.wells_m[:, well : well + 1])
        found[FIRST_WELL + well] = keeps(box, anywhere, nothing, one_m, part.wells_m[well : well + 1], still, still, asked)
    return found


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


def size_settles(chance: float, best: float, certainty: Certainty) -> float:
    """Share in which knowing soil and bedrooms settles the answer: two cases of equal weight, that the field is the largest that they leave
    open (`chance`), or the smallest (`best`). The weight is our own choice: nobody knows better."""
    if bool(decided(chance, best, certainty)) or chance == best:
        return 0.0
    return 0.5 * sum(float(decided(one, one, certainty)) for one in (chance, best))


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
