"""A hash of each row of a layer, and by these where rows of an earlier layer are in a later one."""

from bisect import bisect_left
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

ROWS_AT_ONCE: Final = 4096
"""Of so many rows all bytes fit the caches."""

FEW: Final = 50
"""One row in so many."""

Hashes = npt.NDArray[np.void]


def row_hashes(frame: "GeoDataFrame") -> Hashes:
    """A hash of each row, shape (rows,); rows of frames with the same columns are alike where their hashes are."""
    from geoseptic.io.laterframes import LaterShapes  # it loads tables, which a run without layers does not need

    shapes = frame.geometry.values
    later = isinstance(shapes, LaterShapes)
    told = [shapes.told_bytes if later else _bytes_of(hashed_shapes(np.asarray(shapes, object)).hashes)]
    told += [_told(frame[name]) for name in frame.columns if name != frame.geometry.name]
    seed = int.from_bytes(shapes.how_digest()[:8], "little") if later else 0
    found = bytearray()
    for start in range(0, len(frame), ROWS_AT_ONCE):
        rows = np.concatenate([part[start : start + ROWS_AT_ONCE] for part in told], axis=1)
        # Rows are as long as one another, so no two different ones run together into the same bytes.
        width, data = rows.shape[1], rows.data.cast("B") if rows.size else b""
        found += b"".join([xxh3_128_digest(data[at : at + width], seed) for at in range(0, rows.size, width)])
    return np.frombuffer(bytes(found), f"V{HASH_BYTES}")


def _told(column: Any) -> npt.NDArray[np.uint8]:
    """Bytes that tell the values of a column from any others of its kind, shape (rows, bytes): of text a hash of each, zeros for none."""
    import pandas as pd

    if isinstance(column.dtype, pd.StringDtype | pd.CategoricalDtype):
        codes, texts = pd.factorize(column.array)
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


def places_of(hashes: Hashes, before: Hashes) -> npt.NDArray[np.int64]:
    """Where each row was, shape (rows,), -1 for those that were not there. Of rows that are there, and differ from one another, as many as
    can keep their order do; the others count as new. Where few rows of a layer with as many rows differ, each is compared with the one in
    its place alone."""
    if len(hashes) == len(before):
        other = _other(hashes, before)
        if np.count_nonzero(other) * FEW <= len(hashes):
            return np.where(other, -1, np.arange(len(hashes)))
    start, end = _alike(hashes, before), 0
    if rest := min(len(hashes), len(before)) - start:
        end = _alike(hashes[::-1][:rest], before[::-1][:rest])
    places = np.full(len(hashes), -1, np.int64)
    places[:start] = np.arange(start)
    if end:
        places[-end:] = np.arange(len(before) - end, len(before))
    places[start : len(hashes) - end] = _in_order(
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


def _in_order(hashes: list[bytes], before: list[bytes], first: int) -> list[int]:
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
