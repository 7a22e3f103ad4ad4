"""Small finished screenings, one made up and one of the sample county, and a browser without a network to open pages in."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas
import pytest

from geoseptic.io.runfolders import FinishedRun, read_finished_run
from geoseptic.run.cli import main
from tests.sheets.finished import write_screening

COUNTY = Path("sample_data/county.gpkg")


@pytest.fixture(scope="session")
def screening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("maps") / "screening"
    write_screening(folder)
    return folder


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> FinishedRun:
    """Three blocks of the sample county with their houses, and all of its wells, really screened."""
    folder = tmp_path_factory.mktemp("screened")
    parcels = geopandas.read_file(COUNTY, layer="parcels")
    parcels = parcels[parcels.parcel_id.str.startswith(("MH-005", "MH-006", "MH-012"))]
    parcels.to_file(folder / "parcels.gpkg")
    buildings = geopandas.read_file(COUNTY, layer="buildings")
    buildings[buildings.intersects(parcels.union_all())].to_file(folder / "buildings.gpkg")
    options = ["--parcels", str(folder / "parcels.gpkg"), "--wells", f"{COUNTY}|wells", "--buildings", str(folder / "buildings.gpkg")]
    options += ["--driveways", f"{COUNTY}|driveways", "--elevation", "sample_data/elevation.tif", "--cell-size", "4m"]
    assert main("screen_county", [*options, "--rules", "us-wa", "--out", str(folder / "out"), "-q"]) in (0, 1)
    return read_finished_run(str(folder / "out"), "screen_county")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The system's Chromium; tests that need it are skipped where there is none."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("no Chromium on this machine")
    api = pytest.importorskip("playwright.sync_api")
    with api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield started
        started.close()
