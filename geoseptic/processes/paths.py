"""The ground's drainage and the flow paths to wells, window by window wherever a step is not global."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.grid import HEIGHT_NOISE_M, Raster
from geoseptic.model.planes import Plane
from geoseptic.model.results import RasterResult, Results
from geoseptic.parcels import burn
from geoseptic.processes import tables
from geoseptic.processes.land import WellSites
from geoseptic.stages import stage
from geoseptic.terrain import conditioning, flowpath, mapcolours
from geoseptic.terrain.tileddrain import TILE_SHAPE, drain_by_tiles
from geoseptic.terrain.wellpaths import PresumedLots, WellDiscs, paths_by_windows
from geoseptic.terrain.windows import SIDE_CELLS, Window, for_windows, widened
from geoseptic.units import from_metres, metres_per

Floats = npt.NDArray[np.float32]

BRITISH = {"ft": "feet", "m": "metres"}

ANSWERS = {
    flowpath.REACHES_A_WELL: "cells_reaching_a_well",
    flowpath.REACHES_NO_WELL: "cells_reaching_no_well",
    flowpath.LEAVES_THE_DATA: "cells_leaving_the_data",
    flowpath.NO_ELEVATION: "cells_without_elevation",
}
"""What each of the four answers is called where cells are counted."""


@dataclass(frozen=True)
class Drained:
    """The ground's drainage as planes of one shape: the ground with buildings raised and culverts opened, its fill, the edge of the data,
    and which neighbours each cell drains to."""

    ground_m: Plane
    filled_m: Plane
    edge: Plane
    receivers: Plane
    d8: Plane


@dataclass(frozen=True)
class Paths:
    """The answers of `terrain.wellpaths.WellPaths` as planes, and its two counts."""

    distance_m: Plane
    label: Plane
    code: Plane
    reached_by_d8_only: int
    reached_without_d8: int


@stage("fill and drainage")
def drain(elevation: Raster, sites: WellSites, *, min_share: float, building_height_m: float = 0.0, workers: int = 1) -> Drained:
    """Raise the buildings, open the culverts, fill, and find where each cell drains."""
    ground_m = _conditioned(elevation, sites, building_height_m, workers)
    filled_m, edge, receivers, d8 = (ground_m.new(kind) for kind in (np.float32, np.bool_, np.uint8, np.uint8))
    side = TILE_SHAPE[0] if ground_m.in_memory else SIDE_CELLS
    drain_by_tiles(ground_m, filled_m, receivers, d8, edge, min_share, (side, side), workers)
    return Drained(ground_m, filled_m, edge, receivers, d8)


def _conditioned(elevation: Raster, sites: WellSites, height_m: float, workers: int) -> Plane:
    """The heights as float32, buildings raised, then every culvert opened, one after the other where they meet."""
    heights_m, grid, buildings_m = elevation.plane, elevation.grid, sites.buildings_m
    raises = len(buildings_m) > 0 and height_m > 0
    if heights_m.dtype == np.float32 and not raises and not len(sites.culverts_m):
        return heights_m
    out = heights_m.new(np.float32)

    def raise_in(window: Window) -> None:
        own = heights_m.read(*window).astype(np.float32, copy=False)
        if raises:
            own = conditioning.raise_cells(own, burn.centred(buildings_m, grid.window(*window)), height_m)
        out.write(*window, own)

    for_windows(raise_in, heights_m, workers)
    for line in sites.culverts_m:
        # A cell more on each side: shapes are grown by a part of a cell before they are burnt.
        rows, cols = grid.over(shapely.bounds(line), 1)
        if rows.start < rows.stop and cols.start < cols.stop:
            there = burn.touched([line], grid.window(rows, cols))
            out.write(rows, cols, conditioning.breach(out.read(rows, cols), [there]))
    return out


def well_discs(elevation: Raster, sites: WellSites, well_radius_m: float) -> WellDiscs:
    """Every well as a disc on the raster: its location error, at least the sanitary radius."""
    points = sites.wells.shapes_m
    inverse = ~elevation.grid.transform_m
    col, row = inverse @ (shapely.get_x(points), shapely.get_y(points))
    return WellDiscs(col, row, np.maximum(sites.location_error_m, well_radius_m), sites.location_error_m)


def presumed_lots(elevation: Raster, sites: WellSites, well_radius_m: float) -> Callable[[slice, slice], PresumedLots | None]:
    """For a window of the raster (rows, columns), the lots on which a well is presumed in its cells; None where there are none near."""
    grid, presumed_m = elevation.grid, sites.presumed_m
    margin = flowpath.lot_margin_cells(well_radius_m, grid.cell_size_m)

    def lots_in(rows: slice, cols: slice) -> PresumedLots | None:
        wider = grid.window(slice(rows.start - margin, rows.stop + margin), slice(cols.start - margin, cols.stop + margin))
        label = burn.numbered(presumed_m, wider)
        return PresumedLots(label, margin, well_radius_m) if (label >= 0).any() else None

    return lots_in


@stage("flow paths to wells")
def paths_to_wells(
    elevation: Raster, sites: WellSites, ground: Drained, *, reach_m: float, well_radius_m: float, workers: int = 1
) -> Paths:
    """The four answers for every cell; a presumed well counts as one at the nearest edge of its lot."""
    distance_m, label, code = (elevation.plane.new(kind) for kind in (np.float32, np.int32, np.uint8))
    counts = paths_by_windows(
        (ground.receivers, ground.d8, ground.edge),
        (distance_m, label, code),
        well_discs(elevation, sites, well_radius_m),
        elevation.grid.cell_size_m,
        reach_m,
        presumed_lots(elevation, sites, well_radius_m),
        workers,
    )
    return Paths(distance_m, label, code, *counts)


def ponding_m(ground: Drained, window: Window) -> Floats:
    """Depth of water that a hollow would hold; 0 where less than the noise of the survey. [m]"""
    depth: Floats = ground.filled_m.read(*window) - ground.ground_m.read(*window)
    depth[depth < HEIGHT_NOISE_M] = 0
    return depth


def path_results(
    elevation: Raster, sites: WellSites, ground: Drained, paths: Paths, unit: str, *, reach_m: float, well_radius_m: float, workers: int = 1
) -> Results:
    """Flow path distance, the four answers, the nearest well and ponding, with lengths in `unit`."""
    per_m = np.float32(1 / metres_per(unit))
    reach = from_metres(reach_m, unit)
    presumed = len(sites.presumed_ids)
    wells = len(sites.wells) + presumed
    tags = {"REACH_M": f"{reach_m:g}", "WELL_RADIUS_M": f"{well_radius_m:g}", "PRESUMED_WELLS": f"{presumed}"}
    discs = well_discs(elevation, sites, well_radius_m)
    distance, depth = elevation.plane.new(np.float32), elevation.plane.new(np.float32)

    def told(window: Window) -> tuple[Counter[str], npt.NDArray[np.int64], Counter[int]]:
        own_m = ponding_m(ground, window)
        distance.write(*window, paths.distance_m.read(*window) * per_m)
        depth.write(*window, own_m * per_m)
        code = paths.code.read(*window)
        (wide, _), shape = widened(window, mapcolours.HALO_CELLS, elevation.grid.shape), code.shape
        # South and east of the window only: the others' edges are theirs.
        around = paths.label.read(slice(window[0].start, wide[0].stop), slice(window[1].start, wide[1].stop))
        label = around[: shape[0], : shape[1]]
        tally = np.bincount(code.ravel(), minlength=max(ANSWERS) + 1)
        count = Counter({name: int(tally[answer]) for answer, name in ANSWERS.items()})
        count["cells_ponding"] = int(np.count_nonzero(own_m > 0))
        return count, np.bincount(label[label >= 0], minlength=wells), mapcolours.shared_edges(around, wells, (shape[0], shape[1]))

    found = for_windows(told, elevation.plane, workers)
    totals = sum((count for count, _, _ in found), Counter[str]())
    cells = np.sum([number for _, number, _ in found], axis=0)
    edges = sum((shared for _, _, shared in found), Counter[int]())
    bound = f"within {reach:g} {BRITISH[unit]} along the flow path"
    hidden = f" {presumed} presumed wells, on no record, count as if at the nearest edge of their lots." if presumed else ""
    answers = {
        "wells_presumed": presumed,
        **{name: totals[name] for name in ANSWERS.values()},
        "cells_reaching_a_well_by_steepest_descent_only": paths.reached_by_d8_only,
        "cells_reaching_a_well_except_by_steepest_descent": paths.reached_without_d8,
        "cells_ponding": totals["cells_ponding"],
    }
    return Results(
        rasters=(
            RasterResult(
                "well_path",
                elevation.with_values(distance),
                legend_table.well_path(unit, reach),
                "Distance along the flow path to a well",
                f"Down the fall of the ground to the nearest well {bound}; what is missing is answered by well_path_code.{hidden} "
                f"{SCREENING_AID}",
                unit,
                tags,
            ),
            RasterResult(
                "well_path_code",
                elevation.with_values(paths.code, 0),
                legend_table.WELL_PATH_CODE,
                "Does water run from here to a well?",
                f"Four answers, {bound}.{hidden}",
                "",
                tags,
            ),
            RasterResult(
                "well_path_well",
                elevation.with_values(paths.label, -1),
                legend_table.well_number(mapcolours.coloured(edges, wells, len(legend_table.NUMBER_COLOURS)).tolist()),
                "Number of the nearest well down the flow path",
                f"The layer well_discs in well_discs.gpkg names each number. Colours only tell neighbours apart.{hidden}",
                "",
                tags,
            ),
            RasterResult(
                "ponding",
                elevation.with_values(depth),
                legend_table.ponding(unit),
                "Depth of water that a hollow would hold",
                f"Fill depth before the hollow spills; under {HEIGHT_NOISE_M:g} m is noise and set to 0. Unmapped culverts show here too.",
                unit,
            ),
        ),
        layers=(
            tables.disc_layer(
                np.concatenate([sites.wells.ids, sites.presumed_ids]),
                np.concatenate([sites.wells.shapes_m, sites.presumed_m]),
                np.concatenate([discs.radius_m, np.full(presumed, well_radius_m)]),
                np.arange(wells) >= len(sites.wells),
                cells,
                elevation.grid.cell_size_m,
                unit,
                sites.frame,
            ),
        ),
        counts={**sites.counts, **answers},
        warnings=sites.notes,
    )
