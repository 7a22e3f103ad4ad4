"""The table of search bands and wet ground: what ships is whole, and a damaged one is refused with every fault."""

from importlib.resources import files
from itertools import pairwise

import pytest

from geoseptic.errors import RuleFileError
from geoseptic.io.searchfiles import SEARCH_FILE, load_search_rules, read_search_rules
from geoseptic.model.search_rules import FACTORS

TEXT = (files("geoseptic") / "data" / SEARCH_FILE).read_text(encoding="utf-8")
FOOT_M = 0.3048


def test_the_bands_that_ship_go_from_the_wall_to_50_ft_without_a_gap():
    rules, _ = load_search_rules()
    assert rules.bands[0].from_m == 0
    assert rules.reach_m == pytest.approx(50 * FOOT_M)
    assert all(one.to_m == other.from_m for one, other in pairwise(rules.bands))
    assert sorted(rules.factors) == sorted(FACTORS)


def test_no_value_that_ships_passes_for_law():
    rules, wet = load_search_rules()
    cited = [
        *(band.citation for band in rules.bands),
        *(factor.citation for factor in rules.factors.values()),
        rules.citation,
        wet.citation,
    ]
    assert not any(citation.checked for citation in cited)
    assert all(citation.address or citation.title == "Common practice, no source" for citation in cited)


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('to = "10 ft"', 'to = "9 ft"', "leave no gap"),
        ('from = "0 ft"', 'from = "1 ft"', "begin at the wall"),
        ('name = "paved"', 'name = "pavement"', "one for each of"),
        ("weight = 0.25", "weight = 0", "above 0 and at most 1"),
        ("weight = 0.3", "weight = 1.3", "above 0 and at most 1"),
        ('pit_depth = "6 ft"', "pit_depth = 6", "must be text"),
        ("straight_within_degrees = 30", "straight_within_degrees = 80", "must be less than"),
        ('near_well = "50 ft"', 'near_well = "50 paces"', "50 paces"),
        ('cite = "tank-distance"', 'cite = "hearsay"', "hearsay"),
    ],
)
def test_a_damaged_table_is_refused(old: str, new: str, fault: str):
    assert old in TEXT
    with pytest.raises(RuleFileError, match=fault):
        read_search_rules(TEXT.replace(old, new))
