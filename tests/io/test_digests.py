"""Hashes of shapes tell any two different ones apart, and say the same of equal ones, by themselves and in rows."""

import itertools
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from shapely import GeometryCollection, LinearRing, LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from geoseptic.io import digests
from geoseptic.io.digests import Hashed, digest
from geoseptic.model.legends import Swatch

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


def test_values_of_other_kinds_or_in_other_rows_have_other_hashes_whether_gathered_or_not(monkeypatch):
    """Each twice, the second time with every value hashed as it comes: neither how it goes in nor what went before may matter."""
    values = [
        None, True, 1, 1.0, "1", b"1", -0.0, 0.0, (), ((),), ("", ""), ("a", "b"), ("ab",), {"a": 1}, {"a": (1,)}, {1}, {1, 2},
        slice(1), slice(1, None),
        np.arange(3), np.arange(3.0), np.arange(3).reshape(1, 3), np.array(["a", None], object), np.array([1, True], object),
        np.zeros(300_000), Point(0, 1), Affine(1, 2, 3, 4, 5, 6), (1.0, 2.0, 3.0, 4.0, 5.0, 6.0), CRS(26910),
        Swatch("a", "A", "#102030"), Swatch("a", "A", "#102031"),
    ]  # fmt: skip
    hashes = [digest(value) for value in values]
    assert len(set(hashes)) == len(values) and digest(1, 2) != digest((1, 2))
    assert digest(np.True_) == digest(True) and digest(np.int8(1)) == digest(1) and digest(np.float32(1)) == digest(1.0)
    monkeypatch.setattr(digests, "AT_ONCE_BYTES", 0)
    assert [digest(value) for value in values] == hashes
    assert digest(*values) == digest(*values) != digest(*values[::-1])


@pytest.mark.parametrize("value", [1j, object(), [range(3)], Path])
def test_a_kind_of_value_that_is_not_known_is_refused(value):
    with pytest.raises(TypeError, match="no hash is known"):
        digest(value)
