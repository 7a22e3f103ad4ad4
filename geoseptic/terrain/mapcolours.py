"""Numbered areas of a raster in few colours, so that no two that touch have the same one."""

from collections import Counter
from collections.abc import Mapping
from heapq import heapify, heappop, heappush
from typing import Final

import numpy as np
import numpy.typing as npt

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
    borders: list[dict[int, int]] = [{} for _ in range(count)]
    for key, length in edges.items():
        one, other = divmod(key, count)
        borders[one][other] = borders[other][one] = length
    left = {label: len(border) for label, border in enumerate(borders)}
    queue = [(degree, label) for label, degree in left.items()]
    heapify(queue)
    order: list[int] = []
    while queue:
        degree, label = heappop(queue)
        if left.get(label) != degree:  # it has lost neighbours since, and is queued again
            continue
        del left[label]
        order.append(label)
        for neighbour in borders[label]:
            if neighbour in left:
                left[neighbour] -= 1
                heappush(queue, (left[neighbour], neighbour))
    found = [-1] * count
    used = [0] * colours
    for label in reversed(order):
        shared = [0] * colours
        for neighbour, length in borders[label].items():
            if found[neighbour] >= 0:
                shared[found[neighbour]] += length
        found[label] = min(range(colours), key=lambda colour: (shared[colour], used[colour]))
        used[found[label]] += 1
    return np.array(found, np.int64)
