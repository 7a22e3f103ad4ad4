"""Cloud Optimized GeoTIFFs made by GDAL of raw files and of arrays: nothing is copied before it is packed, and nothing is packed twice."""

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree as ET

import rasterio
import rasterio.shutil
from affine import Affine

from geoseptic.io.scratch import FilePlane
from geoseptic.model.planes import ArrayPlane, Plane

TYPES: Final[Mapping[str, str]] = {
    "bool": "Byte",
    "uint8": "Byte",
    "uint16": "UInt16",
    "int16": "Int16",
    "uint32": "UInt32",
    "int32": "Int32",
    "uint64": "UInt64",
    "int64": "Int64",
    "float32": "Float32",
}
"""Values as they lie in a raw file or in memory -> GDAL's name for them."""

READABLE: Final = {
    "GDAL_VRT_ENABLE_RAWRASTERBAND": "YES",
    "GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE": "ALL",
    "GDAL_MEM_ENABLE_OPEN": "YES",
}
"""Newer GDAL reads raw files and arrays in memory only where it is told that they may be read."""

BY_LINES: Final = {"GDAL_ONE_BIG_READ": "NO"}
"""Lines of a raw file are read whole, once, into GDAL's cache. Of lines of more than 50,000 bytes it would ask the file for each tile's own
part: thirty times as many reads (its `RawRasterBand::CanUseDirectIO`)."""


@dataclass(frozen=True)
class Header:
    """What a file says of its one band beside the values. `colours` are red, green, blue and opacity of each value of a byte raster."""

    crs_wkt: str
    transform: Affine
    nodata: float | int | None
    title: str
    unit: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)
    colours: Mapping[int, tuple[int, int, int, int]] = field(default_factory=dict)


def write_cog(target: Path, values: Plane, coarser: Sequence[Plane], header: Header, folder: Path, **packing: Any) -> None:
    """Pack `values` and their coarser copies, finest first, into a Cloud Optimized GeoTIFF.

    Parameters
    ----------
    values, coarser : `packable` planes.
    folder : where descriptions of them are put for GDAL (its virtual format); they are of no use afterwards.
    packing : further creation options of GDAL's driver COG.
    """
    described = []
    for number, plane in enumerate(coarser):
        described.append(folder / f"coarser-{number}.vrt")
        described[-1].write_text(_virtual(plane, header), encoding="utf-8")
    whole = folder / "whole.vrt"
    whole.write_text(_virtual(values, header, described), encoding="utf-8")
    with rasterio.Env(**READABLE, **BY_LINES):
        rasterio.shutil.copy(whole, target, driver="COG", overviews="FORCE_USE_EXISTING", bigtiff="IF_SAFER", **packing)


def _virtual(plane: Plane, header: Header, coarser: Sequence[Path] = ()) -> str:
    """GDAL's description of a raw file or an array (https://gdal.org/drivers/raster/vrt.html)."""
    rows, cols = plane.shape
    root = ET.Element("VRTDataset", rasterXSize=str(cols), rasterYSize=str(rows))
    ET.SubElement(root, "SRS").text = header.crs_wkt
    ET.SubElement(root, "GeoTransform").text = ", ".join(repr(float(term)) for term in header.transform.to_gdal())
    metadata = ET.SubElement(root, "Metadata")
    for key, value in header.tags.items():
        ET.SubElement(metadata, "MDI", key=key).text = value
    band = ET.SubElement(root, "VRTRasterBand", dataType=TYPES[plane.dtype.name], band="1")
    ET.SubElement(band, "Description").text = header.title
    if header.unit:
        ET.SubElement(band, "UnitType").text = header.unit
    if header.nodata is not None:
        ET.SubElement(band, "NoDataValue").text = str(header.nodata)
    if header.colours:
        ET.SubElement(band, "ColorInterp").text = "Palette"
        table = ET.SubElement(band, "ColorTable")
        for number in range(max(header.colours) + 1):
            channels = header.colours.get(number, (0, 0, 0, 0))
            ET.SubElement(table, "Entry", {f"c{place}": str(channel) for place, channel in enumerate(channels, 1)})
    if isinstance(plane, FilePlane):
        _add_file(band, plane)
    else:
        _add_array(band, plane)
    for path in coarser:
        overview = ET.SubElement(band, "Overview")
        ET.SubElement(overview, "SourceFilename", relativeToVRT="1").text = path.name
        ET.SubElement(overview, "SourceBand").text = "1"
    return ET.tostring(root, encoding="unicode")


def _add_file(band: ET.Element, plane: FilePlane) -> None:
    """The values of a band from a raw file (VRTRawRasterBand)."""
    band.set("subClass", "VRTRawRasterBand")
    size = plane.dtype.itemsize
    ET.SubElement(band, "SourceFilename", relativeToVRT="0").text = str(Path(plane.path).absolute())
    for name, count in (("ImageOffset", 0), ("PixelOffset", size), ("LineOffset", size * plane.shape[1])):
        ET.SubElement(band, name).text = str(count)
    ET.SubElement(band, "ByteOrder").text = "LSB" if sys.byteorder == "little" else "MSB"


def _add_array(band: ET.Element, plane: Plane) -> None:
    """The values of a band from where they lie in this process (https://gdal.org/drivers/raster/mem.html)."""
    (rows, cols), values = plane.shape, plane.array()
    source = ET.SubElement(band, "SimpleSource")
    ET.SubElement(
        source, "SourceFilename", relativeToVRT="0"
    ).text = f"MEM:::DATAPOINTER={values.ctypes.data},PIXELS={cols},LINES={rows},BANDS=1,DATATYPE={TYPES[plane.dtype.name]}"
    ET.SubElement(source, "SourceBand").text = "1"


def packable(plane: Plane) -> bool:
    """Whether the values can be packed from where they lie."""
    if plane.dtype.name not in TYPES or not plane.dtype.isnative:
        return False
    return isinstance(plane, FilePlane) or (isinstance(plane, ArrayPlane) and plane.values.flags.c_contiguous)
