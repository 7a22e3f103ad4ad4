"""Random counties with awkward lots, for laws that must hold on every lot. Nothing here is a real place."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import shapely.affinity
from affine import Affine
from scipy import ndimage

from geoseptic.model.grid import Grid, Raster

CRS = "EPSG:26915"
LEFT, BOTTOM = 400_000.0, 4_600_000.0
CELL_M = 2.0
MARGIN_M = 60.0
FT = 0.3048


@dataclass(frozen=True)
class County:
    """Layers as a user would bring them."""

    parcels: gpd.GeoDataFrame
    wells: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    driveways: gpd.GeoDataFrame
    water: gpd.GeoDataFrame
    elevation: Raster


def county(lots: int, seed: int) -> County:
    """About `lots` lots: crooked quadrilaterals, some merged to L shapes, some with a hole, on rolling ground with noise and gaps."""
    rng = np.random.default_rng(seed)
    side = max(2, round(lots**0.5))
    pitch_m = float(rng.uniform(45, 75))
    corners = np.stack(np.meshgrid(np.arange(side + 1), np.arange(side + 1), indexing="xy"), axis=-1) * pitch_m
    corners = corners + rng.uniform(-0.22, 0.22, corners.shape) * pitch_m + (LEFT + MARGIN_M, BOTTOM + MARGIN_M)
    squares = np.stack([corners[:-1, :-1], corners[:-1, 1:], corners[1:, 1:], corners[1:, :-1]], axis=2).reshape(-1, 4, 2)
    shapes = shapely.polygons(squares)
    merged = _merged(shapes, side, rng)
    holed = rng.random(len(merged)) < 0.02
    middles = shapely.buffer(shapely.point_on_surface(merged), rng.uniform(2, 6, len(merged)), quad_segs=2)
    merged[holed] = shapely.difference(merged[holed], middles[holed])
    merged = merged[shapely.get_type_id(merged) == 3]
    houses, drives, plumbed = _houses(merged, rng)
    bedrooms = rng.choice([np.nan, 2, 3, 4], len(merged))
    soil = rng.choice(
        np.array([None, "type 1", "type 3", "type 4", "type 5", "type 6"], object), len(merged), p=[0.25, 0.1, 0.2, 0.2, 0.15, 0.1]
    )
    parcels = gpd.GeoDataFrame(
        {
            "parcel_id": [f"L{number}" for number in range(len(merged))],
            "bedrooms": bedrooms,
            "soil": soil,
            "public_water": rng.choice(["yes", "no"], len(merged)),
        },
        geometry=merged,
        crs=CRS,
    )
    extent = side * pitch_m + 2 * MARGIN_M
    return County(
        parcels,
        _wells(merged, houses, rng),
        gpd.GeoDataFrame({"not_a_dwelling": np.where(plumbed, "no", "yes")}, geometry=houses, crs=CRS),
        gpd.GeoDataFrame(geometry=drives, crs=CRS),
        _creeks(extent, rng),
        _ground(extent, rng),
    )


def _merged(shapes, side, rng):
    """Some lots take their neighbour, so that outlines get reflex corners."""
    taken = np.zeros(len(shapes), bool)
    found = []
    for number, shape in enumerate(shapes):
        if taken[number]:
            continue
        joined = shape
        if rng.random() < 0.15 and (number + 1) % side and not taken[number + 1]:
            joined, taken[number + 1] = shapely.union(joined, shapes[number + 1]), True
            if rng.random() < 0.5 and number + side < len(shapes) and not taken[number + side]:
                joined, taken[number + side] = shapely.union(joined, shapes[number + side]), True
        found.append(joined)
    return np.array(found, object)


def _houses(lots, rng):
    at = shapely.get_coordinates(shapely.point_on_surface(lots)) + rng.normal(0, 6, (len(lots), 2))
    houses, drives, plumbed = [], [], []
    for lot, (x, y) in zip(lots, at, strict=True):
        if rng.random() < 0.07:
            continue
        house = shapely.affinity.rotate(shapely.box(x - rng.uniform(4, 8), y - rng.uniform(3, 6), x + 6, y + 4), rng.uniform(0, 90))
        if not lot.contains(house):
            continue
        houses.append(house)
        plumbed.append(rng.random() > 0.05)
        line = shapely.shortest_line(house, lot.exterior)
        drives.append(shapely.buffer(line, 1.5, cap_style="flat"))
    return np.array(houses, object), np.array(drives, object), np.array(plumbed, bool)


def _wells(lots, houses, rng):
    corners = shapely.get_coordinates(shapely.point_on_surface(lots))
    near = corners + rng.normal(0, 14, corners.shape)
    kept = near[rng.random(len(near)) < 0.6]
    return gpd.GeoDataFrame(
        {
            "well_id": [f"W{number}" for number in range(len(kept))],
            "kind": rng.choice(np.array(["private", "public", "irrigation", None], object), len(kept), p=[0.8, 0.03, 0.1, 0.07]),
            "location_error_ft": rng.choice([0.0, 3.0, 10.0, 25.0, 120.0, np.nan], len(kept), p=[0.2, 0.4, 0.2, 0.1, 0.04, 0.06]),
        },
        geometry=shapely.points(kept),
        crs=CRS,
    )


def _creeks(extent, rng):
    x = np.linspace(LEFT, LEFT + extent, 60)
    lines = [
        shapely.LineString(np.column_stack([x, BOTTOM + rng.uniform(0, extent) + np.cumsum(rng.normal(0, 6, len(x)))])) for _ in range(3)
    ]
    return gpd.GeoDataFrame({"kind": ["perennial", "intermittent", "perennial"]}, geometry=lines, crs=CRS)


def _ground(extent, rng):
    side = int(np.ceil(extent / CELL_M))
    rough = ndimage.gaussian_filter(rng.normal(0, 1, (side, side)), 60 / CELL_M, mode="nearest")
    heights = 300 + rough / max(float(rough.std()), 1e-9) * float(rng.uniform(0.5, 6)) + rng.normal(0, 0.04, (side, side))
    heights = heights + np.arange(side)[:, None] * CELL_M * float(rng.uniform(-0.04, 0.04))
    gaps = ndimage.gaussian_filter(rng.normal(0, 1, (side, side)), 8) > 0.105
    heights[gaps] = np.nan
    grid = Grid.of((side, side), Affine(CELL_M, 0, LEFT, 0, -CELL_M, BOTTOM + side * CELL_M), CRS, "elevation")
    return Raster(heights.astype(np.float32), grid)
