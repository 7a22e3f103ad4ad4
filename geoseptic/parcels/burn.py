"""Vector shapes to cells. A cell that a shape so much as touches is burnt: exclusion errs to the safe side."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely
from rasterio import features

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid


def touched(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells that any of the shapes touches, shape `grid.shape`."""
    return _burn(shapes_m, grid, all_touched=True)


def centred(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells whose middle lies in any of the shapes, shape `grid.shape`."""
    return _burn(shapes_m, grid, all_touched=False)


def _burn(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid, *, all_touched: bool) -> npt.NDArray[np.bool_]:
    solid = [shape for shape in shapes_m if shape is not None and not shape.is_empty]
    if not solid:
        return np.zeros(grid.shape, bool)
    burnt = features.rasterize(solid, grid.shape, transform=grid.transform_m, all_touched=all_touched, dtype="uint8")
    mask: npt.NDArray[np.bool_] = burnt.view(bool)
    return mask
