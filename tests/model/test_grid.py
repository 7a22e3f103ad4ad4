"""The only carrier of georeferencing refuses what would bend a distance."""

import numpy as np
import pytest
from affine import Affine

from geoseptic.errors import GeographicCrsError, GridError, MissingCrsError, WebMercatorError
from geoseptic.model.grid import Grid, Raster

NORTH_UP = Affine(2.0, 0, 1000, 0, -2.0, 5000)


def grid(transform: Affine = NORTH_UP, crs: str | None = "EPSG:26915", shape: tuple[int, int] = (30, 40)) -> Grid:
    return Grid.of(shape, transform, crs, "elevation", "dem.tif")


@pytest.mark.parametrize(
    ("transform", "why"),
    [
        (Affine.rotation(5) @ NORTH_UP, "is rotated"),
        (Affine(2.0, 0.1, 0, 0, -2.0, 0), "is rotated"),
        (Affine(2.0, 0, 0, 0, 2.0, 0), "is not north-up"),
        (Affine(-2.0, 0, 0, 0, -2.0, 0), "is not north-up"),
        (Affine(2.0, 0, 0, 0, -2.001, 0), r"has cells of 2\.0 x 2\.001"),
    ],
)
def test_grid_that_bends_distances_is_refused_by_layer_and_file(transform, why):
    with pytest.raises(GridError, match=rf"^elevation \(dem\.tif\) {why}.*gdalwarp"):
        grid(transform)


@pytest.mark.parametrize("shape", [(0, 40), (30, 0)])
def test_grid_without_cells_is_refused(shape):
    with pytest.raises(GridError, match="has no cells"):
        grid(shape=shape)


@pytest.mark.parametrize(("crs", "error"), [(None, MissingCrsError), ("EPSG:4326", GeographicCrsError), ("EPSG:3857", WebMercatorError)])
def test_grid_is_refused_for_its_crs(crs, error):
    with pytest.raises(error, match=r"elevation \(dem\.tif\)"):
        grid(crs=crs)


def test_cells_square_but_for_rounding_are_taken():
    assert grid(Affine(2.0, 0, 0, 0, -2.000000001, 0)).cell_size_m == 2.0


def test_bounds_and_cells_of_a_metric_grid():
    metric = grid()
    assert metric.bounds == metric.bounds_m == (1000, 4940, 1080, 5000)
    assert metric.cell_size_m == 2.0
    assert metric.transform_m @ (3, 4) == (1006, 4992)


@pytest.mark.parametrize(("crs", "foot_m"), [("EPSG:2263", 1200 / 3937), ("EPSG:2992", 0.3048), ("EPSG:6559", 0.3048)])
def test_grid_in_feet_measures_in_metres(crs, foot_m):
    feet = grid(Affine(10.0, 0, 2_000_000, 0, -10.0, 600_000), crs=crs)
    assert feet.cell_size_m == pytest.approx(10 * foot_m, rel=1e-12)
    assert feet.bounds == (2_000_000, 599_700, 2_000_400, 600_000)
    assert feet.bounds_m == pytest.approx(tuple(value * foot_m for value in feet.bounds), rel=1e-12)
    assert feet.transform_m @ (0, 0) == pytest.approx((2_000_000 * foot_m, 600_000 * foot_m), rel=1e-12)


@pytest.mark.parametrize(("distance_m", "count"), [(0.0, 0), (0.1, 1), (2.0, 1), (2.01, 2), (304.8, 153)])
def test_cells_over_a_distance_are_rounded_up(distance_m, count):
    assert grid().cells(distance_m) == count


def test_raster_refuses_values_that_do_not_fit_its_grid():
    with pytest.raises(GridError, match=r"shape \(40, 30\) do not fit a grid of shape \(30, 40\)"):
        Raster(np.zeros((40, 30), np.float32), grid())


def test_raster_with_other_values_keeps_its_grid_and_declares_its_own_unknown():
    heights = Raster(np.zeros((30, 40), np.float32), grid())
    codes = heights.with_values(np.ones((30, 40), np.uint8), unknown=255)
    assert codes.grid is heights.grid and codes.unknown == 255 and heights.unknown is None
    with pytest.raises(GridError):
        heights.with_values(np.zeros((3, 3), np.uint8))
