"""Chances come true as often as they say, on simulated counties of which all is known; tests/benchmarks/calibration.py has the figures."""

import math

import numpy as np
import pytest

from tests.chance import reliability
from tests.chance.blurred import a_county, said, truth

SEEDS = range(1, 7)
EVERY = 7
"""Of the cells every seventh is looked at: neighbours say nearly the same."""


@pytest.fixture(scope="module")
def cells():
    """For stated errors of half, once and twice the true ones: chances of cells, whether they are clear, and their county."""
    found = {times: [] for times in (0.5, 1.0, 2.0)}
    for seed in SEEDS:
        county = a_county(seed, 2)
        fact = truth(county, fits=False).clear.ravel()[::EVERY]
        for times, rows in found.items():
            told = said(county, 60, times, fits=False).clear.ravel()[::EVERY]
            known = ~np.isnan(told) & ~np.isnan(fact)
            rows.append((told[known], fact[known], np.full(known.sum(), seed)))
    return {times: tuple(np.concatenate(column) for column in zip(*rows, strict=True)) for times, rows in found.items()}


def sure_by(chance, true, county):
    """How much too sure the chances are, and the standard error of that by counties."""
    return reliability.overconfidence(chance, true), reliability.by_counties(
        lambda of: reliability.overconfidence(chance[of], true[of]), county
    )


def test_chances_of_cells_come_true_as_often_as_they_say_within_the_sampling_error(cells):
    chance, true, county = cells[1.0]
    found = reliability.classes(chance, true, county, 5)
    assert len(found) == 5 and min(one.count for one in found) > 300
    for one in found:
        assert abs(one.share - one.mean) < 3.0 * one.error + 0.02, one


def test_a_cell_that_is_certain_is_never_otherwise_unless_errors_are_larger_than_stated(cells):
    wrong = {times: int(true[chance == 0].sum() + (1 - true[chance == 1]).sum()) for times, (chance, true, _) in cells.items()}
    assert (cells[1.0][0] == 0).sum() > 300
    assert wrong[1.0] == wrong[2.0] == 0 < wrong[0.5]


def test_errors_that_are_stated_too_small_make_chances_too_sure_and_too_large_ones_the_opposite(cells):
    half, once, twice = (sure_by(*cells[times])[0] for times in (0.5, 1.0, 2.0))
    assert half > once > twice
    error = sure_by(*cells[0.5])[1]
    assert half > 2.0 * error > 0
    scores = {times: reliability.brier(*of[:2]) for times, of in cells.items()}
    assert scores[1.0] < min(scores[0.5], scores[2.0])


def test_chances_of_fitting_come_true_as_often_as_they_say_within_the_sampling_error():
    told, fact, county = [], [], []
    for seed in (1, 2):
        made = a_county(seed, 1)
        told.append(said(made, 15).primary)
        fact.append(truth(made).primary)
        county.append(np.full(len(told[-1]), seed))
    chance, true, whose = (np.concatenate(of) for of in (told, fact, county))
    assert np.count_nonzero((chance > 0.05) & (chance < 0.95)) > 10
    # Lots of one county lean on the same wells: as if four in five of them told nothing new.
    error = math.sqrt(float((chance * (1 - chance)).mean()) / (len(chance) / 5))
    assert abs(float((chance - true).mean())) < 2.0 * error
    # Chances say more than the share of all lots would.
    assert reliability.brier(chance, true) < true.mean() * (1 - true.mean())
    assert set(whose) == {1, 2}


def test_scores_are_those_of_a_case_worked_by_hand():
    chance, true, county = np.array([0.25, 0.25, 0.75, 0.75]), np.array([0.0, 1.0, 1.0, 1.0]), np.array([1, 1, 2, 2])
    found = reliability.score(chance, true, county)
    assert found.brier == pytest.approx((0.0625 + 0.5625 + 0.0625 + 0.0625) / 4)
    # Classes of 0.25 (half came true) and of 0.75 (all did).
    assert found.reliability == pytest.approx(0.0625) and found.resolution == pytest.approx(0.0625)
    assert found.uncertainty == pytest.approx(0.1875)
    assert found.brier == pytest.approx(found.reliability - found.resolution + found.uncertainty)
    assert reliability.overconfidence(np.array([0.9, 0.9]), np.array([1.0, 0.0])) == pytest.approx(0.4)
    assert reliability.overconfidence(np.array([0.1, 0.9]), np.array([0.0, 1.0])) == pytest.approx(-0.1)
