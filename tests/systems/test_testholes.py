"""Places to dig: how many, evenly spread, inside their area, the same whatever corner a ring begins with."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geoseptic.errors import ParameterError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.sizing_rules import PitRule, Spacing
from geoseptic.systems.testholes import FROM_EDGE_M, MOST_HOLES, propose_holes, spread
from tests.parcels.worlds import CITED

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


def rule_with(spacing, holes=3):
    rule = load_rules("us-pa").sizing.percolation
    assert rule is not None
    return replace(rule, holes=holes, spacing=spacing)


def of_kind(found, kind, area="primary"):
    return [hole for hole in found if (hole.kind, hole.area) == (kind, area)]


def closest_m(holes):
    return min(shapely.distance(one.point, other.point) for one in holes for other in holes if one is not other)


def test_least_spacing_of_a_code_is_kept_where_even_rows_would_not_keep_it():
    """Evenly spread with its pits, an area of 80 x 50 ft has its holes some 16 ft apart."""
    area = shapely.box(0, 0, 24.4, 16)
    sizing = load_rules("us-il").sizing
    found = propose_holes("L1", area, None, sizing.percolation, sizing.test_pits)
    assert closest_m(of_kind(propose_holes("L1", area, None), "percolation hole")) < 15.24
    for kind in ("percolation hole", "soil pit"):
        assert len(of_kind(found, kind)) == 3
        assert closest_m(of_kind(found, kind)) >= 15.24
    assert all(area.contains(hole.point) for hole in found)
    assert closest_m(found) > FROM_EDGE_M
    assert not any(hole.note for hole in of_kind(found, "percolation hole"))
    assert all(hole.note == sizing.test_pits.note for hole in of_kind(found, "soil pit"))


def test_spacing_for_which_there_is_no_room_is_told_at_every_such_hole():
    sizing = load_rules("us-il").sizing
    found = propose_holes("L1", shapely.box(0, 0, 12, 6), None, sizing.percolation, sizing.test_pits)
    for hole in found:
        assert "15.24 m (50 ft) between any two, for which no room was found" in hole.note
    assert "Illustration G" in of_kind(found, "percolation hole")[0].note
    assert "905.55" in of_kind(found, "soil pit")[0].note
    pit = of_kind(found, "soil pit")[0]
    assert pit.description == f"soil pit, primary field; {pit.note}"


def test_greatest_spacing_adds_holes_until_it_is_kept():
    area = shapely.box(0, 0, 60, 4)
    found = of_kind(propose_holes("L1", area, None, rule_with(Spacing(most_m=10.0))), "percolation hole")
    assert len(found) == 6
    assert max(min(shapely.distance(one.point, other.point) for other in found if other is not one) for one in found) <= 10 + 1e-6
    assert not any(hole.note for hole in found)


def test_greatest_spacing_that_would_take_too_many_holes_is_told():
    found = of_kind(propose_holes("L1", shapely.box(0, 0, 60, 4), None, rule_with(Spacing(most_m=0.5))), "percolation hole")
    assert len(found) == MOST_HOLES
    assert all("no more than 0.5 m" in hole.note for hole in found)


@pytest.mark.parametrize("number", [1, 2, 3, 5])
def test_as_many_pits_are_proposed_as_the_code_asks(number):
    rule = PitRule(number, Spacing(), CITED)
    pits = of_kind(propose_holes("L1", PRIMARY, None, None, rule), "soil pit")
    assert len(pits) == number
    assert number == 1 or shapely.distance(pits[0].point, pits[-1].point) > 0.7 * 30


@settings(max_examples=200)
@given(rectangles, st.integers(1, 6), st.integers(1, 4), st.floats(0.5, 30))
def test_holes_with_a_least_spacing_lie_inside_and_keep_it_or_say_so(area, holes, pits, least_m):
    spacing = Spacing(least_m)
    found = propose_holes("L1", area, None, rule_with(spacing, holes), PitRule(pits, spacing, CITED))
    assert all(area.contains(hole.point) for hole in found)
    for kind, count in (("percolation hole", holes), ("soil pit", pits)):
        placed = of_kind(found, kind)
        assert len(placed) == count
        kept = count == 1 or closest_m(placed) >= least_m - 1e-6
        assert all(bool(hole.note) is not kept for hole in placed)
