"""Patches of one repeated number that stand off sheer from the ground: a number for "no value" that passes for a height.

Ground never has one number to the last digit over several cells and a sheer step all round; water has the number and no such step. Files of
whole metres have terraces of one number on any slope, which go on in the next one; only cliffs part them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.keyheap import grown

Floats = npt.NDArray[np.float32]

ABOVE_ALL_ROUND_M: Final = 10.0
ABOVE_MOSTLY_M: Final = 20.0
"""A patch is told where it stands above the ground by more than this on every side, or on more than half of its border, beyond what that
ground goes on to fall by in the next cell (up to 45 degrees). Water lies below its banks, and a mesa is level to the last digit only where
heights are rounded; so is the flat roof of a tall house in a model of surfaces. Our own choice."""

BELOW_ALL_ROUND_M: Final = 30.0
BELOW_MOSTLY_M: Final = 60.0
"""The same for a patch below the ground. Lakes in quarries lie under walls of twenty metres; hardly one has walls of thirty metres without
a ramp or a bench, or of sixty on half of its shore. Our own choice."""


@dataclass(frozen=True)
class Level:
    """Cells of one number that hang together; `row` and `col` are those of the first one."""

    height_m: float
    cells: int
    row: int
    col: int


def sheer_edges(heights_m: Floats) -> npt.NDArray[np.int64]:
    """Cells in a square of four of one number that lie beside a step of more than `ABOVE_ALL_ROUND_M`; rows and columns, shape (n, 2)."""
    return _edges(heights_m, ABOVE_ALL_ROUND_M)


def sheer_levels(heights_m: Floats, cells: npt.NDArray[np.int64], cell_size_m: float) -> list[Level]:
    """The patches, of those that hold one of `cells`, that stand off sheer from the known ground beside them; the largest first.

    Parameters
    ----------
    heights_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    cells : int array, shape (n, 2)
        Rows and columns, as `sheer_edges` gives them.
    cell_size_m : float
        Side of a square cell. [m]
    """
    if not len(cells):
        return []
    seen = np.zeros(heights_m.shape, np.bool_)
    found = []
    for row, col in cells:
        if seen[row, col]:
            continue
        count, first, steps_m = _patch(heights_m, seen, row, col, cell_size_m)
        above, steps_m = steps_m > 0, np.abs(steps_m)
        # What is left of a step beyond the slope may be nothing.
        all_round = steps_m > np.where(above, ABOVE_ALL_ROUND_M, BELOW_ALL_ROUND_M)
        mostly = steps_m > np.where(above, ABOVE_MOSTLY_M, BELOW_MOSTLY_M)
        if len(steps_m) and (all_round.all() or mostly.mean() > 0.5):
            found.append(Level(float(heights_m[row, col]), int(count), *(int(part) for part in divmod(first, heights_m.shape[1]))))
    return sorted(found, key=lambda level: (-level.cells, level.row, level.col))


def any_step(heights_m: Floats, least_m: float) -> bool:
    """Whether any cell steps by more than `least_m` to the one beside it or below it. [m]"""
    return bool(_any_step(heights_m, least_m))


@njit(cache=True, nogil=True)
def _any_step(heights_m, least_m):  # type: ignore[no-untyped-def]
    for row in range(len(heights_m)):
        if steps_from_row(heights_m, row, least_m):
            return True
    return False


@njit(cache=True, nogil=True)
def steps_from_row(heights_m, row, least_m):  # type: ignore[no-untyped-def]
    """How many cells of a row step by more than `least_m` to the next one or to the one below. A kernel. [m]"""
    rows, cols = heights_m.shape
    steep = 0
    for col in range(cols - 1):
        steep += abs(heights_m[row, col + 1] - heights_m[row, col]) > least_m
    if row + 1 < rows:
        for col in range(cols):
            steep += abs(heights_m[row + 1, col] - heights_m[row, col]) > least_m
    return steep


@njit(cache=True, nogil=True)
def _edges(heights_m, least_m):  # type: ignore[no-untyped-def]
    rows, cols = heights_m.shape
    found = np.empty((64, 2), np.int64)
    size = 0
    for row in range(rows):
        if steps_from_row(heights_m, row, least_m) == 0:
            continue
        for col in range(cols):
            own = heights_m[row, col]
            for down, across in ((0, 1), (1, 0)):
                if row + down >= rows or col + across >= cols or not abs(heights_m[row + down, col + across] - own) > least_m:
                    continue
                for at_row, at_col in ((row, col), (row + down, col + across)):
                    if not _in_square(heights_m, at_row, at_col):
                        continue
                    if size == len(found):
                        larger = np.empty((2 * size, 2), np.int64)
                        for at in range(size):
                            larger[at, 0], larger[at, 1] = found[at, 0], found[at, 1]
                        found = larger
                    found[size, 0], found[size, 1] = at_row, at_col
                    size += 1
    return found[:size]


@njit(cache=True, nogil=True)
def _in_square(heights_m, row, col):  # type: ignore[no-untyped-def]
    """Whether the cell is one of four of one number that share a corner."""
    rows, cols = heights_m.shape
    own = heights_m[row, col]
    for down in (-1, 1):
        for across in (-1, 1):
            if (
                0 <= row + down < rows
                and 0 <= col + across < cols
                and heights_m[row + down, col] == own
                and heights_m[row, col + across] == own
                and heights_m[row + down, col + across] == own
            ):
                return True
    return False


@njit(cache=True, nogil=True)
def _patch(heights_m, seen, row, col, cell_size_m):  # type: ignore[no-untyped-def]
    """Number of cells of the patch, the flat index of the first, and at each edge with other known ground the step beyond the slope,
    below zero where the patch lies lower. [m]"""
    rows, cols = heights_m.shape
    own = heights_m[row, col]
    todo = np.empty(64, np.int64)
    steps_m = np.empty(64, np.float64)
    todo[0] = row * cols + col
    seen[row, col] = True
    waiting, edges, count, first = 1, 0, 0, row * cols + col
    while waiting:
        waiting -= 1
        cell = todo[waiting]
        count += 1
        first = min(first, cell)
        at_row, at_col = cell // cols, cell % cols
        for down in range(-1, 2):
            for across in range(-1, 2):
                to_row, to_col = at_row + down, at_col + across
                if (down == 0 and across == 0) or not (0 <= to_row < rows and 0 <= to_col < cols):
                    continue
                beside = heights_m[to_row, to_col]
                if beside == own:
                    if not seen[to_row, to_col]:
                        seen[to_row, to_col] = True
                        todo = grown(todo, waiting)
                        todo[waiting] = to_row * cols + to_col
                        waiting += 1
                    continue
                if (down != 0 and across != 0) or np.isnan(beside):
                    continue
                slope_m = 0.0
                on_row, on_col = to_row + down, to_col + across
                if 0 <= on_row < rows and 0 <= on_col < cols:
                    on = heights_m[on_row, on_col]
                    if on != own and not np.isnan(on):
                        slope_m = min(abs(np.float64(on) - beside), cell_size_m)
                step_m = max(0.0, abs(np.float64(own) - beside) - slope_m)
                steps_m = grown(steps_m, edges)
                steps_m[edges] = step_m if own > beside else -step_m
                edges += 1
    return count, first, steps_m[:edges]
