"""The spatial index of a GeoPackage: what its nodes tell is what asking all of its rows tells."""

import sqlite3
from contextlib import closing

import numpy as np
import pytest

from geoseptic.io.packageindex import CELL, NODE_HEAD, SIDES, outermost


@pytest.mark.parametrize("count", [0, 1, 30, 5000])
def test_the_nodes_tell_how_far_the_rows_reach(count):
    """With rows taken out and put in at the edges; a node that says that it is larger than what is in it included."""
    random = np.random.default_rng(count)
    with closing(sqlite3.connect(":memory:")) as database:
        database.execute("CREATE VIRTUAL TABLE lots USING rtree(id, minx, maxx, miny, maxy)")
        least = random.uniform(-1e6, 1e6, (count, 2))
        most = least + random.uniform(0, 500, (count, 2))
        rows = [(row, a, c, b, d) for row, ((a, b), (c, d)) in enumerate(zip(least.tolist(), most.tolist(), strict=True))]
        database.executemany("INSERT INTO lots VALUES (?, ?, ?, ?, ?)", rows)
        for _ in range(3):
            asked = database.execute("SELECT min(minx), max(maxx), min(miny), max(maxy) FROM lots").fetchone()
            known = outermost(database, "lots")
            assert known == ({} if asked[0] is None else dict(zip(SIDES, asked, strict=True)))
            for row in np.unique([*least.argmin(axis=0), *most.argmax(axis=0)]) if count else ():
                database.execute("DELETE FROM lots WHERE id = ?", (int(row),))
                least[row], most[row] = 0, 0
        if known := outermost(database, "lots"):
            (root,) = database.execute("SELECT data FROM lots_node WHERE nodeno = 1").fetchone()
            cells = np.frombuffer(root, CELL, int(np.frombuffer(root, NODE_HEAD, 1)["cells"][0]), NODE_HEAD.itemsize).copy()
            if np.frombuffer(root, NODE_HEAD, 1)["depth"][0]:  # of rows themselves it is what they reach
                cells["bounds"] += np.float32([-5e6, 5e6, -5e6, 5e6])
                database.execute(
                    "UPDATE lots_node SET data = ? WHERE nodeno = 1",
                    (root[: NODE_HEAD.itemsize] + cells.tobytes() + root[NODE_HEAD.itemsize + cells.nbytes :],),
                )
                assert outermost(database, "lots") == known
