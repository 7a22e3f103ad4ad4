"""A finished screening of a part of the sample county, made once."""

from pathlib import Path

import geopandas
import pytest

from geoseptic.io.runfolders import FinishedRun, read_finished_run
from geoseptic.run.cli import main

COUNTY = Path("sample_data/county.gpkg")


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> FinishedRun:
    """Two blocks of the sample county, with every well and building of it."""
    folder = tmp_path_factory.mktemp("screened")
    parcels = geopandas.read_file(COUNTY, layer="parcels")
    parcels[parcels.parcel_id.str.startswith(("MH-006", "MH-001"))].to_file(folder / "parcels.gpkg")
    options = ["--parcels", str(folder / "parcels.gpkg"), "--wells", f"{COUNTY}|wells", "--buildings", f"{COUNTY}|buildings"]
    options += ["--driveways", f"{COUNTY}|driveways", "--elevation", "sample_data/elevation.tif", "--cell-size", "4m"]
    assert main("screen_county", [*options, "--rules", "us-wa", "--out", str(folder / "out"), "-q"]) in (0, 1)
    return read_finished_run(str(folder / "out"), "screen_county")
