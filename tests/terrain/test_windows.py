"""Windows with the stated halo have the bits of the whole raster, for slope, discs, presumed lots, flow paths and the four answers."""

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geoseptic.model.grid import Grid
from geoseptic.parcels import burn
from geoseptic.terrain import flowpath, slope
from geoseptic.terrain.wellpaths import Drainage, PresumedLots, WellDiscs, WellPaths, drain, paths_by_windows, well_paths, window_paths
from tests.terrain.grounds import Floats, rough

SIDES = (3, 7, 16, 23, 61)
"""Of windows over rasters of some 60 x 70 cells: thinner than any halo, a divisor of nothing, larger than the raster."""


def some_wells(shape: tuple[int, int], side: int, cell_m: float, seed: int) -> WellDiscs:
    """Wells on the borders and corners of windows, off the raster on every side, anywhere else, and two in one place."""
    generator = np.random.default_rng(seed)
    rows, cols = shape
    row = [side, side + 0.5, 0.0, -3.3, rows + 4.7, rows / 2, *generator.uniform(-5, rows + 5, 8)]
    col = [side, cols / 2, side, cols / 3, cols / 2, -2.1, *generator.uniform(-5, cols + 5, 8)]
    row, col = np.array([*row, row[-1]]), np.array([*col, col[-1]])
    radius_m, error_m = generator.uniform(0.5, 6, len(row)) * cell_m, generator.uniform(0, 3, len(row)) * cell_m
    return WellDiscs(col, row, np.maximum(radius_m, error_m), error_m)


def some_lots(shape: tuple[int, int], cell_m: float, seed: int) -> PresumedLots:
    """Turned lots, beside and over one another and off the raster, twins at equal distances from the cells between them among them."""
    generator = np.random.default_rng(seed)
    radius_m = float(generator.uniform(1, 9)) * cell_m
    margin = flowpath.lot_margin_cells(radius_m, cell_m)
    rows, cols = (length + 2 * margin for length in shape)
    grid = Grid.of((rows, cols), Affine(cell_m, 0, -margin * cell_m, 0, -cell_m, (rows - margin) * cell_m), "EPSG:26915", "elevation")
    lots = [shapely.box(20 + x, 20, 24 + x, 30) for x in (0, 10, 20)]
    for _ in range(6):
        lot = shapely.box(0, 0, *generator.uniform(0.3, 12, 2))
        lots.append(shapely.affinity.translate(shapely.affinity.rotate(lot, generator.uniform(0, 90)), *generator.uniform(-8, cols, 2)))
    order = generator.permutation(len(lots))
    places = shapely.transform(np.array(lots, object)[order], lambda xy: xy * cell_m)
    return PresumedLots(burn.numbered(places, grid), margin, radius_m)


def assert_same_bits(ours: WellPaths, expected: WellPaths):
    for name in ("distance_m", "label", "code"):
        assert getattr(ours, name).tobytes() == getattr(expected, name).tobytes(), name
    assert ours.reached_by_d8_only == expected.reached_by_d8_only
    assert ours.reached_without_d8 == expected.reached_without_d8


@pytest.mark.parametrize(("steps_m", "holes"), [(0.0, 0.0), (0.3, 0.0), (1.0, 0.01), (0.0, 0.05)])
@pytest.mark.parametrize(("cell_m", "reach_m"), [(1.0, 4.0), (0.9144, 20.0), (2.0, 41.9), (3.048, 500.0)])
def test_well_paths_by_windows_have_the_bits_of_the_whole(steps_m: float, holes: float, cell_m: float, reach_m: float):
    shape = (59, 70)
    # Heights in whole steps make flats and pits that lie across the windows' borders.
    ground = rough(shape, seed=int(reach_m * 10), steps_m=steps_m, holes=holes)
    drained = drain(ground, 0.2)
    for side in SIDES:
        wells = some_wells(shape, side, cell_m, seed=side)
        for lots in (None, some_lots(shape, cell_m, seed=side)):
            whole = well_paths(drained, wells, cell_m, reach_m, lots, side_cells=1000)
            assert (whole.code == flowpath.REACHES_A_WELL).any()
            if lots is not None:
                assert (whole.label >= len(wells.col)).any()
            assert_same_bits(well_paths(drained, wells, cell_m, reach_m, lots, side_cells=side, workers=2), whole)


def test_answers_handed_out_by_windows_are_those_of_the_whole_and_cover_each_cell_once():
    shape = (59, 70)
    drained, wells = drain(rough(shape, seed=4, steps_m=0.5), 0.2), some_wells(shape, 13, 1.0, seed=4)
    whole = well_paths(drained, wells, 1.0, 20.0, side_cells=1000)
    distance_m, times = np.zeros(shape, np.float32), np.zeros(shape, int)

    def take(core: tuple[slice, slice], found: WellPaths) -> None:
        times[core] += 1
        distance_m[core] = found.distance_m

    assert paths_by_windows(drained, wells, 1.0, 20.0, take, workers=2, side_cells=13) == (
        whole.reached_by_d8_only,
        whole.reached_without_d8,
    )
    assert (times == 1).all()
    assert distance_m.tobytes() == whole.distance_m.tobytes()


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.tuples(st.integers(1, 7), st.integers(1, 7)).flatmap(
        lambda shape: arrays(np.float32, shape, elements=st.sampled_from([0.0, 1.0, 2.0, 3.0, math.nan]))
    ),
    st.integers(1, 4),
    st.sampled_from([0.0, 1.0, 2.5, 4.3, 30.0]),
    st.integers(0, 99),
)
def test_windows_of_a_few_cells_have_the_bits_of_the_whole(ground: Floats, side: int, reach_m: float, seed: int):
    drained = drain(ground, 0.2)
    wells = some_wells(ground.shape, side, 1.0, seed)
    kept = np.random.default_rng(seed).permutation(len(wells.col))[:3]
    few = WellDiscs(wells.col[kept], wells.row[kept], wells.radius_m[kept] / 3, wells.location_error_m[kept] / 6)
    assert_same_bits(well_paths(drained, few, 1.0, reach_m, side_cells=side), well_paths(drained, few, 1.0, reach_m, side_cells=99))


@pytest.mark.parametrize(("cell_m", "reach_m"), [(1.0, 20.0), (0.9144, 20.0), (2.0, 41.9), (0.3, 30.0)])
def test_halo_is_wide_enough_along_a_straight_channel_and_no_wider_than_it_must_be(cell_m: float, reach_m: float):
    cols, at, side = 140, 8, 20
    receivers, edge = np.full((1, cols), 1, np.uint8), np.zeros((1, cols), bool)
    receivers[0, -1] = 0
    edge[0, -1] = True
    halo = flowpath.halo_cells(reach_m, cell_m)
    core = slice(at, at + side)
    last = core.stop - 1
    # One well whose path to the last cell of the core has as many steps as the reach allows.
    well = WellDiscs(*(np.array([value]) for value in (last + halo + 0.5, 0.5, 0.1, 0.0)))

    def code_of_last(wide: int) -> int:
        window = np.s_[:, max(0, at - wide) : core.stop + wide]
        inner = slice(0, 1), slice(min(at, wide), min(at, wide) + side)
        found = window_paths(receivers[window], receivers[window], edge[window], inner, (0, max(0, at - wide)), well, cell_m, reach_m)
        return int(found.code[0, -1])

    assert code_of_last(halo) == code_of_last(halo + 5) == flowpath.REACHES_A_WELL
    assert code_of_last(halo - 1) == flowpath.REACHES_NO_WELL


def test_halo_holds_the_steps_also_where_rounding_to_the_unit_shortens_them():
    for cell_m in (0.1, 0.3048, 0.9144, 1.0, 3.0, 30.0):
        for reach_m in (0.0, cell_m, 15.0, 304.8, 2000.0):
            steps = flowpath.halo_cells(reach_m, cell_m)
            assert steps == pytest.approx(reach_m / cell_m, abs=1, rel=1e-3)
            receivers = np.full((1, steps + 3), 1 << 4, np.uint8)
            start_m, label = np.full(receivers.shape, np.inf, np.float32), np.full(receivers.shape, -1, np.int32)
            start_m[0, 0] = label[0, 0] = 0
            found, _ = flowpath.path_distance(receivers, start_m, label, cell_m, reach_m)
            assert np.isfinite(found).sum() == steps + 1


@pytest.mark.parametrize("seed", range(8))
def test_discs_and_lots_of_a_window_have_the_bits_of_the_whole(seed: int):
    shape, cell_m = (50, 64), (1.0, 0.9144, 3.0)[seed % 3]
    wells, lots = some_wells(shape, 17, cell_m, seed), some_lots(shape, cell_m, seed)
    places = wells.col, wells.row, wells.radius_m, wells.location_error_m, cell_m

    def starts(window: tuple[slice, slice]) -> tuple[Floats, np.ndarray]:
        rows, cols = window
        found_m, label = flowpath.well_discs((rows.stop - rows.start, cols.stop - cols.start), *places, (rows.start, cols.start))
        own = lots.window(*window)
        flowpath.lot_discs(found_m, label, own.label, own.margin, own.radius_m, cell_m, len(wells.col))
        return found_m, label

    whole = starts((slice(0, shape[0]), slice(0, shape[1])))
    generator = np.random.default_rng(seed)
    for _ in range(20):
        top, left = int(generator.integers(0, shape[0])), int(generator.integers(0, shape[1]))
        window = slice(top, int(generator.integers(top + 1, shape[0] + 1))), slice(left, int(generator.integers(left + 1, shape[1] + 1)))
        for part, expected in zip(starts(window), whole, strict=True):
            assert part.tobytes() == np.ascontiguousarray(expected[window]).tobytes()


@pytest.mark.parametrize("seed", range(6))
def test_nearest_lot_is_that_of_a_search_of_all_cells_and_on_a_tie_the_lowest(seed: int):
    generator = np.random.default_rng(seed)
    margin, radius_m, cell_m = 7, 5.5, 1.0
    # Few labels on a grid: many cells lie equally far from two or three lots.
    lots = np.full((20 + 2 * margin, 24 + 2 * margin), -1, np.int32)
    for name in generator.permutation(25):
        lots[tuple(generator.integers(0, length // 3) * 3 for length in lots.shape)] = name
    found_m, label = np.full((20, 24), np.inf, np.float32), np.full((20, 24), -1, np.int32)
    found_m[10:13], label[10:13] = 0.9, 0
    before_m = found_m.copy()
    flowpath.lot_discs(found_m, label, lots, margin, radius_m, cell_m, 100)
    row, col = np.nonzero(lots >= 0)
    ties = 0
    for r, c in np.ndindex(found_m.shape):
        away = np.hypot(row - r - margin, col - c - margin)
        nearest = np.flatnonzero(away == away.min())
        ties += len(np.unique(lots[row[nearest], col[nearest]])) > 1
        lot_m = max(away.min() - math.sqrt(0.5), 0.0)
        if lot_m <= radius_m and lot_m < before_m[r, c]:
            assert found_m[r, c] == np.float32(lot_m)
            assert label[r, c] == 100 + lots[row[nearest], col[nearest]].min()
        else:
            assert found_m[r, c] == before_m[r, c]
            assert label[r, c] == (0 if 10 <= r < 13 else -1)
    assert ties > 20


def test_margin_too_narrow_for_the_discs_round_lots_is_refused():
    found_m, label = np.full((5, 5), np.inf, np.float32), np.full((5, 5), -1, np.int32)
    with pytest.raises(ValueError, match="margin of 3 cells"):
        flowpath.lot_discs(found_m, label, np.full((11, 11), -1, np.int32), 3, 3.0, 1.0, 0)


@pytest.mark.parametrize("length", [2, 3, 5000])
def test_receivers_that_lead_round_in_a_circle_are_refused(length: int):
    receivers = np.zeros((2, length), np.uint8)
    receivers[0], receivers[1] = 1 << 0, 1 << 4
    receivers[0, -1], receivers[1, 0] = 1 << 6, 1 << 2
    start_m, label = np.full(receivers.shape, np.inf, np.float32), np.full(receivers.shape, -1, np.int32)
    with pytest.raises(ValueError, match="circle"):
        flowpath.path_distance(receivers, start_m, label, 1.0, 10.0)


@pytest.mark.parametrize("holes", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("window_m", [None, 3.0, 15.0])
def test_slope_by_windows_has_the_bits_of_the_whole(holes: float, window_m: float | None):
    ground = rough((59, 70), seed=31, holes=holes)
    halo = slope.halo_cells(1.0, window_m)

    def percent(part: Floats) -> Floats:
        return slope.horn_slope_percent(part, 1.0) if window_m is None else slope.plane_slope_percent(part, 1.0, window_m)

    whole = percent(ground)
    for side in SIDES:
        for top, left in ((top, left) for top in range(0, 59, side) for left in range(0, 70, side)):
            first_row, first_col = max(0, top - halo), max(0, left - halo)
            tile = percent(ground[first_row : top + side + halo, first_col : left + side + halo])
            expected = whole[top : top + side, left : left + side]
            core = tile[top - first_row :, left - first_col :][: expected.shape[0], : expected.shape[1]]
            assert core.tobytes() == np.ascontiguousarray(expected).tobytes()


def test_drained_cells_and_edges_are_all_the_known_ones():
    for seed in range(6):
        ground = rough((40, 50), seed, steps_m=0.5 * (seed % 3), holes=0.1 * (seed % 2))
        drained: Drainage = drain(ground, 0.2)
        np.testing.assert_array_equal((drained.receivers != 0) | drained.edge, ~np.isnan(ground))
