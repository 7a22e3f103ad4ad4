"""Holds the files of a shapefile against each other: GDAL reads as many records as the shortest of them has, and leaves out rows that are
marked as deleted, all without a word.

.shp and .shx: ESRI Shapefile Technical Description (1998), "Organization of the Main File" and "Organization of the Index File".
"""

import struct
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.errors import FileUnreadableError, listed
from geoseptic.io import dbasetables
from geoseptic.io.dbasetables import beside

HEADER_BYTES: Final = 100
ENTRY_BYTES: Final = 8
WORD_BYTES: Final = 2
AGAIN: Final = "A shapefile is all files of its name: copy them again, all from the same day."


def refuse_parted(path: Path, shown: str) -> tuple[int, ...]:
    """The rows that are marked as deleted, counted from 1.

    Raises FileUnreadableError for a shapefile whose shapes, index and table do not have the same number of records, or are cut off.
    path : the .shp; shown : the name by which the user gave it.
    """
    entries = _entries(beside(path, ".shx"), shown)
    rows, deleted = _rows(beside(path, ".dbf"), shown)
    shapes = _shapes(path, entries, shown)
    if not shapes == len(entries) == rows:
        told = f"it has {shapes} shapes (.shp), {len(entries)} entries in its index (.shx) and {rows} rows in its table (.dbf)"
        raise FileUnreadableError(shown, told, AGAIN)
    return deleted


def deleted_notes(deleted: tuple[int, ...]) -> list[str]:
    """What is to be told of rows that are marked as deleted."""
    if not deleted:
        return []
    return [f"{len(deleted)} of its records are marked as deleted in the .dbf and were left out with their shapes (rows {listed(deleted)})"]


def _entries(path: Path, shown: str) -> npt.NDArray[np.int64]:
    """Place and length of each record by the index, in bytes, shape (records, 2)."""
    content = path.read_bytes()
    stated = int.from_bytes(content[24:28], "big") * WORD_BYTES
    if len(content) < HEADER_BYTES or stated > len(content):
        raise FileUnreadableError(shown, f"{path.name} is cut off", AGAIN)
    last = HEADER_BYTES + (stated - HEADER_BYTES) // ENTRY_BYTES * ENTRY_BYTES
    return np.frombuffer(content[HEADER_BYTES:last], ">i4").astype(np.int64).reshape(-1, 2) * WORD_BYTES


def _rows(path: Path, shown: str) -> tuple[int, tuple[int, ...]]:
    """Rows of the table, and which are marked as deleted."""
    with path.open("rb") as file:
        header = file.read(dbasetables.HEADER_BYTES)
    if len(header) < dbasetables.HEADER_BYTES:
        raise FileUnreadableError(shown, f"{path.name} is cut off", AGAIN)
    rows, start, length = dbasetables.header_of(header)
    if path.stat().st_size < start + rows * length:
        raise FileUnreadableError(shown, f"{path.name} is cut off: it says that it has {rows} rows", AGAIN)
    if not rows or not length:
        return rows, ()
    flags = np.memmap(path, np.uint8, "r", offset=start, shape=(rows, length))[:, 0]
    return rows, tuple(int(row) + 1 for row in np.flatnonzero(flags == dbasetables.DELETED))


def _shapes(path: Path, entries: npt.NDArray[np.int64], shown: str) -> int:
    """Records of the .shp, each counted once by its number: one that was redrawn longer leaves its old place behind."""
    size = path.stat().st_size
    ends = entries.sum(axis=1) + ENTRY_BYTES
    if len(ends) and ends.max() > size:
        raise FileUnreadableError(shown, f"{path.name} is cut off: its index has shapes behind its end", AGAIN)
    if HEADER_BYTES + int((entries[:, 1] + ENTRY_BYTES).sum()) == size:
        return len(entries)
    numbers = set()
    with path.open("rb") as file:
        place = HEADER_BYTES
        while place + ENTRY_BYTES <= size:
            file.seek(place)
            number, words = struct.unpack(">ii", file.read(ENTRY_BYTES))
            if words <= 0 or place + ENTRY_BYTES + words * WORD_BYTES > size:
                break
            numbers.add(number)
            place += ENTRY_BYTES + words * WORD_BYTES
    return max(len(numbers), len(entries))
