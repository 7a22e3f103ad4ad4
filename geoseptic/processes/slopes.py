"""Slope of the ground, window by window, and its classes."""

from threading import Lock
from typing import Any, Final

import numba
import numpy as np
import numpy.typing as npt

from geoseptic.errors import CodeSilentError
from geoseptic.io.keptplanes import Part, by_windows
from geoseptic.io.soilfiles import load_soil_criteria
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.grid import Raster
from geoseptic.model.planes import Plane
from geoseptic.model.results import RasterResult, Results
from geoseptic.model.rules import RuleSet
from geoseptic.model.soil_survey import MODERATE, OVER_CODE_LIMIT, SEVERE, SLIGHT, SLOPE_CLASSES_PERCENT, UNKNOWN_SLOPE
from geoseptic.stages import stage
from geoseptic.terrain.slope import classed, half_window_cells, halo_cells, horn_slope_percent, plane_slope_percent, rounded_up
from geoseptic.terrain.windows import Window, widened

Floats = npt.NDArray[np.float32]

WIDE_WINDOW = 1.1
"""A window is an odd number of cells; it may be a tenth wider than asked before that is worth a warning."""

STEPS_A_PERCENT: Final = 64
"""Slopes are whole numbers of these, rounded up: a step is 2 mm over the 15 m of a drain field, far below any survey of heights, and files
take half the space. Whole limits, as codes and the soil survey have them, are passed by the same ground as unrounded; of a limit between
two steps the ground within a step below it is over it too."""

UNKNOWN_CLASS = 255
"""Nodata of class rasters, which no cell holds: unknown is a class in them, so that overviews count it like the others."""


ONE_AT_A_TIME: Final = Lock()
"""Kernels that share out their work must not be in two threads at once, which a worker of a cluster may have."""


def use_threads(workers: int) -> None:
    """Let compiled kernels use so many threads, at most those of the machine."""
    numba.set_num_threads(max(1, min(workers, numba.config.NUMBA_NUM_THREADS)))  # type: ignore[attr-defined]


@stage("slope")
def slope_percent(elevation: Raster, window_m: float, method: str, workers: int) -> Plane:
    """Slope of the ground in percent, by a plane over the window or by finite difference, rounded up to a 64th."""
    use_threads(workers)
    heights_m, cell_m = elevation.plane, elevation.grid.cell_size_m
    halo = halo_cells(cell_m, None if method == "horn" else window_m)

    def given(window: Window) -> tuple[Any, ...]:
        wide, inner = widened(window, halo, heights_m.shape)
        return Part(heights_m, wide), inner, cell_m, window_m, method

    # One window after the other: the kernels share it out among threads themselves.
    (out,), _ = by_windows(heights_m, (np.float32,), _slope, given)
    return out


def _slope(heights_m: Part, inner: tuple[slice, slice], cell_m: float, window_m: float, method: str) -> tuple[tuple[Floats], None]:
    around_m = heights_m.read().astype(np.float32, copy=False)
    with ONE_AT_A_TIME:
        found = horn_slope_percent(around_m, cell_m) if method == "horn" else plane_slope_percent(around_m, cell_m, window_m)
    return (rounded_up(found[inner], STEPS_A_PERCENT),), None


def slope_limit_percent(rules: RuleSet) -> float | None:
    """The code's limit for a drain field, None where it is silent."""
    try:
        return rules.slope_limit("drain_field").max_percent
    except CodeSilentError:
        return None


def slope_results(slope: Plane, elevation: Raster, rules: RuleSet, window_m: float, method: str, workers: int = 1) -> Results:
    """Slope and its classes, with the window that the cells allowed."""
    limit_percent = slope_limit_percent(rules)
    (classes,), _ = by_windows(slope, (np.uint8,), _slope_classes, lambda window: (Part(slope, window), limit_percent), workers)
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
                "slope",
                elevation.with_values(slope),
                legend_table.SLOPE,
                "Slope of the ground",
                f"Percent, rounded up to a 64th, by {how}.",
                "percent",
                tags,
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


def _slope_classes(slope: Part, limit_percent: float | None) -> tuple[tuple[npt.NDArray[np.uint8]], None]:
    return (slope_classes(slope.read(), limit_percent),), None


def slope_classes(slope: Floats, limit_percent: float | None) -> npt.NDArray[np.uint8]:
    """Soil-survey class of each cell, with one class of its own above the code's limit and one where it is unknown."""
    codes = (SLIGHT, MODERATE, SEVERE, OVER_CODE_LIMIT, UNKNOWN_SLOPE)
    return classed(slope, (*SLOPE_CLASSES_PERCENT, np.inf if limit_percent is None else limit_percent), codes)


def soil_survey_citations(*properties: str) -> Results:
    """Where the federal soil survey's criteria for these properties were read, to go with results that rest on them."""
    citations = tuple(dict.fromkeys(criterion.citation for criterion in load_soil_criteria() if criterion.property in properties))
    doubts = (f"value used that was not checked against the survey's own text: {found}" for found in citations if not found.checked)
    return Results(citations=citations, warnings=tuple(doubts))
