"""A dry run finds what headers tell, all of it at once, and passes what a run then does."""

import json
from pathlib import Path

import geopandas
import numpy as np
import pytest
from shapely import LineString, Point, box

from geoseptic.run.cli import main
from tests.run.conftest import LEFT, TOP, arguments, write, write_elevation

LOCAL = 'LOCAL_CS["plan",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
FLAT = np.ones((9, 9), np.float32)
LOT = box(LEFT + 20, TOP - 150, LEFT + 150, TOP - 20)


def dry(folder: Path, *more: str, **changes: str | None) -> int:
    return main("suitability_map", [*arguments(folder, folder / "out", **changes), "--dry-run", *more])


def options(folder: Path, **changes: str | None) -> dict[str, str | None]:
    """The changes with names of files in the folder as paths."""
    here = {path.name for path in folder.iterdir()} | {"none.shp"}
    return {name: str(folder / value) if value and value.split("|")[0] in here else value for name, value in changes.items()}


def no_id(folder: Path) -> None:
    write(folder, "parcels", {"LOTNAME": ["a"]}, [LOT])


SPOILED = {
    "parcels without an id column": (no_id, {}, "no column 'parcel_id'"),
    "a mapped column that is not there": (no_id, {"columns": "parcels.parcel_id=LOTNAMES"}, "LOTNAMES"),
    "heights in an unknown unit": (lambda f: None, {"elevation_unit": None}, "--elevation-unit"),
    "elevation in degrees": (lambda f: write_elevation(f / "elevation.tif", FLAT, "EPSG:4326"), {}, "degrees"),
    "elevation in Web Mercator": (lambda f: write_elevation(f / "elevation.tif", FLAT, "EPSG:3857"), {}, "Web Mercator"),
    "parcels without a CRS": (lambda f: write(f, "parcels", {"parcel_id": ["a"]}, [LOT], None), {}, "no coordinate reference system"),
    "wells tied to no place": (lambda f: write(f, "wells", {"well_id": ["w"]}, [Point(1, 1)], LOCAL), {}, "tied to no place"),
    "lines for parcels": (lambda f: write(f, "parcels", {"parcel_id": ["a"]}, [LineString([(0, 0), (9, 9)])]), {}, "polygon wanted, not"),
    "location errors without a unit": (
        lambda f: write(f, "wells", {"well_id": ["w"], "location_error": [3.0]}, [Point(LEFT + 60, TOP - 60)]), {}, "location_error_ft",
    ),
    "a layer that is no layer": (lambda f: (f / "b.gpkg").write_text("no"), {"buildings": "b.gpkg"}, "b.gpkg"),
    "a file that is not there": (lambda f: None, {"buildings": "none.shp"}, "none.shp"),
    "a layer of another name": (lambda f: None, {"wells": "county.gpkg|wels"}, "no layer 'wels' (did you mean 'wells'?)"),
    "a table without shapes": (lambda f: (f / "b.csv").write_text("a,b\n1,2\n"), {"buildings": "b.csv"}, "it has no shapes"),
    "an unknown rule set": (lambda f: None, {"rules": "us-zz"}, "us-zz"),
    "a rule file with a fault": (lambda f: (f / "r.toml").write_text('id = "x"\n'), {"rules": "r.toml"}, "r.toml"),
    "rules for sizing alone": (lambda f: None, {"rules": "us-mt"}, "silent on the distance from a drain field to a well"),
    "facts that exclude each other": (
        lambda f: None, {"facts": "steep_ground=yes", "more": "gentle_ground=yes"}, "cannot hold together",
    ),
    "parcels elsewhere": (
        lambda f: write(f, "parcels", {"parcel_id": ["a"]}, [box(LEFT + 9000, TOP, LEFT + 9050, TOP + 50)]), {}, "do not overlap",
    ),
    "no parcel at all": (lambda f: write(f, "parcels", {"parcel_id": []}, []), {}, "holds no parcel"),
    "no well at all": (lambda f: write(f, "wells", {"well_id": []}, []), {}, "is empty"),
    "wells in another county": (
        lambda f: write(f, "wells", {"well_id": ["w"]}, [Point(LEFT + 9000, TOP)]), {}, "none of them is near the parcels",
    ),
    "a kind of well that is none": (
        lambda f: write(f, "wells", {"well_id": ["w"], "kind": ["DOM"]}, [Point(LEFT + 60, TOP - 60)]), {}, "but dom (",
    ),
    "a flag that is neither yes nor no": (
        lambda f: write(f, "parcels", {"parcel_id": ["a"], "public_water": ["CITY"]}, [LOT]), {}, "public_water is neither yes nor no",
    ),
    "another feature that the rules do not know": (
        lambda f: write(f, "others", {"feature": ["drywell"]}, [Point(LEFT + 60, TOP - 60)]), {"other_features": "county.gpkg|others"},
        "feature is none of",
    ),
    "a well among the other features": (
        lambda f: write(f, "others", {"feature": ["Private_Well"]}, [Point(LEFT + 60, TOP - 60)]), {"other_features": "county.gpkg|others"},
        "put it into --wells",
    ),
    "a file for a folder": (lambda f: (f / "out").write_text(""), {}, "is a file"),
}  # fmt: skip


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("case", SPOILED)
def test_what_a_run_refuses_for_its_headers_a_dry_run_refuses_too(case, hillside, capsys):
    spoil, changes, said = SPOILED[case]
    spoil(hillside)
    given = options(hillside, **changes)
    more = ["--facts", str(given.pop("more"))] if "more" in given else []
    before = {path.name for path in hillside.iterdir()}
    code = dry(hillside, *more, **given)
    told = capsys.readouterr().err
    assert code in (2, 3) and said in told and "Traceback" not in told
    assert {path.name for path in hillside.iterdir()} == before
    assert main("suitability_map", [*arguments(hillside, hillside / "out", **given), *more]) == code


def test_words_that_a_run_would_not_read_do_not_stop_a_dry_run(hillside, tmp_path):
    near, far = Point(LEFT + 60, TOP - 60), Point(LEFT + 9000, TOP)
    write(hillside, "others", {"feature": ["dry_well", "drywell"]}, [near, far])
    write(hillside, "wells", {"well_id": ["w"], "kind": ["DOM"]}, [near])
    given = options(hillside, other_features="county.gpkg|others")
    words = ["--values", "wells.kind.DOM=private"]
    assert dry(hillside, *words, **given) == 0
    assert main("suitability_map", [*arguments(hillside, tmp_path / "out", **given), *words]) == 0


def test_far_wells_that_may_be_nearer_by_their_own_error_are_left_to_the_run(hillside, tmp_path):
    write(hillside, "wells", {"well_id": ["w"], "location_error_m": [9000.0]}, [Point(LEFT + 9000, TOP)])
    assert dry(hillside) == 0
    assert main("suitability_map", arguments(hillside, tmp_path / "out")) == 0


def test_all_faults_of_all_inputs_come_at_once(hillside, capsys):
    no_id(hillside)
    (hillside / "out").mkdir()
    (hillside / "out" / "slope.tif").touch()
    assert dry(hillside, elevation_unit=None, rules="us-zz", wells=f"{hillside / 'county.gpkg'}|wels") == 3
    told = capsys.readouterr().err
    for fault in ("already holds slope.tif", "'parcel_id'", "LOTNAME", "'wels'", "unit of the heights", "us-zz", "5 things hinder the run"):
        assert fault in told, fault


def test_run_gathers_the_faults_of_the_headers_before_it_reads_anything(hillside, capsys, monkeypatch):
    from geoseptic.run import runner

    monkeypatch.setattr(runner, "_read", lambda *_: pytest.fail("something was read"))
    no_id(hillside)
    assert main("suitability_map", arguments(hillside, hillside / "out", rules="us-zz")) == 3
    told = capsys.readouterr().err
    assert "'parcel_id'" in told and "us-zz" in told


def test_plan_says_what_each_layer_holds(hillside, capsys):
    assert dry(hillside) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["inputs"]["wells"]["records"] == 2 and plan["inputs"]["wells"]["shapes"] == "Point"
    assert plan["inputs"]["parcels"]["bounds"][0] == LEFT + 20


def test_buildings_near_parcels_are_seen_although_the_file_states_its_bounds_too_small(hillside, tmp_path):
    import sqlite3

    far = LEFT + 8000
    geopandas.GeoDataFrame({"parcel_id": ["far"]}, geometry=[box(far, TOP - 150, far + 130, TOP - 20)], crs="EPSG:26910").to_file(
        hillside / "county.gpkg", layer="parcels", mode="a"
    )
    write(hillside, "buildings", {"use": ["barn"]}, [box(far + 50, TOP - 90, far + 70, TOP - 70)])
    with sqlite3.connect(hillside / "county.gpkg") as database:
        database.execute("UPDATE gpkg_contents SET max_x = ? WHERE table_name = 'parcels'", (LEFT + 300,))
    words = arguments(hillside, tmp_path / "out", elevation=None, elevation_unit=None)
    assert main("setback_envelopes", words) == 0
    field = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="field_envelope").set_index("parcel_id")
    assert "building" in field.loc["far", "bound_by"]


@pytest.mark.parametrize("shape", [None, "far"])
def test_parcels_that_are_nowhere_are_refused_by_name_and_nothing_breaks_before(shape, hillside, capsys):
    lost = None if shape is None else box(LEFT, TOP, 1e300, TOP + 5)
    write(hillside, "parcels", {"parcel_id": ["lost"]}, [lost])
    assert main("suitability_map", arguments(hillside, hillside / "out")) == 3
    told = capsys.readouterr().err
    assert "parcels" in told and "Traceback" not in told and "TypeError" not in told
