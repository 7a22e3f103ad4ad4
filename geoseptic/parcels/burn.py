"""Vector shapes to cells. A cell that a shape so much as touches is burnt: exclusion errs to the safe side."""

from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import chain
from threading import Lock
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from rasterio import features

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid
from geoseptic.parcels.byplace import ByPlace
from geoseptic.parcels.ringsnear import rings_near

GROWN_CELLS: Final = 0.015
"""Shapes are grown by this share of a cell before the cells that they touch are burnt: the rasterizer passes over a cell into which a shape
reaches along an edge by less than about 0.005 of it (0.002 left 31 of 20,000 thin shapes a cell short, 0.008 none)."""

ONE_AT_A_TIME: Final = Lock()
"""The rasterizer sets aside warnings for the whole process: two threads must not be in it at once."""

BEYOND_CELLS: Final = 2.0
"""What lies farther outside a raster has no part in which of its cells a shape touches."""

CHUNK: Final = 8192
"""Polygons handed to the rasterizer at a time: it takes them as lists of numbers, which are large."""


def touched(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells that any of the shapes touches, shape `grid.shape`."""
    shapes, _ = _near(shapes_m, grid)
    return _burn(_grown(shapes, grid), grid, all_touched=True)


def centred(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells whose middle lies in any of the shapes, shape `grid.shape`."""
    shapes, _ = _near(shapes_m, grid)
    return _burn(shapes, grid, all_touched=False)


def numbered(shapes_m: Geometries, grid: Grid) -> npt.NDArray[np.int32]:
    """For each cell the first of the shapes that touches it, -1 where none does; shape `grid.shape`."""
    shapes, place = _near(shapes_m, grid)
    return _numbered(_grown(shapes, grid), place, grid, all_touched=True)


def numbered_by_middle(shapes_m: Geometries, grid: Grid) -> npt.NDArray[np.int32]:
    """For each cell the last of the shapes in which its middle lies, -1 where there is none; shape `grid.shape`."""
    shapes, place = _near(shapes_m, grid)
    return _numbered(shapes[::-1], place[::-1], grid, all_touched=False)


class Near:
    """Shapes that are asked for again and again by what is near: their bounds are found once."""

    def __init__(self, shapes_m: Geometries) -> None:
        self.shapes_m = shapes_m

    @cached_property
    def _by_place(self) -> ByPlace:
        return ByPlace(np.asarray(shapely.bounds(self.shapes_m), np.float64).reshape(-1, 4))

    def of(self, grid: Grid) -> tuple[Geometries, npt.NDArray[np.int64]]:
        """Those that may reach into the grid, two cells beyond it included, and their places in the row."""
        place = reaching(self._by_place, grid)
        return self.shapes_m[place], place


def reaching(by_place: ByPlace, grid: Grid) -> npt.NDArray[np.int64]:
    """The places of those bounds that reach into the grid, two cells beyond it included. [m]"""
    left, bottom, right, top = grid.bounds_m
    more = 2 * grid.cell_size_m
    return by_place.meeting(left - more, bottom - more, right + more, top + more)


def _near(shapes_m: Geometries | Sequence[shapely.Geometry], grid: Grid) -> tuple[Geometries, npt.NDArray[np.int64]]:
    """Those shapes that may reach into the grid, a cell beyond it included, and their places in the row; empty ones never do."""
    shapes = np.empty(len(shapes_m), object)
    shapes[:] = list(shapes_m)
    left, bottom, right, top = grid.bounds_m
    more = grid.cell_size_m
    west, south, east, north = shapely.bounds(shapes).T
    place = np.flatnonzero((east >= left - more) & (west <= right + more) & (north >= bottom - more) & (south <= top + more))
    return shapes[place], place


def _grown(shapes_m: Geometries, grid: Grid) -> Geometries:
    grown: Geometries = shapely.buffer(shapes_m, GROWN_CELLS * grid.cell_size_m, quad_segs=1, join_style="mitre")
    return grown


def _in_cells(shapes_m: Geometries, grid: Grid) -> Geometries:
    """Shapes in cells of the grid: so counted, a window burns what the whole raster does, shapes along the middles of cells included."""
    counted: Geometries = shapely.transform(shapes_m, grid.cells_of)
    return counted


def _numbered(shapes_m: Geometries, numbers: npt.NDArray[np.int64], grid: Grid, *, all_touched: bool) -> npt.NDArray[np.int32]:
    solid = [(shape, number) for shape, number in zip(_in_cells(shapes_m, grid), numbers.tolist(), strict=True) if not shape.is_empty]
    if not solid:
        return np.full(grid.shape, -1, np.int32)
    # The last one burnt stays, so the first comes last.
    with ONE_AT_A_TIME:
        burnt: npt.NDArray[np.int32] = features.rasterize(reversed(solid), grid.shape, fill=-1, all_touched=all_touched, dtype="int32")
    return burnt


def _burn(shapes_m: Geometries, grid: Grid, *, all_touched: bool) -> npt.NDArray[np.bool_]:
    shapes = _in_cells(shapes_m[~shapely.is_empty(shapes_m)], grid)
    burnt = np.zeros(grid.shape, np.uint8)
    areas = np.isin(shapely.get_type_id(shapes), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    for some in chain(_as_lists(shapely.get_parts(shapes[areas]), grid.shape), [list(shapes[~areas])]):
        if some:
            with ONE_AT_A_TIME:
                features.rasterize(some, out=burnt, all_touched=all_touched)
    mask: npt.NDArray[np.bool_] = burnt.view(bool)
    return mask


def _as_lists(polygons: Geometries, shape: tuple[int, int]) -> Iterator[list[dict[str, object]]]:
    """The polygons, in cells, many in one mapping: the rasterizer's own way through each shape's interface takes six times as long as
    burning it.

    For each row of cells it looks at every corner of a polygon, so it is only given those that matter in the raster.
    """
    box = -BEYOND_CELLS, -BEYOND_CELLS, shape[1] + BEYOND_CELLS, shape[0] + BEYOND_CELLS
    for start in range(0, len(polygons), CHUNK):
        rings, owner = shapely.get_rings(polygons[start : start + CHUNK], return_index=True)
        corners = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(rings))])
        xy, left = rings_near(shapely.get_coordinates(rings), corners, box)
        points = list(zip(*xy.T.tolist(), strict=True))
        ends = np.cumsum(left).tolist()
        found: list[list[object]] = [[] for _ in range(min(CHUNK, len(polygons) - start))]
        for number, begin, end in zip(owner.tolist(), [0, *ends[:-1]], ends, strict=True):
            if begin < end:
                found[number].append(points[begin:end])
        some = [polygon for polygon in found if polygon]
        if some:
            yield [{"type": "MultiPolygon", "coordinates": some}]
