"""Random lots and grounds for the search for room: what the law may leave of a lot, and what may lie under it."""

import math
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
import shapely
import shapely.affinity

from geoseptic.parcels.fit import FieldNeed, Site, Terrain
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND, UNKNOWN_GROUND

FAR_EAST_M, FAR_NORTH_M = 512_345.6, 4_712_345.6
"""Coordinates as large as those of a map: rounding is part of the test."""

SIDE_M = 240.0
WINDOW_M = 15.0

NEEDS = (
    FieldNeed(60.0, 0.9144, 30.48, 1.8288, 1.0),
    FieldNeed(91.44, 0.9144, 30.48, 1.8288, 1.0),
    FieldNeed(45.0, 0.6096, 18.288, 1.2192, 0.5),
    FieldNeed(150.0, 0.9, 30.0, 1.8, 1.0),
    FieldNeed(24.4, 0.9144, 30.48, 1.8288, 0.0),
)


def packed(cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint64]:
    """A grid of `bitrows` of cells of shape (rows, cols)."""
    whole = np.zeros((cells.shape[0], -(-cells.shape[1] // 64) * 64), bool)
    whole[:, : cells.shape[1]] = cells
    return np.packbits(whole, axis=1, bitorder="little").view("<u8").astype(np.uint64)


def unpacked(bits: npt.NDArray[np.uint64], cols: int) -> npt.NDArray[np.bool_]:
    """The cells of a grid of `bitrows`, shape (rows, cols)."""
    return np.unpackbits(bits.astype("<u8").view(np.uint8), axis=1, bitorder="little")[:, :cols].astype(bool)


def star(rng: np.random.Generator, radius_m: float) -> shapely.Polygon:
    """Irregular: 5 to 12 corners about a middle, which may be sharp or turn inward."""
    corners = int(rng.integers(5, 13))
    angles = (np.arange(corners) + rng.uniform(-0.4, 0.4, corners)) * 2 * math.pi / corners
    away = radius_m * rng.uniform(0.4, 1.3, corners)
    return shapely.Polygon(np.column_stack([away * np.cos(angles), away * np.sin(angles)]))


def box(rng: np.random.Generator, radius_m: float) -> shapely.Polygon:
    wide = radius_m * rng.uniform(0.5, 1.6)
    deep = radius_m * rng.uniform(0.5, 1.1)
    return shapely.box(-wide, -deep, wide, deep)


def ell(rng: np.random.Generator, radius_m: float) -> shapely.Geometry:
    whole = shapely.box(-radius_m, -radius_m, radius_m, radius_m)
    x, y = rng.uniform(-0.5, 0.5, 2) * radius_m
    return shapely.difference(whole, shapely.box(x, y, 2 * radius_m, 2 * radius_m))


def sliver(rng: np.random.Generator, radius_m: float) -> shapely.Polygon:
    """Long and narrow, narrower at one end."""
    a, b = rng.uniform(1.0, 9.0, 2)
    return shapely.Polygon([(-2 * radius_m, -a), (2 * radius_m, -b), (2 * radius_m, b), (-2 * radius_m, a)])


def beside_wells(rng: np.random.Generator, radius_m: float) -> shapely.Geometry:
    """A lot out of which the distances from one to three wells are cut."""
    lot = box(rng, radius_m)
    for _ in range(int(rng.integers(1, 4))):
        at = rng.uniform(-1.5, 1.5, 2) * radius_m
        lot = shapely.difference(lot, shapely.buffer(shapely.Point(at), rng.uniform(0.2, 1.2) * radius_m))
    return lot


def pieces(rng: np.random.Generator, radius_m: float) -> shapely.Geometry:
    """Cut in two or more by a drive or a ditch."""
    lot = star(rng, radius_m)
    for _ in range(int(rng.integers(1, 3))):
        line = shapely.LineString(rng.uniform(-1, 1, (2, 2)) * 2 * radius_m)
        lot = shapely.difference(lot, shapely.buffer(line, rng.uniform(1, 6), cap_style="flat"))
    return lot


def with_holes(rng: np.random.Generator, radius_m: float) -> shapely.Geometry:
    """A house and perhaps a pool somewhere in the middle, with the distance from them."""
    lot = box(rng, radius_m)
    for _ in range(int(rng.integers(1, 4))):
        x, y = rng.uniform(-0.6, 0.6, 2) * radius_m
        house = shapely.affinity.rotate(shapely.box(x, y, x + rng.uniform(2, 14), y + rng.uniform(2, 9)), rng.uniform(0, 180))
        lot = shapely.difference(lot, shapely.buffer(house, rng.uniform(1, 7)))
    return lot


FAMILIES: tuple[Callable[[np.random.Generator, float], shapely.Geometry], ...] = (star, box, ell, sliver, beside_wells, pieces, with_holes)


def envelope(rng: np.random.Generator, radius_m: float) -> shapely.Geometry:
    """An envelope of any family, turned, about (0, 0)."""
    shape = FAMILIES[int(rng.integers(len(FAMILIES)))](rng, radius_m)
    return shapely.affinity.rotate(shape, rng.uniform(0, 360), origin=(0, 0))


def sites(rng: np.random.Generator, count: int) -> Iterator[Site]:
    """Lots on the grounds below. Some have an envelope of their own for the reserve, some no house."""
    for _ in range(count):
        radius_m = rng.uniform(10, 42)
        field = envelope(rng, radius_m)
        reserve = field
        if rng.random() < 0.3:
            reserve = envelope(rng, radius_m) if rng.random() < 0.5 else shapely.buffer(field, -rng.uniform(0.5, 3))
        shift = np.array([FAR_EAST_M, FAR_NORTH_M]) + rng.uniform(0.25, 0.75, 2) * SIDE_M
        outlet = shift + rng.uniform(-1, 1, 2) * radius_m if rng.random() < 0.7 else np.full(2, math.nan)
        placed = shapely.transform(np.array([field, reserve], object), lambda xy, shift=shift: xy + shift)
        invert_m = rng.uniform(95, 110) if not math.isnan(outlet[0]) and rng.random() < 0.9 else math.nan
        yield Site(placed[0], placed[0] if reserve is field else placed[1], float(outlet[0]), float(outlet[1]), float(invert_m))


Heights = Callable[[npt.NDArray[np.float64], npt.NDArray[np.float64]], npt.NDArray[np.float64]]


def plane(slope: float, toward: float) -> Heights:
    """Ground that rises by `slope` in the direction `toward`, in radians from east."""
    return lambda x, y: 100 + slope * (x * math.cos(toward) + y * math.sin(toward))


def cone(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return 120 - 0.1 * np.hypot(x + 5, y - 10)


def valley(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return 100 + 0.07 * np.abs(x - 25 * np.sin(y / 40)) + 0.01 * y


def noisy(heights: Heights, rng: np.random.Generator, noise_m: float = 0.05) -> Heights:
    return lambda x, y: heights(x, y) + rng.normal(0, noise_m, x.shape)


def terrain(heights: Heights, cell_m: float) -> Terrain:
    """Good ground of these heights, SIDE_M wide about x = y = 0, set far from the origin."""
    cells = round(SIDE_M / cell_m)
    x, y = np.meshgrid((np.arange(cells) + 0.5) * cell_m - SIDE_M / 2, SIDE_M / 2 - (np.arange(cells) + 0.5) * cell_m)
    z = heights(x, y).astype(np.float32)
    good = np.full(z.shape, GOOD_GROUND, np.uint8)
    return Terrain(z, good, np.full(z.shape, np.inf, np.float32), FAR_EAST_M, FAR_NORTH_M + SIDE_M, cell_m, WINDOW_M)


def grounds(rng: np.random.Generator) -> dict[str, Terrain]:
    """Planes, a cone, a noisy valley, patches of bad and of unknown ground, holes in the data."""
    spotted = terrain(plane(0.04, 1.0), 2.0)
    codes = np.kron(rng.random((30, 30)), np.ones((4, 4)))
    spotted.good[codes < 0.12] = BAD_GROUND
    spotted.good[codes > 0.94] = UNKNOWN_GROUND
    spotted.path_m[:] = rng.uniform(0, 400, spotted.path_m.shape)
    spotted.path_m[codes > 0.8] = np.nan
    holes = terrain(noisy(valley, rng), 2.0)
    gaps = np.kron(rng.random((12, 12)) < 0.08, np.ones((10, 10), bool))
    holes.elevation_m[gaps] = np.nan
    return {
        "level ground": terrain(plane(0.005, 0.3), 2.0),
        "a plane of 6 percent": terrain(plane(0.06, 2.0), 2.0),
        "a plane of 20 percent": terrain(plane(0.2, 4.0), 3.0),
        "a cone": terrain(cone, 2.0),
        "a noisy valley": terrain(noisy(valley, rng), 1.0),
        "spotted ground": spotted,
        "a valley with holes in the data": holes,
    }
