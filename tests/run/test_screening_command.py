"""screen_county from files to files, as a county office would run it."""

import json
from pathlib import Path
from xml.etree import ElementTree

import geopandas
import numpy as np
import pyogrio
import rasterio
from rasterio.transform import from_origin
from shapely import box

from geoseptic.catalog import PROCESSES
from geoseptic.run.cli import main
from tests.run.conftest import CRS, LEFT, TOP, arguments, write

LAYERS = {"parcels", "fields", "trenches", "tanks", "sewer_lines", "test_holes", "flow_paths"}
GPX = "{http://www.topografix.com/GPX/1/1}"


def depths(folder: Path, unit: str = "") -> Path:
    """Groundwater 30 ft down everywhere."""
    path = folder / "water.tif"
    grid = from_origin(LEFT - 100, TOP + 100, 50, 50)
    with rasterio.open(path, "w", driver="GTiff", height=12, width=12, count=1, dtype="float32", crs=CRS, transform=grid) as file:
        file.write(np.full((12, 12), 30, np.float32), 1)
        if unit:
            file.set_band_unit(1, unit)
    return path


def test_every_promised_layer_and_file_is_written_and_no_other(hillside: Path, tmp_path: Path):
    out = tmp_path / "out"
    assert main("screen_county", arguments(hillside, out, reach="50ft")) == 0
    assert {str(name) for name, _ in pyogrio.list_layers(out / "screening.gpkg")} - {"layer_styles"} == LAYERS
    written = {path.name for path in out.iterdir()}
    assert set(PROCESSES["screen_county"].files) <= written
    assert len(geopandas.read_file(out / "screening.gpkg", layer="parcels")) == 4


def test_waypoints_are_the_test_holes(hillside: Path, tmp_path: Path):
    out = tmp_path / "out"
    assert main("screen_county", arguments(hillside, out, reach="50ft")) == 0
    holes = geopandas.read_file(out / "screening.gpkg", layer="test_holes")
    points = ElementTree.parse(out / "waypoints.gpx").getroot().findall(f"{GPX}wpt")
    assert [point.findtext(f"{GPX}name") for point in points] == list(holes.label)
    assert len(points) > 0


def test_soil_layers_are_read_told_and_hashed(hillside: Path, tmp_path: Path):
    write(hillside, "soils", {"musym": ["Ab"], "wtdepannmin": [200]}, [box(LEFT, TOP - 300, LEFT + 300, TOP)])
    write(hillside, "floodplain", {"kind": ["floodway"]}, [box(LEFT, TOP - 300, LEFT + 300, TOP - 290)])
    county = hillside / "county.gpkg"
    out = tmp_path / "out"
    words = arguments(
        hillside, out, reach="50ft", rules="us-typical", soils=f"{county}|soils", floodplain=f"{county}|floodplain",
        groundwater=str(depths(hillside)), groundwater_unit="ft",
    )  # fmt: skip
    assert main("screen_county", words) == 0
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert {"soils", "floodplain", "groundwater"} <= set(record["inputs"])
    assert record["parameters"]["groundwater_unit"] == "ft"
    assert any("soil" in key for key in record["citations"])
    rows = geopandas.read_file(out / "screening.gpkg", layer="parcels")
    assert set(rows.soil) <= {"", "Ab", None} and (rows.soil == "Ab").any()


def test_depths_without_a_unit_are_refused_before_anything_is_read(hillside: Path, tmp_path: Path, capsys):
    words = arguments(hillside, tmp_path / "out", groundwater=str(depths(hillside)))
    assert main("screen_county", [*words, "--dry-run"]) == 3
    assert "--groundwater-unit" in capsys.readouterr().err
    assert main("screen_county", arguments(hillside, tmp_path / "out", groundwater=str(depths(hillside, "ft")), reach="50ft")) == 0
