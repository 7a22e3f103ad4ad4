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

LOOK_AFTER = 3
"""So many chains of sides are taken at a time; then it is looked whether anything is left."""

BLOCK = 4
"""Spots on a side of a block of which the ground is looked at once before it is at its spots."""

Floats = npt.NDArray[np.float64]


class Side(NamedTuple):
    """What field or reserve keeps clear of, about the middle of the lot: `rings` of what holds what any draw leaves; `inside` those of what
    the lot's line leaves, where it is on record; `things` those of what buildings shut there, moving with them; and the distances from
    wells. [m]"""

    rings: Rings
    inside: Rings
    things: Rings
    wells_m: Floats


class Frame(NamedTuple):
    """Spots of one direction: the lowest one on the left, how far apart they are, how many rows, columns and words of bits in a row;
    cosine and sine. [m]"""

    left: float
    bottom: float
    cell: float
    rows: int
    cols: int
    words: int
    cosine: float
    sine: float


class Chains(NamedTuple):
    """Sides of shapes in columns and rows of spots, put together to chains that go up from row to row: chain k is
    `starts[k]:starts[k + 1]`. `rise` : how far to the right the side that begins at a corner goes in one row."""

    x: Floats
    y: Floats
    rise: Floats
    starts: npt.NDArray[np.int64]


class Spots(NamedTuple):
    """Where the middle of each layout may be in one direction; grids of bits as in `bitrows`, (layouts, rows, words), flat.

    whole : in any draw, as far as is known of the ground. inside, outside : by the lot's line and by the buildings as they are on record,
    in all rows from which they may be moved to `whole`. level : spots at which the ground was looked at and lets trenches lie. blocks : 0
    not looked at yet, 1 may be level, 2 steep. ends : lowest and highest row and first and last column of `whole`, (layouts, 4), the first
    -1 where it is empty: then nothing else is set of that layout.
    """

    whole: npt.NDArray[np.uint64]
    inside: npt.NDArray[np.uint64]
    outside: npt.NDArray[np.uint64]
    level: npt.NDArray[np.uint64]
    blocks: npt.NDArray[np.uint8]
    ends: npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def seen_from(x, y, frame):  # type: ignore[no-untyped-def]
    """A point in the directions of the spots. [m]"""
    return x * frame.cosine + y * frame.sine, y * frame.cosine - x * frame.sine


@njit(cache=True, nogil=True)
def row_at(option, row, frame):  # type: ignore[no-untyped-def]
    """Where a layout's row begins in flat grids."""
    return (option * frame.rows + row) * frame.words


@njit(cache=True, nogil=True)
def frame_of(rings, spare_rings, turn, cell, most_cells, far_m):  # type: ignore[no-untyped-def]
    """Spots over both shapes, and as far round as things are moved and two more."""
    cosine, sine = math.cos(turn), math.sin(turn)
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for outline in (rings, spare_rings):
        for k in range(outline.x.size):
            u, v = outline.x[k] * cosine + outline.y[k] * sine, outline.y[k] * cosine - outline.x[k] * sine
            left, right, bottom, top = min(left, u), max(right, u), min(bottom, v), max(top, v)
    cell = max(cell, math.sqrt((right - left) * (top - bottom)) / most_cells)
    more = far_m + 2.0 * cell
    left, right, bottom, top = left - more, right + more, bottom - more, top + more
    cols, rows = int((right - left) / cell) + 1, int((top - bottom) / cell) + 1
    left, bottom = 0.5 * (left + right - (cols - 1) * cell), 0.5 * (bottom + top - (rows - 1) * cell)
    return Frame(left, bottom, cell, rows, cols, (cols + 63) >> 6, cosine, sine)


@njit(cache=True, nogil=True)
def spots_of(side, frame, layouts, tried, patch, far_m):  # type: ignore[no-untyped-def]
    """`Spots` of the tried layouts."""
    options, rows, words, more = layouts.shape[0], frame.rows, frame.words, int(far_m / frame.cell) + 2
    chains = _chains(side.rings, frame)
    middles = _middles(chains, frame)
    whole, level = np.empty((options, rows, words), np.uint64), np.zeros((options, rows, words), np.uint64)
    inside, outside, ends = np.empty_like(whole), np.empty_like(whole), np.full((options, 4), -1)
    blocks = np.zeros((options, rows // BLOCK + 1, frame.cols // BLOCK + 1), np.uint8)
    poor, good = patch.not_good[-1, -1] > 0, middles
    if poor:
        half, rings = 0.5 * frame.cell, turned(side.rings, frame.cosine, frame.sine)
        _, good = inside_cells(rings, frame.left - half, frame.bottom - half, frame.cell, rows, frame.cols)
        keep_good_ground(good, frame.left - half, frame.bottom - half, frame.cell, frame.cosine, frame.sine, patch)
    left, right, bottom, top = _bounds(chains)
    made, inside_chains, thing_chains, inside_middles, thing_middles = False, chains, chains, middles, middles
    for option in range(options):
        long, deep = (0.5 * layouts[option, 1] + SLACK_M) / frame.cell, (0.5 * layouts[option, 2] + SLACK_M) / frame.cell
        low, high = int(math.ceil(bottom + deep)), int(math.floor(top - deep))
        if not tried[option] or low > high or left + long > right - long:
            continue
        own = whole[option]
        for row in range(low, high + 1):
            for word in range(words):
                own[row, word] = middles[row, word]
        # Most of what is left nothing of is seen by a few.
        for first in range(0, chains.starts.size - 1, LOOK_AFTER):
            last = min(first + LOOK_AFTER, chains.starts.size - 1)
            _clear_chains(own, chains, first, last, long, deep, low, high, frame.cols)
            if not set_rows(own.reshape(-1), 0, words, option, low, high, ends):
                break
            low, high = ends[option, 0], ends[option, 1]
        if ends[option, 0] >= 0 and poor:
            _keep_good(own, good, _cells_each_way(long), _cells_each_way(deep), low, high)
            set_rows(own.reshape(-1), 0, words, option, low, high, ends)
        if ends[option, 0] < 0:
            continue
        set_columns(own.reshape(-1), 0, words, option, ends)
        if not made:
            inside_chains, thing_chains, made = _chains(side.inside, frame), _chains(side.things, frame), True
            inside_middles, thing_middles = _middles(inside_chains, frame), _middles(thing_chains, frame)
        # Of these only what is moved to spots of `whole` matters.
        low, high = max(0, ends[option, 0] - more), min(rows - 1, ends[option, 1] + more)
        kept, free = inside[option], outside[option]
        for row in range(low, high + 1):
            for word in range(words):
                kept[row, word], free[row, word] = inside_middles[row, word], ~thing_middles[row, word]
        for bits, sides in ((kept, inside_chains), (free, thing_chains)):
            _clear_chains(bits, sides, 0, sides.starts.size - 1, long, deep, low, high, frame.cols)
    return Spots(whole.reshape(-1), inside.reshape(-1), outside.reshape(-1), level.reshape(-1), blocks, ends)


@njit(cache=True, nogil=True, error_model="numpy")
def _chains(rings, frame):  # type: ignore[no-untyped-def]
    """`Chains` of the sides of rings."""
    corners = rings.x.size
    u, v = np.empty(corners), np.empty(corners)
    for k in range(corners):
        along, across = seen_from(rings.x[k], rings.y[k], frame)
        u[k], v[k] = (along - frame.left) / frame.cell, (across - frame.bottom) / frame.cell
    x, y, rise, starts = np.empty(2 * corners), np.empty(2 * corners), np.empty(2 * corners), np.zeros(corners + 1, np.int64)
    chains = size = 0
    for ring in range(rings.starts.size - 1):
        first, end = rings.starts[ring], rings.starts[ring + 1] - 1
        while first < end:
            last, up = first + 1, v[first + 1] >= v[first]
            while last < end and (v[last + 1] >= v[last]) == up:
                last += 1
            for k in range(last - first + 1):
                at = first + k if up else last - k
                x[size], y[size], rise[size] = u[at], v[at], 0.0
                if k > 0 and y[size] > y[size - 1]:
                    rise[size - 1] = (x[size] - x[size - 1]) / (y[size] - y[size - 1])
                size += 1
            chains += 1
            starts[chains], first = size, last
    return Chains(x[:size], y[:size], rise[:size], starts[: chains + 1])


@njit(cache=True, nogil=True)
def _bounds(chains):  # type: ignore[no-untyped-def]
    """Left, right, bottom, top."""
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for k in range(chains.x.size):
        left, right = min(left, chains.x[k]), max(right, chains.x[k])
        bottom, top = min(bottom, chains.y[k]), max(top, chains.y[k])
    return left, right, bottom, top


@njit(cache=True, nogil=True)
def _cells_each_way(half):  # type: ignore[no-untyped-def]
    """How many cells beside that of its middle a rectangle may touch on each side."""
    return int(math.ceil(half + 0.5)) - 1


@njit(cache=True, nogil=True)
def _middles(chains, frame):  # type: ignore[no-untyped-def]
    """Spots inside the polygon of these sides, even-odd."""
    inside = no_cells(frame.rows, frame.cols)
    for chain in range(chains.starts.size - 1):
        for k in range(chains.starts[chain], chains.starts[chain + 1] - 1):
            for row in range(max(0, int(math.ceil(chains.y[k]))), min(frame.rows - 1, int(math.ceil(chains.y[k + 1])) - 1) + 1):
                col = max(0, int(math.ceil(chains.x[k] + (row - chains.y[k]) * chains.rise[k])))
                if col < frame.cols:
                    turn_over(inside, row, col)
    fill_between(inside, frame.cols)
    return inside


@njit(cache=True, nogil=True)
def _clear_chains(bits, chains, first_chain, last_chain, long, deep, low, high, cols):  # type: ignore[no-untyped-def]
    """Clear the spots, from one row to another, at which a rectangle so long and so deep either way meets some of these chains; in cells.

    What the rectangle's depth leaves of a chain hangs together, so that it meets all columns from its farthest left to its farthest right.
    """
    x, y, rise, starts = chains
    flat, words = bits.reshape(-1), bits.shape[1]
    for chain in range(first_chain, last_chain):
        first, last = starts[chain], starts[chain + 1] - 1
        begin = end = first
        for row in range(max(low, int(math.ceil(y[first] - deep))), min(high, int(math.floor(y[last] + deep))) + 1):
            while begin <= last and y[begin] < row - deep:
                begin += 1
            while end <= last and y[end] <= row + deep:
                end += 1
            left, right = np.inf, -np.inf
            for k in range(begin, end):
                left, right = min(left, x[k]), max(right, x[k])
            if first < begin <= last:
                at = x[begin - 1] + (row - deep - y[begin - 1]) * rise[begin - 1]
                left, right = min(left, at), max(right, at)
            if first < end <= last:
                at = x[end - 1] + (row + deep - y[end - 1]) * rise[end - 1]
                left, right = min(left, at), max(right, at)
            if left <= right:
                clear(flat, row * words, left - long, right + long, cols)


@njit(cache=True, nogil=True)
def clear(bits, at, first_at, last_at, cols):  # type: ignore[no-untyped-def]
    """Clear the columns of the row that begins at a word, from one place to another."""
    first, last = int(math.ceil(max(first_at, 0.0))), int(math.floor(min(last_at, cols - 1.0)))
    if last < first:
        return
    begin, end = at + (first >> 6), at + (last >> 6)
    above, below = ALL << np.uint64(first & 63), ALL >> np.uint64(63 - (last & 63))
    if begin == end:
        bits[begin] &= ~(above & below)
        return
    bits[begin] &= ~above
    for word in range(begin + 1, end):
        bits[word] = NONE
    bits[end] &= ~below


@njit(cache=True, nogil=True)
def _keep_good(bits, good, wide, deep, low, high):  # type: ignore[no-untyped-def]
    """Keep the spots round which all cells are good, so many each way."""
    runs = good.copy()
    keep_runs(runs, np.int64(1), 2 * wide + 1, np.int64(0), good.shape[0] - 1)
    keep_stacks(runs, 2 * deep + 1, np.int64(0), good.shape[0] - 1)
    for row in range(low, high + 1):
        for word in range(bits.shape[1]):
            if row < deep:
                bits[row, word] = NONE
                continue
            at = 64 * word - wide
            left, part, found = at >> 6, np.uint64(at & 63), NONE
            if left >= 0:
                found = runs[row - deep, left] >> part
            if part != NONE and 0 <= left + 1 < bits.shape[1]:
                found |= runs[row - deep, left + 1] << (LAST - part) << ONE
            bits[row, word] &= found


@njit(cache=True, nogil=True)
def set_rows(bits, start, words, option, low, high, ends):  # type: ignore[no-untyped-def]
    """Set the lowest and highest row of what is set from one row to another; whether anything is. Row 0 begins at word `start`."""
    ends[option, 0] = -1
    for row in range(low, high + 1):
        some = NONE
        for word in range(start + row * words, start + (row + 1) * words):
            some |= bits[word]
        if some != NONE:
            ends[option, 0], ends[option, 1] = (row if ends[option, 0] < 0 else ends[option, 0]), row
    return ends[option, 0] >= 0


@njit(cache=True, nogil=True)
def set_columns(bits, start, words, option, ends):  # type: ignore[no-untyped-def]
    """Set the first and last column of what is set in those rows."""
    ends[option, 2] = -1
    for word in range(words):
        every = NONE
        for row in range(ends[option, 0], ends[option, 1] + 1):
            every |= bits[start + row * words + word]
        if every != NONE:
            if ends[option, 2] < 0:
                ends[option, 2] = 64 * word + lowest(every)
            ends[option, 3] = 64 * word + highest(every)
