"""Which format a file is in, by its first bytes and not by its name: what is not known here is not opened at all.

GDAL would try each of its drivers, some of which fetch what a file points to.
"""

import re
import sqlite3
from pathlib import Path
from typing import Final
from urllib.parse import quote

from geoseptic.errors import FileUnreadableError

DRIVERS: Final = {
    "shapefile": ("ESRI Shapefile",),
    "GeoPackage": ("GPKG",),
    "File Geodatabase": ("OpenFileGDB",),
    "GeoJSON": ("GeoJSON", "GeoJSONSeq"),
    "FlatGeobuf": ("FlatGeobuf",),
    "KML": ("LIBKML", "KML"),
    "GML": ("GML",),
}
"""Format -> the only drivers of GDAL that may open it."""

KNOWN: Final = "shapefile, GeoPackage, File Geodatabase, GeoJSON, FlatGeobuf, GeoParquet, KML or GML, or a zip archive of these"

SHAPEFILE: Final = frozenset({".shp", ".shx", ".dbf", ".prj", ".cpg"})
"""The files that make up one shapefile, as far as they are read."""

TABLES: Final = frozenset({".csv", ".tsv", ".dbf"})

HEAD_BYTES: Final = 65_536

POINTERS: Final = frozenset(
    {
        "ogrvrtdatasource",
        "ogrwfsdatasource",
        "ogrcswdatasource",
        "vrtdataset",
        "gdal_wms",
        "wms_tile_service",
        "wfs_capabilities",
        "wcs_gdal",
    }
)
"""Root elements of XML files that hold no data but say where they are."""

ELSEWHERE: Final = re.compile(r"/vsi[a-z0-9_]+[/?]|[a-z][a-z0-9+.-]+://", re.IGNORECASE)
CONNECTION: Final = re.compile(r"[a-z][a-z0-9_]+:(?![\\/])", re.IGNORECASE)

VIRTUAL_MODULES: Final = frozenset({"rtree", "fts3", "fts4", "fts5"})
REACHING_OUT: Final = re.compile(r"ogr_geocode|ogr_datasource|load_extension|readfile|writefile|fileio", re.IGNORECASE)


def is_elsewhere(source: str) -> bool:
    """Whether the text names no file of this machine but an address, or a virtual file system of GDAL."""
    return ELSEWHERE.match(source) is not None


def refuse_elsewhere(source: str) -> None:
    """Raises FileUnreadableError for a text that is an address or a connection and no file."""
    if is_elsewhere(source):
        raise FileUnreadableError(
            source, "it is not a file on this machine, and nothing is fetched unasked", "Download it first, or say --allow-network."
        )
    if not Path(source).exists() and CONNECTION.match(source):
        raise FileUnreadableError(source, "it is a connection string of GDAL, which is not followed", "Save the layer to a file.")


def format_of(path: Path) -> str:
    """The format of a file or folder; raises FileUnreadableError where it is not one of `DRIVERS`, or points to data elsewhere."""
    if path.is_dir():
        if any(item.suffix.lower() == ".gdbtable" for item in path.iterdir()):
            return "File Geodatabase"
        raise _unknown(path, "it is a folder, and no File Geodatabase")
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if head[:4] == b"\x00\x00\x27\x0a":
        return "shapefile"
    if head[:16] == b"SQLite format 3\x00":
        if head[68:72] in (b"GPKG", b"GP10", b"GP11") or path.suffix.lower() == ".gpkg":
            return "GeoPackage"
        raise _unknown(path, "it is a SQLite database, but no GeoPackage")
    if head[:3] == b"fgb":
        return "FlatGeobuf"
    text = _text(head).lstrip("\ufeff\x1e \t\r\n")
    if text[:1] == "{":
        if "gdal_streamed_alg" in text:
            raise _pointer(path)
        return "GeoJSON"
    if text[:1] == "<":
        return _kind_of_xml(path, text)
    if path.suffix.lower() in TABLES:
        why = "it has no shapes"
        raise FileUnreadableError(str(path), why, "Make a layer of it in a GIS, such as points from columns of coordinates.")
    raise _unknown(path, "it is in no format that is known here" if head else "it is empty")


def refuse_reaching_out(path: Path) -> None:
    """Raises FileUnreadableError for a GeoPackage with tables or views that would make GDAL read something else."""
    try:
        database = sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True)
        try:
            rows = database.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND type IN ('table', 'view')").fetchall()
        finally:
            database.close()
    except (sqlite3.Error, UnicodeError) as error:
        raise FileUnreadableError(
            str(path), f"its list of tables is not readable ({error})", "Check the file; it may be damaged."
        ) from error
    for name, sql in rows:
        module = re.match(r"\s*CREATE\s+VIRTUAL\s+TABLE\b.*?\bUSING\s+[\"'`\[]?(\w+)", str(sql), re.IGNORECASE | re.DOTALL)
        if (module and module[1].lower() not in VIRTUAL_MODULES) or (
            REACHING_OUT.search(str(sql)) and re.match(r"\s*CREATE\s+(TEMP\w*\s+)?VIEW", str(sql), re.IGNORECASE)
        ):
            raise FileUnreadableError(
                str(path), f"its table '{name}' would read something outside of the file", "Do not trust it; ask its owner."
            )


def _kind_of_xml(path: Path, text: str) -> str:
    if re.search(r"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise FileUnreadableError(
            str(path), "it declares a document type, which can pull in other files or swell without end", "Save it anew in a GIS."
        )
    root = re.search(r"<(?:[A-Za-z_][\w.-]*:)?([A-Za-z_][\w.-]*)", re.sub(r"<!--.*?-->|<\?.*?\?>", "", text, flags=re.DOTALL))
    name = root[1].lower() if root else ""
    if name in POINTERS or name.startswith(("ogrvrt", "ogrwfs")):
        raise _pointer(path)
    if name == "kml":
        return "KML"
    if "opengis.net/gml" in text:
        return "GML"
    raise _unknown(path, f"it is XML, but neither KML nor GML (its first element is '{root[1][:40] if root else ''}')")


def _text(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return head.decode("utf-16", "replace")
    return head.decode("utf-8", "replace")


def _unknown(path: Path, why: str) -> FileUnreadableError:
    return FileUnreadableError(str(path), why, f"Save the layer as {KNOWN}.")


def _pointer(path: Path) -> FileUnreadableError:
    return FileUnreadableError(
        str(path), "it holds no data but says where they are, and what it names is not followed", "Name the file that holds the layer."
    )
