"""Elevations in the formats that counties have, and the ways in which such a file can be wrong without looking so."""

from zipfile import ZipFile

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from pyproj import CRS
from rasterio.transform import from_origin

from geoseptic.errors import ElevationValueError, FileUnreadableError, HeightScaleError, MissingCrsError, VerticalUnitError
from geoseptic.io import rastersources
from geoseptic.io.rasters import check_heights, files_of, read_elevation
from geoseptic.units import FOOT_M, US_SURVEY_FOOT_M
from tests.io.test_rasters import heights_of, plane, saved

HEADER = "ncols 40\nnrows 30\nxllcorner 500000\nyllcorner 4999940\ncellsize 2\n"


def written(path, text, prj=None):
    path.write_text(text)
    if prj is not None:
        path.with_suffix(".prj").write_text(prj)
    return path


def rows_of(values, form="{:.2f}"):
    return "\n".join(" ".join(form.format(value) for value in row) for row in values) + "\n"


UTM_PRJ = CRS(26915).to_wkt("WKT1_ESRI")
OLD_PRJ = "Projection UTM\nZone 15\nDatum NAD83\nZunits {}\nUnits METERS\nSpheroid GRS1980\nParameters\n"


# ---------------------------------------------------------------------------------------------------------------- text grids


def test_a_text_grid_with_its_prj_is_read(tmp_path):
    raster = read_elevation(written(tmp_path / "dem.asc", HEADER + rows_of(plane()), UTM_PRJ), unit="m")
    np.testing.assert_array_equal(raster.values, plane())
    assert raster.grid.frame.name == "EPSG:26915"
    assert {path.name for path in files_of(tmp_path / "dem.asc")} == {"dem.asc", "dem.prj"}


def test_a_text_grid_without_its_prj_is_refused_and_told_how_to_state_it(tmp_path):
    with pytest.raises(MissingCrsError, match=r"into a \.prj file of the same name beside it \(gdalsrsinfo"):
        read_elevation(written(tmp_path / "dem.asc", HEADER + rows_of(plane())), unit="m")


@pytest.mark.parametrize(("word", "metres"), [("FEET", FOOT_M), ("METERS", 1.0)])
def test_the_unit_of_height_in_an_old_prj_is_used(tmp_path, word, metres):
    path = written(tmp_path / "dem.asc", HEADER + rows_of(plane()), OLD_PRJ.format(word))
    np.testing.assert_array_equal(read_elevation(path).values, heights_of(metres))
    with pytest.raises(VerticalUnitError, match=r"its \.prj says"):
        check_heights(path, "elevation", unit="m" if word == "FEET" else "ft")


def test_an_old_prj_without_a_unit_of_height_leaves_it_open(tmp_path):
    with pytest.raises(VerticalUnitError, match="not known"):
        read_elevation(written(tmp_path / "dem.asc", HEADER + rows_of(plane()), OLD_PRJ.format("NO")))


def test_a_text_grid_that_was_cut_short_is_refused_and_not_filled_with_zeros(tmp_path):
    path = written(tmp_path / "dem.asc", HEADER + rows_of(plane()).rpartition(" ")[0] + "\n", UTM_PRJ)
    with rasterio.open(path) as file:
        assert file.read(1)[-1, -1] == 0  # what GDAL makes of it
    with pytest.raises(FileUnreadableError, match="promises 30 rows of 40 cells, 1200 numbers, and it holds 1199"):
        read_elevation(path, unit="m")


def test_a_text_grid_with_a_number_too_many_is_refused_and_not_moved_on(tmp_path):
    text = rows_of(plane()).replace("\n", " 7\n", 1)
    with pytest.raises(FileUnreadableError, match="and it holds 1201"):
        read_elevation(written(tmp_path / "dem.asc", HEADER + text, UTM_PRJ), unit="m")


@pytest.mark.parametrize("word", ["abc", "NA", "1.234,5", "1.#INF"])
def test_a_word_in_a_text_grid_is_named_with_its_line(tmp_path, monkeypatch, word):
    monkeypatch.setattr(rastersources, "TEXT_BLOCK_BYTES", 64)
    lines = rows_of(plane()).splitlines()
    lines[3] = lines[3].replace("101.25", word)
    with pytest.raises(FileUnreadableError, match=rf"line 9 holds '{word.replace(',', '.')}', which is no number"):
        read_elevation(written(tmp_path / "dem.asc", HEADER + "\n".join(lines), UTM_PRJ), unit="m")


def test_decimal_commas_are_decimals(tmp_path):
    path = written(tmp_path / "dem.asc", HEADER + rows_of(plane()).replace(".", ","), UTM_PRJ)
    np.testing.assert_array_equal(read_elevation(path, unit="m").values, plane())


def test_decimals_behind_a_long_run_of_nodata_are_kept(tmp_path):
    """GDAL tells the type of the numbers by the beginning of the file, here whole numbers only."""
    values = np.full((400, 400), -9999.0)
    values[-1] = 100.75
    text = HEADER.replace("40\n", "400\n", 1).replace("30\n", "400\n", 1) + "NODATA_value -9999\n"
    path = written(tmp_path / "dem.asc", text + "\n".join(" ".join(f"{value:g}" for value in row) for row in values), UTM_PRJ)
    heights = read_elevation(path, unit="m").values
    assert (heights[-1] == np.float32(100.75)).all() and np.isnan(heights[:-1]).all()


def test_a_text_grid_that_does_not_declare_its_nodata_is_refused(tmp_path):
    values = plane()
    values[4, 5] = -9999
    with pytest.raises(ElevationValueError, match="-9999 in 1 cells"):
        read_elevation(written(tmp_path / "dem.asc", HEADER + rows_of(values), UTM_PRJ), unit="m")


# --------------------------------------------------------------------------------------------------------------- other formats


def test_an_erdas_imagine_file_is_read_with_its_unit(tmp_path):
    source = saved(tmp_path / "dem.tif", plane(), unit="ft", nodata=-9999)
    rasterio.shutil.copy(source, tmp_path / "dem.img", driver="HFA")
    np.testing.assert_array_equal(read_elevation(tmp_path / "dem.img").values, heights_of(FOOT_M))


def test_a_float_grid_with_its_header_is_read(tmp_path):
    rasterio.shutil.copy(saved(tmp_path / "dem.tif", plane()), tmp_path / "dem.flt", driver="EHdr")
    np.testing.assert_array_equal(read_elevation(tmp_path / "dem.flt", unit="m").values, plane())


def test_the_only_geotiff_of_a_zip_is_read_and_of_two_none(tmp_path):
    saved(tmp_path / "dem.tif", plane())
    with ZipFile(tmp_path / "dem.zip", "w") as archive:
        archive.write(tmp_path / "dem.tif", "delivery/dem.tif")
        archive.writestr("delivery/readme.txt", "heights")
    np.testing.assert_array_equal(read_elevation(tmp_path / "dem.zip", unit="m").values, plane())
    assert files_of(tmp_path / "dem.zip") == [tmp_path / "dem.zip"]
    with ZipFile(tmp_path / "dem.zip", "a") as archive:
        archive.write(tmp_path / "dem.tif", "delivery/other.tif")
    with pytest.raises(FileUnreadableError, match=r"2 GeoTIFFs \(delivery/dem\.tif, delivery/other\.tif\)"):
        read_elevation(tmp_path / "dem.zip", unit="m")
    (tmp_path / "dem.zip").write_bytes(b"PK\x03\x04 nothing more")
    with pytest.raises(FileUnreadableError, match="no zip archive"):
        read_elevation(tmp_path / "dem.zip", unit="m")


@pytest.mark.parametrize("driver", ["PNG", "GPKG", "XYZ"])
def test_formats_that_no_elevation_needs_are_not_opened(tmp_path, driver):
    source = saved(tmp_path / "dem.tif", (plane() - 100).astype(np.uint8))
    rasterio.shutil.copy(source, tmp_path / "dem.any", driver=driver)
    with pytest.raises(FileUnreadableError, match=r"none of the formats of elevations \(GeoTIFF, ESRI ASCII grid.*gdal_translate"):
        read_elevation(tmp_path / "dem.any", unit="m")


@pytest.mark.parametrize("name", ["https://example.gov/dem.tif", "/vsicurl/https://example.gov/dem.tif", "s3://bucket/dem.tif"])
def test_an_address_is_refused_with_what_to_do(name):
    with pytest.raises(FileUnreadableError, match=r"not read from the network or from virtual folders\. Download"):
        read_elevation(name, unit="m")


def test_a_geotiff_that_was_cut_short_is_refused(tmp_path):
    values = np.random.default_rng(1).random((300, 300), np.float32)
    path = saved(tmp_path / "dem.tif", values)
    path.write_bytes(path.read_bytes()[: values.nbytes // 2])
    with pytest.raises(FileUnreadableError, match="a part of it is damaged or missing"):
        read_elevation(path, unit="m")


# ------------------------------------------------------------------------------------------------------------ scales and types


def decimetres(path, **options):
    return saved(path, np.round(plane() * 10).astype(np.int16), **options)


def test_whole_decimetres_are_heights_by_the_scale_that_is_stated(tmp_path):
    raster = read_elevation(decimetres(tmp_path / "dem.tif"), unit="m", scale=0.1)
    np.testing.assert_allclose(raster.values, np.round(plane() * 10) / 10, rtol=1e-6)


def test_tenths_of_feet_are_scaled_before_their_unit(tmp_path):
    raster = read_elevation(decimetres(tmp_path / "dem.tif"), unit="US survey foot", scale=0.1)
    np.testing.assert_allclose(raster.values, np.round(plane() * 10) / 10 * US_SURVEY_FOOT_M, rtol=1e-6)


def test_a_stated_scale_against_the_files_own_is_refused(tmp_path):
    path = decimetres(tmp_path / "dem.tif", scale=0.01)
    with pytest.raises(HeightScaleError, match=r"scale 0\.01 and offset 0, and the scale stated is 0\.1"):
        read_elevation(path, unit="m", scale=0.1)
    with pytest.raises(HeightScaleError):
        check_heights(path, "elevation", unit="m", scale=0.1)
    np.testing.assert_allclose(read_elevation(path, unit="m", scale=0.01).values, np.round(plane() * 10) / 100, rtol=1e-6)


def test_numbers_above_every_mountain_are_told_of_the_scale(tmp_path):
    path = saved(tmp_path / "dem.tif", (plane() * 100).astype(np.int32))
    with pytest.raises(ElevationValueError, match=r"--elevation-scale 0\.1"):
        read_elevation(path, unit="m")


def test_doubles_keep_their_unknown_cells_and_no_number_is_moved(tmp_path):
    values = plane().astype(np.float64)
    values[2, 3], values[4, 5] = -1.7976931348623157e308, np.nan
    heights = read_elevation(saved(tmp_path / "dem.tif", values, nodata=-1.7976931348623157e308), unit="m").values
    assert [tuple(cell) for cell in np.argwhere(np.isnan(heights))] == [(2, 3), (4, 5)]
    known = ~np.isnan(heights)
    np.testing.assert_array_equal(heights[known], plane()[known])


def test_ground_that_is_unknown_save_for_a_corner_is_read(tmp_path):
    values = np.full((3000, 1000), np.nan, np.float32)
    values[-2:, -2:] = 12.5
    heights = read_elevation(saved(tmp_path / "dem.tif", values, compress="deflate"), unit="m").values
    assert np.isnan(heights).sum() == values.size - 4 and (heights[-2:, -2:] == 12.5).all()


@pytest.mark.parametrize(
    ("crs", "side_m", "height_m"),
    [
        ("EPSG:2992+5703", FOOT_M, 1.0),  # Oregon Lambert in international feet, heights in metres
        ("EPSG:2263+6360", US_SURVEY_FOOT_M, US_SURVEY_FOOT_M),  # New York Long Island and heights in US survey feet
        ("EPSG:26915+8228", 1.0, FOOT_M),  # UTM in metres, heights in international feet
        ("EPSG:2263+5703", US_SURVEY_FOOT_M, 1.0),
    ],
)
def test_slope_is_right_whatever_units_the_plane_and_the_heights_have(tmp_path, crs, side_m, height_m):
    """A plane that rises by 0.5 units of height over cells of 10 units of length."""
    heights = np.broadcast_to((100 + 0.5 * np.arange(40)).astype(np.float32), (30, 40))
    raster = read_elevation(saved(tmp_path / "dem.tif", heights, crs=crs, transform=from_origin(1_000_000, 200_000, 10, 10)))
    rise = np.diff(raster.values.astype(np.float64), axis=1) / raster.grid.cell_size_m
    np.testing.assert_allclose(rise, 0.05 * height_m / side_m, rtol=1e-4)


def test_no_file_is_changed_by_reading_it(tmp_path):
    path = written(tmp_path / "dem.asc", HEADER + rows_of(plane()), UTM_PRJ)
    before = {item.name: item.read_bytes() for item in tmp_path.iterdir()}
    read_elevation(path, unit="m")
    assert {item.name: item.read_bytes() for item in tmp_path.iterdir()} == before
