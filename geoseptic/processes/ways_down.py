"""The way of the water from a field over the ground to the first well downslope."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid, Raster
from geoseptic.parcels.onelot import one_by_one
from geoseptic.processes.land import Land
from geoseptic.processes.mapping import Mapped
from geoseptic.terrain import flowpath


@dataclass(frozen=True)
class Downslope:
    """The way of the water from one field to the first well downslope: middles of cells, in metres of the frame."""

    lot: int
    line_m: shapely.LineString
    well: str
    length_m: float


STAGE: Final = "way downslope"
NOT_FOLLOWED: Final = "unknown: the way of the water could not be followed"


def ways_down(fields_m: Geometries, elevation: Raster, mapped: Mapped, land: Land) -> tuple[list[Downslope], dict[int, str]]:
    """The way of the water from each field that reaches a well within the reach, from the cell of the field that has the shortest; and at
    which lots it could not be followed, and why.

    `fields_m` has one row a lot, empty where there is no field.
    """
    distance_m, receivers, numbers = (plane.array() for plane in (mapped.paths.distance_m, mapped.receivers, mapped.paths.number))
    names = dict(zip(land.numbers.tolist(), land.names, strict=True))

    def way_of(lot: int) -> Downslope | None:
        start = _start(fields_m[lot], elevation.grid, distance_m)
        if start is None:
            return None
        path = flowpath.trace(receivers, distance_m, *start)
        points = np.column_stack(elevation.grid.middles_m(path[:, 0], path[:, 1]))
        # The cell's middle may lie just outside the field; the way starts on it.
        from_field = shapely.get_coordinates(shapely.shortest_line(fields_m[lot], shapely.Point(points[0])))[:1]
        line = shapely.LineString(np.vstack([from_field, points]))
        return Downslope(lot, line, str(names[int(numbers[start])]), float(distance_m[start]))

    with_field = np.flatnonzero(~shapely.is_empty(fields_m))
    found, failed = one_by_one(lambda rows: [way_of(int(lot)) for lot in with_field[rows]], len(with_field))
    return [way for way in found.values() if way is not None], {int(with_field[row]): why for row, why in failed.items()}


def _start(field: shapely.Geometry, grid: Grid, distance_m: npt.NDArray[np.float32]) -> tuple[int, int] | None:
    """The cell of a field from which the way to a well is shortest; None where water reaches none from it."""
    rows, cols = grid.over(shapely.bounds(field))
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return None
    row, col = np.mgrid[rows, cols]
    x, y = grid.middles_m(row, col)
    half = grid.cell_size_m / 2
    cells = shapely.box(x - half, y - half, x + half, y + half)
    reached = np.where(shapely.intersects(cells, field), distance_m[rows, cols], np.nan)
    if np.isnan(reached).all():
        return None
    at_row, at_col = np.unravel_index(np.nanargmin(reached), reached.shape)
    return int(at_row) + rows.start, int(at_col) + cols.start
