"""The walk of a sweep: where it begins, that it leaves no gap wider than its spacing, and that no stop lies where none may."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.parcels.searchareas import SIDES, class_of, frames_of, search_areas
from geoseptic.parcels.sweep import FROM_ANYWHERE, FROM_FALL, FROM_STACK, kept_stops, starts, sweep
from tests.parcels.test_searchareas import FOOT_M, HOUSE, NOTHING, RULES, random_yards, yards

SPACING_M = 5 * FOOT_M


def falls_to(direction: tuple[float, float]) -> list[float]:
    """Falls of the sides of `HOUSE` on a plane that falls to one direction. [m]"""
    return (2.0 * frames_of(np.array([HOUSE], object)).directions()[0] @ np.array(direction)).tolist()


def test_it_begins_at_the_stack_else_above_the_lowest_ground_else_anywhere_and_says_so():
    stack = shapely.MultiPoint([(-5, 3.5)])
    ground = yards(
        3, exits_m=[stack, shapely.MultiPoint(), shapely.MultiPoint()], fall_m=[falls_to((1, 0)), falls_to((1, 0)), [np.nan] * SIDES]
    )
    found = starts(ground, RULES)
    assert found.why.tolist() == [FROM_STACK, FROM_FALL, FROM_ANYWHERE]
    assert found.xy_m[0] == pytest.approx([-5, 4])
    assert found.xy_m[1] == pytest.approx([6, 0])


def test_on_one_straight_wall_the_stops_are_those_that_a_hand_would_draw():
    # Along the east wall, 8 m long, a strip from 5 to 25 ft: lines at 7.5, 12.5, 17.5 and 22.5 ft, a stop before the wall's middle.
    strip = shapely.box(6, -4, 20, 4)
    ground = yards(lots_m=[shapely.union(HOUSE, strip)], fall_m=[falls_to((1, 0))])
    found = sweep(ground, search_areas(ground, RULES), starts(ground, RULES), RULES, SPACING_M)
    assert found.xy_m[:, 0] == pytest.approx(6 + found.off_wall_m, abs=0.01)
    # North of the middle first, line after line outward, to and fro: three stops on each, the fourth would lie beyond the strip.
    lines, steps = np.array([7.5, 12.5, 17.5, 22.5]) * FOOT_M, []
    for place, off_m in enumerate(lines):
        step = length_of_line(off_m) / math.ceil(length_of_line(off_m) / SPACING_M)
        steps += [0, step, 2 * step] if place % 2 == 0 else [2 * step, step, 0]
    assert found.off_wall_m[:12] == pytest.approx(np.repeat(lines, 3))
    assert found.xy_m[:12, 1] == pytest.approx(steps, abs=0.01)
    # Then the same to the south, whose middle is done.
    assert found.xy_m[12:, 1] == pytest.approx([-step for step in steps if step > 0], abs=0.01)
    assert found.number.tolist() == list(range(1, 21))


def length_of_line(off_m: float) -> float:
    """Of the line round `HOUSE` at a distance: its walls, and a polygon of 32 chords in place of a circle. [m]"""
    return 40 + 64 * off_m * math.sin(math.pi / 32)


def test_a_second_patch_is_walked_after_the_first_is_done():
    # The same strip with a wall of 3 m across it: the southern patch comes whole before or after the northern one.
    strip = shapely.difference(shapely.box(6, -4, 20, 4), shapely.box(6, 0.5, 20, 3))
    ground = yards(lots_m=[shapely.union(HOUSE, strip)], fall_m=[falls_to((1, 0))])
    found = sweep(ground, search_areas(ground, RULES), starts(ground, RULES), RULES, SPACING_M)
    north = found.xy_m[:, 1] > 2
    assert north.any()
    assert (np.diff(north.astype(int)) != 0).sum() == 1
    assert not north[0]


def test_only_the_first_stops_are_kept_and_all_are_counted():
    ground = yards(2, houses_m=[HOUSE, NOTHING])
    found = sweep(ground, search_areas(ground, RULES), starts(ground, RULES), RULES, SPACING_M)
    kept, total = kept_stops(found, 10, 2)
    assert kept.number.tolist() == list(range(1, 11))
    assert total.tolist() == [len(found), 0]
    assert len(found) > 100


@settings(max_examples=50)
@given(seed=st.integers(0, 2000), spacing_m=st.sampled_from([0.9, SPACING_M, 2.5]))
def test_no_ground_of_the_first_class_is_farther_from_a_stop_than_the_spacing(seed: int, spacing_m: float):
    ground = random_yards(seed)
    areas = search_areas(ground, RULES)
    found = sweep(ground, areas, starts(ground, RULES), RULES, spacing_m)
    first = areas.of(class_of(areas.likelihood) == 0)
    assert (class_of(areas.likelihood[found.piece]) == 0).all()
    assert (areas.lot[found.piece] == found.lot).all()
    points = shapely.points(found.xy_m)
    assert (shapely.distance(points, areas.shapes_m[found.piece]) < 1e-6).all()
    # Half of a chord's sag at the widest line.
    assert shapely.distance(points, ground.houses_m[found.lot]) == pytest.approx(found.off_wall_m, abs=0.08)
    for lot in np.unique(first.lot).tolist():
        own = shapely.union_all(first.shapes_m[first.lot == lot])
        # What is wider than a line's strip is swept: along and across, no place is a spacing away.
        wide = own.buffer(-0.8 * spacing_m).buffer(0.8 * spacing_m).intersection(own)
        reached = shapely.union_all(shapely.buffer(points[found.lot == lot], spacing_m))
        assert wide.difference(reached).area < 0.02 * wide.area + 1e-9
    for lot in np.unique(found.lot).tolist():
        numbers = found.number[found.lot == lot]
        np.testing.assert_array_equal(numbers, np.arange(1, len(numbers) + 1))


@settings(max_examples=50)
@given(seed=st.integers(0, 2000))
def test_the_walk_of_a_lot_does_not_hang_on_the_other_lots(seed: int):
    ground = random_yards(seed)
    found = sweep(ground, search_areas(ground, RULES), starts(ground, RULES), RULES, SPACING_M)
    for lot in range(len(ground)):
        own = ground.of(slice(lot, lot + 1))
        alone = sweep(own, search_areas(own, RULES), starts(own, RULES), RULES, SPACING_M)
        np.testing.assert_array_equal(found.xy_m[found.lot == lot], alone.xy_m)
