"""Numbered areas of a raster in few colours, so that no two that touch have the same one."""

from collections import Counter
from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.keyheap import cell_of, pop, push

Labels = npt.NDArray[np.integer]


HALO_CELLS: Final = 1
"""What `shared_edges` needs of the rows to the south and of the columns to the east of a window."""


def told_apart(labels: Labels, count: int, colours: int) -> npt.NDArray[np.int64]:
    """A colour for each label, such that areas with a common cell edge differ.

    Parameters
    ----------
    labels : integer array, shape (rows, cols)
        Number of the area of each cell, from 0 to `count` - 1; negative where there is none.
    colours : int
        How many colours there are.

    Returns
    -------
    int64 array, shape (count,)
        Colour of each label, from 0 to `colours` - 1.
    """
    return coloured(shared_edges(labels, count), count, colours)


def shared_edges(labels: Labels, count: int, core: tuple[int, int] | None = None) -> Counter[int]:
    """How many cell edges two areas share, by lower label times `count` plus higher label.

    Those of windows add up to those of the raster: `core` is the shape of the window itself, which begins with the array and has the halo
    on its south and east side, as far as the raster goes; None for all of the array.
    """
    rows, cols = labels.shape if core is None else core
    own = labels[:rows, :cols]
    found: Counter[int] = Counter()
    for other in (labels[1 : rows + 1, :cols], labels[:rows, 1 : cols + 1]):
        here = own[: other.shape[0], : other.shape[1]]
        apart = (here != other) & (here >= 0) & (other >= 0)
        one, two = here[apart].astype(np.int64), other[apart].astype(np.int64)
        keys, lengths = np.unique(np.minimum(one, two) * count + np.maximum(one, two), return_counts=True)
        found.update(dict(zip(keys.tolist(), lengths.tolist(), strict=True)))
    return found


def coloured(edges: Mapping[int, int], count: int, colours: int) -> npt.NDArray[np.int64]:
    """The colours of `told_apart` from the `shared_edges` of the whole raster.

    The areas are taken off one by one, always the one with the fewest neighbours left, and coloured in the reverse order, each with the
    rarest colour of those free. A map of areas in one piece each has always one with five neighbours or less (Euler), so that six colours
    are enough. Areas in several pieces may ask for more; where all colours are taken, that of the shortest common border is used again.
    """
    keys, lengths = (np.fromiter(values, np.int64, len(edges)) for values in (edges.keys(), edges.values()))
    one, other = keys // max(count, 1), keys % max(count, 1)
    own, neighbour = np.concatenate([one, other]), np.concatenate([other, one])
    order = np.argsort(own, kind="stable")
    ends = np.searchsorted(own[order], np.arange(count + 1))
    return _coloured(ends, neighbour[order], np.concatenate([lengths, lengths])[order], np.zeros(colours, np.int64))


@njit(cache=True, nogil=True)
def _coloured(ends, neighbours, lengths, used):  # type: ignore[no-untyped-def]
    """Colours of areas of which number k has the borders from `ends[k]` to `ends[k + 1]`; counts in `used` how often each is used."""
    count = ends.size - 1
    left, taken = np.empty(count, np.int64), np.empty(count, np.int64)
    heap, queued = np.empty(max(2 * count, 1), np.int64), np.int64(0)
    for label in range(count):
        left[label] = ends[label + 1] - ends[label]
        heap = push(heap, queued, left[label] << 32 | label)
        queued += 1
    done = 0
    while queued > 0:
        key = pop(heap, queued)
        queued -= 1
        label = cell_of(key)
        if left[label] != key >> 32:  # it has lost neighbours since, and is queued again
            continue
        left[label] = -1
        taken[done] = label
        done += 1
        for place in range(ends[label], ends[label + 1]):
            neighbour = neighbours[place]
            if left[neighbour] >= 0:
                left[neighbour] -= 1
                heap = push(heap, queued, left[neighbour] << 32 | neighbour)
                queued += 1
    found, shared = np.empty(count, np.int64), np.zeros(used.size, np.int64)
    for label in range(count):
        found[label] = -1
    for place in range(count - 1, -1, -1):
        label = taken[place]
        for colour in range(used.size):
            shared[colour] = 0
        for border in range(ends[label], ends[label + 1]):
            if found[neighbours[border]] >= 0:
                shared[found[neighbours[border]]] += lengths[border]
        best = 0
        for colour in range(1, used.size):
            if shared[colour] < shared[best] or (shared[colour] == shared[best] and used[colour] < used[best]):
                best = colour
        found[label] = best
        used[best] += 1
    return found
