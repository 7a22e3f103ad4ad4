"""The legends of all outputs: names in the words of the trade, colours of our own choice.

Every pair of neighbouring classes stays at least 10 CIE Lab units apart for normal sight, protanopia, deuteranopia and tritanopia, and
unknown stays apart from every class; tests/model/test_legends.py measures both.
"""

from collections.abc import Sequence
from itertools import cycle
from typing import Final

from geoseptic.model.legends import BitLegend, ClassLegend, NumberLegend, RampLegend, Swatch, VectorLegend
from geoseptic.model.rules import FEATURES, PARTS

UNKNOWN_COLOUR: Final = "#adadad"

EXCLUDED_COLOUR: Final = "#d08bd4"
"""Light: whoever sees no red takes it for a blue, which must not come near that of good ground."""

POOR_COLOURS: Final = ("#f1e6a9", "#efd183")
FAIR_COLOURS: Final = ("#60af61", "#2c7c41")
GOOD_COLOURS: Final = ("#124a80", "#0a1732")
"""Yellow, green and blue mean the same in the ratings and in their classes: a class has the colour of its lowest rating, and darkens to
that of its highest."""

SUITABILITY: Final = RampLegend(
    "Suitability for a drain field (0 to 100)",
    "points of 100",
    (
        Swatch(0, "0: excluded, or not on a parcel", EXCLUDED_COLOUR),
        Swatch(1, "1: poor from here", POOR_COLOURS[0]),
        Swatch(39, "39: poor to here", POOR_COLOURS[1]),
        Swatch(40, "40: fair from here", FAIR_COLOURS[0]),
        Swatch(69, "69: fair to here", FAIR_COLOURS[1]),
        Swatch(70, "70: good from here", GOOD_COLOURS[0]),
        Swatch(100, "100: nothing limits", GOOD_COLOURS[1]),
    ),
    Swatch(255, "Unknown: check", UNKNOWN_COLOUR, hatch=True),
)

SUITABILITY_CLASS: Final = ClassLegend(
    "Suitability for a drain field",
    (
        Swatch(0, "Not on a parcel", "#ffffff", opacity=0.0),
        Swatch(1, "Excluded: setback", EXCLUDED_COLOUR),
        Swatch(2, "Excluded: ground", "#5c2a12"),
        Swatch(3, "Poor", POOR_COLOURS[0]),
        Swatch(4, "Fair", FAIR_COLOURS[0]),
        Swatch(5, "Good", GOOD_COLOURS[0]),
        Swatch(6, "Unknown: check", UNKNOWN_COLOUR, hatch=True),
    ),
)

SLOPE: Final = RampLegend(
    "Slope of the ground",
    "percent",
    (
        Swatch(0, "0 percent: flat", "#fdf3dc"),
        Swatch(8, "8 percent", "#f2c786"),
        Swatch(15, "15 percent", "#d68b48"),
        Swatch(30, "30 percent", "#95482a"),
        Swatch(50, "50 percent and over", "#3f1526"),
    ),
    Swatch("unknown", "Unknown", UNKNOWN_COLOUR, hatch=True),
)

SLOPE_CLASS: Final = ClassLegend(
    "Slope of the ground, by class",
    (
        Swatch(1, "Slight: under 8 percent", "#fbe7c0"),
        Swatch(2, "Moderate: 8 to 15 percent", "#dd9a52"),
        Swatch(3, "Severe: over 15 percent", "#9c4a26"),
        Swatch(4, "Over the code's limit", "#3a1233"),
        Swatch(5, "Unknown", UNKNOWN_COLOUR, hatch=True),
    ),
)

WELL_PATH_CODE: Final = ClassLegend(
    "Does water run from here to a well?",
    (
        Swatch(1, "Reaches a well", "#7b1f6e"),
        Swatch(2, "Does not reach a well within the bound", "#d3eeea"),
        Swatch(3, "Leaves the data: unknown", "#e0a93a", hatch=True),
        Swatch(4, "No elevation", "#8f8f8f", hatch=True),
    ),
)

CHANCE_CLEAR: Final = RampLegend(
    "Chance to keep every setback of a drain field",
    "percent",
    (
        Swatch(0, "0: never, or not on a parcel", EXCLUDED_COLOUR),
        Swatch(1, "1: hardly ever", POOR_COLOURS[0]),
        Swatch(49, "49: rather not", POOR_COLOURS[1]),
        Swatch(50, "50: as likely as not", FAIR_COLOURS[0]),
        Swatch(99, "99: nearly always, not for certain", FAIR_COLOURS[1]),
        Swatch(100, "100: for certain, by what is stated", GOOD_COLOURS[1]),
    ),
    Swatch(255, "Unknown: check", UNKNOWN_COLOUR, hatch=True),
)

CHANCE_SLOPE: Final = RampLegend(
    "Chance that the ground is not too steep for a drain field",
    "percent",
    (
        Swatch(0, "0: too steep for certain", EXCLUDED_COLOUR),
        Swatch(1, "1: nearly certain to be too steep", POOR_COLOURS[0]),
        Swatch(49, "49: rather too steep", POOR_COLOURS[1]),
        Swatch(50, "50: as likely as not", FAIR_COLOURS[0]),
        Swatch(99, "99: hardly ever too steep", FAIR_COLOURS[1]),
        Swatch(100, "100: not too steep, for certain", GOOD_COLOURS[1]),
    ),
    Swatch(255, "Unknown: check", UNKNOWN_COLOUR, hatch=True),
)

CHANCE_PATH: Final = RampLegend(
    "Chance that water runs from here to a well",
    "percent",
    (
        Swatch(0, "0: to none, for certain", "#fdf3dc"),
        Swatch(1, "1: in none of the draws", "#f5d08c"),
        Swatch(25, "25: in a quarter of them", "#f0965a"),
        Swatch(50, "50: in half of them", "#d65a72"),
        Swatch(99, "99: in all of them", "#8c2981"),
        Swatch(100, "100: to a well, for certain", "#3b0f5c"),
    ),
    Swatch(255, "Unknown: leaves the data, or no elevation", UNKNOWN_COLOUR, hatch=True),
)

FIELD_ENVELOPE: Final = VectorLegend(
    "Room for a drain field",
    "polygon",
    None,
    (Swatch("", "Clear of every setback for a drain field", "#2f8f86"),),
)

TANK_ENVELOPE: Final = VectorLegend(
    "Room for a septic tank",
    "polygon",
    None,
    (Swatch("", "Clear of every setback for a septic tank", "#d9852b"),),
)

OLD_SYSTEMS: Final = VectorLegend(
    "What is probably in the ground?",
    "polygon",
    "expected",
    (
        Swatch("pit without a tank likely", "Pit without a tank likely", "#7d3214"),
        Swatch("pit without a tank possible", "Pit without a tank possible", "#efb04a"),
        Swatch("tank expected", "Tank expected", "#5fa8dc"),
        Swatch("on a sewer: an old system may remain", "On a sewer: an old system may remain", "#34805e"),
        Swatch("no house on record", "No house on record", "#f4f1ea"),
        Swatch("unknown", "Unknown: ask", UNKNOWN_COLOUR, hatch=True),
    ),
)

REPAIRS: Final = VectorLegend(
    "Shapes that were mended, or are odd",
    "polygon",
    "fault",
    (
        Swatch("mended outline", "Outline mended", "#2f8fd0"),
        Swatch("overlap", "Ground that several lots claim", "#7d3214"),
        Swatch("same ground as another", "Several lots on the same ground", "#e2a93b", hatch=True),
        Swatch("several pieces", "Lot of several pieces", "#cfe6b0"),
        Swatch("sliver", "Sliver", "#3c1053"),
    ),
    label="feature",
)

FAILURES: Final = VectorLegend(
    "Parcels of which nothing can be said",
    "polygon",
    None,
    (Swatch("", "Failed: nothing is known of its ground", "#c2185b", hatch=True),),
    label="feature",
)

PRIORITY: Final = VectorLegend(
    "Which parcels come first",
    "polygon",
    "priority",
    (
        Swatch("first", "Among the first", "#3a1233"),
        Swatch("first tenth", "In the first tenth", "#9c4a26"),
        Swatch("first half", "In the first half", "#dd9a52"),
        Swatch("second half", "In the second half", "#fbe7c0"),
        Swatch("no house on record", "No house on record", "#d8e3e8"),
    ),
)

SEARCH_AREAS: Final = VectorLegend(
    "Where to look for a buried tank or pit (ranked within each lot)",
    "polygon",
    "look",
    (
        Swatch("first", "Look here first", "#6b1237"),
        Swatch("next", "Look here next", "#d0603d"),
        Swatch("later", "Look here after that", "#efc06a"),
        Swatch("last", "Least likely", "#f3ecd6"),
    ),
    fill_opacity=0.65,
)

SWEEP: Final = VectorLegend(
    "Stops for the probe or the camera locator, numbered in their order",
    "point",
    "leg",
    (Swatch("begin", "Begin here", "#0b3c5d"), Swatch("stop", "Further stop", "#6fb1d6")),
    label="stop",
)

WET_SEASON: Final = VectorLegend(
    "May the old system fail in the wet season?",
    "polygon",
    "may_fail_in_wet_season",
    (
        Swatch("yes", "Yes: see the reasons", "#124a80"),
        Swatch("no sign found", "No sign found: that is no proof", "#f1e6a9"),
        Swatch("unknown", "Unknown: ask", UNKNOWN_COLOUR, hatch=True),
    ),
)

FEATURE_COLOURS: Final = {
    "private_well": "#722473",
    "public_well": "#773fb9",
    "irrigation_well": "#d588d9",
    "decommissioned_well": "#725f73",
    "spring": "#06cbab",
    "public_spring": "#1c494d",
    "surface_water": "#337db2",
    "intermittent_water": "#a2d7f1",
    "water_supply_reservoir": "#060c4f",
    "water_supply_tributary": "#4267d0",
    "irrigation_canal": "#84b3be",
    "wetland": "#34805e",
    "vernal_pool": "#aadaab",
    "lot_line": "#ea9d24",
    "building": "#661e10",
    "driveway": "#b1966b",
    "pool": "#88ebe4",
    "cut_bank": "#815630",
    "water_line": "#1397ef",
    "drain": "#727f1e",
    "dry_well": "#f2ee6d",
    "underground_utility": "#d9458f",
    "existing_field": "#edb47e",
    "existing_pit": "#4d1c22",
}
"""One colour a feature, the same in the setback zones and in the reasons raster."""

MAY_BE_REQUIRED: Final = ("status", "may be required")
"""Column and value of a zone that binds only where a condition holds that nobody has settled yet."""

SETBACK_ZONES: Final = VectorLegend(
    "Setbacks, by what they protect",
    "polygon",
    "feature",
    tuple(Swatch(feature, name, FEATURE_COLOURS[feature]) for feature, name in FEATURES.items()),
    hatched=MAY_BE_REQUIRED,
    groups=("part", tuple((part, PARTS[part]) for part in sorted(PARTS, key=lambda part: part != "drain_field"))),
    fill_opacity=0.3,
)
"""Of the drain field at first: zones of several parts over each other tell nobody which is which."""

GROUND_COLOURS: Final = {
    "disputed_ground": "#e3c9dd",
    "outside_parcels": "#a39a86",
    "slope": "#9c4a26",
    "ponding": "#8fa8d8",
    "setback_open": "#5f5f5f",
    "well_path_open": "#d2d2d2",
    "no_ground": "#858585",
}
"""Reasons that are no feature of the code; what is unknown is grey."""

SPARE_COLOURS: Final = ("#c7b08a", "#3a1233", "#9c4a26", "#8fa8d8", "#55524a", "#e3c9dd")
"""For reasons that have no colour of their own, in turn."""


NUMBER_COLOURS: Final = ("#b59a48", "#6cc9e4", "#0d5a4f", "#5f3585", "#d3ebb8", "#7f86e0", "#7a3a10", "#d470a5")
"""For areas that only have to be told apart, every two of them for every kind of sight."""


def well_path(unit: str, reach: float) -> RampLegend:
    """Distance along the flow path down to a well; `reach`, in `unit`, is the farthest one looked for."""
    colours = ("#3b0f5c", "#8c2981", "#d65a72", "#f5a26a", "#fde3a7")
    names = ("at the well", "", "", "", "farthest looked for")
    stops = []
    for share, colour, name in zip((0.0, 0.1, 0.25, 0.5, 1.0), colours, names, strict=True):
        distance = f"{share * reach:g} {unit}"
        stops.append(Swatch(share * reach, f"{distance}: {name}" if name else distance, colour))
    return RampLegend("Distance down the flow path to a well", unit, tuple(stops))


def ponding(unit: str) -> RampLegend:
    """Depth to which a hollow fills before it spills, in `unit`; ground that holds no water is not drawn."""
    depths = (0.15, 0.5, 1.5, 3.0) if unit in ("m", "metre", "meter") else (0.5, 1.5, 5.0, 10.0)
    colours = ("#c9dff0", "#6fa8d6", "#2362a5", "#0a2a5e")
    stops = [Swatch(0.0, f"0 {unit}: drains", "#ffffff", opacity=0.0)]
    for depth, colour in zip(depths, colours, strict=True):
        stops.append(Swatch(depth, f"{depth:g} {unit}" + (" and over" if depth == depths[-1] else ""), colour))
    return RampLegend("Depth of water that a hollow would hold", unit, tuple(stops))


def reasons(names: Sequence[tuple[str, str]]) -> BitLegend:
    """Why a cell is out; `names` are the (key, name) pairs of the bits, lowest bit first.

    A key that is a feature of the code has that feature's colour; one that is in neither table takes a spare colour.
    """
    swatches: list[Swatch] = []
    spare = cycle(SPARE_COLOURS)
    for bit, (key, name) in enumerate(names):
        colour = FEATURE_COLOURS.get(key) or GROUND_COLOURS.get(key) or next(spare)
        swatches.append(Swatch(bit, name, colour))
    return BitLegend("Reasons against a drain field, by the first of them", tuple(swatches), clear="Nothing found against it")


def well_number(numbers: Sequence[int], names: Sequence[str], colours: Sequence[int]) -> NumberLegend:
    """Which well is reached; one entry a well, the numbers ascending, `colours` as places in NUMBER_COLOURS."""
    drawn = tuple(NUMBER_COLOURS[place] for place in colours)
    return NumberLegend("Nearest well down the flow path", tuple(numbers), tuple(map(str, names)), drawn)
