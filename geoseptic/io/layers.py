"""Reads vector layers: any format of the GDAL library, one layer of a file, only the part that is near."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS, Transformer

from geoseptic.errors import FileUnreadableError, raise_gathered
from geoseptic.io.layerheaders import UNREADABLE, Bounds, LayerHeader, file_columns, read_header, refusals, said
from geoseptic.model.layers import Contract

STREAM_FROM_FEATURES = 2_000_000
"""Layers with more features are read record by record, keeping those that are near."""

BATCH_FEATURES = 50_000

WORDS_OF_FEATURES = 200_000
"""Layers with no more features than this have their words looked at before a run: a second or two."""

BOUNDS_AT_A_TIME = 1_000_000

WORDS = ("id", "choice", "flag", "text")


def read_layer(
    source: str,
    contract: Contract,
    columns: Mapping[str, str] | None = None,
    near: tuple[Bounds, CRS] | None = None,
    words: Mapping[str, Mapping[str, str]] | None = None,
) -> GeoDataFrame:
    """Read one layer for `contract`.

    Parameters
    ----------
    source : a file, with '|layer' where it holds several.
    contract : what the layer is to be; only its columns are read.
    columns : contract column -> column of the file, where they differ. Names are matched without regard to case.
    near : only features that touch these bounds (in this CRS) are read. Records without a shape are nowhere, so they are not read either.
    words : contract column -> word of the file, in lower case -> word of the contract, empty where it is unknown.

    Returns
    -------
    GeoDataFrame with contract column names; `attrs["source"]` names file and layer, `attrs["without_shape"]` holds the file's own numbers
    of the records without a shape that were not read.

    Raises
    ------
    FileUnreadableError : no such file or layer, or not readable.
    LayerContractError, MissingCrsError, LocalCrsError, SeveralErrors : what `refusals` finds in the header.
    """
    header = read_header(source)
    raise_gathered(refusals(header, contract, columns or {}, words or {}))
    assert header.crs is not None  # or it was refused
    path, layer = header.path, header.layer
    names, _ = file_columns(contract, columns or {}, header.fields)
    wanted = list(dict.fromkeys(names.values()))
    bounds = _bounds_in(near, header.crs) if near else None
    try:
        if header.features > STREAM_FROM_FEATURES:
            batches = list(stream_layer(path, layer, wanted, bounds))
            frame = pd.concat(batches, ignore_index=True) if batches else _nothing(wanted, header.crs)
        else:
            frame = geopandas.read_file(path, layer=layer, columns=wanted, bbox=bounds, engine="pyogrio")
        shapeless = records_without_shape(path, layer) if bounds else ()
    except UNREADABLE as error:
        raise FileUnreadableError(path, said(error), "Check the file; it may be damaged.") from error
    if bounds:
        # Some formats hand on shapeless records whatever the bounds.
        frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)].reset_index(drop=True)
    frame = GeoDataFrame({name: frame[found] for name, found in names.items()}, geometry=frame.geometry.to_numpy(), crs=frame.crs)
    for column, meanings in (words or {}).items():
        frame[column] = in_words_of_the_contract(frame[column], meanings)
    frame.attrs["source"] = f"{path}|{layer}"
    frame.attrs["without_shape"] = shapeless
    return frame


def read_words(
    header: LayerHeader,
    contract: Contract,
    columns: Mapping[str, str],
    near: tuple[Bounds, CRS] | None,
    words: Mapping[str, Mapping[str, str]],
) -> pd.DataFrame | None:
    """The columns of words and the identifiers, as `read_layer` gives them but without the shapes; None for a layer without such columns,
    or with too many features to look at."""
    assert header.crs is not None  # or it was refused
    names, _ = file_columns(contract, columns, header.fields)
    wanted = {column.name: names[column.name] for column in contract.columns if column.kind in WORDS and column.name in names}
    if all(name == contract.id_column for name in wanted) or not 0 < header.features <= WORDS_OF_FEATURES:
        return None
    bounds = _bounds_in(near, header.crs) if near else None
    listed = list(dict.fromkeys(wanted.values()))
    try:
        table = pyogrio.read_dataframe(header.path, layer=header.layer, columns=listed, bbox=bounds, read_geometry=False)
    except UNREADABLE as error:
        raise FileUnreadableError(header.path, said(error), "Check the file; it may be damaged.") from error
    table = pd.DataFrame({name: table[found] for name, found in wanted.items()})
    for column, meanings in words.items():
        table[column] = in_words_of_the_contract(table[column], meanings)
    return table


def in_words_of_the_contract(raw: pd.Series, meanings: Mapping[str, str]) -> pd.Series:
    """A column of coded words with those that `meanings` names replaced; an empty meaning makes the cell empty."""
    words = raw.astype("string").str.strip().str.lower()
    if pd.api.types.is_numeric_dtype(raw):
        words = words.str.removesuffix(".0")
    known = words.isin(list(meanings)).fillna(False).to_numpy(dtype=bool)
    found = raw.astype(object)
    found[known] = [meanings[word] or None for word in words[known]]
    return found


def records_without_shape(path: str, layer: str) -> tuple[int, ...]:
    """The file's own numbers of the records that have no shape, an empty one, or one without a finite place."""
    found: list[int] = []
    first = 0
    while True:
        numbers, bounds = pyogrio.read_bounds(path, layer=layer, skip_features=first, max_features=BOUNDS_AT_A_TIME)
        # The envelope of an empty shape comes out as zeros.
        nowhere = ~np.isfinite(bounds).all(axis=0) | (bounds == 0).all(axis=0)
        found += [int(number) for number in numbers[nowhere]]
        first += len(numbers)
        if len(numbers) < BOUNDS_AT_A_TIME:
            return tuple(found)


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


def _bounds_in(near: tuple[Bounds, CRS], crs: CRS) -> Bounds:
    (left, bottom, right, top), own = near
    if own == crs:
        return left, bottom, right, top
    transformed = Transformer.from_crs(own, crs, always_xy=True).transform_bounds(left, bottom, right, top, densify_pts=21)
    return tuple(float(value) for value in transformed)  # type: ignore[return-value]


def _nothing(columns: Sequence[str], crs: CRS) -> GeoDataFrame:
    return GeoDataFrame({name: [] for name in columns}, geometry=[], crs=crs)
