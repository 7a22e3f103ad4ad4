"""Looks at the layers that are kept square by square say what looks at the whole say."""

import numpy as np
import pytest
import shapely

from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.parcels import outeredge, repair, unrecorded
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
    with kept.kept(tmp_path):
        assert [len(column) for column in kept_land.shared_ground(lots[::7])] == [0, 0, 0]


def test_a_well_serves_the_same_lots_square_by_square(lots, tmp_path, monkeypatch):
    monkeypatch.setattr(kept_land, "IN_A_GROUP", 8)
    rng = np.random.default_rng(6)
    points = shapely.points(rng.uniform(0, 200, 120), rng.uniform(0, 100, 120))
    error_m = rng.choice([0.0, 1.0, 6.0], len(points))
    for most_made in (len(points), 0):
        with kept.kept(tmp_path) as store:
            found = kept_land.served(Hashed.of(lots), points, error_m)
        assert np.array_equal(found, unrecorded.served(lots, points, error_m)) and 10 < found.sum() < len(lots)
        assert store is not None and store.made["_served"] <= most_made
        assert not kept_land.served(Hashed.of(lots), points[:0], error_m[:0]).any()


def test_things_are_on_the_same_lots_square_by_square(lots, tmp_path, monkeypatch):
    monkeypatch.setattr(kept_land, "IN_A_GROUP", 8)
    rng = np.random.default_rng(7)
    places = rng.uniform([0, 0], [210, 110], (120, 2))
    things = np.where(np.arange(120) % 2 == 0, shapely.points(places), shapely.box(*places.T, *(places + 4).T))
    moved = lots.copy()
    moved[47] = shapely.transform(moved[47], lambda xy: xy + 1.0)
    for shapes, most_made in ((lots, len(things)), (lots, 0), (moved, 8)):
        with kept.kept(tmp_path) as store:
            found = kept_land.on_the_lots(Hashed.of(shapes), things)
        for one, other in zip(found, unrecorded.on_the_lots(shapes, things), strict=True):
            assert np.array_equal(one, other) and len(one) > len(np.unique(one))
        assert store is not None and store.made["_on_the_lots"] <= most_made
    with kept.kept(tmp_path):
        assert [len(column) for column in kept_land.on_the_lots(Hashed.of(lots), things[:0])] == [0, 0]


def test_the_same_lots_are_at_the_outer_edge_square_by_square(lots, tmp_path, monkeypatch):
    monkeypatch.setattr(kept_land, "IN_A_GROUP", 8)
    wide = shapely.transform(lots, lambda xy: xy * 8)
    pond = shapely.Point(600, 400).buffer(120)
    moved = wide.copy()
    moved[47] = shapely.transform(moved[47], lambda xy: xy - 9.0)
    for within_m in (30.48, 70.0):
        for shapes, most_made in ((shapely.difference(wide, pond), len(lots)), (wide, len(lots)), (wide, 0), (moved, 15)):
            with kept.kept(tmp_path) as store:
                found = kept_land.at_the_outer_edge(Hashed.of(shapes), within_m)
            assert np.array_equal(found, outeredge.at_the_outer_edge(shapes, within_m)) and 10 < found.sum() < 150
            assert store is not None and store.made["_at_the_outer_edge"] <= most_made
    with kept.kept(tmp_path):
        assert not kept_land.at_the_outer_edge(Hashed.of(np.full(3, shapely.Polygon())), 30.48).any()
