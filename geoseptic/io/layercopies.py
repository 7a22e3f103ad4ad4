"""Layers of a written GeoPackage in other formats: the same rows, columns, types and shapes, read from the package itself."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from pyproj import CRS

from geoseptic.errors import ParameterError

LEAST_GDAL: Final = (3, 8)
"""The first one that hands layers on as Arrow, titles and notes of columns included."""

GEOPARQUET_VERSION: Final = "1.1.0"
ALIAS: Final = b"GDAL:OGR:alternative_name"
COMMENT: Final = b"GDAL:OGR:comment"


@dataclass(frozen=True)
class CopiedLayer:
    """A layer of a GeoPackage, and what is said of it."""

    package: Path
    name: str
    title: str
    description: str


def refuse_old_gdal() -> None:
    """Raises ParameterError where the GDAL that is installed is too old to copy layers."""
    import pyogrio

    if pyogrio.__gdal_version__ < LEAST_GDAL:
        found, needed = (".".join(map(str, version)) for version in (pyogrio.__gdal_version__, LEAST_GDAL))
        raise ParameterError(f"--also: copies of layers need GDAL {needed} or later; this is {found}. Update pyogrio, or leave it out.")


def write_geoparquet(path: Path, layer: CopiedLayer) -> None:
    """Write the layer as GeoParquet 1.1 (shapes as WKB, bounds of the whole), rows in the order of the package; same package, same bytes.

    Each field has the title and the description of its column as Arrow metadata.
    """
    import pyarrow
    from pyarrow import parquet

    with _opened(layer) as (about, reader):
        table = pyarrow.RecordBatchReader.from_stream(reader).read_all()
    column = about["geometry_name"]
    shapes = shapely.from_wkb(table[column].to_numpy())
    told = {
        "encoding": "WKB",
        "geometry_types": _kinds(shapes),
        "crs": None if about["crs"] is None else CRS(about["crs"]).to_json_dict(),
        **_bounds(shapes),
    }
    geo = {"version": GEOPARQUET_VERSION, "primary_column": column, "columns": {column: told}}
    metadata = {"geo": json.dumps(geo), "title": layer.title, "description": layer.description}
    fields = [field.with_metadata(_noted(field.metadata or {})) for field in table.schema]
    parquet.write_table(table.cast(pyarrow.schema(fields, metadata=metadata)), path, compression="zstd")


def write_flatgeobuf(path: Path, layer: CopiedLayer) -> None:
    """Write the layer as FlatGeobuf with titles and notes of its columns; same package, same bytes.

    Its rows are in the order of the spatial index. Where a shape is missing or empty there can be no index, and the order stays; an empty
    shape becomes a missing one, since the format has no other. Where not all shapes are of the layer's kind, the copy has none.
    """
    import pyogrio

    shapes = shapely.from_wkb(pyogrio.raw.read(layer.package, layer=layer.name, columns=[])[2])
    has_gaps = bool((shapely.is_missing(shapes) | shapely.is_empty(shapes)).any())
    with _opened(layer) as (about, reader):
        pyogrio.raw.write_arrow(
            reader,
            path,
            layer=layer.name,
            driver="FlatGeobuf",
            geometry_name=about["geometry_name"],
            geometry_type=about["geometry_type"] if set(_kinds(shapes)) <= {about["geometry_type"]} else "Unknown",
            crs=about["crs"],
            TITLE=layer.title,
            DESCRIPTION=layer.description,
            SPATIAL_INDEX="NO" if has_gaps else "YES",
        )


@contextmanager
def _opened(layer: CopiedLayer) -> Iterator[tuple[dict[str, Any], Any]]:
    import pyogrio

    with pyogrio.raw.open_arrow(layer.package, layer=layer.name, use_pyarrow=False) as opened:
        yield opened


def _kinds(shapes: np.ndarray[Any, Any]) -> list[str]:
    """The kinds of shape, in the words of GeoParquet."""
    there = shapes[~shapely.is_missing(shapes)]
    return sorted({f"{shape.geom_type}{' Z' if shape.has_z else ''}" for shape in there})


def _bounds(shapes: np.ndarray[Any, Any]) -> dict[str, list[float]]:
    """The bounds of all shapes, in three dimensions where any has three; nothing where all are empty."""
    corners = shapely.get_coordinates(shapes, include_z=bool(shapely.has_z(shapes).any()))
    return {"bbox": [*np.nanmin(corners, axis=0).tolist(), *np.nanmax(corners, axis=0).tolist()]} if len(corners) else {}


def _noted(given: dict[bytes, bytes]) -> dict[str, bytes]:
    """Title and description of a field, without what else GDAL says of it."""
    return {name: given[key] for name, key in (("title", ALIAS), ("description", COMMENT)) if key in given}
