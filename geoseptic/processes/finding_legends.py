"""The legends of an inspection's layers, by the same rules as those of model/legend_table.py."""

from typing import Final

from geoseptic.model.finding_words import STRENGTHS
from geoseptic.model.legend_table import GOOD_COLOURS, UNKNOWN_COLOUR
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.old_kinds import ACCEPTABLE, CANNOT_SAY, NOT_ACCEPTABLE, REPLACE_WHEN

IN_DOUBT: Final = "in doubt"
STOPPED: Final = "reached nothing"

_VERDICTS: Final = (
    Swatch(NOT_ACCEPTABLE, "Not acceptable", "#7d3214"),
    Swatch(REPLACE_WHEN, "Must be replaced when", "#e2a93b"),
    Swatch(ACCEPTABLE, "Acceptable, as far as an inspection shows", GOOD_COLOURS[0]),
    Swatch(CANNOT_SAY, "Cannot say: see what is not proven", UNKNOWN_COLOUR, hatch=True),
)
SYSTEMS: Final = VectorLegend("May it stay?", "polygon", "verdict", _VERDICTS)
PROPERTIES: Final = VectorLegend("May what is in the ground stay?", "polygon", "verdict", _VERDICTS, fill_opacity=0.3)

LINKS: Final = VectorLegend(
    "What drains where",
    "line",
    "known",
    (
        Swatch(STRENGTHS[4], "Seen through", "#0f4f4a"),
        Swatch(STRENGTHS[3], "Traced", "#2f8fd0"),
        Swatch(STRENGTHS[2], "Water seen to come out", "#d98a1f", hatch=True),
        Swatch(STRENGTHS[1], "Heard or probed", "#b5568f", hatch=True),
        Swatch(STRENGTHS[0], "From a record or assumed", "#8d8d8d", hatch=True),
        Swatch(IN_DOUBT, "In doubt: contradicted", "#c81e1e", hatch=True),
        Swatch(STOPPED, "Reached nothing", "#f2b8d8", hatch=True),
    ),
)

POINTS: Final = VectorLegend(
    "Found",
    "point",
    "group",
    (
        Swatch("house", "House or fixture", "#8a8a8a"),
        Swatch("pipe", "Sewer exit, clean-out, box or pipe", "#2f8fd0"),
        Swatch("unopened", "Lid that was not opened", "#f0d43a", hatch=True),
        Swatch("obstruction", "Obstruction", "#fe2850"),
        Swatch("tank", "Tank", "#4a2545"),
        Swatch("pit", "Pit", "#d98a1f"),
        Swatch("field", "Field line", "#2f8f4e"),
        Swatch("open", "Outfall or sewage at the surface", "#7d3214"),
        Swatch("sewer", "Public sewer", "#10336b"),
        Swatch("well", "Well", "#49c2ea"),
    ),
)

GROUPS: Final = {
    "building": "house", "fixture": "house", "sewer_exit": "pipe", "clean_out": "pipe", "pipe_end": "pipe", "pump_chamber": "tank",
    "distribution_box": "pipe", "lid": "unopened", "obstruction": "obstruction", "tank": "tank", "pit": "pit", "field_line": "field",
    "outfall": "open", "surfacing": "open", "public_sewer": "sewer", "well": "well",
}  # fmt: skip
