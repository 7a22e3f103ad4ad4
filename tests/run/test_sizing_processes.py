"""percolation_rate and size_field from the command line."""

import csv
import json
from pathlib import Path

import pytest

from geoseptic import percolation_rate, size_field
from geoseptic.catalog import PROCESSES
from geoseptic.io.fieldsheets import read_field_sheet
from geoseptic.io.rulefiles import load_rules
from geoseptic.run.cli import main
from geoseptic.run.describe import description

HOLES = ("north", "=south", "-east")


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    lines = ["hole;time;depth_to_water_in;refilled"]
    for hole in HOLES:
        for number, drop in enumerate((1.5, 1.0, 1.0)):
            lines += [
                f"{hole};{9 + number // 2}:{30 * (number % 2):02d};6;yes",
                f"{hole};{9 + (number + 1) // 2}:{30 * ((number + 1) % 2):02d};{6 + drop};no",
            ]
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.open(encoding="utf-8", newline="")))


def test_percolation_rate_writes_holes_and_site_and_keeps_names_of_holes_inert(sheet, tmp_path, capsys):
    out = tmp_path / "out"
    assert main("percolation_rate", ["--sheet", str(sheet), "--rules", "us-typical", "--presoak", "4 h", "--out", str(out)]) == 0
    found = rows(out / "percolation.csv")
    assert [row["hole"] for row in found] == ["north", "'=south", "'-east", ""]
    assert [row["min_per_in"] for row in found] == ["30.0"] * 4
    assert all("screening aid" in row["notice"] for row in found)
    record = json.loads((out / "run.json").read_text())
    assert record["tables"]["percolation"][1]["hole"] == "=south"
    assert len(record["inputs"]["sheet"]["sha256"]) == 64
    assert record["counts"]["min_per_in"] == 30.0
    summary = json.loads(capsys.readouterr().out)
    assert "not a permit" in summary["notice"]
    assert any("not checked" in warning for warning in summary["warnings"])


def test_sheet_that_has_not_settled_ends_with_3_and_names_the_reading(sheet, tmp_path, capsys):
    sheet.write_text(sheet.read_text().replace("10:30;7.0", "10:30;7.4", 1))
    out = tmp_path / "out"
    assert main("percolation_rate", ["--sheet", str(sheet), "--rules", "us-typical", "--presoak", "4", "--out", str(out)]) == 3
    assert "hole north, line 7" in capsys.readouterr().err
    assert not out.exists()


def test_missing_presoak_is_told_and_nothing_is_written(sheet, tmp_path, capsys):
    out = tmp_path / "out"
    assert main("percolation_rate", ["--sheet", str(sheet), "--rules", "us-typical", "--out", str(out)]) == 3
    assert "presoak: not stated" in capsys.readouterr().err
    assert not out.exists()


def test_dry_run_reads_the_sheet_and_writes_nothing(sheet, tmp_path, capsys):
    out = tmp_path / "out"
    words = ["--sheet", str(sheet), "--rules", "us-typical", "--out", str(out), "--dry-run"]
    assert main("percolation_rate", words) == 3
    assert "presoak: not stated" in capsys.readouterr().err
    assert main("percolation_rate", [*words, "--presoak", "4 h"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert (plan["inputs"]["sheet"]["readings"], plan["outputs"]) == (18, ["percolation.csv", "run.json"])
    assert not out.exists()


def test_size_field_writes_known_values_without_a_range(tmp_path):
    out = tmp_path / "out"
    words = ["--rules", "us-ny", "--bedrooms", "3", "--fixtures", "from_1980", "--percolation", "12 min/in", "--out", str(out)]
    assert main("size_field", words) == 0
    found = {row["quantity"]: row for row in rows(out / "sizing.csv")}
    assert (found["design flow"]["value"], found["design flow"]["unit"]) == ("390.0", "gpd")
    assert (found["absorption area"]["value"], found["absorption area"]["high"]) == ("487.5", "")
    assert (found["trench length, all lines"]["value"], found["trench length, all lines"]["unit"]) == ("243.8", "ft")
    assert found["septic tank"]["value"] == "1000"
    assert "assumed" not in found
    assert all("screening aid" in row["notice"] for row in found.values())


def test_size_field_of_an_unknown_house_gives_ranges_and_says_what_is_assumed(tmp_path, capsys):
    out = tmp_path / "out"
    assert main("size_field", ["--rules", "us-wa", "--out", str(out)]) == 0
    table = rows(out / "sizing.csv")
    area = next(row for row in table if row["quantity"] == "absorption area")
    assert (area["value"], area["planned"], area["low"], area["high"]) == ("", "900.0", "240.0", "2400.0")
    assert len([row for row in table if row["quantity"] == "assumed"]) == 2
    record = json.loads((out / "run.json").read_text())
    assert record["counts"]["assumptions"] == 2
    assert "us-wa/wac-0234" in record["rules"]["sizing_citations"]
    assert any(warning.startswith("assumed: ") for warning in json.loads(capsys.readouterr().out)["warnings"])


def test_unsuitable_soil_is_an_answer_and_not_an_error(tmp_path):
    out = tmp_path / "out"
    assert main("size_field", ["--rules", "us-wa", "--bedrooms", "3", "--soil", "clay", "--out", str(out)]) == 0
    found = {row["quantity"]: row for row in rows(out / "sizing.csv")}
    assert (found["suitable"]["value"], found["absorption area"]["value"]) == ("no", "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--percolation", "12 mm/h"], "not a number of min/in"),
        (["--percolation", "-1"], "from 0 to 1000 min/in"),
        (["--percolation", "nan"], "from 0 to 1000"),
        (["--bedrooms", "0"], "from 1 to 20"),
        (["--bedrooms", "2.5"], "whole number"),
        (["--bedrooms", "9" * 400], "from 1 to 20, not one of 400 digits"),
        (["--bedrooms", "9" * 5000], "--bedrooms"),
        (["--soil", "gumbo"], "names no soil 'gumbo'"),
        (["--soil", "x" * 121], "1 to 120 characters"),
        (["--soil", "a\x07b"], "1 to 120 characters"),
        (["--trench-width", "3"], "has no unit"),
        (["--trench-width", "6ft"], "outside the 1 to 3 ft"),
        (["--fixtures", "golden"], "must be one of"),
        (["--layout", "bed"], "does not say that a bed is allowed"),
    ],
)
def test_bad_arguments_end_with_2_and_say_what_is_wrong(words, said, tmp_path, capsys):
    assert main("size_field", ["--rules", "us-wa", *words, "--out", str(tmp_path / "out")]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("digits", [400, 5000])
def test_whole_number_of_a_config_that_no_float_holds_is_refused(digits, tmp_path, capsys):
    config = tmp_path / "run.toml"
    config.write_text(f"bedrooms = {'9' * digits}\n")
    assert main("size_field", ["--rules", "us-wa", "--config", str(config), "--out", str(tmp_path / "out")]) == 2
    assert f"{digits} digits" in capsys.readouterr().err


def test_set_that_says_nothing_of_loading_is_silent_and_not_zero(tmp_path, capsys):
    assert main("size_field", ["--rules", "us-or", "--bedrooms", "3", "--out", str(tmp_path / "out")]) == 3
    assert "silent on the loading rate" in capsys.readouterr().err


def test_library_takes_and_returns_values(sheet):
    rate = percolation_rate(read_field_sheet(sheet), rules=load_rules("us-typical"), presoak_h=4)
    assert rate["percolation"].records[-1]["min_per_in"] == 30.0
    size = size_field(rules=load_rules("us-typical"), bedrooms=3, percolation_min_per_in=30)
    assert size["sizing"].records[3]["value"] == 750.0
    with pytest.raises(ValueError, match="from 1 to 20"):
        size_field(rules=load_rules("us-typical"), bedrooms=30)


def test_description_says_that_tables_are_csv_and_numbers_have_units():
    found = description(PROCESSES["size_field"], "0")
    assert found["outputs"]["sizing"]["schema"]["contentMediaType"] == "text/csv"
    percolation = found["inputs"]["percolation_min_per_in"]
    assert percolation["schema"] == {"type": "number", "minimum": 0.0, "maximum": 1000.0}
    assert percolation["additionalParameters"]["parameters"] == [{"name": "unit", "value": ["min/in"]}]
    assert found["inputs"]["soil"]["schema"]["maxLength"] == 120
    assert description(PROCESSES["percolation_rate"], "0")["inputs"]["sheet"]["schema"]["contentMediaType"] == "text/csv"
