"""Hashes of files: what is known from writing is what reading tells."""

from pathlib import Path

from geoseptic.io.filehashes import check_of, each_once, written


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
