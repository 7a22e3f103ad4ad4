"""Chances of cells as rasters: that they keep every setback, are not too steep, and have water that runs to a well."""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance.clear import Ground, UncertainWells, clear_chance
from geoseptic.chance.closed import in_percent
from geoseptic.chance.draws import GroundError, ground_error
from geoseptic.chance.errors import EXACT, IN_GROUND
from geoseptic.chance.slopes import UNKNOWN, slope_chance
from geoseptic.io.keptplanes import Part, by_windows
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.layers import WELL_KINDS
from geoseptic.model.planes import Plane
from geoseptic.model.results import RasterResult, Results
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.buffers import outward
from geoseptic.processes.chance_ground import beside_gaps, rise_sigmas_percent
from geoseptic.processes.land import Land
from geoseptic.processes.slopes import slope_limit_percent
from geoseptic.processes.steps import Cut
from geoseptic.processes.uncertain import Uncertain
from geoseptic.stages import stage
from geoseptic.terrain import flowpath
from geoseptic.terrain.slope import halo_cells
from geoseptic.terrain.tileddrain import TILE_SHAPE, drain_by_tiles
from geoseptic.terrain.windows import SIDE_CELLS, Window, for_windows, widened

Percent = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]

WELLS: Final = frozenset(WELL_KINDS.values())


@stage("chance that cells are clear")
def clear_results(elevation: Raster, land: Land, rules: RuleSet, cut: Cut, uncertain: Uncertain, workers: int) -> Results:
    """The chance that each cell keeps every setback of the drain field, whose zones are in `cut`."""
    wells, ground = uncertain_zones(land, cut, uncertain)

    def given(window: Window) -> tuple[Any, ...]:
        grid = elevation.grid.window(*window)
        return grid, wells.near(grid), ground.near(grid)

    (percent,), counted = by_windows(elevation.plane, (np.uint8,), _clear, given, workers)
    tally = np.sum(counted, axis=0)
    sampled = int(np.count_nonzero(wells.errors.kind == IN_GROUND))
    by_draws = (
        f" {sampled} wells that are somewhere on a lot go in by {uncertain.draws.count} draws each, whose sampling error is up to "
        f"{sampling_error_percent(uncertain.draws.count):.1f} points (one standard error)."
        if sampled
        else ""
    )
    return Results(
        rasters=(
            RasterResult(
                "chance_clear",
                elevation.with_values(percent, UNKNOWN),
                legend_table.CHANCE_CLEAR,
                "Chance to keep every setback of a drain field",
                "Percent, rounded down: 100 and 0 are said of certainty alone, 255 is unknown. Distances that may be required for another "
                f"reason than a place count as required, and a cell that keeps its distance only in part does not keep it.{by_draws} "
                f"{rules.title}, edition {rules.edition}. {SCREENING_AID}",
                "percent",
                {**_tags(uncertain), "WELLS_UNCERTAIN": f"{len(wells.errors)}", "WELLS_BY_DRAWS": f"{sampled}"},
            ),
        ),
        counts={
            "cells_certainly_clear": int(tally[100]),
            "cells_never_clear": int(tally[0]),
            "cells_perhaps_clear": int(tally[1:100].sum()),
            "cells_of_unknown_chance": int(tally[UNKNOWN]),
        },
    )


def _clear(grid: Grid, wells: UncertainWells, ground: Ground) -> tuple[tuple[Percent], list[int]]:
    percent = in_percent(clear_chance(grid, wells, ground))
    return (percent,), np.bincount(percent.ravel(), minlength=UNKNOWN + 1).tolist()


def uncertain_zones(land: Land, cut: Cut, uncertain: Uncertain) -> tuple[UncertainWells, Ground]:
    """What is kept clear of wells of uncertain place, and the ground that everything else closes.

    Zones that only may be required close ground as well, save those that are so for want of a well's place: there the chance says it.
    """
    zones, obstacles = cut.zones, land.obstacles
    everyone = uncertain.every_well
    thing = things_of(land)
    own = thing[zones.source]
    of_uncertain = (own >= 0) & (everyone.kind != EXACT)[own]
    distance_m, whole = zones.distance_m, zones.whole
    keep_m = np.zeros(len(everyone))
    full = of_uncertain & whole
    np.maximum.at(keep_m, own[full], distance_m[full])
    rows = np.flatnonzero(everyone.kind != EXACT)
    errors = everyone.kept(rows)
    further = np.flatnonzero(of_uncertain & ~whole)
    further = further[distance_m[further] > keep_m[own[further]]]
    wells = UncertainWells(
        errors,
        keep_m[rows],
        _ground_places(uncertain),
        np.searchsorted(rows, own[further]),
        distance_m[further],
        zones.where_m[further],
    )
    shifted = (obstacles.feature[zones.source] == "building") & (uncertain.building_sigmas_m.max() > 0)
    certain = np.flatnonzero(~of_uncertain & ~shifted)
    by_buildings = np.flatnonzero(shifted)
    shapes_m, fabric = zones.shapes_m, land.fabric
    doubtful = list(fabric.outlined)
    sigmas_m = np.column_stack([uncertain.line_sigmas_m, uncertain.building_sigmas_m])
    own = (sigmas_m != (uncertain.line_sigma_m, uncertain.building_sigma_m)).any(axis=1)
    return wells, Ground(
        np.concatenate([shapes_m[certain[zones.outermost(certain)]], outward(fabric.disputed_m, cut.envelopes.lot_line_m)]),
        np.concatenate([fabric.claimed_m[cut.envelopes.failed], shapely.difference(fabric.claimed_m[doubtful], fabric.shapes_m[doubtful])]),
        fabric.claimed_m,
        cut.strips.shapes if cut.envelopes.lot_line_m > 0 else shapely.boundary(fabric.shapes_m),
        shapes_m[by_buildings[zones.outermost(by_buildings)]],
        uncertain.line_sigma_m,
        uncertain.building_sigma_m,
        fabric.claimed_m[own],
        sigmas_m[own],
    )


def things_of(land: Land) -> npt.NDArray[np.int64]:
    """For each obstacle the row of its well among those on record and the presumed ones after them, -1 for what is no well."""
    place = {name: row for row, name in enumerate(land.wells.ids)}
    presumed = {name: len(land.wells) + row for row, name in enumerate(land.presumed_ids)}
    obstacles = land.obstacles
    return np.array(
        [
            presumed[name] if hidden else place[name] if feature in WELLS else -1
            for feature, name, hidden in zip(obstacles.feature, obstacles.ids, obstacles.presumed, strict=True)
        ],
        np.int64,
    )


def _ground_places(uncertain: Uncertain) -> npt.NDArray[np.float64]:
    """Draws of the wells that are in a ground, those on record first; shape (draws, wells, 2). [m]"""
    on_lots = uncertain.wells.kept(np.flatnonzero(uncertain.wells.kind == IN_GROUND))
    return uncertain.draws.wells_m(on_lots, uncertain.presumed)


@stage("chance that the ground is not too steep")
def slope_results(
    elevation: Raster, slope: Plane, rules: RuleSet, uncertain: Uncertain, window_m: float, method: str, workers: int
) -> Results:
    """The chance that the ground of each cell is no steeper than the rule set's limit for a drain field."""
    limit_percent = slope_limit_percent(rules)
    cell_m = elevation.grid.cell_size_m
    sigma_percent, at_gaps_percent = rise_sigmas_percent(uncertain, cell_m, window_m, method)
    halo = halo_cells(cell_m, None if method == "horn" else window_m)

    def given(window: Window) -> tuple[Any, ...]:
        wide, inner = widened(window, halo, elevation.plane.shape)
        return Part(slope, window), Part(elevation.plane, wide), inner, halo, limit_percent, sigma_percent, at_gaps_percent

    (percent,), counted = by_windows(slope, (np.uint8,), _slope_chance, given, workers)
    tally = np.sum(counted, axis=0)
    limit = (
        "no limit in the rule set: nothing is too steep" if limit_percent is None else f"limit of the rule set {limit_percent:g} percent"
    )
    warnings = (
        () if limit_percent is not None else (f"rule set '{rules.id}' is silent on slope: slope_chance is 100 wherever heights are known",)
    )
    return Results(
        rasters=(
            RasterResult(
                "slope_chance",
                elevation.with_values(percent, UNKNOWN),
                legend_table.CHANCE_SLOPE,
                "Chance that the ground is not too steep for a drain field",
                f"Percent, rounded down; {limit}. Heights are off by {uncertain.rmse_m:g} m root mean square, correlated over "
                f"{uncertain.correlation_m:g} m: the slope's rise is off by {sigma_percent:.2f} points (one standard deviation) along each "
                f"axis. Beside gaps the lesser of the chances with that and with {at_gaps_percent:.2f} points. {SCREENING_AID}",
                "percent",
                {
                    **_tags(uncertain),
                    "LIMIT_PERCENT": "" if limit_percent is None else f"{limit_percent:g}",
                    "SLOPE_SIGMA_PERCENT": f"{sigma_percent:.4f}",
                },
            ),
        ),
        counts={
            "cells_certainly_not_too_steep": int(tally[100]),
            "cells_perhaps_not_too_steep": int(tally[1:100].sum()),
            "cells_certainly_too_steep": int(tally[0]),
            "slope_sigma_percent": round(sigma_percent, 4),
        },
        warnings=warnings,
    )


def _slope_chance(
    slope: Part, heights_m: Part, inner: Window, half: int, limit_percent: float | None, sigma_percent: float, at_gaps_percent: float
) -> tuple[tuple[Percent], list[int]]:
    own = slope.read()
    if limit_percent is None:
        percent = np.where(np.isnan(own), UNKNOWN, 100).astype(np.uint8)
    else:
        percent = slope_chance(own, limit_percent, sigma_percent)
        if sigma_percent > 0 and at_gaps_percent > sigma_percent:
            beside = beside_gaps(heights_m.read(), inner, half) & ~np.isnan(own)
            percent[beside] = np.minimum(percent[beside], slope_chance(own[beside], limit_percent, at_gaps_percent))
    return (percent,), np.bincount(percent.ravel(), minlength=UNKNOWN + 1).tolist()


@stage("chance that water runs to a well")
def path_results(
    elevation: Raster,
    land: Land,
    ground_m: Plane,
    receivers: Plane,
    edge: Plane,
    uncertain: Uncertain,
    draws: int,
    *,
    reach_m: float,
    well_radius_m: float,
    min_share: float,
    workers: int,
) -> Results:
    """The share of draws of ground and wells in which water runs from each cell to a well within the reach.

    `ground_m` is the ground as water meets it, `receivers` and `edge` its drainage. A well in a draw is a disc of the sanitary radius at
    its drawn place. A cell whose water leaves the data in some draw counts as one that runs to a well there, and is unknown where in no
    draw it runs to one.
    """
    field = (
        ground_error(uncertain.draws.seed, uncertain.rmse_m, uncertain.correlation_m, elevation.grid.cell_size_m)
        if uncertain.rmse_m > 0
        else None
    )
    certain = field is None and bool((uncertain.every_well.kind == EXACT).all())
    count = 1 if certain else draws
    found = _Tally(ground_m.new(np.uint8), ground_m.new(np.uint8))
    for draw in range(count):
        own = (receivers, edge)
        if field is not None:
            offset = uncertain.draws.ground_offsets(field.values_m.shape[0], draw, draw + 1)[0]
            own = _drained(ground_m, field, offset, min_share, workers)
        places_m = uncertain.draws.wells_m(uncertain.wells, uncertain.presumed, draw, draw + 1)[0]
        before = found
        found = _with_draw(before, *own, elevation.grid, places_m, draw == 0, well_radius_m, reach_m, workers)
        for plane in (before.reached, before.left, *(own if field is not None else ())):
            plane.drop()
    percent = ground_m.new(np.uint8)

    def finish(window: Window) -> None:
        known = ~np.isnan(ground_m.read(*window))
        percent.write(*window, _path_percent(found.reached.read(*window), found.left.read(*window), count, known, certain))

    for_windows(finish, ground_m, workers)
    found.reached.drop()
    found.left.drop()
    error = 0.0 if certain else sampling_error_percent(count)
    return Results(
        rasters=(
            RasterResult(
                "path_chance",
                elevation.with_values(percent, UNKNOWN),
                legend_table.CHANCE_PATH,
                "Chance that water runs from here to a well",
                f"Percent of {count} draws of the ground and of all wells, within {reach_m:g} m of flow path; 1 is none of them and 99 "
                f"all, 0 and 100 are said where nothing is uncertain. Sampling error up to {error:.0f} points (one standard error); where "
                f"none of the draws runs to a well, the chance may still be {100 * (1 - 0.05 ** (1 / count)):.0f} percent. Wells are discs "
                "of "
                f"{well_radius_m:g} m at their drawn places. {SCREENING_AID}",
                "percent",
                {**_tags(uncertain), "GROUND_DRAWS": f"{count}", "SAMPLING_ERROR_PERCENT": f"{error:.2f}"},
            ),
        ),
        counts={"ground_draws": count, "path_chance_sampling_error_percent": round(error, 2)},
    )


@dataclass(frozen=True)
class _Tally:
    """In how many draws each cell's water came to a well, and left the data, as planes."""

    reached: Plane
    left: Plane


def _drained(ground_m: Plane, field: GroundError, offset: npt.NDArray[np.int64], min_share: float, workers: int) -> tuple[Plane, Plane]:
    """Receivers and edge of the ground with a draw of the heights' errors on it."""
    noisy_m = ground_m.new(np.float32)
    for_windows(lambda window: noisy_m.write(*window, ground_m.read(*window) + field.window(offset, *window)), ground_m, workers)
    filled_m, edge, receivers, d8 = (ground_m.new(kind) for kind in (np.float32, np.bool_, np.uint8, np.uint8))
    side = TILE_SHAPE[0] if ground_m.in_memory else SIDE_CELLS
    drain_by_tiles(noisy_m, filled_m, receivers, d8, edge, min_share, (side, side), workers)
    for plane in (noisy_m, filled_m, d8):
        plane.drop()
    return receivers, edge


def _with_draw(
    before: _Tally,
    receivers: Plane,
    edge: Plane,
    grid: Grid,
    places_m: npt.NDArray[np.float64],
    first: bool,
    well_radius_m: float,
    reach_m: float,
    workers: int,
) -> _Tally:
    """The tally with one more draw, in new planes: a task that is done twice changes nothing."""
    after = _Tally(receivers.new(np.uint8), receivers.new(np.uint8))
    halo = flowpath.halo_cells(reach_m, grid.cell_size_m)
    col, row = grid.cells_of(places_m).T
    more = well_radius_m / grid.cell_size_m + 2

    def count(core: Window) -> None:
        wide, inner = widened(core, halo, grid.shape)
        near = (row + more >= wide[0].start) & (row - more <= wide[0].stop) & (col + more >= wide[1].start) & (col - more <= wide[1].stop)
        wells = int(np.count_nonzero(near))
        runs, at_edge = receivers.read(*wide), edge.read(*wide)
        corner = wide[0].start, wide[1].start
        distance_m, _ = flowpath.well_discs(
            runs.shape, col[near], row[near], np.full(wells, well_radius_m), np.zeros(wells), grid.cell_size_m, corner
        )
        distance_m[(runs == 0) & ~at_edge] = np.inf
        flowpath.settle(runs, distance_m, None, grid.cell_size_m, reach_m, inner)
        reached = np.isfinite(distance_m[inner])
        left = flowpath.leaves_within(runs, at_edge, grid.cell_size_m, reach_m, inner) & ~reached
        for plane, earlier, own in ((after.reached, before.reached, reached), (after.left, before.left, left)):
            plane.write(*core, own.astype(np.uint8) if first else earlier.read(*core) + own)

    for_windows(count, receivers, workers)
    return after


def _path_percent(reached: Percent, left: Percent, draws: int, known: Bools, certain: bool) -> Percent:
    """Percent of the draws in which water runs to a well, or may; 1 and 99 at the ends unless nothing is uncertain."""
    runs = reached.astype(np.int64) + np.where(reached > 0, left, 0)
    percent = runs * 100 // draws if certain else np.clip(runs * 100 // draws, 1, 99)
    return np.where(~known | ((reached == 0) & (left > 0)), UNKNOWN, percent).astype(np.uint8)


def sampling_error_percent(draws: int) -> float:
    """Greatest standard error of a share of so many draws, which is that of one half. [percent]"""
    return 50.0 / math.sqrt(draws)


def _tags(uncertain: Uncertain) -> dict[str, str]:
    return {
        "SEED": f"{uncertain.draws.seed}",
        "DRAWS": f"{uncertain.draws.count}",
        "PARCEL_LINE_SIGMA_M": f"{uncertain.line_sigma_m:g}",
        "BUILDING_SIGMA_M": f"{uncertain.building_sigma_m:g}",
        "VERTICAL_RMSE_M": f"{uncertain.rmse_m:g}",
        "VERTICAL_CORRELATION_LENGTH_M": f"{uncertain.correlation_m:g}",
    }
