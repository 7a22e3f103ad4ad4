"""Dirty elevation."""

from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import Affine, from_origin

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CELL_M, LEFT, SIDE, TOP, county, write_county, write_elevation

MAP = "suitability_map"


def ground(folder: Path, height_m: np.ndarray | None = None, name: str = "elevation.tif", **profile: object) -> Options:
    write_elevation(folder / name, height_m, **profile)
    options: Options = {**write_county(folder)}
    return {**options, "elevation": str(folder / name)}


def holed(value: float) -> np.ndarray:
    height_m = county().height_m.copy()
    height_m[30:40, 20:35] = value
    return height_m


@dirty("gaps as -9999, not declared", "refused", "-9999", process=MAP)
def elevation_with_undeclared_gaps(folder: Path) -> Options:
    return ground(folder, holed(-9999))


@dirty("gaps as the least number that a float holds, not declared", "refused", process=MAP)
def elevation_with_the_least_float(folder: Path) -> Options:
    return ground(folder, holed(np.finfo(np.float32).min))


@dirty("gaps that are declared: the ground there is unknown", "safe", process=MAP)
def elevation_with_declared_gaps(folder: Path) -> Options:
    return ground(folder, holed(-9999), nodata=-9999)


@dirty("infinite heights", "refused", "infinite", process=MAP)
def elevation_with_infinity(folder: Path) -> Options:
    return ground(folder, holed(np.inf))


@dirty("zeros where nothing was measured", "refused", "0", "--zero-is-height", process=MAP)
def elevation_with_zeros(folder: Path) -> Options:
    return ground(folder, holed(0))


@dirty("not one known height", "refused", process=MAP)
def elevation_of_nothing(folder: Path) -> Options:
    return ground(folder, np.full((SIDE, SIDE), -9999, np.float32), nodata=-9999)


@dirty("heights of a unit that nobody states", "refused", "the unit of the heights is not known", process=MAP)
def elevation_without_a_unit(folder: Path) -> Options:
    return ground(folder, unit=None)


@dirty("feet by the band, metres by the one who runs it", "refused", "contradict each other", process=MAP)
def elevation_of_two_units(folder: Path) -> Options:
    return {**ground(folder, county().height_m / np.float32(0.3048), unit="foot"), "elevation_unit": "m"}


@dirty("heights in feet over metres", "same", process=MAP)
def elevation_in_feet(folder: Path) -> Options:
    return ground(folder, county().height_m / np.float32(0.3048), unit="foot")


@dirty("a compound CRS with heights in US survey feet", "same", process=MAP)
def elevation_with_a_compound_crs(folder: Path) -> Options:
    return ground(folder, county().height_m / np.float32(1200 / 3937), unit=None, crs="EPSG:26910+6360")


@dirty("heights in decimetres, with the scale in the file", "same", process=MAP, slack_m2=1.0)
def elevation_in_scaled_decimetres(folder: Path) -> Options:
    options = ground(folder, np.round(county().height_m * 100).astype(np.int32))
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.scales = (0.01,)
    return options


@dirty("two bands, and nobody knows which holds the heights", "refused", "2 bands", process=MAP)
def elevation_of_two_bands(folder: Path) -> Options:
    return ground(folder, np.stack([county().height_m, county().height_m]))


@dirty("a turned raster", "refused", process=MAP)
def elevation_that_is_turned(folder: Path) -> Options:
    return ground(folder, transform=from_origin(LEFT, TOP, CELL_M, CELL_M) @ Affine.rotation(10))


@dirty("a raster with south up", "refused", process=MAP)
def elevation_with_south_up(folder: Path) -> Options:
    return ground(folder, county().height_m[::-1], transform=Affine(CELL_M, 0, LEFT, 0, CELL_M, TOP - SIDE * CELL_M))


@dirty("cells that are not square", "refused", "square", process=MAP)
def elevation_of_oblong_cells(folder: Path) -> Options:
    return ground(folder, transform=from_origin(LEFT, TOP, CELL_M, 1.5 * CELL_M))


@dirty("elevation in degrees", "refused", "is in degrees", process=MAP)
def elevation_in_degrees(folder: Path) -> Options:
    return ground(folder, crs="EPSG:4326", transform=from_origin(-123, 46.95, 4e-5, 4e-5))


@dirty("elevation without a reference system", "refused", "no coordinate reference system", process=MAP)
def elevation_without_a_crs(folder: Path) -> Options:
    return ground(folder, crs=None)


@dirty("elevation of another place", "refused", "do not overlap", process=MAP)
def elevation_of_another_place(folder: Path) -> Options:
    return ground(folder, transform=from_origin(LEFT + 50_000, TOP, CELL_M, CELL_M))


@dirty("elevation under half of the parcels: the others' ground is unknown", "safe", process=MAP)
def elevation_of_half_the_place(folder: Path) -> Options:
    return ground(folder, county().height_m[:, : SIDE // 2])


@dirty("a picture of the ground instead of its heights", "refused", process=MAP)
def elevation_as_a_picture(folder: Path) -> Options:
    return ground(folder, np.stack([np.full((SIDE, SIDE), 90, np.uint8)] * 3), photometric="RGB", unit=None)


@dirty("a file that was cut off in the middle", "refused", "cannot be read", process=MAP)
def elevation_cut_off(folder: Path) -> Options:
    options = ground(folder)
    path = folder / "elevation.tif"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return options


@dirty("a text that is called a TIFF", "refused", "cannot be read", process=MAP)
def elevation_that_is_a_text(folder: Path) -> Options:
    options = ground(folder)
    (folder / "elevation.tif").write_text("heights to follow\n", encoding="utf-8")
    return options


@dirty("no such file", "refused", "there is no such file", process=MAP)
def elevation_that_is_not_there(folder: Path) -> Options:
    return {**write_county(folder), "elevation": str(folder / "nothing.tif")}
