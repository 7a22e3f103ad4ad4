"""A raster worked on in files, window by window, gives the very bytes of one in memory, and its working files are gone afterwards."""

import hashlib
import json
import os
import signal
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine

from geoseptic.io import scratch
from geoseptic.model.grid import Grid
from geoseptic.parcels import burn
from geoseptic.run import outputs, runner
from geoseptic.run.cli import main
from geoseptic.terrain import windows
from tests.run.conftest import arguments

LAYERS_ALONE = {"parcels": None, "wells": None, "buildings": None}


def digests(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"}


@pytest.mark.parametrize(
    ("process", "changes"),
    [
        ("slope_suitability", LAYERS_ALONE),
        ("downslope_distance", {"parcels": None, "rules": None}),
        ("suitability_map", {}),
        ("suitability_map", {"rules": "us-ny"}),
        ("screen_county", {}),
        ("uncertainty", {"ground_draws": "2"}),
    ],
)
@pytest.mark.parametrize("side_cells", [9, 32])
def test_files_and_small_windows_give_the_bytes_of_memory(hillside, monkeypatch, process, changes, side_cells):
    usual, in_files = hillside / "usual", hillside / "in_files"
    assert main(process, arguments(hillside, usual, **changes)) == 0
    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(windows, "SIDE_CELLS", side_cells)
    assert main(process, [*arguments(hillside, in_files, **changes), "--workers=2"]) == 0
    assert len(digests(usual)) >= 6
    assert digests(in_files) == digests(usual)


@pytest.mark.parametrize(
    ("process", "changes"),
    [
        ("slope_suitability", LAYERS_ALONE),
        ("downslope_distance", {"parcels": None, "rules": None}),
        ("suitability_map", {}),
        ("screen_county", {}),
        ("uncertainty", {"ground_draws": "2"}),
        ("old_systems", {}),
    ],
)
def test_working_files_take_no_more_than_a_user_is_told(hillside, monkeypatch, process, changes):
    """Counted whenever one is made; there are no coarser copies of so small a raster."""
    rows, cols = runner.raster_files.read_grid(hillside / "elevation.tif", "elevation").shape
    made, taken, new_plane = [], [], scratch.new_plane

    def counted(folder, shape, dtype):
        made.append(Path(new_plane(folder, shape, dtype).path))
        taken.append(sum(path.stat().st_size for path in made if path.exists()) / (rows * cols))
        return scratch.FilePlane(str(made[-1]), shape, np.dtype(dtype))

    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(scratch, "new_plane", counted)
    monkeypatch.setattr(runner.raster_files, "new_plane", counted)
    assert main(process, arguments(hillside, hillside / "out", **changes)) == 0
    least, most = outputs.SCRATCH_BYTES_A_CELL
    assert least <= max(taken) <= most


def test_rasters_that_were_written_have_given_back_their_working_files(hillside, monkeypatch):
    left, write = [], outputs.raster_files.write_rasters

    def written(folder, *given):
        write(folder, *given)
        left.append([path.stat().st_size for path in folder.parent.glob(".geoseptic-scratch-*/*")])

    rows, cols = runner.raster_files.read_grid(hillside / "elevation.tif", "elevation").shape
    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(outputs.raster_files, "write_rasters", written)
    assert main("suitability_map", arguments(hillside, hillside / "out")) == 0
    # The edge of the data and the receivers, of which nothing is written, may still be there.
    assert left == [[rows * cols] * 2]


def test_refused_input_leaves_no_working_file_and_no_folder(hillside, monkeypatch):
    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    out = hillside / "deep" / "out"
    assert main("suitability_map", arguments(hillside, out, wells=f"{hillside / 'county.gpkg'}|buildings")) == 3
    assert not out.parent.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_request_to_end_leaves_no_working_file(hillside, monkeypatch, capsys, number):
    def ended(*ignored, **also):
        assert list((hillside / "out").glob(".geoseptic-scratch-*"))
        os.kill(os.getpid(), number)

    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr("geoseptic.processes.paths.drain_by_tiles", ended)
    assert main("suitability_map", arguments(hillside, hillside / "out")) == 128 + number
    assert "interrupted" in capsys.readouterr().err
    assert not (hillside / "out").exists()


def test_working_files_of_a_run_that_was_killed_are_cleared_away_and_named(hillside):
    left = hillside / "out" / ".geoseptic-scratch-abc"
    left.mkdir(parents=True)
    assert main("suitability_map", arguments(hillside, hillside / "out")) == 0
    warnings = json.loads((hillside / "out" / "run.json").read_text(encoding="utf-8"))["warnings"]
    assert any(left.name in warning for warning in warnings)
    assert not list((hillside / "out").glob(".*"))


def test_building_edges_along_the_middles_of_cells_are_burnt_alike_by_windows():
    """Whether a middle on an edge lies inside must not hang on the window that is burnt."""
    rng = np.random.default_rng(7)
    for left, top, cell_m in (
        (1_200_000.123, 600_000.457, 0.9144),
        (429_252.313370022, 5_150_885.424942633, 1.0),
        (500_000.1, 4e6 + 0.3, 0.3),
    ):
        grid = Grid.of((60, 60), Affine(cell_m, 0, left, 0, -cell_m, top), "EPSG:26915", "elevation")
        corner = rng.integers(1, 40, (200, 2))
        size = rng.integers(1, 18, (200, 2))
        x, y = left + (corner[:, 0] + 0.5) * cell_m, top - (corner[:, 1] + 0.5) * cell_m
        boxes = shapely.box(x, y - size[:, 1] * cell_m, x + size[:, 0] * cell_m, y)
        for building in boxes:
            one = np.array([building], object)
            for burnt in (burn.centred, burn.touched, burn.numbered):
                whole = burnt(one, grid)
                parts = [(slice(0, 23), slice(0, 60)), (slice(23, 60), slice(0, 31)), (slice(23, 60), slice(31, 60))]
                assert all(np.array_equal(burnt(one, grid.window(*part)), whole[part]) for part in parts)


@pytest.mark.parametrize("process", ["slope_suitability", "suitability_map"])
def test_a_process_that_needs_little_for_a_cell_keeps_rasters_in_memory_that_are_too_large_for_others(hillside, monkeypatch, process):
    scratch, read = [], runner.raster_files.read_elevation
    monkeypatch.setattr(
        runner.raster_files, "read_elevation", lambda path, **given: scratch.append(given["scratch"]) or read(path, **given)
    )
    rows, cols = runner.raster_files.read_grid(hillside / "elevation.tif", "elevation").shape
    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 50 * rows * cols)
    layers = LAYERS_ALONE if process == "slope_suitability" else {}
    assert main(process, arguments(hillside, hillside / "out", **layers)) == 0
    assert [folder is None for folder in scratch] == [process == "slope_suitability"]
