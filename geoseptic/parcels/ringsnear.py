"""Rings of very many corners, of which only what lies near a box matters: a shore of fifty miles beside one lot.

A stretch that stays on one side of the box (wholly west of it, say) may be replaced by the straight line between its ends, which stays on
that side too. Every edge that comes into the box is left as it was, and the ring winds round what is in the box as often as before; beyond
the box it may cross itself.
"""

import numpy as np
import numpy.typing as npt
from numba import njit

WEST, EAST, SOUTH, NORTH = 1, 2, 4, 8

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def copied_near(xy, start, end, out, at, west, south, east, north):  # type: ignore[no-untyped-def]
    """Write those of the corners of a ring that is not closed that matters in the box into `out` from `at` on; where the next may go, -1
    where there is no room. The first and the last corner are always among them."""
    at = _put(xy, start, out, at)
    # The sides on which all corners lie from the last one written on, and the sides of the one before.
    common = before = _sides(xy[start, 0], xy[start, 1], west, south, east, north)
    for corner in range(start + 1, end):
        own = _sides(xy[corner, 0], xy[corner, 1], west, south, east, north)
        if corner > start + 1 and not common & own:
            at = _put(xy, corner - 1, out, at)
            common = before
        common &= own
        before = own
    return _put(xy, end - 1, out, at) if end > start + 1 else at


@njit(cache=True, nogil=True, inline="always")
def _put(xy, corner, out, at):  # type: ignore[no-untyped-def]
    """Write a corner; where the next may go, -1 where there is no room, or was none before."""
    if at < 0 or at == out.shape[0]:
        return -1
    out[at, 0], out[at, 1] = xy[corner, 0], xy[corner, 1]
    return at + 1


@njit(cache=True, nogil=True, inline="always")
def _sides(x, y, west, south, east, north):  # type: ignore[no-untyped-def]
    return WEST * (x < west) + EAST * (x > east) + SOUTH * (y < south) + NORTH * (y > north)


@njit(cache=True, nogil=True)
def _all_near(xy, first, west, south, east, north):  # type: ignore[no-untyped-def]
    out, count = np.empty_like(xy), np.zeros(first.size - 1, np.int64)
    at = 0
    for ring in range(count.size):
        start, end = first[ring], first[ring + 1]
        begun = at
        if end - start > 1:
            at = _put(xy, end - 1, out, copied_near(xy, start, end - 1, out, at, west, south, east, north))
        # Of a ring that is nowhere near no area is left.
        if at - begun < 4:
            at = begun
        count[ring] = at - begun
    return out[:at], count


def rings_near(xy: Floats, first: Ints, box: tuple[float, float, float, float]) -> tuple[Floats, Ints]:
    """The corners of closed rings that matter in a box, and how many are left of each: none of one that reaches neither round nor into it.

    Parameters
    ----------
    xy : (corners, 2).
    first : (rings + 1,) first corner of each ring.
    box : west, south, east, north.
    """
    found: tuple[Floats, Ints] = _all_near(np.ascontiguousarray(xy, np.float64), np.asarray(first, np.int64), *map(float, box))
    return found
