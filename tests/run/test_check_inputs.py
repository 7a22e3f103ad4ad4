"""The check of the inputs from files to files: all that is wrong, where, and how to mend it, whatever the files are like."""

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import geopandas
import pytest
import shapely
from rasterio.transform import from_origin
from shapely import Point, box

from geoseptic.run.cli import main
from tests.dirty.county import CELL_M, county, write_elevation
from tests.dirty.county import TOP as COUNTY_TOP
from tests.run.conftest import CRS, LEFT, TOP, arguments, write


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


def weights(out: Path) -> set[tuple[str, str, str]]:
    """Layer, weight and feature of every row."""
    return {(row["layer"], row["weight"], row["feature"]) for row in rows_in(out)}


def test_parcels_that_a_run_goes_on_without_are_told_as_left_out_and_no_longer_as_a_hindrance(hillside: Path, tmp_path: Path):
    """No shape, and a bow-tie of which half may mean anything: a run lists both among its failures and ends with 1, and so does this."""
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    bow = "POLYGON ((500020 5199600, 500080 5199660, 500080 5199600, 500020 5199660, 500020 5199600))"
    more = geopandas.GeoSeries.from_wkt([bow], crs=CRS).iloc[0]
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "bow", "none"]}, geometry=[*lots.geometry, more, None], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    run = [*words(hillside, tmp_path / "run"), "--rules", "us-wa"]
    assert main("setback_envelopes", run) == 1
    failed = {record["feature"] for record in json.loads((tmp_path / "run" / "run.json").read_text(encoding="utf-8"))["failures"]}
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 1
    assert {name for _, weight, name in weights(tmp_path / "out") if weight == "left out"} == failed >= {"none"}
    assert "hinders" not in {weight for _, weight, _ in weights(tmp_path / "out")}


def test_a_share_of_a_broken_outline_that_a_run_would_mend_is_mended_here_too(hillside: Path, tmp_path: Path):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    x, y = LEFT + 20, TOP - 295
    twice = shapely.MultiPolygon([box(x, y, x + 100, y + 8), box(x + 90, y, x + 190, y + 8)])
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "twice"]}, geometry=[*lots.geometry, twice], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    for most, weight in (("0", "left out"), ("1", "mended")):
        out = tmp_path / most
        assert main("check_inputs", [*words(hillside, out), "--most-changed", most]) == (1 if weight == "left out" else 0)
        told = {row["what"]: row["weight"] for row in rows_in(out) if row["feature"] == "twice"}
        assert {found for what, found in told.items() if "pieces" not in what and "outer edge" not in what} == {weight}, told


def test_doubts_of_plausibility_are_on_the_page_with_the_places_of_their_features(hillside: Path, tmp_path: Path):
    """Thirty wells in the middle of one house, which nobody drills: each is told, with a point in degrees."""
    house = Point(LEFT + 77, TOP - 85)
    wells = {"well_id": [f"w{n}" for n in range(30)], "kind": ["private"] * 30, "location_error_m": [3.0] * 30}
    write(hillside, "wells", wells, [Point(house.x + n / 10, house.y) for n in range(30)])
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 0
    doubts = [row for row in rows_in(tmp_path / "out") if row["weight"] == "look" and "inside a building" in row["what"]]
    assert {row["feature"] for row in doubts} == set(wells["well_id"]) and {row["layer"] for row in doubts} == {"wells"}
    assert "30 of 30 wells lie inside a building (100%; up to 5% is usual)" in doubts[0]["what"]
    place = geopandas.GeoSeries([house], crs=CRS).to_crs(4326).iloc[0]
    assert float(doubts[0]["lon_deg"]) == pytest.approx(place.x, abs=1e-5) and float(doubts[0]["lat_deg"]) == pytest.approx(
        place.y, abs=1e-5
    )
    page = (tmp_path / "out" / "inputs.html").read_text(encoding="utf-8")
    assert "30 of 30 wells lie inside a building" in page and "Features (30): w0 (row 1) at 46.95" in page


def test_what_the_readers_take_for_granted_is_on_the_page(hillside: Path, tmp_path: Path):
    """A column taken for another by its name, and the way of a reprojection with its accuracy."""
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels").rename(columns={"parcel_id": "APN"}).to_crs(4326)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 0
    told = [row["what"] for row in rows_in(tmp_path / "out") if row["layer"] == "parcels" and row["weight"] == "assumed"]
    assert any("APN" in what and "parcel_id" in what for what in told), told
    assert any("reprojected from EPSG:4326 to EPSG:26910 by" in what and "accurate to" in what for what in told), told


def test_parcels_off_the_elevation_and_partly_off_it_are_told_apart_with_their_numbers(hillside: Path, tmp_path: Path):
    """The raster ends 300 m east of its left edge."""
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    half, off = box(LEFT + 285, TOP - 100, LEFT + 315, TOP - 20), box(LEFT + 320, TOP - 100, LEFT + 400, TOP - 20)
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "half", "off"]}, geometry=[*lots.geometry, half, off], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    assert main("check_inputs", words(hillside, tmp_path / "out")) == 0
    told = {row["feature"]: row["what"] for row in rows_in(tmp_path / "out") if "off the elevation" in row["what"]}
    assert {name: what.split(" or on")[0] for name, what in told.items()} == {
        "half": "1 of 6 parcels lie partly off the elevation",
        "off": "1 of 6 parcels lie off the elevation",
    }


def test_record_of_a_run_has_the_way_of_each_reprojected_layer_as_fields(hillside: Path, tmp_path: Path):
    """Wells in degrees of WGS 84, buildings in the same datum on the next zone of UTM, parcels as the elevation."""
    for layer, crs in (("wells", 4326), ("buildings", 26911)):
        geopandas.read_file(hillside / "county.gpkg", layer=layer).to_crs(crs).to_file(hillside / "county.gpkg", layer=layer)
    assert main("check_inputs", words(hillside, tmp_path / "checked")) == 0
    assert main("suitability_map", arguments(hillside, tmp_path / "map")) == 0
    for name in ("checked", "map"):
        inputs = json.loads((tmp_path / name / "run.json").read_text())["inputs"]
        assert "reprojection" not in inputs["parcels"] and "reprojection" not in inputs["elevation"]
        assert inputs["buildings"]["reprojection"] == {
            "from": "EPSG:26911", "to": "EPSG:26910", "name": "", "accuracy_m": 0.0, "lacking_grids": [],
        }  # fmt: skip
        wells = inputs["wells"]["reprojection"]
        assert (wells["from"], wells["to"], wells["accuracy_m"]) == ("EPSG:4326", "EPSG:26910", 4.0)
        assert "NAD83 to WGS 84 (1)" in wells["name"] and inputs["wells"]["sha256"]


def test_parcels_alone_are_looked_at_for_broken_and_overlapping_outlines(hillside: Path, tmp_path: Path):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    tie = geopandas.GeoSeries.from_wkt(["POLYGON ((500600 5199600, 500660 5199660, 500660 5199600, 500600 5199660, 500600 5199600))"])
    over = box(LEFT + 100, TOP - 150, LEFT + 200, TOP - 20)
    lots = geopandas.GeoDataFrame({"parcel_id": [*lots.parcel_id, "C", "D"]}, geometry=[*lots.geometry, tie.iloc[0], over], crs=CRS)
    lots.to_file(hillside / "county.gpkg", layer="parcels")
    main("check_inputs", ["--parcels", f"{hillside / 'county.gpkg'}|parcels", "--out", str(tmp_path / "out"), "--quiet"])
    found = {(row["feature"], row["what"].split(" (")[0]) for row in rows_in(tmp_path / "out")}
    assert {("C", "mended outline"), ("D", "overlap"), ("A-1", "overlap")} <= found


def test_a_step_across_the_elevation_and_a_system_that_distorts_it_are_told_of_the_elevation_alone(tmp_path: Path):
    ground = county().height_m.copy()
    ground[33:] += 1
    write_elevation(tmp_path / "stepped.tif", ground)
    assert main("check_inputs", ["--elevation", str(tmp_path / "stepped.tif"), "--out", str(tmp_path / "out"), "--quiet"]) == 0
    (row,) = rows_in(tmp_path / "out")
    assert row["layer"] == "elevation" and row["weight"] == "look"
    assert f"in 1 straight lines: 1.00 m along y {COUNTY_TOP - 33 * CELL_M:.1f}. It was probably put together" in row["what"]
    write_elevation(tmp_path / "far.tif", transform=from_origin(2_500_000, COUNTY_TOP, CELL_M, CELL_M))
    assert main("check_inputs", ["--elevation", str(tmp_path / "far.tif"), "--out", str(tmp_path / "far"), "--quiet"]) == 1
    assert [row["weight"] for row in rows_in(tmp_path / "far")] == ["hinders"]
