"""Whatever happens to a run, at whatever moment: the outputs are wholly the old ones or wholly the new ones, nothing else is left, and the
same command with --resume then writes the bytes of an undisturbed run."""

import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from geoseptic.io.pieces import PIECES
from geoseptic.io.putting import PUTTING
from tests.run.conftest import CRS, LEFT, TOP, arguments

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork there")

ROOT = Path(__file__).parents[2]
KILLED = -signal.SIGKILL


class Runs:
    """Runs in processes of their own, over one hillside: outputs by one rule set are to be replaced by those by another."""

    def __init__(self, base: Path, county: Path) -> None:
        self.base, self.county, self.log = base, county, base / "log"
        self.server = subprocess.Popen(
            [sys.executable, "-m", "tests.run.faults"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.server.stdout is not None and self.server.stdout.readline() == "ready\n"
        self.old, self.new = base / "old", base / "new"
        assert self.run(self.words(self.old, rules="us-ny"), learn=base / "learnt")[0] == 0, self.said()
        assert self.run(self.words(self.new))[0] == 0
        _, self.seconds = self.run([*self.words(self.new), "--overwrite"])

    def words(self, out: Path, process: str = "suitability_map", county: Path | None = None, **changes: str | None) -> list[str]:
        return [process, *arguments(county or self.county, out, **changes)]

    def run(self, *runs: list[str], fault: dict[str, Any] | None = None, learn: Path | None = None) -> tuple[Any, float]:
        """Exit code of the run, or of each of several, and seconds."""
        assert self.server.stdin is not None and self.server.stdout is not None
        job = {"runs": runs, "fault": fault or {}, "log": str(self.log), "learn": learn and str(learn)}
        self.server.stdin.write(json.dumps(job) + "\n")
        self.server.stdin.flush()
        told = json.loads(self.server.stdout.readline())
        return (told["codes"] if len(runs) > 1 else told["codes"][0]), told["seconds"]

    def said(self, number: int = 0) -> str:
        return Path(f"{self.log}{number}").read_text()

    def end(self) -> None:
        assert self.server.stdin is not None and self.server.stdout is not None
        self.server.stdin.close()
        self.server.wait()
        self.server.stdout.close()


@pytest.fixture(scope="module")
def runs(tmp_path_factory) -> Iterator[Runs]:
    base = tmp_path_factory.mktemp("bad_days")
    made = Runs(base, hillside_in(base / "county"))
    yield made
    made.end()


def hillside_in(folder: Path) -> Path:
    import geopandas
    import numpy as np
    from shapely import Point, box

    from tests.run.conftest import write, write_elevation

    folder.mkdir()
    rows, cols = np.mgrid[0:60, 0:60]
    write_elevation(folder / "elevation.tif", (100 + 0.3 * rows + 0.02 * np.sin(cols)).astype(np.float32))
    lots = [box(LEFT + 20 + 65 * i, TOP - 150 - 130 * j, LEFT + 85 + 65 * i, TOP - 20 - 130 * j) for j in (0, 1) for i in range(4)]
    write(folder, "parcels", {"parcel_id": [f"P-{number}" for number in range(8)]}, lots)
    wells = [Point(LEFT + 60, TOP - 60), Point(LEFT + 290, TOP - 200)]
    write(folder, "wells", {"kind": ["private"] * 2, "location_error_m": [3.0, 3.0]}, wells)
    house = geopandas.GeoDataFrame({"use": ["dwelling"]}, geometry=[box(LEFT + 50, TOP - 90, LEFT + 65, TOP - 80)], crs=CRS)
    house.to_file(folder / "county.gpkg", layer="buildings", driver="GPKG")
    return folder


def hashes(folder: Path) -> dict[str, str]:
    """What stands in the folder for everybody to see; of the record, by which rules it was made."""
    found = {}
    for path in folder.iterdir():
        if path.name == "run.json":
            record = json.loads(path.read_text())
            found[path.name] = f"{record['rules']['id']} {sorted(record['outputs'])}"
        elif not path.name.startswith("."):
            found[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def hidden(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if path.name.startswith(".")}


def stands_after(runs: Runs, tmp_path: Path, fault: dict[str, Any], *more: str, expected: set[int]) -> Path:
    """Has the fault happen to a run that replaces old outputs; asserts what must hold whatever it was, and again after the rerun."""
    out = tmp_path / "out"
    shutil.copytree(runs.old, out)
    words = [*runs.words(out), "--overwrite", *more]
    code, _ = runs.run(words, fault={**fault, "out": str(out)})
    said = runs.said()
    assert code in expected, said
    assert "Traceback" not in said
    if PUTTING in hidden(out):
        assert code == KILLED
        # Where it is not whole, no record says that it is.
        assert not (out / "run.json").exists() or hashes(out) in (hashes(runs.old), hashes(runs.new))
    else:
        assert hashes(out) == hashes(runs.new if code == 0 else runs.old) or (code == KILLED and hashes(out) == hashes(runs.new))
    if code != KILLED:
        assert hidden(out) <= {PIECES} and (code != 0 or not hidden(out)), said
    assert runs.run([*runs.words(out), "--overwrite", "--resume"])[0] == 0, runs.said()
    assert hashes(out) == hashes(runs.new) and not hidden(out)
    return out


def some(seed: int, low: float, high: float) -> float:
    return random.Random(seed).uniform(low, high)


@pytest.mark.parametrize("seed", range(3))
def test_run_that_is_killed_at_any_time(runs, tmp_path, seed):
    fault = {"after_s": some(seed, 0, 1) * runs.seconds, "signal": signal.SIGKILL}
    stands_after(runs, tmp_path, fault, *(["--resume"] if seed % 2 else []), expected={KILLED, 0})


@pytest.mark.parametrize("seed", range(6))
def test_run_that_is_killed_before_any_step_at_a_file(runs, tmp_path, seed):
    """Opening, renaming and taking away, of working files, outputs and lock: each may be the last that the run did."""
    number = round(some(seed, 10 * seed, 10 * seed + 10)) + 1
    stands_after(runs, tmp_path, {"kind": "killed at a file", "number": number}, expected={KILLED, 0})


@pytest.mark.parametrize("step", [1, 2, 5, 20, 40, 67])
def test_run_that_is_killed_while_it_puts_its_outputs_there(runs, tmp_path, step):
    fault = {"kind": "killed at a file", "number": step, "from": PUTTING}
    stands_after(runs, tmp_path, fault, expected={KILLED})


@pytest.mark.parametrize(("number", "name"), [(1, "EROFS"), (8, "ENOSPC"), (25, "EDQUOT"), (50, "EIO"), (95, "ENOSPC")])
def test_file_that_cannot_be_written(runs, tmp_path, number, name):
    stands_after(runs, tmp_path, {"kind": "file fails", "number": number, "error": name}, expected={0, 2, 3})


@pytest.mark.parametrize("size", [0, 5000, 60_000, 98_304, 120_000])
def test_disk_that_takes_only_so_much_of_a_file(runs, tmp_path, size):
    """Libraries that write by themselves meet the limit too: what they cut short is never put."""
    stands_after(runs, tmp_path, {"kind": "file limit", "bytes": size}, expected={0, 2, 3})


@pytest.mark.parametrize(("seed", "asked"), [(1, signal.SIGINT), (2, signal.SIGTERM), (3, signal.SIGHUP), (4, signal.SIGINT)])
def test_run_that_is_asked_to_end_at_any_time(runs, tmp_path, seed, asked):
    """Exit code 128 and the number of the signal, or, where it came too late, that of a run that is done."""
    fault = {"kind": "asked at a file", "number": round(some(seed, 1, 110)), "signal": asked}
    stands_after(runs, tmp_path, fault, *(["--resume"] if seed % 2 else []), expected={128 + asked, 0})


@pytest.mark.parametrize("how", ["written to", "in secret", "gone", "logged"])
def test_input_that_changes_while_the_run_goes_on_is_named(runs, tmp_path, how):
    county, out = tmp_path / "county", tmp_path / "out"
    shutil.copytree(runs.county, county)
    shutil.copytree(runs.old, out)
    fault = {"kind": "input", "stage": "suitability", "path": str(county / "county.gpkg"), "how": how}
    assert runs.run([*runs.words(out, county=county), "--overwrite"], fault=fault)[0] == 3
    assert "county.gpkg" in runs.said() and "changed while the run went on" in runs.said()
    assert hashes(out) == hashes(runs.old) and not hidden(out)


def test_input_that_is_touched_and_not_changed_is_no_hindrance(runs, tmp_path):
    county = tmp_path / "county"
    shutil.copytree(runs.county, county)
    fault = {"kind": "input", "stage": "suitability", "path": str(county / "county.gpkg"), "how": "touched"}
    assert runs.run(runs.words(tmp_path / "out", county=county), fault=fault)[0] == 0
    assert hashes(tmp_path / "out") == hashes(runs.new)


@pytest.mark.parametrize("stage", ["fill and drainage", "writing"])
def test_run_without_memory_says_what_to_do(runs, tmp_path, stage):
    stands_after(runs, tmp_path, {"kind": "no memory", "stage": stage}, "--resume", expected={3})


@pytest.mark.parametrize("seconds", [-86_400.0, 40_000_000.0])
def test_clock_that_jumps_changes_nothing(runs, tmp_path, seconds):
    out = stands_after(runs, tmp_path, {"kind": "clock", "stage": "slope", "seconds": seconds}, "--resume", expected={0})
    assert all(spent >= 0 for spent in json.loads((out / "run.json").read_text())["seconds_by_stage"].values())


def test_of_two_runs_to_one_folder_the_second_is_told_of_the_first(runs, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(runs.old, out)
    codes, _ = runs.run([*runs.words(out), "--overwrite"], [*runs.words(out), "--overwrite"])
    assert sorted(codes) == [0, 3]
    assert re.search(r"is held by another run: process \d+ of user", runs.said(codes.index(3)))
    assert hashes(out) == hashes(runs.new) and not hidden(out)


@pytest.mark.parametrize("left", [1, 2])
def test_workers_that_die_lose_no_lot(runs, tmp_path, left):
    """One, or both: what they had begun is done by another."""
    (tmp_path / "marks").mkdir()
    fault = {"kind": "worker", "left": left, "marks": str(tmp_path / "marks")}
    words = runs.words(tmp_path / "out", "screen_county")
    assert runs.run([*words, "--workers=2"], fault=fault)[0] == 0, runs.said()
    assert "ended before its time" in runs.said() and len(list((tmp_path / "marks").iterdir())) == left
    assert runs.run(runs.words(tmp_path / "whole", "screen_county"))[0] == 0
    assert hashes(tmp_path / "out") == hashes(tmp_path / "whole")
