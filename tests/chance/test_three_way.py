"""The three-way answer: what may never be called certain, held over many invented cases."""

import math

import numpy as np
import pytest

from geoseptic.chance.answers import (
    ANSWERS,
    CANNOT_SAY,
    CERTAIN,
    FITS,
    LIKELY,
    NO_FIT,
    SURE,
    BySize,
    BySlope,
    Chances,
    answers,
    in_words,
    of_100,
    tenths,
)
from geoseptic.model.certainty import Certainty

COMMON = Certainty(0.99, 0.80, "")
CASES = 20_000


def invented(seed: int):
    """Chances by draws of many kinds of lots: with a best that is better or the same, and some of which nothing is known."""
    rng = np.random.default_rng(seed)
    draws = rng.choice([1, 5, 33, 200, 1000], CASES)
    true = rng.choice([0.0, 0.005, 0.1, 0.2, 0.5, 0.8, 0.9, 0.99, 0.999, 1.0], CASES)
    share = rng.binomial(draws, true) / draws
    best = np.where(rng.random(CASES) < 0.5, share, np.maximum(share, rng.binomial(draws, np.minimum(1.0, true + 0.4)) / draws))
    largest, at_best = (interval(part, draws) for part in (share, best))
    unknown = rng.random(CASES) < 0.1
    for part in (largest.share, largest.low, largest.high):
        part[unknown] = np.nan
    return largest, at_best, rng.random(CASES) < 0.4, unknown


def interval(share, draws) -> Chances:
    spread = 1.96 * np.sqrt(share * (1 - share) / draws) + 1.0 / draws
    return Chances(share.copy(), np.clip(share - spread, 0, 1), np.clip(share + spread, 0, 1))


@pytest.mark.parametrize("seed", range(3))
def test_nothing_beside_a_roughly_placed_thing_is_certain_and_of_the_unknown_nothing_is_said(seed):
    largest, at_best, rough, unknown = invented(seed)
    found = answers(largest, at_best, rough, COMMON)
    assert set(found.answer) == set(ANSWERS) and set(found.sure) == set(SURE)
    assert (found.sure[rough] != CERTAIN).all()
    assert (found.answer[unknown] == CANNOT_SAY).all() and (found.sure[unknown] == CANNOT_SAY).all()
    assert ((found.answer == CANNOT_SAY) == (found.sure == CANNOT_SAY)).all()
    said = found.answer == FITS
    assert (largest.share[said] >= COMMON.likely).all() and (largest.low[said] > 0.5).all()
    said = found.answer == NO_FIT
    assert (at_best.share[said] <= 1 - COMMON.likely + 1e-12).all(), "no lot is said not to fit that a smaller field might suit"
    sure = found.sure == CERTAIN
    assert ((largest.share >= 0.99) | (at_best.share <= 0.01 + 1e-12))[sure].all()


@pytest.mark.parametrize("seed", range(3))
def test_higher_thresholds_never_make_an_answer_surer_nor_turn_it_round(seed):
    largest, at_best, rough, _ = invented(10 + seed)
    rng = np.random.default_rng(seed)
    rank = {CANNOT_SAY: 0, LIKELY: 1, CERTAIN: 2}
    for _ in range(20):
        likely, certain = np.sort(rng.uniform(0.51, 0.97, 2))
        low = Certainty(certain, likely, "")
        high = Certainty(rng.uniform(certain + 0.02, 1.0), rng.uniform(likely, certain), "")
        before, after = (answers(largest, at_best, rough, one) for one in (low, high))
        assert (np.vectorize(rank.get)(after.sure) <= np.vectorize(rank.get)(before.sure)).all()
        assert ((after.answer == before.answer) | (after.answer == CANNOT_SAY)).all()


def test_knowing_a_rough_place_never_makes_an_answer_less_sure():
    largest, at_best, rough, _ = invented(20)
    before, after = answers(largest, at_best, rough, COMMON), answers(largest, at_best, np.zeros(CASES, bool), COMMON)
    assert (before.answer == after.answer).all()
    assert ((before.sure == after.sure) | ((before.sure == LIKELY) & (after.sure == CERTAIN))).all()


def on_slopes(seed: int, largest: Chances, at_best: Chances) -> BySlope:
    """Invented chances if the heights lie off: some lots near a limit, with less and with more room, by grades; the others as they are."""
    rng = np.random.default_rng(seed)
    near, off = rng.random(CASES) < 0.6, np.sort(rng.choice([0.0, 0.005, 0.1, 0.3, 1.0], (4, CASES)), axis=0)
    ends = ("share", "low", "high")
    less = [Chances(*(np.where(near, getattr(largest, end) * (1 - own), getattr(largest, end)) for end in ends)) for own in off[[1, 0]]]
    more = [
        Chances(*(np.where(near, 1 - (1 - getattr(at_best, end)) * (1 - own), getattr(at_best, end)) for end in ends))
        for own in off[[2, 3]]
    ]
    return BySlope(near, less[0], less[1], more[0], more[1], more[1])


@pytest.mark.parametrize("seed", range(3))
def test_heights_that_lie_off_never_make_an_answer_surer_and_leave_others_alone(seed):
    largest, at_best, rough, _ = invented(30 + seed)
    by_slope, rank = on_slopes(seed, largest, at_best), {CANNOT_SAY: 0, LIKELY: 1, CERTAIN: 2}
    before, after = answers(largest, at_best, rough, COMMON), answers(largest, at_best, rough, COMMON, by_slope)
    assert (np.vectorize(rank.get)(after.sure) <= np.vectorize(rank.get)(before.sure)).all()
    assert ((after.answer == before.answer) | (after.answer == CANNOT_SAY)).all() and not before.by_slope.any()
    assert ((after.answer == CANNOT_SAY) == (after.sure == CANNOT_SAY)).all()
    assert (after.by_slope == (after.sure != before.sure)).all() and not after.by_slope[~by_slope.near].any()
    for answer, outer, inner in (
        (FITS, by_slope.surely.share, by_slope.likely.share),
        (NO_FIT, 1 - by_slope.perhaps.share, 1 - by_slope.hardly.share),
    ):
        said, sure = after.answer == answer, after.sure == CERTAIN
        assert said.any() and (outer[said & sure & by_slope.near] >= 0.99).all()
        assert ((outer >= 0.8) | (inner >= 0.99))[said & by_slope.near].all()
    assert {(b, a) for b, a in zip(before.sure, after.sure, strict=True) if a != b} == {
        (CERTAIN, LIKELY), (CERTAIN, CANNOT_SAY), (LIKELY, CANNOT_SAY),
    }  # fmt: skip


def said(share, low, high, best=None, eased=None, least=None, rough=(), why=""):
    """`best` of the smallest field, `eased` of the largest without what is open, `least` of the smallest without it."""
    one = Chances(*(np.array([value]) for value in (share, low, high)))
    smallest, without = (one if value is None else Chances(*(np.array([value]) for _ in range(3))) for value in (best, eased))
    both = Chances(*(np.array([least]) for _ in range(3))) if least is not None else smallest if eased is None else without
    found = answers(one, both, np.array([bool(rough)]), COMMON)
    chances = BySize(one, smallest, without, both)
    return found.answer[0], found.sure[0], in_words(found, chances, [list(rough)], np.array([why], object), COMMON)[0]


def test_a_few_draws_that_all_agree_make_nothing_certain():
    """20 of 20: the interval by Wilson begins at 0.839, which might be a likely answer; 5 of 5 begins at 0.566."""
    assert said(1.0, 0.839, 1.0)[:2] == (FITS, LIKELY)
    assert said(0.0, 0.0, 0.161)[:2] == (NO_FIT, LIKELY)
    assert said(1.0, 0.206, 1.0)[:2] == (CANNOT_SAY, CANNOT_SAY)


@pytest.mark.parametrize(
    ("chance", "more", "words"),
    [
        ((1.0, 1.0, 1.0), {}, "Field and reserve fit wherever things lie, within their stated errors (room in 100 of 100 cases)."),
        (
            (0.995, 0.97, 1.0),
            {},
            "Field and reserve fit wherever things lie, within their stated errors (room in more than 99 of 100 cases, 97 to 100 by the "
            "draws).",
        ),
        (
            (1.0, 0.98, 1.0),
            {"rough": ("well W-12",)},
            "Field and reserve probably fit (room in 100 of 100 cases, 98 to 100 by the draws). Nothing is certain here before somebody "
            "has found well W-12.",
        ),
        ((0.12, 0.08, 0.17), {}, "Field and reserve probably do not fit (room in 12 of 100 cases, 8 to 17 by the draws)."),
        (
            (0.0, 0.0, 0.02),
            {"best": 0.135, "least": 0.135},
            "Field and reserve probably do not fit (room in 0 of 100 cases, 0 to 2 by the draws; the least that may be asked in 14 "
            "of 100).",
        ),
        ((0.45, 0.4, 0.5), {}, "Nobody can say: it hangs on where things are (room in 45 of 100 cases, 40 to 50 by the draws)."),
        (
            (0.1, 0.1, 0.1),
            {"best": 0.97},
            "Nobody can say: it hangs on soil or bedrooms. The largest field that they leave open has room in 10 of 100 cases, the "
            "smallest in 97.",
        ),
        (
            (0.0, 0.0, 0.0),
            {"eased": 1.0},
            "Nobody can say: it hangs on a condition that is not known (room in 0 of 100 cases, with the distances that it may ask, "
            "and in 100 without them).",
        ),
        (
            (0.0, 0.0, 0.02),
            {"best": 0.1, "eased": 0.1, "least": 0.9},
            "Nobody can say: it hangs on soil or bedrooms, and on a condition that is not known (room in 0 of 100 cases, 0 to 2 by "
            "the draws, for the largest field with the distances that it may ask, and in 90 for the smallest without them).",
        ),
        ((0.1, 0.1, 0.1), {"eased": 0.3}, "Nobody can say: it hangs on where things are (room in 10 of 100 cases)."),
        ((1.0, 0.2, 1.0), {}, "Nobody can say: the draws are too few (room in 100 of 100 cases, 20 to 100 by the draws)."),
        ((math.nan, math.nan, math.nan), {"why": "no soil is known"}, "Nobody can say: no soil is known."),
    ],
)
def test_words_come_before_numbers(chance, more, words):
    assert said(*chance, **more)[2] == words


def test_cases_of_a_hundred_are_never_all_or_none_for_less():
    assert [of_100(share) for share in (0.0, 1e-9, 0.5, 0.9999, 1.0)] == ["0", "fewer than 1", "50", "more than 99", "100"]


def test_what_a_condition_may_still_ask_never_makes_a_no_of_it():
    """No room with a distance that may be required, room without it: nobody can say, whatever the draws and whatever the certainty."""
    assert said(0.0, 0.0, 0.0)[:2] == (NO_FIT, CERTAIN)
    for eased in (0.3, 0.6, 1.0):
        assert said(0.0, 0.0, 0.0, eased=eased)[0] == CANNOT_SAY
    assert said(0.0, 0.0, 0.0, eased=0.1)[:2] == (NO_FIT, LIKELY)


def test_all_and_none_are_said_of_all_and_none_of_the_draws_alone():
    """One draw of 10,000 that differs leaves 99.9 and 0.1, also at the ends of intervals; fewer draws are rounded as ever."""
    assert tenths([0.0, 1e-4, 0.0004, 0.4567, 0.9996, 1.0 - 1e-4, 1.0]).tolist() == [0.0, 0.1, 0.1, 45.7, 99.9, 99.9, 100.0]
    assert np.isnan(tenths(math.nan)) and tenths(199 / 200) == 99.5


def test_a_presumed_well_is_called_one():
    words = said(0.9, 0.85, 0.93, rough=("presumed on A-1", "W-1", "presumed at B-2"))[2]
    assert words.endswith("before somebody has found the well presumed on A-1, W-1, the well presumed at B-2.")
