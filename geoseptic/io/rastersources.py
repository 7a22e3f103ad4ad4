"""Opens single raster files: only the formats that elevations come in, only files of this machine, and whole ones.

GDAL by itself would open some hundred formats, addresses on the network among them, and read what is missing in a text grid as zeros.
"""

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Final
from zipfile import BadZipFile, ZipFile

import numpy as np
import rasterio
import rasterio.errors
from pyproj import CRS
from rasterio._err import CPLE_BaseError

from geoseptic.errors import FileUnreadableError, listed

FORMATS: Final[dict[str, str]] = {
    "GTiff": "GeoTIFF",
    "AAIGrid": "ESRI ASCII grid",
    "HFA": "ERDAS Imagine",
    "AIG": "ESRI binary grid",
    "EHdr": "BIL or FLT with its header",
}
"""GDAL's name of a format -> what people call it. A VRT is opened by io/mosaics.py, which looks at its tiles first."""

OPEN_OPTIONS: Final[dict[str, dict[str, str]]] = {"AAIGrid": {"DATATYPE": "Float64"}}
"""GDAL tells the type of a text grid by its beginning: after a long run of whole numbers (nodata, say) it cuts all decimals."""

VRT_MARK: Final = b"<VRTDataset"
LOOKED_AT_BYTES: Final = 1024
"""What GDAL looks at to tell that a file is a VRT."""

SAME_PLACE_CELLS: Final = 0.01
"""A sidecar that puts a corner of a file farther from where the file itself has it contradicts it. Our own choice; rounding stays below."""

TEXT_BLOCK_BYTES: Final = 1 << 24


def is_vrt(path: Path | str) -> bool:
    """Whether GDAL would take the file for a VRT, whatever it is called."""
    if not Path(path).is_file():
        return False
    with Path(path).open("rb") as file:
        return VRT_MARK in file.read(LOOKED_AT_BYTES)


def refuse_absent(path: Path | str) -> None:
    """Raises FileUnreadableError where there is no such file on this machine, with what to do if it is an address on the network."""
    if Path(path).exists():
        return
    if re.match(r"/vsi|\w{2,}:/", str(path)):
        raise FileUnreadableError(
            str(path), "rasters are not read from the network or from virtual folders", "Download or unpack it and give the file."
        )
    raise FileUnreadableError(str(path), "there is no such file", "Check the path.")


def open_single(path: Path | str) -> Any:
    """The opened raster file, in one of `FORMATS`, or the only GeoTIFF of a zip archive. Raises FileUnreadableError."""
    refuse_absent(path)
    if is_vrt(path):
        raise FileUnreadableError(str(path), "it is a VRT", "Give the tiles themselves.")
    inside = _the_geotiff_in(Path(path)) if str(path).lower().endswith(".zip") else None
    return open_known(str(path) if inside is None else f"/vsizip/{Path(path).resolve()}/{inside}", str(path))


def open_known(name: str, shown: str) -> Any:
    """What GDAL opens under that name in one of `FORMATS`; a refusal calls it `shown`."""
    said = ""
    for driver in FORMATS:
        try:
            file = plainly_opened(name, driver, **OPEN_OPTIONS.get(driver, {}))
        except rasterio.errors.RasterioIOError as error:
            if "not recognized as being in a supported file format" not in str(error):
                said = said or str(error).rstrip(".")
            continue
        try:
            _refuse_broken_overviews(file, shown)
            _refuse_two_places(file, name, shown)
        except BaseException:
            file.close()
            raise
        return file
    why = said or f"it is in none of the formats of elevations ({', '.join(FORMATS.values())}, VRT of such tiles)"
    raise FileUnreadableError(shown, why, "Give a raster in one of these; gdal_translate IN OUT.tif makes a GeoTIFF of any other.")


def plainly_opened(name: Path | str, driver: str, **options: str) -> Any:
    """The file as rasterio opens it, which is not to print that it has no place on Earth: `refuse_placeless` says what to do."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        return rasterio.open(name, driver=driver, **options)


def refuse_placeless(file: Any, shown: str) -> None:
    """Raises FileUnreadableError where nothing says which ground the cells lie on."""
    if not file.transform.is_identity:
        return
    if file.gcps[0]:
        raise FileUnreadableError(
            shown,
            f"it is placed by {len(file.gcps[0])} ground control points only, which may turn and stretch it",
            "Warp it to a north-up raster (gdalwarp -t_srs EPSG:CODE, that of the UTM or state plane zone of the place) and run again.",
        )
    raise FileUnreadableError(
        shown,
        "it has no georeference: neither the file nor a world file beside it says where its cells lie",
        "Ask its owner for the file with its georeference, or for its corners (gdal_edit.py -a_ullr LEFT TOP RIGHT BOTTOM FILE).",
    )


def _refuse_broken_overviews(file: Any, shown: str) -> None:
    """GDAL looks into the overviews when it lists its files, and where they are damaged the next question about a band fails."""
    try:
        with rasterio.Env():  # which keeps GDAL from printing it
            _ = file.files, file.colorinterp
    except (CPLE_BaseError, rasterio.errors.RasterioError) as error:
        beside = next((Path(name).name for name in file.files if name.lower().endswith((".ovr", ".rrd"))), None)
        if beside is None:
            raise FileUnreadableError(shown, f"it is damaged ({str(error).rstrip('.')})", "Fetch the file anew and run again.") from error
        raise FileUnreadableError(
            shown, f"the overviews beside it, {beside}, are damaged", "Delete that file: no run needs it, and a GIS makes it anew."
        ) from error


def _refuse_two_places(file: Any, name: str, shown: str) -> None:
    """GDAL prefers the place that a sidecar states to that of the GeoTIFF itself."""
    beside = next((Path(other).name for other in file.files if other.lower().endswith(".aux.xml")), None)
    if file.driver != "GTiff" or beside is None:
        return
    with plainly_opened(name, "GTiff", GEOREF_SOURCES="INTERNAL") as alone:
        own, stated = alone.transform, file.transform
    if own.is_identity or own == stated:
        return
    corners = [(0, 0), (file.width, 0), (0, file.height), (file.width, file.height)]
    apart = [~own @ (stated @ corner) for corner in corners]
    off = max(abs(x - col) + abs(y - row) for (x, y), (col, row) in zip(apart, corners, strict=True))
    if not off <= SAME_PLACE_CELLS:
        raise FileUnreadableError(
            shown,
            f"the file itself says that its top left corner lies at x {own.c:.10g}, y {own.f:.10g} and that its cells are {own.a:.10g} "
            f"wide, {beside} beside it says x {stated.c:.10g}, y {stated.f:.10g} and {stated.a:.10g}",
            f"Compare both with a map. If the file is right, take the line GeoTransform out of {beside}; if {beside} is, "
            "make one file of both (gdal_translate IN OUT.tif).",
        )


@contextmanager
def reading(path: Path | str) -> Iterator[None]:
    """A part of a file that cannot be read is refused as a file that cannot be read."""
    try:
        yield
    except (CPLE_BaseError, rasterio.errors.RasterioIOError) as error:
        raise FileUnreadableError(
            str(path), f"a part of it is damaged or missing ({str(error).rstrip('.')})", "Fetch the file anew and run again."
        ) from error


def crs_of(file: Any) -> CRS | None:
    # WKT 2 keeps the vertical axis of a 3-D system, which WKT 1 cannot say.
    return None if file.crs is None else CRS.from_wkt(file.crs.to_wkt(version="WKT2_2019"))


def unit_in_prj(file: Any) -> str | None:
    """The unit of height that an old ESRI .prj states in a line Zunits, which GDAL does not hand on; None where there is no such word."""
    for name in file.files:
        if Path(name).suffix.lower() == ".prj" or Path(name).name.lower() == "prj.adf":
            line = re.search(rb"^\s*zunits\s+(\S+)", Path(name).read_bytes(), re.IGNORECASE | re.MULTILINE)
            word = line.group(1).decode("latin-1") if line else "NO"
            return None if word.upper() in ("NO", "NONE") else word
    return None


def check_text(file: Any, path: Path | str) -> None:
    """Raises FileUnreadableError where an ESRI ASCII grid does not hold one number a cell: GDAL reads missing ones and words as 0."""
    if file.driver != "AAIGrid":
        return
    expected, found = file.width * file.height, 0
    with Path(path).open("rb") as text:
        first_line = _skip_header(text)
        for lines in _blocks(text):
            numbers, sound = _numbers(lines)
            if not sound:
                number, word = _first_word(lines)
                raise FileUnreadableError(
                    str(path), f"line {first_line + number} holds '{word}', which is no number", "Fetch the file anew and run again."
                )
            found += numbers
            first_line += lines.count(b"\n")
    if found != expected:
        raise FileUnreadableError(
            str(path),
            f"its header promises {file.height} rows of {file.width} cells, {expected} numbers, and it holds {found}",
            "It was cut short, or its header is wrong: fetch it anew and run again.",
        )


def _skip_header(text: BinaryIO) -> int:
    """Leaves the lines of names and values behind; the number of the first line of cells."""
    number = 1
    while True:
        start = text.tell()
        line = text.readline()
        if not re.match(rb"\s*[A-Za-z_]{4,}\s", line) and line.strip():
            text.seek(start)
            return number
        if not line:
            return number
        number += 1


def _blocks(text: BinaryIO) -> Iterator[bytes]:
    while lines := text.read(TEXT_BLOCK_BYTES):
        yield lines + text.readline()


def _numbers(lines: bytes) -> tuple[int, bool]:
    """How many numbers stand there, and whether there is nothing else. A comma is a decimal point, as GDAL takes it."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return len(np.fromstring(lines.replace(b",", b"."), np.float64, sep=" ")) if lines.strip() else 0, True
        except (DeprecationWarning, ValueError):
            return 0, False


def _first_word(lines: bytes) -> tuple[int, str]:
    """Line, counted from 0, and text of the first thing that is no number."""
    for number, line in enumerate(lines.split(b"\n")):
        for word in line.replace(b",", b".").split():
            if not _numbers(word)[1]:
                return number, word.decode("latin-1")
    return 0, ""


def _the_geotiff_in(archive: Path) -> str:
    try:
        with ZipFile(archive) as names:
            rasters = [name for name in names.namelist() if name.lower().endswith((".tif", ".tiff")) and not name.startswith("__MACOSX")]
    except BadZipFile as error:
        raise FileUnreadableError(str(archive), f"it is no zip archive ({error})", "Fetch it anew.") from None
    if len(rasters) != 1:
        held = f"{len(rasters)} GeoTIFFs ({listed(rasters)})" if rasters else "no GeoTIFF"
        raise FileUnreadableError(str(archive), f"it holds {held}", "Unpack it and give the elevation itself.")
    return rasters[0]
