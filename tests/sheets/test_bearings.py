"""Directions of lot lines as surveyors write them."""

import math
import random
import re

import pytest
from pyproj import Geod, Transformer

from geoseptic.model.frame import Frame
from geoseptic.sheets.bearings import azimuth_degrees, quadrant, true_north_degrees, true_north_words


@pytest.mark.parametrize(
    ("end", "bearing"),
    [
        ((1, 1), "N 45°00' E"),
        ((1, -1), "S 45°00' E"),
        ((-1, -1), "S 45°00' W"),
        ((-1, 1), "N 45°00' W"),
        ((3, 4), "N 36°52' E"),
        ((-3, -4), "S 36°52' W"),
        ((0, 1), "N 0°00' E"),
        ((0, -1), "S 0°00' E"),
        ((1, 0), "N 90°00' E"),
        ((-1, 0), "S 90°00' W"),
        ((-1, 100_000), "N 0°00' E"),
    ],
)
def test_a_direction_is_told_from_north_or_south_to_east_or_west(end, bearing):
    """Diagonals, the triangle of 3, 4 and 5, the four winds, and a direction that rounds to north from the west."""
    assert quadrant(azimuth_degrees((0, 0), end)) == bearing


def azimuth_of(bearing: str) -> float:
    """Read back by the rule of the notation."""
    pole, degrees, minutes, side = re.fullmatch(r"([NS]) (\d+)°(\d\d)' ([EW])", bearing).groups()
    turned = int(degrees) + int(minutes) / 60
    assert turned <= 90 and int(minutes) < 60
    return ((turned if side == "E" else -turned) if pole == "N" else 180 + (-turned if side == "E" else turned)) % 360


def test_a_bearing_read_back_is_within_half_a_minute():
    random.seed(7)
    for azimuth in [
        *(random.uniform(0, 360) for _ in range(2000)),
        *(quarter + tiny for quarter in range(0, 360, 90) for tiny in (0, 1e-9, 0.0084)),
    ]:
        off = (azimuth_of(quadrant(azimuth)) - azimuth + 180) % 360 - 180
        assert abs(off) <= 0.5 / 60 + 1e-9, azimuth


def test_half_a_minute_is_no_more_than_the_sheet_says():
    """0.015 ft in 100 ft, and a corner that is a foot off turns a line of 100 ft by more than half a degree."""
    assert 100 * math.tan(math.radians(0.5 / 60)) < 0.015 and math.degrees(math.atan(1 / 100)) > 0.5


@pytest.mark.parametrize(("crs", "lon", "lat"), [(26910, -122.2, 47.3), (26910, -124.6, 47.3), (2927, -119.5, 46.2), (32756, 151.2, -33.9)])
def test_true_north_is_where_geodesics_say(crs, lon, lat):
    """By the azimuth, on the ellipsoid, of a step to the north of the grid: east and west of a middle meridian, in feet, in the south."""
    frame = Frame.of(crs, "test")
    change = Transformer.from_crs(frame.crs.geodetic_crs, frame.crs, always_xy=True)
    x, y = change.transform(lon, lat)
    there = change.transform(x, y + 10, direction="INVERSE")
    ellipsoid = frame.crs.ellipsoid
    grid_from_true = Geod(a=ellipsoid.semi_major_metre, rf=ellipsoid.inverse_flattening).inv(lon, lat, *there)[0]
    found = true_north_degrees(frame, (x * frame.metres_per_unit, y * frame.metres_per_unit))
    assert found == pytest.approx(-grid_from_true, abs=1e-4) and abs(found) > 0.2


def test_true_north_is_said_in_words():
    assert true_north_words(-0.555) == "True north lies 0°33' west of grid north here"
    assert true_north_words(1.0) == "True north lies 1°00' east of grid north here"
    assert true_north_words(0.004) == "True north is grid north here"
