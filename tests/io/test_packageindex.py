"""The spatial index of a GeoPackage: what its nodes tell is what asking all of its rows tells."""

import sqlite3
from contextlib import closing

import numpy as np
import pytest

from geoseptic.io.packageindex import CELL, NODE_HEAD, SIDES, outermost, renumber


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


@pytest.mark.parametrize("count", [1, 30, 5000])
def test_rows_that_get_other_numbers_keep_their_bounds(count):
    """Some, all and none of them; numbers of rows that are not in the index too."""
    random = np.random.default_rng(count)
    with closing(sqlite3.connect(":memory:")) as database:
        database.execute("CREATE VIRTUAL TABLE lots USING rtree(id, minx, maxx, miny, maxy)")
        numbers = np.sort(random.choice(10 * count, count, replace=False)) + 1
        places = zip(numbers.tolist(), *random.integers(0, 9_000, (2, count)).tolist(), strict=True)
        bounds = {number: (x, x + 1.0, y, y + 1.0) for number, x, y in places}
        database.executemany("INSERT INTO lots VALUES (?, ?, ?, ?, ?)", ((number, *box) for number, box in bounds.items()))
        for first, last, more in ((1, 10 * count, 3), (4 * count, 6 * count, 10 * count), (20 * count, 21 * count, 5)):
            old = np.arange(first, last + 1)
            stays = {number: box for number, box in bounds.items() if not first <= number <= last}
            new = old + more + (10 * count if any(number + more in stays for number in old.tolist()) else 0)
            renumber(database, "lots", old, new)
            bounds = stays | {int(new[number - first]): box for number, box in bounds.items() if first <= number <= last}
            assert {number: tuple(box) for number, *box in database.execute("SELECT * FROM lots")} == bounds
            assert database.execute("SELECT rtreecheck('lots')").fetchall() == [("ok",)]
