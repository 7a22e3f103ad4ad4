"""Whether an old system may fail in the wet season: signs of wet ground round each house. That no sign was found clears nothing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.planes import Plane
from geoseptic.model.results import LayerResult
from geoseptic.model.search_rules import WetRules
from geoseptic.model.soil_rules import SoilProperties
from geoseptic.parcels import burn
from geoseptic.parcels.soilmap import flood_under, groundwater_under, soils_under
from geoseptic.processes.land import Land
from geoseptic.processes.paths import Drained, ponding_m
from geoseptic.processes.soil_ground import SoilLayers
from geoseptic.stages import stage
from geoseptic.systems.soils import interpretation, is_dual
from geoseptic.terrain.wetness import cells_above, height_above_drainage_m, wetness_index
from geoseptic.terrain.windows import Window, for_windows
from geoseptic.units import from_metres, in_both_units

Floats = npt.NDArray[np.float64]

FILE = "old_systems"
YES: Final = "yes"
NO_SIGN: Final = "no sign found"
UNKNOWN: Final = "unknown"

MOST_CELLS: Final = 30_000_000
"""Both are found over the whole raster at once, in memory."""

NO_PROOF: Final = "no sign on the maps is no proof: draining today says nothing of the wet season"
NO_HOUSE: Final = "no house on the map of this lot: nothing was looked at"

FLOODS: Final = frozenset({"occasional", "common", "frequent", "very frequent"})
"""Words of the soil survey for ground that floods more often than once in 20 years or so. From memory."""

MUCH_PONDING_PERCENT: Final = 15.0
"""Share of a map unit that ponds from which it counts, the edge of the survey's lowest class. Our own choice."""


@dataclass(frozen=True)
class Wetness:
    """Ground of a run by how wet it is beside the rest of it.

    above_m : height above the nearest drainage. index : topographic wetness index. Both None where the raster was too large for them.
    low_m, wet_index : the edges of the lowest and of the wettest share of the cells that are no water.
    """

    above_m: npt.NDArray[np.float32] | None
    index: npt.NDArray[np.float32] | None
    low_m: float
    wet_index: float


@dataclass(frozen=True)
class WetGround:
    """What the cells round each house say; one row a lot, NaN where there is no cell with a known value.

    ponding_m : the deepest hollow. above_m : the least height above the nearest drainage. low_share, wet_share : share of the known cells
    that belong to the lowest and to the wettest of the county. unknown_share : share of the cells of which something is not known.
    """

    ponding_m: Floats
    above_m: Floats
    low_share: Floats
    wet_share: Floats
    unknown_share: Floats


@dataclass(frozen=True)
class SeasonalRisk:
    """One row a lot: the answer (`YES`, `NO_SIGN`, `UNKNOWN`), why, and what the cells say. `looked_at_m` is the ground round the house."""

    answer: npt.NDArray[np.object_]
    reasons: npt.NDArray[np.object_]
    ground: WetGround | None
    looked_at_m: Geometries
    notes: tuple[str, ...]


@stage("wet ground")
def wetness(elevation: Raster, ground: Drained, slope_percent: Plane, water_m: Geometries, rules: WetRules) -> Wetness:
    """Height above the drainage and wetness index of every cell, with the edges of their wettest shares; `water_m` is drainage too.

    A raster of more than `MOST_CELLS` gets neither.
    """
    rows, cols = elevation.grid.shape
    if rows * cols > MOST_CELLS:
        return Wetness(None, None, np.nan, np.nan)
    cell_m, d8 = elevation.grid.cell_size_m, ground.d8.array()
    above = cells_above(d8)
    drainage = above * cell_m**2 >= rules.stream_area_m2
    drainage |= burn.touched(water_m, elevation.grid)
    height_m = height_above_drainage_m(ground.filled_m.array(), d8, drainage)
    index = wetness_index(above, slope_percent.array(), cell_m)
    index[np.isnan(ground.ground_m.array())] = np.nan
    low_m = _edge(height_m[~drainage], rules.share_of_cells)
    return Wetness(height_m, index, low_m, _edge(index[~drainage], 1 - rules.share_of_cells))


def _edge(values: npt.NDArray[np.float32], share: float) -> float:
    """The value that so large a share of the known values does not exceed; NaN where none is known."""
    known = values[~np.isnan(values)]
    return float(np.quantile(known, share)) if known.size else np.nan


@stage("wet ground round the houses")
def wet_ground(looked_at_m: Geometries, elevation: Raster, ground: Drained, wet: Wetness, workers: int) -> WetGround:
    """What the cells whose middles lie in each of the grounds say."""
    lots = len(looked_at_m)

    def told(window: Window) -> tuple[npt.NDArray[np.int64], Floats, Floats]:
        label = burn.numbered_by_middle(looked_at_m, elevation.grid.window(*window))
        row, col = np.nonzero(label >= 0)
        lot = label[row, col]
        pond = ponding_m(ground, window)[row, col]
        above, index = (
            np.full(lot.size, np.nan, np.float32) if plane is None else plane[window][row, col] for plane in (wet.above_m, wet.index)
        )
        tests = (~np.isnan(above), above <= wet.low_m, ~np.isnan(index), index >= wet.wet_index, np.isnan(pond), np.ones(lot.size, bool))
        counts = np.stack([np.bincount(lot[test], minlength=lots) for test in tests])
        deepest, lowest = np.full(lots, -np.inf), np.full(lots, np.inf)
        np.fmax.at(deepest, lot, pond)
        np.fmin.at(lowest, lot, above)
        return counts, deepest, lowest

    found = for_windows(told, elevation.plane, workers)
    heights, low, indexed, wettest, unknown, cells = np.sum([counts for counts, _, _ in found], axis=0).astype(np.float64)
    deepest = np.max([one for _, one, _ in found], axis=0)
    lowest = np.min([one for _, _, one in found], axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return WetGround(
            np.where(np.isfinite(deepest), deepest, np.nan),
            np.where(np.isfinite(lowest), lowest, np.nan),
            low / heights,
            wettest / indexed,
            np.where(cells > 0, unknown / cells, 1.0),
        )


@stage("seasonal risk")
def seasonal_risk(
    looked_at_m: Geometries, ground: WetGround | None, soil: SoilLayers, rules: WetRules, notes: Sequence[str]
) -> SeasonalRisk:
    """The answer for each lot: yes where any sign speaks for it, else unknown where anything could not be looked at."""
    count = len(looked_at_m)
    signs: list[list[str]] = [[] for _ in range(count)]
    missing: list[list[str]] = [[] for _ in range(count)]
    there = np.flatnonzero(~shapely.is_empty(looked_at_m))
    _of_ground(there, ground, rules, signs, missing)
    _of_soil(there, looked_at_m[there], soil, rules, signs, missing)
    _of_water(there, looked_at_m[there], soil, rules, signs, missing)
    answer, reasons = np.full(count, UNKNOWN, object), np.full(count, NO_HOUSE, object)
    for lot in there.tolist():
        answer[lot] = YES if signs[lot] else UNKNOWN if missing[lot] else NO_SIGN
        not_known = f"not known: {', '.join(missing[lot])}" if missing[lot] else ""
        reasons[lot] = "; ".join(word for word in (*signs[lot], not_known, "" if signs[lot] else NO_PROOF) if word)
    return SeasonalRisk(answer, reasons, ground, looked_at_m, tuple(notes))


def told_of(risk: SeasonalRisk, failed: Mapping[int, str]) -> SeasonalRisk:
    """The risk with further lots of which nothing could be known, and why."""
    answer, reasons = risk.answer.copy(), risk.reasons.copy()
    for lot, why in failed.items():
        answer[lot], reasons[lot] = UNKNOWN, why
    return replace(risk, answer=answer, reasons=reasons)


Told = list[list[str]]
Rows = npt.NDArray[np.int64]


def _of_ground(there: Rows, ground: WetGround | None, rules: WetRules, signs: Told, missing: Told) -> None:
    """Signs of the cells. A share of which nothing is known is no share."""
    if ground is None:
        for lot in there.tolist():
            missing[lot].append("the height of the ground")
        return
    part = f"the wettest {100 * rules.share_of_cells:g} percent"
    for lot in there.tolist():
        if ground.ponding_m[lot] > 0:
            signs[lot].append(f"a hollow there would hold {in_both_units(round(float(ground.ponding_m[lot]), 1))} of water")
        if ground.low_share[lot] >= rules.least_share:
            least = in_both_units(round(float(ground.above_m[lot]), 1))
            signs[lot].append(
                f"{100 * ground.low_share[lot]:.0f} percent of it is of {part} of the county by height above the drainage ({least})"
            )
        if ground.wet_share[lot] >= rules.least_share:
            signs[lot].append(f"{100 * ground.wet_share[lot]:.0f} percent of it is of {part} of the county by the wetness index")
        if ground.unknown_share[lot] > 0:
            missing[lot].append("the height of some of the ground" if ground.unknown_share[lot] < 1 else "the height of the ground")
        elif np.isnan(ground.low_share[lot]):
            missing[lot].append("the height above the nearest drainage")
        elif np.isnan(ground.wet_share[lot]):
            missing[lot].append("the wetness index")


def _of_soil(there: Rows, grounds: Geometries, soil: SoilLayers, rules: WetRules, signs: Told, missing: Told) -> None:
    """Signs of the soil map."""
    if soil.soils is None:
        for lot in there.tolist():
            missing[lot].append("the soil")
        return
    ratings = [interpretation(properties, soil.criteria) for properties in soil.properties]
    told = [_soil_signs(properties, rules) for properties in soil.properties]
    for lot, under in zip(there.tolist(), soils_under(grounds, soil.soil_shapes_m, ratings), strict=True):
        found = [told[number] for number in under.counted]
        signs[lot] += dict.fromkeys(sign for own, _ in found for sign in own)
        lacking = dict.fromkeys(word for _, own in found for word in own)
        if not found or under.uncovered_share >= rules.least_share:
            lacking["the soil"] = None
        missing[lot] += lacking


def _soil_signs(there: SoilProperties, rules: WetRules) -> tuple[list[str], list[str]]:
    """What speaks for a failure in one soil, and what of it is not known."""
    signs, missing = [], []
    if there.water_m.high < rules.pit_depth_m:
        signs.append(f"soil map: water within {in_both_units(round(max(0.0, there.water_m.high), 1))} of the ground in some season")
    elif there.water_m.low < rules.pit_depth_m:
        missing.append(f"the depth of water in the soil down to {in_both_units(rules.pit_depth_m)}")
    if is_dual(there.hydrologic_group):
        signs.append(f"soil map: hydrologic group {there.hydrologic_group}, high water unless drained")
    if there.flooding in FLOODS:
        signs.append(f"soil map: {there.flooding} flooding")
    elif there.flooding is None:
        missing.append("how often the soil floods")
    if there.ponding_percent.low >= MUCH_PONDING_PERCENT:
        signs.append(f"soil map: {there.ponding_percent.low:g} percent or more of the soil ponds")
    elif there.ponding_percent.high >= MUCH_PONDING_PERCENT:
        missing.append("how much of the soil ponds")
    return signs, missing


def _of_water(there: Rows, grounds: Geometries, soil: SoilLayers, rules: WetRules, signs: Told, missing: Told) -> None:
    """Signs of flood zones and of mapped groundwater; groundwater that nobody mapped is not missed where the soil tells of water."""
    if soil.flood is None:
        for lot in there.tolist():
            missing[lot].append("flood zones")
    else:
        for lot, kind in zip(there.tolist(), flood_under(grounds, soil.flood_shapes_m, soil.flood_kinds), strict=True):
            if kind in ("floodway", "floodplain"):
                signs[lot].append(f"flood map: {kind}")
            elif kind == "undetermined" or "outside" not in soil.flood_kinds:
                missing[lot].append("whether the flood map covers it")
    if soil.groundwater is not None:
        for lot, depth in zip(there.tolist(), groundwater_under(grounds, soil.groundwater), strict=True):
            if depth.high < rules.pit_depth_m:
                signs[lot].append(f"groundwater mapped {in_both_units(round(max(0.0, depth.high), 1))} below the ground")
            elif depth.low < rules.pit_depth_m:
                missing[lot].append("the depth of groundwater under some of it")


def risk_columns(risk: SeasonalRisk, unit: str) -> tuple[Mapping[str, object], Mapping[str, str]]:
    """Columns of the layer of parcels, one row a lot, and what each means; lengths in `unit`."""
    columns: dict[str, object] = {"may_fail_in_wet_season": risk.answer, "wet_season_reasons": risk.reasons}
    if risk.ground is not None:
        columns |= {
            f"ponding_{unit}": _rounded(from_metres(1.0, unit) * risk.ground.ponding_m, 1),
            f"above_drainage_{unit}": _rounded(from_metres(1.0, unit) * risk.ground.above_m, 1),
            "low_ground_percent": _rounded(100 * risk.ground.low_share, 0),
            "wet_ground_percent": _rounded(100 * risk.ground.wet_share, 0),
        }
    notes = {
        "may_fail_in_wet_season": "yes, unknown, or no sign found, which clears nothing: draining today is no proof",
        "wet_season_reasons": "Signs round the house, and what could not be looked at",
        f"ponding_{unit}": "Depth of water that the deepest hollow round the house would hold",
        f"above_drainage_{unit}": "Least height of the ground round the house above the drainage that its water comes to",
        "low_ground_percent": "Share of that ground among the lowest of the county above its drainage",
        "wet_ground_percent": "Share of that ground among the wettest of the county by the topographic wetness index",
    }
    return columns, {name: words for name, words in notes.items() if name in columns}


def _rounded(values: Floats, digits: int) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), digits) for value in values]


def risk_layer(land: Land, risk: SeasonalRisk) -> LayerResult:
    """The ground round each house with its answer."""
    rows = np.flatnonzero(~shapely.is_empty(risk.looked_at_m))
    columns = {
        "parcel_id": land.fabric.ids[rows],
        "may_fail_in_wet_season": risk.answer[rows],
        "reasons": risk.reasons[rows],
    }
    frame = GeoDataFrame(columns, geometry=land.frame.from_metres(risk.looked_at_m[rows]), crs=land.frame.crs)
    notes = {
        "parcel_id": "Parcel",
        "may_fail_in_wet_season": "yes, unknown, or no sign found, which clears nothing",
        "reasons": "Signs, and what could not be looked at",
    }
    title = "May the old system fail in the wet season?"
    return LayerResult(FILE, "wet_season", frame, legend_table.WET_SEASON, title, f"{title} {NO_PROOF}. {SCREENING_AID}", notes)
