"""Doubtful values that read as something else: shapes of no area, layers of no records, truth values and dates where a length is asked."""

from pathlib import Path

import pandas as pd
from geopandas import GeoDataFrame
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CRS, at, county, write_county

# ---------------------------------------------------------------------------------------------------------- shapes of no area

X, Y = at(160, 100)
"""A place on the lot A-2, where the clean county has room."""

LEAST_M = 1.5
"""No rule of the corpus asks for less from a house (5 ft)."""

SPOT, LINE = Polygon([(X, Y)] * 4), LineString([(X, Y), (X + 9, Y + 3)])
NEEDLE = Polygon([*LINE.coords, (X, Y)])
BOW_TIE = Polygon([(X + 20, Y), (X + 28, Y + 8), (X + 28, Y), (X + 20, Y + 8)])


def with_shape(layer: str, shape: object, **columns: object) -> GeoDataFrame:
    """The clean layer and one feature more."""
    more = GeoDataFrame({name: [value] for name, value in columns.items()}, geometry=[shape], crs=CRS)
    return pd.concat([county().layers[layer], more], ignore_index=True)


@dirty("a house whose corners are all one point", "safe", "it has no area", shut=Point(X, Y).buffer(LEAST_M))
def buildings_of_one_point(folder: Path) -> Options:
    return write_county(folder, buildings=with_shape("buildings", SPOT, basement="no"))


@dirty("a house that is a needle without area", "safe", "it has no area", shut=LINE.buffer(LEAST_M))
def buildings_like_a_needle(folder: Path) -> Options:
    return write_county(folder, buildings=with_shape("buildings", NEEDLE, basement="no"))


@dirty(
    "a house without area and one that crosses itself, in one record",
    "safe",
    "mended outline",
    shut=LINE.union(BOW_TIE.convex_hull).buffer(LEAST_M),
)
def buildings_of_a_needle_and_a_bow_tie(folder: Path) -> Options:
    return write_county(folder, buildings=with_shape("buildings", MultiPolygon([NEEDLE, BOW_TIE]), basement="no"))


@dirty("a pond whose corners are all one point", "safe", "it has no area", shut=Point(X, Y).buffer(10))
def water_of_one_point(folder: Path) -> Options:
    return write_county(folder, surface_water=with_shape("surface_water", SPOT, kind="perennial"))


@dirty(
    "a pond that crosses itself and the brook from it, in one record",
    "safe",
    "mended outline",
    shut=LINE.union(BOW_TIE.convex_hull).buffer(10),
)
def water_of_a_bow_tie_and_a_line(folder: Path) -> Options:
    both = GeometryCollection([BOW_TIE, LINE])
    return write_county(folder, surface_water=with_shape("surface_water", both, kind="perennial"))
