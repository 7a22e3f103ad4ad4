"""Steps over many features whose results are kept from run to run, group by group, as those over a raster are (`keptplanes.py`)."""

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import shapely

from geoseptic.io import kept
from geoseptic.io.keptplanes import named, refuse_closures
from geoseptic.model.frame import Geometries
from geoseptic.model.planes import Values
from geoseptic.terrain.tiles import for_each

Told = Any


def by_groups(
    step: Callable[..., tuple[tuple[Values, ...], Told]], groups: Iterable[Any], given: Callable[[Any], tuple[Any, ...]], workers: int = 1
) -> list[tuple[tuple[Values, ...], Told]]:
    """`step(*given(group))` of every group, in their order: arrays of numbers or of shapes, and what is told of them.

    Raises TypeError for a step that could see more than it is given.
    """
    refuse_closures(step)
    store = kept.in_use()
    assert store is not None

    def one(group: Any) -> tuple[tuple[Values, ...], Told]:
        own = given(group)
        key = store.key(named(step), own)
        found = _read(store, key)
        store.count(step.__name__, reused=found is not None)
        if found is not None:
            return found
        arrays, told = step(*own)
        flat = [part for array in arrays for part in _flat(array)]
        return arrays, store.put(key, flat, {"told": told, "shapes": [array.dtype == object for array in arrays]}).told["told"]

    return for_each(one, groups, workers)


def _read(store: kept.Store, key: str) -> tuple[tuple[Values, ...], Told] | None:
    entry = store.find(key)
    if entry is None:
        return None
    flat = store.arrays(entry)
    if flat is None:
        return None
    arrays, rest = [], iter(flat)
    for shapes in entry.told["shapes"]:
        numbers = next(rest)
        arrays.append(_shapes(numbers, next(rest)) if shapes else numbers.copy())
    return tuple(arrays), entry.told["told"]


def _flat(array: Values) -> tuple[Values, ...]:
    """An array of shapes as the lengths of their WKB and all of it."""
    if array.dtype != object:
        return (array,)
    texts = shapely.to_wkb(array)
    return np.array([len(text) for text in texts], np.int64), np.frombuffer(b"".join(texts), np.uint8)


def _shapes(lengths: Values, texts: Values) -> Geometries:
    data, ends = texts.tobytes(), np.cumsum(lengths).tolist()
    pieces = np.empty(len(ends), object)
    pieces[:] = [data[start:end] for start, end in zip([0, *ends], ends, strict=False)]
    found: Geometries = np.asarray(shapely.from_wkb(pieces), object)
    return found
