"""What meets a window is found by place as by looking at each."""

import numpy as np
import pytest

from geoseptic.parcels.byplace import IN_A_GROUP, ByPlace


@pytest.mark.parametrize("count", [0, 1, 5, IN_A_GROUP, IN_A_GROUP + 1, 5000])
@pytest.mark.parametrize("seed", range(4))
def test_rows_are_those_of_a_look_at_each(seed, count):
    random = np.random.default_rng(seed)
    corner = random.uniform(0, 100, (count, 2)).round(1)
    size = random.exponential(1.0, (count, 2)).round(1) * random.choice([0, 1, 30], (count, 1), p=[0.1, 0.85, 0.05])
    bounds = np.concatenate([corner, corner + size], axis=1)
    bounds[random.random(count) < 0.05] = np.nan
    by_place = ByPlace(bounds)
    for _ in range(30):
        left, bottom = random.uniform(-10, 105, 2).round(1)
        right, top = left + random.exponential(8.0), bottom + random.exponential(8.0)
        expected = [
            row
            for row, (west, south, east, north) in enumerate(bounds.tolist())
            if east >= left and west <= right and north >= bottom and south <= top
        ]
        assert by_place.meeting(left, bottom, right, top).tolist() == expected


def test_what_only_touches_meets():
    by_place = ByPlace(np.array([[0.0, 0.0, 1.0, 1.0], [2.0, 2.0, 2.0, 2.0]]))
    assert by_place.meeting(1.0, 1.0, 2.0, 2.0).tolist() == [0, 1]
    assert by_place.meeting(1.1, 1.0, 1.9, 2.0).tolist() == []
