"""The ground as the search for room reads it: where no field may lie for what the ground is, and how high it lies."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import CodeSilentError
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.planes import Plane
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.fit import DROP_ALONG_TRENCH_M, Terrain
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND, UNKNOWN_GROUND
from geoseptic.parcels.fitground import STEP_M
from geoseptic.processes.paths import Paths
from geoseptic.processes.slopes import slope_limit_percent
from geoseptic.processes.soil_ground import SoilLayers, forbidden_ground, unknown_ground
from geoseptic.stages import stage
from geoseptic.terrain import flowpath
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, planes_at
from geoseptic.terrain.windows import Window, for_windows

Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

ROUNDING = 1e-6
"""Of a step: a trench of one metre and the noise of its corners has one step."""


@dataclass(frozen=True)
class LotGround:
    """What is known of the ground of a run, asked window by window."""

    elevation: Raster
    slope_percent: Plane
    ponding_m: Plane
    paths: Paths
    soil: SoilLayers
    rules: RuleSet
    floodplain_excluded: bool

    def bad(self, window: Window, *, steep: bool = True) -> dict[str, Mask]:
        """Why -> cells of the window where no field may lie for what the ground is; without `steep` but for its slope."""
        limit_percent = slope_limit_percent(self.rules)
        found = {}
        if limit_percent is not None and steep:
            found[f"slope over {limit_percent:g} percent"] = self.slope_percent.read(*window) > limit_percent
        found["hollow that holds water"] = self.ponding_m.read(*window) > 0
        found |= forbidden_ground(self.soil, self.elevation.grid.window(*window), self.floodplain_excluded)
        return {name: mask for name, mask in found.items() if mask.any()}

    def codes(self, window: Window, *, steep: bool = True) -> npt.NDArray[np.uint8]:
        """Codes of `fitgrid` for the cells of the window: bad where anything excludes (without `steep` but the slope), unknown where nobody
        knows."""
        code = self.paths.code.read(*window)
        good = np.full(code.shape, GOOD_GROUND, np.uint8)
        good[np.isnan(self.slope_percent.read(*window))] = UNKNOWN_GROUND
        good[(code == flowpath.NO_ELEVATION) | (code == flowpath.LEAVES_THE_DATA)] = UNKNOWN_GROUND
        good[unknown_ground(self.soil, self.elevation.grid.window(*window))] = UNKNOWN_GROUND
        for mask in self.bad(window, steep=steep).values():
            good[mask] = BAD_GROUND
        return good


@stage("ground of the lots")
def terrains_of(ground: LotGround, window_m: float, workers: int) -> tuple[Terrain, Terrain, Terrain]:
    """What the search reads of the ground: for trenches; for beds, which codes allow on gentler ground only (the same where a code does not
    say); and as if all were good, to ask whether it is the ground or the law that leaves no room."""
    grid, paths, slope = ground.elevation.grid, ground.paths, ground.slope_percent
    good, path_m = slope.new(np.uint8), slope.new(np.float32)
    bed_percent = bed_limit_percent(ground.rules)
    bed_good = good if bed_percent is None else slope.new(np.uint8)

    def prepare(window: Window) -> None:
        codes = ground.codes(window)
        good.write(*window, codes)
        if bed_percent is not None:
            bed_good.write(*window, np.where(slope.read(*window) > bed_percent, np.uint8(BAD_GROUND), codes))
        reaches_none = paths.code.read(*window) == flowpath.REACHES_NO_WELL
        path_m.write(*window, np.where(reaches_none, np.float32(np.inf), paths.distance_m.read(*window)))

    for_windows(prepare, slope, workers)
    left, _, _, top = grid.bounds_m
    heights_m = ground.elevation.plane.array().astype(np.float32, copy=False)
    trenches = Terrain(heights_m, good.array(), path_m.array(), left, top, grid.cell_size_m, window_m)
    beds = trenches if bed_good is good else replace(trenches, good=bed_good.array())
    return trenches, beds, replace(trenches, good=np.full(grid.shape, GOOD_GROUND, np.uint8))


def bed_limit_percent(rules: RuleSet) -> float | None:
    """The code's limit for a bed, None where it has none of its own."""
    try:
        return rules.slope_limit("drain_field", "bed").max_percent
    except CodeSilentError:
        return None


def heights_m(terrain: Terrain, xy_m: Floats) -> Floats:
    """Heights of the fitted ground at points of shape (n, 2), NaN where unknown; shape (n,). [m]"""
    planes, _, _ = _planes(terrain, xy_m)
    return planes[:, 0]


def fall_along_m(terrain: Terrain, trenches: Sequence[shapely.Polygon]) -> float:
    """The most that fitted ground differs over the level bottom of any one of the trenches; 0 without trenches. [m]

    Looked at every `STEP_M` along the middle as the search does, on the plane of each cell; what is wider, a bed, from wall to wall.
    Where a height is not known, it is no less than the search lets pass.
    """
    most = 0.0
    for trench in trenches:
        found = _on_planes_m(terrain, _over_bottom(shapely.get_coordinates(trench)[:4]))
        known = found[~np.isnan(found)]
        at_least = 0.0 if known.size == found.size else DROP_ALONG_TRENCH_M
        most = max(most, at_least, float(np.ptp(known)) if known.size else 0.0)
    return most


def _over_bottom(corners: Floats) -> Floats:
    """Points over the bottom of a trench drawn from its lower left corner along it; shape (n, 2). [m]"""
    start, along, across = corners[0], corners[1] - corners[0], corners[3] - corners[0]
    steps, steps_across = (math.ceil(float(np.hypot(*side)) / STEP_M - ROUNDING) for side in (along, across))
    shares = np.linspace(0.0, 1.0, max(1, steps) + 1)[:, None, None]
    shares_across = (np.linspace(0.0, 1.0, steps_across + 1) if steps_across > 1 else np.array([0.5]))[None, :, None]
    return np.asarray(start + shares * along + shares_across * across).reshape(-1, 2)


def _on_planes_m(terrain: Terrain, xy_m: Floats) -> Floats:
    """Heights at points on the plane fitted round the cell of each, NaN where unknown; shape (n,). [m]"""
    planes, right, down = _planes(terrain, xy_m)
    found: Floats = planes[:, 0] + planes[:, 1] * right + planes[:, 2] * down
    return found


def _planes(terrain: Terrain, xy_m: Floats) -> tuple[Floats, Floats, Floats]:
    """The planes of `planes_at` round the cells of points, and how far right and down of its cell's middle each point lies. [cells]"""
    row, col = (terrain.top_m - xy_m[:, 1]) / terrain.cell_size_m, (xy_m[:, 0] - terrain.left_m) / terrain.cell_size_m
    rows, cols = np.floor(row).astype(np.int64), np.floor(col).astype(np.int64)
    planes = planes_at(terrain.elevation_m, rows, cols, terrain.half_window, LEAST_KNOWN_SHARE)
    return planes, col - cols - 0.5, row - rows - 0.5


def lowest_m(terrain: Terrain, shapes_m: Geometries) -> Floats:
    """A height that no fitted ground in the box round each shape lies below, NaN where none is known there; shape (n,). [m]"""
    found, around, (rows, cols) = np.full(len(shapes_m), np.nan), terrain.half_window, terrain.elevation_m.shape
    for number, (left, bottom, right, top) in enumerate(shapely.bounds(shapes_m).tolist()):
        if math.isnan(left):
            continue
        row_0, row_1 = (math.floor((terrain.top_m - y) / terrain.cell_size_m) for y in (top, bottom))
        col_0, col_1 = (math.floor((x - terrain.left_m) / terrain.cell_size_m) for x in (left, right))
        box_m = terrain.elevation_m[
            max(0, row_0 - around) : min(rows, row_1 + around + 1), max(0, col_0 - around) : min(cols, col_1 + around + 1)
        ]
        if box_m.size:
            found[number] = np.fmin.reduce(box_m, axis=None)
    return found


def highest_m(terrain: Terrain, shapes_m: Geometries) -> Floats:
    """The highest fitted ground in the box round each shape, NaN where none is known there; shape (n,). [m]"""
    found = np.full(len(shapes_m), np.nan)
    for number, (left, bottom, right, top) in enumerate(shapely.bounds(shapes_m).tolist()):
        if math.isnan(left):
            continue
        rows = np.arange(math.floor((terrain.top_m - top) / terrain.cell_size_m - ROUNDING), _last(terrain.top_m - bottom, terrain))
        cols = np.arange(math.floor((left - terrain.left_m) / terrain.cell_size_m - ROUNDING), _last(right - terrain.left_m, terrain))
        row, col = (side.ravel() for side in np.meshgrid(rows, cols, indexing="ij"))
        heights = planes_at(terrain.elevation_m, row, col, terrain.half_window, LEAST_KNOWN_SHARE)[:, 0]
        found[number] = np.max(heights, initial=-np.inf, where=~np.isnan(heights))
    return np.where(np.isinf(found), np.nan, found)


def _last(away_m: float, terrain: Terrain) -> int:
    """The first cell that is past a length from the raster's edge."""
    return math.floor(away_m / terrain.cell_size_m + ROUNDING) + 1
