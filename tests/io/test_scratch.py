"""Planes in files: what is written is read again, by window, and a full disk is told in words."""

import errno
import itertools

import numpy as np
import pytest

from geoseptic.errors import DiskFullError
from geoseptic.io import scratch
from geoseptic.io.scratch import FilePlane, new_plane


@pytest.mark.parametrize("kind", [np.float32, np.uint8, np.bool_, np.int32])
def test_windows_are_read_as_they_were_written(tmp_path, kind):
    plane = new_plane(tmp_path, (30, 40), kind)
    expected = np.zeros((30, 40), kind)
    generator = np.random.default_rng(3)
    for _ in range(20):
        top, left = generator.integers(0, 25), generator.integers(0, 35)
        rows, cols = slice(top, top + 5), slice(left, left + 5)
        expected[rows, cols] = generator.integers(0, 100, (5, 5)).astype(kind)
        plane.write(rows, cols, expected[rows, cols])
    plane.write(slice(7, 9), slice(0, 40), expected[7:9])
    again = FilePlane(plane.path, plane.shape, plane.dtype)
    np.testing.assert_array_equal(again.read(slice(3, 29), slice(0, 40)), expected[3:29])
    np.testing.assert_array_equal(again.array(), expected)


def test_what_is_written_into_the_whole_array_does_not_reach_the_file(tmp_path):
    plane = new_plane(tmp_path, (3, 4), np.float32)
    plane.array()[:] = 7
    assert (plane.array() == 0).all()


def test_planes_of_one_folder_do_not_share_a_file(tmp_path):
    first = new_plane(tmp_path, (2, 2), np.uint8)
    assert first.new(np.uint8).path != first.path


def test_full_disk_is_told_in_words(tmp_path, monkeypatch):
    def full(file, values):
        raise OSError(errno.ENOSPC, "No space left on device")

    plane = new_plane(tmp_path, (2, 2), np.uint8)
    monkeypatch.setattr(scratch, "_written", full)
    with pytest.raises(DiskFullError, match=r"No space left.*Make room"):
        plane.write(slice(0, 2), slice(0, 2), np.ones((2, 2), np.uint8))


def test_two_processes_may_have_planes_in_one_folder(tmp_path, monkeypatch):
    """Each counts its files for itself; packing by worker processes begins so."""
    paths = []
    for _ in range(2):
        monkeypatch.setattr(scratch, "_NUMBER", itertools.count())
        paths += [new_plane(tmp_path, (2, 3), np.uint8).path for _ in range(2)]
    assert len(set(paths)) == 4
