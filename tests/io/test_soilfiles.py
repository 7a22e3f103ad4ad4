"""Vertical separations in rule files: read, merged over the sets that a file extends, refused with every fault."""

import math

import pytest

from geoseptic.errors import RuleFileError
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.io.soilfiles import load_soil_criteria
from tests.io.test_rulefiles import written

HEADED = """
[[setback]]
part = "drain_field"
feature = "private_well"
distance = 100
cite = "t1"
"""
LINE = """
[[vertical_separation]]
above = {above}
distance = "{distance}"
from = "field_bottom"
cite = "t1"
{more}
"""


def body(above='["bedrock", "high_water"]', distance="4 ft", more=""):
    return LINE.format(above=above, distance=distance, more=more)


def test_line_for_several_things_becomes_one_each_in_metres(tmp_path):
    lines = load_rules(written(tmp_path, HEADED + body())).vertical_separation
    assert [(line.above, line.distance_m, line.stated, line.measured_from) for line in lines] == [
        ("bedrock", pytest.approx(1.2192), "4 ft", "field_bottom"),
        ("high_water", pytest.approx(1.2192), "4 ft", "field_bottom"),
    ]
    assert lines[0].citation.key == "county/t1" and lines[0].when == frozenset() and lines[0].band is None


def test_conditions_and_percolation_are_read(tmp_path):
    more = 'when = ["soil_group_a"]\npercolation = "[0, 2]"\nnote = "fast"'
    (line,) = load_rules(written(tmp_path, HEADED + body('"bedrock"', more=more))).vertical_separation
    assert line.when == {"soil_group_a"} and line.band is not None and line.band.holds(2) and not line.band.holds(3)
    assert line.note == "fast"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (body('["lava"]'), "'lava' is not known"),
        (body(distance="4"), "must be a number, a space and one of"),
        (body(distance="0 ft"), "is not between 0 and 30 m"),
        (body(distance="400 ft"), "is not between 0 and 30 m"),
        (body(more='when = ["soil_group_a", "soil_group_b"]'), "cannot hold together"),
        (body(more='percolation = "fast"'), "must be a band"),
        (body(more="variance = true"), "not looser"),
        (body(more='colour = "red"'), "unknown key 'colour'"),
        (body() + body(), "is already in vertical_separation 1"),
        (body(more='soil = "loam"') + body(more='soil = "Loam"'), "is already in vertical_separation 1"),
        (body(more="soil = []"), "soil must be a name in quotes"),
        (body(more="suitable = false"), "both a distance and suitable = false"),
        (body().replace('cite = "t1"', ""), "cite is missing"),
        (body().replace('from = "field_bottom"', ""), "from is missing"),
        ("\n[vertical_separation]\nabove = 'bedrock'\n", "write each entry as a table of its own"),
    ],
)
def test_faulty_line_is_refused_with_its_fault(tmp_path, text, why):
    with pytest.raises(RuleFileError, match=r"county\.toml") as caught:
        load_rules(written(tmp_path, HEADED + text))
    assert why in str(caught.value)


def test_line_may_be_for_soils_and_may_say_that_no_depth_is_enough(tmp_path):
    more = 'soil = ["type 1", "gravel"]\nsuitable = false'
    (line,) = load_rules(written(tmp_path, HEADED + body('"bedrock"', more=more).replace('distance = "4 ft"\n', ""))).vertical_separation
    assert math.isinf(line.distance_m) and line.stated == "no depth is enough"
    assert line.is_of("Type  1") and not line.is_of("type 2")


def test_county_inherits_and_may_only_loosen_with_a_variance(tmp_path):
    written(tmp_path, HEADED + body(), name="base")
    same = load_rules(written(tmp_path, "", name="heir", extends='["base.toml"]'))
    assert [line.stated for line in same.vertical_separation] == ["4 ft", "4 ft"]
    stricter = load_rules(written(tmp_path, body('"bedrock"', "6 ft"), name="strict", extends='["base.toml"]'))
    assert {line.above: line.stated for line in stricter.vertical_separation} == {"bedrock": "6 ft", "high_water": "4 ft"}
    with pytest.raises(RuleFileError, match="variance = true"):
        load_rules(written(tmp_path, body('"bedrock"', "2 ft"), name="loose", extends='["base.toml"]'))
    loose = load_rules(written(tmp_path, body('"bedrock"', "2 ft", "variance = true"), name="varied", extends='["base.toml"]'))
    assert loose.vertical_separation[0].note.startswith("variance: 4 ft by Code")


def test_looser_one_of_two_bases_has_to_be_settled(tmp_path):
    written(tmp_path, HEADED + body('"bedrock"', "4 ft"), name="first")
    written(tmp_path, HEADED + body('"bedrock"', "2 ft"), name="second")
    with pytest.raises(RuleFileError, match="State the distance that holds"):
        load_rules(written(tmp_path, "", name="both", extends='["first.toml", "second.toml"]'))
    settled = body('"bedrock"', "4 ft")
    assert load_rules(written(tmp_path, settled, name="both", extends='["first.toml", "second.toml"]')).vertical_separation


@pytest.mark.parametrize("name", shipped_rules())
def test_shipped_separation_that_was_not_read_says_so(name):
    for line in load_rules(name).vertical_separation:
        assert line.citation.checked or line.citation.note
        assert 0.3 <= line.distance_m <= 2 or (math.isinf(line.distance_m) and line.soils)


def test_criteria_cite_their_source_and_judge_every_property_once_each_way():
    criteria = load_soil_criteria()
    assert len({(criterion.property, criterion.more_is_worse) for criterion in criteria}) == len(criteria)
    assert all(criterion.citation.checked or criterion.citation.note for criterion in criteria)
    assert load_soil_criteria() is criteria
