"""Codes side by side: every set has its row, silence is told, and two screenings are compared parcel by parcel."""

import csv
import json
from pathlib import Path

import geopandas
import pandas as pd
import pytest
from shapely import box

from geoseptic.catalog import PROCESSES
from geoseptic.errors import FileUnreadableError, InputError, ParameterError
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.io.runfolders import FinishedRun, read_finished_run
from geoseptic.model.results import TableResult
from geoseptic.model.standing_rules import SILENCE
from geoseptic.run.cli import main

compare_codes = PROCESSES["compare_codes"]


def table(name: str, **options: object) -> tuple[dict[str, object], ...]:
    found = compare_codes(**options)[name]
    assert isinstance(found, TableResult) and found.markdown
    return found.records


def test_each_shipped_set_has_a_row_for_a_part_and_feature_with_what_its_code_says():
    rows = {row["rules"]: row for row in table("code_setbacks", part=("drain_field",), feature=("private_well",))}
    assert set(rows) == set(shipped_rules())
    for name, row in rows.items():
        rules = load_rules(name)
        if rules.setbacks:
            assert row["longest"] == rules.setback("drain_field", "private_well").stated
            assert row["citation"]
        else:
            assert row["in_any_case"] == "no distances in this rule set"


@pytest.mark.source("ny-75a", where="75-A.4, Table 2, drain field to private well, with its condition")
def test_conditions_are_told_in_words():
    (row,) = table("code_setbacks", rules=(load_rules("us-ny"),), part=("drain_field",), feature=("private_well",))
    assert (row["in_any_case"], row["longest"], row["longest_ft"]) == ("100 ft", "200 ft", 200.0)
    assert "200 ft where the field lies in coarse gravel" in str(row["conditions"])


@pytest.mark.source("nj-7-9a", where="7:9A-4.3, Table 4.3, disposal field to well, note 4")
def test_a_relief_is_told_as_what_may_be_granted():
    (row,) = table("code_setbacks", rules=(load_rules("us-nj"),), part=("drain_field",), feature=("private_well",))
    assert (row["longest"], row["checked"]) == ("100 ft", True)
    assert str(row["reliefs"]).startswith("50 ft where the well has deep watertight casing")


def test_silence_is_told_and_is_no_distance():
    rules = load_rules("us-wa")
    feature = rules.silent_on("drain_field", ("driveway",))
    assert feature == ("driveway",)
    (row,) = table("code_setbacks", rules=(rules,), part=("drain_field",), feature=feature)
    assert (row["in_any_case"], row["longest_m"], row["checked"]) == (SILENCE, None, None)


def test_every_line_of_every_set_on_cesspools_is_there_and_the_silent_sets_say_so():
    rows = table("code_standings", standing=("cesspool",))
    lines = sum(len(load_rules(name).standing("cesspool").lines) for name in shipped_rules())
    silent = [row["rules"] for row in rows if row["says"] == SILENCE]
    assert len(rows) == lines + len(silent)
    assert set(silent) == {name for name in shipped_rules() if load_rules(name).standing("cesspool").is_silent}


def test_nothing_named_compares_everything():
    found = compare_codes(rules=(load_rules("us-nj"),))
    assert {found_table.name for found_table in found.tables} == {"code_setbacks", "code_standings"}


def run(rules: str, rows: dict[str, list[object]], **changes: object) -> FinishedRun:
    values = {"folder": rules, "rules": rules, "title": f"Code {rules}", "inputs": {"wells": "1"}, "parameters": {"rules": rules}}
    return FinishedRun(**{**values, **changes, "rows": pd.DataFrame(rows).set_index("parcel_id")})


FIRST = {
    "parcel_id": ["P1", "P2", "P3"],
    "verdict": ["fits by gravity", "does not fit", "cannot say"],
    "reasons": ["", "setbacks leave no room", None],
    "trench_high_ft": [200.0, 300.0, None],
    "envelope_ft2": [1000.0, 0.0, 500.0],
}
SECOND = {
    "parcel_id": ["P2", "P1"],
    "verdict": ["does not fit", "does not fit"],
    "reasons": ["well", "well"],
    "trench_high_m": [30.48, 121.92],
    "envelope_m2": [0.0, 9.290304],
}


def test_parcels_are_joined_by_name_and_brought_to_the_first_ones_units():
    rows = {row["parcel_id"]: row for row in table("parcels_compared", screened=run("a", FIRST), against=run("b", SECOND))}
    assert [rows[name]["change"] for name in ("P1", "P2", "P3")] == ["fits by gravity -> does not fit", "same", "in one screening alone"]
    assert (rows["P1"]["trench_high ft a"], rows["P1"]["trench_high ft b"]) == (200.0, 400.0)
    assert (rows["P1"]["envelope ft2 a"], rows["P1"]["envelope ft2 b"]) == (1000.0, 100.0)
    assert (rows["P1"]["reasons a"], rows["P1"]["reasons b"]) == ("", "well")
    assert rows["P3"]["verdict b"] == "not in this screening" and rows["P3"]["trench_high ft b"] is None


def test_changes_of_verdict_are_counted_once_each():
    rows = table("verdicts_compared", screened=run("a", FIRST), against=run("b", SECOND))
    assert [tuple(row.values()) for row in rows] == [
        ("fits by gravity", "does not fit", 1),
        ("does not fit", "does not fit", 1),
        ("cannot say", "not in this screening", 1),
    ]


def test_one_parcel_may_be_asked_for_and_one_that_is_in_neither_is_refused():
    rows = table("parcels_compared", screened=run("a", FIRST), against=run("b", SECOND), parcel="P1")
    assert [row["parcel_id"] for row in rows] == ["P1"]
    with pytest.raises(ParameterError, match="P9"):
        compare_codes(screened=run("a", FIRST), against=run("b", SECOND), parcel="P9")
    with pytest.raises(ParameterError, match="go together"):
        compare_codes(screened=run("a", FIRST))


def test_runs_that_read_or_were_told_something_else_are_warned_of():
    other = run("b", SECOND, inputs={"wells": "2", "soils": "3"}, parameters={"rules": "b", "reach_m": 30.0})
    told = " ".join(compare_codes(screened=run("a", FIRST), against=other).warnings)
    assert "did not read the same soils, wells" in told
    assert "told different reach_m" in told
    assert "lacks parcels" in told
    alike = run("b", {**SECOND, "parcel_id": ["P1", "P2"]})
    assert not compare_codes(screened=run("a", {name: values[:2] for name, values in FIRST.items()}), against=alike).warnings


def test_parcels_that_two_screenings_name_in_two_spellings_are_told():
    told = compare_codes(screened=run("a", FIRST), against=run("b", {**SECOND, "parcel_id": ["p2", "P1"]})).warnings
    assert any("differ only in case" in words and "'P2' and 'p2'" in words for words in told)


def finished(folder: Path, rules: str, process: str = "screen_county", ids: tuple[str, ...] = ("P1", "P2")) -> Path:
    folder.mkdir()
    rows = {"parcel_id": ids, "verdict": ["does not fit"] * len(ids), "reasons": ["a | b\nc"] * len(ids)}
    geopandas.GeoDataFrame(rows, geometry=[box(0, 0, 1, 1)] * len(ids), crs="EPSG:26910").to_file(
        folder / "screening.gpkg", layer="parcels", driver="GPKG"
    )
    record = {"process": process, "rules": {"id": rules, "title": rules}, "inputs": {}, "parameters": {}}
    (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def test_folders_are_read_and_tables_written_as_csv_and_markdown(tmp_path):
    one, other, out = finished(tmp_path / "a", "us-wa"), finished(tmp_path / "b", "us-ma"), tmp_path / "out"
    words = ["--screened", str(one), "--against", str(other), "--part", "drain_field", "--feature", "private_well", "--rules", "us-wa"]
    assert main("compare_codes", [*words, "--rules", "us-ma", "--standing", "cesspool", "--out", str(out)]) == 0
    assert set(compare_codes.files) | {"run.json"} == {path.name for path in out.iterdir()}
    rows = list(csv.DictReader((out / "code_setbacks.csv").open(encoding="utf-8", newline="")))
    assert [row["rules"] for row in rows] == ["us-wa", "us-ma"]
    lines = (out / "parcels_compared.md").read_text(encoding="utf-8").splitlines()
    header = next(line for line in lines if line.startswith("| parcel"))
    body = [line for line in lines if line.startswith("| P")]
    assert len(body) == 2 and all(r"a \| b c" in line for line in body)
    assert {line.replace(r"\|", "").count("|") for line in (header, *body)} == {header.count("|")}
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["inputs"]["screened"]["layer"] == "parcels"


def test_a_folder_that_is_no_finished_screening_is_refused(tmp_path):
    with pytest.raises(FileUnreadableError, match="it is not there"):
        read_finished_run(str(tmp_path / "none"), "screen_county")
    with pytest.raises(InputError, match="is of the process 'size_field'"):
        read_finished_run(str(finished(tmp_path / "a", "us-wa", "size_field")), "screen_county")
    with pytest.raises(InputError, match="more than once"):
        read_finished_run(str(finished(tmp_path / "b", "us-wa", ids=("P1", "P1"))), "screen_county")
    (tmp_path / "b" / "run.json").write_text("[]", encoding="utf-8")
    with pytest.raises(FileUnreadableError, match="no record"):
        read_finished_run(str(tmp_path / "b"), "screen_county")
