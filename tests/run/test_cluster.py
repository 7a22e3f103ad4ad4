"""Lots searched by the workers of a Dask scheduler: the same outputs, also where a worker dies, and refusals in words."""

import hashlib
import os
import signal
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from geopandas.testing import assert_geodataframe_equal

from geoseptic import pools
from geoseptic.errors import ParameterError, WorkerLostError
from geoseptic.io.rulefiles import load_rules
from geoseptic.process import Process
from geoseptic.processes import screening, workers
from geoseptic.processes.layouts import laid_out
from geoseptic.processes.screen_county import screen_county
from geoseptic.run.cli import main
from tests.processes.random_county import county
from tests.run.conftest import arguments

LAYERS = ("parcels", "fields", "trenches", "tanks", "sewer_lines", "test_holes", "flow_paths")
NOBODY = "tcp://127.0.0.1:1"


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as found:
        yield found


@pytest.fixture
def few_at_a_time(monkeypatch):
    monkeypatch.setattr(workers, "WORTH_PROCESSES", 0)
    monkeypatch.setattr(workers, "CHUNK", 6)


@pytest.fixture(scope="module")
def world():
    return county(60, seed=5)


@pytest.fixture(scope="module")
def alone(world):
    return screened(world)


def screened(world):
    return screen_county(
        world.parcels, world.wells, world.elevation, rules=load_rules("us-wa"), buildings=world.buildings, driveways=world.driveways,
        surface_water=world.water, reach_m=50.0,
    )  # fmt: skip


def assert_same_layers(found, alone):
    assert len(alone["fields"].frame) > 10
    for name in LAYERS:
        assert_geodataframe_equal(found[name].frame, alone[name].frame)


def laid_out_by_one_who_dies_first(mark: str, lots, setting):
    """The usual task, but the third chunk's first worker is killed over it."""
    try:
        os.close(os.open(Path(mark) / f"chunk of {lots.shapes_m[0].wkb_hex[-24:]}", os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return laid_out(lots, setting)
    if len(list(Path(mark).iterdir())) == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return laid_out(lots, setting)


def killed_every_time(lots, setting):
    os.kill(os.getpid(), signal.SIGKILL)


def test_two_workers_of_a_scheduler_give_every_layer_of_one_process(cluster, few_at_a_time, world, alone, tmp_path):
    with pools.cluster(cluster.scheduler_address, tmp_path) as used:
        found = screened(world)
    assert used.tasks > 8
    assert_same_layers(found, alone)
    assert list(tmp_path.iterdir()) == []


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"}


def test_command_line_with_a_scheduler_writes_the_bytes_of_one_without(cluster, few_at_a_time, hillside, monkeypatch, capsys):
    monkeypatch.setattr(workers, "CHUNK", 1)
    monkeypatch.chdir(hillside)  # a folder by a relative path is another one for the workers
    here, there, config = Path("here"), Path("there"), Path("run.toml")
    config.write_text(f'scheduler = "{cluster.scheduler_address}"\n', encoding="utf-8")
    assert main("screen_county", arguments(hillside, here)) == 0
    assert "nothing went to the cluster" not in capsys.readouterr().out
    assert main("screen_county", [*arguments(hillside, there), "--config", str(config)]) == 0
    assert "nothing went to the cluster" not in capsys.readouterr().out
    assert len(digests(here)) > 10
    assert digests(there) == digests(here)


def test_run_that_hands_nothing_to_its_scheduler_says_so(cluster, hillside, capsys):
    assert main("slope_suitability", [*arguments(hillside, hillside / "out", parcels=None, wells=None, buildings=None,
                                                 scheduler=cluster.scheduler_address)]) == 0  # fmt: skip
    assert "nothing went to the cluster" in capsys.readouterr().out


def test_scheduler_that_does_not_answer_is_refused_in_words_and_leaves_no_folder(hillside, monkeypatch, capsys):
    pytest.importorskip("distributed")
    monkeypatch.setattr(pools, "ANSWER_WITHIN_S", 0.5)
    out = hillside / "deep" / "out"
    started = time.perf_counter()
    assert main("screen_county", arguments(hillside, out, scheduler=NOBODY)) == 2
    assert time.perf_counter() - started < 10
    assert f"--scheduler {NOBODY}: no Dask scheduler can be reached there" in capsys.readouterr().err
    assert not out.parent.exists()


@pytest.mark.parametrize("address", ["nonsense", "tcp://127.0.0.1:notaport", "foo://127.0.0.1:1"])
def test_address_that_is_none_is_refused_in_words(address, tmp_path):
    pytest.importorskip("distributed")
    with pytest.raises(ParameterError, match="no Dask scheduler can be reached"), pools.cluster(address, tmp_path):
        pass


def test_address_of_a_worker_is_refused(cluster, tmp_path):
    (first, *_) = cluster.scheduler.workers
    with pytest.raises(ParameterError, match="is a Dask worker"), pools.cluster(first, tmp_path):
        pass


def test_folder_that_workers_do_not_have_is_refused(cluster, tmp_path):
    with pytest.raises(ParameterError, match="cannot be read by the workers"), pools.cluster(cluster.scheduler_address, tmp_path / "none"):
        pass


def test_worker_with_another_version_is_refused(cluster, tmp_path, monkeypatch):
    monkeypatch.setattr(pools, "own_version", lambda: "0.0.1")
    with pytest.raises(ParameterError, match=r"geoseptic here is 0\.0\.1"), pools.cluster(cluster.scheduler_address, tmp_path):
        pass


def test_without_distributed_the_refusal_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ParameterError, match=r"pip install 'geoseptic\[cluster\]'"), pools.cluster(NOBODY, tmp_path):
        pass


def test_only_processes_with_workers_take_a_scheduler(tmp_path, capsys):
    from geoseptic.catalog import PROCESSES
    from geoseptic.run.arguments import parser

    def takes(process: Process, option: str) -> bool:
        return option in parser(process, process.id).format_help()

    assert {name for name in PROCESSES if takes(PROCESSES[name], "--scheduler ADDRESS")} == {
        name for name in PROCESSES if takes(PROCESSES[name], "--workers")
    }


# The last ones, for they leave workers that start anew.


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_worker_killed_in_mid_run_loses_nothing(cluster, few_at_a_time, world, alone, tmp_path, monkeypatch):
    marks, common = tmp_path / "marks", tmp_path / "common"
    marks.mkdir()
    common.mkdir()
    before = set(cluster.scheduler.workers)
    monkeypatch.setattr(screening, "laid_out", partial(laid_out_by_one_who_dies_first, str(marks)))
    with pools.cluster(cluster.scheduler_address, common):
        found = screened(world)
    assert len(list(marks.iterdir())) > 8
    assert len(before - set(cluster.scheduler.workers)) == 1
    assert_same_layers(found, alone)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_task_that_kills_its_workers_ends_the_run_in_words(cluster, few_at_a_time, world, tmp_path, monkeypatch):
    monkeypatch.setattr(screening, "laid_out", killed_every_time)
    monkeypatch.setattr(cluster.scheduler, "allowed_failures", 0)
    with pools.cluster(cluster.scheduler_address, tmp_path), pytest.raises(WorkerLostError, match="over the same task"):
        screened(world)
