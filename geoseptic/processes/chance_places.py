"""Where the wells may be whose place is not known, as a layer: the ground that their error leaves open."""

from collections.abc import Mapping
from typing import Final

import numpy as np
import shapely
from geopandas import GeoDataFrame

from geoseptic.chance.draws import PRESUMED, WELL
from geoseptic.chance.errors import DISC, EXACT, GAUSSIAN, IN_GROUND, KIND_NAMES, SIGMAS_OF, SQUARE, PlaceErrors
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.legend_table import FAIR_COLOURS, POOR_COLOURS, UNKNOWN_COLOUR
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.results import LayerResult, Results
from geoseptic.processes.tables import polygons
from geoseptic.processes.uncertain import FILE, Uncertain

LAYER: Final = "places"

LEGEND: Final = VectorLegend(
    "Where wells may be",
    "polygon",
    "form",
    (
        Swatch(KIND_NAMES[GAUSSIAN], "In 95 of 100 cases in this circle", FAIR_COLOURS[0]),
        Swatch(KIND_NAMES[DISC], "Anywhere in this circle", FAIR_COLOURS[1]),
        Swatch(KIND_NAMES[SQUARE], "Anywhere in this square", POOR_COLOURS[0], hatch=True),
        Swatch(KIND_NAMES[IN_GROUND], "Anywhere on this lot", UNKNOWN_COLOUR, hatch=True),
    ),
    fill_opacity=0.2,
)

NOTES: Final[Mapping[str, str]] = {
    "feature_id": "Which well",
    "what": "well (on record), or presumed well: one that a built lot must have and nobody has recorded",
    "form": "How its true place spreads: gaussian, or anywhere in a disc, a square or on a lot (in ground), there more likely by a house",
    "rough": "1 where the well is placed by a section, a lot or presumption alone: nothing that hangs on it is certain",
}


def place_results(uncertain: Uncertain, frame: Frame) -> Results:
    """The layer `places` of `chances.gpkg`; wells that are where they are said to be have no ground, and no row."""
    every = ((WELL, uncertain.wells), (PRESUMED, uncertain.presumed))
    kept = [(what, errors.kept(errors.kind != EXACT)) for what, errors in every]
    columns = {
        "feature_id": np.concatenate([errors.ids for _, errors in kept]).astype(str).astype(object),
        "what": np.concatenate([np.full(len(errors), what, object) for what, errors in kept]),
        "form": np.concatenate([np.array(KIND_NAMES, object)[errors.kind] for _, errors in kept]),
        "rough": np.concatenate([errors.rough.astype(np.int64) for _, errors in kept]),
    }
    shapes_m = np.concatenate([grounds_of(errors) for _, errors in kept])
    frame_out = GeoDataFrame(columns, geometry=frame.from_metres(polygons(shapes_m)), crs=frame.crs)
    title = "Ground in which wells of uncertain place are"
    return Results(layers=(LayerResult(FILE, LAYER, frame_out, LEGEND, title, f"{title}. {SCREENING_AID}", NOTES),))


def grounds_of(errors: PlaceErrors) -> Geometries:
    """The ground of each well of uncertain place: the circle of 95 of 100 cases where it is gaussian (nssda1998), else all of it. [m]"""
    points = shapely.points(errors.middle_m)
    shapes_m = np.asarray(errors.ground_m, object).copy()
    for kind, factor in ((GAUSSIAN, SIGMAS_OF["ce95"]), (DISC, 1.0), (SQUARE, 0.5)):
        rows = errors.kind == kind
        style = "square" if kind == SQUARE else "round"
        shapes_m[rows] = shapely.buffer(points[rows], factor * errors.size_m[rows], quad_segs=32, cap_style=style)
    return shapes_m
