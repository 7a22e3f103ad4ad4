"""Slope held against GDAL's own `gdaldem slope` and against a worked example in print."""

import ctypes
import math
import shutil
import subprocess
from ctypes.util import find_library
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine

from geoseptic.terrain.slope import horn_slope_percent
from tests.outside import lidar_dem_path
from tests.terrain.grounds import Floats, rough

UNKNOWN = -9999.0
WITHIN_PERCENT = 0.001


def slope_by_gdal(elevation: Path, folder: Path) -> Floats:
    """Slope in percent by the command `gdaldem` where it is installed, else by the same code in the library that rasterio brings."""
    command = shutil.which("gdaldem")
    if command:
        out = folder / "by_command.tif"
        subprocess.run([command, "slope", "-p", "-q", str(elevation), str(out)], check=True)
        return read(out)
    return slope_by_gdal_library(elevation, folder)


def slope_by_gdal_library(elevation: Path, folder: Path) -> Floats:
    """Slope in percent by GDALDEMProcessing, the function behind `gdaldem`."""
    gdal = gdal_library()
    out = folder / "by_library.tif"
    pointer, words, flag = ctypes.c_void_p, ctypes.c_char_p, ctypes.POINTER(ctypes.c_int)
    gdal.GDALAllRegister()
    gdal.GDALOpen.restype, gdal.GDALOpen.argtypes = pointer, [words, ctypes.c_int]
    gdal.GDALClose.argtypes = [pointer]
    gdal.GDALDEMProcessingOptionsNew.restype = pointer
    gdal.GDALDEMProcessingOptionsNew.argtypes = [ctypes.POINTER(words), pointer]
    gdal.GDALDEMProcessingOptionsFree.argtypes = [pointer]
    gdal.GDALDEMProcessing.restype, gdal.GDALDEMProcessing.argtypes = pointer, [words, pointer, words, words, pointer, flag]
    source = gdal.GDALOpen(str(elevation).encode(), 0)
    options = gdal.GDALDEMProcessingOptionsNew((words * 2)(b"-p", None), None)
    failed = ctypes.c_int(0)
    made = gdal.GDALDEMProcessing(str(out).encode(), source, b"slope", None, options, ctypes.byref(failed))
    assert made, "GDAL refused to compute the slope"
    assert not failed.value
    gdal.GDALClose(made)
    gdal.GDALDEMProcessingOptionsFree(options)
    gdal.GDALClose(source)
    return read(out)


def gdal_library() -> ctypes.CDLL:
    """The GDAL that rasterio itself has loaded: beside its wheel, or that of the system."""
    package = Path(rasterio.__file__).parent
    beside = [*package.parent.glob("rasterio.libs/*gdal*"), *package.glob(".dylibs/*gdal*")]
    name = str(beside[0]) if beside else find_library("gdal")
    if name is None:
        pytest.fail("Neither gdaldem nor a GDAL library was found: install gdal-bin, or rasterio from its wheel.")
    return ctypes.CDLL(name)


def read(path: Path) -> Floats:
    with rasterio.open(path) as raster:
        return raster.read(1, masked=True).filled(np.nan)


def written(elevation_m: Floats, cell_size_m: float, path: Path) -> Path:
    profile = {
        "driver": "GTiff",
        "height": elevation_m.shape[0],
        "width": elevation_m.shape[1],
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:26915",
        "transform": Affine(cell_size_m, 0, 429000, 0, -cell_size_m, 5151000),
        "nodata": UNKNOWN,
    }
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(np.nan_to_num(elevation_m, nan=UNKNOWN), 1)
    return path


def assert_same(ours: Floats, theirs: Floats):
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    assert np.nanmax(np.abs(ours - theirs)) < WITHIN_PERCENT


@pytest.fixture
def lowered_m() -> Floats:
    """The real ground 379 m lower, which has the same slope and loses no bit.

    GDAL adds up four heights in 32 bits: near 400 m a sum is rounded to 0.0001 m, and its slope is off by up to 0.005 percentage points.
    """
    ground = read(lidar_dem_path())
    lowered = ground - np.float32(379)
    assert (lowered.astype(np.float64) + 379 == ground).all()
    return lowered


@pytest.mark.source("gdaldem", where="gdaldem slope -p, its default method (Horn)")
def test_horn_is_the_slope_of_gdal_on_real_ground(lowered_m: Floats, tmp_path: Path):
    theirs = slope_by_gdal(written(lowered_m, 1.0, tmp_path / "lowered.tif"), tmp_path)
    assert theirs.shape == (400, 400)
    assert np.nanmax(theirs) > 50
    assert_same(horn_slope_percent(lowered_m, 1.0), theirs)
    assert_same(horn_slope_percent(read(lidar_dem_path()), 1.0), theirs)


@pytest.mark.source("gdaldem", where="gdaldem slope -p, its default method (Horn)")
def test_horn_is_the_slope_of_the_gdal_inside_rasterio_on_real_ground(lowered_m: Floats, tmp_path: Path):
    theirs = slope_by_gdal_library(written(lowered_m, 1.0, tmp_path / "lowered.tif"), tmp_path)
    assert_same(horn_slope_percent(read(lidar_dem_path()), 1.0), theirs)


@pytest.mark.source("gdaldem", where="gdaldem slope -p, its default method (Horn)")
def test_horn_is_the_slope_of_gdal_on_real_ground_as_it_lies_up_to_the_rounding_of_gdal(tmp_path: Path):
    theirs = slope_by_gdal(lidar_dem_path(), tmp_path)
    ours = horn_slope_percent(read(lidar_dem_path()), 1.0)
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    sum_step_m = float(np.spacing(np.float32(4 * 410.0)))
    assert np.nanmax(np.abs(ours - theirs)) < 100 * math.sqrt(2) * 3 * sum_step_m / 8


@pytest.mark.source("gdaldem", where="gdaldem slope -p, its default method (Horn)")
@pytest.mark.parametrize("cell_size_m", [0.5, 0.9144, 2.0, 10.0])
def test_horn_is_the_slope_of_gdal_on_made_up_ground_with_gaps(cell_size_m: float, tmp_path: Path):
    ground = rough((150, 170), seed=int(cell_size_m * 10), holes=0.01)
    theirs = slope_by_gdal(written(ground, cell_size_m, tmp_path / "ground.tif"), tmp_path)
    assert_same(horn_slope_percent(ground, cell_size_m), theirs)


@pytest.mark.source("horn1981", where="slope by weighted differences of the eight neighbours, as worked through in how-slope-works")
@pytest.mark.source("how-slope-works", where="the worked example of nine cells of 5 units: rise over run 3.80032, 75.25762 degrees")
def test_worked_example_of_nine_cells():
    nine = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]], np.float32)
    slope = float(horn_slope_percent(nine, 5.0)[1, 1])
    assert slope / 100 == pytest.approx(3.80032, abs=1e-5)
    assert math.degrees(math.atan(slope / 100)) == pytest.approx(75.25762, abs=1e-4)
