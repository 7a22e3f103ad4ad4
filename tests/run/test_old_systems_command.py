"""The half about old systems from files to files, as a county office would run it."""

import csv
import json
from pathlib import Path

import geopandas
import pyogrio
from shapely import box

from geoseptic.catalog import PROCESSES
from geoseptic.run.cli import main
from geoseptic.run.describe import description
from tests.run.conftest import LEFT, TOP, write


def words(folder: Path, out: Path, *more: str, rules: str = "us-nj") -> list[str]:
    county = folder / "county.gpkg"
    layers = [f"--{name}={county}|{name}" for name in ("parcels", "wells", "buildings")]
    return [*layers, "--rules", rules, "--out", str(out), "--quiet", *more]


def test_old_systems_writes_what_it_promises_and_rank_parcels_reads_it(hillside: Path, tmp_path: Path):
    old, ranked = tmp_path / "old", tmp_path / "ranked"
    assert main("old_systems", words(hillside, old)) == 0
    assert {str(name) for name, _ in pyogrio.list_layers(old / "old_systems.gpkg")} - {"layer_styles"} == {
        out.name for out in PROCESSES["old_systems"].outputs if getattr(out, "file", "old_systems") == "old_systems"
    }
    record = json.loads((old / "run.json").read_text(encoding="utf-8"))
    assert "us-nj/3-16" in record["rules"]["standing_citations"]
    county = hillside / "county.gpkg"
    write(hillside, "areas", {"name": ["all"]}, [box(LEFT, TOP - 400, LEFT + 400, TOP)])
    given = ["--old-systems", f"{old / 'old_systems.gpkg'}|parcels", "--wells", f"{county}|wells", "--neighbourhoods", f"{county}|areas"]
    assert main("rank_parcels", [*given, "--rules", "us-wa", "--out", str(ranked), "--quiet"]) == 0
    assert set(PROCESSES["rank_parcels"].files) | {"run.json"} == {path.name for path in ranked.iterdir()}
    rows = list(csv.DictReader((ranked / "priority.csv").open(encoding="utf-8", newline="")))
    layer = geopandas.read_file(ranked / "priority.gpkg", layer="parcels")
    assert sorted(row["parcel_id"] for row in rows) == sorted(layer.parcel_id) == ["A-1", "A-2", "B-1", "B-2"]
    assert [int(row["rank"]) for row in rows] == sorted(layer["rank"])


def test_a_set_of_standings_alone_serves_the_triage_and_no_ranking(hillside: Path, tmp_path: Path, capsys):
    assert main("old_systems", words(hillside, tmp_path / "hawaii", rules="us-hi")) == 0
    capsys.readouterr()
    old = tmp_path / "hawaii" / "old_systems.gpkg"
    given = ["--old-systems", f"{old}|parcels", "--wells", f"{hillside / 'county.gpkg'}|wells", "--out", str(tmp_path / "out")]
    assert main("rank_parcels", [*given, "--rules", "us-hi"]) == 3
    assert "silent on the distance from a drain field to a well" in capsys.readouterr().err


def test_a_countys_own_words_for_permits_are_mapped_or_refused(hillside: Path, tmp_path: Path, capsys):
    lots = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    lots["permit_system"], lots["permit_on_file"] = "ST/DF", "yes"
    lots.to_file(hillside / "county.gpkg", layer="parcels", driver="GPKG")
    assert main("old_systems", words(hillside, tmp_path / "out")) == 3
    assert "--values parcels.permit_system.st/df=MEANING" in capsys.readouterr().err
    assert main("old_systems", words(hillside, tmp_path / "out", "--values", "parcels.permit_system.ST/DF=tank_and_field")) == 0
    rows = geopandas.read_file(tmp_path / "out" / "old_systems.gpkg", layer="parcels")
    assert set(rows.likely) == {"septic tank with a drain field"}


def test_a_dry_run_of_each_says_what_would_be_written(hillside: Path, tmp_path: Path, capsys):
    assert main("old_systems", words(hillside, tmp_path / "out", "--dry-run")) == 0
    assert json.loads(capsys.readouterr().out)["outputs"] == [*PROCESSES["old_systems"].files, "run.json"]
    assert main("compare_codes", ["--standing", "cesspool", "--out", str(tmp_path / "out"), "--dry-run"]) == 0
    assert "code_standings.md" in json.loads(capsys.readouterr().out)["outputs"]
    assert not (tmp_path / "out").exists()


def test_rule_sets_and_runs_are_described_for_other_hosts():
    inputs = description(PROCESSES["compare_codes"], "0")["inputs"]
    assert inputs["rules"]["schema"] == {"type": "array", "items": {"type": "string"}, "uniqueItems": True, "default": []}
    assert inputs["screened"]["schema"]["type"] == "string"
