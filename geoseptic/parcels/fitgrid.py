"""Cells of a small grid turned so that trenches run along its rows: which are free, and where a rectangle of them is."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.parcels.bitrows import fill, fill_between, keep_runs, keep_stacks, no_cells, turn_over

GOOD_GROUND = 0
BAD_GROUND = 1
UNKNOWN_GROUND = 2

SLACK_M = 1e-6
"""Nearer than this to an edge a cell counts as cut: far more than what turning large coordinates rounds off."""

HALF_RIGHT = math.sqrt(0.5)


class Rings(NamedTuple):
    """A shape's rings one after the other, about the middle of the lot; ring k is `starts[k]:starts[k + 1]`. [m]"""

    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    starts: npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def turned(rings, cosine, sine):  # type: ignore[no-untyped-def]
    """The rings seen from axes that are turned by the angle of `cosine` and `sine`."""
    return Rings(rings.x * cosine + rings.y * sine, rings.y * cosine - rings.x * sine, rings.starts)


@njit(cache=True, nogil=True)
def grid_over(rings, spare_rings, cell, most_cells):  # type: ignore[no-untyped-def]
    """Left, bottom, cell, rows, cols of a grid over both shapes.

    Its middle is theirs, so that it turns with the lot, and its outermost cells are cut by their bounds. Where it would be more than about
    `most_cells` on a side, cells are larger.
    """
    left, right, bottom, top = np.inf, -np.inf, np.inf, -np.inf
    for outline in (rings, spare_rings):
        for k in range(outline.x.size):
            left, right = min(left, outline.x[k]), max(right, outline.x[k])
            bottom, top = min(bottom, outline.y[k]), max(top, outline.y[k])
    cell = max(cell, (right - left) / most_cells, (top - bottom) / most_cells)
    cols = int(max(0.0, right - left - 4 * SLACK_M) / cell) + 2
    rows = int(max(0.0, top - bottom - 4 * SLACK_M) / cell) + 2
    return 0.5 * (left + right - cols * cell), 0.5 * (bottom + top - rows * cell), cell, rows, cols


@njit(cache=True, nogil=True)
def cells_for(length_m, cell):  # type: ignore[no-untyped-def]
    """The fewest cells that a length covers, at least one."""
    return max(1, int(math.ceil(length_m / cell - 1e-9)))


@njit(cache=True, nogil=True, error_model="numpy")
def inside_cells(rings, left, bottom, cell, rows, cols):  # type: ignore[no-untyped-def]
    """Cells wholly inside the polygon of these rings, and cells that it touches; even-odd, rows upward.

    Parameters: lower left corner of the grid [m], cell side [m], shape. Returns two grids of `bitrows`.
    """
    inside, cut = no_cells(rows, cols), no_cells(rows, cols)
    slack = SLACK_M / cell
    x, y, starts = rings.x, rings.y, rings.starts
    for ring in range(starts.size - 1):
        x2, y2 = (x[starts[ring]] - left) / cell, (y[starts[ring]] - bottom) / cell
        for k in range(starts[ring], starts[ring + 1] - 1):
            x0, y0 = x2, y2
            x2, y2 = (x[k + 1] - left) / cell, (y[k + 1] - bottom) / cell
            x1, y1 = x2, y2
            if y0 > y1:
                x0, y0, x1, y1 = x1, y1, x0, y0
            lean = (x1 - x0) / (y1 - y0) if y1 > y0 else 0.0
            first, last = int(math.ceil(y0 - 0.5)), int(math.ceil(y1 - 0.5)) - 1
            low_row, high_row = max(0, int(math.floor(y0 - slack))), min(rows - 1, int(math.floor(y1 + slack)))
            at_low = x0 + (min(max(y0, float(low_row)), y1) - y0) * lean
            for row in range(low_row, high_row + 1):
                if first <= row <= last:
                    col = max(0, int(math.ceil(x0 + (row + 0.5 - y0) * lean - 0.5)))
                    if col < cols:
                        turn_over(inside, row, col)
                # Where the side leaves a row it enters the next one.
                at_high = x0 + (max(min(y1, row + 1.0), y0) - y0) * lean if y1 > y0 else x1
                from_col = max(0, int(math.floor(min(at_low, at_high) - slack)))
                to_col = min(cols - 1, int(math.floor(max(at_low, at_high) + slack)))
                fill(cut, row, from_col, to_col)
                at_low = at_high if y1 > y0 else x0
    fill_between(inside, cols)
    for row in range(rows):
        for word in range(inside.shape[1]):
            touched = inside[row, word] | cut[row, word]
            inside[row, word] &= ~cut[row, word]
            cut[row, word] = touched
    return inside, cut


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
def within(table, row_0, row_1, col_0, col_1):  # type: ignore[no-untyped-def]
    """How many cells are set in these rows and columns, ends excluded."""
    return table[row_1, col_1] - table[row_0, col_1] - table[row_1, col_0] + table[row_0, col_0]


@njit(cache=True, nogil=True)
def holds_square(rings, side_m, most_cells):  # type: ignore[no-untyped-def]
    """Whether a square so wide is seen to lie wholly inside the polygon, on cells of a quarter of its side: unturned, turned by half a
    right angle, or along the longest side. There may be one where none is seen."""
    if _holds_square(rings, side_m, most_cells) or _holds_square(turned(rings, HALF_RIGHT, HALF_RIGHT), side_m, most_cells):
        return True
    longest, cosine, sine = 0.0, 1.0, 0.0
    for ring in range(rings.starts.size - 1):
        for k in range(rings.starts[ring], rings.starts[ring + 1] - 1):
            along, across = rings.x[k + 1] - rings.x[k], rings.y[k + 1] - rings.y[k]
            length = math.sqrt(along * along + across * across)
            if length > longest:
                longest, cosine, sine = length, along / length, across / length
    return _holds_square(turned(rings, cosine, sine), side_m, most_cells)


@njit(cache=True, nogil=True)
def _holds_square(rings, side_m, most_cells):  # type: ignore[no-untyped-def]
    left, bottom, cell, rows, cols = grid_over(rings, rings, 0.25 * side_m, most_cells)
    wide = cells_for(side_m, cell)
    if wide > min(rows, cols):
        return False
    free, _ = inside_cells(rings, left, bottom, cell, rows, cols)
    keep_runs(free, np.int64(1), wide, np.int64(0), rows - 1)
    keep_stacks(free, wide, np.int64(0), rows - 1)
    return free.any()
