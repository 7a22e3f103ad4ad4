"""Kernels of `ground`: what drains to a feature within a path's bound, and the outlines of cells. Arrays in, new arrays out."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine
from numba import njit

from geoseptic.model.frame import Geometries
from geoseptic.model.planes import Values
from geoseptic.terrain.drainage import STEP_COL, STEP_ROW, Receivers
from geoseptic.terrain.flowpath import exact_unit_m

Cells = npt.NDArray[np.int64]
States = npt.NDArray[np.uint8]

NO, HOLDS, UNKNOWN = 0, 1, 2

_AHEAD_ROW = (-1, -1, 0, 0)
_AHEAD_COL = (0, -1, -1, 0)
"""From a corner, the cell ahead to the left for one who goes east, north, west, south; the next entry before it is the one to the right."""


@dataclass(frozen=True)
class Targets:
    """Features as the straight lines of their outlines; a cell that comes within the radius of a feature belongs to it.

    lines : float64 array, shape (lines, 4)
        Row and column of either end, counted in cells from the top left corner; a point is a line of no length. [cells]
    encloses : bool array, shape (lines,)
        Whether the line is of a ring that has ground inside.
    first : int64 array, shape (features + 1,)
        The lines of feature i are those from first[i] to first[i + 1].
    radius : float64 array, shape (features,) [cells]
    """

    lines: npt.NDArray[np.float64]
    encloses: npt.NDArray[np.bool_]
    first: Cells
    radius: npt.NDArray[np.float64]

    @classmethod
    def of(cls, shapes_m: Geometries, radius_m: npt.NDArray[np.float64], transform: Affine) -> "Targets":
        """From shapes and radii in metres; `transform` leads from columns and rows to metres."""
        parts, owner = shapely.get_parts(shapes_m, return_index=True)
        rings, of_part = shapely.get_rings(parts, return_index=True)
        thin = shapely.get_dimensions(parts) < 2
        ways = np.concatenate([rings, parts[thin]])
        encloses = np.arange(len(ways)) < len(rings)
        owner = np.concatenate([owner[of_part], owner[thin]])
        corner_m, way = shapely.get_coordinates(ways, return_index=True)
        col, row = ~transform @ (corner_m[:, 0], corner_m[:, 1])
        # Every corner leads to the next of its own line; a point leads to itself.
        end = np.append(way[1:] == way[:-1], False)
        alone = np.bincount(way, minlength=len(ways))[way] == 1
        start = np.flatnonzero(end | alone)
        goal = start + end[start]
        order = np.argsort(owner[way[start]], kind="stable")
        start, goal = start[order], goal[order]
        first = np.searchsorted(owner[way[start]], np.arange(len(shapes_m) + 1))
        lines = np.column_stack([row[start], col[start], row[goal], col[goal]])
        return cls(lines, encloses[way[start]], first, radius_m / transform.a)


def drains_to(
    receivers: Receivers,
    leaves: npt.NDArray[np.bool_],
    elevation_m: Values,
    boxes: Cells,
    targets: Targets,
    cell_size_m: float,
    path_m: float,
) -> States:
    """Of every cell of each feature's box, whether a flow path of at most `path_m` leads from it to the feature.

    The same cells as those that `flowpath.path_distance` reaches from the targets over the whole raster. Only cells are visited from which
    a path may still come back to the box within the bound.

    Parameters
    ----------
    receivers, leaves, elevation_m : arrays of the raster's shape
        Where each cell drains, whether water from it leaves the data within the bound, the ground's height (NaN where unknown).
    boxes : shape (features, 4)
        Rows from, to, columns from, to; to is not included.
    targets : the features.
    cell_size_m, path_m : float
        Side of a cell, the longest path. [m]

    Returns
    -------
    uint8, the boxes one after the other, each row by row : HOLDS, UNKNOWN (no height, or water leaves the data) or NO.
    """
    unit = exact_unit_m(path_m + 2 * cell_size_m)
    margin = int(path_m / 2 / cell_size_m) + 2
    # Steps in a unit in which every sum is exact, as in flowpath.path_distance.
    step = np.array([np.rint(np.float32(cell_size_m) * np.float32(long) / unit) * unit for long in (1, 1.4142135)], np.float32)
    features = targets.lines, targets.encloses, targets.first, targets.radius
    return _drains_to(receivers, leaves, elevation_m, boxes, *features, step, np.float32(path_m), margin)


def outlines(states: States, boxes: Cells, wanted: int, transform: Affine) -> Geometries:
    """The cells of one state in each box as a multipolygon: one polygon for cells that share edges, touching others at corners alone.

    Parameters
    ----------
    states, boxes : as in `drains_to`
    wanted : the state.
    transform : from columns and rows of the raster to metres.
    """
    row, col, last, box, part = _outlines(states, boxes, wanted).T
    end = np.flatnonzero(last) + 1
    length = np.diff(end, prepend=0)
    # Cells lie to the left: an outer ring runs anticlockwise, a hole clockwise, and the last corner of a ring is its first.
    cross = np.append(row[:-1] * col[1:] - row[1:] * col[:-1], 0) * (last == 0)
    hole = np.add.reduceat(cross, end - length) < 0 if len(end) else np.zeros(0, bool)
    ring_box, ring_part = box[end - 1], part[end - 1]
    order = np.lexsort((hole, ring_part, ring_box))
    end, length, ring_box, ring_part = end[order], length[order], ring_box[order], ring_part[order]
    rings = np.append(0, np.cumsum(length))
    at = np.repeat(end - rings[1:], length) + np.arange(len(row))
    opens = np.flatnonzero((np.diff(ring_box, prepend=-1) != 0) | (np.diff(ring_part, prepend=-1) != 0))
    polygons = np.append(opens, len(ring_box))
    boxed = np.searchsorted(ring_box[opens], np.arange(len(boxes) + 1))
    xy = np.column_stack([transform.c + transform.a * col[at], transform.f + transform.e * row[at]])
    shapes: Geometries = shapely.from_ragged_array(shapely.GeometryType.MULTIPOLYGON, xy, (rings, polygons, boxed))
    return shapes


@njit(cache=True, nogil=True)
def _drains_to(receivers, leaves, elevation, boxes, lines, encloses, first, radius, step, reach, margin):  # type: ignore[no-untyped-def]
    size = 0
    for box in range(len(boxes)):
        size += (boxes[box, 1] - boxes[box, 0]) * (boxes[box, 3] - boxes[box, 2])
    out = np.zeros(size, np.uint8)
    at = 0
    for box in range(len(boxes)):
        row_0, row_1, col_0, col_1 = boxes[box, 0], boxes[box, 1], boxes[box, 2], boxes[box, 3]
        if row_0 == row_1:
            continue
        own = slice(first[box], first[box + 1])
        reached = _reached_from(receivers, boxes[box], lines[own], encloses[own], radius[box], step, reach, margin)
        for row in range(row_0, row_1):
            for col in range(col_0, col_1):
                if reached[row - row_0, col - col_0]:
                    out[at] = HOLDS
                elif leaves[row, col] or np.isnan(elevation[row, col]):
                    out[at] = UNKNOWN
                at += 1
    return out


@njit(cache=True, nogil=True)
def _reached_from(receivers, box, lines, encloses, radius, step, reach, margin):  # type: ignore[no-untyped-def]
    rows, cols = receivers.shape
    row_0, row_1, col_0, col_1 = box
    straight, diagonal = step[0], step[1]
    top, bottom, left, right = row_0, row_1, col_0, col_1
    for line in range(len(lines)):
        for end in (0, 2):
            row, col = lines[line, end], lines[line, end + 1]
            top, bottom = min(top, int(np.ceil(row - radius)) - 1), max(bottom, int(np.floor(row + radius)) + 1)
            left, right = min(left, int(np.ceil(col - radius)) - 1), max(right, int(np.floor(col + radius)) + 1)
    # A path that leaves the box and the target by more than half its bound does not come back within it.
    top, left, bottom, right = max(0, top - margin), max(0, left - margin), min(rows, bottom + margin), min(cols, right + margin)
    height, width = bottom - top, right - left
    target = _within_radius(lines, encloses, radius, top, left, height, width)
    distance = np.full((height, width), np.inf, np.float32)
    waiting = np.zeros((height, width), np.bool_)
    now = np.empty(height * width, np.int64)
    later = np.empty(height * width, np.int64)
    count = 0
    for row in range(height):
        for col in range(width):
            if target[row, col]:
                distance[row, col] = 0
                now[count] = row * width + col
                count += 1
    while count > 0:
        more = 0
        for index in range(count):
            row, col = now[index] // width, now[index] % width
            waiting[row, col] = False
            here = distance[row, col]
            for k in range(8):
                r, c = row - STEP_ROW[k], col - STEP_COL[k]
                if r < 0 or c < 0 or r >= height or c >= width or not (receivers[r + top, c + left] >> k) & 1:
                    continue
                further = here + (diagonal if k & 1 else straight)
                if not further < distance[r, c]:
                    continue
                # No way from the box to this cell is shorter than the one over bare steps.
                down = max(row_0 - (r + top), 0, r + top - (row_1 - 1))
                across = max(col_0 - (c + left), 0, c + left - (col_1 - 1))
                back = straight * (max(down, across) - min(down, across)) + diagonal * min(down, across)
                if further + back > reach:
                    continue
                distance[r, c] = further
                if not waiting[r, c]:
                    waiting[r, c] = True
                    later[more] = r * width + c
                    more += 1
        now, later = later, now
        count = more
    return np.isfinite(distance[row_0 - top : row_1 - top, col_0 - left : col_1 - left])


@njit(cache=True, nogil=True)
def _within_radius(lines, encloses, radius, top, left, height, width):  # type: ignore[no-untyped-def]
    """Cells of the window that come within the radius of a line, or that rings enclose."""
    near = np.zeros((height, width), np.bool_)
    odd = np.zeros((height, width + 1), np.bool_)
    for line in range(len(lines)):
        y0, x0, y1, x1 = lines[line, 0] - top, lines[line, 1] - left, lines[line, 2] - top, lines[line, 3] - left
        for row in range(max(0, int(np.ceil(min(y0, y1) - radius)) - 1), min(height, int(np.floor(max(y0, y1) + radius)) + 1)):
            for col in range(max(0, int(np.ceil(min(x0, x1) - radius)) - 1), min(width, int(np.floor(max(x0, x1) + radius)) + 1)):
                if not near[row, col]:
                    near[row, col] = _square_apart(row, col, y0, x0, y1, x1) <= radius * radius
        if encloses[line]:
            # A cell farther than the radius from every line lies inside where its middle does: even-odd along the row.
            for row in range(max(0, int(np.ceil(min(y0, y1) - 0.5))), min(height, int(np.ceil(max(y0, y1) - 0.5)))):
                crossing = x0 + (row + 0.5 - y0) * (x1 - x0) / (y1 - y0)
                col = min(width, max(0, int(np.ceil(crossing - 0.5))))
                odd[row, col] = not odd[row, col]
    for row in range(height):
        inside = False
        for col in range(width):
            inside ^= odd[row, col]
            near[row, col] |= inside
    return near


@njit(cache=True, nogil=True)
def _square_apart(row, col, y0, x0, y1, x1):  # type: ignore[no-untyped-def]
    """Square of the distance between the cell and a straight line. [cells]"""
    # Where the line enters and leaves the cell, as shares of its length.
    enters, leaves = 0.0, 1.0
    for start, along, low in ((y0, y1 - y0, row), (x0, x1 - x0, col)):
        if along == 0.0:
            if start < low or start > low + 1:
                leaves = -1.0
        else:
            one, other = (low - start) / along, (low + 1 - start) / along
            enters, leaves = max(enters, min(one, other)), min(leaves, max(one, other))
    if enters <= leaves:
        return 0.0
    # Else an end of the line is nearest to the cell, or a corner of the cell to the line.
    least = np.inf
    for y, x in ((y0, x0), (y1, x1)):
        down, across = max(row - y, 0.0, y - row - 1), max(col - x, 0.0, x - col - 1)
        least = min(least, down * down + across * across)
    square = (y1 - y0) ** 2 + (x1 - x0) ** 2
    if square > 0:
        for y, x in ((row, col), (row, col + 1), (row + 1, col), (row + 1, col + 1)):
            share = min(1.0, max(0.0, ((y - y0) * (y1 - y0) + (x - x0) * (x1 - x0)) / square))
            down, across = y0 + share * (y1 - y0) - y, x0 + share * (x1 - x0) - x
            least = min(least, down * down + across * across)
    return least


@njit(cache=True, nogil=True)
def _outlines(states, boxes, wanted):  # type: ignore[no-untyped-def]
    """Corners of all rings, one after the other: row, column, 1 at the end of a ring, number of its box, and of its part."""
    corners = np.empty((4096, 5), np.int64)
    size = 0
    begin = 0
    for box in range(len(boxes)):
        height, width = boxes[box, 1] - boxes[box, 0], boxes[box, 3] - boxes[box, 2]
        # A rim of other cells, so that every cell of the box has neighbours.
        inside = np.zeros((height + 2, width + 2), np.bool_)
        some = False
        for row in range(height):
            for col in range(width):
                if states[begin + row * width + col] == wanted:
                    inside[row + 1, col + 1] = True
                    some = True
        begin += height * width
        if not some:
            continue
        part = _parts(inside)
        seen = np.zeros((height + 2, width + 2), np.bool_)
        for row in range(1, height + 1):
            for col in range(1, width + 1):
                if not inside[row, col] or inside[row - 1, col] or seen[row, col]:
                    continue
                outline = _outline_from(inside, seen, row, col)
                for index in range(len(outline)):
                    if size == len(corners):
                        corners = _doubled(corners)
                    corners[size, 0] = outline[index, 0] - 1 + boxes[box, 0]
                    corners[size, 1] = outline[index, 1] - 1 + boxes[box, 2]
                    corners[size, 2] = outline[index, 2]
                    corners[size, 3] = box
                    corners[size, 4] = part[row, col]
                    size += 1
    return corners[:size]


@njit(cache=True, nogil=True)
def _doubled(array):  # type: ignore[no-untyped-def]
    rows, cols = array.shape
    bigger = np.empty((2 * rows, cols), np.int64)
    for row in range(rows):
        for col in range(cols):
            bigger[row, col] = array[row, col]
    return bigger


@njit(cache=True, nogil=True)
def _parts(inside):  # type: ignore[no-untyped-def]
    """Number of the part that each cell belongs to; cells of one part share edges. Nothing is inside on the rim."""
    rows, cols = inside.shape
    part = np.zeros((rows, cols), np.int64)
    stack = np.empty(rows * cols, np.int64)
    number = 0
    for row in range(rows):
        for col in range(cols):
            if not inside[row, col] or part[row, col]:
                continue
            number += 1
            part[row, col] = number
            stack[0] = row * cols + col
            size = 1
            while size > 0:
                size -= 1
                r, c = stack[size] // cols, stack[size] % cols
                for k in range(0, 8, 2):
                    a, b = r + STEP_ROW[k], c + STEP_COL[k]
                    if inside[a, b] and not part[a, b]:
                        part[a, b] = number
                        stack[size] = a * cols + b
                        size += 1
    return part


@njit(cache=True, nogil=True)
def _outline_from(inside, seen, row, col):  # type: ignore[no-untyped-def]
    """The outline on which the upper edge of this cell lies, cells inside to its left, as closed rings: row, column, 1 at a ring's end.

    Where it meets itself at a corner it is split, so that a polygon touches its holes but never crosses itself.
    """
    path = np.empty((64, 2), np.int64)
    rings = np.empty((64, 3), np.int64)
    steps, size = 0, 0
    r, c, way = row, col + 1, 2  # the corner, and east, north, west or south from it
    while True:
        if way == 2:
            seen[r, c - 1] = True
        r += STEP_ROW[2 * way]
        c += STEP_COL[2 * way]
        left_ahead = inside[r + _AHEAD_ROW[way], c + _AHEAD_COL[way]]
        right_ahead = inside[r + _AHEAD_ROW[way - 1], c + _AHEAD_COL[way - 1]]
        met = -1
        if not left_ahead and right_ahead:
            for index in range(steps):
                if path[index, 0] == r and path[index, 1] == c:
                    met = index
                    break
        if met >= 0:
            rings, size = _with_ring(rings, size, path, met, steps)
            steps = met + 1
        elif not left_ahead or right_ahead:
            if steps == len(path):
                path = _doubled(path)
            path[steps, 0] = r
            path[steps, 1] = c
            steps += 1
        if not left_ahead:
            way = (way + 1) & 3
        elif right_ahead:
            way = (way + 3) & 3
        if r == row and c == col + 1 and way == 2:
            rings, size = _with_ring(rings, size, path, 0, steps)
            return rings[:size]


@njit(cache=True, nogil=True)
def _with_ring(rings, size, path, first, steps):  # type: ignore[no-untyped-def]
    """Append the corners from `first` on, and the first once more."""
    while size + steps - first + 1 > len(rings):
        rings = _doubled(rings)
    for index in range(first, steps + 1):
        at = index if index < steps else first
        rings[size, 0] = path[at, 0]
        rings[size, 1] = path[at, 1]
        rings[size, 2] = 1 if index == steps else 0
        size += 1
    return rings, size
