"""Fill and drainage directions: properties of any ground, and agreement with slow and plain ways to the same answer."""

import heapq
import math
from collections import deque

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geoseptic.terrain.drainage import d8_receivers, dinf_receivers, edge_of_data, fill
from tests.terrain.grounds import LENGTHS, STEPS, Cell, Floats, cells, neighbours, plane, receivers_of, rough

EVERY_NEIGHBOUR = np.ones((3, 3))
properties = settings(max_examples=100, deadline=None, derandomize=True)

grounds = st.tuples(st.integers(1, 8), st.integers(1, 8)).flatmap(
    lambda shape: arrays(np.float32, shape, elements=st.sampled_from([*map(float, range(8)), 2.5, math.nan]))
)
"""Small grounds full of level parts, ties, pits and unknown cells."""

shares = st.sampled_from([0.05, 0.2, 0.35, 0.5])


def can_leave(elevation_m: Floats, cell: Cell) -> bool:
    around = [place for _, place in neighbours(elevation_m.shape, cell)]
    return not np.isnan(elevation_m[cell]) and (len(around) < 8 or any(np.isnan(elevation_m[place]) for place in around))


def fill_by_a_queue(elevation_m: Floats) -> Floats:
    """Priority flood in its plain form (barnes2014, algorithm 1)."""
    filled = elevation_m.copy()
    reached = {cell for cell in cells(filled.shape) if np.isnan(filled[cell])}
    queue = [(float(filled[cell]), cell) for cell in cells(filled.shape) if can_leave(elevation_m, cell)]
    reached |= {cell for _, cell in queue}
    heapq.heapify(queue)
    while queue:
        height, cell = heapq.heappop(queue)
        for _, place in neighbours(filled.shape, cell):
            if place not in reached:
                reached.add(place)
                filled[place] = max(filled[place], height)
                heapq.heappush(queue, (float(filled[place]), place))
    return filled


def fill_by_flooding_every_level(elevation_m: Floats) -> Floats:
    """The least height at which a way to the outside lies under water: for each height, which cells up to it hang together with an edge."""
    filled = np.full_like(elevation_m, np.nan)
    edge = np.array([[can_leave(elevation_m, (row, col)) for col in range(elevation_m.shape[1])] for row in range(elevation_m.shape[0])])
    for height in np.unique(elevation_m[~np.isnan(elevation_m)])[::-1]:
        under, _ = ndimage.label(elevation_m <= height, structure=EVERY_NEIGHBOUR)
        leaving = np.unique(under[edge & (under > 0)])
        filled[np.isin(under, leaving) & (under > 0)] = height
    return filled


def pits(filled_m: Floats) -> list[Cell]:
    """Groups of level cells with neither a lower neighbour nor a way out of the data, each by one of its cells."""
    found, seen = [], set()
    for cell in cells(filled_m.shape):
        if np.isnan(filled_m[cell]) or cell in seen:
            continue
        level, drains = deque([cell]), False
        seen.add(cell)
        while level:
            here = level.popleft()
            drains |= can_leave(filled_m, here)
            for _, place in neighbours(filled_m.shape, here):
                drains |= bool(filled_m[place] < filled_m[here])
                if filled_m[place] == filled_m[here] and place not in seen:
                    seen.add(place)
                    level.append(place)
        if not drains:
            found.append(cell)
    return found


def steps_to_the_outlet(filled_m: Floats) -> dict[Cell, int]:
    """For every cell of level ground without a lower neighbour: fewest steps over its level to a cell that falls or leaves the data."""
    known = [cell for cell in cells(filled_m.shape) if not np.isnan(filled_m[cell])]
    falls = {cell for cell in known if any(filled_m[place] < filled_m[cell] for _, place in neighbours(filled_m.shape, cell))}
    steps = {cell: 0 for cell in known if cell in falls or can_leave(filled_m, cell)}
    queue = deque(steps)
    while queue:
        here = queue.popleft()
        for _, place in neighbours(filled_m.shape, here):
            if place not in steps and filled_m[place] == filled_m[here]:
                steps[place] = steps[here] + 1
                queue.append(place)
    return {cell: count for cell, count in steps.items() if count > 0}


def assert_drains(filled_m: Floats, receivers: np.ndarray, most: int):
    """What holds for the receivers of any filled ground."""
    pairs = []
    for cell in cells(filled_m.shape):
        found = receivers_of(receivers, cell)
        if np.isnan(filled_m[cell]):
            assert not found
            continue
        assert len(found) <= most
        assert found or can_leave(filled_m, cell), f"{cell} inside the data drains nowhere"
        # NaN fails this too: nothing drains into the unknown.
        assert all(filled_m[place] <= filled_m[cell] for _, place in found)
        if len(found) == 2:
            assert (found[1][0] - found[0][0]) % 8 in (1, 7), "two receivers lie side by side"
            assert all(filled_m[place] < filled_m[cell] for _, place in found)
        pairs += [(np.ravel_multi_index(cell, filled_m.shape), np.ravel_multi_index(place, filled_m.shape)) for _, place in found]
    if pairs:
        source, target = zip(*pairs, strict=True)
        graph = coo_array((np.ones(len(pairs)), (source, target)), shape=(filled_m.size, filled_m.size))
        rings, _ = connected_components(graph, directed=True, connection="strong")
        assert rings == filled_m.size, "water runs in a ring"


@properties
@given(grounds)
def test_filled_ground_is_never_below_the_ground_and_has_no_pit(ground: Floats):
    filled = fill(ground)
    assert filled.dtype == np.float32
    np.testing.assert_array_equal(np.isnan(filled), np.isnan(ground))
    known = ~np.isnan(ground)
    assert (filled[known] >= ground[known]).all()
    assert pits(filled) == []


@properties
@given(grounds)
def test_filled_ground_is_the_lowest_that_drains(ground: Floats):
    filled = fill(ground)
    np.testing.assert_array_equal(filled, fill_by_a_queue(ground))
    np.testing.assert_array_equal(filled, fill_by_flooding_every_level(ground))


@pytest.mark.parametrize("holes", [0.0, 0.004, 0.03])
@pytest.mark.parametrize("steps_m", [0.0, 0.1])
def test_filled_ground_is_that_of_a_plain_priority_flood_on_larger_ground(steps_m: float, holes: float):
    ground = rough((90, 110), seed=31, steps_m=steps_m, holes=holes)
    filled = fill(ground)
    assert (filled > ground).sum() > 300
    np.testing.assert_array_equal(filled, fill_by_a_queue(ground))


@properties
@given(grounds)
def test_filling_again_changes_nothing(ground: Floats):
    filled = fill(ground)
    assert fill(filled).tobytes() == filled.tobytes()


@properties
@given(grounds)
def test_turned_or_mirrored_ground_has_the_same_fill(ground: Floats):
    np.testing.assert_array_equal(fill(np.rot90(ground)), np.rot90(fill(ground)))
    np.testing.assert_array_equal(fill(ground[::-1]), fill(ground)[::-1])


def test_fill_leaves_its_input_alone():
    ground = rough((30, 30), seed=32)
    before = ground.copy()
    fill(ground)
    np.testing.assert_array_equal(ground, before)


def test_unknown_cell_in_a_bowl_lets_the_water_out():
    row, col = np.indices((9, 9)) - 4
    bowl = np.maximum(abs(row), abs(col)).astype(np.float32)
    assert (fill(bowl) == 4).all()
    bowl[4, 4] = np.nan
    np.testing.assert_array_equal(fill(bowl), bowl)
    np.testing.assert_array_equal(edge_of_data(bowl), (np.maximum(abs(row), abs(col)) == 4) | (np.maximum(abs(row), abs(col)) == 1))


@properties
@given(grounds)
def test_edge_of_the_data_is_where_water_can_leave(ground: Floats):
    expected = np.array([can_leave(ground, cell) for cell in cells(ground.shape)]).reshape(ground.shape)
    np.testing.assert_array_equal(edge_of_data(ground), expected)


@properties
@given(grounds)
def test_all_ground_drains_by_d8(ground: Floats):
    filled = fill(ground)
    assert_drains(filled, d8_receivers(filled), most=1)


@properties
@given(grounds, shares)
def test_all_ground_drains_by_d_infinity(ground: Floats, min_share: float):
    filled = fill(ground)
    assert_drains(filled, dinf_receivers(filled, min_share), most=2)


@pytest.mark.parametrize("steps_m", [0.0, 0.1])
def test_larger_ground_drains(steps_m: float):
    filled = fill(rough((60, 70), seed=33, steps_m=steps_m, holes=0.01))
    assert_drains(filled, d8_receivers(filled), most=1)
    assert_drains(filled, dinf_receivers(filled, 0.2), most=2)


@properties
@given(grounds)
def test_d8_takes_the_steepest_fall_and_on_a_tie_the_first_from_east_anticlockwise(ground: Floats):
    filled = fill(ground)
    receivers = d8_receivers(filled)
    for cell in cells(filled.shape):
        falls = {k: (float(filled[cell]) - float(filled[place])) / LENGTHS[k] for k, place in neighbours(filled.shape, cell)}
        steepest = max((fall for fall in falls.values() if fall > 0), default=None)
        if steepest is not None:
            # Heights are multiples of one half, so two falls are equal or differ by far more than rounding.
            first = min(k for k, fall in falls.items() if fall > steepest - 1e-9)
            assert receivers[cell] == 1 << first


@properties
@given(grounds, st.sampled_from(["d8", "dinf"]))
def test_level_ground_drains_to_its_outlet_in_the_fewest_steps(ground: Floats, method: str):
    filled = fill(ground)
    receivers = d8_receivers(filled) if method == "d8" else dinf_receivers(filled, 0.2)
    expected = steps_to_the_outlet(filled)
    for start, count in expected.items():
        cell = start
        for _ in range(count):
            ((_, cell),) = receivers_of(receivers, cell)
            assert filled[cell] == filled[start]
        assert cell not in expected


def test_wide_level_ground_drains_in_the_fewest_steps():
    ground = np.ones((41, 57), np.float32)
    ground[1:-1, 1:-1] = 0
    ground[0, 20] = ground[0, 21] = 0.5
    filled = fill(ground)
    assert (filled[1:-1, 1:-1] == 0.5).all()
    receivers = d8_receivers(filled)
    expected = steps_to_the_outlet(filled)
    assert max(expected.values()) == 39
    for start, count in expected.items():
        cell = start
        for _ in range(count):
            ((_, cell),) = receivers_of(receivers, cell)
        assert cell in ((0, 20), (0, 21))


def test_result_does_not_hang_on_the_number_of_threads():
    filled = fill(rough((200, 210), seed=34, steps_m=0.05, holes=0.002))
    every = numba.get_num_threads()
    d8, dinf = d8_receivers(filled), dinf_receivers(filled, 0.2)
    try:
        numba.set_num_threads(1)
        np.testing.assert_array_equal(d8_receivers(filled), d8)
        np.testing.assert_array_equal(dinf_receivers(filled, 0.2), dinf)
    finally:
        numba.set_num_threads(every)


DIRECTIONS = [tenths / 10 for tenths in range(3, 3600, 7)]


@pytest.fixture(scope="module")
def planes_m() -> Floats:
    """A plane of nine cells for every direction of fall, side by side with an unknown column between."""
    ground = np.full((3, 4 * len(DIRECTIONS)), np.nan, np.float32)
    for number, toward in enumerate(DIRECTIONS):
        ground[:, 4 * number : 4 * number + 3] = plane((3, 3), 1.0, 20.0, toward)
    return ground


@pytest.mark.parametrize("min_share", [0.01, 0.1, 0.2, 0.4, 0.5])
def test_d_infinity_on_a_plane_drains_to_the_neighbours_that_take_the_least_share(planes_m: Floats, min_share: float):
    middles = dinf_receivers(planes_m, min_share)[1, 1::4]
    for toward, found in zip(DIRECTIONS, middles, strict=True):
        octant, beyond = divmod(toward / 45, 1)
        taken = {int(octant): 1 - beyond, int(octant + 1) % 8: beyond}
        if min(abs(share - min_share) for share in taken.values()) > 1e-3:
            assert found == sum(1 << k for k, share in taken.items() if share > min_share), f"falling to {toward} degrees"


@pytest.mark.parametrize("octant", range(8))
def test_d_infinity_on_a_plane_that_falls_straight_to_a_neighbour_drains_to_it_alone(octant: int):
    row_step, col_step = STEPS[octant]
    row, col = np.indices((3, 3))
    assert dinf_receivers((-(row * row_step + col * col_step)).astype(np.float32), 0.01)[1, 1] == 1 << octant


def test_d8_on_a_plane_drains_to_the_neighbour_nearest_to_the_fall(planes_m: Floats):
    for toward, found in zip(DIRECTIONS, d8_receivers(planes_m)[1, 1::4], strict=True):
        if abs(toward / 45 % 1 - 0.5) > 1e-3:
            assert found == 1 << round(toward / 45) % 8, f"falling to {toward} degrees"


def test_neighbours_are_counted_from_east_anticlockwise():
    assert STEPS == [(0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)]


def test_diagonal_fall_is_over_the_longer_way():
    ground = np.full((3, 3), 10, np.float32)
    ground[1, 2], ground[2, 2] = 9.0, 8.7
    assert d8_receivers(ground)[1, 1] == 1 << 0
    ground[2, 2] = 8.5
    assert d8_receivers(ground)[1, 1] == 1 << 7
