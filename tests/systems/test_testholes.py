"""Places to dig: how many, evenly spread, inside their area, the same whatever corner a ring begins with."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geoseptic.errors import ParameterError
from geoseptic.io.rulefiles import load_rules
from geoseptic.systems.testholes import FROM_EDGE_M, propose_holes, spread

PRIMARY = shapely.box(0, 0, 30, 8)
RESERVE = shapely.box(0, 12, 30, 20)


def test_holes_of_the_code_go_into_the_primary_area_and_half_of_them_into_the_reserve():
    rule = load_rules("us-pa").sizing.percolation
    assert rule is not None and rule.holes == 6
    found = propose_holes("L1", PRIMARY, RESERVE, rule)
    count = {(area, kind): sum(h.area == area and h.kind == kind for h in found) for area in ("primary", "reserve") for kind in
             ("percolation hole", "soil pit")}  # fmt: skip
    assert count == {
        ("primary", "percolation hole"): 6,
        ("primary", "soil pit"): 2,
        ("reserve", "percolation hole"): 3,
        ("reserve", "soil pit"): 2,
    }


def test_labels_run_on_from_primary_to_reserve_and_never_repeat():
    found = propose_holes("MH-001-02", PRIMARY, RESERVE)
    labels = [hole.label for hole in found]
    assert len(set(labels)) == len(labels)
    assert {label for label in labels if " P" in label} == {f"MH-001-02 P{number}" for number in range(1, 6)}
    assert {label for label in labels if " S" in label} == {f"MH-001-02 S{number}" for number in range(1, 5)}
    assert found[0].description == "soil pit, primary field"


def test_no_reserve_has_no_holes():
    assert {hole.area for hole in propose_holes("L1", PRIMARY, None)} == {"primary"}


def test_pits_lie_at_opposite_ends_of_the_area():
    pits = [hole.point for hole in propose_holes("L1", PRIMARY, None) if hole.kind == "soil pit"]
    assert shapely.distance(*pits) > 0.7 * 30


def test_long_area_has_one_row_with_equal_spacing():
    points = spread(shapely.box(0, 0, 50, 3), 5)
    assert points[:, 1] == pytest.approx([1.5] * 5)
    assert np.diff(points[:, 0]) == pytest.approx([10.0] * 4)


def test_square_area_is_filled_in_both_directions():
    points = spread(shapely.box(0, 0, 20, 20), 4)
    assert {tuple(point) for point in points.round(6)} == {(5.0, 5.0), (15.0, 5.0), (5.0, 15.0), (15.0, 15.0)}


rectangles = st.builds(
    lambda length, width, turn, x, y: affinity.translate(affinity.rotate(shapely.box(0, 0, length, width), turn, (0, 0)), x, y),
    st.floats(0.5, 60),
    st.floats(0.5, 30),
    st.floats(0, 360),
    st.floats(-1000, 1000),
    st.floats(-1000, 1000),
)


@settings(max_examples=300)
@given(rectangles, st.integers(1, 12))
def test_points_are_never_outside_and_keep_off_the_edge_where_there_is_room(area, count):
    points = shapely.points(spread(area, count))
    assert len(points) == count
    assert shapely.contains(area, points).all()
    sides = shapely.length(shapely.linestrings([shapely.get_coordinates(area)[:2], shapely.get_coordinates(area)[1:3]]))
    if sides.min() > 4 * FROM_EDGE_M:
        assert shapely.distance(area.exterior, points).min() > FROM_EDGE_M - 1e-6
    if sides.min() > 1:
        distances = [shapely.distance(points[i], points[j]) for i in range(count) for j in range(i)]
        assert min(distances, default=1.0) > 1e-3


@settings(max_examples=100)
@given(rectangles, st.integers(0, 3), st.booleans())
def test_ring_may_begin_at_any_corner_and_run_either_way(area, start, backward):
    corners = shapely.get_coordinates(area)[:4]
    corners = np.roll(corners[::-1] if backward else corners, start, axis=0)
    sides = np.hypot(*np.diff(corners[:3], axis=0).T)
    if abs(sides[0] - sides[1]) < 1e-3 * sides.max():
        return
    assert spread(shapely.Polygon(corners), 5) == pytest.approx(spread(area, 5), abs=1e-6)


def test_square_gives_the_same_points_whatever_its_first_corner():
    corners = shapely.get_coordinates(affinity.rotate(shapely.box(0, 0, 10, 10), 30))[:4]
    for start in range(4):
        for way in (1, -1):
            assert spread(shapely.Polygon(np.roll(corners, start, axis=0)[::way]), 5) == pytest.approx(
                spread(shapely.Polygon(corners), 5), abs=1e-9
            )


def test_more_points_never_stand_closer_than_a_row_would_put_them():
    for count in range(2, 12):
        points = spread(PRIMARY, count)
        closest = min(math.dist(points[i], points[j]) for i in range(count) for j in range(i))
        assert closest >= 30 / count - 1e-9


@pytest.mark.parametrize(
    ("area", "why"),
    [
        (shapely.Polygon([(0, 0), (10, 0), (5, 8)]), "3 corners"),
        (shapely.Polygon([(0, 0), (10, 0), (12, 5), (2, 5)]), "not square"),
        (shapely.box(0, 0, 10, 0), "not square"),
    ],
)
def test_area_that_is_no_rectangle_is_refused(area, why):
    with pytest.raises(ParameterError, match=why):
        propose_holes("L1", area, None)
