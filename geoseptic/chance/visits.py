"""Places to visit, by neighbourhoods that one person can walk, and an order within each that spares steps."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

MOST_STOPS: Final = 25
MOST_ACROSS_M: Final = 1000.0
"""Of a neighbourhood: a day on foot. Common practice, no source."""

SAME_LENGTH_M: Final = 1e-6

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def neighbourhoods(points_m: Floats) -> Ints:
    """The neighbourhood of each of n points, shape (n,): the whole is halved across its longer side, by number of points, until none has
    more than `MOST_STOPS` nor is more than `MOST_ACROSS_M` long; where points lie far apart it is parted at the middle of the ground.
    Numbered from 0 in that order. [m]"""
    found = np.zeros(len(points_m), np.int64)
    count, open_groups = 0, [np.arange(len(points_m))] if len(points_m) else []
    while open_groups:
        own = open_groups.pop()
        span_m = np.ptp(points_m[own], axis=0)
        axis = int(span_m[1] > span_m[0])
        along = points_m[own, axis]
        if span_m[axis] > MOST_ACROSS_M:
            first = along <= along.min() + span_m[axis] / 2
        elif len(own) > MOST_STOPS:
            first = np.zeros(len(own), bool)
            first[np.lexsort((own, points_m[own, 1 - axis], along))[: len(own) // 2]] = True
        else:
            found[own] = count
            count += 1
            continue
        open_groups += [own[~first], own[first]]
    return found


def walk(points_m: Floats, start: int = 0) -> Ints:
    """An order of n points to visit, from `start`: always on to the nearest, then pieces of the way are turned round as long as that makes
    it shorter (2-opt, croes1958); not the shortest way there is, but one that nobody walks twice. Shape (n,). [m]"""
    apart_m = cdist(points_m, points_m)
    left = set(range(len(points_m))) - {start}
    order = [start]
    while left:
        order.append(min(left, key=lambda stop: (apart_m[order[-1], stop], stop)))
        left.remove(order[-1])
    shorter = True
    while shorter:
        shorter = False
        for first in range(1, len(order) - 1):
            for last in range(first + 1, len(order)):
                before, after = order[first - 1], order[last + 1] if last + 1 < len(order) else None
                now = apart_m[before, order[first]] + (0.0 if after is None else apart_m[order[last], after])
                turned = apart_m[before, order[last]] + (0.0 if after is None else apart_m[order[first], after])
                if turned < now - SAME_LENGTH_M:
                    order[first : last + 1] = order[first : last + 1][::-1]
                    shorter = True
    return np.array(order, np.int64)
