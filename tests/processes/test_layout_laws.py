"""Laws of every drawn layout, on random lots, measured from the raw layers and never from the package's own zones.

The suite runs a few hundred lots; GEOSEPTIC_LOTS=100000 runs that many.
"""

import os

import numpy as np
import pytest
import shapely

from geoseptic.io.rulefiles import load_rules
from geoseptic.processes.screen_county import screen_county
from tests.processes.random_county import FT, county

LOTS = int(os.environ.get("GEOSEPTIC_LOTS", "400"))
A_COUNTY = 2500
ASSUMED_ERROR_M = 50 * FT

# WAC 246-272A-0210 Table IV, as this project's rule set us-wa has it (tests/published/test_setbacks_published.py checks the values).
FIELD_FT = {"private": 100, "irrigation": 100, "public": 100, "creek": 100, "house": 10, "lot line": 5}
TANK_FT = {"private": 50, "irrigation": 50, "public": 100, "creek": 50, "house": 5, "lot line": 5}


def counties():
    """Sizes and seeds of the counties that make up LOTS lots."""
    for seed in range(-(-LOTS // A_COUNTY)):
        yield min(A_COUNTY, LOTS - seed * A_COUNTY), seed


def nearest_m(shapes, features):
    """Distance of each shape to the nearest of the features."""
    if not len(features):
        return np.full(len(shapes), np.inf)
    tree = shapely.STRtree(features)
    own, other = tree.query_nearest(shapes, all_matches=False)
    away = np.full(len(shapes), np.inf)
    away[own] = shapely.distance(shapes[own], features[other])
    return away


def test_distances_of_the_rule_set_are_those_measured_here():
    rules = load_rules("us-wa")
    for feature, name in (("private", "private_well"), ("creek", "surface_water"), ("house", "building"), ("lot line", "lot_line")):
        assert rules.setback("drain_field", name).distance_m == pytest.approx(FIELD_FT[feature] * FT)
        assert rules.setback("septic_tank", name).distance_m == pytest.approx(TANK_FT[feature] * FT)


@pytest.mark.parametrize(("lots", "seed"), list(counties()))
def test_no_drawn_layout_breaks_a_distance_leaves_its_lot_or_crosses_itself(lots, seed):
    world = county(lots, seed)
    found = screen_county(
        world.parcels, world.wells, world.elevation, rules=load_rules("us-wa"), buildings=world.buildings, driveways=world.driveways,
        surface_water=world.water, reach_m=50.0,
    )  # fmt: skip
    assert found.failures == ()
    lot_of = dict(zip(world.parcels.parcel_id, world.parcels.geometry, strict=True))
    error_m = world.wells.location_error_ft.fillna(50.0).to_numpy() * FT
    kinds = world.wells.kind.to_numpy()
    drawn = 0
    for name, asked_ft in (("fields", FIELD_FT), ("trenches", FIELD_FT), ("tanks", TANK_FT)):
        layer = found[name].frame
        shapes = layer.geometry.to_numpy()
        own = np.array([lot_of[identifier] for identifier in layer.parcel_id], object)
        drawn += len(shapes)
        assert shapely.covered_by(shapes, own).all()
        assert (shapely.distance(shapes, shapely.boundary(own)) > asked_ft["lot line"] * FT).all()
        assert (nearest_m(shapes, world.buildings.geometry.to_numpy()) > asked_ft["house"] * FT).all()
        assert (nearest_m(shapes, world.water.geometry.to_numpy()) > asked_ft["creek"] * FT).all()
        assert (nearest_m(shapes, world.driveways.geometry.to_numpy()) > 0).all()
        for kind in ("private", "irrigation", "public"):
            for error in np.unique(error_m):
                # A well of unknown kind keeps the longest of them.
                these = ((kinds == kind) | (kinds == None)) & (error_m == error)  # noqa: E711
                away_m = nearest_m(shapes, world.wells.geometry.to_numpy()[these])
                assert (away_m > asked_ft[kind] * FT + error).all(), (name, kind, error)
    fields, trenches, tanks = (found[name].frame for name in ("fields", "trenches", "tanks"))
    primary = fields[fields["area"] == "primary"].set_index("parcel_id").geometry
    reserve = fields[fields["area"] == "reserve"].set_index("parcel_id").geometry
    both = primary.index.intersection(reserve.index)
    assert not shapely.intersects(primary[both].to_numpy(), reserve[both].to_numpy()).any()
    stands = tanks.set_index("parcel_id").geometry
    for areas in (primary, reserve):
        shared = areas.index.intersection(stands.index)
        assert not shapely.intersects(areas[shared].to_numpy(), stands[shared].to_numpy()).any()
    for name, areas in (("primary", primary), ("reserve", reserve)):
        inside = trenches[trenches["area"] == name]
        assert shapely.covered_by(inside.geometry.to_numpy(), shapely.buffer(areas[inside.parcel_id].to_numpy(), 1e-6)).all()
    rows = found["parcels"].frame.set_index("parcel_id")
    fits = rows[rows.verdict.str.startswith("fits")]
    length_ft = trenches[trenches["area"] == "primary"].groupby("parcel_id").length_ft.sum()
    assert (length_ft[fits.index] >= fits.trench_high_ft - 0.06 * 20).all()
    assert drawn > 0
