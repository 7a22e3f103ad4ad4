"""In which draws rectangles of trenches have room on one lot: every draw looked at in the same directions and at the same spots.

A draw moves what the lot's line leaves and what buildings shut by whole spots, and what a well shuts is a disc with the rectangle round it:
a few operations on words of 64 spots. That spots are some way apart, that things move from spot to spot, and the choice of directions, is
all in which a draw looked at here differs from a search of its own.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.chance.spots import BLOCK, clear, frame_of, row_at, seen_from, set_columns, set_rows, spots_of
from geoseptic.parcels.bitrows import LAST, NONE, ONE, count, lowest
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
    """Where things are in each draw, in one direction, in columns and rows of spots: by how many bits of a grid the lot and the buildings
    are moved, (draws,), and the wells, (draws, wells, 2)."""

    lot: npt.NDArray[np.int64]
    things: npt.NDArray[np.int64]
    wells: Floats


class Rooms(NamedTuple):
    """The spots that one draw leaves of each layout: bits as of `Spots`, and their lowest and highest row and first and last column,
    (layouts, 4), the first -1 where there are none; columns only where they were asked for."""

    bits: npt.NDArray[np.uint64]
    ends: npt.NDArray[np.int64]


class Kept(NamedTuple):
    """What each layout keeps of spots all round, (layouts,), and what keeps clear of wells, (wells,); all in spots."""

    long: Floats
    deep: Floats
    wells: Floats


@njit(cache=True, nogil=True)
def _rooms(spots):  # type: ignore[no-untyped-def]
    return Rooms(np.empty(spots.whole.size, np.uint64), np.full(spots.ends.shape, -1))


@njit(cache=True, nogil=True)
def _kept(layouts, wells_m, frame):  # type: ignore[no-untyped-def]
    long, deep = (0.5 * layouts[:, 1] + SLACK_M) / frame.cell, (0.5 * layouts[:, 2] + SLACK_M) / frame.cell
    return Kept(long, deep, wells_m / frame.cell)


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
    now, rooms, kept = _now(moves, frame), _rooms(spots), _kept(point, side.wells_m, frame)
    for draw in range(draws):
        if _set_rooms(
            wanted,
            draw,
            spots.whole,
            spots.inside,
            spots.outside,
            spots.ends,
            now.lot,
            now.things,
            now.wells,
            kept.long,
            kept.deep,
            kept.wells,
            frame,
            rooms.bits,
            rooms.ends,
        ):
            left = 0
            for word in range(row_at(0, rooms.ends[0, 0], frame), row_at(0, rooms.ends[0, 1] + 1, frame)):
                left += count(rooms.bits[word])
            found[draw] = frame.cell * frame.cell * left
    return found


@njit(cache=True, nogil=True)
def _now(moves, frame):  # type: ignore[no-untyped-def]
    """`Now` in one direction."""
    draws = moves.lot_m.shape[0]
    now = Now(np.empty(draws, np.int64), np.empty(draws, np.int64), np.empty_like(moves.wells_m))
    for draw in range(draws):
        now.lot[draw] = _bits_moved(moves.lot_m[draw, 0], moves.lot_m[draw, 1], frame)
        now.things[draw] = _bits_moved(moves.things_m[draw, 0], moves.things_m[draw, 1], frame)
        for well in range(moves.wells_m.shape[1]):
            u, v = seen_from(moves.wells_m[draw, well, 0], moves.wells_m[draw, well, 1], frame)
            now.wells[draw, well, 0], now.wells[draw, well, 1] = (u - frame.left) / frame.cell, (v - frame.bottom) / frame.cell
    return now


@njit(cache=True, nogil=True)
def _bits_moved(x, y, frame):  # type: ignore[no-untyped-def]
    """By how many bits of a grid something is moved that is shifted by (x, y). [m]"""
    u, v = seen_from(x, y, frame)
    return 64 * frame.words * int(math.floor(v / frame.cell + 0.5)) + int(math.floor(u / frame.cell + 0.5))


@njit(cache=True, nogil=True)
def _look(number, own, other, keep_m, spare_keep_m, alike, work, frame, patch, pairs, apart, both, now, alone, most, kind, found):  # type: ignore[no-untyped-def]
    """`decide` in one direction."""
    options, spares, where = work.fields.shape[0], work.reserves.shape[0], where_of(patch)
    alone |= spares == 0
    rooms, kept = _rooms(own), _kept(work.fields, keep_m, frame)
    spare_rooms = rooms if alike else _rooms(other)
    spare_kept = kept if alike else _kept(work.reserves, spare_keep_m, frame)
    every, paired, partner = np.ones(options, np.bool_), np.zeros(options, np.bool_), np.zeros(spares, np.bool_)
    for option in range(options):
        for spare in range(spares):
            if pairs[option, spare]:
                paired[option] = partner[spare] = True
                if alike:
                    paired[spare] = True
    bits, ends, spare_bits, spare_ends = rooms.bits, rooms.ends, spare_rooms.bits, spare_rooms.ends
    whole, level, blocks, spare_whole, spare_level, spare_blocks = own.whole, own.level, own.blocks, other.whole, other.level, other.blocks
    trenches, planes, fields, reserves = work.trenches, patch.planes, work.fields, work.reserves
    lot, things, wells = now.lot, now.things, now.wells
    for draw in range(kind.size):
        want_alone, want_both = alone and kind[draw] == 0, both and most[draw] == 2
        if kind[draw] >= most[draw] or not (want_alone or want_both):
            continue
        if not _set_rooms(
            every if want_alone else paired,
            draw,
            whole,
            own.inside,
            own.outside,
            own.ends,
            lot,
            things,
            wells,
            kept.long,
            kept.deep,
            kept.wells,
            frame,
            bits,
            ends,
        ):
            continue
        if want_alone:
            option, row, col = _any_level(bits, ends, whole, level, blocks, fields, trenches, frame, planes, where)
            if option < 0:
                continue
            kind[draw] = 1 if spares else 2
            if not want_both or spares == 0:
                for _ in range(MOST_TO_SPARE):
                    if not _take_rim(option, bits, ends, frame):
                        break
                    inner, inner_col = _level_spot(option, bits, ends, whole, level, blocks, fields, trenches, frame, planes, where)
                    if inner < 0:
                        break
                    row, col = inner, inner_col
            _note(found, draw, number, option, row, col, -1, -1, -1, frame)
        if kind[draw] == 2 or not want_both:
            continue
        if not alike and not _set_rooms(
            partner,
            draw,
            spare_whole,
            other.inside,
            other.outside,
            other.ends,
            lot,
            things,
            wells,
            spare_kept.long,
            spare_kept.deep,
            spare_kept.wells,
            frame,
            spare_bits,
            spare_ends,
        ):
            continue
        _set_columns(bits, ends, frame)
        if not alike:
            _set_columns(spare_bits, spare_ends, frame)
        if _pair(ends, spare_ends, pairs, apart)[0] < 0:
            continue
        _set_level_ends(bits, ends, whole, level, blocks, fields, trenches, frame, planes, where)
        if not alike:
            _set_level_ends(spare_bits, spare_ends, spare_whole, spare_level, spare_blocks, reserves, trenches, frame, planes, where)
        option, spare, end = _pair(ends, spare_ends, pairs, apart)
        if option < 0:
            continue
        kind[draw] = 2
        for _ in range(MOST_TO_SPARE + 1):
            # The reserve lies at the other end.
            row, col = _end_spot(option, end, bits, ends, level, frame)
            spare_row, spare_col = _end_spot(spare, end ^ 1, spare_bits, spare_ends, spare_level, frame)
            _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame)
            _leave_one(ends, option, spare if alike else option)
            left = _take_rim(option, bits, ends, frame)
            if not alike:
                _leave_one(spare_ends, spare, spare)
            if not alike or spare != option:
                left &= _take_rim(spare, spare_bits, spare_ends, frame)
            if not left:
                break
            _set_columns(bits, ends, frame)
            _set_level_ends(bits, ends, whole, level, blocks, fields, trenches, frame, planes, where)
            if not alike:
                _set_columns(spare_bits, spare_ends, frame)
                _set_level_ends(spare_bits, spare_ends, spare_whole, spare_level, spare_blocks, reserves, trenches, frame, planes, where)
            if ends[option, 0] < 0 or spare_ends[spare, 0] < 0 or not _pair_of(option, spare, end, ends, spare_ends, apart):
                break


@njit(cache=True, nogil=True)
def _leave_one(ends, option, another):  # type: ignore[no-untyped-def]
    for other in range(ends.shape[0]):
        if other != option and other != another:
            ends[other, 0] = -1


# Of what is called for every draw, each array is handed on by itself: those in tuples would be counted at every call.


@njit(cache=True, nogil=True)
def _take_rim(option, bits, ends, frame):  # type: ignore[no-untyped-def]
    """Keep the spots of a layout whose neighbours all round are spots too, so that they have room to spare; whether there are any."""
    low, high, words = ends[option, 0], ends[option, 1], frame.words
    if low < 0:
        return False
    for row in range(low, high + 1):
        before, at = NONE, row_at(option, row, frame)
        for word in range(words):
            here = bits[at + word]
            after = bits[at + word + 1] if word + 1 < words else NONE
            bits[at + word] = here & (here << ONE | before >> LAST) & (here >> ONE | after << LAST)
            before = here
    for word in range(words):
        below = NONE
        for row in range(low, high + 1):
            at = row_at(option, row, frame) + word
            here, above = bits[at], bits[at + words] if row < high else NONE
            bits[at] = here & below & above
            below = here
    return set_rows(bits, row_at(option, 0, frame), words, option, low, high, ends)


@njit(cache=True, nogil=True)
def _note(found, draw, number, option, row, col, spare, spare_row, spare_col, frame):  # type: ignore[no-untyped-def]
    found[draw, 0], found[draw, 1], found[draw, 4] = number, option, spare
    found[draw, 2], found[draw, 3] = frame.left + col * frame.cell, frame.bottom + row * frame.cell
    found[draw, 5], found[draw, 6] = frame.left + spare_col * frame.cell, frame.bottom + spare_row * frame.cell


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
def _set_rooms(wanted, draw, whole, inside, outside, ends, lot, things, wells, long, deep, keep, frame, bits, found):  # type: ignore[no-untyped-def]
    """Set the bits of the wanted layouts to their spots that keep every distance in one draw, and their lowest and highest row; whether
    there are any. Arrays as of `Spots`, `Now`, `Kept` and `Rooms`."""
    some = False
    for option in range(wanted.size):
        found[option, 0] = -1
        if not wanted[option] or ends[option, 0] < 0 or _shut(option, draw, ends, wells, long, deep, keep):
            continue
        first, last = row_at(option, ends[option, 0], frame), row_at(option, ends[option, 1] + 1, frame)
        if _set_bits(whole, inside, outside, bits, first, last, -lot[draw], -things[draw]) != NONE:
            _take_wells(option, draw, ends, wells, long, deep, keep, frame, bits)
            some |= set_rows(bits, row_at(option, 0, frame), frame.words, option, ends[option, 0], ends[option, 1], found)
    return some


@njit(cache=True, nogil=True)
def _set_bits(whole, inside, outside, room, first, last, lot, things):  # type: ignore[no-untyped-def]
    """Of the words from the first to before the last the bits of `room` that are left without wells, and all of them in one; `inside` and
    `outside` are so many bits farther on."""
    lot_part, thing_part = np.uint64(lot & 63), np.uint64(things & 63)
    lot_rest, thing_rest = LAST - lot_part, LAST - thing_part
    # Unsigned, since what cannot be negative need not be looked at for it, and several words are taken at once.
    at, by_lot, by_things, some = np.uint64(first), np.uint64(first + (lot >> 6)), np.uint64(first + (things >> 6)), NONE
    for k in range(np.uint64(last - first)):
        by_line = inside[by_lot + k] >> lot_part | inside[by_lot + k + ONE] << lot_rest << ONE
        clear_of = outside[by_things + k] >> thing_part | outside[by_things + k + ONE] << thing_rest << ONE
        left = whole[at + k] & by_line & clear_of
        room[at + k] = left
        some |= left
    return some


@njit(cache=True, nogil=True)
def _shut(option, draw, ends, wells, long, deep, keep):  # type: ignore[no-untyped-def]
    """Whether one well shuts all spots of a layout."""
    for well in range(keep.size):
        u, v = wells[draw, well, 0], wells[draw, well, 1]
        over = max(max(u - ends[option, 2], ends[option, 3] - u) - long[option], 0.0)
        up = max(max(v - ends[option, 0], ends[option, 1] - v) - deep[option], 0.0)
        if over * over + up * up <= keep[well] * keep[well] and keep[well] > 0.0:
            return True
    return False


@njit(cache=True, nogil=True)
def _take_wells(option, draw, ends, wells, long, deep, keep, frame, bits):  # type: ignore[no-untyped-def]
    """Take away the spots of a layout that wells shut."""
    low, high, near, far = ends[option, 0], ends[option, 1], ends[option, 2], ends[option, 3]
    for well in range(keep.size):
        u, v, away = wells[draw, well, 0], wells[draw, well, 1], keep[well]
        if away <= 0.0 or max(near - u, u - far) - long[option] > away:
            continue
        first, last = max(low, int(math.ceil(v - away - deep[option]))), min(high, int(math.floor(v + away + deep[option])))
        for row in range(first, last + 1):
            at, some = row_at(option, row, frame), NONE
            for word in range(at, at + frame.words):
                some |= bits[word]
            if some != NONE:
                up = max(abs(row - v) - deep[option], 0.0)
                reach = math.sqrt(max(away * away - up * up, 0.0)) + long[option]
                clear(bits, at, u - reach, u + reach, frame.cols)


@njit(cache=True, nogil=True)
def _set_columns(bits, ends, frame):  # type: ignore[no-untyped-def]
    """Set first and last column of each layout."""
    for option in range(ends.shape[0]):
        if ends[option, 0] >= 0:
            set_columns(bits, row_at(option, 0, frame), frame.words, option, ends)


@njit(cache=True, nogil=True)
def _any_level(bits, ends, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """A layout, and row and column of a spot of it where trenches may lie; -1 where there is none."""
    for option in range(layouts.shape[0]):
        if ends[option, 0] >= 0:
            row, col = _level_spot(option, bits, ends, whole, level, blocks, layouts, trenches, frame, planes, where)
            if row >= 0:
                return option, row, col
    return -1, -1, -1


@njit(cache=True, nogil=True)
def _level_spot(option, bits, ends, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Row and column of a spot of a layout where trenches may lie, -1 where there is none: then it has no spots any more."""
    for row in range(ends[option, 0], ends[option, 1] + 1):
        col = _level_in_row(option, row, bits, whole, level, blocks, layouts, trenches, frame, planes, where)
        if col >= 0:
            return row, col
    ends[option, 0] = -1
    return -1, -1


@njit(cache=True, nogil=True)
def _level_in_row(option, row, bits, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    at = row_at(option, row, frame)
    for word in range(frame.words):
        left = bits[at + word]
        if left == NONE:
            continue
        known = left & level[at + word]
        if known != NONE:
            return 64 * word + lowest(known)
        while left != NONE:
            col = 64 * word + lowest(left)
            left &= left - ONE
            if _level(option, row, col, bits, whole, level, blocks, layouts, trenches, frame, planes, where):
                return col
    return -1


@njit(cache=True, nogil=True)
def _level_in_column(option, col, low, high, bits, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    mask = ONE << np.uint64(col & 63)
    for row in range(low, high + 1):
        if bits[row_at(option, row, frame) + (col >> 6)] & mask != NONE and _level(
            option, row, col, bits, whole, level, blocks, layouts, trenches, frame, planes, where
        ):
            return row
    return -1


@njit(cache=True, nogil=True)
def _level(option, row, col, bits, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at a spot, by the ground along them; where not, it is none any more."""
    at, mask = row_at(option, row, frame) + (col >> 6), ONE << np.uint64(col & 63)
    if level[at] & mask != NONE:
        return True
    number, length_m, depth_m = layouts[option, 0], layouts[option, 1], layouts[option, 2]
    up, on, cell, found = row // BLOCK, col // BLOCK, frame.cell, False
    if blocks[option, up, on] == 0:
        u = frame.left + (on * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * length_m
        v = frame.bottom + (up * BLOCK + 0.5 * (BLOCK - 1)) * cell - 0.5 * depth_m
        blocks[option, up, on] = 1 if _near_level(planes, where, u, v, frame, number, length_m, trenches) else 2
    if blocks[option, up, on] == 1:
        u, v = frame.left + col * cell - 0.5 * length_m, frame.bottom + row * cell - 0.5 * depth_m
        found = runs_level(planes, where, u, v, frame.cosine, frame.sine, number, length_m, trenches, STEP_M)
    if found:
        level[at] |= mask
    else:
        bits[at] &= ~mask
        whole[at] &= ~mask
    return found


@njit(cache=True, nogil=True)
def _near_level(planes, where, u, v, frame, number, length_m, trenches):  # type: ignore[no-untyped-def]
    """Whether trenches may lie at spots about this one; ground not known here may be known there."""
    anything = Where(where.left_m, where.top_m, where.cell_m, where.rows, where.cols, True)
    loose = Trenches(trenches.width_m, trenches.pitch_m, NEAR_ENOUGH * trenches.drop_m)
    return may_run_level(planes, anything, u, v, frame.cosine, frame.sine, number, length_m, loose, STEP_M)


@njit(cache=True, nogil=True)
def _set_level_ends(bits, ends, whole, level, blocks, layouts, trenches, frame, planes, where):  # type: ignore[no-untyped-def]
    """Leave of the ends of each layout those of the spots at which trenches may lie."""
    for option in range(layouts.shape[0]):
        if ends[option, 0] < 0:
            continue
        low, high, near, far = ends[option, 0], ends[option, 1], ends[option, 2], ends[option, 3]
        for end in range(4):
            found, other = -1, -1
            first, last = (low, high) if end < 2 else (near, far)
            for step in range(last - first + 1):
                found = first + step if end % 2 == 0 else last - step
                if end < 2:
                    other = _level_in_row(option, found, bits, whole, level, blocks, layouts, trenches, frame, planes, where)
                else:
                    other = _level_in_column(option, found, low, high, bits, whole, level, blocks, layouts, trenches, frame, planes, where)
                if other >= 0:
                    break
            if other < 0:
                ends[option, 0] = -1
                break
            ends[option, end] = found


@njit(cache=True, nogil=True)
def _end_spot(option, end, bits, ends, level, frame):  # type: ignore[no-untyped-def]
    """Row and column of a spot at this end of a layout, of those at which trenches may lie."""
    for row in range(ends[option, 0], ends[option, 1] + 1):
        for word in range(frame.words):
            at = row_at(option, row, frame) + word
            left = bits[at] & level[at]
            if end < 2:
                if row == ends[option, end] and left != NONE:
                    return row, 64 * word + lowest(left)
            elif word == ends[option, end] >> 6 and left >> np.uint64(ends[option, end] & 63) & ONE != NONE:
                return row, ends[option, end]
    return -1, -1


@njit(cache=True, nogil=True)
def _pair(ends, spare_ends, pairs, apart):  # type: ignore[no-untyped-def]
    """Layouts of field and reserve whose spots lie far enough apart, and at which end the field is; -1 where there are none."""
    for option in range(pairs.shape[0]):
        if ends[option, 0] < 0:
            continue
        for spare in range(pairs.shape[1]):
            if pairs[option, spare] and spare_ends[spare, 0] >= 0:
                for end in range(4):
                    if _pair_of(option, spare, end, ends, spare_ends, apart):
                        return option, spare, end
    return -1, -1, -1


@njit(cache=True, nogil=True)
def _pair_of(option, spare, end, ends, spare_ends, apart):  # type: ignore[no-untyped-def]
    far = spare_ends[spare, end ^ 1] - ends[option, end]
    return (far if end & 1 == 0 else -far) >= apart[option, spare, end >> 1]
