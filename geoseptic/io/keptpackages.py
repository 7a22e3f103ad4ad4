"""GeoPackages of kept runs: where few rows differ from a package of an earlier run, a copy of that with these rows replaced.

All tables have the rows, in their order, that a package written anew has; where in the file the rows lie, and how the spatial index is cut
into nodes, may differ.
"""

import hashlib
import marshal
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoseptic.io.digests import digest
from geoseptic.io.kept import Store

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

ROWS: Final = 100
"""Rows whose hash is kept: few, so that a change replaces few."""

WORTH_PATCHING: Final = 0.2
"""Where a larger share of the rows differ, the package is written anew."""

ENVELOPE_BYTES: Final = (0, 32, 48, 48, 64)
"""GeoPackage 1.2 (OGC 12-128r14), clause 2.1.3: how long the bounds in the header of a geometry are, by their kind."""

HEADER_BYTES: Final = 8

PLAIN: Final = frozenset({str, float, int, bool, type(None)})

Frames = Mapping[str, "GeoDataFrame"]


def write(
    store: Store,
    target: Path,
    frames: Frames,
    about: Sequence[Any],
    write_new: Callable[[], None],
    write_rows: Callable[[Path, Frames], None],
) -> None:
    """Write the package of these layers.

    Parameters
    ----------
    about : all that the package follows from beside the rows, styles included.
    write_new : writes all of it.
    write_rows : writes plain layers of these names with some of the rows only.
    """
    columns = {name: [(str(column), str(kind)) for column, kind in frame.dtypes.items()] for name, frame in frames.items()}
    key = store.key("package", about, columns, {name: len(frame) for name, frame in frames.items()})
    hashes = {name: row_hashes(frame) for name, frame in frames.items()}
    entry = store.find(key)
    if entry is not None:
        changed = {name: differing(hashes[name], entry.told["hashes"][name], len(frame)) for name, frame in frames.items()}
        count, whole = (sum(len(rows) for rows in group) for group in (changed.values(), frames.values()))
        if count <= WORTH_PATCHING * whole and store.copied(entry, 0, target):
            changed = {name: rows for name, rows in changed.items() if len(rows)}
            if not changed or _replaced(target, frames, changed, entry.told["bounds"], write_rows):
                store.count("package", reused=True)
                return
            target.unlink()
    write_new()
    store.count("package", reused=False)
    bounds = {name: [_bounds(frame.iloc[part]).tolist() for part in _parts(len(frame))] for name, frame in frames.items()}
    store.put(key, [np.memmap(target, np.uint8, "r")], {"hashes": hashes, "bounds": bounds})


def row_hashes(frame: "GeoDataFrame") -> list[str]:
    """A hash of every `ROWS` rows."""
    from geoseptic.io.laterframes import LaterShapes  # it loads tables, which a run without layers does not need

    shapes = frame.geometry.values
    columns: list[Any] = [] if isinstance(shapes, LaterShapes) else [np.asarray(shapes, object)]
    told = [shapes.told_bytes] if isinstance(shapes, LaterShapes) else []
    for name in frame.columns:
        if name == frame.geometry.name:
            continue
        if (own := _told(frame[name])) is None:
            columns.append(frame[name].to_numpy())
        else:
            told.append(own)
    columns.append(np.concatenate([np.zeros((len(frame), 0), np.uint8), *told], axis=1))
    how = shapes.how_digest() if isinstance(shapes, LaterShapes) else b""
    return [_hash(how, [column[part] for column in columns]) for part in _parts(len(frame))]


def _told(column: Any) -> "np.ndarray[Any, np.dtype[np.uint8]] | None":
    """Bytes that tell the values of a column from any others of its kind, shape (rows, bytes): of text a hash of each, zeros for none. None
    for a column of objects of any kind."""
    import pandas as pd

    if isinstance(column.dtype, pd.StringDtype):
        codes, texts = pd.factorize(column.array)
        hashes = [hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest() for text in np.asarray(texts, object)]
        return np.frombuffer(b"".join([*hashes, bytes(32)]), np.uint8).reshape(-1, 32)[codes]
    if isinstance(column.dtype, np.dtype) and column.dtype != object:
        values = np.ascontiguousarray(column.to_numpy())
        return values.view(np.uint8).reshape(len(values), values.dtype.itemsize)
    return None


def differing(hashes: Sequence[str], others: Sequence[str], rows: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    """The rows of which the hashes differ."""
    found = [np.arange(rows)[part] for part, one, other in zip(_parts(rows), hashes, others, strict=True) if one != other]
    return np.concatenate([np.zeros(0, np.int64), *found])


def _parts(rows: int) -> list[slice]:
    return [slice(start, min(start + ROWS, rows)) for start in range(0, rows, ROWS)]


def _hash(how: bytes, columns: Sequence[np.ndarray[Any, Any]]) -> str:
    return digest(how, [_plain(column) for column in columns]).hex()


def _plain(column: np.ndarray[Any, Any]) -> Any:
    """Text and truth values as one text of bytes, which is hashed at once; version 2 tells equal values alike and others apart."""
    if column.dtype != object or (len(column) and isinstance(column[0], shapely.Geometry)):
        return column
    values = column.tolist()
    return marshal.dumps(values, 2) if set(map(type, values)) <= PLAIN else column


def _replaced(
    target: Path,
    frames: Frames,
    rows: Mapping[str, Any],
    bounds: Mapping[str, Sequence[Sequence[float]]],
    write_rows: Callable[[Path, Frames], None],
) -> bool:
    """Put these rows in the place of those that are there; False, and anything may be in the file, where their columns differ. `bounds` are
    those of every `ROWS` rows that are there."""
    beside = target.with_name(f".{target.stem}-rows.gpkg")
    try:
        # Those that reach farthest come too: what the writer says of the bounds of these is what it says of the bounds of all.
        more = {name: _farthest(bounds[name], len(frames[name]), own) for name, own in rows.items()}
        write_rows(beside, {name: frames[name].iloc[[*own, *more[name]]] for name, own in rows.items()})
        with closing(sqlite3.connect(target, isolation_level=None)) as database:
            for name, told in (("ST_IsEmpty", _is_empty), *((f"ST_{which}", _bound(place)) for place, which in enumerate(BOUNDS))):
                database.create_function(name, 1, told, deterministic=True)
            # Nobody else has the file yet, and it goes if this fails.
            database.execute("PRAGMA journal_mode = OFF")
            database.execute("PRAGMA synchronous = OFF")
            database.execute("ATTACH ? AS beside", (str(beside),))
            database.execute("BEGIN")
            for name in rows:
                table = _quoted(name)
                columns, theirs = (
                    [tuple(line[1:3]) for line in database.execute(f"PRAGMA {where}.table_info({table})")] for where in ("main", "beside")
                )
                if columns != theirs:
                    return False
                own = [_quoted(str(column)) for column, _ in columns if column != "fid"]
                found = database.execute(f"SELECT {', '.join(own)} FROM beside.{table} ORDER BY fid").fetchall()
                there = f"SELECT {', '.join(own)} FROM main.{table} WHERE fid = ?"
                change = f"UPDATE main.{table} SET {', '.join(f'{column} = ?' for column in own)} WHERE fid = ?"
                # Most rows that share a hash are the same: to put those in again would have the index asked for each.
                for values, row in zip(found, rows[name].tolist(), strict=False):
                    if not _alike(values, database.execute(there, (row + 1,)).fetchone()):
                        database.execute(change, (*values, row + 1))
                bounds_of = "min_x, min_y, max_x, max_y"
                database.execute(
                    f"UPDATE main.gpkg_contents SET ({bounds_of}) = (SELECT {bounds_of} FROM beside.gpkg_contents WHERE table_name = ?) "
                    "WHERE table_name = ?",
                    (name, name),
                )
            database.execute("COMMIT")
    finally:
        beside.unlink(missing_ok=True)
    return True


def _alike(one: tuple[Any, ...], other: tuple[Any, ...]) -> bool:
    """Whether two rows of a table hold the same, kinds of number included."""
    return one == other and all(type(mine) is type(its) for mine, its in zip(one, other, strict=True))


def _bounds(frame: "GeoDataFrame") -> np.ndarray[Any, np.dtype[np.float64]]:
    """The bounds of all shapes, NaN where every one is empty."""
    return np.asarray(shapely.total_bounds(np.asarray(frame.geometry.values, object)), np.float64)


def _farthest(bounds: Sequence[Sequence[float]], rows: int, changed: np.ndarray[Any, np.dtype[np.int64]]) -> list[int]:
    """Of the rows that did not change those among which are the ones that reach farthest, by the bounds of every `ROWS` rows."""
    told = np.array(bounds).reshape(-1, 4) * (1, 1, -1, -1)
    told[changed // ROWS] = np.nan
    parts = {int(np.nanargmin(side)) for side in told.T if not np.isnan(side).all()}
    return [row for part in sorted(parts) for row in range(rows)[_parts(rows)[part]]]


BOUNDS: Final = ("MinX", "MinY", "MaxX", "MaxY")


def _shape(blob: bytes) -> shapely.Geometry:
    return shapely.from_wkb(blob[HEADER_BYTES + ENVELOPE_BYTES[blob[3] >> 1 & 7] :])


def _is_empty(blob: bytes | None) -> bool | None:
    return None if blob is None else bool(shapely.is_empty(_shape(blob)))


def _bound(place: int) -> Callable[[bytes | None], float | None]:
    return lambda blob: None if blob is None or _is_empty(blob) else float(shapely.bounds(_shape(blob))[place])


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
