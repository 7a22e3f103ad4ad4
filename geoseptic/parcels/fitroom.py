"""Where rectangles of trenches have room on one turned grid, and which of these places the ground allows."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import ALL, NONE, ONE, Bits, keep_runs, keep_stacks, lowest, places_and_ends
from geoseptic.parcels.fitgrid import SLACK_M, cells_for
from geoseptic.parcels.fitground import Trenches, runs_level, where_of


class Work(NamedTuple):
    """What is to be laid. Rows of `fields` and `reserves` are possible layouts: number of trenches, length, depth over all. [m]"""

    fields: npt.NDArray[np.float64]
    reserves: npt.NDArray[np.float64]
    gap_m: float
    trenches: Trenches


class Tries(NamedTuple):
    """What is worth trying: directions of the trenches from east [rad], and for each which rows of the layouts, bool (n, layouts)."""

    turns: npt.NDArray[np.float64]
    fields: npt.NDArray[np.bool_]
    reserves: npt.NDArray[np.bool_]


class Spot(NamedTuple):
    """A rectangle of trenches: row of the layouts (-1: none), lower left corner in turned coordinates about the lot's middle. [m]"""

    layout: int
    u: float
    v: float


class Grid(NamedTuple):
    """A turned grid: lower left corner, cell side, and cosine and sine of its angle. [m]"""

    left: float
    bottom: float
    cell: float
    cosine: float
    sine: float


class Room(NamedTuple):
    """Room at one turn for each of some layouts: columns of the grid, cells along and across, where the lower left cell of the rectangle
    may be (a grid of `bitrows` a layout), in how many places, and the ends of these places: lowest and highest row, lowest and highest
    column (-1: none). `level` has the ends of those places where the ground lets the trenches lie; they are looked for when they are asked
    for (-2: not yet)."""

    cols: int
    wide: npt.NDArray[np.int64]
    deep: npt.NDArray[np.int64]
    fits: Bits
    places: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]
    level: npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def room_in(free, cols, layouts, tried, cell):  # type: ignore[no-untyped-def]
    """Room for the tried ones of the layouts where all cells are free; lengths are rounded up to cells."""
    room = _no_room(layouts.shape[0], free.shape, cols)
    for option in range(layouts.shape[0]):
        if tried[option]:
            room.wide[option], room.deep[option] = cells_for(layouts[option, 1], cell), cells_for(layouts[option, 2], cell)
    _set_ends(room, _set_room(room, free, room.wide, room.deep, tried))
    return room


@njit(cache=True, nogil=True)
def blocks(inner, touched, cols, layouts, tried, cell):  # type: ignore[no-untyped-def]
    """Blocks of cells that the tried ones of the layouts might touch, whatever their place between the cells: the shape must touch all
    of them, and hold those that are not on the rim."""
    room = _no_room(layouts.shape[0], inner.shape, cols)
    for option in range(layouts.shape[0]):
        if tried[option]:
            # Smaller by the slack on each side, so that cells that only just lie inside the rectangle count as such.
            room.wide[option] = cells_for(layouts[option, 1] - 4 * SLACK_M, cell)
            room.deep[option] = cells_for(layouts[option, 2] - 4 * SLACK_M, cell)
    touches = _set_room(room, touched, room.wide, room.deep, tried)
    if not touches.any():
        return room
    within = np.zeros_like(room.fits)
    inner_room = Room(cols, room.wide, room.deep, within, room.places, room.ends, room.level)
    _set_room(inner_room, inner, room.wide - 2, room.deep - 2, touches)
    for option in range(layouts.shape[0]):
        if touches[option] and room.wide[option] > 2 and room.deep[option] > 2:
            for row in range(inner.shape[0]):
                for word in range(inner.shape[1]):
                    rimmed = NONE
                    if row + 1 < inner.shape[0]:
                        rimmed = within[option, row + 1, word] >> ONE
                        if word + 1 < inner.shape[1]:
                            rimmed |= within[option, row + 1, word + 1] << np.uint64(63)
                    room.fits[option, row, word] &= rimmed
    _set_ends(room, touches)
    return room


@njit(cache=True, nogil=True)
def _set_room(room, free, wide, deep, tried):  # type: ignore[no-untyped-def]
    """Set in `room.fits` where `wide` x `deep` cells are wholly free, for the tried layouts of which either is more than none; for which
    there may be such places."""
    runs, across, tallest = free.copy(), np.int64(1), free.shape[0]
    found = np.zeros(tried.size, np.bool_)
    # From the last layout to the first trenches get longer, and runs that are long enough for one are looked through for the next.
    for option in range(tried.size - 1, -1, -1):
        if not tried[option] or wide[option] < 1 or deep[option] < 1:
            continue
        if wide[option] < across:
            runs, across, tallest = free.copy(), np.int64(1), free.shape[0]
        if tallest > 0 and wide[option] > across:
            keep_runs(runs, across, wide[option])
            tallest = _most_rows(runs)
        across = wide[option]
        # Without so many rows one above the other that have such runs there is no block.
        if tallest >= deep[option]:
            fits = room.fits[option]
            for row in range(fits.shape[0]):
                for word in range(fits.shape[1]):
                    fits[row, word] = runs[row, word]
            keep_stacks(fits, deep[option])
            found[option] = True
    return found


@njit(cache=True, nogil=True)
def _most_rows(bits):  # type: ignore[no-untyped-def]
    """How many rows that have any cell set follow one on the other, at most."""
    most = rows = 0
    for row in range(bits.shape[0]):
        anywhere = NONE
        for word in range(bits.shape[1]):
            anywhere |= bits[row, word]
        rows = rows + 1 if anywhere != NONE else 0
        most = max(most, rows)
    return most


@njit(cache=True, nogil=True)
def _set_ends(room, tried):  # type: ignore[no-untyped-def]
    for option in range(tried.size):
        if tried[option]:
            room.places[option], low, high, near, far = places_and_ends(room.fits[option])
            room.ends[option, 0], room.ends[option, 1], room.ends[option, 2], room.ends[option, 3] = low, high, near, far


@njit(cache=True, nogil=True)
def _no_room(options, shape, cols):  # type: ignore[no-untyped-def]
    return Room(
        cols,
        np.zeros(options, np.int64),
        np.zeros(options, np.int64),
        np.zeros((options, shape[0], shape[1]), np.uint64),
        np.zeros(options, np.int64),
        np.full((options, 4), -1),
        np.full((options, 4), -2),
    )


@njit(cache=True, nogil=True)
def spot_at(row, col, option, deep, wide, length_m, depth_m, grid):  # type: ignore[no-untyped-def]
    """The rectangle in the middle of its block of cells, so that the choice turns with the lot."""
    u = grid.left + (col + 0.5 * wide) * grid.cell - 0.5 * length_m
    v = grid.bottom + (row + 0.5 * deep) * grid.cell - 0.5 * depth_m
    return Spot(option, u, v)


@njit(cache=True, nogil=True)
def corners(u, v, count, length_m, depth_m, width_m, pitch_m, turn, x_m, y_m):  # type: ignore[no-untyped-def]
    """Corners of a rectangle and then of its trenches in the world, shape (1 + count, 4, 2): lower left corner in coordinates that are
    turned about (x_m, y_m), number of trenches, length, depth over all, a trench's width, from one to the next. [m]"""
    cosine, sine = math.cos(turn), math.sin(turn)
    found = np.empty((1 + count, 4, 2))
    for number in range(1 + count):
        low = 0.0 if number == 0 else pitch_m * (number - 1)
        high = depth_m if number == 0 else low + width_m
        for corner in range(4):
            along, across = u + (length_m if corner in (1, 2) else 0.0), v + (low if corner < 2 else high)
            found[number, corner, 0] = x_m + along * cosine - across * sine
            found[number, corner, 1] = y_m + along * sine + across * cosine
    return found


@njit(cache=True, nogil=True)
def look_for_level(room, option, end, layouts, grid, trenches, patch, step_m):  # type: ignore[no-untyped-def]
    """Fill in one end of `level`, all of them where there is none."""
    low, high, near, far = room.ends[option]
    count, length_m, depth_m = layouts[option]
    deep, wide, fits, planes, where = room.deep[option], room.wide[option], room.fits[option], patch.planes, where_of(patch)
    at = -1
    if room.places[option] > 0:
        first, last = (low, high) if end < 2 else (near, far)
        for step in range(last - first + 1):
            line = first + step if end % 2 == 0 else last - step
            rows = (line, line + 1) if end < 2 else (low, high + 1)
            words = (near >> 6, (far >> 6) + 1) if end < 2 else (line >> 6, (line >> 6) + 1)
            wanted = ALL if end < 2 else ONE << np.uint64(line & 63)
            for row in range(rows[0], rows[1]):
                for word in range(words[0], words[1]):
                    left = fits[row, word] & wanted
                    while left != NONE:
                        col = 64 * word + lowest(left)
                        left &= left - ONE
                        spot = spot_at(row, col, option, deep, wide, length_m, depth_m, grid)
                        if runs_level(planes, where, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, trenches, step_m):
                            at, left = line, NONE
                            break
                    if at >= 0:
                        break
                if at >= 0:
                    break
            if at >= 0:
                break
    if at >= 0:
        room.level[option, end] = at
    else:
        room.level[option, :] = -1
