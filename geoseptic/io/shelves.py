"""Shapes put by as bare numbers until somebody looks at them again: in memory while they are few, else in a file beside the outputs.

A shape of the geometry engine takes two to four times what its corners do, and a county's zones and envelopes are looked at twice or three
times, a part of the map at a time.
"""

import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import SpooledTemporaryFile
from threading import Lock
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from shapely import GeometryType

from geoseptic.io.digests import Hashed
from geoseptic.io.kept import room_for
from geoseptic.model.frame import Geometries

IN_MEMORY_BYTES: Final = 1 << 25
"""A shelf that holds more goes into a file."""

CORNER_BYTES: Final = 16
"""Of a corner's two numbers; those of plain polygons begin at a multiple of it."""

GAP_BYTES: Final = 1 << 16
"""Shapes that lie nearer together are read at once, with what is between them."""

AT_ONCE: Final = 8192
"""Shapes that are looked at together where all are."""

PLACE: Final = np.dtype([("start", np.int64), ("corners", np.int32), ("text", np.int32)])
"""Where a shape begins, and how many corners it has, or how many bytes of WKB. [bytes, corners, bytes]"""

Places = npt.NDArray[Any]

_WITHIN: Final[ContextVar[Path | None]] = ContextVar("shelves", default=None)


@contextmanager
def within(folder: Path) -> Iterator[None]:
    """Shelves that are made in the block may have files in `folder`, which have no name there and go with their shelf."""
    token = _WITHIN.set(folder)
    try:
        yield
    finally:
        _WITHIN.reset(token)


class Shelf:
    """Shapes as numbers; several threads may put and take. Without a folder (`within`) it stays in memory."""

    def __init__(self) -> None:
        self._folder = _WITHIN.get()
        most = 0 if self._folder is None else IN_MEMORY_BYTES  # 0 is no bound
        place = None if self._folder is None else str(self._folder)
        self._file = SpooledTemporaryFile(max_size=most, dir=place)  # noqa: SIM115
        self._end, self._lock = 0, Lock()
        weakref.finalize(self, self._file.close)

    def put(self, shapes: Geometries) -> Places:
        """Where each of the shapes lies from now on. Raises DiskFullError."""
        kinds, places = shapely.get_type_id(shapes), np.zeros(len(shapes), PLACE)
        plain = (kinds == GeometryType.POLYGON) & (shapely.get_num_interior_rings(shapes) == 0) & ~shapely.is_empty(shapes)
        plain &= shapely.get_coordinate_dimension(shapes) == 2
        texts = shapely.to_wkb(shapes[~plain])
        places["corners"][plain] = shapely.get_num_coordinates(shapes[plain])
        places["text"][~plain] = np.fromiter(map(len, texts), np.int32, len(texts))
        data = b"".join([shapely.get_coordinates(shapes[plain]).tobytes(), *texts])
        order, lengths = np.concatenate([np.flatnonzero(plain), np.flatnonzero(~plain)]), _lengths(places)
        places["start"][order] = np.cumsum(lengths[order]) - lengths[order]
        with self._lock, room_for(self._folder or Path()):
            places["start"] += self._end
            self._file.seek(self._end)
            self._file.write(data)
            self._end += -(-len(data) // CORNER_BYTES) * CORNER_BYTES
        return places

    def take(self, places: Places) -> Geometries:
        """The shapes that lie there, as they were."""
        found = np.empty(len(places), object)
        order = np.argsort(places["start"], kind="stable")
        for some in self._runs(places[order]):
            self._fill(found, order[some], places)
        return found

    def _runs(self, places: Places) -> list[slice]:
        """Those that are read at once, of places in their order."""
        cuts = np.flatnonzero(places["start"][1:] > (places["start"] + _lengths(places))[:-1] + GAP_BYTES) + 1
        return [slice(start, end) for start, end in pairwise([0, *cuts.tolist(), len(places)]) if start < end]

    def _fill(self, found: Geometries, rows: npt.NDArray[np.int64], places: Places) -> None:
        own = places[rows]
        first = int(own["start"][0]) // CORNER_BYTES * CORNER_BYTES
        with self._lock:
            self._file.seek(first)
            data = self._file.read(int(own["start"][-1] + _lengths(own[-1:])[0]) - first)
        plain, start = own["corners"] > 0, own["start"] - first
        if plain.any():
            counts = own["corners"][plain].astype(np.int64)
            ends = np.concatenate([[0], np.cumsum(counts)])
            xy = np.frombuffer(data, np.float64, len(data) // CORNER_BYTES * 2).reshape(-1, 2)
            xy = xy[np.repeat(start[plain] // CORNER_BYTES - ends[:-1], counts) + np.arange(ends[-1])]
            found[rows[plain]] = shapely.from_ragged_array(GeometryType.POLYGON, xy, (ends, np.arange(len(ends))))
        if not plain.all():
            begin, end = start[~plain], start[~plain] + own["text"][~plain]
            texts = np.empty(len(begin), object)
            texts[:] = [data[at:to] for at, to in zip(begin.tolist(), end.tolist(), strict=True)]
            found[rows[~plain]] = shapely.from_wkb(texts)

    def hashed(self, places: Places, bounds_m: npt.NDArray[np.float64] | None = None) -> Hashed:
        """The shapes that lie there, taken when somebody asks for them. `bounds_m` where they are known."""
        every = np.arange(len(places))

        def make(rows: npt.NDArray[np.int64]) -> Geometries:
            return self.take(places[rows])

        def bound() -> npt.NDArray[np.float64]:
            parts = [shapely.bounds(make(rows)) for rows in np.array_split(every, len(every) // AT_ONCE + 1)]
            return np.concatenate(parts).reshape(-1, 4)

        tell = cache(lambda: Hashed.of(make(every)).hashes)
        return Hashed(every, make, tell, cache(bound) if bounds_m is None else lambda: bounds_m)


def _lengths(places: Places) -> npt.NDArray[np.int64]:
    """Bytes that each shape takes."""
    found: npt.NDArray[np.int64] = places["corners"] * np.int64(CORNER_BYTES) + places["text"]
    return found
