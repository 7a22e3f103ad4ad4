"""The spatial index of a layer of a GeoPackage whose rows get other numbers.

SQLite keeps an R*Tree in three plain tables (https://www.sqlite.org/rtree.html, section 6.1): which node has a row, which node is over a
node, and the nodes. To put every row in again takes ten times as long as to write other numbers into these.
"""

import sqlite3
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[np.int64]

NODE_HEAD: Final = np.dtype([("depth", ">u2"), ("cells", ">u2")])
CELL: Final = np.dtype([("row", ">i8"), ("bounds", ">f4", 4)])
"""What a node begins with and what it has of each row or node below it, by the comment at the head of SQLite's `ext/rtree/rtree.c`."""

ROOT: Final = 1
SIDES: Final = ("minx", "maxx", "miny", "maxy")
"""Columns of the index of a GeoPackage, in the order in which a node has them (OGC 12-128r18, annex F.3)."""


def renumber(database: sqlite3.Connection, index: str, numbers: Rows, gone: Rows) -> None:
    """Give the rows of an R*Tree of two dimensions other numbers.

    Parameters
    ----------
    numbers : of row 1, 2, 3 and so on the number that it has now in the index; 0 and below for one that is not there.
    gone : numbers of rows that are to be taken out of the index.
    """
    database.executemany(f"DELETE FROM main.{quoted(index)} WHERE id = ?", ((row,) for row in gone.tolist()))
    there = np.flatnonzero(numbers > 0)
    after = np.zeros(int(numbers.max(initial=0)) + 1, np.int64)
    after[numbers[there]] = there + 1
    _renumber_rows(database, quoted(f"{index}_rowid"), after)
    _renumber_leaves(database, quoted(f"{index}_node"), quoted(f"{index}_parent"), after)


def outermost(database: sqlite3.Connection, index: str) -> dict[str, float]:
    """How far the rows of the index reach to each of its `SIDES`; nothing for one without a row."""
    (root,) = database.execute(f"SELECT data FROM main.{quoted(f'{index}_node')} WHERE nodeno = ?", (ROOT,)).fetchone()
    bounds = np.frombuffer(root, CELL, int(np.frombuffer(root, NODE_HEAD, 1)["cells"][0]), NODE_HEAD.itemsize)["bounds"]
    found: dict[str, float] = {}
    for side, own in zip(SIDES, bounds.T, strict=True) if len(bounds) else ():
        which, beyond = ("min", "<=") if side.startswith("min") else ("max", ">=")
        asked = f"SELECT {which}({side}) FROM main.{quoted(index)}"
        # A node lies about all that is below it; where it is larger than that, all rows are asked.
        (end,) = database.execute(f"{asked} WHERE {side} {beyond} ?", (float(getattr(own, which)()),)).fetchone()
        found[side] = end if end is not None else database.execute(asked).fetchone()[0]
    return found


def _renumber_rows(database: sqlite3.Connection, table: str, after: Rows) -> None:
    rows = np.array(database.execute(f"SELECT rowid, nodeno FROM main.{table}").fetchall(), np.int64).reshape(-1, 2)
    rows[:, 0] = after[rows[:, 0]]
    database.execute(f"DELETE FROM main.{table}")
    # Put in by their number, since that appends.
    database.executemany(f"INSERT INTO main.{table} (rowid, nodeno) VALUES (?, ?)", rows[np.argsort(rows[:, 0])].tolist())


def _renumber_leaves(database: sqlite3.Connection, nodes: str, parents: str, after: Rows) -> None:
    # A node that is over no other one has rows.
    found = database.execute(
        f"SELECT nodeno, data FROM main.{nodes} WHERE nodeno NOT IN (SELECT parentnode FROM main.{parents})"
    ).fetchall()
    changed = []
    for node, data in found:
        head: Any = np.frombuffer(data, NODE_HEAD, 1)[0]
        own = np.frombuffer(data, CELL, int(head["cells"]), NODE_HEAD.itemsize).copy()
        before = own["row"].copy()
        own["row"] = after[before]
        if not np.array_equal(own["row"], before):
            changed.append((data[: NODE_HEAD.itemsize] + own.tobytes() + data[NODE_HEAD.itemsize + own.nbytes :], node))
    database.executemany(f"UPDATE main.{nodes} SET data = ? WHERE nodeno = ?", changed)


def quoted(table: str) -> str:
    """A name as SQL has it."""
    return '"' + table.replace('"', '""') + '"'
