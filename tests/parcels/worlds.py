"""Small invented worlds that the tests of parcels share: lots, features to keep clear of, rules, and planes of ground."""

from collections.abc import Sequence

import numpy as np
import shapely
import shapely.affinity
from affine import Affine

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.planes import ArrayPlane
from geoseptic.model.rules import Citation, RuleSet, Setback
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.repair import Fabric, mend
from geoseptic.terrain import wellpaths

FT = 0.3048
CITED = Citation("set/t1", "Code of nowhere", "section 1", "2020", "https://example.org", "2026-11-25", True)


def objects(items: Sequence[object]) -> Geometries:
    array = np.empty(len(items), object)
    array[:] = items
    return array


def lots(*shapes: shapely.Geometry) -> Fabric:
    """The shapes as parcels A, B, C, ..."""
    return mend(objects([chr(65 + number) if number < 26 else f"lot {number}" for number in range(len(shapes))]), objects(shapes))


def feature(
    name: str, shape: shapely.Geometry, error_m: float = 0.0, **facts: bool
) -> tuple[str, shapely.Geometry, float, tuple[object, ...]]:
    return name, shape, error_m, tuple(sorted(facts.items()))


def obstacles(*features: tuple[str, shapely.Geometry, float, tuple[object, ...]]) -> Obstacles:
    """Features as `feature` makes them, named f0, f1, ..."""
    return Obstacles(
        objects([name for name, *_ in features]),
        objects([f"f{number}" for number in range(len(features))]),
        objects([shape for _, shape, *_ in features]),
        np.array([error_m for _, _, error_m, _ in features], float),
        objects([facts for *_, facts in features]),
        np.zeros(len(features), bool),
        objects([()] * len(features)),
        np.zeros(len(features), np.int64),
    )


def line(name: str, distance_m: float | None, *when: str, relief: bool = False, part: str = "drain_field") -> Setback:
    stated = "not applicable" if distance_m is None else f"{distance_m:g} m"
    return Setback(part, name, distance_m, stated, frozenset(when), relief, "", CITED)


def rule_set(*lines: Setback) -> RuleSet:
    return RuleSet("nowhere", "Code of nowhere", "Nowhere", "2020", "m", "", (), lines, ())


def plane(
    falls_east: float = 0.0, falls_south: float = 0.0, side: int = 240, cell_m: float = 1.0, origin: tuple[float, float] = (0, 0)
) -> Ground:
    """A square plane with its lower left corner at `origin`; the falls are in metres a metre."""
    left, bottom = origin
    col, row = np.meshgrid(np.arange(side), np.arange(side))
    heights = (500 - cell_m * (falls_east * col + falls_south * row)).astype(np.float32)
    return ground_of(heights, Affine(cell_m, 0, left, 0, -cell_m, bottom + side * cell_m))


def wide_plane(falls_east: float = 0.0, falls_south: float = 0.0) -> Ground:
    """The same plane, so wide that water from the square of 240 m does not leave the data within 1,000 ft."""
    return plane(falls_east, falls_south, side=1000, origin=(-380, -380))


def ground_of(heights_m: np.ndarray, transform: Affine, well_radius_m: float = 100 * FT) -> Ground:
    grid = Grid.of(heights_m.shape, transform, "EPSG:26915", "elevation")
    drained = wellpaths.drain(heights_m, 0.2)
    return Ground(Raster(heights_m, grid), ArrayPlane(drained.receivers), ArrayPlane(drained.edge), well_radius_m)


def nasty_polygon(rng: np.random.Generator, size_m: float, at: tuple[float, float]) -> shapely.Geometry:
    """A valid polygon or multipolygon of awkward make: spikes, reflex corners, holes, pieces, vertices a hair apart. It may be empty."""
    corners = int(rng.integers(3, 14))
    angles = np.sort(rng.uniform(0, 2 * np.pi, corners))
    kind = rng.integers(0, 5)
    if kind == 0:
        shape = mended(rng.uniform(-1, 1, (corners, 2)) * size_m)
    elif kind == 1:
        radii = rng.uniform(0.05, 1, corners) * size_m
        shape = mended(np.column_stack([radii * np.cos(angles), radii * np.sin(angles)]))
    elif kind == 2:
        across = rng.uniform(0.1, 0.9) * size_m
        width = 10 ** rng.uniform(-4, 0)
        tip, notch = size_m * rng.uniform(1.01, 3), size_m * rng.uniform(0.1, 0.9)
        spike = shapely.Polygon([(across, size_m * 0.9), (across + width, size_m * 0.9), (across + width / 2, tip)])
        cut = shapely.Polygon([(across, -1), (across + width, -1), (across + width / 2, notch)])
        shape = shapely.box(0, 0, size_m, size_m).union(spike).difference(cut)
    elif kind == 3:
        shape = shapely.Point(0, 0).buffer(size_m, quad_segs=int(rng.integers(1, 9)))
        for _ in range(int(rng.integers(1, 5))):
            shape = shape.difference(shapely.MultiPoint(rng.uniform(-1, 1, (2, 2)) * size_m).envelope)
        shape = shape.union(shapely.box(2 * size_m, 0, 3 * size_m, size_m * rng.uniform(0.01, 1)))
    else:
        ring = np.repeat(np.column_stack([np.cos(angles), np.sin(angles)]) * size_m, 2, axis=0)
        shape = mended(ring + rng.normal(0, 10 ** rng.uniform(-7, -1), ring.shape))
    turned = shapely.affinity.rotate(shape, rng.uniform(0, 360), origin=(0, 0))
    return polygonal(shapely.make_valid(shapely.affinity.translate(turned, *at), method="structure", keep_collapsed=False))


def mended(points: np.ndarray) -> shapely.Geometry:
    return polygonal(shapely.make_valid(shapely.Polygon(points), method="structure", keep_collapsed=False))


def polygonal(shape: shapely.Geometry) -> shapely.Geometry:
    """The polygons of a shape alone; empty where it has none."""
    pieces = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return shapely.union_all(pieces) if pieces else shapely.Polygon()
