"""In which draws a drawn rectangle keeps every distance: exact distances from the lot's line, from what moves with the buildings and from
wells, for many draws at once."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit

from geoseptic.model.frame import Geometries

TO_SPARE_M = 1e-6
"""A distance counts as kept where it is longer by so much: far more than what coordinates of a map round off."""

Floats = npt.NDArray[np.float64]


class Outlines(NamedTuple):
    """Shapes by their lines: shape k has the lines `shape[k]:shape[k + 1]`, line j the corners `line[j]:line[j + 1]`. A point is a line of
    two equal corners. `keep_m` : how far to stay off each shape. [m]"""

    x: Floats
    y: Floats
    line: npt.NDArray[np.int64]
    shape: npt.NDArray[np.int64]
    keep_m: Floats


def outlines_of(shapes_m: Geometries, keep_m: npt.ArrayLike) -> Outlines:
    """The lines of each shape, of areas all rings."""
    lines: list[Floats] = []
    shape = [0]
    for one in shapes_m:
        for part in shapely.get_parts(one):
            pieces = shapely.get_rings(part) if shapely.get_dimensions(part) == 2 else [part]
            for piece in pieces:
                xy = shapely.get_coordinates(piece)
                lines.append(xy if len(xy) > 1 else np.repeat(xy, 2, axis=0))
        shape.append(len(lines))
    xy = np.concatenate(lines) if lines else np.empty((0, 2))
    line = np.concatenate([[0], np.cumsum([len(one) for one in lines])]).astype(np.int64)
    distances_m = np.broadcast_to(np.asarray(keep_m, np.float64), (len(shapes_m),)).copy()
    return Outlines(np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]), line, np.array(shape, np.int64), distances_m)


class Box(NamedTuple):
    """A rectangle: middle, cosine and sine of the direction of its length, half of its length and width. [m]"""

    x: float
    y: float
    cosine: float
    sine: float
    along: float
    across: float


def box_of(rectangle: shapely.Polygon) -> Box:
    """A drawn rectangle by its corners."""
    corners = shapely.get_coordinates(rectangle)[:4]
    side, other = corners[1] - corners[0], corners[3] - corners[0]
    length, width = float(np.hypot(*side)), float(np.hypot(*other))
    middle = corners.mean(axis=0)
    return Box(float(middle[0]), float(middle[1]), float(side[0] / length), float(side[1] / length), length / 2, width / 2)


@njit(cache=True, nogil=True)
def keeps(box, lot, things, wells_m, wells_keep_m, lot_shifts_m, thing_shifts_m, asked):  # type: ignore[no-untyped-def]
    """In which of the draws the rectangle keeps every distance, bool (draws,); False where not `asked`.

    Parameters
    ----------
    lot : `Outlines` of the lot alone, which the rectangle must be inside of. things : of what it must be outside of.
    wells_m, wells_keep_m : places (draws, wells, 2) and distances (wells,). [m]
    lot_shifts_m, thing_shifts_m : by how much the lot, and all things, are shifted in each draw, (draws, 2). [m]
    """
    out = np.zeros(asked.size, np.bool_)
    shapes = things.shape.size - 1
    lot_m = _to_lines(box, lot, 0, 0.0, 0.0)
    if not _inside(box, lot, 0, 0.0, 0.0):
        lot_m = -lot_m
    things_m = np.empty(shapes)
    for k in range(shapes):
        things_m[k] = _apart(box, things, k, 0.0, 0.0)
    for draw in range(asked.size):
        if not asked[draw]:
            continue
        good = True
        for well in range(wells_keep_m.size):
            u, v = _turned(box, wells_m[draw, well, 0], wells_m[draw, well, 1])
            if not math.hypot(max(abs(u) - box.along, 0.0), max(abs(v) - box.across, 0.0)) > wells_keep_m[well] + TO_SPARE_M:
                good = False
                break
        if not good:
            continue
        # No distance changes by more than the shift: most draws are decided by those without any.
        x, y = lot_shifts_m[draw, 0], lot_shifts_m[draw, 1]
        shift, asks = math.hypot(x, y), lot.keep_m[0] + TO_SPARE_M
        if not lot_m - shift > asks:
            if lot_m + shift <= asks:
                continue
            if not (_to_lines(box, lot, 0, x, y) > asks and _inside(box, lot, 0, x, y)):
                continue
        x, y = thing_shifts_m[draw, 0], thing_shifts_m[draw, 1]
        shift = math.hypot(x, y)
        for k in range(shapes):
            asks = things.keep_m[k] + TO_SPARE_M
            if not things_m[k] - shift > asks and (things_m[k] + shift <= asks or not _apart(box, things, k, x, y) > asks):
                good = False
                break
        out[draw] = good
    return out


@njit(cache=True, nogil=True)
def _turned(box, x, y):  # type: ignore[no-untyped-def]
    """A point seen from the rectangle's middle along its sides."""
    return (x - box.x) * box.cosine + (y - box.y) * box.sine, (y - box.y) * box.cosine - (x - box.x) * box.sine


@njit(cache=True, nogil=True)
def _apart(box, outlines, shape, x, y):  # type: ignore[no-untyped-def]
    """Distance of the rectangle from a shape that is shifted by (x, y); 0 where one holds the other. [m]"""
    return 0.0 if _inside(box, outlines, shape, x, y) else _to_lines(box, outlines, shape, x, y)


@njit(cache=True, nogil=True)
def _inside(box, outlines, shape, x, y):  # type: ignore[no-untyped-def]
    """Whether the rectangle's middle lies inside a shape that is shifted by (x, y), by crossing in and out."""
    odd = False
    at_x, at_y = box.x - x, box.y - y
    for line in range(outlines.shape[shape], outlines.shape[shape + 1]):
        for k in range(outlines.line[line], outlines.line[line + 1] - 1):
            y_0, y_1 = outlines.y[k], outlines.y[k + 1]
            if (y_0 > at_y) != (y_1 > at_y):
                odd ^= at_x < outlines.x[k] + (at_y - y_0) * (outlines.x[k + 1] - outlines.x[k]) / (y_1 - y_0)
    return odd


@njit(cache=True, nogil=True)
def _to_lines(box, outlines, shape, x, y):  # type: ignore[no-untyped-def]
    """Distance of the rectangle from the lines of a shape that is shifted by (x, y); 0 where they meet, infinite without lines. [m]"""
    least = np.inf
    for line in range(outlines.shape[shape], outlines.shape[shape + 1]):
        first, last = outlines.line[line], outlines.line[line + 1]
        u_0, v_0 = _turned(box, outlines.x[first] + x, outlines.y[first] + y)
        for k in range(first + 1, last):
            u_1, v_1 = _turned(box, outlines.x[k] + x, outlines.y[k] + y)
            # Nearer than this the whole piece cannot be.
            far_u = max(min(u_0, u_1) - box.along, -max(u_0, u_1) - box.along, 0.0)
            far_v = max(min(v_0, v_1) - box.across, -max(v_0, v_1) - box.across, 0.0)
            if far_u * far_u + far_v * far_v < least * least:
                least = min(least, _to_piece(u_0, v_0, u_1, v_1, box.along, box.across))
            u_0, v_0 = u_1, v_1
    return least


@njit(cache=True, nogil=True)
def _to_piece(u_0, v_0, u_1, v_1, along, across):  # type: ignore[no-untyped-def]
    """Distance of the rectangle about the origin from a piece of line, 0 where they meet."""
    if _meets(u_0, v_0, u_1, v_1, along, across):
        return 0.0
    least = min(
        math.hypot(max(abs(u_0) - along, 0.0), max(abs(v_0) - across, 0.0)),
        math.hypot(max(abs(u_1) - along, 0.0), max(abs(v_1) - across, 0.0)),
    )
    du, dv = u_1 - u_0, v_1 - v_0
    squared = du * du + dv * dv
    if squared > 0.0:
        for u in (-along, along):
            for v in (-across, across):
                share = min(1.0, max(0.0, ((u - u_0) * du + (v - v_0) * dv) / squared))
                least = min(least, math.hypot(u_0 + share * du - u, v_0 + share * dv - v))
    return least


@njit(cache=True, nogil=True)
def _meets(u_0, v_0, u_1, v_1, along, across):  # type: ignore[no-untyped-def]
    """Whether a piece of line and the rectangle about the origin have a point in common (Liang and Barsky 1984, from memory)."""
    enters, leaves = 0.0, 1.0
    for start, step, half in ((u_0, u_1 - u_0, along), (v_0, v_1 - v_0, across)):
        if step == 0.0:
            if abs(start) > half:
                return False
            continue
        one, two = (-half - start) / step, (half - start) / step
        enters, leaves = max(enters, min(one, two)), min(leaves, max(one, two))
    return enters <= leaves
