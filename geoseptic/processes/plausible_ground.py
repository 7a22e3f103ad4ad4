"""What looks odd in the ground alone: figures and doubts in sentences, as processes without any layer tell them too.

All limits are our own choice: common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from geoseptic.io.keptplanes import Part, by_windows
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.results import Results
from geoseptic.stages import stage
from geoseptic.terrain import parted, spikes
from geoseptic.terrain.breaks import breaks
from geoseptic.terrain.windows import Window, widened
from geoseptic.units import in_both_units

Severity = Literal["figure", "warning"]

MOST_CELLS: Final = 100_000_000
"""Pieces are found over the whole raster at once, in memory: four bytes a cell."""

PRINTED_PLACES: Final = 5
"""How many cells that stand alone a message names."""


@dataclass(frozen=True)
class Finding:
    """One figure, or one doubt, of one input.

    numbers : what the sentence rests on, by name. points_m : places of the features that are meant, in metres of the frame; None where the
    whole layer is.
    """

    layer: str
    kind: str
    severity: Severity
    text: str
    numbers: Mapping[str, float]
    points_m: Geometries | None = field(default=None, compare=False)


def warned(found: Sequence[Finding]) -> list[Finding]:
    """Only the doubts."""
    return [item for item in found if item.severity == "warning"]


def finding(layer: str, kind: str, odd: bool, text: str, numbers: Mapping[str, float], points_m: Geometries | None = None) -> Finding:
    """A doubt where it is odd, else a figure; numbers to six digits."""
    rounded = {name: float(f"{value:.6g}") for name, value in numbers.items()}
    return Finding(layer, kind, "warning" if odd else "figure", text, rounded, points_m)


def ground_results(elevation: Raster) -> Results:
    """What is to be told of the ground alone, for processes without parcels."""
    found = ground_findings(elevation)
    warnings = tuple(f"check the data: {item.text}" for item in warned(found))
    return Results(counts={"plausibility": {one.kind: dict(one.numbers) for one in found}}, warnings=warnings)


def ground_findings(elevation: Raster) -> list[Finding]:
    """What every process with an elevation tells of it."""
    return [lone_heights(elevation), parted_ground(elevation)]


@stage("parted ground")
def parted_ground(elevation: Raster) -> Finding:
    """Pieces of ground that sheer steps part from all other ground."""
    grid, plane = elevation.grid, elevation.plane
    step = in_both_units(parted.least_step_m(grid.cell_size_m))

    def given(window: Window) -> tuple[Any, ...]:
        return Part(plane, widened(window, 1, plane.shape)[0]), grid.cell_size_m

    if not any(by_windows(plane, (), _sheer, given)[1]):
        return finding(
            "elevation", "parted_ground", False, f"no ground is parted from the rest by steps of more than {step}", {"pieces": 0.0}
        )
    if plane.shape[0] * plane.shape[1] > MOST_CELLS:
        text = (
            f"the elevation has steps of more than {step} from one cell to the next, and is too large for a look whether they part ground "
            "from the rest: run check_inputs on parts of it"
        )
        return finding("elevation", "parted_ground", True, text, {"cells": float(plane.shape[0] * plane.shape[1])})
    heights_m = plane.array()
    found = parted.parted_ground(heights_m, grid.cell_size_m)
    first = found[:PRINTED_PLACES]
    x_m, y_m = grid.middles_m(*(np.array([getattr(piece, axis) for piece in first], np.int64) for axis in ("row", "col")))
    per_unit = grid.frame.metres_per_unit
    places = [
        f"{piece.cells} cells at {piece.height_m:.1f} m where {piece.beside_m:.1f} m is beside (x {x / per_unit:.1f}, y {y / per_unit:.1f})"
        for piece, x, y in zip(first, x_m.tolist(), y_m.tolist(), strict=True)
    ]
    more = f" and {len(found) - len(places)} more" if len(found) > len(places) else ""
    text = (
        f"{len(found)} pieces of the elevation stand off by more than {step} from all that is beside them, as no ground does: "
        f"{'; '.join(places)}{more}. A number for no value that is not declared, a part in another unit or on another datum, or tall "
        "buildings: nothing that is said of that ground and of what drains to it or from it can be relied on before it is mended"
    )
    numbers = {"pieces": float(len(found)), "cells": float(sum(piece.cells for piece in found))}
    return finding("elevation", "parted_ground", bool(found), text, numbers)


def _sheer(heights_m: Part, cell_m: float) -> tuple[tuple[()], bool]:
    return (), parted.has_sheer_steps(heights_m.read(), cell_m)


@stage("lone heights")
def lone_heights(elevation: Raster) -> Finding:
    """Cells that stand far above or below all that is round them, window by window."""
    grid, heights_m = elevation.grid, elevation.plane

    def given(window: Window) -> tuple[Any, ...]:
        wide, inner = widened(window, spikes.HALO_CELLS, heights_m.shape)
        return Part(heights_m, wide), inner, (window[0].start, window[1].start), grid.cell_size_m

    told = by_windows(heights_m, (), _lone, given)[1]
    count = sum(cells for cells, _ in told)
    first = [cell for _, cells in told for cell in cells][:PRINTED_PLACES]
    x_m, y_m = grid.middles_m(*(np.array([cell[axis] for cell in first], np.int64) for axis in (0, 1)))
    per_unit = grid.frame.metres_per_unit
    places = [
        f"{height_m:.1f} m where {beside_m:.1f} m is about it (x {x / per_unit:.1f}, y {y / per_unit:.1f})"
        for (_, _, height_m, beside_m), x, y in zip(first, x_m.tolist(), y_m.tolist(), strict=True)
    ]
    more = f" and {count - len(places)} more" if count > len(places) else ""
    off = in_both_units(spikes.least_m(grid.cell_size_m))
    text = (
        f"{count} cells of the elevation stand more than {off} above or below all that is round them, as no ground does: "
        f"{'; '.join(places)}{more}. Slopes and the ways of water are wrong there: have them mended, or declared as nodata"
    )
    return finding("elevation", "lone_heights", count > 0, text, {"cells": float(count)})


@stage("steps across the elevation")
def straight_breaks(elevation: Raster) -> Finding:
    """Straight steps across the whole elevation."""
    grid = elevation.grid
    found = breaks(elevation.plane)
    x, y = (grid.transform.c, grid.transform.f)
    places = [
        f"{abs(one.step_m):.2f} m along "
        + (f"x {x + one.line * grid.transform.a:.1f}" if one.upright else f"y {y + one.line * grid.transform.e:.1f}")
        for one in found[:PRINTED_PLACES]
    ]
    more = f" and {len(found) - len(places)} more" if len(found) > len(places) else ""
    text = (
        f"the ground steps across the whole of the elevation in {len(found)} straight lines: {'; '.join(places)}{more}. It was probably "
        "put together of surveys on two vertical datums or in two units: ask its owner"
    )
    return finding("elevation", "straight_breaks", bool(found), text, {"lines": float(len(found))})


def _lone(heights_m: Part, inner: Window, corner: tuple[int, int], cell_m: float) -> tuple[tuple[()], tuple[int, list[list[float]]]]:
    """How many cells of a window stand alone, and of the first few row, column, height and the middle of the heights beside. [m]"""
    around_m = heights_m.read()
    found = spikes.spikes(around_m, cell_m)
    rows, cols = np.nonzero(found[inner])
    first = []
    for row, col in zip(rows[:PRINTED_PLACES].tolist(), cols[:PRINTED_PLACES].tolist(), strict=True):
        at_row, at_col = row + inner[0].start, col + inner[1].start
        beside_m = around_m[max(0, at_row - 1) : at_row + 2, max(0, at_col - 1) : at_col + 2]
        first.append([row + corner[0], col + corner[1], float(around_m[at_row, at_col]), float(np.nanmedian(beside_m))])
    return (), (len(rows), first)
