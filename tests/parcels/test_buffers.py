"""Buffers never fall short: held against the engine's exact distance predicate on thousands of shapes."""

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geoseptic.parcels.buffers import MANY_CORNERS, MARGIN_M, inward, outward
from tests.parcels.worlds import mended, nasty_polygon, objects

ORIGINS = ((0.0, 0.0), (5e6, 5e6), (-5e6, 4e6), (429_252.3, 5_150_885.4))
DISTANCES_M = (0.6096, 1.524, 3.048, 7.62, 15.24, 30.48, 121.92)
CODE_DISTANCES_M = st.sampled_from(DISTANCES_M)

coordinates = st.integers(-400, 400).map(lambda tenth: tenth / 8)
corner = st.tuples(coordinates, coordinates)


def assert_never_short(shape: shapely.Geometry, distance_m: float) -> None:
    grown = outward(objects([shape]), distance_m)[0]
    assert grown.covers(shape)
    # The shape lies inside, and everything outside is beyond the rim: so a rim that keeps the distance keeps it everywhere.
    assert not shapely.dwithin(grown.boundary, shape, distance_m)


def assert_kept(shape: shapely.Geometry, distance_m: float) -> None:
    left = inward(objects([shape]), distance_m)[0]
    assert left.is_valid
    assert left.is_empty or shape.covers(left)
    assert not shapely.dwithin(left, shape.boundary, distance_m)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(point=corner, origin=st.sampled_from(ORIGINS), distance_m=CODE_DISTANCES_M)
def test_ring_round_a_point_never_falls_short(point, origin, distance_m):
    assert_never_short(shapely.Point(np.add(point, origin)), distance_m)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(points=st.lists(corner, min_size=2, max_size=8, unique=True), origin=st.sampled_from(ORIGINS), distance_m=CODE_DISTANCES_M)
def test_ring_round_a_line_never_falls_short(points, origin, distance_m):
    assert_never_short(shapely.LineString(np.add(points, origin)), distance_m)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(points=st.lists(corner, min_size=3, max_size=12, unique=True), origin=st.sampled_from(ORIGINS), distance_m=CODE_DISTANCES_M)
def test_polygon_of_any_corners_is_kept_clear_outside_and_inside(points, origin, distance_m):
    shape = mended(np.add(points, origin))
    assume(not shape.is_empty and shape.is_valid)
    assert_never_short(shape, distance_m)
    assert_kept(shape, distance_m)


def test_thousands_of_random_shapes_are_never_undercut_and_little_overshot():
    rng = np.random.default_rng(20261125)
    shapes, distances_m = [], []
    while len(shapes) < 4000:
        origin = ORIGINS[len(shapes) % len(ORIGINS)]
        kind = len(shapes) % 3
        if kind == 0:
            shape = shapely.LineString(np.cumsum(rng.normal(0, 20, (int(rng.integers(2, 8)), 2)), axis=0) + origin)
        elif kind == 1:
            shape = shapely.Point(origin + rng.uniform(-1, 1, 2))
        else:
            shape = nasty_polygon(rng, 10 ** rng.uniform(-1, 2.5), origin)
        if not shape.is_empty:
            shapes.append(shape)
            distances_m.append(10 ** rng.uniform(-0.3, 2.2))
    shapes, distances_m = objects(shapes), np.array(distances_m)
    rims = shapely.boundary(outward(shapes, distances_m))
    assert not shapely.dwithin(rims, shapes, distances_m).any()
    corners, owner = shapely.get_coordinates(rims, return_index=True)
    farthest_m = np.zeros(len(shapes))
    np.maximum.at(farthest_m, owner, shapely.distance(shapely.points(corners), shapes[owner]))
    assert ((farthest_m - MARGIN_M) / distances_m < 1.004).all()


def test_thousands_of_nasty_lots_keep_every_distance_from_their_outline():
    rng = np.random.default_rng(7)
    for number in range(4000):
        shape = nasty_polygon(rng, 10 ** rng.uniform(0.5, 2.5), ORIGINS[number % len(ORIGINS)])
        if not shape.is_empty:
            assert_kept(shape, DISTANCES_M[number % 5])


def test_outline_of_which_the_plain_buffer_crosses_itself_is_cut_the_long_way():
    outline = [
        (6.0822900341190635, 45.60255782319796),
        (77.46270622939001, -71.61212751498545),
        (5.589382212786848, 45.612142452387104),
        (-79.25343496176794, 47.261917332774516),
        (-2.986739217014293, 59.59966268350569),
        (-18.289174500412653, 84.55769585315504),
        (117.51203746936125, 43.43579810954584),
    ]
    sound = shapely.box(200, 0, 240, 40)
    lots = objects([sound, shapely.Polygon(outline)])
    left = inward(lots, 0.6096)
    assert left[0].equals(inward(objects([sound]), 0.6096)[0])
    assert left[1].area > 0.5 * lots[1].area
    assert_kept(lots[1], 0.6096)


def test_square_lot_loses_a_square_frame():
    left = inward(objects([shapely.box(0, 0, 100, 50)]), 3.048)[0]
    # Mitred: corners stay square. The margin of a millimetre is all that is taken beyond the distance.
    assert left.symmetric_difference(shapely.box(3.049, 3.049, 96.951, 46.951)).area == pytest.approx(0, abs=1e-6)


def test_hole_keeps_its_own_distance():
    lot = shapely.box(0, 0, 100, 100).difference(shapely.box(40, 40, 60, 60))
    left = inward(objects([lot]), 5.0)[0]
    assert left.area == pytest.approx(90**2 - 30**2, rel=1e-3)
    assert not shapely.dwithin(left, shapely.box(40, 40, 60, 60), 5.0)


def test_lot_narrower_than_twice_the_distance_has_nothing_left():
    assert inward(objects([shapely.box(0, 0, 100, 6)]), 3.048)[0].is_empty


def test_zero_distance_leaves_a_copy():
    shapes = objects([shapely.box(0, 0, 1, 1)])
    left = inward(shapes, 0.0)
    assert left[0].equals(shapes[0])
    left[0] = None
    assert shapes[0] is not None


def test_each_shape_may_have_its_own_distance():
    grown = outward(objects([shapely.Point(0, 0), shapely.Point(0, 0)]), np.array([10.0, 20.0]))
    assert shapely.bounds(grown)[:, 2] == pytest.approx([10, 20], rel=0.004)


@pytest.mark.parametrize("waves_m", [0.0, 0.004, 0.02])
def test_outline_of_very_many_corners_is_kept_clear_of_all_the_same(waves_m: float):
    turn = np.linspace(0, 2 * np.pi, 6_000, endpoint=False)
    out_m = 40 + 3 * np.sin(9 * turn) + waves_m * np.sin(1_100 * turn)
    shape = shapely.Polygon(np.column_stack([out_m * np.cos(turn), out_m * np.sin(turn)]) + np.array(ORIGINS[3]))
    assert shapely.get_num_coordinates(shape) > MANY_CORNERS
    assert_never_short(shape, 1.524)
    assert_never_short(shape, 30.48)
    assert_kept(shape, 1.524)
    true_m2 = shapely.area(shapely.difference(shape, shapely.buffer(shapely.boundary(shape), 1.524)))
    assert inward(objects([shape]), 1.524)[0].area > true_m2 - 0.2 * shape.length
