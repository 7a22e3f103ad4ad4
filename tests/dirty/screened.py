"""Values by which a lot is judged: bedrooms, soils and depths that nobody can have measured."""

import sqlite3
from pathlib import Path

import numpy as np
import rasterio
from geopandas import GeoDataFrame
from rasterio.transform import from_origin
from shapely import box

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CELL_M, CRS, LEFT, TOP, county, write_county, write_elevation

SCREEN = "screen_county"
MARGIN_M, CELLS = 160.0, 160
AREA = box(LEFT - MARGIN_M, TOP + MARGIN_M - CELLS * CELL_M, LEFT - MARGIN_M + CELLS * CELL_M, TOP + MARGIN_M)


def screened(folder: Path, **spoiled: GeoDataFrame) -> Options:
    """The county on ground that reaches far enough for every lot of it to fit, if what is spoiled does not speak against it."""
    rows, columns = np.mgrid[0:CELLS, 0:CELLS]
    height_m = 140 - 0.28 * rows - 0.06 * columns + 0.5 * np.sin(columns / 9) + np.sin(rows / 13)
    write_elevation(folder / "elevation.tif", height_m.astype(np.float32), transform=from_origin(LEFT - MARGIN_M, TOP + MARGIN_M, 4, 4))
    options: Options = {**write_county(folder, **{"parcels": lots(), **spoiled})}
    return {**options, **{name: f"{folder / 'county.gpkg'}|{name}" for name in spoiled}}


def lots(**columns: object) -> GeoDataFrame:
    return county().parcels.assign(**{"bedrooms": 3.0, "soil": "sandy loam", **columns})


# --------------------------------------------------------------------------------------------------------------------- bedrooms


@dirty(
    "bedrooms of one lot that are the largest number there is",
    "same",
    "bedrooms of 1 of 6 parcels is not 0 to 50",
    "A-2 (1e+308)",
    process=SCREEN,
    unfit=("A-2",),
)
def parcels_with_endless_bedrooms(folder: Path) -> Options:
    return screened(folder, parcels=lots(bedrooms=[3.0, 1e308, 3, 3, 3, 3]))


@dirty(
    "bedrooms of 99, below zero and of 1e9",
    "same",
    "bedrooms of 3 of 6 parcels is not 0 to 50",
    "3 of 6 parcels have no field that can be sized",
    "A-2 (99), A-3 (-3), B-2 (1e+09)",
    process=SCREEN,
    unfit=("A-2", "A-3", "B-2"),
)
def parcels_with_bedrooms_that_no_house_has(folder: Path) -> Options:
    return screened(folder, parcels=lots(bedrooms=[3, 99, -3, 3, 1e9, 3]))


@dirty("bedrooms of -3 on all lots", "refused", "no parcel has a field that can be sized", "A-1, A-2, A-3, B-1, B-2, B-3", process=SCREEN)
def parcels_with_bedrooms_below_zero(folder: Path) -> Options:
    return screened(folder, parcels=lots(bedrooms=-3.0))


@dirty(
    "a soil that the rules do not name, on all lots",
    "refused",
    "names no soil 'moon dust' (A-1, A-2, A-3, B-1, B-2, B-3). It names: ",
    process=SCREEN,
)
def parcels_with_a_strange_soil(folder: Path) -> Options:
    return screened(folder, parcels=lots(soil="moon dust"))


@dirty(
    "a soil that the rules do not name, on one lot",
    "same",
    "1 of 6 parcels have no field that can be sized, and none is said to fit there: rule set 'us-wa' names no soil 'moon dust' (A-2)",
    process=SCREEN,
    unfit=("A-2",),
)
def parcels_with_one_strange_soil(folder: Path) -> Options:
    return screened(folder, parcels=lots(soil=["sandy loam", "moon dust"] + ["sandy loam"] * 4))


def id_with_a_zero(folder: Path, ending: str) -> Options:
    """A-1 as `A`, a zero and `1`: cut at the zero it would be another parcel's name, or that of many."""
    options = {**write_county(folder)}
    path = folder / f"lots.{ending}"
    parcels = county().parcels
    if ending == "gpkg":
        parcels.to_file(path, layer="lots", driver="GPKG")
        with sqlite3.connect(path) as database:
            triggers = [name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
            for name in triggers:
                database.execute(f'DROP TRIGGER "{name}"')
            database.execute("UPDATE lots SET parcel_id = ? WHERE parcel_id = 'A-1'", ("A\x001",))
        database.close()
    elif ending == "geojson":
        text = parcels.to_crs(4326).to_json(drop_id=True)
        path.write_text(text.replace('"A-1"', '"A\\u00001"'), encoding="utf-8")
    else:
        parcels.assign(parcel_id=["A\x001", *parcels.parcel_id[1:]]).to_parquet(path)
    return {**options, "parcels": str(path)}


@dirty("an id with a zero byte in a GeoPackage", "refused", "'parcel_id' of record 1 has a zero byte")
def parcels_with_a_zero_in_a_geopackage(folder: Path) -> Options:
    return id_with_a_zero(folder, "gpkg")


@dirty("an id with a zero byte in GeoJSON", "refused", "a zero in a text, where GDAL ends it")
def parcels_with_a_zero_in_geojson(folder: Path) -> Options:
    return id_with_a_zero(folder, "geojson")


@dirty("an id with a zero byte in GeoParquet", "refused", "parcel_id has a zero byte in it")
def parcels_with_a_zero_in_geoparquet(folder: Path) -> Options:
    return id_with_a_zero(folder, "parquet")


ALIKE = ("A-1", "a-1", "A-3", "B-1", "B-2", "B-2\u200b")


@dirty(
    "parcels whose names differ only in case and in a space of no width",
    "same",
    "parcel_id of parcels that differ only in case",
    "'A-1' and 'a-1'",
    lots=ALIKE,
)
def parcels_named_alike(folder: Path) -> Options:
    return {**write_county(folder, parcels=county().parcels.assign(parcel_id=ALIKE))}


# ----------------------------------------------------------------------------------------------------------------- mapped soils

HOLDS = "holds by the map"


def groundwater(folder: Path, depth: np.ndarray, unit: str = "metre", scale: float = 1.0, east_m: float = 0.0) -> Options:
    """The county with a hard layer at 3 m on record, and depths of groundwater in cells of 10 m."""
    corner = from_origin(LEFT - MARGIN_M + east_m, TOP + MARGIN_M, 10, 10)
    path = write_elevation(folder / "groundwater.tif", depth, transform=corner, unit=unit)
    with rasterio.open(path, "r+") as file:
        file.scales = (scale,)
    return {**screened(folder, soils=soils()), "groundwater": str(path)}


WIDE = (64, 64)
NO_DEPTHS = "cells hold numbers that are no depths"


@dirty("groundwater in bytes, all of them 255, not declared", "refused", NO_DEPTHS, "(255)", process=SCREEN)
def groundwater_of_the_last_byte(folder: Path) -> Options:
    return groundwater(folder, np.full(WIDE, 255, np.uint8))


@dirty("groundwater of 999 ft, not declared", "refused", NO_DEPTHS, "(999)", process=SCREEN)
def groundwater_of_999_feet(folder: Path) -> Options:
    return groundwater(folder, np.full(WIDE, 999, np.float32), unit="foot")


@dirty("groundwater of 32767 hundredths, not declared", "refused", NO_DEPTHS, "(32767)", process=SCREEN)
def groundwater_of_the_last_short_number(folder: Path) -> Options:
    return groundwater(folder, np.full(WIDE, 32767, np.int16), scale=0.01)


@dirty("groundwater of 65535 thousandths in some cells, not declared", "refused", "100 " + NO_DEPTHS, "(65535)", process=SCREEN)
def groundwater_of_the_last_number_in_places(folder: Path) -> Options:
    depth = np.full(WIDE, 5000, np.uint16)
    depth[:10, :10] = 65535
    return groundwater(folder, depth, scale=0.001)


@dirty("groundwater as heights of the water table, 0.3 m below the ground", "refused", "heights of the water table", "A-B", process=SCREEN)
def groundwater_as_heights(folder: Path) -> Options:
    options = screened(folder, soils=soils())
    with rasterio.open(folder / "elevation.tif") as file:
        write_elevation(folder / "groundwater.tif", file.read(1) - np.float32(0.3), transform=file.transform)
    return {**options, "groundwater": str(folder / "groundwater.tif")}


@dirty("groundwater of another place", "refused", "groundwater and parcels do not overlap", process=SCREEN)
def groundwater_of_another_place(folder: Path) -> Options:
    return groundwater(folder, np.full(WIDE, 5, np.float32), east_m=50_000)


@dirty("groundwater under half of the parcels", "same", "4 of 6 parcels lie at least in part outside of the groundwater", process=SCREEN)
def groundwater_of_half_the_place(folder: Path) -> Options:
    return groundwater(folder, np.full((64, 30), 5, np.float32))


def soils(**columns: object) -> GeoDataFrame:
    """One map unit under all of it, described to 2.5 m without rock or water unless `columns` say otherwise."""
    survey = {
        "musym": "A",
        "brockdepmin": np.nan,
        "wtdepannmin": np.nan,
        "resdept_r": np.nan,
        "reskind": None,
        "described_cm": 250.0,
        "hydgrpdcd": "B",
        "drclassdcd": "Well drained",
    }
    return GeoDataFrame({name: [value] for name, value in {**survey, **columns}.items() if value != "absent"}, geometry=[AREA], crs=CRS)


@dirty(
    "a soil survey whose depth of description is 9999", "same", "described_cm of 1 of 1 soils is not 0 to 500", process=SCREEN, unsaid=HOLDS
)
def soils_described_to_the_middle_of_the_earth(folder: Path) -> Options:
    return screened(folder, soils=soils(described_cm=9999.0))


@dirty("a soil survey whose horizons end at 9999", "same", "hzdepb_r of 1 of 1 soils is not 0 to 500", process=SCREEN, unsaid=HOLDS)
def soils_with_a_horizon_without_an_end(folder: Path) -> Options:
    return screened(folder, soils=soils(described_cm="absent", hzdepb_r=9999.0))


@dirty(
    "depths to water, rock and hard layers of 999, where none is reported",
    "same",
    "wtdepannmin of 1 of 1 soils is not 0 to 500",
    "brockdepmin of 1 of 1 soils",
    "resdept_r of 1 of 1 soils",
    process=SCREEN,
    unsaid=HOLDS,
)
def soils_with_999_for_none(folder: Path) -> Options:
    return screened(folder, soils=soils(wtdepannmin=999.0, brockdepmin=999.0, resdept_r=999.0))
