"""Units of length, held against the definitions of the two feet."""

import math
from fractions import Fraction

import pytest

from geoseptic.errors import UnknownUnitError
from geoseptic.units import METRES_PER_UNIT, from_metres, in_both_units, metres_per, to_metres


@pytest.mark.source("nist_sp811", where="appendix B.6: 1 ft = 0.3048 m exactly, 1 in = 2.54 cm exactly")
@pytest.mark.parametrize(("unit", "metres"), [("ft", "0.3048"), ("foot", "0.3048"), ("in", "0.0254"), ("cm", "0.01"), ("m", "1")])
def test_international_units_are_exact(unit: str, metres: str):
    assert to_metres(1, unit) == pytest.approx(float(Fraction(metres)), rel=1e-15)


@pytest.mark.source("nist_sp811", where="appendix B.6: 1 US survey foot = 1200/3937 m exactly")
@pytest.mark.parametrize("unit", ["US survey foot", "ftUS"])
def test_us_survey_foot_is_1200_parts_in_3937(unit: str):
    assert to_metres(3937, unit) == pytest.approx(1200, rel=1e-15)
    assert metres_per(unit) == pytest.approx(0.3048006096, abs=1e-10)


@pytest.mark.source("fr-survey-foot-2020", where="the two feet differ by 2 parts in a million")
def test_the_two_feet_differ_by_1_metre_20_at_two_million_feet():
    assert to_metres(2_000_000, "ftUS") - to_metres(2_000_000, "ft") == pytest.approx(1.2192, abs=0.0001)
    assert metres_per("ftUS") / metres_per("ft") - 1 == pytest.approx(2e-6, rel=1e-4)


def test_usual_setbacks_in_metres():
    assert to_metres(100, "ft") == pytest.approx(30.48)
    assert to_metres(50, "ft") == pytest.approx(15.24)
    assert to_metres(10, "ft") == pytest.approx(3.048)


@pytest.mark.parametrize("unit", sorted(METRES_PER_UNIT))
@pytest.mark.parametrize("value", [0.0, 1.0, -3.5, 123456.789])
def test_there_and_back_is_the_same_length(unit: str, value: float):
    assert from_metres(to_metres(value, unit), unit) == pytest.approx(value, rel=1e-15)
    assert math.isclose(metres_per(unit), to_metres(1.0, unit))


@pytest.mark.parametrize("unit", ["", "FT", "yard", "degree", "acre", "us-ft"])
def test_unknown_unit_is_refused_with_the_known_ones(unit: str):
    for convert in (to_metres, from_metres):
        with pytest.raises(UnknownUnitError, match="ftUS") as refused:
            convert(1.0, unit)
        assert isinstance(refused.value, ValueError)
        assert refused.value.unit == unit


@pytest.mark.parametrize(
    ("length_m", "text"),
    [(15.24, "15.24 m (50 ft)"), (4.0, "4 m (13.1 ft)"), (1609.344, "1609.34 m (5280 ft)"), (0.05, "0.05 m (0.2 ft)"), (0.0, "0 m (0 ft)")],
)
def test_length_in_a_message_is_told_in_metres_and_feet(length_m: float, text: str):
    assert in_both_units(length_m) == text
