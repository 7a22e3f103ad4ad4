"""The ground that each feature keeps, by the rules: what is required, what may be required, and what is never granted by silence."""

import dataclasses
from itertools import pairwise

import geopandas
import numpy as np
import pytest
import shapely
import shapely.affinity
from affine import Affine

from geoseptic.errors import CodeSilentError, LayerContractError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model import layers
from geoseptic.model.checking import check
from geoseptic.model.grid import LEVEL_WITHIN_M
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.obstacles import Obstacles, gather, with_presumed_wells
from geoseptic.parcels.zones import MAY_BE_REQUIRED, REQUIRED, ROUGH_FROM_M, Zones, zones
from tests.parcels.worlds import FT, feature, ground_of, line, nasty_polygon, objects, obstacles, plane, rule_set, wide_plane

ORIGIN = shapely.Point(0, 0)
NEAR_AND_FAR = 1.004


def zones_of(features: Obstacles, rules: RuleSet, part: str = "drain_field", **options) -> Zones:
    return zones(features, rules, part, **{"facts": {}, **options})


def closed(found: Zones, status: str = REQUIRED) -> shapely.Geometry:
    """Union of all zones of one status."""
    return shapely.union_all(found.shapes_m[found.rows(status)])


def assert_ring(shape: shapely.Geometry, distance_m: float, centre: shapely.Geometry = ORIGIN) -> None:
    """A full ring: nothing nearer is left out, and little more is taken."""
    assert not shapely.dwithin(shape.boundary, centre, distance_m)
    assert shape.covers(centre)
    corners = shapely.points(shapely.get_coordinates(shape))
    assert shapely.distance(corners, centre).max() <= NEAR_AND_FAR * distance_m + 0.01


def wells(**columns):
    count = len(next(iter(columns.values())))
    points = [shapely.Point(1000.0 * number, 0) for number in range(count)]
    return check(geopandas.GeoDataFrame(columns, geometry=points, crs="EPSG:26915"), layers.WELLS)


# --------------------------------------------------------------------------------------------------------------------- runs


def keys_by_run(found: Zones) -> list[list[tuple[str, float, str]]]:
    keys = list(zip(found.feature_id, found.keep_m, found.why, strict=True))
    return [keys[start:end] for start, end in pairwise([*found.runs, len(found)])]


@pytest.mark.parametrize("part", ["drain_field", "septic_tank"])
def test_a_feature_more_at_the_end_of_its_layer_has_its_zones_at_the_ends_of_runs(part):
    """Wells, of known and unknown kind and roughly placed, with presumed ones behind them; and houses of two layers."""
    there = wells(kind=["private", None, "public", None, "private"], location_error_m=[3.0, 200.0, 3.0, 3.0, 300.0])
    roofs = [shapely.box(x, y, x + 9, y + 9) for y in (0, 50) for x in (0, 50)]
    houses = check(geopandas.GeoDataFrame(geometry=roofs[:2], crs="EPSG:26915"), layers.BUILDINGS)
    sheds = geopandas.GeoDataFrame({"feature": ["building"] * 2}, geometry=roofs[2:], crs="EPSG:26915")
    others = check(sheds, layers.OTHER_FEATURES)

    def found(*given) -> list[list[tuple[str, float, str]]]:
        whole = with_presumed_wells(gather(given, 15.0)[0], objects(["presumed"]), objects([shapely.box(0, 0, 50, 50)]))
        return keys_by_run(zones_of(whole, load_rules("us-wa"), part))

    every = found(there, houses, others)
    assert sum(map(len, every)) == 15
    for number, layer in enumerate((there, houses, others)):
        # The first two wells are of either kind.
        for count in range(2 if layer is there else 1, len(layer)):
            given = [there, houses, others]
            given[number] = layer.kept(np.arange(len(layer)) < count)
            fewer = found(*given)
            assert len(fewer) == len(every) and all(run[: len(own)] == own for own, run in zip(fewer, every, strict=True))


# ------------------------------------------------------------------------------------------------------------ distance and place


def test_ring_has_the_distance_of_the_code():
    found = zones_of(obstacles(feature("private_well", ORIGIN)), load_rules("us-wa"))
    assert_ring(closed(found), 100 * FT)
    assert found.status.tolist() == [REQUIRED] and found.whole.tolist() == [True]
    assert found.distance_m == [pytest.approx(100 * FT)]


def test_tank_and_field_have_each_their_own_distance():
    well = obstacles(feature("private_well", ORIGIN))
    assert_ring(closed(zones_of(well, load_rules("us-wa"), "septic_tank")), 50 * FT)


def test_location_error_is_added_to_the_distance():
    found = zones_of(obstacles(feature("private_well", ORIGIN, error_m=15.0)), load_rules("us-wa"))
    assert_ring(closed(found), 100 * FT + 15.0)
    assert found.distance_m == [pytest.approx(100 * FT)]  # what the code asks is told apart from what is kept
    assert found.keep_m == [pytest.approx(100 * FT + 15.0)]


def test_well_known_only_roughly_keeps_the_distance_and_leaves_the_rest_open():
    found = zones_of(obstacles(feature("private_well", ORIGIN, error_m=200.0)), load_rules("us-wa"))
    assert found.status.tolist() == [REQUIRED, MAY_BE_REQUIRED]
    assert_ring(closed(found), 100 * FT)
    assert_ring(closed(found, MAY_BE_REQUIRED), 100 * FT + 200.0)
    assert "known only to 656 ft" in found.why[1]  # the rule set speaks of feet


@pytest.mark.parametrize("error_m", [5.0, ROUGH_FROM_M, 100 * FT])
def test_error_up_to_the_distance_itself_is_no_open_question(error_m):
    found = zones_of(obstacles(feature("private_well", ORIGIN, error_m=error_m)), load_rules("us-wa"))
    assert found.status.tolist() == [REQUIRED]
    assert_ring(closed(found), 100 * FT + error_m)


def test_short_distance_from_a_well_located_on_screen_is_required_with_its_error():
    found = zones_of(obstacles(feature("private_well", ORIGIN, error_m=15.0)), rule_set(line("private_well", 3.0)))
    assert found.status.tolist() == [REQUIRED]
    assert_ring(closed(found), 18.0)


def test_lines_and_polygons_are_kept_clear_of_all_along():
    creek = shapely.LineString([(0, 0), (60, 0), (60, 60)])
    pond = shapely.box(200, 0, 240, 30).difference(shapely.box(210, 10, 220, 20))
    found = zones_of(obstacles(feature("surface_water", creek), feature("surface_water", pond)), load_rules("us-wa"))
    assert_ring(found.shapes_m[0], 100 * FT, creek)
    assert_ring(found.shapes_m[1], 100 * FT, pond)


# ---------------------------------------------------------------------------------------------------------------- kinds of wells


def test_well_of_unknown_kind_counts_as_private_and_as_public():
    features, assumed = gather([wells(kind=[None, "private"], location_error_m=[0.0, 0.0])], 15.24)
    assert sorted(zip(features.ids, features.feature, strict=True)) == [
        ("wells 1", "private_well"),
        ("wells 1", "public_well"),
        ("wells 2", "private_well"),
    ]
    assert "1 of 2 wells are of unknown kind: kept as private and as public wells" in assumed
    found = zones_of(features, load_rules("us-ma"))  # 100 ft from a private, 400 ft from a public well
    first = [shape for name, shape in zip(found.feature_id, found.shapes_m, strict=True) if name == "wells 1"]
    assert_ring(shapely.union_all(first), 400 * FT)


def test_unused_well_is_still_a_well():
    features, _ = gather([wells(kind=["unused", "decommissioned"], location_error_m=[0.0, 0.0])], 15.24)
    assert sorted(features.feature) == ["decommissioned_well", "private_well"]


def test_well_without_a_stated_error_gets_the_assumed_one_and_it_is_told():
    features, assumed = gather([wells(kind=["private"] * 3, location_error_ft=[10.0, np.nan, np.nan])], 15.24)
    assert features.location_error_m == pytest.approx([3.048, 15.24, 15.24])
    assert "2 of 3 wells state no location error: 15.24 m (50 ft) assumed" in assumed


def test_outline_that_crosses_itself_is_still_kept_clear_of():
    crossing = shapely.Polygon([(0, 0), (40, 40), (40, 0), (0, 40)])
    flat = shapely.Polygon([(100, 0), (140, 0), (180, 0)])
    roofs = geopandas.GeoDataFrame(geometry=[crossing, flat], crs="EPSG:26915")
    features, _ = gather([check(roofs, layers.BUILDINGS)], 0.0)
    found = zones_of(features, load_rules("us-wa"))
    for shape, part in zip(found.shapes_m, (crossing.buffer(0), shapely.LineString([(100, 0), (180, 0)])), strict=True):
        assert not shapely.dwithin(shape.boundary, part, 10 * FT)


# ----------------------------------------------------------------------------------------------------------------------- silence


def test_code_silent_on_a_driveway_keeps_only_the_drive_out_and_says_so():
    drive = shapely.box(0, 0, 40, 4)
    found = zones_of(obstacles(feature("driveway", drive), feature("private_well", ORIGIN)), load_rules("us-wa"))
    assert found.silent == ("driveway",)
    at = found.feature.tolist().index("driveway")
    assert found.status[at] == REQUIRED and found.why[at] == "code silent"
    assert found.shapes_m[at].covers(drive)
    assert found.shapes_m[at].area == pytest.approx(drive.area, rel=0.002)


@pytest.mark.parametrize("name", ["private_well", "spring", "surface_water", "public_spring", "water_supply_reservoir"])
def test_code_silent_on_drinking_water_stops_the_run(name):
    with pytest.raises(CodeSilentError, match=f"silent on the distance from a drain field to a {name.replace('_', ' ')}"):
        zones_of(obstacles(feature(name, ORIGIN)), rule_set(line("building", 3.0)))


def test_stand_in_is_told():
    found = zones_of(obstacles(feature("wetland", shapely.box(0, 0, 10, 10))), load_rules("us-wa"))
    assert found.stand_ins == (("wetland", "surface_water"),)
    assert_ring(found.shapes_m[0], 100 * FT, shapely.box(0, 0, 10, 10))


def test_line_of_the_code_that_asks_for_nothing_keeps_the_feature_itself_out():
    found = zones_of(obstacles(feature("pool", shapely.box(0, 0, 10, 10))), rule_set(line("pool", None)))
    assert found.silent == () and found.status.tolist() == [REQUIRED]
    assert found.shapes_m[0].area == pytest.approx(100, rel=0.01)


# ---------------------------------------------------------------------------------------------- New York: drainage and coarse gravel

WELL_AT = shapely.Point(120.5, 120.5)
STATED_NY = {"coarse_gravel": False, "shallow_aquifer": False}


@pytest.mark.parametrize(
    ("falls", "uphill"), [({"falls_east": 0.1}, (-1, 0)), ({"falls_south": 0.1}, (0, 1)), ({"falls_east": -0.1}, (1, 0))]
)
def test_uphill_of_a_well_the_direct_path_of_drainage_asks_for_the_longer_distance(falls, uphill):
    # On a plane that falls straight along a row, water reaches the disc (100 ft) from the strip of its width, uphill alone.
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY, ground=wide_plane(**falls))
    assert set(found.status) == {REQUIRED}
    lost = closed(found)
    towards = np.array(uphill)
    across = towards[::-1]
    middle = np.array([WELL_AT.x, WELL_AT.y])
    strip = shapely.MultiPoint([middle - across * 100 * FT, middle + across * 100 * FT + towards * 300]).envelope
    near, far = WELL_AT.buffer(100 * FT, quad_segs=64), WELL_AT.buffer(200 * FT, quad_segs=64)
    assert lost.covers(near)
    assert lost.covers(strip.intersection(far).buffer(-1e-6))
    # Beyond 100 ft nothing else is taken, but for cells that the disc and the strip only touch.
    allowed = WELL_AT.buffer(100 * FT * NEAR_AND_FAR + 1.5).union(strip.buffer(1.0).intersection(WELL_AT.buffer(200 * FT * NEAR_AND_FAR)))
    assert lost.difference(allowed).area == pytest.approx(0, abs=1e-6)


def test_path_over_a_plane_that_falls_aslant_lies_where_its_two_receivers_lead_to_the_disc():
    # 32 degrees south of east: water goes east and south-east by shares, so it comes from the west and the north-west.
    ground = plane(falls_east=0.08, falls_south=0.05)
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY, ground=ground)
    lost = closed(found)
    disc = WELL_AT.buffer(100 * FT, quad_segs=64)
    straight_uphill, west, north_west = (
        shapely.union_all([disc, shapely.affinity.translate(disc, *step)]).convex_hull for step in ((-96, 60), (-200, 0), (-200, 200))
    )
    far = WELL_AT.buffer(200 * FT, quad_segs=64)
    assert lost.covers(straight_uphill.intersection(far).buffer(-1e-6))
    sources = west.union(north_west).convex_hull.buffer(1.5)
    assert lost.difference(sources.intersection(WELL_AT.buffer(200 * FT * NEAR_AND_FAR))).area == pytest.approx(0, abs=1e-6)


def test_unstated_gravel_leaves_the_longer_ring_open_all_round():
    well = obstacles(feature("private_well", WELL_AT))
    facts = {"shallow_aquifer": False}
    found = zones_of(well, load_rules("us-ny"), facts=facts, ground=plane(falls_east=0.1))
    assert_ring(closed(found, MAY_BE_REQUIRED), 200 * FT, WELL_AT)
    assert any("coarse gravel" in why for why in found.why)
    # What the ground settles stays settled: the strip uphill is required whatever the gravel.
    settled = zones_of(well, load_rules("us-ny"), facts={**facts, "coarse_gravel": False}, ground=plane(falls_east=0.1))
    assert closed(found).symmetric_difference(closed(settled)).area == pytest.approx(0, abs=1e-6)


def test_strip_uphill_is_required_for_its_drainage_and_not_for_gravel_that_nobody_stated():
    # Both lines ask 200 ft; on the path the one holds whatever the soil, and there is one zone for it.
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), ground=wide_plane(falls_east=0.1))
    cut = [(status, why) for status, why, whole in zip(found.status, found.why, found.whole, strict=True) if not whole]
    assert cut == [(REQUIRED, "where the part lies in the direct path of drainage to the feature")]


def test_gravel_said_to_be_there_asks_for_the_longer_ring_all_round():
    well = obstacles(feature("private_well", WELL_AT))
    facts = {"coarse_gravel": True, "shallow_aquifer": False}
    found = zones_of(well, load_rules("us-ny"), facts=facts)
    assert found.status.tolist() == [REQUIRED]
    assert_ring(closed(found), 200 * FT, WELL_AT)


def test_without_elevation_the_direct_path_stays_open_all_round():
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY)
    assert_ring(closed(found), 100 * FT, WELL_AT)
    assert_ring(closed(found, MAY_BE_REQUIRED), 200 * FT, WELL_AT)


def test_off_the_elevation_the_direct_path_stays_open():
    # The plane ends 20 m west of the well: from beyond, water may come or not.
    ground = plane(falls_east=0.1, origin=(WELL_AT.x - 20, 0))
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY, ground=ground)
    beyond = shapely.box(WELL_AT.x - 60, WELL_AT.y - 5, WELL_AT.x - 20.5, WELL_AT.y + 5).intersection(WELL_AT.buffer(200 * FT - 0.5))
    assert closed(found, MAY_BE_REQUIRED).covers(beyond)
    far_off = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY, ground=plane(origin=(9e3, 9e3)))
    assert_ring(closed(far_off, MAY_BE_REQUIRED), 200 * FT, WELL_AT)


def test_cells_without_elevation_uphill_stay_open():
    heights = plane(falls_east=0.1).elevation
    values = heights.values.copy()
    values[110:130, 70:80] = np.nan
    ground = ground_of(values, heights.grid.transform)
    found = zones_of(obstacles(feature("private_well", WELL_AT)), load_rules("us-ny"), facts=STATED_NY, ground=ground)
    # Nobody knows the heights in the hole, nor where water goes that runs into it from the west.
    assert closed(found, MAY_BE_REQUIRED).covers(shapely.box(70, 112, 80, 128))
    assert closed(found, MAY_BE_REQUIRED).covers(shapely.box(66, 115, 70, 125))


def test_location_error_widens_the_disc_that_water_must_not_reach():
    known = zones_of(obstacles(feature("private_well", WELL_AT, 5.0)), load_rules("us-ny"), facts=STATED_NY, ground=plane(falls_east=0.1))
    rough = zones_of(obstacles(feature("private_well", WELL_AT, 40.0)), load_rules("us-ny"), facts=STATED_NY, ground=plane(falls_east=0.1))
    # Uphill, beyond every full ring (100 ft and 40 m), beside the strip as wide as the sanitary radius and inside that of the error.
    uphill = shapely.box(WELL_AT.x - 85, WELL_AT.y + 33, WELL_AT.x - 75, WELL_AT.y + 38)
    assert closed(rough).covers(uphill) and not closed(known).intersects(uphill)


# --------------------------------------------------------------------------------------------------------- upslope and downslope

ALONG = shapely.LineString([(120.5, 60), (120.5, 180)])
WEST, EAST = shapely.box(0, 80, 120.4, 160), shapely.box(120.6, 80, 240, 160)


def taken_across(found: Zones, side: shapely.Geometry, status: str = REQUIRED) -> float:
    """How far a zone reaches from the line into one side. [m]"""
    return closed(found, status).intersection(side).area / 80


def test_washington_asks_for_more_where_the_drain_lies_downslope():
    found = zones_of(obstacles(feature("drain", ALONG)), load_rules("us-wa"), ground=plane(falls_east=0.2))
    assert taken_across(found, WEST) == pytest.approx(30 * FT, rel=0.01, abs=0.15)  # the field lies uphill, the drain downslope of it
    assert taken_across(found, EAST) == pytest.approx(10 * FT, rel=0.01, abs=0.15)
    assert MAY_BE_REQUIRED not in found.status
    turned = zones_of(obstacles(feature("drain", ALONG)), load_rules("us-wa"), ground=plane(falls_east=-0.2))
    assert taken_across(turned, EAST) == pytest.approx(30 * FT, rel=0.01, abs=0.15)
    assert taken_across(turned, WEST) == pytest.approx(10 * FT, rel=0.01, abs=0.15)


def test_without_elevation_the_longer_drain_distance_stays_open_on_both_sides():
    found = zones_of(obstacles(feature("drain", ALONG)), load_rules("us-wa"))
    for side in (WEST, EAST):
        assert taken_across(found, side) == pytest.approx(10 * FT, rel=0.01, abs=0.15)
        assert taken_across(found, side, MAY_BE_REQUIRED) == pytest.approx(30 * FT, rel=0.01, abs=0.15)


def test_oregon_cut_bank_asks_nothing_of_the_ground_below_it():
    found = zones_of(
        obstacles(feature("cut_bank", ALONG)),
        load_rules("us-or"),
        facts={"cut_clear_of_limiting_layer": True},
        ground=plane(falls_east=0.1),
    )
    assert taken_across(found, WEST) == pytest.approx(25 * FT, rel=0.01, abs=0.15)
    assert taken_across(found, EAST) < 0.6 + LEVEL_WITHIN_M / 0.1  # the cells of the bank itself, and those level with it but for the noise
    assert MAY_BE_REQUIRED not in found.status


def test_oregon_cut_bank_of_unknown_layers_leaves_the_longer_distance_open_above_it_alone():
    found = zones_of(obstacles(feature("cut_bank", ALONG)), load_rules("us-or"), ground=plane(falls_east=0.1))
    assert taken_across(found, WEST, MAY_BE_REQUIRED) == pytest.approx(50 * FT, rel=0.01, abs=0.15)
    assert taken_across(found, EAST, MAY_BE_REQUIRED) < 0.6 + LEVEL_WITHIN_M / 0.1


def test_ground_level_with_the_feature_counts_as_the_worse_side():
    found = zones_of(obstacles(feature("drain", ALONG)), load_rules("us-wa"), ground=plane())
    for side in (WEST, EAST):
        assert taken_across(found, side) == pytest.approx(30 * FT, rel=0.01, abs=0.15)


# ------------------------------------------------------------------------------------------------------------------------ reliefs


@pytest.mark.parametrize(
    ("granted", "own", "kept_ft"),
    [
        ((), {}, 100),
        (("deep_casing",), {}, 100),
        ((), {"deep_casing": True}, 100),
        (("deep_casing",), {"deep_casing": False}, 100),
        (("deep_casing",), {"deep_casing": True}, 50),
    ],
)
def test_new_jersey_relief_needs_the_grant_and_the_wells_own_word(granted, own, kept_ft):
    found = zones_of(obstacles(feature("private_well", ORIGIN, **own)), load_rules("us-nj"), granted=frozenset(granted))
    assert_ring(closed(found), kept_ft * FT)
    assert found.status.tolist() == [REQUIRED]


def test_deep_casing_stated_for_the_whole_site_grants_no_well_the_relief():
    found = zones_of(
        obstacles(feature("private_well", ORIGIN)),
        load_rules("us-nj"),
        facts={"deep_casing": True},
        granted=frozenset({"deep_casing"}),
    )
    assert_ring(closed(found), 100 * FT)


def test_consent_of_the_authority_shortens_the_distance_where_it_is_granted_and_stated():
    well, consent = obstacles(feature("private_well", ORIGIN)), frozenset({"authority_consent"})
    found = zones_of(well, load_rules("us-wa"), facts={"authority_consent": True}, granted=consent)
    assert_ring(closed(found), 75 * FT)
    assert_ring(closed(zones_of(well, load_rules("us-wa"), granted=consent)), 100 * FT)


def test_relief_shortens_the_distance_of_the_one_well_alone():
    features, _ = gather([wells(kind=["private"] * 3, deep_casing=["yes", "no", None], location_error_m=[0.0] * 3)], 0.0)
    found = zones_of(features, load_rules("us-nj"), granted=frozenset({"deep_casing"}))
    kept = dict(zip(found.feature_id, found.distance_m, strict=True))
    assert kept == {"wells 1": pytest.approx(50 * FT), "wells 2": pytest.approx(100 * FT), "wells 3": pytest.approx(100 * FT)}


# ------------------------------------------------------------------------------------------------------------------------- columns


def test_own_column_of_a_building_settles_its_distance():
    roofs = geopandas.GeoDataFrame(
        {"basement": ["yes", "no", None]}, geometry=[shapely.box(x, 0, x + 10, 10) for x in (0, 100, 200)], crs="EPSG:26915"
    )
    features, _ = gather([check(roofs, layers.BUILDINGS)], 0.0)
    found = zones_of(features, load_rules("us-id"))  # 20 ft with, 10 ft without a basement
    kept = sorted(zip(found.feature_id, found.status, np.round(found.distance_m / FT), strict=True))
    assert kept == [
        ("buildings 1", REQUIRED, 20),
        ("buildings 2", REQUIRED, 10),
        ("buildings 3", MAY_BE_REQUIRED, 20),
        ("buildings 3", REQUIRED, 10),
    ]


def test_zone_tells_its_citation_and_whether_it_was_checked():
    found = zones_of(obstacles(feature("private_well", ORIGIN)), load_rules("us-tx"))
    assert found.checked.tolist() == [False]
    assert "not checked against the code text" in found.citation[0]


def test_feature_named_in_a_column_must_be_one_of_the_rules():
    others = geopandas.GeoDataFrame({"feature": ["dry_well", "dri_well"]}, geometry=[ORIGIN, ORIGIN], crs="EPSG:26915")
    with pytest.raises(LayerContractError, match="other_features 2"):
        gather([check(others, layers.OTHER_FEATURES)], 0.0)


def test_well_on_no_record_may_be_anywhere_on_its_lot_and_is_only_ever_an_open_question():
    lot = shapely.box(0, 0, 50, 50)
    features = with_presumed_wells(
        obstacles(feature("building", shapely.box(20, 20, 30, 30))), np.array(["presumed on L1"], object), np.array([lot], object)
    )
    found = zones_of(features, load_rules("us-wa"))
    at = found.feature_id.tolist().index("presumed on L1")
    assert found.status[at] == MAY_BE_REQUIRED and found.feature[at] == "private_well"
    assert "on no record" in found.why[at]
    assert_ring(found.shapes_m[at], 100 * FT, lot)
    assert found.status[found.feature.tolist().index("building")] == REQUIRED


def test_longer_distance_on_one_side_is_certain_there_whatever_else_is_unknown():
    # Washington: a cut below the field keeps 25 ft in deep soil and 50 ft over a shallow layer; above the field the code asks nothing.
    cut = obstacles(feature("cut_bank", shapely.LineString([(100.5, 20), (100.5, 180)])))
    found = zones_of(cut, load_rules("us-wa"), ground=plane(falls_east=0.1))
    sure, maybe = closed(found), closed(found, MAY_BE_REQUIRED)
    uphill_20_ft, uphill_40_ft, downhill_20_ft = (shapely.Point(100.5 + away * FT, 100) for away in (-20, -40, 20))
    assert sure.contains(uphill_20_ft)
    assert not sure.contains(uphill_40_ft)
    assert maybe.contains(uphill_40_ft)
    assert not shapely.union(sure, maybe).contains(downhill_20_ft)


def test_path_of_drainage_that_leaves_the_ring_and_comes_back_is_still_one():
    # A wall with its only way round outside the ring's box: from behind it water goes out and back down to the well.
    heights = np.full((300, 300), 600, np.float32)
    south, east = [(r, 150) for r in range(150, 175)], [(174, c) for c in range(151, 230)]
    north, west = [(r, 229) for r in range(173, 110, -1)], [(111, c) for c in range(228, 185, -1)]
    for step, cell in enumerate([*south, *east, *north, *west]):
        heights[cell] = 500 + 0.05 * step
    for c in range(150):  # below the well, water runs off the data
        heights[150, c] = 490 + 0.05 * c
    well = shapely.Point(150.5, 300 - 150.5)
    ground = ground_of(heights, Affine(1, 0, 0, 0, -1, 300), well_radius_m=3.0)
    (holds,), _ = ground.regions("drainage_path", objects([well]), 200 * FT, np.zeros(1))
    far_end = shapely.Point(186.5, 300 - 111.5)
    assert shapely.distance(far_end, well) < 200 * FT
    assert holds.covers(far_end)


def test_zones_within_a_wider_ring_of_their_feature_add_nothing_to_the_union():
    rng = np.random.default_rng(3)
    ground = plane(falls_east=0.1, falls_south=0.03)
    places = [shapely.Point(*rng.uniform(60, 180, 2)) for _ in range(12)]
    features = obstacles(*(feature(rng.choice(["private_well", "irrigation_well"]), at, rng.choice([0.0, 8.0, 70.0])) for at in places))
    for facts in ({}, STATED_NY, {"coarse_gravel": False}):
        found = zones_of(features, load_rules("us-ny"), facts=facts, ground=ground)
        for rows in (np.arange(len(found)), found.rows(REQUIRED), found.rows(MAY_BE_REQUIRED)):
            outer = rows[found.outermost(rows)]
            assert shapely.union_all(found.shapes_m[rows]).difference(shapely.union_all(found.shapes_m[outer])).area < 1e-6
    assert len(found.outermost(np.arange(0))) == 0
    gravel_open = zones_of(features, load_rules("us-ny"), ground=ground)
    # One ring a well stands for all, be it certain or open.
    assert gravel_open.outermost(np.arange(len(gravel_open))).sum() == len(places) < len(gravel_open)


def test_cut_zone_is_all_ground_of_its_condition_within_its_distance():
    rng = np.random.default_rng(4)
    places = [shapely.Point(*rng.uniform(60, 180, 2)) for _ in range(8)]
    features = obstacles(*(feature("private_well", at, error_m) for at, error_m in zip(places, [0.0, 8.0, 70.0, 90.0] * 2, strict=True)))
    found = zones_of(features, load_rules("us-ny"), facts=STATED_NY, ground=plane(falls_east=0.1, falls_south=0.03))
    sure = [shapely.union_all([found.shapes_m[row] for row in found.rows(REQUIRED) if found.source[row] == source]) for source in range(8)]
    cut = [row for row, whole in enumerate(found.whole) if not whole]
    for row in cut:
        shape, where, place = found.shapes_m[row], found.where_m[row], places[found.source[row]]
        assert shape.difference(where).area < 1e-6
        asked = place.buffer(found.keep_m[row], quad_segs=64).intersection(where)
        # Of a roughly placed well the nearer part is required, the rest open.
        assert asked.difference(shape.union(sure[found.source[row]])).area < 1e-6
    assert {found.status[row] for row in cut} == {REQUIRED, MAY_BE_REQUIRED}


@pytest.mark.parametrize("rules", ["us-wa", "us-nj", "us-or"])
def test_a_full_ring_follows_from_its_feature_and_its_distance_alone(rules):
    """Kept runs look things up by these two and make rings when they are asked for: to the last bit the same, whatever the shape, in
    whatever company they are made."""
    rng = np.random.default_rng(11)
    shapes = [nasty_polygon(rng, 20.0, tuple(rng.uniform(0, 500, 2))) for _ in range(40)]
    shapes += [shapely.Point(*rng.uniform(0, 500, 2)) for _ in range(20)]
    shapes += [shapely.LineString(rng.uniform(0, 500, (4, 2))) for _ in range(20)]
    shapes.append(shapely.Point(100, 100).buffer(300, quad_segs=800))  # of so many corners that it is made plainer first
    some = rng.permutation(objects(shapes))
    names = [str(name) for name in rng.choice(["private_well", "public_well", "building", "surface_water", "driveway"], len(some))]
    found_features = obstacles(*(feature(name, shape) for name, shape in zip(names, some, strict=True)))
    found_features = dataclasses.replace(
        found_features,
        location_error_m=rng.choice([0.0, 4.0, 60.0], len(some)),
        may_be=objects([("intermittent_water", "public_spring") if name == "surface_water" else () for name in found_features.feature]),
    )
    for part in ("drain_field", "septic_tank"):
        found = zones_of(found_features, load_rules(rules), part)
        assert all(found.whole) and len(found) > len(some)
        rows = rng.permutation(len(found))[: len(found) // 2]
        few = found.shapes_of(rows)
        alone = np.concatenate([outward(found_features.shapes_m[[found.source[row]]], found.keep_m[row]) for row in rows])
        assert [shape.wkb for shape in few] == [shape.wkb for shape in found.shapes_m[rows]] == [shape.wkb for shape in alone]
