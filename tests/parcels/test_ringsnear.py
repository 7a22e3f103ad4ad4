"""Rings of which only what matters in a box is looked at: held against the whole rings, by the geometry engine and by the rasterizer."""

import numpy as np
import pytest
import shapely
from affine import Affine
from rasterio import features
from rasterio.transform import IDENTITY

from geoseptic.model.grid import Grid
from geoseptic.parcels import burn
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.ringcut import CUT, NOT_HERE, cut_shapes, rings_of
from geoseptic.parcels.ringsnear import copied_near, rings_near
from geoseptic.parcels.zonesnear import ZonesNear
from tests.parcels.worlds import objects

BOX = (-1.0, -1.0, 1.0, 1.0)


def near(ring, box=BOX):
    xy, count = rings_near(ring, np.array([0, len(ring)]), box)
    assert len(xy) == count.sum()
    return xy


def random_ring(rng):
    """A closed ring of many corners that comes and goes on all sides of the box, now in long strides and now in short ones."""
    steps = np.cumsum(rng.normal(0, rng.choice([0.2, 1.0, 3.0]), (rng.integers(3, 200), 2)), axis=0)
    steps -= steps[0] - rng.normal(0, 2, 2)
    return np.concatenate([steps, steps[:1]])


def edges(ring):
    return {(*a, *b) for a, b in zip(map(tuple, ring[:-1]), map(tuple, ring[1:]), strict=True)}


def times_round(ring, points):
    """How often a closed ring goes round each point, by the angle that it turns."""
    angle = np.arctan2(ring[:, None, 1] - points[:, 1], ring[:, None, 0] - points[:, 0])
    turned = (np.diff(angle, axis=0) + np.pi) % (2 * np.pi) - np.pi
    return np.rint(turned.sum(axis=0) / (2 * np.pi)).astype(int)


def test_a_ring_goes_round_the_box_as_often_as_before_and_comes_into_it_by_the_same_edges():
    rng, dropped, into = np.random.default_rng(5), 0, 0
    box = shapely.box(*BOX)
    for _ in range(800):
        ring = random_ring(rng)
        left = near(ring)
        points = rng.uniform(-1, 1, (20, 2))
        assert np.array_equal(times_round(ring, points), times_round(left, points) if len(left) else np.zeros(20, int))
        of = {edge for edge in edges(ring) if shapely.LineString([edge[:2], edge[2:]]).intersects(box)}
        assert of <= edges(left)
        made = edges(left) - edges(ring)
        assert not any(shapely.LineString([edge[:2], edge[2:]]).intersects(box) for edge in made)
        dropped, into = dropped + len(ring) - len(left), into + len(of)
    assert dropped > 20_000 and into > 4_000


def test_of_a_ring_round_a_corner_of_the_box_the_corner_stays():
    # West of the box, then south of it: the straight line between the two ends would cut through it.
    ring = np.array([[-3.0, 0], [-3, -1.5], [-3, -3], [-1.5, -3], [0, -3], [9, -9], [-9, -9], [-3, 0]])
    left = near(ring)
    assert not shapely.LineString(left[:-1]).intersects(shapely.box(*BOX))
    assert left.tolist() == [[-3.0, 0.0], [-1.5, -3.0], [-9.0, -9.0], [-3.0, 0.0]]


def test_nothing_is_left_of_rings_that_are_nowhere_near_and_others_keep_their_places():
    far, round_it = shapely.Point(9, 0).buffer(3), shapely.Point(0, 0).buffer(3)
    rings = [shapely.get_coordinates(shape) for shape in (far, round_it, far)]
    xy, count = rings_near(np.concatenate(rings), np.cumsum([0, *map(len, rings)]), BOX)
    assert count[0] == count[2] == 0 and count[1] == len(xy) >= 5
    assert shapely.Polygon(xy).contains(shapely.box(*BOX))


def test_a_ring_for_which_there_is_no_room_is_told():
    ring = np.array([[0.0, 0], [0.5, 0], [0.5, 0.5], [0, 0.5]])
    out = np.zeros((4, 2))
    assert copied_near(ring, 0, 4, out, 0, *BOX) == 4 and np.array_equal(out, ring)
    assert all(copied_near(ring, 0, 4, out[:room], 0, *BOX) == -1 for room in range(4))


def shore(rng, corners):
    """Ground along a creek of so many corners that winds 20 km from west to east."""
    x = np.linspace(-10_000, 10_000, corners)
    y = np.cumsum(rng.normal(0, 1.5, corners))
    return outward(objects([shapely.LineString(np.column_stack([x, y - np.interp(0, x, y)]))]), 30.0)[0]


@pytest.fixture(scope="module")
def along_a_shore():
    rng = np.random.default_rng(8)
    zone = shore(rng, 6_000)
    assert shapely.get_num_coordinates(zone) > 10_000
    middles = np.column_stack([np.linspace(-400, 400, 60), rng.uniform(-60, 60, 60)])
    lots = objects([shapely.box(*(at - 20), *(at + rng.uniform(15, 25, 2))) for at in middles])
    return zone, lots


def test_lots_on_a_shore_of_ten_thousand_corners_are_cut_by_the_kernel_as_by_the_engine(along_a_shore):
    zone, lots = along_a_shore
    state, left = cut_shapes(rings_of(lots), np.arange(len(lots)), rings_of(objects([zone])), np.zeros(len(lots), np.int64))
    expected = shapely.difference(lots, zone)
    assert not (state == NOT_HERE).any() and (state == CUT).sum() > 20
    assert shapely.area(shapely.symmetric_difference(left, expected[state == CUT])).max() < 1e-6
    assert np.array_equal(shapely.area(expected)[state != CUT], shapely.area(lots)[state != CUT])


def test_zones_of_many_corners_meet_and_cover_the_same_lots_whichever_way_they_are_asked(along_a_shore):
    zone, lots = along_a_shore
    lots = np.concatenate([lots, objects([shapely.box(-1.0, -1.0, 1.0, 1.0), shapely.box(5_000, 5_000, 5_040, 5_040)])])
    zones = objects([shapely.Point(0, 0).buffer(25), zone, shapely.Point(9_000, 9_000).buffer(5)])
    found = []
    for near in (ZonesNear(zones), ZonesNear(zones, large=10**9), ZonesNear(zones, large=0)):
        lot, which = near.meeting(lots)
        found.append((lot.tolist(), which.tolist(), near.cover(which, lot, lots).tolist()))
    pairs = [(lot, which) for lot in range(len(lots)) for which in range(len(zones)) if zones[which].intersects(lots[lot])]
    assert list(zip(*found[0][:2], strict=True)) == pairs
    assert found[0][2] == [zones[which].covers(lots[lot]) for lot, which in pairs] and 5 < sum(found[0][2]) < len(pairs)
    assert found[0] == found[1] == found[2]


def test_a_window_of_a_long_shore_is_burnt_as_the_rasterizer_burns_all_of_it(along_a_shore):
    zone, _ = along_a_shore
    hole = shapely.Point(40, 0).buffer(10)
    for shape in (zone, zone.difference(hole), shapely.MultiPolygon([*shapely.get_parts(zone.difference(hole)), hole.buffer(-4)])):
        for left, top, rows, cols in ((-150, 80, 160, 300), (30, 12, 20, 20), (-10_100, 60, 400, 200), (0, 4_000, 9, 9)):
            grid = Grid.of((rows, cols), Affine(1, 0, left, 0, -1, top), "EPSG:26915", "elevation")
            for touched, own in ((True, burn._grown), (False, lambda shapes, _: shapes)):
                inside = burn._in_cells(own(objects([shape]), grid), grid)[0]
                expected = features.rasterize([inside], (rows, cols), all_touched=touched, transform=IDENTITY).astype(bool)
                found = (burn.touched if touched else burn.centred)([shape], grid)
                assert np.array_equal(found, expected)
                assert expected.any() or left in (0, -10_100)
