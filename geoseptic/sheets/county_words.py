"""What the county map says of a parcel, in words for people who do not work with screenings."""

from dataclasses import dataclass
from typing import Final

from geoseptic.chance.answers import CERTAIN, FITS, LIKELY, NO_FIT
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE

MEANINGS: Final = {
    FITS_BY_GRAVITY: "Tank, drain field and full reserve have room on the drawn lot, by the maps, and sewage runs to the field by itself.",
    FITS_WITH_PUMP: "Tank, drain field and full reserve have room on the drawn lot, by the maps, but sewage has to be pumped.",
    FITS_WITHOUT_FULL_RESERVE: "Tank and drain field have room, by the maps; the reserve that the code asks for has not.",
    DOES_NOT_FIT: "No place was found that keeps every distance and limit of the code, with all that is known.",
    CANNOT_SAY: "Something that decides it is not known. This is not a clearance: see below what is missing, and find that out first.",
}
"""What each verdict means."""

WORDS_OF_UNITS: Final = {"ft": "feet", "m": "metres", "ft2": "square feet", "m2": "square metres", "gal": "gallons", "L": "litres"}


@dataclass(frozen=True)
class Figure:
    """A number of the screening: the column's name before its unit, what it is, and its unit's kind or name.

    drawn : it belongs to the drawn layout, and is left out where none is drawn. spread : a histogram of it is offered.
    """

    column: str
    words: str
    unit: str
    drawn: bool = False
    spread: bool = False


FIGURES: Final = (
    Figure("lot", "Size of the lot", "area", spread=True),
    Figure("envelope", "Room for a drain field, clear of every setback", "area", spread=True),
    Figure("largest", "Largest single piece of that room", "area", spread=True),
    Figure("bedrooms", "Bedrooms that were planned with", ""),
    Figure("trench", "Trenches that this asks for, all together", "length", spread=True),
    Figure("trench_low", "At least: smallest house, best soil that is left open", "length"),
    Figure("trench_high", "At most: largest house, worst soil that is left open", "length"),
    Figure("tank", "Septic tank", "volume"),
    Figure("field", "Field as drawn", "area", drawn=True),
    Figure("slope_percent", "Slope of the ground under it", "percent", drawn=True, spread=True),
    Figure("fall_along", "Fall of the ground along one trench", "length", drawn=True),
    Figure("run", "Pipe from house to tank and on to the field", "length", drawn=True),
    Figure("lift", "Lift that a pump must give; 0 is by gravity", "length", drawn=True),
    Figure("well", "From the field to the nearest well, less the error of its place", "length", drawn=True, spread=True),
    Figure("path", "Way down the slope from the field to a well", "length", drawn=True),
)

TEXTS: Final = {
    "nearest_well": "Nearest well",
    "downslope_well": "Well that water from the field comes to",
    "soil": "Soil under the field",
    "soil_rating": "Rating of that soil",
    "separation": "Depth to what limits the field",
    "flood_zone": "Flood zone",
    "public_sewer": "On a public sewer",
    "drawn_for": "The layout is drawn for",
}
"""Shown where they say something."""

AS_DRAWN: Final = "Does a system fit, if everything lies as it is drawn?"
"""Title of the verdicts where it is known how sure they are."""

SURE_MEANINGS: Final = {
    f"{FITS}, {CERTAIN}": "By the maps, field and reserve have room wherever wells, lot lines and buildings lie within their errors.",
    f"{FITS}, {LIKELY}": "Field and reserve probably have room, but wells, lot lines or buildings may lie so that they have not.",
    f"{NO_FIT}, {LIKELY}": "Field and reserve probably have no room, but wells, lot lines or buildings may lie so that they have.",
    f"{NO_FIT}, {CERTAIN}": "By the maps, they have no room wherever wells, lot lines and buildings lie within their stated errors.",
    CANNOT_SAY: "This is no clearance, whatever is drawn. Until what is missing is known, treat the lot as one without room.",
}
"""What each answer means, with how sure it is."""

SURE_NUMBERS: Final = ("primary", "both", "both_low", "both_high")
"""Chances in percent, as in `io.chances.LotChance`."""

RANK_FIGURES: Final = (Figure("rank", "Place in the order, 1 first", ""), Figure("wells_exposed", "Wells exposed", ""))

RANK_TEXTS: Final = {
    "cesspool": "Is a cesspool likely?",
    "cesspool_basis": "What that rests on",
    "which_wells": "Which wells",
    "may_fail_in_wet_season": "May it fail in the wet season?",
    "wet_season_reasons": "Signs of that",
    "cautions": "Before anyone goes to a lid or a pit",
}
