"""Runs of rows begin at round numbers, in the order of the rows."""

import geopandas
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.model.rownumbers import FID, LARGEST, SPACING, numbers_of, spaced


@pytest.mark.parametrize(
    ("counts", "numbers"),
    [
        ([], []),
        ([0, 0], []),
        ([2, 1], [1, 2, 11]),
        ([0, 1, 0, 2], [11, 31, 32]),
        ([10, 1], [*range(1, 11), 11]),
        ([11, 1], [*range(1, 12), 21]),
        ([31, 0, 1], [*range(1, 32), 51]),
    ],
)
def test_a_run_begins_after_the_next_multiple_that_is_free(counts, numbers):
    """Also where one has no row, is full to the last number or is longer than the spacing."""
    assert spaced(np.array(counts, np.int64), 10).tolist() == numbers


@given(st.lists(st.integers(0, 25), max_size=8), st.data())
def test_one_row_more_at_the_end_of_a_run_that_is_not_full_is_one_number_more(counts, data):
    before = spaced(np.array(counts, np.int64), 10)
    assert (np.diff(before) > 0).all() and len(before) == sum(counts)
    open_runs = [run for run, count in enumerate(counts) if count == 0 or count % 10]
    if open_runs:
        longer = data.draw(st.sampled_from(open_runs))
        now = spaced(np.array([count + (run == longer) for run, count in enumerate(counts)], np.int64), 10)
        (more,) = set(now.tolist()) - set(before.tolist())
        assert set(before.tolist()) < set(now.tolist()) and more == now[sum(counts[: longer + 1])]


def test_very_many_runs_begin_closer_together():
    most = LARGEST // SPACING + 1
    for runs in (most, most + 1, 30 * most):
        numbers = spaced(np.full(runs, 3))
        assert (np.diff(numbers) > 0).all() and len(numbers) == 3 * runs
        assert numbers[0] == 1 and LARGEST // 11 < numbers[-1] <= LARGEST
        assert (numbers[3] == SPACING + 1) == (runs <= most)


def test_an_index_of_that_name_alone_has_the_numbers():
    frame = geopandas.GeoDataFrame({"a": [1, 2]}, geometry=geopandas.points_from_xy([0, 1], [0, 1]))
    assert numbers_of(frame).tolist() == numbers_of(frame.set_index(pd.Index([7, 9]))).tolist() == [1, 2]
    assert numbers_of(frame.set_index(pd.Index([7, 9], name=FID))).tolist() == [7, 9]
    assert numbers_of(frame.set_index(pd.Index([7, 9], name=FID)).iloc[1:]).tolist() == [9]
