"""Gravity along the run, worked by hand, and the verdict: what is not known never makes a "fits"."""

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from geoseptic.io.rulefiles import load_rules
from geoseptic.systems.gravity import Burial, Ground, profile
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE, Found, verdict

FT = 0.3048


def along(*station_and_height_ft):
    """Ground along a line, from pairs in feet."""
    stations, heights = np.array(station_and_height_ft, float).T * FT
    return Ground(stations, heights)


SEWER = along((0, 100), (24, 100))


def test_inverts_along_a_run_worked_by_hand():
    # House 100 ft, cover 2 ft -> 98.00; 24 ft of sewer at 1/4 in -> 97.50; outlet 3 in lower -> 97.25; 96 ft at 1/8 in -> 96.25.
    found = profile(SEWER, along((0, 100), (96, 97.5)), 97 * FT, Burial())
    assert (found.tank_inlet_m / FT, found.tank_outlet_m / FT) == (pytest.approx(97.5), pytest.approx(97.25))
    assert found.arrives_at_m / FT == pytest.approx(96.25)
    assert found.by_gravity  # the field's pipe lies at 95.5 ft
    uphill = profile(SEWER, along((0, 100), (96, 104)), 104 * FT, Burial())
    # A pump lifts from the outlet to the line's highest point, 1 ft under the ground there, and makes up for the fall of 1 ft on 96.
    assert uphill.lift_m / FT == pytest.approx(103 - 97.25 + 1)


def test_gully_between_tank_and_field_takes_the_fall_away():
    """Both ends alone would read as gravity."""
    gully = profile(SEWER, along((0, 100), (50, 90), (100, 96)), 96 * FT, Burial())
    assert gully.arrives_at_m / FT == pytest.approx(89 - 50 * 0.125 / 12)
    assert not gully.by_gravity
    assert gully.lift_m / FT == pytest.approx(99 - 97.25 + 100 * 0.125 / 12)  # over the ground at the tank itself


def test_ridge_between_tank_and_field_is_pumped_over_where_it_is_too_high_to_dig_through():
    low, high = (profile(SEWER, along((0, 100), (50, top), (100, 92)), 92 * FT, Burial()) for top in (102, 120))
    assert low.by_gravity
    assert low.deepest_m / FT == pytest.approx(102 - (97.25 - 50 * 0.125 / 12))
    assert "collapse" in " ".join(low.notes)
    assert high.lift_m / FT == pytest.approx(119 - 97.25 + 100 * 0.125 / 12)


def test_unknown_height_anywhere_on_the_way_claims_neither_gravity_nor_pump():
    assert profile(SEWER, along((0, 100), (50, math.nan), (100, 92)), 92 * FT, Burial()) is None
    assert profile(along((0, math.nan), (24, 100)), along((0, 100), (96, 97)), 97 * FT, Burial()) is None
    assert profile(SEWER, along((0, 100), (96, 97)), math.nan, Burial()) is None


def test_assumptions_are_told_in_feet_and_inches():
    assert "2 ft below ground at the house" in Burial().in_words()
    assert "0.25 in a foot (common practice, the rule set states none)" in Burial().in_words()


@pytest.mark.parametrize(
    ("rules", "fall", "words"),
    [
        ("us-ny", 0.25 / 12, "sewer falls 0.25 in a foot (least by 75-A.5(a))"),
        ("us-tx", 0.125 / 12, "sewer falls 0.125 in a foot (least by 285.32(a)(3), not checked against the code text)"),
        ("us-ma", 0.25 / 12, "sewer falls 0.25 in a foot (common practice, the rule set states none)"),
    ],
)
def test_sewer_falls_as_the_code_asks_and_says_whose_fall_it_is(rules, fall, words):
    burial = Burial.by_code(load_rules(rules).sizing, sewer_cover_m=1.0, field_pipe_depth_m=0.5)
    assert burial == replace(Burial(), sewer_cover_m=1.0, field_pipe_depth_m=0.5, sewer_fall_m_per_m=fall, sewer_rule=burial.sewer_rule)
    assert words in burial.in_words()
    # 24 ft of sewer, worked by hand.
    assert profile(SEWER, SEWER, 97 * FT, burial).tank_inlet_m / FT == pytest.approx(100 - 1 / FT - 24 * fall)


FITS = Found(field=True, reserve=True, planned=True, smaller=True, in_possible=True, on_unknown_ground=True, tank=True, by_gravity=True)
NOTHING = Found(
    field=False, reserve=False, planned=False, smaller=False, in_possible=False, on_unknown_ground=False, tank=None, by_gravity=None
)


def test_verdicts_of_the_plain_cases():
    assert verdict(FITS) == (FITS_BY_GRAVITY, ())
    assert verdict(replace(FITS, by_gravity=False)) == (FITS_WITH_PUMP, ())
    field_alone = replace(NOTHING, field=True, tank=True, by_gravity=True)
    assert verdict(field_alone) == (FITS_WITHOUT_FULL_RESERVE, ())
    assert verdict(NOTHING) == (DOES_NOT_FIT, ())
    assert verdict(replace(FITS, soil_forbids="too slow")) == (DOES_NOT_FIT, ("too slow",))


@pytest.mark.parametrize(
    ("missing", "words"),
    [
        ({"planned": True, "smaller": True}, "planned for would fit"),
        ({"smaller": True}, "only the smallest"),
        ({"in_possible": True, "open_setbacks": "private well W-7"}, "private well W-7"),
        ({"on_unknown_ground": True}, "elevation"),
    ],
)
def test_fact_that_would_change_the_answer_is_named(missing, words):
    said, why = verdict(replace(NOTHING, **missing))
    assert said == CANNOT_SAY
    assert words in why[0]


def test_tank_without_a_place_spoils_the_fit_unless_an_open_setback_took_the_place():
    assert verdict(replace(FITS, tank=False))[0] == DOES_NOT_FIT
    assert verdict(replace(FITS, tank=False, tank_in_possible=True))[0] == CANNOT_SAY


def test_layout_in_doubt_is_not_said_to_fit():
    for found in (FITS, replace(FITS, by_gravity=False), replace(NOTHING, field=True, tank=True, by_gravity=True)):
        assert verdict(replace(found, doubts=("the sewer crosses the creek",))) == (CANNOT_SAY, ("the sewer crosses the creek",))


def test_nothing_unknown_ever_makes_a_fits():
    names = ("field", "reserve", "planned", "smaller", "in_possible", "on_unknown_ground", "tank_in_possible")
    for values in product((True, False), repeat=len(names)):
        for tank, gravity, doubts in product((True, False, None), (True, False, None), ((), ("doubt",))):
            words, _ = verdict(Found(**dict(zip(names, values, strict=True)), tank=tank, by_gravity=gravity, doubts=doubts))
            if words in (FITS_BY_GRAVITY, FITS_WITH_PUMP):
                assert values[0] and values[1] and tank is True and gravity is not None and not doubts
            if words == FITS_WITHOUT_FULL_RESERVE:
                assert values[0] and tank is True and gravity is not None and not doubts
