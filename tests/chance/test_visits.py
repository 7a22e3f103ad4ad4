"""Walks from place to place: everybody is visited once, groups are small, ways are short."""

from itertools import permutations

import numpy as np
import pytest

from geoseptic.chance.visits import MOST_ACROSS_M, MOST_STOPS, neighbourhoods, walk


def length_m(points_m, order) -> float:
    return float(np.hypot(*np.diff(points_m[list(order)], axis=0).T).sum())


@pytest.mark.parametrize("count", [1, 2, 3, 7, 25])
def test_a_walk_comes_to_every_stop_once_and_begins_where_it_should(count):
    points_m = np.random.default_rng(count).uniform(0, 800, (count, 2))
    order = walk(points_m, count - 1)
    assert order[0] == count - 1 and sorted(order.tolist()) == list(range(count))


def test_walks_are_hardly_longer_than_the_shortest_by_trying_all():
    rng, more = np.random.default_rng(3), []
    for _ in range(20):
        points_m = rng.uniform(0, 800, (7, 2))
        shortest = min(length_m(points_m, (0, *rest)) for rest in permutations(range(1, 7)))
        more.append(length_m(points_m, walk(points_m)) / shortest)
    assert min(more) >= 1 - 1e-12 and np.mean(more) < 1.05 and max(more) < 1.4


def test_along_a_road_nobody_turns_back():
    along_m = np.random.default_rng(4).permutation(25)
    order = walk(np.column_stack([along_m * 30.0, np.zeros(25)]), int(np.argmin(along_m)))
    assert along_m[order].tolist() == list(range(25))


def test_all_at_one_place_are_walked_and_grouped_without_end():
    assert len(walk(np.zeros((25, 2)))) == 25
    assert np.bincount(neighbourhoods(np.zeros((400, 2)))).max() <= MOST_STOPS


def test_neighbourhoods_are_small_and_hold_everybody():
    rng = np.random.default_rng(5)
    points_m = np.concatenate([rng.normal(512_345.6, 300, (500, 2)), rng.uniform(470_000, 550_000, (100, 2))])
    found = neighbourhoods(points_m)
    assert sorted(set(found.tolist())) == list(range(found.max() + 1))
    for number in range(found.max() + 1):
        own = points_m[found == number]
        assert 1 <= len(own) <= MOST_STOPS and np.ptp(own, axis=0).max() <= MOST_ACROSS_M
    assert len(neighbourhoods(np.empty((0, 2)))) == 0


def test_the_order_of_the_points_does_not_change_who_is_in_one_neighbourhood():
    rng = np.random.default_rng(6)
    points_m, turn = rng.uniform(0, 3000, (300, 2)), rng.permutation(300)
    one, other = neighbourhoods(points_m), neighbourhoods(points_m[turn])
    assert {frozenset(np.flatnonzero(one == n).tolist()) for n in set(one)} == {frozenset(turn[other == n].tolist()) for n in set(other)}
