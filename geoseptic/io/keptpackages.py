"""GeoPackages of kept runs: where few rows differ from a package of an earlier run, a copy of that with rows put in and taken out.

All tables have the rows, in their order, that a package written anew has; where in the file the rows lie, and how the spatial index is cut
into nodes, may differ.
"""

import shutil
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.io.kept import Store, room_for
from geoseptic.io.packageindex import outermost, quoted, renumber
from geoseptic.io.packageshapes import KIND_AFTER
from geoseptic.io.rowhashes import Hashes, RowHashes, places_of

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

WORTH_PATCHING: Final = 0.2
"""Where a larger share of the rows differ, the package is written anew."""

Frames = Mapping[str, "GeoDataFrame"]
Rows = npt.NDArray[np.int64]


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
    columns = {name: [[str(column), str(kind)] for column, kind in frame.dtypes.items()] for name, frame in frames.items()}
    key = store.key("package", about, list(frames))
    hashes = [RowHashes(frame) for frame in frames.values()]
    entry = store.find(key)
    if entry is not None and entry.told["columns"] == columns:
        before = store.several(entry, range(1, 2 * len(frames) + 1))
        if before is not None:
            olds = zip(before[::2], before[1::2], strict=True)
            changes = {name: _Change.of(own, *old) for name, own, old in zip(frames, hashes, olds, strict=True)}
            differ, whole = sum(change.differ for change in changes.values()), sum(change.whole for change in changes.values())
            # A layer without a row has no count of numbers given out, where one that had rows and has none any more has.
            as_full = all((len(change.places) == 0) == (change.before == 0) for change in changes.values())
            if as_full and differ <= WORTH_PATCHING * whole and store.copied(entry, 0, target):
                changes = {name: change for name, change in changes.items() if change.differ}
                if not changes or _patched(target, frames, changes, write_rows):
                    store.count("package", reused=True)
                    return
                target.unlink()
    write_new()
    store.count("package", reused=False)
    store.put(key, [np.memmap(target, np.uint8, "r"), *(part for own in hashes for part in (own.blocks, own.rows))], {"columns": columns})


@dataclass(frozen=True)
class _Change:
    """What became of the rows of a layer. `places` are where the rows of now were, -1 for new ones; those that stay keep their order."""

    places: Rows
    before: int

    @classmethod
    def of(cls, now: RowHashes, blocks: Hashes, rows: Hashes) -> "_Change":
        return cls(places_of(now, blocks, rows), len(rows))

    @cached_property
    def new(self) -> Rows:
        return np.flatnonzero(self.places < 0)

    @cached_property
    def gone(self) -> Rows:
        there = np.zeros(self.before + 1, bool)
        there[self.places] = True  # the last one stands for those that were not there
        return np.flatnonzero(~there[:-1])

    @property
    def moved(self) -> bool:
        """Whether any row that is still there has another number."""
        there = np.flatnonzero(self.places >= 0)
        return len(self.places) != self.before or not np.array_equal(self.places[there], there)

    @property
    def differ(self) -> int:
        return max(len(self.new), len(self.gone))

    @property
    def whole(self) -> int:
        return max(len(self.places), self.before)


def _patched(target: Path, frames: Frames, changes: Mapping[str, _Change], write_rows: Callable[[Path, Frames], None]) -> bool:
    """Make the package of an earlier run that of now; False, and anything may be in the file, where the columns of new rows differ, or
    where this SQLite does not let the tables of a spatial index be written."""
    beside, old, outer = (target.with_name(f".{target.stem}-{what}.gpkg") for what in ("rows", "old", "outer"))
    some = {name: frames[name].iloc[change.new] for name, change in changes.items() if len(change.new)}
    try:
        if some:
            write_rows(beside, some)
        if any(change.moved for change in changes.values()):
            with room_for(old):
                shutil.copyfile(target, old)
        with closing(sqlite3.connect(target, isolation_level=None)) as database:
            for function, is_of in (("ST_IsEmpty", _is_empty), *((f"ST_{which}", _bound(place)) for place, which in enumerate(BOUNDS))):
                database.create_function(function, 1, is_of, deterministic=True)
            # Nobody else has the file yet, and it goes if this fails.
            database.execute("PRAGMA journal_mode = OFF")
            database.execute("PRAGMA synchronous = OFF")
            for path, schema in ((beside, "beside"), (old, "old")):
                if path.exists():
                    database.execute(f"ATTACH ? AS {schema}", (str(path),))
            database.execute("BEGIN")
            for name, change in changes.items():
                if name in some and _columns(database, "main", name) != _columns(database, "beside", name):
                    return False
                (_renumbered if change.moved else _replaced)(database, name, change)
            database.execute("COMMIT")
            farthest = {name: _farthest(database, name) for name in changes}
            if any(farthest.values()):
                # The writer rounds bounds in a way of its own, so they are what it says of the rows that reach farthest.
                write_rows(outer, {name: frames[name].iloc[rows] for name, rows in farthest.items() if rows})
                database.execute("ATTACH ? AS outermost", (str(outer),))
            for name, rows in farthest.items():
                told = f"(SELECT {OUTER} FROM outermost.gpkg_contents WHERE table_name = ?)" if rows else "(NULL, NULL, NULL, NULL)"
                database.execute(f"UPDATE main.gpkg_contents SET ({OUTER}) = {told} WHERE table_name = ?", (*[name] * bool(rows), name))
    except sqlite3.OperationalError:
        return False
    finally:
        for path in (beside, old, outer):
            path.unlink(missing_ok=True)
    return True


def _replaced(database: sqlite3.Connection, name: str, change: _Change) -> None:
    """Put new rows in the place of those that are gone."""
    own = [quoted(column) for column, _ in _columns(database, "main", name)]
    found = database.execute(f"SELECT {', '.join(own)} FROM beside.{quoted(name)} ORDER BY fid").fetchall()
    database.executemany(
        f"UPDATE main.{quoted(name)} SET {', '.join(f'{column} = ?' for column in own)} WHERE fid = ?",
        ((*values, row + 1) for values, row in zip(found, change.new.tolist(), strict=True)),
    )


def _renumbered(database: sqlite3.Connection, name: str, change: _Change) -> None:
    """Take rows out and put rows in, so that all behind them get other numbers."""
    table, count = quoted(name), len(change.places)
    columns = ", ".join(quoted(column) for column, _ in _columns(database, "main", name))
    triggers = database.execute("SELECT name, sql FROM main.sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (name,)).fetchall()
    for trigger, _ in triggers:
        database.execute(f"DROP TRIGGER main.{quoted(trigger)}")
    database.execute(f"DELETE FROM main.{table}")
    for first, last, more in _runs(change.places):
        database.execute(
            f"INSERT INTO main.{table} (fid, {columns}) SELECT fid + ?, {columns} FROM old.{table} WHERE fid BETWEEN ? AND ? ORDER BY fid",
            (more, first + 1, last + 1),
        )
    renumber(database, f"rtree_{name}_{_geometry_column(database, name)}", change.places + 1, change.gone + 1)
    for _, sql in triggers:
        database.execute(sql)
    if len(change.new):
        found = database.execute(f"SELECT {columns} FROM beside.{table} ORDER BY fid").fetchall()
        marks = ", ".join("?" * (1 + len(found[0])))
        database.executemany(
            f"INSERT INTO main.{table} (fid, {columns}) VALUES ({marks})",
            ((row + 1, *values) for values, row in zip(found, change.new.tolist(), strict=True)),
        )
    database.execute("UPDATE main.gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (count, name))
    database.execute("UPDATE main.sqlite_sequence SET seq = ? WHERE name = ?", (count, name))


def _runs(places: Rows) -> list[tuple[int, int, int]]:
    """First and last row of each stretch that stays together, and by how much its numbers grow."""
    there = np.flatnonzero(places >= 0)
    before = places[there]
    cuts = np.flatnonzero((np.diff(before) != 1) | (np.diff(there) != 1)) + 1
    return [
        (int(part[0]), int(part[-1]), int(own[0] - part[0]))
        for part, own in zip(np.split(before, cuts), np.split(there, cuts), strict=True)
        if len(part)
    ]


def _farthest(database: sqlite3.Connection, name: str) -> list[int]:
    """Rows of a layer that reach farthest to each side, from 0 on; none where every shape is empty.

    The spatial index has bounds as floats of four bytes, somewhere outward: those that lie `ROUNDED` of their steps from the outermost one
    may reach farther than it.
    """
    column = _geometry_column(database, name)
    index, found = f"rtree_{name}_{column}", set()
    for side, end in outermost(database, index).items():
        first, beyond, inward = (min, "<=", 1) if side.startswith("min") else (max, ">=", -1)
        near = f"SELECT id FROM main.{quoted(index)} WHERE {side} {beyond} ?"
        within = end + inward * ROUNDED * float(np.spacing(np.float32(abs(end))))
        rows = database.execute(f"SELECT {quoted(column)}, fid FROM main.{quoted(name)} WHERE fid IN ({near})", (within,)).fetchall()
        place = BOUNDS.index(side)
        found.add(first((shapely.bounds(_shape(blob))[place], fid) for blob, fid in rows)[1] - 1)
    return sorted(found)


def _columns(database: sqlite3.Connection, schema: str, name: str) -> list[tuple[str, str]]:
    """Names and types of the columns of a layer but its number."""
    found = database.execute(f"PRAGMA {schema}.table_info({quoted(name)})")
    return [(str(line[1]), str(line[2])) for line in found if line[1] != "fid"]


def _geometry_column(database: sqlite3.Connection, name: str) -> str:
    (column,) = database.execute("SELECT column_name FROM main.gpkg_geometry_columns WHERE table_name = ?", (name,)).fetchone()
    return str(column)


BOUNDS: Final = ("minx", "miny", "maxx", "maxy")
ROUNDED: Final = 4
"""Steps of a float of four bytes by which the spatial index may have a bound farther out than it is: one, and some more."""

OUTER: Final = "min_x, min_y, max_x, max_y"


def _shape(blob: bytes) -> shapely.Geometry:
    return shapely.from_wkb(blob[KIND_AFTER[blob[3] >> 1 & 7] :])


def _is_empty(blob: bytes | None) -> bool | None:
    return None if blob is None else bool(shapely.is_empty(_shape(blob)))


def _bound(place: int) -> Callable[[bytes | None], float | None]:
    return lambda blob: None if blob is None or _is_empty(blob) else float(shapely.bounds(_shape(blob))[place])
