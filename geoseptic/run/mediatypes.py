"""What the formats of files are called on the web."""

import mimetypes
from collections.abc import Mapping
from pathlib import Path
from typing import Final

GEOTIFF: Final = "image/tiff; application=geotiff; profile=cloud-optimized"
GEOPACKAGE: Final = "application/geopackage+sqlite3"
GEOPARQUET: Final = "application/vnd.apache.parquet"
FLATGEOBUF: Final = "application/vnd.flatgeobuf"
CSV: Final = "text/csv"
GPX: Final = "application/gpx+xml"
MARKDOWN: Final = "text/markdown"
HTML: Final = "text/html"
GEOJSON: Final = "application/geo+json"
JSON: Final = "application/json"

BY_ENDING: Final[Mapping[str, str]] = {
    ".tif": GEOTIFF,
    ".gpkg": GEOPACKAGE,
    ".parquet": GEOPARQUET,
    ".fgb": FLATGEOBUF,
    ".csv": CSV,
    ".gpx": GPX,
    ".md": MARKDOWN,
    ".html": HTML,
    ".json": JSON,
    ".qml": "text/xml",
    ".sld": "application/vnd.ogc.sld+xml",
}


def media_type(name: str) -> str:
    return BY_ENDING.get(Path(name).suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"
