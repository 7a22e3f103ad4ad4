"""Steps over many features whose results are kept from run to run, group by group, as those over a raster are (`keptplanes.py`)."""

from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial
from itertools import pairwise
from math import prod
from typing import Any, Final

import numpy as np
import shapely

from geoseptic.io import kept
from geoseptic.io.digests import TOLD, Hashed, told_by_wkb
from geoseptic.io.keptplanes import looked_up, named, refuse_closures
from geoseptic.model.frame import Geometries
from geoseptic.model.planes import Values

Told = Any
Rows = np.ndarray[Any, np.dtype[np.int64]]
OfAGroup = tuple[tuple[Any, ...], Told]

HASHED_TOGETHER: Final = 4096
"""Shapes in a row whose hashes are looked up together."""

OF_SHAPES = 3
"""Arrays that a column of shapes is kept as: their bounds, the lengths of their WKB, and all of it."""


def by_groups(
    step: Callable[..., tuple[tuple[Values, ...], Told]],
    groups: Sequence[Any],
    given: Callable[[Any], tuple[Any, ...]],
    workers: int = 1,
    bundles: Iterable[tuple[Sequence[int], Callable[[], tuple[Any, ...]]]] = (),
) -> list[tuple[tuple[Any, ...], Told]]:
    """`step(*given(group))` of every group, in their order: arrays of numbers, and `Hashed` for arrays of shapes, which are read when they
    are asked for; and what is told of them.

    `bundles` : places of several groups, and something from which all that is given of each of them follows: where it is what it was,
    nobody asks what is given of each. Raises TypeError for a step that could see more than it is given.
    """
    refuse_closures(step)
    store = kept.in_use()
    assert store is not None

    keys: dict[int, str] = {}
    bundled: dict[int, OfAGroup] = {}
    unknown: list[tuple[str, Sequence[int]]] = []

    def again(place: int) -> Callable[[], tuple[Values, ...]]:
        return lambda: step(*given(groups[place]))[0]

    for places, follows_from in bundles:
        key = store.key(f"{named(step)} of groups that lie together", follows_from())
        known = _read_bundle(store, key, list(map(again, places)))
        if known is None:
            unknown.append((key, places))
        else:
            bundled.update(zip(places, known, strict=True))

    def look(place: int) -> OfAGroup | None:
        found = bundled.get(place)
        if found is None:
            keys[place] = store.key(named(step), given(groups[place]))
            found = _read(store, keys[place], again(place))
        store.count(step.__name__, reused=found is not None)
        return found

    def make(place: int) -> tuple[tuple[Any, ...], Told]:
        arrays, said = step(*given(groups[place]))
        flat = [part for array in arrays for part in _flat(array)]
        entry = store.put(keys[place], flat, {"told": said, "shapes": [array.dtype == object for array in arrays]})
        return tuple(_made(array) if array.dtype == object else array for array in arrays), entry.told["told"]

    done = looked_up(look, make, range(len(groups)), workers)
    for key, places in unknown:
        _put_bundle(store, key, [keys[place] for place in places], [done[place] for place in places])
    return done


def _put_bundle(store: kept.Store, key: str, keys: list[str], groups: list[OfAGroup]) -> None:
    """Keep the numbers of several groups, and the bounds of their shapes with what tells each, side by side; the shapes stay with each."""
    columns, parts, lengths = list(zip(*(arrays for arrays, _ in groups), strict=True)), [], []
    shapes = [isinstance(column[0], Hashed) for column in columns]
    for column, of_shapes in zip(columns, shapes, strict=True):
        for numbers in ([own.bounds_m for own in column], [own.hashes.view(np.uint8) for own in column]) if of_shapes else (column,):
            if len({own.dtype for own in numbers}) > 1:
                return
            parts.append(np.concatenate([own.reshape(-1) for own in numbers]))
            lengths.append([own.shape for own in numbers])
    store.put(key, parts, {"keys": keys, "told": [said for _, said in groups], "lengths": lengths, "shapes": shapes})


def _read_bundle(store: kept.Store, key: str, again: list[Callable[[], tuple[Values, ...]]]) -> list[OfAGroup] | None:
    entry = store.find(key)
    parts = None if entry is None else store.several(entry, range(len(entry.arrays)))
    if entry is None or parts is None:
        return None
    told = entry.told
    store.hold(told["keys"])
    columns: list[Sequence[Any]] = []
    found = iter(zip(parts, told["lengths"], strict=True))
    for number, shapes in enumerate(told["shapes"]):
        part, lengths = next(found)
        if not shapes:
            columns.append(_parted(part, lengths))
            continue
        hashes, _ = next(found)
        texts = partial(_texts_of_group, store, told["keys"], again, number)
        columns.append(_later_of_groups(part.reshape(-1, 4), hashes.view(TOLD), [count for count, _ in lengths], texts))
    return list(zip(zip(*columns, strict=True), told["told"], strict=True))


def _texts_of_group(
    store: kept.Store, keys: Sequence[str], again: Sequence[Callable[[], tuple[Values, ...]]], number: int, group: int
) -> list[bytes]:
    return _texts(store, keys[group], again[group], number)


def _later_of_groups(bounds_m: Values, hashes: Values, counts: Sequence[int], texts: Callable[[int], list[bytes]]) -> Sequence[Hashed]:
    """Columns of shapes of several groups, so many of each; those of a group are read when somebody asks for one of them. `texts` gives
    their WKB."""
    ends = np.cumsum([0, *counts])
    shapes = cache(lambda group: _shapes(texts(group)))

    def make(rows: Rows) -> Geometries:
        groups, found = np.searchsorted(ends, rows, "right") - 1, np.empty(len(rows), object)
        for group in np.unique(groups).tolist():
            here = groups == group
            found[here] = shapes(group)[rows[here] - ends[group]]
        return found

    whole = Hashed(np.arange(ends[-1]), make, lambda: hashes, lambda: bounds_m)
    return [whole[start:end] for start, end in pairwise(ends.tolist())]


def _parted(part: Values, lengths: list[list[int]]) -> list[Values]:
    """What lies side by side, as arrays of these shapes."""
    ends = np.cumsum([prod(length) for length in lengths]).tolist()
    return [part[end - prod(length) : end].reshape(length) for end, length in zip(ends, lengths, strict=True)]


def once(step: Callable[..., tuple[tuple[Values, ...], Told]], *given: Any) -> tuple[Any, ...]:
    """The arrays that `step(*given)` gives, kept where a store is in use."""
    return step(*given)[0] if kept.in_use() is None else by_groups(step, [given], lambda own: own)[0][0]


_NO_SHAPE: Final = np.array([None], object)


def hashed_shapes(shapes: Geometries) -> Hashed:
    """`Hashed.of` these; where a store is in use what tells each is kept, so many of them under one hash of all their coordinates."""
    store = kept.in_use()
    if store is None or len(shapes) < HASHED_TOGETHER:
        return Hashed.of(shapes)
    missing = shapely.is_missing(shapes)
    if missing.any():
        rows, nowhere = np.flatnonzero(~missing), np.flatnonzero(missing)
        return Hashed.joined([hashed_shapes(shapes[rows]), Hashed.of(_NO_SHAPE)[np.zeros_like(nowhere)]], [rows, nowhere])
    plain = Hashed.of(shapes)
    parts = [slice(start, start + HASHED_TOGETHER) for start in range(0, len(shapes), HASHED_TOGETHER)]

    @cache
    def tell() -> Values:
        return np.concatenate([_hashes(store, shapes[part]) for part in parts])

    return Hashed(plain.rows, shapes.__getitem__, tell, lambda: plain.bounds_m)


def _hashes(store: kept.Store, shapes: Geometries) -> Values:
    key = store.key("hashes of shapes", shapes)
    entry = store.find(key)
    found = None if entry is None else store.small(entry, 0)
    if found is None:
        made = Hashed.of(shapes).hashes
        store.put(key, [made.view(np.uint8)])
        return made
    return found.view(TOLD)


def _made(shapes: Geometries) -> Hashed:
    """A column of shapes that are there, told as they will be when they are read."""
    return Hashed(np.arange(len(shapes)), shapes.__getitem__, cache(lambda: told_by_wkb(shapely.to_wkb(shapes))), lambda: _bounds(shapes))


def _later(bounds_m: Values, tell: Callable[[], Values], texts: Callable[[], list[bytes]]) -> Hashed:
    """A column of shapes that are read when somebody asks for them."""
    shapes = cache(lambda: _shapes(texts()))
    return Hashed(np.arange(len(bounds_m)), lambda rows: shapes()[rows], tell, lambda: bounds_m)


def _told(texts: Callable[[], list[bytes]]) -> Values:
    return told_by_wkb(texts())


def _read(store: kept.Store, key: str, again: Callable[[], tuple[Values, ...]]) -> OfAGroup | None:
    entry = store.find(key)
    if entry is None:
        return None
    kinds: list[bool] = entry.told["shapes"]
    found = store.several(entry, [_place(kinds, number) for number in range(len(kinds))])
    if found is None:
        return None
    columns: list[Any] = list(found)
    for number in np.flatnonzero(kinds).tolist():
        texts = partial(_texts, store, key, again, number)
        columns[number] = _later(found[number], cache(partial(_told, texts)), texts)
    return tuple(columns), entry.told["told"]


def _place(kinds: list[bool], number: int) -> int:
    """Where the arrays of a column begin."""
    return sum(OF_SHAPES if shapes else 1 for shapes in kinds[:number])


def _texts(store: kept.Store, key: str, again: Callable[[], tuple[Values, ...]], number: int) -> list[bytes]:
    """The WKB of a column of shapes of a group, made again where it was damaged or taken away meanwhile."""
    entry = store.find(key)
    place = 0 if entry is None else _place(entry.told["shapes"], number)
    found = None if entry is None else store.several(entry, [place + 1, place + 2])
    lengths, texts = _flat(again()[number])[1:] if found is None else found
    data, ends = texts.tobytes(), np.cumsum(lengths).tolist()
    return [data[start:end] for start, end in zip([0, *ends], ends, strict=False)]


def _flat(array: Values) -> tuple[Values, ...]:
    """An array of shapes as their bounds, the lengths of their WKB and all of it."""
    if array.dtype != object:
        return (array,)
    texts = shapely.to_wkb(array)
    return _bounds(array), np.array([len(text) for text in texts], np.int64), np.frombuffer(b"".join(texts), np.uint8)


def _bounds(array: Values) -> Values:
    return np.asarray(shapely.bounds(array), np.float64).reshape(-1, 4) if array.dtype == object else array


def _shapes(texts: list[bytes]) -> Geometries:
    pieces = np.empty(len(texts), object)
    pieces[:] = texts
    found: Geometries = np.asarray(shapely.from_wkb(pieces), object)
    return found
