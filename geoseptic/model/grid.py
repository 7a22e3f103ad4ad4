"""Rasters: values on a grid of square cells, and the only carrier of georeferencing."""

from dataclasses import dataclass, replace
from math import ceil, floor
from typing import Self

import numpy as np
import numpy.typing as npt
from affine import Affine
from pyproj import CRS

from geoseptic.errors import GridError
from geoseptic.model.frame import Frame
from geoseptic.model.planes import ArrayPlane, Plane, Values

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

SQUARE_TOLERANCE = 1e-6

HEIGHT_NOISE_M = 0.15
"""Smaller depths of a hollow are noise of the survey. Our own choice."""

LEVEL_WITHIN_M = 0.3
"""Two cells whose heights differ by less may be level: a standard error of 10 cm for each cell (what the federal quality level 2 asks of
a survey from the air; from memory) makes 14 cm for their difference, and this is twice that."""


@dataclass(frozen=True)
class Grid:
    """Shape, transform and frame of a raster: north up, square cells, a projected CRS.

    `transform` is in CRS units, `transform_m` in metres, as the geometry kernels want it. A window says which grid it is a part of, and its
    first row and column there.
    """

    shape: tuple[int, int]
    transform: Affine
    frame: Frame
    part_of: "Grid | None" = None
    first_cell: tuple[int, int] = (0, 0)

    @classmethod
    def of(cls, shape: tuple[int, int], transform: Affine, crs: CRS | str | int | None, layer: str, source: str = "") -> Self:
        """A checked grid; raises GridError, or the CRS errors of `Frame.of`."""
        frame = Frame.of(crs, layer, source)
        what = f"{layer} ({source})" if source else layer
        if min(shape) < 1:
            raise GridError(f"{what} has no cells.")
        if transform.b or transform.d:
            raise GridError(f"{what} is rotated. Warp it to a north-up raster (gdalwarp) and run again.")
        if transform.a <= 0 or transform.e >= 0:
            raise GridError(f"{what} is not north-up. Warp it to a north-up raster (gdalwarp) and run again.")
        if abs(transform.a + transform.e) > SQUARE_TOLERANCE * transform.a:
            raise GridError(
                f"{what} has cells of {transform.a} x {-transform.e}. Resample it to square cells (gdalwarp -tr) and run again."
            )
        return cls(shape, transform, frame)

    @property
    def crs(self) -> CRS:
        return self.frame.crs

    @property
    def cell_size_m(self) -> float:
        return float(self.transform.a * self.frame.metres_per_unit)

    @property
    def transform_m(self) -> Affine:
        return Affine.scale(self.frame.metres_per_unit) @ self.transform

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """left, bottom, right, top in CRS units."""
        left, top = self.transform @ (0, 0)
        right, bottom = self.transform @ (self.shape[1], self.shape[0])
        return left, bottom, right, top

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        left, bottom, right, top = (value * self.frame.metres_per_unit for value in self.bounds)
        return left, bottom, right, top

    def cells_of(self, xy_m: Floats) -> Floats:
        """Columns and rows of points of shape (n, 2), counted from the first cell's corner. Those of a window differ from those of the
        whole raster by whole numbers, to the last bit."""
        own = (self.part_of or self).transform_m
        row, col = self.first_cell
        return np.column_stack([(xy_m[:, 0] - own.c) / own.a - col, (xy_m[:, 1] - own.f) / own.e - row])

    def middles_m(self, row: Integers, col: Integers) -> tuple[Floats, Floats]:
        """x and y of the middles of cells, which may lie off the grid. [m]"""
        own = self.transform_m
        return np.asarray(own.c + own.a * (col + 0.5), np.float64), np.asarray(own.f + own.e * (row + 0.5), np.float64)

    def over(self, bounds_m: Floats, more_cells: int = 0) -> tuple[slice, slice]:
        """Rows and columns of the cells under a box of left, bottom, right, top, and so many more on every side; empty off the grid."""
        left, bottom, right, top = bounds_m
        (first_col, first_row), (last_col, last_row) = ~self.transform_m @ (left, top), ~self.transform_m @ (right, bottom)
        rows = slice(max(0, floor(first_row) - more_cells), min(self.shape[0], ceil(last_row) + more_cells))
        return rows, slice(max(0, floor(first_col) - more_cells), min(self.shape[1], ceil(last_col) + more_cells))

    def window(self, rows: slice, cols: slice) -> Self:
        """The grid of a part of it, which may reach beyond it."""
        shape = rows.stop - rows.start, cols.stop - cols.start
        whole, (row, col) = self.part_of or self, self.first_cell
        first = row + rows.start, col + cols.start
        return replace(
            self, shape=shape, transform=whole.transform @ Affine.translation(first[1], first[0]), part_of=whole, first_cell=first
        )

    def cells(self, distance_m: float) -> int:
        """How many cells reach over `distance_m`, rounded up."""
        return ceil(distance_m / self.cell_size_m)


@dataclass(frozen=True)
class Raster:
    """Values on a grid, in memory or in a file. Floats: NaN = unknown. Integers: `unknown` is the declared code for it."""

    cells: Values | Plane
    grid: Grid
    unknown: int | None = None

    def __post_init__(self) -> None:
        if self.cells.shape != self.grid.shape:
            raise GridError(f"values of shape {self.cells.shape} do not fit a grid of shape {self.grid.shape}.")

    @property
    def plane(self) -> Plane:
        """The values, to be read by windows."""
        return ArrayPlane(self.cells) if isinstance(self.cells, np.ndarray) else self.cells

    @property
    def values(self) -> Values:
        """All values at once; where they lie in a file, as a new array."""
        return self.plane.array()

    def with_values(self, cells: Values | Plane, unknown: int | None = None) -> Self:
        """Other values on the same grid; `unknown` is the code for it where they are integers."""
        return replace(self, cells=cells, unknown=unknown)
