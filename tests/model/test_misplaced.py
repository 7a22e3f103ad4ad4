"""A point that a slip has carried off is told from one of another place."""

import numpy as np
import pytest

from geoseptic.model.misplaced import SLIPS, misplaced, of_next_zone, slipped_bounds

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


def test_part_of_a_layer_that_was_written_in_the_next_zone_is_found_and_other_gaps_are_not():
    """The same easting and northing read one zone west lie 6 degrees west; four places in the one, two in the other."""
    lon, lat = np.array([-119.95, -119.9, -120.05, -120.1, -119.98 - 6, -119.97 - 6]), np.full(6, 47.0)
    rows, apart_deg = of_next_zone(lon, lat)
    assert sorted(rows.tolist()) == [4, 5] and apart_deg == pytest.approx(119.97 + 6 - 120.1)
    assert not len(of_next_zone(np.where(lon < -125, lon + 1, lon), lat)[0])  # five degrees off: another place
    assert not len(of_next_zone(lon, np.where(lon < -125, lat + 1, lat))[0])
    assert not len(of_next_zone(lon[:4], lat[:4])[0]) and not len(of_next_zone(lon[:0], lat[:0])[0])


@pytest.mark.parametrize("slip", SLIPS)
def test_places_that_a_slip_has_moved_lie_where_slipped_bounds_says(slip):
    """Every slip is undone by one of the six, so its image lies in one of the six boxes."""
    x, y = next(place for one in SLIPS.values() if SLIPS[slip](*(place := one(*HERE))) == HERE)
    assert any(west <= x <= east and south <= y <= north for west, south, east, north in slipped_bounds(NEAR_DEG))
