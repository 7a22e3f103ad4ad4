"""Steps over many lots, part by part, whose answers are kept, so that a run that dies loses only the parts that were not done."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import numpy as np

from geoseptic.io import kept
from geoseptic.io.digests import digest
from geoseptic.io.keptplanes import named, refuse_closures
from geoseptic.io.packed import packed, unpacked

Answer = TypeVar("Answer")


def by_parts(
    step: Callable[..., Any],
    common: Callable[[], tuple[Any, ...]],
    parts: Sequence[tuple[Any, ...]],
    made: Callable[[list[tuple[Any, ...]]], Iterator[Answer]],
    worth_keeping: Callable[[Answer], bool] = lambda answer: True,
) -> list[Answer]:
    """The answers of `step` to the parts, in their order.

    Those that a store in use has are taken; the others are `made`, which yields them in the order of the parts that it is given, and each
    that is `worth_keeping` is kept as soon as it is there. `common` : what the step sees besides its part; a hash of it goes into every
    key. Raises TypeError for a step that could see more.
    """
    store = kept.in_use()
    if store is None:
        return list(made(list(parts)))
    refuse_closures(step)
    whole = digest(common())
    keys = [store.key(named(step), whole, part) for part in parts]
    found = [_read(store, key) for key in keys]
    missing = [number for number, answer in enumerate(found) if answer is None]
    for number, answer in zip(missing, made([parts[number] for number in missing]), strict=True):
        if worth_keeping(answer):
            store.put(keys[number], [np.frombuffer(packed(answer), np.uint8)])
        found[number] = (answer,)
    for number in range(len(parts)):
        store.count(step.__name__, reused=number not in set(missing))
    return [answer[0] for answer in found if answer is not None]


def _read(store: kept.Store, key: str) -> tuple[Any] | None:
    entry = store.find(key)
    data = None if entry is None else store.small(entry, 0)
    if data is None:
        return None
    try:
        return (unpacked(data.tobytes()),)
    except ValueError:
        return None
