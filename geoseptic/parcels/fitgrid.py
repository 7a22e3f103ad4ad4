"""The search for room for a field and its reserve on one lot, on a small grid turned so that trenches run along its rows.

All of it errs to the safe side: a cell is free only if it lies wholly inside the envelope and its ground is good, and lengths are rounded
up to cells. What is found here fits; what is missed is missed by at most two cells' width.
"""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at

GOOD_GROUND = 0
BAD_GROUND = 1
UNKNOWN_GROUND = 2

Mask = npt.NDArray[np.bool_]


@njit(cache=True, nogil=True)
def inside_cells(x, y, starts, left, bottom, cell, rows, cols):  # type: ignore[no-untyped-def]
    """Cells wholly inside the polygon whose rings are the runs `starts[k]:starts[k + 1]` of `x`, `y`; even-odd, rows upward.

    Parameters: ring coordinates [m], lower left corner of the grid [m], cell side [m], shape. Returns a bool array (rows, cols).
    """
    odd = np.zeros((rows, cols + 1), np.bool_)
    cut = np.zeros((rows, cols), np.bool_)
    slack = 1e-9 * cell
    for ring in range(starts.size - 1):
        for k in range(starts[ring], starts[ring + 1] - 1):
            x0, y0 = (x[k] - left) / cell, (y[k] - bottom) / cell
            x1, y1 = (x[k + 1] - left) / cell, (y[k + 1] - bottom) / cell
            if y0 > y1:
                x0, y0, x1, y1 = x1, y1, x0, y0
            first = max(0, int(math.ceil(y0 - 0.5)))
            last = min(rows - 1, int(math.ceil(y1 - 0.5)) - 1)
            for row in range(first, last + 1):
                across = x0 + (row + 0.5 - y0) * (x1 - x0) / (y1 - y0)
                col = min(cols, max(0, int(math.ceil(across - 0.5))))
                odd[row, col] = not odd[row, col]
            for row in range(max(0, int(math.floor(y0 - slack))), min(rows - 1, int(math.floor(y1 + slack))) + 1):
                low, high = max(y0, float(row)), min(y1, row + 1.0)
                if y1 > y0:
                    at_low = x0 + (low - y0) * (x1 - x0) / (y1 - y0)
                    at_high = x0 + (high - y0) * (x1 - x0) / (y1 - y0)
                else:
                    at_low, at_high = x0, x1
                from_col = max(0, int(math.floor(min(at_low, at_high) - slack)))
                to_col = min(cols - 1, int(math.floor(max(at_low, at_high) + slack)))
                for col in range(from_col, to_col + 1):
                    cut[row, col] = True
    free = np.zeros((rows, cols), np.bool_)
    for row in range(rows):
        inside = False
        for col in range(cols):
            inside ^= odd[row, col]
            free[row, col] = inside and not cut[row, col]
    return free


@njit(cache=True, nogil=True)
def keep_good_ground(free, left, bottom, cell, cosine, sine, centre_x, centre_y, ground, origin_x, origin_y, ground_cell):  # type: ignore[no-untyped-def]
    """Clear the free cells whose middle is not on good ground; returns how many of them were on unknown ground.

    `cosine`, `sine` turn grid coordinates back to the world about (`centre_x`, `centre_y`); `ground` is a uint8 raster with its top left
    corner at (`origin_x`, `origin_y`). [m]
    """
    rows, cols = free.shape
    ground_rows, ground_cols = ground.shape
    unknown = 0
    for row in range(rows):
        for col in range(cols):
            if not free[row, col]:
                continue
            u, v = left + (col + 0.5) * cell, bottom + (row + 0.5) * cell
            x, y = centre_x + u * cosine - v * sine, centre_y + u * sine + v * cosine
            r, c = int(math.floor((origin_y - y) / ground_cell)), int(math.floor((x - origin_x) / ground_cell))
            if r < 0 or c < 0 or r >= ground_rows or c >= ground_cols or ground[r, c] == 2:
                free[row, col] = False
                unknown += 1
            elif ground[r, c] == 1:
                free[row, col] = False
    return unknown


@njit(cache=True, nogil=True)
def summed(mask):  # type: ignore[no-untyped-def]
    """Summed-area table of a mask, shape (rows + 1, cols + 1)."""
    rows, cols = mask.shape
    table = np.zeros((rows + 1, cols + 1), np.int32)
    for row in range(rows):
        run = 0
        for col in range(cols):
            run += mask[row, col]
            table[row + 1, col + 1] = table[row, col + 1] + run
    return table


@njit(cache=True, nogil=True)
def room_for(table, wide, deep):  # type: ignore[no-untyped-def]
    """Whether a rectangle of `wide` x `deep` cells with its lower left cell here is wholly free; bool array (rows, cols)."""
    rows, cols = table.shape[0] - 1, table.shape[1] - 1
    fits = np.zeros((rows, cols), np.bool_)
    full = wide * deep
    for row in range(rows - deep + 1):
        for col in range(cols - wide + 1):
            fits[row, col] = table[row + deep, col + wide] - table[row, col + wide] - table[row + deep, col] + table[row, col] == full
    return fits


@njit(cache=True, nogil=True)
def any_apart(table, row, col, wide, deep, other_wide, other_deep, gap):  # type: ignore[no-untyped-def]
    """Whether a spot of `table` (summed spots for the other rectangle) lies clear, by `gap` cells, of the rectangle at (row, col)."""
    rows, cols = table.shape[0] - 1, table.shape[1] - 1
    row_0, row_1 = max(0, row - other_deep - gap + 1), min(rows, row + deep + gap)
    col_0, col_1 = max(0, col - other_wide - gap + 1), min(cols, col + wide + gap)
    near = table[row_1, col_1] - table[row_0, col_1] - table[row_1, col_0] + table[row_0, col_0]
    return table[rows, cols] - near > 0


@njit(cache=True, nogil=True)
def search(  # type: ignore[no-untyped-def]
    table, reserve_table, shapes, gap, grid, turn, z, raster, half, path_m, drop_m, house, most
):
    """The best spot for a field, with a reserve if there is one, at one orientation.

    Parameters
    ----------
    table, reserve_table : summed tables of the free cells for field and reserve.
    shapes : int64 (n, 4): cells along and across the trenches, of the field and of its reserve.
    gap : cells between field and reserve.
    grid : left, bottom, cell [m] of the turned grid.
    turn : cosine, sine, centre x, centre y of the turn back to the world.
    z, raster, half : ground heights [m]; left, top, cell [m] of that raster; half the fitting window in cells.
    path_m : flow path to a well, same raster; infinite where none is reached, NaN where not known. [m]
    drop_m : how far the ground may fall along one trench. [m]
    house : x, y of the tank's outlet, its invert (NaN if not known), the fall a metre of pipe, depth of the field's pipe below ground. [m]
    most : spots to weigh for each shape; the others are only counted.

    Returns
    -------
    float64 (10,) : kind (0 nothing, 1 field alone, 2 field and reserve), shape, row, col, score, slope [percent], path [m], lift [m]
    (0 = by gravity, NaN = not known), run [m], height of the uphill edge [m].
    """
    left, bottom, cell = grid
    cosine, sine, centre_x, centre_y = turn
    origin_x, origin_y, raster_cell = raster
    house_x, house_y, invert_m, fall, depth_m = house
    best = np.zeros(10)
    best[4] = -np.inf
    for shape in range(shapes.shape[0]):
        wide, deep, other_wide, other_deep = shapes[shape]
        fits = room_for(table, wide, deep)
        count = fits.sum()
        if count == 0:
            continue
        spots = summed(room_for(reserve_table, other_wide, other_deep))
        stride = max(1, int(math.sqrt(count / most)))
        while True:
            for row in range(0, fits.shape[0], stride):
                for col in range(0, fits.shape[1], stride):
                    if not fits[row, col]:
                        continue
                    kind = 2 if any_apart(spots, row, col, wide, deep, other_wide, other_deep, gap) else 1
                    if kind < best[0]:
                        continue
                    u, v = left + (col + 0.5 * wide) * cell, bottom + (row + 0.5 * deep) * cell
                    x, y = centre_x + u * cosine - v * sine, centre_y + u * sine + v * cosine
                    r, c = int(math.floor((origin_y - y) / raster_cell)), int(math.floor((x - origin_x) / raster_cell))
                    height, along, down = plane_at(z, r, c, half, LEAST_KNOWN_SHARE)
                    if np.isnan(height):
                        continue
                    rise_x, rise_y = along / raster_cell, -down / raster_cell
                    if abs(rise_x * cosine + rise_y * sine) * wide * cell > drop_m:
                        continue
                    slope = math.sqrt(rise_x * rise_x + rise_y * rise_y)
                    top = height + 0.5 * deep * cell * slope
                    run = math.sqrt((x - house_x) ** 2 + (y - house_y) ** 2)
                    lift = np.nan if np.isnan(invert_m) else max(0.0, top - depth_m - (invert_m - fall * run))
                    path = path_m[r, c]
                    score = -1e8 if lift > 0 else 0.0
                    score += 1e5 * (math.floor(min(path, 305.0) / 30.48) if not np.isnan(path) else 0.0)
                    score -= 1e3 * math.floor(50.0 * slope)
                    score -= 0.0 if np.isnan(run) else min(run, 900.0)
                    if kind > best[0] or score > best[4]:
                        best[0], best[1], best[2], best[3], best[4] = kind, shape, row, col, score
                        best[5], best[6], best[7], best[8], best[9] = 100.0 * slope, path, lift, run, top
            if stride == 1 or best[0] == 2:
                break
            stride = 1
    return best


@njit(cache=True, nogil=True)
def best_reserve(reserve_table, shape, row, col, gap):  # type: ignore[no-untyped-def]
    """Lower left cell of the reserve nearest to the field's own spot, clear of it; (-1, -1) where there is none."""
    wide, deep, other_wide, other_deep = shape
    fits = room_for(reserve_table, other_wide, other_deep)
    found_row, found_col, nearest = -1, -1, np.inf
    for r in range(fits.shape[0]):
        for c in range(fits.shape[1]):
            if not fits[r, c]:
                continue
            if r > row - other_deep - gap and r < row + deep + gap and c > col - other_wide - gap and c < col + wide + gap:
                continue
            away = (r - row) ** 2 + (c - col) ** 2
            if away < nearest:
                found_row, found_col, nearest = r, c, away
    return found_row, found_col
