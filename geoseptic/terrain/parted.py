"""Ground that a sheer step parts from all other ground: a number for "no value" that is not quite one number, or a part in another unit."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.keyheap import grown
from geoseptic.terrain.levels import any_step

Floats = npt.NDArray[np.float32]

SHEER_M: Final = 30.0
"""Least step from one cell to the next. Cliffs are as high, but go all round no ground without a ramp. Our own choice."""

SHEER_CELLS: Final = 2.0
"""The same in cells, for coarse ones: steeper than 63 degrees."""

FEWEST_CELLS: Final = 4
"""Fewer stand alone, which terrain/spikes.py tells."""


@dataclass(frozen=True)
class Piece:
    """Ground of so many cells with nothing but sheer steps, gaps and the raster's edge round it; `row` and `col` are those of its first
    cell, `height_m` is that cell's, and `beside_m` that of a cell beyond a step. [m]"""

    cells: int
    row: int
    col: int
    height_m: float
    beside_m: float


def least_step_m(cell_size_m: float) -> float:
    """The step that counts as sheer. [m]"""
    return max(SHEER_M, SHEER_CELLS * cell_size_m)


def has_sheer_steps(heights_m: Floats, cell_size_m: float) -> bool:
    """Whether any cell stands off so far from one beside it."""
    return any_step(heights_m, least_step_m(cell_size_m))


def parted_ground(heights_m: Floats, cell_size_m: float) -> list[Piece]:
    """The pieces that sheer steps part from the rest, the largest piece of all left out; the largest first.

    Cells hang together over their sides. Ground with nothing but gaps round it is no piece.

    Parameters
    ----------
    heights_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    cell_size_m : float
        Side of a square cell. [m]
    """
    cells, first, border = _pieces(heights_m, least_step_m(cell_size_m))
    found = np.flatnonzero((border >= 0) & (cells >= FEWEST_CELLS))
    pieces = []
    for one in found[np.lexsort((first[found], -cells[found]))][1:]:
        (row, col), beside = (divmod(int(cell), heights_m.shape[1]) for cell in (first[one], border[one]))
        pieces.append(Piece(int(cells[one]), row, col, float(heights_m[row, col]), float(heights_m[beside])))
    return pieces


@njit(cache=True, nogil=True)
def _root(parent, label):  # type: ignore[no-untyped-def]
    while parent[label] != label:
        parent[label] = parent[parent[label]]
        label = parent[label]
    return label


@njit(cache=True, nogil=True)
def _pieces(heights_m, least_m):  # type: ignore[no-untyped-def]
    """Of each piece its cells, the flat index of its first one, and of one beyond a sheer step; -1 where there is none."""
    rows, cols = heights_m.shape
    label = np.zeros((rows, cols), np.int32)
    parent = np.zeros(1024, np.int32)
    count = np.int64(0)
    for row in range(rows):
        for col in range(cols):
            own = heights_m[row, col]
            if np.isnan(own):
                continue
            above = label[row - 1, col] if row > 0 and abs(heights_m[row - 1, col] - own) <= least_m else 0
            left = label[row, col - 1] if col > 0 and abs(heights_m[row, col - 1] - own) <= least_m else 0
            if above == 0 and left == 0:
                count += 1
                parent = grown(parent, count)
                parent[count] = count
                label[row, col] = count
            elif above == 0 or left == 0:
                label[row, col] = above + left
            else:
                one, other = _root(parent, above), _root(parent, left)
                least = min(one, other)
                parent[one] = least
                parent[other] = least
                label[row, col] = least
    cells = np.zeros(count + 1, np.int64)
    first = np.full(count + 1, -1, np.int64)
    border = np.full(count + 1, -1, np.int64)
    for row in range(rows):
        for col in range(cols):
            if label[row, col] == 0:
                continue
            own = _root(parent, label[row, col])
            cells[own] += 1
            if first[own] < 0:
                first[own] = row * cols + col
            for to_row, to_col in ((row + 1, col), (row, col + 1)):
                if to_row == rows or to_col == cols or label[to_row, to_col] == 0:
                    continue
                other = _root(parent, label[to_row, to_col])
                if other != own:
                    border[own] = to_row * cols + to_col
                    border[other] = row * cols + col
    return cells, first, border
