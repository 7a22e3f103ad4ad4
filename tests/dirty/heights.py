"""Dirty elevation that its file describes wrongly: masks, places, axes, tiles."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.control import GroundControlPoint
from rasterio.transform import Affine, from_origin
from shapely import box

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CELL_M, CRS, LEFT, SIDE, TOP, at, county, write_elevation
from tests.dirty.grounds import MAP, ground, holed

HOLE = box(*at(CELL_M * 21, CELL_M * 39), *at(CELL_M * 34, CELL_M * 31))
"""What `holed` makes, less a cell on every side."""

HALF = SIDE // 2
SEAM_X = LEFT + HALF * CELL_M
FOOT_M = np.float32(0.3048)

# ------------------------------------------------------------------------------------------------------- cells without a value


def masked(folder: Path, inside: bool) -> Options:
    """Nodata 85, which passes for a height here, and a mask that knows nothing of it."""
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=inside):
        options = ground(folder, holed(85), nodata=85)
        mask = np.full((SIDE, SIDE), 255, np.uint8)
        mask[:2] = 0
        with rasterio.open(folder / "elevation.tif", "r+") as file:
            file.write_mask(mask)
    assert (folder / "elevation.tif.msk").exists() is not inside
    return options


@dirty("declared gaps and, in the same file, a mask that knows nothing of them", "safe", process=MAP, unmeasured=HOLE)
def elevation_with_nodata_and_a_mask(folder: Path) -> Options:
    return masked(folder, inside=True)


@dirty("declared gaps, and beside the file a mask that knows nothing of them", "safe", process=MAP, unmeasured=HOLE)
def elevation_with_nodata_and_a_mask_beside_it(folder: Path) -> Options:
    return masked(folder, inside=False)


@dirty("a band of floats that says how opaque a cell is, with no number in the gaps", "safe", process=MAP, unmeasured=HOLE)
def elevation_with_an_alpha_of_nan(folder: Path) -> Options:
    alpha = np.where(holed(np.nan) > 0, 1, np.nan).astype(np.float32)
    options = ground(folder, np.stack([holed(85), alpha]), photometric="MINISBLACK")
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.colorinterp = [rasterio.enums.ColorInterp.gray, rasterio.enums.ColorInterp.alpha]
    return options


SAID = "150 cells in patches of one repeated number that a sheer step parts from the ground"


@dirty("9999 feet where nothing was measured, which a mountain may have", "refused", SAID, "9999 from x", "-a_nodata 9999", process=MAP)
def elevation_with_gaps_of_9999_feet(folder: Path) -> Options:
    return ground(folder, holed(9999 * FOOT_M) / FOOT_M, unit="foot")


@dirty("the last number of 16 bits for gaps, among floats in tenths of a metre", "refused", SAID, "32767 from x", process=MAP)
def elevation_with_gaps_of_32767_tenths(folder: Path) -> Options:
    options = ground(folder, np.round(holed(3276.7) * 10).astype(np.float32))
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.scales = (0.1,)
    return options


@dirty("gaps filled with 1000 in a file that declares others", "refused", SAID, "1000 from x", "--NoDataValue=-9999", process=MAP)
def elevation_with_gaps_of_1000_metres(folder: Path) -> Options:
    return ground(folder, holed(1000), nodata=-9999)


PARTED = "stand off by more than"


@dirty("9999 feet where nothing was measured, off by a little as a lossy file leaves it", "told", "150 cells at 3047", PARTED, process=MAP)
def elevation_with_gaps_of_about_9999_feet(folder: Path) -> Options:
    noise_m = np.random.default_rng(9).normal(0, 0.02, county().height_m.shape)
    height_m = np.where(np.isnan(holed(np.nan)), 9999 * FOOT_M + noise_m, county().height_m)
    return ground(folder, (height_m / FOOT_M).astype(np.float32), unit="foot")


@dirty("a quarter of the ground in feet, the rest in metres", "told", PARTED, process=MAP)
def elevation_of_two_units_in_one_file(folder: Path) -> Options:
    height_m = county().height_m.copy()
    height_m[: height_m.shape[0] // 2, : height_m.shape[1] // 2] /= FOOT_M
    return ground(folder, height_m)


@dirty("a patch of 120 m on a hillside of 90 m that the user answers for", "safe", process=MAP)
def elevation_with_a_level_that_is_answered_for(folder: Path) -> Options:
    return {**ground(folder, holed(120)), "level_is_height": "yes"}


@dirty("a lake of one number in a quarry with walls of twenty metres", "safe", process=MAP)
def elevation_with_a_lake_below_cliffs(folder: Path) -> Options:
    return ground(folder, holed(60))


# ------------------------------------------------------------------------------------------------------------- axes and places


@dirty("heights below a vertical axis that points down", "refused", "points down", "depths", process=MAP)
def elevation_on_an_axis_that_points_down(folder: Path) -> Options:
    return ground(folder, -county().height_m, unit=None, crs="EPSG:26910+6357")


@dirty("heights with the wrong sign, all below the sea", "told", "all of them lie below sea level", process=MAP)
def elevation_with_the_wrong_sign(folder: Path) -> Options:
    return ground(folder, -county().height_m)


@dirty("a scale of -1, by which hills are valleys", "refused", "by scale -1 and offset 0, which turns them upside down", process=MAP)
def elevation_with_a_scale_below_zero(folder: Path) -> Options:
    options = ground(folder)
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.scales = (-1.0,)
    return options


@dirty("a sidecar that puts the file 100 m farther east than the file itself", "refused", "elevation.tif.aux.xml", "500100", process=MAP)
def elevation_with_a_sidecar_of_another_place(folder: Path) -> Options:
    options = ground(folder)
    said = f"<PAMDataset><GeoTransform>{LEFT + 100}, 4, 0, {TOP}, 0, -4</GeoTransform></PAMDataset>"
    (folder / "elevation.tif.aux.xml").write_text(said, encoding="utf-8")
    return options


@dirty("a sidecar that repeats the place of the file", "same", process=MAP)
def elevation_with_a_sidecar_of_the_same_place(folder: Path) -> Options:
    options = ground(folder)
    said = f"<PAMDataset><GeoTransform>{LEFT + 1e-6:.6f}, 4, 0, {TOP}, 0, -4</GeoTransform></PAMDataset>"
    (folder / "elevation.tif.aux.xml").write_text(said, encoding="utf-8")
    return options


@dirty("a raster that lies nowhere", "refused", "it has no georeference", process=MAP)
def elevation_without_a_place(folder: Path) -> Options:
    return ground(folder, transform=Affine.identity())


@dirty("neither a place nor a reference system", "refused", "it has no georeference", process=MAP)
def elevation_without_a_place_and_a_crs(folder: Path) -> Options:
    return ground(folder, transform=Affine.identity(), crs=None)


@dirty("a raster that is placed by three points on the ground", "refused", "3 ground control points only", "gdalwarp", process=MAP)
def elevation_on_control_points(folder: Path) -> Options:
    options = ground(folder, transform=Affine.identity())
    corners = [(0, 0), (0, SIDE), (SIDE, 0)]
    points = [GroundControlPoint(row, col, LEFT + CELL_M * col, TOP - CELL_M * row) for row, col in corners]
    with rasterio.open(folder / "elevation.tif", "r+") as file:
        file.gcps = (points, rasterio.crs.CRS.from_string(CRS))
    return options


@dirty("distances from the middle of the Earth", "refused", "geocentric", process=MAP)
def elevation_in_a_geocentric_system(folder: Path) -> Options:
    return ground(folder, crs="EPSG:4978")


@dirty("overviews beside the file that were cut off", "refused", "elevation.tif.ovr", "Delete", process=MAP)
def elevation_with_overviews_cut_off(folder: Path) -> Options:
    options = ground(folder)
    with rasterio.Env(TIFF_USE_OVR=True), rasterio.open(folder / "elevation.tif", "r+") as file:
        file.build_overviews([2, 4])
    beside = folder / "elevation.tif.ovr"
    beside.write_bytes(beside.read_bytes()[:300])
    return options


def alone(folder: Path, **profile: Any) -> Options:
    return {"elevation": str(write_elevation(folder / "elevation.tif", **profile)), "rules": "us-wa"}


@dirty("elevation by itself in a Mercator system, whose metres are too long", "refused", "EPSG:3395", process="slope_suitability")
def elevation_alone_in_a_mercator_system(folder: Path) -> Options:
    return alone(folder, crs="EPSG:3395", transform=from_origin(-13_692_000, 5_900_000, CELL_M, CELL_M))


@dirty("elevation by itself two million metres off its UTM zone", "refused", "EPSG:26910", process="slope_suitability")
def elevation_alone_far_off_its_zone(folder: Path) -> Options:
    return alone(folder, transform=from_origin(2_500_000, TOP, CELL_M, CELL_M))


# ----------------------------------------------------------------------------------------------------------------------- tiles


def tiled(folder: Path, west: dict[str, Any], east: dict[str, Any], **stated: str) -> Options:
    """The county's ground as a VRT of two tiles side by side."""
    halves = {"west": (county().height_m[:, :HALF], LEFT), "east": (county().height_m[:, HALF:], SEAM_X)}
    for name, said in (("west", west), ("east", east)):
        height_m, left = halves[name]
        values = said.pop("height_m", height_m)
        write_elevation(folder / f"{name}.tif", values, transform=from_origin(left, TOP, CELL_M, CELL_M), **said)
    shutil.copy(folder / "west.tif", folder / "elevation.tif")
    options = ground(folder)
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}.tif</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{HALF}" ySize="{SIDE}"/><DstRect xOff="{col}" yOff="0" xSize="{HALF}" ySize="{SIDE}"/>'
        "</SimpleSource>"
        for name, col in (("west", 0), ("east", HALF))
    )
    (folder / "dem.vrt").write_text(
        f'<VRTDataset rasterXSize="{SIDE}" rasterYSize="{SIDE}"><SRS>{CRS}</SRS>'
        f"<GeoTransform>{LEFT}, {CELL_M}, 0, {TOP}, 0, {-CELL_M}</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>',
        encoding="utf-8",
    )
    return {**options, "elevation": str(folder / "dem.vrt"), **stated}


@dirty("a VRT of two tiles side by side, in m the one and in metre the other", "same", process=MAP)
def tiles_of_one_unit_spelt_twice(folder: Path) -> Options:
    return tiled(folder, {"unit": "m"}, {"unit": "metre"})


@dirty("a VRT that takes the mask of a tile for its heights", "refused", "the VRT takes 'mask,1' of it", process=MAP)
def tiles_taken_by_their_mask(folder: Path) -> Options:
    options = tiled(folder, {}, {})
    vrt = folder / "dem.vrt"
    vrt.write_text(vrt.read_text(encoding="utf-8").replace("<SourceBand>1<", "<SourceBand>mask,1<", 1), encoding="utf-8")
    return options


@dirty(
    "a VRT of two tiles without units, in feet the one and in metres the other, all of it stated to be in feet",
    "refused", "tiles west.tif and east.tif", "along their whole seam of 80 cells", process=MAP,
)  # fmt: skip
def tiles_of_two_units_that_state_none(folder: Path) -> Options:
    feet = county().height_m / FOOT_M
    return tiled(folder, {"unit": None, "height_m": feet[:, :HALF]}, {"unit": None}, elevation_unit="ft")


@dirty("a VRT of two tiles on two vertical datums, 1.2 m apart", "refused", "the ground steps by 1.20 m", process=MAP)
def tiles_of_two_datums(folder: Path) -> Options:
    return tiled(folder, {}, {"height_m": county().height_m[:, HALF:] + np.float32(1.2)})


@dirty("a VRT of two tiles of surveys that differ by 0.2 m", "safe", process=MAP)
def tiles_of_two_years(folder: Path) -> Options:
    return tiled(folder, {}, {"height_m": county().height_m[:, HALF:] + np.float32(0.2)})
