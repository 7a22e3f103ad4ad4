"""Heights of the water table are told from its depths, and depths are not refused for them."""

import numpy as np
import pytest
from affine import Affine
from shapely import box

from geoseptic.errors import ElevationValueError
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid, Raster
from geoseptic.processes.depth_checks import check_depths

SIDE = 60
ROWS, COLS = np.mgrid[0:SIDE, 0:SIDE]
HILLS_M = 12 * np.sin(ROWS / 7) + 9 * np.cos(COLS / 5)
"""Relief of some 40 m."""

LOTS = np.array([box(500_100, 5_199_500, 500_500, 5_199_900)], object)


def raster(values: np.ndarray) -> Raster:
    return Raster(values.astype(np.float32), Grid((SIDE, SIDE), Affine(10, 0, 500_000, 0, -10, 5_200_000), Frame.of("EPSG:26910", "test")))


def refused(depth_m: np.ndarray, ground_m: np.ndarray) -> bool:
    try:
        check_depths(raster(depth_m), raster(ground_m), LOTS)
    except ElevationValueError:
        return True
    return False


@pytest.mark.parametrize("base_m", [30.0, 140.0, 1500.0 / 4])
def test_heights_of_a_water_table_are_refused_in_low_and_in_high_country(base_m: float):
    ground_m = base_m + HILLS_M
    for below_m in (0.3, 2.0, 8.0):
        assert refused(ground_m - below_m, ground_m)
        # A table that lies deeper below the hills.
        assert refused(ground_m - below_m - 0.1 * (HILLS_M - HILLS_M.min()), ground_m)


def test_depths_are_no_heights():
    ground_m = 140 + HILLS_M
    assert not refused(np.full((SIDE, SIDE), 5.0), ground_m), "the same depth everywhere"
    assert not refused(2 + 0.5 * (HILLS_M - HILLS_M.min()), ground_m), "deeper below the hills"
    assert not refused(ground_m - 95.0, ground_m), "a level table: the depth rises as the ground does, and is not near its height"
    assert not refused(np.full((SIDE, SIDE), 4.0), 8 + HILLS_M / 20), "a low plain by the sea"
    assert not refused(np.full((SIDE, SIDE), np.nan), ground_m), "nothing known"


def test_depths_that_nobody_maps_for_fields_are_told():
    told = check_depths(raster(np.full((SIDE, SIDE), 180.0)), raster(900 + HILLS_M), LOTS)
    assert any("180 m below the ground" in words for words in told)
