"""Hashes of shapes tell any two different ones apart, and say the same of equal ones, by themselves and in rows."""

import itertools

import numpy as np
import pytest
import shapely
from shapely import GeometryCollection, LinearRing, LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from geoseptic.io.digests import Hashed, digest

CORNERS = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0), (0.0, 0.0)]
HOLE = [(1.0, 1.0), (2.0, 1.0), (2.0, 2.0), (1.0, 1.0)]
DIFFERENT: tuple[shapely.Geometry | None, ...] = (
    None, Point(), Point(0, 0), Point(-0.0, 0), Point(0, 0, 0), Point(0, 0, 1), LineString(), LineString(CORNERS), LinearRing(CORNERS),
    Polygon(), Polygon(CORNERS), Polygon(CORNERS[::-1]), Polygon([*CORNERS[1:], CORNERS[1]]), Polygon(CORNERS, [HOLE]),
    Polygon([(x, y, 1.0) for x, y in CORNERS]), MultiPolygon(), MultiPolygon([Polygon(CORNERS)]), MultiPolygon([Polygon(CORNERS, [HOLE])]),
    MultiPolygon([Polygon(CORNERS), box(5, 5, 6, 6)]), MultiPoint(CORNERS[:2]), GeometryCollection(), GeometryCollection([Point(0, 0)]),
    LineString([*CORNERS, *HOLE]),
)  # fmt: skip


def row(*shapes: shapely.Geometry | None) -> np.ndarray:
    found = np.empty(len(shapes), object)
    found[:] = shapes
    return found


@pytest.mark.parametrize("hashed", [lambda shapes: digest(shapes), lambda shapes: digest(Hashed.of(shapes))])
def test_no_two_different_rows_of_shapes_have_one_hash(hashed):
    """Single shapes, pairs in both orders, and the same corners parted into shapes in other ways."""
    lines = row(LineString(CORNERS[:2]), LineString(CORNERS[2:])), row(LineString(CORNERS[:3]), LineString(CORNERS[3:]))
    rows = [row(), *(row(one) for one in DIFFERENT), *(row(*pair) for pair in itertools.permutations(DIFFERENT, 2)), *lines]
    hashes = [hashed(shapes) for shapes in rows if len(shapes)]
    assert len(set(hashes)) == len(hashes)
    assert [
        hashed(row(*(None if one is None else shapely.from_wkb(shapely.to_wkb(one)) for one in shapes))) for shapes in rows[1:9]
    ] == hashes[:8]


def test_a_shape_has_one_hash_whatever_lies_beside_it():
    alone = [Hashed.of(row(one)).hashes[0].tobytes() for one in DIFFERENT]
    together = Hashed.of(row(*DIFFERENT))
    assert [value.tobytes() for value in together.hashes] == alone and len(set(alone)) == len(DIFFERENT)
