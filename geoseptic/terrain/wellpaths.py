"""Downslope distance to wells over one elevation raster: fill, receivers, walk upward, four answers."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from geoseptic.terrain import drainage, flowpath
from geoseptic.terrain.planes import ArrayPlane
from geoseptic.terrain.tileddrain import drain_by_tiles

Floats = npt.NDArray[np.float32]

BAND_ROWS: Final = 256
"""Rows that are searched at a time for the nearest lot: bounds the memory, and changes no distance."""


@dataclass(frozen=True)
class Drainage:
    """The ground's drainage, found once for the whole raster. All arrays have its shape."""

    ground_m: Floats
    filled_m: Floats
    edge: npt.NDArray[np.bool_]
    receivers: drainage.Receivers
    d8: drainage.Receivers


@dataclass(frozen=True)
class WellDiscs:
    """Where the wells are, counted in cells from the top left corner, and how large their discs are. Shapes (wells,)."""

    col: npt.NDArray[np.float64]
    row: npt.NDArray[np.float64]
    radius_m: npt.NDArray[np.float64]
    location_error_m: npt.NDArray[np.float64]


@dataclass(frozen=True)
class PresumedLots:
    """Lots that must have a well which is on no record.

    `label` is the index of the lot that touches each cell, -1 where none, over the raster and `margin` cells more on every side, at least
    two more than `radius_m` (that of a well's disc) is long.
    """

    label: flowpath.Labels
    margin: int
    radius_m: float


@dataclass(frozen=True)
class WellPaths:
    """Answers for every cell. `distance_m` is NaN unless the answer is that a well is reached; `label` is then the index of that well, the
    presumed ones following those on record.

    The two counts compare with steepest descent to a single neighbour (D8), as a second opinion.
    """

    distance_m: Floats
    label: flowpath.Labels
    code: npt.NDArray[np.uint8]
    reached_by_d8_only: int
    reached_without_d8: int


def drain(elevation_m: Floats, min_share: float, workers: int = 1) -> Drainage:
    """Fill the ground and find where each cell drains; `elevation_m` NaN where unknown. [m]

    Tiles and `workers` (threads) change no result. Filling is global: with each tile filled for itself, even with a wide margin, a fifth of
    the reached cells come out wrong.
    """
    shape = elevation_m.shape
    found = Drainage(
        elevation_m, np.empty(shape, np.float32), np.empty(shape, np.bool_), np.empty(shape, np.uint8), np.empty(shape, np.uint8)
    )
    filled, edge, receivers, d8 = (ArrayPlane(values) for values in (found.filled_m, found.edge, found.receivers, found.d8))
    drain_by_tiles(ArrayPlane(elevation_m), filled, receivers, d8, edge, min_share, workers=workers)
    return found


def well_paths(ground: Drainage, wells: WellDiscs, cell_size_m: float, reach_m: float, lots: PresumedLots | None = None) -> WellPaths:
    """The least flow path distance from every cell to a well, within the reach. [m]

    D-infinity receivers decide, since a single steepest neighbour runs up to 38 percent of the path length off to one side on a plane.
    """
    shape = ground.filled_m.shape
    start_m, start = flowpath.well_discs(shape, wells.col, wells.row, wells.radius_m, wells.location_error_m, cell_size_m)
    if lots is not None:
        _add_lots(start_m, start, lots, len(wells.col), cell_size_m)
    known = ~np.isnan(ground.filled_m)
    start_m[~known] = np.inf
    by_d8, _ = flowpath.path_distance(ground.d8, start_m, start, cell_size_m, reach_m)
    reached_by_d8 = np.isfinite(by_d8)
    del by_d8
    distance_m, label = flowpath.path_distance(ground.receivers, start_m, start, cell_size_m, reach_m)
    leaves = flowpath.leaves_within(ground.receivers, ground.edge, cell_size_m, reach_m)
    code = flowpath.answers(distance_m, leaves, known)
    reached = np.isfinite(distance_m)
    return WellPaths(
        np.where(reached, distance_m, np.float32(np.nan)),
        label,
        code,
        int(np.count_nonzero(reached_by_d8 & ~reached)),
        int(np.count_nonzero(reached & ~reached_by_d8)),
    )


def _add_lots(start_m: Floats, start: flowpath.Labels, lots: PresumedLots, wells: int, cell_size_m: float) -> None:
    """Add the starts of presumed wells, in place: 0 on the lot, beyond it the straight distance from it, as far as a well's disc goes.

    Wherever on its lot the well is, no start of its disc is nearer than this: half a cell's diagonal is taken off, by which the middle of a
    cell that the lot only touches may lie farther away than the lot.
    """
    rows, cols = start_m.shape
    for top in range(0, rows, BAND_ROWS):
        here = slice(top, min(rows, top + BAND_ROWS))
        label = lots.label[top : here.stop + 2 * lots.margin]
        if (label < 0).all():
            continue
        away, (row, col) = ndimage.distance_transform_edt(label < 0, return_indices=True)
        inside = (slice(lots.margin, lots.margin + here.stop - top), slice(lots.margin, lots.margin + cols))
        lot_m = np.maximum(away[inside] - math.sqrt(0.5), 0.0) * cell_size_m
        nearer = (lot_m <= lots.radius_m) & (lot_m < start_m[here])
        start_m[here][nearer] = lot_m[nearer]
        start[here][nearer] = label[row[inside][nearer], col[inside][nearer]] + wells
