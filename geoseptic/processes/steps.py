"""The steps that processes are made of: each takes checked values and returns values or results."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numba
import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine

from geoseptic.errors import CodeSilentError
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.grid import HEIGHT_NOISE_M, Raster
from geoseptic.model.reasons import BIT, REASONS
from geoseptic.model.results import RasterResult, Results
from geoseptic.model.rules import GROUND_CONDITIONS, RuleSet
from geoseptic.model.soil_survey import MODERATE, OVER_CODE_LIMIT, SEVERE, SLIGHT, SLOPE_CLASSES_PERCENT, UNKNOWN_SLOPE
from geoseptic.parcels import burn
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.envelope import DISPUTED, LOT_LINE, Envelopes, envelopes, lot_line_zones
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.zones import MAY_BE_REQUIRED, REQUIRED, Zones, zones
from geoseptic.processes import tables
from geoseptic.processes.land import Land, WellSites
from geoseptic.stages import stage
from geoseptic.terrain import conditioning, flowpath, rating
from geoseptic.terrain.mapcolours import told_apart
from geoseptic.terrain.slope import half_window_cells, horn_slope_percent, plane_slope_percent
from geoseptic.terrain.wellpaths import Drainage, PresumedLots, WellDiscs, WellPaths, well_paths
from geoseptic.terrain.wellpaths import drain as drain_ground
from geoseptic.units import from_metres, metres_per

Floats = npt.NDArray[np.float32]

WIDE_WINDOW = 1.1
"""A window is an odd number of cells; it may be a tenth wider than asked before that is worth a warning."""

UNKNOWN_CLASS = 255
"""Nodata of class rasters, which no cell holds: unknown is a class in them, so that overviews count it like the others."""

BRITISH = {"ft": "feet", "m": "metres"}


@dataclass(frozen=True)
class Cut:
    """One part's envelopes, the zones they were cut by and the strips along the lot lines."""

    envelopes: Envelopes
    zones: Zones
    strips_m: npt.NDArray[np.object_]
    lot_line_silent: bool


def use_threads(workers: int) -> None:
    """Let compiled kernels use so many threads, at most those of the machine."""
    numba.set_num_threads(max(1, min(workers, numba.config.NUMBA_NUM_THREADS)))  # type: ignore[attr-defined]


# Slope


@stage("slope")
def slope_percent(elevation: Raster, window_m: float, method: str, workers: int) -> Floats:
    """Slope of the ground in percent, by a plane over the window or by finite difference."""
    use_threads(workers)
    heights_m = elevation.values.astype(np.float32, copy=False)
    if method == "horn":
        return horn_slope_percent(heights_m, elevation.grid.cell_size_m)
    return plane_slope_percent(heights_m, elevation.grid.cell_size_m, window_m)


def slope_limit_percent(rules: RuleSet) -> float | None:
    """The code's limit for a drain field, None where it is silent."""
    try:
        return rules.slope_limit("drain_field").max_percent
    except CodeSilentError:
        return None


def slope_results(slope: Floats, elevation: Raster, rules: RuleSet, window_m: float, method: str) -> Results:
    """Slope and its classes, with the window that the cells allowed."""
    limit_percent = slope_limit_percent(rules)
    classes = slope_classes(slope, limit_percent)
    cell_m = elevation.grid.cell_size_m
    cells = 3 if method == "horn" else 2 * half_window_cells(cell_m, window_m) + 1
    measured_m = cells * cell_m
    how = (
        f"plane over {measured_m:.4g} m ({cells} x {cells} cells)"
        if method == "plane"
        else f"Horn's finite difference over {measured_m:.4g} m"
    )
    limit = "no limit in the rule set" if limit_percent is None else f"limit of the rule set {limit_percent:g} percent"
    tags = {
        "METHOD": method,
        "WINDOW_M": f"{measured_m:.4g}",
        "WINDOW_ASKED_M": f"{window_m:g}",
        "LIMIT_PERCENT": "" if limit_percent is None else f"{limit_percent:g}",
    }
    warnings = []
    if limit_percent is None:
        warnings.append(f"rule set '{rules.id}' is silent on slope: no cell is excluded for it")
    if measured_m > WIDE_WINDOW * window_m:
        warnings.append(
            f"with cells of {cell_m:.4g} m the slope is that of {measured_m:.4g} m of ground ({cells} cells) and not of {window_m:g} m: "
            f"it says little of a field {window_m:g} m wide, which may lie on a bank or a bench that does not show. Use an elevation "
            f"with cells of {window_m / 3:.3g} m or less, or measure the slope on the ground"
        )
    return Results(
        rasters=(
            RasterResult(
                "slope", elevation.with_values(slope), legend_table.SLOPE, "Slope of the ground", f"Percent, by {how}.", "percent", tags
            ),
            RasterResult(
                "slope_class",
                elevation.with_values(classes, UNKNOWN_CLASS),
                legend_table.SLOPE_CLASS,
                "Slope class",
                f"Soil-survey interpretive classes for absorption fields; {limit}. By {how}. {SCREENING_AID}",
                "",
                tags,
            ),
        ),
        warnings=tuple(warnings),
    )


def slope_classes(slope: Floats, limit_percent: float | None) -> npt.NDArray[np.uint8]:
    """Soil-survey class of each cell, with one class of its own above the code's limit and one where it is unknown."""
    slight, moderate = SLOPE_CLASSES_PERCENT
    classes = np.full(slope.shape, UNKNOWN_SLOPE, np.uint8)
    classes[slope < slight] = SLIGHT
    classes[(slope >= slight) & (slope <= moderate)] = MODERATE
    classes[slope > moderate] = SEVERE
    if limit_percent is not None:
        classes[slope > limit_percent] = OVER_CODE_LIMIT
    return classes


# Drainage and flow paths to wells


@stage("fill and drainage")
def drain(elevation: Raster, sites: WellSites, *, min_share: float, building_height_m: float = 0.0, workers: int = 1) -> Drainage:
    """Raise the buildings, open the culverts, fill, and find where each cell drains."""
    heights_m = elevation.values.astype(np.float32, copy=False)
    if len(sites.buildings_m) and building_height_m > 0:
        roofs = burn.centred(sites.buildings_m, elevation.grid)
        heights_m = conditioning.raise_cells(heights_m, roofs, building_height_m)
    if len(sites.culverts_m):
        heights_m = conditioning.breach(heights_m, [burn.touched([line], elevation.grid) for line in sites.culverts_m])
    return drain_ground(heights_m, min_share, workers)


def well_discs(elevation: Raster, sites: WellSites, well_radius_m: float) -> WellDiscs:
    """Every well as a disc on the raster: its location error, at least the sanitary radius."""
    points = sites.wells.shapes_m
    inverse = ~elevation.grid.transform_m
    col, row = inverse @ (shapely.get_x(points), shapely.get_y(points))
    return WellDiscs(col, row, np.maximum(sites.location_error_m, well_radius_m), sites.location_error_m)


def presumed_lots(elevation: Raster, sites: WellSites, well_radius_m: float) -> PresumedLots | None:
    """The lots on which a well is presumed, in cells of the raster; None where there are none."""
    if not len(sites.presumed_m):
        return None
    grid = elevation.grid
    margin = grid.cells(well_radius_m) + 2
    wider = replace(
        grid,
        shape=(grid.shape[0] + 2 * margin, grid.shape[1] + 2 * margin),
        transform=grid.transform @ Affine.translation(-margin, -margin),
    )
    return PresumedLots(burn.numbered(sites.presumed_m, wider), margin, well_radius_m)


@stage("flow paths to wells")
def paths_to_wells(elevation: Raster, sites: WellSites, ground: Drainage, *, reach_m: float, well_radius_m: float) -> WellPaths:
    """The four answers for every cell; a presumed well counts as one at the nearest edge of its lot."""
    discs, lots = well_discs(elevation, sites, well_radius_m), presumed_lots(elevation, sites, well_radius_m)
    return well_paths(ground, discs, elevation.grid.cell_size_m, reach_m, lots)


def ponding_m(ground: Drainage) -> Floats:
    """Depth of water that a hollow would hold; 0 where less than the noise of the survey. [m]"""
    depth = ground.filled_m - ground.ground_m
    depth[depth < HEIGHT_NOISE_M] = 0
    return depth


def path_results(
    elevation: Raster, sites: WellSites, ground: Drainage, paths: WellPaths, unit: str, *, reach_m: float, well_radius_m: float
) -> Results:
    """Flow path distance, the four answers, the nearest well and ponding, with lengths in `unit`."""
    per_m = np.float32(1 / metres_per(unit))
    reach = from_metres(reach_m, unit)
    presumed = len(sites.presumed_ids)
    wells = len(sites.wells) + presumed
    tags = {"REACH_M": f"{reach_m:g}", "WELL_RADIUS_M": f"{well_radius_m:g}", "PRESUMED_WELLS": f"{presumed}"}
    discs = well_discs(elevation, sites, well_radius_m)
    reached = paths.label >= 0
    cells = np.bincount(paths.label[reached], minlength=wells)
    bound = f"within {reach:g} {BRITISH[unit]} along the flow path"
    hidden = f" {presumed} presumed wells, on no record, count as if at the nearest edge of their lots." if presumed else ""
    depth_m = ponding_m(ground)
    answers = {
        "wells_presumed": presumed,
        "cells_reaching_a_well": int(np.count_nonzero(paths.code == flowpath.REACHES_A_WELL)),
        "cells_reaching_no_well": int(np.count_nonzero(paths.code == flowpath.REACHES_NO_WELL)),
        "cells_leaving_the_data": int(np.count_nonzero(paths.code == flowpath.LEAVES_THE_DATA)),
        "cells_without_elevation": int(np.count_nonzero(paths.code == flowpath.NO_ELEVATION)),
        "cells_reaching_a_well_by_steepest_descent_only": paths.reached_by_d8_only,
        "cells_reaching_a_well_except_by_steepest_descent": paths.reached_without_d8,
        "cells_ponding": int(np.count_nonzero(depth_m > 0)),
    }
    return Results(
        rasters=(
            RasterResult(
                "well_path",
                elevation.with_values(paths.distance_m * per_m),
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
                legend_table.well_number(told_apart(paths.label, wells, len(legend_table.NUMBER_COLOURS)).tolist()),
                "Number of the nearest well down the flow path",
                f"The layer well_discs in well_discs.gpkg names each number. Colours only tell neighbours apart.{hidden}",
                "",
                tags,
            ),
            RasterResult(
                "ponding",
                elevation.with_values(depth_m * per_m),
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


# Setback envelopes


def needs_ground(rules: RuleSet, parts: Iterable[str], land: Land) -> bool:
    """Whether any setback of the features at hand depends on drainage or slope direction."""
    for part in parts:
        for feature in set(land.obstacles.feature):
            try:
                requirement = rules.requirement(part, feature)
            except CodeSilentError:
                continue
            if any(entry.when & GROUND_CONDITIONS for entry in requirement.entries):
                return True
    return False


def ground_facts(elevation: Raster, ground: Drainage, well_radius_m: float) -> Ground:
    """What settles conditions that follow from the ground."""
    return Ground(elevation, ground.receivers, ground.edge, well_radius_m)


@stage("setback envelopes")
def cut_envelopes(
    land: Land,
    rules: RuleSet,
    parts: Iterable[str],
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: Ground | None,
    workers: int,
) -> tuple[Cut, ...]:
    """Every part's zones and envelopes. Raises CodeSilentError where the rules say nothing on a well or water that is there."""
    cuts = []
    strips_m: dict[float, npt.NDArray[np.object_]] = {}
    for part in parts:
        found = zones(land.obstacles, rules, part, facts=facts, granted=granted, ground=ground, workers=workers)
        try:
            lot_line = rules.requirement(part, LOT_LINE).settled(facts, granted).largest
            lot_line_m, silent = lot_line.distance_m or 0.0, False
        except CodeSilentError:
            lot_line_m, silent = 0.0, True
        cut = envelopes(land.fabric, found, land.obstacles, lot_line_m, workers)
        if lot_line_m not in strips_m:
            strips_m[lot_line_m] = lot_line_zones(land.fabric, cut)
        cuts.append(Cut(cut, found, strips_m[lot_line_m], silent))
    return tuple(cuts)


def envelope_results(land: Land, rules: RuleSet, cuts: tuple[Cut, ...]) -> Results:
    """Envelopes and zones as layers, with what was silent, stood in for, unchecked or failed."""
    layers = [tables.envelope_layer(cut.envelopes, cut.zones, land.well_not_on_record, rules, land.frame) for cut in cuts]
    layers.append(
        tables.zone_layer([(cut.envelopes, cut.zones, cut.strips_m) for cut in cuts], land.obstacles.location_error_m, rules, land.frame)
    )
    warnings = list(land.notes)
    failures = []
    counts: dict[str, object] = dict(land.counts)
    for cut in cuts:
        part = cut.zones.part
        words = part.replace("_", " ")
        for feature in (*cut.zones.silent, *([LOT_LINE] if cut.lot_line_silent else [])):
            warnings.append(f"code silent: '{rules.id}' has no distance from a {words} to '{feature}'; only the feature itself is kept out")
        for feature, stand_in in cut.zones.stand_ins:
            warnings.append(f"'{rules.id}' does not name '{feature}' for a {words}; held to its value for '{stand_in}'")
        for index in cut.envelopes.failed:
            why = "the envelope could not be shown to keep every distance, so it was emptied"
            failures.append({"layer": "parcels", "feature": str(land.fabric.ids[index]), "stage": f"envelope of {words}", "why": why})
        counts[f"parcels_with_room_for_{part}"] = int(np.count_nonzero(cut.envelopes.area_m2 > 0))
        counts[f"parcels_with_open_questions_for_{part}"] = int(
            np.count_nonzero(cut.envelopes.possible_area_m2 > cut.envelopes.area_m2 + tables.OPEN_FROM_M2)
        )
        unchecked = sorted({citation for citation, checked in zip(cut.zones.citation, cut.zones.checked, strict=True) if not checked})
        warnings += [f"value used for a {words} that was not checked against the code's own text: {citation}" for citation in unchecked]
    return Results(
        layers=tuple(layers),
        counts=counts,
        warnings=tuple(dict.fromkeys(warnings)),
        repairs=tables.repair_records(land.fabric.faults),
        failures=tuple(failures),
    )


# Suitability


@stage("suitability")
def suitability_results(
    elevation: Raster,
    land: Land,
    rules: RuleSet,
    cuts: tuple[Cut, ...],
    slope: Floats,
    ground: Drainage,
    paths: WellPaths,
    weights: Mapping[str, float] | None,
    *,
    reach_m: float,
) -> Results:
    """Law excludes first, decided by vectors; then the ground; what is left is rated by its limiting factor; unknown is kept apart."""
    grid = elevation.grid
    cut = next(cut for cut in cuts if cut.zones.part == "drain_field")
    reasons = legal_reasons(land, cut, elevation)
    by_law = reasons != 0
    limit_percent = slope_limit_percent(rules)
    too_steep = np.zeros(grid.shape, bool) if limit_percent is None else slope > limit_percent
    ponds = ponding_m(ground) > 0
    _set(reasons, "slope", too_steep)
    _set(reasons, "ponding", ponds)
    excluded = reasons != 0
    unproven = open_setbacks(cut, elevation)
    # A parcel whose distances could not be proven is not known to be clear anywhere.
    unproven |= burn.touched(land.fabric.shapes_m[cut.envelopes.failed], grid)
    leaves = paths.code == flowpath.LEAVES_THE_DATA
    blind = np.isnan(slope) | (paths.code == flowpath.NO_ELEVATION)
    _set(reasons, "setback_open", unproven)
    _set(reasons, "well_path_open", leaves)
    _set(reasons, "no_ground", blind)
    setback_m = max((entry.distance_m or 0.0) for entry in rules.requirement("drain_field", "private_well").entries)
    path_m = np.where(paths.code == flowpath.REACHES_NO_WELL, np.float32(np.inf), paths.distance_m)
    factors = {
        "slope": rating.slope_rating(slope, limit_percent or 2 * SLOPE_CLASSES_PERCENT[1], SLOPE_CLASSES_PERCENT),
        "well_path": rating.well_path_rating(path_m, setback_m, reach_m),
    }
    values = rating.suitability(rating.combined(factors, weights), excluded, unproven)
    classes = suitability_classes(values, by_law, (reasons >> np.uint32(BIT["outside_parcels"])) & np.uint32(1) == 1)
    how = "the least factor decides" if weights is None else "weighted mean of the factors"
    text = f"{rules.title}, edition {rules.edition}; factors slope and flow path to a well, {how}. {SCREENING_AID}"
    present = np.bitwise_or.reduce(reasons, axis=None)
    counts = {
        "cells": int(values.size),
        "cells_excluded": int(np.count_nonzero(values == rating.EXCLUDED)),
        "cells_unknown": int(np.count_nonzero(values == rating.UNKNOWN)),
        "cells_by_reason": {
            name: int(np.count_nonzero(reasons & np.uint32(1 << bit))) for name, bit in BIT.items() if int(present) >> bit & 1
        },
        "reason_bits": dict(BIT),
    }
    return Results(
        rasters=(
            RasterResult(
                "suitability",
                elevation.with_values(values, rating.UNKNOWN),
                legend_table.SUITABILITY,
                "Suitability for a drain field",
                f"0 excluded or not on a parcel (suitability_class tells these apart), 1 to 100 rated, 255 unknown. {text}",
                "",
            ),
            RasterResult(
                "suitability_class",
                elevation.with_values(classes, UNKNOWN_CLASS),
                legend_table.SUITABILITY_CLASS,
                "Suitability for a drain field, in classes",
                text,
            ),
            RasterResult(
                "reasons",
                elevation.with_values(reasons, None),
                legend_table.reasons(tuple(REASONS.items())),
                "Why a cell is excluded or unknown",
                f"One bit a rule, the highest gives the colour; 0 means that nothing was found. {text}",
            ),
        ),
        counts=counts,
    )


def legal_reasons(land: Land, cut: Cut, elevation: Raster) -> npt.NDArray[np.uint32]:
    """Bits of every required setback that a cell so much as touches; the vector zones decide, cells only show them."""
    grid = elevation.grid
    reasons = np.zeros(grid.shape, np.uint32)
    required = cut.zones.rows(REQUIRED)
    required = required[cut.zones.outermost(required)]
    shapes, feature = cut.zones.shapes_m[required], np.array(cut.zones.feature, object)[required]
    for name in sorted(set(feature)):
        _set(reasons, name, burn.touched(shapes[feature == name], grid))
    _set(reasons, DISPUTED, burn.touched(outward(land.fabric.disputed_m, cut.envelopes.lot_line_m), grid))
    # A cell on a lot line is in no envelope, whether or not the code asks for a distance from it.
    lines = cut.strips_m if cut.envelopes.lot_line_m > 0 else shapely.boundary(land.fabric.shapes_m)
    _set(reasons, LOT_LINE, burn.touched(lines, grid))
    on_parcel = burn.centred(land.fabric.shapes_m, grid)
    _set(reasons, "outside_parcels", ~on_parcel)
    return reasons


def open_setbacks(cut: Cut, elevation: Raster) -> npt.NDArray[np.bool_]:
    """Cells that touch a zone which only may be required."""
    still_open = cut.zones.rows(MAY_BE_REQUIRED)
    return burn.touched(cut.zones.shapes_m[still_open[cut.zones.outermost(still_open)]], elevation.grid)


def suitability_classes(
    values: npt.NDArray[np.uint8], by_law: npt.NDArray[np.bool_], outside: npt.NDArray[np.bool_]
) -> npt.NDArray[np.uint8]:
    """Classes of suitability_class.tif, in the order of their legend."""
    classes = np.full(values.shape, 6, np.uint8)
    rated = (values != rating.EXCLUDED) & (values != rating.UNKNOWN)
    classes[rated] = 3
    classes[rated & (values >= rating.FAIR_FROM)] = 4
    classes[rated & (values >= rating.GOOD_FROM)] = 5
    classes[values == rating.EXCLUDED] = 2
    classes[(values == rating.EXCLUDED) & by_law] = 1
    classes[outside] = 0
    return classes


def merged(*found: Results) -> Results:
    """Several results as one."""
    counts: dict[str, object] = {}
    for part in found:
        counts |= part.counts
    return Results(
        rasters=tuple(raster for part in found for raster in part.rasters),
        layers=tuple(layer for part in found for layer in part.layers),
        points=tuple(points for part in found for points in part.points),
        counts=counts,
        warnings=tuple(dict.fromkeys(warning for part in found for warning in part.warnings)),
        repairs=tuple(record for part in found for record in part.repairs),
        failures=tuple(record for part in found for record in part.failures),
        citations=tuple(dict.fromkeys(citation for part in found for citation in part.citations)),
    )


def _set(reasons: npt.NDArray[np.uint32], name: str, cells: npt.NDArray[np.bool_]) -> None:
    reasons |= cells.astype(np.uint32) << np.uint32(BIT[name])
