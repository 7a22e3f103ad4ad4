"""Vector layers of files, by the GDAL library: whole, by bounds, or record by record where a layer is too big."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from geopandas import GeoDataFrame
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError, nearest
from geoseptic.io.sources import Bounds, LayerHeader, Stated, split_source

UNREADABLE: Final = (DataSourceError, DataLayerError, UnicodeDecodeError)

STREAM_FROM_FEATURES = 2_000_000
"""Layers with more features are read record by record, keeping those that are near."""

BATCH_FEATURES = 50_000

BOUNDS_AT_A_TIME = 1_000_000


@dataclass(frozen=True)
class GdalLayer:
    """A layer of a file that GDAL reads; see LayerSource."""

    header: LayerHeader

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> GeoDataFrame:
        path, layer = self.header.path, self.header.layer
        try:
            if self.header.features > STREAM_FROM_FEATURES:
                batches = list(stream_layer(path, layer, columns, bounds))
                return pd.concat(batches, ignore_index=True) if batches else self._nothing(columns)
            return geopandas.read_file(path, layer=layer, columns=list(columns), bbox=bounds, engine="pyogrio")
        except UNREADABLE as error:
            raise _damaged(path, error) from error

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> pd.DataFrame:
        path, layer = self.header.path, self.header.layer
        try:
            return pyogrio.read_dataframe(path, layer=layer, columns=list(columns), bbox=bounds, read_geometry=False)
        except UNREADABLE as error:
            raise _damaged(path, error) from error

    def bounds(self) -> Bounds | None:
        try:
            bounds = pyogrio.read_info(self.header.path, layer=self.header.layer, force_total_bounds=True)["total_bounds"]
        except UNREADABLE as error:
            raise _damaged(self.header.path, error) from error
        return None if bounds is None else (float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3]))

    def without_shape(self) -> tuple[int, ...]:
        found: list[int] = []
        first = 0
        while True:
            try:
                numbers, bounds = pyogrio.read_bounds(
                    self.header.path, layer=self.header.layer, skip_features=first, max_features=BOUNDS_AT_A_TIME
                )
            except UNREADABLE as error:
                raise _damaged(self.header.path, error) from error
            # The envelope of an empty shape comes out as zeros.
            nowhere = ~np.isfinite(bounds).all(axis=0) | (bounds == 0).all(axis=0)
            found += [int(number) for number in numbers[nowhere]]
            first += len(numbers)
            if len(numbers) < BOUNDS_AT_A_TIME:
                return tuple(found)

    def _nothing(self, columns: Sequence[str]) -> GeoDataFrame:
        return GeoDataFrame({name: [] for name in columns}, geometry=[], crs=self.header.crs)


def takes(source: str) -> bool:
    return True


def open_layer(source: str, stated: Stated) -> GdalLayer:
    path, layer = split_source(source)
    layer = _the_layer(path, layer)
    try:
        info = pyogrio.read_info(path, layer=layer)
        crs = None if info["crs"] is None else CRS.from_user_input(info["crs"])
    except UNREADABLE as error:
        raise FileUnreadableError(path, said(error), "Check the path and the format.") from error
    except CRSError as error:
        raise FileUnreadableError(
            path, f"its coordinate reference system is not understood ({error})", "Write it anew in a GIS."
        ) from error
    fields = tuple(str(name) for name in info["fields"])
    return GdalLayer(LayerHeader(source, path, layer, crs, fields, str(info["geometry_type"] or ""), int(info["features"]), (), stated))


def stream_layer(path: str, layer: str, columns: Sequence[str], bounds: Bounds | None) -> Iterator[GeoDataFrame]:
    """The layer in batches, never whole in memory: record by record with fiona, in slices with pyogrio where fiona is not installed."""
    try:
        import fiona
    except ImportError:  # no wheel for this Python or machine
        yield from _sliced(path, layer, columns, bounds)
        return
    with fiona.open(path, layer=layer, include_fields=list(columns)) as records:
        crs = records.crs_wkt
        batch: list[Mapping[str, Any]] = []
        for record in records.filter(bbox=bounds) if bounds else records:
            batch.append(record)
            if len(batch) == BATCH_FEATURES:
                yield GeoDataFrame.from_features(batch, crs=crs, columns=[*columns, "geometry"])
                batch = []
        if batch:
            yield GeoDataFrame.from_features(batch, crs=crs, columns=[*columns, "geometry"])


def _sliced(path: str, layer: str, columns: Sequence[str], bounds: Bounds | None) -> Iterator[GeoDataFrame]:
    total = pyogrio.read_info(path, layer=layer, force_feature_count=True)["features"]
    near = shapely.box(*bounds) if bounds else None
    for first in range(0, total, BATCH_FEATURES):
        batch = pyogrio.read_dataframe(path, layer=layer, columns=list(columns), skip_features=first, max_features=BATCH_FEATURES)
        yield batch if near is None else batch[shapely.intersects(batch.geometry.values, near)]


def _the_layer(path: str, layer: str | None) -> str:
    if not Path(path).exists():
        raise FileUnreadableError(path, "there is no such file", "Check the path.")
    _refuse_half_a_shapefile(Path(path))
    try:
        listed = [str(name) for name, _ in pyogrio.list_layers(path)]
    except UNREADABLE as error:
        raise FileUnreadableError(path, said(error), "It is in no format that GDAL reads; check the path and the format.") from error
    if layer is not None:
        if layer not in listed:
            raise FileUnreadableError(path, f"it has no layer {nearest(layer, listed)}", f"Layers there: {', '.join(listed)}.")
        return layer
    if not listed:
        raise FileUnreadableError(path, "it holds no vector layer", "Check that it is the right file.")
    if len(listed) > 1:
        raise FileUnreadableError(path, f"it has {len(listed)} layers", f"Name one: {path}|LAYER, of {', '.join(listed)}.")
    return listed[0]


def _refuse_half_a_shapefile(path: Path) -> None:
    """A shapefile without its table opens all the same, and every column would be read as unknown."""
    if path.suffix.lower() == ".shp" and path.is_file():
        there = {item.suffix.lower() for item in path.parent.iterdir() if item.stem == path.stem}
        absent = [path.stem + ending for ending in (".shx", ".dbf") if ending not in there]
        if absent:
            raise FileUnreadableError(
                str(path), f"{' and '.join(absent)} is not beside it", "A shapefile is all files of its name: copy them too."
            )


def _damaged(path: str, error: Exception) -> FileUnreadableError:
    return FileUnreadableError(path, said(error), "Check the file; it may be damaged.")


def said(error: Exception) -> str:
    """What GDAL says, as the middle of a sentence."""
    return str(error).rstrip(".")
