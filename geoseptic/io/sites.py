"""What a finished screening holds of single parcels and of what lies round them."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoseptic.errors import FileUnreadableError, GeosepticError, InputError, nearest
from geoseptic.io import rasters
from geoseptic.io.filehashes import digest_of
from geoseptic.io.gdalsource import UNREADABLE
from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.grid import Raster
from geoseptic.units import METRES_PER_UNIT

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

Bounds = tuple[float, float, float, float]

OWN_LAYERS: Final[Mapping[str, tuple[str, ...]]] = {
    "screening": ("fields", "trenches", "tanks", "sewer_lines", "test_holes", "flow_paths"),
    "envelopes": ("field_envelope", "reserve_envelope", "tank_envelope"),
}
"""Layers whose rows belong to a parcel, by file."""

AROUND_M: Final = 100.0
"""How far round a parcel features and neighbours are read: more than a sheet shows, and about as far as any distance from a well."""


@dataclass(frozen=True)
class Item:
    """One row of a layer: its shape in metres of the run's frame, and its other columns as they stand there."""

    shape_m: shapely.Geometry
    row: Mapping[str, Any]


@dataclass(frozen=True)
class Site:
    """One parcel of a finished screening.

    unit : that of the lengths in rows, ft or m, as the names of columns say too.
    row : the parcel's own, with the verdict.
    lot_m : its outline; empty where it has no shape.
    neighbours : the parcels that come near, without itself.
    layers : the rows of `OWN_LAYERS` that are this parcel's.
    zones : setback zones that touch the lot, of every part.
    features : what ground was kept clear of, within `AROUND_M` and as far as any zone that touches the lot reaches; a well of unknown
        kind stands twice.
    """

    parcel_id: str
    frame: Frame
    unit: str
    row: Mapping[str, Any]
    lot_m: shapely.Geometry
    neighbours: tuple[Item, ...]
    layers: Mapping[str, tuple[Item, ...]]
    zones: tuple[Item, ...]
    features: tuple[Item, ...]


def known_ids(run: FinishedRun, wanted: Iterable[str]) -> tuple[str, ...]:
    """The parcels that are wanted, each once. Raises InputError for those that the run does not have."""
    ids = tuple(dict.fromkeys(wanted))
    absent = [name for name in ids if name not in run.rows.index]
    if absent:
        told = ", ".join(nearest(name, tuple(run.rows.index)) for name in absent[:5])
        raise InputError(f"{run.folder}: {len(absent)} of the parcels are not in this screening: {told}. Name them by its parcel_id.")
    return ids


def read_lots(run: FinishedRun, wanted: Iterable[str] | None = None) -> "GeoDataFrame":
    """The parcels of the run, or those that are wanted, with their shapes, in the order of the layer. Raises FileUnreadableError."""
    if wanted is None:
        return _read(run, "screening", "parcels")
    named = ", ".join("'" + name.replace("'", "''") + "'" for name in wanted)
    return _read(run, "screening", "parcels", where=f"CAST(parcel_id AS TEXT) IN ({named})")


def read_site(run: FinishedRun, lots: "GeoDataFrame", parcel_id: str) -> Site:
    """What the run holds of one parcel, which is among `lots` of `read_lots`. Raises FileUnreadableError, InputError."""
    ids = lots["parcel_id"].astype(str).to_numpy()
    own = np.flatnonzero(ids == parcel_id)
    if len(own) != 1:
        raise InputError(f"{run.folder}: {len(own)} parcels are called {parcel_id}. Name one of the parcels of this screening.")
    frame, unit = Frame.of(lots.crs, "parcels", run.folder), unit_of(lots)
    geometry = lots.geometry.array
    shape = geometry[own[0]]
    items: dict[str, tuple[Item, ...]] = {name: () for names in OWN_LAYERS.values() for name in names}
    neighbours: tuple[Item, ...] = ()
    zones: tuple[Item, ...] = ()
    features: tuple[Item, ...] = ()
    if shape is not None and not shape.is_empty:
        near = _round(shape, AROUND_M, frame)
        beside = _read(run, "screening", "parcels", near)
        beside = beside[beside.geometry.intersects(shapely.box(*near)) & (beside["parcel_id"].astype(str) != parcel_id)]
        neighbours = _items(beside, frame)
        for file, names in OWN_LAYERS.items():
            for name in names:
                items[name] = tuple(item for item in _items(_read(run, file, name, near), frame) if str(item.row["parcel_id"]) == parcel_id)
        zones = _items(_read(run, "envelopes", "setback_zones", shape.bounds), frame)
        zones = tuple(item for item in zones if item.shape_m.intersects(_in_metres(frame, shape)))
        farthest_m = max((_reach_m(item, unit) for item in zones), default=0.0)
        around = _round(shape, max(AROUND_M, farthest_m + 1.0), frame)
        features = tuple(item for name in ("points", "lines", "areas") for item in _items(_read(run, "surroundings", name, around), frame))
    row = {str(name): value for name, value in lots.drop(columns=lots.geometry.name).iloc[own[0]].items()}
    lot_m = shapely.MultiPolygon() if shape is None else _in_metres(frame, shape)
    return Site(parcel_id, frame, unit, row, lot_m, neighbours, items, zones, features)


Heights = Callable[[Bounds], Raster | None]
"""Gives the heights round bounds in metres, None where there are none."""


def elevation_of(run: FinishedRun) -> Heights | str:
    """How to read the heights round bounds in metres that the run has read, or in words why they are not to be had any more."""
    told = run.parameters
    source = run.record["inputs"].get("elevation")
    if not source:
        return "the screening read no elevation"
    path, anywhere = str(source["file"]), told.get("elevation_tiles") == "anywhere"
    try:
        same = digest_of(rasters.files_of(path, tiles_anywhere=anywhere))["sha256"] == source["sha256"]
    except (GeosepticError, OSError):
        return f"the elevation {path} cannot be read from here"
    if not same:
        return f"the elevation {path} is no longer the one that was screened"
    return partial(
        rasters.read_heights_near,
        path,
        unit=told.get("elevation_unit"),
        scale=told.get("elevation_scale"),
        tiles_anywhere=anywhere,
    )


def unit_of(lots: "GeoDataFrame") -> str:
    """The unit of lengths in the columns of a screening."""
    return next(unit for unit in METRES_PER_UNIT if f"trench_{unit}" in lots.columns)


def _round(shape: shapely.Geometry, reach_m: float, frame: Frame) -> tuple[float, ...]:
    """Bounds round a shape of the layer, in units of its CRS."""
    left, bottom, right, top = shape.bounds
    reach = reach_m / frame.metres_per_unit
    return (left - reach, bottom - reach, right + reach, top + reach)


def _reach_m(zone: Item, unit: str) -> float:
    return float(zone.row[f"distance_{unit}"] + zone.row[f"location_error_{unit}"]) * METRES_PER_UNIT[unit]


def _in_metres(frame: Frame, shape: shapely.Geometry) -> shapely.Geometry:
    shapes: Geometries = np.array([shape], object)
    return frame.to_metres(shapes)[0]


def _items(rows: "GeoDataFrame", frame: Frame) -> tuple[Item, ...]:
    shapes_m = frame.to_metres(np.asarray(rows.geometry.array, object))
    records = rows.drop(columns=rows.geometry.name).to_dict("records")
    return tuple(
        Item(shape_m, {str(name): value for name, value in record.items()})
        for shape_m, record in zip(shapes_m, records, strict=True)
        if shape_m is not None
    )


def _read(run: FinishedRun, file: str, layer: str, bounds: tuple[float, ...] | None = None, where: str | None = None) -> "GeoDataFrame":
    import pyogrio

    path = Path(run.folder) / f"{file}.gpkg"
    try:
        return pyogrio.read_dataframe(path, layer=layer, bbox=bounds, where=where, fid_as_index=True).sort_index()
    except UNREADABLE as error:
        raise FileUnreadableError(str(path), str(error), "Run the screening again, with this version.") from error
