"""Where water goes: one global fill, then to which neighbours each cell drains. `tileddrain` gives the same by tiles, and sooner.

Directions are kept as one byte a cell: bit k is set when neighbour k receives water, counted from east anticlockwise.
"""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from geoseptic.terrain.keyheap import cell_of, grown, key_of, pop, push

Floats = npt.NDArray[np.float32]
Receivers = npt.NDArray[np.uint8]

STEP_ROW: Final = np.array([0, -1, -1, -1, 0, 1, 1, 1], np.int64)
STEP_COL: Final = np.array([1, 1, 0, -1, -1, -1, 0, 1], np.int64)
"""Neighbour k: 0 east, 1 north-east, 2 north, ... 7 south-east (rows grow southward)."""

_ROW = tuple(int(step) for step in STEP_ROW)
_COL = tuple(int(step) for step in STEP_COL)


def fill(elevation_m: Floats) -> Floats:
    """Raise every pit to its pour point: the lowest surface over the ground from which all water gets out of the data.

    Water leaves over the edge of the raster and into unknown cells. The filled surface is unique, whatever the order of work. Slopes are
    climbed without the priority queue, which then holds only cells beside a possible pit.

    Parameters
    ----------
    elevation_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]

    Returns
    -------
    float32 array, shape (rows, cols)
        Filled height, never below the ground; NaN where unknown. [m]

    References
    ----------
    barnes2014 (priority flood), wei2019 (slopes without the queue); keys in data/references.toml.
    """
    # No zero is negative: the two are level with each other, so that which one is kept would hang on the order of work.
    return _fill(np.array(elevation_m, np.float32, order="C") + np.float32(0))


def edge_of_data(elevation_m: Floats) -> npt.NDArray[np.bool_]:
    """Cells from which water may leave the data: known cells on the raster's edge or beside an unknown cell; shape (rows, cols)."""
    return _edge(np.ascontiguousarray(elevation_m, np.float32))


def d8_receivers(filled_m: Floats) -> Receivers:
    """The one neighbour down the steepest drop (a diagonal drop is divided by sqrt 2; on a tie the first from east anticlockwise).

    Parameters
    ----------
    filled_m : float32 array, shape (rows, cols)
        A surface from `fill`; NaN where unknown. [m]

    Returns
    -------
    uint8 array, shape (rows, cols)
        One bit set; 0 where unknown and at outlets. On level ground water takes the fewest steps to the level's outlet.
    """
    filled = np.ascontiguousarray(filled_m, np.float32)
    receivers, level_cells = _d8(filled)
    if level_cells:
        _drain_levels(filled, receivers)
    return receivers


def dinf_receivers(filled_m: Floats, min_share: float) -> Receivers:
    """The one or two neighbours on either side of the steepest facet that take at least `min_share` of the water.

    Parameters
    ----------
    filled_m : float32 array, shape (rows, cols)
        A surface from `fill`; NaN where unknown. [m]
    min_share : float
        Above 0, at most 0.5, so that one neighbour always qualifies. [1]

    Returns
    -------
    uint8 array, shape (rows, cols)
        One or two bits set, all of them strictly lower cells, or as `d8_receivers` where no facet falls.

    References
    ----------
    tarboton1997; key in data/references.toml.
    """
    filled = np.ascontiguousarray(filled_m, np.float32)
    receivers, level_cells = _dinf(filled, math.tan(min_share * math.pi / 4), math.tan((1 - min_share) * math.pi / 4))
    if level_cells:
        _drain_levels(filled, receivers)
    return receivers


@njit(cache=True, nogil=True)
def _is_edge(z, row, col):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    if row == 0 or col == 0 or row == rows - 1 or col == cols - 1:
        return True
    for k in range(8):
        if np.isnan(z[row + _ROW[k], col + _COL[k]]):
            return True
    return False


@njit(parallel=True, cache=True, nogil=True)
def _edge(z):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    out = np.zeros((rows, cols), np.bool_)
    for row in prange(rows):
        for col in range(cols):
            out[row, col] = not np.isnan(z[row, col]) and _is_edge(z, row, col)
    return out


@njit(cache=True, nogil=True)
def _fill(z):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    done = np.zeros((rows, cols), np.bool_)
    bits = z.reshape(-1).view(np.int32)
    heap = np.empty(4096, np.int64)
    size = np.int64(0)
    for row in range(rows):
        for col in range(cols):
            if np.isnan(z[row, col]):
                done[row, col] = True
            elif _is_edge(z, row, col):
                done[row, col] = True
                heap = push(heap, size, key_of(bits[row * cols + col], row * cols + col))
                size += 1
    climb = np.empty(4096, np.int64)
    pit = np.empty(4096, np.int64)
    while size > 0:
        pit[0] = cell_of(pop(heap, size))
        size -= 1
        pits = np.int64(1)
        climbs = np.int64(0)
        first = 0
        # A popped cell and all lower cells behind it: level with it, in any order.
        while pits > 0:
            pits -= 1
            cell = pit[pits]
            row, col = cell // cols, cell % cols
            height = z[row, col]
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols or done[r, c]:
                    continue
                done[r, c] = True
                if z[r, c] > height:
                    climb = grown(climb, climbs)
                    climb[climbs] = r * cols + c
                    climbs += 1
                else:
                    z[r, c] = height
                    pit = grown(pit, pits)
                    pit[pits] = r * cols + c
                    pits += 1
        # Cells higher than a settled neighbour drain to it as they are, so slopes need no queue. First in, first out: fewer then wait.
        while first < climbs:
            cell = climb[first]
            first += 1
            row, col = cell // cols, cell % cols
            height = z[row, col]
            waits = False
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols or done[r, c]:
                    continue
                if z[r, c] > height:
                    done[r, c] = True
                    climb = grown(climb, climbs)
                    climb[climbs] = r * cols + c
                    climbs += 1
                elif not waits:
                    # A lower cell that some other settled cell will climb to need not be waited for.
                    free = False
                    for j in range(8):
                        a, b = r + _ROW[j], c + _COL[j]
                        if a >= 0 and b >= 0 and a < rows and b < cols and done[a, b] and z[a, b] < z[r, c]:
                            free = True
                            break
                    waits = not free
            if waits:
                heap = push(heap, size, key_of(bits[cell], cell))
                size += 1
    return z


@njit(parallel=True, cache=True, nogil=True)
def _d8(z):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    out = np.zeros((rows, cols), np.uint8)
    level_cells = 0
    for row in prange(rows):
        for col in range(cols):
            if np.isnan(z[row, col]):
                continue
            mask = _steepest(z, row, col)
            out[row, col] = mask
            if mask == 0 and not _is_edge(z, row, col):
                level_cells += 1
    return out, level_cells


@njit(cache=True, nogil=True)
def _steepest(z, row, col):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    here = np.float64(z[row, col])
    best = 0.0
    mask = np.uint8(0)
    for k in range(8):
        r, c = row + _ROW[k], col + _COL[k]
        if r < 0 or c < 0 or r >= rows or c >= cols:
            continue
        drop = here - np.float64(z[r, c])
        if k & 1:
            drop *= 0.7071067811865476
        if drop > best:
            best = drop
            mask = np.uint8(1 << k)
    return mask


@njit(parallel=True, cache=True, nogil=True)
def _dinf(z, tan_least, tan_most):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    out = np.zeros((rows, cols), np.uint8)
    level_cells = 0
    for row in prange(rows):
        near = np.empty(8)
        for col in range(cols):
            if np.isnan(z[row, col]):
                continue
            here = np.float64(z[row, col])
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    near[k] = np.nan
                else:
                    near[k] = z[r, c]
            best = 0.0
            mask = np.uint8(0)
            for facet in range(8):
                # Facet between the cardinal and the diagonal neighbour beside it; NaN fails every comparison.
                cardinal = ((facet + 1) >> 1 << 1) & 7
                diagonal = facet | 1
                along = here - near[cardinal]
                across = near[cardinal] - near[diagonal]
                if across >= 0.0 and along >= across and along > 0.0:
                    steep = along * along + across * across
                    if steep > best:
                        best = steep
                        mask = np.uint8(0)
                        if across <= along * tan_most:
                            mask |= np.uint8(1 << cardinal)
                        if across >= along * tan_least:
                            mask |= np.uint8(1 << diagonal)
                elif across < 0.0 and along > 0.0:
                    if along * along > best:
                        best = along * along
                        mask = np.uint8(1 << cardinal)
                elif across > along:
                    down = here - near[diagonal]
                    if down > 0.0 and 0.5 * down * down > best:
                        best = 0.5 * down * down
                        mask = np.uint8(1 << diagonal)
            if mask == 0:
                mask = _steepest(z, row, col)
            out[row, col] = mask
            if mask == 0 and not _is_edge(z, row, col):
                level_cells += 1
    return out, level_cells


@njit(cache=True, nogil=True)
def _drain_levels(z, receivers):  # type: ignore[no-untyped-def]
    # Breadth first from the cells that already drain (or lie on the edge) into the level ground behind them. A cell's receiver is the first
    # neighbour, from east anticlockwise, of the fewest steps: a definition that no order of work can change.
    rows, cols = z.shape
    unknown_steps = np.int32(-1)
    steps = np.full((rows, cols), unknown_steps, np.int32)
    queue = np.empty(4096, np.int64)
    size = np.int64(0)
    for row in range(rows):
        for col in range(cols):
            if receivers[row, col] != 0 or np.isnan(z[row, col]) or _is_edge(z, row, col):
                continue
            steps[row, col] = np.int32(2147483647)
    for row in range(rows):
        for col in range(cols):
            if steps[row, col] != unknown_steps or np.isnan(z[row, col]):
                continue
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    continue
                if steps[r, c] > 0 and z[r, c] == z[row, col]:
                    steps[row, col] = 0
                    queue = grown(queue, size)
                    queue[size] = row * cols + col
                    size += 1
                    break
    at = 0
    while at < size:
        cell = queue[at]
        at += 1
        row, col = cell // cols, cell % cols
        next_steps = steps[row, col] + np.int32(1)
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if r < 0 or c < 0 or r >= rows or c >= cols:
                continue
            if steps[r, c] > next_steps and z[r, c] == z[row, col]:
                steps[r, c] = next_steps
                queue = grown(queue, size)
                queue[size] = r * cols + c
                size += 1
    for index in range(size):
        cell = queue[index]
        row, col = cell // cols, cell % cols
        if steps[row, col] <= 0:
            continue
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if r < 0 or c < 0 or r >= rows or c >= cols:
                continue
            if steps[r, c] == steps[row, col] - 1 and z[r, c] == z[row, col]:
                receivers[row, col] = np.uint8(1 << k)
                break
