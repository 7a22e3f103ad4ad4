"""Vector layers into GeoPackages that open with their style; reading is in layers.py."""

import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoseptic.errors import MissingCrsError, OutputExistsError
from geoseptic.io import kept, keptpackages, styles
from geoseptic.model.column_titles import title_of
from geoseptic.model.legends import VectorLegend
from geoseptic.model.rownumbers import FID, numbers_of

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

WRITTEN_AT: Final = "2000-01-01T00:00:00.000Z"
"""The same moment in every file, so that the same inputs give the same bytes; run.json says when a run took place."""

GEOMETRY_COLUMN: Final = "geom"

LAYER_STYLES: Final = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME DEFAULT CURRENT_TIMESTAMP
)
"""
"""The table in which QGIS keeps styles inside a GeoPackage, column by column as it makes it itself."""

DATA_COLUMNS: Final = """
CREATE TABLE gpkg_data_columns (
    table_name TEXT NOT NULL,
    column_name TEXT NOT NULL,
    name TEXT,
    title TEXT,
    description TEXT,
    mime_type TEXT,
    constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
    CONSTRAINT gdc_tn UNIQUE (table_name, name)
)
"""
"""GeoPackage 1.2 (OGC 12-128r14), schema extension, table 17: what each column means."""

DATA_COLUMN_CONSTRAINTS: Final = """
CREATE TABLE gpkg_data_column_constraints (
    constraint_name TEXT NOT NULL,
    constraint_type TEXT NOT NULL,
    value TEXT,
    min NUMERIC,
    min_is_inclusive BOOLEAN,
    max NUMERIC,
    max_is_inclusive BOOLEAN,
    description TEXT,
    CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
)
"""
"""Asked for by the same extension, empty here."""

SCHEMA_EXTENSION: Final = ("gpkg_schema", "http://www.geopackage.org/spec121/#extension_schema", "read-write")

ROWS_AT_ONCE: Final = 65_536

WAITS: Final = "OGR_SQLITE_SYNCHRONOUS"
CACHE: Final = "OGR_SQLITE_CACHE"
CACHE_MB: Final = "128"
"""Where rows of a large layer lie in no order of place, each goes into another node of the spatial index: with the usual 2 MB most are read
and written anew for it."""

DATE: Final = "OGR_CURRENT_DATE"
"""What GDAL takes for the time of each of its changes. By the clock, of two within a millisecond the second one would leave its page as it
is, and SQLite counts changes in the head of the file."""

PRAGMAS: Final = "OGR_SQLITE_PRAGMA"
LARGE_PAGES: Final = "page_size=16384"
"""A row with its shape takes a kilobyte or two, of which few fit a usual page of 4,096 bytes: with larger pages the package of a county
takes a sixth less, and a tenth less time."""

MANY_ROWS: Final = 10_000
"""Of a package with fewer the many tables that describe it count for more: each has a page of its own at least."""

_ALONE: Final = threading.Lock()

OGR_GEOMETRY: Final[Mapping[str, str]] = {"polygon": "MultiPolygon", "line": "MultiLineString", "point": "Point"}


@dataclass(frozen=True)
class LayerToWrite:
    """One layer of a GeoPackage. `frame` may be empty, but has its columns and a CRS; an index called `fid` has the numbers of its rows
    (`model/rownumbers.py`). `field_notes` says what columns mean."""

    name: str
    frame: "GeoDataFrame"
    legend: VectorLegend
    title: str
    description: str = ""
    field_notes: Mapping[str, str] = field(default_factory=dict)


def write_layers(path: Path | str, layers: Sequence[LayerToWrite]) -> None:
    """Write a GeoPackage 1.2 with spatial indexes, styles (QML and SLD) and column descriptions; same layers, same bytes.

    With a store in use, a package of which few rows differ from one that is kept is a copy of that with rows put in, taken out and
    replaced: the same rows in all tables, in other places of the file.

    Raises
    ------
    OutputExistsError : `path` exists; layers of an older run must not stay among the new ones.
    MissingCrsError : a layer has no CRS.
    ValueError : a layer lacks a column that its legend or notes name, or holds a value that its legend does not name and that
        would therefore not be drawn.
    """
    target = Path(path)
    if target.exists():
        raise OutputExistsError(str(target.parent), [target.name])
    for layer in layers:
        _check(layer)
    store = kept.in_use()
    if store is None:
        _write_new(target, layers)
        return
    styled = [(styles.vector_qml(layer.legend, found, _titles(layer)), styles.vector_sld(layer.legend, layer.name, found))
              for layer in layers for found in [styles.vector_categories(layer.legend, _present(layer))]]  # fmt: skip
    about = [(replace(layer, frame=None), layer.frame.crs, style) for layer, style in zip(layers, styled, strict=True)]
    by_name = {layer.name: layer for layer in layers}
    keptpackages.write(
        store,
        target,
        {layer.name: layer.frame for layer in layers},
        about,
        lambda: _write_new(target, layers),
        lambda path, frames: _write_rows(path, [replace(by_name[name], frame=frame) for name, frame in frames.items()], index=False),
    )


def _write_new(target: Path, layers: Sequence[LayerToWrite]) -> None:
    _write_rows(target, layers, index=True)
    with closing(sqlite3.connect(target)) as database, database:
        database.execute("BEGIN")  # or each table that is made is a change of its own, for which the disk is waited for
        _add_styles(database, layers)
        _add_notes(database, layers)


def _write_rows(path: Path, layers: Sequence[LayerToWrite], *, index: bool) -> None:
    import pyogrio

    with _set_for_new_packages(sum(len(layer.frame) for layer in layers)):
        for layer in layers:
            for place, (first, piece) in enumerate(_pieces(layer.frame)):
                if first is not None:
                    _count_on_from(path, layer.name, first)
                pyogrio.write_dataframe(
                    piece,
                    path,
                    layer=layer.name,
                    driver="GPKG",
                    append=place > 0,
                    geometry_type=OGR_GEOMETRY[layer.legend.geometry],
                    promote_to_multi=layer.legend.geometry != "point",
                    dataset_options={"VERSION": "1.2"},
                    layer_options={
                        "GEOMETRY_NAME": GEOMETRY_COLUMN,
                        "FID": FID,
                        "SPATIAL_INDEX": "YES" if index else "NO",
                        "IDENTIFIER": layer.title,
                        "DESCRIPTION": layer.description,
                    },
                )


@contextmanager
def _set_for_new_packages(rows: int) -> Iterator[None]:
    """GDAL waits some ten times a layer until the disk has what it wrote, so that its changes of a package are undone if the machine goes
    down; a new package needs that once, at its end."""
    import pyogrio

    with _ALONE:
        before = {name: pyogrio.get_gdal_config_option(name) for name in (WAITS, CACHE, DATE, PRAGMAS)}
        # Pragmas that the user has set stay the user's.
        pages = {PRAGMAS: LARGE_PAGES} if rows >= MANY_ROWS and before[PRAGMAS] is None else {}
        pyogrio.set_gdal_config_options({WAITS: "OFF", CACHE: CACHE_MB, DATE: WRITTEN_AT, **pages})
        try:
            yield
        finally:
            pyogrio.set_gdal_config_options(before)


def _check(layer: LayerToWrite) -> None:
    frame, legend = layer.frame, layer.legend
    if frame.crs is None:
        raise MissingCrsError(layer.name)
    asked = [legend.column, *(pair[0] for pair in (legend.hatched, legend.groups) if pair), *layer.field_notes]
    missing = [column for column in asked if column is not None and column not in frame.columns]
    if missing:
        raise ValueError(f"layer {layer.name} lacks the columns {missing}.")
    named: dict[str, set[object]] = {}
    if legend.column is not None:
        named[legend.column] = {swatch.value for swatch in legend.swatches}
    if legend.groups is not None:
        named[legend.groups[0]] = {value for value, _ in legend.groups[1]}
    for column, values in named.items():
        strangers = sorted({str(value) for value in frame[column].unique() if value not in values})
        if strangers:
            raise ValueError(f"layer {layer.name}: the legend '{legend.title}' does not name {strangers[:20]}, so they would not be drawn.")


def _pieces(frame: "GeoDataFrame") -> "Iterator[tuple[int | None, GeoDataFrame]]":
    """The frame in pieces, at least one, each without its index, which a GeoPackage replaces by `fid`; before each the number of its first
    row where that is not the next one.

    The writer has what it is given in memory several times over, and shapes that are made when somebody looks at them go once they are
    written.
    """
    numbers = numbers_of(frame)
    jumps = np.flatnonzero(np.diff(numbers, prepend=0) != 1)
    if not len(frame) or 0 in jumps:
        yield None, frame.iloc[:0].reset_index(drop=True)  # the table, without which there is no count of numbers given out
    starts = np.union1d(jumps, np.arange(0, len(frame), ROWS_AT_ONCE))
    for start, end in pairwise([*starts.tolist(), len(frame)]):
        yield int(numbers[start]) if start in jumps else None, frame.iloc[start:end].reset_index(drop=True)


def _count_on_from(path: Path, layer: str, number: int) -> None:
    """The next row that is put into the layer gets this number."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA synchronous = OFF")
        if not database.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = ?", (number - 1, layer)).rowcount:
            database.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (layer, number - 1))


def _add_styles(database: sqlite3.Connection, layers: Sequence[LayerToWrite]) -> None:
    database.execute(LAYER_STYLES)
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers', ?, 0)",
        (WRITTEN_AT,),
    )
    for layer in layers:
        categories = styles.vector_categories(layer.legend, _present(layer))
        database.execute(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, styleSLD, "
            "useAsDefault, description, owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)",
            (
                layer.name,
                GEOMETRY_COLUMN,
                layer.name[:30],
                styles.vector_qml(layer.legend, categories, _titles(layer)),
                styles.vector_sld(layer.legend, layer.name, categories),
                layer.legend.title,
                WRITTEN_AT,
            ),
        )


def _present(layer: LayerToWrite) -> set[styles.Present] | None:
    """Which symbols the layer needs; None (all of them) for an empty layer, which somebody may fill by hand."""
    frame, legend = layer.frame, layer.legend
    if legend.column is None or frame.empty:
        return None
    frame = frame.iloc[_first_of_each(frame, [legend.column, *(pair[0] for pair in (legend.hatched, legend.groups) if pair)])]
    marked = False if legend.hatched is None else (frame[legend.hatched[0]] == legend.hatched[1]).fillna(False)
    group = None if legend.groups is None else frame[legend.groups[0]]
    # Renamed first: the legend may go by a column that is itself called marked or group.
    symbols = frame[[legend.column]].set_axis(["value"], axis=1).assign(marked=marked, group=group).drop_duplicates()
    return {(value, bool(mark), name) for value, mark, name in symbols.itertuples(index=False, name=None)}


def _first_of_each(frame: "GeoDataFrame", columns: Sequence[str]) -> "np.ndarray[Any, np.dtype[np.int64]]":
    """The first row of every combination of values in these columns."""
    import pandas as pd

    place, many = np.zeros(len(frame), np.int64), 1
    for column in columns:
        codes, values = pd.factorize(frame[column], use_na_sentinel=False)
        place, many = place * len(values) + codes, many * len(values)
        if many > len(frame):
            found, place = np.unique(place, return_inverse=True)
            many = len(found)
    first = np.full(many, -1)
    first[place[::-1]] = np.arange(len(frame))[::-1]  # of several rows of one place the last that is written stays: the first row
    return first[first >= 0]


def _titles(layer: LayerToWrite) -> dict[str, str]:
    return {column: title_of(column) for column in layer.field_notes}


def _add_notes(database: sqlite3.Connection, layers: Sequence[LayerToWrite]) -> None:
    # GDAL shows the short name, which no two columns of a layer may share, others the title.
    notes = [(layer.name, column, title, title, layer.field_notes[column]) for layer in layers for column, title in _titles(layer).items()]
    if not notes:
        return
    database.execute(DATA_COLUMNS)
    database.execute(DATA_COLUMN_CONSTRAINTS)
    # A layer without a single extension leaves the file without this table.
    database.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, "
        "definition TEXT NOT NULL, scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        database.execute("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)", (table, *SCHEMA_EXTENSION))
    database.executemany("INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description) VALUES (?, ?, ?, ?, ?)", notes)
