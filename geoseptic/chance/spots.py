"""In which draws rectangles of trenches have room on one lot: every draw looked at in the same directions and at the same spots.

The lot, its buildings and its wells only move from draw to draw, so where the middle of a rectangle may be, in one direction, is the same
set of spots each time, moved: what the lot's line leaves moves with the lot, what buildings shut with them, and what a well shuts is a disc
with the rectangle round it. The first two are made once for all draws, by the exact lines of the shapes, and a draw is a few operations on
words of 64 spots. Spots are `cell_m` apart, and the lot and its buildings move by whole cells: that, and the choice of directions, is all
in which a draw looked at here differs from a search of its own.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import ALL, LAST, NONE, ONE, Bits, count, fill_between, is_set, keep_runs, keep_stacks, lowest, no_cells, turn_over
from geoseptic.parcels.fitgrid import SLACK_M, Rings, inside_cells, turned
from geoseptic.parcels.fitground import STEP_M, Trenches, Where, keep_good_ground, may_run_level, runs_level, where_of

MOST_TO_SPARE = 4
"""So many spots all round are taken as room to spare where there are."""

LOOK_AFTER = 12
"""So many sides are taken at a time; then it is looked whether anything is left."""

BLOCK = 4
"""Spots on a side of a block of which the ground is looked at once before it is at its spots."""

NEAR_ENOUGH = 1.25
"""A trench that falls so many times too much in the middle of a block will not do at another of its spots either."""

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


class Moves(NamedTuple):
    """Each draw's shifts of the lot and of its buildings, (draws, 2), and its wells about the middle of the lot, (draws, wells, 2). [m]"""

    lot_m: Floats
    things_m: Floats
    wells_m: Floats


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
    """Where the middle of each layout may be in one direction; grids of `bitrows`, (layouts, rows, words).

    whole : in any draw, as far as is known of the ground. inside, outside : by the lot's line and by the buildings, as they are on record.
    level : spots at which the ground was looked at and lets trenches lie. blocks : 0 not looked at yet, 1 may be level, 2 steep.
    ends : lowest and highest row and first and last column of `whole`, (layouts, 4), the first -1 where it is empty.
    """

    whole: Bits
    inside: Bits
    outside: Bits
    level: Bits
    blocks: npt.NDArray[np.uint8]
    ends: npt.NDArray[np.int64]


class Now(NamedTuple):
    """Where things are in each draw, in one direction: rows and columns by which lot and buildings are moved, wells, distances kept. [m]"""

    lot: npt.NDArray[np.int64]
    things: npt.NDArray[np.int64]
    wells: Floats


@njit(cache=True, nogil=True)
def decide(field, reserve, alike, tries, work, patch, moves, cell_m, most_cells, far_m, alone, most, kind, found):  # type: ignore[no-untyped-def]
    """Raise `kind` of each draw to what fits in it: 1 a field alone (where `alone`), 2 a field and its reserve, and put where into `found`.

    Parameters
    ----------
    field, reserve : `Side`; `alike` says that they, their layouts and what is worth trying are one.
    tries, work, patch : as of the search.
    moves : `Moves`; far_m : farther than these the lot and its buildings are moved in none. [m]
    cell_m, most_cells : spots are so far apart, or more where there would be more than so many on a side.
    most : int8 (draws,), what is looked for at most.
    found : float64 (draws, 7): number of the direction, row of the layouts and middle of the field, the same of the reserve (-1 : none). [m]
    """
    spares = work.reserves.shape[0]
    for number in range(tries.turns.size):
        if not (kind < most).any():
            return
        frame = _frame(field.rings, reserve.rings, tries.turns[number], cell_m, most_cells, far_m)
        own = _spots(field, frame, work.fields, tries.fields[number], patch, far_m)
        other = own if alike else _spots(reserve, frame, work.reserves, tries.reserves[number], patch, far_m)
        pairs = np.zeros((work.fields.shape[0], spares), np.bool_)
        both = _open_pairs(own.ends, other.ends, work, frame, pairs)
        if both or ((alone or spares == 0) and own.ends[:, 0].max() >= 0):
            now = _now(moves, frame)
            _look(number, own, other, field.wells_m, reserve.wells_m, alike, work, frame, patch, pairs, both, now, alone, most, kind, found)


@njit(cache=True, nogil=True)
def areas(side, spare_rings, patch, moves, cell_m, most_cells, far_m):  # type: ignore[no-untyped-def]
    """What each draw leaves, by the spots that are left, float64 (draws,); parameters as of `decide`. [m2]"""
    draws, point = moves.lot_m.shape[0], np.zeros((1, 3))
    frame = _frame(side.rings, spare_rings, 0.0, cell_m, most_cells, far_m)
    spots = _spots(side, frame, point, np.ones(1, np.bool_), patch, far_m)
    room, rows, found = np.empty((1, frame.rows, spots.whole.shape[2]), np.uint64), np.empty((1, 2), np.int64), np.zeros(draws)
    if spots.ends[0, 0] < 0:
        return found
    now = _now(moves, frame)
    for draw in range(draws):
        if _set_room(spots, 0, side.wells_m, point, frame, now, draw, room, rows):
            for row in range(rows[0, 0], rows[0, 1] + 1):
                for word in range(spots.ends[0, 2] >> 6, (spots.ends[0, 3] >> 6) + 1):
                    found[draw] += frame.cell * frame.cell * count(room[0, row, word])
    return found


@njit(cache=True, nogil=True)
def _now(moves, frame):  # type: ignore[no-untyped-def]
    """`Now` in one direction."""
    now = Now(np.empty(moves.lot_m.shape, np.int64), np.empty(moves.lot_m.shape, np.int64), np.empty_like(moves.wells_m))
    for draw in range(moves.lot_m.shape[0]):
        _set_cells_moved(moves.lot_m, draw, frame, now.lot)
        _set_cells_moved(moves.things_m, draw, frame, now.things)
        for well in range(moves.wells_m.shape[1]):
            x, y = moves.wells_m[draw, well, 0], moves.wells_m[draw, well, 1]
            now.wells[draw, well, 0], now.wells[draw, well, 1] = _turned(x, y, frame)
    return now


@njit(cache=True, nogil=True)
def _look(number, own, other, keep_m, spare_keep_m, alike, work, frame, patch, pairs, both, now, alone, most, kind, found):  # type: ignore[no-untyped-def]
    """`decide` in one direction."""
    options, spares, where, words = work.fields.shape[0], work.reserves.shape[0], where_of(patch), own.whole.shape[2]
    alone |= spares == 0
    room, spare_room = np.empty((options, frame.rows, words), np.uint64), np.empty((0 if alike else spares, frame.rows, words), np.uint64)
    rows, spare_rows = np.empty((options, 2), np.int64), np.empty((spares, 2), np.int64)
    ends, spare_ends = np.empty((options, 4, 2), np.int64), np.empty((spares, 4, 2), np.int64)
    paired = np.zeros(options, np.bool_)
    partner = np.zeros(spares, np.bool_)
    for option in range(options):
        for spare in range(spares):
            paired[option] |= pairs[option, spare]
            partner[spare] |= pairs[option, spare]
            if alike:
                paired[spare] |= pairs[option, spare]
    for draw in range(kind.size):
        if kind[draw] >= most[draw]:
            continue
        want_alone, want_both = alone and kind[draw] == 0, both and most[draw] == 2
        for option in range(options):
            rows[option, 0] = -1
            if own.ends[option, 0] < 0 or not (want_alone or (want_both and paired[option])):
                continue
            if not _set_room(own, option, keep_m, work.fields, frame, now, draw, room, rows):
                continue
            if want_alone:
                row, col = _level_spot(own, room, rows, option, work.fields, work.trenches, frame, patch.planes, where)
                if row >= 0:
                    kind[draw] = 1 if spares else 2
                    for _ in range(MOST_TO_SPARE):
                        if not _take_rim(room, rows, option, own.ends):
                            break
                        inner, inner_col = _level_spot(own, room, rows, option, work.fields, work.trenches, frame, patch.planes, where)
                        if inner < 0:
                            break
                        row, col = inner, inner_col
                    _note(found, draw, number, option, row, col, -1, -1, -1, frame)
                    want_alone = False
                    if not want_both:
                        break
        if kind[draw] == 2 or not want_both or (alone and kind[draw] == 0):
            continue
        _set_ends(room, rows, own.ends, ends)
        if alike:
            spare_ends[:] = ends
        else:
            for spare in range(spares):
                spare_rows[spare, 0] = -1
                if partner[spare]:
                    _set_room(other, spare, spare_keep_m, work.reserves, frame, now, draw, spare_room, spare_rows)
            _set_ends(spare_room, spare_rows, other.ends, spare_ends)
        if _pair(ends, spare_ends, pairs, work, frame)[0] < 0:
            continue
        _set_level_ends(own, room, rows, work.fields, work.trenches, frame, patch.planes, where, ends)
        if alike:
            spare_ends[:] = ends
        else:
            _set_level_ends(other, spare_room, spare_rows, work.reserves, work.trenches, frame, patch.planes, where, spare_ends)
        option, spare, end = _pair(ends, spare_ends, pairs, work, frame)
        if option >= 0:
            kind[draw] = 2
            # The reserve lies at the other end.
            row, col, spare_row, spare_col = ends[option, end, 0], ends[option, end, 1], spare_ends[spare, end ^ 1, 0], spare_ends[spare, end ^ 1, 1]
            for _ in range(MOST_TO_SPARE):
                for one in range(options):
                    if one != option and not (alike and one == spare):
                        rows[one, 0] = -1
                left = _take_rim(room, rows, option, own.ends)
                if not alike:
                    for one in range(spares):
                        if one != spare:
                            spare_rows[one, 0] = -1
                    left &= _take_rim(spare_room, spare_rows, spare, other.ends)
                elif spare != option:
                    left &= _take_rim(room, rows, spare, own.ends)
                if not left:
                    break
                _set_ends(room, rows, own.ends, ends)
                _set_level_ends(own, room, rows, work.fields, work.trenches, frame, patch.planes, where, ends)
                if alike:
                    spare_ends[:] = ends
                else:
                    _set_ends(spare_room, spare_rows, other.ends, spare_ends)
                    _set_level_ends(other, spare_room, spare_rows, work.reserves, work.trenches, frame, patch.planes, where, spare_ends)
                if not _pair_of(option, spare, end, ends, spare_ends, work, frame):
                    break
                row, col, spare_row, spare_col = ends[option, end, 0], ends[option, end, 1], spare_ends[spare, end ^ 1, 0], spare_ends[spare, end ^ 1, 1]
            _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame)


@njit(cache=True, nogil=True)
def _take_rim(room, rows, option, whole_ends):  # type: ignore[no-untyped-def]
    """Keep the spots of a layout whose neighbours all round are spots too, so that they have room to spare; whether there are any."""
    near, far = whole_ends[option, 2] >> 6, whole_ends[option, 3] >> 6
    low, high, some = rows[option, 0], rows[option, 1], False
    if low < 0:
        return False
    for row in range(low, high + 1):
        before = NONE
        for word in range(near, far + 1):
            bits = room[option, row, word]
            after = room[option, row, word + 1] if word < far else NONE
            room[option, row, word] = bits & (bits << ONE | before >> LAST) & (bits >> ONE | after << LAST)
            before = bits
    for word in range(near, far + 1):
        below = NONE
        for row in range(low, high + 1):
            bits = room[option, row, word]
            above = room[option, row + 1, word] if row < high else NONE
            room[option, row, word] = bits & below & above
            below = bits
            some |= room[option, row, word] != NONE
    if not some:
        rows[option, 0] = -1
    return some


@njit(cache=True, nogil=True)
def _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame):  # type: ignore[no-untyped-def]
    found[draw, 0], found[draw, 1], found[draw, 4] = number, option, spare
    found[draw, 2], found[draw, 3] = frame.left + col * frame.cell, frame.bottom + row * frame.cell
    found[draw, 5], found[draw, 6] = frame.left + spare_col * frame.cell, frame.bottom + spare_row * frame.cell


@njit(cache=True, nogil=True)
def _turned(x, y, frame):  # type: ignore[no-untyped-def]
    return x * frame.cosine + y * frame.sine, y * frame.cosine - x * frame.sine


@njit(cache=True, nogil=True)
def _frame(rings, spare_rings, turn, cell, most_cells, far_m):  # type: ignore[no-untyped-def]
    """Spots over both shapes, and as far round as things are moved."""
    cosine, sine = math.cos(turn), math.sin(turn)
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for outline in (rings, spare_rings):
        for k in range(outline.x.size):
            u, v = outline.x[k] * cosine + outline.y[k] * sine, outline.y[k] * cosine - outline.x[k] * sine
            left, right, bottom, top = min(left, u), max(right, u), min(bottom, v), max(top, v)
    cell = max(cell, (right - left) / most_cells, (top - bottom) / most_cells)
    more = far_m + cell
    left, right, bottom, top = left - more, right + more, bottom - more, top + more
    cols, rows = int((right - left) / cell) + 1, int((top - bottom) / cell) + 1
    return Frame(0.5 * (left + right - (cols - 1) * cell), 0.5 * (bottom + top - (rows - 1) * cell), cell, rows, cols, cosine, sine)


@njit(cache=True, nogil=True)
def _set_cells_moved(shifts_m, draw, frame, moved):  # type: ignore[no-untyped-def]
    """Rows and columns by which something is moved in a draw."""
    u, v = _turned(shifts_m[draw, 0], shifts_m[draw, 1], frame)
    moved[draw, 0], moved[draw, 1] = int(math.floor(v / frame.cell + 0.5)), int(math.floor(u / frame.cell + 0.5))


@njit(cache=True, nogil=True)
def _spots(side, frame, layouts, tried, patch, far_m):  # type: ignore[no-untyped-def]
    """`Spots` of the tried layouts."""
    options, more = layouts.shape[0], int(far_m / frame.cell) + 2
    sides = _in_cells(side.whole, frame)
    middles = _middles(sides, frame)
    rows, words = middles.shape
    # Words beyond both ends, for what is moved.
    pad = (more >> 6) + 1
    whole, inside = np.zeros((options, rows, words), np.uint64), np.zeros((options, rows, words + 2 * pad), np.uint64)
    outside, level, ends = np.zeros_like(inside), np.zeros_like(whole), np.full((options, 4), -1)
    spots = Spots(whole, inside, outside, level, np.zeros((options, rows // BLOCK + 1, frame.cols // BLOCK + 1), np.uint8), ends)
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
                whole[option, row, word] = middles[row, word]
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
                inside[option, row, word + pad], outside[option, row, word + pad] = inside_middles[row, word], ~thing_middles[row, word]
        _clear_sides(inside, option, 64 * pad, inside_sides, 0, inside_sides.shape[0], long, deep, low, high, frame.cols)
        _clear_sides(outside, option, 64 * pad, thing_sides, 0, thing_sides.shape[0], long, deep, low, high, frame.cols)
    return spots


@njit(cache=True, nogil=True, error_model="numpy")
def _in_cells(sides, frame):  # type: ignore[no-untyped-def]
    """Sides in rows and columns of spots, lower end first, and how far to the right they go in one row; (n, 5)."""
    found = np.empty((sides.shape[0], 5))
    for k in range(sides.shape[0]):
        u0, v0 = _turned(sides[k, 0], sides[k, 1], frame)
        u1, v1 = _turned(sides[k, 2], sides[k, 3], frame)
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
    while low <= high and not bits[option, low].any():
        low += 1
    while low <= high and not bits[option, high].any():
        high -= 1
    return low, high


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
            _clear(bits, option, row, on, min(xa, xb) - long, max(xa, xb) + long, cols)


@njit(cache=True, nogil=True)
def _clear(bits, option, row, on, first_at, last_at, cols):  # type: ignore[no-untyped-def]
    """Clear the columns of a row from one place to another."""
    first, last = int(math.ceil(max(first_at, 0.0))), int(math.floor(min(last_at, cols - 1.0)))
    if last < first:
        return
    first, last = first + on, last + on
    begin, end = first >> 6, last >> 6
    above, below = ALL << np.uint64(first & 63), ALL >> np.uint64(63 - (last & 63))
    if begin == end:
        bits[option, row, begin] &= ~(above & below)
        return
    bits[option, row, begin] &= ~above
    for word in range(begin + 1, end):
        bits[option, row, word] = NONE
    bits[option, row, end] &= ~below


@njit(cache=True, nogil=True)
def _keep_good(bits, option, good, wide, deep, low, high):  # type: ignore[no-untyped-def]
    """Keep the spots round which all cells are good, so many each way."""
    runs = good.copy()
    keep_runs(runs, 1, 2 * wide + 1)
    keep_stacks(runs, 2 * deep + 1)
    for row in range(low, high + 1):
        for word in range(bits.shape[2]):
            if row < deep:
                bits[option, row, word] = NONE
                continue
            at = 64 * word - wide
            left, part, found = at >> 6, np.uint64(at & 63), NONE
            if 0 <= left:
                found = runs[row - deep, left] >> part
            if part != NONE and 0 <= left + 1 < bits.shape[2]:
                found |= runs[row - deep, left + 1] << (LAST - part) << ONE
            bits[option, row, word] &= found


@njit(cache=True, nogil=True)
def _set_whole_ends(bits, option, low, high, ends):  # type: ignore[no-untyped-def]
    """Lowest and highest row and first and last column of what is set; whether anything is."""
    words = bits.shape[2]
    every = np.zeros(words, np.uint64)
    for row in range(low, high + 1):
        some = NONE
        for word in range(words):
            every[word] |= bits[option, row, word]
            some |= bits[option, row, word]
        if some != NONE:
            ends[option, 0], ends[option, 1] = (row if ends[option, 0] < 0 else ends[option, 0]), row
    for word in range(words):
        if every[word] != NONE:
            if ends[option, 2] < 0:
                ends[option, 2] = 64 * word + lowest(every[word])
            ends[option, 3] = 64 * word + _highest(every[word])
    return ends[option, 0] >= 0


@njit(cache=True, nogil=True)
def _highest(word):  # type: ignore[no-untyped-def]
    """The highest bit that is set, of some."""
    at = 0
    for step in (32, 16, 8, 4, 2, 1):
        if word >> np.uint64(step) != NONE:
            word >>= np.uint64(step)
            at += step
    return at


@njit(cache=True, nogil=True)
def _open_pairs(ends, spare_ends, work, frame, pairs):  # type: ignore[no-untyped-def]
    """Set which layouts of field and reserve may lie clear of each other in any draw, by the ends of their spots; whether any may."""
    some = False
    for option in range(pairs.shape[0]):
        for spare in range(pairs.shape[1]):
            if ends[option, 0] >= 0 and spare_ends[spare, 0] >= 0:
                deep, long = _apart(work, option, spare, frame)
                low, high, near, far = ends[option]
                spare_low, spare_high, spare_near, spare_far = spare_ends[spare]
                apart = max(spare_high - low, high - spare_low) >= deep or max(spare_far - near, far - spare_near) >= long
                pairs[option, spare] = apart
                some |= apart
    return some


@njit(cache=True, nogil=True)
def _apart(work, option, spare, frame):  # type: ignore[no-untyped-def]
    """How many rows, or else columns, the middles of field and reserve are apart at least."""
    deep = 0.5 * (work.fields[option, 2] + work.reserves[spare, 2]) + work.gap_m
    long = 0.5 * (work.fields[option, 1] + work.reserves[spare, 1]) + work.gap_m
    return int(math.ceil(deep / frame.cell - 1e-9)), int(math.ceil(long / frame.cell - 1e-9))


@njit(cache=True, nogil=True)
def _set_room(spots, option, keep_m, layouts, frame, now, draw, room, rows):  # type: ignore[no-untyped-def]
    """Put the spots of a layout that keep every distance in one draw into `room`, and their lowest and highest row into `rows`, the first
    -1 where there are none; whether there are any."""
    whole, inside, outside = spots.whole, spots.inside, spots.outside
    low, high, near, far = spots.ends[option]
    half_long, half_deep, cell = 0.5 * layouts[option, 1] + SLACK_M, 0.5 * layouts[option, 2] + SLACK_M, frame.cell
    left, right = frame.left + near * cell, frame.left + far * cell
    bottom, top = frame.bottom + low * cell, frame.bottom + high * cell
    touching, at_all = NONE, now.wells.shape[1]
    for well in range(at_all):
        keep = keep_m[well]
        if keep <= 0.0:
            continue
        u, v = now.wells[draw, well, 0], now.wells[draw, well, 1]
        over, up = max(u - left, right - u) - half_long, max(v - bottom, top - v) - half_deep
        if max(over, 0.0) ** 2 + max(up, 0.0) ** 2 <= keep * keep:
            return False
        over, up = max(left - u, u - right) - half_long, max(bottom - v, v - top) - half_deep
        if max(over, 0.0) ** 2 + max(up, 0.0) ** 2 <= keep * keep:
            touching |= ONE << np.uint64(min(well, 63))
    lot_row, lot_col, thing_row, thing_col = now.lot[draw, 0], now.lot[draw, 1], now.things[draw, 0], now.things[draw, 1]
    lot_part, thing_part = np.uint64(-lot_col & 63), np.uint64(-thing_col & 63)
    lot_rest, thing_rest = LAST - lot_part, LAST - thing_part
    pad = (inside.shape[2] - whole.shape[2]) // 2
    lot_word, thing_word = (-lot_col >> 6) + pad, (-thing_col >> 6) + pad
    near, far = near >> 6, far >> 6
    some = False
    for row in range(low, high + 1):
        any_left = NONE
        for word in range(near, far + 1):
            bits = whole[option, row, word]
            if bits != NONE:
                at = word + lot_word
                bits &= inside[option, row - lot_row, at] >> lot_part | inside[option, row - lot_row, at + 1] << lot_rest << ONE
            if bits != NONE:
                at = word + thing_word
                bits &= outside[option, row - thing_row, at] >> thing_part | outside[option, row - thing_row, at + 1] << thing_rest << ONE
            room[option, row, word] = bits
            any_left |= bits
        if any_left == NONE:
            continue
        if touching != NONE:
            at_v = frame.bottom + row * cell
            for well in range(at_all):
                if touching >> np.uint64(min(well, 63)) & ONE == NONE or keep_m[well] <= 0.0:
                    continue
                up = max(abs(at_v - now.wells[draw, well, 1]) - half_deep, 0.0)
                square = keep_m[well] * keep_m[well] - up * up
                if square >= 0.0:
                    over, middle = math.sqrt(square) + half_long, now.wells[draw, well, 0] - frame.left
                    _clear(room, option, row, 0, (middle - over) / cell, (middle + over) / cell, frame.cols)
            any_left = NONE
            for word in range(near, far + 1):
                any_left |= room[option, row, word]
        if any_left != NONE:
            if not some:
                rows[option, 0], some = row, True
            rows[option, 1] = row
    return some


@njit(cache=True, nogil=True)
def _level_spot(spots, room, rows, option, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Row and column of a spot of `room` where trenches may lie, -1 where there is none."""
    near, far = spots.ends[option, 2], spots.ends[option, 3]
    for row in range(rows[option, 0], rows[option, 1] + 1):
        col = _level_in_row(spots, room, option, row, near, far, layouts, trenches, frame, planes, where)
        if col >= 0:
            return row, col
    rows[option, 0] = -1
    return -1, -1


@njit(cache=True, nogil=True)
def _level_in_row(spots, room, option, row, near, far, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    for word in range(near >> 6, (far >> 6) + 1):
        left = room[option, row, word]
        known = left & spots.level[option, row, word]
        if known != NONE:
            return 64 * word + lowest(known)
        while left != NONE:
            col = 64 * word + lowest(left)
            left &= left - ONE
            if _level(spots, room, option, row, col, layouts, trenches, frame, planes, where):
                return col
    return -1


@njit(cache=True, nogil=True)
def _level(spots, room, option, row, col, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at a spot of `room`, by the ground along them; where not, it is none any more."""
    level = spots.level[option]
    if is_set(level, row, col):
        return True
    trench_count, length_m, depth_m = layouts[option]
    up, on, cell, found = row // BLOCK, col // BLOCK, frame.cell, False
    if spots.blocks[option, up, on] == 0:
        u = frame.left + (on * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * length_m
        v = frame.bottom + (up * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * depth_m
        spots.blocks[option, up, on] = 1 if _near_level(planes, where, u, v, frame, trench_count, length_m, trenches) else 2
    if spots.blocks[option, up, on] == 1:
        u, v = frame.left + col * cell - 0.5 * length_m, frame.bottom + row * cell - 0.5 * depth_m
        found = runs_level(planes, where, u, v, frame.cosine, frame.sine, trench_count, length_m, trenches, STEP_M)
    if found:
        turn_over(level, row, col)
    else:
        turn_over(room[option], row, col)
        if is_set(spots.whole[option], row, col):
            turn_over(spots.whole[option], row, col)
    return found


@njit(cache=True, nogil=True)
def _near_level(planes, where, u, v, frame, trench_count, length_m, trenches):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at spots about this one; ground not known here may be known there."""
    anything = Where(where.left_m, where.top_m, where.cell_m, where.rows, where.cols, True)
    loose = Trenches(trenches.width_m, trenches.pitch_m, NEAR_ENOUGH * trenches.drop_m)
    return may_run_level(planes, anything, u, v, frame.cosine, frame.sine, trench_count, length_m, loose, STEP_M)


@njit(cache=True, nogil=True)
def _set_ends(room, rows, whole_ends, ends):  # type: ignore[no-untyped-def]
    """Row and column of a spot in the lowest and in the highest row and in the first and in the last column, the first -1 where there is
    none."""
    for option in range(ends.shape[0]):
        ends[option, 0, 0] = -1
        if rows[option, 0] < 0:
            continue
        for row in range(rows[option, 0], rows[option, 1] + 1):
            first = last = -1
            for word in range(whole_ends[option, 2] >> 6, (whole_ends[option, 3] >> 6) + 1):
                bits = room[option, row, word]
                if bits != NONE:
                    first = 64 * word + lowest(bits) if first < 0 else first
                    last = 64 * word + _highest(bits)
            if first < 0:
                continue
            new = ends[option, 0, 0] < 0
            if new:
                ends[option, 0, 0], ends[option, 0, 1] = row, first
            ends[option, 1, 0], ends[option, 1, 1] = row, first
            if new or first < ends[option, 2, 1]:
                ends[option, 2, 0], ends[option, 2, 1] = row, first
            if new or last > ends[option, 3, 1]:
                ends[option, 3, 0], ends[option, 3, 1] = row, last


@njit(cache=True, nogil=True)
def _set_level_ends(spots, room, rows, layouts, trenches, frame, planes, where, ends):  # type: ignore[no-untyped-def]
    """Put into `ends` those of the spots at which trenches may lie."""
    for option in range(layouts.shape[0]):
        if ends[option, 0, 0] < 0:
            continue
        low, high, near, far = ends[option, 0, 0], ends[option, 1, 0], ends[option, 2, 1], ends[option, 3, 1]
        for end in range(4):
            if is_set(spots.level[option], ends[option, end, 0], ends[option, end, 1]):
                continue
            found, other = -1, -1
            first, last = (low, high) if end < 2 else (near, far)
            for step in range(last - first + 1):
                found = first + step if end % 2 == 0 else last - step
                if end < 2:
                    other = _level_in_row(spots, room, option, found, near, far, layouts, trenches, frame, planes, where)
                else:
                    other = _level_in_column(spots, room, option, found, low, high, layouts, trenches, frame, planes, where)
                if other >= 0:
                    break
            if other < 0:
                ends[option, 0, 0] = -1
                break
            ends[option, end, 0], ends[option, end, 1] = (found, other) if end < 2 else (other, found)


@njit(cache=True, nogil=True)
def _level_in_column(spots, room, option, col, low, high, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    for row in range(low, high + 1):
        if is_set(room[option], row, col) and _level(spots, room, option, row, col, layouts, trenches, frame, planes, where):
            return row
    return -1


@njit(cache=True, nogil=True)
def _pair(ends, spare_ends, pairs, work, frame):  # type: ignore[no-untyped-def]
    """Layouts of field and reserve whose spots lie far enough apart, and at which end the field is; -1 where there are none."""
    for option in range(pairs.shape[0]):
        for spare in range(pairs.shape[1]):
            if pairs[option, spare]:
                for end in range(4):
                    if _pair_of(option, spare, end, ends, spare_ends, work, frame):
                        return option, spare, end
    return -1, -1, -1


@njit(cache=True, nogil=True)
def _pair_of(option, spare, end, ends, spare_ends, work, frame):  # type: ignore[no-untyped-def]
    if ends[option, 0, 0] < 0 or spare_ends[spare, 0, 0] < 0:
        return False
    axis, least = end >> 1, _apart(work, option, spare, frame)[end >> 1]
    apart = spare_ends[spare, end ^ 1, axis] - ends[option, end, axis]
    return (apart if end & 1 == 0 else -apart) >= least
