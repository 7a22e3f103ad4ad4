"""Sizing: flow, area, length, tank, reserve; what is unknown becomes a range with its assumption in words."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.errors import CodeSilentError, ParameterError
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.model.citation import Citation
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import Band, BedroomTable, DesignFlow, Loading, SizingRules, TrenchRule
from geoseptic.systems.loading import Span
from geoseptic.systems.sizing import FieldSize, field_size, trench_layout_rule
from geoseptic.units import FOOT_M, GALLON_M3, to_metres

FT2 = FOOT_M**2
GPD_PER_FT2 = GALLON_M3 / FT2
CITED = Citation("t/1", "Code", "1", "2020", "https://example.org", "2026-11-25", True)


def rate_line(band: Band | None, gpd_per_ft2: float, soils: tuple[str, ...] = (), **more: object) -> Loading:
    stated = f"{gpd_per_ft2:g} gpd/ft2"
    return Loading("rate", gpd_per_ft2 * GPD_PER_FT2, stated, band, soils, "any", CITED, **more)  # type: ignore[arg-type]


def trench(sidewall: str = "none", sidewall_ft: float = 0.0, **changes: object) -> TrenchRule:
    plain = TrenchRule(
        2 * FOOT_M, FOOT_M, 3 * FOOT_M, 60 * FOOT_M, 6 * FOOT_M, 0.0, "walls", sidewall, sidewall_ft * FOOT_M, None, None, CITED
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def code(*loading: Loading, **sizing: object) -> RuleSet:
    flow = DesignFlow(BedroomTable((1,), (100 * GALLON_M3,), 100 * GALLON_M3), "any", CITED)
    tables = SizingRules(**{"design_flow": (flow,), "loading": loading, "trench": trench(), **sizing})  # type: ignore[arg-type]
    return replace(load_rules("us-typical"), id="code", sizing=tables)


GAPS = code(rate_line(Band(1, 5), 1.0), rate_line(Band(6, 15), 0.5))


def ft2(found: FieldSize) -> float:
    assert found.area_m2 is not None
    return found.area_m2.plan / FT2


# --- bands -------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "square_feet"), [(1, 300), (5, 300), (6, 600), (15, 600)])
def test_edges_of_a_closed_band_belong_to_it(minutes, square_feet):
    assert ft2(field_size(GAPS, bedrooms=3, percolation_min_per_in=minutes)) == pytest.approx(square_feet)


def test_gap_between_two_bands_takes_the_slower_one_and_says_so():
    found = field_size(GAPS, bedrooms=3, percolation_min_per_in=5.5)
    assert ft2(found) == pytest.approx(600)
    assert any("5.5 min/in lies between two bands" in note and "slower one" in note for note in found.notes)


def test_gap_is_interpolated_only_where_the_code_says_so():
    rules = code(rate_line(Band(1, 5), 1.0), rate_line(Band(6, 15), 0.5, interpolate=True))
    found = field_size(rules, bedrooms=3, percolation_min_per_in=5.5)
    assert ft2(found) == pytest.approx(300 / 0.75)
    assert any("interpolated" in note for note in found.notes)


@pytest.mark.parametrize("minutes", [0.5, 15.1])
def test_rate_outside_the_table_is_silence_and_no_value(minutes):
    with pytest.raises(CodeSilentError, match="a percolation of"):
        field_size(GAPS, bedrooms=3, percolation_min_per_in=minutes)


def test_excluded_edge_belongs_to_the_next_band():
    rules = code(rate_line(Band(0, 10, True, False), 1.0), rate_line(Band(10, 30), 0.5))
    assert ft2(field_size(rules, bedrooms=3, percolation_min_per_in=math.nextafter(10, 0))) == pytest.approx(300)
    assert ft2(field_size(rules, bedrooms=3, percolation_min_per_in=10)) == pytest.approx(600)


def test_soil_that_the_code_bars_gives_no_field_and_the_reason():
    barred = Loading("not_suitable", 0.0, "not suitable", Band(60, math.inf, False), (), "any", CITED)
    found = field_size(code(rate_line(Band(1, 60), 0.5), barred), bedrooms=3, percolation_min_per_in=61)
    assert (found.suitable, found.area_m2, found.trench_length_m, found.reserve_area_m2) == (False, None, None, None)
    assert "over 60 min/in is not suitable under Code" in found.why_not


def test_both_soil_and_percolation_known_the_larger_area_counts():
    rules = code(rate_line(Band(1, 60), 0.5), rate_line(None, 0.25, ("Clay loam",)), rate_line(None, 1.0, ("sand",)))
    assert ft2(field_size(rules, bedrooms=2, percolation_min_per_in=30, soil="clay  LOAM")) == pytest.approx(800)
    found = field_size(rules, bedrooms=2, percolation_min_per_in=30, soil="sand")
    assert ft2(found) == pytest.approx(400)
    assert found.area_m2 is not None and found.area_m2.known


def test_percolation_within_a_soil_class_uses_that_class_alone():
    rules = load_rules("us-ma")
    assert ft2(field_size(rules, bedrooms=3, percolation_min_per_in=15, soil="class II")) == pytest.approx(330 / 0.56)
    found = field_size(rules, bedrooms=3, percolation_min_per_in=15)
    assert ft2(found) == pytest.approx(330 / 0.37)
    assert found.area_m2 is not None and found.area_m2.low / FT2 == pytest.approx(330 / 0.56)
    assert any("soil class not known" in words for words in found.assumptions)


def test_soil_that_the_set_does_not_name_is_refused_with_those_it_names():
    with pytest.raises(ParameterError, match=r"names no soil 'gumbo'\. It names: type 1"):
        field_size(load_rules("us-wa"), bedrooms=3, soil="gumbo")


# --- the unknown -------------------------------------------------------------------------------------------------------------------


def test_unknown_soil_is_a_range_from_the_best_to_the_worst_acceptable_and_says_what_was_assumed():
    found = field_size(load_rules("us-wa"), bedrooms=3)
    assert found.area_m2 is not None
    low, plan, high = (value / FT2 for value in (found.area_m2.low, found.area_m2.plan, found.area_m2.high))
    assert (low, plan, high) == (pytest.approx(360), pytest.approx(900), pytest.approx(1800))
    assert any("soil type 5 assumed" in words for words in found.assumptions)
    assert any("not accept" in note for note in found.notes)
    assert found.bedrooms.known and not found.area_m2.known


def test_unknown_bedrooms_are_a_range_and_an_assumption():
    found = field_size(load_rules("us-ny"), percolation_min_per_in=12, fixtures="old")
    assert (found.bedrooms.low, found.bedrooms.plan, found.bedrooms.high) == (2, 3, 4)
    assert found.area_m2 is not None and found.area_m2.high == pytest.approx(2 * found.area_m2.low)
    assert found.assumptions == ("bedrooms not known: 3 assumed, 2 to 4 considered",)


def test_nothing_unknown_is_nothing_assumed():
    found = field_size(load_rules("us-ny"), bedrooms=3, percolation_min_per_in=12, fixtures="old")
    assert not found.assumed
    assert found.area_m2 is not None and found.area_m2.known


def test_old_house_without_a_look_at_its_fixtures_has_the_highest_flow():
    rules = load_rules("us-ny")
    unseen = field_size(rules, bedrooms=3, percolation_min_per_in=12)
    assert unseen.flow_m3_per_day is not None and unseen.flow_m3_per_day.plan / GALLON_M3 == pytest.approx(450)
    assert any("age of the fixtures not known" in words for words in unseen.assumptions)
    new = field_size(rules, bedrooms=3, percolation_min_per_in=12, fixtures="water_saving")
    assert new.flow_m3_per_day is not None and new.flow_m3_per_day.plan / GALLON_M3 == pytest.approx(330)


def test_set_without_an_assumption_asks_for_the_bedrooms():
    with pytest.raises(ParameterError, match="State them"):
        field_size(GAPS, percolation_min_per_in=3)


def test_set_without_an_assumed_soil_plans_with_the_worst_acceptable_one():
    found = field_size(GAPS, bedrooms=3)
    assert ft2(found) == pytest.approx(600)
    assert any("worst acceptable" in words for words in found.assumptions)


def test_stated_flow_goes_before_the_bedrooms():
    found = field_size(GAPS, bedrooms=3, percolation_min_per_in=3, flow_m3_per_day=500 * GALLON_M3)
    assert ft2(found) == pytest.approx(500)


def test_with_a_stated_flow_unknown_bedrooms_matter_for_the_tank_alone():
    found = field_size(load_rules("us-typical"), percolation_min_per_in=20, flow_m3_per_day=600 * GALLON_M3)
    assert found.area_m2 is not None and found.area_m2.known
    assert found.tank_volume_m3 is not None and not found.tank_volume_m3.known
    assert found.assumptions == ("bedrooms not known: 3 assumed, 2 to 4 considered, for the tank alone",)


@pytest.mark.parametrize("name", shipped_rules())
@given(bedrooms=st.integers(1, 8), minutes=st.floats(0.5, 150))
def test_known_soil_lies_within_the_range_of_an_unknown_one(name, bedrooms, minutes):
    rules = load_rules(name)
    if not rules.sizing.loading:
        return
    try:
        known = field_size(rules, bedrooms=bedrooms, percolation_min_per_in=minutes)
        unknown = field_size(rules, bedrooms=bedrooms)
    except CodeSilentError:
        return
    if known.area_m2 is not None and unknown.area_m2 is not None:
        assert unknown.area_m2.low <= known.area_m2.plan * (1 + 1e-9)
        assert known.area_m2.plan <= unknown.area_m2.high * (1 + 1e-9)


@pytest.mark.parametrize("name", ["us-ny", "us-il", "us-pa", "us-mt", "us-in-wayne", "us-ipsdc", "us-typical"])
@given(st.floats(6, 60), st.floats(6, 60))
def test_slower_soil_never_needs_a_smaller_field(name, one, other):
    rules = load_rules(name)
    areas = [field_size(rules, bedrooms=3, percolation_min_per_in=minutes).area_m2 for minutes in sorted((one, other))]
    assert areas[0] is not None and areas[1] is not None
    assert areas[0].plan <= areas[1].plan * (1 + 1e-9)


# --- trenches, beds, tanks, reserve ---------------------------------------------------------------------------------------------


def test_length_is_area_over_width_where_the_bottom_alone_counts():
    found = field_size(GAPS, bedrooms=3, percolation_min_per_in=3, trench_width_m=1.5 * FOOT_M)
    assert found.trench_length_m is not None and found.trench_length_m.plan / FOOT_M == pytest.approx(200)
    assert found.lines == 4  # of at most 60 ft


def test_lines_are_counted_without_a_rounding_error_at_a_whole_multiple():
    found = field_size(code(rate_line(Band(1, 5), 1.0)), bedrooms=6, percolation_min_per_in=3, trench_width_m=2 * FOOT_M)
    assert found.trench_length_m is not None and found.trench_length_m.plan / FOOT_M == pytest.approx(300)
    assert found.lines == 5


@pytest.mark.parametrize(
    ("sidewall", "feet"),
    [("none", 150), ("sides", 300 / 4), ("perimeter", (300 - 4) / 4)],
)
def test_sidewalls_count_as_the_code_says(sidewall, feet):
    rules = code(rate_line(Band(1, 5), 1.0), trench=trench(sidewall, 1.0 if sidewall != "none" else 0.0))
    found = field_size(rules, bedrooms=3, percolation_min_per_in=3)
    assert found.trench_length_m is not None and found.trench_length_m.plan / FOOT_M == pytest.approx(feet)
    width_ft, length_ft = 2.0, found.trench_length_m.plan / FOOT_M
    counted = {"none": 0.0, "sides": 2 * length_ft, "perimeter": 2 * (length_ft + width_ft)}[sidewall]
    assert width_ft * length_ft + counted == pytest.approx(300)


def test_spacing_is_told_between_walls_and_between_centres():
    walls = trench_layout_rule(code(rate_line(Band(1, 5), 1.0)))
    assert walls.wall_to_wall_m == pytest.approx(6 * FOOT_M)
    assert walls.centre_to_centre_m == pytest.approx(8 * FOOT_M)
    by_centres = trench(spacing_between="centres", spacing_widths=3.0)
    centres = trench_layout_rule(code(rate_line(Band(1, 5), 1.0), trench=by_centres), 3 * FOOT_M)
    assert centres.centre_to_centre_m == pytest.approx(9 * FOOT_M)
    assert centres.wall_to_wall_m == pytest.approx(6 * FOOT_M)


def test_width_outside_the_codes_limits_is_refused():
    with pytest.raises(ParameterError, match="4 ft wide is outside the 1 to 3 ft"):
        trench_layout_rule(GAPS, 4 * FOOT_M)


def test_code_that_does_not_speak_of_beds_allows_none():
    assert not trench_layout_rule(GAPS).bed_allowed
    with pytest.raises(ParameterError, match="does not say that a bed is allowed"):
        field_size(GAPS, bedrooms=3, percolation_min_per_in=3, layout="bed")


def test_bed_in_slow_soil_is_barred_where_the_code_says_so():
    rules = load_rules("us-sd")
    flow = 900 * GALLON_M3
    assert field_size(rules, flow_m3_per_day=flow, percolation_min_per_in=29.9, layout="bed").suitable
    found = field_size(rules, flow_m3_per_day=flow, percolation_min_per_in=30, layout="bed")
    assert not found.suitable and "no bed" in found.why_not


def test_tank_follows_the_flow_where_that_asks_for_more():
    found = field_size(load_rules("us-ma"), bedrooms=9, percolation_min_per_in=5, soil="class I")
    assert found.tank_volume_m3 is not None and found.tank_volume_m3.plan / GALLON_M3 == pytest.approx(2 * 990)


def test_silent_tank_is_none_with_a_note_and_not_zero():
    found = field_size(load_rules("us-pa"), bedrooms=5, percolation_min_per_in=20)
    assert found.tank_volume_m3 is None
    assert any("tank for 5 bedrooms" in note for note in found.notes)


def test_house_beyond_the_flow_table_is_silence():
    with pytest.raises(CodeSilentError, match="6 bedrooms"):
        field_size(load_rules("us-tx"), bedrooms=6, soil="class II")


def test_reserve_is_a_share_of_the_bottoms():
    found = field_size(load_rules("us-ny"), bedrooms=3, percolation_min_per_in=12, fixtures="old")
    assert found.reserve_share == 0.5
    assert found.reserve_area_m2 is not None and found.bottom_area_m2 is not None
    assert found.reserve_area_m2.plan == pytest.approx(found.bottom_area_m2.plan / 2)
    assert any("where possible" in note for note in found.notes)


@pytest.mark.parametrize(("inches", "share"), [(11, 1.0), (12, 0.8), (17.9, 0.8), (18, 0.66), (24, 0.6), (40, 0.6)])
def test_gravel_credit_holds_from_its_depth_on(inches, share):
    rules = load_rules("us-mn")
    plain = field_size(rules, bedrooms=3, percolation_min_per_in=10)
    deep = field_size(rules, bedrooms=3, percolation_min_per_in=10, gravel_depth_m=to_metres(inches, "in"))
    assert deep.area_m2 is not None and plain.area_m2 is not None
    assert deep.area_m2.plan == pytest.approx(share * plain.area_m2.plan)


def test_every_value_used_is_cited():
    found = field_size(load_rules("us-ny"), bedrooms=3, percolation_min_per_in=12)
    assert {citation.key for citation in found.citations} == {
        "us-ny/flows-recalled",
        "us-ny/filed-plan",
        "us-ny/rates-recalled",
        "us-ny/reserve",
    }


def test_span_of_equal_ends_is_known():
    assert Span(1.0, 1.0, 1.0 + 1e-15).known
    assert not Span(1.0, 1.5, 2.0).known
