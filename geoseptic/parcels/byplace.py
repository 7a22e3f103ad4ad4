"""Bounds that are asked for again and again by the place: which of very many meet a window."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt

Bounds = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

IN_A_GROUP: Final = 256


class ByPlace:
    """Bounds in groups of those that lie together: of most groups none meets a window, which one look at the bounds of the group tells."""

    def __init__(self, bounds: Bounds) -> None:
        """Bounds as (left, bottom, right, top) in whatever unit, shape (shapes, 4); those with NaN in them meet nothing."""
        there = np.flatnonzero(~np.isnan(bounds).any(axis=1))
        across, up = bounds[there, 0] + bounds[there, 2], bounds[there, 1] + bounds[there, 3]
        # Strips from left to right, each from bottom to top, so that groups are about square. Who is in which group does not matter.
        in_a_strip = IN_A_GROUP * max(1, math.isqrt(len(there) // IN_A_GROUP))
        order = np.argsort(across)
        for start in range(0, len(there), in_a_strip):
            strip = order[start : start + in_a_strip]
            strip[:] = strip[np.argsort(up[strip])]
        self._rows = there[order]
        self._bounds = bounds[self._rows]
        starts = np.arange(0, len(there), IN_A_GROUP)
        ends = np.minimum.reduceat(self._bounds[:, :2], starts), np.maximum.reduceat(self._bounds[:, 2:], starts)
        self._of_groups = np.concatenate(ends, axis=1) if len(starts) else np.empty((0, 4))

    def meeting(self, left: float, bottom: float, right: float, top: float) -> Rows:
        """The rows of those that meet these bounds, in their order; to touch is to meet."""
        window = left, bottom, right, top
        groups = np.flatnonzero(_meet(self._of_groups, *window))
        at = (groups[:, None] * IN_A_GROUP + np.arange(IN_A_GROUP)).ravel()
        at = at[at < len(self._rows)]
        return np.sort(self._rows[at[_meet(self._bounds[at], *window)]])

    def near(self, others: Bounds) -> Rows:
        """The rows of those that meet what bounds all of the others, shape (others, 4), of which those with NaN are nowhere."""
        low, high = np.split(np.ascontiguousarray(others.T), 2)
        return self.meeting(*np.fmin.reduce(low, axis=1).tolist(), *np.fmax.reduce(high, axis=1).tolist())


def grown(bounds: Bounds, more: npt.NDArray[np.float64] | float) -> Bounds:
    """Bounds with so much more on every side, the same for all or of each, shape (shapes, 4)."""
    return bounds + np.asarray(more)[..., None] * np.array([-1, -1, 1, 1])


def _meet(bounds: Bounds, left: float, bottom: float, right: float, top: float) -> npt.NDArray[np.bool_]:
    west, south, east, north = bounds.T
    found: npt.NDArray[np.bool_] = (east >= left) & (west <= right) & (north >= bottom) & (south <= top)
    return found
