"""Where ground is wet before other ground: how much of it drains through a cell, and how high a cell lies above where its water ends up."""

from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.drainage import STEP_COL, STEP_ROW, Receivers
from geoseptic.terrain.keyheap import grown

Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]

LEAST_SLOPE: Final = 0.001
"""Rise over run below which ground counts as this steep: level ground would have an endless wetness index. Our own choice."""

_ROW = tuple(int(step) for step in STEP_ROW)
_COL = tuple(int(step) for step in STEP_COL)


def cells_above(d8: Receivers) -> Counts:
    """How many cells drain through each cell, itself included.

    Water that comes in from beyond the data is not known, so that the count is the least that it may be.

    Parameters
    ----------
    d8 : uint8 array, shape (rows, cols)
        The one neighbour that each cell drains to, from `drainage.d8_receivers`.

    Returns
    -------
    int32 array, shape (rows, cols)
        1 where nothing drains in, and where the ground is unknown. [cells]

    References
    ----------
    ocallaghan1984; key in data/references.toml.
    """
    return _cells_above(np.ascontiguousarray(d8, np.uint8))


def height_above_drainage_m(surface_m: Floats, d8: Receivers, drainage: Mask) -> Floats:
    """Height of each cell above the first cell of the drainage that its water comes to (HAND).

    Parameters
    ----------
    surface_m : float32 array, shape (rows, cols)
        The filled ground, along which no water climbs; NaN where unknown. [m]
    d8 : uint8 array, shape (rows, cols)
        The one neighbour that each cell drains to.
    drainage : bool array, shape (rows, cols)
        Streams and other water.

    Returns
    -------
    float32 array, shape (rows, cols)
        0 in the drainage; NaN where water leaves the data before it comes to any, and where the ground is unknown. [m]

    References
    ----------
    renno2008, nobre2011; keys in data/references.toml.
    """
    surface = np.ascontiguousarray(surface_m, np.float32)
    return _height_above(surface, np.ascontiguousarray(d8, np.uint8), np.ascontiguousarray(drainage, np.bool_))


def wetness_index(above: Counts, slope_percent: Floats, cell_size_m: float) -> Floats:
    """Topographic wetness index: the natural logarithm of the area that drains through a metre of contour over the slope there.

    Parameters
    ----------
    above : int32 array
        From `cells_above`; the contour through a cell is as long as its side. [cells]
    slope_percent : float32 array of the same shape
        Rise over run times 100, not less than `LEAST_SLOPE` of 1; NaN where unknown. [percent]
    cell_size_m : float
        Side of a cell, greater than zero. [m]

    Returns
    -------
    float32 array of the same shape : the higher the wetter; NaN where the slope is unknown. [ln m]

    References
    ----------
    beven1979; key in data/references.toml.
    """
    steepness = np.maximum(slope_percent.astype(np.float64) / 100, LEAST_SLOPE)
    index: Floats = np.log(above * cell_size_m / steepness).astype(np.float32)
    return index


@njit(cache=True, nogil=True)
def _below(d8, row, col):  # type: ignore[no-untyped-def]
    """Row and column that a cell drains to; its own where it drains nowhere."""
    for k in range(8):
        if (d8[row, col] >> k) & 1:
            return row + _ROW[k], col + _COL[k]
    return row, col


@njit(cache=True, nogil=True)
def _cells_above(d8):  # type: ignore[no-untyped-def]
    rows, cols = d8.shape
    done = np.uint8(255)
    waits_for = np.zeros((rows, cols), np.uint8)
    for row in range(rows):
        for col in range(cols):
            r, c = _below(d8, row, col)
            if r != row or c != col:
                waits_for[r, c] += np.uint8(1)
    above = np.ones((rows, cols), np.int32)
    # Every cell is passed on once, as soon as all that drains into it has been.
    for first_row in range(rows):
        for first_col in range(cols):
            row, col = first_row, first_col
            while waits_for[row, col] == 0:
                waits_for[row, col] = done
                r, c = _below(d8, row, col)
                if r == row and c == col:
                    break
                above[r, c] += above[row, col]
                waits_for[r, c] -= np.uint8(1)
                row, col = r, c
    return above


@njit(cache=True, nogil=True)
def _height_above(surface, d8, drainage):  # type: ignore[no-untyped-def]
    rows, cols = d8.shape
    known = drainage.copy()
    base = np.full((rows, cols), np.float32(np.nan))
    for row in range(rows):
        for col in range(cols):
            if drainage[row, col]:
                base[row, col] = surface[row, col]
    way = np.empty(4096, np.int64)
    for first_row in range(rows):
        for first_col in range(cols):
            row, col, steps = first_row, first_col, np.int64(0)
            while not known[row, col]:
                way = grown(way, steps)
                way[steps] = row * cols + col
                steps += 1
                known[row, col] = True
                row, col = _below(d8, row, col)
            # Where the walk ended in a cell that drains nowhere, its base is not a number and stays so.
            for step in range(steps):
                base[way[step] // cols, way[step] % cols] = base[row, col]
    return surface - base
