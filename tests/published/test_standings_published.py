"""What codes say of old systems, typed here from the sources and not from the files that ship."""

from datetime import date

import pytest

from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.model.standing_rules import EXISTING, KINDS, SILENCE


def lines(rules: str, kind: str) -> set[tuple[str, str, str, str]]:
    """(new, since, existing, from) of every line of a kind."""
    return {(line.new, line.new_since, line.existing, line.existing_from) for line in load_rules(rules).standing(kind).lines}


@pytest.mark.source("nj-7-9a-3-16", where="7:9A-3.16(a) and (b)")
def test_new_jersey_replaces_a_cesspool_that_needs_repair_and_every_one_at_sale_from_2012_06_02():
    assert lines("us-nj", "cesspool") >= {("", "", "replace_on_failure", ""), ("", "", "replace_at_sale", "2012-06-02")}
    standing = load_rules("us-nj").standing("cesspool")
    assert standing.existing(date(2012, 6, 1)) == ("replace_on_failure",)
    assert standing.existing(date(2012, 6, 2)) == ("replace_at_sale", "replace_on_failure")


@pytest.mark.source("nj-7-9a-3-16", where="7:9A-3.16(a), first sentence of the order, and (b)")
def test_new_jersey_orders_a_privy_that_is_found_to_be_abandoned():
    assert lines("us-nj", "privy") >= {("", "", "banned", ""), ("", "", "replace_at_sale", "2012-06-02")}


@pytest.mark.source("nj-7-9a-3-16", where="7:9A-7.6, second and third sentence")
def test_new_jersey_lets_a_seepage_pit_be_built_only_to_alter_a_malfunctioning_system():
    assert lines("us-nj", "seepage_pit") == {("repair_only", "", "", "")}


@pytest.mark.source("ma-310-cmr-15-303", where="15.303(1)(a)6")
def test_massachusetts_fails_a_metal_tank_without_a_certificate_of_the_last_20_years():
    (line,) = load_rules("us-ma").standing("metal_tank").lines
    assert (line.existing, "20 years" in line.unless) == ("counts_as_failed", True)


@pytest.mark.source("ma-310-cmr-15-303", where="15.303(1)(a)4, 5 and 7, (b)1")
def test_massachusetts_upgrades_a_cesspool_that_fails_and_counts_one_in_groundwater_as_failed():
    found = {line.existing: line for line in load_rules("us-ma").standing("cesspool").lines}
    assert set(found) == {"counts_as_failed", "replace_on_failure"}
    assert "high groundwater" in found["counts_as_failed"].only
    assert all(words in found["replace_on_failure"].note for words in ("6 in", "half a day", "four times a year"))


@pytest.mark.source("wi-sps-383-32", where="SPS 383.32(1)(d), (e) and (f)")
@pytest.mark.parametrize("kind", ["cesspool", "straight_pipe"])
def test_wisconsin_bans_also_what_existed_before_2000_07_01(kind):
    assert lines("us-wi", kind) == {("banned", "2000-07-01", "banned", "")}


@pytest.mark.source("ri-23-19-15", where="23-19.15-12(a)")
def test_rhode_island_replaces_a_cesspool_within_twelve_months_of_a_sale():
    (line,) = [line for line in load_rules("us-ri").standing("cesspool").lines if line.existing == "replace_at_sale"]
    assert "twelve months" in line.note and line.citation.section == "23-19.15-12(a)"


@pytest.mark.source("ri-23-19-15", where="23-19.15-6(b)(3)")
def test_rhode_island_ends_cesspools_within_200_feet_of_public_wells_and_shores_on_2014_01_01():
    (line,) = [line for line in load_rules("us-ri").standing("cesspool").lines if line.existing == "replace_by_date"]
    assert line.existing_from == "2014-01-01" and line.only.startswith("within 200 ft of a public well")


@pytest.mark.source("ri-23-19-15", where="250-RICR-150-10-6.57(A)")
def test_rhode_island_replaces_a_cesspool_that_fails():
    assert ("", "", "replace_on_failure", "") in lines("us-ri", "cesspool")


@pytest.mark.source("hi-342d-72", where="342D-72(a) and (b)")
def test_hawaii_replaces_every_cesspool_before_2050_01_01_unless_exempted():
    (line,) = [line for line in load_rules("us-hi").standing("cesspool").lines if line.existing]
    assert (line.existing, line.existing_from) == ("replace_by_date", "2050-01-01")
    assert all(words in line.unless for words in ("small lot", "steep ground", "poor soil", "access"))


@pytest.mark.source("mn-7080-2550", where="subpart 1")
@pytest.mark.parametrize("kind", ["seepage_pit", "dry_well"])
def test_minnesota_counts_pits_as_not_compliant_unless_local_standards_let_them_stay(kind):
    (line,) = load_rules("us-mn").standing(kind).lines
    assert (line.existing, "alternative standards" in line.unless) == ("counts_as_failed", True)


@pytest.mark.source("cfr-40-144-88", where="(a), Table 1")
def test_the_federal_rule_ends_large_cesspools_on_2005_04_05_and_bans_new_ones_from_2000_04_05():
    assert lines("us-epa", "cesspool") == {("banned", "2000-04-05", "replace_by_date", "2005-04-05")}
    # A single-family home is not meant, so of a cesspool in general it says nothing.
    assert load_rules("us-epa").standing("cesspool").new is None


@pytest.mark.source("fallsburg-230", where="item D, last sentence")
def test_fallsburg_makes_it_unlawful_to_use_a_cesspool_since_2015_05_18():
    assert lines("us-ny-fallsburg", "cesspool") == {("", "", "banned", "2015-05-18")}


@pytest.mark.source("rcw-70a-110-020", where="(3)(d), with the counties of (4)")
@pytest.mark.parametrize("kind", ["cesspool", "seepage_pit"])
def test_washington_counts_a_pit_that_spoils_water_as_failing_round_puget_sound(kind):
    (line,) = [line for line in load_rules("us-wa").standing(kind).lines if line.citation.checked]
    assert line.existing == "counts_as_failed" and "Puget Sound" in line.only and "evidence" in line.only


@pytest.mark.source("ny-74-4", where="74.4(b), first sentence")
def test_new_york_asks_a_septic_tank_of_every_system_in_a_realty_subdivision():
    (line,) = load_rules("us-ny").standing("cesspool").lines
    assert (line.new, line.existing, "realty subdivisions" in line.only) == ("banned", "", True)


def test_no_standing_claims_a_check_that_was_not_made():
    # Only these sections were read in the code's own text, or in a legal publisher's print of it.
    read = {
        "7:9A-3.16", "7:9A-7.6", "310 CMR 15.303(1)", "SPS 383.32(1)(d) to (f)", "23-19.15-12(a)", "23-19.15-6(b)", "6.57(A)", "342D-72",
        "7080.2550, subpart 1", "144.88(a), Table 1", "RCW 70A.110.020(3)(d)", "on private wastewater disposal, item D", "74.4(b)",
    }  # fmt: skip
    assert {cite.section for name in shipped_rules() for cite in load_rules(name).standing_citations if cite.checked} == read


@pytest.mark.parametrize("name", shipped_rules())
def test_a_standing_from_memory_says_so_where_it_is_printed(name):
    for citation in load_rules(name).standing_citations:
        assert ("not checked" in str(citation)) is not citation.checked
        assert citation.checked or citation.note


@pytest.mark.parametrize("name", shipped_rules())
def test_no_shipped_set_says_that_an_old_system_may_stay_where_its_code_was_not_found_to(name):
    # None of the texts that were read lets a pit or a cesspool stay: whoever adds one that does must change this.
    rules = load_rules(name)
    assert not any("allowed_if_working" in rules.standing(kind).existing() or rules.standing(kind).new == "allowed" for kind in KINDS)


@pytest.mark.parametrize("name", ["us-tx", "us-id", "us-nc", "us-typical"])
def test_codes_of_which_nothing_was_read_are_silent(name):
    assert all(load_rules(name).standing(kind).words == SILENCE for kind in KINDS)
    assert all(load_rules(name).standing(kind).existing() == () for kind in KINDS)


def test_an_invented_county_adds_to_its_state():
    standing = load_rules("quillback-county").standing("cesspool")
    assert standing.existing() == ("counts_as_failed", "replace_at_sale", "replace_on_failure")
    assert list(standing.existing()) == [word for word in EXISTING if word in standing.existing()]
