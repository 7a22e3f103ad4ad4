"""What to survey first: cases with known answers, and the shares held against full nested simulation by the real search."""

import numpy as np
import pytest

from geoseptic.chance.fits import Places, fits
from geoseptic.chance.survey import (
    ALL,
    BUILDINGS,
    FIRST_WELL,
    LOT_LINE,
    decided,
    either_settles,
    known_chances,
    known_of,
    settling,
)
from geoseptic.model.certainty import Certainty
from tests.chance.test_fits import a_case, places
from tests.parcels import lots

COMMON = Certainty(0.99, 0.80, "")


def bits(*things) -> np.ndarray:
    """One layout, kept by each thing in these draws."""
    return np.array([np.asarray(one, bool) for one in things]).astype(np.uint64)


def test_one_well_that_alone_decides_a_lot_settles_it_wholly_and_what_matters_to_nobody_settles_nothing():
    well, sure = np.arange(200) % 2 == 0, np.ones(200)
    kept = bits(sure, sure, well, sure)
    found = settling(kept, kept, COMMON)
    assert found.settles.tolist() == [0.0, 0.0, 1.0, 0.0] and found.decides.tolist() == [0.0, 0.0, 1.0, 0.0]


def test_of_two_wells_that_must_both_be_known_each_settles_less():
    """Each keeps its distance in 7 of 10 cases: 0.49 for both; one known to be near settles (3 in 10), known to be far leaves 0.7."""
    one, other, sure = np.arange(100) % 10 < 7, np.arange(100) // 10 < 7, np.ones(100)
    kept = bits(sure, sure, one, other)
    found = settling(kept, kept, COMMON)
    assert found.settles == pytest.approx([0.0, 0.0, 0.3, 0.3])
    # Of the variance 0.49 x 0.51 the mean over the other explains 0.7^2 x 0.21 each.
    assert found.decides[FIRST_WELL:] == pytest.approx([0.49 * 0.21 / (0.49 * 0.51)] * 2)


def test_either_of_two_layouts_is_room_enough():
    """A layout on each side of the house: the well is by one or by the other and closes one of them alone, so it settles nothing."""
    well, sure = np.arange(100) % 2 == 0, np.ones(100, bool)
    both = np.array([sure * 3, sure * 3, np.where(well, 1, 2)]).astype(np.uint64)
    assert settling(both, both, COMMON).settles.tolist() == [0.0, 0.0, 0.0]


def test_what_is_answered_already_counts_for_nothing():
    well, sure = np.arange(100) < 90, np.ones(100)
    kept = bits(sure, sure, well)
    assert settling(kept, kept, COMMON).settles.tolist() == [0.0, 0.0, 0.0]


def test_a_lot_that_the_smallest_field_may_still_fit_is_not_settled_by_finding_no_room_for_the_largest():
    well, sure = np.arange(100) % 2 == 0, np.ones(100)
    largest, smallest = bits(sure, sure, well), bits(sure, sure, sure)
    assert settling(largest, smallest, COMMON).settles.tolist() == [0.0, 0.0, 0.5]


def test_soil_and_bedrooms_are_two_cases_of_equal_weight():
    def settles(chance, best):
        return either_settles((chance, chance), (best, best), COMMON)

    assert settles(0.05, 0.97) == 1.0
    assert settles(0.5, 0.97) == 0.5
    assert settles(0.5, 0.6) == settles(0.5, 0.5) == 0.0
    assert settles(0.9, 0.97) == settles(0.0, 0.1) == 0.0, "these have an answer"


def test_soil_and_bedrooms_settle_nothing_that_hangs_on_an_open_condition():
    """The largest fits in none of the draws with what may be asked and in all without; only a size of which neither is so has an answer."""
    assert either_settles((0.0, 1.0), (0.0, 1.0), COMMON) == 0.0
    assert either_settles((0.0, 0.1), (0.5, 1.0), COMMON) == 0.5
    assert either_settles((0.0, 1.0), (0.97, 1.0), COMMON) == 0.5


def put_together(where: Places, thing: int) -> Places:
    """Every draw of one thing with every draw of all others."""
    count = len(where)
    own, rest = np.repeat(np.arange(count), count), np.tile(np.arange(count), count)
    wells_m = where.wells_m[rest]
    if thing >= FIRST_WELL:
        wells_m[:, thing - FIRST_WELL] = where.wells_m[own, thing - FIRST_WELL]
    return Places(
        where.lot_m[own if thing == LOT_LINE else rest],
        where.buildings_m[own if thing == BUILDINGS else rest],
        np.ascontiguousarray(wells_m),
    )


def test_shares_are_those_of_full_nested_simulation_but_for_rooms_that_no_draw_has_shown():
    """Every draw of each thing with every draw of the others, searched; the layouts known give a chance that is a little lower."""
    rng = np.random.default_rng(8)
    terrain, draws, seen = lots.terrain(lots.plane(0.04, 1.0), 2.0), 16, 0
    short, off, told_as = [], [], []
    for number in range(150):
        case, wells_m = a_case(rng, terrain, lots.NEEDS[4], same=number % 2 > 0)
        where = places(rng, wells_m, (0.5, 0.5, float(rng.choice([8.0, 40.0]))), draws)
        found = fits(case, where)
        if not 0.2 < (found.kind == 2).mean() < 0.8:
            continue
        seen += 1
        (kept,) = known_of([case], where, [found.drawn])
        told_as.append(np.mean((np.bitwise_and.reduce(kept, axis=0) != 0) == (found.kind == 2)))
        told = settling(kept, kept, COMMON)
        for thing in range(len(kept)):
            known = known_chances(kept[thing], np.bitwise_and.reduce(np.delete(kept, thing, axis=0), axis=0, initial=ALL))
            nested = (fits(case, put_together(where, thing)).kind == 2).reshape(draws, draws).mean(axis=1)
            settles = max(0.0, decided(nested, nested, COMMON).mean() - float(decided(nested.mean(), nested.mean(), COMMON)))
            short.append(float((nested - known).mean()))
            off.append(abs(settles - told.settles[thing]))
        if seen == 12:
            break
    assert seen == 12
    assert np.mean(told_as) > 0.97, "known layouts tell drawn draws as they were, but for what rounding hides"
    # Measured: all as they were, 0.044 short (one -0.066: rounding) and 0.092 off in the mean, with 16 draws; with 64 draws on 16 lots
    # 0.017 and 0.023. Where a chance is near a threshold a share may be all wrong.
    assert np.mean(short) < 0.05 and min(short) > -0.1 and np.mean(off) < 0.1
