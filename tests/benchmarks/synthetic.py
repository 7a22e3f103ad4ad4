"""A synthetic county of any size, the same for the same seed: hills, creeks, blocks of lots, a house on each lot, wells.

    python tests/benchmarks/synthetic.py --out DIR --rows 4000 --cols 4000 --cell 2 --parcels 20000 --wells 10000 --seed 1

Writes `dem.tif` (EPSG:26915; heights in metres, which the file does not state) and `county.gpkg` with the layers parcels, buildings,
wells, surface_water and roads. Nothing in it is a real place. Shares, sizes and slopes are our own choice: they make a load, not a model.
"""

import argparse
import json
import math
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import numpy.typing as npt
import rasterio
import shapely
from rasterio.transform import from_origin
from rasterio.windows import Window
from scipy import fft

sys.path.insert(0, str(Path(__file__).resolve().parent))
from common import county_options

CRS = "EPSG:26915"
WEST_M, NORTH_M = 400_000.0, 4_700_000.0
ROAD_WIDTH_M = 15.0
LOTS_ALONG = 10
LOT_ASPECT = 1.6
LEAST_LOT_M = 18.0
LONGEST_HILL_M = 1_500.0
HURST = 1.0
RELIEF_M = 4.0
MOST_HILLS = 16_384
STRIP_ROWS = 512
SURVEY_NOISE_M = 0.03
TILT, VALLEY_SIDE = 0.005, 0.05
CREEK_EVERY_M = 1_500.0
SKEW_M = 3.0
ROUGH_SHARE, UNSTATED_SHARE = 0.08, 0.05

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Extent:
    """Size of the county; x grows eastward and y northward from the south-west corner. [m]"""

    rows: int
    cols: int
    cell_m: float

    @property
    def width_m(self) -> float:
        return self.cols * self.cell_m

    @property
    def height_m(self) -> float:
        return self.rows * self.cell_m


@dataclass(frozen=True)
class Lots:
    """`corners_m` has shape (lots, 4, 2): front left, front right, back right, back left."""

    corners_m: Floats
    roads: list[Floats]


def write_county(folder: Path, extent: Extent, parcels: int, wells: int, seed: int, *, with_dem: bool = True) -> dict[str, object]:
    """Make a county and write it to `folder`; returns the paths and counts. Raises ValueError where the lots would be too small."""
    folder.mkdir(parents=True, exist_ok=True)
    ground_rng, lot_rng, house_rng, well_rng = (np.random.default_rng([seed, part]) for part in range(4))
    creeks = creek_lines(extent, ground_rng)
    if with_dem:
        write_dem(folder / "dem.tif", ground(extent, creeks, ground_rng), extent)
    lots = lay_out(extent, parcels, lot_rng)
    layers = {"parcels": parcel_table(lots)}
    house_corners, house_middles = houses(lots, house_rng)
    layers["buildings"] = table({"basement": house_rng.random(parcels) < 0.4}, shapely.polygons(house_corners))
    layers["wells"] = well_table(extent, house_middles, wells, well_rng)
    layers["surface_water"] = table({"kind": ["perennial"] * len(creeks)}, [shapely.linestrings(line) for line in creeks])
    layers["roads"] = table({"name": [f"Road {n}" for n in range(len(lots.roads))]}, [shapely.linestrings(road) for road in lots.roads])
    county = folder / "county.gpkg"
    county.unlink(missing_ok=True)
    for name, layer in layers.items():
        placed = layer.set_geometry(shapely.transform(layer.geometry.values, lambda xy: to_map(xy, extent)), crs=CRS)
        placed.to_file(county, layer=name, driver="GPKG", engine="pyogrio")
    counts = {name: len(layer) for name, layer in layers.items()}
    return {"dem": str(folder / "dem.tif"), "county": str(county), "rows": extent.rows, "cols": extent.cols, **counts}


def to_map(xy_m: Floats, extent: Extent) -> Floats:
    """County coordinates as map coordinates, to the centimetre."""
    placed: Floats = np.round(xy_m + np.array([WEST_M, NORTH_M - extent.height_m]), 2)
    return placed


def table(columns: Mapping[str, object], shapes: object) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(dict(columns), geometry=np.asarray(shapes, object))


def hills(extent: Extent, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Self-similar hills up to LONGEST_HILL_M long, over the whole county or, from MOST_HILLS cells a side on, one period of them. [m]"""
    shape = (fft.next_fast_len(min(extent.rows, MOST_HILLS), real=True), fft.next_fast_len(min(extent.cols, MOST_HILLS), real=True))
    spectrum = fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    across = fft.rfftfreq(shape[1], extent.cell_m).astype(np.float32)
    along = fft.fftfreq(shape[0], extent.cell_m).astype(np.float32)
    squared = across[None, :] ** 2 + along[:, None] ** 2 + np.float32(LONGEST_HILL_M**-2)
    spectrum *= squared ** np.float32(-(HURST + 1) / 2)
    found: npt.NDArray[np.float32] = fft.irfft2(spectrum, s=shape)
    if min(extent.rows, extent.cols) <= MOST_HILLS:
        found = found[: extent.rows, : extent.cols]
    found *= np.float32(RELIEF_M) / found.std()
    return found


def ground(extent: Extent, creeks: list[Floats], rng: np.random.Generator) -> Iterator[npt.NDArray[np.float32]]:
    """Valleys down to the creeks and to the south, hills and survey noise, in strips of STRIP_ROWS or less from the north. [m]"""
    rolling = hills(extent, rng)
    x = (np.arange(extent.cols, dtype=np.float32) + np.float32(0.5)) * np.float32(extent.cell_m)
    across = np.arange(extent.cols) % rolling.shape[1]
    for first in range(0, extent.rows, STRIP_ROWS):
        rows = np.arange(first, min(first + STRIP_ROWS, extent.rows))
        y = extent.height_m - (rows.astype(np.float32) + np.float32(0.5)) * np.float32(extent.cell_m)
        to_creek = np.full((len(rows), extent.cols), np.inf, np.float32)
        for creek in creeks:
            middle = np.interp(y, creek[::-1, 1], creek[::-1, 0]).astype(np.float32)
            near = slice(*np.searchsorted(x, [middle.min() - 2 * CREEK_EVERY_M, middle.max() + 2 * CREEK_EVERY_M]))
            np.minimum(to_creek[:, near], np.abs(x[None, near] - middle[:, None]), out=to_creek[:, near])
        heights = rolling[rows % rolling.shape[0]][:, across] + np.float32(VALLEY_SIDE) * to_creek + (300 + np.float32(TILT) * y)[:, None]
        heights -= np.float32(1.5) * np.exp(-((to_creek / 4) ** 2))
        heights += rng.standard_normal(heights.shape, dtype=np.float32) * np.float32(SURVEY_NOISE_M)
        yield np.ascontiguousarray(heights, np.float32)


def creek_lines(extent: Extent, rng: np.random.Generator) -> list[Floats]:
    """Winding lines from the north to the south edge."""
    count = max(1, round(extent.width_m / CREEK_EVERY_M))
    y = np.linspace(extent.height_m, 0, max(3, round(extent.height_m / 20)))
    lines = []
    for n in range(count):
        phases = rng.uniform(0, 2 * math.pi, 2)
        sway = 0.12 * extent.width_m / count
        x = (n + 0.5) * extent.width_m / count + sway * np.sin(y / 400 + phases[0]) + 0.3 * sway * np.sin(y / 90 + phases[1])
        lines.append(np.column_stack([x, y]))
    return lines


def lay_out(extent: Extent, parcels: int, rng: np.random.Generator) -> Lots:
    """Blocks of two rows of lots back to back with a road on every side; as many lots as asked, the rest left empty here and there."""
    margin = ROAD_WIDTH_M + SKEW_M
    inner_x, inner_y = extent.width_m - 2 * margin, extent.height_m - 2 * margin
    blocks = math.ceil(parcels / (2 * LOTS_ALONG))
    across = max(1, round(math.sqrt(blocks * inner_x / inner_y * 2 * LOT_ASPECT / LOTS_ALONG)))
    down = math.ceil(blocks / across)
    pitch_x, pitch_y = inner_x / across, inner_y / down
    block_x, block_y = pitch_x - ROAD_WIDTH_M, pitch_y - ROAD_WIDTH_M
    if block_x / LOTS_ALONG < LEAST_LOT_M or block_y / 2 < LEAST_LOT_M:
        raise ValueError(f"{parcels} parcels do not fit on {extent.width_m:g} m by {extent.height_m:g} m: fewer parcels or more cells.")
    bx, by = (grid.ravel() for grid in np.meshgrid(np.arange(across), np.arange(down)))
    west = margin + bx * pitch_x + ROAD_WIDTH_M / 2
    south = margin + by * pitch_y + ROAD_WIDTH_M / 2
    middle = south + block_y * rng.uniform(0.42, 0.58, len(south))
    shares = rng.uniform(0.6, 1.4, (len(bx), 2, LOTS_ALONG))
    edges = np.concatenate([np.zeros((len(bx), 2, 1)), np.cumsum(shares, axis=2)], axis=2)
    edges = west[:, None, None] + block_x * edges / edges[:, :, -1:]
    left, right = edges[:, :, :-1], edges[:, :, 1:]
    front = np.broadcast_to(np.stack([south, south + block_y], axis=1)[:, :, None], left.shape)
    back = np.broadcast_to(middle[:, None, None], left.shape)
    corners = np.stack([np.stack(pair, axis=-1) for pair in ((left, front), (right, front), (right, back), (left, back))], axis=-2)
    # Each block is skewed a little, so that no edge runs with the axes; lines stay straight, so back-to-back lots still share theirs.
    skew = rng.uniform(-SKEW_M, SKEW_M, (2, len(bx), 1, 1, 1)) / np.array([block_y, block_x]).reshape(2, 1, 1, 1, 1)
    apart = corners - np.stack([west + block_x / 2, south + block_y / 2], axis=-1)[:, None, None, None]
    corners = (corners + np.stack([skew[0] * apart[..., 1], skew[1] * apart[..., 0]], axis=-1)).reshape(-1, 4, 2)
    kept = np.sort(rng.permutation(len(corners))[:parcels])
    xs = margin + np.arange(across + 1) * pitch_x
    ys = margin + np.arange(down + 1) * pitch_y
    roads = [np.array([[x, margin], [x, margin + inner_y]]) for x in xs]
    roads += [np.array([[margin, y], [margin + inner_x, y]]) for y in ys]
    return Lots(corners[kept], roads)


def parcel_table(lots: Lots) -> geopandas.GeoDataFrame:
    names = [f"P{number:07d}" for number in range(len(lots.corners_m))]
    # Public water everywhere: wells presumed on half of the lots would leave most of the map open.
    return table({"parcel_id": names, "public_water": ["yes"] * len(names)}, shapely.polygons(lots.corners_m))


def houses(lots: Lots, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Corners (lots, 4, 2) and middles (lots, 2) of one slightly turned rectangle a lot, a third of the way back from the road."""
    front_left, front_right, back_right, _ = (lots.corners_m[:, k] for k in range(4))
    width, depth = front_right[:, 0] - front_left[:, 0], back_right[:, 1] - front_left[:, 1]
    back = rng.uniform(0.28, 0.4, len(width))
    side = rng.uniform(0.4, 0.6, len(width))
    middles = np.column_stack([front_left[:, 0] + side * width, front_left[:, 1] + back * depth])
    half_x = np.minimum(rng.uniform(5, 9, len(width)), 0.3 * width)
    half_y = np.minimum(rng.uniform(4, 6, len(width)), 0.2 * np.abs(depth))
    turn = rng.normal(0, 0.1, len(width))
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    corners = signs[None] * np.stack([half_x, half_y], axis=-1)[:, None]
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    turned = np.stack([corners[..., 0] * cos - corners[..., 1] * sin, corners[..., 0] * sin + corners[..., 1] * cos], axis=-1)
    return middles[:, None] + turned, middles


def well_table(extent: Extent, house_middles: Floats, wells: int, rng: np.random.Generator) -> geopandas.GeoDataFrame:
    """Most wells stand 8 to 25 m from a house; some are known only to 40 to 150 m and may lie anywhere, some state no error."""
    picked = rng.choice(len(house_middles), wells, replace=wells > len(house_middles))
    angle = rng.uniform(0, 2 * math.pi, wells)
    away = rng.uniform(8, 25, wells)
    places = house_middles[picked] + away[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    error_m = np.where(rng.random(wells) < 0.6, rng.uniform(1, 5, wells), 15.24)
    rough = rng.random(wells) < ROUGH_SHARE
    places[rough] = rng.uniform((0, 0), (extent.width_m, extent.height_m), (int(rough.sum()), 2))
    error_m[rough] = rng.uniform(40, 150, int(rough.sum()))
    error_m[rng.random(wells) < UNSTATED_SHARE] = np.nan
    kind = rng.choice(["private", "public", "irrigation", "unused"], wells, p=[0.94, 0.005, 0.025, 0.03])
    names = [f"W{number:07d}" for number in range(wells)]
    return table({"well_id": names, "kind": kind, "location_error_m": np.round(error_m, 2)}, shapely.points(places))


def write_dem(path: Path, strips_m: Iterable[npt.NDArray[np.float32]], extent: Extent) -> None:
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=extent.rows,
        width=extent.cols,
        count=1,
        dtype="float32",
        crs=CRS,
        transform=from_origin(WEST_M, NORTH_M, extent.cell_m, extent.cell_m),
        tiled=True,
        blockxsize=256,
        blockysize=256,
        # No predictor: whitebox-workflows 2.0.6 reads wrong heights from a GeoTIFF with one, and says nothing.
        compress="deflate",
        zlevel=6,
        bigtiff="IF_SAFER",
        num_threads="all_cpus",
    ) as file:
        row = 0
        for strip_m in strips_m:
            file.write(strip_m, 1, window=Window(0, row, extent.cols, len(strip_m)))
            row += len(strip_m)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    county_options(parser)
    parser.add_argument("--no-dem", action="store_true", help="the layers alone")
    options = parser.parse_args()
    extent = Extent(options.rows, options.cols or options.rows, options.cell)
    wells = options.parcels // 2 if options.wells is None else options.wells
    print(json.dumps(write_county(options.out, extent, options.parcels, wells, options.seed, with_dem=not options.no_dem), indent=2))


if __name__ == "__main__":
    main()
