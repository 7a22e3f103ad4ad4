"""Doubtful values that read as something else: shapes of no area, layers of no records, truth values and dates where a length is asked."""

from pathlib import Path

import pandas as pd
import rasterio
from geopandas import GeoDataFrame
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CRS, at, county, write_county
from tests.dirty.grounds import ground

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


# ------------------------------------------------------------------------------------ what is no length where a length is asked


def with_errors(folder: Path, errors: object) -> Options:
    return write_county(folder, wells=county().layers["wells"].assign(location_error_m=errors))


NO_NUMBER = "location_error_m is true or false, not a number"


@dirty("errors of the place that say yes or no, which would read as 1 m and 0 m", "refused", NO_NUMBER, "w1", "w4")
def wells_with_true_for_an_error(folder: Path) -> Options:
    return with_errors(folder, [True, False, True, False])


@dirty("the same with an empty one, of which numbers are made in reading", "refused", NO_NUMBER, "w1", "w2")
def wells_with_true_or_nothing_for_an_error(folder: Path) -> Options:
    return with_errors(folder, pd.array([True, True, None, False], dtype="boolean"))


@dirty("errors of the place that are dates", "refused", "location_error_m is a date, not a number", "w2")
def wells_with_a_date_for_an_error(folder: Path) -> Options:
    return with_errors(folder, pd.to_datetime(["2011-05-03", "2011-05-03", None, "2011-05-03"]))


@dirty("errors of the place that are all 0, which often stands for unknown", "told", "ALL 4 wells state a location error of 0")
def wells_with_errors_of_zero(folder: Path) -> Options:
    return with_errors(folder, [0.0] * 4)


@dirty("a year of building that is a date: its year is taken", "same", "year_built of the parcels is a date: its year is taken")
def parcels_with_a_date_for_a_year(folder: Path) -> Options:
    parcels = county().layers["parcels"]
    return write_county(folder, parcels=parcels.assign(year_built=pd.to_datetime([f"{year}-06-30" for year in parcels.year_built])))


@dirty("bedrooms that say yes or no", "refused", "bedrooms is true or false, not a number", "A-1")
def parcels_with_true_for_bedrooms(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].assign(bedrooms=[True] * 6))


def overwritten(folder: Path, text: bytes) -> Options:
    """Wells as a shapefile, the numeric field of the errors with `text` in the second record."""
    path = folder / "wells.shp"
    wells = county().layers["wells"].rename(columns={"location_error_m": "loc_m"})
    wells.assign(loc_m=[3, 7777, 5, 3]).to_file(path, driver="ESRI Shapefile")
    table = path.with_suffix(".dbf")
    table.write_bytes(table.read_bytes().replace(b"7777", text))
    return {**write_county(folder), "wells": str(path), "columns": "wells.location_error_m=loc_m"}


@dirty("asterisks in a .dbf, for an error of the place that was too long for its field", "refused", "'loc_m'", "****")
def wells_with_asterisks_for_an_error(folder: Path) -> Options:
    return overwritten(folder, b"****")


@dirty("a word in a numeric field of a .dbf, which GDAL reads as 0", "refused", "'loc_m'", "none")
def wells_with_a_word_in_a_numeric_field(folder: Path) -> Options:
    return overwritten(folder, b"none")


@dirty("a power of ten in a field of whole numbers, of which GDAL reads the first digit", "refused", "'loc_m'", "1e2")
def wells_with_a_power_of_ten_for_an_error(folder: Path) -> Options:
    return overwritten(folder, b" 1e2")


# ------------------------------------------------------------------------------------------------------------------- elevation

MAP = "suitability_map"


def rescaled(folder: Path, scale: float, offset: float = 0.0) -> Options:
    options = ground(folder)
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.scales, file.offsets = (scale,), (offset,)
    return options


@dirty("a scale of 0, by which all ground is level", "refused", "by scale 0 and offset 0", process=MAP)
def elevation_with_a_scale_of_zero(folder: Path) -> Options:
    return rescaled(folder, 0.0)


@dirty("a scale that is no number", "refused", "by scale nan", process=MAP)
def elevation_with_a_scale_of_nan(folder: Path) -> Options:
    return rescaled(folder, float("nan"))


@dirty("an offset that is no number", "refused", "offset nan", process=MAP)
def elevation_with_an_offset_of_nan(folder: Path) -> Options:
    return rescaled(folder, 1.0, float("nan"))


@dirty("one cell of 8,848 m on a hillside of 90 m", "safe", "1 cells of the elevation stand more than", "8848.0 m", process=MAP)
def elevation_with_a_lone_height(folder: Path) -> Options:
    height_m = county().height_m.copy()
    height_m[40, 30] = 8848
    return ground(folder, height_m)


# ------------------------------------------------------------------------------------------------------- layers of no records


def emptied(folder: Path, layer: str, **more: GeoDataFrame) -> Options:
    clean = {**county().layers, **more}[layer]
    return {**write_county(folder, **{**more, layer: clean.iloc[:0]}), layer: f"{folder / 'county.gpkg'}|{layer}"}


@dirty("a layer of waters without a record, where there is a pond", "told", "the layer surface_water has no records here")
def water_none(folder: Path) -> Options:
    return emptied(folder, "surface_water")


@dirty(
    "a layer of buildings without a record: it says of no lot that it is not built on",
    "told",
    "the layer buildings has no records here",
    "or a building in it, nobody knows",
)
def buildings_none(folder: Path) -> Options:
    return emptied(folder, "buildings")


@dirty("layers of pools and drains without a record", "same", "the layer pools has no records here", "the layer drains has no records here")
def pools_and_drains_none(folder: Path) -> Options:
    layers = {name: county().layers["surface_water"].iloc[:0] for name in ("pools", "drains")}
    return {**write_county(folder, **layers), **{name: f"{folder / 'county.gpkg'}|{name}" for name in layers}}


@dirty(
    "a layer of soils and one of flood zones without a record",
    "same",
    "the layer soils has no records here",
    "nothing is known of flooding",
    process="screen_county",
)
def soils_and_flood_zones_none(folder: Path) -> Options:
    layers = {name: county().layers["surface_water"].drop(columns="kind").iloc[:0] for name in ("soils", "floodplain")}
    return {**write_county(folder, **layers), **{name: f"{folder / 'county.gpkg'}|{name}" for name in layers}}
