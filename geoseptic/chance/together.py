"""In which draws rectangles of trenches have room on one lot: every draw looked at in the same directions and at the same spots.

A draw moves what the lot's line leaves and what buildings shut by whole spots, and what a well shuts is a disc with the rectangle round it:
a few operations on words of 64 spots for all layouts at once. That spots are some way apart, that things move from spot to spot, and the
choice of directions, is all in which a draw looked at here differs from a search of its own.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.chance.spots import BLOCK, clear, frame_of, seen_from, spots_of
from geoseptic.parcels.bitrows import LAST, NONE, ONE, count, highest, lowest
from geoseptic.parcels.fitbound import NEAR_ENOUGH
from geoseptic.parcels.fitgrid import SLACK_M
from geoseptic.parcels.fitground import STEP_M, Trenches, Where, may_run_level, runs_level, where_of

MOST_TO_SPARE = 4
"""So many spots all round are taken as room to spare where there are."""

Floats = npt.NDArray[np.float64]


class Moves(NamedTuple):
    """Each draw's shifts of the lot and of its buildings, (draws, 2), and its wells about the middle of the lot, (draws, wells, 2). [m]"""

    lot_m: Floats
    things_m: Floats
    wells_m: Floats


class Now(NamedTuple):
    """Where things are in each draw, in one direction: rows and columns by which lot and buildings are moved, and the wells. [m]"""

    lot: npt.NDArray[np.int64]
    things: npt.NDArray[np.int64]
    wells: Floats


class Rooms(NamedTuple):
    """The spots that one draw leaves of each layout: bits as of `Spots`, and their lowest and highest row, (layouts, 2), the first -1 where
    there are none. `some` : of each layout all words together."""

    bits: npt.NDArray[np.uint64]
    rows: npt.NDArray[np.int64]
    some: npt.NDArray[np.uint64]


@njit(cache=True, nogil=True)
def _rooms(spots):  # type: ignore[no-untyped-def]
    options = spots.whole.shape[2]
    return Rooms(np.empty(spots.whole.shape, np.uint64), np.empty((options, 2), np.int64), np.empty(options, np.uint64))


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
    found : float64 (draws, 7): number of the direction; row of the layouts (-1 : none) and middle of the field, and of the reserve. [m]
    """
    spares = work.reserves.shape[0]
    for number in range(tries.turns.size):
        left = False
        for draw in range(kind.size):
            left |= kind[draw] < most[draw]
        if not left:
            return
        frame = frame_of(field.rings, reserve.rings, tries.turns[number], cell_m, most_cells, far_m)
        own = spots_of(field, frame, work.fields, tries.fields[number], patch, far_m)
        other = own if alike else spots_of(reserve, frame, work.reserves, tries.reserves[number], patch, far_m)
        apart, pairs = _apart(work, frame), np.zeros((work.fields.shape[0], spares), np.bool_)
        both = _open_pairs(own.ends, other.ends, apart, pairs)
        some = False
        for option in range(work.fields.shape[0]):
            some |= own.ends[option, 0] >= 0
        if both or (some and (alone or spares == 0)):
            now = _now(moves, frame)
            _look(
                number,
                own,
                other,
                field.wells_m,
                reserve.wells_m,
                alike,
                work,
                frame,
                patch,
                pairs,
                apart,
                both,
                now,
                alone,
                most,
                kind,
                found,
            )


@njit(cache=True, nogil=True)
def areas(side, spare_rings, patch, moves, cell_m, most_cells, far_m):  # type: ignore[no-untyped-def]
    """What each draw leaves, by the spots that are left, float64 (draws,); parameters as of `decide`. [m2]"""
    draws, point, wanted = moves.lot_m.shape[0], np.zeros((1, 3)), np.ones(1, np.bool_)
    frame = frame_of(side.rings, spare_rings, 0.0, cell_m, most_cells, far_m)
    spots = spots_of(side, frame, point, wanted, patch, far_m)
    found = np.zeros(draws)
    if spots.ends[0, 0] >= 0:
        now, rooms = _now(moves, frame), _rooms(spots)
        for draw in range(draws):
            if _set_rooms(spots, wanted, side.wells_m, point, frame, now, draw, rooms):
                for row in range(rooms.rows[0, 0], rooms.rows[0, 1] + 1):
                    for word in range(spots.ends[0, 2] >> 6, (spots.ends[0, 3] >> 6) + 1):
                        found[draw] += frame.cell * frame.cell * count(rooms.bits[row, word, 0])
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
            now.wells[draw, well, 0], now.wells[draw, well, 1] = seen_from(x, y, frame)
    return now


@njit(cache=True, nogil=True)
def _look(number, own, other, keep_m, spare_keep_m, alike, work, frame, patch, pairs, apart, both, now, alone, most, kind, found):  # type: ignore[no-untyped-def]
    """`decide` in one direction."""
    options, spares, where = work.fields.shape[0], work.reserves.shape[0], where_of(patch)
    alone |= spares == 0
    rooms = _rooms(own)
    spare_rooms = rooms if alike else _rooms(other)
    ends = np.empty((options, 4, 2), np.int64)
    spare_ends = ends if alike else np.empty((spares, 4, 2), np.int64)
    every, paired, partner = np.ones(options, np.bool_), np.zeros(options, np.bool_), np.zeros(spares, np.bool_)
    for option in range(options):
        for spare in range(spares):
            if pairs[option, spare]:
                paired[option] = partner[spare] = True
                if alike:
                    paired[spare] = True
    for draw in range(kind.size):
        if kind[draw] >= most[draw]:
            continue
        want_alone, want_both = alone and kind[draw] == 0, both and most[draw] == 2
        if not (want_alone or want_both):
            continue
        if not _set_rooms(own, every if want_alone else paired, keep_m, work.fields, frame, now, draw, rooms):
            continue
        if want_alone:
            option, row, col = _any_level(own, rooms, work.fields, work.trenches, frame, patch.planes, where)
            if option < 0:
                continue
            kind[draw] = 1 if spares else 2
            if not want_both or spares == 0:
                for _ in range(MOST_TO_SPARE):
                    if not _take_rim(rooms, option, own.ends):
                        break
                    inner, inner_col = _level_spot(own, rooms, option, work.fields, work.trenches, frame, patch.planes, where)
                    if inner < 0:
                        break
                    row, col = inner, inner_col
            _note(found, draw, number, option, row, col, -1, -1, -1, frame)
        if kind[draw] == 2 or not want_both:
            continue
        if not alike and not _set_rooms(other, partner, spare_keep_m, work.reserves, frame, now, draw, spare_rooms):
            continue
        _set_ends(rooms, own.ends, ends)
        if not alike:
            _set_ends(spare_rooms, other.ends, spare_ends)
        if _pair(ends, spare_ends, pairs, apart)[0] < 0:
            continue
        _set_level_ends(own, rooms, work.fields, work.trenches, frame, patch.planes, where, ends)
        if not alike:
            _set_level_ends(other, spare_rooms, work.reserves, work.trenches, frame, patch.planes, where, spare_ends)
        option, spare, end = _pair(ends, spare_ends, pairs, apart)
        if option < 0:
            continue
        kind[draw] = 2
        for _ in range(MOST_TO_SPARE + 1):
            # The reserve lies at the other end.
            row, col, spare_row, spare_col = (
                ends[option, end, 0],
                ends[option, end, 1],
                spare_ends[spare, end ^ 1, 0],
                spare_ends[spare, end ^ 1, 1],
            )
            _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame)
            _leave_one(rooms, option, spare if alike else option)
            left = _take_rim(rooms, option, own.ends)
            if not alike:
                _leave_one(spare_rooms, spare, spare)
            if not alike or spare != option:
                left &= _take_rim(spare_rooms, spare, other.ends)
            if not left:
                break
            _set_ends(rooms, own.ends, ends)
            _set_level_ends(own, rooms, work.fields, work.trenches, frame, patch.planes, where, ends)
            if not alike:
                _set_ends(spare_rooms, other.ends, spare_ends)
                _set_level_ends(other, spare_rooms, work.reserves, work.trenches, frame, patch.planes, where, spare_ends)
            if ends[option, 0, 0] < 0 or spare_ends[spare, 0, 0] < 0 or not _pair_of(option, spare, end, ends, spare_ends, apart):
                break


@njit(cache=True, nogil=True)
def _leave_one(rooms, option, another):  # type: ignore[no-untyped-def]
    for other in range(rooms.rows.shape[0]):
        if other != option and other != another:
            rooms.rows[other, 0] = -1


@njit(cache=True, nogil=True)
def _take_rim(rooms, option, whole_ends):  # type: ignore[no-untyped-def]
    """Keep the spots of a layout whose neighbours all round are spots too, so that they have room to spare; whether there are any."""
    bits, near, far = rooms.bits, whole_ends[option, 2] >> 6, whole_ends[option, 3] >> 6
    low, high, some = rooms.rows[option, 0], rooms.rows[option, 1], NONE
    if low < 0:
        return False
    for row in range(low, high + 1):
        before = NONE
        for word in range(near, far + 1):
            here = bits[row, word, option]
            after = bits[row, word + 1, option] if word < far else NONE
            bits[row, word, option] = here & (here << ONE | before >> LAST) & (here >> ONE | after << LAST)
            before = here
    for word in range(near, far + 1):
        below = NONE
        for row in range(low, high + 1):
            here = bits[row, word, option]
            above = bits[row + 1, word, option] if row < high else NONE
            bits[row, word, option] = here & below & above
            below = here
            some |= here & bits[row, word, option]
    if some == NONE:
        rooms.rows[option, 0] = -1
    return some != NONE


@njit(cache=True, nogil=True)
def _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame):  # type: ignore[no-untyped-def]
    found[draw, 0], found[draw, 1], found[draw, 4] = number, option, spare
    found[draw, 2], found[draw, 3] = frame.left + col * frame.cell, frame.bottom + row * frame.cell
    found[draw, 5], found[draw, 6] = frame.left + spare_col * frame.cell, frame.bottom + spare_row * frame.cell


@njit(cache=True, nogil=True)
def _set_cells_moved(shifts_m, draw, frame, moved):  # type: ignore[no-untyped-def]
    """Rows and columns by which something is moved in a draw."""
    u, v = seen_from(shifts_m[draw, 0], shifts_m[draw, 1], frame)
    moved[draw, 0], moved[draw, 1] = int(math.floor(v / frame.cell + 0.5)), int(math.floor(u / frame.cell + 0.5))


@njit(cache=True, nogil=True)
def _apart(work, frame):  # type: ignore[no-untyped-def]
    """How many rows, or else columns, the middles of field and reserve are apart at least; (fields, reserves, 2)."""
    found = np.empty((work.fields.shape[0], work.reserves.shape[0], 2), np.int64)
    for option in range(found.shape[0]):
        for spare in range(found.shape[1]):
            for axis in range(2):
                apart_m = 0.5 * (work.fields[option, 2 - axis] + work.reserves[spare, 2 - axis]) + work.gap_m
                found[option, spare, axis] = int(math.ceil(apart_m / frame.cell - 1e-9))
    return found


@njit(cache=True, nogil=True)
def _open_pairs(ends, spare_ends, apart, pairs):  # type: ignore[no-untyped-def]
    """Set which layouts of field and reserve may lie clear of each other in any draw, by the ends of their spots; whether any may."""
    some = False
    for option in range(pairs.shape[0]):
        for spare in range(pairs.shape[1]):
            if ends[option, 0] >= 0 and spare_ends[spare, 0] >= 0:
                for axis in range(2):
                    low, high = ends[option, 2 * axis], ends[option, 2 * axis + 1]
                    spare_low, spare_high = spare_ends[spare, 2 * axis], spare_ends[spare, 2 * axis + 1]
                    pairs[option, spare] |= max(spare_high - low, high - spare_low) >= apart[option, spare, axis]
                some |= pairs[option, spare]
    return some


@njit(cache=True, nogil=True)
def _set_rooms(spots, wanted, keep_m, layouts, frame, now, draw, rooms):  # type: ignore[no-untyped-def]
    """Set `rooms` to the spots of the wanted layouts that keep every distance in one draw; whether there are any."""
    options, rows, some = layouts.shape[0], rooms.rows, rooms.some
    low, high, near, far = frame.rows, -1, frame.cols, -1
    for option in range(options):
        rows[option, 0] = -1
        if wanted[option] and spots.ends[option, 0] >= 0 and not _shut(spots.ends, option, keep_m, layouts, frame, now.wells, draw):
            rows[option, 0] = 0
            low, high = min(low, spots.ends[option, 0]), max(high, spots.ends[option, 1])
            near, far = min(near, spots.ends[option, 2]), max(far, spots.ends[option, 3])
    if high < 0:
        return False
    _set_bits(
        spots.whole.reshape(-1),
        spots.inside.reshape(-1),
        spots.outside.reshape(-1),
        rooms.bits.reshape(-1),
        some,
        spots.whole.shape[1],
        spots.pad,
        now.lot[draw, 0],
        now.lot[draw, 1],
        now.things[draw, 0],
        now.things[draw, 1],
        low,
        high,
        near >> 6,
        far >> 6,
    )
    found = False
    for option in range(options):
        if rows[option, 0] < 0:
            continue
        rows[option, 0] = -1
        if some[option] != NONE:
            _take_wells(spots.ends, option, keep_m, layouts, frame, now.wells, draw, rooms)
            found |= rows[option, 0] >= 0
    return found


@njit(cache=True, nogil=True)
def _set_bits(whole, inside, outside, room, some, words, pad, lot_row, lot_col, thing_row, thing_col, low, high, near, far):  # type: ignore[no-untyped-def]
    """`_set_rooms` without wells, of all layouts at once: they lie next to each other in the flat arrays."""
    lot_part, thing_part = np.uint64(-lot_col & 63), np.uint64(-thing_col & 63)
    lot_rest, thing_rest, padded, options = LAST - lot_part, LAST - thing_part, words + 2 * pad, some.size
    lot_on, thing_on = -lot_row * padded + (-lot_col >> 6) + pad, -thing_row * padded + (-thing_col >> 6) + pad
    # Unsigned, since what cannot be negative need not be looked at for it, and several words are taken at once.
    width, step = np.uint64((far + 1 - near) * options), np.uint64(options)
    for option in range(options):
        some[option] = NONE
    for row in range(low, high + 1):
        at = np.uint64((row * words + near) * options)
        lot, thing = np.uint64((row * padded + near + lot_on) * options), np.uint64((row * padded + near + thing_on) * options)
        for k in range(width):
            by_line = inside[lot + k] >> lot_part | inside[lot + step + k] << lot_rest << ONE
            by_things = outside[thing + k] >> thing_part | outside[thing + step + k] << thing_rest << ONE
            room[at + k] = whole[at + k] & by_line & by_things
        for _ in range(near, far + 1):
            for option in range(step):
                some[option] |= room[at + option]
            at += step


@njit(cache=True, nogil=True)
def _shut(ends, option, keep_m, layouts, frame, wells, draw):  # type: ignore[no-untyped-def]
    """Whether one well shuts all spots of a layout."""
    long, deep = 0.5 * layouts[option, 1] + SLACK_M, 0.5 * layouts[option, 2] + SLACK_M
    left, right = frame.left + ends[option, 2] * frame.cell, frame.left + ends[option, 3] * frame.cell
    bottom, top = frame.bottom + ends[option, 0] * frame.cell, frame.bottom + ends[option, 1] * frame.cell
    for well in range(keep_m.size):
        u, v = wells[draw, well, 0], wells[draw, well, 1]
        over, up = max(max(u - left, right - u) - long, 0.0), max(max(v - bottom, top - v) - deep, 0.0)
        if over * over + up * up <= keep_m[well] * keep_m[well] and keep_m[well] > 0.0:
            return True
    return False


@njit(cache=True, nogil=True)
def _take_wells(ends, option, keep_m, layouts, frame, wells, draw, rooms):  # type: ignore[no-untyped-def]
    """Take away the spots of a layout that wells shut, and set its rows."""
    long, deep, cell = 0.5 * layouts[option, 1] + SLACK_M, 0.5 * layouts[option, 2] + SLACK_M, frame.cell
    bits, rows = rooms.bits, rooms.rows
    low, high, near, far = ends[option, 0], ends[option, 1], ends[option, 2], ends[option, 3]
    for well in range(keep_m.size):
        u, v, keep = wells[draw, well, 0] - frame.left, wells[draw, well, 1] - frame.bottom, keep_m[well]
        over = max(near * cell - u, u - far * cell) - long
        if keep <= 0.0 or over > keep:
            continue
        first, last = max(low, int(math.ceil((v - keep - deep) / cell))), min(high, int(math.floor((v + keep + deep) / cell)))
        for row in range(first, last + 1):
            up = max(abs(row * cell - v) - deep, 0.0)
            reach = math.sqrt(max(keep * keep - up * up, 0.0)) + long
            clear(bits, option, row, 0, (u - reach) / cell, (u + reach) / cell, frame.cols)
    for row in range(low, high + 1):
        left = NONE
        for word in range(near >> 6, (far >> 6) + 1):
            left |= bits[row, word, option]
        if left != NONE:
            rows[option, 0], rows[option, 1] = (row if rows[option, 0] < 0 else rows[option, 0]), row


@njit(cache=True, nogil=True)
def _any_level(spots, rooms, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """A layout, and row and column of a spot of it where trenches may lie; -1 where there is none."""
    rows = rooms.rows
    for option in range(layouts.shape[0]):
        if rows[option, 0] >= 0:
            row, col = _level_spot(spots, rooms, option, layouts, trenches, frame, planes, where)
            if row >= 0:
                return option, row, col
    return -1, -1, -1


@njit(cache=True, nogil=True)
def _level_spot(spots, rooms, option, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Row and column of a spot of a layout where trenches may lie, -1 where there is none."""
    # Tuples are handed on for a spot that is looked at alone, not for every row: each array of theirs would be counted.
    bits, level, low, high = rooms.bits, spots.level, rooms.rows[option, 0], rooms.rows[option, 1]
    near, far = spots.ends[option, 2] >> 6, spots.ends[option, 3] >> 6
    for row in range(low, high + 1):
        for word in range(near, far + 1):
            left = bits[row, word, option]
            if left == NONE:
                continue
            known = left & level[row, word, option]
            if known != NONE:
                return row, 64 * word + lowest(known)
            while left != NONE:
                col = 64 * word + lowest(left)
                left &= left - ONE
                if _level(spots, bits, option, row, col, layouts, trenches, frame, planes, where):
                    return row, col
    rooms.rows[option, 0] = -1
    return -1, -1


@njit(cache=True, nogil=True)
def _level_in_row(spots, bits, option, row, near, far, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    for word in range(near >> 6, (far >> 6) + 1):
        left = bits[row, word, option]
        known = left & spots.level[row, word, option]
        if known != NONE:
            return 64 * word + lowest(known)
        while left != NONE:
            col = 64 * word + lowest(left)
            left &= left - ONE
            if _level(spots, bits, option, row, col, layouts, trenches, frame, planes, where):
                return col
    return -1


@njit(cache=True, nogil=True)
def _level_in_column(spots, bits, option, col, low, high, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    mask = ONE << np.uint64(col & 63)
    for row in range(low, high + 1):
        if bits[row, col >> 6, option] & mask != NONE and _level(spots, bits, option, row, col, layouts, trenches, frame, planes, where):
            return row
    return -1


@njit(cache=True, nogil=True)
def _level(spots, bits, option, row, col, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at a spot, by the ground along them; where not, it is none any more."""
    word, mask = col >> 6, ONE << np.uint64(col & 63)
    if spots.level[row, word, option] & mask != NONE:
        return True
    number, length_m, depth_m = layouts[option]
    up, on, cell, found = row // BLOCK, col // BLOCK, frame.cell, False
    if spots.blocks[up, on, option] == 0:
        u = frame.left + (on * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * length_m
        v = frame.bottom + (up * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * depth_m
        spots.blocks[up, on, option] = 1 if _near_level(planes, where, u, v, frame, number, length_m, trenches) else 2
    if spots.blocks[up, on, option] == 1:
        u, v = frame.left + col * cell - 0.5 * length_m, frame.bottom + row * cell - 0.5 * depth_m
        found = runs_level(planes, where, u, v, frame.cosine, frame.sine, number, length_m, trenches, STEP_M)
    if found:
        spots.level[row, word, option] |= mask
    else:
        bits[row, word, option] &= ~mask
        spots.whole[row, word, option] &= ~mask
    return found


@njit(cache=True, nogil=True)
def _near_level(planes, where, u, v, frame, number, length_m, trenches):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at spots about this one; ground not known here may be known there."""
    anything = Where(where.left_m, where.top_m, where.cell_m, where.rows, where.cols, True)
    loose = Trenches(trenches.width_m, trenches.pitch_m, NEAR_ENOUGH * trenches.drop_m)
    return may_run_level(planes, anything, u, v, frame.cosine, frame.sine, number, length_m, loose, STEP_M)


@njit(cache=True, nogil=True)
def _set_ends(rooms, whole_ends, ends):  # type: ignore[no-untyped-def]
    """Row and column of a spot in the lowest and in the highest row and in the first and in the last column, the first -1 where there is
    none."""
    bits, rows = rooms.bits, rooms.rows
    for option in range(ends.shape[0]):
        ends[option, 0, 0] = -1
        if rows[option, 0] < 0:
            continue
        for row in range(rows[option, 0], rows[option, 1] + 1):
            first = last = -1
            for word in range(whole_ends[option, 2] >> 6, (whole_ends[option, 3] >> 6) + 1):
                left = bits[row, word, option]
                if left != NONE:
                    first = 64 * word + lowest(left) if first < 0 else first
                    last = 64 * word + highest(left)
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
def _set_level_ends(spots, rooms, layouts, trenches, frame, planes, where, ends):  # type: ignore[no-untyped-def]
    """Put into `ends` those of the spots at which trenches may lie."""
    bits, level = rooms.bits, spots.level
    for option in range(layouts.shape[0]):
        if ends[option, 0, 0] < 0:
            continue
        low, high, near, far = ends[option, 0, 0], ends[option, 1, 0], ends[option, 2, 1], ends[option, 3, 1]
        for end in range(4):
            row, col = ends[option, end, 0], ends[option, end, 1]
            if level[row, col >> 6, option] >> np.uint64(col & 63) & ONE != NONE:
                continue
            found, other = -1, -1
            first, last = (low, high) if end < 2 else (near, far)
            for step in range(last - first + 1):
                found = first + step if end % 2 == 0 else last - step
                if end < 2:
                    other = _level_in_row(spots, bits, option, found, near, far, layouts, trenches, frame, planes, where)
                else:
                    other = _level_in_column(spots, bits, option, found, low, high, layouts, trenches, frame, planes, where)
                if other >= 0:
                    break
            if other < 0:
                ends[option, 0, 0] = -1
                break
            ends[option, end, 0], ends[option, end, 1] = (found, other) if end < 2 else (other, found)


@njit(cache=True, nogil=True)
def _pair(ends, spare_ends, pairs, apart):  # type: ignore[no-untyped-def]
    """Layouts of field and reserve whose spots lie far enough apart, and at which end the field is; -1 where there are none."""
    for option in range(pairs.shape[0]):
        if ends[option, 0, 0] < 0:
            continue
        for spare in range(pairs.shape[1]):
            if pairs[option, spare] and spare_ends[spare, 0, 0] >= 0:
                for end in range(4):
                    if _pair_of(option, spare, end, ends, spare_ends, apart):
                        return option, spare, end
    return -1, -1, -1


@njit(cache=True, nogil=True)
def _pair_of(option, spare, end, ends, spare_ends, apart):  # type: ignore[no-untyped-def]
    axis = end >> 1
    far = spare_ends[spare, end ^ 1, axis] - ends[option, end, axis]
    return (far if end & 1 == 0 else -far) >= apart[option, spare, axis]
