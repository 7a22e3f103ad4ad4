"""Two corrections that a bare-earth raster needs before water runs over it.

Buildings are raised cell by cell: windows need no halo. A culvert must lie wholly within the window that opens it.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def raise_cells(elevation_m: Floats, cells: npt.NDArray[np.bool_], height_m: float) -> Floats:
    """The ground with some cells (buildings) raised, so that water goes round them.

    Parameters
    ----------
    elevation_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    cells : bool array of the same shape
    height_m : float
        By how much. [m]

    Returns
    -------
    float32 array, shape (rows, cols)
        A new array; unknown cells stay unknown. [m]
    """
    return np.where(cells, elevation_m + np.float32(height_m), elevation_m)


def breach(elevation_m: Floats, culverts: Sequence[npt.NDArray[np.bool_]]) -> Floats:
    """The ground with each culvert opened: all its cells lowered to the lowest of them, so that water passes under the embankment.

    A culvert's line must start and end in the channel; a culvert of unknown cells alone changes nothing.

    Parameters
    ----------
    elevation_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    culverts : one bool array of the same shape for each culvert

    Returns
    -------
    float32 array, shape (rows, cols)
        A new array. [m]
    """
    opened = elevation_m.copy()
    for cells in culverts:
        known = cells & ~np.isnan(opened)
        if known.any():
            opened[known] = opened[known].min()
    return opened
