"""Flow paths to wells: held against Dijkstra by scipy, against all paths walked one by one, and against themselves in tiles."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, dijkstra

from geoseptic.terrain import flowpath
from geoseptic.terrain.conditioning import breach, raise_cells
from geoseptic.terrain.drainage import d8_receivers, dinf_receivers, edge_of_data, fill
from geoseptic.terrain.flowpath import answers, leaves_within, path_distance, upstream_of, well_discs
from geoseptic.terrain.wellpaths import WellDiscs, drain, well_paths
from tests.terrain.grounds import LENGTHS, Cell, Floats, cells, neighbours, plane, receivers_of, rough

Masks = np.ndarray

properties = settings(max_examples=60, deadline=None, derandomize=True)
small_grounds = st.tuples(st.integers(1, 6), st.integers(1, 6)).flatmap(
    lambda shape: arrays(np.float32, shape, elements=st.sampled_from([*map(float, range(6)), math.nan]))
)
wells_on_six_cells = st.lists(st.tuples(st.floats(-1, 7), st.floats(-1, 7)), min_size=1, max_size=4)

NEAR_M = 0.001
"""Rounding: 24 bits hold a distance up to 512 m to 0.00003 m, and a hundred steps may add up."""


def discs_of(shape: tuple[int, int], wells: list[tuple[float, float]], radius_m: float, error_m: float = 0.0, cell_size_m: float = 1.0):
    places = np.array(wells, float).reshape(-1, 2)
    every = np.ones(len(wells))
    return well_discs(shape, places[:, 0], places[:, 1], every * radius_m, every * error_m, cell_size_m)


def flow_graph(receivers: Masks, cell_size_m: float) -> tuple[list[int], list[int], list[float]]:
    """From each receiver up to its donors, with the lengths of the steps. [m]"""
    up_from, up_to, lengths = [], [], []
    for cell in cells(receivers.shape):
        for k, place in receivers_of(receivers, cell):
            up_from.append(int(np.ravel_multi_index(place, receivers.shape)))
            up_to.append(int(np.ravel_multi_index(cell, receivers.shape)))
            lengths.append(LENGTHS[k] * cell_size_m)
    return up_from, up_to, lengths


def distances_by_dijkstra(receivers: Masks, start_m: Floats, cell_size_m: float, reach_m: float) -> np.ndarray:
    """Distances from one extra node that leads to every start; a metre is added before it and taken off after, since zeros are no edges."""
    up_from, up_to, lengths = flow_graph(receivers, cell_size_m)
    starts = np.flatnonzero(start_m <= reach_m)
    extra = receivers.size
    edges = (
        np.concatenate([lengths, 1 + start_m.ravel()[starts].astype(float)]),
        (np.concatenate([up_from, np.full(starts.size, extra)]).astype(int), np.concatenate([up_to, starts]).astype(int)),
    )
    graph = csr_array(edges, shape=(extra + 1, extra + 1))
    distance = dijkstra(graph, indices=extra)[:extra].reshape(receivers.shape) - 1
    return np.where(distance <= reach_m + NEAR_M, distance, np.inf)


def paths_down(receivers: Masks, cell: Cell, cell_size_m: float, reach_m: float) -> list[tuple[Cell, float]]:
    """Every cell on every path down from `cell`, with the length walked so far, up to the reach."""
    walked = [(cell, 0.0)]
    for here, length in walked:
        for k, place in receivers_of(receivers, here):
            further = length + LENGTHS[k] * cell_size_m
            if further <= reach_m + NEAR_M:
                walked.append((place, further))
    return walked


def assert_near(ours: Floats, expected: np.ndarray, reach_m: float):
    # A path that ends within rounding of the reach may count or not.
    clear = ~(np.abs(expected - reach_m) < NEAR_M)
    np.testing.assert_array_equal(np.isfinite(ours)[clear], np.isfinite(expected)[clear])
    both = np.isfinite(ours) & np.isfinite(expected)
    assert np.abs(ours[both] - expected[both]).max(initial=0) < NEAR_M


# Distance


@pytest.mark.parametrize(("steps_m", "holes"), [(0.0, 0.0), (0.1, 0.0), (0.0, 0.01), (0.2, 0.02)])
@pytest.mark.parametrize("cell_size_m", [0.9144, 2.0])
def test_path_distance_is_the_shortest_by_dijkstra(steps_m: float, holes: float, cell_size_m: float):
    ground = rough((80, 90), seed=51, steps_m=steps_m, holes=holes)
    filled = fill(ground)
    generator = np.random.default_rng(52)
    wells = [(generator.uniform(0, 90), generator.uniform(0, 80)) for _ in range(12)]
    start_m, start = discs_of(ground.shape, wells, 3.0, 1.0, cell_size_m)
    start_m[np.isnan(ground)] = np.inf
    for receivers in (dinf_receivers(filled, 0.2), d8_receivers(filled)):
        distance, label = path_distance(receivers, start_m, start, cell_size_m, 60.0)
        assert np.isfinite(distance).sum() > 1.5 * np.isfinite(start_m).sum()
        assert_near(distance, distances_by_dijkstra(receivers, start_m, cell_size_m, 60.0), 60.0)
        np.testing.assert_array_equal(label >= 0, np.isfinite(distance))


@pytest.mark.parametrize("seed", [53, 54])
def test_label_is_that_of_the_nearest_well_and_on_a_tie_the_lowest(seed: int):
    # D-infinity gives few ties; receivers drawn from all lower neighbours give many.
    generator = np.random.default_rng(seed)
    height = np.add(*np.indices((40, 40))) + generator.uniform(0, 3, (40, 40))
    receivers = np.zeros(height.shape, np.uint8)
    for cell in cells(height.shape):
        for k, place in neighbours(height.shape, cell):
            if height[place] < height[cell] and generator.random() < 0.6:
                receivers[cell] |= 1 << k
    places = generator.choice(height.size, 60, replace=False)
    start_m, start = discs_of(height.shape, [(place % 40 + 0.5, place // 40 + 0.5) for place in places], 0.5)
    distance, label = path_distance(receivers, start_m, start, 1.0, 15.0)
    alone = np.stack([distances_by_dijkstra(receivers, np.where(start == well, start_m, np.inf), 1.0, 15.0) for well in range(60)])
    found = label >= 0
    np.testing.assert_array_equal(found, np.isfinite(distance))
    # Two sums of up to 15 ones and roots of two are equal or at least a hundredth apart.
    equally_near = alone[:, found] < distance[found] + NEAR_M
    np.testing.assert_array_equal(label[found], equally_near.argmax(axis=0))
    assert (equally_near.sum(axis=0) > 1).sum() >= 20


def test_of_two_wells_equally_near_the_lower_label_is_kept():
    receivers = np.zeros((1, 5), np.uint8)
    receivers[0, 2] = 1 << 0 | 1 << 4
    receivers[0, 1], receivers[0, 3] = 1 << 4, 1 << 0
    start_m = np.array([[0, np.inf, np.inf, np.inf, 0]], np.float32)
    for left, right in ((0, 1), (1, 0)):
        labels = np.array([[left, -1, -1, -1, right]], np.int32)
        distance, label = path_distance(receivers, start_m, labels, 1.0, 10.0)
        np.testing.assert_array_equal(distance, [[0, 1, 2, 1, 0]])
        np.testing.assert_array_equal(label, [[left, left, 0, right, right]])


def test_label_is_the_receivers_even_where_two_wells_differ_by_less_than_rounding():
    east, north = 1 << 0, 1 << 2
    receivers = np.zeros((2, 5), np.uint8)
    receivers[1, :4] = [east, east | north, east, east]
    start_m, start = np.full((2, 5), np.inf, np.float32), np.full((2, 5), -1, np.int32)
    # By the short way 63.000004 m to well 0, by the long way 63 m to well 1: one step on, 24 bits hold 64 m for both.
    start_m[0, 1], start[0, 1] = np.nextafter(np.float32(63), np.float32(64)) - 1, 0
    start_m[1, 4], start[1, 4] = 60, 1
    for reach_m in (70.0, 200.0, 305.0):
        _, label = path_distance(receivers, start_m, start, 1.0, reach_m)
        assert label[1, 0] == label[1, 1]


@properties
@given(small_grounds, wells_on_six_cells, st.sampled_from([0.6, 1.5, 4.0]), st.sampled_from([0.05, 0.3]))
def test_four_answers_are_those_of_all_paths_walked_one_by_one(
    ground: Floats, wells: list[tuple[float, float]], radius_m: float, min_share: float
):
    reach_m = 4.5
    filled = fill(ground)
    receivers, edge, known = dinf_receivers(filled, min_share), edge_of_data(ground), ~np.isnan(ground)
    start_m, start = discs_of(ground.shape, wells, radius_m)
    start_m[~known] = np.inf
    distance, _ = path_distance(receivers, start_m, start, 1.0, reach_m)
    code = answers(distance, leaves_within(receivers, edge, 1.0, reach_m), known)
    for cell in cells(ground.shape):
        if not known[cell]:
            assert code[cell] == flowpath.NO_ELEVATION
            continue
        walked = paths_down(receivers, cell, 1.0, reach_m)
        to_well = min(length + float(start_m[place]) for place, length in walked)
        if abs(to_well - reach_m) < NEAR_M:
            continue
        if to_well < reach_m:
            assert code[cell] == flowpath.REACHES_A_WELL
            assert distance[cell] == pytest.approx(to_well, abs=NEAR_M)
        elif any(edge[place] for place, _ in walked):
            assert code[cell] == flowpath.LEAVES_THE_DATA
        else:
            assert code[cell] == flowpath.REACHES_NO_WELL


def test_all_four_answers_occur_on_one_piece_of_ground():
    ground = plane((30, 30), 1.0, 10.0, 270.0).astype(np.float32)
    ground[0:5, 0:5] = np.nan
    receivers, edge, known = dinf_receivers(fill(ground), 0.2), edge_of_data(ground), ~np.isnan(ground)
    start_m, start = discs_of(ground.shape, [(15.5, 20.5)], 2.0)
    distance, _ = path_distance(receivers, start_m, start, 1.0, 8.0)
    code = answers(distance, leaves_within(receivers, edge, 1.0, 8.0), known)
    assert code[16, 15] == flowpath.REACHES_A_WELL
    assert code[8, 15] == flowpath.REACHES_NO_WELL
    assert code[25, 15] == flowpath.LEAVES_THE_DATA
    assert code[2, 2] == flowpath.NO_ELEVATION


@pytest.mark.parametrize("reach_m", [0.0, 3.0, 10.0, 10.5])
def test_paths_are_cut_at_the_reach(reach_m: float):
    receivers = np.full((1, 40), 1 << 4, np.uint8)
    receivers[0, 0] = 0
    start_m, start = np.full((1, 40), np.inf, np.float32), np.full((1, 40), -1, np.int32)
    start_m[0, 0], start[0, 0] = 0, 7
    distance, label = path_distance(receivers, start_m, start, 1.0, reach_m)
    expected = np.arange(40.0)
    expected[expected > reach_m] = np.inf
    np.testing.assert_array_equal(distance[0], expected)
    np.testing.assert_array_equal(label[0], np.where(np.isfinite(expected), 7, -1))
    assert start_m[0, 1] == np.inf, "the input is left alone"


def test_start_beyond_the_reach_is_no_start():
    start_m = np.array([[5.0, np.inf]], np.float32)
    distance, label = path_distance(np.array([[0, 1 << 4]], np.uint8), start_m, np.array([[3, -1]], np.int32), 1.0, 4.0)
    assert np.isinf(distance).all()
    assert (label == -1).all()


@pytest.mark.parametrize("falls_to_degrees", range(0, 360, 15))
def test_path_over_a_plane_is_at_most_8_and_a_third_percent_longer_than_the_straight_line(falls_to_degrees: int):
    ground = plane((81, 81), 1.0, 10.0, falls_to_degrees + 1.0).astype(np.float32)
    receivers = dinf_receivers(ground, 0.05)
    start_m, start = np.full(ground.shape, np.inf, np.float32), np.full(ground.shape, -1, np.int32)
    start_m[40, 40], start[40, 40] = 0, 0
    distance, _ = path_distance(receivers, start_m, start, 1.0, 39.0)
    row, col = np.indices(ground.shape) - 40
    straight = np.hypot(row, col)
    reached = np.isfinite(distance) & (straight > 0)
    assert reached.sum() > 20
    detour = distance[reached] / straight[reached]
    assert detour.min() > 1 - 1e-6
    assert detour.max() < 1 / math.cos(math.pi / 8) + 1e-5
    assert 1 / math.cos(math.pi / 8) < 1.083


# Wells


@pytest.mark.parametrize("cell_size_m", [0.5, 1.0, 3.0])
def test_disc_holds_the_cells_whose_middle_is_within_the_radius_and_the_home_cell(cell_size_m: float):
    shape = (25, 31)
    generator = np.random.default_rng(61)
    wells = generator.uniform(-6, 36, (40, 2))
    radii, errors = generator.uniform(0, 5, 40), generator.uniform(0, 3, 40)
    distance, label = well_discs(shape, wells[:, 0], wells[:, 1], radii, errors, cell_size_m)
    best = np.full(shape, np.inf)
    for row, col in cells(shape):
        for well, ((x, y), radius_m, error_m) in enumerate(zip(wells, radii, errors, strict=True)):
            straight_m = math.hypot(col + 0.5 - x, row + 0.5 - y) * cell_size_m
            if straight_m <= radius_m or (math.floor(x), math.floor(y)) == (col, row):
                best[row, col] = min(best[row, col], max(0.0, straight_m - error_m))
                assert distance[row, col] <= np.float32(max(0.0, straight_m - error_m)), f"well {well}"
    np.testing.assert_array_equal(np.isinf(distance), np.isinf(best))
    held = np.isfinite(best)
    assert np.abs(distance[held] - best[held]).max() < 1e-5
    np.testing.assert_array_equal(label >= 0, held)


def test_well_outside_the_raster_reaches_in_as_far_as_its_disc():
    distance, label = discs_of((10, 10), [(-3.0, 5.0)], 5.0)
    assert (label[:, 0] == 0).sum() == 8
    assert distance[4, 0] == pytest.approx(math.hypot(3.5, 0.5), abs=1e-5)
    assert (label[:, 2:] == -1).all()
    far, label = discs_of((10, 10), [(-30.0, 5.0), (5.0, 80.0), (200.0, 5.0), (5.0, -60.0)], 5.0)
    assert np.isinf(far).all()
    assert (label == -1).all()


@pytest.mark.parametrize("corner", [(0.0, 0.0), (9.99, 0.0), (0.0, 9.99), (9.99, 9.99)])
def test_well_in_a_corner_is_cut_off_at_the_raster(corner: tuple[float, float]):
    _, label = discs_of((10, 10), [corner], 3.0)
    assert label[int(corner[1]), int(corner[0])] == 0
    assert 5 <= (label == 0).sum() <= 9


@given(st.floats(0, 9.999), st.floats(0, 9.999), st.sampled_from([0.0, 1e-9, 0.01, 0.3]))
@properties
def test_well_with_a_tiny_radius_still_marks_its_home_cell(x: float, y: float, radius_m: float):
    distance, label = discs_of((10, 10), [(x, y)], radius_m)
    assert label[int(y), int(x)] == 0
    assert (label == 0).sum() == 1
    assert distance[int(y), int(x)] == pytest.approx(math.hypot(int(x) + 0.5 - x, int(y) + 0.5 - y), abs=1e-6)


def test_location_error_is_taken_off_the_straight_distance():
    exact, _ = discs_of((41, 41), [(20.5, 20.5)], 15.0, 0.0)
    loose, _ = discs_of((41, 41), [(20.5, 20.5)], 15.0, 6.0)
    held = np.isfinite(exact)
    np.testing.assert_array_equal(np.isfinite(loose), held)
    np.testing.assert_allclose(loose[held], np.maximum(exact[held] - 6.0, 0), atol=1e-6)
    assert (loose == 0).sum() == (exact <= 6).sum()


def test_cell_between_two_wells_takes_the_lower_label():
    _, label = discs_of((5, 9), [(6.5, 2.5), (2.5, 2.5)], 4.0)
    assert label[2, 4] == 0
    assert label[2, 3] == 1
    assert label[2, 5] == 0


def test_moving_a_well_by_one_cell_changes_little_of_what_drains_to_it():
    ground = rough((220, 220), seed=62)
    receivers = dinf_receivers(fill(ground), 0.2)

    def drains_to(place: tuple[float, float], radius_m: float) -> Masks:
        distance, _ = path_distance(receivers, *discs_of(ground.shape, [place], radius_m), 1.0, 150.0)
        return np.isfinite(distance)

    generator = np.random.default_rng(63)
    overlaps: dict[float, list[float]] = {0.0: [], 15.0: []}
    for x, y in generator.uniform(40, 180, (30, 2)):
        for radius_m, found in overlaps.items():
            here, moved = drains_to((x, y), radius_m), drains_to((x + 1, y), radius_m)
            found.append((here & moved).sum() / (here | moved).sum())
    assert np.mean(overlaps[15.0]) > 0.9
    assert np.mean(overlaps[0.0]) < 0.5, "a well of one cell would jump, which is why wells are discs"


def test_order_of_the_wells_does_not_change_a_distance():
    ground = rough((90, 90), seed=64, steps_m=0.1)
    receivers = dinf_receivers(fill(ground), 0.2)
    generator = np.random.default_rng(65)
    wells = generator.uniform(0, 90, (15, 2))
    radii, errors = generator.uniform(1, 6, 15), generator.uniform(0, 2, 15)

    def paths(order: np.ndarray) -> tuple[Floats, np.ndarray]:
        discs = well_discs(ground.shape, wells[order, 0], wells[order, 1], radii[order], errors[order], 1.0)
        distance, label = path_distance(receivers, *discs, 1.0, 80.0)
        return distance, np.where(label >= 0, order[label], -1)

    distance, label = paths(np.arange(15))
    for _ in range(5):
        shuffled, renamed = paths(generator.permutation(15))
        np.testing.assert_array_equal(shuffled, distance)
        # Only a tie may name another well; at random places none of these cells has one except where two discs both read zero.
        assert (renamed == label)[distance > 0].mean() > 0.99


# Tiles


@pytest.mark.parametrize("cell_size_m", [0.9144, 1.0, 3.0])
def test_tile_with_a_halo_of_the_reach_has_the_bits_of_the_whole(cell_size_m: float):
    ground = rough((130, 140), seed=71, steps_m=0.05, holes=0.002)
    filled = fill(ground)
    receivers, edge = dinf_receivers(filled, 0.2), edge_of_data(ground)
    generator = np.random.default_rng(72)
    wells = [(generator.uniform(0, 140), generator.uniform(0, 130)) for _ in range(40)]
    start_m, start = discs_of(ground.shape, wells, 4.0, 0.5, cell_size_m)
    reach_m = 25.0
    whole = path_distance(receivers, start_m, start, cell_size_m, reach_m)
    whole_leaves = leaves_within(receivers, edge, cell_size_m, reach_m)
    halo = math.ceil(reach_m / cell_size_m) + 1
    for _ in range(12):
        top, left = generator.integers(0, 125, 2)
        bottom, right = top + generator.integers(1, 40), left + generator.integers(1, 40)
        window = np.s_[max(0, top - halo) : bottom + halo, max(0, left - halo) : right + halo]
        tile = path_distance(receivers[window].copy(), start_m[window], start[window], cell_size_m, reach_m)
        core = np.s_[min(top, halo) :, min(left, halo) :]
        for ours, expected in zip(tile, whole, strict=True):
            part = expected[top:bottom, left:right]
            assert ours[core][: part.shape[0], : part.shape[1]].tobytes() == part.tobytes()
        part = whole_leaves[top:bottom, left:right]
        leaves = leaves_within(receivers[window].copy(), edge[window].copy(), cell_size_m, reach_m)
        np.testing.assert_array_equal(leaves[core][: part.shape[0], : part.shape[1]], part)


# Upstream


@properties
@given(small_grounds, st.integers(0, 2**32 - 1))
def test_upstream_cells_are_those_with_a_path_to_the_target(ground: Floats, seed: int):
    receivers = dinf_receivers(fill(ground), 0.1)
    target = np.random.default_rng(seed).random(ground.shape) < 0.2
    before = target.copy()
    found = upstream_of(receivers, target)
    expected = [any(target[place] for place, _ in paths_down(receivers, cell, 1.0, math.inf)) for cell in cells(ground.shape)]
    np.testing.assert_array_equal(found.ravel(), expected)
    np.testing.assert_array_equal(target, before)


def test_upstream_of_one_cell_of_larger_ground_is_what_a_search_of_the_graph_finds():
    ground = rough((70, 70), seed=73, holes=0.003)
    receivers = dinf_receivers(fill(ground), 0.2)
    up_from, up_to, lengths = flow_graph(receivers, 1.0)
    graph = csr_array((lengths, (up_from, up_to)), shape=(ground.size, ground.size))
    above = [breadth_first_order(graph, cell, return_predecessors=False) for cell in range(0, ground.size, 611)]
    assert max(map(len, above)) > 50
    for cell, order in zip(range(0, ground.size, 611), above, strict=True):
        target = np.zeros(ground.shape, bool)
        target.flat[cell] = True
        np.testing.assert_array_equal(np.flatnonzero(upstream_of(receivers, target)), np.sort(order))


# Well paths as a whole, and the two corrections of the ground


@pytest.mark.parametrize("holes", [0.0, 0.01])
def test_well_paths_are_the_distances_by_d_infinity_counted_against_d8(holes: float):
    ground = rough((100, 110), seed=81, holes=holes)
    wells = WellDiscs(*np.random.default_rng(82).uniform(5, 95, (2, 9)), np.full(9, 5.0), np.full(9, 1.0))
    ground_drained = drain(ground, 0.2)
    found = well_paths(ground_drained, wells, 1.0, 40.0)
    start_m, _ = well_discs(ground.shape, wells.col, wells.row, wells.radius_m, wells.location_error_m, 1.0)
    start_m[np.isnan(ground)] = np.inf
    filled = fill(ground)
    by_dinf = distances_by_dijkstra(dinf_receivers(filled, 0.2), start_m, 1.0, 40.0)
    by_d8 = distances_by_dijkstra(d8_receivers(filled), start_m, 1.0, 40.0)
    assert_near(np.nan_to_num(found.distance_m, nan=np.inf), by_dinf, 40.0)
    assert found.reached_by_d8_only == (np.isfinite(by_d8) & ~np.isfinite(by_dinf)).sum()
    assert found.reached_without_d8 == (~np.isfinite(by_d8) & np.isfinite(by_dinf)).sum()
    assert found.reached_without_d8 > 50
    np.testing.assert_array_equal(found.code == flowpath.REACHES_A_WELL, ~np.isnan(found.distance_m))
    np.testing.assert_array_equal(found.code == flowpath.NO_ELEVATION, np.isnan(ground))
    np.testing.assert_array_equal(found.label >= 0, ~np.isnan(found.distance_m))


def test_well_on_ground_of_unknown_height_is_reached_only_over_the_known_part_of_its_disc():
    ground = plane((30, 30), 1.0, 10.0, 0.0).astype(np.float32)
    ground[:, 20:] = np.nan
    inside = well_paths(drain(ground, 0.2), WellDiscs(*(np.array([value]) for value in (25.5, 15.5, 3.0, 0.0))), 1.0, 100.0)
    assert (inside.label == -1).all()
    overlapping = well_paths(drain(ground, 0.2), WellDiscs(*(np.array([value]) for value in (21.5, 15.5, 3.0, 0.0))), 1.0, 100.0)
    assert overlapping.code[15, 5] == flowpath.REACHES_A_WELL
    assert overlapping.distance_m[15, 5] == pytest.approx(16.0, abs=NEAR_M)
    assert (overlapping.code[:, 20:] == flowpath.NO_ELEVATION).all()


def valley_with_a_dam() -> tuple[Floats, Masks]:
    """A valley that falls south, and an embankment across it whose culvert runs from the channel above to the channel below."""
    row, col = np.indices((31, 21))
    ground = (5 - 0.1 * row + 0.3 * abs(col - 10)).astype(np.float32)
    ground[14:17] += 4
    culvert = np.zeros(ground.shape, bool)
    culvert[13:18, 10] = True
    return ground, culvert


def test_breached_embankment_lets_the_water_through_where_the_culvert_is():
    ground, culvert = valley_with_a_dam()
    below = np.zeros(ground.shape, bool)
    below[25, 10] = True
    assert (fill(ground) > ground).sum() > 50
    assert not upstream_of(d8_receivers(fill(ground)), below)[5, 10]
    opened = breach(ground, [culvert])
    np.testing.assert_array_equal(fill(opened), opened)
    assert upstream_of(d8_receivers(opened), below)[5, 10]
    np.testing.assert_array_equal(opened[~culvert], ground[~culvert])
    assert (opened[culvert] == ground[17, 10]).all()


def test_breach_takes_every_culvert_by_itself_and_leaves_unknown_cells_and_its_input_alone():
    ground = rough((12, 12), seed=91)
    ground[3, 3] = np.nan
    before = ground.copy()
    first, second, nothing = (np.zeros(ground.shape, bool) for _ in range(3))
    first[3, 1:6] = second[8, 2:9] = nothing[3, 3] = True
    opened = breach(ground, [first, nothing, second])
    assert (opened[first & ~np.isnan(ground)] == np.nanmin(ground[first])).all()
    assert (opened[second] == ground[second].min()).all()
    untouched = ~first & ~second | nothing
    np.testing.assert_array_equal(opened[untouched], ground[untouched])
    np.testing.assert_array_equal(ground, before)
    np.testing.assert_array_equal(breach(ground, []), ground)


def test_water_goes_round_a_raised_building():
    ground = plane((21, 21), 1.0, 5.0, 270.0, base_m=10).astype(np.float32)
    ground[0, 0] = np.nan
    house = np.zeros(ground.shape, bool)
    house[8:12, 8:13] = True
    house[0, 0] = True
    raised = raise_cells(ground, house, 5.0)
    assert raised.dtype == np.float32
    np.testing.assert_array_equal(raised, np.where(house, ground + 5, ground))
    receivers = dinf_receivers(fill(raised), 0.2)
    for cell in cells(ground.shape):
        if not house[cell]:
            assert not any(house[place] for _, place in receivers_of(receivers, cell)), f"{cell} drains into the house"
    below = np.zeros(ground.shape, bool)
    below[20] = True
    assert upstream_of(receivers, below)[5, 10]
