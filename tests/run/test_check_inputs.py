"""The check of the inputs from files to files: all that is wrong, where, and how to mend it, whatever the files are like."""

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import geopandas
import pytest
from shapely import Point, box

from geoseptic.run.cli import main
from tests.run.conftest import CRS, LEFT, TOP, write


def words(folder: Path, out: Path, *more: str) -> list[str]:
    county = folder / "county.gpkg"
    layers = [f"--{name}={county}|{name}" for name in ("parcels", "wells", "buildings")]
    return [*layers, f"--elevation={folder / 'elevation.tif'}", "--elevation-unit=m", "--out", str(out), "--quiet", *more]


def rows_in(out: Path) -> list[dict[str, str]]:
    with (out / "problems.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


class Tags(HTMLParser):
    """Every tag of a page with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.found.append(tag)


def test_inputs_without_fault_are_found_to_hinder_nothing(hillside: Path, tmp_path: Path):
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 0
    assert {row["weight"] for row in rows_in(tmp_path / "out")} <= {"assumed", "look"}


def test_every_fault_of_every_file_is_told_with_place_and_advice_in_one_go(hillside: Path, tmp_path: Path):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    lots.loc[0, "parcel_id"] = "A-2"
    bow = "POLYGON ((500020 5199600, 500080 5199660, 500080 5199600, 500020 5199660, 500020 5199600))"
    more = geopandas.GeoSeries.from_wkt([bow], crs=CRS)
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "C-1", "C-2"]}, geometry=[*lots.geometry, more.iloc[0], None], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    write(hillside, "wells", {"well_id": ["w1"], "kind": ["DOM"], "location_error_m": [-3.0]}, [Point(LEFT + 60, TOP - 60)])
    out = tmp_path / "out"
    assert main("check_inputs", [*words(hillside, out), "--pools", f"{hillside / 'no_such.shp'}", "--rules", "us-nowhere"]) == 1
    found = {(row["layer"], row["what"].split(" (")[0].rstrip("."), row["feature"]) for row in rows_in(out)}
    assert {
        ("parcels", "parcel_id occurs more than once", "A-2"),
        ("parcels", "no geometry", "C-2"),
        ("wells", "location_error_m is negative", "w1"),
    } <= found
    whole = {row["layer"]: row for row in rows_in(out)}
    assert "there is no such file" in whole["pools"]["what"] and "us-nowhere" in whole["rules"]["what"]
    assert "kind is none of" in " ".join(row["what"] for row in rows_in(out))
    twice = [row for row in rows_in(out) if row["feature"] == "A-2"]
    assert [row["row"] for row in twice] == ["1", "2"] and all(row["todo"] for row in twice)
    assert float(twice[0]["lat_deg"]) == pytest.approx(46.953, abs=0.002)
    points = geopandas.read_file(out / "problems.gpkg", layer="problems")
    assert points.crs == "EPSG:4326" and len(points) == sum(bool(row["lon_deg"]) for row in rows_in(out))
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert record["inputs"]["pools"]["sha256"] is None and len(record["failures"]) >= 6


def test_a_parcel_at_fault_hinders_no_look_at_the_others(hillside: Path, tmp_path: Path):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    over = box(LEFT + 100, TOP - 150, LEFT + 200, TOP - 20)
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "D", "E"]}, geometry=[*lots.geometry, over, None], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 1
    assert {(row["what"].split(" (")[0], row["feature"]) for row in rows_in(tmp_path / "out")} >= {
        ("overlap", "D"),
        ("overlap", "A-1"),
        ("no geometry.", "E"),
    }


def test_markup_in_an_identifier_is_text_in_the_page_and_no_formula_in_the_table(hillside: Path, tmp_path: Path):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    lots["parcel_id"] = ["<script>alert(1)</script>", "=HYPERLINK(0)", "<img src=x onerror=y>", "![a](b)"]
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id] * 2}, geometry=[*lots.geometry] * 2, crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 1
    page = (tmp_path / "out" / "inputs.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert set(Tags(page).found) <= {"html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "ul", "li"}
    assert "'=HYPERLINK(0)" in {row["feature"] for row in rows_in(tmp_path / "out")}
    assert "\\<script>" in (tmp_path / "out" / "inputs.md").read_text(encoding="utf-8")
