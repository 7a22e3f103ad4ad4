"""Elevation of an earlier run is taken for the very same files alone."""

import os
from pathlib import Path

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from affine import Affine

from geoseptic.io import kept, rasters
from geoseptic.io.keptheights import read_once
from geoseptic.model.grid import Raster
from geoseptic.terrain import windows

HOW = {"unit": "m", "cell_size_m": None, "zero_is_height": False}


@pytest.fixture(autouse=True)
def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(windows, "SIDE_CELLS", 16)


def dem(path: Path, values: np.ndarray, **more: object) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype="float32", crs="EPSG:26910",
        transform=Affine(2, 0, 500_000, 0, -2, 5_000_000), **more,
    ) as file:  # fmt: skip
        file.write(values.astype(np.float32), 1)
    return path


def read(path: Path, keep: Path, scratch: Path | None = None, **how: object) -> tuple[np.ndarray, int]:
    """What is read, and how often the file was really read."""
    calls = []

    def counting(*args: object, **words: object) -> Raster:
        calls.append(args)
        return rasters.read_elevation(*args, **words)

    with kept.kept(keep):
        found = read_once(counting, rasters.read_grid, str(path), scratch, {**HOW, **how})
        return found.plane.array().copy(), len(calls)


@pytest.mark.parametrize("in_files", [False, True])
def test_the_same_file_is_read_once_and_gives_the_same_heights(tmp_path, in_files):
    values = np.random.default_rng(1).normal(100, 5, (40, 50)).astype(np.float32)
    values[3, 4] = np.nan
    path, scratch = dem(tmp_path / "dem.tif", values, nodata=np.nan), tmp_path if in_files else None
    for times in (1, 0):
        found, calls = read(path, tmp_path / "keep", scratch)
        assert calls == times
        np.testing.assert_array_equal(found, values)


def test_a_changed_file_of_the_same_size_and_time_is_read_again(tmp_path):
    values = np.full((20, 20), 100.0)
    path = dem(tmp_path / "dem.tif", values)
    before = path.stat()
    read(path, tmp_path / "keep")
    values[7, 7] = 101
    dem(path, values)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size and path.stat().st_mtime_ns == before.st_mtime_ns
    found, calls = read(path, tmp_path / "keep")
    assert calls == 1 and found[7, 7] == 101


def test_what_stands_beside_the_file_and_how_it_is_read_count(tmp_path):
    """A mask in a file of its own makes a height unknown; feet are not metres."""
    path = dem(tmp_path / "dem.tif", np.full((20, 20), 100.0))
    assert not np.isnan(read(path, tmp_path / "keep")[0]).any()
    assert read(path, tmp_path / "keep", unit="ft")[0][0, 0] == pytest.approx(30.48)
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK="NO"), rasterio.open(path, "r+") as file:
        file.write_mask(np.pad(np.zeros((1, 1), np.uint8), ((2, 17), (2, 17)), constant_values=255))
    assert path.with_name("dem.tif.msk").exists()
    found, calls = read(path, tmp_path / "keep")
    assert calls == 1 and np.isnan(found).sum() == 1


def test_a_file_that_only_names_others_is_read_every_time(tmp_path):
    path = dem(tmp_path / "dem.tif", np.full((20, 20), 100.0))
    virtual = tmp_path / "dem.vrt"
    rasterio.shutil.copy(path, virtual, driver="VRT")
    assert [read(virtual, tmp_path / "keep")[1] for _ in range(2)] == [1, 1]


def test_a_damaged_window_is_read_again(tmp_path):
    values = np.random.default_rng(2).normal(100, 5, (20, 20)).astype(np.float32)
    path = dem(tmp_path / "dem.tif", values)
    read(path, tmp_path / "keep")
    largest = max((tmp_path / "keep").iterdir(), key=lambda own: own.stat().st_size)
    data = bytearray(largest.read_bytes())
    data[-1] ^= 255
    data[-70] ^= 255
    largest.write_bytes(bytes(data))
    np.testing.assert_array_equal(read(path, tmp_path / "keep")[0], values)
