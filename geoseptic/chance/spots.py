"""Where the middle of a rectangle of trenches may be on one lot, in one direction: as it is on record, ready to be moved with each draw.

The lot, its buildings and its wells only move from draw to draw. So what the lot's line leaves, and what buildings shut, is found once for
all draws, by the exact sides of the shapes, at spots some way apart.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import ALL, LAST, NONE, ONE, fill_between, highest, keep_runs, keep_stacks, lowest, no_cells, turn_over
from geoseptic.parcels.fitgrid import SLACK_M, Rings, inside_cells, turned
from geoseptic.parcels.fitground import keep_good_ground

LOOK_AFTER = 12
"""So many sides are taken at a time; then it is looked whether anything is left."""

BLOCK = 4
"""Spots on a side of a block of which the ground is looked at once before it is at its spots."""

Floats = npt.NDArray[np.float64]


class Side(NamedTuple):
    """What field or reserve keeps clear of, about the middle of the lot: `whole` holds what any draw leaves; `inside` what the lot's line
    leaves, where it is on record; `things` what buildings shut there, moving with them; and the distances from wells. Of shapes all sides,
    (n, 4), x and y of both ends, the longest first. [m]"""

    rings: Rings
    whole: Floats
    inside: Floats
    things: Floats
    wells_m: Floats


def sides_of(rings: Rings) -> Floats:
    """The sides of these rings as in `Side`."""
    xy = np.column_stack([rings.x, rings.y])
    every = np.column_stack([xy[:-1], xy[1:]])
    every = np.delete(every, rings.starts[1:-1] - 1, axis=0)
    lengths = np.hypot(every[:, 2] - every[:, 0], every[:, 3] - every[:, 1])
    return np.ascontiguousarray(every[np.argsort(-lengths, kind="stable")][: np.count_nonzero(lengths > 0)])


class Frame(NamedTuple):
    """Spots of one direction: the lowest one on the left, how far apart they are, how many rows and columns; cosine and sine. [m]"""

    left: float
    bottom: float
    cell: float
    rows: int
    cols: int
    cosine: float
    sine: float


class Spots(NamedTuple):
    """Where the middle of each layout may be in one direction; grids of bits as in `bitrows`, (rows, words, layouts).

    whole : in any draw, as far as is known of the ground. inside, outside : by the lot's line and by the buildings as they are on
    record, with `pad` words more at both ends of a row. level : spots at which the ground was looked at and lets trenches lie. blocks : 0
    not looked at yet, 1 may be level, 2 steep. ends : lowest and highest row and first and last column of `whole`, (layouts, 4), the first
    -1 where it is empty.
    """

    whole: npt.NDArray[np.uint64]
    inside: npt.NDArray[np.uint64]
    outside: npt.NDArray[np.uint64]
    pad: int
    level: npt.NDArray[np.uint64]
    blocks: npt.NDArray[np.uint8]
    ends: npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def seen_from(x, y, frame):  # type: ignore[no-untyped-def]
    """A point in the directions of the spots. [m]"""
    return x * frame.cosine + y * frame.sine, y * frame.cosine - x * frame.sine


@njit(cache=True, nogil=True)
def frame_of(rings, spare_rings, turn, cell, most_cells, far_m):  # type: ignore[no-untyped-def]
    """Spots over both shapes, and as far round as things are moved."""
    cosine, sine = math.cos(turn), math.sin(turn)
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for outline in (rings, spare_rings):
        for k in range(outline.x.size):
            u, v = outline.x[k] * cosine + outline.y[k] * sine, outline.y[k] * cosine - outline.x[k] * sine
            left, right, bottom, top = min(left, u), max(right, u), min(bottom, v), max(top, v)
    cell = max(cell, math.sqrt((right - left) * (top - bottom)) / most_cells)
    more = far_m + cell
    left, right, bottom, top = left - more, right + more, bottom - more, top + more
    cols, rows = int((right - left) / cell) + 1, int((top - bottom) / cell) + 1
    return Frame(0.5 * (left + right - (cols - 1) * cell), 0.5 * (bottom + top - (rows - 1) * cell), cell, rows, cols, cosine, sine)


@njit(cache=True, nogil=True)
def spots_of(side, frame, layouts, tried, patch, far_m):  # type: ignore[no-untyped-def]
    """`Spots` of the tried layouts."""
    options, more = layouts.shape[0], int(far_m / frame.cell) + 2
    sides = _in_cells(side.whole, frame)
    middles = _middles(sides, frame)
    rows, words = middles.shape
    # Words beyond both ends, for what is moved.
    pad = (more >> 6) + 1
    whole, inside = np.zeros((rows, words, options), np.uint64), np.zeros((rows, words + 2 * pad, options), np.uint64)
    outside, level, ends = np.zeros_like(inside), np.zeros_like(whole), np.full((options, 4), -1)
    blocks = np.zeros((rows // BLOCK + 1, frame.cols // BLOCK + 1, options), np.uint8)
    poor, good = patch.not_good[-1, -1] > 0, middles
    if poor:
        half, rings = 0.5 * frame.cell, turned(side.rings, frame.cosine, frame.sine)
        _, good = inside_cells(rings, frame.left - half, frame.bottom - half, frame.cell, rows, frame.cols)
        keep_good_ground(good, frame.left - half, frame.bottom - half, frame.cell, frame.cosine, frame.sine, patch)
    left, right, bottom, top = _bounds(sides)
    made, inside_sides, thing_sides, inside_middles, thing_middles = False, sides, sides, middles, middles
    for option in range(options):
        long, deep = (0.5 * layouts[option, 1] + SLACK_M) / frame.cell, (0.5 * layouts[option, 2] + SLACK_M) / frame.cell
        low, high = int(math.ceil(bottom + deep)), int(math.floor(top - deep))
        if not tried[option] or low > high or left + long > right - long:
            continue
        for row in range(low, high + 1):
            for word in range(words):
                whole[row, word, option] = middles[row, word]
        # Most of what the longest sides leave nothing of is seen by these.
        for first in range(0, sides.shape[0], LOOK_AFTER):
            _clear_sides(whole, option, 0, sides, first, min(first + LOOK_AFTER, sides.shape[0]), long, deep, low, high, frame.cols)
            low, high = _still_set(whole, option, low, high)
            if low > high:
                break
        if low <= high and poor:
            _keep_good(whole, option, good, _cells_each_way(long), _cells_each_way(deep), low, high)
        if not _set_whole_ends(whole, option, low, high, ends):
            continue
        if not made:
            inside_sides, thing_sides, made = _in_cells(side.inside, frame), _in_cells(side.things, frame), True
            inside_middles, thing_middles = _middles(inside_sides, frame), _middles(thing_sides, frame)
        # Of these only what is moved to spots of `whole` matters.
        low, high = max(0, ends[option, 0] - more), min(rows - 1, ends[option, 1] + more)
        for row in range(low, high + 1):
            for word in range(words):
                inside[row, word + pad, option], outside[row, word + pad, option] = inside_middles[row, word], ~thing_middles[row, word]
        _clear_sides(inside, option, 64 * pad, inside_sides, 0, inside_sides.shape[0], long, deep, low, high, frame.cols)
        _clear_sides(outside, option, 64 * pad, thing_sides, 0, thing_sides.shape[0], long, deep, low, high, frame.cols)
    return Spots(whole, inside, outside, pad, level, blocks, ends)


@njit(cache=True, nogil=True, error_model="numpy")
def _in_cells(sides, frame):  # type: ignore[no-untyped-def]
    """Sides in rows and columns of spots, lower end first, and how far to the right they go in one row; (n, 5)."""
    found = np.empty((sides.shape[0], 5))
    for k in range(sides.shape[0]):
        u0, v0 = seen_from(sides[k, 0], sides[k, 1], frame)
        u1, v1 = seen_from(sides[k, 2], sides[k, 3], frame)
        if v0 > v1:
            u0, v0, u1, v1 = u1, v1, u0, v0
        found[k, 0], found[k, 1] = (u0 - frame.left) / frame.cell, (v0 - frame.bottom) / frame.cell
        found[k, 2], found[k, 3] = (u1 - frame.left) / frame.cell, (v1 - frame.bottom) / frame.cell
        found[k, 4] = (u1 - u0) / (v1 - v0) if v1 > v0 else 0.0
    return found


@njit(cache=True, nogil=True)
def _bounds(sides):  # type: ignore[no-untyped-def]
    """Left, right, bottom, top."""
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for k in range(sides.shape[0]):
        left, right = min(left, sides[k, 0], sides[k, 2]), max(right, sides[k, 0], sides[k, 2])
        bottom, top = min(bottom, sides[k, 1]), max(top, sides[k, 3])
    return left, right, bottom, top


@njit(cache=True, nogil=True)
def _still_set(bits, option, low, high):  # type: ignore[no-untyped-def]
    """The lowest and highest row of what is set."""
    first = last = -1
    for row in range(low, high + 1):
        for word in range(bits.shape[1]):
            if bits[row, word, option] != NONE:
                first, last = (row if first < 0 else first), row
    return (first, last) if first >= 0 else (0, -1)


@njit(cache=True, nogil=True)
def _cells_each_way(half):  # type: ignore[no-untyped-def]
    """How many cells beside that of its middle a rectangle may touch on each side."""
    return int(math.ceil(half + 0.5)) - 1


@njit(cache=True, nogil=True)
def _middles(sides, frame):  # type: ignore[no-untyped-def]
    """Spots inside the polygon of these sides, even-odd."""
    inside = no_cells(frame.rows, frame.cols)
    for k in range(sides.shape[0]):
        x0, y0, _, y1, rise = sides[k]
        for row in range(max(0, int(math.ceil(y0))), min(frame.rows - 1, int(math.ceil(y1)) - 1) + 1):
            col = max(0, int(math.ceil(x0 + (row - y0) * rise)))
            if col < frame.cols:
                turn_over(inside, row, col)
    fill_between(inside, frame.cols)
    return inside


@njit(cache=True, nogil=True)
def _clear_sides(bits, option, on, sides, first, last, long, deep, low, high, cols):  # type: ignore[no-untyped-def]
    """Clear the spots, from one row to another, at which a rectangle so long and so deep either way meets some of the sides; the first
    column is so far `on` in the words. All in cells."""
    for k in range(first, last):
        x0, y0, x1, y1, rise = sides[k, 0], sides[k, 1], sides[k, 2], sides[k, 3], sides[k, 4]
        for row in range(max(low, int(math.ceil(y0 - deep))), min(high, int(math.floor(y1 + deep))) + 1):
            # The ends of what the rectangle's depth leaves of the side.
            xa, xb = x0 + max(0.0, row - deep - y0) * rise, x1 - max(0.0, y1 - row - deep) * rise
            clear(bits, option, row, on, min(xa, xb) - long, max(xa, xb) + long, cols)


@njit(cache=True, nogil=True)
def clear(bits, option, row, on, first_at, last_at, cols):  # type: ignore[no-untyped-def]
    """Clear the columns of a row from one place to another."""
    first, last = int(math.ceil(max(first_at, 0.0))), int(math.floor(min(last_at, cols - 1.0)))
    if last < first:
        return
    first, last = first + on, last + on
    begin, end = first >> 6, last >> 6
    above, below = ALL << np.uint64(first & 63), ALL >> np.uint64(63 - (last & 63))
    if begin == end:
        bits[row, begin, option] &= ~(above & below)
        return
    bits[row, begin, option] &= ~above
    for word in range(begin + 1, end):
        bits[row, word, option] = NONE
    bits[row, end, option] &= ~below


@njit(cache=True, nogil=True)
def _keep_good(bits, option, good, wide, deep, low, high):  # type: ignore[no-untyped-def]
    """Keep the spots round which all cells are good, so many each way."""
    runs = good.copy()
    keep_runs(runs, np.int64(1), 2 * wide + 1, np.int64(0), good.shape[0] - 1)
    keep_stacks(runs, 2 * deep + 1, np.int64(0), good.shape[0] - 1)
    for row in range(low, high + 1):
        for word in range(bits.shape[1]):
            if row < deep:
                bits[row, word, option] = NONE
                continue
            at = 64 * word - wide
            left, part, found = at >> 6, np.uint64(at & 63), NONE
            if left >= 0:
                found = runs[row - deep, left] >> part
            if part != NONE and 0 <= left + 1 < bits.shape[1]:
                found |= runs[row - deep, left + 1] << (LAST - part) << ONE
            bits[row, word, option] &= found


@njit(cache=True, nogil=True)
def _set_whole_ends(bits, option, low, high, ends):  # type: ignore[no-untyped-def]
    """Lowest and highest row and first and last column of what is set; whether anything is."""
    words = bits.shape[1]
    every = np.zeros(words, np.uint64)
    for row in range(low, high + 1):
        some = NONE
        for word in range(words):
            every[word] |= bits[row, word, option]
            some |= bits[row, word, option]
        if some != NONE:
            ends[option, 0], ends[option, 1] = (row if ends[option, 0] < 0 else ends[option, 0]), row
    for word in range(words):
        if every[word] != NONE:
            if ends[option, 2] < 0:
                ends[option, 2] = 64 * word + lowest(every[word])
            ends[option, 3] = 64 * word + highest(every[word])
    return ends[option, 0] >= 0
