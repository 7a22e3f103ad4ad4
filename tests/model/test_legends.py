"""Colours that stay apart for everybody, and names that cover every value.

The three matrices turn linear sRGB into what a dichromat sees: Machado, Oliveira and Fernandes (2009), "A Physiologically-based
Model for Simulation of Color Vision Deficiency", IEEE TVCG 15(6), severity 1.0. From memory, and equal in several independent
public programs; not checked against the paper itself.
"""

from itertools import combinations, pairwise

import numpy as np
import pytest

from geoseptic.model import legend_table as table
from geoseptic.model.legends import Swatch
from geoseptic.model.reasons import GROUND_REASONS, REASONS, UNKNOWN_REASONS
from geoseptic.model.rules import FEATURES, PARTS
from geoseptic.processes import chance_fits, finding_legends
from geoseptic.terrain.rating import FAIR_FROM, GOOD_FROM

SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "deuteranopia": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "tritanopia": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
}
# sRGB primaries and the D65 white point, IEC 61966-2-1.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.0890])

LEAST_DISTANCE = 10.0

CLASSES = {
    "suitability": (*table.SUITABILITY.stops, table.SUITABILITY.unknown),
    "suitability class": table.SUITABILITY_CLASS.swatches,
    "slope": (*table.SLOPE.stops, table.SLOPE.unknown),
    "slope class": table.SLOPE_CLASS.swatches,
    "well path": table.well_path("ft", 1000).stops,
    "well path code": table.WELL_PATH_CODE.swatches,
    "ponding": table.ponding("ft").stops,
    "numbers": tuple(Swatch(place, colour, colour) for place, colour in enumerate(table.NUMBER_COLOURS)),
    "old systems": table.OLD_SYSTEMS.swatches,
    "priority": table.PRIORITY.swatches,
    "repairs": table.REPAIRS.swatches,
    "search areas": table.SEARCH_AREAS.swatches,
    "sweep": table.SWEEP.swatches,
    "wet season": table.WET_SEASON.swatches,
    "findings: systems": finding_legends.SYSTEMS.swatches,
    "findings: links": finding_legends.LINKS.swatches,
    "findings: points": finding_legends.POINTS.swatches,
    "chance clear": (*table.CHANCE_CLEAR.stops, table.CHANCE_CLEAR.unknown),
    "chance slope": (*table.CHANCE_SLOPE.stops, table.CHANCE_SLOPE.unknown),
    "chance path": (*table.CHANCE_PATH.stops, table.CHANCE_PATH.unknown),
    "chance of fitting": chance_fits.LEGEND.swatches,
    "envelopes": (*table.FIELD_ENVELOPE.swatches, *table.TANK_ENVELOPE.swatches),
}
"""Legends whose classes may all lie side by side on the map."""

SEQUENCES = {
    "suitability": table.SUITABILITY.stops[1:],
    "suitability class": table.SUITABILITY_CLASS.swatches[3:6],
    "chance clear": table.CHANCE_CLEAR.stops[1:],
    "chance path": table.CHANCE_PATH.stops,
    "slope": table.SLOPE.stops,
    "slope class": table.SLOPE_CLASS.swatches[:4],
    "priority": table.PRIORITY.swatches[3::-1],
    "ponding": table.ponding("m").stops,
    "search areas": table.SEARCH_AREAS.swatches[::-1],
    "well path": table.well_path("m", 300).stops[::-1],
}
"""Ordinal legends, in the order from light to dark."""


def lab(colour, sight="normal"):
    coded = np.array([int(colour[start : start + 2], 16) for start in (1, 3, 5)]) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    relative = TO_XYZ @ np.clip(SIGHT[sight] @ linear, 0, 1) / WHITE
    x, y, z = np.where(relative > (6 / 29) ** 3, np.cbrt(relative), relative / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def distance(first, second, sight):
    return float(np.linalg.norm(lab(first.colour, sight) - lab(second.colour, sight)))


def test_lab_of_known_colours_is_that_of_the_standard():
    # White is (100, 0, 0) by definition; sRGB red is (53.24, 80.09, 67.20) under D65 (two decimals, four-digit primaries).
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.02)
    assert lab("#ff0000") == pytest.approx([53.24, 80.09, 67.20], abs=0.05)


@pytest.mark.parametrize("sight", ["protanopia", "deuteranopia"])
def test_the_simulation_brings_red_and_green_together(sight):
    red, green = Swatch(0, "", "#b04030"), Swatch(1, "", "#6a6a20")
    assert distance(red, green, sight) < distance(red, green, "normal") / 2


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("name", CLASSES)
def test_classes_stay_apart_for_every_kind_of_sight(name, sight):
    close = [
        (first.name, second.name) for first, second in combinations(CLASSES[name], 2) if distance(first, second, sight) < LEAST_DISTANCE
    ]
    assert not close


@pytest.mark.parametrize("sight", SIGHT)
def test_neighbours_among_the_reasons_and_setback_zones_stay_apart(sight):
    others = [(f"other_{number}", f"Other {number}") for number in range(12)]
    for swatches in (
        table.reasons(tuple(REASONS.items())).swatches,
        table.reasons(others).swatches,
        table.SETBACK_ZONES.swatches,
    ):
        assert not [(first.name, second.name) for first, second in pairwise(swatches) if distance(first, second, sight) < LEAST_DISTANCE]


UNKNOWN_BESIDE_GOOD = {
    "suitability": ((table.SUITABILITY.unknown,), table.SUITABILITY.stops[4:]),
    "suitability class": (table.SUITABILITY_CLASS.swatches[6:], table.SUITABILITY_CLASS.swatches[4:6]),
    "slope": ((table.SLOPE.unknown,), table.SLOPE.stops[:2]),
    "chance clear": ((table.CHANCE_CLEAR.unknown,), table.CHANCE_CLEAR.stops[4:]),
    "chance slope": ((table.CHANCE_SLOPE.unknown,), table.CHANCE_SLOPE.stops[4:]),
    "chance path": ((table.CHANCE_PATH.unknown,), table.CHANCE_PATH.stops[:2]),
    "slope class": (table.SLOPE_CLASS.swatches[4:], table.SLOPE_CLASS.swatches[:2]),
    "well path code": (table.WELL_PATH_CODE.swatches[2:], table.WELL_PATH_CODE.swatches[1:2]),
}


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("name", UNKNOWN_BESIDE_GOOD)
def test_unknown_never_looks_like_good_ground(name, sight):
    unknown, good = UNKNOWN_BESIDE_GOOD[name]
    assert all(word in swatch.name for swatch, word in zip(unknown, ("nknown", "No elevation"), strict=False))
    assert min(distance(first, second, sight) for first in good for second in unknown) >= 2 * LEAST_DISTANCE


@pytest.mark.parametrize("sight", SIGHT)
def test_a_lot_of_which_nobody_can_say_never_looks_like_one_that_fits(sight):
    swatches = {swatch.value: swatch for swatch in chance_fits.LEGEND.swatches}
    for unknown in ("cannot say", "not judged"):
        assert swatches[unknown].hatch
        for fits in ("fits, certain", "fits, likely"):
            assert not swatches[fits].hatch
            assert distance(swatches[unknown], swatches[fits], sight) >= 2 * LEAST_DISTANCE


def test_ratings_and_their_classes_have_the_same_colours():
    colour = {stop.value: stop.colour for stop in table.SUITABILITY.stops}
    of_class = {swatch.name: swatch.colour for swatch in table.SUITABILITY_CLASS.swatches}
    assert (colour[1], colour[FAIR_FROM], colour[GOOD_FROM]) == (of_class["Poor"], of_class["Fair"], of_class["Good"])
    # The last rating of a class is still nearer to its own class than to any other.
    for rating, own in ((FAIR_FROM - 1, "Poor"), (GOOD_FROM - 1, "Fair"), (100, "Good")):
        for sight in SIGHT:
            apart = {name: np.linalg.norm(lab(colour[rating], sight) - lab(of_class[name], sight)) for name in ("Poor", "Fair", "Good")}
            assert min(apart, key=apart.get) == own, (rating, sight, apart)


@pytest.mark.parametrize("sight", SIGHT)
def test_excluded_never_looks_like_good_ground(sight):
    stops, classes = table.SUITABILITY.stops, table.SUITABILITY_CLASS.swatches
    pairs = [(stops[0], stops[5]), (stops[0], stops[6]), (classes[1], classes[5]), (classes[2], classes[5])]
    assert min(distance(excluded, good, sight) for excluded, good in pairs) >= 2.5 * LEAST_DISTANCE


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("name", SEQUENCES)
def test_ordered_classes_get_darker_step_by_step(name, sight):
    lightness = [lab(swatch.colour, sight)[0] for swatch in SEQUENCES[name]]
    assert all(darker < lighter - 5 for lighter, darker in pairwise(lightness))


def test_wells_are_told_apart_by_colours_in_turn_and_drain_fields_come_first():
    assert table.well_number([7, 9], ["a", "b"], [2, 0]).swatches == {
        7: Swatch(7, "a", table.NUMBER_COLOURS[2]),
        9: Swatch(9, "b", table.NUMBER_COLOURS[0]),
    }
    column, parts = table.SETBACK_ZONES.groups
    assert (column, parts[0]) == ("part", ("drain_field", "Drain field"))
    assert dict(parts) == dict(PARTS)


def test_every_feature_of_the_code_has_a_colour_and_no_other_has():
    assert list(table.FEATURE_COLOURS) == list(FEATURES)
    assert [swatch.value for swatch in table.SETBACK_ZONES.swatches] == list(FEATURES)
    assert len(set(table.FEATURE_COLOURS.values())) == len(FEATURES)


def test_the_weightiest_reason_is_the_highest_bit():
    names = list(REASONS)
    assert names[-1] == "private_well"
    assert [name for name in names if name in FEATURES] == list(reversed(FEATURES))
    assert set(names[:3]) == set(UNKNOWN_REASONS)


def test_every_reason_of_the_ground_has_a_colour_and_unknown_ones_are_grey():
    assert set(table.GROUND_COLOURS) == set(GROUND_REASONS)
    unknown = {table.GROUND_COLOURS[key] for key, name in GROUND_REASONS.items() if name.startswith("Unknown")}
    assert len(unknown) == 3
    assert all(colour[1:3] == colour[3:5] == colour[5:7] for colour in unknown)


def test_reasons_number_their_bits_in_the_order_given_and_share_the_zones_colours():
    legend = table.reasons([("slope", "Too steep"), ("private_well", "Private well"), ("ponding", "Holds water")])
    assert [swatch.value for swatch in legend.swatches] == [0, 1, 2]
    assert [swatch.name for swatch in legend.swatches] == ["Too steep", "Private well", "Holds water"]
    assert legend.swatches[1].colour == table.FEATURE_COLOURS["private_well"]
    assert legend.swatches[0].colour != legend.swatches[2].colour


@pytest.mark.parametrize("unit", ["ft", "m"])
def test_ramps_ascend_and_say_their_unit(unit):
    for legend in (table.well_path(unit, 1000), table.ponding(unit)):
        values = [stop.value for stop in legend.stops]
        assert values == sorted(set(values))
        assert legend.unit == unit
        assert all(f" {unit}" in stop.name for stop in legend.stops)
    assert table.well_path(unit, 1000).stops[-1].value == 1000


def test_ground_that_holds_no_water_is_not_drawn():
    assert table.ponding("ft").stops[0].opacity == 0
    assert all(stop.opacity == 1 for stop in table.ponding("ft").stops[1:])
