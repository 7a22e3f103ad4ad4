"""Gravity along the run, worked by hand, and the verdict: what is not known never makes a "fits"."""

import math
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


def test_verdicts_of_the_plain_cases():
    fits = {"field": True, "reserve": True, "smaller": True, "in_possible": True, "on_unknown_ground": True, "tank": True}
    assert verdict(Found(**fits, by_gravity=True))[0] == FITS_BY_GRAVITY
    assert verdict(Found(**fits, by_gravity=False))[0] == FITS_WITH_PUMP
    assert verdict(Found(True, False, False, False, False, True, True))[0] == FITS_WITHOUT_FULL_RESERVE
    assert verdict(Found(False, False, False, False, False, None, None))[0] == DOES_NOT_FIT
    assert verdict(Found(False, False, True, False, False, None, None))[0] == CANNOT_SAY


def test_nothing_unknown_ever_makes_a_fits():
    for values in product((True, False), repeat=5):
        for tank, gravity in product((True, False, None), repeat=2):
            words, _ = verdict(Found(*values, tank, gravity))
            if words in (FITS_BY_GRAVITY, FITS_WITH_PUMP):
                assert values[0] and values[1] and tank is True and gravity is not None
