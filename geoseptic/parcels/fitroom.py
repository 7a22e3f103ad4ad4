"""Where rectangles of trenches have room on one turned grid, and which of these places the ground allows."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import ALL, LAST, NONE, ONE, Bits, keep_runs, keep_stacks, lowest, places_and_ends
from geoseptic.parcels.fitgrid import SLACK_M, cells_for
from geoseptic.parcels.fitground import Trenches, runs_level, where_of

WIDE, TALLEST, FIRST_ROW, LAST_ROW = range(4)
"""What the state of runs of cells tells, as of `_unmade`."""


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
    runs, state = free.copy(), _unmade(free)
    # From the last layout to the first trenches get longer, and runs that are long enough for one are looked through for the next.
    for option in range(layouts.shape[0] - 1, -1, -1):
        if tried[option]:
            wide, deep = cells_for(layouts[option, 1], cell), cells_for(layouts[option, 2], cell)
            room.wide[option], room.deep[option] = wide, deep
            if _runs_stack(runs, state, free, wide, deep):
                first, last = state[FIRST_ROW], state[LAST_ROW] - deep + 1
                _set_stacks(room.fits[option], runs, deep, first, last)
                _set_ends(room, option, first, last)
    return room


@njit(cache=True, nogil=True)
def blocks(inner, touched, cols, layouts, tried, cell):  # type: ignore[no-untyped-def]
    """Blocks of cells that the tried ones of the layouts might touch, whatever their place between the cells: the shape must touch all
    of them, and hold those that are not on the rim."""
    room = _no_room(layouts.shape[0], inner.shape, cols)
    runs, state, inner_runs, inner_state = touched.copy(), _unmade(touched), inner.copy(), _unmade(inner)
    within = np.empty_like(inner)
    for option in range(layouts.shape[0] - 1, -1, -1):
        if tried[option]:
            # Smaller by the slack on each side, so that cells that only just lie inside the rectangle count as such.
            wide = cells_for(layouts[option, 1] - 4 * SLACK_M, cell)
            deep = cells_for(layouts[option, 2] - 4 * SLACK_M, cell)
            room.wide[option], room.deep[option] = wide, deep
            if not _runs_stack(runs, state, touched, wide, deep):
                continue
            rimmed = wide > 2 and deep > 2
            if rimmed and not _runs_stack(inner_runs, inner_state, inner, wide - 2, deep - 2):
                continue
            first, last = state[FIRST_ROW], state[LAST_ROW] - deep + 1
            if rimmed:
                first, last = max(first, inner_state[FIRST_ROW] - 1), min(last, inner_state[LAST_ROW] - deep + 2)
            _set_stacks(room.fits[option], runs, deep, first, last)
            if rimmed:
                _set_stacks(within, inner_runs, deep - 2, first + 1, last + 1)
                _keep_rimmed(room.fits[option], within, first, last)
            _set_ends(room, option, first, last)
    return room


@njit(cache=True, nogil=True)
def _unmade(free):  # type: ignore[no-untyped-def]
    """The state of `_runs_stack` where runs are free cells yet: how wide they are, how many rows that have any follow one on the other at
    most, and the first and last row that has any."""
    return np.array([1, free.shape[0], 0, free.shape[0] - 1])


@njit(cache=True, nogil=True)
def _runs_stack(runs, state, free, wide, deep):  # type: ignore[no-untyped-def]
    """Make `runs`, as its state tells of it, the free cells that begin a run of `wide`; whether so many rows one above the other have
    any, without which there is no block."""
    if wide < state[WIDE]:
        for row in range(free.shape[0]):
            for word in range(free.shape[1]):
                runs[row, word] = free[row, word]
        state[WIDE], state[TALLEST], state[FIRST_ROW], state[LAST_ROW] = 1, free.shape[0], 0, free.shape[0] - 1
    if wide > state[WIDE] and state[TALLEST] > 0:
        keep_runs(runs, state[WIDE], wide, state[FIRST_ROW], state[LAST_ROW])
        most = rows = 0
        first, last = state[LAST_ROW] + 1, state[LAST_ROW]
        for row in range(state[FIRST_ROW], state[LAST_ROW] + 1):
            anywhere = NONE
            for word in range(runs.shape[1]):
                anywhere |= runs[row, word]
            rows = rows + 1 if anywhere != NONE else 0
            most = max(most, rows)
            if rows > 0:
                first, last = min(first, row), row
        state[TALLEST], state[FIRST_ROW], state[LAST_ROW] = most, first, last
    state[WIDE] = wide
    return state[TALLEST] >= deep


@njit(cache=True, nogil=True)
def _set_stacks(fits, runs, deep, first, last):  # type: ignore[no-untyped-def]
    """Set in `fits` the runs in the rows from first to last above which, themselves included, there are `deep`."""
    for row in range(first, last + deep):
        for word in range(fits.shape[1]):
            fits[row, word] = runs[row, word]
    keep_stacks(fits, deep, first, last + deep - 1)


@njit(cache=True, nogil=True)
def _keep_rimmed(fits, within, first, last):  # type: ignore[no-untyped-def]
    """Keep set, in the rows from first to last, the cells whose upper right neighbour is set in `within`."""
    words = fits.shape[1]
    for row in range(first, last + 1):
        for word in range(words):
            rimmed = within[row + 1, word] >> ONE
            if word + 1 < words:
                rimmed |= within[row + 1, word + 1] << LAST
            fits[row, word] &= rimmed


@njit(cache=True, nogil=True)
def _set_ends(room, option, first, last):  # type: ignore[no-untyped-def]
    room.places[option], low, high, near, far = places_and_ends(room.fits[option], first, last)
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
