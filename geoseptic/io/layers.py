"""Reads vector layers: any format of the GDAL library, one layer of a file, only the part that is near."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas
import pandas as pd
import pyogrio
import shapely
from geopandas import GeoDataFrame
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS, Transformer

from geoseptic.errors import FileUnreadableError, LayerContractError, MissingCrsError
from geoseptic.model.layers import Contract

STREAM_FROM_FEATURES = 2_000_000
"""Layers with more features are read record by record, keeping those that are near."""

BATCH_FEATURES = 50_000

SHAPEFILE_NAME: Final = 10
"""Characters that a shapefile keeps of a column's name."""

Bounds = tuple[float, float, float, float]


def split_source(source: str) -> tuple[str, str | None]:
    """File and layer of 'county.gpkg|wells' (also written 'county.gpkg|layername=wells')."""
    path, bar, layer = source.rpartition("|")
    if not bar:
        return source, None
    return path, layer.removeprefix("layername=")


def read_layer(
    source: str,
    contract: Contract,
    columns: Mapping[str, str] | None = None,
    near: tuple[Bounds, CRS] | None = None,
) -> GeoDataFrame:
    """Read one layer for `contract`.

    Parameters
    ----------
    source : a file, with '|layer' where it holds several.
    contract : what the layer is to be; only its columns are read.
    columns : contract column -> column of the file, where they differ. Names are matched without regard to case.
    near : only features that touch these bounds (in this CRS) are read.

    Returns
    -------
    GeoDataFrame with contract column names; `attrs["source"]` names file and layer.

    Raises
    ------
    FileUnreadableError : no such file or layer, or not readable.
    LayerContractError : a mapped column is not there.
    MissingCrsError : the layer has no CRS.
    """
    path, layer = split_source(source)
    layer = _the_layer(path, layer)
    try:
        info = pyogrio.read_info(path, layer=layer)
    except (DataSourceError, DataLayerError) as error:
        raise FileUnreadableError(path, str(error), "Check the path and the format.") from error
    if info["crs"] is None:
        raise MissingCrsError(contract.name, source)
    names = _file_columns(contract, columns or {}, list(info["fields"]), source)
    wanted = [names[name] for name in names]
    bounds = _bounds_in(near, CRS.from_user_input(info["crs"])) if near else None
    try:
        if info["features"] > STREAM_FROM_FEATURES:
            batches = list(stream_layer(path, layer, wanted, bounds))
            frame = pd.concat(batches, ignore_index=True) if batches else _nothing(wanted, info["crs"])
        else:
            frame = geopandas.read_file(path, layer=layer, columns=wanted, bbox=bounds, engine="pyogrio")
    except (DataSourceError, DataLayerError, UnicodeDecodeError) as error:
        raise FileUnreadableError(path, str(error), "Check the file; it may be damaged.") from error
    if not isinstance(frame, GeoDataFrame):
        raise FileUnreadableError(path, f"layer '{layer}' has no geometry", "Choose a layer with shapes.")
    frame = frame.rename(columns={found: name for name, found in names.items()})
    frame.attrs["source"] = f"{path}|{layer}"
    return frame


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


def layer_bounds(source: str, layer_name: str) -> tuple[Bounds, CRS]:
    """Bounds and CRS of a layer, from its header where it has them. Raises as `read_layer`."""
    path, layer = split_source(source)
    try:
        info = pyogrio.read_info(path, layer=_the_layer(path, layer), force_total_bounds=True)
    except (DataSourceError, DataLayerError) as error:
        raise FileUnreadableError(path, str(error), "Check the path and the format.") from error
    if info["crs"] is None:
        raise MissingCrsError(layer_name, source)
    if info["total_bounds"] is None:
        raise LayerContractError(layer_name, {"no feature in the layer": []}, source)
    left, bottom, right, top = info["total_bounds"]
    return (left, bottom, right, top), CRS.from_user_input(info["crs"])


def _the_layer(path: str, layer: str | None) -> str:
    if not Path(path).exists():
        raise FileUnreadableError(path, "there is no such file", "Check the path.")
    try:
        listed = [str(name) for name, _ in pyogrio.list_layers(path)]
    except DataSourceError as error:
        raise FileUnreadableError(path, str(error), "It is in no format that GDAL reads; check the path and the format.") from error
    if layer is not None:
        if layer not in listed:
            raise FileUnreadableError(path, f"it has no layer '{layer}'", f"Layers there: {', '.join(listed)}.")
        return layer
    if len(listed) != 1:
        raise FileUnreadableError(path, f"it has {len(listed)} layers", f"Name one: {path}|LAYER, of {', '.join(listed)}.")
    return listed[0]


def _file_columns(contract: Contract, mapped: Mapping[str, str], fields: Sequence[str], source: str) -> dict[str, str]:
    """Contract column -> column of the file, for those that are there. A length may stand under its name with a unit."""
    unknown = [name for name in mapped if name not in _known_names(contract)]
    absent = [f"{name} = {found}" for name, found in mapped.items() if found not in fields]
    problems: dict[str, Sequence[object]] = {}
    if unknown:
        problems[f"mapped columns that {contract.name} do not have (known: {', '.join(_known_names(contract))})"] = unknown
    if absent:
        problems[f"mapped columns that are not in the file (it has {', '.join(fields)})"] = absent
    by_lower = {field.lower(): field for field in reversed(fields)}
    for column in contract.columns:
        cut = column.name[:SHAPEFILE_NAME]
        if (
            column.kind == "length"
            and len(column.name) > SHAPEFILE_NAME
            and cut in by_lower
            and not any(name.startswith(column.name) for name in mapped)
        ):
            flag = f"--columns {contract.name}.{column.name}_ft={by_lower[cut]}"
            problems[f"the column name '{by_lower[cut]}' was cut, so its unit is lost. Say it with {flag} (or _m)"] = []
    if problems:
        raise LayerContractError(contract.name, problems, source)
    found = {name: by_lower[name] for name in _known_names(contract) if name in by_lower and name not in mapped}
    for name, others in _other_names(contract).items():
        # A column of the file goes to one column of the contract, and to none where the user has mapped it elsewhere.
        free = [by_lower[other] for other in others if other in by_lower and by_lower[other] not in {*found.values(), *mapped.values()}]
        if free and name not in found and name not in mapped:
            found[name] = free[0]
    # A mapped length replaces the same length under another unit's name.
    for name in mapped:
        stem = name.removesuffix("_m").removesuffix("_ft").removesuffix("_unit")
        for other in (stem, f"{stem}_m", f"{stem}_ft"):
            if other != name and not name.endswith("_unit"):
                found.pop(other, None)
    return {**found, **mapped}


def _known_names(contract: Contract) -> list[str]:
    names = []
    for column in contract.columns:
        names.append(column.name)
        if column.kind == "length":
            names += [f"{column.name}_m", f"{column.name}_ft", f"{column.name}_unit"]
    return names


def _other_names(contract: Contract) -> dict[str, list[str]]:
    """Contract column -> aliases, then the names cut as in shapefiles; a cut that two columns share is nobody's. No lengths: see Column."""
    known = set(_known_names(contract))
    names = {column.name: (column.name, *map(str.lower, column.aliases)) for column in contract.columns if column.kind != "length"}
    bearers = Counter(cut for group in names.values() for cut in {name[:SHAPEFILE_NAME] for name in group})
    found = {}
    for column, group in names.items():
        cuts = (name[:SHAPEFILE_NAME] for name in group if len(name) > SHAPEFILE_NAME)
        found[column] = [*group[1:], *(cut for cut in cuts if bearers[cut] == 1 and cut not in known)]
    return found


def _bounds_in(near: tuple[Bounds, CRS], crs: CRS) -> Bounds:
    (left, bottom, right, top), own = near
    if own == crs:
        return left, bottom, right, top
    transformed = Transformer.from_crs(own, crs, always_xy=True).transform_bounds(left, bottom, right, top, densify_pts=21)
    return tuple(float(value) for value in transformed)  # type: ignore[return-value]


def _nothing(columns: Sequence[str], crs: str) -> GeoDataFrame:
    return GeoDataFrame({name: [] for name in columns}, geometry=[], crs=crs)
