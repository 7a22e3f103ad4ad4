"""How sure it is that ground is not too steep, where its heights lie off: in grades a cell, as the chances of fitting ask it.

One raster holds for each cell what else the ground is and its grade, so that the ground of each lot can be made at any grade: a cell counts
as not too steep at its own grade and at those after it.

A field needs all of its cells: that one of many is too steep is far likelier than that of any one of them. So the grades on the gentle side
are of a whole patch of such ground; on the steep side each cell is taken by itself, which gives more room than there is.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance.draws import GroundError, ground_error
from geoseptic.chance.fits import Case, Places
from geoseptic.chance.slopes import horn_weights, plane_weights, rise_sigma, steepest_of, steepest_over_patch
from geoseptic.model.certainty import Certainty
from geoseptic.model.planes import Plane
from geoseptic.parcels.fit import BOUND_CELLS_M, Terrain
from geoseptic.parcels.fitgrid import BAD_GROUND
from geoseptic.processes.layouts import Setting
from geoseptic.processes.lot_ground import LotGround, bed_limit_percent
from geoseptic.processes.slopes import slope_limit_percent
from geoseptic.processes.uncertain import Uncertain
from geoseptic.stages import stage
from geoseptic.terrain.slope import half_window_cells, halo_cells
from geoseptic.terrain.windows import Window, for_windows, widened

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Grades = npt.NDArray[np.uint8]
Limits = tuple[float, ...]

SURELY, LIKELY, AS_GIVEN, HARDLY, PERHAPS, TOO_STEEP = range(6)
"""Grades: even ground so steep is nowhere steeper than the limit in a patch of PATCH_M with a chance of at least `certain`, `likely`; the
cell is no steeper as the heights are given; its own chance is at least 1 less `likely`, 1 less `certain`; and less than that."""

PATCH_M: Final = 40.0
"""Side of the patch, about that of a field with its reserve. Our own choice."""

PATCH_SEED: Final = 1
"""Of the error field of whose patches the grades are: they do not hang on the seed of a run."""

CODES: Final = 4
"""A cell holds its code of `fitgrid` but for the slope, and so many times its grade."""

NO_LIMIT: Final = (math.inf,) * TOO_STEEP


@dataclass(frozen=True)
class DoubtfulGround(Setting):
    """A setting with the grades of its ground, for trenches and for beds; rasters of the terrains' shape."""

    grades: Grades
    bed_grades: Grades


@stage("ground if its heights lie off")
def with_doubts(
    setting: Setting, ground: LotGround, uncertain: Uncertain, certainty: Certainty, window_m: float, method: str, workers: int
) -> Setting:
    """The setting with the grades of its ground; the very same where no slope is limited or the heights are exact."""
    limit_percent, bed_percent = slope_limit_percent(ground.rules), bed_limit_percent(ground.rules)
    if uncertain.rmse_m <= 0 or (limit_percent is None and bed_percent is None):
        return setting
    heights, slope = ground.elevation.plane, ground.slope_percent
    cell_m = ground.elevation.grid.cell_size_m
    halo = halo_cells(cell_m, None if method == "horn" else window_m)
    error, weights = ground_error(PATCH_SEED, uncertain.rmse_m, uncertain.correlation_m, cell_m), weights_of(cell_m, window_m, method)
    limits, bed_limits = (
        limits_of(one, error, weights, rise_sigmas_percent(uncertain, cell_m, window_m, method), certainty)
        for one in (limit_percent, bed_percent)
    )
    grades = slope.new(np.uint8)
    bed_grades = grades if bed_percent is None else slope.new(np.uint8)

    def prepare(window: Window) -> None:
        wide, inner = widened(window, halo, slope.shape)
        own = slope.read(*window)
        at_gaps = beside_gaps(heights.read(*wide), inner, halo) if method != "horn" else np.zeros(own.shape, bool)
        grade = graded(own, limits, at_gaps)
        codes = ground.codes(window, steep=False)
        _write(grades, window, codes, grade)
        if bed_percent is not None:
            _write(bed_grades, window, codes, np.maximum(grade, graded(own, bed_limits, at_gaps)))

    for_windows(prepare, slope, workers)
    own = {column.name: getattr(setting, column.name) for column in fields(Setting)}
    return DoubtfulGround(**own, grades=grades.array(), bed_grades=bed_grades.array())


def _write(plane: Plane, window: Window, codes: Grades, grade: Grades) -> None:
    plane.write(*window, np.where(codes == BAD_GROUND, codes, codes + CODES * grade))


def limits_of(
    limit_percent: float | None, error: GroundError, weights: Sequence[Floats], sigmas_percent: tuple[float, float], certainty: Certainty
) -> tuple[Limits, Limits]:
    """Up to which slope ground is of each grade before the last: everywhere, and beside gaps in the heights, for which the second of the
    weights and of the sigmas of `rise_sigmas_percent` are. [percent]"""
    if limit_percent is None:
        return NO_LIMIT, NO_LIMIT
    shares = np.array([certainty.certain, certainty.likely])
    found = np.array(
        [
            [*steepest_over_patch(shares, limit_percent, error, weight, PATCH_M), *steepest_of(1.0 - shares[::-1], limit_percent, sigma)]
            for weight, sigma in zip(weights, sigmas_percent, strict=True)
        ]
    )
    # An error as large as the limit leaves no ground gentle in the mean: what is so as it is given stays it perhaps.
    found[:, :2], found[:, 2:] = np.minimum(found[:, :2], limit_percent), np.maximum(found[:, 2:], limit_percent)
    at_gaps = np.concatenate([found[:, :2].min(axis=0), found[:, 2:].max(axis=0)])
    usual, beside = (tuple(np.insert(one, AS_GIVEN, limit_percent).tolist()) for one in (found[0], at_gaps))
    return usual, beside


def graded(slope_percent: npt.NDArray[Any], limits: tuple[Limits, Limits], at_gaps: Bools) -> Grades:
    """The grade of each cell; where the slope is unknown the first, since its code says so."""
    found = np.zeros(slope_percent.shape, np.uint8)
    for usual, beside in zip(*limits, strict=True):
        found += np.where(at_gaps, slope_percent > beside, slope_percent > usual)
    return found


def near_limit(case: Case, places: Places, setting: Setting) -> bool:
    """Whether the heights' error may make any ground too steep, or not, that the lot's field may lie on in some draw."""
    if not isinstance(setting, DoubtfulGround):
        return False
    rows, cols = _under(case, places, setting.terrain, 0)
    for _, terrain, _ in case.asked:
        grade = _grades(setting, terrain)[rows, cols] // CODES
        if ((grade > SURELY) & (grade < TOO_STEEP)).any():
            return True
    return False


def at_grade(case: Case, places: Places, setting: Setting, grade: int) -> Case:
    """The same lot on ground of that grade or a better one, all else too steep; nothing else of the ground changes."""
    if not isinstance(setting, DoubtfulGround):
        return case
    asked = []
    for need, terrain, alone in case.asked:
        rows, cols = _under(case, places, terrain, terrain.half_window)
        own = _grades(setting, terrain)[rows, cols]
        there = replace(
            terrain,
            elevation_m=terrain.elevation_m[rows, cols],
            good=np.where(own // CODES > grade, np.uint8(BAD_GROUND), own % CODES),
            path_m=terrain.path_m[rows, cols],
            left_m=terrain.left_m + cols.start * terrain.cell_size_m,
            top_m=terrain.top_m - rows.start * terrain.cell_size_m,
        )
        asked.append((need, there, alone))
    return replace(case, asked=tuple(asked))


def _grades(setting: DoubtfulGround, terrain: Terrain) -> Grades:
    return setting.bed_grades if terrain is setting.bed_terrain else setting.grades


def _under(case: Case, places: Places, terrain: Terrain, more_cells: int) -> Window:
    """The cells that the search may look at under a lot in any draw, and so many more round them; cut off at the edge of the raster."""
    left, bottom, right, top = shapely.bounds(case.lot).tolist()
    low, high = (end(places.lot_m, axis=0) for end in (np.min, np.max))
    more_m = BOUND_CELLS_M[0] + more_cells * terrain.cell_size_m
    rows = (terrain.top_m - top - high[1] - more_m, terrain.top_m - bottom - low[1] + more_m)
    cols = (left + low[0] - more_m - terrain.left_m, right + high[0] + more_m - terrain.left_m)
    found = []
    for (first_m, last_m), count in zip((rows, cols), terrain.good.shape, strict=True):
        start, stop = math.floor(first_m / terrain.cell_size_m), math.floor(last_m / terrain.cell_size_m) + 1
        found.append(slice(min(max(start, 0), count), min(max(stop, 0), count)))
    return found[0], found[1]


def rise_sigmas_percent(uncertain: Uncertain, cell_m: float, window_m: float, method: str) -> tuple[float, float]:
    """How far the slope's rise is off along each axis, one standard deviation: with all heights round a cell, and with half of them."""
    usual, at_gaps = (
        100.0 * rise_sigma(weight, uncertain.rmse_m, uncertain.correlation_m, cell_m) for weight in weights_of(cell_m, window_m, method)
    )
    return usual, at_gaps


def weights_of(cell_m: float, window_m: float, method: str) -> list[Floats]:
    """By which heights make the rise of a cell: of all round it, and of half of them. [1/m]"""
    if method == "horn":
        return [horn_weights(cell_m)] * 2
    half = half_window_cells(cell_m, window_m)
    return [plane_weights(half, cell_m), plane_weights(half, cell_m, 0)]


def beside_gaps(heights_m: npt.NDArray[Any], inner: Window, half: int) -> Bools:
    """Cells of the window whose square of `half` cells round them is not all known, by counts of known cells along rows and columns."""
    known = ~np.isnan(heights_m)
    shape = inner[0].stop - inner[0].start, inner[1].stop - inner[1].start
    before = half - inner[0].start, half - inner[1].start
    after = half - (known.shape[0] - inner[0].stop), half - (known.shape[1] - inner[1].stop)
    padded = np.pad(known, [(before[0], after[0]), (before[1], after[1])])
    side = 2 * half + 1
    total = np.zeros((padded.shape[0] + 1, padded.shape[1] + 1), np.int32)
    total[1:, 1:] = padded.cumsum(axis=0, dtype=np.int32).cumsum(axis=1, dtype=np.int32)
    rows, cols = shape
    square = total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]
    beside: Bools = square[:rows, :cols] < side * side
    return beside
