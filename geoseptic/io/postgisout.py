"""Layers and tables of results into a schema of a PostGIS database, in one transaction that its caller ends."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geoseptic.errors import DatabaseRefusedError, TablesExistError
from geoseptic.io.databases import Schema, connected
from geoseptic.io.vectors import GEOMETRY_COLUMN, OGR_GEOMETRY
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import horizontal
from geoseptic.model.results import LayerResult, TableResult
from geoseptic.model.rownumbers import FID, numbers_of

if TYPE_CHECKING:
    import psycopg

WAIT_S: Final = (10, 600)
"""For tables that somebody else holds, and for other runs with the schema: before a run, and after it, when more is lost."""

MULTI: Final = {"MultiPolygon": (3, shapely.multipolygons), "MultiLineString": (1, shapely.multilinestrings)}
"""Type number of the single shape, and what makes multiple ones of an array of it."""

KINDS: Final = {
    "boolean": "boolean",
    "integer": "bigint",
    "floating": "double precision",
    "mixed-integer-float": "double precision",
    "integer-na": "bigint",
}
"""What pandas finds in a column, and the type that holds it; text holds the rest."""

NARROW: Final = {"bigint": "int64", "double precision": "float64", "boolean": "bool"}
CODES: Final = {"bigint": "int8", "double precision": "float8", "boolean": "bool", "text": "text"}
"""What the driver calls a type."""


@dataclass(frozen=True)
class Column:
    """A column of a table: its type for the server and for the driver, and its cells."""

    name: str
    kind: Any
    code: str
    cells: Sequence[Any]


@dataclass(frozen=True)
class Written:
    """What was written in a transaction that is still open: rows of each table, SRIDs of those with shapes (0 where there is no number),
    and tables of an earlier run that were taken away and not made again."""

    connection: "psycopg.Connection[Any]"
    schema: Schema
    rows: Mapping[str, int]
    srids: Mapping[str, int]
    removed: tuple[str, ...]
    warnings: tuple[str, ...]

    def commit(self) -> None:
        """Make it be there. Raises DatabaseRefusedError, which says whether anything may be."""
        import psycopg

        try:
            self.connection.commit()
        except psycopg.Error as error:
            if not self.connection.broken:
                raise
            why = f"the connection failed at the last step ({' '.join(str(error).split()).rstrip('.')})"
            todo = "Look there, and run again, with --overwrite if they are; the folder of the outputs is as it was."
            raise DatabaseRefusedError(str(self.schema), why, todo, "Nobody can tell whether the new tables are there.") from None


def refuse(schema: Schema, origins: Mapping[str, str], *, overwrite: bool) -> None:
    """Raises what would hinder a run that writes tables of these names, each from its file: they are made, and nothing of it stays.

    Raises DatabaseRefusedError, TablesExistError.
    """
    from psycopg import sql

    with connected(schema.address, writing=True) as connection:
        kind, _ = _begun(connection, schema, WAIT_S[0])
        _clear(connection, schema, origins, overwrite=overwrite)
        for name in origins:
            made = sql.SQL("CREATE TABLE {0} (fid bigint PRIMARY KEY, shape {1})")
            connection.execute(made.format(sql.Identifier(schema.name, name), kind))


@contextmanager
def written(
    schema: Schema,
    layers: Sequence[LayerResult],
    tables: Mapping[str, TableResult],
    origins: Mapping[str, str],
    about: str,
    *,
    overwrite: bool,
) -> Iterator[Written]:
    """Tables with all rows, in a transaction that is open within the block: nobody sees them before it is committed, and at the end
    of the block it is undone where it was not.

    layers, tables : those of one run, these by their names in the database.
    origins : table -> its file, for all that such a run may write; what an earlier one left of them is replaced.
    about : what the comments say of the run.

    Raises DatabaseRefusedError, TablesExistError.
    """
    with connected(schema.address, writing=True) as connection:
        kind, placed = _begun(connection, schema, WAIT_S[1])
        replaced = _clear(connection, schema, origins, overwrite=overwrite)
        counts: dict[str, int] = {}
        srids: dict[str, int] = {}
        warnings = []
        for layer in layers:
            srid = _srid(connection, layer.frame.crs, placed)
            columns = [_column(str(name), layer.frame[name]) for name in layer.frame.columns if name != layer.frame.geometry.name]
            _write(connection, schema, layer.name, columns, _shapes(layer, srid, kind), numbers_of(layer.frame).tolist())
            titles = (layer.title, layer.description, about)
            notes = dict(layer.notes)
            if not srid:
                notes[GEOMETRY_COLUMN] = f"SRID 0, since the database has no number for {layer.frame.crs.to_wkt()}"
                warnings.append(
                    f"--to-postgis: the database has no number for the coordinate reference system of {layer.name}, so its shapes have "
                    "SRID 0, and nothing can be laid over them there before one is given; its text is in the comment of the column"
                )
            _tell(connection, schema, layer.name, titles, notes, origins[layer.name])
            counts[layer.name], srids[layer.name] = len(layer.frame), srid
        for name, table in tables.items():
            cells = zip(*table.rows, strict=True) if table.rows else ((),) * len(table.columns)
            columns = [_column(column, pd.Series(list(own), dtype=object)) for column, own in zip(table.columns, cells, strict=True)]
            _write(connection, schema, name, columns, None, range(1, len(table.rows) + 1))
            _tell(connection, schema, name, (table.title, about), table.notes, origins[name])
            counts[name] = len(table.rows)
        yield Written(connection, schema, counts, srids, tuple(name for name in replaced if name not in counts), tuple(warnings))


def _begun(connection: "psycopg.Connection[Any]", schema: Schema, wait_s: int) -> tuple[Any, Any]:
    """The schema is there, and this run's alone until the end of the transaction; the names of PostGIS's type and of its systems."""
    from psycopg import sql

    found = connection.execute(
        "SELECT n.nspname FROM pg_catalog.pg_extension e JOIN pg_catalog.pg_namespace n ON n.oid = e.extnamespace WHERE extname = 'postgis'"
    ).fetchone()
    if found is None:
        raise DatabaseRefusedError(schema.address, "the database has no PostGIS", "Ask its owner for the extension postgis.")
    connection.execute(sql.SQL("SET LOCAL lock_timeout = {0}").format(sql.Literal(f"{wait_s}s")))
    connection.execute("SELECT pg_catalog.pg_advisory_xact_lock(pg_catalog.hashtext('geoseptic'), pg_catalog.hashtext(%s))", (schema.name,))
    if connection.execute("SELECT 1 FROM pg_catalog.pg_namespace WHERE nspname = %s", (schema.name,)).fetchone() is None:
        connection.execute(sql.SQL("CREATE SCHEMA {0}").format(sql.Identifier(schema.name)))
    return sql.Identifier(found[0], "geometry"), sql.Identifier(found[0], "spatial_ref_sys")


def _clear(connection: "psycopg.Connection[Any]", schema: Schema, origins: Mapping[str, str], *, overwrite: bool) -> list[str]:
    """Drop the tables that earlier runs made of the same files, and nothing else; their names.

    Raises TablesExistError where they must stay, or where something else has one of the names, DatabaseRefusedError where something of
    others hangs on them.
    """
    import psycopg
    from psycopg import sql

    told = connection.execute(
        "SELECT c.relname, c.relkind = 'r', pg_catalog.obj_description(c.oid, 'pg_class') FROM pg_catalog.pg_class c "
        "JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = %s AND c.relname = ANY(%s) ORDER BY 1",
        (schema.name, list(origins)),
    ).fetchall()
    foreign = [name for name, table, comment in told if not table or not (comment or "").endswith(_mark(origins[name]))]
    ours = [name for name, *_ in told if name not in foreign]
    if ours and not overwrite:
        raise TablesExistError(str(schema), ours)
    if foreign:
        raise TablesExistError(str(schema), (), foreign)
    for name in ours:
        try:
            connection.execute(sql.SQL("DROP TABLE {0}").format(sql.Identifier(schema.name, name)))
        except psycopg.errors.DependentObjectsStillExist as error:
            hangs = " ".join((error.diag.message_detail or "something").split())
            raise DatabaseRefusedError(str(schema), f"table {name} cannot be replaced: {hangs}", "Drop that first.") from None
        except psycopg.errors.LockNotAvailable:
            raise DatabaseRefusedError(str(schema), f"table {name} is in use by somebody else", "Run again when it is not.") from None
    return ours


def _mark(origin: str) -> str:
    """Ends the comment of a table that may be replaced by what comes of the same file."""
    return f"[geoseptic: {origin}]"


def _write(
    connection: "psycopg.Connection[Any]",
    schema: Schema,
    name: str,
    columns: Sequence[Column],
    shapes: Column | None,
    numbers: Sequence[int],
) -> None:
    """Make a table and its rows of these numbers, and what makes looking things up in it fast."""
    from psycopg import sql

    own = sql.Identifier(schema.name, name)
    written = [Column(FID, sql.SQL("bigint PRIMARY KEY"), "int8", numbers), *columns, *([shapes] if shapes else [])]
    fields = sql.SQL(", ").join(sql.SQL("{0} {1}").format(sql.Identifier(column.name), column.kind) for column in written)
    connection.execute(sql.SQL("CREATE TABLE {0} ({1})").format(own, fields))
    with connection.cursor() as cursor, cursor.copy(sql.SQL("COPY {0} FROM STDIN (FORMAT BINARY)").format(own)) as copy:
        copy.set_types([column.code for column in written])
        for row in zip(*(column.cells for column in written), strict=True):
            copy.write_row(row)
    if shapes:
        connection.execute(sql.SQL("CREATE INDEX ON {0} USING gist ({1})").format(own, sql.Identifier(shapes.name)))
    connection.execute(sql.SQL("ANALYZE {0}").format(own))


def _tell(
    connection: "psycopg.Connection[Any]", schema: Schema, name: str, titles: Sequence[str], notes: Mapping[str, str], origin: str
) -> None:
    from psycopg import sql

    own = sql.Identifier(schema.name, name)
    # A title or notice that another text has in it already is not said twice.
    said = [text for text in titles if text and not any(text in other for other in titles if other != text)]
    notice = [] if any(SCREENING_AID in text for text in said) else [SCREENING_AID]
    text = "\n".join([*said, *notice, _mark(origin)])
    connection.execute(sql.SQL("COMMENT ON TABLE {0} IS {1}").format(own, sql.Literal(text)))
    for column, note in notes.items():
        place = sql.Identifier(schema.name, name, column)
        connection.execute(sql.SQL("COMMENT ON COLUMN {0} IS {1}").format(place, sql.Literal(note)))


def _column(name: str, values: pd.Series) -> Column:
    """A column in the narrowest of four types that holds it; what is not known (None, NaN, NA) is NULL."""
    from psycopg import sql

    known = values.notna().to_numpy()
    kind = KINDS.get(pd.api.types.infer_dtype(values, skipna=True), "text")
    cells = np.full(len(values), None, dtype=object)
    cells[known] = values[known].astype(NARROW[kind]).tolist() if kind in NARROW else [_text(value) for value in values[known].tolist()]
    return Column(name, sql.SQL(kind), CODES[kind], cells.tolist())


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value.replace("\0", "\ufffd")  # which no text of the server can hold
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    return str(value)


def _shapes(layer: LayerResult, srid: int, kind: Any) -> Column:
    """The shapes as a GeoPackage has them: lines and polygons all of the multiple kind."""
    from psycopg import sql

    wanted = OGR_GEOMETRY[layer.legend.geometry]
    shapes = np.array(layer.frame.geometry.array, dtype=object)
    if wanted in MULTI:
        single, multiple = MULTI[wanted]
        alone = shapely.get_type_id(shapes) == single
        shapes[alone] = multiple(shapes[alone], indices=np.arange(alone.sum()))
    found = {shape.geom_type for shape in shapes if shape is not None}
    typed = wanted if found <= {wanted} else "Geometry"
    if shapely.has_z(shapes).any():
        shapes, typed = shapely.force_3d(shapes), f"{typed}Z"
    told = sql.SQL("{0}({1}, {2})").format(kind, sql.SQL(typed), sql.Literal(srid))
    return Column(GEOMETRY_COLUMN, told, "bytea", shapely.to_wkb(shapely.set_srid(shapes, srid), include_srid=True).tolist())


def _srid(connection: "psycopg.Connection[Any]", crs: CRS, placed: Any) -> int:
    """The database's number of a CRS, 0 where it has none for exactly this one: a likeness may stand on another datum."""
    from psycopg import sql

    code = horizontal(CRS(crs)).to_authority(min_confidence=100)
    if code is None or not code[1].isdigit():
        return 0
    query = sql.SQL("SELECT srid FROM {0} WHERE auth_name = %s AND auth_srid = %s ORDER BY srid LIMIT 1").format(placed)
    found = connection.execute(query, (code[0], int(code[1]))).fetchone()
    return int(found[0]) if found else 0
