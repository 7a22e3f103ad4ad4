"""Zeros that stand for missing ground are told from ground at sea level by the step round them."""

import numpy as np
import pytest

from geoseptic.terrain.patches import ALL_ROUND_M, MOSTLY_M, Patch, sheer_patches

CELL_M = 2.0


def found(heights_m, cell_size_m=CELL_M):
    heights_m = np.asarray(heights_m, np.float32)
    return sheer_patches(heights_m, heights_m == 0, cell_size_m)


def ground(level_m, shape=(30, 40)):
    return np.full(shape, level_m, np.float32)


def test_a_hole_and_a_collar_in_high_ground_are_found_the_largest_first():
    heights_m = ground(120)
    heights_m[:, -3:] = 0
    heights_m[4:7, 8:12] = 0
    assert found(heights_m) == (Patch(90, 0, 37), Patch(12, 4, 8))


def test_cells_that_meet_at_a_corner_are_one_patch_and_its_first_cell_is_the_topmost():
    heights_m = ground(120)
    heights_m[[3, 4, 5], [9, 8, 7]] = 0
    assert found(heights_m) == (Patch(3, 3, 9),)


def test_a_single_cell_is_found():
    heights_m = ground(-80)
    heights_m[10, 10] = 0
    assert found(heights_m) == (Patch(1, 10, 10),)


def test_a_shore_that_rises_from_the_water_is_ground():
    rise_m = 0.8 * CELL_M * (np.arange(60) - 20)
    assert found(np.tile(np.maximum(rise_m, 0), (60, 1))) == ()


def test_the_sea_under_cliffs_with_a_beach_is_ground():
    heights_m = ground(60)
    heights_m[:, :10] = 0
    heights_m[12:28, 10] = 1.5  # a beach along half of the cliff
    assert found(heights_m) == ()


def test_missing_ground_that_runs_into_the_sea_is_found_where_most_of_its_border_is_sheer():
    heights_m = ground(60)
    heights_m[:, :10] = 0
    heights_m[:6, 10] = 1.5
    assert found(heights_m) == (Patch(300, 0, 0),)


@pytest.mark.parametrize("cell_size_m", [1.0, 30.0])
def test_the_step_that_counts_in_level_ground_is_the_same_for_every_cell(cell_size_m):
    for over_m, patches in ((-0.1, 0), (0.1, 1)):
        heights_m = ground(ALL_ROUND_M + over_m)
        heights_m[4:7, 8:12] = 0
        assert len(found(heights_m, cell_size_m)) == patches
        # With a bank of 1 m along two of the fourteen sides, it takes the higher step on most of the others.
        heights_m = ground(MOSTLY_M + over_m)
        heights_m[4:7, 8:12] = 0
        heights_m[3, 8:10] = 1
        assert len(found(heights_m, cell_size_m)) == patches


@pytest.mark.parametrize(("cell_size_m", "level_m"), [(2.0, 6.5), (10.0, 14.0), (30.0, 34.0)])
def test_zeros_beyond_a_slanting_line_in_almost_level_ground_are_found(cell_size_m, level_m):
    row, col = np.mgrid[:60, :60]
    heights_m = np.where(row + col < 40, 0, level_m + 0.01 * col)
    assert found(heights_m, cell_size_m) == (Patch(820, 0, 0),)


def test_steep_ground_over_the_sea_is_told_by_its_own_slope_up_to_45_degrees():
    # The first cell of land stands 0.9 of its side above the water, which in cells of 30 m is 27 m.
    for rise, patches in ((0.9, 0), (1.3, 1)):
        land = np.tile(np.maximum(rise * 30.0 * (np.arange(60) - 20), 0), (60, 1))
        assert len(found(land, 30.0)) == patches


def test_the_slope_that_counts_leads_away_from_the_zeros():
    # Level ground that stands 9 m over them: a bank of 8 m along the edge itself, between two of its cells, does not explain the step.
    heights_m = ground(9)
    heights_m[:15] = 17
    heights_m[:, :10] = 0
    assert len(found(heights_m, 10.0)) == 1


def test_unknown_cells_beside_the_patch_say_nothing():
    heights_m = ground(120)
    heights_m[3:8, 7:13] = np.nan
    heights_m[4:7, 8:12] = 0
    assert found(heights_m) == (Patch(12, 4, 8),), "held against the ground nearest in height"
    heights_m[20, 20] = 3
    assert found(heights_m) == (), "there is ground near 0"


def test_a_raster_of_nothing_but_zeros_is_one_patch_and_one_without_any_has_none():
    assert found(ground(0)) == (Patch(1200, 0, 0),)
    assert found(ground(5)) == ()


def test_patches_are_those_of_a_flood_by_hand():
    # Twenty rasters of spots on two levels; patches and their borders are followed cell by cell.
    random = np.random.default_rng(8)
    for _ in range(20):
        heights_m = np.where(random.random((25, 25)) < 0.25, 0, random.choice([2, 9, 30], (25, 25))).astype(np.float32)
        expected = sorted(by_hand(heights_m), key=lambda patch: (-patch.cells, patch.row, patch.col))
        assert list(found(heights_m)) == expected


def by_hand(heights_m):
    rows, cols = heights_m.shape
    seen = set()
    for start in zip(*np.nonzero(heights_m == 0), strict=True):
        if start in seen:
            continue
        queue, cells = [start], {start}
        while queue:
            row, col = queue.pop()
            for near in ((row + j, col + i) for j in (-1, 0, 1) for i in (-1, 0, 1)):
                if 0 <= near[0] < rows and 0 <= near[1] < cols and heights_m[near] == 0 and near not in cells:
                    cells.add(near)
                    queue.append(near)
        seen |= cells
        steps = []
        for (row, col), (j, i) in ((cell, way) for cell in cells for way in ((0, 1), (1, 0), (0, -1), (-1, 0))):
            side, on = (row + j, col + i), (row + 2 * j, col + 2 * i)
            if not (0 <= side[0] < rows and 0 <= side[1] < cols) or side in cells:
                continue
            known = 0 <= on[0] < rows and 0 <= on[1] < cols and heights_m[on] != 0
            rise = abs(heights_m[on] - heights_m[side]) if known else 0
            steps.append(abs(heights_m[side]) - min(rise, CELL_M))
        beyond = sum(step > MOSTLY_M for step in steps)
        if min(steps) > ALL_ROUND_M or beyond > len(steps) / 2:
            yield Patch(len(cells), *(int(part) for part in min(cells)))
