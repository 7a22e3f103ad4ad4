"""A small hillside of 60 x 60 cells with four lots, two wells and a house, written as files."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely import Point, box

CRS = "EPSG:26910"
LEFT, TOP, CELL_M = 500_000.0, 5_200_000.0, 5.0


@pytest.fixture
def hillside(tmp_path: Path) -> Path:
    """Folder with elevation.tif and county.gpkg (parcels, wells, buildings)."""
    return hillside_in(tmp_path)


def hillside_in(folder: Path) -> Path:
    """The same in a folder of one's own."""
    for name, data in _hillside().items():
        (folder / name).write_bytes(data)
    return folder


@cache
def _hillside() -> dict[str, bytes]:
    with TemporaryDirectory() as folder:
        _write_hillside(Path(folder))
        return {path.name: path.read_bytes() for path in Path(folder).iterdir()}


def _write_hillside(tmp_path: Path) -> None:
    rows, cols = np.mgrid[0:60, 0:60]
    height_m = (100 + 0.3 * rows + 0.02 * np.sin(cols)).astype(np.float32)
    write_elevation(tmp_path / "elevation.tif", height_m)
    lots = [box(LEFT + 20 + 130 * i, TOP - 150 - 130 * j, LEFT + 150 + 130 * i, TOP - 20 - 130 * j) for j in (0, 1) for i in (0, 1)]
    write(tmp_path, "parcels", {"parcel_id": ["A-1", "A-2", "B-1", "B-2"]}, lots)
    wells = [Point(LEFT + 60, TOP - 60), Point(LEFT + 290, TOP - 200)]
    write(tmp_path, "wells", {"well_id": ["w1", "w2"], "kind": ["private", "private"], "location_error_m": [3.0, 3.0]}, wells)
    write(tmp_path, "buildings", {"use": ["dwelling"]}, [box(LEFT + 70, TOP - 90, LEFT + 85, TOP - 80)])


def write(folder: Path, layer: str, columns: dict[str, list[object]], shapes: list[object], crs: str | None = CRS) -> None:
    geopandas.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(folder / "county.gpkg", layer=layer, driver="GPKG")


def write_elevation(path: Path, height_m: np.ndarray, crs: str | None = CRS, **profile: object) -> None:
    options = {"driver": "GTiff", "dtype": "float32", "count": 1, "crs": crs, "transform": from_origin(LEFT, TOP, CELL_M, CELL_M)}
    with rasterio.open(path, "w", height=height_m.shape[0], width=height_m.shape[1], **{**options, **profile}) as file:
        file.write(height_m, 1)


def arguments(folder: Path, out: Path, **changes: str | None) -> list[str]:
    """Arguments of suitability_map on the hillside; `changes` replace or (None) drop options."""
    options: dict[str, str | None] = {
        "elevation": str(folder / "elevation.tif"),
        "elevation_unit": "m",
        "parcels": f"{folder / 'county.gpkg'}|parcels",
        "wells": f"{folder / 'county.gpkg'}|wells",
        "buildings": f"{folder / 'county.gpkg'}|buildings",
        "rules": "us-wa",
        "out": str(out),
        **changes,
    }
    return [word for name, value in options.items() if value is not None for word in (f"--{name.replace('_', '-')}", value)]
