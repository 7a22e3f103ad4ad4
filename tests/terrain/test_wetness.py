"""What drains through a cell and how high it lies above its water, worked out by hand and counted by brute force."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.terrain.drainage import d8_receivers, fill
from geoseptic.terrain.wetness import cells_above, height_above_drainage_m, wetness_index
from tests.terrain.grounds import rough

STAIRS_M = np.array([[5, 4, 3, 2, 1]], np.float32)


def test_along_a_stair_each_cell_passes_on_all_above_it():
    np.testing.assert_array_equal(cells_above(d8_receivers(STAIRS_M)), [[1, 2, 3, 4, 5]])


def test_height_is_counted_from_the_first_water_down_the_way_and_not_from_the_lowest():
    # Water in the second and the last cell: the first cell stands 1 m above the second, the third 2 m above the last.
    drainage = np.array([[False, True, False, False, True]])
    np.testing.assert_array_equal(height_above_drainage_m(STAIRS_M, d8_receivers(STAIRS_M), drainage), [[1, 0, 2, 1, 0]])


def test_water_that_leaves_the_data_before_any_drainage_has_no_height_above_it():
    drainage = np.array([[False, True, False, False, False]])
    np.testing.assert_array_equal(height_above_drainage_m(STAIRS_M, d8_receivers(STAIRS_M), drainage), [[1, 0, np.nan, np.nan, np.nan]])


def test_unknown_ground_has_no_height_and_hands_on_no_water():
    ground = np.array([[5, np.nan, 3, 2, 1]], np.float32)
    d8 = d8_receivers(ground)
    np.testing.assert_array_equal(cells_above(d8), [[1, 1, 1, 2, 3]])
    found = height_above_drainage_m(ground, d8, np.array([[False, False, False, False, True]]))
    np.testing.assert_array_equal(found, [[np.nan, np.nan, 2, 1, 0]])


def test_index_of_an_evenly_sloping_row_is_that_of_the_formula():
    # The fourth cell of 2 m drains four cells: 16 m2 through 2 m of contour, over a slope of 10 percent: ln(8 / 0.1).
    above = cells_above(d8_receivers(STAIRS_M))
    index = wetness_index(above, np.full((1, 5), 10, np.float32), 2.0)
    assert index[0, 3] == pytest.approx(math.log(80), rel=1e-6)


def test_level_ground_is_wet_without_end_and_counts_as_a_slope_of_a_tenth_of_a_percent():
    index = wetness_index(np.array([[1]], np.int32), np.zeros((1, 1), np.float32), 1.0)
    assert index[0, 0] == pytest.approx(math.log(1000), rel=1e-6)
    assert np.isnan(wetness_index(np.array([[1]], np.int32), np.full((1, 1), np.nan, np.float32), 1.0)[0, 0])


@given(seed=st.integers(0, 50), holes=st.booleans())
def test_counts_and_heights_are_those_of_a_walk_from_every_cell(seed: int, holes: bool):
    ground = rough((14, 17), seed=seed, steps_m=0.25)
    if holes:
        ground[3:6, 8:11] = np.nan
    filled = fill(ground)
    d8 = d8_receivers(filled)
    drainage = np.random.default_rng(seed).random(ground.shape) < 0.05
    drainage &= ~np.isnan(ground)
    above, height = np.zeros(ground.shape, int), np.full(ground.shape, np.nan)
    for start in np.ndindex(ground.shape):
        row, col = start
        looking = True
        while True:
            above[row, col] += 1
            if looking and drainage[row, col]:
                height[start] = filled[start] - filled[row, col]
                looking = False
            if d8[row, col] == 0:
                break
            k = int(d8[row, col]).bit_length() - 1
            row += (0, -1, -1, -1, 0, 1, 1, 1)[k]
            col += (1, 1, 0, -1, -1, -1, 0, 1)[k]
    np.testing.assert_array_equal(cells_above(d8), above)
    np.testing.assert_array_equal(height_above_drainage_m(filled, d8, drainage), height.astype(np.float32))
    assert (height[~np.isnan(height)] >= 0).all()


def test_what_leaves_the_data_is_all_that_is_on_it():
    d8 = d8_receivers(fill(rough((60, 50), seed=3)))
    assert cells_above(d8)[d8 == 0].sum() == d8.size
