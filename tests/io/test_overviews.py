"""Coarser copies held against GDAL's own, and what they do with unknown ground."""

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from affine import Affine

from geoseptic.io import overviews
from geoseptic.model.planes import ArrayPlane


def halved(values, shape, method):
    into = ArrayPlane(np.empty(shape, values.dtype))
    overviews.halve(ArrayPlane(values), into, method)
    return into.values


@pytest.mark.source("gdal_cog", where="overviews of the driver COG, resampling AVERAGE, MODE and NEAREST")
@pytest.mark.parametrize("shape", [(1200, 1536), (1301, 1025), (513, 40), (1, 1100)])
@pytest.mark.parametrize(("method", "gdal_name"), [("mean", "AVERAGE"), ("mode", "MODE"), ("nearest", "NEAREST")])
def test_coarser_copies_are_those_of_gdal(tmp_path, monkeypatch, shape, method, gdal_name):
    """Even and odd sides, read in several strips: as many copies as GDAL makes, of the same shapes and values."""
    monkeypatch.setattr(overviews, "STRIP_CELLS", 100_000)
    rng = np.random.default_rng(5)
    values = rng.integers(0, 4, shape).astype(np.uint8)
    if method == "mean":
        values = np.where(rng.random(shape) < 0.3, np.nan, rng.random(shape)).astype(np.float32)
    profile = {"driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1, "dtype": values.dtype, "crs": "EPSG:26915"}
    with rasterio.open(
        tmp_path / "plain.tif", "w", transform=Affine(2, 0, 0, 0, -2, 0), nodata=np.nan if method == "mean" else 9, **profile
    ) as file:
        file.write(values, 1)
    rasterio.shutil.copy(tmp_path / "plain.tif", tmp_path / "cog.tif", driver="COG", overview_resampling=gdal_name)
    with rasterio.open(tmp_path / "cog.tif") as file:
        assert len(file.overviews(1)) == len(overviews.shapes(shape))
    for level, coarser in enumerate(overviews.shapes(shape)):
        values = halved(values, coarser, method)
        with rasterio.open(tmp_path / "cog.tif", overview_level=level) as file:
            np.testing.assert_allclose(values, file.read(1), rtol=1e-6 if method == "mean" else 0)


def test_mean_leaves_unknown_cells_out_and_mode_counts_them():
    """One known cell of four makes a mean, but not a class: ground that is mostly unknown must not read as rated."""
    floats = np.float32([[np.nan, 6, np.nan, np.nan], [2, np.nan, np.nan, np.nan]])
    np.testing.assert_array_equal(halved(floats, (1, 2), "mean"), [[4, np.nan]])
    np.testing.assert_array_equal(halved(np.uint8([[255, 3], [255, 255]]), (1, 1), "mode"), [[255]])


@pytest.mark.parametrize("shape", [(6, 8), (7, 9), (3, 5)])
def test_mode_is_the_value_that_comes_first_to_the_highest_number(shape):
    """Against a count by hand over the cells that each coarse cell touches."""
    values = np.random.default_rng(2).integers(0, 3, shape).astype(np.uint8)
    coarse = shape[0] // 2, shape[1] // 2
    expected = np.empty(coarse, np.uint8)
    for row, col in np.ndindex(coarse):
        (top, bottom), (left, right) = (
            (place * old // new, -(-(place + 1) * old // new)) for place, old, new in zip((row, col), shape, coarse, strict=True)
        )
        seen: dict[int, int] = {}
        for value in values[top:bottom, left:right].ravel():
            seen[value] = seen.get(value, 0) + 1
            if seen[value] > seen.get(expected[row, col], 0) or len(seen) == 1:
                expected[row, col] = value
    np.testing.assert_array_equal(halved(values, coarse, "mode"), expected)
