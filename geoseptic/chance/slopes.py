"""The chance that ground is no steeper than a limit, where its heights are off by a correlated Gaussian error.

Slope is that of a fitted plane, or of differences between cells: both are linear in the heights, so an error of the heights adds a Gaussian
rise, of the same spread along both axes and independent between them, and the chance is a noncentral chi-square.
"""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from geoseptic.chance.closed import FARTHEST_SIGMAS, gaussian_within
from geoseptic.chance.draws import GroundError

Floats = npt.NDArray[np.float64]
Slopes = npt.NDArray[np.float32]

UNKNOWN: Final = 255

QUALITY_RMSE_M: Final = {"QL0": 0.05, "QL1": 0.10, "QL2": 0.10, "QL3": 0.20}
"""Greatest root mean square error of heights on open ground, by LiDAR quality level (usgs-lbs in data/references.toml). [m]"""


def rise_sigma(weights: Floats, rmse_m: float, correlation_m: float, cell_m: float) -> float:
    """Standard deviation of a sum of heights with these weights a metre, under errors of covariance rmse^2 exp(-distance / correlation).

    Parameters
    ----------
    weights : shape (rows, cols), of the cells round the one asked for. [1/m]
    rmse_m, correlation_m, cell_m : root mean square error, its correlation length and the side of a cell. [m]

    Returns
    -------
    float, rise over run.
    """
    rows, cols = (np.arange(-size + 1, size) * cell_m for size in weights.shape)
    pairs = signal.correlate2d(weights, weights)
    covariance = np.exp(-np.hypot(rows[:, None], cols) / correlation_m)
    return rmse_m * math.sqrt(max(0.0, float((pairs * covariance).sum())))


def plane_weights(half_cells: int, cell_m: float, first_cell: int | None = None) -> Floats:
    """Weights by which heights make the rise along columns of a fitted plane; from column `first_cell` of the window on, counted from its
    middle, where only these are known (default all). [1/m]"""
    offsets = np.arange(-half_cells if first_cell is None else first_cell, half_cells + 1, dtype=np.float64)
    offsets -= offsets.mean()
    rows = 2 * half_cells + 1
    return np.tile(offsets / (cell_m * rows * (offsets**2).sum()), (rows, 1))


def horn_weights(cell_m: float) -> Floats:
    """Those of Horn's finite difference. [1/m]"""
    return np.outer([1.0, 2.0, 1.0], [-1.0, 0.0, 1.0]) / (8.0 * cell_m)


def percent_from_slopes(limit_percent: float, sigma_percent: float) -> Floats:
    """Steepest slope at which the chance to be no steeper than the limit is still 1, 2, ... 99 percent; -1 where it is so on no ground.
    Shape (99,), descending. [percent]"""
    return steepest_of(np.arange(1, 100) / 100.0, limit_percent, sigma_percent)


def steepest_of(share: Floats, limit_percent: float, sigma_percent: float) -> Floats:
    """Steepest slope at which the chance to be no steeper than the limit is still that share, for each of them; -1 where it is so on no
    ground. Shape (shares,). [percent]"""
    low, high = np.zeros(len(share)), np.full(len(share), limit_percent + FARTHEST_SIGMAS * sigma_percent)
    for _ in range(60):
        middle = 0.5 * (low + high)
        enough = gaussian_within(middle, sigma_percent, limit_percent) >= share
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    never = gaussian_within(0.0, sigma_percent, limit_percent) < share
    return np.where(never, -1.0, low)


def steepest_over_patch(share: Floats, limit_percent: float, error: GroundError, weights: Floats, patch_m: float) -> Floats:
    """Steepest even ground that is no steeper than the limit all over a square patch with each of those chances; less than 0 where none is.

    Every patch of the error field is a draw, for ground that falls along rows and along columns: no closed form has the greatest of many
    correlated slopes.

    Parameters
    ----------
    share : chances from 0 to 1, shape (shares,). weights : by which heights make the rise, as of `plane_weights`. [1/m]
    patch_m : side of the patch. [m]

    Returns
    -------
    float64, shape (shares,). [percent]
    """
    field = np.fft.rfft2(error.values_m)
    along, across = (100.0 * _summed(field, one, error.values_m.shape) for one in (weights, weights.T))
    side_cells = max(1, math.ceil(patch_m / error.cell_m))
    most = []
    for own, other in ((along, across), (across, along)):
        each = np.where(np.abs(other) <= limit_percent, np.sqrt(np.maximum(limit_percent**2 - other**2, 0.0)) - own, -1.0)
        most.append(ndimage.minimum_filter(np.maximum(each, -1.0), size=side_cells, mode="wrap"))
    found: Floats = np.quantile(np.array(most), 1.0 - share, method="lower")
    return found


def _summed(field: npt.NDArray[np.complex128], weights: Floats, shape: tuple[int, ...]) -> Floats:
    """Sums with these weights round each cell of a periodic field, which is given by its transform."""
    spread = np.zeros(shape)
    spread[: weights.shape[0], : weights.shape[1]] = weights
    found: Floats = np.fft.irfft2(field * np.conj(np.fft.rfft2(spread)), s=shape)
    return found


def slope_chance(slope_percent: Slopes, limit_percent: float, sigma_percent: float) -> npt.NDArray[np.uint8]:
    """Chance in percent that the ground is no steeper than the limit; 0 and 100 of certainty alone, 255 where the slope is unknown."""
    found = np.full(slope_percent.shape, UNKNOWN, np.uint8)
    known = ~np.isnan(slope_percent)
    slope = slope_percent[known].astype(np.float64)
    if sigma_percent <= 0:
        found[known] = np.where(slope <= limit_percent, 100, 0)
        return found
    reach = FARTHEST_SIGMAS * sigma_percent
    ascending = percent_from_slopes(limit_percent, sigma_percent)[::-1]
    percent = np.clip(99 - np.searchsorted(ascending, slope, side="left"), 1, 99)
    percent[slope + reach < limit_percent] = 100
    percent[slope - reach >= limit_percent] = 0
    found[known] = percent.astype(np.uint8)
    return found
