"""Planes in files: what is written is read again, by window, and nothing but a plane is opened."""

import numpy as np
import pytest

from geoseptic.io.scratch import FilePlane


@pytest.mark.parametrize("kind", [np.float32, np.uint8, np.bool_, np.int32])
def test_windows_are_read_as_they_were_written(tmp_path, kind):
    plane = FilePlane.create(tmp_path / "plane.npy", (30, 40), kind)
    expected = np.zeros((30, 40), kind)
    generator = np.random.default_rng(3)
    for _ in range(20):
        top, left = generator.integers(0, 25), generator.integers(0, 35)
        rows, cols = slice(top, top + 5), slice(left, left + 5)
        expected[rows, cols] = generator.integers(0, 100, (5, 5)).astype(kind)
        plane.write(rows, cols, expected[rows, cols])
    again = FilePlane.open(plane.path)
    assert (again.shape, again.dtype) == ((30, 40), np.dtype(kind))
    np.testing.assert_array_equal(again.read(slice(3, 29), slice(0, 40)), expected[3:29])
    np.testing.assert_array_equal(np.load(plane.path), expected)


def test_file_that_is_there_is_not_overwritten(tmp_path):
    FilePlane.create(tmp_path / "plane.npy", (2, 2), np.uint8)
    with pytest.raises(FileExistsError):
        FilePlane.create(tmp_path / "plane.npy", (3, 3), np.uint8)


@pytest.mark.parametrize(
    "values", [np.zeros(4), np.zeros((2, 2, 2)), np.asfortranarray(np.zeros((3, 4)))], ids=["line", "cube", "by columns"]
)
def test_file_that_holds_no_plane_is_refused(tmp_path, values):
    np.save(tmp_path / "other.npy", values)
    with pytest.raises(ValueError, match="no plane"):
        FilePlane.open(tmp_path / "other.npy")
