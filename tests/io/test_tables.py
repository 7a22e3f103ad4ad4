"""Tables as CSV: a spreadsheet must never run a cell."""

import csv
from pathlib import Path

import pytest

from geoseptic.io.tables import write_table
from geoseptic.model.results import TableResult


def written(folder: Path, *cells: object) -> list[str]:
    table = TableResult("t", tuple(f"c{n}" for n in range(len(cells))), (cells,), "T", {})  # type: ignore[arg-type]
    write_table(folder / "t.csv", table)
    header, row = csv.reader((folder / "t.csv").open(encoding="utf-8", newline=""))
    assert header[-1] == "notice"
    assert "screening aid" in row[-1]
    return row[:-1]


@pytest.mark.parametrize("words", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", "  =cmd()", "=HYPERLINK(1)"])
def test_text_that_a_spreadsheet_would_run_is_made_inert(tmp_path, words):
    (cell,) = written(tmp_path, words)
    assert cell.startswith("'")
    assert cell[1:].split() == words.split()


def test_numbers_stay_numbers_and_nothing_is_an_empty_cell(tmp_path):
    assert written(tmp_path, -5, 1.5, None, True, 'a,"b"') == ["-5", "1.5", "", "yes", 'a,"b"']


def test_records_name_each_cell_by_its_column():
    table = TableResult("t", ("a", "b"), ((1, "x"), (None, "y")), "T", {})
    assert table.records == ({"a": 1, "b": "x"}, {"a": None, "b": "y"})
