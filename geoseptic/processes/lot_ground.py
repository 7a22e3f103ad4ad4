"""The ground as the search for room reads it: where no field may lie for what the ground is, and how high it lies."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from geoseptic.errors import CodeSilentError
from geoseptic.model.grid import Raster
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.fit import Terrain
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND, UNKNOWN_GROUND
from geoseptic.processes import steps
from geoseptic.processes.mapping import Mapped
from geoseptic.processes.soil_ground import SoilLayers, forbidden_ground, unknown_ground
from geoseptic.terrain import flowpath
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at


def bad_ground(
    elevation: Raster, mapped: Mapped, soil: SoilLayers, rules: RuleSet, *, floodplain_excluded: bool
) -> dict[str, npt.NDArray[np.bool_]]:
    """Why -> cells where no field may lie for what the ground is."""
    limit_percent = steps.slope_limit_percent(rules)
    found = {} if limit_percent is None else {f"slope over {limit_percent:g} percent": mapped.slope_percent > limit_percent}
    found["hollow that holds water"] = steps.ponding_m(mapped.ground) > 0
    return {name: mask for name, mask in (found | forbidden_ground(soil, elevation.grid, floodplain_excluded)).items() if mask.any()}


def terrain_of(elevation: Raster, mapped: Mapped, soil: SoilLayers, bad: Mapping[str, npt.NDArray[np.bool_]], window_m: float) -> Terrain:
    """What the search reads of the ground: bad where it excludes, unknown where nobody knows."""
    grid, code = elevation.grid, mapped.paths.code
    good = np.full(grid.shape, GOOD_GROUND, np.uint8)
    good[np.isnan(mapped.slope_percent) | (code == flowpath.NO_ELEVATION) | (code == flowpath.LEAVES_THE_DATA)] = UNKNOWN_GROUND
    good[unknown_ground(soil, grid)] = UNKNOWN_GROUND
    for mask in bad.values():
        good[mask] = BAD_GROUND
    path_m = np.where(code == flowpath.REACHES_NO_WELL, np.float32(np.inf), mapped.paths.distance_m)
    left, _, _, top = grid.bounds_m
    return Terrain(elevation.values.astype(np.float32, copy=False), good, path_m, left, top, grid.cell_size_m, window_m)


def bed_terrain_of(terrain: Terrain, mapped: Mapped, rules: RuleSet) -> Terrain:
    """The same for beds, which codes allow on gentler ground only; where the code says nothing of its own, the same as for trenches."""
    try:
        limit = rules.slope_limit("drain_field", "bed")
    except CodeSilentError:
        return terrain
    return replace(terrain, good=np.where(mapped.slope_percent > limit.max_percent, np.uint8(BAD_GROUND), terrain.good))


def all_good(terrain: Terrain) -> Terrain:
    """The same if all ground were good: to ask whether it is the ground or the law that leaves no room."""
    return replace(terrain, good=np.full_like(terrain.good, GOOD_GROUND))


def height_m(terrain: Terrain, x: float, y: float) -> float:
    """Height of the fitted ground at a point, NaN where unknown. [m]"""
    row = int(np.floor((terrain.top_m - y) / terrain.cell_size_m))
    col = int(np.floor((x - terrain.left_m) / terrain.cell_size_m))
    height, _, _ = plane_at(terrain.elevation_m, row, col, terrain.half_window, LEAST_KNOWN_SHARE)
    return float(height)
