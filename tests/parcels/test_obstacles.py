"""What a feature surely is, what it may be, and how far its true place may be from its shape."""

import dataclasses

import geopandas
import numpy as np
import pytest
import shapely

from geoseptic.errors import LayerContractError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model import layers
from geoseptic.model.checking import check
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.obstacles import ON_ITS_LOT_M, Obstacles, gather, location_errors_m, location_methods
from geoseptic.parcels.zones import MAY_BE_REQUIRED, REQUIRED, Zones, zones
from tests.parcels.worlds import FT, line, plane, rule_set

POND = shapely.box(0, 0, 30, 20)
CRS = "EPSG:26915"


def waters(*kinds: str | None, moved_by_m: float = 0.0, **columns: list[object]):
    ponds = [shapely.affinity.translate(POND, 2000.0 * number) for number in range(len(kinds))]
    table = geopandas.GeoDataFrame({"kind": list(kinds), **columns}, geometry=ponds, crs=CRS)
    return dataclasses.replace(check(table, layers.SURFACE_WATER), moved_by_m=moved_by_m)


def kept(features: Obstacles, rules: RuleSet, part: str = "drain_field", **options) -> list[tuple[str, str, float]]:
    """(status, which water, distance) of every zone, in feet."""
    found = zones(features, rules, part, **{"facts": {}, **options})
    assert set(found.feature) == {"surface_water"}
    return sorted((status, name, round(m / FT)) for status, name, m in zip(found.status, found.feature_id, found.distance_m, strict=True))


def one(found: Zones, status: str) -> int:
    (index,) = found.rows(status)
    return int(index)


# ------------------------------------------------------------------------------------------------------------ water of unknown kind


def test_water_of_unknown_kind_is_surely_surface_water_and_may_be_the_supply_for_which_the_code_asks_most():
    # Massachusetts: 50 ft from surface water, 200 ft from a tributary, 400 ft from a supply.
    features, _ = gather([waters(None)], 0.0)
    assert kept(features, load_rules("us-ma")) == [(MAY_BE_REQUIRED, "surface_water 1", 400), (REQUIRED, "surface_water 1", 50)]
    found = zones(features, load_rules("us-ma"), "drain_field", facts={})
    longer = one(found, MAY_BE_REQUIRED)
    assert found.why[longer] == "its kind is not stated: as water supply reservoir, in any case"
    reservoir = load_rules("us-ma").setback("drain_field", "water_supply_reservoir")
    assert found.citation[longer] == str(reservoir.citation)
    assert found.where_m[longer] is None
    # The whole ring, and not much more.
    assert not shapely.dwithin(found.shapes_m[longer].boundary, POND, 400 * FT)
    assert found.shapes_m[longer].area == pytest.approx(POND.buffer(400 * FT, quad_segs=64).area, rel=0.01)


def test_water_of_a_stated_kind_is_that_and_nothing_else():
    features, assumed = gather([waters("perennial")], 0.0)
    assert kept(features, load_rules("us-ma")) == [(REQUIRED, "surface_water 1", 50)]
    assert assumed == []


def test_waters_of_unknown_kind_are_counted_and_it_is_said_what_to_fill_in():
    _, assumed = gather([waters(None, "reservoir", None)], 0.0)
    (told,) = assumed
    assert told.startswith("2 of 3 waters are of unknown kind")
    assert "fill in the column kind (perennial, intermittent, reservoir, tributary, canal, wetland)" in told


@pytest.mark.parametrize("rules", ["us-wa", "us-ny", "us-tx", "us-nj", "us-or", "us-typical"])
def test_no_zone_is_added_where_no_kind_of_water_asks_for_more(rules):
    features, _ = gather([waters(None)], 0.0)
    known, _ = gather([waters("perennial")], 0.0)
    assert kept(features, load_rules(rules)) == kept(known, load_rules(rules))


def test_distance_that_surface_water_itself_may_ask_is_not_told_twice():
    # Idaho: 300, 200 or 100 ft by the soil, from intermittent water too.
    features, _ = gather([waters(None)], 0.0)
    assert [distance for *_, distance in kept(features, load_rules("us-id"))].count(300) == 1
    # North Carolina: 50 ft, of certain classes 100 ft, and 100 ft from a supply.
    assert kept(features, load_rules("us-nc")) == [(MAY_BE_REQUIRED, "surface_water 1", 100), (REQUIRED, "surface_water 1", 50)]
    settled = kept(features, load_rules("us-nc"), facts={"protected_water": False})
    assert settled == [(MAY_BE_REQUIRED, "surface_water 1", 100), (REQUIRED, "surface_water 1", 50)]


def test_longer_distance_on_one_side_alone_does_not_stand_for_that_of_another_kind_all_round():
    rules = rule_set(line("surface_water", 10.0), line("surface_water", 50.0, "feature_downslope"), line("wetland", 50.0))
    features, _ = gather([waters(None)], 0.0)
    found = zones(features, rules, "drain_field", facts={}, ground=plane(falls_east=0.1, origin=(-100, -100)))
    assert any(found.whole[index] and found.distance_m[index] == 50.0 for index in found.rows(MAY_BE_REQUIRED))


def test_code_that_is_silent_on_what_a_feature_may_be_does_not_stop_the_run():
    features, _ = gather([waters(None)], 0.0)
    rules = rule_set(line("surface_water", 10.0))
    may_be = np.empty(1, object)
    may_be[0] = ("spring", "pool")
    assert rules.silent_on("drain_field", may_be[0]) == ("spring", "pool")
    assert kept(dataclasses.replace(features, may_be=may_be), rules) == [(REQUIRED, "surface_water 1", round(10 / FT))]


def test_own_facts_of_the_water_settle_the_kinds_that_it_may_be():
    # A channel said to be lined asks 60 ft only as an unlined canal: that is ruled out.
    rules = rule_set(
        line("surface_water", 10.0), line("irrigation_canal", 60.0, "unlined"), line("irrigation_canal", 5.0, "lined_watertight")
    )
    features, _ = gather([waters(None, None, lined_watertight=["yes", None])], 0.0)
    assert kept(features, rules) == [
        (MAY_BE_REQUIRED, "surface_water 2", round(60 / FT)),
        (REQUIRED, "surface_water 1", round(10 / FT)),
        (REQUIRED, "surface_water 2", round(10 / FT)),
    ]


# --------------------------------------------------------------------------------------------------------------- place and its error


def wells(moved_by_m: float, *errors_m: float):
    places = [shapely.Point(1000.0 * number, 0) for number in range(len(errors_m))]
    table = geopandas.GeoDataFrame({"kind": ["private"] * len(errors_m), "location_error_m": errors_m}, geometry=places, crs=CRS)
    return dataclasses.replace(check(table, layers.WELLS), moved_by_m=moved_by_m)


def test_accuracy_of_the_reprojection_is_added_to_every_feature_of_the_layer():
    features, assumed = gather([wells(4.0, 3.0, np.nan), waters("perennial", moved_by_m=1.5)], 15.24)
    assert dict(zip(features.ids, features.location_error_m, strict=True)) == pytest.approx(
        {"wells 1": 7.0, "wells 2": 19.24, "surface_water 1": 1.5}
    )
    assert "4 m (13.1 ft) are added to every distance from the wells, the accuracy of its reprojection" in assumed
    assert "1.5 m (4.9 ft) are added to every distance from the surface water, the accuracy of its reprojection" in assumed
    found = zones(features.kept(features.ids == "surface_water 1"), rule_set(line("surface_water", 10.0)), "drain_field", facts={})
    assert found.keep_m.tolist() == [11.5]
    assert not shapely.dwithin(found.shapes_m[0].boundary, POND, 11.5)


def test_reprojection_of_unknown_accuracy_counts_as_a_place_of_unknown_accuracy():
    moved = wells(np.nan, 3.0)
    assert location_errors_m(moved, 15.24) == pytest.approx([18.24])
    _, assumed = gather([moved], 15.24)
    assert any("15.24 m (50 ft)" in text and "nobody knows the accuracy" in text for text in assumed)


def test_layer_that_was_not_moved_keeps_its_place():
    features, assumed = gather([wells(0.0, 3.0), waters("perennial")], 15.24)
    assert sorted(features.location_error_m) == [0.0, 3.0]
    assert assumed == []


def test_wells_with_an_error_of_zero_are_taken_as_exact_and_counted():
    features, assumed = gather([wells(0.0, 0.0, 3.0, 0.0)], 15.24)
    assert sorted(features.location_error_m) == [0.0, 0.0, 3.0]
    (told,) = assumed
    assert told.startswith("2 of 3 wells state a location error of 0, which often stands for unknown: they are taken as exact")


# ------------------------------------------------------------------------------------------------------------ features of other kinds


def others(*features: str):
    places = [shapely.Point(1000.0 * number, 0) for number in range(len(features))]
    return check(geopandas.GeoDataFrame({"feature": list(features)}, geometry=places, crs=CRS), layers.OTHER_FEATURES)


@pytest.mark.parametrize("kind", ["private_well", "Public_Well", "irrigation_well", "decommissioned_well"])
def test_well_among_other_features_is_sent_to_the_wells(kind):
    with pytest.raises(LayerContractError, match=r"put it into --wells.*other_features 2"):
        gather([others("spring", kind)], 15.24)


def test_springs_and_dry_wells_among_other_features_are_no_wells():
    features, _ = gather([others("spring", "public_spring", "dry_well")], 15.24)
    assert set(features.feature) == {"spring", "public_spring", "dry_well"}


def test_unknown_features_and_wells_are_refused_together():
    with pytest.raises(LayerContractError) as refused:
        gather([others("private_well", "drywell", "spring")], 15.24)
    assert sorted(refused.value.problems.values()) == [("other_features 1",), ("other_features 2",)]


def placed_wells(methods: list[str | None], errors_m: list[float]):
    points = [shapely.Point(100.0 * number, 0) for number in range(len(methods))]
    return check(geopandas.GeoDataFrame({"location_method": methods, "location_error_m": errors_m}, geometry=points, crs=CRS), layers.WELLS)


@pytest.mark.source("well-places", where="worst, quarter-quarter and section")
def test_a_well_placed_by_a_section_is_never_taken_for_better_than_that():
    rough = placed_wells(["quarter_quarter", "qtr_qtr", "section", "quarter_quarter"], [np.nan, 15.0, 0.0, 400.0])
    assert location_errors_m(rough, 15.24) == pytest.approx([284, 284, 1138, 400], abs=0.6)  # source prints whole metres
    _, told = gather([rough], 15.24)
    assert any("4 of 4 wells are placed roughly (3 by quarter_quarter, 1 by section)" in line for line in told)


def test_a_well_placed_by_its_lot_has_a_wide_error_only_where_none_is_stated():
    wells = placed_wells(["Address", "parcel", None, "GPS", "unknown"], [np.nan, 20.0, np.nan, 3.0, np.nan])
    assert location_methods(wells).tolist() == ["address", "parcel_centroid", "unknown", "gps", "unknown"]
    assert location_errors_m(wells, 15.24).tolist() == [ON_ITS_LOT_M, 20.0, 15.24, 3.0, 15.24]
    _, told = gather([wells], 15.24)
    assert any(line.startswith("2 of 5 wells state no location error") for line in told)
