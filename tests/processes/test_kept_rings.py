"""Rings of an earlier run are those that would be made, corner for corner, and a changed feature has its own made anew."""

import numpy as np
import pytest
import shapely

from geoseptic.io import kept
from geoseptic.parcels import buffers
from geoseptic.processes import kept_rings


@pytest.fixture(autouse=True)
def small_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_rings, "IN_A_GROUP", 8)


def features(rng: np.random.Generator, count: int) -> np.ndarray:
    """Points, houses and nothing at all, anywhere in a square kilometre."""
    places = rng.uniform(0, 1000, (count, 2))
    found = shapely.points(places)
    houses = rng.random(count) < 0.5
    found[houses] = shapely.box(places[houses, 0], places[houses, 1], places[houses, 0] + 12, places[houses, 1] + 9)
    found[rng.random(count) < 0.05] = shapely.Polygon()
    return found


def test_rings_and_discs_are_the_same_with_and_without_a_store_and_few_are_made_after_a_change(tmp_path):
    rng = np.random.default_rng(4)
    shapes, distance_m = features(rng, 300), rng.uniform(5, 60, 300)
    for turn in range(3):
        if turn == 2:
            somewhere = int(np.flatnonzero(~shapely.is_empty(shapes))[7])
            shapes[somewhere] = shapely.transform(shapes[somewhere], lambda xy: xy + 1.0)
        with kept.kept(tmp_path) as store:
            rings, discs, alike = (
                kept_rings.outward(shapes, distance_m),
                kept_rings.discs(shapes, distance_m),
                kept_rings.outward(shapes, 30.0),
            )
        assert [one.wkb for one in rings] == [one.wkb for one in buffers.outward(shapes, distance_m)]
        assert [one.wkb for one in alike] == [one.wkb for one in buffers.outward(shapes, 30.0)]
        assert [one.wkb for one in discs] == [one.wkb for one in shapely.buffer(shapes, distance_m, quad_segs=16)]
        assert store is not None
        made, reused = store.made["_rings"], store.reused["_rings"]
        assert (made > 20 and not reused) if turn == 0 else made == 2 * (turn - 1) and reused + made > 20
