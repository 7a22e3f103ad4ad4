"""A raster worked on in files, window by window, gives the very bytes of one in memory, and its working files are gone afterwards."""

import hashlib

import pytest

from geoseptic.processes import windows
from geoseptic.run import runner
from geoseptic.run.cli import main
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
    ],
)
@pytest.mark.parametrize("side_cells", [7, 32])
def test_files_and_small_windows_give_the_bytes_of_memory(hillside, monkeypatch, process, changes, side_cells):
    usual, in_files = hillside / "usual", hillside / "in_files"
    assert main(process, arguments(hillside, usual, **changes)) == 0
    monkeypatch.setattr(runner, "IN_MEMORY_CELLS", 0)
    monkeypatch.setattr(windows, "SIDE_CELLS", side_cells)
    assert main(process, [*arguments(hillside, in_files, **changes), "--workers=2"]) == 0
    assert len(digests(usual)) >= 6
    assert digests(in_files) == digests(usual)


def test_refused_input_leaves_no_working_file_and_no_folder(hillside, monkeypatch):
    monkeypatch.setattr(runner, "IN_MEMORY_CELLS", 0)
    out = hillside / "deep" / "out"
    assert main("suitability_map", arguments(hillside, out, wells=f"{hillside / 'county.gpkg'}|buildings")) == 3
    assert not out.parent.exists()
