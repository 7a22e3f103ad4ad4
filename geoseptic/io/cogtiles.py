"""The layout of a Cloud Optimized GeoTIFF as GDAL writes it, so that one can be put together of packed tiles byte for byte as GDAL would.

GDAL writes what describes the file first, then the tiles of the coarsest copy, row by row, and so on to the finest. Before a tile stands
how long it is, behind it its last four bytes once more (https://gdal.org/drivers/raster/cog.html, "Layout"). Only the two tables of each
copy, where its tiles are and how long, hang on the cells; all else follows from shape, kind and description.
"""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
from affine import Affine
from rasterio.io import MemoryFile

from geoseptic.model.planes import Values

TILE_OFFSETS: Final = 324
TILE_BYTE_COUNTS: Final = 325
"""TIFF 6.0, section 15."""

NUMBERS: Final = {3: "<u2", 4: "<u4", 16: "<u8"}
"""Kinds of whole numbers in a TIFF that a table may hold."""

LEADER: Final = struct.Struct("<I")
TRAILER_BYTES: Final = 4

FRAME_BYTES: Final = LEADER.size + TRAILER_BYTES
"""How much longer a tile with both is."""

ANYWHERE: Final = Affine(2, 0, 0, 0, -2, 0)

Lengths = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Table:
    """Where in the file `count` numbers of one kind begin."""

    kind: str
    start: int
    count: int

    def read(self, data: bytes | bytearray) -> Lengths:
        return np.frombuffer(data, self.kind, self.count, self.start).astype(np.int64)

    def write(self, data: bytearray, numbers: Lengths) -> None:
        """Raises OverflowError where a number is too large for its kind."""
        kind = np.dtype(self.kind)
        if len(numbers) != self.count or (self.count and int(numbers.max()) > np.iinfo(kind).max):
            raise OverflowError("the tiles do not fit into the tables of the file")
        data[self.start : self.start + self.count * kind.itemsize] = numbers.astype(kind).tobytes()


@dataclass(frozen=True)
class Head:
    """What stands before the first tile, and in it the tables of offsets and of lengths of each copy, the finest first."""

    data: bytes
    tables: tuple[tuple[Table, Table], ...]

    @classmethod
    def of(cls, data: bytes, *, whole: bool = True) -> "Head":
        """From a whole file, or from a head. Raises ValueError for a file of another layout."""
        tables = tuple(_tables(data))
        if not tables:
            raise ValueError("no tiled TIFF")
        coarsest = tables[-1][0].read(data)
        return cls(data[: int(coarsest[0]) - LEADER.size] if whole else data, tables)

    def placed(self, lengths: Iterable[Lengths]) -> bytes:
        """The head of a file whose tiles have these lengths, copy by copy, the finest first. Raises OverflowError where they do not fit."""
        data, at = bytearray(self.data), len(self.data)
        for (offsets, counts), own in zip(reversed(self.tables), reversed(list(lengths)), strict=True):
            steps = np.cumsum(own + FRAME_BYTES)
            offsets.write(data, at + LEADER.size + np.concatenate([[0], steps[:-1]]).astype(np.int64))
            counts.write(data, own)
            at += int(steps[-1])
        return bytes(data)


def head_of(path: Path) -> Head | None:
    """The head of a file that GDAL wrote; None where this file could not be put together again from its tiles as described above."""
    data = path.read_bytes()
    try:
        head = Head.of(data)
        tiles = [[data[start : start + count] for start, count in zip(offsets.read(data), counts.read(data), strict=True)]
                 for offsets, counts in head.tables]  # fmt: skip
        made = head.placed([np.array([len(tile) for tile in own], np.int64) for own in tiles])
    except (ValueError, OverflowError, struct.error, IndexError):
        return None
    return head if b"".join([made, *(part for own in reversed(tiles) for tile in own for part in framed(tile))]) == data else None


def framed(tile: bytes | memoryview) -> tuple[bytes | memoryview, ...]:
    """A tile with its length before it and its last bytes behind it."""
    return LEADER.pack(len(tile)), tile, bytes(tile[-TRAILER_BYTES:])


def packed(values: Values, tile_cells: int, level: int) -> tuple[npt.NDArray[np.uint8], Lengths]:
    """The tiles of a window that begins at a tile's corner, row by row, as GDAL packs them (deflate, no predictor), framed as they lie in
    the file; how long each is without that."""
    rows, cols = values.shape
    kind = np.uint8 if values.dtype == bool else values.dtype
    options = {"tiled": True, "blockxsize": tile_cells, "blockysize": tile_cells, "compress": "deflate", "zlevel": level, "predictor": 1}
    with MemoryFile() as file:
        # Any place will do: none at all brings a warning.
        with file.open(driver="GTiff", height=rows, width=cols, count=1, dtype=kind, transform=ANYWHERE, **options) as raster:
            raster.write(np.ascontiguousarray(values).view(kind), 1)
        data = bytes(file.getbuffer())
    ((offsets, counts),) = _tables(data)
    lengths = counts.read(data)
    each = (data[start : start + count] for start, count in zip(offsets.read(data), lengths, strict=True))
    tiles = b"".join(part for tile in each for part in framed(tile))
    return np.frombuffer(tiles, np.uint8), lengths


def _tables(data: bytes) -> Iterator[tuple[Table, Table]]:
    """Offsets and lengths of the tiles of every directory. Raises ValueError for what is no TIFF of this machine's byte order."""
    if data[:4] not in (b"II*\0", b"II+\0"):
        raise ValueError("no TIFF, or of another byte order")
    large = data[2] == ord("+")
    number, place, room, start = ("<Q", "<Q", 8, 8) if large else ("<H", "<I", 4, 4)
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
    (at,) = struct.unpack_from(place, data, start)
    while at:
        (entries,) = struct.unpack_from(number, data, at)
        at += struct.calcsize(number)
        found: dict[int, Table] = {}
        for _ in range(entries):
            tag, kind = struct.unpack_from("<HH", data, at)
            (count,) = struct.unpack_from(place, data, at + 4)
            inline = at + 4 + struct.calcsize(place)
            where = inline if prod((sizes[kind], count)) <= room else struct.unpack_from(place, data, inline)[0]
            if tag in (TILE_OFFSETS, TILE_BYTE_COUNTS):
                found[tag] = Table(NUMBERS[kind], where, count)
            at = inline + room
        if len(found) == 2:
            yield found[TILE_OFFSETS], found[TILE_BYTE_COUNTS]
        (at,) = struct.unpack_from(place, data, at)
