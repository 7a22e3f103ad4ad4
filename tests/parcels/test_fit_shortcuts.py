"""What lets the search for room look less rules out nothing that looking at everything would find."""

import numpy as np
import pytest

from geoseptic.parcels import fitsearch
from geoseptic.parcels.fitgrid import room_for, summed
from geoseptic.parcels.fitground import Patch, Trenches, may_run_level, runs_level
from geoseptic.parcels.fitroom import Grid, Room, Spot, Work

TRENCHES = Trenches(0.9, 2.7, 0.28)


def uneven_patch(rng, relief):
    planes = np.concatenate([rng.normal(0, relief, (25, 25, 1)), rng.normal(0, 0.05, (25, 25, 2))], axis=2)
    path = rng.choice(np.array([20.0, 120.0, 250.0, np.inf, np.nan], np.float32), (25, 25))
    empty = np.zeros((26, 26), np.int32)
    return Patch(planes, empty, empty, path, -25.0, 25.0, 2.0, False)


@pytest.mark.parametrize("seed", range(20))
def test_room_is_found_at_every_place_where_all_cells_are_free_and_nowhere_else(seed):
    rng = np.random.default_rng(seed)
    free = rng.random((17, 23)) < 0.9
    wide, deep = int(rng.integers(1, 25)), int(rng.integers(1, 6))
    fits = np.zeros(free.shape, np.bool_)
    told = room_for(summed(free), wide, deep, fits)
    expected = np.zeros_like(free)
    for row in range(17 - deep + 1):
        for col in range(23 - wide + 1):
            expected[row, col] = free[row : row + deep, col : col + wide].all()
    np.testing.assert_array_equal(fits, expected)
    rows, cols = np.nonzero(expected)
    ends = (rows.min(), rows.max(), cols.min(), cols.max()) if len(rows) else (-1, -1, -1, -1)
    assert told == (len(rows), *ends)


@pytest.mark.parametrize("seed", range(20))
def test_reserve_may_lie_beside_by_four_limits_where_it_may_by_looking_at_every_layout(seed):
    rng = np.random.default_rng(seed)
    ends = np.sort(rng.integers(-1, 20, (5, 4)), axis=1)[:, [0, 2, 1, 3]]
    level = np.where(rng.random((5, 4)) < 0.5, -2, ends)
    deep, wide = rng.integers(1, 8, 5), rng.integers(1, 8, 5)
    spares = Room(wide, deep, np.zeros((5, 25, 25), np.bool_), np.ones(5, np.int64), ends, level)
    up, down, right, left = fitsearch._beside(spares, 4, 6, 2)
    for row in range(25):
        for col in range(25):
            by_limits = row >= up or row <= down or col >= right or col <= left
            assert by_limits == fitsearch._may_be_room(spares, row, row, col, col, 4, 6, 2)


@pytest.mark.parametrize("seed", range(20))
def test_bounds_on_level_ground_and_score_never_rule_out_what_holds(seed):
    rng = np.random.default_rng(seed)
    patch = uneven_patch(rng, 0.05)
    where = fitsearch._Where(patch.left_m, patch.top_m, patch.cell_m, 25, 25)
    house = fitsearch.House(*rng.uniform(-20, 20, 2), float(rng.choice([np.nan, 0.8])), 0.01, 0.5)
    ceilings = fitsearch._ceilings(patch)
    level = 0
    for _ in range(200):
        turn, count, length_m = rng.uniform(0, np.pi), int(rng.integers(1, 4)), rng.uniform(2, 12)
        grid, spot = Grid(0.0, 0.0, 1.0, np.cos(turn), np.sin(turn)), Spot(0, *rng.uniform(-25, 20, 2))
        fields = np.array([[count, length_m, 2.7 * count - 1.8]])
        work = Work(fields, fields, 1.8, TRENCHES)
        depth_m = fields[0, 2]
        run, to_middle = fitsearch._runs(house, grid, spot, length_m, depth_m)
        least_run = fitsearch._least_run(house, grid, spot, length_m, depth_m)
        assert least_run <= run
        whole = fitsearch._looked_under(patch, grid, spot, work, house, run, to_middle, -np.inf)
        bound = fitsearch._for_place(least_run, length_m)
        assert fitsearch._may_score(ceilings, where, grid, spot, count, length_m, TRENCHES, whole[2] - 1e-6 - bound)
        assert not fitsearch._looked_under(patch, grid, spot, work, house, run, to_middle, whole[2])[2] > whole[2]
        asked = (patch, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, TRENCHES, 1.0)
        if runs_level(*asked):
            level += 1
            assert may_run_level(*asked)
    assert level > 0
