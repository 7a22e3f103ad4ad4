"""Soil-survey map units: what an empty column means, the rating with its unknowns, and the separation from rock and water."""

import math

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.errors import ParameterError
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.soilfiles import load_soil_criteria
from geoseptic.model.checking import check
from geoseptic.model.layers import SOILS
from geoseptic.model.sizing_rules import Band
from geoseptic.model.soil_rules import CLASSES, UNKNOWN, SoilProperties, Span, VerticalSeparation
from geoseptic.model.soil_survey import SLOPE_CLASSES_PERCENT
from geoseptic.systems.soils import interpretation, limiting_depths, needed_separations, properties, separation, soil_properties, worst_of
from geoseptic.systems.soils import vertical_verdict as verdict_of
from tests.parcels.worlds import CITED

FOOT_M = 0.3048
GOOD = {
    "slopegraddcp": 4.0,
    "brockdepmin": math.nan,
    "wtdepannmin": math.nan,
    "described_cm": 203.0,
    "resdept_r": math.nan,
    "reskind": None,
    "ksat_r": 28.0,
    "flodfreqdcd": "None",
    "pondfreqprs": "0",
    "frag_over_3in": 2.0,
    "totalsub_r": 0.0,
    "drclassdcd": "Well drained",
}
"""A map unit of which everything is known and nothing is wrong."""


def rated(**changes: object):
    row = {**GOOD, **changes}
    return interpretation(properties({name: value for name, value in row.items() if value != "absent"}), load_soil_criteria())


def test_soil_without_any_limitation_is_slight_when_everything_is_known():
    rating = rated()
    assert (rating.soil_class, rating.limiting, rating.unknown) == ("slight", (), ())


@pytest.mark.parametrize("column", ["slopegraddcp", "brockdepmin", "wtdepannmin", "resdept_r", "ksat_r", "flodfreqdcd", "pondfreqprs"])
def test_missing_column_makes_a_good_soil_unknown_and_never_slight(column):
    rating = rated(**{column: "absent"})
    assert rating.soil_class == "unknown"
    assert rating.at_best == "slight" and rating.at_worst == "severe"
    assert rating.unknown


@pytest.mark.parametrize("column", ["slopegraddcp", "brockdepmin", "wtdepannmin", "resdept_r", "ksat_r", "flodfreqdcd", "pondfreqprs"])
def test_severe_feature_stays_severe_whatever_else_is_missing(column):
    rating = rated(**{column: "absent", "totalsub_r": 100.0})
    assert rating.soil_class == "severe"
    assert rating.limiting == ("subsides",)
    assert rating.unknown == ()


def test_empty_depth_counts_as_none_only_down_to_the_described_depth():
    assert properties(GOOD).bedrock_m == Span(2.03, math.inf)
    assert rated(described_cm=150.0).soil_class == "unknown", "rock from 40 to 72 in would be moderate"
    assert rated(described_cm=150.0).at_worst == "moderate"
    assert rated(described_cm="absent").at_worst == "severe"
    assert properties({**GOOD, "described_cm": math.nan, "hzdepb_r": 190.0}).bedrock_m.low == pytest.approx(1.9)


def test_rock_at_the_surface_is_not_an_empty_depth():
    rating = rated(brockdepmin=0.0)
    assert rating.soil_class == "severe" and rating.limiting == ("depth to rock",)


@pytest.mark.parametrize("value", [-9999.0, -1.0, math.inf])
def test_number_that_cannot_be_is_unknown_rather_than_none(value):
    assert properties({**GOOD, "brockdepmin": value}).bedrock_m == UNKNOWN
    assert rated(slopegraddcp=value).soil_class == "unknown"


def test_wet_drainage_class_contradicts_an_empty_water_table():
    assert rated(drclassdcd="Poorly drained").soil_class == "unknown"
    assert rated(drclassdcd="Poorly drained", wtdepannmin=15.0).limiting == ("wetness",)


def test_water_table_of_spring_alone_bounds_that_of_the_year():
    assert properties({"wtdepaprjunmin": 60.0}).water_m == Span(-math.inf, 0.6)
    assert rated(wtdepannmin="absent", wtdepaprjunmin=60.0).soil_class == "severe"
    assert rated(wtdepannmin="absent", wtdepaprjunmin=300.0).soil_class == "unknown"
    assert rated(wtdepannmin="absent", wtdepaprjunmin=math.nan).soil_class == "unknown"
    assert properties({"wtdepannmin": 90.0, "wtdepaprjunmin": 60.0}).water_m == Span.of(0.6)


def test_fast_and_slow_soil_are_both_severe_and_named_apart():
    assert rated(ksat_r=100.0).limiting == ("poor filter",)
    assert rated(ksat_r=1.0).limiting == ("percs slowly",)
    assert rated(ksat_r=100.0).soil_class == rated(ksat_r=1.0).soil_class == "severe"


def test_conductivity_of_a_horizon_outside_the_rated_depth_says_nothing():
    assert rated(hzdept_r=0.0, hzdepb_r=40.0).unknown == ("permeability",)
    assert rated(hzdept_r=60.0, hzdepb_r=150.0).soil_class == "slight"


@pytest.mark.parametrize(
    ("words", "span"),
    [("0", Span.of(0)), ("0.0", Span.of(0)), ("5", Span.of(5)), ("0-14%", Span(0, 14)), ("15 - 49 %", Span(15, 49)), ("some", UNKNOWN)],
)
def test_ponding_is_read_as_a_number_or_a_class(words, span):
    assert properties({"pondfreqprs": words}).ponding_percent == span


def test_ponding_class_that_holds_zero_is_unknown_and_one_that_does_not_is_severe():
    assert rated(pondfreqprs="0-14%").unknown == ("ponding",)
    assert rated(pondfreqprs="15-49%").limiting == ("ponding",)


def test_word_that_the_survey_does_not_use_is_unknown():
    assert rated(flodfreqdcd="sometimes").unknown == ("flooding",)


def test_restrictive_layer_is_a_pan_rock_or_a_tight_layer_by_its_kind():
    pan, rock = (
        properties({**GOOD, "resdept_r": 60.0, "reskind": "Duripan"}),
        properties({**GOOD, "resdept_r": 60.0, "reskind": "Lithic bedrock"}),
    )
    fragipan = properties({**GOOD, "resdept_r": 60.0, "reskind": "Fragipan"})
    assert pan.pan_m == pan.restriction_m == Span.of(0.6) and pan.bedrock_m == Span(2.03, math.inf)
    assert rock.bedrock_m == Span.of(0.6) and rock.pan_m == Span(0.6, math.inf)
    assert fragipan.restriction_m == Span.of(0.6) and fragipan.pan_m == Span(0.6, math.inf)
    nameless = properties({"resdept_r": 60.0})
    assert nameless.restriction_m == Span(0.6, math.inf) and nameless.bedrock_m == UNKNOWN


def test_named_layer_without_a_depth_is_a_gap_in_the_record_and_not_none():
    found = properties({**GOOD, "reskind": "lithic bedrock"})
    assert found.restriction_m == found.pan_m == found.bedrock_m == UNKNOWN
    assert rated(reskind="lithic bedrock", brockdepmin="absent").soil_class == "unknown"
    assert rated(reskind="duripan").soil_class == "unknown"


def test_permafrost_is_present_absent_or_unknown():
    assert rated(reskind="permafrost", resdept_r=90.0).soil_class == "severe"
    assert properties(GOOD).permafrost == "absent"
    assert properties({}).permafrost is None
    assert properties({"resdept_r": math.nan, "reskind": None}).permafrost is None, "the described depth is not stated"


def test_nothing_known_is_unknown_from_slight_to_severe():
    rating = interpretation(properties({}), load_soil_criteria())
    assert (rating.at_best, rating.at_worst) == ("slight", "severe")
    assert set(rating.unknown) == {
        "flooding", "depth to bedrock", "depth to a cemented pan", "ponding", "depth to high water", "permeability", "slope",
        "large stones", "subsidence", "permafrost",
    }  # fmt: skip


def test_words_of_a_rating_name_what_limits_and_what_is_not_known():
    assert rated(slopegraddcp=10.0).words == "moderate (slope)"
    assert rated(slopegraddcp=10.0, frag_over_3in="absent").words == "unknown: at best moderate (slope); not known: large stones"
    assert rated().words == "slight"


NUMBERS = sorted(name for name, value in GOOD.items() if isinstance(value, float))
# The drainage class is left in: it only ever takes an empty water table back.
DROPPED = sorted(set(GOOD) - {"drclassdcd"})


@settings(max_examples=300)
@given(
    st.dictionaries(st.sampled_from(NUMBERS), st.sampled_from([math.nan, 0.0, 10.0, 30.0, 80.0, 150.0, 300.0])),
    st.sampled_from([None, "fragipan", "duripan", "lithic bedrock", "permafrost"]),
    st.sets(st.sampled_from(DROPPED)),
)
def test_range_without_some_columns_holds_the_range_with_them(numbers, kind, dropped):
    if kind == "lithic bedrock":
        numbers["resdept_r"] = numbers.get("brockdepmin", math.nan)
    known = rated(**numbers, reskind=kind)
    less = rated(**{**numbers, "reskind": kind, **dict.fromkeys(dropped, "absent")})
    assert CLASSES.index(less.at_best) <= CLASSES.index(known.at_best)
    assert CLASSES.index(less.at_worst) >= CLASSES.index(known.at_worst)


def test_worst_of_several_soils_keeps_the_severe_one_and_its_feature():
    good, steep, open_ = rated(), rated(slopegraddcp=20.0), rated(frag_over_3in="absent")
    assert worst_of([good, steep, open_]).words == "severe (slope)"
    assert worst_of([good, open_]).words == "unknown: at best slight; not known: large stones"
    assert worst_of([]).soil_class == "unknown" and worst_of([]).unknown == ("soil",)


def test_slope_classes_of_the_slope_raster_are_those_of_the_criteria():
    (slope,) = (criterion for criterion in load_soil_criteria() if criterion.property == "slope_percent")
    assert (slope.mild, slope.harsh) == SLOPE_CLASSES_PERCENT


def test_properties_come_from_a_checked_layer_row_by_row():
    frame = geopandas.GeoDataFrame(
        {"slopegraddcp": [3.0, 30.0], "brockdepmin": [None, 50.0], "flodfreqdcd": ["None", "Rare"], "pondfreqprs": [0.0, 12.0]},
        geometry=[shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)],
        crs="EPSG:26910",
    )
    first, second = soil_properties(check(frame, SOILS))
    assert first.bedrock_m == UNKNOWN and second.bedrock_m == Span.of(0.5)
    assert (first.flooding, second.flooding) == ("none", "rare")
    assert second.ponding_percent == Span.of(12.0)


# --- vertical separation ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("needed_ft", "bottom_ft", "limit_ft", "verdict"),
    [(4, 2, 6, "holds"), (4, 2, 5.99, "fails"), (2, 2, 6, "holds"), (0, 0, 0, "holds"), (4, 2, math.nan, "unknown"), (4, 2, 0, "fails")],
)
def test_separation_compares_what_is_needed_with_what_is_there(needed_ft, bottom_ft, limit_ft, verdict):
    assert separation(needed_ft * FOOT_M, bottom_ft * FOOT_M, limit_ft * FOOT_M) == verdict


def test_none_reported_down_to_a_depth_holds_above_it_and_is_unknown_below():
    none_to_5_ft = Span(5 * FOOT_M, math.inf)
    assert separation(3 * FOOT_M, 2 * FOOT_M, none_to_5_ft) == "holds"
    assert separation(4 * FOOT_M, 2 * FOOT_M, none_to_5_ft) == "unknown"
    assert separation(4 * FOOT_M, 2 * FOOT_M, Span(-math.inf, 5 * FOOT_M)) == "fails"


@given(st.floats(0, 3), st.floats(0, 2), st.floats(0, 5), st.floats(0, 5))
def test_a_span_holds_or_fails_only_where_both_its_ends_do(needed, bottom, one, other):
    low, high = sorted((one, other))
    ends = {separation(needed, bottom, low), separation(needed, bottom, high)}
    assert separation(needed, bottom, Span(low, high)) == (ends.pop() if len(ends) == 1 else "unknown")


def line(above="high_water", feet=4.0, start="field_bottom", when=(), band=None) -> VerticalSeparation:
    return VerticalSeparation(above, feet * FOOT_M, f"{feet:g} ft", start, frozenset(when), band, CITED)


BY_GROUP = [line("fractured_bedrock", feet, when=(f"soil_group_{group}",)) for group, feet in (("a", 6), ("b", 4), ("c", 3))]


def test_unknown_soil_group_needs_the_deepest_and_at_least_the_least():
    (needed,) = needed_separations(BY_GROUP)
    assert (needed.least_m, needed.most_m) == pytest.approx((3 * FOOT_M, 6 * FOOT_M))


def test_known_soil_group_needs_its_own():
    (needed,) = needed_separations(BY_GROUP, {"soil_group_b": True})
    assert (needed.least_m, needed.most_m) == pytest.approx((4 * FOOT_M, 4 * FOOT_M))
    with pytest.raises(ParameterError, match="cannot hold together"):
        needed_separations(BY_GROUP, {"soil_group_a": True, "soil_group_b": True})


def test_fast_percolation_needs_more_and_an_untested_one_may():
    lines = [line(feet=4.0), line(feet=5.0, band=Band(0, 2))]
    for percolation, least_ft, most_ft in ((1.0, 5, 5), (2.0, 5, 5), (10.0, 4, 4), (None, 4, 5)):
        (needed,) = needed_separations(lines, percolation_min_per_in=percolation)
        assert (needed.least_m, needed.most_m) == pytest.approx((least_ft * FOOT_M, most_ft * FOOT_M)), percolation


def test_line_that_is_ruled_out_and_alone_still_counts():
    (needed,) = needed_separations([line(feet=5.0, band=Band(0, 2))], percolation_min_per_in=30.0)
    assert needed.least_m == needed.most_m == pytest.approx(5 * FOOT_M)


def test_conditions_that_cover_no_case_leave_the_least_at_nothing():
    (needed,) = needed_separations([line(feet=5.0, band=Band(0, 2))])
    assert needed.least_m == 0 and needed.most_m == pytest.approx(5 * FOOT_M)


ALL_LINES = [line("bedrock"), line("impermeable_layer"), line("high_water")]


def test_separation_holds_fails_or_is_unknown_by_the_worst_of_its_lines():
    deep = SoilProperties(bedrock_m=Span.of(3), pan_m=Span.of(3), water_m=Span.of(3), restriction_m=Span.of(3))
    wet = SoilProperties(bedrock_m=Span.of(3), pan_m=Span.of(3), water_m=Span.of(1), restriction_m=Span.of(3))
    unsure = SoilProperties(bedrock_m=Span.of(3), pan_m=Span.of(3), restriction_m=Span.of(3))
    assert verdict_of(ALL_LINES, deep, 0.6).verdict == "holds"
    assert verdict_of(ALL_LINES, wet, 0.6).verdict == "fails"
    assert verdict_of(ALL_LINES, unsure, 0.6).verdict == "unknown"
    assert {check.needed.above: check.verdict for check in verdict_of(ALL_LINES, wet, 0.6).checks} == {
        "bedrock": "holds",
        "impermeable_layer": "holds",
        "high_water": "fails",
    }


def test_code_that_is_silent_on_water_never_holds():
    deep = SoilProperties(bedrock_m=Span.of(9), pan_m=Span.of(9), water_m=Span.of(9), restriction_m=Span.of(9))
    found = verdict_of([line("bedrock"), line("impermeable_layer")], deep, 0.6)
    assert (found.verdict, found.silent_on) == ("unknown", ("high_water",))
    assert verdict_of([], deep, 0.6).verdict == "unknown"


def test_shallower_of_survey_and_mapped_groundwater_counts():
    soil = SoilProperties(water_m=Span.of(2.0))
    assert limiting_depths(soil, Span.of(1.0))["high_water"] == Span.of(1.0)
    assert limiting_depths(soil, Span.of(5.0))["high_water"] == Span.of(2.0)
    assert limiting_depths(SoilProperties(), Span.of(5.0))["high_water"] == Span.of(5.0)
    assert limiting_depths(soil)["high_water"] == Span.of(2.0)


def test_usable_soil_is_counted_from_the_ground_and_separation_from_the_bottom():
    soil = SoilProperties(water_m=Span.of(4.5 * FOOT_M))
    from_ground, from_bottom = (verdict_of([line(start=start)], soil, 2 * FOOT_M).checks[0].verdict for start in ("ground", "field_bottom"))
    assert (from_ground, from_bottom) == ("holds", "fails")


def test_survey_that_does_not_tell_fractured_rock_leaves_its_separation_open():
    soil = SoilProperties(bedrock_m=Span.of(1.5))
    (check_,) = verdict_of(BY_GROUP, soil, 0.6).checks
    assert check_.verdict == "unknown"
    (check_,) = verdict_of(BY_GROUP, SoilProperties(bedrock_m=Span.of(2.5)), 0.6, {"soil_group_a": True}).checks
    assert check_.verdict == "holds"


def test_new_york_asks_four_feet_of_soil_and_two_below_the_trench():
    rules = load_rules("us-ny")
    soil = SoilProperties(**dict.fromkeys(("bedrock_m", "pan_m", "water_m", "restriction_m"), Span.of(4.2 * FOOT_M)))
    assert verdict_of(rules.vertical_separation, soil, 1.5 * FOOT_M).verdict == "holds"
    assert verdict_of(rules.vertical_separation, soil, 2.5 * FOOT_M).verdict == "fails"


WASHINGTON_FT = [("loam", 3, 3), ("Coarse  Sand", 5, 5), ("type 1", math.inf, math.inf), (None, 3, math.inf), ("muck", 3, math.inf)]


@pytest.mark.parametrize(("soil", "least_ft", "most_ft"), WASHINGTON_FT)
def test_separation_by_soil_asks_for_what_the_soil_may_be(soil, least_ft, most_ft):
    """A soil that nobody knows, or that the code does not name, may be the one for which no depth is enough."""
    needed = needed_separations(load_rules("us-wa").vertical_separation, soil=soil)
    assert {one.above for one in needed} == {"bedrock", "impermeable_layer", "high_water"}
    assert [(one.least_m / FOOT_M, one.most_m / FOOT_M) for one in needed] == [(pytest.approx(least_ft), pytest.approx(most_ft))] * 3


@pytest.mark.parametrize(
    ("soil", "water_ft", "verdict"),
    [
        ("loam", 5.1, "holds"),
        ("loam", 4.9, "fails"),
        ("coarse sand", 6.9, "fails"),
        ("coarse sand", 7.1, "holds"),
        ("type 1", 30, "unknown"),
        ("type 1", 0.1, "unknown"),
        (None, 30, "unknown"),
        (None, 4.9, "fails"),
    ],
)
def test_no_depth_that_is_enough_leaves_the_verdict_open(soil, water_ft, verdict):
    """Trench bottom at 2 ft; nothing else limits."""
    deep = dict.fromkeys(("bedrock_m", "pan_m", "restriction_m"), Span.of(100.0))
    there = SoilProperties(**deep, water_m=Span.of(water_ft * FOOT_M), soil=soil)
    assert verdict_of(load_rules("us-wa").vertical_separation, there, 2 * FOOT_M).verdict == verdict


@pytest.mark.parametrize(
    ("word", "group"), [("B/D", "B/D"), ("d", "D"), (" A ", "A"), ("D/B", None), ("E", None), ("", None), (None, None), (math.nan, None)]
)
def test_hydrologic_group_is_one_of_the_seven_or_unknown(word, group):
    assert properties({"hydgrpdcd": word}).hydrologic_group == group
    assert properties({}).hydrologic_group is None


@settings(max_examples=200)
@given(
    st.sampled_from(["A/D", "B/D", "C/D"]),
    st.one_of(st.just(math.nan), st.floats(0, 300)),
    st.one_of(st.just(math.nan), st.floats(50, 300)),
)
def test_dual_group_never_makes_water_deeper_than_without_it(group, water_cm, described_cm):
    row = {"wtdepannmin": water_cm, "described_cm": described_cm}
    plain, dual = properties(row).water_m, properties({**row, "hydgrpdcd": group}).water_m
    assert dual.low <= plain.low and dual.high == plain.high
    assert dual.low < 0.6


def test_spans_compare_and_know_when_they_are_exact():
    assert Span.of(math.nan) == UNKNOWN and not UNKNOWN.is_known and Span.of(1).is_known
    assert Span(1, math.inf).shallower(Span.of(2)) == Span(1, 2)
    assert np.isinf(UNKNOWN.low)
