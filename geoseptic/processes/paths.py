"""The ground's drainage and the flow paths to wells, window by window wherever a step is not global."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.io import kept
from geoseptic.io.keptplanes import Part, at_once, by_windows, made_when_read, summed
from geoseptic.io.tallies import tally
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import HEIGHT_NOISE_M, Grid, Raster
from geoseptic.model.legends import NumberLegend
from geoseptic.model.planes import Plane
from geoseptic.model.results import RasterResult, Results
from geoseptic.model.wellnumbers import Numbers, rows_of
from geoseptic.parcels import burn
from geoseptic.parcels.byplace import ByPlace
from geoseptic.processes import tables
from geoseptic.processes.land import WellSites
from geoseptic.stages import stage
from geoseptic.terrain import conditioning, flowpath, mapcolours
from geoseptic.terrain.tileddrain import TILE_SHAPE, drain_by_tiles
from geoseptic.terrain.wellpaths import PresumedLots, WellDiscs, window_paths
from geoseptic.terrain.windows import SIDE_CELLS, Window, for_windows, widened
from geoseptic.units import from_metres, metres_per

Floats = npt.NDArray[np.float32]

BRITISH = {"ft": "feet", "m": "metres"}

MOST_WELLS: Final = 2**31
"""Pairs of wells are told by one number, whatever the number of wells: a window's tally stays what it was when there is one more."""

STEPS_A_UNIT: Final = np.float32(32)
"""Of the raster of paths, rounded down, so that no well seems farther than it is: far below a cell, and the file takes a quarter less."""

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
    """The answers of `terrain.wellpaths.WellPaths` as planes, wells by their `WellSites.numbers`, and its two counts."""

    distance_m: Plane
    number: Plane
    code: Plane
    reached_by_d8_only: int
    reached_without_d8: int


@dataclass(frozen=True)
class Ponding:
    """Depth of water that hollows would hold, 0 where less than the noise of the survey, and how many cells have any. [m]"""

    depth_m: Plane
    cells: int


@stage("fill and drainage")
def drain(elevation: Raster, sites: WellSites, *, min_share: float, building_height_m: float = 0.0, workers: int = 1) -> Drained:
    """Raise the buildings, open the culverts, fill, and find where each cell drains."""
    ground_m = elevation.plane
    raised = sites.buildings_m if building_height_m > 0 else sites.buildings_m[:0]
    if ground_m.dtype != np.float32 or len(raised) or len(sites.culverts_m):
        given = Part.whole(ground_m), elevation.grid, raised, building_height_m, sites.culverts_m
        (ground_m,) = at_once(ground_m, (np.float32,), _conditioned, given, workers=workers)
    kinds = np.float32, np.bool_, np.uint8, np.uint8
    filled_m, edge, receivers, d8 = at_once(ground_m, kinds, _drained, (Part.whole(ground_m), min_share), workers=workers)
    return Drained(ground_m, filled_m, edge, receivers, d8)


def _drained(ground: Part, min_share: float, *, workers: int) -> tuple[Plane, ...]:
    ground_m = ground.plane
    filled_m, edge, receivers, d8 = (ground_m.new(kind) for kind in (np.float32, np.bool_, np.uint8, np.uint8))
    side = TILE_SHAPE[0] if ground_m.in_memory else SIDE_CELLS
    drain_by_tiles(ground_m, filled_m, receivers, d8, edge, min_share, (side, side), workers)
    return filled_m, edge, receivers, d8


def _conditioned(
    heights: Part, grid: Grid, buildings_m: Geometries, height_m: float, culverts_m: Geometries, *, workers: int
) -> tuple[Plane]:
    """The heights as float32, buildings raised, then every culvert opened, one after the other where they meet."""
    heights_m = heights.plane
    out = heights_m.new(np.float32)
    near = burn.Near(buildings_m)

    def raise_in(window: Window) -> None:
        own = heights_m.read(*window).astype(np.float32, copy=False)
        place = grid.window(*window)
        there, _ = near.of(place)
        if len(there):
            own = conditioning.raise_cells(own, burn.centred(there, place), height_m)
        out.write(*window, own)

    for_windows(raise_in, heights_m, workers)
    for line in culverts_m:
        # A cell more on each side: shapes are grown by a part of a cell before they are burnt.
        rows, cols = grid.over(shapely.bounds(line), 1)
        if rows.start < rows.stop and cols.start < cols.stop:
            there = burn.touched([line], grid.window(rows, cols))
            out.write(rows, cols, conditioning.breach(out.read(rows, cols), [there]))
    return (out,)


def well_discs(elevation: Raster, sites: WellSites, well_radius_m: float) -> WellDiscs:
    """Every well as a disc on the raster: its location error, at least the sanitary radius."""
    points = sites.wells.shapes_m
    inverse = ~elevation.grid.transform_m
    col, row = inverse @ (shapely.get_x(points), shapely.get_y(points))
    return WellDiscs(col, row, np.maximum(sites.location_error_m, well_radius_m), sites.location_error_m)


@stage("flow paths to wells")
def paths_to_wells(
    elevation: Raster, sites: WellSites, ground: Drained, *, reach_m: float, well_radius_m: float, workers: int = 1
) -> Paths:
    """The four answers for every cell; a presumed well counts as one at the nearest edge of its lot."""
    grid, cell_m = elevation.grid, elevation.grid.cell_size_m
    halo, margin = flowpath.halo_cells(reach_m, cell_m), flowpath.lot_margin_cells(well_radius_m, cell_m)
    wells = well_discs(elevation, sites, well_radius_m)
    lots_m = burn.Near(sites.presumed_m)
    more = wells.radius_m / cell_m + 2
    discs_in_cells = ByPlace(np.stack([wells.col - more, wells.row - more, wells.col + more, wells.row + more], axis=1))
    numbers, keeps = sites.numbers, kept.in_use() is not None

    def near(wide: Window) -> tuple[npt.NDArray[np.int64], Geometries, Numbers]:
        """The wells in reach of a window, the lots near it, and the numbers of both."""
        rows, cols = wide
        own = discs_in_cells.meeting(cols.start, rows.start, cols.stop, rows.stop)
        rows, cols = (slice(side.start - margin, side.stop + margin) for side in wide)
        shapes, places = lots_m.of(grid.window(rows, cols))
        return own, shapes, numbers[np.concatenate([own, len(wells.col) + places])]

    def given(core: Window) -> tuple[Any, ...]:
        wide, inner = widened(core, halo, grid.shape)
        own, shapes, called = near(wide)
        discs = WellDiscs(wells.col[own], wells.row[own], wells.radius_m[own], wells.location_error_m[own])
        drained = (Part(plane, wide) for plane in (ground.receivers, ground.d8, ground.edge))
        return *drained, inner, wide, discs, shapes, None if keeps else called, grid, margin, well_radius_m, reach_m

    (distance_m, number, code), counts = by_windows(elevation.plane, (np.float32, np.int32, np.uint8), _paths, given, workers)
    if keeps:
        # By themselves: a well that is called otherwise has the paths that it had.
        place = number
        (number,), _ = by_windows(
            elevation.plane,
            (np.int32,),
            _with_numbers,
            lambda core: (Part(place, core), near(widened(core, halo, grid.shape)[0])[2]),
            workers,
            by_blocks=False,  # which of the wells near several windows are near each does not follow from their numbers
        )
    return Paths(distance_m, number, code, sum(only for only, _ in counts), sum(without for _, without in counts))


def _paths(
    receivers: Part,
    d8: Part,
    edge: Part,
    inner: Window,
    wide: Window,
    wells: WellDiscs,
    lots_m: Geometries,
    numbers: Numbers | None,
    grid: Grid,
    margin: int,
    well_radius_m: float,
    reach_m: float,
) -> tuple[tuple[Floats, flowpath.Labels, npt.NDArray[np.uint8]], tuple[int, int]]:
    """Answers of a window from the wells and lots near it, wells first, called by their `numbers`, or by their places here."""
    rows, cols = (slice(side.start - margin, side.stop + margin) for side in wide)
    label = burn.numbered(lots_m, grid.window(rows, cols)) if len(lots_m) else None
    lots = PresumedLots(label, margin, well_radius_m) if label is not None and (label >= 0).any() else None
    corner = wide[0].start, wide[1].start
    found = window_paths(receivers.read(), d8.read(), edge.read(), inner, corner, wells, grid.cell_size_m, reach_m, lots)
    called = found.label if numbers is None else _numbered(found.label, numbers)
    return (found.distance_m, called, found.code), (found.reached_by_d8_only, found.reached_without_d8)


def _numbered(place: flowpath.Labels, numbers: Numbers) -> flowpath.Labels:
    """The number of each cell's well instead of its place in `numbers`; -1 stays."""
    return np.append(numbers, np.int32(-1))[place]


def _with_numbers(place: Part, numbers: Numbers) -> tuple[tuple[flowpath.Labels], None]:
    return (_numbered(place.read(), numbers),), None


def ponding(ground: Drained, workers: int = 1) -> Ponding:
    """How deep water would stand in every hollow."""
    filled_m, ground_m = ground.filled_m, ground.ground_m
    (depth,), cells = by_windows(filled_m, (np.float32,), _depth, lambda window: (Part(filled_m, window), Part(ground_m, window)), workers)
    return Ponding(depth, sum(cells))


def drop_surfaces(ground: Drained, elevation: Raster) -> None:
    """Nobody reads the ground's two surfaces any more; the elevation itself, which may be one of them, stays."""
    ground.filled_m.drop()
    if ground.ground_m is not elevation.plane:
        ground.ground_m.drop()


def ponding_m(ground: Drained, window: Window) -> Floats:
    """Depth of water that a hollow would hold; 0 where less than the noise of the survey. [m]"""
    return _depth_m(Part(ground.filled_m, window), Part(ground.ground_m, window))


def _depth_m(filled: Part, ground: Part) -> Floats:
    depth: Floats = filled.read() - ground.read()
    depth[depth < HEIGHT_NOISE_M] = 0
    return depth


def path_results(
    elevation: Raster,
    sites: WellSites,
    ponding: Ponding,
    paths: Paths,
    unit: str,
    *,
    reach_m: float,
    well_radius_m: float,
    workers: int = 1,
) -> Results:
    """Flow path distance, the four answers, the nearest well and ponding, with lengths in `unit`."""
    per_m = np.float32(1 / metres_per(unit))
    reach = from_metres(reach_m, unit)
    presumed = len(sites.presumed_ids)
    wells = len(sites.wells) + presumed
    tags = {"REACH_M": f"{reach_m:g}", "WELL_RADIUS_M": f"{well_radius_m:g}", "PRESUMED_WELLS": f"{presumed}"}
    discs = well_discs(elevation, sites, well_radius_m)
    like, shape = elevation.plane, elevation.grid.shape

    def answered(window: Window) -> tuple[Any, ...]:
        # South and east of the window only: the others' edges are theirs.
        wide, _ = widened(window, mapcolours.HALO_CELLS, shape)
        around = slice(window[0].start, wide[0].stop), slice(window[1].start, wide[1].stop)
        return Part(paths.code, window), Part(paths.number, around)

    distance = made_when_read(paths.distance_m, np.float32, _rounded_in_unit, per_m, workers=workers)
    depth = made_when_read(ponding.depth_m, np.float32, _in_unit, per_m, workers=workers)
    _, found = by_windows(like, (), _tally, answered, workers)
    totals = summed(answers for answers, _, _ in found)
    reached = np.array([pair for _, pairs, _ in found for pair in pairs], np.int64).reshape(-1, 2)
    cells = np.zeros(wells, np.int64)
    np.add.at(cells, rows_of(sites.numbers, reached[:, 0]), reached[:, 1])
    shared = summed(edges for _, _, edges in found)
    bound = f"within {reach:g} {BRITISH[unit]} along the flow path"
    hidden = f" {presumed} presumed wells, on no record, count as if at the nearest edge of their lots." if presumed else ""
    answers = {
        "wells_presumed": presumed,
        **{name: totals[answer] for answer, name in ANSWERS.items()},
        "cells_reaching_a_well_by_steepest_descent_only": paths.reached_by_d8_only,
        "cells_reaching_a_well_except_by_steepest_descent": paths.reached_without_d8,
        "cells_ponding": ponding.cells,
    }
    return Results(
        rasters=(
            RasterResult(
                "well_path",
                elevation.with_values(distance),
                legend_table.well_path(unit, reach),
                "Distance along the flow path to a well",
                f"Down the fall of the ground to the nearest well {bound}, rounded down to a 32nd; what is missing is answered by "
                f"well_path_code.{hidden} {SCREENING_AID}",
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
                elevation.with_values(paths.number, -1),
                _well_legend(sites, shared),
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
                sites.names,
                sites.numbers,
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


def _well_legend(sites: WellSites, shared: Mapping[int, int]) -> NumberLegend:
    """Names and colours of the wells in the order of their numbers, so that neither hangs on the order of the layer; `shared` as of
    `mapcolours.shared_edges` with `MOST_WELLS`."""
    order = np.argsort(sites.numbers)
    numbers = sites.numbers[order]
    keys = np.fromiter(shared, np.int64, len(shared))
    one, other = (rows_of(numbers, found) for found in (keys // MOST_WELLS, keys % MOST_WELLS))
    edges = dict(zip((one * len(numbers) + other).tolist(), shared.values(), strict=True))
    colours = mapcolours.coloured(edges, len(numbers), len(legend_table.NUMBER_COLOURS))
    return legend_table.well_number(numbers.tolist(), sites.names[order].tolist(), colours.tolist())


def _in_unit(length_m: Part, per_m: np.float32) -> tuple[tuple[Floats], None]:
    return (length_m.read() * per_m,), None


def _rounded_in_unit(length_m: Part, per_m: np.float32) -> tuple[tuple[Floats], None]:
    steps: Floats = length_m.read() * (per_m * STEPS_A_UNIT)
    np.floor(steps, out=steps)
    steps /= STEPS_A_UNIT
    return (steps,), None


def _depth(filled_m: Part, ground_m: Part) -> tuple[tuple[Floats], int]:
    depth = _depth_m(filled_m, ground_m)
    return (depth,), int(np.count_nonzero(depth > 0))


def _tally(code: Part, numbers: Part) -> tuple[tuple[()], tuple[list[tuple[int, int]], ...]]:
    """Cells of each answer, cells of each well, and what `mapcolours.shared_edges` says, as pairs."""
    answers, around = code.read(), numbers.read()
    own = around[: answers.shape[0], : answers.shape[1]]
    shared = mapcolours.shared_edges(around, MOST_WELLS, (answers.shape[0], answers.shape[1]))
    return (), (tally(answers), [pair for pair in tally(own) if pair[0] >= 0], list(shared.items()))
