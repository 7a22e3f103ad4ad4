"""What a run kept its distance from, as it used it: mended, in one reference system, with errors of place."""

from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Geometries
from geoseptic.model.legend_table import FEATURE_COLOURS
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.results import LayerResult, Results
from geoseptic.model.rules import FEATURES
from geoseptic.processes.land import Land
from geoseptic.units import metres_per

FILE: Final = "surroundings"

ON_RECORD: Final = "on record"
PRESUMED: Final = "presumed"
RECORD: Final = ("record", PRESUMED)

KINDS: Final[tuple[tuple[str, Literal["polygon", "line", "point"], tuple[shapely.GeometryType, ...]], ...]] = (
    ("points", "point", (shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT)),
    (
        "lines",
        "line",
        (shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING, shapely.GeometryType.MULTILINESTRING),
    ),
    ("areas", "polygon", (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON)),
)


def surroundings(land: Land, unit: str) -> Results:
    """Every feature that ground was kept clear of, in three layers by its shape; lengths in `unit`."""
    obstacles = land.obstacles
    shapes_m, rows = _plain(obstacles.shapes_m)
    shapes = land.frame.from_metres(shapes_m)
    layers = []
    for name, geometry, types in KINDS:
        of_kind = np.isin(shapely.get_type_id(shapes), types)
        row = rows[of_kind]
        columns = {
            "feature": obstacles.feature[row],
            "feature_id": obstacles.ids[row].astype(str).astype(object),
            f"location_error_{unit}": np.round(obstacles.location_error_m[row] / metres_per(unit), 1),
            "record": np.where(obstacles.presumed[row], PRESUMED, ON_RECORD).astype(object),
            "may_be": np.array([", ".join(kinds) for kinds in obstacles.may_be[row]], object),
        }
        layers.append(
            LayerResult(
                FILE,
                name,
                GeoDataFrame(columns, geometry=shapes[of_kind], crs=land.frame.crs),
                _legend(geometry),
                f"What ground was kept clear of: {name}",
                f"Features as the run used them. {SCREENING_AID}",
                _NOTES | {f"location_error_{unit}": "How far its true place may be from where it is drawn; added to every distance"},
            )
        )
    return Results(layers=tuple(layers))


_NOTES: Final = {
    "feature": "What it is; a well of unknown kind stands twice",
    "feature_id": "Which one",
    "record": "on record, or presumed: a built lot that must have a well of which nobody knows the place",
    "may_be": "What else it may turn out to be",
}


def _legend(geometry: Literal["polygon", "line", "point"]) -> VectorLegend:
    swatches = tuple(Swatch(feature, name, FEATURE_COLOURS[feature]) for feature, name in FEATURES.items())
    return VectorLegend("What ground was kept clear of", geometry, "feature", swatches, hatched=RECORD, fill_opacity=0.3)


def _plain(shapes_m: Geometries) -> tuple[Geometries, npt.NDArray[np.intp]]:
    """The shapes with collections taken apart and multipoints by their points, none of them empty, and whose each is."""
    taken_apart = np.isin(shapely.get_type_id(shapes_m), (shapely.GeometryType.GEOMETRYCOLLECTION, shapely.GeometryType.MULTIPOINT))
    whole = np.flatnonzero(~taken_apart)
    parts, owner = shapely.get_parts(shapes_m[taken_apart], return_index=True)
    rows = np.concatenate([whole, np.flatnonzero(taken_apart)[owner]])
    found = np.concatenate([shapes_m[whole], parts])
    order = np.argsort(rows, kind="stable")
    kept = order[~shapely.is_empty(found[order])]
    return found[kept], rows[kept]
