"""The ground under one lot, as the search for room reads it: fitted planes, what is known to be good, directions along the contour."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import NONE, is_set, turn_over
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND, SLACK_M, inside_cells, summed, within
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at

STEP_M = 1.0
"""The ground along a trench is looked at in steps of at most this length."""

BIN_DEGREES = 5
CONTOUR_TURNS = 6
EDGE_TURNS = 2
MORE_EDGE_TURNS = 6
"""How many directions along the contour are tried, those under most of the lot first; of how many sides of the envelope, along them and
across; and of how many where these leave no room."""

LONG_SIDE_M = 6.0
"""Only sides at least so long give a direction; those of a rounded setback are shorter."""

SAME_DIRECTION = math.radians(0.25)

EVEN_ENOUGH = 1.25
"""Ground is not a plane: only where it falls this much too steeply everywhere is a direction given up unseen."""

BYTE = np.uint64(255)

Floats = npt.NDArray[np.float64]


class Patch(NamedTuple):
    """The ground under one lot, cell for cell of the raster, about the middle of the lot.

    planes : (rows, cols, 3) height, rise a metre eastward and northward of the plane fitted round each cell; NaN where unknown. [m, m/m]
    not_good, unknown : summed-area tables of the cells that are not known to be good, and of those that are not known, shape (rows + 1,
        cols + 1). What is outside the raster, and where no plane could be fitted, is not known.
    path_m : flow path to a well; infinite where none is reached, NaN where not known. [m]
    left_m, top_m, cell_m : upper left corner and cell side. [m]
    unknown_is_good : take ground of which nothing is known for good and level.
    """

    planes: Floats
    not_good: npt.NDArray[np.int32]
    unknown: npt.NDArray[np.int32]
    path_m: npt.NDArray[np.float32]
    left_m: float
    top_m: float
    cell_m: float
    unknown_is_good: bool


class Where(NamedTuple):
    """Where the cells of a patch are: upper left corner and cell side, rows and columns; and its `unknown_is_good`. [m]

    Apart from its arrays: compiled code counts references to each array of a tuple that it hands on, which costs more than what the
    innermost loops do.
    """

    left_m: float
    top_m: float
    cell_m: float
    rows: int
    cols: int
    unknown_is_good: bool


class Trenches(NamedTuple):
    """How trenches are laid: width, middle to middle, and how much the ground may differ along one. [m]"""

    width_m: float
    pitch_m: float
    drop_m: float


class _Lie(NamedTuple):
    """How a turned grid lies on a patch: upper left corner and cell side of the patch, then left, bottom and cell side of the grid, and
    cosine and sine of its angle. [m]"""

    left_m: float
    top_m: float
    cell_m: float
    left: float
    bottom: float
    cell: float
    cosine: float
    sine: float


class Under(NamedTuple):
    """The ground under trenches: its highest point, steepest fitted slope, shortest flow path to a well. [m, m/m, m]"""

    top_m: float
    steepest: float
    path_m: float


@njit(cache=True, nogil=True)
def fitted_planes(z, row_0, col_0, rows, cols, half, cell):  # type: ignore[no-untyped-def]
    """Planes fitted round the cells of a window of the raster `z`, as in `Patch`: those of `plane_at`, with sums shared along a row."""
    planes = np.full((rows, cols, 3), np.nan)
    side = 2 * half + 1
    spread = 0.0
    for j in range(-half, half + 1):
        spread += j * j
    sum_z, sum_yz = np.empty(cols + 2 * half), np.empty(cols + 2 * half)
    for row in range(rows):
        r = row_0 + row
        if r < 0 or r >= z.shape[0]:
            continue
        sum_z[:] = np.nan
        sum_yz[:] = np.nan
        if r >= half and r < z.shape[0] - half:
            first, last = max(0, half - col_0), min(cols + 2 * half, z.shape[1] + half - col_0)
            sum_z[first:last] = 0.0
            sum_yz[first:last] = 0.0
            for j in range(-half, half + 1):
                for k in range(first, last):
                    value = np.float64(z[r + j, col_0 + k - half])
                    sum_z[k] += value
                    sum_yz[k] += j * value
        for col in range(cols):
            total = rise_x = rise_y = 0.0
            for i in range(side):
                total += sum_z[col + i]
                rise_x += (i - half) * sum_z[col + i]
                rise_y += sum_yz[col + i]
            if np.isnan(total):
                height, along, down = plane_at(z, r, col_0 + col, half, LEAST_KNOWN_SHARE)
            else:
                height, along, down = total / side**2, rise_x / (side * spread), rise_y / (side * spread)
            planes[row, col, 0], planes[row, col, 1], planes[row, col, 2] = height, along / cell, -down / cell
    return planes


@njit(cache=True, nogil=True)
def patch_of(z, good, path_m, row_0, col_0, rows, cols, half, left_m, top_m, cell_m, unknown_is_good):  # type: ignore[no-untyped-def]
    """The `Patch` of a window of the rasters that begins at (row_0, col_0), its upper left corner at (left_m, top_m)."""
    planes = fitted_planes(z, row_0, col_0, rows, cols, half, cell_m)
    unknown = np.ones((rows, cols), np.bool_)
    not_good = np.full((rows, cols), not unknown_is_good)
    path = np.full((rows, cols), np.float32(np.nan), np.float32)
    for row in range(max(0, -row_0), min(rows, good.shape[0] - row_0)):
        for col in range(max(0, -col_0), min(cols, good.shape[1] - col_0)):
            code = good[row_0 + row, col_0 + col]
            unknown[row, col] = code != BAD_GROUND and (code != GOOD_GROUND or np.isnan(planes[row, col, 0]))
            not_good[row, col] = code == BAD_GROUND or (unknown[row, col] and not unknown_is_good)
            path[row, col] = path_m[row_0 + row, col_0 + col]
    return Patch(planes, summed(not_good), summed(unknown), path, left_m, top_m, cell_m, unknown_is_good)


@njit(cache=True, nogil=True)
def keep_good_ground(free, left, bottom, cell, cosine, sine, patch):  # type: ignore[no-untyped-def]
    """Clear the free cells of a turned grid that may touch ground not known to be good; whether any may touch unknown ground."""
    if patch.not_good[-1, -1] == 0:
        return False
    lie = _Lie(patch.left_m, patch.top_m, patch.cell_m, left, bottom, cell, cosine, sine)
    not_good, unknown = patch.not_good, patch.unknown
    reach = 0.5 * cell * (abs(cosine) + abs(sine))
    met_unknown, fine = False, free.shape[1] > 1
    for row in range(free.shape[0]):
        for word in range(free.shape[1]):
            # Bad ground lies in patches: most cells are far from any, or deep in it, which is seen of eight at once.
            if free[row, word] == NONE or (fine and _within_reach(not_good, lie, row, 64 * word, 64 * word + 63, reach + SLACK_M)[0] == 0):
                continue
            for first in range(0, 64, 8):
                if free[row, word] >> np.uint64(first) & BYTE == NONE:
                    continue
                at = 64 * word + first
                bad, wholly = _within_reach(not_good, lie, row, at, at + 7, reach + SLACK_M)
                if bad == 0:
                    continue
                if wholly and (met_unknown or _within_reach(unknown, lie, row, at, at + 7, reach + SLACK_M)[0] == 0):
                    free[row, word] &= ~(BYTE << np.uint64(first))
                    continue
                for col in range(at, at + 8):
                    if is_set(free, row, col) and _within_reach(not_good, lie, row, col, col, reach)[0] > 0:
                        turn_over(free, row, col)
                        met_unknown |= _within_reach(unknown, lie, row, col, col, reach)[0] > 0
    return met_unknown


@njit(cache=True, nogil=True)
def keep_good_middles(inner, left, bottom, cell, cosine, sine, patch):  # type: ignore[no-untyped-def]
    """Clear the cells of a turned grid whose middle is on ground not known to be good: no shape on good ground can hold them."""
    if patch.not_good[-1, -1] == 0:
        return
    lie = _Lie(patch.left_m, patch.top_m, patch.cell_m, left, bottom, cell, cosine, sine)
    not_good, (rows, cols), fine = patch.not_good, patch.planes.shape[:2], inner.shape[1] > 1
    for row in range(inner.shape[0]):
        for word in range(inner.shape[1]):
            if inner[row, word] == NONE or (fine and _within_reach(not_good, lie, row, 64 * word, 64 * word + 63, SLACK_M)[0] == 0):
                continue
            for first in range(0, 64, 8):
                if inner[row, word] >> np.uint64(first) & BYTE == NONE:
                    continue
                at = 64 * word + first
                bad, wholly = _within_reach(not_good, lie, row, at, at + 7, SLACK_M)
                if bad == 0:
                    continue
                if wholly:
                    inner[row, word] &= ~(BYTE << np.uint64(first))
                    continue
                for col in range(at, at + 8):
                    if is_set(inner, row, col):
                        u, v = left + (col + 0.5) * cell, bottom + (row + 0.5) * cell
                        r = int(math.floor((lie.top_m - u * sine - v * cosine) / lie.cell_m))
                        c = int(math.floor((u * cosine - v * sine - lie.left_m) / lie.cell_m))
                        if 0 <= r < rows and 0 <= c < cols and within(not_good, r, r + 1, c, c + 1) > 0:
                            turn_over(inner, row, col)


@njit(cache=True, nogil=True)
def _within_reach(table, lie, row, col_0, col_1, reach):  # type: ignore[no-untyped-def]
    """How many cells of a patch, by its summed-area table, lie within reach of the middles of cells from one column to another of a turned
    grid, or rather of the box round these; and whether all that lie there do."""
    v = lie.bottom + (row + 0.5) * lie.cell
    u_0, u_1 = lie.left + (col_0 + 0.5) * lie.cell, lie.left + (col_1 + 0.5) * lie.cell
    x_0, y_0 = u_0 * lie.cosine - v * lie.sine, u_0 * lie.sine + v * lie.cosine
    x_1, y_1 = u_1 * lie.cosine - v * lie.sine, u_1 * lie.sine + v * lie.cosine
    row_0 = int(math.floor((lie.top_m - max(y_0, y_1) - reach) / lie.cell_m))
    row_1 = int(math.floor((lie.top_m - min(y_0, y_1) + reach) / lie.cell_m)) + 1
    col_0 = int(math.floor((min(x_0, x_1) - reach - lie.left_m) / lie.cell_m))
    col_1 = int(math.floor((max(x_0, x_1) + reach - lie.left_m) / lie.cell_m)) + 1
    there = (row_1 - row_0) * (col_1 - col_0)
    row_0, row_1, col_0, col_1 = max(0, row_0), min(table.shape[0] - 1, row_1), max(0, col_0), min(table.shape[1] - 1, col_1)
    found = within(table, row_0, row_1, col_0, col_1) if row_0 < row_1 and col_0 < col_1 else 0
    return found, found == there


@njit(cache=True, nogil=True)
def where_of(patch):  # type: ignore[no-untyped-def]
    return Where(patch.left_m, patch.top_m, patch.cell_m, patch.planes.shape[0], patch.planes.shape[1], patch.unknown_is_good)


@njit(cache=True, nogil=True, error_model="numpy")
def ground_at(planes, path_m, where, x, y):  # type: ignore[no-untyped-def]
    """Height, slope and flow path at a point of a patch; NaN where not known. [m, m/m, m]"""
    r, c = int(math.floor((where.top_m - y) / where.cell_m)), int(math.floor((x - where.left_m) / where.cell_m))
    if r < 0 or c < 0 or r >= where.rows or c >= where.cols:
        return np.nan, np.nan, np.nan
    rise_x, rise_y = planes[r, c, 1], planes[r, c, 2]
    dx, dy = x - (where.left_m + (c + 0.5) * where.cell_m), y - (where.top_m - (r + 0.5) * where.cell_m)
    height = planes[r, c, 0] + rise_x * dx + rise_y * dy
    return height, math.sqrt(rise_x * rise_x + rise_y * rise_y), np.float64(path_m[r, c])


@njit(cache=True, nogil=True, error_model="numpy")
def runs_level(planes, where, u, v, cosine, sine, count, length_m, trenches, step_m):  # type: ignore[no-untyped-def]
    """Whether the ground of a patch is known, and differs by no more than the trenches' drop, along the axis of each of `count` trenches:
    at both ends, and at steps of at most `step_m`. (u, v) is the lower left corner of their rectangle in coordinates turned by the angle
    of `cosine` and `sine`."""
    steps = int(math.ceil(length_m / step_m))
    # Most that fail do so at the ends or in the middle of some trench: these come first.
    if not _level_at(planes, where, u, v, cosine, sine, count, length_m, trenches, steps, max(1, steps // 2)):
        return False
    return _level_at(planes, where, u, v, cosine, sine, count, length_m, trenches, steps, np.int64(1))


@njit(cache=True, nogil=True, error_model="numpy")
def may_run_level(planes, where, u, v, cosine, sine, count, length_m, trenches, step_m):  # type: ignore[no-untyped-def]
    """As `runs_level`, as far as the ends and one or two points between them tell."""
    steps = int(math.ceil(length_m / step_m))
    return _level_at(planes, where, u, v, cosine, sine, count, length_m, trenches, steps, max(1, steps // 2))


@njit(cache=True, nogil=True, error_model="numpy")
def _level_at(planes, where, u, v, cosine, sine, count, length_m, trenches, steps, every):  # type: ignore[no-untyped-def]
    """Whether `runs_level` holds at both ends and at every so many of the steps."""
    across_step, along_step = length_m * cosine / steps, -length_m * sine / steps
    for trench in range(int(count)):
        axis = v + trench * trenches.pitch_m + 0.5 * trenches.width_m
        from_left, from_top = u * cosine - axis * sine - where.left_m, where.top_m - u * sine - axis * cosine
        low, high = np.inf, -np.inf
        for step in range(-every, steps, every):
            at = steps if step < 0 else step
            x, y = (from_left + at * across_step) / where.cell_m, (from_top + at * along_step) / where.cell_m
            height = np.nan
            if 0 <= x < where.cols and 0 <= y < where.rows:
                row, col = int(y), int(x)
                east, south = (x - col - 0.5) * where.cell_m, (y - row - 0.5) * where.cell_m
                height = planes[row, col, 0] + planes[row, col, 1] * east - planes[row, col, 2] * south
            if np.isnan(height):
                if not where.unknown_is_good:
                    return False
                continue
            low, high = min(low, height), max(high, height)
            if high - low > trenches.drop_m:
                return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def under_trenches(planes, path_m, where, u, v, cosine, sine, count, length_m, trenches):  # type: ignore[no-untyped-def]
    """What lies under the axes of trenches as in `runs_level`, at the same points."""
    steps = int(math.ceil(length_m / STEP_M))
    top, steepest, path = -np.inf, 0.0, np.inf
    for trench in range(int(count)):
        across = v + trench * trenches.pitch_m + 0.5 * trenches.width_m
        for step in range(steps + 1):
            along = u + length_m * step / steps
            x, y = along * cosine - across * sine, along * sine + across * cosine
            height, slope, path_here = ground_at(planes, path_m, where, x, y)
            if not np.isnan(height):
                top, steepest = max(top, height), max(steepest, slope)
            path = np.nan if np.isnan(path) or np.isnan(path_here) else min(path, path_here)
    return Under(top, steepest, path)


@njit(cache=True, nogil=True)
def touched_by(rings, patch):  # type: ignore[no-untyped-def]
    """Which cells of the patch a shape touches, bool (rows, cols)."""
    rows, cols = patch.planes.shape[:2]
    _, touched = inside_cells(rings, patch.left_m, patch.top_m - rows * patch.cell_m, patch.cell_m, rows, cols)
    found = np.zeros((rows, cols), np.bool_)
    for row in range(rows):
        for col in range(cols):
            found[row, col] = is_set(touched, rows - 1 - row, col)
    return found


@njit(cache=True, nogil=True)
def directions(rings, patch, drop_m):  # type: ignore[no-untyped-def]
    """Directions to try first for the trenches, in radians from east, within half a turn: along the contour where most of the ground under
    the envelope of these rings falls, then along the envelope's own sides. And for each as of `longest_level`. [rad, m]"""
    bins = 180 // BIN_DEGREES
    width = math.pi / bins
    touched = touched_by(rings, patch)
    weights, angles = np.zeros(bins), np.zeros(bins)
    for row in range(touched.shape[0]):
        for col in range(touched.shape[1]):
            rise_x, rise_y = patch.planes[row, col, 1], patch.planes[row, col, 2]
            slope = math.sqrt(rise_x * rise_x + rise_y * rise_y)
            if touched[row, col] and slope > 0:
                # The steeper, the more the direction matters.
                angle = math.atan2(rise_x, -rise_y) % math.pi
                number = min(bins - 1, int(angle / width))
                weights[number] += slope
                angles[number] += slope * angle
    found = np.empty(CONTOUR_TURNS + 2 * EDGE_TURNS)
    count = np.int64(0)
    for _ in range(CONTOUR_TURNS):
        number = int(np.argmax(weights))
        if weights[number] > 0:
            found[count] = angles[number] / weights[number]
            weights[number] = 0.0
            count += 1
    turns = _with_sides(found, count, rings, patch, np.int64(EDGE_TURNS))
    return turns, _longest_level(turns, touched, patch, drop_m)


@njit(cache=True, nogil=True)
def more_directions(turns, rings, patch, step, drop_m):  # type: ignore[no-untyped-def]
    """These directions, others at even steps all round, and those of all long sides of the envelope; for each as of `longest_level`.
    [rad, m]"""
    steps = int(math.pi / step + 0.5)
    found = np.empty(turns.size + steps + 2 * MORE_EDGE_TURNS)
    count = turns.size
    for number in range(count):
        found[number] = turns[number]
    for number in range(steps):
        if _new(number * step, turns):
            found[count] = number * step
            count += 1
    turns = _with_sides(found, count, rings, patch, np.int64(MORE_EDGE_TURNS))
    return turns, _longest_level(turns, touched_by(rings, patch), patch, drop_m)


@njit(cache=True, nogil=True)
def _with_sides(found, count, rings, patch, most):  # type: ignore[no-untyped-def]
    """The first `count` directions found, and those along and across the longest sides of the envelope: up to `most` that differ, none
    shorter than `LONG_SIDE_M`. Of the two the one along which the ground falls less comes first, so that the order turns with the lot."""
    fall_x, fall_y = np.nansum(patch.planes[:, :, 1]), np.nansum(patch.planes[:, :, 2])
    lengths = np.zeros(rings.x.size)
    for ring in range(rings.starts.size - 1):
        for k in range(rings.starts[ring], rings.starts[ring + 1] - 1):
            lengths[k] = math.hypot(rings.x[k + 1] - rings.x[k], rings.y[k + 1] - rings.y[k])
    taken = 0
    while taken < most:
        k = int(np.argmax(lengths))
        if lengths[k] < LONG_SIDE_M:
            break
        lengths[k] = 0.0
        side = math.atan2(rings.y[k + 1] - rings.y[k], rings.x[k + 1] - rings.x[k]) % math.pi
        if abs(fall_x * math.cos(side) + fall_y * math.sin(side)) > abs(fall_y * math.cos(side) - fall_x * math.sin(side)):
            side = (side + 0.5 * math.pi) % math.pi
        new = False
        for turn in (side, (side + 0.5 * math.pi) % math.pi):
            if _new(turn, found[:count]):
                new = True
                found[count] = turn
                count += 1
        if new:
            taken += 1
    return found[:count].copy()


@njit(cache=True, nogil=True)
def _new(turn, found):  # type: ignore[no-untyped-def]
    for other in found:
        apart = abs(turn - other) % math.pi
        if min(apart, math.pi - apart) < SAME_DIRECTION:
            return False
    return True


@njit(cache=True, nogil=True)
def longest_level(turns, rings, patch, drop_m):  # type: ignore[no-untyped-def]
    """For each direction the longest trench that may be worth trying: where the ground under the shape falls one way along the direction
    everywhere, a trench of this length falls `EVEN_ENOUGH` times `drop_m` even where it falls least. Infinite where it rises and falls.
    [m]"""
    return _longest_level(turns, touched_by(rings, patch), patch, drop_m)


@njit(cache=True, nogil=True)
def _longest_level(turns, touched, patch, drop_m):  # type: ignore[no-untyped-def]
    rises, count = np.empty((touched.size, 2)), 0
    for row in range(touched.shape[0]):
        for col in range(touched.shape[1]):
            rise_x, rise_y = patch.planes[row, col, 1], patch.planes[row, col, 2]
            if touched[row, col] and not np.isnan(rise_x + rise_y):
                rises[count, 0], rises[count, 1] = rise_x, rise_y
                count += 1
    longest = np.empty(turns.size)
    for number in range(turns.size):
        cosine, sine = math.cos(turns[number]), math.sin(turns[number])
        least, most = np.inf, -np.inf
        for at in range(count):
            rise = rises[at, 0] * cosine + rises[at, 1] * sine
            least, most = min(least, rise), max(most, rise)
        gentlest = max(least, -most, 0.0)
        longest[number] = EVEN_ENOUGH * drop_m / gentlest if 0 < gentlest < np.inf else np.inf
    return longest
