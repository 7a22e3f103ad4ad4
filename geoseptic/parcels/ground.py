"""Where round a feature a condition of the rules holds that follows from the ground: the direct path of drainage, upslope, downslope."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine
from rasterio import features

from geoseptic.errors import ParameterError
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import LEVEL_WITHIN_M, Raster
from geoseptic.model.planes import Plane
from geoseptic.parcels import groundcells
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.groundcells import HOLDS, NO, UNKNOWN, Cells, States, Targets
from geoseptic.terrain.flowpath import halo_cells, leaves_within
from geoseptic.terrain.windows import widened

Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

PATH_M = 304.8
"""How long a direct path of drainage may be, 1,000 ft as the default reach in processes/inputs.py. Our own choice."""

BAND_ROWS = 2048
"""Rows that are asked at a time where the whole raster is: bounds the memory, and changes no answer."""

CHUNK = 256
"""Features asked at a time: enough to share the overhead, few enough to share out the work."""


@dataclass(frozen=True)
class Ground:
    """Elevation and where each cell drains, asked round features.

    A code often defines upslope by the water table or a restrictive layer; the ground's surface is a stand-in for it. Answers are kept:
    several parts, and the several kinds that one well may be of, ask the same.
    """

    elevation: Raster
    receivers: Plane
    edge: Plane
    well_radius_m: float
    _known: dict[tuple[str, bytes, float, float], tuple[shapely.Geometry, shapely.Geometry]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def leaves(self) -> Mask:
        """Whether water from the cell leaves the data within a path's bound: nobody knows what it drains to. Shape of the raster."""
        cell_m, (rows, cols) = self.elevation.grid.cell_size_m, self.edge.shape
        halo, out = halo_cells(PATH_M, cell_m), np.zeros(self.edge.shape, bool)
        for top in range(0, rows, BAND_ROWS):
            band = slice(top, min(rows, top + BAND_ROWS)), slice(0, cols)
            wide, inner = widened(band, halo, self.edge.shape)
            out[band] = leaves_within(self.receivers.read(*wide), self.edge.read(*wide), cell_m, PATH_M, inner)
        return out

    def regions(
        self, condition: str, shapes_m: Geometries, distance_m: float, location_error_m: Floats, workers: int = 1
    ) -> tuple[Geometries, Geometries]:
        """Where within `distance_m` and the location error of each feature `condition` holds, and where it is not known: two arrays of
        geometries in metres, which reach over the rest of the feature's box too.

        Raises ParameterError for a condition that does not follow from the ground.
        """
        keys = [
            (condition, shape, distance_m, float(error_m))
            for shape, error_m in zip(shapely.to_wkb(shapes_m), location_error_m, strict=True)
        ]
        new = list({key: index for index, key in enumerate(keys) if key not in self._known}.values())
        chunks = [np.array(new[start : start + CHUNK]) for start in range(0, len(new), CHUNK)]
        if new and condition == "drainage_path":
            _ = self.leaves  # found before the threads share it
        # The rasterizer sets aside warnings for the whole process: two threads must not be in it at once.
        with ThreadPoolExecutor(max(1, workers) if condition == "drainage_path" else 1) as pool:
            answers = pool.map(lambda rows: self._asked(condition, shapes_m[rows], distance_m, location_error_m[rows]), chunks)
            for rows, (holds, unknown) in zip(chunks, answers, strict=True):
                self._known.update({keys[row]: pair for row, pair in zip(rows, zip(holds, unknown, strict=True), strict=True)})
        both = np.array([self._known[key] for key in keys], object).reshape(-1, 2)
        return both[:, 0], both[:, 1]

    def _asked(self, condition: str, shapes_m: Geometries, distance_m: float, error_m: Floats) -> tuple[Geometries, Geometries]:
        # The ring that a zone is cut from is a little larger than the distance: the box must not cut it short.
        bounds_m = shapely.bounds(outward(shapes_m, distance_m + error_m))
        boxes = self._boxes(bounds_m)
        if condition == "drainage_path":
            states = self._drains_to(shapes_m, boxes, error_m)
        elif condition in ("feature_downslope", "feature_upslope"):
            sign = 1 if condition == "feature_downslope" else -1
            found = [self._higher_than(*one, distance_m, sign).ravel() for one in zip(shapes_m, boxes, error_m, strict=True)]
            states = np.concatenate([np.empty(0, np.uint8), *found])
        else:
            raise ParameterError(f"'{condition}' does not follow from the ground")
        to_m = self.elevation.grid.transform_m
        holds, unknown = (groundcells.outlines(states, boxes, state, to_m) for state in (HOLDS, UNKNOWN))
        row_0, row_1, col_0, col_1 = boxes.T
        covered = shapely.box(to_m.c + to_m.a * col_0, to_m.f + to_m.e * row_1, to_m.c + to_m.a * col_1, to_m.f + to_m.e * row_0)
        wanted = shapely.box(*bounds_m.T)
        beyond = ~shapely.covers(covered, wanted)
        unknown[beyond] = shapely.union(unknown[beyond], shapely.difference(wanted[beyond], covered[beyond]))
        return holds, unknown

    def _boxes(self, bounds_m: Floats) -> Cells:
        """Rows from, to, columns from, to (not included) of the cells that each bounds enter; an empty range off the raster."""
        to_m = self.elevation.grid.transform_m
        rows, cols = self.elevation.grid.shape
        ends = np.column_stack([
            np.floor((bounds_m[:, 3] - to_m.f) / to_m.e),
            np.ceil((bounds_m[:, 1] - to_m.f) / to_m.e),
            np.floor((bounds_m[:, 0] - to_m.c) / to_m.a),
            np.ceil((bounds_m[:, 2] - to_m.c) / to_m.a),
        ])  # fmt: skip
        boxes = np.clip(ends, 0, [rows, rows, cols, cols]).astype(np.int64)
        boxes[(boxes[:, 0] >= boxes[:, 1]) | (boxes[:, 2] >= boxes[:, 3])] = 0
        return boxes

    def _drains_to(self, shapes_m: Geometries, boxes: Cells, error_m: Floats) -> States:
        grid = self.elevation.grid
        targets = Targets.of(shapes_m, np.maximum(self.well_radius_m, error_m), grid.transform_m)
        return groundcells.drains_to(self.receivers.array(), self.leaves, self.elevation.values, boxes, targets, grid.cell_size_m, PATH_M)

    def _higher_than(self, shape_m: shapely.Geometry, box: Cells, error_m: float, distance_m: float, sign: int) -> States:
        """Whether the ground is higher (sign 1) or lower (-1) than at the nearest point of the feature, wherever its true place may be.

        No higher and no lower than the survey can tell counts as either: the longer distance then binds.
        """
        from scipy import ndimage  # 0.3 s to load, and few runs ask this

        grid = self.elevation.grid
        row_0, row_1, col_0, col_1 = box
        # Off the data the feature may lie too: nobody knows the ground there.
        margin = grid.cells(distance_m + 2 * error_m) + 2
        rows, cols = np.arange(row_0 - margin, row_1 + margin), np.arange(col_0 - margin, col_1 + margin)
        height_m = np.full((len(rows), len(cols)), np.nan)
        on_row, on_col = (rows >= 0) & (rows < grid.shape[0]), (cols >= 0) & (cols < grid.shape[1])
        height_m[np.ix_(on_row, on_col)] = self.elevation.values[np.ix_(rows[on_row], cols[on_col])]
        around = grid.transform_m @ Affine.translation(float(col_0 - margin), float(row_0 - margin))
        at_feature = features.rasterize([shape_m], height_m.shape, transform=around, all_touched=True, dtype="uint8").astype(bool)
        inner = (slice(margin, margin + row_1 - row_0), slice(margin, margin + col_1 - col_0))
        states = np.full((row_1 - row_0, col_1 - col_0), UNKNOWN, np.uint8)
        if not at_feature.any():
            return states
        _, (row, col) = ndimage.distance_transform_edt(~at_feature, return_indices=True)
        row, col = row[inner], col[inner]
        lowest_m, highest_m = _range_within(sign * height_m, grid.cells(error_m))
        above_m = sign * height_m[inner]
        # With NaN no comparison holds.
        states[above_m < lowest_m[row, col] - LEVEL_WITHIN_M] = NO
        states[above_m >= highest_m[row, col] - LEVEL_WITHIN_M] = HOLDS
        return states


def _range_within(height_m: Floats, cells: int) -> tuple[Floats, Floats]:
    """Lowest and highest value so many cells about each cell; NaN where any of them is unknown."""
    from scipy import ndimage

    if cells == 0:
        return height_m, height_m
    size = 2 * cells + 1
    unknown = ndimage.maximum_filter(np.isnan(height_m), size, mode="constant", cval=True)
    lowest_m = ndimage.minimum_filter(np.where(np.isnan(height_m), np.inf, height_m), size)
    highest_m = ndimage.maximum_filter(np.where(np.isnan(height_m), -np.inf, height_m), size)
    return np.where(unknown, np.nan, lowest_m), np.where(unknown, np.nan, highest_m)
