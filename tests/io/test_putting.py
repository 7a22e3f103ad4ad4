"""Files go into a folder all together: a process that dies at any of its steps leaves what the next one finishes."""

import itertools
from contextlib import suppress
from pathlib import Path

import pytest

from geoseptic.errors import UnfinishedOutputsError
from geoseptic.io import putting

OLD = {"a.tif": b"old a", "gone.gpkg": b"old gone", "run.json": b"old record"}
NEW = {"a.tif": b"new a", "b.tif": b"new b", "c.tif": b"new c", "run.json": b"new record"}


class DeadError(BaseException):
    """The process is gone: nothing that it would have done happens any more."""


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def folders(base: Path) -> tuple[Path, Path]:
    out, ready = base / "out", base / "out" / f"{putting.PARTIAL}x"
    ready.mkdir(parents=True)
    for folder, files in ((out, OLD), (ready, NEW)):
        for name, data in files.items():
            (folder / name).write_bytes(data)
    (out / "notes.txt").write_bytes(b"mine")
    return out, ready


def dies_at(monkeypatch: pytest.MonkeyPatch, step: int) -> None:
    """The process dies before its rename number `step`."""
    steps = itertools.count()
    for name in ("rename", "replace"):
        real = getattr(Path, name)

        def renamed(self: Path, target: Path, real=real) -> Path:
            if next(steps) >= step:
                raise DeadError
            return real(self, target)

        monkeypatch.setattr(Path, name, renamed)


def put(out: Path, ready: Path) -> None:
    putting.put(out, ready, list(NEW), ["gone.gpkg"])


@pytest.mark.parametrize("step", range(10))
def test_process_that_dies_at_any_step_leaves_old_or_new_files_whole(tmp_path, step):
    """Once the folder has its name, the next run finishes; before, the old files are untouched."""
    out, ready = folders(tmp_path)
    with pytest.MonkeyPatch.context() as patch:
        dies_at(patch, step)
        if step < 9:
            with pytest.raises(DeadError):
                put(out, ready)
        else:
            put(out, ready)
    begun = putting.is_unfinished(out)
    assert putting.settle(out) is begun is (1 <= step < 9)
    assert contents(out) == {"notes.txt": b"mine"} | (OLD if step == 0 else NEW)
    # What is left is what a run clears away.
    assert all(path.name.startswith(putting.PARTIAL) for path in out.iterdir() if path.is_dir())


@pytest.mark.parametrize(("first", "second"), list(itertools.product(range(1, 9), range(9))))
def test_process_that_dies_while_it_finishes_for_a_dead_one_is_finished_for_in_turn(tmp_path, first, second):
    out, ready = folders(tmp_path)
    for step in (first, second):
        with pytest.MonkeyPatch.context() as patch:
            dies_at(patch, step)
            with suppress(DeadError):
                put(out, ready) if ready.exists() else putting.settle(out)
    putting.settle(out)
    assert contents(out) == {"notes.txt": b"mine"} | NEW


@pytest.mark.parametrize("step", range(1, 8))
def test_file_that_cannot_be_put_leaves_everything_as_it_was(tmp_path, monkeypatch, step):
    out, ready = folders(tmp_path)
    steps, real = itertools.count(1), Path.replace

    def replace(self: Path, target: Path) -> Path:
        if next(steps) == step:
            raise PermissionError(13, "open in another program")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(PermissionError):
        put(out, ready)
    assert contents(out) == {"notes.txt": b"mine"} | OLD
    assert contents(ready).items() >= NEW.items() and not putting.is_unfinished(out)


def test_new_files_that_somebody_deleted_bring_the_old_ones_back(tmp_path, monkeypatch):
    out, ready = folders(tmp_path)
    with pytest.MonkeyPatch.context() as patch:
        dies_at(patch, 6)
        with pytest.raises(DeadError):
            put(out, ready)
    (out / putting.PUTTING / "c.tif").unlink()
    assert putting.settle(out)
    assert contents(out) == {"notes.txt": b"mine"} | OLD


def test_list_that_names_files_elsewhere_is_not_followed(tmp_path):
    out = tmp_path / "out"
    (out / putting.PUTTING / putting.BEFORE).mkdir(parents=True)
    (tmp_path / "precious").write_text("x")
    (out / putting.PUTTING / putting.LIST).write_text('{"names": ["../precious"], "stale": [], "replaced": ["../precious"]}')
    with pytest.raises(UnfinishedOutputsError, match="Nothing is lost"):
        putting.settle(out)
    assert (tmp_path / "precious").read_text() == "x" and [path.name for path in out.iterdir()] == [putting.PUTTING]
