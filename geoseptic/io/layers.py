"""Reads vector layers: one layer of a source of any kind, in the names and words of its contract, only the part that is near."""

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS, Transformer

from geoseptic.errors import LayerContractError, raise_gathered
from geoseptic.io.layerheaders import file_columns, guess_notes, refusals
from geoseptic.io.sourcekinds import open_source
from geoseptic.io.sources import NOTHING_STATED, ROWS_READ, Bounds, LayerHeader, LayerSource, Stated
from geoseptic.model.frame import middles
from geoseptic.model.layers import Contract
from geoseptic.model.misplaced import slipped, slipped_bounds

WORDS_OF_FEATURES = 200_000
"""Layers with no more features than this have their words looked at before a run: a second or two."""

UNINHABITED_DEG = 72.0
"""No county with wells lies nearer to a pole. From memory: the northernmost towns of the United States lie at 71 degrees."""

WORDS = ("id", "choice", "flag", "text")


def read_layer(
    source: str,
    contract: Contract,
    columns: Mapping[str, str] | None = None,
    near: tuple[Bounds, CRS] | None = None,
    words: Mapping[str, Mapping[str, str]] | None = None,
    stated: Stated = NOTHING_STATED,
) -> GeoDataFrame:
    """Read one layer for `contract`.

    Parameters
    ----------
    source : a file, with '|layer' where it holds several.
    contract : what the layer is to be; only its columns are read.
    columns : contract column -> column of the file, where they differ. Names are matched without regard to case.
    near : only features that touch these bounds (in this CRS) are read. Records without a shape are nowhere, so they are not read either.
    words : contract column -> word of the file, in lower case -> word of the contract, empty where it is unknown.
    stated : what the user states of the source because the file does not say it.

    Returns
    -------
    GeoDataFrame with contract column names; `attrs["source"]` names file and layer, `attrs["without_shape"]` holds the file's own numbers
    of the records without a shape that were not read, `attrs["notes"]` what is to be told of how it was read.

    Raises
    ------
    FileUnreadableError : no such file or layer, or not readable.
    LayerContractError, MissingCrsError, LocalCrsError, SeveralErrors : what `refusals` finds in the header.
    """
    opened = open_source(source, stated)
    header = opened.header
    raise_gathered(refusals(header, contract, columns or {}, words or {}))
    assert header.crs is not None  # or it was refused
    names, _ = file_columns(contract, columns or {}, header.fields)
    bounds = _bounds_in(near, header.crs) if near else None
    frame = opened.read(list(dict.fromkeys(names.values())), bounds)
    shapeless = opened.without_shape() if bounds else ()
    digest = frame.attrs.get(ROWS_READ)
    told: tuple[str, ...] = ()
    if bounds:
        # Some formats hand on shapeless records whatever the bounds.
        frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)].reset_index(drop=True)
        _refuse_slipped(opened, contract, list(dict.fromkeys(names.values())), bounds, nothing_near=not len(frame))
        if not len(frame) and header.features:
            held = f"none of its {header.features} records" if header.features > 0 else "none of its records"
            told = (f"{held} is near: the layer counts for nothing. Check that the file is of this place and its CRS is right",)
    frame = GeoDataFrame({name: frame[found] for name, found in names.items()}, geometry=frame.geometry.to_numpy(), crs=frame.crs)
    for column, meanings in (words or {}).items():
        frame[column] = in_words_of_the_contract(frame[column], meanings)
    frame.attrs["source"] = f"{header.path}|{header.layer}"
    frame.attrs["without_shape"] = shapeless
    frame.attrs |= {} if digest is None else {ROWS_READ: digest}
    frame.attrs["notes"] = (*header.notes, *told, *guess_notes(contract, columns or {}, header.fields))
    return frame


def _refuse_slipped(opened: LayerSource, contract: Contract, columns: list[str], near: Bounds, nothing_near: bool) -> None:
    """Raises LayerContractError where a layer in degrees has features that would be near without a slip, such as swapped axes: they would
    not be read, and nothing would be kept clear of them. Where people live, others may be meant, so that is looked at only where nothing is
    near."""
    crs = opened.header.crs
    if crs is None or not crs.is_geographic:
        return
    whole = opened.bounds()
    faults: dict[str, int] = {}
    for box in slipped_bounds(near):
        uninhabited = box[1] < -UNINHABITED_DEG or box[3] > UNINHABITED_DEG
        if whole is None or not (nothing_near or uninhabited) or not _meet(box, whole):
            continue
        shapes = np.asarray(opened.read(columns, box).geometry.values, object)
        shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
        for slip, rows in slipped(*middles(shapes), near).items():
            faults[slip] = max(faults.get(slip, 0), len(rows))
    if faults:
        source = f"{opened.header.path}|{opened.header.layer}"
        raise LayerContractError(
            contract.name, {f"{count} records lie far off, but near {slip}: mend the layer": () for slip, count in faults.items()}, source
        )


def _meet(one: Bounds, other: Bounds) -> bool:
    return one[0] <= other[2] and one[2] >= other[0] and one[1] <= other[3] and one[3] >= other[1]


def read_words(
    header: LayerHeader,
    contract: Contract,
    columns: Mapping[str, str],
    near: tuple[Bounds, CRS] | None,
    words: Mapping[str, Mapping[str, str]],
    also: Collection[str] = (),
) -> pd.DataFrame | None:
    """The columns of words, those of `also` and the identifiers, as `read_layer` gives them but without the shapes; None for a layer
    without such columns, or with too many features to look at."""
    assert header.crs is not None  # or it was refused
    names, _ = file_columns(contract, columns, header.fields)
    told = {column.name for column in contract.columns if column.kind in WORDS or column.name in also}
    wanted = {name: found for name, found in names.items() if name in told}
    if all(name == contract.id_column for name in wanted) or not 0 < header.features <= WORDS_OF_FEATURES:
        return None
    bounds = _bounds_in(near, header.crs) if near else None
    table = open_source(header.source, header.stated).read_table(list(dict.fromkeys(wanted.values())), bounds)
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


def _bounds_in(near: tuple[Bounds, CRS], crs: CRS) -> Bounds:
    (left, bottom, right, top), own = near
    if own == crs:
        return left, bottom, right, top
    transformed = Transformer.from_crs(own, crs, always_xy=True).transform_bounds(left, bottom, right, top, densify_pts=21)
    return tuple(float(value) for value in transformed)  # type: ignore[return-value]
