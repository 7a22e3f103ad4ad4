"""GeoPackages of kept runs: where few rows differ from a package of an earlier run, a copy of that with rows put in and taken out.

All tables have the rows, in their order, that a package written anew has; where in the file the rows lie, and how the spatial index is cut
into nodes, may differ.
"""

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

from geoseptic.io.kept import Store
from geoseptic.io.packageindex import outermost, quoted, renumber
from geoseptic.io.packageshapes import KIND_AFTER
from geoseptic.io.rowhashes import Hashes, RowHashes, places_of
from geoseptic.model.rownumbers import FID

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
        before = store.several(entry, range(1, 3 * len(frames) + 1))
        if before is not None:
            olds = zip(before[::3], before[1::3], before[2::3], strict=True)
            changes = {name: _Change.of(own, *old) for name, own, old in zip(frames, hashes, olds, strict=True)}
            differ, whole = sum(change.differ for change in changes.values()), sum(change.whole for change in changes.values())
            # A layer without a row has no count of numbers given out, where one that had rows and has none any more has.
            as_full = all((len(change.now) == 0) == (len(change.before) == 0) for change in changes.values())
            if as_full and differ <= WORTH_PATCHING * whole and store.copied(entry, 0, target):
                changes = {name: change for name, change in changes.items() if change.changed}
                if not changes or _patched(target, frames, changes, write_rows):
                    store.count("package", reused=True)
                    return
                target.unlink()
    write_new()
    store.count("package", reused=False)
    told = (part for own in hashes for part in (_stretches(own.numbers), own.blocks, own.rows))
    store.put(key, [np.memmap(target, np.uint8, "r"), *told], {"columns": columns})


def _stretches(numbers: Rows) -> Rows:
    """Numbers of rows as first number and length of each stretch without a gap, shape (stretches, 2)."""
    starts = np.flatnonzero(np.diff(numbers, prepend=-1) != 1)
    return np.column_stack([numbers[starts], np.diff(starts, append=len(numbers))])


def _numbers(stretches: Rows) -> Rows:
    """The numbers of rows in these stretches."""
    first, count = stretches.T
    return np.arange(count.sum()) + np.repeat(first - (np.cumsum(count) - count), count)


@dataclass(frozen=True)
class _Change:
    """What became of the rows of a layer. `places` are where the rows of now were, -1 for new ones; those that stay keep their order. `now`
    and `before` are the numbers of the rows."""

    places: Rows
    now: Rows
    before: Rows

    @classmethod
    def of(cls, now: RowHashes, stretches: Rows, blocks: Hashes, rows: Hashes) -> "_Change":
        before = _numbers(stretches)
        return cls(places_of(now, before, blocks, rows), now.numbers, before)

    @cached_property
    def new(self) -> Rows:
        """Rows of now that were not there."""
        return np.flatnonzero(self.places < 0)

    @cached_property
    def gone(self) -> Rows:
        """Numbers of the rows that are not there any more."""
        there = np.zeros(len(self.before) + 1, bool)
        there[self.places] = True  # the last one stands for those that were not there
        return self.before[~there[:-1]]

    @cached_property
    def moved(self) -> tuple[Rows, Rows]:
        """Of the rows that are still there and get another number, the one that they had and the one that they get."""
        there = np.flatnonzero(self.places >= 0)
        old, new = self.before[self.places[there]], self.now[there]
        return old[old != new], new[old != new]

    @property
    def changed(self) -> bool:
        return bool(len(self.new) or len(self.gone) or len(self.moved[0]))

    @property
    def differ(self) -> int:
        return max(len(self.new), len(self.gone))

    @property
    def whole(self) -> int:
        return max(len(self.now), len(self.before))


def _patched(target: Path, frames: Frames, changes: Mapping[str, _Change], write_rows: Callable[[Path, Frames], None]) -> bool:
    """Make the package of an earlier run that of now; False, and anything may be in the file, where the columns of new rows differ, or
    where this SQLite does not let the tables of a spatial index be written."""
    beside, outer = (target.with_name(f".{target.stem}-{what}.gpkg") for what in ("rows", "outer"))
    some = {name: _rows_of(frames[name], change.new) for name, change in changes.items() if len(change.new)}
    try:
        if some:
            write_rows(beside, some)
        with closing(sqlite3.connect(target, isolation_level=None)) as database:
            for function, is_of in (("ST_IsEmpty", _is_empty), *((f"ST_{which}", _bound(place)) for place, which in enumerate(BOUNDS))):
                database.create_function(function, 1, is_of, deterministic=True)
            # Nobody else has the file yet, and it goes if this fails.
            database.execute("PRAGMA journal_mode = OFF")
            database.execute("PRAGMA synchronous = OFF")
            if some:
                database.execute("ATTACH ? AS beside", (str(beside),))
            database.execute("BEGIN")
            for name, change in changes.items():
                if name in some and _columns(database, "main", name) != _columns(database, "beside", name):
                    return False
                _changed(database, name, change)
            database.execute("COMMIT")
            farthest = {name: _farthest(database, name, change.now) for name, change in changes.items()}
            if any(map(len, farthest.values())):
                # The writer rounds bounds in a way of its own, so they are what it says of the rows that reach farthest.
                write_rows(outer, {name: _rows_of(frames[name], rows) for name, rows in farthest.items() if len(rows)})
                database.execute("ATTACH ? AS outermost", (str(outer),))
            for name, rows in farthest.items():
                told = f"(SELECT {OUTER} FROM outermost.gpkg_contents WHERE table_name = ?)" if len(rows) else "(NULL, NULL, NULL, NULL)"
                values = (*[name] * bool(len(rows)), name)
                database.execute(f"UPDATE main.gpkg_contents SET ({OUTER}) = {told} WHERE table_name = ?", values)
    except sqlite3.OperationalError:
        return False
    finally:
        for path in (beside, outer):
            path.unlink(missing_ok=True)
    return True


def _rows_of(frame: "GeoDataFrame", rows: Rows) -> "GeoDataFrame":
    """Some of the rows, numbered from 1 on."""
    return frame.iloc[rows].reset_index(drop=True)


def _changed(database: sqlite3.Connection, name: str, change: _Change) -> None:
    """Take rows out, give others their numbers of now, and put new ones in."""
    table, columns = quoted(name), [quoted(column) for column, _ in _columns(database, "main", name)]
    replaced = np.isin(change.now[change.new], change.gone)
    gone = change.gone[~np.isin(change.gone, change.now[change.new])]
    database.executemany(f"DELETE FROM main.{table} WHERE {FID} = ?", ((number,) for number in gone.tolist()))
    if len(change.moved[0]):
        _renumbered(database, name, *change.moved)
    if len(change.new):
        found = database.execute(f"SELECT {', '.join(columns)} FROM beside.{table} ORDER BY {FID}").fetchall()
        rows = list(zip(found, change.now[change.new].tolist(), replaced.tolist(), strict=True))
        database.executemany(
            f"UPDATE main.{table} SET {', '.join(f'{column} = ?' for column in columns)} WHERE {FID} = ?",
            ((*values, number) for values, number, there in rows if there),
        )
        database.executemany(
            f"INSERT INTO main.{table} ({', '.join(columns)}, {FID}) VALUES ({', '.join('?' * (len(columns) + 1))})",
            ((*values, number) for values, number, there in rows if not there),
        )
    database.execute("UPDATE main.sqlite_sequence SET seq = ? WHERE name = ?", (int(change.now[-1]), name))


def _renumbered(database: sqlite3.Connection, name: str, old: Rows, new: Rows) -> None:
    """Give rows of the numbers `old` the numbers `new`, which no other row has; both ascend."""
    triggers = database.execute("SELECT name, sql FROM main.sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (name,)).fetchall()
    for trigger, _ in triggers:
        database.execute(f"DROP TRIGGER main.{quoted(trigger)}")
    # The last ones first where numbers grow, and then the first ones first: so each number is free when a row gets it.
    grow = np.flatnonzero(new > old)[::-1]
    order = np.concatenate([grow, np.flatnonzero(new < old)])
    pairs = zip(new[order].tolist(), old[order].tolist(), strict=True)
    database.executemany(f"UPDATE main.{quoted(name)} SET {FID} = ? WHERE {FID} = ?", pairs)
    renumber(database, f"rtree_{name}_{_geometry_column(database, name)}", old, new)
    for _, sql in triggers:
        database.execute(sql)


def _farthest(database: sqlite3.Connection, name: str, numbers: Rows) -> Rows:
    """Rows of a layer of these numbers that reach farthest to each side, from 0 on; none where every shape is empty.

    The spatial index has bounds as floats of four bytes, somewhere outward: those that lie `ROUNDED` of their steps from the outermost one
    may reach farther than it.
    """
    column = _geometry_column(database, name)
    index, found = f"rtree_{name}_{column}", set()
    for side, end in outermost(database, index).items():
        first, beyond, inward = (min, "<=", 1) if side.startswith("min") else (max, ">=", -1)
        near = f"SELECT id FROM main.{quoted(index)} WHERE {side} {beyond} ?"
        within = end + inward * ROUNDED * float(np.spacing(np.float32(abs(end))))
        rows = database.execute(f"SELECT {quoted(column)}, {FID} FROM main.{quoted(name)} WHERE {FID} IN ({near})", (within,)).fetchall()
        place = BOUNDS.index(side)
        found.add(first((shapely.bounds(_shape(blob))[place], number) for blob, number in rows)[1])
    return np.searchsorted(numbers, sorted(found))


def _columns(database: sqlite3.Connection, schema: str, name: str) -> list[tuple[str, str]]:
    """Names and types of the columns of a layer but its number."""
    found = database.execute(f"PRAGMA {schema}.table_info({quoted(name)})")
    return [(str(line[1]), str(line[2])) for line in found if line[1] != FID]


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
