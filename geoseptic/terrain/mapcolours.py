"""Numbered areas of a raster in few colours, so that no two that touch have the same one."""

from heapq import heapify, heappop, heappush

import numpy as np
import numpy.typing as npt


def told_apart(labels: npt.NDArray[np.integer], count: int, colours: int) -> npt.NDArray[np.int64]:
    """A colour for each label, such that areas with a common cell edge differ.

    The areas are taken off one by one, always the one with the fewest neighbours left, and coloured in the reverse order, each with the
    rarest colour of those free. A map of areas in one piece each has always one with five neighbours or less (Euler), so that six colours
    are enough. Areas in several pieces may ask for more; where all colours are taken, that of the shortest common border is used again.

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
    borders = _borders(labels, count)
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
    found = np.full(count, -1)
    used = np.zeros(colours, np.int64)
    for label in reversed(order):
        shared = np.zeros(colours, np.int64)
        for neighbour, length in borders[label].items():
            if found[neighbour] >= 0:
                shared[found[neighbour]] += length
        found[label] = np.lexsort((used, shared))[0]
        used[found[label]] += 1
    return found


def _borders(labels: npt.NDArray[np.integer], count: int) -> list[dict[int, int]]:
    """For each label its neighbours, with the number of cell edges that they share."""
    borders: list[dict[int, int]] = [{} for _ in range(count)]
    pairs = []
    for first, second in ((labels[1:], labels[:-1]), (labels[:, 1:], labels[:, :-1])):
        apart = (first != second) & (first >= 0) & (second >= 0)
        one, other = first[apart].astype(np.int64), second[apart].astype(np.int64)
        pairs.append(np.minimum(one, other) * count + np.maximum(one, other))
    keys, lengths = np.unique(np.concatenate(pairs), return_counts=True)
    for key, length in zip(keys.tolist(), lengths.tolist(), strict=True):
        one, other = divmod(key, count)
        borders[one][other] = borders[other][one] = length
    return borders
