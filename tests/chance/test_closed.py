"""Exact chances against distributions of others, against shapes of the geometry engine, and at their limits."""

import math

import numpy as np
import pytest
import shapely
from scipy import stats

from geoseptic.chance.closed import FARTHEST_SIGMAS, disc_within, gaussian_within, in_percent, square_within

DISTANCES_M = np.array([0.0, 0.3, 5.0, 29.0, 30.0, 30.48, 31.0, 40.0, 77.0, 150.0, 600.0])
RADII_M = np.array([3.0, 15.24, 30.48, 60.96, 304.8])


@pytest.mark.source("scipy-ncx2", where="ncx2.cdf with df = 2")
@pytest.mark.parametrize("sigma_m", [0.5, 1.3, 3.9, 7.0, 12.9, 50.0, 250.0])
def test_gaussian_chance_is_the_noncentral_chi_square(sigma_m: float):
    distance_m, radius_m = np.meshgrid(DISTANCES_M, RADII_M)
    expected = stats.ncx2.cdf((radius_m / sigma_m) ** 2, 2, (distance_m / sigma_m) ** 2)
    found = gaussian_within(distance_m, sigma_m, radius_m)
    # From 6 sigma on it is said to be sure, which leaves exp(-18) of the places out.
    assert np.abs(found - expected).max() < math.exp(-18)
    inner = (expected > 1e-6) & (expected < 1 - 1e-6)
    assert inner.any()
    assert np.abs(found - expected)[inner].max() < 1e-11


@pytest.mark.source("scipy-ncx2", where="rayleigh.cdf")
def test_gaussian_chance_round_the_place_itself_is_the_rayleigh_distribution():
    radius_m = np.linspace(0.1, 30.0, 200)
    assert np.abs(gaussian_within(0.0, 5.0, radius_m) - stats.rayleigh.cdf(radius_m, scale=5.0)).max() < 1e-11


def test_gaussian_chance_is_sure_only_from_six_sigmas_on():
    sigma_m, radius_m = 2.0, 30.0
    far = FARTHEST_SIGMAS * sigma_m
    assert gaussian_within(radius_m + far, sigma_m, radius_m) == 0 and gaussian_within(radius_m - far - 1e-9, sigma_m, radius_m) == 1
    nearly = gaussian_within([radius_m + far - 1e-6, radius_m - far + 1e-6], sigma_m, radius_m)
    assert 0 < nearly[0] < 2e-9 and 1 - 2e-9 < nearly[1] < 1


@pytest.mark.parametrize("within", [gaussian_within, disc_within, lambda d, size, r: square_within(d, 0.0, size, r)])
def test_an_exact_place_is_within_or_not(within):
    # A thing at the very distance keeps it.
    assert within([29.999, 30.0, 30.001], 0.0, 30.0).tolist() == [1.0, 0.0, 0.0]
    assert within([0.0, 5.0], 10.0, 0.0).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("within", [gaussian_within, disc_within, lambda d, size, r: square_within(d, 0.0, size, r)])
def test_chances_go_to_the_certain_answer_as_the_error_goes_to_nothing(within):
    for size_m in (1e-3, 1e-6, 1e-9):
        assert within([30.0 - 10 * size_m, 30.0 + 10 * size_m], size_m, 30.0).tolist() == [1.0, 0.0]


def test_disc_chance_is_the_area_that_two_discs_share():
    for disc_m in (4.0, 30.48, 284.0):
        for radius_m in (3.0, 30.48, 60.96):
            for distance_m in (0.5, 20.0, 31.0, 90.0, 260.0, 300.0):
                thing = shapely.Point(0, 0).buffer(disc_m, quad_segs=2000)
                near = shapely.Point(distance_m, 0).buffer(radius_m, quad_segs=2000)
                expected = thing.intersection(near).area / thing.area
                assert disc_within(distance_m, disc_m, radius_m) == pytest.approx(expected, abs=1e-6)


def test_square_chance_is_the_area_that_disc_and_square_share():
    rng = np.random.default_rng(5)
    for _ in range(300):
        side_m, radius_m = rng.uniform(5, 400), rng.uniform(3, 150)
        east_m, north_m = rng.uniform(-350, 350, 2)
        square = shapely.box(-side_m / 2, -side_m / 2, side_m / 2, side_m / 2)
        disc = shapely.Point(east_m, north_m).buffer(radius_m, quad_segs=1000)
        expected = square.intersection(disc).area / square.area
        assert square_within(east_m, north_m, side_m, radius_m) == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("within", [gaussian_within, disc_within, lambda d, size, r: square_within(d, d / 3, size, r)])
def test_chances_only_grow_with_the_radius(within):
    radius_m = np.linspace(0.0, 400.0, 2001)
    for distance_m in (0.0, 17.0, 90.0):
        chance = within(distance_m, 40.0, radius_m)
        assert (np.diff(chance) >= 0).all() and chance[0] == 0 and chance[-1] == 1


def test_percent_says_0_and_100_of_certainty_alone():
    chance = np.array([0.0, 1e-12, 0.004, 0.29, 0.5, 0.9999, 1 - 1e-12, 1.0, math.nan])
    assert in_percent(chance).tolist() == [0, 1, 1, 29, 50, 99, 99, 100, 255]
