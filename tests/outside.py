"""Where other people's data lie: files inside packages that are installed for the data alone and never imported.

Each file is held against the digest of the one that the checks were written for (equal in lidar 0.8.0, 0.8.1 and 0.8.4,
in momepy 0.9.0, 0.10.0 and 0.11.0, in scikit-gstat 1.0.18 and 1.0.26). A missing or different file fails the test.
"""

import hashlib
from importlib import metadata
from pathlib import Path

import pytest


def lidar_dem_path() -> Path:
    """Bare-earth heights from airborne laser scanning: GeoTIFF, 400 x 400 cells of 1 m, EPSG:26915."""
    return data_file("lidar", "lidar/data/dem.tif", "c0f525ea2f1ab78becf64dabdc0ba386de34c092151a95d463ae9b6cd74154f4")


def momepy_path() -> Path:
    """Plots, buildings and streets of a town quarter: GeoPackage, in Web Mercator (EPSG:3857)."""
    return data_file("momepy", "momepy/datasets/bubenec.gpkg", "fab4f3047ce5a63dec99943a09e3c8dba1f18d9a4e3b7b21ea377e28a67a55a4")


def meuse_path() -> Path:
    """Soil samples on a flood plain, with height and distance to the river: comma-separated, x and y in metres (EPSG:28992)."""
    inner_path = "skgstat/data/samples/meuse.txt"
    return data_file("scikit-gstat", inner_path, "b27776bc1cad63c4bf308923c86a5a76a0a02566ac75984b018df2a477b52f64")


def data_file(package: str, inner_path: str, sha256: str) -> Path:
    """The file `inner_path` of an installed package, found without importing that package."""
    try:
        path = Path(str(metadata.distribution(package).locate_file(inner_path)))
    except metadata.PackageNotFoundError:
        pytest.fail(f"{package}, whose {inner_path} this test reads, is missing: run `python3 scripts/start.py install test data`.")
    if not path.is_file():
        pytest.fail(f"{package} {metadata.version(package)} has no {inner_path}: install a version that pyproject.toml allows.")
    if hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
        pytest.fail(f"{inner_path} of {package} {metadata.version(package)} is not the file that this test was written for.")
    return path
