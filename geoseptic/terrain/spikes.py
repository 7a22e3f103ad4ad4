"""Cells that stand far above or below the ground round them: no ground does, an error of the survey or of the file does."""

from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.terrain.levels import any_step

Floats = npt.NDArray[np.floating]
Mask = npt.NDArray[np.bool_]

STANDS_OFF_M: Final = 30.0
STANDS_OFF_SIDES: Final = 3.0
"""A cell is told where it stands off by more than this and by more than so many of its sides: steeper than 70 degrees on all sides but two.
A tower or a crane in a model of surfaces does so too. Our own choice."""

MAY_GO_ALONG: Final = 2
"""So many of its neighbours may share in it: two or three cells side by side are found as well, and a wall one cell wide; a cliff is not.
At the edge of the known ground none may."""

FEWEST: Final = 3
"""Cells with fewer known neighbours are not judged."""

AROUND: Final = tuple((down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0))

HALO_CELLS: Final = 1


def spikes(heights_m: Floats, cell_size_m: float) -> Mask:
    """Which cells stand off from all their known neighbours but `MAY_GO_ALONG`, all to the same side; shape (rows, cols).

    heights_m : shape (rows, cols), NaN where unknown. [m]
    """
    off_m = least_m(cell_size_m)
    found = np.zeros(heights_m.shape, bool)
    # Most ground has no such step anywhere, and a kernel sees that much sooner.
    if not any_step(heights_m, off_m):
        return found
    padded = np.pad(heights_m, 1, constant_values=np.nan)
    rows, cols = heights_m.shape
    known, above, below = (np.zeros(heights_m.shape, np.int8) for _ in range(3))
    for down, right in AROUND:
        step_m = heights_m - padded[1 + down : 1 + down + rows, 1 + right : 1 + right + cols]
        known += ~np.isnan(step_m)
        above += step_m > off_m
        below += step_m < -off_m
    most = np.maximum(above, below)
    found[:] = (most >= FEWEST) & (most >= known - np.where(known == len(AROUND), MAY_GO_ALONG, 0))
    return found


def least_m(cell_size_m: float) -> float:
    """From which step on a cell may stand off. [m]"""
    return max(STANDS_OFF_M, STANDS_OFF_SIDES * cell_size_m)
