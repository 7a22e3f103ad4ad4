"""Wells from a table, by the command line."""

import json

import geopandas
import pytest

from geoseptic.run.cli import main

COUNTY = "sample_data/county.gpkg"


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """The sample county's wells as a county would send them."""
    wells = geopandas.read_file(COUNTY, layer="wells").to_crs(4269)
    cells = wells.drop(columns="geometry")
    cells["Latitude"], cells["Longitude"] = wells.geometry.y.map("{:.7f}".format), wells.geometry.x.map("{:.7f}".format)
    path = tmp_path_factory.mktemp("table") / "wells.csv"
    cells.to_csv(path, index=False, encoding="utf-16", sep=";")
    return path


def envelopes(table, out, *more: str) -> list[str]:
    words = ["setback_envelopes", "--parcels", f"{COUNTY}|parcels", "--wells", str(table), "--rules", "us-wa", "--out", str(out), "-q"]
    return [*words, *more]


def test_a_dry_run_tells_the_columns_and_the_datum_that_would_be_taken(table, tmp_path, capsys):
    assert main(None, envelopes(table, tmp_path, "--dry-run", "--places", "wells.datum=NAD83")) == 0
    plan = json.loads(capsys.readouterr().out)["inputs"]["wells"]
    assert plan["records"] == 303
    assert any("latitude from 'Latitude'" in note and "NAD83" in note for note in plan["notes"])


def test_without_a_datum_a_dry_run_asks_for_it(table, tmp_path, capsys):
    assert main(None, envelopes(table, tmp_path, "--dry-run")) == 3
    assert "--places wells.datum=NAD83" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "why"),
    [
        (("--places", "wells.datum"), "LAYER.KEY=VALUE"),
        (("--places", "wells.dattum=NAD83"), "did you mean 'datum'"),
        (("--places", "wells.angles=dms"), "packed or decimal"),
        (("--places", "parcels.datum=NAD83"), "no points"),
    ],
)
def test_what_cannot_be_said_of_places_is_a_bad_argument(table, tmp_path, capsys, more: tuple[str, ...], why: str):
    assert main(None, envelopes(table, tmp_path, "--dry-run", *more)) == 2
    assert why in capsys.readouterr().err


def test_places_are_not_stated_of_a_layer_that_has_them(tmp_path, capsys):
    words = envelopes(f"{COUNTY}|wells", tmp_path, "--dry-run", "--places", "wells.datum=NAD83", "--columns", "wells.latitude=lat")
    assert main(None, words) == 2
    assert "--places wells.datum, --columns wells.latitude: that is for tables" in capsys.readouterr().err
