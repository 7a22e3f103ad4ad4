"""Lots shared out among worker processes give what one process gives, and a worker that dies is told in plain words."""

import os
from dataclasses import fields

import numpy as np
import pytest
from geopandas.testing import assert_geodataframe_equal

from geoseptic.errors import WorkerLostError
from geoseptic.io.rulefiles import load_rules
from geoseptic.processes import workers
from geoseptic.processes.lots import Lots
from geoseptic.processes.screen_county import screen_county
from tests.processes.random_county import county


def screened(world, count):
    return screen_county(
        world.parcels, world.wells, world.elevation, rules=load_rules("us-wa"), buildings=world.buildings, driveways=world.driveways,
        surface_water=world.water, reach_m=50.0, workers=count,
    )  # fmt: skip


def end_at_once(lots, setting):
    os._exit(1)


def test_two_worker_processes_give_every_layer_of_one_process(monkeypatch):
    world = county(60, seed=5)
    alone = screened(world, 1)
    monkeypatch.setattr(workers, "WORTH_PROCESSES", 0)
    monkeypatch.setattr(workers, "CHUNK", 17)
    shared = screened(world, 2)
    names = ("parcels", "fields", "trenches", "tanks", "sewer_lines", "test_holes", "flow_paths")
    assert len(alone["fields"].frame) > 10
    for name in names:
        assert_geodataframe_equal(alone[name].frame, shared[name].frame)


def test_a_worker_that_dies_ends_the_run_with_what_to_do(monkeypatch):
    world = county(60, seed=5)
    monkeypatch.setattr(workers, "WORTH_PROCESSES", 0)
    monkeypatch.setattr(workers, "CHUNK", 17)
    monkeypatch.setattr("geoseptic.processes.screening.laid_out", end_at_once)
    with pytest.raises(WorkerLostError, match="--workers 1"):
        screened(world, 2)


def names_of(lots, setting, numbers):
    return numbers.tolist(), len(lots)


@pytest.mark.parametrize("count", [0, 1, 16, 17, 18, 34, 60])
def test_every_lot_is_in_exactly_one_task(monkeypatch, count):
    monkeypatch.setattr(workers, "CHUNK", 17)
    columns = {column.name: np.empty(count, object) for column in fields(Lots)}
    pool = workers.Pool(None, 1, None)
    told, failed = pool.each(names_of, Lots(**columns), np.arange(count))
    assert failed == {}
    assert [number for numbers, _ in told for number in numbers] == list(range(count))
    assert all(len(numbers) == size <= 17 for numbers, size in told)
