"""Gravity along the run, worked by hand, and the verdict: what is not known never makes a "fits"."""

import math
from dataclasses import replace
from itertools import product

import pytest

from geoseptic.systems.gravity import Burial, profile
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE, Found, verdict

FT = 0.3048


def test_inverts_along_a_run_worked_by_hand():
    # House 100 ft, cover 2 ft -> 98.00; 24 ft of sewer at 1/4 in -> 97.50; outlet 3 in lower -> 97.25; 96 ft at 1/8 in -> 96.25.
    found = profile(100 * FT, 100 * FT, 97 * FT, 24 * FT, 96 * FT, Burial())
    assert (found.tank_inlet_m / FT, found.tank_outlet_m / FT) == (pytest.approx(97.5), pytest.approx(97.25))
    assert found.arrives_at_m / FT == pytest.approx(96.25)
    assert found.by_gravity  # the field's pipe lies at 95.5 ft
    uphill = profile(100 * FT, 100 * FT, 104 * FT, 24 * FT, 96 * FT, Burial())
    assert uphill.lift_m / FT == pytest.approx(102.5 - 96.25)


def test_unknown_height_claims_neither_gravity_nor_pump():
    assert profile(math.nan, 30.0, 29.0, 5.0, 20.0, Burial()) is None


def test_assumptions_are_told_in_feet_and_inches():
    assert "2 ft below ground at the house" in Burial().in_words()
    assert "0.25 in a foot" in Burial().in_words()


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
