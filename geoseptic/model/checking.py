"""Holds a layer against its contract: one error with every fault of it, or a layer in the frame where distances are measured."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS, Transformer

from geoseptic.errors import PRINTED_IDS, LayerContractError, LocalCrsError, MissingCrsError, listed
from geoseptic.model.frame import Frame, Geometries, crs_name, horizontal, middles
from geoseptic.model.layers import Column, Contract
from geoseptic.model.misplaced import of_next_zone, slipped
from geoseptic.model.names import ALIKE, alike
from geoseptic.stages import tell_reprojection
from geoseptic.units import METRES_PER_UNIT

DIMENSIONS = {"polygon": (2,), "line": (1,), "point": (0,), "any": (0, 1, 2)}
FARTHEST_M = 1e8
"""No projected coordinate on Earth is farther from its origin."""

MOST_SPOILT = 0.5
"""Where more than this share of the rows have no usable shape, the layer is not what it is taken for. Our own choice."""

TRACE_M = 0.001
"""How far round what is left of the corners of a row without a shape it may be."""

NOT_ON_EARTH = "coordinates that are not finite or not on Earth"

ROUND_AREA_DEG = 1.0
"""How far outside the area that a CRS is made for a county may reach. Our own choice."""

LEAST_APART_M = 100_000.0
"""Layers of less extent are not put together of two zones."""

TRUE_WORDS = frozenset({"true", "t", "yes", "y", "1"})
FALSE_WORDS = frozenset({"false", "f", "no", "n", "0"})

NEVER_EMPTY = ("parcels", "old_systems")
"""Layers of what a run is about."""

EMPTY_MEANS = {
    "buildings": "no house keeps ground closed, and which lots are built is not known, as without the layer",
    "culverts": "no water is led through one",
    "plumbing": "no exit of a house is known",
    "soils": "nothing is known of the soil, as without the layer",
    "floodplain": "nothing is known of flooding, as without the layer",
    "screening": "no place for another system is known, as without the layer",
    "search_areas": "where old systems may lie is not known, as without the layer",
    "neighbourhoods": "nothing is summed up",
}
"""What follows where a layer has no records, by its name; of the others, that nothing of their kind keeps ground closed."""

YEARS = ("year_built", "permit_year")
"""Numbers that a date tells as well."""


@dataclass(frozen=True)
class CheckedLayer:
    """A layer that holds its contract.

    `ids` are unique text; `shapes_m` are 2-D geometries with coordinates in metres of the frame; `columns` has each contract column that
    the layer brought (flags as object arrays of True, False, None; numbers and lengths as float64, lengths in metres, NaN where empty).
    `moved_by_m` is how far off the reprojection into the frame may have put all of it, NaN where nobody knows. `spoilt` has, where that was
    asked for, the rows without a shape to work with: why, and the hull of what is left of its corners; their shapes are empty.
    """

    contract: Contract
    ids: npt.NDArray[np.object_]
    shapes_m: Geometries
    columns: dict[str, npt.NDArray[np.generic]]
    notes: tuple[str, ...] = ()
    moved_by_m: float = 0.0
    spoilt: Mapping[int, tuple[str, shapely.Geometry]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.ids)

    def kept(self, rows: npt.NDArray[np.bool_]) -> "CheckedLayer":
        """The layer with only those rows."""
        columns = {name: values[rows] for name, values in self.columns.items()}
        return CheckedLayer(self.contract, self.ids[rows], self.shapes_m[rows], columns, self.notes, self.moved_by_m)

    def flags(self, name: str) -> npt.NDArray[np.object_]:
        """A flag column; all None where the layer does not have it."""
        return self.columns.get(name, np.full(len(self), None, object)).astype(object)

    def numbers(self, name: str) -> npt.NDArray[np.float64]:
        """A number or length column; all NaN where the layer does not have it."""
        return self.columns.get(name, np.full(len(self), np.nan)).astype(np.float64)

    def texts(self, name: str) -> npt.NDArray[np.object_]:
        """A text or choice column; all None where the layer does not have it."""
        return self.columns.get(name, np.full(len(self), None, object)).astype(object)


def source_of(layer: pd.DataFrame) -> str:
    """File and layer that a frame was read from, empty for one made in memory."""
    return str(layer.attrs.get("source", ""))


def check(
    layer: GeoDataFrame, contract: Contract, frame: Frame | None = None, source: str = "", spare_shapes: bool = False
) -> CheckedLayer:
    """Hold `layer` against `contract`.

    Parameters
    ----------
    layer : GeoDataFrame with a CRS; reprojected where its CRS differs from that of `frame`.
    contract : what it must bring.
    frame : where distances are measured; default the layer's own CRS, which must then be a projected one.
    source : file and layer, for the error text.
    spare_shapes : rows without a usable shape are no fault of the layer, unless they are most; see `spoilt`.

    Raises
    ------
    MissingCrsError, GeographicCrsError, WebMercatorError : the last two only where `frame` is not given.
    DatumShiftError : the layer is on another datum than `frame`, and PROJ knows no way between them.
    LayerContractError : every fault of the layer, with all ids that have it.
    """
    notes: list[str] = [] if len(layer) else [empty_told(contract)]
    shapes, moved_by_m = np.asarray(layer.geometry.values, dtype=object), 0.0
    strays: dict[str, npt.NDArray[np.intp]] = {}
    own_crs, own_shapes = layer.crs, shapes
    if frame is None:
        frame = Frame.of(layer.crs, contract.name, source)
    elif layer.crs != frame.crs:
        refuse_unplaced(layer.crs, contract.name, source)
        own = layer.crs.to_string() if len(layer.crs.to_string()) < 40 else layer.crs.name
        way = frame.reprojection_from(layer.crs, shapes, contract.name, source)
        strays = _slipped(shapes, layer.crs, frame)
        shapes, moved_by_m = way.moved(shapes), way.accuracy_m
        tell_reprojection(contract.name, way.record(layer.crs, frame))
        notes.append(f"{contract.name} reprojected from {own} to {frame.name} {way}")
    problems = name_faults(contract, [str(name) for name in layer.columns if name != layer.geometry.name])
    if not len(layer) and contract.name in NEVER_EMPTY:
        problems["the layer holds no parcel"] = ()
    ids = _ids(layer, contract, problems)
    found: dict[str, Sequence[object]] = {}
    _check_geometry(shapes, ids, contract, found)
    shapes = _told_of_slips(shapes, ids, strays, found)
    problems |= _two_zones(own_shapes, own_crs, ids)
    spoilt: dict[int, tuple[str, shapely.Geometry]] = {}
    if spare_shapes and found and len(set().union(*found.values())) <= MOST_SPOILT * len(shapes):
        shapes, spoilt = _without_spoilt(shapes, ids, found, frame)
    else:
        problems |= found
    columns = {}
    for column in contract.columns:
        if column.kind != "id":
            values = _column(layer, column, contract, ids, problems)
            if values is not None:
                columns[column.name] = values
    if problems:
        raise LayerContractError(contract.name, problems, source)
    dated = [
        column.name for column in contract.columns if column.name in YEARS and column.name in columns and _dates(layer[column.name]).any()
    ]
    notes += [f"{name} of the {contract.name} is a date: its year is taken" for name in dated]
    notes += _beyond_told(contract, columns, ids)
    notes += _alike_told(contract, ids)
    return CheckedLayer(contract, ids, frame.to_metres(_plain(shapes, contract)), columns, tuple(notes), moved_by_m, spoilt)


def _plain(shapes: Geometries, contract: Contract) -> Geometries:
    """The shapes without heights, and points alone where points are wanted; those that are so already are the very same."""
    plain = shapes.copy()
    if contract.geometry == "point":
        several = shapely.get_type_id(plain) != shapely.GeometryType.POINT
        plain[several] = shapely.get_geometry(plain[several], 0)
    deep = shapely.get_coordinate_dimension(plain) > 2
    plain[deep] = shapely.force_2d(plain[deep])
    return plain


def _beyond_told(contract: Contract, columns: Mapping[str, npt.NDArray[np.generic]], ids: npt.NDArray[np.object_]) -> list[str]:
    """The numbers that no such thing has, one sentence a column."""
    told = []
    for column in contract.columns:
        if column.name in columns and math.isfinite(column.high):
            numbers = columns[column.name].astype(np.float64)
            rows = np.flatnonzero((numbers < column.low) | (numbers > column.high))
            named = [f"{ids[row]} ({numbers[row]:.6g})" for row in rows[:PRINTED_IDS].tolist()] + [""] * max(0, len(rows) - PRINTED_IDS)
            if named:
                told.append(
                    f"{column.name} of {len(rows)} of {len(ids)} {contract.name} is not {column.low:g} to {column.high:g}: a slip, or a "
                    f"number for 'no value', of which nothing is concluded ({listed(named)})"
                )
    return told


def _alike_told(contract: Contract, ids: npt.NDArray[np.object_]) -> list[str]:
    """Identifiers that may mean one thing, where others are joined to the layer by them; empty where there are none."""
    groups = alike(ids.tolist()) if any(column.kind == "id" and column.required for column in contract.columns) else []
    named = [" and ".join(ascii(name) for name in group) for group in groups]
    return [f"{contract.id_column} of {contract.name} that {ALIKE}, taken for different ones: {listed(named)}"] if named else []


def empty_told(contract: Contract) -> str:
    """What a layer without records means, which may have lost them."""
    means = EMPTY_MEANS.get(contract.name, "nothing of its kind keeps ground closed")
    return f"the layer {contract.name} has no records here: {means}. If that is not so, give the whole layer"


def checked_columns(
    table: pd.DataFrame, contract: Contract, names: npt.NDArray[np.object_], problems: dict[str, Sequence[object]]
) -> dict[str, npt.NDArray[np.generic]]:
    """The contract's columns that a table without shapes has, save that of ids; adds to `problems` each fault with its rows."""
    problems |= name_faults(contract, [str(name) for name in table.columns])
    columns = {}
    for column in contract.columns:
        if column.kind != "id":
            values = _column(table, column, contract, names, problems)
            if values is not None:
                columns[column.name] = values
    return columns


def refuse_unplaced(crs: CRS | None, layer: str, source: str = "") -> None:
    """Raises MissingCrsError or LocalCrsError where nothing can be laid over a layer in `crs`."""
    if crs is None:
        raise MissingCrsError(layer, source, f", or state it: --crs {layer}=EPSG:NUMBER")
    plane = horizontal(crs)
    if not (plane.is_geographic or plane.is_projected):
        raise LocalCrsError(layer, crs_name(plane), source)


def name_faults(contract: Contract, names: Sequence[str]) -> dict[str, Sequence[object]]:
    """What the names of a layer's columns tell already: columns that are missing, and lengths without a unit. Fault -> what it is about."""
    faults: dict[str, Sequence[object]] = {}
    for column in contract.columns:
        if column.kind == "length":
            bare, *named, unit = column.names
            given = [name for name in (*named, bare) if name in names]
            if len(given) > 1:
                faults[f"{bare} is given more than once; keep one of"] = given
            elif given == [bare] and unit not in names:
                fault = f"the unit of '{bare}' is not stated: call the column {' or '.join(named)}, or add a column {unit} with m or ft"
                faults[fault] = []
            elif unit in names and not given:
                faults[f"a column {unit} but none of {', '.join((bare, *named))}; name the column that holds it"] = []
        elif column.required and column.name not in names:
            flag = f"--columns {contract.name}.{column.name}=NAME"
            faults[f"no column '{column.name}' ({column.meaning}); name the column that holds it ({flag}). Columns here"] = list(names)
    return faults


def feature_names(layer: pd.DataFrame, contract: Contract) -> npt.NDArray[np.object_]:
    """What faults call each record of the layer, shape (records,): its identifier, or the row or number that stands in for it."""
    return _ids(layer, contract, {})


def word_faults(table: pd.DataFrame, contract: Contract) -> dict[str, Sequence[object]]:
    """What `check` would find wrong with the set words of a layer, from its columns alone. Fault -> the ids that have it."""
    faults: dict[str, Sequence[object]] = {}
    ids = _ids(table, contract, {})
    for column in contract.columns:
        if column.kind in ("choice", "flag"):
            _column(table, column, contract, ids, faults)
    return faults


def _ids(layer: pd.DataFrame, contract: Contract, problems: dict[str, Sequence[object]]) -> npt.NDArray[np.object_]:
    numbered = np.array([f"row {number}" for number in range(1, len(layer) + 1)], object)
    column = next((item for item in contract.columns if item.kind == "id"), None)
    if column is None:
        return np.array([f"{contract.name} {number}" for number in range(1, len(layer) + 1)], object)
    if column.name not in layer.columns:
        return numbered if column.required else np.array([f"{contract.name} {number}" for number in range(1, len(layer) + 1)], object)
    raw = _scalars(layer[column.name])
    if pd.api.types.is_float_dtype(raw) and (raw.dropna() % 1 == 0).all():
        raw = raw.astype("Int64")
    empty = raw.isna().to_numpy() | (raw.astype("string").str.strip() == "").fillna(True).to_numpy()
    ids = raw.astype("string").str.strip().fillna("").to_numpy(dtype=object)
    if column.required and empty.any():
        problems[f"empty {column.name}"] = list(numbered[empty])
    cut = np.array(["\x00" in name for name in ids], bool)
    if cut.any():
        problems[f"{column.name} has a zero byte in it, where other programs end a text"] = [ascii(name) for name in ids[cut]]
    ids[empty] = numbered[empty]
    repeated = pd.Series(ids).duplicated(keep=False).to_numpy()
    if repeated.any():
        problems[f"{column.name} occurs more than once"] = list(dict.fromkeys(ids[repeated]))
    return ids


def _check_geometry(shapes: Geometries, ids: npt.NDArray[np.object_], contract: Contract, problems: dict[str, Sequence[object]]) -> None:
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if absent.any():
        problems["no geometry"] = list(ids[absent])
    wrong = ~absent & ~np.isin(shapely.get_dimensions(shapes), DIMENSIONS[contract.geometry])
    if wrong.any():
        kinds = sorted({shape.geom_type for shape in shapes[wrong]})
        problems[f"{contract.geometry} wanted, not {', '.join(kinds)}"] = list(ids[wrong])
    if contract.geometry == "point":
        several = ~absent & ~wrong & (shapely.get_num_geometries(shapes) > 1)
        if several.any():
            problems["several points in one record; give each its own"] = list(ids[several])
    # Every coordinate, since the bounds of a geometry pass over one that is not a number.
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    far = np.zeros(len(shapes), bool)
    far[owner[~(np.abs(coordinates) < FARTHEST_M).all(axis=1)]] = True
    if far.any():
        problems[NOT_ON_EARTH] = list(ids[far])


def _slipped(shapes: Geometries, crs: CRS, frame: Frame) -> dict[str, npt.NDArray[np.intp]]:
    """Of a layer in degrees what lies outside the area that the frame is made for, and would lie in it without a slip -> the rows."""
    area = frame.area_of_use
    if not horizontal(crs).is_geographic or area is None:
        return {}
    west, south, east, north = area
    near = (west - ROUND_AREA_DEG, south - ROUND_AREA_DEG, east + ROUND_AREA_DEG, north + ROUND_AREA_DEG)
    return {f"far from where {frame.name} is made for, but there {slip}": rows for slip, rows in slipped(*middles(shapes), near).items()}


def _told_of_slips(
    shapes: Geometries, ids: npt.NDArray[np.object_], strays: Mapping[str, npt.NDArray[np.intp]], problems: dict[str, Sequence[object]]
) -> Geometries:
    """Adds the slips to `problems`, in place of what they have made of the coordinates; the shapes without those that lie elsewhere."""
    if not strays:
        return shapes
    rows = np.concatenate(list(strays.values()))
    told = set(ids[rows])
    left = [name for name in problems.pop(NOT_ON_EARTH, ()) if name not in told]
    problems |= {fault: list(ids[one]) for fault, one in strays.items()}
    if left:
        problems[NOT_ON_EARTH] = left
    shapes = shapes.copy()
    shapes[rows] = shapely.Polygon()
    return shapes


def _two_zones(shapes: Geometries, crs: CRS | None, ids: npt.NDArray[np.object_]) -> dict[str, Sequence[object]]:
    """Of a layer in a zone of UTM the part that was written in the next one. Which of the two is wrong nobody can tell from the layer."""
    if crs is None or not len(shapes) or (zone := horizontal(crs).utm_zone) is None:
        return {}
    x, y = middles(shapes)
    on_earth = np.abs(x) < FARTHEST_M
    if not on_earth.any() or np.ptp(x[on_earth]) < LEAST_APART_M:
        return {}
    plane = horizontal(crs)
    lon, lat = Transformer.from_crs(plane, plane.geodetic_crs, always_xy=True).transform(x, y)
    rows, apart_deg = of_next_zone(np.asarray(lon), np.asarray(lat))
    if not len(rows):
        return {}
    fault = (
        f"{len(rows)} of {len(shapes)} lie {apart_deg:.1f} degrees of longitude from the others, and beside them if one of the parts is "
        f"read in the next zone of UTM: the layer is put together of two zones and says {zone} of both; reproject each part into one zone"
    )
    return {fault: list(ids[rows])}


def _without_spoilt(
    shapes: Geometries, ids: npt.NDArray[np.object_], faults: Mapping[str, Sequence[object]], frame: Frame
) -> tuple[Geometries, dict[int, tuple[str, shapely.Geometry]]]:
    """The shapes with those empty that have a fault, and of these why and the hull of the corners that have a place. [m]"""
    shapes, spoilt = shapes.copy(), {}
    for fault, names in faults.items():
        for row in np.flatnonzero(np.isin(ids.astype(str), [str(name) for name in names])).tolist():
            corners = shapely.get_coordinates(shapes[row])
            corners = corners[(np.abs(corners) < FARTHEST_M).all(axis=1)]
            hull = frame.to_metres(np.array([shapely.convex_hull(shapely.multipoints(corners))], object))[0]
            spoilt[row] = fault, shapely.buffer(hull, TRACE_M) if len(corners) else shapely.Polygon()
    shapes[list(spoilt)] = shapely.Polygon()
    return shapes, spoilt


def _column(
    layer: pd.DataFrame, column: Column, contract: Contract, ids: npt.NDArray[np.object_], problems: dict[str, Sequence[object]]
) -> npt.NDArray[np.generic] | None:
    if column.kind == "length":
        return _length(layer, column, ids, problems)
    if column.name not in layer.columns:
        return None
    raw = _scalars(layer[column.name])
    if column.kind == "number":
        return _numbers(raw, column.name, ids, problems)
    if column.kind == "flag":
        return _flags(raw, column, contract, ids, problems)
    words = raw.astype("string").str.strip()
    if column.kind != "label":
        words = words.str.lower()
    words = words.mask(words == "")
    values = words.astype(object).where(words.notna(), None).to_numpy(dtype=object)
    if column.kind == "choice":
        wrong = np.array([value is not None and value not in column.choices for value in values], bool)
        if wrong.any():
            seen = sorted(set(values[wrong]))
            fault = f"{column.name} is none of {', '.join(column.choices)} but {listed(seen)} ({_how_to_map(contract, column, seen[0])})"
            problems[fault] = list(ids[wrong])
    if column.required and any(value is None for value in values):
        problems[f"empty {column.name}"] = [name for name, value in zip(ids, values, strict=True) if value is None]
    return np.asarray(values)


def _numbers(raw: pd.Series, name: str, ids: npt.NDArray[np.object_], problems: dict[str, Sequence[object]]) -> npt.NDArray[np.float64]:
    raw = raw.reset_index(drop=True)
    for what, rows in (("true or false", _truths(raw)), ("a date", _dates(raw))):
        if rows.any() and what == "a date" and name in YEARS:
            raw = raw.astype(object).where(~rows, [value.year if dated else None for value, dated in zip(raw, rows, strict=True)])
        elif rows.any():
            problems[f"{name} is {what}, not a number"] = list(ids[rows])
            raw = raw.astype(object).mask(rows)
    raw = _scalars(raw)
    numbers = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    blank = raw.isna().to_numpy() | (raw.astype("string").str.strip() == "").fillna(True).to_numpy()
    wrong = (np.isnan(numbers) & ~blank) | np.isinf(numbers)
    if wrong.any():
        problems[f"{name} is not a number"] = list(ids[wrong])
    return np.asarray(numbers)


def _truths(raw: pd.Series) -> npt.NDArray[np.bool_]:
    """Which values are true or false, which would else read as 1 and 0."""
    if pd.api.types.is_bool_dtype(raw):
        return raw.notna().to_numpy(dtype=bool)
    return _of_kind(raw, (bool, np.bool_))


def _dates(raw: pd.Series) -> npt.NDArray[np.bool_]:
    """Which values are dates, which would else read as some great number of nanoseconds. A text is none."""
    if pd.api.types.is_datetime64_any_dtype(raw):
        return raw.notna().to_numpy(dtype=bool)
    return _of_kind(raw, (date, np.datetime64)) & raw.notna().to_numpy(dtype=bool)


def _of_kind(raw: pd.Series, kinds: tuple[type, ...]) -> npt.NDArray[np.bool_]:
    if raw.dtype != object:
        return np.zeros(len(raw), bool)
    return np.fromiter((isinstance(value, kinds) for value in raw), bool, len(raw))


def _scalars(raw: pd.Series) -> pd.Series:
    """The column with lists and the like as the text that they print as."""
    if raw.dtype != object:
        return raw
    nested = _of_kind(raw, (list, tuple, dict, set, bytes, np.ndarray))
    return raw.mask(nested, raw.map(str)) if nested.any() else raw


def _flags(
    raw: pd.Series, column: Column, contract: Contract, ids: npt.NDArray[np.object_], problems: dict[str, Sequence[object]]
) -> npt.NDArray[np.object_]:
    if raw.dtype == np.bool_:
        return raw.to_numpy().astype(object)
    values: list[bool | None] = []
    wrong: dict[object, str] = {}
    for identifier, value in zip(ids, raw, strict=True):
        word = "" if pd.isna(value) else str(value).strip().lower().removesuffix(".0")
        if word in TRUE_WORDS:
            values.append(True)
        elif word in FALSE_WORDS:
            values.append(False)
        else:
            values.append(None)
            if word:
                wrong[identifier] = word
    if wrong:
        seen = sorted(set(wrong.values()))
        problems[f"{column.name} is neither yes nor no but {listed(seen)} ({_how_to_map(contract, column, seen[0])})"] = list(wrong)
    return np.array(values, object)


def _how_to_map(contract: Contract, column: Column, word: str) -> str:
    # No meaning is offered: whoever copies the line must think of one.
    return f"say what each means: --values {contract.name}.{column.name}.{word}=MEANING, or nothing after = where unknown"


def _length(
    layer: pd.DataFrame, column: Column, ids: npt.NDArray[np.object_], problems: dict[str, Sequence[object]]
) -> npt.NDArray[np.float64] | None:
    found = [(f"{column.name}_{unit}", unit) for unit in ("m", "ft") if f"{column.name}_{unit}" in layer.columns]
    bare, unit_column = column.name, f"{column.name}_unit"
    if len(found) + (bare in layer.columns) > 1:
        return None
    if found:
        name, unit = found[0]
        lengths = _numbers(layer[name], name, ids, problems) * METRES_PER_UNIT[unit]
    elif bare in layer.columns and unit_column in layer.columns:
        name = bare
        units = layer[unit_column].astype("string").str.strip()
        factor = units.map(METRES_PER_UNIT).to_numpy(dtype=np.float64, na_value=np.nan)
        lengths = _numbers(layer[bare], bare, ids, problems)
        unitless = ~np.isnan(lengths) & np.isnan(factor)
        if unitless.any():
            problems[f"{unit_column} is not a known unit"] = list(ids[unitless])
        lengths = lengths * factor
    else:
        return None
    negative = lengths < 0
    if negative.any():
        problems[f"{name} is negative"] = list(ids[negative])
    return lengths
