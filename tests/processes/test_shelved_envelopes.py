"""Lots that are cut group by group, and put by, have the envelopes of lots that are cut all at once."""

from dataclasses import fields

import numpy as np
import pytest
import shapely

from geoseptic.io import shelves
from geoseptic.io.digests import Hashed
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.shelves import Shelf
from geoseptic.parcels import envelope
from geoseptic.parcels.zones import zones
from geoseptic.processes import shelved_envelopes
from geoseptic.processes.land import check_land
from tests.processes.random_county import county

LOT_LINE_M = 1.524


def land_of(seed: int):
    """A random county of whose lots one reaches into its neighbours, one stands on another's ground, and one outline is of no use."""
    world = county(60, seed)
    shapes = np.array(world.parcels.geometry.values, object)
    shapes[20] = shapely.buffer(shapes[20], 4.0, join_style="mitre")
    shapes[31] = shapes[30]
    shapes[40] = shapely.Polygon()
    layers = {"buildings": world.buildings, "driveways": world.driveways, "surface_water": world.water}
    return check_land(
        world.parcels.set_geometry(shapes, crs=world.parcels.crs), world.wells, layers,
        frame=world.elevation.grid.frame, assumed_location_error_m=15.24,
    )  # fmt: skip


def texts(shapes) -> list[bytes]:
    return shapely.to_wkb(shapes).tolist()


@pytest.mark.parametrize(("lots", "workers", "failing"), [(3, 1, False), (7, 2, False), (3, 1, True), (10**6, 1, True)])
def test_groups_have_the_envelopes_of_the_whole(lots, workers, failing, tmp_path, monkeypatch):
    monkeypatch.setattr(shelved_envelopes, "LOTS", lots)
    monkeypatch.setattr(shelved_envelopes, "AT_ONCE", 5)
    monkeypatch.setattr(shelves, "IN_MEMORY_BYTES", 1000)
    land = land_of(seed=4)
    found = zones(land.obstacles, load_rules("us-wa"), "drain_field", facts={})
    assert len(land.fabric.disputed_m) and len(land.fabric.spoilt) == 1 and len(set(found.status)) == 2
    if failing:
        bad = land.fabric.shapes_m[12]
        inward = envelope.inward

        def refusing(shapes_m, distance_m):
            if any(shape.equals(bad) for shape in shapes_m):
                raise ValueError("not this one")
            return inward(shapes_m, distance_m)

        monkeypatch.setattr(envelope, "inward", refusing)
    whole = envelope.envelopes(land.fabric, found, land.obstacles, LOT_LINE_M)
    lines = envelope.lot_line_zones(land.fabric, whole)
    lost = {40: "of no use", 5: "nor this"}
    with shelves.within(tmp_path):
        cut, strips = shelved_envelopes.cut(
            land.fabric, found, land.obstacles, LOT_LINE_M, True, workers, land.lots, Hashed.of(land.obstacles.shapes_m), Shelf()
        )
    assert texts(strips.shapes) == texts(lines)
    assert np.array_equal(strips.bounds_m, shapely.bounds(lines), equal_nan=True)
    assert texts(found.shapes_of(np.arange(len(found)))) == texts(
        zones(land.obstacles, load_rules("us-wa"), "drain_field", facts={}).shapes_m
    )
    assert (12 in cut.why) == failing
    for one, other in ((cut, whole), (cut.without(lost), whole.without(lost))):
        for name in ("shapes_m", "possible_m", "inside_m"):
            assert texts(getattr(one, name)) == texts(getattr(other, name))
        for name in ("area_m2", "possible_area_m2", "largest_m2", "failed", "parcel_ids"):
            assert np.array_equal(getattr(one, name), getattr(other, name))
        assert list(one.takes_m2) == list(other.takes_m2)
        assert all(np.array_equal(one.takes_m2[name], other.takes_m2[name]) for name in one.takes_m2)
        assert (one.part, one.lot_line_m, one.why, one.binding()) == (other.part, other.lot_line_m, other.why, other.binding())
    assert {field.name for field in fields(envelope.Envelopes)} <= {*vars(cut), "shapes_m", "possible_m", "inside_m"}


def test_groups_by_place_have_every_row_once_and_none_is_large():
    rng = np.random.default_rng(1)
    # Half of all lots in a town of a hundredth of the ground.
    corners = np.concatenate([rng.uniform(0, 1000, (500, 2)), rng.uniform(0, 100, (500, 2))])
    bounds = np.concatenate([corners, corners + 5], axis=1)
    bounds[[3, 900]] = np.nan
    for most in (1, 7, 64, 2000):
        groups = shelved_envelopes.by_place(bounds, most)
        assert np.array_equal(np.sort(np.concatenate(groups)), np.arange(1000))
        assert max(map(len, groups)) <= most and min(map(len, groups)) >= min(1000, most) // 2
    assert [len(rows) for rows in shelved_envelopes.by_place(np.full((3, 4), np.nan), 2)] == [1, 2]
    assert len(np.concatenate(shelved_envelopes.by_place(np.zeros((0, 4)), 2))) == 0
