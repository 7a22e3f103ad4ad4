"""Straight steps across a whole raster: where it was put together of surveys on two vertical datums, or of feet and metres."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.model.planes import Plane

STEP_M: Final = 0.5
SPREADS: Final = 3.0
"""A break is where the middle step from one line of cells to the next, beyond the slope beside it, is more than this, and more than so many
times what half of the steps are off that or what the ground steps by from any other line near it to the next. Our own choice."""

NEAR_LINES: Final = 8

LEAST_KNOWN: Final = 20
"""Lines of fewer known places are not judged."""

MOST_PLACES: Final = 400
"""So many places on each line are looked at: the middle of them is that of all to a few hundredths of the spread."""


@dataclass(frozen=True)
class Break:
    """The ground steps by `step_m` between the rows (or columns, where `upright`) `line` - 1 and `line`. [m]"""

    upright: bool
    line: int
    step_m: float


def breaks(heights_m: Plane) -> tuple[Break, ...]:
    """All straight steps across the whole of a plane of heights, shape (rows, cols), NaN where unknown; those between rows first. [m]

    What counts as a step is our own choice (`STEP_M`, `SPREADS`).
    """
    rows, cols = heights_m.shape
    by_row = np.concatenate([heights_m.read(slice(row, row + 1), slice(0, cols)) for row in _some(rows)])
    some_cols = _some(cols)
    by_col = np.empty((rows, len(some_cols)), by_row.dtype)
    for row in range(0, rows, 512):
        by_col[row : row + 512] = heights_m.read(slice(row, min(rows, row + 512)), slice(0, cols))[:, some_cols]
    return (*_across(by_col, False), *_across(by_row.T, True))


def steps_beyond_slope_m(heights_m: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    """By how much each line of cells steps to the next, beyond the slope on either side of the two; of n lines n - 3 steps, the first one
    from the second line to the third. [m]"""
    rise_m = np.diff(heights_m.astype(np.float64), axis=0)
    steps_m: npt.NDArray[np.float64] = rise_m[1:-1] - (rise_m[:-2] + rise_m[2:]) / 2
    return steps_m


def _some(count: int) -> npt.NDArray[np.int64]:
    return np.unique(np.linspace(0, count - 1, min(count, MOST_PLACES)).round().astype(np.int64))


def _across(lines_m: npt.NDArray[np.floating], upright: bool) -> list[Break]:
    if len(lines_m) < 4:
        return []
    steps_m = steps_beyond_slope_m(lines_m)
    middle_m, known = _middles(steps_m)
    spread_m, _ = _middles(np.abs(steps_m - middle_m[:, np.newaxis]))
    size_m = np.where(known >= max(LEAST_KNOWN, steps_m.shape[1] / 2), np.abs(middle_m), 0.0)
    found = []
    for at in np.flatnonzero((size_m > STEP_M) & (size_m > SPREADS * spread_m)):
        # A line's slopes reach over the next ones: half of a step shows there too, the other way.
        near = np.concatenate([size_m[max(0, at - NEAR_LINES) : max(0, at - 1)], size_m[at + 2 : at + 1 + NEAR_LINES]])
        if size_m[at] == size_m[max(0, at - 1) : at + 2].max() and size_m[at] > SPREADS * near.max(initial=0.0):
            found.append(Break(upright, int(at) + 2, float(middle_m[at])))
    return found


def _middles(values: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """The median of the known values of each row, NaN where there is none, and how many are known."""
    known = np.count_nonzero(~np.isnan(values), axis=1)
    ordered = np.sort(values, axis=1)
    rows = np.arange(len(values))
    low, high = (ordered[rows, np.clip((known - off) // 2, 0, None)] for off in (1, 0))
    return np.where(known > 0, (low + np.where(known % 2 == 1, low, high)) / 2, np.nan), known
