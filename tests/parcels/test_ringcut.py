"""Cutting by tracing from crossing to crossing: held against the geometry engine, and against cases worked out by hand."""

import numpy as np
import pytest
import shapely

from geoseptic.parcels.buffers import outward
from geoseptic.parcels.ringcut import CUT, NOT_HERE, SAME, cut_areas, cut_shapes, rings_of
from tests.parcels.worlds import nasty_polygon, objects

SQUARE = shapely.box(0, 0, 10, 10)


def cut(base, *zones):
    """State and what is left of one shape."""
    owner, rings = np.zeros(len(zones), np.int64), rings_of(objects([base]))
    found = rings_of(objects(zones))
    state, left = cut_shapes(rings, owner, found, np.arange(len(zones)))
    other, area_m2 = cut_areas(rings, owner, found, np.arange(len(zones)))
    if state[0] == CUT:
        assert other[0] == CUT and area_m2[0] == pytest.approx(left[0].area, abs=1e-9)
    return state[0], left[0] if len(left) else None


def random_zone(rng, place):
    at = place + rng.normal(0, 40, 2)
    kind = rng.integers(0, 5)
    if kind == 0:
        return outward(objects([shapely.Point(at)]), rng.uniform(2, 40))[0]
    if kind == 1:
        return outward(objects([shapely.box(*at, *(at + rng.uniform(3, 20, 2)))]), rng.uniform(1, 20))[0]
    if kind == 2:
        return outward(objects([shapely.LineString(place + rng.normal(0, 50, (4, 2)))]), rng.uniform(1, 8))[0]
    if kind == 3:  # corners on round coordinates lie on the edges of the round lots
        return shapely.box(*np.round(at), *np.round(at + rng.uniform(2, 20, 2)))
    return nasty_polygon(rng, rng.uniform(3, 50), tuple(at))


@pytest.mark.parametrize("place", [(0.0, 0.0), (429_252.31, 5_150_885.42), (5e6, 9e6)])
def test_random_lots_less_random_zones_are_what_the_geometry_engine_leaves(place):
    rng, place = np.random.default_rng(21), np.array(place)
    base, zones, owner = [], [], []
    for number in range(900):
        kind = number % 3
        if kind == 0:
            base.append(nasty_polygon(rng, rng.uniform(5, 60), tuple(place)))
        elif kind == 1:
            base.append(shapely.box(*np.round(place - 30), *np.round(place + rng.uniform(10, 40, 2))))
        else:
            base.append(shapely.convex_hull(shapely.MultiPoint(place + rng.normal(0, 30, (8, 2)))))
        for _ in range(rng.integers(0, 6)):
            zones.append(random_zone(rng, place))
            owner.append(number)
    base, zones, owner = objects(base), objects(zones), np.array(owner)
    expected = base.copy()
    for number, zone in zip(owner, zones, strict=True):
        expected[number] = shapely.difference(expected[number], zone)
    state, left = cut_shapes(rings_of(base), owner, rings_of(zones), np.arange(len(zones)))
    same, traced = state == SAME, state == CUT
    assert same.sum() > 150 and traced.sum() > 350 and (state == NOT_HERE).sum() > 50
    assert shapely.area(shapely.symmetric_difference(base[same], expected[same])).max() < 1e-6
    assert shapely.is_valid(left).all()
    assert np.array_equal(shapely.is_empty(left), shapely.is_empty(expected[traced]))
    assert shapely.area(shapely.symmetric_difference(left, expected[traced])).max() < 1e-6
    assert np.array_equal(shapely.get_num_geometries(left), shapely.get_num_geometries(expected[traced]))
    assert (shapely.get_num_geometries(left) > 1).sum() > 50 and (shapely.get_num_coordinates(left) > 60).sum() > 50
    others, area_m2 = cut_areas(rings_of(base), owner, rings_of(zones), np.arange(len(zones)))
    assert np.abs(area_m2 - shapely.area(expected))[others == CUT].max() < 1e-6


@pytest.mark.parametrize(
    ("zones", "area_m2", "pieces", "holes"),
    [
        ([shapely.box(2, 2, 4, 4)], 96, 1, 1),
        ([shapely.box(2, 2, 4, 4), shapely.box(6, 6, 8, 8)], 92, 1, 2),
        ([shapely.box(2, 2, 4, 4), shapely.box(3, 3, 5, 5)], 93, 1, 1),
        ([shapely.box(2, 2, 4, 4), shapely.box(3, -1, 3.5, 3)], 95, 1, 0),
        ([shapely.box(2, 2, 4, 4), shapely.box(1, 1, 5, 5)], 84, 1, 1),
        ([shapely.box(4, -1, 6, 11)], 80, 2, 0),
        ([shapely.box(4, -1, 6, 11), shapely.box(1, 1, 2, 2), shapely.box(8, 8, 9, 9)], 78, 2, 2),
        ([shapely.box(-1, 4, 11, 6), shapely.box(4, -1, 6, 11)], 64, 4, 0),
        ([shapely.MultiPolygon([shapely.box(1, 1, 2, 2), shapely.box(8, 8, 12, 12)])], 95, 1, 1),
        ([shapely.box(2, 2, 4, 4), shapely.box(-1, -1, 11, 11)], 0, 0, 0),
    ],
)
def test_squares_cut_by_hand(zones, area_m2, pieces, holes):
    state, left = cut(SQUARE, *zones)
    assert state == CUT and left.is_valid
    assert left.area == pytest.approx(area_m2)
    parts = shapely.get_parts(left) if not left.is_empty else []
    assert (len(parts), sum(len(part.interiors) for part in parts)) == (pieces, holes)
    assert left.geom_type == ("MultiPolygon" if pieces > 1 else "Polygon")


def test_an_island_in_a_hole_stays_and_a_hole_wider_than_the_zone_is_no_cut():
    ring = shapely.box(0, 0, 30, 30).difference(shapely.box(5, 5, 25, 25))
    state, left = cut(shapely.MultiPolygon([ring, shapely.box(10, 10, 20, 20)]), shapely.box(12, 12, 14, 14))
    # Which of two shells holds the hole is not plain where one lies within the other.
    assert state in (CUT, NOT_HERE) and (left is None or left.area == pytest.approx(500 + 96))
    assert cut(ring, shapely.box(10, 10, 20, 20))[0] == SAME


@pytest.mark.parametrize(
    "zone",
    [
        shapely.box(10, 2, 12, 4),  # an edge on an edge
        shapely.box(10 + 5e-8, 2, 12, 4),  # a hair beside it
        shapely.box(10, 10, 12, 12),  # corner on corner
        shapely.Polygon([(10, 5), (12, 4), (12, 6)]),  # a corner on an edge
        shapely.Polygon([(9, 11), (11, 9), (12, 12)]),  # an edge through a corner
        shapely.box(0, 0, 10, 10),
        shapely.box(-5, -5, 20, 20).difference(shapely.box(-1, -1, 11, 11)).union(shapely.box(-1, 4, 5, 6)),  # a hole
        shapely.LineString([(1, 1), (2, 2)]),
        shapely.GeometryCollection([shapely.box(1, 1, 2, 2), shapely.Point(5, 5)]),
    ],
)
def test_what_is_not_plain_is_left_to_the_engine(zone):
    assert cut(SQUARE, zone)[0] == NOT_HERE
    assert cut(shapely.MultiPolygon([SQUARE, shapely.box(20, 0, 30, 10)]), zone)[0] == NOT_HERE


def test_nothing_to_take_and_nothing_to_take_it_from():
    assert cut(SQUARE, shapely.Polygon())[0] == SAME
    assert cut(SQUARE, shapely.box(11, 0, 12, 10))[0] == SAME
    assert cut(shapely.Polygon(), SQUARE)[0] == SAME
    state, left = cut_shapes(rings_of(objects([])), np.zeros(0, np.int64), rings_of(objects([])), np.zeros(0, np.int64))
    assert len(state) == 0 and len(left) == 0


def test_corners_that_stay_keep_every_bit():
    rng = np.random.default_rng(3)
    for _ in range(50):
        base = shapely.convex_hull(shapely.MultiPoint(rng.uniform(-30, 60, (7, 2))))
        zone = outward(objects([shapely.Point(rng.uniform(-20, 40, 2))]), rng.uniform(2, 15))[0]
        state, left = cut(base, zone)
        if state != CUT:
            continue
        own = {tuple(xy) for shape in (base, zone) for xy in shapely.get_coordinates(shape)}
        new = [xy for xy in map(tuple, shapely.get_coordinates(left)) if xy not in own]
        assert len(set(new)) <= len(shapely.get_coordinates(shapely.intersection(base.boundary, zone.boundary)))


def test_a_spiral_with_more_crossings_than_there_is_room_for_is_left_to_the_engine():
    teeth = np.array([(x / 2, 0 if x % 2 else 5) for x in range(1400)] + [(700, -1), (0, -1)], float)
    comb = shapely.Polygon(teeth)
    assert comb.is_valid
    assert cut(comb, shapely.box(-1, 2.2, 800, 2.7))[0] == NOT_HERE
