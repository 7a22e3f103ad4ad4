"""A hash of each row of a layer, and by these where rows of an earlier layer are in a later one."""

from bisect import bisect_left
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_128_digest

from geoseptic.io.digests import digest
from geoseptic.io.keptgroups import hashed_shapes

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

HASH_BYTES: Final = 16
"""Two rows share so short a hash by chance once in 10^38."""

BLOCK_ROWS: Final = 64
"""Rows whose bytes are hashed together too: where these are alike, nobody asks which row differs."""

ROWS_AT_ONCE: Final = 64 * BLOCK_ROWS
"""Of so many rows all bytes fit the caches."""

FEW: Final = 50
"""One row in so many."""

Hashes = npt.NDArray[np.void]


class RowHashes:
    """A hash of each row of a layer, and of each block of rows; rows of frames with the same columns are alike where their hashes are."""

    def __init__(self, frame: "GeoDataFrame") -> None:
        from geoseptic.io.laterframes import LaterShapes  # it loads tables, which a run without layers does not need

        shapes = frame.geometry.values
        later = isinstance(shapes, LaterShapes)
        self._told = [shapes.told_bytes if later else _bytes_of(hashed_shapes(np.asarray(shapes, object)).hashes)]
        self._told += [_told(frame[name]) for name in frame.columns if name != frame.geometry.name]
        self._seed = int.from_bytes(shapes.how_digest()[:8], "little") if later else 0
        self._rows = len(frame)

    def __len__(self) -> int:
        return self._rows

    @cached_property
    def blocks(self) -> Hashes:
        """The hash of each block, of which the last may be shorter."""
        return self._hashed(0, self._rows, BLOCK_ROWS)

    @cached_property
    def rows(self) -> Hashes:
        """The hash of each row, shape (rows,)."""
        return self._hashed(0, self._rows, 1)

    def of_block(self, block: int) -> Hashes:
        """The hash of each row of a block."""
        return self._hashed(block * BLOCK_ROWS, min(self._rows, (block + 1) * BLOCK_ROWS), 1)

    def _hashed(self, first: int, end: int, together: int) -> Hashes:
        found = bytearray()
        for start in range(first, end, ROWS_AT_ONCE):
            rows = np.concatenate([part[start : min(end, start + ROWS_AT_ONCE)] for part in self._told], axis=1)
            # Rows are as long as one another, so no two different ones run together into the same bytes.
            step, data = together * rows.shape[1], rows.data.cast("B") if rows.size else b""
            found += b"".join([xxh3_128_digest(data[at : at + step], self._seed) for at in range(0, rows.size, step)])
        return np.frombuffer(bytes(found), f"V{HASH_BYTES}")


def _told(column: Any) -> npt.NDArray[np.uint8]:
    """Bytes that tell the values of a column from any others of its kind, shape (rows, bytes): of text a hash of each, zeros for none."""
    import pandas as pd

    if isinstance(column.dtype, pd.StringDtype | pd.CategoricalDtype):
        few = isinstance(column.dtype, pd.CategoricalDtype)
        codes, texts = (column.cat.codes, column.cat.categories) if few else pd.factorize(column.array)
        hashes = [xxh3_128_digest(text.encode("utf-8", "surrogatepass")) for text in np.asarray(texts, object)]
        return np.frombuffer(b"".join([*hashes, bytes(HASH_BYTES)]), np.uint8).reshape(-1, HASH_BYTES)[codes]
    values = column.to_numpy()
    if isinstance(column.dtype, np.dtype) and column.dtype != object:
        return _bytes_of(values)
    # Values of any kind, among which 1, 1.0, True and "1" are told apart.
    return np.frombuffer(b"".join(digest(value) for value in values), np.uint8).reshape(-1, 32)


def _bytes_of(values: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    whole = np.ascontiguousarray(values)
    return whole.view(np.uint8).reshape(len(whole), whole.dtype.itemsize)


def places_of(now: RowHashes, blocks: Hashes, rows: Hashes) -> npt.NDArray[np.int64]:
    """Where each row was in a layer of these hashes, shape (rows,), -1 for those that were not there. Of rows that are there, and differ
    from one another, as many as can keep their order do; the others count as new. Where few rows of a layer with as many rows differ, each
    is compared with the one in its place alone."""
    if len(now) == len(rows):
        found = np.arange(len(now))
        differ = np.flatnonzero(_other(now.blocks, blocks))
        if len(differ) * FEW <= len(now):
            for block in differ.tolist():
                at = slice(block * BLOCK_ROWS, (block + 1) * BLOCK_ROWS)
                found[at][_other(now.of_block(block), rows[at])] = -1
            if np.count_nonzero(found < 0) * FEW <= len(now):
                return found
    return in_order(now.rows, rows)


def in_order(hashes: Hashes, before: Hashes) -> npt.NDArray[np.int64]:
    """Where each row was, as `places_of` says, whatever differs."""
    start, end = _alike(hashes, before), 0
    if rest := min(len(hashes), len(before)) - start:
        end = _alike(hashes[::-1][:rest], before[::-1][:rest])
    places = np.full(len(hashes), -1, np.int64)
    places[:start] = np.arange(start)
    if end:
        places[-end:] = np.arange(len(before) - end, len(before))
    places[start : len(hashes) - end] = _most_in_order(
        hashes[start : len(hashes) - end].tolist(), before[start : len(before) - end].tolist(), start
    )
    return places


def _alike(one: Hashes, other: Hashes) -> int:
    """How many rows are alike from the first on."""
    count = min(len(one), len(other))
    differ = np.flatnonzero(_other(one[:count], other[:count]))
    return int(differ[0]) if len(differ) else count


def _other(one: Hashes, other: Hashes) -> npt.NDArray[np.bool_]:
    """Of two runs of as many rows, which differ from the one in their place."""
    halves, others = (np.ascontiguousarray(rows).view(np.int64).reshape(-1, 2) for rows in (one, other))
    found: npt.NDArray[np.bool_] = (halves != others).any(axis=1)
    return found


def _most_in_order(hashes: list[bytes], before: list[bytes], first: int) -> list[int]:
    """The most rows that are in both and come one after the other in both, by the numbers that they had, from `first` on; of rows that are
    alike the first is taken for the first."""
    were: dict[bytes, list[int]] = {}
    for place in range(len(before) - 1, -1, -1):
        were.setdefault(before[place], []).append(place)
    places = [were[own].pop() if were.get(own) else -1 for own in hashes]
    # The least last place of an increasing row of each length, and the row before it in such a row.
    lasts: list[int] = []
    ends: list[int] = []
    earlier = [-1] * len(places)
    for row, place in enumerate(places):
        if place < 0:
            continue
        length = bisect_left(lasts, place)
        lasts[length : length + 1], ends[length : length + 1] = [place], [row]
        earlier[row] = ends[length - 1] if length else -1
    found, row = [-1] * len(places), ends[-1] if ends else -1
    while row >= 0:
        found[row], row = first + places[row], earlier[row]
    return found
