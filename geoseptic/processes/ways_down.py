"""The way of the water from a field over the ground to the first well downslope."""

from dataclasses import dataclass

import numpy as np
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
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


def ways_down(fields_m: Geometries, elevation: Raster, mapped: Mapped, land: Land) -> list[Downslope]:
    """The way of the water from each field that reaches a well within the reach, from the cell of the field that has the shortest.

    `fields_m` has one row a lot, empty where there is no field.
    """
    grid = elevation.grid
    distance_m, receivers, labels = (plane.array() for plane in (mapped.paths.distance_m, mapped.ground.receivers, mapped.paths.label))
    names = [*land.wells.ids, *land.presumed_ids]
    ways = []
    for number, field in enumerate(fields_m):
        if shapely.is_empty(field):
            continue
        rows, cols = grid.over(shapely.bounds(field))
        if rows.start >= rows.stop or cols.start >= cols.stop:
            continue
        here = distance_m[rows, cols]
        row, col = np.mgrid[rows, cols]
        x, y = grid.middles_m(row, col)
        half = grid.cell_size_m / 2
        cells = shapely.box(x - half, y - half, x + half, y + half)
        reached = np.where(shapely.intersects(cells, field), here, np.nan)
        if np.isnan(reached).all():
            continue
        at_row, at_col = np.unravel_index(np.nanargmin(reached), reached.shape)
        start = int(at_row) + rows.start, int(at_col) + cols.start
        path = flowpath.trace(receivers, distance_m, *start)
        points = np.column_stack(grid.middles_m(path[:, 0], path[:, 1]))
        # The cell's middle may lie just outside the field; the way starts on it.
        from_field = shapely.get_coordinates(shapely.shortest_line(field, shapely.Point(points[0])))[:1]
        line = shapely.LineString(np.vstack([from_field, points]))
        ways.append(Downslope(number, line, str(names[labels[start]]), float(distance_m[start])))
    return ways
