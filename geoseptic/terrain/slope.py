"""Slope of the ground: a plane fitted over the size of a drain field, or the usual 3 x 3 finite difference."""

import math

import numpy as np
import numpy.typing as npt
from numba import njit, prange

Floats = npt.NDArray[np.float32]

LEAST_KNOWN_SHARE = 0.5
"""A plane is fitted where at least this share of its window is known; below it the slope is unknown."""


def plane_slope_percent(elevation_m: Floats, cell_size_m: float, window_m: float) -> Floats:
    """Slope of the least-squares plane over a square window round every cell.

    A drain field lies on ground some 10 m wide, not on one cell: at 1 m cells, 10 cm of noise makes level ground read 5 percent by finite
    differences, and less than half a percent by a 15 m plane. Every cell is computed from its own window alone, in one fixed order, so a
    tile with a halo of `halo_cells` gives the same bits as the whole.

    Parameters
    ----------
    elevation_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    cell_size_m : float
        Side of a square cell, greater than zero. [m]
    window_m : float
        Side of the window; rounded to an odd number of cells, at least 3. [m]

    Returns
    -------
    float32 array, shape (rows, cols)
        Rise over run times 100; NaN where the cell itself or more than half of its window is unknown. [percent]
    """
    half_cells = half_window_cells(cell_size_m, window_m)
    return _plane_slope(np.ascontiguousarray(elevation_m, np.float32), float(cell_size_m), half_cells, LEAST_KNOWN_SHARE)


def half_window_cells(cell_size_m: float, window_m: float) -> int:
    """Cells from the middle of the fitting window to its edge."""
    return max(1, round((window_m / cell_size_m - 1) / 2))


def halo_cells(cell_size_m: float, window_m: float | None) -> int:
    """How many cells round a window its slopes hang on: by a plane over `window_m`, or by finite difference where that is None."""
    return 1 if window_m is None else half_window_cells(cell_size_m, window_m)


def horn_slope_percent(elevation_m: Floats, cell_size_m: float) -> Floats:
    """Slope by Horn's third-order finite difference over the eight neighbours.

    Parameters and result as `plane_slope_percent`; NaN at the border and wherever one of the nine cells is unknown, as
    general-purpose GIS tools do.

    References
    ----------
    horn1981; key in data/references.toml.
    """
    return _horn_slope(np.ascontiguousarray(elevation_m, np.float32), float(cell_size_m))


def rounded_up(slope: Floats, steps_a_percent: int) -> Floats:
    """Slopes in whole steps, `steps_a_percent` to a percent, changed in place: none reads gentler than it is.

    Where the number of steps is a power of two and a limit is a whole number of them, a slope is above it after this if and only if it was
    before.
    """
    _round_up(slope, np.float32(steps_a_percent))
    return slope


def classed(slope: Floats, limits: tuple[float, float, float], codes: tuple[int, int, int, int, int]) -> npt.NDArray[np.uint8]:
    """One of five codes for every cell: below the first limit, up to the second, above it, above the third whatever the others, unknown.

    Limits are held against slopes in the type of these.
    """
    return _classed(slope, np.array(limits, slope.dtype), np.array(codes, np.uint8))


@njit(cache=True, nogil=True)
def _classed(slope, limits, codes):  # type: ignore[no-untyped-def]
    rows, cols = slope.shape
    out = np.empty((rows, cols), np.uint8)
    for row in range(rows):
        for col in range(cols):
            value = slope[row, col]
            code = codes[0] if value < limits[0] else codes[1]
            code = codes[2] if value > limits[1] else code
            code = codes[3] if value > limits[2] else code
            out[row, col] = codes[4] if np.isnan(value) else code
    return out


@njit(cache=True, nogil=True)
def _round_up(slope, steps):  # type: ignore[no-untyped-def]
    rows, cols = slope.shape
    for row in range(rows):
        for col in range(cols):
            slope[row, col] = np.ceil(slope[row, col] * steps) / steps


@njit(parallel=True, cache=True, nogil=True)
def _plane_slope(z, cell, half, least_share):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    side = 2 * half + 1
    spread = 0.0
    for j in range(-half, half + 1):
        spread += j * j
    scale = 100.0 / (cell * side * spread)
    out = np.empty((rows, cols), np.float32)
    for row in prange(rows):
        sum_z = np.zeros(cols + 2 * half)
        sum_yz = np.zeros(cols + 2 * half)
        inner_z, inner_yz = sum_z[half : half + cols], sum_yz[half : half + cols]
        if row >= half and row < rows - half:
            for j in range(-half, half + 1):
                beside = z[row + j]
                for col in range(cols):
                    value = np.float64(beside[col])
                    inner_z[col] += value
                    inner_yz[col] += j * value
        else:
            sum_z[:] = np.nan
        sum_z[:half] = np.nan
        sum_z[cols + half :] = np.nan
        # Offset by offset for all columns: the compiler then handles several cells at a time, and each cell's sum keeps its order.
        rise_x = np.zeros(cols)
        rise_y = np.zeros(cols)
        for i in range(side):
            weight = np.float64(i - half)
            column_z, column_yz = sum_z[i : i + cols], sum_yz[i : i + cols]
            for col in range(cols):
                rise_x[col] += weight * column_z[col]
                rise_y[col] += column_yz[col]
        slopes = out[row]
        for col in range(cols):
            slopes[col] = np.sqrt(rise_x[col] * rise_x[col] + rise_y[col] * rise_y[col]) * scale
        for col in range(cols):
            if np.isnan(out[row, col]) and not np.isnan(z[row, col]):
                # numba counts a parallel loop in unsigned numbers, whose negative would be huge.
                out[row, col] = _plane_slope_with_gaps(z, np.int64(row), col, half, cell, least_share)
    return out


@njit(cache=True, nogil=True)
def plane_at(z, row, col, half, least_share):  # type: ignore[no-untyped-def]
    """The plane fitted round one cell from what is known of its window, for use in other kernels.

    Returns the plane's height at the cell and its rise a cell along columns and along rows, in the unit of `z`; three NaN outside the
    raster, where the cell is unknown, and where less than `least_share` of the window is known.
    """
    rows, cols = z.shape
    if row < 0 or col < 0 or row >= rows or col >= cols or np.isnan(z[row, col]):
        return np.nan, np.nan, np.nan
    base = np.float64(z[row, col])
    n = 0
    sx = sy = sz = sxx = sxy = syy = sxz = syz = 0.0
    for j in range(max(-half, -row), min(half, rows - 1 - row) + 1):
        for i in range(max(-half, -col), min(half, cols - 1 - col) + 1):
            value = np.float64(z[row + j, col + i])
            if np.isnan(value):
                continue
            value -= base
            n += 1
            sx += i
            sy += j
            sz += value
            sxx += i * i
            sxy += i * j
            syy += j * j
            sxz += i * value
            syz += j * value
    if n < least_share * (2 * half + 1) ** 2:
        return np.nan, np.nan, np.nan
    cxx = sxx - sx * sx / n
    cxy = sxy - sx * sy / n
    cyy = syy - sy * sy / n
    cxz = sxz - sx * sz / n
    cyz = syz - sy * sz / n
    determinant = cxx * cyy - cxy * cxy
    if determinant <= 1e-9 * cxx * cyy or cxx <= 0.0 or cyy <= 0.0:
        return np.nan, np.nan, np.nan
    along = (cxz * cyy - cyz * cxy) / determinant
    down = (cyz * cxx - cxz * cxy) / determinant
    return base + (sz - along * sx - down * sy) / n, along, down


@njit(cache=True, nogil=True)
def _plane_slope_with_gaps(z, row, col, half, cell, least_share):  # type: ignore[no-untyped-def]
    _, along, down = plane_at(z, row, col, half, least_share)
    return 100.0 * math.sqrt(along * along + down * down) / cell


@njit(parallel=True, cache=True, nogil=True)
def _horn_slope(z, cell):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    out = np.full((rows, cols), np.nan, np.float32)
    for row in prange(1, rows - 1):
        for col in range(1, cols - 1):
            if np.isnan(z[row, col]):
                continue
            nw, n, ne = np.float64(z[row - 1, col - 1]), np.float64(z[row - 1, col]), np.float64(z[row - 1, col + 1])
            w, e = np.float64(z[row, col - 1]), np.float64(z[row, col + 1])
            sw, s, se = np.float64(z[row + 1, col - 1]), np.float64(z[row + 1, col]), np.float64(z[row + 1, col + 1])
            rise_x = ((ne + 2 * e + se) - (nw + 2 * w + sw)) / (8 * cell)
            rise_y = ((sw + 2 * s + se) - (nw + 2 * n + ne)) / (8 * cell)
            out[row, col] = 100.0 * math.sqrt(rise_x * rise_x + rise_y * rise_y)
    return out


@njit(cache=True, nogil=True)
def planes_at(z, rows, cols, half, least_share):  # type: ignore[no-untyped-def]
    """Planes of `plane_at` at several cells: height, rise a cell along columns and along rows; float64 array of shape (n, 3)."""
    out = np.empty((rows.size, 3), np.float64)
    for number in range(rows.size):
        out[number, 0], out[number, 1], out[number, 2] = plane_at(z, rows[number], cols[number], half, least_share)
    return out
