"""Records by a file's own pages, for formats whose stated count GDAL takes at its word: it reads as many as that says, and no more."""

import mmap
import sqlite3
import struct
from contextlib import closing
from functools import lru_cache
from pathlib import Path
from typing import Final
from urllib.parse import quote

from geoseptic.errors import FileUnreadableError

FEATURES_COUNT, INDEX_NODE_SIZE = 8, 9
"""Fields of the header of FlatGeobuf 3 (its header.fbs), by their place in the table."""

MAGIC_BYTES: Final = 8
NODE_BYTES: Final = 40
DEFAULT_NODE_SIZE: Final = 16
ANEW: Final = "Open it in a GIS that shows all of them, and save the layer anew."


def refuse_miscounted(path: Path, shown: str, driver: str, layer: str) -> None:
    """Raises FileUnreadableError where a GeoPackage or a FlatGeobuf states another number of features than it holds; `shown` is the name by
    which the user gave it."""
    state = path.stat()
    if driver == "GPKG":
        stated, held = _of_geopackage(path, layer, state.st_mtime_ns, state.st_size)
    elif driver == "FlatGeobuf":
        stated, held = _of_flatgeobuf(path)
    else:
        return
    if stated != held:
        raise FileUnreadableError(shown, f"it says that '{layer}' has {stated} features, and it holds {held}", ANEW)


@lru_cache(maxsize=64)
def _of_geopackage(path: Path, layer: str, changed_ns: int, size: int) -> tuple[int, int]:
    """Features by the list that GDAL keeps in the file, and in the table; alike where the list says nothing."""
    with closing(sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True)) as database:
        try:
            stated = database.execute("SELECT feature_count FROM gpkg_ogr_contents WHERE lower(table_name) = lower(?)", (layer,)).fetchone()
        except sqlite3.Error:
            # A list that only GDAL writes.
            return 0, 0
        if stated is None or stated[0] is None:
            return 0, 0
        try:
            table = layer.replace('"', '""')
            held = database.execute(f'SELECT count(*) FROM "{table}"').fetchone()
            _refuse_zeros(database, path, table)
        except sqlite3.Error as error:
            raise FileUnreadableError(str(path), str(error), "Check the file; it may be damaged.") from error
    return int(stated[0]), int(held[0])


def _refuse_zeros(database: sqlite3.Connection, path: Path, table: str) -> None:
    """Raises FileUnreadableError where a text has a zero in it: GDAL ends it there, and gives what stands before as the whole."""
    kinds = {str(name): str(kind).upper() for _, name, kind, *_ in database.execute(f'PRAGMA table_info("{table}")')}
    for name in (name for name, kind in kinds.items() if kind.startswith("TEXT")):
        column = name.replace('"', '""')
        row = database.execute(f'SELECT rowid FROM "{table}" WHERE instr("{column}", char(0)) LIMIT 1').fetchone()
        if row is not None:
            raise FileUnreadableError(str(path), f"'{name}' of record {row[0]} has a zero byte, where other programs end a text", ANEW)


def _of_flatgeobuf(path: Path) -> tuple[int, int]:
    """Features by the header, and by their own lengths; alike where the header says nothing."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        try:
            (length,) = struct.unpack_from("<I", content, MAGIC_BYTES)
            start = MAGIC_BYTES + 4
            stated = _field(content, start, FEATURES_COUNT, "<Q", 0)
            place = start + length + _index_bytes(stated, _field(content, start, INDEX_NODE_SIZE, "<H", DEFAULT_NODE_SIZE))
            held = 0
            while place < len(content):
                place += 4 + struct.unpack_from("<I", content, place)[0]
                held += place <= len(content)
        except struct.error as error:
            raise FileUnreadableError(str(path), f"it ends in the middle ({error})", "Check the file; it may be damaged.") from error
    return stated or held, held


def _field(content: mmap.mmap, start: int, number: int, kind: str, default: int) -> int:
    """A number in the table at the root of a FlatBuffer that begins at `start`."""
    table = start + struct.unpack_from("<I", content, start)[0]
    list_of_places = table - struct.unpack_from("<i", content, table)[0]
    entry = 4 + 2 * number
    if entry >= struct.unpack_from("<H", content, list_of_places)[0]:
        return default
    place = struct.unpack_from("<H", content, list_of_places + entry)[0]
    return int(struct.unpack_from(kind, content, table + place)[0]) if place else default


def _index_bytes(features: int, node_size: int) -> int:
    """Length of the packed tree of the features; none where there are no features or no tree."""
    if not features or node_size < 2:
        return 0
    nodes = level = features
    while True:
        level = -(-level // node_size)
        nodes += level
        if level == 1:
            return nodes * NODE_BYTES
