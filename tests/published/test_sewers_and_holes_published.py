"""Falls of sewers, places of test holes and hydrologic groups, typed here from the sources and not from the files that ship."""

import math

import pytest

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.soil_rules import UNKNOWN, Span
from geoseptic.systems.soils import properties
from geoseptic.units import FOOT_M

INCH_M = FOOT_M / 12


def fall_inches_per_foot(rules: str, diameter_in: float) -> float:
    rule = load_rules(rules).sizing.sewer_fall(diameter_in * INCH_M)
    assert rule is not None
    return 12 * rule.fall_m_per_m


@pytest.mark.source("ny-75a", where="75-A.5(a): minimum grade of house sewers")
def test_new_york_asks_a_quarter_inch_in_a_foot():
    assert fall_inches_per_foot("us-ny", 4) == pytest.approx(0.25)


@pytest.mark.source("pa-73", where="73.21(g): grade of the building sewer")
def test_pennsylvania_asks_an_eighth_of_an_inch_in_a_foot():
    assert fall_inches_per_foot("us-pa", 4) == pytest.approx(0.125)


@pytest.mark.source("chicago-18-29-704", where="Table 18-29-704.1: size and minimum slope, inch per foot")
@pytest.mark.parametrize(
    ("diameter_in", "inch_per_foot"), [(2, 1 / 4), (2.5, 1 / 4), (3, 1 / 8), (4, 1 / 8), (6, 1 / 8), (8, 1 / 16), (12, 1 / 16)]
)
def test_model_code_asks_less_fall_of_wider_pipes(diameter_in, inch_per_foot):
    assert fall_inches_per_foot("us-ipsdc", diameter_in) == pytest.approx(inch_per_foot)


@pytest.mark.parametrize("rules", ["us-ma", "us-mt", "us-nc", "us-nj", "us-sd", "us-in-wayne"])
def test_code_of_which_no_fall_was_read_or_recalled_states_none(rules):
    assert load_rules(rules).sizing.building_sewer == ()


@pytest.mark.source("il-905", where="Appendix A, Illustration G, 1: number and location of percolation tests")
def test_illinois_asks_three_percolation_holes_fifty_feet_apart():
    rule = load_rules("us-il").sizing.percolation
    assert rule is not None
    assert (rule.holes, rule.spacing.least_m / FOOT_M, rule.spacing.most_m) == (3, pytest.approx(50), math.inf)


@pytest.mark.source("il-905-55", where="905.55(a)(1)(B): borings of a soil absorption system site")
def test_illinois_asks_three_borings_fifty_feet_apart():
    rule = load_rules("us-il").sizing.test_pits
    assert rule is not None
    assert (rule.number, rule.spacing.least_m / FOOT_M) == (3, pytest.approx(50))
    assert "lowest" in rule.note and "60 in" in rule.note


@pytest.mark.source("or-340-071-0150", where="340-071-0150(2)(a)")
@pytest.mark.source("tx-285-30", where="285.30: borings or pits at opposite ends of the disposal area")
@pytest.mark.parametrize("rules", ["us-or", "us-tx"])
def test_two_pits_are_asked(rules):
    pits = load_rules(rules).sizing.test_pits
    assert pits is not None and pits.number == 2 and pits.citation.checked


@pytest.mark.source("sd-74-53-01", where="74:53:01:30, last sentence of the first paragraph")
def test_south_dakota_asks_one_deeper_hole_beside_three_of_the_percolation_test():
    sizing = load_rules("us-sd").sizing
    assert sizing.test_pits is not None and sizing.percolation is not None
    assert (sizing.test_pits.number, sizing.percolation.holes) == (1, 3)
    assert "4 ft below" in sizing.test_pits.note


@pytest.mark.source("neh-630-7", where="dual groups: adequately drained is 60 cm or more from the surface to seasonal high water")
@pytest.mark.parametrize(
    ("group", "recorded_cm", "water_m"),
    [
        ("B/D", 100.0, Span(-math.inf, 1.0)),
        ("A/D", 61.0, Span(-math.inf, 0.61)),
        ("C/D", 45.0, Span.of(0.45)),
        ("B/D", math.nan, UNKNOWN),
        ("D", 100.0, Span.of(1.0)),
        ("B", math.nan, Span(2.0, math.inf)),
    ],
)
def test_depth_of_water_in_a_soil_of_a_dual_group_may_be_that_of_its_drained_state(group, recorded_cm, water_m):
    found = properties({"hydgrpdcd": group, "wtdepannmin": recorded_cm, "described_cm": 200.0})
    assert found.water_m == water_m
