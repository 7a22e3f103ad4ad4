"""The spatial index of a layer of a GeoPackage of which rows get other numbers.

SQLite keeps an R*Tree in three plain tables (https://www.sqlite.org/rtree.html, section 6.1): which node has a row, which node is over a
node, and the nodes. To put every row in again takes ten times as long as to write other numbers into these.
"""

import sqlite3
from itertools import chain
from typing import Final

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[np.int64]

NODE_HEAD: Final = np.dtype([("depth", ">u2"), ("cells", ">u2")])
CELL: Final = np.dtype([("row", ">i8"), ("bounds", ">f4", 4)])
"""What a node begins with and what it has of each row or node below it, by the comment at the head of SQLite's `ext/rtree/rtree.c`."""

ROOT: Final = 1
SIDES: Final = ("minx", "maxx", "miny", "maxy")
"""Columns of the index of a GeoPackage, in the order in which a node has them (OGC 12-128r18, annex F.3)."""


def renumber(database: sqlite3.Connection, index: str, old: Rows, new: Rows) -> None:
    """Give rows of an R*Tree of two dimensions other numbers.

    Parameters
    ----------
    old, new : the numbers that they have, ascending, and those that they get, which no other row has. Who is not in the index is left out.
    """
    table, found = quoted(f"{index}_rowid"), [np.zeros((0, 2), np.int64)]
    cuts = np.flatnonzero(np.diff(old) != 1) + 1
    for first, last in zip(old[[0, *cuts]].tolist(), old[[*(cuts - 1), -1]].tolist(), strict=True):
        which = f"FROM main.{table} WHERE rowid BETWEEN ? AND ?"
        there = database.execute(f"SELECT rowid, nodeno {which}", (first, last)).fetchall()
        found.append(np.fromiter(chain.from_iterable(there), np.int64, 2 * len(there)).reshape(-1, 2))
        database.execute(f"DELETE {which}", (first, last))
    before, node = np.concatenate(found).T
    after = new[np.searchsorted(old, before)]
    database.executemany(f"INSERT INTO main.{table} (rowid, nodeno) VALUES (?, ?)", zip(after.tolist(), node.tolist(), strict=True))
    if len(node):
        _renumber_leaves(database, quoted(f"{index}_node"), np.unique(node), before, after)


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


def _renumber_leaves(database: sqlite3.Connection, table: str, leaves: Rows, before: Rows, after: Rows) -> None:
    asked = f"SELECT data FROM main.{table} WHERE nodeno = ?"
    found = [database.execute(asked, (leaf,)).fetchone()[0] for leaf in leaves.tolist()]
    size = len(found[0])  # all nodes have as many bytes
    most = (size - NODE_HEAD.itemsize) // CELL.itemsize
    kind = np.dtype([("head", NODE_HEAD), ("cells", CELL, most), ("rest", f"V{size - NODE_HEAD.itemsize - most * CELL.itemsize}")])
    nodes = np.frombuffer(bytearray(b"".join(found)), kind)
    rows = nodes["cells"]["row"]
    used = np.arange(most) < nodes["head"]["cells"][:, None]
    own = rows[used].astype(np.int64)
    at = np.minimum(np.searchsorted(before, own), len(before) - 1)
    rows[used] = np.where(before[at] == own, after[at], own)
    changed = zip(map(bytes, nodes), leaves.tolist(), strict=True)
    database.executemany(f"UPDATE main.{table} SET data = ? WHERE nodeno = ?", changed)


def quoted(table: str) -> str:
    """A name as SQL has it."""
    return '"' + table.replace('"', '""') + '"'
