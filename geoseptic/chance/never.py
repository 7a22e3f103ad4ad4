"""What shows that no layout has room in an envelope, in whatever direction and however finely one looks.

A rectangle of a layout, in any direction, holds one a little smaller in the nearest of `TURNS` directions. That touches a block of cells,
all of which the envelope touches, and holds the cells within the rim of the block, whose middles must lie on good ground. And the points
along its trenches at which the search looks at the ground lie near those of the block's middle rectangle, so the least and the greatest
height of all ground so near tell where no trench can run level. Where no block is left there is no room. All of this is exact, for the
layouts that the search has, as far as the ground is the same. Blocks that the ground shuts are shut in every envelope of the lot: what is
found of them is kept.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import ALL, NONE, ONE, Bits, is_set, lowest, no_cells, turn_over
from geoseptic.parcels.fitgrid import Rings, grid_over, inside_cells, turned
from geoseptic.parcels.fitground import STEP_M, Patch, Trenches, keep_good_middles
from geoseptic.parcels.fitroom import blocks

TURNS = 72
"""Directions looked at over half a turn; every other one is within half a step of one of them."""

ASIDE = 0.5 * math.pi / TURNS
"""How far a direction may lie from the nearest of them. [rad]"""

SHARE_OF_WIDTH = 0.75
"""How much of a rectangle's width may be lost by looking at it from half a step aside, before its length is given up instead."""

DIAGONAL = 1.4143
"""Of a square of side 1, rounded up."""

FINE_M = 0.25
MOST_FINE = 400
"""Cells at which the least and greatest heights are kept, and how many of them a lot has on a side at most; then they are larger."""

EVERY = 3
"""Of the steps along a trench at which the search looks at the ground so many are one apart here."""

ROUNDING_M = 1e-6

Floats = npt.NDArray[np.float64]


class Bounds(NamedTuple):
    """The ground of one lot between two heights, and what is to be laid.

    low_m, high_m : least and greatest height of any ground as near to a cell as `reach_m` of it; infinite and minus infinite where none is
    known. left_m, top_m, cell_m : upper left corner and cell side. [m]
    layouts : rows of number, length, depth; small : the smaller ones that their rectangles hold. [m]
    """

    low_m: Floats
    high_m: Floats
    left_m: float
    top_m: float
    cell_m: float
    layouts: Floats
    small: Floats
    trenches: Trenches


class Seen(NamedTuple):
    """What is known of the blocks of one lot for some layouts.

    grid : (TURNS, 5) left, bottom, side, rows, columns. middles : cells with good ground in the middle, a grid of `bitrows` a turn.
    level, steep : blocks of which the ground was looked at, by turn and layout, where it may let trenches lie and where it cannot.
    """

    grid: Floats
    middles: Bits
    level: Bits
    steep: Bits


def seen_of(rings: Rings, spare_rings: Rings, options: int, cell_m: float, most_cells: int, patch: Patch) -> Seen:
    """Nothing is known yet of the blocks in these envelopes, which hold all that will be asked about."""
    grid, middles = _grids(rings, spare_rings, cell_m, most_cells, patch)
    shape = (TURNS, options, *middles.shape[1:])
    return Seen(grid, middles, np.zeros(shape, np.uint64), np.zeros(shape, np.uint64))


def bounds_of(layouts: Floats, trenches: Trenches, seen: Seen, patch: Patch) -> Bounds:
    """The ground of a patch between two heights, for layouts whose blocks have the cells of `seen`."""
    small = _smaller(layouts, ASIDE)
    reach_m = 0.5 * DIAGONAL * float(seen.grid[:, 2].max()) + ASIDE * 0.5 * float(np.hypot(layouts[:, 1], layouts[:, 2]).max(initial=0.0))
    rows, cols = patch.planes.shape[:2]
    times = max(1, min(math.ceil(patch.cell_m / FINE_M), MOST_FINE // max(rows, cols)))
    low_m, high_m = _between(patch.planes, patch.cell_m, times, math.ceil(reach_m * times / patch.cell_m))
    return Bounds(low_m, high_m, patch.left_m, patch.top_m, patch.cell_m / times, layouts, small, trenches)


class Many(NamedTuple):
    """The rings of many shapes: corners, first corner of each ring, first ring of each shape, with one more at the end. [m]"""

    x: Floats
    y: Floats
    ring: npt.NDArray[np.int64]
    first: npt.NDArray[np.int64]


class Open(NamedTuple):
    """Which layouts of field and reserve may still have room in each direction, bool (TURNS, layouts): for a field alone, and for both."""

    alone: npt.NDArray[np.bool_]
    field: npt.NDArray[np.bool_]
    reserve: npt.NDArray[np.bool_]


@njit(cache=True, nogil=True)
def left_open(rings, spare_rings, same, field, reserve, alike, seen, spare_seen, gap_m):  # type: ignore[no-untyped-def]
    """What may have room in envelopes, as `Open`.

    Parameters
    ----------
    rings, spare_rings : envelopes of field and reserve about the middle of `seen`; `same` says that they are one.
    field, reserve, seen, spare_seen : `Bounds` and `Seen` of the layouts of both; `alike` says that these are one.
    gap_m : between field and reserve.
    """
    options, spares = field.layouts.shape[0], reserve.layouts.shape[0]
    alone, of_field = np.zeros((TURNS, options), np.bool_), np.zeros((TURNS, options), np.bool_)
    of_reserve = np.zeros((TURNS, spares), np.bool_)
    every, every_spare = np.ones(options, np.bool_), np.ones(spares, np.bool_)
    for at in range(TURNS):
        cosine, sine = math.cos(at * math.pi / TURNS), math.sin(at * math.pi / TURNS)
        left, bottom, side = seen.grid[at, 0], seen.grid[at, 1], seen.grid[at, 2]
        rows, cols = int(seen.grid[at, 3]), int(seen.grid[at, 4])
        room, spare = _rooms(rings, spare_rings, same, field, reserve, alike, seen, at, every, every_spare)
        _level_ends(room, field, seen, at, left, bottom, side, cosine, sine)
        alone[at] = room.places > 0
        if spares == 0:
            of_field[at] = alone[at]
            continue
        if not alike:
            _level_ends(spare, reserve, spare_seen, at, left, bottom, side, cosine, sine)
        _set_beside(room.ends, spare.ends, field, reserve, gap_m, max(cols, rows) * side, side, of_field[at], of_reserve[at])
    return Open(alone, of_field, of_reserve)


@njit(cache=True, nogil=True)
def most_in(rings, spare_rings, same, field, reserve, alike, seen, spare_seen, gap_m, left, least, most, first):  # type: ignore[no-untyped-def]
    """The most that may have room in envelopes that lie within those of `left`, which is `Open`: 0 nothing, 1 a field alone, 2 a field and
    its reserve; and a direction in which it may. Other parameters as of `left_open`.

    least, most : nothing less than the one is looked for, nothing more than the other.
    first : direction to look at first.
    """
    spares, found, where = reserve.layouts.shape[0], 0, first
    for number in range(TURNS):
        at = (first + number) % TURNS
        both = most == 2 and left.field[at].any()
        alone = found == 0 and least < 2 and left.alone[at].any()
        if not both and not alone:
            continue
        cosine, sine = math.cos(at * math.pi / TURNS), math.sin(at * math.pi / TURNS)
        west, bottom, side = seen.grid[at, 0], seen.grid[at, 1], seen.grid[at, 2]
        rows, cols = int(seen.grid[at, 3]), int(seen.grid[at, 4])
        tried = left.alone[at] if alone else left.field[at]
        # Where one layout stands for field and reserve, either may be what is left of it.
        if alike and both:
            tried = tried | left.reserve[at] | left.field[at]
        room, spare = _rooms(rings, spare_rings, same, field, reserve, alike, seen, at, tried, left.reserve[at])
        if alone:
            for option in range(tried.size):
                if left.alone[at, option] and _any_level(room, option, field, seen, at, west, bottom, side, cosine, sine):
                    found, where = 1, at
                    break
            if found == 1 and most == 1:
                return found, where
        if both and spares == 0:
            for option in range(tried.size):
                if left.field[at, option] and _any_level(room, option, field, seen, at, west, bottom, side, cosine, sine):
                    return 2, at
        elif both:
            open_field, open_reserve = np.zeros(tried.size, np.bool_), np.zeros(spares, np.bool_)
            wide = max(cols, rows) * side
            if not _set_beside(room.ends, spare.ends, field, reserve, gap_m, wide, side, open_field, open_reserve):
                continue
            _level_ends(room, field, seen, at, west, bottom, side, cosine, sine)
            if not alike:
                _level_ends(spare, reserve, spare_seen, at, west, bottom, side, cosine, sine)
            open_field[:] = False
            open_reserve[:] = False
            if _set_beside(room.ends, spare.ends, field, reserve, gap_m, wide, side, open_field, open_reserve):
                return 2, at
    return found, where


@njit(cache=True, nogil=True)
def most_in_each(own, other, same, field, reserve, alike, seen, spare_seen, gap_m, left, least, most):  # type: ignore[no-untyped-def]
    """`most_in` for many envelopes of field and reserve; least, most : one for each. Those of which nothing is left have no ring."""
    found = np.zeros(least.size, np.int8)
    turn = 0
    for k in range(least.size):
        if most[k] < least[k] or own.first[k] == own.first[k + 1]:
            continue
        rings = _rings(own, k)
        spare_rings = rings if same or other.first[k] == other.first[k + 1] else _rings(other, k)
        found[k], turn = most_in(rings, spare_rings, same, field, reserve, alike, seen, spare_seen, gap_m, left, least[k], most[k], turn)
    return found


@njit(cache=True, nogil=True)
def _rings(many, k):  # type: ignore[no-untyped-def]
    starts = many.ring[many.first[k] : many.first[k + 1] + 1]
    return Rings(many.x[starts[0] : starts[-1]], many.y[starts[0] : starts[-1]], starts - starts[0])


@njit(cache=True, nogil=True)
def _rooms(rings, spare_rings, same, field, reserve, alike, seen, at, tried, tried_spare):  # type: ignore[no-untyped-def]
    """Blocks in one direction, of field and of reserve; one and the same where `alike`."""
    cosine, sine = math.cos(at * math.pi / TURNS), math.sin(at * math.pi / TURNS)
    left, bottom, side = seen.grid[at, 0], seen.grid[at, 1], seen.grid[at, 2]
    rows, cols = int(seen.grid[at, 3]), int(seen.grid[at, 4])
    inner, touched = inside_cells(turned(rings, cosine, sine), left, bottom, side, rows, cols)
    _keep(inner, seen.middles[at])
    room = blocks(inner, touched, cols, field.small, tried, side)
    spare = room
    if not alike:
        if not same:
            inner, touched = inside_cells(turned(spare_rings, cosine, sine), left, bottom, side, rows, cols)
            _keep(inner, seen.middles[at])
        spare = blocks(inner, touched, cols, reserve.small, tried_spare, side)
    return room, spare


@njit(cache=True, nogil=True)
def _grids(rings, spare_rings, cell, most_cells, patch):  # type: ignore[no-untyped-def]
    grid = np.empty((TURNS, 5))
    for number in range(TURNS):
        turn = number * math.pi / TURNS
        cosine, sine = math.cos(turn), math.sin(turn)
        left, bottom, side, rows, cols = grid_over(turned(rings, cosine, sine), turned(spare_rings, cosine, sine), cell, most_cells)
        grid[number, 0], grid[number, 1], grid[number, 2], grid[number, 3], grid[number, 4] = left, bottom, side, rows, cols
    middles = np.full((TURNS, int(grid[:, 3].max()), no_cells(1, int(grid[:, 4].max())).shape[1]), ALL)
    for number in range(TURNS):
        turn = number * math.pi / TURNS
        keep_good_middles(middles[number], grid[number, 0], grid[number, 1], grid[number, 2], math.cos(turn), math.sin(turn), patch)
    return grid, middles


@njit(cache=True, nogil=True)
def _keep(cells, others):  # type: ignore[no-untyped-def]
    for row in range(cells.shape[0]):
        for word in range(cells.shape[1]):
            cells[row, word] &= others[row, word]


@njit(cache=True, nogil=True)
def _smaller(layouts, aside):  # type: ignore[no-untyped-def]
    """Layouts whose rectangles have room in those of `layouts`, middle on middle, turned by up to an angle."""
    out = layouts.copy()
    sine, cosine = math.sin(aside), math.cos(aside)
    for k in range(layouts.shape[0]):
        long, thin = max(layouts[k, 1], layouts[k, 2]), min(layouts[k, 1], layouts[k, 2])
        # The inner one has room where its own bounds, turned, are no larger than the outer one.
        length = min(long, SHARE_OF_WIDTH * thin / sine)
        width = (thin - length * sine) / cosine
        length = min(length, (long - width * sine) / cosine)
        out[k, 1], out[k, 2] = (length, width) if layouts[k, 1] >= layouts[k, 2] else (width, length)
    return out


@njit(cache=True, nogil=True)
def _between(planes, cell, times, around):  # type: ignore[no-untyped-def]
    """The least and greatest height of each of `times` x `times` parts of a cell and of all parts at most `around` away."""
    rows, cols = planes.shape[0] * times, planes.shape[1] * times
    low, high = np.full((rows, cols), np.inf), np.full((rows, cols), -np.inf)
    part = cell / times
    for row in range(rows):
        for col in range(cols):
            height, rise_x, rise_y = planes[row // times, col // times]
            if np.isnan(height):
                continue
            east, north = (col % times + 0.5) * part - 0.5 * cell, 0.5 * cell - (row % times + 0.5) * part
            middle, half = height + rise_x * east + rise_y * north, 0.5 * part * (abs(rise_x) + abs(rise_y))
            low[row, col], high[row, col] = middle - half, middle + half
    for _ in range(2):
        low, high = _widened(low, around).T.copy(), -_widened(-high, around).T.copy()
    return low, high


@njit(cache=True, nogil=True)
def _widened(values, around):  # type: ignore[no-untyped-def]
    """The least of each cell and those at most so many columns away."""
    out = values.copy()
    rows, cols = values.shape
    for row in range(rows):
        for away in range(1, min(around, cols - 1) + 1):
            for col in range(cols - away):
                out[row, col] = min(out[row, col], values[row, col + away])
                out[row, col + away] = min(out[row, col + away], values[row, col])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _may_be_level(row, col, option, bounds, left, bottom, side, cosine, sine):  # type: ignore[no-untyped-def]
    """Whether trenches of a rectangle whose smaller one has its lower left corner in this cell may run level."""
    count, length_m, depth_m = bounds.layouts[option]
    u = left + (col + 0.5) * side + 0.5 * (bounds.small[option, 1] - length_m)
    v = bottom + (row + 0.5) * side + 0.5 * (bounds.small[option, 2] - depth_m)
    steps = int(math.ceil(length_m / STEP_M))
    rows, cols = bounds.low_m.shape
    for trench in range(int(count)):
        axis = v + trench * bounds.trenches.pitch_m + 0.5 * bounds.trenches.width_m
        least, most = np.inf, -np.inf
        for step in range(-EVERY, steps, EVERY):
            at = steps if step < 0 else step
            along = u + length_m * at / steps
            r = int(math.floor((bounds.top_m - along * sine - axis * cosine) / bounds.cell_m))
            c = int(math.floor((along * cosine - axis * sine - bounds.left_m) / bounds.cell_m))
            if r < 0 or c < 0 or r >= rows or c >= cols or bounds.low_m[r, c] == np.inf:
                # Just beyond the patch the true point may lie on it.
                continue
            least, most = min(least, bounds.high_m[r, c]), max(most, bounds.low_m[r, c])
            if most - least > bounds.trenches.drop_m + ROUNDING_M:
                return False
    return True


@njit(cache=True, nogil=True)
def _looked(row, col, option, bounds, seen, at, left, bottom, side, cosine, sine):  # type: ignore[no-untyped-def]
    level, steep = seen.level[at, option], seen.steep[at, option]
    if is_set(level, row, col):
        return True
    if is_set(steep, row, col):
        return False
    found = _may_be_level(row, col, option, bounds, left, bottom, side, cosine, sine)
    turn_over(level if found else steep, row, col)
    return found


@njit(cache=True, nogil=True)
def _any_level(room, option, bounds, seen, at, left, bottom, side, cosine, sine):  # type: ignore[no-untyped-def]
    """Whether the ground lets trenches lie in any block of a layout."""
    if room.places[option] == 0:
        return False
    low, high, near, far = room.ends[option]
    fits, steep = room.fits[option], seen.steep[at, option]
    for row in range(low, high + 1):
        for word in range(near >> 6, (far >> 6) + 1):
            left_over = fits[row, word] & ~steep[row, word]
            while left_over != NONE:
                col = 64 * word + lowest(left_over)
                left_over &= left_over - ONE
                if _looked(row, col, option, bounds, seen, at, left, bottom, side, cosine, sine):
                    return True
    return False


@njit(cache=True, nogil=True)
def _level_ends(room, bounds, seen, at, left, bottom, side, cosine, sine):  # type: ignore[no-untyped-def]
    """Put into `ends` those of the blocks in which the ground lets trenches lie."""
    for option in range(bounds.layouts.shape[0]):
        if room.places[option] == 0:
            continue
        low, high, near, far = room.ends[option]
        fits = room.fits[option]
        for end in range(4):
            # Rows from below and from above, then columns from both sides.
            first, last = (low, high) if end < 2 else (near, far)
            found = -1
            for step in range(last - first + 1):
                line = first + step if end % 2 == 0 else last - step
                others = (near, far) if end < 2 else (low, high)
                for other in range(others[0], others[1] + 1):
                    row, col = (line, other) if end < 2 else (other, line)
                    if is_set(fits, row, col) and _looked(row, col, option, bounds, seen, at, left, bottom, side, cosine, sine):
                        found = line
                        break
                if found >= 0:
                    break
            if found < 0:
                room.places[option] = 0
                room.ends[option] = -1
                break
            room.ends[option, end] = found


@njit(cache=True, nogil=True)
def _set_beside(ends, spare_ends, field, reserve, gap_m, wide, cell, open_field, open_reserve):  # type: ignore[no-untyped-def]
    """Set which fields and reserves may lie clear of each other, by the ends of their blocks; whether any may.

    Along or across their own direction the middles lie at least half of both sizes and the gap apart, and the other way no more than the
    diagonal of `wide`.
    """
    sine, cosine = math.sin(ASIDE), math.cos(ASIDE)
    lost, some = DIAGONAL * wide * sine, False
    for option in range(field.layouts.shape[0]):
        low, high, near, far = ends[option]
        if high < 0:
            continue
        for spare in range(reserve.layouts.shape[0]):
            spare_low, spare_high, spare_near, spare_far = spare_ends[spare]
            if spare_high < 0 or (open_field[option] and open_reserve[spare]):
                continue
            deep = (0.5 * (field.layouts[option, 2] + reserve.layouts[spare, 2]) + gap_m) * cosine - lost
            long = (0.5 * (field.layouts[option, 1] + reserve.layouts[spare, 1]) + gap_m) * cosine - lost
            # From lower left corner to lower left corner of the smaller ones.
            more_deep = 0.5 * (field.small[option, 2] - reserve.small[spare, 2])
            more_long = 0.5 * (field.small[option, 1] - reserve.small[spare, 1])
            if (
                spare_high - low >= _cells(deep + more_deep, cell)
                or high - spare_low >= _cells(deep - more_deep, cell)
                or spare_far - near >= _cells(long + more_long, cell)
                or far - spare_near >= _cells(long - more_long, cell)
            ):
                open_field[option] = True
                open_reserve[spare] = True
                some = True
    return some


@njit(cache=True, nogil=True)
def _cells(length_m, cell):  # type: ignore[no-untyped-def]
    """Two points so far apart along a row lie at least so many cells apart."""
    return int(math.floor(length_m / cell - 1e-6))
