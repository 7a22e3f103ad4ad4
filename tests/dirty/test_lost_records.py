"""What a run refuses because records would be lost, the check of the inputs tells as well."""

import csv
from pathlib import Path

import pytest

from geoseptic.run.cli import main
from tests.dirty import lost
from tests.dirty.cases import CASES, Dirty
from tests.dirty.test_dirty_inputs import words

LOST = [case for case in CASES if case.build.__module__ == lost.__name__]


@pytest.mark.parametrize("case", LOST, ids=lambda case: case.name)
def test_check_of_the_inputs_tells_what_would_be_lost(case: Dirty, tmp_path: Path):
    out = tmp_path / "out"
    code = main("check_inputs", words({**case.build(tmp_path), "rules": None}, out))
    with (out / "problems.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert code == (1 if case.happens == "refused" else 0)
    if case.happens != "safe":
        told = " ".join(row["what"] for row in rows if row["weight"] == ("hinders" if case.happens == "refused" else "assumed"))
        assert [part for part in case.says if part not in told] == [], rows
