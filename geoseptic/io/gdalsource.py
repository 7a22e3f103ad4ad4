"""Vector layers of files, by the GDAL library: whole, by bounds, or record by record where a layer is too big."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any, Final

import geopandas
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely
from geopandas import GeoDataFrame
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError, listed, nearest
from geoseptic.io import (
    archives,
    columnkinds,
    formats,
    geojsoncrs,
    geojsonrecords,
    packageshapes,
    recordcounts,
    shapefilerecords,
    tableletters,
    workingcopies,
    xmlrecords,
)
from geoseptic.io.sources import Bounds, LayerHeader, Stated, placed, split_source, stated_notes

UNREADABLE: Final = (DataSourceError, DataLayerError, UnicodeDecodeError, shapely.GEOSException)

STREAM_FROM_FEATURES = 2_000_000
"""Layers with more features are read record by record, keeping those that are near."""

BATCH_FEATURES = 50_000

BOUNDS_AT_A_TIME = 1_000_000


ARC_DEGREES: Final = 1
"""Arcs are drawn by chords of this angle, which leave the curve by at most 0.004 percent of its radius: 1 - cos(0.5 degrees)."""

CURVES: Final = ("CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE", "MULTISURFACE")
ALWAYS_WHOLE_RECORDS: Final = ("GeoJSON", "GeoJSONSeq", "GML")
"""Drivers that cannot leave columns out."""

MAY_HAVE_AN_INDEX: Final = ("ESRI Shapefile", "GPKG", "FlatGeobuf", "OpenFileGDB")
"""Drivers that find by a stored index what lies in bounds; it may be older than the features."""

LOOKED_FOR_ONE_BY_ONE: Final = 100

ALIKE_AT_ONCE: Final = frozenset(
    {(kind, "OFSTNone") for kind in ("OFTString", "OFTInteger", "OFTInteger64", "OFTReal")} | {("OFTInteger", "OFSTBoolean")}
)
"""Types and subtypes of fields; dates that are none are text in one way and nothing in the other."""

MAY_HAVE_CURVES: Final = ("GPKG", "OpenFileGDB")
CURVES_LOOKED_FOR: Final = 200_000
"""Layers with no more features have their curves counted."""


@dataclass(frozen=True)
class Extents:
    """The file's own numbers of its records, left and right end of each (shape (2, records)), which of them have no shape, and the bounds
    of all that have one."""

    numbers: npt.NDArray[np.int64]
    ends: npt.NDArray[np.float64]
    shapeless: npt.NDArray[np.bool_]
    total: Bounds | None

    @classmethod
    def of(cls, numbers: npt.NDArray[np.int64], bounds: npt.NDArray[np.float64]) -> "Extents":
        """From the bounds of each record, shape (4, records)."""
        # The envelope of an empty shape comes out as zeros.
        shapeless = ~np.isfinite(bounds).all(axis=0) | (bounds == 0).all(axis=0)
        placed = bounds[:, ~shapeless]
        total = _as_bounds((*placed[:2].min(axis=1), *placed[2:].max(axis=1))) if placed.size else None
        return cls(numbers, bounds[::2].copy(), shapeless, total)

    @classmethod
    def joined(cls, parts: Sequence["Extents"]) -> "Extents":
        totals = np.array([part.total for part in parts if part.total is not None]).reshape(-1, 4)
        total = _as_bounds((*totals[:, :2].min(axis=0), *totals[:, 2:].max(axis=0))) if len(totals) else None
        numbers, shapeless = (np.concatenate(column) for column in zip(*((part.numbers, part.shapeless) for part in parts), strict=True))
        return cls(numbers, np.concatenate([part.ends for part in parts], axis=1), shapeless, total)


IN_ONE_FILE: Final = (formats.DRIVERS["GeoPackage"], formats.DRIVERS["FlatGeobuf"])
"""Formats of which nothing lies beside the file: while its time and size are the same, GDAL is not asked again what it holds."""

ANY_DRIVER: Final = tuple(driver for drivers in formats.DRIVERS.values() for driver in drivers)

OPTIONS: Final = {
    "OGR_ARC_STEPSIZE": str(ARC_DEGREES),
    # No request to a server whatever a file names, and identifiers keep the zeros before them.
    "GML_DOWNLOAD_SCHEMA": "NO",
    "GML_FIELDTYPES": "ALWAYS_STRING",
}


@dataclass(frozen=True)
class GdalLayer:
    """A layer of a file that GDAL reads; see LayerSource. `file` is where GDAL reads it, which may be a working copy, `name` the layer's
    name there, `driver` what reads it, `truths` its fields of truth values."""

    header: LayerHeader
    file: str
    name: str
    driver: str
    encoding: str | None
    truths: tuple[str, ...]
    stated_bounds: Bounds | None = None
    """What a GeoPackage states: where that is in the bounds that are wanted, GDAL looks at all records in their order."""
    bulk: frozenset[str] = frozenset()
    """Fields that GDAL hands on alike record by record and all at once."""
    _seen: list[Extents] = field(default_factory=list, compare=False, repr=False)
    """Of a layer that was read whole: GDAL need not look at every record once more."""

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> GeoDataFrame:
        with self._reading():
            if self.header.features > STREAM_FROM_FEATURES:
                batches = list(self._streamed(columns, bounds))
                frame = pd.concat(batches, ignore_index=True) if batches else self._nothing(columns)
            else:
                whole = self._read_whole(columns) if bounds is None or _holds(bounds, self.stated_bounds) else None
                if whole is None or not (bounds is None or self._all_in(bounds)):
                    whole = self._read_file(columns, bounds)
                frame = whole
            if self.driver == "ESRI Shapefile":
                columnkinds.refuse_no_numbers(Path(self.file), self.header.fields, columns, self.header.source)
            frame = columnkinds.with_truths(frame, self.truths)
        if bounds is None:
            self._refuse_fewer(len(frame))
            self._refuse_old_index()
        return frame.set_crs(self.header.crs, allow_override=True)

    def _read_whole(self, columns: Sequence[str]) -> GeoDataFrame:
        at_once = self._read_at_once(columns)
        frame = self._read_file(columns, None, fid_as_index=True) if at_once is None else at_once
        seen = _extents_of(frame, frame.index.to_numpy(np.int64))
        self._seen[:] = [] if seen is None else [seen]
        return frame.reset_index(drop=True)

    def _read_at_once(self, columns: Sequence[str]) -> GeoDataFrame | None:
        """The whole layer by way of Arrow, in half the time; None where that may not be what GDAL gives record by record."""
        if not self.bulk.issuperset(columns) or not self._is_flat():
            return None
        try:
            import pyarrow
        except ImportError:  # of an extra
            return None
        try:
            frame = self._read_file(columns, None, fid_as_index=True, use_arrow=True)
        except (*UNREADABLE, RuntimeError, pyarrow.ArrowException):
            return None  # the other way tells what is the matter
        # Beside empty cells they are objects here and numbers there, of which not all are truth values.
        return frame if all(frame[name].dtype == bool for name in self.truths if name in columns) else None

    def _is_flat(self) -> bool:
        kinds = _kinds(self.file, self.name, *_state(self.file)) if self.driver == "GPKG" and self.header.geometry else None
        return kinds is not None and kinds <= packageshapes.FLAT

    def _all_in(self, bounds: Bounds) -> bool:
        """Whether all that was read lies in the bounds, so that to look for what touches them would give the same in the same order."""
        return bool(self._seen) and _holds(bounds, self._seen[0].total)

    def _read_file(self, columns: Sequence[str], bounds: Bounds | None, **more: Any) -> GeoDataFrame:
        given = {"layer": self.name, "columns": list(columns), "bbox": bounds, "encoding": self.encoding, **more}
        return geopandas.read_file(self.file, engine="pyogrio", **given)

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> pd.DataFrame:
        with self._reading():
            table = pyogrio.read_dataframe(
                self.file, layer=self.name, columns=list(columns), bbox=bounds, read_geometry=False, encoding=self.encoding
            )
            return columnkinds.with_truths(table, self.truths)

    def bounds(self) -> Bounds | None:
        with self._reading():
            return _total_bounds(self.file, self.name, self.encoding)

    def without_shape(self) -> tuple[int, ...]:
        with self._reading():
            extents = self._extents()
        self._refuse_fewer(len(extents.numbers))
        self._refuse_old_index()
        return tuple(int(number) for number in extents.numbers[extents.shapeless])

    def _extents(self) -> Extents:
        if self._seen:
            return self._seen[0]
        return _extents(self.file, self.name, *_state(self.file))

    def _refuse_fewer(self, read: int) -> None:
        if read != self.header.features >= 0:
            told = f"it says that it has {self.header.features} features, and {read} of them can be read"
            raise FileUnreadableError(self.header.source, told, "It may be damaged: copy it again, or save the layer anew in a GIS.")

    def _refuse_old_index(self) -> None:
        """Half of the ground and the other half must have all features between them, by the index by which a part of a layer is read."""
        if self.driver not in MAY_HAVE_AN_INDEX:
            return
        with self._reading():
            extents = self._extents()
            if extents.total is None:
                return
            left, bottom, right, top = extents.total
            middle, more = (left + right) / 2, 1.0 + right - left
            halves = ((left - more, bottom - more, middle, top + more), (middle, bottom - more, right + more, top + more))
            if self.driver == "GPKG" and _in_the_index_of_the_package(self.file, self.name, extents, halves):
                return
            found = [pyogrio.read_bounds(self.file, layer=self.name, bbox=half)[0] for half in halves]
            lost = np.setdiff1d(extents.numbers[~extents.shapeless], np.concatenate(found))
            if len(lost):
                lost = self._not_in_the_index(lost)
        if len(lost):
            told = f"its spatial index is of another state of the file and lacks {len(lost)} features (numbers {listed(lost.tolist())})"
            todo = "Take the index away (.qix, .sbn and .sbx of a shapefile), or save the layer anew in a GIS."
            raise FileUnreadableError(self.header.source, told, todo)

    def _not_in_the_index(self, numbers: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Those of the records that are not found within their own bounds: a part of these may be looked for by the shape, and a broken one
        is not found."""
        every, bounds = pyogrio.read_bounds(self.file, layer=self.name)
        found = [False] * len(numbers)
        for at, number in enumerate(numbers[:LOOKED_FOR_ONE_BY_ONE]):
            own = tuple(float(value) for value in bounds[:, every == number][:, 0])
            found[at] = number in pyogrio.read_bounds(self.file, layer=self.name, bbox=own)[0]
        return numbers[~np.array(found)]

    def _streamed(self, columns: Sequence[str], bounds: Bounds | None) -> Iterator[GeoDataFrame]:
        """The layer in batches, never whole in memory: record by record with fiona, in slices with pyogrio where fiona does not do."""
        try:
            import fiona
        except ImportError:  # no wheel for this Python or machine
            fiona = None
        if fiona is None or self.driver not in fiona.supported_drivers:
            yield from self._sliced(columns, bounds)
            return
        own: dict[str, Any] = {} if self.encoding is None else {"encoding": self.encoding}
        if self.driver not in ALWAYS_WHOLE_RECORDS:
            own["include_fields"] = list(columns)
        with (
            fiona.Env(**OPTIONS),
            fiona.open(self.file, layer=self.name, driver=self.driver, **own) as records,
        ):
            batch: list[Mapping[str, Any]] = []
            for record in records.filter(bbox=bounds) if bounds else records:
                batch.append(record)
                if len(batch) == BATCH_FEATURES:
                    yield GeoDataFrame.from_features(batch, crs=self.header.crs, columns=[*columns, "geometry"])
                    batch = []
            if batch:
                yield GeoDataFrame.from_features(batch, crs=self.header.crs, columns=[*columns, "geometry"])

    def _sliced(self, columns: Sequence[str], bounds: Bounds | None) -> Iterator[GeoDataFrame]:
        given = {"layer": self.name, "encoding": self.encoding}
        total = pyogrio.read_info(self.file, force_feature_count=True, **given)["features"]
        near = shapely.box(*bounds) if bounds else None
        for first in range(0, total, BATCH_FEATURES):
            batch = pyogrio.read_dataframe(self.file, columns=list(columns), skip_features=first, max_features=BATCH_FEATURES, **given)
            batch = batch.set_crs(self.header.crs, allow_override=True)
            yield batch if near is None else batch[shapely.intersects(batch.geometry.values, near)]

    def _nothing(self, columns: Sequence[str]) -> GeoDataFrame:
        return GeoDataFrame({name: [] for name in columns}, geometry=[], crs=self.header.crs)

    @contextmanager
    def _reading(self) -> Iterator[None]:
        with _options():
            try:
                yield
            except UNREADABLE as error:
                raise _damaged(self.header.path, error) from error


def takes(source: str) -> bool:
    return True


def open_layer(source: str, stated: Stated) -> GdalLayer:
    path, wanted = split_source(source)
    with _options():
        if formats.is_elsewhere(path) and stated.network:
            found = [Found(name, path, name, ANY_DRIVER) for name in _names(path, path)]
        else:
            found = _layers(path, wanted)
        chosen = _chosen(path, wanted, found)
        return _opened(source, path, chosen, stated)


@dataclass(frozen=True)
class Found:
    """A layer that a source holds: `shown` is the name by which it is asked for, `inner` the data set's name in an archive."""

    shown: str
    file: str
    name: str
    drivers: tuple[str, ...]
    inner: str = ""


def _layers(path: str, wanted: str | None) -> list[Found]:
    """The layers of a file on this machine, after everything that speaks against opening it."""
    formats.refuse_elsewhere(path)
    if not Path(path).exists():
        raise FileUnreadableError(path, "there is no such file", "Check the path.")
    place = Path(path)
    if not (place.is_dir() or place.is_file()):
        raise FileUnreadableError(path, "it is neither a file nor a folder", "Check the path.")
    if place.is_dir() and (shapefiles := sorted(item for item in place.iterdir() if item.suffix.lower() == ".shp")):
        inner = [(item.name, item) for item in shapefiles]
    elif place.is_file() and archives.is_archive(place):
        inner = [(dataset.name, dataset.path) for dataset in archives.unpacked(place)]
    else:
        return _layers_of_file(path, place, "")
    found = [layer for name, file in inner for layer in _layers_of_file(path, file, name)]
    twice = {layer.shown for layer in found if sum(other.shown == layer.shown for other in found) > 1}
    # Of two layers of one name each is asked for by its place in the archive.
    return [replace(layer, shown=_place(layer)) if layer.shown in twice else layer for layer in found]


def _place(layer: Found) -> str:
    return layer.inner if PurePosixPath(layer.inner).stem == layer.name else f"{layer.inner}/{layer.name}"


def _layers_of_file(path: str, file: Path, inner: str) -> list[Found]:
    shown = f"{path}|{inner}" if inner else path
    try:
        kind = formats.format_of(file)
    except FileUnreadableError as error:
        raise FileUnreadableError(shown, error.why, error.todo) from None
    if kind == "shapefile":
        _refuse_half_a_shapefile(file)
    elif kind == "GeoPackage":
        log = file.with_name(f"{file.name}-wal")
        if log.exists() and log.stat().st_size:
            file = workingcopies.settled_copy(file)
        formats.refuse_reaching_out(file)
    elif kind == "GML":
        # A description of it would be written beside it.
        file = workingcopies.beside_nothing(file)
    elif kind == "KML":
        _refuse_links(file, shown)
    drivers = formats.DRIVERS[kind]
    return [Found(name, str(file), name, drivers, inner) for name in _names(shown, str(file), in_one_file=drivers in IN_ONE_FILE)]


def _shown(path: str, chosen: Found) -> str:
    return f"{path}|{chosen.inner}" if chosen.inner else path


def _names(path: str, file: str, *, in_one_file: bool = False) -> tuple[str, ...]:
    try:
        return _listed_once(file, *_state(file)) if in_one_file else _listed(file)
    except UNREADABLE as error:
        raise FileUnreadableError(path, said(error), "It may be damaged; check the path and the format.") from error


def _state(file: str) -> tuple[int, int]:
    """Time of the last change in nanoseconds, and bytes, which tell a state of the file from its others; zeros for one elsewhere."""
    if formats.is_elsewhere(file):
        return 0, 0
    found = Path(file).stat()
    return found.st_mtime_ns, found.st_size


@lru_cache(maxsize=64)
def _listed_once(file: str, changed_ns: int, size: int) -> tuple[str, ...]:
    return _listed(file)


def _listed(file: str) -> tuple[str, ...]:
    return tuple(str(name) for name, _ in pyogrio.list_layers(file))


@lru_cache(maxsize=64)
def _info_once(file: str, name: str, changed_ns: int, size: int) -> Mapping[str, Any]:
    return MappingProxyType(pyogrio.read_info(file, layer=name))


def _info(chosen: Found, encoding: str | None) -> Mapping[str, Any]:
    if chosen.drivers in IN_ONE_FILE and encoding is None:
        return _info_once(chosen.file, chosen.name, *_state(chosen.file))
    return pyogrio.read_info(chosen.file, layer=chosen.name, encoding=encoding)


def _chosen(path: str, wanted: str | None, found: Sequence[Found]) -> Found:
    names = [layer.shown for layer in found]
    if wanted is not None:
        if wanted not in names:
            raise FileUnreadableError(path, f"it has no layer {nearest(wanted, names)}", f"Layers there: {', '.join(names)}.")
        return found[names.index(wanted)]
    if not found:
        raise FileUnreadableError(path, "it holds no vector layer", "Check that it is the right file.")
    if len(found) > 1:
        raise FileUnreadableError(path, f"it has {len(found)} layers", f"Name one: {path}|LAYER, of {', '.join(names)}.")
    return found[0]


def _opened(source: str, path: str, chosen: Found, stated: Stated) -> GdalLayer:
    encoding: str | None = None
    notes: list[str] = []
    deleted: tuple[int, ...] = ()
    if chosen.drivers == formats.DRIVERS["shapefile"]:
        deleted = shapefilerecords.refuse_parted(Path(chosen.file), _shown(path, chosen))
        notes += shapefilerecords.deleted_notes(deleted)
        encoding, letters = tableletters.encoding_of(Path(chosen.file), stated.encoding)
        notes += letters
    try:
        info = _info(chosen, encoding)
        if info["driver"] not in chosen.drivers:
            raise FileUnreadableError(path, f"it is in the format {info['driver']}", f"Save the layer as {formats.KNOWN}.")
        declared = None if info["crs"] is None else CRS.from_user_input(info["crs"])
        if chosen.drivers == formats.DRIVERS["GeoJSON"]:
            geojsonrecords.refuse_lost(Path(chosen.file), _shown(path, chosen), info["driver"], int(info["features"]))
            declared, told = _geojson_crs(chosen, declared)
            notes += told
        elif chosen.drivers in (formats.DRIVERS["KML"], formats.DRIVERS["GML"]):
            _refuse_unread_elements(path, chosen, int(info["features"]))
        elif chosen.drivers != ANY_DRIVER:
            recordcounts.refuse_miscounted(Path(chosen.file), _shown(path, chosen), info["driver"], chosen.name)
    except UNREADABLE as error:
        raise FileUnreadableError(path, said(error), "Check the path and the format.") from error
    except CRSError as error:
        raise FileUnreadableError(
            path, f"its coordinate reference system is not understood ({error})", "Write it anew in a GIS."
        ) from error
    crs = placed(declared, stated, path)
    notes += stated_notes(declared, crs, stated)
    geometry, features = str(info["geometry_type"] or ""), int(info["features"]) - len(deleted)
    if geometry and info["driver"] in MAY_HAVE_CURVES:
        try:
            notes += _curve_notes(chosen, geometry, features)
        except UNREADABLE as error:
            raise _damaged(path, error) from error
    fields = tuple(str(name) for name in info["fields"])
    header = LayerHeader(source, path, chosen.shown, crs, fields, geometry, features, tuple(notes), stated)
    truths = tuple(str(name) for name, kind in zip(info["fields"], info["dtypes"], strict=True) if kind == "bool")
    driver = str(info["driver"])
    stated_bounds = _as_bounds(info["total_bounds"]) if driver == "GPKG" else None
    kinds = zip(info["ogr_types"], info["ogr_subtypes"], strict=True)
    bulk = frozenset(name for name, kind in zip(fields, kinds, strict=True) if kind in ALIKE_AT_ONCE)
    return GdalLayer(header, chosen.file, chosen.name, driver, encoding, truths, stated_bounds, bulk)


def _refuse_unread_elements(path: str, chosen: Found, features: int) -> None:
    file, shown = Path(chosen.file), _shown(path, chosen)
    if chosen.drivers == formats.DRIVERS["GML"]:
        xmlrecords.refuse_lost_of_gml(file, shown, chosen.name, features)
        return
    read = sum(int(pyogrio.read_info(chosen.file, layer=name)["features"]) for name in _names(path, chosen.file))
    xmlrecords.refuse_lost_of_kml(file, shown, read)


def _geojson_crs(chosen: Found, read: CRS | None) -> tuple[CRS | None, list[str]]:
    is_declared, declared = geojsoncrs.declared_crs(Path(chosen.file))
    if is_declared:
        told = [] if declared is None else [f"its CRS is {declared.name}, by the member 'crs' of older GeoJSON"]
        return declared, told
    bounds = _total_bounds(chosen.file, chosen.name, None)
    if bounds is not None and (min(bounds[0], -bounds[2]) < -180 or min(bounds[1], -bounds[3]) < -90):
        # Without a word on it GeoJSON is in degrees; these are none.
        return None, []
    return read, []


def _curve_notes(chosen: Found, geometry: str, features: int) -> list[str]:
    drawn = (
        f"drawn by straight lines of {ARC_DEGREES} degree of the arc each, at most 0.004 percent of its radius from it (4 mm where that is "
        "100 m)"
    )
    if not 0 <= features <= CURVES_LOOKED_FOR:
        return [f"arcs, if there are any, are {drawn}"] if "Point" not in geometry else []
    count = _curves(chosen.file, chosen.name, *_state(chosen.file))
    return [f"{count} of its {features} shapes have arcs, which are {drawn}"] if count else []


@lru_cache(maxsize=64)
def _curves(file: str, name: str, changed_ns: int, size: int) -> int:
    known = _kinds(file, name, changed_ns, size)
    if known is not None and packageshapes.are_straight(known):
        return 0
    quoted = name.replace("\\", "\\\\").replace('"', '\\"')
    kinds = ", ".join(f"'{kind}'" for kind in CURVES)
    sql = f'SELECT OGR_GEOMETRY AS kind FROM "{quoted}" WHERE OGR_GEOMETRY IN ({kinds})'
    return len(pyogrio.read_dataframe(file, sql=sql, sql_dialect="OGRSQL", read_geometry=False))


@lru_cache(maxsize=64)
def _kinds(file: str, name: str, changed_ns: int, size: int) -> frozenset[int] | None:
    """WKB kinds of the shapes of a layer of a GeoPackage; None of what is none, or where they cannot be told."""
    return packageshapes.kinds(Path(file), name) if Path(file).is_file() else None


@lru_cache(maxsize=1)
def _extents(file: str, name: str, changed_ns: int, size: int) -> Extents:
    parts: list[Extents] = []
    while True:
        skipped = sum(len(part.numbers) for part in parts)
        parts.append(Extents.of(*pyogrio.read_bounds(file, layer=name, skip_features=skipped, max_features=BOUNDS_AT_A_TIME)))
        if len(parts[-1].numbers) < BOUNDS_AT_A_TIME:
            return Extents.joined(parts)


def _extents_of(frame: GeoDataFrame, numbers: npt.NDArray[np.int64]) -> Extents | None:
    """Those of a layer that was read whole; None where a coordinate is none, which GDAL and GEOS do not see alike."""
    shapes = np.asarray(frame.geometry.values, object)
    if not np.isfinite(shapely.get_coordinates(shapes)).all():
        return None
    return Extents.of(numbers, np.asarray(shapely.bounds(shapes), np.float64).reshape(-1, 4).T)


def _in_the_index_of_the_package(file: str, name: str, extents: Extents, halves: Sequence[Bounds]) -> bool:
    """Whether the index of a GeoPackage surely has each record in one of the halves that its shape is in."""
    found = None if formats.is_elsewhere(file) else packageshapes.found_by_index(Path(file), name, halves)
    if found is None:
        return False
    there = ~extents.shapeless
    numbers, (own_left, own_right) = extents.numbers[there], extents.ends[:, there]
    in_one = np.zeros(len(numbers), bool)
    for (left, _, right, _), ids in zip(halves, found, strict=True):
        in_one |= (own_left <= right) & (own_right >= left) & np.isin(numbers, ids)
    return bool(in_one.all())


def _holds(around: Bounds, bounds: Bounds | None) -> bool:
    """Whether the bounds lie in those `around`; not known of none."""
    return bounds is not None and all(around[side] <= bounds[side] and bounds[side + 2] <= around[side + 2] for side in (0, 1))


def _total_bounds(file: str, name: str, encoding: str | None) -> Bounds | None:
    return _as_bounds(pyogrio.read_info(file, layer=name, encoding=encoding, force_total_bounds=True)["total_bounds"])


def _as_bounds(values: Sequence[float] | None) -> Bounds | None:
    return None if values is None else (float(values[0]), float(values[1]), float(values[2]), float(values[3]))


@contextmanager
def _options() -> Iterator[None]:
    """GDAL with our own settings, and as it was before afterwards."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in OPTIONS}
    pyogrio.set_gdal_config_options(OPTIONS)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _refuse_half_a_shapefile(path: Path) -> None:
    """A shapefile without its table opens all the same, and every column would be read as unknown."""
    there = {item.suffix.lower() for item in path.parent.iterdir() if item.stem == path.stem}
    absent = [path.stem + ending for ending in (".shx", ".dbf") if ending not in there]
    if absent:
        raise FileUnreadableError(
            str(path), f"{' and '.join(absent)} is not beside it", "A shapefile is all files of its name: copy them too."
        )


def _refuse_links(path: Path, shown: str) -> None:
    """What a KML file only links to would be missing without a word."""
    with path.open("rb") as file:
        before = b""
        while block := file.read(1 << 20):
            if b"<NetworkLink" in before + block:
                raise FileUnreadableError(
                    shown, "it links to other files, which are not followed", "Save what they show into one file, and name that."
                )
            before = block[-20:]


def _damaged(path: str, error: Exception) -> FileUnreadableError:
    return FileUnreadableError(path, said(error), "Check the file; it may be damaged.")


def said(error: Exception) -> str:
    """What GDAL says, as the middle of a sentence."""
    return str(error).strip().rstrip(".")
