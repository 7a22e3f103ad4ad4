"""Coarser copies of a raster, each half as large as the one before, for zooming out."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.model.planes import Plane, Values
from geoseptic.terrain.windows import Window

Method = Literal["mean", "mode", "nearest"]

SMALLEST: Final = 512
"""A raster with no side longer than this needs no coarser copy: it is one tile."""

STRIP_CELLS: Final = 4_000_000
"""Cells read at a time."""

ROUNDING: Final = 1e-8
"""How far off a whole number the edge of a coarse cell may come out, in fine cells."""

Counts = npt.NDArray[np.int64]
Shares = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spans:
    """How coarse rows or columns lie on fine ones: the first and the one after the last, which share of these two, and the middle one."""

    first: Counts
    stop: Counts
    share: Shares
    middle: Counts


def shapes(shape: tuple[int, int]) -> list[tuple[int, int]]:
    """Rows and columns of every coarser copy that a Cloud Optimized GeoTIFF of `shape` has, the finest first."""
    found, factor = [], 1
    while max(shape) // factor > SMALLEST:
        factor *= 2
        found.append((max(1, shape[0] // factor), max(1, shape[1] // factor)))
    return found


def halve(fine: Plane, coarse: Plane, method: Method) -> None:
    """Fill `coarse`, which has half the rows and columns of `fine`, rounded down, and at least one.

    A coarse cell stands for the fine ones that it lies on: with an odd number of rows it is a little more than two rows high, and lies on
    three. "mean" leaves NaN out and weighs fine cells by how much of them is covered; "mode" is the commonest value, the one
    that comes to its number first where several are as common, and counts every value, so unknown too; "nearest" takes the fine cell
    under the middle, the upper left of four. These are the results of GDAL's own methods, but that GDAL's mode leaves nodata out.
    """
    height = max(1, STRIP_CELLS // fine.shape[1] // 2)
    for top in range(0, coarse.shape[0], height):
        part = slice(top, min(top + height, coarse.shape[0])), slice(0, coarse.shape[1])
        under, spans = beneath(fine.shape, coarse.shape, part)
        coarse.write(*part, halved(fine.read(*under), spans, method))


def beneath(fine: tuple[int, int], coarse: tuple[int, int], part: Window) -> tuple[Window, tuple[Spans, Spans]]:
    """The window of the fine raster on which a window of the coarse one lies, and how, each by its shape."""
    windows, spans = [], []
    for old, new, own in zip(fine, coarse, part, strict=True):
        first, stop, share = _spans(old, new)
        start = int(first[own][0])
        windows.append(slice(start, int(stop[own][-1])))
        spans.append(Spans(first[own] - start, stop[own] - start, share[own], _middles(old, new)[own] - start))
    return (windows[0], windows[1]), (spans[0], spans[1])


def halved(values: Values, spans: tuple[Spans, Spans], method: Method) -> Values:
    """The coarse cells that lie so on these fine ones."""
    rows, cols = spans
    if method == "nearest":
        return values[rows.middle][:, cols.middle]
    own = (rows.first, rows.stop, rows.share), (cols.first, cols.stop, cols.share)
    made: Values = (_means if method == "mean" else _modes)(values, *own)
    return made


@lru_cache(64)
def _spans(old: int, new: int) -> tuple[Counts, Counts, Shares]:
    """First fine cell and the one after the last that each coarse cell lies on, and which share of these two it covers."""
    edges = np.arange(new + 1) * (old / new)
    first = np.floor(edges[:-1] + ROUNDING).astype(np.int64)
    stop = np.minimum(np.ceil(edges[1:] - ROUNDING).astype(np.int64), old)
    shares = np.column_stack([1 - (edges[:-1] - first), 1 - (stop - edges[1:])])
    return first, stop, np.clip(np.where(np.abs(shares - 1) <= ROUNDING, 1.0, shares), 0.0, 1.0)


def _middles(old: int, new: int) -> Counts:
    """The fine cell that stands for each coarse one."""
    found: Counts = np.minimum((0.5 + np.arange(new) * (old / new)).astype(np.int64), old - 1)
    return found


@njit(cache=True, nogil=True)
def _means(values: Any, rows: Any, cols: Any) -> Any:
    row_first, row_stop, row_share = rows
    col_first, col_stop, col_share = cols
    out = np.empty((row_first.size, col_first.size), values.dtype)
    for row in range(row_first.size):
        top, bottom = row_first[row], row_stop[row]
        two_rows = bottom - top == 2 and row_share[row, 0] == 1.0 and row_share[row, 1] == 1.0
        for col in range(col_first.size):
            left, right = col_first[col], col_stop[col]
            if two_rows and right - left == 2 and col_share[col, 0] == 1.0 and col_share[col, 1] == 1.0:
                four = np.float64(values[top, left]) + values[top, left + 1] + values[top + 1, left] + values[top + 1, left + 1]
                if not np.isnan(four):
                    out[row, col] = four / 4
                    continue
            if bottom - top == 3 and right - left == 3:
                nine = weight = 0.0
                for i in range(3):
                    down = row_share[row, 0] if i == 0 else (row_share[row, 1] if i == 2 else 1.0)
                    a, b, c = values[top + i, left], values[top + i, left + 1], values[top + i, left + 2]
                    nine += down * (col_share[col, 0] * a + b + col_share[col, 1] * c)
                    weight += down * (col_share[col, 0] + 1.0 + col_share[col, 1])
                if not np.isnan(nine):
                    out[row, col] = nine / weight
                    continue
            total = weight = 0.0
            for i in range(top, bottom):
                down = row_share[row, 0] if i == top else (row_share[row, 1] if i == bottom - 1 else 1.0)
                for j in range(left, right):
                    value = np.float64(values[i, j])
                    if np.isnan(value):
                        continue
                    along = col_share[col, 0] if j == left else (col_share[col, 1] if j == right - 1 else 1.0)
                    total += down * along * value
                    weight += down * along
            out[row, col] = total / weight if weight > 0 else np.nan
    return out


@njit(cache=True, nogil=True)
def _modes(values: Any, rows: Any, cols: Any) -> Any:
    row_first, row_stop, _ = rows
    col_first, col_stop, _ = cols
    out = np.empty((row_first.size, col_first.size), values.dtype)
    for row in range(row_first.size):
        top, bottom = row_first[row], row_stop[row]
        for col in range(col_first.size):
            left, right = col_first[col], col_stop[col]
            commonest = values[top, left]
            if bottom - top == 2 and right - left == 2:
                a, b, c, d = values[top, left], values[top, left + 1], values[top + 1, left], values[top + 1, left + 1]
                if a != b:
                    if c in (a, b):
                        commonest = c
                    elif d in (b, c):
                        commonest = d
            else:
                half = (bottom - top) * (right - left) // 2
                if _votes(values, top, bottom, left, right, commonest) <= half:
                    commonest = _leading(values, top, bottom, left, right)
                    if _votes(values, top, bottom, left, right, commonest) <= half:
                        commonest = _first_commonest(values, top, bottom, left, right)
            out[row, col] = commonest
    return out


@njit(cache=True, nogil=True, inline="always")
def _votes(values: Any, top: int, bottom: int, left: int, right: int, value: Any) -> int:
    """How many of these cells have this value."""
    found = 0
    for i in range(top, bottom):
        for j in range(left, right):
            found += values[i, j] == value
    return found


@njit(cache=True, nogil=True)
def _leading(values: Any, top: int, bottom: int, left: int, right: int) -> Any:
    """The value that more than half of these cells have, if there is one (Boyer and Moore 1991, majority vote)."""
    leading, ahead = values[top, left], 0
    for i in range(top, bottom):
        for j in range(left, right):
            if values[i, j] == leading:
                ahead += 1
            elif ahead == 0:
                leading, ahead = values[i, j], 1
            else:
                ahead -= 1
    return leading


@njit(cache=True, nogil=True)
def _first_commonest(values: Any, top: int, bottom: int, left: int, right: int) -> Any:
    """The commonest of these values; of several the one that comes to its number first."""
    commonest, most = values[top, left], 0
    for i in range(top, bottom):
        for j in range(left, right):
            so_far = 0
            for k in range(top, i + 1):
                for m in range(left, right if k < i else j + 1):
                    so_far += values[k, m] == values[i, j]
            if so_far > most:
                commonest, most = values[i, j], so_far
    return commonest
