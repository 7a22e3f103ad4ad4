"""Triage of lots without paper: cases worked out by hand from the stated rules, and what no input may ever make of it."""

from itertools import product

import pytest

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.standing_rules import KINDS, SILENCE
from geoseptic.systems import triage as t
from geoseptic.systems.triage import Facts, triage

RULES = load_rules("us-typical")


def facts(year: float | None = 1950, **changes: object) -> Facts:
    """A house of 1950 with nothing on file; `permit_year` is turned into its era."""
    permit_year = changes.pop("permit_year", None)
    values: dict[str, object] = {
        "built": "yes",
        "era": None if year is None else RULES.era(year),
        "permit_on_file": False,
        "permit_system": None,
        "permit_era": None if permit_year is None else RULES.era(permit_year),
        "permit_before_house": permit_year is not None and year is not None and permit_year < year,
        "public_sewer": False,
        "well": "recorded",
        "second_building": "none",
        "small_lot": False,
    }
    return Facts(**{**values, **changes})


@pytest.mark.parametrize(
    ("year", "answer", "cesspool", "first"),
    [
        (1890, t.PIT_LIKELY, "likely", "cesspool"),
        (1939, t.PIT_LIKELY, "likely", "cesspool"),
        (1940, t.PIT_LIKELY, "likely", "cesspool"),
        (1960, t.PIT_LIKELY, "likely", "cesspool"),
        (1961, t.PIT_POSSIBLE, "possible", "tank_and_field"),
        (1979, t.PIT_POSSIBLE, "possible", "tank_and_field"),
        (1980, t.TANK_EXPECTED, "not expected", "tank_and_field"),
    ],
)
def test_by_age_alone_the_commonest_kind_of_the_era_comes_first(year, answer, cesspool, first):
    found = triage(facts(year), RULES)
    assert (found.answer, found.cesspool, found.likely[0]) == (answer, cesspool, first)
    assert found.basis == "the age of the house alone (common practice, no source)"


def test_an_unknown_year_stays_unknown_and_is_asked_for():
    found = triage(facts(None), RULES)
    assert (found.answer, found.cesspool, found.likely) == (t.UNKNOWN, "unknown", ())
    assert any("year of building" in question for question in found.ask_first)


def test_a_permit_that_says_what_it_is_for_comes_before_the_age_and_keeps_the_older_pit_open():
    found = triage(facts(1950, permit_on_file=True, permit_system="tank_and_field"), RULES)
    assert (found.likely, found.basis) == (("tank_and_field",), t.BY_PERMIT)
    # The house began with a pit, and nobody has said that it was filled.
    assert (found.answer, found.cesspool) == (t.PIT_POSSIBLE, "possible")
    assert any("an older pit may lie beside it" in reason for reason in found.reasons)


def test_a_permit_for_a_cesspool_makes_one_likely_whatever_the_age():
    assert triage(facts(1995, permit_on_file=True, permit_system="cesspool"), RULES).cesspool == "likely"


def test_a_permit_without_a_kind_counts_by_its_year_and_the_age_stays_possible():
    found = triage(facts(1950, permit_on_file=True, permit_year=2005), RULES)
    assert found.likely == ("tank_and_field",) and "cesspool" in found.possible
    assert found.ask_first[0] == "read the permit and its as-built drawing"


def test_a_permit_older_than_the_house_is_of_an_earlier_one():
    found = triage(facts(1970, permit_on_file=True, permit_year=1930), RULES)
    assert found.likely == ("tank_and_field",)
    assert "the permit is older than the house: it may be of an earlier one" in found.reasons


def test_a_kind_in_a_column_of_a_lot_without_a_permit_is_told_as_a_contradiction():
    found = triage(facts(1950, permit_on_file=False, permit_system="tank_and_field"), RULES)
    assert found.cesspool == "likely"
    assert any("Clear that up first" in reason for reason in found.reasons)


def test_on_a_sewer_the_old_system_may_still_be_there():
    found = triage(facts(1950, public_sewer=True), RULES)
    assert (found.answer, found.cesspool) == (t.ON_SEWER, "may remain")
    assert any("filled" in question for question in found.ask_first)


def test_a_sewer_that_nobody_knows_of_is_asked_for():
    assert any("sewer utility" in question for question in triage(facts(1950, public_sewer=None), RULES).ask_first)


def test_a_small_lot_brings_pits_forward():
    assert triage(facts(1970), RULES).possible == ("metal_tank", "seepage_pit", "cesspool")
    assert triage(facts(1970, small_lot=True), RULES).possible == ("seepage_pit", "cesspool", "metal_tank")


def test_a_presumed_well_is_looked_for_before_anything_else():
    found = triage(facts(1950, well="presumed"), RULES)
    assert found.well == "none on record: presumed to be somewhere on the lot"
    assert found.ask_first[0].startswith("find the well")


def test_a_second_building_may_have_a_system_of_its_own():
    assert triage(facts(second_building="possible"), RULES).second_system == "a second building over the size may have one"
    assert "may still have plumbing" in triage(facts(second_building="not a dwelling"), RULES).second_system


def test_the_standing_is_told_of_every_likely_kind_and_of_a_possible_cesspool():
    standing = triage(facts(1970), RULES).standing
    assert standing.startswith("septic tank with a drain field: ") and "; cesspool: " in standing
    assert standing.count(SILENCE) >= 1


def test_no_record_ever_clears_a_house_of_an_older_age():
    # Every combination of what may be on record: a house of before 1961 keeps its pit, and what is not known is never "no house".
    options = product(
        ("yes", "unknown"), (None, 1930, 1955), (True, False, None), (None, "tank_and_field"), (None, 1925, 1990), (True, False, None),
        ("presumed", "recorded", "public", "unknown"), (True, False),
    )  # fmt: skip
    for built, year, permit, system, permit_year, sewer, well, small in options:
        found = triage(
            facts(
                year, built=built, permit_on_file=permit, permit_system=system, permit_year=permit_year, public_sewer=sewer, well=well,
                small_lot=small,
            ),
            RULES,
        )  # fmt: skip
        assert found.answer in t.ANSWERS and found.answer not in (t.NO_HOUSE, t.TANK_EXPECTED)
        assert found.cesspool in ("likely", "possible", "unknown" if year is None else "likely", "may remain" if sewer else "likely")
        assert {*found.likely, *found.possible} <= set(KINDS)


def test_a_year_that_is_none_is_not_known():
    assert [str(t.known_year(year, 2026)) for year in (0.0, 19.0, 19500.0, 1880.0)] == ["nan", "nan", "nan", "1880.0"]


@pytest.mark.parametrize("kind", ["privy", "dry_well", "straight_pipe"])
def test_a_permit_for_another_kind_without_a_tank_does_not_rule_out_a_cesspool(kind):
    """Such a permit tells of raw waste water in the ground or the open: its lot must not come as late as one with a tank."""
    found = triage(facts(1995, permit_on_file=True, permit_system=kind), RULES)
    assert (found.answer, found.cesspool) == (t.PIT_LIKELY, "unknown")
