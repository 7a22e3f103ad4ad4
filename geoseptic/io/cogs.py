"""Cloud Optimized GeoTIFFs made of raw files by GDAL: nothing is copied before it is packed, and nothing is packed twice."""

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
from geoseptic.model.planes import Plane

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
"""Values as they lie in a raw file -> GDAL's name for them."""

RAW_FILES: Final = {"GDAL_VRT_ENABLE_RAWRASTERBAND": "YES", "GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE": "ALL"}
"""Newer GDAL reads raw files only where it is told that they may be read."""


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


def write_cog(target: Path, values: FilePlane, coarser: Sequence[FilePlane], header: Header, folder: Path, **packing: Any) -> None:
    """Pack `values` and their coarser copies, finest first, into a Cloud Optimized GeoTIFF.

    Parameters
    ----------
    folder : where descriptions of the raw files are put for GDAL (its virtual format); they are of no use afterwards.
    packing : further creation options of GDAL's driver COG.
    """
    described = []
    for number, plane in enumerate(coarser):
        described.append(folder / f"coarser-{number}.vrt")
        described[-1].write_text(_virtual(plane, header), encoding="utf-8")
    whole = folder / "whole.vrt"
    whole.write_text(_virtual(values, header, described), encoding="utf-8")
    with rasterio.Env(**RAW_FILES):
        rasterio.shutil.copy(whole, target, driver="COG", overviews="FORCE_USE_EXISTING", bigtiff="IF_SAFER", **packing)


def _virtual(plane: FilePlane, header: Header, coarser: Sequence[Path] = ()) -> str:
    """GDAL's description of a raw file (https://gdal.org/drivers/raster/vrt.html, VRTRawRasterBand)."""
    rows, cols = plane.shape
    size = plane.dtype.itemsize
    root = ET.Element("VRTDataset", rasterXSize=str(cols), rasterYSize=str(rows))
    ET.SubElement(root, "SRS").text = header.crs_wkt
    ET.SubElement(root, "GeoTransform").text = ", ".join(repr(float(term)) for term in header.transform.to_gdal())
    metadata = ET.SubElement(root, "Metadata")
    for key, value in header.tags.items():
        ET.SubElement(metadata, "MDI", key=key).text = value
    band = ET.SubElement(root, "VRTRasterBand", dataType=TYPES[plane.dtype.name], band="1", subClass="VRTRawRasterBand")
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
    ET.SubElement(band, "SourceFilename", relativeToVRT="0").text = str(Path(plane.path).absolute())
    for name, count in (("ImageOffset", 0), ("PixelOffset", size), ("LineOffset", size * cols)):
        ET.SubElement(band, name).text = str(count)
    ET.SubElement(band, "ByteOrder").text = "LSB" if sys.byteorder == "little" else "MSB"
    for path in coarser:
        overview = ET.SubElement(band, "Overview")
        ET.SubElement(overview, "SourceFilename", relativeToVRT="1").text = path.name
        ET.SubElement(overview, "SourceBand").text = "1"
    return ET.tostring(root, encoding="unicode")


def packable(plane: Plane) -> bool:
    """Whether the values can be packed from where they lie."""
    return isinstance(plane, FilePlane) and plane.dtype.name in TYPES
