"""Wells downslope of the old systems: to which well, if any, the water from round each house comes."""

import numpy as np
import numpy.typing as npt

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.wellnumbers import rows_of
from geoseptic.parcels import burn
from geoseptic.processes.inputs import REACH_M, WELL_RADIUS_M
from geoseptic.processes.land import Land
from geoseptic.processes.paths import Drained, paths_to_wells
from geoseptic.stages import stage
from geoseptic.terrain.windows import Window, for_windows

Found = tuple[npt.NDArray[np.int64], npt.NDArray[np.float32], npt.NDArray[np.int32]]


@stage("wells downslope of the houses")
def wells_downslope(looked_at_m: Geometries, elevation: Raster, land: Land, ground: Drained, workers: int) -> npt.NDArray[np.object_]:
    """For each ground the well, presumed ones included, that water from any cell of it comes to by the shortest way within `REACH_M`; empty
    where none is known. One row a lot."""
    paths = paths_to_wells(elevation, land, ground, reach_m=REACH_M, well_radius_m=WELL_RADIUS_M, workers=workers)
    grid, distance_m, number = elevation.grid, paths.distance_m, paths.number

    def nearest(window: Window) -> Found:
        lot, well = burn.numbered_by_middle(looked_at_m, grid.window(*window)), number.read(*window)
        there = (lot >= 0) & (well >= 0)
        return lot[there].astype(np.int64), distance_m.read(*window)[there], well[there]

    lots, away_m, called = (np.concatenate(parts) for parts in zip(*for_windows(nearest, elevation.plane, workers), strict=True))
    # The nearest first, of two as near the one that comes first in its layer: the answer hangs on no order of work.
    wells = rows_of(land.numbers, called)
    order = np.lexsort((wells, away_m, lots))
    rows, first = np.unique(lots[order], return_index=True)
    found = np.full(len(looked_at_m), "", object)
    found[rows] = land.names.astype(str)[wells[order][first]]
    return found
