"""The chance that ground is no steeper than a limit, where its heights are off by a correlated Gaussian error.

Slope is that of a fitted plane, or of differences between cells: both are linear in the heights, so an error of the heights adds a Gaussian
rise, of the same spread along both axes and independent between them, and the chance is a noncentral chi-square.
"""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import signal

from geoseptic.chance.closed import FARTHEST_SIGMAS, gaussian_within

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
    share = np.arange(1, 100) / 100.0
    low, high = np.zeros(99), np.full(99, limit_percent + FARTHEST_SIGMAS * sigma_percent)
    for _ in range(60):
        middle = 0.5 * (low + high)
        enough = gaussian_within(middle, sigma_percent, limit_percent) >= share
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    never = gaussian_within(0.0, sigma_percent, limit_percent) < share
    return np.where(never, -1.0, low)


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
