"""Published setbacks, typed here from the sources' tables and not from the rule files: each must come back from the loaded set.

A row is: part, feature, conditions, feet (None where the table says not applicable), section.
"""

import pytest

from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.model.rules import RuleSet, Setback
from geoseptic.units import FOOT_M

WASHINGTON = [
    ("drain_field", "private_well", "", 100, "CCC 24.17.120, Table IV"),
    ("reserve", "private_well", "", 100, "CCC 24.17.120, Table IV"),
    ("septic_tank", "private_well", "", 50, "CCC 24.17.120, Table IV"),
    ("distribution_box", "private_well", "", 50, "CCC 24.17.120, Table IV"),
    ("building_sewer", "private_well", "", 50, "CCC 24.17.120, Table IV"),
    ("drain_field", "public_well", "", 100, "CCC 24.17.120, Table IV"),
    ("septic_tank", "public_well", "", 100, "CCC 24.17.120, Table IV"),
    ("building_sewer", "public_well", "", 100, "CCC 24.17.120, Table IV"),
    ("drain_field", "public_spring", "", 200, "CCC 24.17.120, Table IV"),
    ("septic_tank", "public_spring", "", 200, "CCC 24.17.120, Table IV"),
    ("building_sewer", "public_spring", "", 100, "CCC 24.17.120, Table IV"),
    ("drain_field", "spring", "", 100, "CCC 24.17.120, Table IV"),
    ("septic_tank", "spring", "", 50, "CCC 24.17.120, Table IV"),
    ("drain_field", "water_line", "", 10, "CCC 24.17.120, Table IV"),
    ("drain_field", "decommissioned_well", "", 10, "CCC 24.17.120, Table IV"),
    ("septic_tank", "decommissioned_well", "", None, "CCC 24.17.120, Table IV"),
    ("drain_field", "surface_water", "", 100, "CCC 24.17.120, Table IV"),
    ("septic_tank", "surface_water", "", 50, "CCC 24.17.120, Table IV"),
    ("building_sewer", "surface_water", "", 10, "CCC 24.17.120, Table IV"),
    ("drain_field", "building", "", 10, "CCC 24.17.120, Table IV"),
    ("septic_tank", "building", "", 5, "CCC 24.17.120, Table IV"),
    ("building_sewer", "pool", "", 2, "CCC 24.17.120, Table IV"),
    ("drain_field", "lot_line", "", 5, "CCC 24.17.120, Table IV"),
    ("building_sewer", "lot_line", "", None, "CCC 24.17.120, Table IV"),
    ("drain_field", "drain", "feature_downslope", 30, "CCC 24.17.120, Table IV"),
    ("drain_field", "drain", "feature_upslope", 10, "CCC 24.17.120, Table IV"),
    ("septic_tank", "drain", "feature_downslope", 5, "CCC 24.17.120, Table IV"),
    ("septic_tank", "drain", "feature_upslope", None, "CCC 24.17.120, Table IV"),
    ("drain_field", "cut_bank", "feature_downslope deep_undisturbed_soil", 25, "CCC 24.17.120, Table IV"),
    ("drain_field", "cut_bank", "feature_downslope shallow_restrictive_layer", 50, "CCC 24.17.120, Table IV"),
    ("drain_field", "existing_field", "", 10, "CCC 24.17.120, Table IV"),
    ("drain_field", "dry_well", "", 10, "CCC 24.17.120, Table IV"),
]

OREGON = [
    ("drain_field", "private_well", "", 100, "OAR 340-071-0220, Table 1"),
    ("reserve", "private_well", "", 100, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "private_well", "", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "spring", "feature_downslope", 100, "OAR 340-071-0220, Table 1"),
    ("drain_field", "spring", "feature_upslope", 50, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "spring", "", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "surface_water", "", 100, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "surface_water", "", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "intermittent_water", "unlined", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "intermittent_water", "lined_watertight", 20, "OAR 340-071-0220, Table 1"),
    ("drain_field", "drain", "gentle_ground", 20, "OAR 340-071-0220, Table 1"),
    ("drain_field", "drain", "steep_ground feature_upslope", 10, "OAR 340-071-0220, Table 1"),
    ("drain_field", "drain", "steep_ground feature_downslope", 50, "OAR 340-071-0220, Table 1"),
    # The two county copies disagree on the tank: the larger of each pair.
    ("septic_tank", "drain", "gentle_ground", 20, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "drain", "steep_ground feature_upslope", 10, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "drain", "steep_ground feature_downslope", 25, "OAR 340-071-0220, Table 1"),
    ("drain_field", "irrigation_canal", "lined_watertight", 25, "OAR 340-071-0220, Table 1"),
    ("drain_field", "irrigation_canal", "unlined feature_upslope", 25, "OAR 340-071-0220, Table 1"),
    ("drain_field", "irrigation_canal", "unlined feature_downslope", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "cut_bank", "feature_downslope cut_meets_limiting_layer", 50, "OAR 340-071-0220, Table 1"),
    ("drain_field", "cut_bank", "feature_downslope cut_clear_of_limiting_layer", 25, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "cut_bank", "feature_downslope cut_meets_limiting_layer", 25, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "cut_bank", "feature_downslope cut_clear_of_limiting_layer", 10, "OAR 340-071-0220, Table 1"),
    ("drain_field", "lot_line", "", 10, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "lot_line", "", 5, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "water_line", "", 10, "OAR 340-071-0220, Table 1"),
    ("drain_field", "building", "", 10, "OAR 340-071-0220, Table 1"),
    ("septic_tank", "building", "", 5, "OAR 340-071-0220, Table 1"),
    ("drain_field", "underground_utility", "", 10, "OAR 340-071-0220, Table 1"),
]

IDAHO = [
    ("drain_field", "private_well", "", 100, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "water_line", "", 25, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "surface_water", "soil_group_a", 300, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "surface_water", "soil_group_b", 200, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "surface_water", "soil_group_c", 100, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "irrigation_canal", "", 50, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "cut_bank", "feature_downslope cut_meets_limiting_layer soil_group_a", 75, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "cut_bank", "feature_downslope cut_clear_of_limiting_layer soil_group_c", 25, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "building", "no_basement", 10, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "building", "basement", 20, "IDAPA 58.01.03.008.02.d"),
    ("drain_field", "lot_line", "", 5, "IDAPA 58.01.03.008.02.d"),
    ("septic_tank", "public_well", "", 100, "IDAPA 58.01.03.007"),
    ("septic_tank", "private_well", "", 50, "IDAPA 58.01.03.007"),
    ("septic_tank", "surface_water", "", 50, "IDAPA 58.01.03.007"),
]

NEW_YORK = [
    ("building_sewer", "private_well", "cast_iron_pipe", 25, "75-A.4, Table 2"),
    ("building_sewer", "private_well", "other_pipe", 50, "75-A.4, Table 2"),
    ("building_sewer", "surface_water", "", 25, "75-A.4, Table 2"),
    ("building_sewer", "building", "", 3, "75-A.4, Table 2"),
    ("building_sewer", "lot_line", "", 10, "75-A.4, Table 2"),
    ("septic_tank", "private_well", "", 50, "75-A.4, Table 2"),
    ("septic_tank", "surface_water", "", 50, "75-A.4, Table 2"),
    ("septic_tank", "building", "", 10, "75-A.4, Table 2"),
    ("septic_tank", "lot_line", "", 10, "75-A.4, Table 2"),
    ("distribution_box", "private_well", "", 100, "75-A.4, Table 2"),
    ("distribution_box", "building", "", 20, "75-A.4, Table 2"),
    ("drain_field", "private_well", "", 100, "75-A.4, Table 2"),
    ("drain_field", "wetland", "", 100, "75-A.4, Table 2"),
    ("drain_field", "building", "", 20, "75-A.4, Table 2"),
    ("drain_field", "lot_line", "", 10, "75-A.4, Table 2"),
]

NEW_YORK_WELLS = [
    ("drain_field", "private_well", "coarse_gravel", 200, "Appendix 5-B, Table 1"),
    ("drain_field", "private_well", "drainage_path", 200, "Appendix 5-B, Table 1"),
    ("seepage_pit", "private_well", "", 150, "Appendix 5-B, Table 1"),
    ("cesspool", "private_well", "", 200, "Appendix 5-B, Table 1"),
]

NEW_YORK_RECALLED = [
    ("drain_field", "private_well", "shallow_aquifer", 150, "Appendix 5-B, Table 1, note 5"),
    ("seepage_pit", "private_well", "shallow_aquifer", 225, "Appendix 5-B, Table 1, note 5"),
    ("seepage_pit", "private_well", "coarse_gravel", 200, "75-A.4, Table 2, notes"),
    ("drain_field", "irrigation_well", "drainage_path", 200, "75-A.4, Table 2, notes"),
]

NEW_YORK_PUBLIC_WELLS = [
    ("drain_field", "public_well", "", 200, "Appendix 5-D, well location and protection, (a)"),
    ("septic_tank", "public_well", "", 100, "Appendix 5-D, well location and protection, (a)"),
]

MASSACHUSETTS = [
    ("septic_tank", "lot_line", "", 10, "310 CMR 15.211"),
    ("drain_field", "lot_line", "", 10, "310 CMR 15.211"),
    ("septic_tank", "building", "", 10, "310 CMR 15.211"),
    ("drain_field", "building", "basement", 20, "310 CMR 15.211"),
    ("drain_field", "building", "no_basement", 10, "310 CMR 15.211"),
    ("drain_field", "pool", "", 20, "310 CMR 15.211"),
    ("drain_field", "water_line", "", 10, "310 CMR 15.211"),
    ("septic_tank", "surface_water", "", 25, "310 CMR 15.211"),
    ("drain_field", "surface_water", "", 50, "310 CMR 15.211"),
    ("drain_field", "wetland", "", 50, "310 CMR 15.211"),
    ("drain_field", "wetland", "feeds_water_supply", 100, "310 CMR 15.211"),
    ("septic_tank", "water_supply_reservoir", "", 400, "310 CMR 15.211"),
    ("drain_field", "water_supply_tributary", "", 200, "310 CMR 15.211"),
    ("septic_tank", "vernal_pool", "", 50, "310 CMR 15.211"),
    ("drain_field", "vernal_pool", "", 100, "310 CMR 15.211"),
    ("septic_tank", "private_well", "", 50, "310 CMR 15.211"),
    ("reserve", "private_well", "", 100, "310 CMR 15.211"),
    ("drain_field", "irrigation_well", "", 25, "310 CMR 15.211"),
    ("drain_field", "drain", "", 10, "310 CMR 15.211"),
    ("drain_field", "drain", "intercepts_groundwater", 50, "310 CMR 15.211"),
    ("drain_field", "drain", "feeds_water_supply", 100, "310 CMR 15.211"),
    ("drain_field", "dry_well", "", 25, "310 CMR 15.211"),
    ("septic_tank", "cut_bank", "", None, "310 CMR 15.211"),
    ("drain_field", "cut_bank", "feature_downslope", 15, "310 CMR 15.211"),
]

NEW_JERSEY = [
    ("building_sewer", "private_well", "", 25, "7:9A-4.3, Table 4.3"),
    ("building_sewer", "water_line", "", 1, "7:9A-4.3, Table 4.3"),
    ("septic_tank", "private_well", "", 50, "7:9A-4.3, Table 4.3"),
    ("septic_tank", "surface_water", "", 25, "7:9A-4.3, Table 4.3"),
    ("septic_tank", "building", "", 10, "7:9A-4.3, Table 4.3"),
    ("septic_tank", "lot_line", "", 5, "7:9A-4.3, Table 4.3"),
    ("septic_tank", "pool", "", 10, "7:9A-4.3, Table 4.3"),
    ("distribution_box", "private_well", "", 50, "7:9A-4.3, Table 4.3"),
    ("drain_field", "private_well", "", 100, "7:9A-4.3, Table 4.3"),
    ("drain_field", "water_line", "", 10, "7:9A-4.3, Table 4.3"),
    ("drain_field", "surface_water", "", 50, "7:9A-4.3, Table 4.3"),
    ("drain_field", "building", "", 25, "7:9A-4.3, Table 4.3"),
    ("drain_field", "lot_line", "", 10, "7:9A-4.3, Table 4.3"),
    ("drain_field", "existing_field", "", 50, "7:9A-4.3, Table 4.3"),
    ("drain_field", "pool", "", 20, "7:9A-4.3, Table 4.3"),
    # The table prints 150/100: the larger.
    ("seepage_pit", "private_well", "", 150, "7:9A-4.3, Table 4.3"),
    ("seepage_pit", "surface_water", "", 100, "7:9A-4.3, Table 4.3"),
    ("seepage_pit", "building", "", 50, "7:9A-4.3, Table 4.3"),
    ("seepage_pit", "lot_line", "", 20, "7:9A-4.3, Table 4.3"),
    ("seepage_pit", "pool", "", 30, "7:9A-4.3, Table 4.3"),
]

TEXAS = [
    ("drain_field", "private_well", "", 100, "285.91(10), Table X"),
    ("drain_field", "public_well", "", 150, "285.91(10), Table X"),
    ("septic_tank", "public_well", "", 50, "285.91(10), Table X"),
    ("drain_field", "lot_line", "", 5, "285.91(10), Table X"),
    ("drain_field", "cut_bank", "", 25, "285.91(10), Table X"),
    ("drain_field", "surface_water", "", 75, "285.91(10), Table X"),
    ("septic_tank", "surface_water", "", 50, "285.91(10), Table X"),
]

NORTH_CAROLINA = [
    ("drain_field", "private_well", "", 100, "18A .1950(a)"),
    ("septic_tank", "public_well", "", 100, "18A .1950(a)"),
    ("drain_field", "surface_water", "", 50, "18A .1950(a)"),
    ("drain_field", "surface_water", "protected_water", 100, "18A .1950(a)"),
    ("drain_field", "water_supply_reservoir", "", 100, "18A .1950(a)"),
    ("drain_field", "building", "no_basement", 5, "18A .1950(a)"),
    ("drain_field", "building", "basement", 15, "18A .1950(a)"),
    ("drain_field", "lot_line", "", 10, "18A .1950(a)"),
    ("drain_field", "cut_bank", "", 15, "18A .1950(a)"),
    ("drain_field", "pool", "", 15, "18A .1950(a)"),
    ("drain_field", "existing_field", "", 20, "18A .1950(a)"),
    ("drain_field", "drain", "feature_downslope", 25, "18A .1950(a)"),
]

EPA_1980 = [
    ("drain_field", "private_well", "", 100, "Table 7-1"),
    ("drain_field", "surface_water", "", 100, "Table 7-1"),
    ("drain_field", "cut_bank", "", 20, "Table 7-1"),
    ("drain_field", "lot_line", "", 10, "Table 7-1"),
    ("drain_field", "building", "no_basement", 20, "Table 7-1"),
]

MODEL_CODES = [
    ("drain_field", "building", "basement", 25, "Table 406.1"),
    ("drain_field", "pool", "", 15, "Table 406.1"),
    ("drain_field", "water_line", "", 10, "Table 406.1"),
    ("septic_tank", "spring", "", 50, "Table 802.8"),
    ("septic_tank", "pool", "", 15, "Table 802.8"),
]

UPC = [
    ("septic_tank", "private_well", "", 50, "Appendix H/K, location of the sewage disposal system"),
    ("septic_tank", "surface_water", "", 50, "Appendix H/K, location of the sewage disposal system"),
    ("septic_tank", "building", "", 5, "Appendix H/K, location of the sewage disposal system"),
    ("seepage_pit", "private_well", "", 150, "Appendix H/K, location of the sewage disposal system"),
    ("seepage_pit", "lot_line", "", 8, "Appendix H/K, location of the sewage disposal system"),
    ("building_sewer", "private_well", "", 50, "Appendix H/K, location of the sewage disposal system"),
]

RELIEFS = [
    ("us-wa", "drain_field", "private_well", "authority_consent", 75, "WAC 246-272A-0210"),
    ("us-wa", "septic_tank", "lot_line", "feature_upslope", 2, "WAC 246-272A-0210"),
    ("us-ma", "drain_field", "vernal_pool", "feature_upslope authority_consent", 50, "310 CMR 15.211"),
    ("us-nj", "drain_field", "private_well", "deep_casing", 50, "7:9A-4.3, Table 4.3"),
    ("us-tx", "drain_field", "private_well", "pressure_cemented", 50, "285.91(10), Table X"),
    ("us-nc", "drain_field", "private_well", "authority_consent", 50, "18A .1950"),
]

ROW = ("part", "feature", "when", "feet", "section")


def the_line(rules: RuleSet, part: str, feature: str, when: str, relief: bool = False) -> Setback:
    """The one line with exactly these conditions; a second one or none fails."""
    (line,) = (
        entry
        for entry in rules.setbacks
        if (entry.part, entry.feature, entry.when, entry.relief) == (part, feature, frozenset(when.split()), relief)
    )
    return line


def assert_published(rules_id: str, part: str, feature: str, when: str, feet: float | None, section: str, relief: bool = False) -> None:
    line = the_line(load_rules(rules_id), part, feature, when, relief)
    if feet is None:
        assert line.distance_m is None
        assert line.stated == "not applicable"
    else:
        assert line.distance_m == pytest.approx(feet * FOOT_M, rel=1e-12)
        assert line.stated == f"{feet} ft"
    assert line.citation.section == section


@pytest.mark.source("wa-ccc-24-17-120", where="Table IV")
@pytest.mark.parametrize(ROW, WASHINGTON)
def test_washington_setback_is_as_published(part, feature, when, feet, section):
    assert_published("us-wa", part, feature, when, feet, section)


@pytest.mark.source("or-340-071-0220", where="Table 1")
@pytest.mark.parametrize(ROW, OREGON)
def test_oregon_setback_is_as_copied_by_the_counties(part, feature, when, feet, section):
    assert_published("us-or", part, feature, when, feet, section)


@pytest.mark.source("id-58-01-03", where="007 and 008.02.d, as recalled")
@pytest.mark.parametrize(ROW, IDAHO)
def test_idaho_setback_is_as_recalled(part, feature, when, feet, section):
    assert_published("us-id", part, feature, when, feet, section)


@pytest.mark.source("ny-75a", where="Table 2")
@pytest.mark.parametrize(ROW, NEW_YORK)
def test_new_york_setback_is_as_published(part, feature, when, feet, section):
    assert_published("us-ny", part, feature, when, feet, section)


@pytest.mark.source("ny-5b", where="Table 1")
@pytest.mark.parametrize(ROW, NEW_YORK_WELLS)
def test_new_york_well_distance_is_as_published(part, feature, when, feet, section):
    assert_published("us-ny", part, feature, when, feet, section)


@pytest.mark.source("ny-5b", where="Table 1, notes, as recalled")
@pytest.mark.parametrize(ROW, NEW_YORK_RECALLED)
def test_new_york_footnote_is_as_recalled(part, feature, when, feet, section):
    assert_published("us-ny", part, feature, when, feet, section)


@pytest.mark.source("ny-5d", where="(a), ownership and control radii")
@pytest.mark.parametrize(ROW, NEW_YORK_PUBLIC_WELLS)
def test_new_york_public_well_keeps_the_radii_of_its_owner(part, feature, when, feet, section):
    assert_published("us-ny", part, feature, when, feet, section)


@pytest.mark.source("ma-310-cmr-15", where="15.211")
@pytest.mark.parametrize(ROW, MASSACHUSETTS)
def test_massachusetts_setback_is_as_copied_by_the_town(part, feature, when, feet, section):
    assert_published("us-ma", part, feature, when, feet, section)


@pytest.mark.source("nj-7-9a", where="Table 4.3")
@pytest.mark.parametrize(ROW, NEW_JERSEY)
def test_new_jersey_setback_is_as_published(part, feature, when, feet, section):
    assert_published("us-nj", part, feature, when, feet, section)


@pytest.mark.source("tx-285", where="285.91(10), as recalled")
@pytest.mark.parametrize(ROW, TEXAS)
def test_texas_setback_is_as_recalled(part, feature, when, feet, section):
    assert_published("us-tx", part, feature, when, feet, section)


@pytest.mark.source("nc-18a-1950", where="(a), a secondary copy of the replaced rule")
@pytest.mark.parametrize(ROW, NORTH_CAROLINA)
def test_north_carolina_setback_is_that_of_the_replaced_rule(part, feature, when, feet, section):
    assert_published("us-nc", part, feature, when, feet, section)


@pytest.mark.source("epa-1980", where="Table 7-1, upper end of each range, as recalled")
@pytest.mark.parametrize(ROW, EPA_1980)
def test_typical_setback_is_the_upper_end_of_the_manuals_range(part, feature, when, feet, section):
    assert_published("us-typical", part, feature, when, feet, section)


@pytest.mark.source("ipsdc", where="Tables 406.1 and 802.8, as recalled")
@pytest.mark.parametrize(ROW, MODEL_CODES)
def test_typical_setback_is_that_of_the_model_code(part, feature, when, feet, section):
    assert_published("us-typical", part, feature, when, feet, section)


@pytest.mark.source("upc", where="Appendix H/K, as recalled")
@pytest.mark.parametrize(ROW, UPC)
def test_typical_setback_is_that_of_the_other_model_code(part, feature, when, feet, section):
    assert_published("us-typical", part, feature, when, feet, section)


@pytest.mark.parametrize(("rules_id", *ROW), RELIEFS)
def test_relief_is_on_file_and_does_not_apply_by_itself(rules_id, part, feature, when, feet, section):
    assert_published(rules_id, part, feature, when, feet, section, relief=True)
    largest = load_rules(rules_id).setback(part, feature, dict.fromkeys(when.split(), True))
    assert not largest.relief
    assert largest.distance_m > feet * FOOT_M


@pytest.mark.source("ny-75a", where="75-A.4(a)(1)")
def test_new_york_refuses_ground_over_15_percent():
    limit = load_rules("us-ny").slope_limit()
    assert (limit.max_percent, limit.citation.section) == (15, "75-A.4(a)(1)")


@pytest.mark.source("id-58-01-03", where="008.02.a")
def test_idaho_refuses_ground_over_20_percent():
    limit = load_rules("us-id").slope_limit()
    assert (limit.max_percent, limit.citation.section, limit.citation.checked) == (20, "IDAPA 58.01.03.008.02.a", True)


@pytest.mark.source("wac-173-160-171", where="(3)(b)(ii) to (iv)")
@pytest.mark.parametrize(("part", "feet"), [("septic_tank", 50), ("building_sewer", 50), ("drain_field", 100), ("reserve", 100)])
def test_washingtons_well_rule_asks_no_more_than_its_septic_table(part, feet):
    assert load_rules("us-wa").setback(part, "private_well").distance_m == pytest.approx(feet * FOOT_M, rel=1e-12)


def test_no_shipped_value_claims_a_check_that_was_not_made():
    # Only these sections were read in the code's own text, or in a legal publisher's print of it.
    read = {
        "CCC 24.17.120, Table IV",
        "75-A.4, Table 2",
        "75-A.4(a)(1)",
        "Appendix 5-B, Table 1",
        "7:9A-4.3, Table 4.3",
        "IDAPA 58.01.03.008.02.a",
    }
    claimed = {citation.section for name in shipped_rules() for citation in load_rules(name).citations if citation.checked}
    assert claimed == read


def test_replaced_rule_of_north_carolina_says_so_loudly():
    rules = load_rules("us-nc")
    assert "REPLACED" in rules.title
    assert "NOT IN FORCE" in rules.summary
    assert not any(citation.checked for citation in rules.citations)


def test_invented_county_says_that_it_is_invented():
    rules = load_rules("quillback-county")
    own = [citation for citation in rules.citations if citation.key.startswith("quillback-county/")]
    assert "INVENTED" in rules.summary
    assert len(own) == 2
    assert all("Invented" in citation.note and not citation.checked for citation in own)
