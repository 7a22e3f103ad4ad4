"""What lets the search for room look less rules out nothing that looking at everything would find."""

import math

import numpy as np
import pytest

from geoseptic.parcels import bitrows, fitbound, fitsearch
from geoseptic.parcels.fitgrid import SLACK_M, cells_for
from geoseptic.parcels.fitground import Patch, Trenches, keep_good_ground, keep_good_middles, may_run_level, runs_level, where_of
from geoseptic.parcels.fitroom import Grid, Room, Spot, Work, blocks, look_for_level, room_in
from tests.parcels.lots import packed, unpacked

TRENCHES = Trenches(0.9, 2.7, 0.28)
CELL_M = 0.5


def uneven_patch(rng, relief):
    planes = np.concatenate([rng.normal(0, relief, (25, 25, 1)), rng.normal(0, 0.05, (25, 25, 2))], axis=2)
    path = rng.choice(np.array([20.0, 120.0, 250.0, np.inf, np.nan], np.float32), (25, 25))
    empty = np.zeros((26, 26), np.int32)
    return Patch(planes, empty, empty, path, -25.0, 25.0, 2.0, False)


@pytest.mark.parametrize("seed", range(20))
def test_room_is_found_at_every_place_where_all_cells_are_free_and_nowhere_else(seed):
    rng = np.random.default_rng(seed)
    rows, cols = int(rng.integers(1, 24)), int(rng.integers(1, 200))
    free = rng.random((rows, cols)) < rng.choice([0.9, 0.99, 0.999])
    layouts, tried = random_layouts(rng), rng.random(6) < 0.8
    room = room_in(packed(free), cols, layouts, tried, CELL_M)
    for option in range(6):
        expected = np.zeros_like(free)
        wide, deep = (cells_for(length_m, CELL_M) for length_m in layouts[option, 1:])
        for row in range(rows - deep + 1 if tried[option] else 0):
            for col in range(cols - wide + 1):
                expected[row, col] = free[row : row + deep, col : col + wide].all()
        check_room(room, option, expected)


@pytest.mark.parametrize("seed", range(20))
def test_blocks_are_found_wherever_all_cells_are_touched_and_those_within_the_rim_are_inside(seed):
    rng = np.random.default_rng(seed)
    rows, cols = int(rng.integers(1, 24)), int(rng.integers(1, 200))
    touched = rng.random((rows, cols)) < rng.choice([0.99, 0.999])
    inner = touched & (rng.random((rows, cols)) < rng.choice([0.99, 0.999]))
    layouts, tried = random_layouts(rng), rng.random(6) < 0.8
    room = blocks(packed(inner), packed(touched), cols, layouts, tried, CELL_M)
    for option in range(6):
        expected = np.zeros_like(inner)
        wide, deep = (cells_for(length_m - 4 * SLACK_M, CELL_M) for length_m in layouts[option, 1:])
        for row in range(rows - deep + 1 if tried[option] else 0):
            for col in range(cols - wide + 1):
                # An empty slice, that of a block without anything within its rim, is all inside.
                within_rim = inner[row + 1 : row + deep - 1, col + 1 : col + wide - 1]
                expected[row, col] = touched[row : row + deep, col : col + wide].all() and within_rim.all()
        check_room(room, option, expected)


def random_layouts(rng):
    """Count, length and depth, longest trenches first as in a `FieldNeed`; now and then not, which must not matter."""
    lengths_m = np.sort(rng.uniform(0.5, 60, 6))[:: -1 if rng.random() < 0.8 else 1]
    return np.column_stack([np.ones(6), lengths_m, np.sort(rng.uniform(0.5, 8, 6))])


def check_room(room, option, expected):
    np.testing.assert_array_equal(unpacked(room.fits[option], expected.shape[1]), expected)
    rows, cols = np.nonzero(expected)
    assert room.places[option] == len(rows)
    assert tuple(room.ends[option]) == ((rows.min(), rows.max(), cols.min(), cols.max()) if len(rows) else (-1, -1, -1, -1))


@pytest.mark.parametrize("seed", range(30))
def test_ground_is_kept_by_eight_cells_at_once_as_cell_by_cell(seed):
    rng = np.random.default_rng(seed)
    clumps = np.kron(rng.random((9, 9)), np.ones((4, 4))) + rng.normal(0, 0.1, (36, 36))
    not_good, unknown = clumps < 0.2, clumps < 0.1
    patch = Patch(np.zeros((36, 36, 3)), table_of(not_good), table_of(unknown), np.zeros((36, 36), np.float32), -36.0, 36.0, 2.0, False)
    cell, turn, free = float(rng.choice([0.3, 1.0, 2.0])), rng.uniform(0, np.pi), rng.random((20, 90)) < 0.9
    left, bottom = rng.uniform(-30, -10, 2) if cell < 2 else (-90.0, -20.0)
    lie = left, bottom, cell, math.cos(turn), math.sin(turn)
    kept, middles = packed(free), packed(free)
    met_unknown = keep_good_ground(kept, *lie, patch)
    keep_good_middles(middles, *lie, patch)
    row, col = np.mgrid[0:20, 0:90]
    u, v = left + (col + 0.5) * cell, bottom + (row + 0.5) * cell
    x, y, reach = u * lie[3] - v * lie[4], u * lie[4] + v * lie[3], 0.5 * cell * (abs(lie[3]) + abs(lie[4]))
    hits = {name: np.zeros_like(free) for name in ("bad", "unknown", "under")}
    for at in np.ndindex(free.shape):
        rows, cols = slice(*bounds(36 - y[at], reach)), slice(*bounds(x[at] + 36, reach))
        hits["bad"][at], hits["unknown"][at] = not_good[rows, cols].any(), unknown[rows, cols].any()
        hits["under"][at] = not_good[slice(*bounds(36 - y[at], 0.0)), slice(*bounds(x[at] + 36, 0.0))].any()
    np.testing.assert_array_equal(unpacked(kept, 90), free & ~hits["bad"])
    np.testing.assert_array_equal(unpacked(middles, 90), free & ~hits["under"])
    assert met_unknown == (free & hits["bad"] & hits["unknown"]).any()


def bounds(away_m, reach_m):
    """First and last cell of 2 m, the last one excluded, of a row of 36."""
    first, last = np.floor((away_m - reach_m) / 2.0), np.floor((away_m + reach_m) / 2.0) + 1
    return int(np.clip(first, 0, 36)), int(np.clip(last, 0, 36))


def table_of(mask):
    return np.pad(mask.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0))).astype(np.int32)


@pytest.mark.parametrize("seed", range(20))
def test_rows_of_bits_are_filled_thinned_and_counted_as_rows_of_cells(seed):
    rng = np.random.default_rng(seed)
    rows, cols = int(rng.integers(1, 12)), int(rng.integers(1, 200))
    cells = rng.random((rows, cols)) < rng.choice([0.1, 0.5, 0.98])
    bits = packed(cells)
    between = bits.copy()
    bitrows.fill_between(between, cols)
    np.testing.assert_array_equal(unpacked(between, cols), np.cumsum(cells, axis=1) % 2 == 1)
    assert (packed(unpacked(between, cols)) == between).all(), "nothing is set past the last column"
    filled, (first, last) = bits.copy(), rng.integers(0, cols, 2)
    bitrows.fill(filled, 0, first, last)
    expected = cells.copy()
    expected[0, first : last + 1] = True
    np.testing.assert_array_equal(unpacked(filled, cols), expected)
    word = int(rng.integers(0, 2**63)) >> int(rng.integers(0, 63)) << int(rng.integers(0, 2)) or 1
    assert bitrows.count(np.uint64(word)) == word.bit_count()
    assert bitrows.lowest(np.uint64(word)) == (word & -word).bit_length() - 1
    assert bitrows.highest(np.uint64(word)) == word.bit_length() - 1


@pytest.mark.parametrize("seed", range(20))
def test_reserve_may_lie_beside_by_four_limits_where_it_may_by_looking_at_every_layout(seed):
    rng = np.random.default_rng(seed)
    ends = np.sort(rng.integers(-1, 20, (5, 4)), axis=1)[:, [0, 2, 1, 3]]
    level = np.where(rng.random((5, 4)) < 0.5, -2, ends)
    deep, wide = rng.integers(1, 8, 5), rng.integers(1, 8, 5)
    spares = Room(25, wide, deep, np.zeros((5, 25, 1), np.uint64), np.ones(5, np.int64), ends, level)
    up, down, right, left = fitsearch._beside(spares, 4, 6, 2)
    for row in range(25):
        for col in range(25):
            by_limits = row >= up or row <= down or col >= right or col <= left
            assert by_limits == fitsearch._may_be_room(spares, row, row, col, col, 4, 6, 2)


def test_what_level_ground_leaves_open_is_what_looking_for_every_end_of_every_layout_leaves_open():
    rng, left, shut = np.random.default_rng(4), 0, 0
    every = np.ones(3, np.bool_)
    for number in range(60):
        patch, least_kind, alike = uneven_patch(rng, rng.choice([0.1, 0.25, 0.5])), 1 + number % 2, number % 4 < 2
        turn = rng.uniform(0, np.pi)
        grid = Grid(-12.0, -12.0, 1.0, math.cos(turn), math.sin(turn))
        fields, reserves = (np.column_stack([[1, 2, 3], rng.uniform(2, 12, 3), [0.9, 3.6, 6.3]]) for _ in range(2))
        work, shape = Work(fields, fields if alike else reserves, 1.8, TRENCHES), np.kron(rng.random((6, 6)) < 0.85, np.ones((4, 4), bool))
        drawn = []
        for _ in range(2):
            room = room_in(packed(shape), 24, work.fields, every, 1.0)
            drawn.append((room, room if alike else room_in(packed(shape[::-1]), 24, work.reserves, every, 1.0)))
        (one, other), again = drawn
        expected = np.zeros(3, np.bool_), np.zeros(3, np.bool_)
        fitbound._keep_open(one.ends, other.ends, least_kind, work, 1.0, *expected)
        before = np.array(expected)
        found = tuple(before.copy())
        for room, layouts, wanted in ((one, work.fields, before[0]), (other, work.reserves, before[1])):
            for option, end in np.ndindex(3, 4):
                if wanted[option] and room.level[option, end] == -2:
                    look_for_level(room, option, end, layouts, grid, TRENCHES, patch, fitbound.ROUGH_STEP_M)
        some = fitbound._keep_open(one.level, other.level, least_kind, work, 1.0, *expected)
        assert fitbound._keep_level(*again, least_kind, work, grid, TRENCHES, patch, *found) == some
        np.testing.assert_array_equal(found, expected)
        left += np.count_nonzero(expected)
        shut += np.count_nonzero(before) - np.count_nonzero(expected)
    assert min(left, shut) > 40


@pytest.mark.parametrize("seed", range(20))
def test_bounds_on_level_ground_and_score_never_rule_out_what_holds(seed):
    rng = np.random.default_rng(seed)
    patch = uneven_patch(rng, 0.05)
    where = where_of(patch)
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
        least_run, least_to_middle = fitsearch._least_runs(house, grid, spot, length_m, depth_m)
        assert run - 1e-3 <= least_run <= run
        assert to_middle - 1e-3 <= least_to_middle <= to_middle
        corner = fitsearch._highest_corner(patch.planes, patch.path_m, where, grid, spot, length_m, depth_m)
        looked = (patch.planes, patch.path_m, where, grid, spot, work, house, run, to_middle, corner)
        whole = fitsearch._looked_under(*looked, -np.inf)
        bound = fitsearch._for_place(least_run, least_to_middle, length_m)
        uphill = fitsearch.PUMPED if fitsearch._in_hand(house, corner, run) < fitsearch.FALL_TO_SPARE_M else 0.0
        assert fitsearch._may_score(ceilings, where, grid, spot, count, length_m, TRENCHES, whole[2] - 1e-6 + uphill - bound)
        assert whole[2] <= ceilings.max() + fitsearch._for_place(0.0, 0.0, length_m)
        assert not fitsearch._looked_under(*looked, whole[2])[2] > whole[2]
        asked = (patch.planes, where, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, TRENCHES, 1.0)
        if runs_level(*asked):
            level += 1
            assert may_run_level(*asked)
    assert level > 0
