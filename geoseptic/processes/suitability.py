"""Suitability of every cell, window by window: law excludes first, decided by vectors; then the ground; what is left is rated."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import hashed_shapes
from geoseptic.io.keptplanes import Part, by_windows, summed
from geoseptic.io.tallies import count_bits
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.planes import Plane
from geoseptic.model.reasons import BIT, REASONS
from geoseptic.model.results import RasterResult, Results
from geoseptic.model.rules import RuleSet
from geoseptic.model.soil_survey import SLOPE_CLASSES_PERCENT
from geoseptic.parcels import burn
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.envelope import DISPUTED, LOT_LINE
from geoseptic.parcels.zones import MAY_BE_REQUIRED, REQUIRED
from geoseptic.processes.land import Land
from geoseptic.processes.paths import Paths
from geoseptic.processes.slopes import UNKNOWN_CLASS, slope_limit_percent
from geoseptic.processes.steps import Cut
from geoseptic.stages import stage
from geoseptic.terrain import flowpath, rating
from geoseptic.terrain.windows import Window

Reasons = npt.NDArray[np.uint32]
Mask = npt.NDArray[np.bool_]


@stage("suitability")
def suitability_results(
    elevation: Raster,
    land: Land,
    rules: RuleSet,
    cut: Cut,
    slope: Plane,
    depth_m: Plane,
    paths: Paths,
    weights: Mapping[str, float] | None,
    *,
    reach_m: float,
    workers: int = 1,
) -> Results:
    """Ratings, classes and reasons of every cell for a drain field whose envelopes are in `cut`; unknown is kept apart.

    `depth_m` is how deep water would stand.
    """
    law = Law.of(land, cut)
    limit_percent = slope_limit_percent(rules)
    setback_m = max((entry.distance_m or 0.0) for entry in rules.requirement("drain_field", "private_well").entries)
    planes = slope, depth_m, paths.code, paths.distance_m

    def given(window: Window) -> tuple[Any, ...]:
        grid = elevation.grid.window(*window)
        return *(Part(plane, window) for plane in planes), law.near(grid), grid, limit_percent, setback_m, reach_m, weights

    (reasons, values, classes), counted = by_windows(elevation.plane, (np.uint32, np.uint8, np.uint8), _rated, given, workers)
    totals = summed(counted)
    how = "the least factor decides" if weights is None else "weighted mean of the factors"
    text = f"{rules.title}, edition {rules.edition}; factors slope and flow path to a well, {how}. {SCREENING_AID}"
    counts = {
        "cells": elevation.grid.shape[0] * elevation.grid.shape[1],
        "cells_excluded": totals["cells_excluded"],
        "cells_unknown": totals["cells_unknown"],
        "cells_by_reason": {name: totals[f"reason {name}"] for name in BIT if totals[f"reason {name}"]},
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


def _rated(
    slope_percent: Part,
    depth_m: Part,
    answer: Part,
    distance_m: Part,
    law: "Law",
    grid: Grid,
    limit_percent: float | None,
    setback_m: float,
    reach_m: float,
    weights: Mapping[str, float] | None,
) -> tuple[tuple[Reasons, npt.NDArray[np.uint8], npt.NDArray[np.uint8]], Mapping[str, int]]:
    """Reasons, ratings and classes of a window, and how many cells have what."""
    own_slope = slope_percent.read()
    why = law.reasons(grid)
    by_law = why & ~np.uint32(1 << BIT["setback_open"]) != 0
    unproven = _has(why, "setback_open")
    if limit_percent is not None:
        _set(why, "slope", own_slope > limit_percent)
    _set(why, "ponding", depth_m.read() > 0)
    excluded = why & ~np.uint32(1 << BIT["setback_open"]) != 0
    code = answer.read()
    _set(why, "well_path_open", code == flowpath.LEAVES_THE_DATA)
    _set(why, "no_ground", np.isnan(own_slope) | (code == flowpath.NO_ELEVATION))
    path_m = np.where(code == flowpath.REACHES_NO_WELL, np.float32(np.inf), distance_m.read())
    factors = {
        "slope": rating.slope_rating(own_slope, limit_percent or 2 * SLOPE_CLASSES_PERCENT[1], SLOPE_CLASSES_PERCENT),
        "well_path": rating.well_path_rating(path_m, setback_m, reach_m),
    }
    own = rating.suitability(rating.combined(factors, weights), excluded, unproven)
    bits = count_bits(why)
    count = {f"reason {name}": int(bits[place]) for name, place in BIT.items()}
    count["cells_excluded"] = int(np.count_nonzero(own == rating.EXCLUDED))
    count["cells_unknown"] = int(np.count_nonzero(own == rating.UNKNOWN))
    return (why, own, suitability_classes(own, by_law, _has(why, "outside_parcels"))), count


@dataclass(frozen=True)
class Law:
    """What the setbacks say of cells: shapes by the reason that a cell has which they so much as touch, and the parcels."""

    shapes: Mapping[str, Hashed]
    parcels: Hashed

    @classmethod
    def of(cls, land: Land, cut: Cut) -> "Law":
        """The vector zones decide, cells only show them."""
        zones = cut.zones
        required, still_open = (rows[zones.outermost(rows)] for rows in (zones.rows(REQUIRED), zones.rows(MAY_BE_REQUIRED)))
        feature = zones.feature[required]
        shapes = {name: cut.zone_shapes[required[feature == name]] for name in sorted(set(feature))}
        shapes[DISPUTED] = Hashed.of(outward(land.fabric.disputed_m, cut.envelopes.lot_line_m))
        # A cell on a lot line is in no envelope, whether or not the code asks for a distance from it.
        shapes[LOT_LINE] = cut.strips if cut.envelopes.lot_line_m > 0 else hashed_shapes(shapely.boundary(land.fabric.shapes_m))
        # A parcel whose distances could not be proven is not known to be clear anywhere.
        # Nor is ground that may be a parcel's or not.
        claimed_m, doubtful = land.fabric.claimed_m, list(land.fabric.outlined)
        unclear = shapely.difference(claimed_m[doubtful], land.fabric.shapes_m[doubtful])
        others = Hashed.of(np.concatenate([claimed_m[cut.envelopes.failed], unclear]))
        shapes["setback_open"] = Hashed.joined([cut.zone_shapes[still_open], others])
        return cls(shapes, land.claimed)

    def near(self, grid: Grid) -> "Law":
        """What of it can matter to the cells of a grid."""
        near = {name: own[burn.reaching(own.by_place, grid)] for name, own in self.shapes.items()}
        return Law(near, self.parcels[burn.reaching(self.parcels.by_place, grid)])

    def reasons(self, grid: Grid) -> Reasons:
        """Bits of what the law says of each cell of a grid, an open setback included; shape `grid.shape`."""
        found = np.zeros(grid.shape, np.uint32)
        for name, own in self.shapes.items():
            _set(found, name, burn.touched(own.shapes, grid))
        _set(found, "outside_parcels", ~burn.centred(self.parcels.shapes, grid))
        return found


def suitability_classes(values: npt.NDArray[np.uint8], by_law: Mask, outside: Mask) -> npt.NDArray[np.uint8]:
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


def _set(reasons: Reasons, name: str, cells: Mask) -> None:
    reasons |= cells.astype(np.uint32) << np.uint32(BIT[name])


def _has(reasons: Reasons, name: str) -> Mask:
    found: Mask = reasons & np.uint32(1 << BIT[name]) != 0
    return found
