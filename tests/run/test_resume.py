"""A run that died is gone on with from what it had finished, and then writes the very bytes of an undisturbed one."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from geoseptic.errors import DiskFullError
from geoseptic.io import kept
from geoseptic.io.packed import packed, unpacked
from geoseptic.io.pieces import PIECES
from geoseptic.processes import old_search, workers
from geoseptic.run import outputs, runner
from geoseptic.run.cli import main
from geoseptic.terrain import windows
from tests.run.test_kept import County

WANTED = ("suitability_map", "screen_county", "setback_envelopes", "old_systems")


@pytest.fixture
def county(tmp_path, monkeypatch) -> County:
    """A county of 25 lots whose work is done in small pieces."""
    monkeypatch.setattr(windows, "SIDE_CELLS", 64)
    monkeypatch.setattr(workers, "CHUNK", 5)
    monkeypatch.setattr(old_search, "CHUNK", 5)
    (tmp_path / "in").mkdir()
    return County(tmp_path / "in", 3)


def contents(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in out.iterdir() if path.name != "run.json"}


@contextmanager
def counted(dies_after: int | None = None) -> Iterator[list[str]]:
    """The keys of the pieces that are kept; the run is interrupted when it has kept so many."""
    real, keys = kept.Store.put, []

    def put(self: kept.Store, key: str, *rest: object, **how: bool) -> kept.Entry:
        if len(keys) == dies_after:
            raise KeyboardInterrupt
        keys.append(key)
        return real(self, key, *rest, **how)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept.Store, "put", put)
        yield keys


def steps(out: Path) -> dict[str, dict[str, int]]:
    return json.loads((out / "run.json").read_text())["kept"]["steps"]


@pytest.mark.parametrize("process", WANTED)
def test_run_that_died_is_gone_on_with_and_writes_the_same_bytes(county, tmp_path, capsys, process):
    """Each piece that was finished is taken, and none is done twice, however many were; at the end nothing but the outputs is there."""
    words = county.written()
    assert main(process, [*words, "--out", str(tmp_path / "whole")]) == 0
    with counted() as pieces:
        assert main(process, [*words, "--out", str(tmp_path / "out"), "--resume"]) == 0
    assert len(pieces) >= 5 and contents(tmp_path / "out") == contents(tmp_path / "whole")
    for done in (len(pieces) // 3, len(pieces) - 1):
        out = tmp_path / f"out-{done}"
        with counted(dies_after=done):
            assert main(process, [*words, "--out", str(out), "--resume"]) == 130
        assert [path.name for path in out.iterdir()] == [PIECES] and "--resume goes on from it" in capsys.readouterr().err
        with counted() as rest:
            assert main(process, [*words, "--out", str(out), "--resume"]) == 0
        assert rest == pieces[done:]
        assert contents(out) == contents(tmp_path / "whole")


def test_pieces_of_lots_are_taken_one_by_one(county, tmp_path, monkeypatch):
    words = [*county.written(), "--out", str(tmp_path / "out"), "--resume"]
    assert main("screen_county", words) == 0
    made = steps(tmp_path / "out")
    assert made["laid_out"] == {"reused": 0, "made": 5}
    with monkeypatch.context() as patch:
        patch.setattr(outputs, "write", lambda *given: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        assert main("screen_county", [*words, "--overwrite"]) == 3
    assert main("screen_county", [*words, "--overwrite"]) == 0
    assert steps(tmp_path / "out")["laid_out"] == {"reused": 5, "made": 0}


def test_changed_well_has_its_pieces_done_again(county, tmp_path):
    """Pieces are kept under a hash of what they follow from: an answer to another question is never taken."""
    with counted(dies_after=40):
        assert main("screen_county", [*county.written(), "--out", str(tmp_path / "out"), "--resume"]) == 130
    name = next(iter(county.wells))
    county.wells[name] = county.wells[name][0], 30.0
    words = county.written()
    assert main("screen_county", [*words, "--out", str(tmp_path / "out"), "--resume"]) == 0
    assert main("screen_county", [*words, "--out", str(tmp_path / "whole")]) == 0
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")


def test_damaged_piece_is_passed_over_and_told(county, tmp_path, monkeypatch):
    words, out = county.written(), tmp_path / "out"
    assert main("screen_county", [*words, "--out", str(tmp_path / "whole")]) == 0
    with monkeypatch.context() as patch:
        patch.setattr(outputs, "write", lambda *given: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        assert main("screen_county", [*words, "--out", str(out), "--resume"]) == 3
    for number, path in enumerate(sorted((out / PIECES).glob(f"*{kept.ENDING}"))):
        data = bytearray(path.read_bytes())
        data[-100 if number % 2 else 70] ^= 1
        path.write_bytes(data[: len(data) - number % 3 * 64])
    assert main("screen_county", [*words, "--out", str(out), "--resume"]) == 0
    warnings = json.loads((out / "run.json").read_text())["warnings"]
    assert any("damaged files, which were passed over" in warning for warning in warnings)
    assert contents(out) == contents(tmp_path / "whole")


def test_pieces_of_rasters_in_files_are_taken_and_go_at_the_end(county, tmp_path, monkeypatch):
    """Also where the run that ends well was not asked to go on from them."""
    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    words = [*county.written(), "--out", str(tmp_path / "out")]
    for more in (["--resume"], ["--overwrite"]):
        with counted(dies_after=5):
            assert main("suitability_map", [*words, "--resume", "--overwrite"]) == 130
        assert list((tmp_path / "out" / PIECES).iterdir())
        assert main("suitability_map", [*words, *more]) == 0
        assert not list((tmp_path / "out").glob(".*"))


def test_disk_that_fills_with_pieces_is_named(tmp_path, monkeypatch):
    from geoseptic.io.pieces import pieces

    with pytest.raises(DiskFullError, match=r"\.geoseptic-pieces.*run again with --resume"), pieces(tmp_path) as store:
        monkeypatch.setattr(Path, "replace", lambda *given: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        store.put("0" * 64, [])


def test_bytes_that_name_other_things_than_values_are_not_followed():
    """A file of pieces may come from somebody else: whatever it names, nothing is run."""
    from geoseptic.processes.lot_sizes import Sizes

    class Evil:
        def __reduce__(self) -> tuple[object, ...]:
            return (print, ("run",))

    for data in (packed(Evil()), packed(main), packed(Path("x")), b"", b"cgeoseptic.run.cli\nmain\n."):
        with pytest.raises(ValueError, match="no value of ours"):
            unpacked(data)
    assert unpacked(packed(Sizes)) is Sizes
