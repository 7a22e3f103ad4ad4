"""No two areas that touch have the same colour, as far as there are colours."""

from collections import Counter

import numpy as np
import pytest

from geoseptic.terrain.mapcolours import HALO_CELLS, coloured, shared_edges, told_apart


def same_beside(labels, colours):
    """Cell edges between two areas of the same colour, counted one by one."""
    count = 0
    for (row, col), label in np.ndenumerate(labels):
        for near in ((row + 1, col), (row, col + 1)):
            if near[0] < labels.shape[0] and near[1] < labels.shape[1]:
                other = labels[near]
                count += label >= 0 and other >= 0 and label != other and colours[label] == colours[other]
    return count


def nearest_point(shape, count, seed):
    """Areas nearest to random points: a map with every area in one piece, in random numbers."""
    random = np.random.default_rng(seed)
    points = random.uniform(0, shape, (count, 2))
    row, col = np.mgrid[: shape[0], : shape[1]]
    return np.argmin((row[..., None] - points[:, 0]) ** 2 + (col[..., None] - points[:, 1]) ** 2, axis=-1).astype(np.int32)


@pytest.mark.parametrize("seed", range(5))
def test_six_colours_are_enough_for_areas_in_one_piece(seed):
    labels = nearest_point((60, 60), 120, seed)
    colours = told_apart(labels, 120, 6)
    assert set(colours.tolist()) <= set(range(6))
    assert same_beside(labels, colours) == 0


def test_cells_without_an_area_part_their_neighbours():
    labels = np.array([[0, -1, 1], [0, -1, 1]], np.int32)
    assert told_apart(labels, 2, 1).tolist() == [0, 0]


def test_areas_that_hold_no_cell_have_a_colour_too():
    assert len(told_apart(np.full((3, 3), 4, np.int32), 9, 8)) == 9
    assert told_apart(np.full((3, 3), -1, np.int32), 0, 8).tolist() == []


def test_where_colours_run_out_the_shortest_common_border_is_given_up():
    # Three areas that all touch, two colours: 0 and 1 share one edge, the other pairs two.
    labels = np.array([[0, 0, 1, 1], [2, 2, 2, 2]], np.int32)
    colours = told_apart(labels, 3, 2)
    assert colours[0] == colours[1] != colours[2]


def test_all_colours_are_used_about_as_often():
    labels = nearest_point((80, 80), 160, 9)
    used = np.bincount(told_apart(labels, 160, 8), minlength=8)
    assert used.max() - used.min() <= 2


@pytest.mark.parametrize("side", [1, 7, 23, 200])
def test_edges_counted_by_windows_add_up_and_give_the_same_colours(side):
    labels = nearest_point((60, 71), 90, 3)
    labels[np.random.default_rng(4).random(labels.shape) < 0.1] = -1
    summed = Counter()
    for top in range(0, 60, side):
        for left in range(0, 71, side):
            window = labels[top : top + side + HALO_CELLS, left : left + side + HALO_CELLS]
            summed += shared_edges(window, 90, (min(side, 60 - top), min(side, 71 - left)))
    assert summed == shared_edges(labels, 90)
    assert coloured(summed, 90, 6).tolist() == told_apart(labels, 90, 6).tolist()


def plainly_coloured(edges, count, colours):
    """The same, looking each time for the area with the fewest neighbours left."""
    borders = [{} for _ in range(count)]
    for key, length in edges.items():
        one, other = divmod(key, count)
        borders[one][other] = borders[other][one] = length
    order, left = [], set(range(count))
    while left:
        order.append(min(left, key=lambda label: (len(left & set(borders[label])), label)))
        left.remove(order[-1])
    found, used = {}, [0] * colours
    for label in reversed(order):
        shared = [sum(length for near, length in borders[label].items() if found.get(near) == colour) for colour in range(colours)]
        found[label] = min(range(colours), key=lambda colour: (shared[colour], used[colour], colour))
        used[found[label]] += 1
    return [found[label] for label in range(count)]


@pytest.mark.parametrize("colours", [1, 2, 3, 8])
@pytest.mark.parametrize("seed", range(12))
def test_colours_are_those_of_a_plain_search(seed, colours):
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 70))
    labels = random.integers(-1, count, (14, 17)) if seed % 2 else nearest_point((40, 40), count, seed)
    edges = shared_edges(labels, count)
    assert coloured(edges, count, colours).tolist() == plainly_coloured(edges, count, colours)
