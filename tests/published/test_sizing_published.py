"""Published sizes, typed here from the sources and not from the rule files: flows, tanks, loading tables, worked examples.

Areas and rates of tables come back exactly; where a source rounds its result, the tolerance is the source's own rounding.
"""

from dataclasses import replace
from math import inf, nextafter, sqrt

import pytest

from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.model.citation import Citation
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import Band, BedroomTable, DesignFlow, Loading, SizingRules, TrenchRule
from geoseptic.systems.sizing import FieldSize, field_size, trench_layout_rule
from geoseptic.units import FOOT_M, GALLON_M3, to_metres

FT2 = FOOT_M**2
INCH_M = FOOT_M / 12


def size(rules_id: str, **known: object) -> FieldSize:
    return field_size(load_rules(rules_id), **known)  # type: ignore[arg-type]


def square_feet(found: FieldSize) -> float:
    assert found.area_m2 is not None and found.area_m2.known
    return found.area_m2.plan / FT2


def feet_of_trench(found: FieldSize) -> float:
    assert found.trench_length_m is not None and found.trench_length_m.known
    return found.trench_length_m.plan / FOOT_M


def flow_gpd(rules_id: str, bedrooms: int, **known: object) -> float:
    lines = [line for line in load_rules(rules_id).sizing.design_flow if line.fixtures in (known.get("fixtures"), "any")]
    (line,) = lines
    value = line.table.value(bedrooms)
    assert value is not None
    return value / GALLON_M3


def tank_gallons(rules_id: str, bedrooms: int) -> float:
    (line,) = load_rules(rules_id).sizing.tank
    value = line.table.value(bedrooms)
    assert value is not None
    return value / GALLON_M3


def rule_of(loading: Loading, flow_gpd_per_bedroom: float, trench_width_ft: float, sidewall_ft: float = 0.0) -> RuleSet:
    """A rule set of one loading line, for worked examples whose code is not shipped."""
    cited = Citation("t/1", "Worked example", "1", "", "", "", False, "For a test.")
    width_m = trench_width_ft * FOOT_M
    sidewall = "sides" if sidewall_ft else "none"
    trench = TrenchRule(
        width_m, width_m, width_m, 100 * FOOT_M, 6 * FOOT_M, 0.0, "walls", sidewall, sidewall_ft * FOOT_M, None, None, cited
    )
    flow = DesignFlow(BedroomTable((1,), (flow_gpd_per_bedroom * GALLON_M3,), flow_gpd_per_bedroom * GALLON_M3), "any", cited)
    sizing = SizingRules(design_flow=(flow,), loading=(replace(loading, citation=cited),), trench=trench)
    return replace(load_rules("us-typical"), id="worked-example", sizing=sizing)


# --- New York, as a plan filed with a town uses it -----------------------------------------------------------------------------

QUEENSBURY = [
    # bedrooms, slowest min/in of the column, feet of trench
    (2, 5, 108), (2, 7, 130), (2, 10, 145), (2, 15, 162), (2, 20, 186), (2, 30, 217),
    (3, 7, 195), (3, 15, 244),
    (4, 7, 260), (4, 10, 290), (4, 15, 325), (4, 20, 372), (4, 30, 433),
    (6, 20, 557),
]  # fmt: skip


@pytest.mark.source("ny-queensbury-plan", where="schedule of trench lengths, 130 gpd a bedroom")
@pytest.mark.parametrize(("bedrooms", "minutes", "feet"), QUEENSBURY)
def test_new_york_trench_is_as_long_as_on_the_filed_plan(bedrooms, minutes, feet):
    found = size("us-ny", bedrooms=bedrooms, fixtures="from_1980", percolation_min_per_in=minutes)
    # The plan rounds 144.4 to 145 and 243.75 to 244.
    assert feet_of_trench(found) == pytest.approx(feet, abs=1.5)


@pytest.mark.source("ny-queensbury-plan", where="schedule of tanks")
@pytest.mark.parametrize(("bedrooms", "gallons"), [(2, 1000), (3, 1000), (4, 1250), (5, 1500), (6, 1750)])
def test_new_york_tank_is_that_of_the_filed_plan(bedrooms, gallons):
    assert tank_gallons("us-ny", bedrooms) == pytest.approx(gallons)


@pytest.mark.source("ny-queensbury-plan", where="flows of 2 to 6 bedrooms")
@pytest.mark.parametrize(("bedrooms", "gpd"), [(2, 260), (3, 390), (4, 520), (5, 650), (6, 780)])
def test_new_york_flow_of_fixtures_of_the_eighties_is_that_of_the_filed_plan(bedrooms, gpd):
    assert flow_gpd("us-ny", bedrooms, fixtures="from_1980") == pytest.approx(gpd)


@pytest.mark.source("ny-75a", where="75-A.4(a)(3)")
def test_new_york_soil_faster_than_a_minute_an_inch_is_unsuitable():
    assert not size("us-ny", bedrooms=3, percolation_min_per_in=nextafter(1, 0)).suitable
    assert size("us-ny", bedrooms=3, percolation_min_per_in=1).suitable


@pytest.mark.source("ny-75a", where="75-A.4(a)(5)")
def test_new_york_reserve_is_half_as_much_again_where_possible():
    reserve = load_rules("us-ny").sizing.reserve
    assert reserve is not None and (reserve.share, reserve.only_where_possible) == (0.5, True)


# --- Washington ----------------------------------------------------------------------------------------------------------------------


@pytest.mark.source("wac-246-272a-0234", where="Table VIII")
@pytest.mark.parametrize(
    ("soil", "gpd_per_ft2"),
    [
        ("type 1", 1.0),
        ("coarse sand", 1.0),
        ("loamy medium sand", 0.8),
        ("loam", 0.6),
        ("silt loam, moderate or strong structure", 0.4),
        ("silt loam", 0.2),
    ],
)
def test_washington_loading_rate_is_that_of_the_table(soil, gpd_per_ft2):
    found = size("us-wa", bedrooms=3, soil=soil)
    assert square_feet(found) == pytest.approx(360 / gpd_per_ft2)


@pytest.mark.source("wac-246-272a-0234", where="Table VIII, type 7")
@pytest.mark.parametrize("soil", ["type 7", "clay", "Sandy Clay"])
def test_washington_clay_is_not_suitable(soil):
    assert not size("us-wa", bedrooms=3, soil=soil).suitable


@pytest.mark.source("wac-246-272a-0230", where="(2)(d)(i)(B) and (D)")
@pytest.mark.parametrize(("bedrooms", "gpd"), [(1, 240), (2, 240), (3, 360), (5, 600)])
def test_washington_flow_is_120_a_bedroom_and_at_least_240(bedrooms, gpd):
    assert flow_gpd("us-wa", bedrooms) == pytest.approx(gpd)


@pytest.mark.source("wac-246-272a-0234", where="Table VIII, worked for 3 bedrooms in type 4, trench of 3 ft")
def test_washington_three_bedrooms_in_loam_take_200_feet_of_trench():
    assert feet_of_trench(size("us-wa", bedrooms=3, soil="type 4", trench_width_m=3 * FOOT_M)) == pytest.approx(200)


# --- Texas -----------------------------------------------------------------------------------------------------------------------------


@pytest.mark.source("tx-285-91-1", where="Table I and the formula A = Q/Ra")
@pytest.mark.parametrize(("soil", "ra"), [("class Ib", 0.38), ("class II", 0.25), ("class III", 0.20), ("class IV", 0.1)])
def test_texas_absorptive_area_is_the_flow_over_ra(soil, ra):
    assert square_feet(size("us-tx", flow_m3_per_day=300 * GALLON_M3, bedrooms=3, soil=soil)) == pytest.approx(300 / ra)


@pytest.mark.source("tx-285-91-1", where="bottom and one foot of sidewall round the full perimeter: 3L + 2(L + 3) = 1200")
def test_texas_single_trench_counts_a_foot_of_sidewall_all_round():
    found = size("us-tx", flow_m3_per_day=300 * GALLON_M3, bedrooms=3, soil="class II", trench_width_m=3 * FOOT_M)
    assert feet_of_trench(found) == pytest.approx(238.8, abs=0.05)


# --- South Dakota and the same formula in California ------------------------------------------------------------------------------


@pytest.mark.source("sd-74-53-01", where="74:53:01:31, A = Q sqrt(t) / 5 and the reductions by fill")
@pytest.mark.parametrize(("fill_in", "area"), [(6, 750), (12, 600), (18, 495), (24, 450)])
def test_south_dakota_area_follows_the_root_and_the_depth_of_fill(fill_in, area):
    found = size("us-sd", flow_m3_per_day=750 * GALLON_M3, percolation_min_per_in=25, gravel_depth_m=fill_in * INCH_M)
    assert square_feet(found) == pytest.approx(area)


@pytest.mark.source("sd-74-53-01", where="74:53:01:31, no less than 750 and no more than 7,500 gallons a day")
@pytest.mark.parametrize("gpd", [749, 7501])
def test_south_dakota_formula_is_silent_outside_its_flows(gpd):
    with pytest.raises(LookupError, match="750 to 7500 gpd"):
        size("us-sd", flow_m3_per_day=gpd * GALLON_M3, percolation_min_per_in=25)


@pytest.mark.source("sd-74-53-01", where="74:53:01:36, no bed where the rate is 30 or more minutes an inch; 15 ft wide, 100 ft long")
def test_south_dakota_bed_has_the_limits_of_its_section():
    bed = load_rules("us-sd").sizing.bed
    assert bed is not None
    assert (bed.slowest, bed.max_width_m / FOOT_M, bed.max_length_m / FOOT_M) == (30, pytest.approx(15), pytest.approx(100))


@pytest.mark.source("san-joaquin-report", where="375 gpd at 125 min/in, 3 square feet a foot of trench")
def test_san_joaquin_report_needs_280_feet_of_trench():
    # The report counts a trench 2 ft wide with 6 in of each side, and rounds 279.5 up.
    line = Loading(
        "root_rate", 5 * GALLON_M3 / FT2, "5/sqrt(t)", Band(0, inf, False, False), (), "any", Citation("", "", "", "", "", "", False)
    )
    found = field_size(rule_of(line, 125, 2, 0.5), bedrooms=3, percolation_min_per_in=125)
    assert feet_of_trench(found) == pytest.approx(279.5, abs=0.05)
    assert square_feet(found) == pytest.approx(375 * sqrt(125) / 5)


# --- Minnesota, as filed with a city ------------------------------------------------------------------------------------------------


@pytest.mark.source("orono-design", where="4 bedrooms of type I, mean of 6.5 min/in, trench 3 ft wide")
def test_orono_design_needs_762_square_feet_and_254_feet():
    line = Loading("area_per_flow", 1.27 * FT2 / GALLON_M3, "1.27 ft2/gpd", Band(6, 15), (), "any", Citation("", "", "", "", "", "", False))
    found = field_size(rule_of(line, 150, 3), bedrooms=4, percolation_min_per_in=6.5)
    assert (square_feet(found), feet_of_trench(found)) == (pytest.approx(762), pytest.approx(254))


@pytest.mark.source("orono-worksheet", where="375 gpd over 0.45, and 12 to 17 in of rock: times 0.8")
@pytest.mark.parametrize(("rock_in", "printed"), [(6, 833), (12, 666)])
def test_orono_worksheet_area_and_its_reduction_by_rock(rock_in, printed):
    found = size("us-mn", flow_m3_per_day=375 * GALLON_M3, percolation_min_per_in=50, gravel_depth_m=rock_in * INCH_M)
    # The worksheet cuts 833.3 and 666.7 to whole feet.
    assert int(square_feet(found) + 1e-9) == printed


@pytest.mark.source("orono-worksheet", where="flows of type I")
@pytest.mark.parametrize(("bedrooms", "gpd"), [(2, 300), (3, 450), (4, 600), (5, 750), (6, 900)])
def test_minnesota_flow_of_type_one_is_150_a_bedroom(bedrooms, gpd):
    assert flow_gpd("us-mn", bedrooms) == pytest.approx(gpd)


@pytest.mark.source("orono-worksheet", where="mound worksheet, figure C-1, capacity of septic tanks")
@pytest.mark.parametrize(("bedrooms", "gallons"), [(1, 750), (2, 750), (3, 1000), (4, 1000), (5, 1500), (6, 1500), (7, 2000), (9, 2000)])
def test_minnesota_tank_is_that_of_the_filed_worksheet(bedrooms, gallons):
    assert tank_gallons("us-mn", bedrooms) == pytest.approx(gallons)


@pytest.mark.source("mn-7080-table-ixa", where="septic tank effluent by percolation")
@pytest.mark.parametrize(("minutes", "gpd_per_ft2"), [(6, 0.78), (15, 0.78), (16, 0.6), (30, 0.6), (31, 0.5), (46, 0.45), (60, 0.45)])
def test_minnesota_loading_by_percolation_is_that_of_table_ixa(minutes, gpd_per_ft2):
    assert square_feet(size("us-mn", bedrooms=3, percolation_min_per_in=minutes)) == pytest.approx(450 / gpd_per_ft2)


# --- areas by the bedroom ------------------------------------------------------------------------------------------------------------

ILLINOIS = [(18, 200), (60, 200), (90, 210), (120, 235), (150, 265), (180, 290), (240, 320), (300, 350), (360, 385)]


@pytest.mark.source("il-905", where="Appendix A, Illustration H, Exhibit A: minutes for the last 6 inches")
@pytest.mark.parametrize(("minutes_for_six", "area"), ILLINOIS)
def test_illinois_area_a_bedroom_follows_the_minutes_for_six_inches(minutes_for_six, area):
    assert square_feet(size("us-il", bedrooms=1, percolation_min_per_in=minutes_for_six / 6)) == pytest.approx(area)


@pytest.mark.source("il-905", where="Appendix A, Illustration H, Exhibit A, notes 3 and 4")
@pytest.mark.parametrize("minutes_for_six", [17, 361])
def test_illinois_bars_soil_under_18_and_over_360_minutes(minutes_for_six):
    assert not size("us-il", bedrooms=1, percolation_min_per_in=minutes_for_six / 6).suitable


@pytest.mark.source("il-905", where="Appendix A, Illustration H, Exhibit A, note 2: beds take half as much again")
def test_illinois_bed_takes_half_as_much_again():
    assert square_feet(size("us-il", bedrooms=3, percolation_min_per_in=40)) == pytest.approx(960)
    assert square_feet(size("us-il", bedrooms=3, percolation_min_per_in=40, layout="bed")) == pytest.approx(1440)


@pytest.mark.source("il-905", where="Appendix A, Illustration I, Exhibit B: width, centre to centre, area a foot")
@pytest.mark.parametrize(("width_in", "centres_ft"), [(8, 6.0), (12, 6.0), (18, 6.0), (24, 6.0), (30, 7.5), (36, 9.0)])
def test_illinois_trenches_are_as_far_apart_as_their_width_asks(width_in, centres_ft):
    layout = trench_layout_rule(load_rules("us-il"), width_in * INCH_M)
    assert layout.centre_to_centre_m / FOOT_M == pytest.approx(centres_ft)
    assert layout.max_length_m / FOOT_M == pytest.approx(100)


WAYNE = [(1, 100), (3, 100), (4, 115), (5, 125), (10, 165), (15, 190), (30, 250), (60, 330)]


@pytest.mark.source("wayne-county-in", where="91.08, Table IV")
@pytest.mark.parametrize(("minutes", "area"), WAYNE)
def test_wayne_county_area_a_bedroom_is_that_of_the_table(minutes, area):
    assert square_feet(size("us-in-wayne", bedrooms=1, percolation_min_per_in=minutes)) == pytest.approx(area)


@pytest.mark.source("wayne-county-in", where="91.08, Table IV: over 60 minutes")
def test_wayne_county_bars_soil_over_sixty_minutes():
    assert not size("us-in-wayne", bedrooms=3, percolation_min_per_in=nextafter(60, 61)).suitable
    assert square_feet(size("us-in-wayne", bedrooms=3, percolation_min_per_in=30)) == pytest.approx(750)


MODEL_CODE = [(9.9, 165, 205), (10, 250, 315), (29, 250, 315), (30, 300, 375), (45, 330, 415), (60, 330, 415)]


@pytest.mark.source("ipsdc-603", where="Table 603.1, trenches and beds")
@pytest.mark.parametrize(("minutes", "trench", "bed"), MODEL_CODE)
def test_model_code_area_a_bedroom_differs_for_trenches_and_beds(minutes, trench, bed):
    assert square_feet(size("us-ipsdc", bedrooms=1, percolation_min_per_in=minutes)) == pytest.approx(trench)
    assert square_feet(size("us-ipsdc", bedrooms=1, percolation_min_per_in=minutes, layout="bed")) == pytest.approx(bed)


@pytest.mark.source("ipsdc-603", where="Table 603.1, 3 bedrooms at 35 min/in")
def test_model_code_three_bedrooms_at_35_minutes():
    assert square_feet(size("us-ipsdc", bedrooms=3, percolation_min_per_in=35)) == pytest.approx(900)
    assert square_feet(size("us-ipsdc", bedrooms=3, percolation_min_per_in=35, layout="bed")) == pytest.approx(1125)


# --- other states -----------------------------------------------------------------------------------------------------------------------

MONTANA = [(0, 375), (3, 375), (6, 500), (10, 600), (16, 750), (30.9, 750), (31, 1000), (51, 1500), (120.9, 1500), (121, 2000)]


@pytest.mark.source("mt-deq-4", where="Table 8-1, areas for 3 bedrooms")
@pytest.mark.parametrize(("minutes", "area"), MONTANA)
def test_montana_area_for_three_bedrooms_is_that_of_the_table(minutes, area):
    assert square_feet(size("us-mt", bedrooms=3, percolation_min_per_in=minutes)) == pytest.approx(area)


@pytest.mark.source("id-58-01-03", where="007, minimum capacity and flow of dwellings")
@pytest.mark.parametrize(
    ("bedrooms", "gallons", "gpd"), [(1, 900, 150), (2, 900, 200), (3, 1000, 250), (4, 1000, 300), (5, 1250, 350), (6, 1500, 400)]
)
def test_idaho_tank_and_flow_are_those_of_the_rule(bedrooms, gallons, gpd):
    assert (tank_gallons("us-id", bedrooms), flow_gpd("us-id", bedrooms)) == (pytest.approx(gallons), pytest.approx(gpd))


@pytest.mark.source("id-58-01-03", where="008.02.b, unsuitable soils")
@pytest.mark.parametrize("soil", ["gravel", "coarse sand", "sandy clay", "silty clay", "clay", "duripan"])
def test_idaho_bars_its_unsuitable_soils(soil):
    assert not size("us-id", bedrooms=3, soil=soil).suitable


@pytest.mark.source("nj-7-9a-7-4", where="7:9A-7.4(b)1")
@pytest.mark.parametrize(("bedrooms", "gpd"), [(1, 350), (2, 350), (3, 500), (4, 650)])
def test_new_jersey_flow_is_200_for_the_first_bedroom_and_150_for_each_more(bedrooms, gpd):
    assert flow_gpd("us-nj", bedrooms) == pytest.approx(gpd)


@pytest.mark.source("pa-73", where="73.31(a)(2), proposed text")
@pytest.mark.parametrize(("bedrooms", "gpd"), [(2, 400), (3, 400), (4, 500), (5, 600)])
def test_pennsylvania_flow_is_400_and_100_more_for_each_bedroom_over_three(bedrooms, gpd):
    assert flow_gpd("us-pa", bedrooms) == pytest.approx(gpd)


@pytest.mark.source("pa-73", where="73.16(c), as recalled")
@pytest.mark.parametrize(("minutes", "ft2_per_gpd"), [(6, 1.19), (15, 1.19), (20, 1.39), (30, 1.79), (45, 2.24), (60, 2.66), (90, 3.35)])
def test_pennsylvania_area_follows_its_formulas(minutes, ft2_per_gpd):
    assert square_feet(size("us-pa", bedrooms=3, percolation_min_per_in=minutes)) == pytest.approx(400 * ft2_per_gpd)


@pytest.mark.source("epa-1980", where="Table 7-2, as quoted by Howard County, 3.809, and as recalled")
@pytest.mark.parametrize(
    ("minutes", "gpd_per_ft2"), [(1, 1.2), (5, 1.2), (6, 0.8), (15, 0.8), (16, 0.6), (30, 0.6), (60, 0.45), (120, 0.2)]
)
def test_typical_loading_by_percolation_is_that_of_the_manual(minutes, gpd_per_ft2):
    assert square_feet(size("us-typical", bedrooms=3, percolation_min_per_in=minutes)) == pytest.approx(450 / gpd_per_ft2)


# --- what is marked as checked ---------------------------------------------------------------------------------------------------------


def test_no_shipped_sizing_value_claims_a_check_that_was_not_made():
    # Only these sections were read in the code's own text, or in a legal publisher's print of it.
    read = {
        "WAC 246-272A-0234, Table VIII",
        "WAC 246-272A-0230(2)(d)(i)",
        "75-A.4(a)(3)",
        "75-A.4(a)(5)",
        "75-A.5(a)",
        "73.21(g)",
        "285.30",
        "905.55(a)(1)(B)",
        "OAR 340-071-0150(2)(a)",
        "IDAPA 58.01.03.007",
        "IDAPA 58.01.03.008.02.b",
        "7:9A-7.4(b)",
        "285.91(1), Table I",
        "905 Appendix A, Illustration H, Exhibit A",
        "905 Appendix A, Illustration I, Exhibits A and B",
        "74:53:01:30",
        "74:53:01:31",
        "74:53:01:36",
        "91.08, Table IV",
    }
    claimed = {citation.section for name in shipped_rules() for citation in load_rules(name).sizing.citations if citation.checked}
    assert claimed == read


@pytest.mark.parametrize("name", shipped_rules())
def test_shipped_sizing_value_from_memory_says_so_where_it_is_printed(name):
    for citation in load_rules(name).sizing.citations:
        assert ("not checked" in str(citation)) is not citation.checked
        assert citation.checked or citation.note


@pytest.mark.parametrize("name", shipped_rules())
def test_set_without_setbacks_says_so_in_its_summary(name):
    rules = load_rules(name)
    assert ("NO SETBACKS" in rules.summary) is not bool(rules.setbacks)


@pytest.mark.parametrize("name", shipped_rules())
def test_assumption_about_a_house_says_that_it_has_no_source(name):
    assumed = load_rules(name).sizing.assumed
    assert assumed is None or assumed.citation.title == "Common practice, no source"


def test_gravel_depth_in_metres_meets_the_edge_that_is_stated_in_inches():
    assert to_metres(12, "in") == pytest.approx(12 * INCH_M, rel=1e-15)
