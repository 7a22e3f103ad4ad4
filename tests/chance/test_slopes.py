"""Chances of slopes: the spread of a fitted plane's rise, and the chance beside distributions and draws."""

import math

import numpy as np
import pytest
from scipy import stats

from geoseptic.chance.draws import Draws, ground_error
from geoseptic.chance.slopes import QUALITY_RMSE_M, horn_weights, plane_weights, rise_sigma, slope_chance
from geoseptic.terrain.slope import horn_slope_percent, plane_slope_percent


def by_pairs(weights: np.ndarray, correlation_m: float, cell_m: float) -> float:
    """Spread of a weighted sum of correlated errors, pair by pair."""
    row, col = np.mgrid[: weights.shape[0], : weights.shape[1]]
    apart_m = cell_m * np.hypot(row.ravel()[:, None] - row.ravel(), col.ravel()[:, None] - col.ravel())
    return math.sqrt(weights.ravel() @ np.exp(-apart_m / correlation_m) @ weights.ravel())


@pytest.mark.source("usgs-lbs", where="absolute vertical accuracy, RMSEz of NVA")
@pytest.mark.parametrize(("level", "printed_cm"), [("QL0", 5), ("QL1", 10), ("QL2", 10), ("QL3", 20)])
def test_quality_levels_have_the_errors_of_the_specification(level: str, printed_cm: float):
    assert QUALITY_RMSE_M[level] * 100 == pytest.approx(printed_cm)


@pytest.mark.parametrize("correlation_m", [0.5, 4.0, 10.0, 60.0])
@pytest.mark.parametrize("weights", [plane_weights(3, 2.0), plane_weights(3, 2.0, 0), horn_weights(2.0)], ids=["plane", "half", "horn"])
def test_spread_of_a_rise_is_that_of_all_pairs_of_cells(weights: np.ndarray, correlation_m: float):
    assert rise_sigma(weights, 0.1, correlation_m, 2.0) == pytest.approx(0.1 * by_pairs(weights, correlation_m, 2.0), rel=1e-9)


@pytest.mark.parametrize("axis", [0, 1])
def test_weights_are_those_of_the_slopes_that_are_mapped(axis: int):
    ramp = 0.07 * 2.0 * np.mgrid[:31, :31][axis].astype(np.float32)
    bump = ramp + np.random.default_rng(1).normal(0, 0.1, ramp.shape).astype(np.float32)
    for weights, slope in (
        (plane_weights(3, 2.0), plane_slope_percent(bump, 2.0, 14.0)),
        (horn_weights(2.0), horn_slope_percent(bump, 2.0)),
    ):
        half = weights.shape[0] // 2
        part = bump[15 - half : 16 + half, 15 - half : 16 + half]
        assert 100 * math.hypot((weights * part).sum(), (weights.T * part).sum()) == pytest.approx(slope[15, 15], rel=1e-4)


@pytest.mark.source("oksanen2005", where="abstract: largest where the practical range is about the window")
def test_slopes_are_worst_where_the_errors_range_over_about_the_window():
    lengths_m = np.arange(0.5, 60.0, 0.5)
    spread = [rise_sigma(plane_weights(7, 1.0), 0.1, length, 1.0) for length in lengths_m]
    # The practical range of an exponential covariance, where 5 percent are left, is three times its length.
    assert 0.8 * 15 < 3 * lengths_m[int(np.argmax(spread))] < 1.6 * 15


@pytest.mark.source("scipy-ncx2", where="ncx2.cdf with df = 2")
def test_slope_chance_is_the_noncentral_chi_square_rounded_down():
    slope = np.linspace(0, 40, 20_001).astype(np.float32)
    found = slope_chance(slope, 15.0, 2.0)
    expected = 100 * stats.ncx2.cdf((15 / 2) ** 2, 2, (slope.astype(float) / 2) ** 2)
    between = (found > 0) & (found < 100)
    assert (np.floor(expected[between] + 1e-6).clip(1, 99) == found[between]).mean() > 0.9999
    assert (slope[found == 100] < 3).all() and (slope[found == 0] >= 27).all() and (np.diff(found.astype(int)) <= 0).all()


def test_without_an_error_the_chance_is_the_certain_answer():
    slope = np.array([0.0, 14.9, 15.0, np.nextafter(np.float32(15), np.float32(16)), 40.0, np.nan], np.float32)
    assert slope_chance(slope, 15.0, 0.0).tolist() == [100, 100, 100, 0, 0, 255]
    assert slope_chance(slope[[0, 4, 5]], 15.0, 1e-9).tolist() == [100, 0, 255]


def test_level_ground_is_never_surely_under_a_limit_that_the_noise_exceeds():
    assert slope_chance(np.zeros(1, np.float32), 1.0, 4.0)[0] == pytest.approx(100 * stats.rayleigh.cdf(1 / 4), abs=1)
    assert slope_chance(np.zeros(1, np.float32), 0.1, 40.0)[0] == 1


def test_slope_chance_is_the_share_of_perturbed_grounds_that_keep_the_limit():
    cell_m, draws, half = 2.0, 400, 3
    field = ground_error(2, 0.1, 10.0, cell_m)
    rows, cols = np.mgrid[:40, :40]
    heights_m = (0.10 * cell_m * rows + 0.003 * cell_m * (cols - 20) ** 2).astype(np.float32)
    slope = plane_slope_percent(heights_m, cell_m, 14.0)
    sigma = 100 * rise_sigma(plane_weights(half, cell_m), 0.1, 10.0, cell_m)
    kept = np.zeros(slope.shape)
    for offset in Draws(2, draws).ground_offsets(field.values_m.shape[0]):
        kept += plane_slope_percent(heights_m + field.window(offset, slice(0, 40), slice(0, 40)), cell_m, 14.0) <= 12.0
    inner = slice(half, 40 - half), slice(half, 40 - half)
    off = kept[inner] / draws - slope_chance(slope, 12.0, sigma)[inner] / 100
    # Percent are rounded down by half a point in the mean; the largest of a thousand correlated cells is allowed four standard errors.
    assert abs(off.mean()) < 0.03 and abs(off).max() < 0.01 + 4.5 * 0.5 / math.sqrt(draws)
