"""judge_findings from the command line and as a function, on the sample inspections and on layers in other systems."""

import csv
import json
from pathlib import Path

import geopandas as gpd
import pytest
from shapely.geometry import LineString, Point, box

from geoseptic import judge_findings
from geoseptic.errors import GeosepticError
from geoseptic.run.cli import main
from tests.house.tree import ROOT
from tests.systems.inspections import RULES

SAMPLE = ROOT / "sample_data"
SHEETS = ["--points", str(SAMPLE / "findings_points.csv"), "--runs", str(SAMPLE / "findings_runs.csv")]
LAYERS = ["--points", f"{SAMPLE / 'findings.gpkg'}|points", "--runs", f"{SAMPLE / 'findings.gpkg'}|runs"]


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.open(encoding="utf-8", newline="")))


def test_sheets_and_layers_of_the_sample_give_the_same_systems(tmp_path, capsys):
    lots = ["--parcels", f"{SAMPLE / 'county.gpkg'}|parcels"]
    assert main("judge_findings", [*SHEETS, "--rules", "us-nj", "--out", str(tmp_path / "sheets")]) == 0
    assert main("judge_findings", [*LAYERS, *lots, "--rules", "us-nj", "--out", str(tmp_path / "layers")]) == 0
    sheets, layers = rows(tmp_path / "sheets" / "findings.csv"), rows(tmp_path / "layers" / "findings.csv")
    kept = ("parcel_id", "system", "verdict", "may_be", "proof", "fixtures", "parts")
    assert [[row[name] for name in kept] for row in sheets] == [[row[name] for name in kept] for row in layers]
    assert {row["verdict"] for row in sheets} == {"acceptable", "not acceptable", "cannot say"}
    assert not (tmp_path / "sheets" / "findings.gpkg").exists() and "no map" in capsys.readouterr().out
    page = (tmp_path / "layers" / "findings.md").read_text(encoding="utf-8")
    assert "rests on a dye test alone" in page and "cannot go two ways" in page and "Never enter" in page
    assert all("Gases kill" in row["cautions"] for row in sheets)
    file = tmp_path / "layers" / "findings.gpkg"
    points, links = gpd.read_file(file, layer="points"), gpd.read_file(file, layer="links")
    assert len(points) == 17 and set(links.known) == {"seen through", "water seen to come out"}
    lots_judged = gpd.read_file(file, layer="properties")
    assert dict(zip(lots_judged.parcel_id, lots_judged.verdict, strict=True)) == {
        row["parcel_id"]: min(
            (other["verdict"] for other in sheets if other["parcel_id"] == row["parcel_id"]),
            key=["not acceptable", "cannot say", "must be replaced when", "acceptable"].index,
        )
        for row in sheets
    }
    record = json.loads((tmp_path / "layers" / "run.json").read_text())
    assert record["counts"]["contradictions"] == 1 and len(record["inputs"]["points"]["sha256"]) == 64


def test_words_that_nobody_knows_end_with_3_and_are_named(tmp_path, capsys):
    sheet = tmp_path / "points.csv"
    sheet.write_text("id,kind\nP1,cesspool\n")
    assert main("judge_findings", ["--points", str(sheet), *SHEETS[2:], "--rules", "us-nj", "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert "line 2 (P1)" in said and "cesspool" in said and "pit" in said and not (tmp_path / "out").exists()
    mapped = ["--values", "points.kind.cesspool=pit"]
    runs = tmp_path / "runs.csv"
    runs.write_text("from_id,to_id,method\nP1,,camera\n")
    assert (
        main("judge_findings", ["--points", str(sheet), "--runs", str(runs), *mapped, "--rules", "us-nj", "--out", str(tmp_path / "out")])
        == 0
    )


def test_dry_run_tries_the_sheets_and_writes_nothing(tmp_path, capsys):
    assert main("judge_findings", [*SHEETS, "--rules", "us-nj", "--out", str(tmp_path / "out"), "--dry-run"]) == 0
    assert json.loads(capsys.readouterr().out)["inputs"]["points"]["readings"] == 17 and not (tmp_path / "out").exists()


def inspected(crs: str = "EPSG:26910") -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A house with an exit, a pit 12 m off on the next lot, and a well 9.2 m (30 ft) from the pit."""
    points = gpd.GeoDataFrame(
        {
            "id": ["H", "E", "P", "W"],
            "kind": ["house", "exit", "pit", "well"],
            "fixtures": ["toilet", None, None, None],
            "wells": [1, None, None, None],
        },
        geometry=[Point(500_010, 5_200_010), Point(500_012, 5_200_010), Point(500_024, 5_200_010), Point(500_024, 5_200_019.2)],
        crs="EPSG:26910",
    )
    runs = gpd.GeoDataFrame(
        {"from_id": ["E"], "to_id": ["P"], "method": ["camera"], "fixtures": ["toilet"], "flow": ["yes"]},
        geometry=[LineString([(500_012, 5_200_010), (500_018, 5_200_012), (500_024, 5_200_010)])],
        crs="EPSG:26910",
    )
    return points.to_crs(crs), runs.to_crs(crs)


@pytest.mark.parametrize("crs", ["EPSG:26910", "EPSG:4269", "EPSG:2927"])
def test_layers_in_degrees_and_feet_are_measured_in_metres(crs):
    found = judge_findings(*inspected(crs), rules=RULES)
    (row,) = found.tables[0].records
    assert row["verdict"] == "not acceptable" and "Well W is 30.2 ft" in str(row["against"])
    drawn = found["links"].frame.to_crs("EPSG:26910").geometry.iloc[0]
    assert len(drawn.coords) == 3 and drawn.length == pytest.approx(12.65, abs=0.02)  # 2 * hypot(6, 2), as the inspector drew it


def test_pit_on_the_next_lot_belongs_to_the_house_that_it_serves():
    lots = gpd.GeoDataFrame(
        {"parcel_id": ["A", "B"]},
        geometry=[box(500_000, 5_200_000, 500_020, 5_200_030), box(500_020, 5_200_000, 500_040, 5_200_030)],
        crs="EPSG:26910",
    )
    found = judge_findings(*inspected(), rules=RULES, parcels=lots)
    assert [row["parcel_id"] for row in found.tables[0].records] == ["A"]
    assert "The pit P that serves the house lies on another lot, B." in str(found.tables[0].records[0]["not_proven"])


def test_parcel_id_that_is_no_parcel_is_refused():
    points, runs = inspected()
    lots = gpd.GeoDataFrame({"parcel_id": ["A"]}, geometry=[box(500_000, 5_200_000, 500_040, 5_200_030)], crs="EPSG:26910")
    with pytest.raises(GeosepticError, match="none of the parcels"):
        judge_findings(points.assign(parcel_id="Z"), runs, rules=RULES, parcels=lots)


NEVER_SEEN = {"small letters": "mh-002-07", "other hyphens": "MH\u2011002\u201107", "no width": "MH-002-07\u200b", "a space": "MH -002-07"}


@pytest.mark.parametrize("written", NEVER_SEEN.values(), ids=NEVER_SEEN)
@pytest.mark.parametrize("thing", ["pit,0,-70,,,,,high,,,", "surfacing,0,-70,,,,,,,,"])
def test_a_property_in_two_spellings_is_refused_before_one_of_them_is_acceptable(written, thing, tmp_path, capsys):
    # A pit or sewage at the surface that is written down under the other spelling would leave the system of the first one acceptable.
    points = tmp_path / "points.csv"
    points.write_text((SAMPLE / "findings_points.csv").read_text(encoding="utf-8") + f"{written},P9,{thing}\n", encoding="utf-8")
    assert main("judge_findings", ["--points", str(points), *SHEETS[2:], "--rules", "us-nj", "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert "differ only in case" in said and "(P9)" in said and "'MH-002-07'" in said and not (tmp_path / "out").exists()


def test_a_run_under_another_spelling_of_its_property_is_refused(tmp_path, capsys):
    runs = tmp_path / "runs.csv"
    head, *rest = (SAMPLE / "findings_runs.csv").read_text(encoding="utf-8").splitlines()
    runs.write_text("\n".join([head, *rest, "mh-002-07,E1,T1,camera,,toilet,no,14,"]) + "\n", encoding="utf-8")
    assert main("judge_findings", [*SHEETS[:2], "--runs", str(runs), "--rules", "us-nj", "--out", str(tmp_path / "out")]) == 3
    assert "'mh-002-07' and 'MH-002-07' differ only in case" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_sheets_of_two_bytes_a_letter_are_read_as_those_of_wells_are(encoding, tmp_path):
    for name in ("points", "runs"):
        text = (SAMPLE / f"findings_{name}.csv").read_text(encoding="utf-8")
        (tmp_path / f"{name}.csv").write_bytes(text.encode(encoding))
    sheets = ["--points", str(tmp_path / "points.csv"), "--runs", str(tmp_path / "runs.csv")]
    assert main("judge_findings", [*SHEETS, "--rules", "us-nj", "--out", str(tmp_path / "plain")]) == 0
    assert main("judge_findings", [*sheets, "--rules", "us-nj", "--out", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "findings.csv").read_bytes() == (tmp_path / "plain" / "findings.csv").read_bytes()


def test_a_zero_in_a_sheet_is_refused_with_its_line(tmp_path, capsys):
    points = tmp_path / "points.csv"
    points.write_text((SAMPLE / "findings_points.csv").read_text(encoding="utf-8").replace("MH-002-07,E1", "MH-002-07,E\x001"))
    assert main("judge_findings", ["--points", str(points), *SHEETS[2:], "--rules", "us-nj", "--out", str(tmp_path / "out")]) == 3
    assert "line 9 has a zero byte" in capsys.readouterr().err
