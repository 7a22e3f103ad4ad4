"""Steps over a raster whose results are kept from run to run, window by window.

A step is a function of a module, and sees of a window what it is given and nothing else: the result is kept under a hash of just that.
Parts of earlier planes go in by the hash of their own windows, and are read only where a window must be made. Without a store in use, a
step runs as if this were not here.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from contextvars import copy_context
from dataclasses import dataclass, field
from functools import partial
from threading import Lock
from types import FunctionType
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from geoseptic.io import kept
from geoseptic.io.digests import digest
from geoseptic.io.kept import Store
from geoseptic.io.keptfiles import Entry
from geoseptic.io.keptwindows import Blocks, Corner, OfWindow, Told, corner_of
from geoseptic.model.planes import Plane, Values
from geoseptic.terrain import windows
from geoseptic.terrain.tiles import for_each
from geoseptic.terrain.windows import Window, for_windows

Job = TypeVar("Job")
Found = TypeVar("Found")

SHARE_OF_SIDE: Final = 2
"""Windows that are kept have this part of the usual side: a change makes fewer cells anew, and four times as many keys are looked up."""


def side_cells() -> int:
    """Side of the windows that are kept."""
    return max(1, windows.SIDE_CELLS // SHARE_OF_SIDE)


@dataclass(frozen=True)
class Part:
    """A window of a plane, to be read by the step that is given it."""

    plane: Plane
    window: Window

    @classmethod
    def whole(cls, plane: Plane) -> "Part":
        return cls(plane, (slice(0, plane.shape[0]), slice(0, plane.shape[1])))

    def read(self) -> Values:
        return self.plane.read(*self.window)

    def content_digest(self) -> bytes:
        """A hash that tells these values, or how they come about, from any others."""
        if isinstance(self.plane, KeptPlane):
            return self.plane.content_digest(self.window)
        rows, cols = self.window
        strips = range(rows.start, rows.stop, windows.SIDE_CELLS)
        return digest([self.plane.read(slice(top, min(rows.stop, top + windows.SIDE_CELLS)), cols) for top in strips])


@dataclass(eq=False)
class _ReadPlane:
    """What planes that lie nowhere as a whole have in common: all of one is put together when somebody asks for it."""

    _whole: Plane | None = field(default=None, init=False)

    def array(self: Any) -> Values:
        if self._whole is None:
            whole = self.new(self.dtype)
            for window in windows.windows(self.shape, side_cells()):
                whole.write(*window, self.read(*window))
            self._whole = whole
        return self._whole.array()

    def drop(self) -> None:
        """What was put together goes."""
        if self._whole is not None:
            self._whole.drop()
            self._whole = None

    def write(self, rows: slice, cols: slice, values: Values) -> None:
        raise TypeError("a plane that is kept, or made when it is read, is not written into")


@dataclass(eq=False)
class KeptPlane(_ReadPlane):
    """A plane whose windows lie in a store; those that nobody reads are not opened.

    `done` is by the corners of windows with this `side`; `number` is the plane's place among the arrays of each. `again` makes the arrays
    of a window that were damaged or taken away meanwhile.
    """

    store: Store
    like: Plane
    dtype: np.dtype[Any]
    number: int
    side: int
    done: Mapping[Corner, OfWindow]
    again: Callable[[Window], tuple[Values, ...]]
    _lock: Any = field(default_factory=Lock)

    @property
    def shape(self) -> tuple[int, int]:
        return self.like.shape

    @property
    def in_memory(self) -> bool:
        return self.like.in_memory

    def read(self, rows: slice, cols: slice) -> Values:
        out = np.empty((rows.stop - rows.start, cols.stop - cols.start), self.dtype)
        for window in self._overlapped(rows, cols):
            (top, bottom), (left, right) = (
                (max(own.start, asked.start), min(own.stop, asked.stop)) for own, asked in zip(window, (rows, cols), strict=True)
            )
            own = self._values(window)[top - window[0].start : bottom - window[0].start, left - window[1].start : right - window[1].start]
            out[top - rows.start : bottom - rows.start, left - cols.start : right - cols.start] = own
        return out

    def array(self) -> Values:
        with self._lock:
            return super().array()

    def new(self, dtype: npt.DTypeLike) -> Plane:
        return self.like.new(dtype)

    def content_digest(self, window: Window) -> bytes:
        """A hash of the values of all windows that the window has a part in, as they were kept, and of which part."""
        own = [self.done[corner_of(found)].contents[self.number] for found in self._overlapped(*window)]
        return digest(" ".join(own), self.side, window)

    def _values(self, window: Window) -> Values:
        own = self.done[corner_of(window)]
        found = own.array(self.store, self.number)
        if found is not None:
            return found
        arrays = self.again(window)
        own.put_again(self.store, arrays)
        return arrays[self.number]

    def _overlapped(self, rows: slice, cols: slice) -> list[Window]:
        """The windows that have cells in rows and columns that lie in the raster."""
        side = self.side
        return [
            (slice(top, min(self.shape[0], top + side)), slice(left, min(self.shape[1], left + side)))
            for top in range(rows.start // side * side, rows.stop, side)
            for left in range(cols.start // side * side, cols.stop, side)
        ]


@dataclass(eq=False)
class MadePlane(_ReadPlane):
    """A plane that lies nowhere: each window is made of its `source`, cell by cell, when it is read."""

    source: Plane
    dtype: np.dtype[Any]
    step: Callable[..., tuple[tuple[Values], Told]]
    more: tuple[Any, ...]

    @property
    def shape(self) -> tuple[int, int]:
        return self.source.shape

    @property
    def in_memory(self) -> bool:
        return self.source.in_memory

    def read(self, rows: slice, cols: slice) -> Values:
        (made,), _ = self.step(Part(self.source, (rows, cols)), *self.more)
        return np.asarray(made, self.dtype)

    def drop(self) -> None:
        """Its source goes too."""
        self.source.drop()
        super().drop()

    def new(self, dtype: npt.DTypeLike) -> Plane:
        return self.source.new(dtype)


def made_when_read(
    source: Plane, kind: npt.DTypeLike, step: Callable[..., tuple[tuple[Values], Told]], *more: Any, workers: int = 1
) -> Plane:
    """The plane that `step(part of source, *more)` gives, for what is read once, when it is written, and whose source nobody writes.

    Where a store is in use its windows are kept as of any other step, and made by so many workers.
    """
    refuse_closures(step)
    if kept.in_use() is None:
        return MadePlane(source, np.dtype(kind), step, more)
    (made,), _ = by_windows(source, (kind,), step, lambda window: (Part(source, window), *more), workers)
    return made


def by_windows(
    like: Plane,
    kinds: tuple[npt.DTypeLike, ...],
    step: Callable[..., tuple[tuple[Values, ...], Told]],
    given: Callable[[Window], tuple[Any, ...]],
    workers: int = 1,
    *,
    by_blocks: bool = True,
) -> tuple[tuple[Plane, ...], list[Told]]:
    """A step window by window: planes of these kinds, as large as `like`, and what it tells of each window, in their order.

    `step(*given(window))` gives the window's arrays and what is told. Where all that is given of a window follows from what is given of a
    larger one round it, windows are looked up `by_blocks`. Raises TypeError for a step that could see more than it is given.
    """
    refuse_closures(step)
    store = kept.in_use()
    if store is None:
        planes = tuple(like.new(kind) for kind in kinds)

        def fill(window: Window) -> Told:
            arrays, told = step(*given(window))
            for plane, array in zip(planes, arrays, strict=True):
                plane.write(*window, array)
            return told

        return planes, for_windows(fill, like, workers)
    keys: dict[Corner, str] = {}

    def made(window: Window) -> tuple[tuple[Values, ...], Told]:
        arrays, told = step(*given(window))
        return tuple(np.asarray(array, kind) for array, kind in zip(arrays, kinds, strict=True)), told

    side = side_cells()
    over = list(windows.windows(like.shape, side))
    blocks = Blocks(store, named(step), over if by_blocks else [], side, given)

    def look(window: Window) -> OfWindow | None:
        corner = corner_of(window)
        found = blocks.found.get(corner)
        if found is None:
            keys[corner] = store.key(named(step), window, given(window))
            entry = store.find(keys[corner])
            found = None if entry is None else OfWindow.of(keys[corner], entry)
        store.count(step.__name__, reused=found is not None)
        return found

    def make(window: Window) -> OfWindow:
        key = keys[corner_of(window)]
        return OfWindow.of(key, store.put(key, *made(window), identified=True))

    done = {corner_of(window): own for window, own in zip(over, looked_up(look, make, over, workers), strict=True)}
    blocks.put(done)
    return _planes(store, like, kinds, done, lambda window: made(window)[0]), [own.told for own in done.values()]


def looked_up(look: Callable[[Job], Found | None], make: Callable[[Job], Found], jobs: Iterable[Job], workers: int) -> list[Found]:
    """What is found of each job, in their order, else made, in `workers` threads. Looking is for one thread: it is Python, of which several
    threads only wait for one another."""
    found = [(job, look(job)) for job in jobs]
    # Threads begin without what is in use here.
    due = [(copy_context(), job) for job, own in found if own is None]
    made = iter(for_each(lambda each: each[0].run(make, each[1]), due, workers) if due else ())
    return [next(made) if own is None else own for _, own in found]


def summed(told: Iterable[Mapping[Any, int] | Iterable[tuple[Any, int]]]) -> Counter[Any]:
    """The sum of what a step counted in each window, as a mapping or as the pairs that JSON makes of one whose keys are no text."""
    total: Counter[Any] = Counter()
    for counted in told:
        total.update(dict(counted))
    return total


def at_cells(plane: Plane, rows: npt.NDArray[np.int64], cols: npt.NDArray[np.int64]) -> Values:
    """The values at single cells. Those of a plane that is kept are kept too, window by window: where they are, it is not opened."""
    if not isinstance(plane, KeptPlane):
        return plane.array()[rows, cols]
    side, over = plane.side, list(windows.windows(plane.shape, plane.side))
    number = rows // side * -(-plane.shape[1] // side) + cols // side
    by_window = np.split(np.argsort(number, kind="stable"), np.cumsum(np.bincount(number, minlength=len(over)))[:-1])
    jobs = [(window, own) for window, own in zip(over, by_window, strict=True) if len(own)]
    found, _ = pieces(_at_cells, jobs, lambda job: (Part(plane, job[0]), rows[job[1]] - job[0][0].start, cols[job[1]] - job[0][1].start))
    out = np.empty(len(rows), plane.dtype)
    for (_, own), piece in zip(jobs, found, strict=True):
        out[own] = piece.array(0)
    return out


def _at_cells(part: Part, rows: npt.NDArray[np.int64], cols: npt.NDArray[np.int64]) -> tuple[Values]:
    return (part.read()[rows, cols],)


@dataclass(frozen=True)
class Piece:
    """A result that is kept, whose arrays are read when they are asked for. `again` makes them where they were damaged meanwhile."""

    store: Store
    entry: Entry
    again: Callable[[], tuple[Values, ...]]

    def array(self, number: int) -> Values:
        found = self.store.array(self.entry, number)
        return self.again()[number] if found is None else found


def pieces(
    step: Callable[..., tuple[Values, ...]], jobs: Iterable[Any], given: Callable[[Any], tuple[Any, ...]], workers: int = 1
) -> tuple[list[Piece], bool]:
    """`step(*given(job))` of every job, kept and not read yet; and whether all were there. Only where a store is in use."""
    refuse_closures(step)
    store = kept.in_use()
    assert store is not None
    due = [(own, store.key(named(step), own)) for own in map(given, jobs)]
    missing = 0

    def look(job: tuple[tuple[Any, ...], str]) -> Entry | None:
        nonlocal missing
        entry = store.find(job[1])
        missing += entry is None
        store.count(step.__name__, reused=entry is not None)
        return entry

    entries = looked_up(look, lambda job: store.put(job[1], step(*job[0])), due, workers)
    return [Piece(store, entry, partial(step, *own)) for entry, (own, _) in zip(entries, due, strict=True)], not missing


def at_once(
    like: Plane, kinds: tuple[npt.DTypeLike, ...], step: Callable[..., tuple[Plane, ...]], given: tuple[Any, ...], **how: Any
) -> tuple[Plane, ...]:
    """A step over the whole raster: the planes `step(*given, **how)`, kept by windows. `how` changes no result."""
    refuse_closures(step)
    store = kept.in_use()
    if store is None:
        return step(*given, **how)
    made: list[tuple[Plane, ...]] = []
    lock = Lock()

    def arrays(window: Window) -> tuple[Values, ...]:
        with lock:
            if not made:
                made.append(step(*given, **how))
        return tuple(np.asarray(plane.read(*window), kind) for plane, kind in zip(made[0], kinds, strict=True))

    whole = digest(given)
    keys = {corner_of(window): store.key(named(step), window, whole) for window in windows.windows(like.shape, side_cells())}
    found = {corner: store.find(key) for corner, key in keys.items()}
    store.count(step.__name__, reused=all(found.values()))
    done: dict[Corner, OfWindow] = {}
    for window in windows.windows(like.shape, side_cells()):
        corner = corner_of(window)
        entry = found[corner] or store.put(keys[corner], arrays(window), identified=True)
        done[corner] = OfWindow.of(keys[corner], entry)
    for plane in made.pop() if made else ():
        plane.drop()
    return _planes(store, like, kinds, done, arrays)


def named(step: Callable[..., Any]) -> str:
    """The step's whole name: two modules may have steps of one name."""
    return f"{step.__module__}.{step.__qualname__}"


def refuse_closures(step: Callable[..., Any]) -> None:
    if not isinstance(step, FunctionType) or step.__closure__ is not None:
        raise TypeError(f"{step!r} is no plain function: it may see what is not in the hash")


def _planes(
    store: Store,
    like: Plane,
    kinds: tuple[npt.DTypeLike, ...],
    done: Mapping[Corner, OfWindow],
    again: Callable[[Window], tuple[Values, ...]],
) -> tuple[Plane, ...]:
    side = side_cells()
    return tuple(KeptPlane(store, like, np.dtype(kind), number, side, done, again) for number, kind in enumerate(kinds))
