"""Dirty files of other formats: archives, databases of a GIS, mosaics, and sources that point elsewhere."""

import zipfile
from pathlib import Path

import rasterio
from rasterio.shutil import copy as copy_raster
from rasterio.transform import from_origin

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CELL_M, LEFT, SIDE, TOP, county, write_county, write_elevation

MAP = "suitability_map"
SHAPEFILE = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def shapefile(folder: Path) -> Path:
    path = folder / "loose" / "parcels.shp"
    path.parent.mkdir()
    county().layers["parcels"].to_file(path, driver="ESRI Shapefile")
    return path


def zipped(folder: Path, **names: str) -> Options:
    """The parcels as a zipped shapefile; `names` gives members other names, by ending."""
    path = shapefile(folder)
    with zipfile.ZipFile(folder / "parcels.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for ending in SHAPEFILE:
            archive.write(path.with_suffix(ending), names.get(ending[1:], f"county/parcels{ending}"))
    return {**write_county(folder), "parcels": str(folder / "parcels.zip")}


@dirty("a zipped shapefile, one folder down", "same")
def archive_one_folder_down(folder: Path) -> Options:
    return zipped(folder)


@dirty("an archive with a path that leads out of it", "refused", "parcels.zip")
def archive_that_leads_out(folder: Path) -> Options:
    return zipped(folder, dbf="../../../parcels.dbf")


@dirty("an archive that would unpack to a thousand times its size", "refused", "parcels.zip")
def archive_that_is_a_bomb(folder: Path) -> Options:
    options = zipped(folder)
    with zipfile.ZipFile(folder / "parcels.zip", "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("county/wells.geojson", b" " * 50_000_000)
    return options


@dirty("an archive that was cut off in the middle", "refused", "parcels.zip")
def archive_cut_off(folder: Path) -> Options:
    options = zipped(folder)
    path = folder / "parcels.zip"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return options


def saved(folder: Path, name: str, driver: str, **options: object) -> Options:
    county().layers["parcels"].to_file(folder / name, driver=driver, **options)
    return {**write_county(folder), "parcels": str(folder / name)}


@dirty("FlatGeobuf", "same")
def format_flatgeobuf(folder: Path) -> Options:
    return saved(folder, "parcels.fgb", "FlatGeobuf")


@dirty("a File Geodatabase, which is a folder", "same")
def format_file_geodatabase(folder: Path) -> Options:
    return saved(folder, "parcels.gdb", "OpenFileGDB", layer="parcels")


@dirty("GeoParquet", "same")
def format_geoparquet(folder: Path) -> Options:
    county().layers["parcels"].to_parquet(folder / "parcels.parquet")
    return {**write_county(folder), "parcels": str(folder / "parcels.parquet")}


@dirty("GeoJSON of the old kind, with a CRS of its own", "same", slack_m2=1.0)
def format_old_geojson(folder: Path) -> Options:
    return saved(folder, "parcels.geojson", "GeoJSON", RFC7946="NO")


@dirty("parcels whose identifiers are called APN: a guess, which is told", "same", "APN")
def columns_that_are_guessed(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].rename(columns={"parcel_id": "APN"}))


@dirty("two columns that may both hold the identifiers", "refused", "APN", "PIN")
def columns_of_two_candidates(folder: Path) -> Options:
    clean = county().layers["parcels"]
    return write_county(folder, parcels=clean.assign(PIN=clean.parcel_id).rename(columns={"parcel_id": "APN"}))


@dirty("an address instead of a file", "refused", "nothing is fetched unasked")
def source_on_the_network(folder: Path) -> Options:
    return {**write_county(folder), "parcels": "https://127.0.0.1:9/parcels.gpkg"}


@dirty("a virtual file system of GDAL that fetches", "refused", "nothing is fetched unasked")
def source_behind_curl(folder: Path) -> Options:
    return {**write_county(folder), "parcels": "/vsicurl/http://127.0.0.1:9/parcels.gpkg"}


@dirty("a file that makes GDAL open another", "refused", "parcels.vrt")
def source_that_points_elsewhere(folder: Path) -> Options:
    text = '<OGRVRTDataSource><OGRVRTLayer name="parcels"><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'
    (folder / "parcels.vrt").write_text(text, encoding="utf-8")
    return {**write_county(folder), "parcels": str(folder / "parcels.vrt")}


def mosaic(folder: Path, right_cell_m: float = CELL_M, lost: bool = False) -> Options:
    """The elevation as a VRT of a left and a right half."""
    half, height_m = SIDE // 2, county().height_m
    write_elevation(folder / "left.tif", height_m[:, :half])
    step = round(right_cell_m / CELL_M)
    right = height_m[::step, half::step]
    write_elevation(folder / "right.tif", right, transform=from_origin(LEFT + half * CELL_M, TOP, right_cell_m, right_cell_m))
    tiles = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}.tif</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{columns}" ySize="{rows}"/>'
        f'<DstRect xOff="{at}" yOff="0" xSize="{half}" ySize="{SIDE}"/></SimpleSource>'
        for name, at, rows, columns in (("left", 0, SIDE, half), ("right", half, right.shape[0], right.shape[1]))
    )
    with rasterio.open(folder / "left.tif") as file:
        wkt = file.crs.to_wkt()
    place = f"{LEFT}, {CELL_M}, 0, {TOP}, 0, {-CELL_M}"
    (folder / "elevation.vrt").write_text(
        f'<VRTDataset rasterXSize="{SIDE}" rasterYSize="{SIDE}"><SRS>{wkt}</SRS><GeoTransform>{place}</GeoTransform>'
        f'<VRTRasterBand dataType="Float32" band="1"><UnitType>metre</UnitType>{tiles}</VRTRasterBand></VRTDataset>',
        encoding="utf-8",
    )
    if lost:
        (folder / "right.tif").unlink()
    return {**write_county(folder), "elevation": str(folder / "elevation.vrt")}


@dirty("elevation in two tiles", "same", process=MAP)
def mosaic_of_two(folder: Path) -> Options:
    return mosaic(folder)


@dirty("a tile that is not there", "refused", "right.tif", process=MAP)
def mosaic_without_a_tile(folder: Path) -> Options:
    return mosaic(folder, lost=True)


@dirty("tiles of different cells, which GDAL would mix", "refused", "right.tif", process=MAP)
def mosaic_of_two_cell_sizes(folder: Path) -> Options:
    return mosaic(folder, right_cell_m=2 * CELL_M)


def text_grid(folder: Path, projection: bool = True, cut: bool = False) -> Options:
    write_elevation(folder / "elevation.tif")
    copy_raster(folder / "elevation.tif", folder / "dem.asc", driver="AAIGrid")
    for extra in ("dem.prj", "dem.asc.aux.xml"):
        if (folder / extra).exists() and (extra != "dem.prj" or not projection):
            (folder / extra).unlink()
    if cut:
        path = folder / "dem.asc"
        path.write_text(path.read_text(encoding="ascii").rsplit(" ", 3)[0] + "\n", encoding="ascii")
    return {**write_county(folder), "elevation": str(folder / "dem.asc"), "elevation_unit": "m"}


@dirty("an ESRI ASCII grid", "same", process=MAP, slack_m2=0.5)
def text_grid_whole(folder: Path) -> Options:
    return text_grid(folder)


@dirty("an ESRI ASCII grid without its .prj", "refused", "no coordinate reference system", ".prj", process=MAP)
def text_grid_without_prj(folder: Path) -> Options:
    return text_grid(folder, projection=False)


@dirty("an ESRI ASCII grid that lacks its last numbers, which GDAL would fill with 0", "refused", "dem.asc", process=MAP)
def text_grid_cut_off(folder: Path) -> Options:
    return text_grid(folder, cut=True)
