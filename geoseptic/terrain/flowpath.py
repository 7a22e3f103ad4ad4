"""How far along the fall of the ground a cell is from a well, from the edge of the data, or from neither."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.drainage import _COL, _ROW, Receivers

Floats = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]

REACHES_A_WELL: Final = 1
REACHES_NO_WELL: Final = 2
LEAVES_THE_DATA: Final = 3
NO_ELEVATION: Final = 4
"""The four answers: a distance is never missing without a reason."""

NO_LABEL: Final = -1


def well_discs(
    shape: tuple[int, int],
    well_col: npt.NDArray[np.float64],
    well_row: npt.NDArray[np.float64],
    radius_m: npt.NDArray[np.float64],
    location_error_m: npt.NDArray[np.float64],
    cell_size_m: float,
) -> tuple[Floats, Labels]:
    """Straight distance to the nearest possible place of a well, for every cell whose middle lies in a well's disc.

    A well is a disc, never one cell: moving a one-cell well by a cell changes most of the ground that drains to it. The cell that holds the
    well always belongs to the disc.

    Parameters
    ----------
    shape : (rows, cols)
    well_col, well_row : float64 arrays, shape (wells,)
        Position counted in cells from the top left corner; may lie outside the raster. [cells]
    radius_m, location_error_m : float64 arrays, shape (wells,)
        Radius of the disc, and the part of it that the well's true place may be anywhere in. [m]

    Returns
    -------
    distance, float32 array of `shape` : straight distance less the location error, at least 0; infinite outside every disc. [m]
    label, int32 array of `shape` : index of that well (the lowest on a tie), -1 outside every disc.
    """
    distance = np.full(shape, np.inf, np.float32)
    label = np.full(shape, NO_LABEL, np.int32)
    _mark_discs(distance, label, well_col, well_row, radius_m, location_error_m, float(cell_size_m))
    return distance, label


def path_distance(receivers: Receivers, start_m: Floats, start_label: Labels, cell_size_m: float, reach_m: float) -> tuple[Floats, Labels]:
    """Shortest flow path from every cell down to a start, walking upward from the starts and cut at the reach.

    A path steps from cell to cell, so it reads up to 8 percent longer than a straight line over a plane. The result is the only solution of
    "the least of my own start and each receiver's distance plus the step", so neither the order of work nor tiling can change it. For the
    label this holds because starts and steps are first rounded to a unit (0.03 mm at a reach of 305 m) in which every sum is exact: two
    ways that differ by less would else be told apart in one cell and not in the next.

    Parameters
    ----------
    receivers : uint8 array, shape (rows, cols)
        Where each cell drains, from `drainage`.
    start_m : float32 array
        Distance at the starts; infinite elsewhere. [m]
    start_label : int32 array
        Label of each start; -1 elsewhere. Of two equally near starts the lower label is kept.
    cell_size_m, reach_m : float
        Side of a cell; the farthest distance of interest. [m]

    Returns
    -------
    distance, float32 array : infinite where no start is reached within the reach. [m]
    label, int32 array : that of the nearest start, -1 where none.
    """
    distance = start_m.copy()
    label = start_label.copy()
    _walk_up(receivers, distance, label, np.float32(cell_size_m), np.float32(reach_m), exact_unit_m(reach_m + 2 * cell_size_m))
    return distance, label


def exact_unit_m(longest_m: float) -> np.float32:
    """The finest unit whose multiples up to `longest_m` all fit the 24 significant bits of a float32."""
    return np.float32(2.0 ** (math.frexp(longest_m)[1] - 24))


def leaves_within(receivers: Receivers, edge: npt.NDArray[np.bool_], cell_size_m: float, reach_m: float) -> npt.NDArray[np.bool_]:
    """Whether a flow path from the cell gets to the edge of the data within the reach, so that nobody knows where it goes on to."""
    start = np.where(edge, np.float32(0), np.float32(np.inf))
    distance, _ = path_distance(receivers, start, np.where(edge, 0, NO_LABEL).astype(np.int32), cell_size_m, reach_m)
    inside: npt.NDArray[np.bool_] = np.isfinite(distance)
    return inside


def answers(distance_m: Floats, leaves: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint8]:
    """One of the four answers for every cell."""
    code = np.full(distance_m.shape, REACHES_NO_WELL, np.uint8)
    code[leaves] = LEAVES_THE_DATA
    code[np.isfinite(distance_m)] = REACHES_A_WELL
    code[~known] = NO_ELEVATION
    return code


@njit(cache=True, nogil=True)
def _mark_discs(distance, label, well_col, well_row, radius_m, error_m, cell):  # type: ignore[no-untyped-def]
    rows, cols = distance.shape
    for well in range(well_col.size):
        radius = radius_m[well] / cell
        first_row = max(0, int(np.floor(well_row[well] - radius - 0.5)))
        last_row = min(rows - 1, int(np.ceil(well_row[well] + radius - 0.5)))
        first_col = max(0, int(np.floor(well_col[well] - radius - 0.5)))
        last_col = min(cols - 1, int(np.ceil(well_col[well] + radius - 0.5)))
        home_row, home_col = int(np.floor(well_row[well])), int(np.floor(well_col[well]))
        for row in range(first_row, last_row + 1):
            for col in range(first_col, last_col + 1):
                away_row = row + 0.5 - well_row[well]
                away_col = col + 0.5 - well_col[well]
                straight = np.sqrt(away_row * away_row + away_col * away_col)
                if straight > radius and not (row == home_row and col == home_col):
                    continue
                nearest = np.float32(max(0.0, straight * cell - error_m[well]))
                if nearest < distance[row, col]:
                    distance[row, col] = nearest
                    label[row, col] = well


@njit(cache=True, nogil=True)
def _walk_up(receivers, distance, label, cell, reach, unit):  # type: ignore[no-untyped-def]
    rows, cols = receivers.shape
    diagonal = np.float32(np.rint(cell * np.float32(1.4142135) / unit)) * unit
    cell = np.float32(np.rint(cell / unit)) * unit
    waiting = np.zeros((rows, cols), np.bool_)
    queue = np.empty(4096, np.int64)
    first = 0
    last = 0
    for row in range(rows):
        for col in range(cols):
            if distance[row, col] <= reach:
                distance[row, col] = np.float32(np.rint(distance[row, col] / unit)) * unit
            else:
                distance[row, col] = np.inf
                label[row, col] = -1
    for row in range(rows):
        for col in range(cols):
            if np.isinf(distance[row, col]):
                continue
            # Only the rim of a disc can hand its distance on.
            for k in range(8):
                r, c = row - _ROW[k], col - _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols or not (receivers[r, c] >> k) & 1:
                    continue
                further = distance[row, col] + (diagonal if k & 1 else cell)
                if further < distance[r, c] or (further == distance[r, c] and label[row, col] < label[r, c]):
                    if last == queue.size:
                        queue = _twice(queue, first, last)
                        first, last = 0, queue.size // 2
                    queue[last] = row * cols + col
                    last += 1
                    waiting[row, col] = True
                    break
    while first < last:
        cell_index = queue[first]
        first += 1
        row, col = cell_index // cols, cell_index % cols
        waiting[row, col] = False
        here = distance[row, col]
        name = label[row, col]
        for k in range(8):
            r, c = row - _ROW[k], col - _COL[k]
            if r < 0 or c < 0 or r >= rows or c >= cols or not (receivers[r, c] >> k) & 1:
                continue
            further = here + (diagonal if k & 1 else cell)
            if further > reach:
                continue
            if further < distance[r, c] or (further == distance[r, c] and name < label[r, c]):
                distance[r, c] = further
                label[r, c] = name
                if not waiting[r, c]:
                    waiting[r, c] = True
                    if last == queue.size:
                        kept = last - first
                        if 2 * kept < queue.size:
                            for index in range(kept):
                                queue[index] = queue[first + index]
                        else:
                            queue = _twice(queue, first, last)
                        first, last = 0, kept
                    queue[last] = r * cols + c
                    last += 1


@njit(cache=True, nogil=True)
def _twice(queue, first, last):  # type: ignore[no-untyped-def]
    bigger = np.empty(2 * queue.size, queue.dtype)
    bigger[: last - first] = queue[first:last]
    return bigger


def upstream_of(receivers: Receivers, target: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Every cell with a flow path to a target cell, the targets included; within the arrays given, which may be a window."""
    return _upstream(receivers, target.copy())


@njit(cache=True, nogil=True)
def _upstream(receivers, reached):  # type: ignore[no-untyped-def]
    rows, cols = receivers.shape
    stack = np.empty(rows * cols, np.int64)
    size = 0
    for row in range(rows):
        for col in range(cols):
            if reached[row, col]:
                stack[size] = row * cols + col
                size += 1
    while size > 0:
        size -= 1
        row, col = stack[size] // cols, stack[size] % cols
        for k in range(8):
            r, c = row - _ROW[k], col - _COL[k]
            if r < 0 or c < 0 or r >= rows or c >= cols or reached[r, c] or not (receivers[r, c] >> k) & 1:
                continue
            reached[r, c] = True
            stack[size] = r * cols + c
            size += 1
    return reached


def trace(receivers: Receivers, distance_m: Floats, row: int, col: int) -> npt.NDArray[np.int64]:
    """The path that gives a cell its distance: (row, col) of every cell from here down to the start it reaches, shape (steps + 1, 2).

    `distance_m` is from `path_distance`; a cell that reaches no start gives its own place alone.
    """
    return _trace(receivers, distance_m, row, col)


@njit(cache=True, nogil=True)
def _trace(receivers, distance, row, col):  # type: ignore[no-untyped-def]
    path = np.empty((64, 2), np.int64)
    path[0, 0], path[0, 1] = row, col
    steps = 1
    while np.isfinite(distance[row, col]):
        next_row, next_col, least = row, col, distance[row, col]
        for k in range(8):
            if not (receivers[row, col] >> k) & 1:
                continue
            r, c = row + _ROW[k], col + _COL[k]
            if distance[r, c] < least:
                next_row, next_col, least = r, c, distance[r, c]
        if next_row == row and next_col == col:
            break
        row, col = next_row, next_col
        if steps == path.shape[0]:
            longer = np.empty((2 * steps, 2), np.int64)
            longer[:steps] = path
            path = longer
        path[steps, 0], path[steps, 1] = row, col
        steps += 1
    return path[:steps].copy()
