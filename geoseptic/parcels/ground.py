"""Where round a feature a condition of the rules holds that follows from the ground: the direct path of drainage, upslope, downslope."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
import shapely.geometry
from affine import Affine
from rasterio import features
from scipy import ndimage

from geoseptic.errors import ParameterError
from geoseptic.model.grid import Raster
from geoseptic.parcels.buffers import outward
from geoseptic.terrain import flowpath
from geoseptic.terrain.drainage import Receivers

Mask = npt.NDArray[np.bool_]


PATH_M = 304.8
"""How long a direct path of drainage may be, 1,000 ft as the default reach in processes/inputs.py. Our own choice."""


@dataclass(frozen=True)
class Ground:
    """Elevation and where each cell drains, asked round one feature at a time.

    A code often defines upslope by the water table or a restrictive layer; the ground's surface is a stand-in for it.
    """

    elevation: Raster
    receivers: Receivers
    edge: Mask
    well_radius_m: float

    def region(
        self, condition: str, shape_m: shapely.Geometry, distance_m: float, location_error_m: float
    ) -> tuple[shapely.Geometry, shapely.Geometry]:
        """Where within `distance_m` of the feature `condition` holds, and where it is not known, as two geometries in metres."""
        # The ring that the zone is cut from is a little larger than the distance: the box must not cut it short.
        wanted = shapely.box(*shapely.bounds(outward(shape_m, distance_m + location_error_m)))
        window, transform = self._window(shapely.bounds(wanted))
        if window is None:
            return shapely.Polygon(), wanted
        if condition == "drainage_path":
            holds, unknown = self._drains_to(window, transform, shape_m, location_error_m)
        elif condition == "feature_downslope":
            holds, unknown = self._higher_than(window, transform, shape_m, 1)
        elif condition == "feature_upslope":
            holds, unknown = self._higher_than(window, transform, shape_m, -1)
        else:
            raise ParameterError(f"'{condition}' does not follow from the ground")
        rows, cols = holds.shape
        covered = shapely.box(*transform @ (0, rows), *transform @ (cols, 0))
        return polygons(holds, transform), shapely.union(polygons(unknown, transform), shapely.difference(wanted, covered))

    def _window(self, bounds_m: npt.NDArray[np.float64]) -> tuple[tuple[slice, slice] | None, Affine]:
        transform = self.elevation.grid.transform_m
        first_col, first_row = ~transform @ (bounds_m[0], bounds_m[3])
        last_col, last_row = ~transform @ (bounds_m[2], bounds_m[1])
        rows, cols = self.elevation.grid.shape
        row_0, row_1 = max(0, int(np.floor(first_row))), min(rows, int(np.ceil(last_row)))
        col_0, col_1 = max(0, int(np.floor(first_col))), min(cols, int(np.ceil(last_col)))
        if row_0 >= row_1 or col_0 >= col_1:
            return None, transform
        return (slice(row_0, row_1), slice(col_0, col_1)), transform @ Affine.translation(col_0, row_0)

    def _drains_to(
        self, window: tuple[slice, slice], transform: Affine, shape_m: shapely.Geometry, location_error_m: float
    ) -> tuple[Mask, Mask]:
        # A path may leave the ring and come back, so the walk upward has a margin that no path within its bound can leave.
        cell_m = self.elevation.grid.cell_size_m
        margin = self.elevation.grid.cells(PATH_M) + 1
        top, left = max(0, window[0].start - margin), max(0, window[1].start - margin)
        wide = (slice(top, window[0].stop + margin), slice(left, window[1].stop + margin))
        rows, cols = window[0].start - top, window[1].start - left
        inner = (slice(rows, rows + window[0].stop - window[0].start), slice(cols, cols + window[1].stop - window[1].start))
        receivers = np.ascontiguousarray(self.receivers[wide])
        disc = shapely.buffer(shape_m, max(self.well_radius_m, location_error_m))
        around = transform @ Affine.translation(-cols, -rows)
        target = features.rasterize([disc], receivers.shape, transform=around, all_touched=True, dtype="uint8").astype(bool)
        start_m = np.where(target, np.float32(0), np.float32(np.inf))
        reached_m, _ = flowpath.path_distance(receivers, start_m, np.where(target, 0, -1).astype(np.int32), cell_m, PATH_M)
        holds = np.isfinite(reached_m[inner])
        # Water that leaves the data inside the ring may come back to the well; from farther out its way is no direct path.
        leaves = flowpath.upstream_of(np.ascontiguousarray(self.receivers[window]), np.ascontiguousarray(self.edge[window]))
        unknown = leaves | np.isnan(self.elevation.values[window])
        return holds, unknown & ~holds

    def _higher_than(self, window: tuple[slice, slice], transform: Affine, shape_m: shapely.Geometry, sign: int) -> tuple[Mask, Mask]:
        height_m = self.elevation.values[window].astype(np.float64)
        at_feature = features.rasterize([shape_m], height_m.shape, transform=transform, all_touched=True, dtype="uint8").astype(bool)
        at_feature &= ~np.isnan(height_m)
        if not at_feature.any():
            return np.zeros(height_m.shape, bool), np.ones(height_m.shape, bool)
        _, (row, col) = ndimage.distance_transform_edt(~at_feature, return_indices=True)
        above_m = sign * (height_m - height_m[row, col])
        # Level with the feature counts as either side: the longer distance then binds.
        return above_m >= 0, np.isnan(above_m)


def polygons(mask: Mask, transform: Affine) -> shapely.Geometry:
    """The cells of a mask as one polygonal geometry."""
    if not mask.any():
        return shapely.Polygon()
    shapes = [
        shapely.geometry.shape(shape) for shape, _ in features.shapes(mask.astype(np.uint8), mask, connectivity=4, transform=transform)
    ]
    return shapely.union_all(shapes)
