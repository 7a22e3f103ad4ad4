"""Values whose shapes go to another process all at once."""

import pickle

import numpy as np
import shapely

from geoseptic.io.atonce import at_once


def sent(value):
    return pickle.loads(pickle.dumps(at_once(value)))


def test_shapes_of_every_kind_arrive_as_they_were_bit_for_bit_wherever_they_stand_in_the_value():
    square = shapely.box(0.1, 1 / 3, 1e6 + 0.7, 2e6 + 1e-9)
    shapes = [
        square,
        shapely.difference(square, shapely.box(5, 5, 6, 6)),
        shapely.Polygon(),
        shapely.Point(),
        shapely.Point(1 / 3, -0.0),
        shapely.Point(1, 2, 3),
        shapely.LineString([(0, 0), (1 / 7, 2)]),
        shapely.LinearRing([(0, 0), (1, 0), (1, 1)]),
        shapely.MultiPolygon([square, shapely.box(-9, -9, -8, -8)]),
        shapely.MultiPoint([(0, 0), (1, 1)]),
        shapely.MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3)]]),
        shapely.GeometryCollection([square, shapely.Point(0, 0)]),
        shapely.set_srid(square, 26910),
    ]
    column = np.empty(len(shapes), object)
    column[:] = shapes
    found = sent({"column": column, "one": (shapes[1], None, 0.1), "none": [], "numbers": np.arange(3.0)})
    for one, other in zip(found["column"], shapes, strict=True):
        assert type(one) is type(other)
        assert shapely.to_wkb(one, include_srid=True) == shapely.to_wkb(other, include_srid=True)
    assert shapely.to_wkb(found["one"][0]) == shapely.to_wkb(shapes[1])
    assert found["one"][1:] == (None, 0.1)
    assert found["none"] == []
    np.testing.assert_array_equal(found["numbers"], np.arange(3.0))


def test_shapes_that_are_one_stay_one_and_equal_ones_stay_two():
    one, other = shapely.box(0, 0, 1, 1), shapely.box(0, 0, 1, 1)
    first, second, third = sent((one, [one], other))
    assert first is second[0]
    assert first is not third
    assert first.equals(third)


def test_a_value_without_any_shape_arrives():
    assert sent((1, "a", [None])) == (1, "a", [None])
