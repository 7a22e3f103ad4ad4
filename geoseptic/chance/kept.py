"""In which draws a drawn rectangle keeps every distance: exact distances from the lot's line, from what moves with the buildings and from
wells, for many draws at once."""

import math
from collections.abc import Sequence
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


class Around(NamedTuple):
    """What a rectangle keeps clear of in every draw.

    lot : `Outlines` of the lot alone, which the rectangle must be inside of. things : of what it must be outside of.
    wells_m, wells_keep_m : places (draws, wells, 2) and distances (wells,). [m]
    lot_shifts_m, thing_shifts_m : by how much the lot, and all things, are shifted in each draw, (draws, 2). [m]
    """

    lot: Outlines
    things: Outlines
    wells_m: Floats
    wells_keep_m: Floats
    lot_shifts_m: Floats
    thing_shifts_m: Floats


def table_of(boxes: Sequence[Box | None]) -> Floats:
    """Rectangles by their numbers, (boxes, 6); NaN for none."""
    none = (math.nan,) * len(Box._fields)
    return np.array([none if one is None else one for one in boxes], np.float64).reshape(-1, len(Box._fields))


@njit(cache=True, nogil=True)
def keeps(box, around, asked):  # type: ignore[no-untyped-def]
    """In which of the draws the rectangle keeps every distance, bool (draws,); False where not `asked`. `around` as of `Around`."""
    out = asked.copy()
    for well in range(around.wells_keep_m.size):
        _keep_well(box, around.wells_m, well, around.wells_keep_m[well], out)
    _keep_line(box, around.lot, around.lot_shifts_m, out)
    _keep_things(box, around.things, around.thing_shifts_m, out)
    return out


@njit(cache=True, nogil=True)
def hold(fields, reserves, kinds, round_field, round_reserve, held):  # type: ignore[no-untyped-def]
    """Raise what is `held` in each draw, (draws,), by layouts in their order: 1 where their field keeps every distance, and their own kind
    where their reserve does as well; whether each of them still did so for any draw, bool (layouts,).

    Parameters
    ----------
    fields, reserves : `table_of` their rectangles, none for a reserve that they have not. kinds : what each holds, (layouts,).
    """
    used = np.zeros(kinds.size, np.bool_)
    for k in range(kinds.size):
        kept = keeps(_box(fields, k), round_field, held < kinds[k])
        both = kept if np.isnan(reserves[k, 0]) else keeps(_box(reserves, k), round_reserve, kept)
        for draw in range(held.size):
            if both[draw]:
                held[draw], used[k] = kinds[k], True
            elif kept[draw]:
                held[draw] = max(held[draw], 1)
    return used


@njit(cache=True, nogil=True)
def kept_bits(fields, reserves, round_field, round_reserve, first):  # type: ignore[no-untyped-def]
    """In which draws each layout keeps its distances from each thing: its lot's line, all buildings, each well, uint64 (things, draws);
    one bit for each layout, from the `first` on. Layouts as of `hold`."""
    draws, wells = round_field.wells_m.shape[:2]
    bits = np.zeros((2 + wells, draws), np.uint64)
    for k in range(fields.shape[0]):
        kept = np.ones((2 + wells, draws), np.bool_)
        _keep_each(_box(fields, k), round_field, kept)
        if not np.isnan(reserves[k, 0]):
            _keep_each(_box(reserves, k), round_reserve, kept)
        bit = np.uint64(1) << np.uint64(first + k)
        for thing in range(2 + wells):
            for draw in range(draws):
                if kept[thing, draw]:
                    bits[thing, draw] |= bit
    return bits


@njit(cache=True, nogil=True)
def _box(table, k):  # type: ignore[no-untyped-def]
    return Box(table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5])


@njit(cache=True, nogil=True)
def _keep_each(box, around, kept):  # type: ignore[no-untyped-def]
    _keep_line(box, around.lot, around.lot_shifts_m, kept[0])
    _keep_things(box, around.things, around.thing_shifts_m, kept[1])
    for well in range(around.wells_keep_m.size):
        _keep_well(box, around.wells_m, well, around.wells_keep_m[well], kept[2 + well])


@njit(cache=True, nogil=True)
def _keep_well(box, wells_m, well, keep_m, out):  # type: ignore[no-untyped-def]
    """Leave the draws in which the rectangle keeps its distance from a well."""
    asks = keep_m + TO_SPARE_M
    for draw in range(out.size):
        if out[draw]:
            u, v = _turned(box, wells_m[draw, well, 0], wells_m[draw, well, 1])
            out[draw] = _length(max(abs(u) - box.along, 0.0), max(abs(v) - box.across, 0.0)) > asks


@njit(cache=True, nogil=True)
def _keep_line(box, lot, shifts_m, out):  # type: ignore[no-untyped-def]
    """Leave the draws in which the rectangle keeps its distance from the lot's line, inside it."""
    away_m, asks = _to_lines(box, lot, 0, 0.0, 0.0), lot.keep_m[0] + TO_SPARE_M
    if not _inside(box, lot, 0, 0.0, 0.0):
        away_m = -away_m
    for draw in range(out.size):
        if out[draw]:
            # No distance changes by more than the shift: most draws are decided by that.
            x, y = shifts_m[draw, 0], shifts_m[draw, 1]
            shift = _length(x, y)
            if not away_m - shift > asks:
                out[draw] = away_m + shift > asks and _to_lines(box, lot, 0, x, y) > asks and _inside(box, lot, 0, x, y)


@njit(cache=True, nogil=True)
def _keep_things(box, things, shifts_m, out):  # type: ignore[no-untyped-def]
    """Leave the draws in which the rectangle keeps its distance from all things."""
    for k in range(things.shape.size - 1):
        away_m, asks = _apart(box, things, k, 0.0, 0.0), things.keep_m[k] + TO_SPARE_M
        for draw in range(out.size):
            if out[draw]:
                x, y = shifts_m[draw, 0], shifts_m[draw, 1]
                shift = _length(x, y)
                if not away_m - shift > asks:
                    out[draw] = away_m + shift > asks and _apart(box, things, k, x, y) > asks


@njit(cache=True, nogil=True)
def _length(x, y):  # type: ignore[no-untyped-def]
    return math.sqrt(x * x + y * y)


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
        _length(max(abs(u_0) - along, 0.0), max(abs(v_0) - across, 0.0)),
        _length(max(abs(u_1) - along, 0.0), max(abs(v_1) - across, 0.0)),
    )
    du, dv = u_1 - u_0, v_1 - v_0
    squared = du * du + dv * dv
    if squared > 0.0:
        for u in (-along, along):
            for v in (-across, across):
                share = min(1.0, max(0.0, ((u - u_0) * du + (v - v_0) * dv) / squared))
                least = min(least, _length(u_0 + share * du - u, v_0 + share * dv - v))
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
