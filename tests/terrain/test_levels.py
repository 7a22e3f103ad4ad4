"""Patches of one number that no ground can be are found; water, terraces and rough ground of any steepness are not."""

import numpy as np
import pytest
from scipy import ndimage

from geoseptic.terrain.levels import sheer_edges, sheer_levels

CELL_M = 4.0


def hillside(side: int = 60) -> np.ndarray:
    row, col = np.mgrid[:side, :side]
    return (300 - 0.4 * row + 0.3 * col + np.sin(col / 3) + 0.1 * np.sin(row * col)).astype(np.float32)


def found(heights_m: np.ndarray) -> list[tuple[float, int, int, int]]:
    levels = sheer_levels(heights_m, sheer_edges(heights_m), CELL_M)
    return [(level.height_m, level.cells, level.row, level.col) for level in levels]


@pytest.mark.parametrize("number", [3047.7, 1000.0, 330.0, 200.0, -99.0])
def test_a_patch_of_one_number_off_the_ground_is_found_with_its_size_and_first_cell(number: float):
    heights = hillside()
    heights[10:15, 20:30] = number
    assert found(heights) == [(np.float32(number), 50, 10, 20)]


def test_patches_are_told_apart_the_largest_first_and_corners_hang_together():
    heights = hillside()
    heights[5:8, 5:8] = heights[8:10, 8:10] = 1000
    heights[30:40, :20] = 1000
    heights[50:52, 50:52] = 900
    heights[55:, 20:30] = np.nan
    heights[20, 20] = heights[22:24, 20] = heights[25, 30:33] = 1000  # no square of four: told as lone heights, if at all
    assert found(heights) == [(1000, 200, 30, 0), (1000, 13, 5, 5), (900, 4, 50, 50)]


def test_half_a_raster_of_one_number_is_found_beside_known_and_unknown_ground():
    heights = hillside()
    heights[:, 30:] = 1000
    heights[:50, 28:30] = np.nan
    assert found(heights) == [(1000, 60 * 30, 0, 30)]


def test_a_number_that_the_ground_reaches_on_less_than_half_of_the_border_is_found():
    heights = hillside()
    heights[20:30, 20:30] = 1000
    heights[20:30, 30:35] += 695  # within 15 m of the number
    assert found(heights) == [(1000, 100, 20, 20)]


def lake(wall_m: float, open_sides: int) -> np.ndarray:
    """A lake of one number below walls of that height, with banks of half a metre on some of its four sides."""
    heights = hillside()
    level = float(heights[15:45, 15:45].min()) - wall_m
    heights[15:45, 15:45] = level
    for side in (heights[14, 15:45], heights[15:45, 14], heights[45, 15:45], heights[15:45, 45])[:open_sides]:
        side[:] = level + 0.5
    return heights


@pytest.mark.parametrize(("wall_m", "open_sides"), [(0.5, 0), (15, 0), (20, 0), (55, 1), (200, 2), (200, 3)])
def test_lakes_below_cliffs_are_ground(wall_m: float, open_sides: int):
    heights = lake(wall_m, open_sides)
    assert found(heights) == []
    assert len(sheer_edges(heights)) > 0 or wall_m < 10  # it was looked at


@pytest.mark.parametrize("step_m", [1.0, 5.0, 10.0])
def test_steep_ground_in_whole_metres_is_ground(step_m: float):
    # Rough mountains of up to 60 degrees on cells of 30 m, rounded: terraces of one number everywhere, and walls of tens of metres.
    rng = np.random.default_rng(5)
    rough = ndimage.gaussian_filter(rng.normal(0, 1, (400, 400)), 4)
    heights = (np.round((800 + rough / np.abs(np.diff(rough, axis=0)).max() * 52) / step_m) * step_m).astype(np.float32)
    edges = sheer_edges(heights)
    assert len(edges) > 0
    assert sheer_levels(heights, edges, 30.0) == []


def test_a_mesa_and_a_cliff_are_ground():
    mesa = hillside()
    mesa[20:30, 20:30] += 200
    cliff = hillside()
    cliff[:, 30:] += 200
    assert found(mesa) == found(cliff) == found(np.full((9, 9), 7, np.float32)) == found(np.full((5, 5), np.nan, np.float32)) == []


def test_edges_are_those_that_a_plain_search_finds():
    rng = np.random.default_rng(3)
    for shape in ((1, 1), (1, 9), (9, 1), (2, 2), (17, 23)):
        heights = rng.choice(np.array([0, 5, 11, 40, np.nan], np.float32), shape, p=[0.5, 0.1, 0.2, 0.15, 0.05])
        expected = set()
        for row, col in np.ndindex(shape):
            own = heights[row, col]
            squares = [heights[top : top + 2, left : left + 2] for top in (row - 1, row) for left in (col - 1, col) if min(top, left) >= 0]
            beside = [(row + 1, col), (row - 1, col), (row, col + 1), (row, col - 1)]
            steps = [abs(heights[at] - own) for at in beside if min(at) >= 0 and at[0] < shape[0] and at[1] < shape[1]]
            if any(square.shape == (2, 2) and (square == own).all() for square in squares) and any(step > 10 for step in steps):
                expected.add((row, col))
        assert {tuple(cell) for cell in sheer_edges(heights).tolist()} == expected
