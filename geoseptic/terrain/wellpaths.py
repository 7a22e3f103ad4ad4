"""Downslope distance to wells over one elevation raster: fill, receivers, walk upward, four answers."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from geoseptic.model.planes import ArrayPlane
from geoseptic.terrain import drainage, flowpath
from geoseptic.terrain.tileddrain import drain_by_tiles
from geoseptic.terrain.windows import Window, for_windows, widened

Floats = npt.NDArray[np.float32]

SIDE_CELLS: Final = 1024
"""Side of a window where nothing asks for another: four threads' windows with the halo of 1,000 ft in cells of 2 m take 100 MB."""


@dataclass(frozen=True)
class Drainage:
    """The ground's drainage, found once for the whole raster. All arrays have its shape; `filled_m` is None where the heights given were
    filled in place."""

    filled_m: Floats | None
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

    `label` is the index of the lot that touches each cell, -1 where none, over the raster (or a window of it) and `margin` cells more on
    every side, at least `flowpath.lot_margin_cells`. `radius_m` is that of a well's disc.
    """

    label: flowpath.Labels
    margin: int
    radius_m: float

    def window(self, rows: slice, cols: slice) -> Self:
        """The lots of a window of the raster, with the same margin round it."""
        return replace(self, label=self.label[rows.start : rows.stop + 2 * self.margin, cols.start : cols.stop + 2 * self.margin])


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


def drain(elevation_m: Floats, min_share: float, workers: int = 1, *, in_place: bool = False) -> Drainage:
    """Fill the ground and find where each cell drains; `elevation_m` NaN where unknown. [m]

    Tiles and `workers` (threads) change no result. Filling is global: with each tile filled for itself, even with a wide margin, a fifth of
    the reached cells come out wrong. With `in_place` the heights given become the filled ones, and no second raster of heights is held.
    """
    shape = elevation_m.shape
    filled_m = elevation_m if in_place else np.empty(shape, np.float32)
    edge, receivers, d8 = np.empty(shape, np.bool_), np.empty(shape, np.uint8), np.empty(shape, np.uint8)
    ground, filled = ArrayPlane(elevation_m), ArrayPlane(filled_m)
    drain_by_tiles(ground, filled, ArrayPlane(receivers), ArrayPlane(d8), ArrayPlane(edge), min_share, workers=workers)
    return Drainage(None if in_place else filled_m, edge, receivers, d8)


def well_paths(
    ground: Drainage,
    wells: WellDiscs,
    cell_size_m: float,
    reach_m: float,
    lots: PresumedLots | None = None,
    workers: int = 1,
    side_cells: int | None = None,
) -> WellPaths:
    """The least flow path distance from every cell to a well, within the reach; `workers` windows at a time, in threads. [m]

    D-infinity receivers decide, since a single steepest neighbour runs up to 38 percent of the path length off to one side on a plane.
    """
    distance_m, label, code = (np.empty(ground.receivers.shape, kind) for kind in (np.float32, np.int32, np.uint8))

    def keep(core: Window, found: WellPaths) -> None:
        distance_m[core], label[core], code[core] = found.distance_m, found.label, found.code

    counts = paths_by_windows(ground, wells, cell_size_m, reach_m, keep, lots, workers, side_cells)
    return WellPaths(distance_m, label, code, *counts)


def paths_by_windows(
    ground: Drainage,
    wells: WellDiscs,
    cell_size_m: float,
    reach_m: float,
    take: Callable[[Window, WellPaths], None],
    lots: PresumedLots | None = None,
    workers: int = 1,
    side_cells: int | None = None,
) -> tuple[int, int]:
    """`well_paths` handed to `take` window by window as they are found, by the thread that found them, so that none need be held.

    Returns the two counts of `WellPaths`.
    """
    shape = ground.receivers.shape
    halo = flowpath.halo_cells(reach_m, cell_size_m)

    def in_window(core: Window) -> tuple[int, int]:
        wide, inner = widened(core, halo, shape)
        corner, own = (wide[0].start, wide[1].start), None if lots is None else lots.window(*wide)
        drained = ground.receivers[wide], ground.d8[wide], ground.edge[wide]
        found = window_paths(*drained, inner, corner, wells, cell_size_m, reach_m, own)
        take(core, found)
        return found.reached_by_d8_only, found.reached_without_d8

    counts = for_windows(in_window, ArrayPlane(ground.receivers), workers, side_cells or SIDE_CELLS)
    return sum(only for only, _ in counts), sum(without for _, without in counts)


def window_paths(
    receivers: drainage.Receivers,
    d8: drainage.Receivers,
    edge: npt.NDArray[np.bool_],
    core: tuple[slice, slice],
    corner: tuple[int, int],
    wells: WellDiscs,
    cell_size_m: float,
    reach_m: float,
    lots: PresumedLots | None = None,
) -> WellPaths:
    """`well_paths` for one window: the same bits as for the whole raster.

    Parameters
    ----------
    receivers, d8, edge : arrays, shape (rows, cols)
        The window of the raster's `Drainage` with a halo of `flowpath.halo_cells`, cut off where the raster ends. A cell of known height
        drains or lies on the edge, so the heights themselves are not needed.
    core : slices of rows and columns
        The cells asked for, in the window.
    corner : (row, col)
        The window's first cell in the raster, where the wells are counted from.
    wells : WellDiscs
        All wells, or at least those whose discs reach into the window, numbered alike in every window.
    lots : PresumedLots
        Of the window and `margin` cells more on every side.

    Returns
    -------
    WellPaths of the core's shape, with the counts of the core.
    """
    start_m, start = flowpath.well_discs(receivers.shape, wells.col, wells.row, wells.radius_m, wells.location_error_m, cell_size_m, corner)
    if lots is not None:
        flowpath.lot_discs(start_m, start, lots.label, lots.margin, lots.radius_m, cell_size_m, len(wells.col))
    known = (receivers != 0) | edge
    start_m[~known] = np.inf
    by_d8 = start_m.copy()
    flowpath.settle(d8, by_d8, None, cell_size_m, reach_m, core)
    reached_by_d8 = np.isfinite(by_d8[core])
    del by_d8
    flowpath.settle(receivers, start_m, start, cell_size_m, reach_m, core)
    distance_m = start_m[core]
    reached = np.isfinite(distance_m)
    code = flowpath.answers(distance_m, flowpath.leaves_within(receivers, edge, cell_size_m, reach_m, core), known[core])
    distance_m[~reached] = np.nan
    return WellPaths(
        distance_m,
        start[core],
        code,
        int(np.count_nonzero(reached_by_d8 & ~reached)),
        int(np.count_nonzero(reached & ~reached_by_d8)),
    )
