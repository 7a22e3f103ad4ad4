"""Percolation tests: what settles a hole, what is refused and by which reading, and how holes make a site."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.errors import CodeSilentError, PercolationTestError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.rules import RuleSet
from geoseptic.systems.percolation import Reading, SiteRate, site_rate
from geoseptic.units import to_metres

TYPICAL = load_rules("us-typical")
SOAKED_MIN = 24 * 60.0


def with_rule(base: RuleSet = TYPICAL, **changes: object) -> RuleSet:
    """`base` with another percolation rule; one hole is enough unless said otherwise."""
    assert base.sizing.percolation is not None
    rule = replace(base.sizing.percolation, **{"holes": 1, **changes})  # type: ignore[arg-type]
    return replace(base, sizing=replace(base.sizing, percolation=rule))


def hole(name: str, drops_in: list[float], minutes: float = 30.0, first_line: int = 2) -> list[Reading]:
    """Readings of a hole that is filled to 6 in below the mark before every fall."""
    readings, line, time_min = [], first_line, 0.0
    for drop_in in drops_in:
        readings.append(Reading(name, time_min, to_metres(6, "in"), True, line))
        time_min += minutes
        readings.append(Reading(name, time_min, to_metres(6 + drop_in, "in"), False, line + 1))
        line += 2
    return readings


def levels(name: str, depths_in: list[float], minutes: float = 30.0) -> list[Reading]:
    """Readings of a hole that is filled once."""
    return [Reading(name, minutes * n, to_metres(depth, "in"), False, n + 2) for n, depth in enumerate(depths_in)]


def rate(readings: list[Reading], rules: RuleSet, presoak_min: float | None = SOAKED_MIN) -> SiteRate:
    return site_rate(readings, rules, presoak_min=presoak_min)


def refusal(readings: list[Reading], rules: RuleSet, presoak_min: float | None = SOAKED_MIN) -> str:
    with pytest.raises(PercolationTestError) as caught:
        rate(readings, rules, presoak_min)
    return str(caught.value)


# --- when a hole has settled -------------------------------------------------------------------------------------------------------


def test_rate_is_minutes_over_inches_of_the_last_fall():
    assert rate(hole("a", [1.0, 0.75, 0.75]), with_rule()).min_per_in == pytest.approx(30 / 0.75)


def test_falls_within_a_sixteenth_have_settled_and_just_more_have_not():
    assert rate(hole("a", [1.0, 0.8125, 0.75]), with_rule()).min_per_in == pytest.approx(40)
    message = refusal(hole("a", [1.0, 0.82, 0.75]), with_rule())
    assert "hole a, line 7: a fall of 0.75 in after one of 0.82 in (line 5)" in message
    assert "go on measuring" in message


def test_two_equal_falls_are_too_few_where_the_rule_wants_three_readings():
    assert "line 5: the sheet ends after 2 measured falls; the rule asks for at least 3" in refusal(hole("a", [0.5, 0.5]), with_rule())


def test_range_rule_looks_at_all_last_falls_and_names_the_reading():
    rules = with_rule(kind="drop_range", count=4, within_m=to_metres(0.25, "in"))
    assert rate(hole("a", [2.0, 1.25, 1.15, 1.1, 1.0]), rules).min_per_in == pytest.approx(30)
    # Each falls within a quarter inch of the one before, the first and last of the four do not.
    message = refusal(hole("a", [2.0, 1.4, 1.25, 1.15, 1.0]), rules)
    assert "line 11: a fall of 1 in after one of 1.4 in (line 5)" in message


def test_enough_readings_settle_a_hole_where_the_code_says_so():
    drops = [2.0, 1.8, 1.6, 1.4, 1.2, 1.0, 0.8, 0.5]
    rules = with_rule(kind="drop_range", count=4, within_m=to_metres(0.25, "in"), settled_after=8)
    assert rate(hole("a", drops), rules).min_per_in == pytest.approx(60)
    assert "has not settled" in refusal(hole("a", drops[1:]), rules)


def test_rates_within_a_share_of_their_mean_have_settled_also_over_different_times():
    rules = with_rule(kind="same_rate", count=3, within_share=0.1, mean_of=3)
    readings = hole("a", [3.0, 3.0], 15) + [replace(r, time_min=r.time_min + 40, line=r.line + 4) for r in hole("a", [2.0], 10)]
    assert rate(readings, rules).min_per_in == pytest.approx(5)
    message = refusal(hole("a", [3.0, 2.0, 2.0], 30), rules)
    assert "line 3: 10 min/in there and 15 min/in at the end" in message


def test_falls_over_different_times_are_not_compared():
    readings = hole("a", [0.5, 0.5]) + [replace(r, time_min=r.time_min + 60, line=r.line + 4) for r in hole("a", [0.5], 20)]
    assert "measured over 30 min, the last one over 20 min" in refusal(readings, with_rule())


def test_test_must_last_as_long_as_the_rule_says():
    rules = with_rule(kind="duration", count=1, min_readings=1, duration_min=120.0)
    assert rate(hole("a", [1.0, 0.9, 0.8, 0.75]), rules).min_per_in == pytest.approx(40)
    assert "the test ends after 90 min; the rule asks for 120 min" in refusal(hole("a", [1.0, 0.9, 0.8]), rules)


def test_timed_fall_takes_the_last_inches_and_divides_within_a_reading():
    rules = with_rule(kind="fixed_fall", fall_m=to_metres(6, "in"), count=1, min_readings=1)
    # 12 in of water: 6 in are gone after 90 min, and the rest falls 2 in each half hour.
    assert rate(levels("a", [0, 2, 4, 6, 8, 10, 12]), rules).min_per_in == pytest.approx(90 / 6)
    # The last 6 in begin half way through the reading from 4 to 8.
    assert rate(levels("a", [0, 4, 8, 12]), rules).min_per_in == pytest.approx(45 / 6)
    assert "the water fell 5 in since the last filling; the rule times the last 6 in" in refusal(levels("a", [0, 2, 5]), rules)


def test_timed_fall_never_reaches_back_over_a_refill():
    rules = with_rule(kind="fixed_fall", fall_m=to_metres(3, "in"), count=1, min_readings=1)
    assert "fell 2 in since the last filling" in refusal(hole("a", [4.0, 2.0]), rules)


def test_water_that_stands_still_is_settled_and_not_suitable():
    found = rate(hole("a", [0.0, 0.0, 0.0]), with_rule())
    assert math.isinf(found.min_per_in)
    assert not found.usable
    assert any("stood still" in note for note in found.notes)


def test_rate_outside_the_limits_is_told_with_the_limit():
    found = rate(hole("a", [0.2, 0.2, 0.2]), with_rule(slowest=60))
    assert (found.usable, found.min_per_in) == (False, pytest.approx(150))
    assert any("slower than 60 min/in" in note for note in found.notes)


# --- sheets that are wrong ---------------------------------------------------------------------------------------------------------


def test_missing_presoak_and_too_few_holes_are_named_together_with_the_hole_that_did_not_settle():
    message = refusal(hole("a", [1.0, 0.9, 0.5]), TYPICAL, None)
    assert "presoak: not stated; the rule asks for 4 h" in message
    assert "holes: 1 tested (a), but the rule asks for at least 3" in message
    assert "hole a, line 7" in message


@pytest.mark.parametrize("names", ["A a A.", "1 1.0 01", "P-1 p1 P_1", "hole\u00a02 Hole2 HOLE-02".replace(" ", "|")])
def test_names_that_may_mean_one_hole_never_make_up_the_number_of_holes(names):
    parts = names.split("|") if "|" in names else names.split(" ")
    readings = [reading for n, name in enumerate(parts) for reading in hole(name, [1.0] * 3, first_line=2 + 6 * n)]
    message = refusal(readings, TYPICAL)
    assert " and ".join(f"'{name}' (first at line {2 + 6 * n})" for n, name in enumerate(parts)) in message
    assert "differ only in case" in message


def test_names_that_differ_in_a_letter_or_a_number_are_holes_of_their_own():
    for names in ("1 10 100", "A B AB", "P1 P2 P10", "+ - =", "1 2.0 20"):
        readings = [reading for name in names.split() for reading in hole(name, [1.0] * 3)]
        assert [found.hole for found in rate(readings, TYPICAL).holes] == names.split()


def test_short_presoak_is_named_with_both_times():
    assert "presoak: 2 h, but the rule asks for 4 h" in refusal(hole("a", [0.5] * 3), with_rule(), 120.0)


def test_rising_water_is_named_with_its_line():
    message = refusal(levels("a", [6, 7, 6.5, 7]), with_rule())
    assert "hole a, line 4: the water rose by 0.5 in since line 3. Mark it refilled" in message


def test_time_that_does_not_increase_is_named_with_its_line():
    readings = levels("a", [6, 7, 8])
    backward = [readings[0], readings[1], replace(readings[2], time_min=30.0)]
    assert "hole a, line 4: its time is not later than that of line 3" in refusal(backward, with_rule())


def test_refill_at_the_moment_of_a_reading_is_allowed():
    readings = [
        Reading("a", 0, 0.1, False, 2),
        *(
            reading
            for n in (1, 2, 3)
            for reading in (
                Reading("a", 30.0 * n, 0.1 + to_metres(1, "in"), False, 2 * n + 1),
                Reading("a", 30.0 * n, 0.1, True, 2 * n + 2),
            )
        ),
    ]
    assert rate(readings, with_rule()).min_per_in == pytest.approx(30)


def test_hole_with_one_reading_measures_no_fall():
    assert "hole a: no fall was measured" in refusal(hole("a", [1.0])[:1], with_rule())


def test_rule_set_without_a_percolation_test_is_silent():
    with pytest.raises(CodeSilentError, match="silent on percolation tests"):
        rate(hole("a", [1.0]), load_rules("us-wa"))


def test_unusual_interval_is_told_and_not_refused():
    found = rate(hole("a", [0.5] * 3, 20), with_rule())
    assert any("after 20 min, the rule reads every 30 or 10 min" in note for note in found.notes)


# --- the site --------------------------------------------------------------------------------------------------------------------


def three(*drops_in: float) -> list[Reading]:
    return [reading for name, drop in zip("abc", drops_in, strict=True) for reading in hole(name, [drop] * 3)]


def test_average_is_that_of_minutes_per_inch_and_not_of_inches_per_minute():
    # 20, 30 and 40 min/in: their mean is 30, that of their reciprocals 27.7.
    assert rate(three(1.5, 1.0, 0.75), TYPICAL).min_per_in == pytest.approx(30)


def test_holes_that_differ_by_more_than_twenty_are_not_averaged():
    found = rate(three(1.5, 1.0, 0.72), TYPICAL)
    assert found.min_per_in == pytest.approx(30 / 0.72)
    assert "no mean is taken" in found.how


@pytest.mark.parametrize(("combine", "expected"), [("average", 30), ("slowest", 40), ("average_of_two_slowest", 35)])
def test_holes_are_combined_as_the_rule_says(combine, expected):
    assert rate(three(1.5, 1.0, 0.75), with_rule(combine=combine)).min_per_in == pytest.approx(expected)


def test_one_unsettled_hole_refuses_the_site():
    readings = [*hole("a", [1.0] * 3), *hole("b", [1.0] * 3), *hole("c", [2.0, 1.5, 1.0])]
    assert "hole c" in refusal(readings, TYPICAL)


@given(st.lists(st.integers(1, 96), min_size=3, max_size=9), st.sampled_from([10, 30]))
def test_any_settled_sheet_ends_in_two_falls_within_a_sixteenth_and_any_other_is_refused(sixteenths, minutes):
    drops = [count / 16 for count in sixteenths]
    readings = hole("a", drops, minutes)
    if abs(drops[-1] - drops[-2]) <= 1 / 16:
        assert rate(readings, with_rule()).min_per_in == pytest.approx(minutes / drops[-1])
    else:
        assert f"line {readings[-1].line}" in refusal(readings, with_rule())


@given(st.permutations(three(1.5, 1.0, 0.75)))
def test_order_of_holes_in_the_sheet_does_not_matter(readings):
    mixed = sorted(readings, key=lambda reading: (reading.time_min, reading.line))
    by_hole = [reading for name in "abc" for reading in mixed if reading.hole == name]
    assert all(before.time_min <= after.time_min for before, after in pairwise(mixed))
    assert rate(mixed, TYPICAL).min_per_in == pytest.approx(rate(by_hole, TYPICAL).min_per_in)
