"""Contours of the smoothed ground for a sheet."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from contourpy import LineType, contour_generator
from scipy.ndimage import uniform_filter

from geoseptic.model.grid import Raster
from geoseptic.units import metres_per

STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""Intervals between contours, in the unit of the sheet."""

MOST_LINES: Final = 12
"""Contours over the relief of a lot: more of them only darken the sheet."""

INDEX: Final = 5
"""Each so many of the intervals is drawn stronger and has its height beside it."""


@dataclass(frozen=True)
class Contours:
    """Lines of equal height. `interval` and heights are in the unit of the sheet; `note` says how they were made, or why there are none."""

    lines: tuple[tuple[float, shapely.Geometry], ...]
    interval: float
    note: str

    def is_index(self, height: float) -> bool:
        return round(height / self.interval) % INDEX == 0


def no_contours(why: str) -> Contours:
    return Contours((), 1.0, f"No contours are drawn: {why}.")


def contours_of(heights: Raster, window_m: float, unit: str) -> Contours:
    """Contours of heights smoothed by their mean over squares of `window_m`; nothing is drawn where heights are unknown nearby."""
    smooth_m = smoothed(heights.values, window_m, heights.grid.cell_size_m)
    known = np.isfinite(smooth_m)
    if known.sum() < 4:
        return no_contours("the heights of the ground are not known there")
    level = smooth_m.astype(np.float64) / metres_per(unit)
    low, high = float(np.nanmin(level)), float(np.nanmax(level))
    interval = next((step for step in STEPS if (high - low) / step <= MOST_LINES), STEPS[-1])
    left, _, _, top = heights.grid.bounds_m
    side = heights.grid.cell_size_m
    rows, columns = level.shape
    x, y = left + (np.arange(columns) + 0.5) * side, top - (np.arange(rows) + 0.5) * side
    draw = contour_generator(x, y, np.ma.masked_invalid(level), line_type=LineType.Separate)
    lines = []
    for step in range(int(np.ceil(low / interval)), int(np.floor(high / interval)) + 1):
        parts = [part for part in draw.lines(step * interval) if len(part) > 1]
        if parts:
            lines.append((step * interval, shapely.MultiLineString(parts)))
    words = f"Contours every {interval:g} {unit}, of the ground smoothed over {window_m / metres_per(unit):.0f} {unit}."
    return Contours(tuple(lines), interval, words)


def smoothed(values: np.ndarray, window_m: float, cell_size_m: float) -> np.ndarray:
    """The mean over squares of at least three cells; NaN where any cell of the square is."""
    side = max(3, round(window_m / cell_size_m) | 1)
    known = np.isfinite(values)
    mean = uniform_filter(np.where(known, values, 0.0).astype(np.float64), side, mode="nearest")
    lost = uniform_filter((~known).astype(np.float64), side, mode="constant", cval=1.0) > 0.5 / side**2
    return np.where(lost, np.nan, mean)
