"""How far the ground falls over the level bottom of a trench, which decides how deep its upper end lies."""

import math

import numpy as np
import pytest
import shapely

from geoseptic.parcels.fit import DROP_ALONG_TRENCH_M, Terrain
from geoseptic.processes.lot_ground import fall_along_m, heights_m, highest_m

SIDE_M = 200.0


def terrain(cell_m, east, north):
    """A plane of these slopes, its lower left corner at the origin."""
    count = int(SIDE_M / cell_m)
    middles_m = (np.arange(count) + 0.5) * cell_m
    heights_m = 50 + east * middles_m[None, :] + north * (SIDE_M - middles_m)[:, None]
    good = np.zeros(heights_m.shape, np.uint8)
    return Terrain(heights_m.astype(np.float32), good, heights_m.astype(np.float32), 0.0, SIDE_M, cell_m, 15.0)


def trench(x, y, length_m, width_m, turn=0.0):
    """A rectangle as the search draws it: from its lower left corner along the trench."""
    u, v = np.array([0, length_m, length_m, 0]), np.array([0, 0, width_m, width_m])
    return shapely.Polygon(np.column_stack([x + u * math.cos(turn) - v * math.sin(turn), y + u * math.sin(turn) + v * math.cos(turn)]))


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 5.0, 10.0])
@pytest.mark.parametrize(("turn_degrees", "east", "north"), [(0, 0.01, 0.1), (45, 0.05, -0.05), (45, 0.08, -0.06), (30, 0.0, 0.02)])
def test_fall_along_a_trench_on_a_plane_is_that_of_the_plane_whatever_the_cells(cell_m, turn_degrees, east, north):
    """Slope along the trench times its length: cells may neither add stairs to a contour nor hide a fall within one of them."""
    turn = math.radians(turn_degrees)
    expected_m = abs(east * math.cos(turn) + north * math.sin(turn)) * 13.0
    found_m = fall_along_m(terrain(cell_m, east, north), [trench(93.7, 88.1, 13.0, 0.9, turn)])
    assert found_m == pytest.approx(expected_m, abs=1e-4)  # heights are float32


def test_bed_falls_across_its_width_too():
    """The bottom of a bed is level from wall to wall: 6 m across a slope of 5 percent are 0.3 m."""
    assert fall_along_m(terrain(2.0, 0.0, 0.05), [trench(80, 80, 12.0, 6.0)]) == pytest.approx(0.3, abs=1e-4)


def test_no_ground_at_a_house_is_higher_than_the_highest_in_the_box_round_it():
    """The bound by which a way without a pump is ruled out: no point of the house is higher, and one in its box is as high."""
    rng = np.random.default_rng(7)
    ground = terrain(2.0, 0.03, -0.05)
    ground.elevation_m[:] += rng.normal(0, 1, ground.elevation_m.shape).astype(np.float32)
    houses = np.array([trench(*rng.uniform(20, 150, 2), *rng.uniform(1, 20, 2), rng.uniform(0, 3)) for _ in range(40)])
    for house, highest in zip(houses, highest_m(ground, houses), strict=True):
        left, bottom, right, top = shapely.bounds(house)
        box = np.stack(np.meshgrid(np.append(np.arange(left, right, 0.5), right), np.append(np.arange(bottom, top, 0.5), top)), axis=-1)
        assert highest == heights_m(ground, box.reshape(-1, 2)).max()
    outside = np.array([trench(400, 400, 5, 5), shapely.Polygon()])
    assert np.isnan(highest_m(ground, outside)).all()


def test_unknown_ground_under_a_trench_does_not_read_as_level():
    """A trench that leaves the known ground has at least the drop that the search lets pass; what is known may be more."""
    level = terrain(2.0, 0.0, 0.0)
    assert fall_along_m(level, [trench(195, 100, 20.0, 0.9)]) == DROP_ALONG_TRENCH_M
    assert fall_along_m(level, [trench(300, 100, 20.0, 0.9)]) == DROP_ALONG_TRENCH_M
    assert fall_along_m(level, []) == 0
