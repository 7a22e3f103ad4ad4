"""Layers of a PostGIS database: 'postgresql://user@host/database|schema.table'. Bounds and columns are asked of the server."""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError, nearest
from geoseptic.io.databases import IN_MARKS, bare, connected, refuse_password, takes
from geoseptic.io.sources import ROWS_READ, Bounds, LayerHeader, Stated

if TYPE_CHECKING:
    import psycopg

__all__ = ["PostgisLayer", "open_layer", "takes"]

NAME: Final = re.compile(rf'{IN_MARKS}|[^".]+')
"""A name in marks, as SQL writes it, or bare and as it is."""

FIND: Final = """
SELECT n.nspname, c.relname, a.attname, postgis_typmod_type(a.atttypmod), postgis_typmod_srid(a.atttypmod)
FROM pg_catalog.pg_attribute a
JOIN pg_catalog.pg_class c ON c.oid = a.attrelid
JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
JOIN pg_catalog.pg_type t ON t.oid = a.atttypid
WHERE t.typname = 'geometry' AND a.attnum > 0 AND NOT a.attisdropped AND c.relkind IN ('r', 'v', 'm', 'f', 'p')
  AND n.nspname NOT IN ('pg_catalog', 'information_schema')
  AND has_schema_privilege(n.oid, 'USAGE') AND has_table_privilege(c.oid, 'SELECT')
ORDER BY 1, 2, a.attnum
"""
"""What the view geometry_columns shows, with the tables of every kind."""


@dataclass(frozen=True)
class PostgisLayer:
    """A table or view of a database; see LayerSource. Its records are ordered by their place in it, or as the view gives them."""

    header: LayerHeader
    schema: str
    table: str
    geometry: str
    srid: int

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> GeoDataFrame:
        rows = self._rows(columns, bounds, shapes=True)
        shapes = shapely.from_wkb([None if row[-1] is None else bytes(row[-1]) for row in rows])
        cells = {name: [row[place] for row in rows] for place, name in enumerate(columns)}
        frame = GeoDataFrame(pd.DataFrame(cells, columns=list(columns)), geometry=shapes, crs=self.header.crs)
        frame.attrs[ROWS_READ] = _digest(columns, rows)
        return frame

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> pd.DataFrame:
        rows = self._rows(columns, bounds, shapes=False)
        return pd.DataFrame({name: [row[place] for row in rows] for place, name in enumerate(columns)}, columns=list(columns))

    def bounds(self) -> Bounds | None:
        from psycopg import sql

        query = sql.SQL("SELECT ST_XMin(e), ST_YMin(e), ST_XMax(e), ST_YMax(e) FROM (SELECT ST_Extent({0}) AS e FROM {1}) AS b").format(
            sql.Identifier(self.geometry), self._name()
        )
        with connected(self.header.path) as connection:
            found = connection.execute(query).fetchone()
        if found is None or found[0] is None:
            return None
        left, bottom, right, top = map(float, found)
        return left, bottom, right, top

    def without_shape(self) -> tuple[int, ...]:
        from psycopg import sql

        # In the order in which they are read.
        query = sql.SQL("SELECT n FROM (SELECT row_number() OVER () AS n, {0} AS g FROM {1}) AS r WHERE g IS NULL OR ST_IsEmpty(g)").format(
            sql.Identifier(self.geometry), self._name()
        )
        with connected(self.header.path) as connection:
            return tuple(int(number) for (number,) in connection.execute(query))

    def _rows(self, columns: Sequence[str], bounds: Bounds | None, shapes: bool) -> list[tuple[Any, ...]]:
        from psycopg import sql

        geometry = sql.Identifier(self.geometry)
        wanted: list[Any] = [sql.Identifier(name) for name in columns]
        if shapes:
            # Curves as lines, since nothing here knows arcs.
            wanted.append(sql.SQL("ST_AsBinary(ST_CurveToLine(ST_Force2D({0})))").format(geometry))
        query: Any = sql.SQL("SELECT {0} FROM {1}").format(sql.SQL(", ").join(wanted or [sql.SQL("1")]), self._name())
        parameters: tuple[float, ...] = ()
        if bounds is not None:
            query += sql.SQL(
                " WHERE {0} && ST_MakeEnvelope(%s, %s, %s, %s, {1}) AND ST_Intersects({0}, ST_MakeEnvelope(%s, %s, %s, %s, {1}))"
            ).format(geometry, sql.Literal(self.srid))
            parameters = (*bounds, *bounds)
        with connected(self.header.path) as connection:
            return connection.execute(query, parameters).fetchall()

    def _name(self) -> Any:
        from psycopg import sql

        return sql.Identifier(self.schema, self.table)


def open_layer(source: str, stated: Stated) -> PostgisLayer:
    """The table or view that a source names.

    Raises FileUnreadableError, which never quotes a password: one in the address is refused, since every list of processes shows it.
    """
    address, _, table = source.partition("|")
    refuse_password(address)
    with connected(address) as connection:
        schema, name, geometry, kind, srid = _found(connection, address, table)
        from psycopg import sql

        own = sql.Identifier(schema, name)
        srid, kind = _told_by_records(connection, own, geometry, srid, kind)
        text = (
            connection.execute("SELECT srtext, auth_name, auth_srid FROM spatial_ref_sys WHERE srid = %s", (srid,)).fetchone()
            if srid
            else None
        )
        cursor = connection.execute(sql.SQL("SELECT * FROM {0} LIMIT 0").format(own))
        fields = tuple(column.name for column in cursor.description or () if column.name != geometry)
        (count,) = connection.execute(sql.SQL("SELECT count(*) FROM {0}").format(own)).fetchone() or (0,)
    crs = _crs(address, text)
    header = LayerHeader(source, address, f"{schema}.{name}", crs, fields, kind, int(count), (), stated)
    return PostgisLayer(header, schema, name, geometry, srid)


def _digest(columns: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> str:
    """SHA-256 of columns and rows; a server is free to hand them out in any order."""
    each = sorted(
        hashlib.sha256(repr([bytes(cell) if isinstance(cell, memoryview) else cell for cell in row]).encode()).digest() for row in rows
    )
    return hashlib.sha256(b"".join([repr(list(columns)).encode(), *each])).hexdigest()


def _found(connection: "psycopg.Connection[Any]", address: str, wanted: str) -> tuple[str, str, str, str, int]:
    """Schema, table, geometry column, its kind and SRID as the table declares them."""
    (has,) = connection.execute("SELECT count(*) FROM pg_catalog.pg_proc WHERE proname = 'postgis_typmod_srid'").fetchone() or (0,)
    if not has:
        raise FileUnreadableError(address, "the database has no PostGIS", "Ask its owner for the extension postgis.")
    layers = [(str(s), str(t), str(g), str(k or ""), int(srid or 0)) for s, t, g, k, srid in connection.execute(FIND)]
    known = [f"{schema}.{table}" for schema, table, *_ in layers]
    parts = [bare(part) for part in NAME.findall(wanted)]
    named = [layer for layer in layers if parts and parts[-len(layer[:2]) :] == list(layer[:2])[-len(parts) :]] if len(parts) <= 2 else []
    geometry = [layer for layer in layers if len(parts) == 3 and list(layer[:3]) == parts]
    chosen = geometry or named
    if not chosen:
        todo = f"Name one: {address}|SCHEMA.TABLE, of {', '.join(dict.fromkeys(known)) or 'none'}."
        meant = nearest(wanted, [*known, *(name for _, name, *_ in layers)])
        raise FileUnreadableError(address, f"it has no layer {meant}" if wanted else "no layer is named", todo)
    if len(chosen) > 1:
        listed = ", ".join(f"{schema}.{table}.{column}" for schema, table, column, *_ in chosen)
        raise FileUnreadableError(address, f"'{wanted}' may be several", f"Name one of {listed}.")
    return chosen[0]


def _told_by_records(connection: "psycopg.Connection[Any]", own: Any, geometry: str, srid: int, kind: str) -> tuple[int, str]:
    """SRID and kind of a column that does not declare them, such as that of a view, by its records where they all agree."""
    from psycopg import sql

    if srid and kind.upper() not in ("", "GEOMETRY"):
        return srid, kind
    query = sql.SQL("SELECT DISTINCT ST_SRID({0}), GeometryType({0}) FROM {1} WHERE {0} IS NOT NULL LIMIT 50").format(
        sql.Identifier(geometry), own
    )
    found = connection.execute(query).fetchall()
    srids, kinds = {int(one) for one, _ in found}, {str(one) for _, one in found}
    if not srid and len(srids) == 1:
        srid = srids.pop()
    return srid, kind if len(kinds) != 1 else kinds.pop()


def _crs(address: str, text: tuple[str, str | None, int | None] | None) -> CRS | None:
    if text is None:
        return None
    try:
        return CRS.from_user_input(f"{text[1]}:{text[2]}" if text[1] and text[2] else text[0])
    except CRSError as error:
        raise FileUnreadableError(address, f"its coordinate reference system is not understood ({error})", "Ask its owner.") from None
