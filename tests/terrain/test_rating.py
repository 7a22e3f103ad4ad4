"""Ratings: the curves at their anchors, the limiting factor, weights, and what is unknown or excluded."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.terrain.rating import EXCLUDED, FAIR_FROM, GOOD_FROM, UNKNOWN, combined, slope_rating, suitability, well_path_rating

CLASSES_PERCENT = (8.0, 15.0)
properties = settings(max_examples=80, deadline=None, derandomize=True)


def layer(*values: float) -> np.ndarray:
    return np.array(values, np.float32)


def test_slope_rating_at_its_anchors():
    rated = slope_rating(layer(0, 4, 8, 11.5, 15, 22.5, 30, 31, 500), 30.0, CLASSES_PERCENT)
    np.testing.assert_allclose(rated, [100, 85, 70, 55, 40, 25, 10, 10, 10], rtol=1e-6)
    assert rated.dtype == np.float32


def test_limits_of_the_slope_classes_are_the_limits_of_good_and_fair():
    good, fair = slope_rating(layer(*CLASSES_PERCENT), 30.0, CLASSES_PERCENT)
    assert (good, fair) == (GOOD_FROM, FAIR_FROM)


@pytest.mark.parametrize(("limit_percent", "at_four"), [(15.0, 85.0), (12.0, 85.0), (8.0, 55.0), (5.0, 28.0)])
def test_code_limit_inside_the_classes_ends_the_slope_curve_there(limit_percent: float, at_four: float):
    rated = slope_rating(layer(0, 4, limit_percent, limit_percent + 1), limit_percent, CLASSES_PERCENT)
    np.testing.assert_allclose(rated, [100, at_four, 10, 10], rtol=1e-6)


@properties
@given(st.floats(1, 60), st.floats(1, 20), st.floats(0.5, 20))
def test_steeper_ground_is_never_rated_better(limit_percent: float, slight: float, more: float):
    rated = slope_rating(np.linspace(0, 80, 400, dtype=np.float32), limit_percent, (slight, slight + more))
    assert (np.diff(rated) <= 1e-4).all()
    assert rated[0] == 100
    assert rated[-1] == 10


def test_slope_that_is_unknown_has_no_rating():
    np.testing.assert_array_equal(np.isnan(slope_rating(layer(np.nan, 3), 30.0, CLASSES_PERCENT)), [True, False])


def test_well_path_rating_at_its_anchors():
    rated = well_path_rating(layer(0, 30, 30.48, 167.64, 304.8, 400, np.inf, np.nan), 30.48, 304.8)
    np.testing.assert_allclose(rated, [10, 10, 10, 35, 60, 60, 100, np.nan], rtol=1e-5)
    assert rated.dtype == np.float32


@pytest.mark.parametrize("reach_m", [10.0, 100.0, 100.5])
def test_reach_no_longer_than_the_setback_still_gives_a_curve(reach_m: float):
    np.testing.assert_allclose(well_path_rating(layer(50, 100, 101, np.inf), 100.0, reach_m), [10, 10, 60, 100])


@properties
@given(st.floats(1, 100), st.floats(1, 500))
def test_longer_path_to_a_well_is_never_rated_worse(setback_m: float, reach_m: float):
    distances = np.append(np.linspace(0, 600, 400), np.inf).astype(np.float32)
    assert (np.diff(well_path_rating(distances, setback_m, reach_m)) >= -1e-4).all()


@pytest.mark.source("fao1976", where="section 3 and chapter 4: the least favourable quality decides (limiting condition)")
def test_least_factor_decides():
    factors = {"slope": layer(90, 20, 100), "well_path": layer(50, 80, 100), "soil": layer(60, 70, 30)}
    np.testing.assert_array_equal(combined(factors), [50, 20, 30])
    np.testing.assert_array_equal(combined({"slope": layer(90, 20)}), [90, 20])


def test_weights_give_the_weighted_mean_whatever_their_sum():
    factors = {"slope": layer(90, 20), "well_path": layer(50, 80)}
    for weights in ({"slope": 3.0, "well_path": 1.0}, {"slope": 0.75, "well_path": 0.25, "not asked for": 9.0}):
        np.testing.assert_allclose(combined(factors, weights), [80, 35], rtol=1e-6)


def test_combining_leaves_the_factors_alone():
    factors = {"slope": layer(90, 20), "well_path": layer(50, 80)}
    combined(factors)
    combined(factors, {"slope": 1.0, "well_path": 1.0})
    np.testing.assert_array_equal(factors["slope"], [90, 20])


@pytest.mark.parametrize("weights", [None, {"slope": 1.0, "well_path": 0.0}, {"slope": 0.0, "well_path": 1.0}])
def test_factor_that_is_unknown_makes_the_whole_unknown(weights: dict[str, float] | None):
    rated = combined({"slope": layer(np.nan, 5, 5), "well_path": layer(5, np.nan, 5)}, weights)
    np.testing.assert_array_equal(np.isnan(rated), [True, True, False])


def test_suitability_tells_excluded_unknown_and_rated_apart():
    rating = layer(55.4, 55.6, np.nan, 55, np.nan, np.inf)
    excluded = np.array([False, False, False, True, True, False])
    unproven = np.zeros(6, bool)
    np.testing.assert_array_equal(suitability(rating, excluded, unproven), [55, 56, UNKNOWN, EXCLUDED, EXCLUDED, UNKNOWN])


def test_excluded_wins_over_unknown():
    every = np.array([True])
    assert suitability(layer(80), every, every)[0] == EXCLUDED
    assert suitability(layer(np.nan), every, ~every)[0] == EXCLUDED
    assert suitability(layer(80), ~every, every)[0] == UNKNOWN


def test_rating_never_reads_as_excluded_or_unknown():
    rating = layer(-5, 0, 0.2, 1, 100, 100.4, 254, 255)
    none = np.zeros(8, bool)
    found = suitability(rating, none, none)
    assert found.dtype == np.uint8
    np.testing.assert_array_equal(found, [1, 1, 1, 1, 100, 100, 100, 100])
