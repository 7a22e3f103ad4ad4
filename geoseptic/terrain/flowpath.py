"""How far along the fall of the ground a cell is from a well, from the edge of the data, or from neither."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.terrain.drainage import _COL, _ROW, Receivers
from geoseptic.terrain.keyheap import grown

Floats = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]

REACHES_A_WELL: Final = 1
REACHES_NO_WELL: Final = 2
LEAVES_THE_DATA: Final = 3
NO_ELEVATION: Final = 4
"""The four answers: a distance is never missing without a reason."""

NO_LABEL: Final = -1

_LOWEST_BIT: Final = np.array([(bits & -bits).bit_length() - 1 if bits else 0 for bits in range(256)], np.uint8)
_NORTHWARD, _SOUTHWARD, _WESTWARD, _EASTWARD = (
    sum(1 << k for k in range(8) if step[k] == toward) for step, toward in ((_ROW, -1), (_ROW, 1), (_COL, -1), (_COL, 1))
)
"""Receivers that lie beyond the border of that side."""


def halo_cells(reach_m: float, cell_size_m: float) -> int:
    """How many cells round a window its answers hang on: the most steps that a path within the reach can have.

    Discs and lots are marked in the halo too, so nothing is added for them: a window of the lots has `PresumedLots.margin` cells more.
    """
    step_m, _ = _steps_m(cell_size_m, reach_m)
    return math.floor(reach_m / float(step_m)) if reach_m > 0 else 0


def well_discs(
    shape: tuple[int, int],
    well_col: npt.NDArray[np.float64],
    well_row: npt.NDArray[np.float64],
    radius_m: npt.NDArray[np.float64],
    location_error_m: npt.NDArray[np.float64],
    cell_size_m: float,
    corner: tuple[int, int] = (0, 0),
) -> tuple[Floats, Labels]:
    """Straight distance to the nearest possible place of a well, for every cell whose middle lies in a well's disc.

    A well is a disc, never one cell: moving a one-cell well by a cell changes most of the ground that drains to it. The cell that holds the
    well always belongs to the disc. Each cell follows from the wells alone, so a window needs no halo.

    Parameters
    ----------
    shape : (rows, cols)
        Of the raster, or of a window of it.
    well_col, well_row : float64 arrays, shape (wells,)
        Position counted in cells from the top left corner of the raster; may lie outside. [cells]
    radius_m, location_error_m : float64 arrays, shape (wells,)
        Radius of the disc, and the part of it that the well's true place may be anywhere in. [m]
    corner : (row, col)
        The window's first cell in the raster. Wells are not moved to the window instead: that would round their places.

    Returns
    -------
    distance, float32 array of `shape` : straight distance less the location error, at least 0; infinite outside every disc. [m]
    label, int32 array of `shape` : index of that well (the lowest on a tie), -1 outside every disc.
    """
    distance = np.full(shape, np.inf, np.float32)
    label = np.full(shape, NO_LABEL, np.int32)
    _mark_discs(distance, label, well_col, well_row, radius_m, location_error_m, float(cell_size_m), *corner)
    return distance, label


def lot_discs(distance_m: Floats, label: Labels, lots: Labels, margin: int, radius_m: float, cell_size_m: float, first_label: int) -> None:
    """Add starts of wells that may be anywhere on a lot, in place: 0 on the lot, beyond it the straight distance, as far as a disc goes.

    Wherever on its lot the well is, no start of its disc is nearer than this: half a cell's diagonal is taken off, by which the middle of a
    cell that the lot only touches may lie farther away than the lot. Of equally near lots the lower label is kept; a start that is there
    already keeps its place unless the lot is nearer.

    Parameters
    ----------
    distance_m, label : float32 and int32 arrays, shape (rows, cols)
        Starts so far, as from `well_discs`; changed. [m]
    lots : int32 array, shape (rows + 2 margin, cols + 2 margin)
        Index of the lot that touches each cell, -1 where none.
    margin : int
        Cells more on every side: at least `lot_margin_cells`, else ValueError. This is the halo.
    radius_m : float
        Radius of a well's disc. [m]
    first_label : int
        Added to the lots' index.
    """
    if margin < lot_margin_cells(radius_m, cell_size_m):
        raise ValueError(f"a margin of {margin} cells does not hold every lot within {radius_m} m")
    _mark_lots(distance_m, label, np.ascontiguousarray(lots), margin, float(radius_m), float(cell_size_m), first_label)


def lot_margin_cells(radius_m: float, cell_size_m: float) -> int:
    """The margin of `lot_discs`: how far in cells a lot may lie whose disc comes into a window."""
    return math.ceil(radius_m / cell_size_m) + 1


def path_distance(
    receivers: Receivers,
    start_m: Floats,
    start_label: Labels,
    cell_size_m: float,
    reach_m: float,
    core: tuple[slice, slice] | None = None,
) -> tuple[Floats, Labels]:
    """Shortest flow path from every cell down to a start, cut at the reach.

    A path steps from cell to cell, so it reads up to 8 percent longer than a straight line over a plane. The result is the only solution of
    "the least of my own start and each receiver's distance plus the step", so neither the order of work nor tiling can change it. For the
    label this holds because starts and steps are first rounded to a unit (0.03 mm at a reach of 305 m) in which every sum is exact: two
    ways that differ by less would else be told apart in one cell and not in the next.

    Each cell asks its receivers once they are settled, so that every step is taken once; of a halo only what lies down the fall of the core
    is visited.

    Parameters
    ----------
    receivers : uint8 array, shape (rows, cols)
        Where each cell drains, from `drainage`; never round in a circle, else ValueError.
    start_m : float32 array
        Distance at the starts; infinite elsewhere. [m]
    start_label : int32 array
        Label of each start; -1 elsewhere. Of two equally near starts the lower label is kept.
    cell_size_m, reach_m : float
        Side of a cell; the farthest distance of interest. [m]
    core : slices of rows and columns
        The cells asked for, where the arrays are a window with a halo of `halo_cells`; None for all.

    Returns
    -------
    distance, float32 array of the core's shape : infinite where no start is reached within the reach. [m]
    label, int32 array : that of the nearest start, -1 where none.
    """
    distance, label = start_m.copy(), start_label.copy()
    settle(receivers, distance, label, cell_size_m, reach_m, core)
    return (distance, label) if core is None else (distance[core], label[core])


def settle(
    receivers: Receivers,
    distance_m: Floats,
    label: Labels | None,
    cell_size_m: float,
    reach_m: float,
    core: tuple[slice, slice] | None = None,
) -> None:
    """`path_distance` in place: starts become distances, outside the core of some cells only. No label is kept for None."""
    rows, cols = receivers.shape
    inside = (slice(0, rows), slice(0, cols)) if core is None else core
    way = np.array(receivers, np.uint8, order="C")
    # Nothing is known of what lies beyond: with these bits gone the walk needs no test for it.
    for side, bits in ((way[0], _NORTHWARD), (way[-1], _SOUTHWARD), (way[:, 0], _WESTWARD), (way[:, -1], _EASTWARD)):
        side &= np.uint8(255 - bits)
    step_m, diagonal_m = _steps_m(cell_size_m, reach_m)
    unit_m = exact_unit_m(reach_m + 2 * cell_size_m)
    lengths_m = np.array([step_m, diagonal_m] * 4, np.float32)
    limits = (inside[0].start, inside[0].stop, inside[1].start, inside[1].stop)
    if not (distance_m.flags.c_contiguous and (label is None or label.flags.c_contiguous)):
        raise ValueError("arrays changed in place must lie in C order")
    flat = way.reshape(-1), distance_m.reshape(-1), None if label is None else label.reshape(-1)
    if not _settle(*flat, cols, lengths_m, np.float32(reach_m), unit_m, *limits):
        raise ValueError("the receivers lead round in a circle")


def _steps_m(cell_size_m: float, reach_m: float) -> tuple[np.float32, np.float32]:
    """Lengths of a straight and a diagonal step in whole units."""
    unit = exact_unit_m(reach_m + 2 * cell_size_m)
    cell = np.float32(cell_size_m)
    return np.float32(np.rint(cell / unit)) * unit, np.float32(np.rint(cell * np.float32(1.4142135) / unit)) * unit


def exact_unit_m(longest_m: float) -> np.float32:
    """The finest unit whose multiples up to `longest_m` all fit the 24 significant bits of a float32."""
    return np.float32(2.0 ** (math.frexp(longest_m)[1] - 24))


def leaves_within(
    receivers: Receivers,
    edge: npt.NDArray[np.bool_],
    cell_size_m: float,
    reach_m: float,
    core: tuple[slice, slice] | None = None,
) -> npt.NDArray[np.bool_]:
    """Whether a flow path from the cell gets to the edge of the data within the reach, so that nobody knows where it goes on to.

    Halo, `receivers`, `core` and lengths as for `path_distance`; a bool array of the core's shape. `edge` (bool, shape (rows, cols)) is
    that of the whole raster: the border of a window is none.
    """
    if not edge.any():
        return np.zeros((edge if core is None else edge[core]).shape, bool)
    distance = np.full(edge.shape, np.inf, np.float32)
    _climb(np.ascontiguousarray(receivers), np.flatnonzero(edge), distance, np.array(_steps_m(cell_size_m, reach_m)), np.float32(reach_m))
    inside: npt.NDArray[np.bool_] = np.isfinite(distance if core is None else distance[core])
    return inside


def answers(distance_m: Floats, leaves: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint8]:
    """One of the four answers for every cell, uint8; no halo.

    Parameters
    ----------
    distance_m : float32 array, shape (rows, cols)
        From `path_distance`; infinite where no well is reached. [m]
    leaves, known : bool arrays of the same shape
        From `leaves_within`; whether the ground's height is known.
    """
    code = np.full(distance_m.shape, REACHES_NO_WELL, np.uint8)
    code[leaves] = LEAVES_THE_DATA
    code[np.isfinite(distance_m)] = REACHES_A_WELL
    code[~known] = NO_ELEVATION
    return code


@njit(cache=True, nogil=True)
def _mark_discs(distance, label, well_col, well_row, radius_m, error_m, cell, top, left):  # type: ignore[no-untyped-def]
    rows, cols = distance.shape
    for well in range(well_col.size):
        radius, error = radius_m[well] / cell, error_m[well]
        name = np.int32(well)
        first_row = max(0, int(np.floor(well_row[well] - radius - 0.5)) - top)
        last_row = min(rows - 1, int(np.ceil(well_row[well] + radius - 0.5)) - top)
        first_col = max(0, int(np.floor(well_col[well] - radius - 0.5)) - left)
        last_col = min(cols - 1, int(np.ceil(well_col[well] + radius - 0.5)) - left)
        for row in range(first_row, last_row + 1):
            away_row = row + top + 0.5 - well_row[well]
            # Without a branch the compiler handles several cells at a time.
            for col in range(first_col, last_col + 1):
                away_col = col + left + 0.5 - well_col[well]
                straight = np.sqrt(away_row * away_row + away_col * away_col)
                nearest = np.float32(max(0.0, straight * cell - error)) if straight <= radius else np.float32(np.inf)
                nearer = nearest < distance[row, col]
                distance[row, col] = nearest if nearer else distance[row, col]
                label[row, col] = name if nearer else label[row, col]
        row, col = int(np.floor(well_row[well])) - top, int(np.floor(well_col[well])) - left
        if 0 <= row < rows and 0 <= col < cols:
            away_row = row + top + 0.5 - well_row[well]
            away_col = col + left + 0.5 - well_col[well]
            nearest = np.float32(max(0.0, np.sqrt(away_row * away_row + away_col * away_col) * cell - error))
            if nearest < distance[row, col]:
                distance[row, col] = nearest
                label[row, col] = name


@njit(cache=True, nogil=True)
def _mark_lots(distance, label, lots, margin, radius_m, cell, first_label):  # type: ignore[no-untyped-def]
    # The nearest lot is found exactly, first along columns, then along rows: of two cells of one column the farther one never wins.
    rows, cols = distance.shape
    wide = cols + 2 * margin
    half_diagonal = math.sqrt(0.5)
    farthest = int(radius_m / cell + half_diagonal)
    none = np.int64(1) << 60
    above = np.full(wide, -none, np.int64)
    below = np.zeros(wide, np.int64)
    squared = np.empty(wide, np.int64)
    name = np.empty(wide, np.int32)
    for middle in range(margin - farthest, margin + rows):
        near = False
        for col in range(wide):
            if lots[middle, col] >= 0:
                above[col] = middle
            if middle < margin:
                continue
            at = max(below[col], middle)
            while at <= middle + farthest and lots[at, col] < 0:
                at += 1
            below[col] = at
            squared[col] = none
            if middle - above[col] <= farthest:
                squared[col] = (middle - above[col]) ** 2
                name[col] = lots[above[col], col]
                near = True
            if at <= middle + farthest:
                away = (at - middle) ** 2
                if away < squared[col] or (away == squared[col] and lots[at, col] < name[col]):
                    squared[col] = away
                    name[col] = lots[at, col]
                near = True
        if not near:
            continue
        row = middle - margin
        for col in range(cols):
            if distance[row, col] == 0:
                continue
            best = none
            whose = np.int32(-1)
            for across in range(farthest + 1):
                if across * across > best:
                    break
                for side in (col + margin - across, col + margin + across):
                    away = across * across + squared[side]
                    if away < best or (away == best and away < none and name[side] < whose):
                        best = away
                        whose = name[side]
            if best >= none:
                continue
            lot_m = max(math.sqrt(best) - half_diagonal, 0.0) * cell
            if lot_m <= radius_m and lot_m < distance[row, col]:
                distance[row, col] = lot_m
                label[row, col] = whose + first_label


@njit(cache=True, nogil=True)
def _settle(way, distance, label, cols, lengths, reach, unit, top, bottom, left, right):  # type: ignore[no-untyped-def]
    # A bit of `way` is a receiver still to be asked: a cell is settled when none is left.
    # The arrays are those of the raster, row after row.
    per_unit = np.float32(1) / unit
    for at in range(way.size):
        start = distance[at]
        if start <= reach:
            start = np.float32(np.rint(start * per_unit)) * unit
            distance[at] = start
            # Nearer than one step: no receiver can offer as little.
            if start < lengths[0]:
                way[at] = 0
        else:
            distance[at] = np.inf
            if label is not None:
                label[at] = NO_LABEL
    # Unsigned, so that no index is tested for being negative; a step back wraps round.
    offset = np.empty(8, np.uint64)
    for k in range(8):
        offset[k] = np.uint64(_ROW[k] * cols + _COL[k])
    stack = np.empty(4096, np.uint64)
    for row in range(top, bottom):
        for first in range(row * cols + left, row * cols + right):
            if way[first] == 0:
                continue
            stack[0] = first
            size = 1
            while size > 0:
                at = stack[size - 1]
                bits = way[at]
                here = distance[at]
                below = at
                while bits != 0:
                    k = _LOWEST_BIT[bits]
                    below = at + offset[k]
                    if way[below] != 0:
                        break
                    further = distance[below] + lengths[k]
                    if further <= reach and further <= here:
                        if label is None:
                            here = further
                        elif further < here or label[below] < label[at]:
                            here = further
                            label[at] = label[below]
                    bits &= bits - np.uint8(1)
                distance[at] = here
                way[at] = bits
                if bits == 0:
                    size -= 1
                    continue
                if size == stack.size:
                    if size > way.size:
                        return False
                    stack = grown(stack, size)
                stack[size] = below
                size += 1
    return True


@njit(cache=True, nogil=True)
def _climb(receivers, starts, distance, lengths, reach):  # type: ignore[no-untyped-def]
    # From a few starts upward, the distances of `_settle` cost less: what never gets there is not visited.
    rows, cols = receivers.shape
    now = starts.copy()
    size = now.size
    for at in now:
        distance[at // cols, at % cols] = 0
    then = np.empty(max(64, size), np.int64)
    while size > 0:
        found = 0
        for index in range(size):
            row, col = now[index] // cols, now[index] % cols
            for k in range(8):
                r, c = row - _ROW[k], col - _COL[k]
                if r < 0 or c < 0 or r >= rows or c >= cols or not (receivers[r, c] >> k) & 1:
                    continue
                further = distance[row, col] + lengths[k & 1]
                if further <= reach and further < distance[r, c]:
                    distance[r, c] = further
                    then = grown(then, found)
                    then[found] = r * cols + c
                    found += 1
        now, then, size = then, now, found


def upstream_of(receivers: Receivers, target: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Every cell with a flow path to a target cell, the targets included; within the arrays given, which may be a window.

    `receivers` (uint8) and `target` (bool) have the shape (rows, cols), and so has the result.
    """
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
            for step in range(steps):
                longer[step, 0], longer[step, 1] = path[step, 0], path[step, 1]
            path = longer
        path[steps, 0], path[steps, 1] = row, col
        steps += 1
    return path[:steps].copy()
