"""The table of a shapefile: where it lies, and what its header says.

Header of dBASE III, from memory: rows from byte 4, length of the header from 8 and of a row from 10, '*' before a deleted row.
"""

from pathlib import Path
from typing import Final, NamedTuple

HEADER_BYTES: Final = 32
DELETED: Final = ord("*")


class Header(NamedTuple):
    """How many rows there are, where the first one starts, and how long each is. [bytes]"""

    rows: int
    start: int
    width: int


def beside(shapefile: Path, ending: str) -> Path:
    """The file of a shapefile with that ending, in whatever letters; where there is none, it as it would be called."""
    for item in shapefile.parent.iterdir():
        if item.stem == shapefile.stem and item.suffix.lower() == ending:
            return item
    return shapefile.with_suffix(ending)


def header_of(content: bytes) -> Header:
    """What the first bytes of a table say; zeros where they are too few."""
    return Header(*(int.from_bytes(content[first:last], "little") for first, last in ((4, 8), (8, 10), (10, 12))))
