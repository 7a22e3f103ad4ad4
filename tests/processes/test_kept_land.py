"""Looks at the layers that are kept square by square say what looks at the whole say."""

import numpy as np
import pytest
import shapely

from geoseptic.io import kept
from geoseptic.parcels import repair, unrecorded
from geoseptic.processes import kept_land


@pytest.fixture
def lots() -> np.ndarray:
    """Squares of 10 m side by side, some of which reach into their neighbours, some empty."""
    rng = np.random.default_rng(5)
    found = np.array([shapely.box(x, y, x + 10 + rng.choice([0, 0, 2]), y + 10) for x in range(0, 200, 10) for y in range(0, 100, 10)])
    found[rng.choice(len(found), 5)] = shapely.Polygon()
    return found


def test_shared_ground_is_the_same_square_by_square_and_only_squares_near_a_change_are_looked_at_again(lots, tmp_path, monkeypatch):
    monkeypatch.setattr(kept_land, "IN_A_GROUP", 8)
    moved = lots.copy()
    moved[47] = shapely.transform(moved[47], lambda xy: xy + 1.0)
    for shapes, most_made in ((lots, len(lots)), (lots, 0), (moved, 8)):
        whole = repair.shared_ground(shapes, np.arange(len(shapes)))
        assert len(whole[0]) > 20
        with kept.kept(tmp_path) as store:
            found = kept_land.shared_ground(shapes)
        for one, other in zip(found[:2], whole[:2], strict=True):
            assert np.array_equal(one, other)
        assert [shape.wkb for shape in found[2]] == [shape.wkb for shape in whole[2]]
        assert store is not None and store.made["_shared"] <= most_made


def test_a_well_serves_the_same_lots_square_by_square(lots, tmp_path, monkeypatch):
    monkeypatch.setattr(kept_land, "IN_A_GROUP", 8)
    rng = np.random.default_rng(6)
    points = shapely.points(rng.uniform(0, 200, 120), rng.uniform(0, 100, 120))
    error_m = rng.choice([0.0, 1.0, 6.0], len(points))
    for most_made in (len(points), 0):
        with kept.kept(tmp_path) as store:
            found = kept_land.served(lots, points, error_m)
        assert np.array_equal(found, unrecorded.served(lots, points, error_m)) and 10 < found.sum() < len(lots)
        assert store is not None and store.made["_served"] <= most_made
        assert not kept_land.served(lots, points[:0], error_m[:0]).any()
