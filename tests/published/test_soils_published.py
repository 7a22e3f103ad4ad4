"""Published soil criteria, conversions and separations, typed here from the sources and not from the files that ship."""

import math

import pytest

from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.io.soilfiles import load_soil_criteria
from geoseptic.model.soil_rules import RATED_DEPTH_M, SoilProperties, Span
from geoseptic.systems.soils import interpretation, needed_separations, properties
from geoseptic.units import FOOT_M, MICROMETRES_PER_SECOND_PER_UNIT

INCH_M = 0.0254
NOTHING_WRONG = {
    "slope_percent": Span.of(2),
    "bedrock_m": Span.of(9),
    "pan_m": Span.of(9),
    "water_m": Span.of(9),
    "ksat_um_s": Span.of(28),
    "flooding": "none",
    "ponding_percent": Span.of(0),
    "stones_percent": Span.of(0),
    "subsidence_m": Span.of(0),
    "permafrost": "absent",
}

NUMBERS = [
    # property, value, metres (or percent, or um/s) of its unit, class, feature
    ("subsidence_m", 25, INCH_M, "severe", "subsides"),
    ("subsidence_m", 24, INCH_M, "slight", ""),
    ("bedrock_m", 73, INCH_M, "slight", ""),
    ("bedrock_m", 72, INCH_M, "moderate", "depth to rock"),
    ("bedrock_m", 40, INCH_M, "moderate", "depth to rock"),
    ("bedrock_m", 39, INCH_M, "severe", "depth to rock"),
    ("pan_m", 73, INCH_M, "slight", ""),
    ("pan_m", 50, INCH_M, "moderate", "cemented pan"),
    ("pan_m", 39, INCH_M, "severe", "cemented pan"),
    ("water_m", 6.1, FOOT_M, "slight", ""),
    ("water_m", 6, FOOT_M, "moderate", "wetness"),
    ("water_m", 4, FOOT_M, "moderate", "wetness"),
    ("water_m", 3.9, FOOT_M, "severe", "wetness"),
    ("ponding_percent", 0.5, 1, "severe", "ponding"),
    ("ksat_um_s", 0.59, 7.0556, "severe", "percs slowly"),
    ("ksat_um_s", 0.61, 7.0556, "moderate", "percs slowly"),
    ("ksat_um_s", 1.99, 7.0556, "moderate", "percs slowly"),
    ("ksat_um_s", 2.01, 7.0556, "slight", ""),
    ("ksat_um_s", 5.99, 7.0556, "slight", ""),
    ("ksat_um_s", 6.01, 7.0556, "severe", "poor filter"),
    ("slope_percent", 7.9, 1, "slight", ""),
    ("slope_percent", 8, 1, "moderate", "slope"),
    ("slope_percent", 15, 1, "moderate", "slope"),
    ("slope_percent", 15.1, 1, "severe", "slope"),
    ("stones_percent", 24, 1, "slight", ""),
    ("stones_percent", 25, 1, "moderate", "large stones"),
    ("stones_percent", 50, 1, "moderate", "large stones"),
    ("stones_percent", 51, 1, "severe", "large stones"),
]


def rated(**changes: object):
    return interpretation(SoilProperties(**{**NOTHING_WRONG, **changes}), load_soil_criteria())


@pytest.mark.source("soil-survey-ratings", where="table of properties, classes and restrictive features")
@pytest.mark.parametrize(("name", "value", "unit", "expected", "feature"), NUMBERS)
def test_number_falls_into_the_published_class_and_names_its_feature(name, value, unit, expected, feature):
    rating = rated(**{name: Span.of(value * unit)})
    assert rating.soil_class == expected
    assert rating.limiting == ((feature,) if feature else ())


@pytest.mark.source("soil-survey-ratings", where="table of properties, line of flooding")
@pytest.mark.parametrize(("word", "expected"), [("none", "slight"), ("rare", "moderate"), ("occasional", "severe"), ("frequent", "severe")])
def test_flooding_falls_into_the_published_class(word, expected):
    assert rated(flooding=word).soil_class == expected


@pytest.mark.source("soil-survey-ratings", where="table of properties, permafrost (from memory)")
def test_permafrost_is_severe():
    assert rated(permafrost="present").limiting == ("permafrost",)


@pytest.mark.source("soil-survey-ratings", where="depths rated: 24 to 60 in")
def test_permeability_is_judged_between_24_and_60_inches():
    assert pytest.approx((24 * INCH_M, 60 * INCH_M)) == RATED_DEPTH_M


@pytest.mark.source("soil-survey-columns", where="chorizon.ksat_r, um/s (from memory): 0.6, 2.0 and 6.0 in/h")
@pytest.mark.parametrize(
    ("in_per_h", "um_per_s", "within"), [(0.6, 4.23, 0.005), (2.0, 14.1, 0.05), (6.0, 42.3, 0.05), (1.0, 7.0556, 0.00005)]
)
def test_inches_an_hour_become_micrometres_a_second(in_per_h, um_per_s, within):
    assert in_per_h * MICROMETRES_PER_SECOND_PER_UNIT["in/h"] == pytest.approx(um_per_s, abs=within)


@pytest.mark.source("soil-survey-columns", where="muaggatt: depths in cm; empty means none reported, not zero (from memory)")
def test_survey_depths_are_centimetres_and_empty_is_not_zero():
    found = properties({"brockdepmin": 102.0, "wtdepannmin": math.nan, "described_cm": 200.0})
    assert found.bedrock_m == Span.of(1.02)
    assert found.water_m == Span(2.0, math.inf)


def asked(rules: str, above: str, measured_from: str = "field_bottom", **known: object) -> tuple[float, float]:
    """Least and most that a shipped rule set asks, in feet."""
    percolation = known.pop("percolation", None)
    for needed in needed_separations(load_rules(rules).vertical_separation, known, percolation):  # type: ignore[arg-type]
        if (needed.above, needed.measured_from) == (above, measured_from):
            return round(needed.least_m / FOOT_M, 6), round(needed.most_m / FOOT_M, 6)
    raise AssertionError(f"{rules} says nothing on {above}")


@pytest.mark.source("ny-75a", where="75-A.4(a)(2): usable soil above rock, unsuitable soil and seasonal high groundwater")
@pytest.mark.parametrize("above", ["bedrock", "impermeable_layer", "high_water"])
def test_new_york_asks_four_feet_of_usable_soil(above):
    assert asked("us-ny", above, "ground") == (4, 4)


@pytest.mark.source("id-58-01-03", where="58.01.03.008.02.c: over an impermeable layer, soil groups A, B, C")
@pytest.mark.parametrize("group", ["a", "b", "c"])
def test_idaho_asks_four_feet_over_an_impermeable_layer_in_every_soil_group(group):
    assert asked("us-id", "impermeable_layer", **{f"soil_group_{group}": True}) == (4, 4)


@pytest.mark.source("id-58-01-03", where="58.01.03.008.02.c: over fractured bedrock or extremely permeable material")
@pytest.mark.parametrize(("group", "feet"), [("a", 6), ("b", 4), ("c", 3)])
def test_idaho_asks_more_over_fractured_rock_the_coarser_the_soil(group, feet):
    assert asked("us-id", "fractured_bedrock", **{f"soil_group_{group}": True}) == (feet, feet)


@pytest.mark.source("ma-310-cmr-15", where="310 CMR 15.240(1): naturally occurring pervious soil under the field")
@pytest.mark.parametrize("above", ["bedrock", "impermeable_layer"])
def test_massachusetts_asks_four_feet_of_pervious_soil(above):
    assert asked("us-ma", above) == (4, 4)


@pytest.mark.source("ma-310-cmr-15", where="310 CMR 15.212: to high groundwater, by percolation (from memory)")
@pytest.mark.parametrize(("percolation", "feet"), [(1.0, 5), (2.0, 5), (3.0, 4)])
def test_massachusetts_asks_a_foot_more_above_water_where_soil_is_fast(percolation, feet):
    assert asked("us-ma", "high_water", percolation=percolation) == (feet, feet)


@pytest.mark.source("sd-74-53-01-15", where="74:53:01:15, first sentence")
@pytest.mark.parametrize("above", ["bedrock", "impermeable_layer", "high_water"])
def test_south_dakota_asks_four_feet_of_soil_below_the_field(above):
    assert asked("us-sd", above) == (4, 4)


def test_separations_that_claim_to_be_read_are_those_that_were():
    lines = [line for name in shipped_rules() for line in load_rules(name).vertical_separation]
    assert {line.citation.section for line in lines if line.citation.checked} == {
        "75-A.4(a)(2)",
        "IDAPA 58.01.03.008.02.c",
        "310 CMR 15.240(1)",
        "74:53:01:15",
    }
