"""Hashes of files: what is known from writing is what reading tells."""

import hashlib
import threading
import time
from collections import Counter
from pathlib import Path

import pytest

from geoseptic.io.filehashes import COPIED_BYTES, begin_digests, check_of, each_once, file_digest, written


def test_what_was_hashed_while_it_was_written_is_what_is_read_again(tmp_path: Path, monkeypatch):
    path = tmp_path / "a.bin"
    read: list[Path] = []
    opened = Path.open
    with each_once():
        with written(path) as file:
            for part in (b"one", memoryview(b"two"), b""):
                file.write(part)
        monkeypatch.setattr(Path, "open", lambda self, *how, **more: (read.append(self), opened(self, *how, **more))[1])
        known = check_of(path)
        assert not read and path.read_bytes() == b"onetwo"
        read.clear()
        path.write_bytes(b"onetwo, and more")
        read.clear()
        assert check_of(path) != known and read, "a file that was written since is read"
    path.write_bytes(b"onetwo")
    assert check_of(path) == known


def test_what_could_not_be_written_is_not_known(tmp_path: Path):
    path = tmp_path / "a.bin"
    with each_once():
        try:
            with written(path) as file:
                file.write(b"half")
                raise OSError("no room")
        except OSError:
            pass
        path.write_bytes(b"whole")
        assert check_of(path)["bytes"] == 5
        path.write_bytes(b"half")
        assert check_of(path)["bytes"] == 4


def test_what_is_being_hashed_is_waited_for_and_not_read_again(tmp_path: Path, monkeypatch):
    """One thread reads the files, one of them gone, while another asks: both get the same, and each file is read once."""
    paths = [tmp_path / name for name in ("gone", "a.bin", "b.bin")]
    for path in paths[1:]:
        path.write_bytes(path.name.encode() * 300_000)
    reads, reading, opened = Counter(), threading.Event(), Path.open

    def slowly(self, *how, **more):
        reads[self.name] += 1
        reading.set()
        time.sleep(0.05)
        return opened(self, *how, **more)

    monkeypatch.setattr(Path, "open", slowly)
    with each_once():
        begin_digests(paths)
        assert reading.wait(20)
        found = [file_digest(path) for path in paths[1:]]
        with pytest.raises(FileNotFoundError):
            file_digest(paths[0])
    assert found == [hashlib.sha256(path.name.encode() * 300_000).digest() for path in paths[1:]]
    assert reads == {"a.bin": 1, "b.bin": 1}


def test_a_file_that_changed_since_its_hash_was_begun_is_read_again(tmp_path: Path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"before")
    with each_once():
        begin_digests([path])
        first = file_digest(path)
        path.write_bytes(b"afterwards")
        assert file_digest(path) == hashlib.sha256(b"afterwards").digest() != first


def test_nothing_is_hashed_any_more_when_nobody_asks(tmp_path: Path, monkeypatch):
    """A run that was refused leaves no thread behind that reads a large file to its end."""
    path = tmp_path / "a.bin"
    path.write_bytes(bytes(40 * COPIED_BYTES))
    begun, ended, blocks = threading.Event(), threading.Event(), []

    class Slow:
        def update(self, block):
            blocks.append(len(block))
            begun.set()
            ended.wait(20)

    monkeypatch.setattr(hashlib, "sha256", Slow)
    before = threading.active_count()
    with each_once():
        begin_digests([path])
        assert begun.wait(20)
    ended.set()
    end = time.monotonic() + 20
    while threading.active_count() > before and time.monotonic() < end:
        time.sleep(0.01)
    assert threading.active_count() == before and len(blocks) == 1


def test_a_file_that_could_not_be_read_is_tried_again(tmp_path: Path):
    path = tmp_path / "a.bin"
    with each_once():
        with pytest.raises(FileNotFoundError):
            file_digest(path)
        path.write_bytes(b"there now")
        assert file_digest(path) == hashlib.sha256(b"there now").digest()
