"""A hash of each row of a layer, and by these where rows of an earlier layer are in a later one."""

from bisect import bisect_left
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
from xxhash import xxh3_128_digest

from geoseptic.io.digests import digest
from geoseptic.io.keptgroups import hashed_shapes
from geoseptic.model.rownumbers import SPACING, numbers_of

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

HASH_BYTES: Final = 16
"""Two rows share so short a hash by chance once in 10^38."""

BLOCK_ROWS: Final = 64
"""Rows of so many numbers, from a multiple of it and one on, are hashed together too: where these are alike, nobody asks which row
differs."""

ROWS_AT_ONCE: Final = 64 * BLOCK_ROWS
"""Of so many rows all bytes fit the caches."""

FEW: Final = 50
"""One row in so many."""

Hashes = npt.NDArray[np.void]
Rows = npt.NDArray[np.int64]


class RowHashes:
    """A hash of each row of a layer, and of each block of rows; rows of frames with the same columns are alike where their hashes are."""

    def __init__(self, frame: "GeoDataFrame") -> None:
        from geoseptic.io.laterframes import LaterShapes  # it loads tables, which a run without layers does not need

        shapes = frame.geometry.values
        later = isinstance(shapes, LaterShapes)
        self._told = [shapes.told_bytes if later else _bytes_of(hashed_shapes(np.asarray(shapes, object)).hashes)]
        self._told += [_told(frame[name]) for name in frame.columns if name != frame.geometry.name]
        self._seed = int.from_bytes(shapes.how_digest()[:8], "little") if later else 0
        self.numbers = numbers_of(frame)

    def __len__(self) -> int:
        return len(self.numbers)

    @cached_property
    def blocks(self) -> Hashes:
        """The hash of each block of which there is a row."""
        return self._hashed(_cuts(self.numbers, BLOCK_ROWS), ROWS_AT_ONCE // BLOCK_ROWS)

    @cached_property
    def rows(self) -> Hashes:
        """The hash of each row, shape (rows,)."""
        return self.some(0, len(self))

    def some(self, first: int, end: int) -> Hashes:
        """The hash of each of the rows from `first` to `end`."""
        return self._hashed(np.arange(first, end + 1), ROWS_AT_ONCE)

    def _hashed(self, cuts: Rows, at_once: int) -> Hashes:
        """A hash of the rows from each cut to the next, of so many cuts at once."""
        found = bytearray()
        for start in range(0, len(cuts) - 1, at_once):
            own = cuts[start : start + at_once + 1]
            rows = np.concatenate([part[own[0] : own[-1]] for part in self._told], axis=1)
            # Rows are as long as one another, so no two different ones run together into the same bytes.
            data, ends = rows.data.cast("B"), ((own - own[0]) * rows.shape[1]).tolist()
            found += b"".join([xxh3_128_digest(data[at:end], self._seed) for at, end in pairwise(ends)])
        return np.frombuffer(bytes(found), f"V{HASH_BYTES}")


def _cuts(numbers: Rows, size: int) -> Rows:
    """Where each stretch of rows begins whose numbers are from a multiple of `size` and one to the next one, and the number of rows."""
    found: Rows = np.flatnonzero(np.diff((numbers - 1) // size, prepend=-1, append=-1))
    return found if len(numbers) else np.zeros(1, np.int64)


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


def places_of(now: RowHashes, numbers: Rows, blocks: Hashes, rows: Hashes) -> Rows:
    """Where each row was in a layer of rows of these numbers and hashes, shape (rows,), -1 for those that were not there.

    Each is compared with the one of its number. Where so not nearly all rows of a stretch of `SPACING` numbers are found, as many of it as
    can keep their order are, and where so not nearly all rows are found, as many of all as can.
    """
    if not len(now) or not len(numbers):
        return np.full(len(now), -1, np.int64)
    at = np.minimum(np.searchsorted(numbers, now.numbers), len(numbers) - 1)
    found = np.where(numbers[at] == now.numbers, at, -1)
    cuts = _cuts(now.numbers, BLOCK_ROWS)
    for block in np.flatnonzero(~_alike_blocks(now, found, cuts, numbers, blocks)).tolist():
        first, end = cuts[block : block + 2].tolist()
        own = found[first:end]
        own[(own >= 0) & _other(now.some(first, end), rows[own])] = -1
    for first, end in pairwise(_cuts(now.numbers, SPACING).tolist()):
        own = found[first:end]
        if np.count_nonzero(own < 0) * FEW > len(own):
            start, stop = np.searchsorted((numbers - 1) // SPACING, (now.numbers[first] - 1) // SPACING + np.arange(2)).tolist()
            places = in_order(now.some(first, end), rows[start:stop])
            own[:] = np.where(places >= 0, places + start, -1)
    return found if np.count_nonzero(found < 0) * FEW <= len(found) else in_order(now.rows, rows)


def _alike_blocks(now: RowHashes, found: Rows, cuts: Rows, numbers: Rows, blocks: Hashes) -> npt.NDArray[np.bool_]:
    """Which blocks, from each cut to the next, hold the same rows under the same numbers. `found` : where these numbers were."""
    theirs = _cuts(numbers, BLOCK_ROWS)
    block = np.maximum(np.searchsorted(theirs, found[cuts[:-1]], "right") - 1, 0)
    as_many = np.add.reduceat(found >= 0, cuts[:-1]) == np.diff(cuts)
    alike: npt.NDArray[np.bool_] = as_many & (np.diff(cuts) == np.diff(theirs)[block]) & ~_other(now.blocks, blocks[block])
    return alike


def in_order(hashes: Hashes, before: Hashes) -> Rows:
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
