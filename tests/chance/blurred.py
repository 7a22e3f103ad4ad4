"""A county whose truth is known, its records blurred by stated errors, and what the library says of both: for calibration.

True wells lie anywhere alike, or by houses, within the county and well beyond it; each is put on record as its method would. Lots and
buildings are recorded a block at a time, each block shifted as a whole: lots do not overlap, and each is off as the model says.
"""

import math
from dataclasses import dataclass
from typing import Final

import geopandas
import numpy as np
import shapely
from affine import Affine

from geoseptic.chance.clear import clear_chance
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.soilfiles import load_soil_criteria
from geoseptic.model.grid import Grid, Raster
from geoseptic.parcels import burn
from geoseptic.parcels.fit import Terrain
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND
from geoseptic.processes.chance_cases import around, cases_of
from geoseptic.processes.chance_fits import drawn_lots, lots_in_doubt, shares
from geoseptic.processes.chance_maps import uncertain_zones
from geoseptic.processes.land import check_land
from geoseptic.processes.layouts import Setting
from geoseptic.processes.slopes import slope_limit_percent, slope_percent
from geoseptic.processes.soil_ground import check_soils
from geoseptic.processes.steps import cut_envelopes
from geoseptic.processes.uncertain import Doubts, uncertain_of
from geoseptic.systems.gravity import Burial
from tests.benchmarks.synthetic import CRS, LOTS_ALONG, NORTH_M, WEST_M, Extent, creek_lines, ground, houses, lay_out, to_map

RULES: Final = "us-wa"
WIDTH_M, BLOCK_M, CELL_M, WINDOW_M = 500.0, 125.0, 2.0, 15.0
BEYOND_M: Final = 450.0
"""How far beyond the lots wells lie: a quarter-quarter section may hold one there and have its middle here."""

LINE_SIGMA_M, BUILDING_SIGMA_M = 1.5, 1.0
QUARTER_QUARTER_M: Final = 402.336
CEP50: Final = math.sqrt(2.0 * math.log(2.0))
NEAR_M: Final = 15.0
ON_LOTS: Final = {"parcel_centroid": (0.1, 0.5), "presumed": (0.1, 0.8)}
"""Share of the lots with a well placed so, and share of these wells that lie by the house."""

SCATTERED: Final = {"gps": 0.3, "digitised": 0.2, "unknown": 0.1, "quarter_quarter": 0.06}
"""Wells a lot of its area, by method."""

SEVERAL: Final = 400

Floats = np.ndarray
ANYWHERE, BY_HOUSES = "anywhere", "by houses"


@dataclass(frozen=True)
class Layers:
    """Layers as a user would bring them; `presumed` says whether wells that are on no record are presumed."""

    parcels: geopandas.GeoDataFrame
    wells: geopandas.GeoDataFrame
    buildings: geopandas.GeoDataFrame
    presumed: bool


@dataclass(frozen=True)
class County:
    """What is, what is on record of it, its heights, and the block of each lot."""

    true: Layers
    recorded: Layers
    elevation: Raster
    block: np.ndarray
    seed: int


@dataclass(frozen=True)
class Said:
    """What the library says: chance of field alone and of both, NaN for lots that are not judged; chance of each cell, NaN off the lots."""

    primary: Floats
    both: Floats
    clear: Floats


def a_county(seed: int, blocks: int = 6, where: str = ANYWHERE) -> County:
    """A county of 20 lots a block."""
    rng = np.random.default_rng([seed, 77])
    lots = 2 * LOTS_ALONG * blocks
    extent = Extent(round((36 + BLOCK_M * blocks) / CELL_M), round(WIDTH_M / CELL_M), CELL_M)
    laid = lay_out(extent, lots, rng)
    corners_m, middles_m = houses(laid, rng)
    lots_m, houses_m = (shapely.polygons(to_map(shape, extent)) for shape in (laid.corners_m, corners_m))
    heights_m = np.concatenate(list(ground(extent, creek_lines(extent, rng), rng)))
    block = np.arange(lots) // (2 * LOTS_ALONG)
    elevation = Raster(heights_m, Grid.of(heights_m.shape, Affine(CELL_M, 0, WEST_M, 0, -CELL_M, NORTH_M), CRS, "elevation"))

    off_m = rng.normal(0, LINE_SIGMA_M, (blocks, 2))[block]
    houses_off_m = rng.normal(0, BUILDING_SIGMA_M, (blocks, 2))[block]
    lots_seen, houses_seen = _moved(lots_m, -off_m), _moved(houses_m, -houses_off_m)
    parcels = {
        "parcel_id": [f"P{number:04d}" for number in range(lots)],
        "soil": rng.choice(np.array(["type 3", "type 4", "type 5"], object), lots),
        "bedrooms": np.full(lots, 3),
        "public_water": np.full(lots, "yes", object),
    }
    order = rng.permutation(lots)
    wells, start = [_scattered(rng, lots_m, to_map(middles_m, extent), where)], 0
    for method, (share, near) in ON_LOTS.items():
        own = order[start : start + round(share * lots)]
        start += len(own)
        true_m = _on_lots(rng, lots_m[own], houses_m[own], near)
        seen_m = shapely.get_coordinates(shapely.centroid(lots_seen[own]))
        wells.append((np.full(len(own), method, object), true_m, seen_m, np.full(len(own), math.nan)))
        if method == "presumed":
            parcels["public_water"][own] = "no"
    method, true_m, seen_m, stated_m = (np.concatenate(column) for column in zip(*wells, strict=True))
    # Irrigation wells keep field and house as far apart as others do, and leave no doubt of whose lot has a well.
    kind = np.where(method == "presumed", "private", "irrigation")
    names = np.array([f"W{number:04d}" for number in range(len(kind))])
    true = _table({"well_id": names, "kind": kind, "location_error_m": np.zeros(len(kind))}, shapely.points(true_m))
    told = _table({"well_id": names, "kind": kind, "location_error_m": stated_m, "location_method": method}, shapely.points(seen_m))
    return County(
        Layers(_table(parcels, lots_m), true, _table({}, houses_m), presumed=False),
        Layers(_table(parcels, lots_seen), told[method != "presumed"].reset_index(drop=True), _table({}, houses_seen), presumed=True),
        elevation,
        block,
        seed,
    )


def _table(columns, shapes):
    return geopandas.GeoDataFrame(columns, geometry=np.asarray(shapes, object), crs=CRS)


def _moved(shapes_m, by_m):
    xy, owner = shapely.get_coordinates(shapes_m, return_index=True)
    return shapely.set_coordinates(shapes_m.copy(), xy + by_m[owner])


def _scattered(rng, lots_m, middles_m, where):
    """Wells anywhere, or by houses: method, true place, place on record and stated error."""
    left, bottom, right, top = shapely.total_bounds(lots_m) + BEYOND_M * np.array([-1, -1, 1, 1])
    a_lot_m2 = shapely.area(lots_m).mean()
    methods, places, seen, stated = [], [], [], []
    for method, a_lot in SCATTERED.items():
        if where == BY_HOUSES:
            picked = rng.choice(len(middles_m), round(a_lot * len(middles_m)), replace=False)
            turn, away = rng.uniform(0, 2 * math.pi, len(picked)), rng.uniform(8, 25, len(picked))
            true_m = middles_m[picked] + away[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
        else:
            count = rng.poisson(a_lot * (right - left) * (top - bottom) / a_lot_m2)
            true_m = rng.uniform((left, bottom), (right, top), (count, 2))
        count = len(true_m)
        error_m = np.full(count, math.nan)
        if method == "quarter_quarter":
            corner = np.array([left, bottom]) - rng.uniform(0, QUARTER_QUARTER_M, 2)
            seen_m = corner + (np.floor((true_m - corner) / QUARTER_QUARTER_M) + 0.5) * QUARTER_QUARTER_M
        elif method == "unknown":
            error_m = rng.uniform(15, 45, count)
            turn, away = rng.uniform(0, 2 * math.pi, count), error_m * np.sqrt(rng.uniform(0, 1, count))
            seen_m = true_m + away[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
        else:
            sigma_m = rng.uniform(1.5, 8, count) if method == "gps" else np.full(count, 12.0)
            error_m = CEP50 * sigma_m
            seen_m = true_m + rng.normal(0, 1, (count, 2)) * sigma_m[:, None]
        methods.append(np.full(count, method, object))
        places.append(true_m)
        seen.append(seen_m)
        stated.append(error_m)
    return tuple(np.concatenate(column) for column in (methods, places, seen, stated))


def _on_lots(rng, lots_m, houses_m, near_share):
    """One place on each lot: some by the house, exp(-distance / NEAR_M) as likely, the others anywhere alike."""
    found = np.empty((len(lots_m), 2))
    for row, (lot, house) in enumerate(zip(lots_m, houses_m, strict=True)):
        left, bottom, right, top = shapely.bounds(lot)
        xy = rng.uniform((left, bottom), (right, top), (SEVERAL, 2))
        xy = xy[shapely.contains_xy(lot, xy)]
        weight = np.ones(len(xy))
        if rng.random() < near_share:
            weight = np.exp(-shapely.distance(house, shapely.points(xy)) / NEAR_M)
        found[row] = xy[rng.choice(len(xy), p=weight / weight.sum())]
    return found


def truth(county: County, *, fits: bool = True) -> Said:
    """What the search and the map say where every place is known: 0 or 1."""
    return _said(county, county.true, Doubts(county.seed, 1, "cep50", 0.0, 0.0, 0.0, 0.1, None, 10.0, 1), fits=fits)


def said(county: County, draws: int, times: float = 1.0, *, fits: bool = True) -> Said:
    """What is said of the records, where the errors stated of wells, lot lines and buildings are so many times the true ones."""
    told = county.recorded
    wells = told.wells.assign(location_error_m=told.wells.location_error_m * times)
    doubts = Doubts(county.seed, draws, "cep50", 15.0, LINE_SIGMA_M * times, BUILDING_SIGMA_M * times, 0.1, None, 10.0, 1)
    return _said(county, Layers(told.parcels, wells, told.buildings, told.presumed), doubts, fits=fits)


def _said(county: County, layers: Layers, doubts: Doubts, *, fits: bool = True) -> Said:
    elevation, rules = county.elevation, load_rules(RULES)
    land = check_land(
        layers.parcels,
        layers.wells,
        {"buildings": layers.buildings},
        frame=elevation.grid.frame,
        assumed_location_error_m=doubts.assumed_location_error_m,
        presume_wells=layers.presumed,
    )
    uncertain = uncertain_of(land, doubts, rules)
    (cut,) = cut_envelopes(land, rules, ("drain_field",), {}, frozenset(), None, 1)
    clear = clear_chance(elevation.grid, *uncertain_zones(land, cut, uncertain))
    clear[~burn.centred(land.fabric.claimed_m, elevation.grid)] = math.nan
    nothing = np.full(len(county.block), math.nan)
    if not fits:
        return Said(nothing, nothing, clear)
    soil = check_soils(None, None, None, elevation.grid.frame, rules, load_soil_criteria(), {}, 0.9)
    lots, failed = lots_in_doubt(land, rules, soil)
    parts = [around(land, rules, part, {}, frozenset(), None, uncertain, 1) for part in ("drain_field", "reserve")]
    cases, astray = cases_of(land, lots, *parts, uncertain)
    assert not failed and not astray
    terrain = _terrain(elevation, slope_limit_percent(rules))
    drawn = drawn_lots(lots, Setting(terrain, terrain, terrain, Burial()), cases, np.full(len(lots), rules.certainty, object))
    judged = lots.why_not == ""
    primary, both = (np.where(judged, shares(drawn.kind >= least, drawn)[0], math.nan) for least in (1, 2))
    return Said(primary, both, clear)


def _terrain(elevation: Raster, limit_percent: float | None) -> Terrain:
    slope = slope_percent(elevation, WINDOW_M, "plane", 1).array()
    good = np.where(slope > (limit_percent or math.inf), np.uint8(BAD_GROUND), np.uint8(GOOD_GROUND))
    left, _, _, top = elevation.grid.bounds_m
    nowhere = np.full(good.shape, np.inf, np.float32)
    return Terrain(np.asarray(elevation.values, np.float32), good, nowhere, left, top, CELL_M, WINDOW_M)
