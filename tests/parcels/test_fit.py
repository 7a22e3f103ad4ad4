"""The search for room for field and reserve: what is found fits, and what brute force finds is rarely missed."""

import math

import numpy as np
import pytest
import shapely
import shapely.affinity

from geoseptic.parcels import fitgrid
from geoseptic.parcels.fit import FieldNeed, Pipes, Site, Terrain, fit, layouts

NEED = FieldNeed(trench_length_m=120.0, trench_width_m=0.9, max_trench_m=30.0, spacing_m=1.8, reserve_share=1.0)
PIPES = Pipes(0.01, 0.5)


def plane(rise_east: float = 0.0, rise_north: float = 0.0, good: np.ndarray | None = None) -> Terrain:
    """300 x 300 m from (0, 0), 2 m cells."""
    x, y = np.meshgrid(np.arange(1, 300, 2.0), np.arange(299, 0, -2.0))
    heights = (100 + rise_east * x + rise_north * y).astype(np.float32)
    ground = np.zeros(heights.shape, np.uint8) if good is None else good
    return Terrain(heights, ground, np.full(heights.shape, np.inf, np.float32), 0.0, 300.0, 2.0, 15.0)


def site(shape: shapely.Geometry) -> Site:
    return Site(shape, shape, math.nan, math.nan, math.nan)


def random_lot(rng: np.random.Generator) -> shapely.Geometry:
    wide, deep = rng.uniform(12, 45, 2)
    lot = shapely.affinity.rotate(shapely.box(150 - wide, 150 - deep, 150 + wide, 150 + deep), rng.uniform(0, 180))
    for _ in range(rng.integers(0, 4)):
        lot = lot.difference(shapely.Point(150 + rng.uniform(-wide, wide), 150 + rng.uniform(-deep, deep)).buffer(rng.uniform(5, 31)))
    return lot


def test_free_cells_are_exactly_those_wholly_inside():
    rng = np.random.default_rng(1)
    west, south = np.meshgrid(np.arange(-21.0, 21.0), np.arange(-21.0, 21.0))
    boxes = shapely.box(west, south, west + 1, south + 1)
    for _ in range(200):
        shape = shapely.convex_hull(shapely.MultiPoint(rng.uniform(-20, 20, (rng.integers(3, 12), 2))))
        shape = shape.difference(shapely.Point(*rng.uniform(-10, 10, 2)).buffer(rng.uniform(1, 6)))
        rings = shapely.get_rings(shapely.get_parts(shape))
        x, y = shapely.get_coordinates(rings).T
        starts = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(rings))]).astype(np.int64)
        free = fitgrid.inside_cells(x.copy(), y.copy(), starts, -21.0, -21.0, 1.0, 42, 42)
        assert (free == shapely.contains_properly(shape, boxes)).all()


def test_whatever_is_placed_lies_inside_apart_and_has_the_length_needed():
    rng = np.random.default_rng(2)
    terrain = plane(0.05, 0.03)
    placed = 0
    for _ in range(150):
        lot = random_lot(rng)
        found = fit(site(lot), NEED, terrain, PIPES).placement
        if found is None:
            continue
        placed += 1
        assert shapely.covers(lot, found.field)
        assert all(shapely.covers(found.field.buffer(1e-6), trench) for trench in found.trenches)
        assert found.layout.count * found.layout.length_m == pytest.approx(NEED.trench_length_m)
        if found.reserve is not None:
            assert shapely.covers(lot, found.reserve)
            assert shapely.distance(found.field, found.reserve) >= NEED.spacing_m - 1e-6
    assert placed > 60


def test_trenches_run_along_the_contour():
    found = fit(site(shapely.box(100, 100, 200, 200)), NEED, plane(rise_east=0.1), PIPES).placement
    xy = shapely.get_coordinates(found.trenches[0])
    fall_m = 0.1 * (xy[:, 0].max() - xy[:, 0].min())
    assert fall_m < 0.3
    assert xy[:, 1].max() - xy[:, 1].min() == pytest.approx(found.layout.length_m, abs=0.5)


def test_exact_rectangle_with_a_little_slack_is_found_and_a_smaller_one_is_not():
    smallest = min(layouts(NEED), key=lambda option: option.length_m * (2 * option.depth_m + NEED.spacing_m))
    deep = 2 * smallest.depth_m + NEED.spacing_m
    roomy = shapely.box(100, 100, 100 + smallest.length_m + 1.5, 100 + deep + 1.5)
    found = fit(site(roomy), NEED, plane(rise_north=0.05), PIPES)
    assert found.placement is not None and found.placement.reserve is not None
    tight = shapely.box(100, 100, 100 + smallest.length_m - 0.1, 100 + smallest.depth_m - 0.1)
    assert fit(site(tight), NEED, plane(rise_north=0.05), PIPES).placement is None


def test_bad_ground_is_avoided_and_unknown_ground_is_told():
    good = np.zeros((150, 150), np.uint8)
    good[:, 75:] = fitgrid.BAD_GROUND
    found = fit(site(shapely.box(100, 100, 200, 200)), NEED, plane(good=good), PIPES).placement
    assert shapely.bounds(found.field)[2] <= 152
    good[:, :] = fitgrid.UNKNOWN_GROUND
    nothing = fit(site(shapely.box(100, 100, 200, 200)), NEED, plane(good=good), PIPES)
    assert nothing.placement is None
    assert nothing.met_unknown_ground


def test_too_little_area_and_too_narrow_lots_are_refused_without_a_search():
    assert fit(site(shapely.box(0, 0, 10, 10)), NEED, plane(), PIPES).decided_by == "area"
    assert fit(site(shapely.box(10, 10, 290, 12)), NEED, plane(), PIPES).decided_by == "disc"
