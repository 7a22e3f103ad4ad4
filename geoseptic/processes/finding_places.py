"""Where the points of an inspection are: in one plane, in sketches, or nowhere; and on which parcels."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame

from geoseptic.errors import LayerContractError, listed
from geoseptic.model.checking import CheckedLayer, check, refuse_unplaced, source_of
from geoseptic.model.finding_checks import checked_findings, row_names
from geoseptic.model.findings import Inspection
from geoseptic.model.frame import WEB_MERCATOR_METHODS, Frame, Geometries, horizontal
from geoseptic.model.layers import FINDING_POINTS, FINDING_RUNS, PARCELS, Contract
from geoseptic.stages import tell_reprojection

UNKNOWN_SHIFT_M = 10.0
"""Error of a reprojection of unknown accuracy (own choice)."""


@dataclass(frozen=True)
class Placed:
    """An inspection with its places.

    frame : None where no point has a place in a coordinate system. run_shapes_m : what was drawn, by the run's row. [m]
    """

    found: Inspection
    frame: Frame | None
    parcels: CheckedLayer | None
    run_shapes_m: dict[str, shapely.Geometry]
    notes: tuple[str, ...]


def placed(points: pd.DataFrame, runs: pd.DataFrame, parcels: GeoDataFrame | None) -> Placed:
    """Check points, runs and parcels, and bring them into one plane.

    Distances are measured in the frame of the parcels, else in that of the points, else, where these are in degrees, in the UTM zone of the
    place. Raises what the checks raise, and LayerContractError where a point's parcel_id is none of the parcels'.
    """
    frame = None if parcels is None else Frame.of(parcels.crs, "parcels", source_of(parcels))
    notes: list[str] = []
    if frame is None and isinstance(points, GeoDataFrame):
        frame = _frame_of(points, notes)
    lots = None if parcels is None or frame is None else check(parcels, PARCELS, frame, source_of(parcels))
    notes += [] if lots is None else lots.notes
    shapes_m, error_m = _in_frame(points, FINDING_POINTS, frame, notes)
    places_m = None if shapes_m is None else np.column_stack([shapely.get_x(shapes_m), shapely.get_y(shapes_m)])
    owners = None if lots is None else _parcels_of(points, shapes_m, lots, notes)
    found = checked_findings(points, runs, places_m, owners)
    run_shapes_m, _ = _in_frame(runs, FINDING_RUNS, frame, notes)
    drawn = {} if run_shapes_m is None else dict(zip(map(str, row_names(runs)), run_shapes_m, strict=True))
    return Placed(
        replace(found, place_error_m=found.place_error_m + error_m), frame if places_m is not None else None, lots, drawn, tuple(notes)
    )


def _frame_of(layer: GeoDataFrame, notes: list[str]) -> Frame:
    source = source_of(layer)
    refuse_unplaced(layer.crs, "points", source)
    plane = horizontal(layer.crs)
    operation = plane.coordinate_operation
    if plane.is_projected and (operation is None or operation.method_name.lower() not in WEB_MERCATOR_METHODS):
        return Frame.of(layer.crs, "points", source)
    if layer.geometry.isna().all():
        return Frame.of(layer.crs, "points", source)
    zone = layer[~layer.geometry.isna()].estimate_utm_crs()
    frame = Frame.of(zone, "points", source)
    notes.append(f"points are in {plane.name}; distances are measured in {frame.name}")
    return frame


def _in_frame(table: pd.DataFrame, contract: Contract, frame: Frame | None, notes: list[str]) -> tuple[Geometries | None, float]:
    """The shapes in metres of the frame, None where the table has none; and how far off the way there may have put them. [m]"""
    if not isinstance(table, GeoDataFrame) or frame is None or not len(table):
        return None, 0.0
    source = source_of(table)
    refuse_unplaced(table.crs, contract.name, source)
    shapes: Geometries = np.array(table.geometry.values, dtype=object)
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    shapes[absent] = None
    if contract.geometry == "point":
        single = shapely.get_num_geometries(shapes) == 1
        wrong = ~absent & ~(np.isin(shapely.get_dimensions(shapes), (0,)) & single)
        shapes = shapely.get_geometry(shapes, 0)
    else:
        wrong = ~absent & (shapely.get_dimensions(shapes) != 1)
    if wrong.any():
        raise LayerContractError(contract.name, {f"{contract.geometry} wanted, one a record": list(row_names(table)[wrong])}, source)
    error_m = 0.0
    if table.crs != frame.crs and not absent.all():
        way = frame.reprojection_from(table.crs, shapes, contract.name, source)
        shapes = way.moved(shapes)
        error_m = UNKNOWN_SHIFT_M if np.isnan(way.accuracy_m) else way.accuracy_m
        tell_reprojection(contract.name, way.record(table.crs, frame))
        notes.append(f"{contract.name} reprojected to {frame.name} {way}")
    shapes = shapely.force_2d(shapes)
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    far = np.unique(owner[~np.isfinite(coordinates).all(axis=1)])
    if len(far):
        raise LayerContractError(contract.name, {"coordinates that are not finite or not on Earth": list(row_names(table)[far])}, source)
    return frame.to_metres(shapes), error_m


def _parcels_of(points: pd.DataFrame, shapes_m: Geometries | None, lots: CheckedLayer, notes: list[str]) -> Sequence[str | None]:
    """The parcel on which each point lies, where it does not name one; of overlapping ones the first by id, which is told."""
    own = points["parcel_id"].astype("string").str.strip().fillna("") if "parcel_id" in points.columns else pd.Series([""] * len(points))
    known = {str(value) for value in lots.ids}
    strange = [f"{row}: {value}" for row, value in zip(row_names(points), own, strict=True) if value and value not in known]
    if strange:
        raise LayerContractError("points", {"parcel_id is none of the parcels'": strange}, source_of(points))
    answer: list[str | None] = [None] * len(points)
    if shapes_m is None:
        return answer
    hit, lot = shapely.STRtree(lots.shapes_m).query(shapes_m, predicate="intersects")
    on: dict[int, list[str]] = {}
    for row, number in zip(hit, lot, strict=True):
        on.setdefault(int(row), []).append(str(lots.ids[number]))
    for row, ids in on.items():
        answer[row] = min(ids)
    several = [
        f"{name}: {' and '.join(sorted(on[row]))}"
        for row, name in enumerate(row_names(points))
        if len(on.get(row, ())) > 1 and not own.iloc[row]
    ]
    if several:
        notes.append(
            f"points on more than one parcel are taken to be of the first; name it in parcel_id where that is wrong: {listed(several)}"
        )
    return answer
