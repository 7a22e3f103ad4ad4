"""What the steps of a map say of themselves: the slope's true window, colours of the wells, shapes of the layers."""

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.grid import Grid, Raster
from geoseptic.processes import slopes, tables
from geoseptic.run.cli import main
from tests.run.conftest import CELL_M, LEFT, TOP, write_elevation


def of_slope(cell_m, window_m=15.0, method="plane"):
    row, col = np.mgrid[:40, :40]
    grid = Grid.of((40, 40), Affine(cell_m, 0, 500_000, 0, -cell_m, 5_200_000), "EPSG:26910", "test")
    elevation = Raster((100 + 0.05 * cell_m * (row + col)).astype(np.float32), grid)
    return slopes.slope_results(slopes.slope_percent(elevation, window_m, method, 1), elevation, load_rules("us-ny"), window_m, method)


@pytest.mark.parametrize(
    ("cell_m", "window_m", "method", "measured", "wide"),
    [
        (2.0, 15.0, "plane", "14", False),  # 7 cells
        (3.4, 15.0, "plane", "17", True),  # 5 cells
        (5.0, 15.0, "plane", "15", False),  # 3 cells
        (30.0, 15.0, "plane", "90", True),  # never fewer than 3 cells
        (30.0, 90.0, "plane", "90", False),
        (2.0, 15.0, "horn", "6", False),
        (30.0, 15.0, "horn", "90", True),
    ],
)
def test_the_window_that_the_cells_allow_is_told_and_warned_of_where_it_is_wider(cell_m, window_m, method, measured, wide):
    results = of_slope(cell_m, window_m, method)
    for name in ("slope", "slope_class"):
        raster = results[name]
        assert raster.tags["WINDOW_M"] == measured
        assert raster.tags["WINDOW_ASKED_M"] == f"{window_m:g}"
        assert f"over {measured} m" in raster.description
    warned = [warning for warning in results.warnings if f"{measured} m of ground" in warning]
    assert len(warned) == wide
    assert all(f"cells of {cell_m:g} m" in warning and "measure the slope on the ground" in warning for warning in warned)


def test_the_window_told_is_the_one_that_counts():
    # A step that lies just inside the stated window of 90 m, and one just outside, seen from the cell in the middle.
    def slope_at(step_col):
        heights = np.full((21, 21), 10, np.float32)
        heights[:, step_col:] = 20
        grid = Grid.of((21, 21), Affine(30, 0, 500_000, 0, -30, 5_200_000), "EPSG:26910", "test")
        return slopes.slope_percent(Raster(heights, grid), 15.0, "plane", 1).array()[10, 10]

    assert of_slope(30.0)["slope"].tags["WINDOW_M"] == "90"
    assert slope_at(11) > 5
    assert slope_at(12) == pytest.approx(0, abs=1e-5)


def test_layers_hold_what_is_area_of_each_shape_in_its_order():
    square, other = shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)
    line = shapely.LineString([(0, 0), (5, 5)])
    both = shapely.MultiPolygon([square, other])
    mixed = shapely.GeometryCollection([line, square])
    deep = shapely.GeometryCollection([both, line])
    given = np.array([square, shapely.Polygon(), both, line, mixed, None, deep], object)
    found = tables.polygons(given)
    areas = [1, 0, 2, 0, 1, 0, 2]
    assert shapely.area(found).tolist() == areas
    assert {shape.geom_type for shape in found} == {"Polygon", "MultiPolygon"}
    assert [shape.is_empty for shape in found] == [area == 0 for area in areas]
    assert given[1].geom_type == "Polygon", "the shapes given are left as they were"


def test_zeros_are_refused_by_a_run_unless_somebody_answers_for_them(tmp_path, capsys):
    rows, _ = np.mgrid[:60, :60]
    heights = (100 + 0.3 * rows).astype(np.float32)
    heights[10:14, 20:25] = 0
    write_elevation(tmp_path / "elevation.tif", heights)
    words = ["--elevation", str(tmp_path / "elevation.tif"), "--elevation-unit", "m", "--rules", "us-ny"]
    assert main("slope_suitability", [*words, "--out", str(tmp_path / "refused")]) == 3
    x, y = LEFT + 20.5 * CELL_M, TOP - 10.5 * CELL_M
    assert f"20 cells of exactly 0 that a sheer step parts from the ground beside them: x {x:.1f}, y {y:.1f}" in (capsys.readouterr().err)
    assert main("slope_suitability", [*words, "--out", str(tmp_path / "taken"), "--zero-is-height", "yes"]) == 0
    assert '"zero_is_height": true' in (tmp_path / "taken" / "run.json").read_text()
    with rasterio.open(tmp_path / "taken" / "slope.tif") as file:
        assert np.isfinite(file.read(1)[12, 22])
