"""A point that a slip has carried off is told from one of another place."""

import numpy as np
import pytest

from geoseptic.parcels.misplaced import misplaced

NEAR_DEG = (-123.1, 46.9, -122.9, 47.0)
HERE = (-123.0, 46.95)


@pytest.mark.parametrize(
    ("lon_deg", "lat_deg", "words"),
    [
        (0.0, 0.0, "longitude 0, latitude 0"),
        (-HERE[0], HERE[1], "sign of its longitude"),
        (HERE[0], -HERE[1], "sign of its latitude"),
        (HERE[1], HERE[0], "swapped"),
        (HERE[1], -HERE[0], "swapped and"),
    ],
)
def test_slip_is_named(lon_deg: float, lat_deg: float, words: str):
    (found,) = misplaced(np.array([lon_deg]), np.array([lat_deg]), NEAR_DEG).items()
    assert words in found[0] and found[1].tolist() == [0]


def test_points_of_another_place_and_points_without_one_are_not_listed():
    far = np.array([-100.0, -80.0, np.inf, np.nan]), np.array([40.0, 25.0, np.inf, np.nan])
    assert misplaced(*far, NEAR_DEG) == {}
