"""Percolation tests filed with the City of Orono, Minnesota: readings and results as their sheets print them, to one decimal."""

from dataclasses import replace

import pytest

from geoseptic.errors import PercolationTestError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.rules import RuleSet
from geoseptic.systems.percolation import Fall, Reading, site_rate
from geoseptic.units import to_metres

SHEETS = {
    # document and page of the city's archive: (minutes, drop in inches) of each filling, printed result in min/in
    "25683, page 22": ([(30, 4.5), (30, 4.5), (30, 4.5)], 6.7),
    "43887, page 22": ([(10, 5.5), (10, 5.25), (10, 5.0), (10, 4.875), (10, 4.75)], 2.1),
    "46388, page 19": ([(10, 2.25), (10, 2.25), (10, 2.1875), (10, 2.125)], 4.6),
    "66644, page 27": ([(15, 3.875), (15, 3.75), (15, 3.75), (15, 3.75)], 4.0),
    "96989, page 17": ([(30, 5.25), (30, 5.25), (30, 5.25)], 5.7),
    "114534, page 18": ([(30, 2.75), (30, 2.75), (30, 2.75)], 10.9),
    "123171, page 18": ([(15, 5.5), (15, 5.5), (15, 5.5)], 2.7),
}
SHEET_OF_1987 = ([(15, 4.25), (15, 4.0), (15, 3.8125)], 3.7)
PRINTED_LINES = [
    (10, 5.5, 1.8), (10, 5.25, 1.9), (10, 5.0, 2.0), (10, 4.875, 2.1), (15, 4.25, 3.5), (15, 3.8125, 3.9), (10, 2.1875, 4.6),
    (10, 2.125, 4.7), (15, 5.5, 2.7), (15, 3.75, 4.0), (30, 5.25, 5.7), (30, 2.75, 10.9), (30, 4.5, 6.7),
]  # fmt: skip


def one_hole(within_share: float = 0.1) -> RuleSet:
    """Minnesota's test for a sheet of one hole."""
    rules = load_rules("us-mn")
    assert rules.sizing.percolation is not None
    rule = replace(rules.sizing.percolation, holes=1, within_share=within_share)
    return replace(rules, sizing=replace(rules.sizing, percolation=rule))


def readings(falls: list[tuple[float, float]]) -> list[Reading]:
    found, time_min = [], 0.0
    for number, (minutes, drop_in) in enumerate(falls):
        found.append(Reading("1", time_min, 0.0, True, 2 * number + 2))
        time_min += minutes
        found.append(Reading("1", time_min, to_metres(drop_in, "in"), False, 2 * number + 3))
    return found


@pytest.mark.source("orono-percolation", where="documents and pages named in the table")
@pytest.mark.parametrize(("falls", "printed"), SHEETS.values(), ids=SHEETS.keys())
def test_rate_of_a_filed_sheet_is_the_mean_of_its_last_three(falls, printed):
    found = site_rate(readings(falls), one_hole(), presoak_min=240)
    assert found.min_per_in == pytest.approx(printed, abs=0.05)


@pytest.mark.source("orono-percolation", where="document 131082, page 13: 3.5, 3.8, 3.9 give 3.7")
def test_filed_sheet_whose_rates_still_slow_down_is_refused_and_gives_its_printed_mean_under_a_wider_rule():
    falls, printed = SHEET_OF_1987
    with pytest.raises(PercolationTestError, match="within 10 percent"):
        site_rate(readings(falls), one_hole(), presoak_min=240)
    assert site_rate(readings(falls), one_hole(0.12), presoak_min=240).min_per_in == pytest.approx(printed, abs=0.05)


@pytest.mark.source("orono-percolation", where="lines of the sheets: minutes, drop, minutes an inch")
@pytest.mark.parametrize(("minutes", "drop_in", "printed"), PRINTED_LINES)
def test_minutes_per_inch_of_one_line_are_as_printed(minutes, drop_in, printed):
    assert Fall(0, minutes, to_metres(drop_in, "in"), 2).min_per_in == pytest.approx(printed, abs=0.05)


@pytest.mark.source("epa-1980", where="Table 3-8, as recalled: 5/8 in in 30 minutes")
def test_five_eighths_in_half_an_hour_are_48_minutes_an_inch():
    found = [*readings([(30, 0.625)] * 3)]
    holes = [replace(reading, hole=name) for name in "abc" for reading in found]
    assert site_rate(holes, load_rules("us-typical"), presoak_min=240).min_per_in == pytest.approx(48)
