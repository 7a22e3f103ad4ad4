"""A row of square lots, wells on them and ground that falls to the west, made in memory."""

import geopandas
import numpy as np
from affine import Affine
from shapely import Point, box

from geoseptic.model.grid import Grid, Raster

CRS = "EPSG:26910"
LEFT, BOTTOM, SIDE_M = 500_000.0, 5_200_000.0, 100.0


def lots(count: int = 3, **columns: list[object]) -> geopandas.GeoDataFrame:
    """Lots of 100 x 100 m in a row to the east."""
    shapes = [box(LEFT + SIDE_M * i, BOTTOM, LEFT + SIDE_M * (i + 1), BOTTOM + SIDE_M) for i in range(count)]
    return geopandas.GeoDataFrame(
        {"parcel_id": [f"L{i}" for i in range(count)], "public_water": [True] * count, **columns}, geometry=shapes, crs=CRS
    )


def wells(
    points: list[tuple[float, float]], errors_m: list[float], kind: str | None = "private", **columns: list[object]
) -> geopandas.GeoDataFrame:
    shapes = [Point(LEFT + x, BOTTOM + y) for x, y in points]
    names = [f"W{i}" for i in range(len(points))]
    return geopandas.GeoDataFrame(
        {"well_id": names, "kind": [kind] * len(points), "location_error_m": errors_m, **columns}, geometry=shapes, crs=CRS
    )


def ground(width_m: float, height_m: float = SIDE_M, cell_m: float = 10.0) -> Raster:
    heights = np.add.outer(np.zeros(int(height_m / cell_m)), 0.1 * np.arange(int(width_m / cell_m))).astype(np.float32)
    return Raster(heights, Grid.of(heights.shape, Affine(cell_m, 0, LEFT, 0, -cell_m, BOTTOM + height_m), CRS, "elevation"))
