"""What the tables of a GeoPackage themselves say of a layer's shapes, where that needs no look by GDAL at every record.

Each function gives None where a file is not laid out as usual: then only GDAL can tell.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final, TypeVar
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from geoseptic.io.packageindex import quoted

KIND_AFTER: Final = {0: 8, 1: 40, 2: 56, 3: 56, 4: 72}
"""Bytes before the WKB by the kind of envelope in the flags (GeoPackage 1.2, OGC 12-128r14, clause 2.1.3); envelopes go by their number of
values."""

LAST_FLAGS: Final = 0x1F
"""Byte order, kind of envelope, whether it is empty. Those with more are of an extension."""

FLAT: Final = frozenset(range(1, 7))
"""WKB kinds of point, line, polygon and several of these, without heights or measures."""

COLLECTION: Final = 7

UNUSUAL: Final = -1

Ids = npt.NDArray[np.int64]
Box = tuple[float, float, float, float]
Found = TypeVar("Found")


def kinds(path: Path, layer: str) -> frozenset[int] | None:
    """WKB kinds of the layer's shapes, with heights 1000 more, with measures 2000 and with both 3000; what is in a collection is not looked
    at."""

    def look(database: sqlite3.Connection, column: str) -> frozenset[int] | None:
        shape = quoted(column)
        places = " ".join(f"WHEN substr({shape}, 4, 1) IN ({flags}) THEN {after + 1}" for after, flags in _flags_by_place().items())
        head = f"CASE WHEN substr({shape}, 1, 2) = x'4750' THEN substr({shape}, CASE {places} END, 5) END"
        heads = database.execute(f"SELECT DISTINCT {head} FROM {quoted(layer)} WHERE {shape} IS NOT NULL").fetchall()
        found = frozenset(_kind(own) for (own,) in heads)
        return None if UNUSUAL in found else found

    return _asked(path, layer, look)


def are_straight(kinds: frozenset[int]) -> bool:
    """Whether no shape of these kinds may have arcs; from 8 on come curves and surfaces."""
    return all(0 < kind % 1000 <= COLLECTION for kind in kinds)


def found_by_index(path: Path, layer: str, parts: Sequence[Box]) -> tuple[Ids, ...] | None:
    """Numbers of the records that the layer's spatial index has in each of the parts (left, bottom, right, top)."""

    def look(database: sqlite3.Connection, column: str) -> tuple[Ids, ...]:
        sql = f"SELECT id FROM {quoted(f'rtree_{layer}_{column}')} WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?"
        asked = (database.execute(sql, (left, right, bottom, top)) for left, bottom, right, top in parts)
        return tuple(np.fromiter((row for (row,) in rows), np.int64) for rows in asked)

    return _asked(path, layer, look)


def _asked(path: Path, layer: str, look: Callable[[sqlite3.Connection, str], Found | None]) -> Found | None:
    """What `look` finds, given the file and the name of the layer's column of shapes."""
    try:
        with closing(sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True)) as database:
            columns = database.execute("SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)).fetchall()
            return look(database, str(columns[0][0])) if len(columns) == 1 else None
    except sqlite3.Error:
        return None


def _flags_by_place() -> dict[int, str]:
    """Bytes before the WKB -> the flags by which it begins there, in a row, each as SQL has a byte."""
    found: dict[int, list[str]] = {}
    for flags in range(LAST_FLAGS + 1):
        if (after := KIND_AFTER.get(flags >> 1 & 7)) is not None:
            found.setdefault(after, []).append(f"x'{flags:02x}'")
    return {after: ", ".join(row) for after, row in found.items()}


def _kind(head: object) -> int:
    if not isinstance(head, bytes) or len(head) != 5 or head[0] > 1:
        return UNUSUAL
    told = int.from_bytes(head[1:], "little" if head[0] else "big")
    flags, number = divmod(told, 1 << 28)
    # Heights and measures by the two highest bits are of an older custom.
    return number + 1000 * (flags >> 3) + 2000 * (flags >> 2 & 1) if number < 4000 and not flags & 3 else UNUSUAL
