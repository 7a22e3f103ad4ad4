"""The clean county of the corpus: six lots on a hillside, written as files. What every dirty input is a spoiled copy of."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import geopandas
import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.transform import from_origin
from shapely import Point, Polygon, box

CRS = "EPSG:26910"
LEFT, TOP, CELL_M = 500_000.0, 5_200_000.0, 4.0
SIDE = 80


@dataclass(frozen=True)
class County:
    """Layers of the clean county; a builder takes copies."""

    parcels: geopandas.GeoDataFrame
    wells: geopandas.GeoDataFrame
    buildings: geopandas.GeoDataFrame
    surface_water: geopandas.GeoDataFrame
    height_m: npt.NDArray[np.float32]

    @property
    def layers(self) -> dict[str, geopandas.GeoDataFrame]:
        return {name: getattr(self, name).copy() for name in ("parcels", "wells", "buildings", "surface_water")}


def at(east_m: float, south_m: float) -> tuple[float, float]:
    """A place by its distance from the top left corner. [m]"""
    return LEFT + east_m, TOP - south_m


def lot(column: int, row: int, width_m: float = 90.0) -> Polygon:
    left, top = at(20 + 90 * column, 20 + 130 * row)
    return box(left, top - 130, left + width_m, top)


@cache
def county() -> County:
    """The same every time."""
    rows, columns = np.mgrid[0:SIDE, 0:SIDE]
    height_m = (90 - 0.25 * rows - 0.05 * columns + 0.1 * np.sin(columns / 7)).astype(np.float32)
    lots = [lot(column, row) for row in (0, 1) for column in (0, 1, 2)]
    ids = ["A-1", "A-2", "A-3", "B-1", "B-2", "B-3"]
    houses = [
        box(*at(50 + 90 * column, 140 + 130 * row - 80), *at(62 + 90 * column, 140 + 130 * row - 90))
        for row in (0, 1)
        for column in (0, 1, 2)
    ]
    places = [(40, 35), (150, 40), (280, 130), (30, 270)]
    return County(
        geopandas.GeoDataFrame(
            {"parcel_id": ids, "public_water": ["no"] * 4 + ["yes", "yes"], "year_built": [1931, 1950, 1962, 1978, 1990, 2001]},
            geometry=lots, crs=CRS,
        ),
        geopandas.GeoDataFrame(
            {"well_id": ["w1", "w2", "w3", "w4"], "kind": ["private"] * 4, "location_error_m": [3.0, 3.0, 5.0, 3.0]},
            geometry=[Point(*at(*place)) for place in places], crs=CRS,
        ),
        geopandas.GeoDataFrame({"basement": ["no"] * 6}, geometry=houses, crs=CRS),
        geopandas.GeoDataFrame({"kind": ["perennial"]}, geometry=[Point(*at(260, 240)).buffer(12)], crs=CRS),
        height_m,
    )  # fmt: skip


def write_layers(folder: Path, **spoiled: geopandas.GeoDataFrame) -> Path:
    """All layers into folder/county.gpkg, those of `spoiled` in place of the clean ones."""
    path = folder / "county.gpkg"
    if path.exists():
        raise FileExistsError(path)
    path.write_bytes(_clean_package(frozenset(spoiled)))
    for name, layer in spoiled.items():
        layer.to_file(path, layer=name, driver="GPKG")
    return path


@cache
def _clean_package(without: frozenset[str]) -> bytes:
    """A GeoPackage of the clean layers but those: written once, since most inputs spoil one layer of four."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "county.gpkg"
        for name, layer in county().layers.items():
            if name not in without:
                layer.to_file(path, layer=name, driver="GPKG")
        return path.read_bytes() if path.exists() else b""


def write_elevation(path: Path, height_m: np.ndarray | None = None, **profile: Any) -> Path:
    """The heights as a GeoTIFF that states metres, unless `profile` says otherwise; `unit=None` states no unit."""
    values = county().height_m if height_m is None else height_m
    values = values if values.ndim == 3 else values[np.newaxis]
    unit = profile.pop("unit", "metre")
    options: dict[str, Any] = {
        "driver": "GTiff",
        "dtype": str(values.dtype),
        "crs": CRS,
        "transform": from_origin(LEFT, TOP, CELL_M, CELL_M),
        **profile,
    }
    with rasterio.open(path, "w", count=values.shape[0], height=values.shape[1], width=values.shape[2], **options) as file:
        file.write(values)
        if unit:
            file.units = [unit] * values.shape[0]
    return path


def write_county(folder: Path, **spoiled: geopandas.GeoDataFrame) -> dict[str, str]:
    """The whole county as files; the options of a run on it."""
    path = write_layers(folder, **spoiled)
    elevation = folder / "elevation.tif"
    if not elevation.exists():
        write_elevation(elevation)
    return {**{name: f"{path}|{name}" for name in county().layers}, "elevation": str(elevation), "rules": "us-wa"}
