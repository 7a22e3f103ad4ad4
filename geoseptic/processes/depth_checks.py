"""Whether a raster of depths is what it is taken for: of this place, and not the heights of the water table."""

from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import ElevationValueError, NoOverlapError, box
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster

Floats = npt.NDArray[np.float64]

LOOKED_AT: Final = 200
"""Cells looked at in each direction."""

DEEP_M: Final = 50.0
NEAR_GROUND_M: Final = 30.0
"""Depths over the first that differ from the ground's height by less than the second are heights: a coincidence in more than half of the
cells is less likely. Common practice, no source, as are the other limits here."""

LEAST_M: Final = 3.0
"""Shallower depths clear no field, whatever they mean; and ground of less relief proves nothing."""

FOLLOWS: Final = 0.9
SLOPES: Final = (0.8, 1.25)
"""Correlation with the ground's height, and the rise of the depth with it, from which shallower depths are heights too: water tables follow
the ground, so depths do so far less."""

BEYOND_USE_M: Final = 100.0
"""Nobody maps groundwater at such depths for the sake of drain fields."""

LEAST_CELLS: Final = 4


def check_depths(groundwater: Raster | None, elevation: Raster | None, lots_m: Geometries) -> tuple[str, ...]:
    """Sentences about depths that are doubtful.

    Raises
    ------
    NoOverlapError : the raster lies elsewhere than the parcels.
    ElevationValueError : it holds heights of the water table above the sea: such numbers, read as depths, would clear all ground.
    """
    if groundwater is None:
        return ()
    placed = lots_m[~shapely.is_empty(lots_m)]
    bounds_m = groundwater.grid.bounds_m
    around = shapely.total_bounds(placed) if len(placed) else None
    if around is not None and not shapely.intersects(shapely.box(*around), shapely.box(*bounds_m)):
        raise NoOverlapError("groundwater", bounds_m, "parcels", [float(edge) for edge in around])
    told = []
    covered = shapely.covered_by(placed, shapely.box(*bounds_m))
    if not covered.all():
        told.append(f"{int((~covered).sum())} of {len(placed)} parcels lie at least in part outside of the groundwater: unknown there")
    if elevation is None:
        return tuple(told)
    depth_m, ground_m = _both(groundwater, elevation)
    if len(depth_m) >= LEAST_CELLS:
        if _are_heights(depth_m, ground_m):
            raise ElevationValueError(
                f"groundwater: its values ({np.median(depth_m):.4g} m in the middle) are nearly the heights of the ground there "
                f"({np.median(ground_m):.4g} m): they are heights of the water table, not its depths below the ground. Subtract them from "
                "the elevation (gdal_calc.py -A elevation -B groundwater --calc=A-B --outfile=depth.tif); if they are depths all the same, "
                "leave the layer out."
            )
        if np.median(depth_m) > BEYOND_USE_M:
            told.append(
                f"groundwater is mapped {np.median(depth_m):.4g} m below the ground in the middle ({box(bounds_m)}): compare with a well "
                "that these are depths, in the unit stated"
            )
    return tuple(told)


def _both(groundwater: Raster, elevation: Raster) -> tuple[Floats, Floats]:
    """Depths and the ground's heights at cells of the groundwater where both are known. [m]"""
    rows, cols = (np.unique(np.linspace(0, count - 1, min(count, LOOKED_AT)).astype(np.int64)) for count in groundwater.grid.shape)
    row, col = (part.ravel() for part in np.meshgrid(rows, cols, indexing="ij"))
    x_m, y_m = groundwater.grid.middles_m(row, col)
    there_col, there_row = np.floor(elevation.grid.cells_of(np.column_stack([x_m, y_m]))).astype(np.int64).T
    inside = (there_row >= 0) & (there_row < elevation.grid.shape[0]) & (there_col >= 0) & (there_col < elevation.grid.shape[1])
    depth_m = groundwater.values[row[inside], col[inside]].astype(np.float64)
    ground_m = elevation.plane.array()[there_row[inside], there_col[inside]].astype(np.float64)
    known = np.isfinite(depth_m) & np.isfinite(ground_m)
    return depth_m[known], ground_m[known]


def _are_heights(depth_m: Floats, ground_m: Floats) -> bool:
    near = np.abs(ground_m - depth_m) < NEAR_GROUND_M
    if ((depth_m > DEEP_M) & near).mean() > 0.5:
        return True
    if np.median(depth_m) <= LEAST_M or near.mean() <= 0.5 or np.ptp(ground_m) < LEAST_M or np.ptp(depth_m) == 0:
        return False
    rise = float(np.polyfit(ground_m, depth_m, 1)[0])
    return SLOPES[0] <= rise <= SLOPES[1] and float(np.corrcoef(ground_m, depth_m)[0, 1]) > FOLLOWS
