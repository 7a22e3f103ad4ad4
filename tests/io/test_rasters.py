"""Elevation in, styled rasters out; files are made by rasterio in the test, and read back by rasterio or parsed as XML."""

import json
import shutil
import subprocess
import time
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import rasterio
from affine import Affine
from rasterio.enums import ColorInterp
from rasterio.env import get_gdal_config
from rasterio.windows import Window

from geoseptic.errors import (
    ElevationValueError,
    FileUnreadableError,
    GeographicCrsError,
    GridError,
    MissingCrsError,
    ParameterError,
    VerticalUnitError,
    WebMercatorError,
)
from geoseptic.io import rasters
from geoseptic.io.rasters import read_elevation, read_grid, resampled, write_raster
from geoseptic.io.scratch import new_plane
from geoseptic.model import legend_table
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.results import RasterResult
from geoseptic.processes.slopes import slope_classes
from geoseptic.units import FOOT_M, US_SURVEY_FOOT_M

UTM = "EPSG:26915"
TOP_LEFT = Affine(2.0, 0, 500_000, 0, -2.0, 5_000_000)


def plane(rows=30, columns=40):
    row, column = np.mgrid[:rows, :columns]
    return (100 + 0.5 * column + 0.25 * row).astype(np.float32)


def heights_of(metres_per_unit):
    """The plane in metres, multiplied in double precision and rounded once."""
    return (plane().astype(np.float64) * metres_per_unit).astype(np.float32)


def saved(path, values, *, crs=UTM, transform=TOP_LEFT, nodata=None, unit=None, scale=None, offset=None, **options):
    bands = values if values.ndim == 3 else values[None]
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=bands.shape[1],
        width=bands.shape[2],
        count=bands.shape[0],
        dtype=bands.dtype,
        crs=crs,
        transform=transform,
        nodata=nodata,
        **options,
    ) as file:
        file.write(bands)
        if unit is not None:
            file.units = (unit,) * bands.shape[0]
        if scale is not None:
            file.scales = (scale,)
        if offset is not None:
            file.offsets = (offset,)
    return path


@pytest.fixture
def tif(tmp_path):
    return tmp_path / "ground.tif"


def grid(shape, transform=TOP_LEFT):
    return Grid.of(shape, transform, UTM, "test")


# -------------------------------------------------------------------------------------------------------- unit of height


def test_stated_metres_are_kept_and_the_grid_is_the_files(tif):
    raster = read_elevation(saved(tif, plane()), unit="m")
    assert raster.values.dtype == np.float32
    np.testing.assert_array_equal(raster.values, plane())
    assert raster.grid.shape == (30, 40)
    assert raster.grid.transform == TOP_LEFT
    assert read_grid(tif, "elevation") == raster.grid


@pytest.mark.parametrize(("unit", "metres"), [("ft", FOOT_M), ("US survey foot", US_SURVEY_FOOT_M), ("m", 1.0)])
def test_heights_come_out_in_metres(tif, unit, metres):
    raster = read_elevation(saved(tif, plane()), unit=unit)
    np.testing.assert_array_equal(raster.values, heights_of(metres))


@pytest.mark.parametrize(
    ("spelled", "metres"),
    [("metre", 1.0), ("Meters", 1.0), ("US survey foot", US_SURVEY_FOOT_M), ("us-ft", US_SURVEY_FOOT_M), ("feet", FOOT_M)],
)
def test_the_bands_own_unit_is_used(tif, spelled, metres):
    np.testing.assert_array_equal(read_elevation(saved(tif, plane(), unit=spelled)).values, heights_of(metres))


@pytest.mark.parametrize(
    ("crs", "metres"),
    [
        ("EPSG:26915+5703", 1.0),  # NAVD88 height, metre
        ("EPSG:26915+6360", US_SURVEY_FOOT_M),  # NAVD88 height (ftUS)
        ("EPSG:26915+8228", FOOT_M),  # NAVD88 height (ft)
    ],
)
def test_the_vertical_part_of_a_compound_crs_is_used(tif, crs, metres):
    raster = read_elevation(saved(tif, plane(), crs=crs))
    np.testing.assert_array_equal(raster.values, heights_of(metres))
    assert raster.grid.frame.name == UTM


def test_an_unknown_unit_is_refused_and_the_message_says_what_to_do(tif):
    with pytest.raises(VerticalUnitError, match=r"not known.*--elevation-unit m, ft") as refused:
        read_elevation(saved(tif, plane()))
    assert str(tif) in str(refused.value)


def test_a_unit_that_nobody_knows_is_quoted(tif):
    with pytest.raises(VerticalUnitError, match="its band says 'smoot'"):
        read_elevation(saved(tif, plane(), unit="smoot"))


def test_stated_feet_against_declared_metres_are_refused(tif):
    with pytest.raises(VerticalUnitError, match=r"contradict.*its band says 'm(etre)?', the stated unit says 'ft'"):
        read_elevation(saved(tif, plane(), unit="metre"), unit="ft")


def test_stated_feet_against_a_vertical_crs_in_metres_are_refused(tif):
    with pytest.raises(VerticalUnitError, match="coordinate reference system says"):
        read_elevation(saved(tif, plane(), crs="EPSG:26915+5703"), unit="ft")


def test_the_two_feet_do_not_contradict_and_the_declared_one_counts(tif):
    raster = read_elevation(saved(tif, plane(), unit="US survey foot"), unit="ft")
    np.testing.assert_array_equal(raster.values, heights_of(US_SURVEY_FOOT_M))


# ---------------------------------------------------------------------------------------------------------------- values


def test_gdals_cache_holds_a_strip_while_heights_are_read_and_is_afterwards_what_it_was(tif):
    """A cache of 32 bytes stayed behind once, with which the rasterizer took twenty times as long for whatever was burnt later."""
    saved(tif, plane())
    before = get_gdal_config("GDAL_CACHEMAX")
    with rasterio.open(tif) as file, rasters._small_cache(file, Window(0, 0, 40, 30)):
        assert plane().nbytes <= get_gdal_config("GDAL_CACHEMAX") < before
    read_elevation(tif, unit="m")
    assert get_gdal_config("GDAL_CACHEMAX") == before


def test_gdals_cache_is_what_it_was_when_two_were_read_at_once(tif):
    """The one that began first ends first, as in a server: the other one's setting stayed behind for good once."""
    saved(tif, plane())
    before = get_gdal_config("GDAL_CACHEMAX")
    with rasterio.open(tif) as file:
        first, second = (rasters._small_cache(file, Window(0, 0, 40, 30)) for _ in range(2))
        first.__enter__()
        second.__enter__()
        first.__exit__(None, None, None)
        assert get_gdal_config("GDAL_CACHEMAX") < before
        second.__exit__(None, None, None)
    assert get_gdal_config("GDAL_CACHEMAX") == before


def test_nodata_becomes_nan(tif):
    heights = plane()
    heights[3, 4] = -9999
    raster = read_elevation(saved(tif, heights, nodata=-9999), unit="m")
    assert np.isnan(raster.values[3, 4])
    assert np.isnan(raster.values).sum() == 1


def test_scale_and_offset_are_applied_and_integer_nodata_is_found_before_them(tif):
    stored = np.arange(1200, dtype=np.int16).reshape(30, 40)
    stored[0, 0] = -32768
    raster = read_elevation(saved(tif, stored, nodata=-32768, scale=0.1, offset=50.0), unit="m")
    assert np.isnan(raster.values[0, 0])
    np.testing.assert_allclose(raster.values[1:], stored[1:] * 0.1 + 50, rtol=1e-6)


def test_a_mask_band_makes_cells_unknown(tif):
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        saved(tif, plane())
        with rasterio.open(tif, "r+") as file:
            mask = np.full(plane().shape, 255, dtype=np.uint8)
            mask[:2] = 0
            file.write_mask(mask)
    assert np.isnan(read_elevation(tif, unit="m").values).sum() == 80


@pytest.mark.parametrize("dtype", [np.float32, np.uint16])
def test_an_alpha_band_is_a_mask_and_no_second_band(tif, dtype):
    opaque = np.full(plane().shape, 255, dtype=dtype)
    opaque[:, 0] = 0
    saved(tif, np.stack([plane().astype(dtype), opaque]), alpha="YES")
    assert np.isnan(read_elevation(tif, unit="m").values).sum() == 30


def test_many_impossible_numbers_are_summed_up(tif):
    with pytest.raises(ElevationValueError, match="and 1195 other numbers in 1195 cells"):
        read_elevation(saved(tif, np.arange(10_000, 11_200, dtype=np.int32).reshape(30, 40)), unit="m")


@pytest.mark.parametrize("number", [-9999, -32768, 3.4028235e38, -3.4028235e38, 32767, -99999])
def test_an_undeclared_sentinel_is_refused_with_its_value_and_count(tif, number):
    heights = plane()
    heights[:2, :3] = number
    with pytest.raises(ElevationValueError, match=r"in 6 cells.*declare it as nodata") as refused:
        read_elevation(saved(tif, heights), unit="m")
    assert f"{np.float32(number):.8g} in 6 cells" in str(refused.value)


@pytest.mark.parametrize("number", [-999, -9999])
def test_a_sentinel_is_refused_even_where_its_feet_would_pass_for_a_height(tif, number):
    heights = plane()
    heights[0, 0] = number
    with pytest.raises(ElevationValueError, match=f"{number} in 1 cells"):
        read_elevation(saved(tif, heights), unit="ft")


def test_all_faults_of_the_values_are_named_at_once(tif):
    heights = plane()
    heights[0, 0], heights[0, 1] = np.inf, -9999
    with pytest.raises(ElevationValueError) as refused:
        read_elevation(saved(tif, heights), unit="m")
    assert "-9999 in 1 cells" in str(refused.value)
    assert "1 infinite cells" in str(refused.value)


def test_low_and_high_ground_that_exists_is_accepted(tif):
    heights = plane()
    heights[0, :2] = -440, 8849
    assert read_elevation(saved(tif, heights), unit="m").values[0, 0] == -440


def test_a_raster_without_one_height_is_refused(tif):
    with pytest.raises(ElevationValueError, match="not one known height"):
        read_elevation(saved(tif, np.full((5, 5), -9999, dtype=np.float32), nodata=-9999), unit="m")


@pytest.mark.parametrize("number", [65535, 0])
def test_the_last_number_of_an_integer_type_is_no_height_and_its_zero_may_be(tif, number):
    stored = np.full((30, 40), 7, dtype=np.uint16)
    stored[4, 5] = number
    saved(tif, stored, scale=0.1)
    if number:
        with pytest.raises(ElevationValueError, match="65535 in 1 cells"):  # 6553.5 m would pass for a mountain
            read_elevation(tif, unit="m")
    else:
        assert read_elevation(tif, unit="m").values[4, 5] == 0


def test_undeclared_zeros_are_refused_with_their_number_and_places(tif):
    heights = plane()
    heights[:, :2] = 0
    heights[10:13, 20:24] = 0
    heights[20, 30] = 0
    with pytest.raises(ElevationValueError) as refused:
        read_elevation(saved(tif, heights), unit="m")
    said = str(refused.value)
    assert str(tif) in said
    assert "73 cells of exactly 0 that a sheer step parts from the ground" in said
    # Cells of 2 m from (500000, 5000000): the middle of row 10, column 20 is 41 m east and 21 m south of the corner.
    assert "x 500001.0, y 4999999.0 (60 cells); x 500041.0, y 4999979.0 (12 cells); x 500061.0, y 4999959.0 (1 cells)" in said
    assert "gdal_edit.py -a_nodata 0" in said
    assert "--zero-is-height yes" in said


def test_zeros_beside_a_declared_number_are_told_to_be_given_that_number(tif):
    heights = plane()
    heights[:, :2] = 0
    heights[5:9, 5:9] = -9999
    with pytest.raises(ElevationValueError, match=r'60 cells of exactly 0.*where\(A==0,-9999,A\)" --NoDataValue=-9999'):
        read_elevation(saved(tif, heights, nodata=-9999), unit="m")


def test_many_patches_of_zeros_are_summed_up(tif):
    heights = plane()
    heights[::3, ::4] = 0
    with pytest.raises(ElevationValueError, match=r"100 cells of exactly 0.* and 95 patches more\. If"):
        read_elevation(saved(tif, heights), unit="m")


def test_zeros_that_somebody_answers_for_are_heights(tif):
    heights = plane()
    heights[10:13, 20:24] = 0
    np.testing.assert_array_equal(read_elevation(saved(tif, heights), unit="m", zero_is_height=True).values, heights)


def test_declared_zeros_are_unknown_and_zeros_at_sea_level_are_heights(tif):
    heights = plane()
    heights[10:13, 20:24] = 0
    assert np.isnan(read_elevation(saved(tif, heights, nodata=0), unit="m").values).sum() == 12
    shore = np.maximum(plane() - 110, 0)
    np.testing.assert_array_equal(read_elevation(saved(tif, shore), unit="m").values, shore)


def test_the_step_round_zeros_is_measured_in_metres_also_where_the_file_is_in_feet(tif):
    # 8 m are more than the 5 m that it takes in level ground, 8 ft are less.
    heights = np.full((30, 40), 8, np.float32)
    heights[10:13, 20:24] = 0
    saved(tif, heights)
    assert (read_elevation(tif, unit="ft").values == 0).sum() == 12
    with pytest.raises(ElevationValueError, match="12 cells of exactly 0"):
        read_elevation(tif, unit="m")


def test_a_sentinel_beside_zeros_is_no_ground_that_stands_off(tif):
    heights = np.full((30, 40), 2, np.float32)
    heights[10:13, 20:24] = 0
    heights[9, 20:24] = heights[13, 20:24] = -9999
    with pytest.raises(ElevationValueError) as refused:
        read_elevation(saved(tif, heights), unit="m")
    assert "-9999 in 8 cells" in str(refused.value)
    assert "exactly 0" not in str(refused.value)


def test_zeros_are_named_together_with_the_other_faults(tif):
    heights = plane()
    heights[10:13, 20:24], heights[0, 0] = 0, -9999
    with pytest.raises(ElevationValueError) as refused:
        read_elevation(saved(tif, heights), unit="m")
    assert "-9999 in 1 cells" in str(refused.value)
    assert "12 cells of exactly 0" in str(refused.value)


def test_blocks_of_a_tall_raster_are_put_together_in_order(tif, monkeypatch):
    monkeypatch.setattr("geoseptic.io.rasters.STRIP_CELLS", 1)
    heights = np.arange(1100 * 7, dtype=np.float32).reshape(1100, 7)
    np.testing.assert_array_equal(read_elevation(saved(tif, heights), unit="m").values, heights)


# -------------------------------------------------------------------------------------------------------------- refusals


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(FileUnreadableError, match=r"nowhere\.tif cannot be read: there is no such file"):
        read_elevation(tmp_path / "nowhere.tif", unit="m")


def test_a_file_that_is_no_raster_is_refused(tmp_path):
    path = tmp_path / "notes.tif"
    path.write_text("no raster")
    with pytest.raises(FileUnreadableError, match=r"notes\.tif cannot be read"):
        read_grid(path, "elevation")


def test_several_bands_are_refused(tif):
    with pytest.raises(FileUnreadableError, match="it has 3 bands"):
        read_elevation(saved(tif, np.stack([plane()] * 3)), unit="m")


def test_a_picture_with_a_colour_table_is_no_elevation(tif):
    with rasterio.open(tif, "w", driver="GTiff", height=4, width=4, count=1, dtype="uint8", crs=UTM, transform=TOP_LEFT) as file:
        file.write(np.ones((1, 4, 4), dtype=np.uint8))
        file.write_colormap(1, {1: (10, 20, 30, 255)})
    with pytest.raises(FileUnreadableError, match="picture with a colour table"):
        read_elevation(tif, unit="m")


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"crs": None}, MissingCrsError),
        ({"crs": "EPSG:4326", "transform": Affine(1e-4, 0, -93, 0, -1e-4, 45)}, GeographicCrsError),
        ({"crs": "EPSG:3857"}, WebMercatorError),
        ({"transform": Affine(2.0, 0.1, 500_000, 0.1, -2.0, 5_000_000)}, GridError),
        ({"transform": Affine(2, 0, 500_000, 0, -3, 5_000_000)}, GridError),
        ({"transform": Affine(2, 0, 500_000, 0, 2, 5_000_000)}, GridError),
    ],
)
def test_grids_that_cannot_be_measured_on_are_refused(tif, changes, error):
    saved(tif, plane(), **changes)
    with pytest.raises(error, match=r"elevation \(.*ground\.tif\)"):
        read_elevation(tif, unit="m")


@pytest.mark.parametrize("size", [0.0, -1.0, float("nan"), float("inf")])
def test_impossible_cell_sizes_are_refused(tif, size):
    with pytest.raises(ParameterError, match="cell size"):
        read_elevation(saved(tif, plane()), unit="m", cell_size_m=size)


# ------------------------------------------------------------------------------------------------------------- resampling


@pytest.mark.parametrize("size_m", [4.0, 6.0, 5.0, 3.0])
def test_larger_cells_hold_the_mean_of_the_ground_in_them(tif, size_m):
    raster = read_elevation(saved(tif, plane(60, 60)), unit="m", cell_size_m=size_m)
    assert raster.grid.cell_size_m == pytest.approx(size_m)
    assert raster.grid.transform.c == TOP_LEFT.c
    assert raster.grid.transform.f == TOP_LEFT.f
    # Written out cell by cell: every source cell weighted by the area that it shares with the new cell.
    ratio, source = size_m / 2, plane(60, 60).astype(float)
    rows, columns = raster.grid.shape
    edges = np.arange(61)
    for row, column in ((0, 0), (1, 2), (rows // 2, columns // 3)):
        weights_row = np.clip(np.minimum(edges[1:], (row + 1) * ratio) - np.maximum(edges[:-1], row * ratio), 0, None)
        weights_column = np.clip(np.minimum(edges[1:], (column + 1) * ratio) - np.maximum(edges[:-1], column * ratio), 0, None)
        expected = weights_row @ source @ weights_column / ratio**2
        assert raster.values[row, column] == pytest.approx(expected, abs=1e-4)


def test_smaller_cells_lie_on_the_same_plane():
    finer = resampled(Raster(plane(), grid((30, 40))), 1.0)
    assert finer.grid.shape == (60, 80)
    # The centre of new cell n is at (n + 0.5) / 2 - 0.5 old cells.
    row, column = (np.mgrid[:60, :80] + 0.5) / 2 - 0.5
    inner = np.s_[2:-2, 2:-2]
    np.testing.assert_allclose(finer.values[inner], (100 + 0.5 * column + 0.25 * row)[inner], atol=1e-4)


def test_a_larger_cell_is_unknown_where_any_part_of_it_is():
    heights = np.full((4, 6), 10, dtype=np.float32)
    heights[0, 0] = np.nan  # one of the four of new cell (0, 0)
    heights[0, 4:6] = heights[1, 4] = np.nan  # three of the four of (0, 2)
    coarser = resampled(Raster(heights, grid((4, 6))), 4.0)
    np.testing.assert_array_equal(coarser.values, np.float32([[np.nan, 10, np.nan], [10, 10, 10]]))


@pytest.mark.parametrize("size_m", [0.7, 1.0, 1.5, 3.0, 5.0, 6.1])
def test_unknown_cells_are_those_that_area_or_interpolation_takes_an_unknown_cell_into(size_m):
    random = np.random.default_rng(5)
    heights = plane(24, 32)
    heights[random.random(heights.shape) < 0.05] = np.nan
    found = resampled(Raster(heights, grid(heights.shape)), size_m).values
    side = size_m / 2
    for (row, col), value in np.ndenumerate(found):
        spans = []
        for place, count in ((row, 24), (col, 32)):
            low, high = place * side, (place + 1) * side
            # Old cells within reach of the middle of a smaller cell; old cells that share ground with a larger one.
            reached = [abs(cell + 0.5 - (low + high) / 2) < 1 - 1e-5 for cell in range(count)]
            shared = [min(high, cell + 1) - max(low, cell) > 1e-5 for cell in range(count)]
            spans.append([cell for cell in range(count) if (reached if side < 1 else shared)[cell]])
        beyond = (row + 1) * side > 24 + 1e-5 or (col + 1) * side > 32 + 1e-5
        assert np.isnan(value) == (beyond or bool(np.isnan(heights[np.ix_(*spans)]).any())), (row, col)


def test_the_last_cell_is_unknown_where_a_part_of_it_lies_beyond_the_raster():
    # 5 cells of 2 m: the third cell of 4 m is half covered.
    values = np.full((8, 5), 7, dtype=np.float32)
    by_4m = resampled(Raster(values, grid((8, 5))), 4.0).values
    assert by_4m.shape == (4, 3)
    np.testing.assert_array_equal(np.isnan(by_4m), [[False, False, True]] * 4)


def test_unknown_spreads_no_farther_than_a_cell_when_cells_get_smaller():
    heights = plane()
    heights[10, 10] = np.nan
    finer = resampled(Raster(heights, grid((30, 40))), 1.0)
    unknown = np.argwhere(np.isnan(finer.values))
    assert (unknown.min(), unknown.max(), len(unknown)) == (19, 22, 16)


# --------------------------------------------------------------------------------------------------------------- writing


def classes(shape=(1200, 1100)):
    return np.random.default_rng(3).integers(1, 5, shape, dtype=np.uint8)


def slope_class(path, values=None, **more):
    values = classes() if values is None else values
    raster = Raster(values, grid(values.shape), unknown=255)
    return write_raster(path, raster, legend_table.SLOPE_CLASS, title="Slope class", description="By the code's limits", **more)


def test_class_raster_is_a_cog_with_colours_names_and_nodata(tmp_path):
    path = tmp_path / "slope_class.tif"
    values = classes()
    values[0, :7] = 255
    written = slope_class(path, values, unit="class", tags={"RULES": "typical"})
    with rasterio.open(path) as file:
        assert file.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert file.profile["compress"] == "deflate"
        assert (file.count, file.dtypes[0], file.nodata) == (1, "uint8", 255)
        assert file.profile["blockxsize"] == 512
        assert file.overviews(1)
        assert file.colorinterp == (ColorInterp.palette,)
        assert file.colormap(1)[3] == (0x9C, 0x4A, 0x26, 255)
        assert file.descriptions == ("Slope class",)
        assert file.units == ("class",)
        tags = file.tags()
        assert tags["CLASS_2"] == "Moderate: 8 to 15 percent"
        assert (tags["TITLE"], tags["DESCRIPTION"], tags["RULES"]) == ("Slope class", "By the code's limits", "typical")
        assert file.crs.to_epsg() == 26915
        assert file.transform == TOP_LEFT
        np.testing.assert_array_equal(file.read(1), values)
    assert {each.name for each in written} == {each.name for each in tmp_path.iterdir()}
    assert {each.name for each in written} == {"slope_class.tif", "slope_class.tif.aux.xml", "slope_class.qml", "slope_class.sld"}


def test_category_names_and_attribute_table_lie_beside_the_raster(tmp_path):
    slope_class(tmp_path / "slope_class.tif", classes((20, 20)))
    band = ET.parse(tmp_path / "slope_class.tif.aux.xml").find("PAMRasterBand")
    names = [category.text for category in band.find("CategoryNames")]
    assert names == [None, *(swatch.name for swatch in legend_table.SLOPE_CLASS.swatches)]
    rows = [[cell.text for cell in row] for row in band.iter("Row")]
    assert rows[0] == ["1", "Slight: under 8 percent", "251", "231", "192"]
    assert len(rows) == 5


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="needs GDAL's gdalinfo as an independent reader")
def test_gdalinfo_reads_names_and_colours(tmp_path):
    slope_class(tmp_path / "slope_class.tif", classes((20, 20)))
    said = json.loads(subprocess.check_output(["gdalinfo", "-json", str(tmp_path / "slope_class.tif")]))
    text = subprocess.check_output(["gdalinfo", str(tmp_path / "slope_class.tif")], text=True)
    assert said["bands"][0]["colorTable"]["entries"][1] == [251, 231, 192, 255]
    assert "2: Moderate: 8 to 15 percent" in text
    assert "GDALRasterAttributeTable" in text


def test_float_raster_keeps_nan_as_nodata_and_averages_its_overviews(tmp_path):
    path = tmp_path / "slope.tif"
    values = np.tile(np.float32([[0, 10], [20, 30]]), (600, 600))
    values[:600, :600] = np.nan
    written = write_raster(path, Raster(values, grid(values.shape)), legend_table.SLOPE, unit="percent", title="Slope")
    with rasterio.open(path) as file:
        assert np.isnan(file.nodata)
        assert file.units == ("percent",)
        assert file.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        np.testing.assert_array_equal(file.read(1), values)
    with rasterio.open(path, overview_level=0) as file:
        half = file.read(1)
    assert half[-1, -1] == 15
    assert np.isnan(half[0, 0])
    assert {each.name for each in written} == {"slope.tif", "slope.qml", "slope.sld"}


def test_numbers_of_wells_are_written_with_a_colour_each_and_no_mean_of_them(tmp_path):
    path = tmp_path / "well_path_well.tif"
    values = np.tile(np.int32([[3, 299], [-1, 299]]), (600, 600))
    names = [f"W-{number}" for number in range(300)]
    legend = legend_table.well_number(range(300), names, [number % 8 for number in range(300)])
    written = write_raster(path, Raster(values, grid(values.shape), unknown=-1), legend, title="Wells")
    with rasterio.open(path) as file:
        assert file.nodata == -1
        assert not [name for name in file.tags() if name.startswith("CLASS")]
        np.testing.assert_array_equal(file.read(1), values)
    with rasterio.open(path, overview_level=0) as file:
        assert set(np.unique(file.read(1))) <= {-1, 3, 299}
    entries = [
        (each.get("value"), each.get("label"), each.get("color")) for each in ET.parse(tmp_path / "well_path_well.qml").iter("paletteEntry")
    ]
    assert entries == [("3", "W-3", legend_table.NUMBER_COLOURS[3]), ("299", "W-299", legend_table.NUMBER_COLOURS[299 % 8])]
    assert {each.name for each in written} == {"well_path_well.tif", "well_path_well.qml", "well_path_well.sld"}
    with pytest.raises(ValueError, match=r"does not name the values \[299\]"):
        fewer = legend_table.well_number(range(299), names[:299], [0] * 299)
        write_raster(path, Raster(values, grid(values.shape), unknown=-1), fewer, title="Wells")


def test_overviews_of_classes_hold_the_commonest_class(tmp_path):
    path = tmp_path / "slope_class.tif"
    slope_class(path, np.tile(np.uint8([[1, 4], [4, 4]]), (600, 600)))
    with rasterio.open(path, overview_level=0) as file:
        assert (file.read(1) == 4).all()


@pytest.mark.parametrize("clear", [1, 2])
def test_overviews_of_classes_count_unknown_ground_as_the_others(tmp_path, clear):
    # Three of every four cells are unknown: read as of the class of the fourth, ground that nobody knows would look slight.
    path = tmp_path / "slope_class.tif"
    slope = np.tile(np.float32([[np.nan, np.nan], [np.nan, (5.0, 10.0)[clear - 1]]]), (600, 600))
    slope_class(path, slope_classes(slope, None))
    with rasterio.open(path) as file:
        assert set(np.unique(file.read(1))) == {clear, 5}
        assert file.tags()["CLASS_5"] == "Unknown"
    with rasterio.open(path, overview_level=0) as file:
        assert (file.read(1) == 5).all()


def test_overviews_of_reasons_hold_a_value_that_occurs(tmp_path):
    path = tmp_path / "reasons.tif"
    legend = legend_table.reasons([("slope", "Too steep"), ("lot_line", "Lot line"), ("private_well", "Private well")])
    values = np.tile(np.uint16([[1, 6], [1, 6]]), (600, 600))
    write_raster(path, Raster(values, grid(values.shape), unknown=65535), legend, title="Reasons")
    with rasterio.open(path) as file:
        assert file.nodata == 65535
        assert file.tags()["BIT_2"] == "Private well"
    with rasterio.open(path, overview_level=0) as file:
        assert set(np.unique(file.read(1))) <= {1, 6}
    rows = [[cell.text for cell in row][:2] for row in ET.parse(f"{path}.aux.xml").iter("Row")]
    assert rows == [["1", "Too steep"], ["6", "Private well + Lot line"]]


def test_reasons_in_32_bits_keep_their_unknown_code(tmp_path):
    path = tmp_path / "reasons.tif"
    legend = legend_table.reasons([(f"r{number}", f"Reason {number}") for number in range(30)])
    values = np.uint32([[0, 1 << 29], [2**32 - 1, 3]])
    write_raster(path, Raster(values, grid((2, 2)), unknown=2**32 - 1), legend, title="Reasons")
    with rasterio.open(path) as file:
        np.testing.assert_array_equal(file.read(1), values)
        np.testing.assert_array_equal(file.read_masks(1), [[255, 255], [0, 255]])
    assert "CategoryNames" not in (tmp_path / "reasons.tif.aux.xml").read_text()


def test_suitability_colours_are_between_their_stops_and_excluded_stands_apart(tmp_path):
    path = tmp_path / "suitability.tif"
    values = np.arange(100, dtype=np.uint8).reshape(10, 10)
    write_raster(path, Raster(values, grid((10, 10)), unknown=255), legend_table.SUITABILITY, unit="points of 100", title="Suitability")
    with rasterio.open(path) as file:
        colours = file.colormap(1)
    assert colours[0][:3] == (0xD0, 0x8B, 0xD4)
    assert colours[1][:3] == (0xF1, 0xE6, 0xA9)
    assert colours[39][:3] == (0xEF, 0xD1, 0x83)
    assert colours[40][:3] == (0x60, 0xAF, 0x61)
    assert colours[20][:3] == (240, 220, 150)  # half way from 1 to 39


def test_a_value_that_the_legend_does_not_name_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"does not name the values \[9\]"):
        slope_class(tmp_path / "a.tif", np.uint8([[1, 9]]))
    legend = legend_table.reasons([("slope", "Too steep")])
    with pytest.raises(ValueError, match=r"does not name the values \[2, 3\]"):
        write_raster(tmp_path / "b.tif", Raster(np.uint16([[1, 2], [3, 0]]), grid((2, 2))), legend, title="Reasons")
    assert not list(tmp_path.iterdir())


def test_measured_values_cannot_have_class_names(tmp_path):
    with pytest.raises(ValueError, match="legend of classes"):
        slope_class(tmp_path / "a.tif", plane())


def test_the_same_raster_gives_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        slope_class(tmp_path / name / "slope_class.tif")
    for each in (tmp_path / "one").iterdir():
        assert each.read_bytes() == (tmp_path / "two" / each.name).read_bytes()


def test_no_draft_stays_when_the_copy_fails(tmp_path, monkeypatch):
    def full_disk(*_args, **_options):
        raise OSError("no space left")

    monkeypatch.setattr("rasterio.shutil.copy", full_disk)
    with pytest.raises(OSError, match="no space left"):
        slope_class(tmp_path / "a.tif", classes((20, 20)))
    assert not list(tmp_path.iterdir())


def test_any_number_of_threads_and_values_in_memory_and_in_files_give_the_same_bytes_and_leave_nothing_else(tmp_path):
    def in_file(values):
        plane = new_plane(tmp_path, values.shape, values.dtype)
        plane.write(slice(0, values.shape[0]), slice(0, values.shape[1]), values)
        return plane

    slope = np.random.default_rng(4).uniform(0, 30, (700, 900)).astype(np.float32)
    slope[:90, :600] = np.nan
    turned = np.asfortranarray(slope)
    whole, written = grid(slope.shape), []
    for name, placed, workers in (
        ("one", np.asarray, 1),
        ("two", np.asarray, 2),
        ("file", in_file, 1),
        ("files", in_file, 2),
        ("turned", np.asfortranarray, 1),
    ):
        told = [
            RasterResult("slope", Raster(placed(slope), whole), legend_table.SLOPE, "Slope", "By a plane"),
            RasterResult("double", Raster(placed(slope.astype(float)), whole), legend_table.SLOPE, "Slope", "By a plane"),
            RasterResult("code", Raster(placed(slope_classes(turned, 20.0)), whole, 255), legend_table.SLOPE_CLASS, "Classes", "By slope"),
        ]
        (tmp_path / name).mkdir()
        rasters.write_rasters(tmp_path / name, told, workers)
        written.append({each.name: each.read_bytes() for each in (tmp_path / name).iterdir()})
    assert all(files == written[0] for files in written)
    assert len(written[0]) == 10
    with rasterio.open(tmp_path / "one" / "slope.tif") as file:
        np.testing.assert_array_equal(file.read(1), slope)


def test_nobody_writes_any_more_after_a_failure_in_a_thread(tmp_path):
    """The folder goes after a failure: no thread may still be putting files into it."""

    def there():
        return {path: path.stat().st_size for path in tmp_path.rglob("*") if path.is_file()}

    whole = grid((2000, 2000))
    slope = Raster(np.random.default_rng(4).uniform(0, 30, whole.shape).astype(np.float32), whole)
    told = [RasterResult("strange", Raster(np.full(whole.shape, 9, np.uint8), whole, 255), legend_table.SLOPE_CLASS, "Strange", "")]
    told += [RasterResult(f"slope{number}", slope, legend_table.SLOPE, "Slope", "By a plane") for number in range(3)]
    with pytest.raises(ValueError, match=r"strange.tif.*does not name the values \[9\]"):
        rasters.write_rasters(tmp_path, told, 2)
    found = there()
    time.sleep(1.0)
    assert there() == found


def test_overviews_keep_the_share_of_unknown_ground(tmp_path):
    values = np.random.default_rng(3).choice(np.array([255, 60], np.uint8), (2048, 2048), p=[0.4, 0.6])
    grid = Grid.of(values.shape, Affine(1, 0, 500_000, 0, -1, 5_200_000), "EPSG:26910", "test")
    path = tmp_path / "suitability.tif"
    write_raster(path, Raster(values, grid, 255), legend_table.SUITABILITY, title="Suitability")
    with rasterio.open(path, overview_level=0) as file:
        assert np.mean(file.read(1) == 255) == pytest.approx(0.4, abs=0.01)


def depth_file(path, values, unit="", nodata=None):
    with rasterio.open(
        path, "w", driver="GTiff", height=2, width=2, count=1, dtype="float32", crs="EPSG:26915",
        transform=Affine(10, 0, 500_000, 0, -10, 4_500_000), nodata=nodata,
    ) as file:  # fmt: skip
        file.write(np.array(values, np.float32).reshape(2, 2), 1)
        file.set_band_unit(1, unit)
    return path


def test_depths_below_ground_are_read_in_metres_and_water_above_ground_stays_negative(tmp_path):
    found = rasters.read_depth(depth_file(tmp_path / "water.tif", [10, 0, -1, -9999], "ft", -9999), "groundwater")
    assert found.values.ravel()[:3] == pytest.approx([3.048, 0.0, -0.3048])
    assert np.isnan(found.values[1, 1])


def test_depths_without_a_unit_and_undeclared_sentinels_are_refused_by_name(tmp_path):
    with pytest.raises(VerticalUnitError, match=r"groundwater.*--groundwater-unit"):
        rasters.read_depth(depth_file(tmp_path / "a.tif", [1, 2, 3, 4]), "groundwater")
    with pytest.raises(ElevationValueError, match=r"-9999"):
        rasters.read_depth(depth_file(tmp_path / "b.tif", [1, 2, 3, -9999], "m"), "groundwater")
    with pytest.raises(ElevationValueError, match="not one known depth"):
        rasters.read_depth(depth_file(tmp_path / "c.tif", [-9, -9, -9, -9], "m", -9), "groundwater")
