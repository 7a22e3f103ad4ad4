"""Layers in GeoParquet files, read with pyarrow where it is installed (the extra `parquet`)."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas
import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError
from geoseptic.io.sources import Bounds, LayerHeader, Stated, placed, split_source, stated_notes

ENDINGS: Final = frozenset({".parquet", ".geoparquet"})
DEFAULT_CRS: Final = "OGC:CRS84"
"""Of a file that says nothing of it: longitude and latitude (GeoParquet 1.1, column metadata)."""


@dataclass(frozen=True)
class ParquetLayer:
    """The layer of a GeoParquet file; see LayerSource. Records are numbered from 0."""

    header: LayerHeader
    shapes: str
    """The column of the shapes."""

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> GeoDataFrame:
        frame = self._read([*columns, self.shapes]).set_crs(self.header.crs, allow_override=True)
        if bounds is None:
            return frame
        return frame[shapely.intersects(frame.geometry.values, shapely.box(*bounds))].reset_index(drop=True)

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> pd.DataFrame:
        return pd.DataFrame(self.read(columns, bounds)[list(columns)])

    def bounds(self) -> Bounds | None:
        left, bottom, right, top = (float(value) for value in self._read([self.shapes]).total_bounds)
        return None if np.isnan(left) else (left, bottom, right, top)

    def without_shape(self) -> tuple[int, ...]:
        shapes = self._read([self.shapes]).geometry.values
        nowhere = shapely.is_missing(shapes) | ~np.isfinite(shapely.bounds(shapes)).all(axis=1)
        return tuple(int(number) for number in np.flatnonzero(nowhere))

    def _read(self, columns: Sequence[str]) -> GeoDataFrame:
        import pyarrow

        try:
            return geopandas.read_parquet(self.header.path, columns=list(columns)).reset_index(drop=True)
        except (pyarrow.ArrowException, ValueError, OSError, shapely.GEOSException) as error:
            raise FileUnreadableError(self.header.path, str(error).rstrip("."), "Check the file; it may be damaged.") from error


def takes(source: str) -> bool:
    return Path(split_source(source)[0]).suffix.lower() in ENDINGS and "://" not in source


def open_layer(source: str, stated: Stated) -> ParquetLayer:
    path, layer = split_source(source)
    place = Path(path)
    if not place.is_file():
        why = "it is a folder; one file is read" if place.is_dir() else "there is no such file"
        raise FileUnreadableError(path, why, "Check the path.")
    if layer is not None and layer != place.stem:
        raise FileUnreadableError(path, f"a GeoParquet file holds one layer, and no '{layer}'", f"Name it without '|{layer}'.")
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise FileUnreadableError(
            path, "pyarrow, which reads GeoParquet, is not installed", "Install geoseptic[parquet], or save the layer as a GeoPackage."
        ) from None
    try:
        with parquet.ParquetFile(path, memory_map=False) as file:
            schema, records = file.schema_arrow, int(file.metadata.num_rows)
    except (pyarrow.ArrowException, OSError, ValueError) as error:
        raise FileUnreadableError(path, str(error).rstrip("."), "Check the file; it may be damaged.") from error
    shapes, about = _about_shapes(path, (schema.metadata or {}).get(b"geo"))
    try:
        named = about.get("crs", DEFAULT_CRS)
        declared = None if named is None else CRS.from_user_input(named)
    except CRSError as error:
        why = f"its coordinate reference system is not understood ({error})"
        raise FileUnreadableError(path, why, "Write it anew in a GIS.") from error
    crs = placed(declared, stated, path)
    notes = stated_notes(declared, crs, stated)
    kinds = {str(kind).removesuffix(" Z") for kind in about.get("geometry_types", ())}
    geometry = kinds.pop() if len(kinds) == 1 else "Unknown"
    fields = tuple(name for name in schema.names if name != shapes and not name.startswith("__index_level"))
    return ParquetLayer(LayerHeader(source, path, place.stem, crs, fields, geometry, records, notes, stated), shapes)


def _about_shapes(path: str, metadata: bytes | None) -> tuple[str, dict[str, Any]]:
    """The column of the shapes and what the file says of it."""
    try:
        told = json.loads(metadata) if metadata else {}
        shapes = told["primary_column"]
        return str(shapes), dict(told["columns"][shapes])
    except (ValueError, KeyError, TypeError, RecursionError):
        why = "it is Parquet without the metadata of GeoParquet, so nobody knows which column holds the shapes"
        raise FileUnreadableError(path, why, "Save it as GeoParquet, or as a GeoPackage.") from None
