"""The legends of the county screening's layers, by the same rules as those of model/legend_table.py."""

from typing import Final

from geoseptic.model.legend_table import GOOD_COLOURS, POOR_COLOURS, UNKNOWN_COLOUR
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE

PRIMARY: Final = "primary"
RESERVE: Final = "reserve"
SEWER: Final = "house to tank"
EFFLUENT: Final = "tank to field"

PARCELS: Final = VectorLegend(
    "Does a system fit?",
    "polygon",
    "verdict",
    (
        Swatch(FITS_BY_GRAVITY, "Fits by gravity", GOOD_COLOURS[0]),
        Swatch(FITS_WITH_PUMP, "Fits with a pump", "#5fa8dc"),
        Swatch(FITS_WITHOUT_FULL_RESERVE, "Fits only without full reserve", POOR_COLOURS[0]),
        Swatch(DOES_NOT_FIT, "Does not fit", "#7d3214"),
        Swatch(CANNOT_SAY, "Cannot say: see what is missing", UNKNOWN_COLOUR, hatch=True),
    ),
)

SURE: Final = VectorLegend(
    "How sure it is, with all errors of places",
    "polygon",
    "sure",
    (
        Swatch("fits, certain", "Fits: certain within the stated errors", GOOD_COLOURS[0]),
        Swatch("fits, likely", "Fits: likely, not certain", "#8cc7e8"),
        Swatch("does not fit, likely", "Does not fit: likely, not certain", POOR_COLOURS[0]),
        Swatch("does not fit, certain", "Does not fit: certain within the stated errors", "#7d3214"),
        Swatch(CANNOT_SAY, "Cannot say: this is no clearance", UNKNOWN_COLOUR, hatch=True),
    ),
)
"""The three-way answer of `uncertainty` together with the verdict of the screening, the more careful of both."""

FIELDS: Final = VectorLegend(
    "Areas for the field",
    "polygon",
    "area",
    (Swatch(PRIMARY, "Primary field", "#2f8f86"), Swatch(RESERVE, "Reserve, to be left undisturbed", "#d9a441", hatch=True)),
)

TRENCHES: Final = VectorLegend(
    "Trenches",
    "polygon",
    "area",
    (Swatch(PRIMARY, "Trench of the primary field", "#0f4f4a"), Swatch(RESERVE, "Trench of the reserve, for later", "#a5691c", hatch=True)),
)

TANKS: Final = VectorLegend("Septic tanks", "polygon", None, (Swatch("", "Septic tank", "#4a2545"),))

SEWER_LINES: Final = VectorLegend(
    "Sewer lines",
    "line",
    "run",
    (Swatch(SEWER, "House to tank", "#4a2545"), Swatch(EFFLUENT, "Tank to field", "#c2557e")),
)

TEST_HOLES: Final = VectorLegend(
    "Where to dig",
    "point",
    "kind",
    (Swatch("percolation hole", "Percolation hole", "#1b6ca8"), Swatch("soil pit", "Soil pit", "#b5651d")),
)

FLOW_PATHS: Final = VectorLegend(
    "From the field down to a well", "line", None, (Swatch("", "Way of the water from the field to the nearest well downslope", "#7b1f6e"),)
)
