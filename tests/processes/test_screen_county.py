"""The county screening on small invented lots where the answer is plain: what fits, what binds, what nobody knows."""

from dataclasses import replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine

from geoseptic.errors import GridError, ParameterError, SizingError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.sizing_rules import PitRule, Spacing
from geoseptic.parcels import envelope
from geoseptic.processes.screen_county import screen_county
from geoseptic.systems.sizing import field_size
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP

CRS = "EPSG:26915"
FT = 0.3048
LEFT, BOTTOM = 500_000.0, 4_500_000.0
SIDE_M = 640.0
MARGIN_M = 120.0
REACH_M = 100.0
"""Less than the margin round the lots: water that runs off them does not leave the data within the reach."""

KNOWN = {"bedrooms": 3, "soil": "type 4", "public_water": "no"}
"""What must be stated of a lot for the size of its field to be certain."""


def at(*xy_m):
    """Corners in metres from the world's lower left corner."""
    return shapely.Polygon([(LEFT + x, BOTTOM + y) for x, y in xy_m])


def box(left, bottom, right, top):
    return at((left, bottom), (right, bottom), (right, top), (left, top))


def layer(shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)


def plane(falls_east=0.0, falls_south=0.04, cell_m=2.0):
    """Ground that falls to the south unless told otherwise."""
    side = int(SIDE_M / cell_m)
    col, row = np.meshgrid(np.arange(side), np.arange(side))
    heights_m = (300 - cell_m * (falls_east * col + falls_south * row)).astype(np.float32)
    return Raster(
        heights_m, Grid.of(heights_m.shape, Affine(cell_m, 0, LEFT - MARGIN_M, 0, -cell_m, BOTTOM - MARGIN_M + SIDE_M), CRS, "elevation")
    )


LOT = box(120, 120, 220, 240)
HOUSE = box(160, 215, 175, 225)
OWN_WELL = shapely.Point(LEFT + 205, BOTTOM + 235)


TYPICAL = {"bedrooms": 3, "percolation_min_per_in": 10.0, "public_water": "no"}
"""For rules that say how far above rock and water a field must lie."""


def screened(lot=LOT, house=HOUSE, wells=(OWN_WELL,), stated=KNOWN, error_ft=3.0, elevation=None, rules="us-wa", **more):
    lots = layer([lot], parcel_id=["A"], **{name: [value] for name, value in stated.items()})
    well_layer = layer(
        wells, well_id=[f"W{number}" for number in range(len(wells))], kind=["private"] * len(wells),
        location_error_ft=[error_ft] * len(wells),
    )  # fmt: skip
    houses = layer([house] if house is not None else [], basement=["no"] if house is not None else [])
    return screen_county(
        lots,
        well_layer,
        elevation or plane(),
        rules=load_rules(rules) if isinstance(rules, str) else rules,
        buildings=houses,
        reach_m=REACH_M,
        **more,
    )


def row(results):
    return results["parcels"].frame.iloc[0]


def drawn(results, name):
    return results[name].frame


def test_known_lot_with_room_downhill_fits_by_gravity():
    found = screened()
    assert row(found).verdict == FITS_BY_GRAVITY
    assert row(found).lift_ft == 0
    assert set(drawn(found, "fields")["area"]) == {"primary", "reserve"}


def test_field_uphill_of_the_house_needs_a_pump_and_the_lift_is_told():
    found = screened(house=box(160, 130, 175, 140), wells=(shapely.Point(LEFT + 205, BOTTOM + 125),))
    assert row(found).verdict == FITS_WITH_PUMP
    assert row(found).lift_ft > 1


def test_everything_drawn_keeps_its_distances_measured_by_hand():
    found = screened()
    fields, tanks = drawn(found, "fields").geometry, drawn(found, "tanks").geometry
    primary, reserve = fields
    assert shapely.distance(primary, OWN_WELL) >= 103 * FT
    assert shapely.distance(reserve, OWN_WELL) >= 103 * FT
    assert shapely.distance(tanks[0], OWN_WELL) >= 53 * FT  # WAC 246-272A-0210 Table IV: 50 ft, and 3 ft of location error
    assert shapely.distance(primary, HOUSE) >= 10 * FT  # the same table
    assert shapely.distance(tanks[0], HOUSE) >= 5 * FT
    assert shapely.distance(primary, LOT.boundary) >= 5 * FT
    assert not primary.intersects(reserve)
    assert not tanks[0].intersects(primary)
    trenches = drawn(found, "trenches")
    for name, shape in zip(("primary", "reserve"), (primary, reserve), strict=True):
        inside = trenches[trenches["area"] == name].geometry
        assert shapely.covered_by(inside, shape.buffer(1e-6)).all()
        assert all(shapely.distance(one, two) > 0 for one, two in pairwise(inside))


def test_trenches_run_along_the_contour():
    trench = drawn(screened(elevation=plane(0.0, 0.08)), "trenches").geometry[0]
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(trench))
    sides = np.diff(corners, axis=0)
    longest = sides[np.argmax(np.hypot(*sides.T))]
    assert abs(longest[1]) < 0.02 * abs(longest[0])  # the ground falls to the south, so trenches run east


def test_trench_length_drawn_is_at_least_the_one_that_the_rules_ask():
    found = screened()
    trenches = drawn(found, "trenches")
    assert trenches[trenches["area"] == "primary"].length_ft.sum() >= row(found).trench_high_ft - 1


def test_lot_ringed_by_wells_does_not_fit_and_the_well_is_what_binds():
    around = [shapely.Point(LEFT + x, BOTTOM + y) for x in (115, 170, 225) for y in (115, 160, 205, 245)]
    found = screened(wells=around)
    assert row(found).verdict == DOES_NOT_FIT
    assert "private well" in row(found).reasons
    assert row(found).fits_without == "private well"
    assert drawn(found, "fields").empty


def test_unknown_soil_on_a_lot_with_room_for_the_planned_field_only_is_not_said_to_fit():
    tight = box(150, 190, 222, 245)
    found = screened(lot=tight, stated={"bedrooms": 3, "public_water": "no"})
    assert row(found).verdict == CANNOT_SAY
    assert "soil" in row(found).reasons
    assert "assumed" in row(found).assumptions


def test_fit_on_soil_that_nobody_knows_names_the_assumption_in_its_row():
    found = screened(lot=box(20, 20, 380, 240), stated={"public_water": "no"})
    assert row(found).verdict == FITS_BY_GRAVITY
    assert "soil not known" in row(found).assumptions
    assert "bedrooms" in row(found).assumptions


def test_well_without_a_stated_place_is_named_where_the_lot_fits():
    found = screened(error_ft=None, stated={**KNOWN, "public_water": "yes"})
    assert row(found).verdict in (FITS_BY_GRAVITY, FITS_WITH_PUMP)
    assert "W0 (location error)" in row(found).assumptions


def test_house_without_a_well_on_record_cannot_be_judged():
    found = screened(wells=(shapely.Point(LEFT + 390, BOTTOM + 390),))
    assert row(found).verdict == CANNOT_SAY
    assert "presumed on A" in row(found).reasons


def test_vacant_lot_with_room_is_told_that_the_house_is_missing():
    found = screened(house=None)
    assert row(found).verdict == CANNOT_SAY
    assert "no house" in row(found).reasons
    assert len(drawn(found, "fields")) == 2


def wet(shape, cm=20):
    return layer([shape], musym=["Wt"], wtdepannmin=[cm], brockdepmin=[np.nan], described_cm=[203], reskind=[None], resdept_r=[np.nan])


def test_field_stays_off_mapped_ground_that_is_too_wet():
    found = screened(soils=wet(box(110, 110, 170, 250)), stated=TYPICAL, rules="us-typical")
    assert len(drawn(found, "fields")) == 2
    assert (drawn(found, "fields").geometry.bounds.minx >= LEFT + 170).all()


def test_lot_that_is_mapped_wet_all_over_does_not_fit():
    found = screened(soils=wet(box(100, 100, 300, 300)), stated=TYPICAL, rules="us-typical")
    assert row(found).verdict == DOES_NOT_FIT
    assert row(found).reasons.startswith(
        "the setbacks leave room, the ground does not: too little soil over rock or high water; a code may"
    )


def test_deep_dry_soil_is_told_by_the_map_alone():
    found = screened(soils=wet(box(100, 100, 300, 300), cm=195), stated=TYPICAL, rules="us-typical")
    assert row(found).verdict == FITS_BY_GRAVITY
    assert row(found).soil == "Wt"
    assert "separation from rock and high water" in row(found).assumptions


@pytest.mark.parametrize(("group", "told"), [("B/D", True), ("D", False), ("C", False)])
def test_hydrologic_group_is_told_and_a_dual_one_warns_and_never_counts_for_the_lot(group, told):
    dry = wet(box(100, 100, 300, 300), cm=195)
    found = row(screened(soils=dry.assign(hydgrpdcd=group), stated=TYPICAL, rules="us-typical"))
    assert found.soil == f"Wt (hydrologic group {group})"
    assert (f"hydrologic group {group}: high water unless drained" in found.assumptions) is told
    assert (found.separation == "holds by the map") is not told


def washington(soil, stated=KNOWN, **more):
    everything = wet(box(100, 100, 300, 300), cm=195).assign(
        soil=soil, brockdepmin=195.0, reskind="lithic bedrock", resdept_r=195.0, **more
    )
    return row(screened(soils=everything, stated=stated))


def test_washington_judges_the_depth_by_the_soil_that_was_found_and_else_by_the_map():
    """With the trench bottom at 2 ft some 53 in of soil are left: enough for loam, not for coarse sand."""
    untested = {"bedrooms": 3, "public_water": "no"}
    assert washington("loam", untested).separation == "holds by the map"
    assert washington("coarse sand").separation == "holds by the map"
    assert "too near" in washington("coarse sand", untested).reasons or washington("coarse sand", untested).verdict == DOES_NOT_FIT
    assert "for the soil is not known" in washington(None, untested).separation
    assert "without further treatment" in washington("type 1", {**KNOWN, "soil": "type 1"}).separation


@pytest.mark.parametrize(
    ("rules", "words", "warned"), [("us-typical", "least by UPC 718.1, not checked", True), ("us-ny", "least by 75-A.5(a)", False)]
)
def test_fall_of_the_sewer_is_cited_in_its_row_and_warned_of_where_it_was_not_checked(rules, words, warned):
    found = screened(stated=TYPICAL, rules=rules, facts={"coarse_gravel": False})
    assert words in drawn(found, "tanks").assumptions[0]
    assert words in drawn(found, "sewer_lines").assumptions[0]
    fall = load_rules(rules).sizing.sewer_fall(4 * FT / 12).citation
    assert any("not checked" in warning and str(fall) in warning for warning in found.warnings) is warned


def test_values_of_sizing_and_separation_that_were_not_checked_are_warned_of():
    found = screened(soils=wet(box(100, 100, 300, 300), cm=195), stated=TYPICAL, rules="us-typical")
    rules = load_rules("us-typical")
    for cited in (rules.vertical_separation[0].citation, rules.sizing.trench.citation, rules.sizing.percolation.citation):
        assert any(str(cited) in warning for warning in found.warnings) is not cited.checked


def test_what_a_code_asks_of_pits_stands_beside_them():
    rules = load_rules("us-typical")
    pits = PitRule(3, Spacing(least_m=200.0), rules.sizing.trench.citation, "dig by hand")
    asked = replace(rules, sizing=replace(rules.sizing, test_pits=pits))
    holes = drawn(screened(stated=TYPICAL, rules=asked), "test_holes")
    notes = holes[holes.kind == "soil pit"].note
    assert len(notes) == 6
    assert notes.str.contains("200 m").all() and notes.str.contains("dig by hand").all()
    assert (holes[holes.kind == "percolation hole"].note == "").all()


def test_floodway_is_kept_out_and_floodplain_by_choice():
    half = layer([box(110, 110, 170, 250)], kind=["floodplain"])
    kept_out = drawn(screened(floodplain=half), "fields").geometry.bounds
    assert (kept_out.minx >= LEFT + 170).all()
    allowed = screened(floodplain=layer([LOT], kind=["floodplain"]), in_floodplain="allow")
    assert row(allowed).flood_zone == "floodplain"
    refused = screened(floodplain=layer([LOT], kind=["floodway"]), in_floodplain="allow")
    assert row(refused).verdict == DOES_NOT_FIT


def test_flood_layer_that_draws_nothing_near_is_not_read_as_dry():
    elsewhere = box(400, 400, 410, 410)
    found = row(screened(floodplain=layer([elsewhere], kind=["floodplain"])))
    assert found.flood_zone == "none drawn"
    assert "whether the layer covers it is not known" in found.assumptions
    dry = row(screened(floodplain=layer([elsewhere, box(0, 0, 300, 300)], zone=["AE", "X"])))
    assert dry.flood_zone == "outside"
    assert "whether the layer covers" not in dry.assumptions


def test_fall_along_the_trenches_counts_in_the_depth_of_their_upper_ends():
    """On a plane trenches follow the contour; on a ridge they cannot, and a water table just deep enough for a level trench is not."""
    on_plane = row(screened(stated=TYPICAL, rules="us-typical"))
    assert on_plane.fall_along_ft == pytest.approx(0, abs=0.05)
    col = np.arange(int(SIDE_M / 2)) * 2.0 - MARGIN_M
    bowed = plane(0.0, 0.03).values - ((col - 170.0) ** 2 * 2e-4).astype(np.float32)
    ridge = plane().with_values(bowed.astype(np.float32))
    bent = row(screened(stated=TYPICAL, rules="us-typical", elevation=ridge))
    assert bent.fall_along_ft > 0.1
    deep_ft = 2 + 4  # trench bottom, and the separation of us-typical
    just = {"stated": TYPICAL, "rules": "us-typical", "groundwater": groundwater((deep_ft + 0.05) * FT)}
    assert row(screened(**just)).verdict in (FITS_BY_GRAVITY, FITS_WITH_PUMP)
    assert row(screened(**just, elevation=ridge)).verdict == CANNOT_SAY


def test_trench_deeper_than_the_code_allows_is_refused():
    with pytest.raises(ParameterError, match=r"--trench-bottom 3\.28 ft.*us-tx"):
        screened(rules="us-tx", stated={"bedrooms": 3, "public_water": "no"}, trench_bottom_m=1.0)


def groundwater(depth_m, crs=CRS):
    shape = (10, 10)
    values = np.broadcast_to(np.asarray(depth_m, np.float32), shape).copy()
    return Raster(values, Grid.of(shape, Affine(40, 0, LEFT, 0, -40, BOTTOM + 400), crs, "groundwater"))


def test_mapped_groundwater_too_near_the_surface_keeps_the_field_out():
    assert row(screened(groundwater=groundwater(0.4), stated=TYPICAL, rules="us-typical")).verdict == DOES_NOT_FIT
    east_is_dry = np.where(np.arange(10) < 4, 0.3, 9.0)  # wet up to 160 m east
    found = screened(groundwater=groundwater(east_is_dry), stated=TYPICAL, rules="us-typical")
    assert (drawn(found, "fields").geometry.bounds.minx >= LEFT + 160).all()


def test_groundwater_in_another_crs_is_refused():
    with pytest.raises(GridError, match="groundwater"):
        screened(groundwater=groundwater(5.0, "EPSG:26916"))


def test_way_of_the_water_ends_in_the_disc_of_the_well_below():
    below = [shapely.Point(LEFT + x, BOTTOM + 112) for x in (125, 150, 175, 200)]
    found = screened(wells=(OWN_WELL, *below))
    way = drawn(found, "flow_paths")
    assert len(way) == 1
    assert way.well_id[0] == row(found).downslope_well != "W0"
    line, well = way.geometry[0], below[int(way.well_id[0][1:]) - 1]
    assert shapely.distance(shapely.Point(line.coords[-1]), well) <= 100 * FT + 2
    assert line.intersects(drawn(found, "fields").geometry[0])
    assert line.length == pytest.approx(way.length_ft[0] * FT, abs=3 * 2 + 100 * FT)


def test_test_holes_lie_in_their_areas_and_in_the_points_for_a_receiver():
    found = screened()
    holes = drawn(found, "test_holes")
    for name, shape in zip(drawn(found, "fields")["area"], drawn(found, "fields").geometry, strict=True):
        inside = holes[holes["area"] == name]
        assert shapely.covered_by(inside.geometry, shape).all()
        assert set(inside.kind) == {"percolation hole", "soil pit"}
    back = gpd.GeoSeries(gpd.points_from_xy(holes.longitude, holes.latitude), crs="EPSG:4326").to_crs(CRS)
    assert (back.distance(holes.geometry) < 0.05).all()
    assert found.points[0].labels == tuple(holes.label)


def test_tank_keeps_its_place_where_the_field_could_have_taken_it():
    """Without a second search the field, which likes to be near the house, would leave the tank no room."""
    narrow = box(150, 120, 185, 240)
    found = screened(lot=narrow, wells=(shapely.Point(LEFT + 300, BOTTOM + 235), shapely.Point(LEFT + 168, BOTTOM + 239)))
    assert row(found).verdict in (FITS_BY_GRAVITY, FITS_WITH_PUMP, CANNOT_SAY, DOES_NOT_FIT)
    if not drawn(found, "fields").empty:
        assert not drawn(found, "tanks").empty


def small_lot(**more):
    """Too small for trenches and their spacing, large enough for two beds."""
    stated = {**TYPICAL, "public_water": "yes"}
    return screened(
        lot=box(150, 216, 172, 252), house=box(152, 241, 160, 247), wells=(shapely.Point(LEFT + 390, BOTTOM + 390),), stated=stated,
        rules="us-typical", **more,
    )  # fmt: skip


def test_bed_is_laid_where_trenches_have_no_room_and_the_code_allows_one():
    found = small_lot()
    assert row(found).verdict == FITS_BY_GRAVITY
    assert "as a bed" in row(found).drawn_for
    beds = drawn(found, "trenches")
    assert list(beds.kind.unique()) == ["bed"]
    size = field_size(load_rules("us-typical"), bedrooms=3, percolation_min_per_in=10.0, layout="bed")
    assert beds.geometry[0].area == pytest.approx(size.bottom_area_m2.high, rel=0.01)


def test_bed_is_not_laid_on_ground_too_steep_for_one():
    """Trenches are allowed up to 15 percent there, beds up to 10."""
    assert "bed" not in row(small_lot(elevation=plane(0.0, 0.12))).drawn_for


def test_soil_that_the_rules_do_not_name_is_refused_with_the_parcel_where_no_lot_can_be_sized():
    with pytest.raises(SizingError, match=r"names no soil 'type 99' \(A\)"):
        screened(stated={**KNOWN, "soil": "type 99"})


@pytest.mark.parametrize("wrong", [{"soil": "type 99"}, {"bedrooms": -1}, {"percolation_min_per_in": -5.0}])
def test_one_lot_that_cannot_be_sized_does_not_stop_the_county(wrong):
    two = [box(20, 120, 120, 240), LOT]
    rows = {"parcel_id": ["bad", "A"], "public_water": ["yes", "yes"], **{name: [value, None] for name, value in wrong.items()}}
    wells = layer([OWN_WELL], well_id=["W"], kind=["private"], location_error_ft=[3.0])
    found = screen_county(layer(two, **rows), wells, plane(), rules=load_rules("us-typical"), reach_m=REACH_M)["parcels"].frame
    assert list(found.parcel_id) == ["bad", "A"]
    assert found.verdict[0] == CANNOT_SAY and found.reasons[0]
    assert "sized" not in found.reasons[1]


def test_half_a_bedroom_counts_as_one_and_none_as_unknown():
    whole, half, none = (row(screened(stated={**KNOWN, "bedrooms": number})) for number in (3, 2.5, 0))
    assert half.trench_high_ft == whole.trench_high_ft
    assert "bedrooms not known" in none.assumptions


def test_gully_on_the_way_to_the_field_takes_gravity_away():
    """House and field stand on one level; between them lies a ravine that no pipe can cross by falling."""
    ground = plane(0.0, 0.0)
    heights_m = ground.values.copy()
    heights_m[:, :] = 300.0
    south_of_gully = np.arange(heights_m.shape[0]) * 2.0 > MARGIN_M + 500 - 175
    heights_m[south_of_gully] = 297.5
    gully = np.abs(np.arange(heights_m.shape[0]) * 2.0 - (MARGIN_M + 400 + 120 - 200)) < 6
    heights_m[gully] = 288.0
    found = screened(
        elevation=Raster(heights_m, ground.grid), wells=(OWN_WELL, *(shapely.Point(LEFT + x, BOTTOM + 232) for x in (125, 150))), soils=None
    )  # fmt: skip
    assert row(found).verdict != FITS_BY_GRAVITY


def test_reserve_on_a_swamp_is_seen():
    swamp = wet(box(100, 100, 300, 196), cm=5).assign(flodfreqdcd="Frequent")
    dry = wet(box(100, 196, 300, 300), cm=195)
    found = screened(soils=pd.concat([swamp, dry], ignore_index=True))
    on_swamp = shapely.intersects(drawn(found, "fields").geometry.to_numpy(), swamp.geometry[0])
    assert not on_swamp.any() or row(found).verdict == CANNOT_SAY


def test_soil_map_of_a_strip_of_the_lot_does_not_size_its_field():
    strip = wet(box(120, 120, 125, 240), cm=195).assign(soil="type 1")
    whole = wet(box(100, 100, 300, 300), cm=195).assign(soil="type 1")
    stated = {"bedrooms": 3, "public_water": "no"}
    assert row(screened(stated=stated, soils=whole)).trench_high_ft < row(screened(stated=stated)).trench_high_ft
    assert row(screened(stated=stated, soils=strip)).trench_high_ft == row(screened(stated=stated)).trench_high_ft


def test_unsuitable_soil_of_a_map_says_neither_fits_nor_does_not():
    map_soil = wet(box(100, 100, 300, 300), cm=195).assign(soil="type 7")
    found = row(screened(stated={"bedrooms": 3, "public_water": "no"}, soils=map_soil))
    assert found.verdict == CANNOT_SAY
    assert "soil map" in found.reasons


def test_severe_soil_is_a_doubt_where_the_depths_are_not_known():
    poor = layer([box(100, 100, 300, 300)], musym=["Sw"], flodfreqdcd=["Frequent"], drclassdcd=["Very poorly drained"])
    for rules, stated in (("us-wa", KNOWN), ("us-ny", TYPICAL)):
        found = row(screened(soils=poor, stated=stated, rules=rules, facts={"coarse_gravel": False}))
        assert found.verdict == CANNOT_SAY, rules
        assert "severe" in found.reasons


def test_groundwater_in_the_trench_is_kept_out_though_the_code_is_silent():
    assert row(screened(groundwater=groundwater(0.0))).verdict == DOES_NOT_FIT


def test_nothing_known_of_floods_is_told_in_the_row():
    assert "flood zone not known" in row(screened()).assumptions
    empty = layer([], kind=[])
    assert "flood zone not known" in row(screened(floodplain=empty)).assumptions


def test_tank_stays_out_of_the_floodway_too():
    """The house stands in it, the field does not."""
    found = screened(floodplain=layer([box(110, 200, 230, 260)], kind=["floodway"]))
    tanks = drawn(found, "tanks")
    assert not tanks.geometry.intersects(box(110, 200, 230, 260)).any()


def test_house_without_a_well_where_none_is_presumed_is_told_in_the_row():
    found = screened(wells=(shapely.Point(LEFT + 390, BOTTOM + 390),), unrecorded_wells="warn")
    assert "no well presumed on A" in row(found).assumptions


def test_two_dwellings_on_a_lot_are_a_doubt_and_two_buildings_an_assumption():
    lots = layer([LOT], parcel_id=["A"], **{name: [value] for name, value in KNOWN.items()})
    wells = layer([OWN_WELL], well_id=["W"], kind=["private"], location_error_ft=[3.0])
    shapes = [HOUSE, box(130, 222, 138, 230)]

    def found(**columns):
        return row(screen_county(lots, wells, plane(), rules=load_rules("us-wa"), buildings=layer(shapes, **columns), reach_m=REACH_M))

    assert found(not_a_dwelling=["no", "no"]).verdict == CANNOT_SAY
    assert "largest of 2 buildings" in found().assumptions
    assert found(not_a_dwelling=["no", "yes"]).verdict == FITS_BY_GRAVITY


def test_other_part_of_the_lot_across_a_road_does_not_take_the_field():
    apart = shapely.union(LOT, box(120, 20, 220, 100))
    found = screened(lot=apart)
    assert row(found).verdict == row(screened()).verdict
    assert (drawn(found, "fields").geometry.bounds.miny > BOTTOM + 100).all()


def test_room_on_another_part_of_the_lot_only_is_named_as_what_it_is():
    home = box(155, 208, 180, 235)
    alone, apart = screened(lot=home), screened(lot=shapely.union(home, box(120, 20, 220, 195)))
    assert row(alone).verdict == DOES_NOT_FIT
    assert row(apart).verdict == CANNOT_SAY
    assert row(apart).reasons == "whether a pipe may be led to another part of the lot, where there would be room"
    assert drawn(apart, "fields").empty


def test_relaxed_distance_must_leave_the_tank_a_place_too():
    """Wells ring the field's ground; where they also keep the tank away, their distance from the field alone changes nothing."""
    ring = [shapely.Point(LEFT + x, BOTTOM + y) for x in (115, 170, 225) for y in (115, 160, 205, 245)]
    at_the_house = [shapely.Point(LEFT + x, BOTTOM + y) for x in (150, 160, 170, 180, 190) for y in (208, 232)]
    everywhere = [shapely.Point(LEFT + x, BOTTOM + y) for x in range(125, 220, 12) for y in range(125, 240, 12)]
    assert row(screened(wells=ring)).fits_without == "private well"
    assert row(screened(wells=[*ring, *at_the_house, *everywhere])).fits_without == ""


def test_relaxed_distance_leaves_the_feature_itself_where_it_is():
    """A lot that is all house has room without the distance from buildings only under the house."""
    found = screened(lot=box(150, 190, 222, 250), house=box(152, 192, 208, 248), stated={**KNOWN, "public_water": "yes"})
    assert row(found).verdict == DOES_NOT_FIT
    assert "building" not in row(found).fits_without


def test_lot_whose_envelope_could_not_be_proven_is_not_said_to_lack_room(monkeypatch):
    def unproven(self, parcels, shapes, possible, *rest):
        nothing = np.full(len(parcels), shapely.Polygon(), object)
        return nothing, nothing.copy(), np.arange(len(parcels))

    monkeypatch.setattr(envelope._Cutter, "_proven", unproven)
    found = row(screened())
    assert found.verdict == CANNOT_SAY
    assert "keep every distance" in found.reasons


@pytest.mark.parametrize("layer_name", ["pools", "other_features"])
def test_no_pipe_is_led_through_a_pool_or_an_old_field(layer_name):
    between = box(150, 198, 185, 205)
    columns = {"other_features": {"feature": ["existing_field"]}}.get(layer_name, {})
    found = screened(**{layer_name: layer([between], **columns)})
    assert len(drawn(found, "sewer_lines"))
    assert not shapely.crosses(drawn(found, "sewer_lines").geometry, between).any()


def test_way_that_only_a_pool_bars_leaves_the_question_open():
    moat = shapely.difference(box(140, 200, 195, 238), box(150, 207, 185, 232))
    found = screened(pools=layer([moat]))
    assert row(found).verdict == CANNOT_SAY
    assert "whether a pipe may cross water" in row(found).reasons


def test_line_to_the_highest_corner_goes_round_the_field_and_not_over_its_trenches():
    for east, south in ((0.03, 0.03), (-0.03, 0.03), (0.03, -0.03), (0.0, 0.05)):
        found = screened(elevation=plane(east, south))
        lines = drawn(found, "sewer_lines")
        effluent = lines.geometry[lines.run == "tank to field"].iloc[0]
        fields = drawn(found, "fields")
        primary = fields.geometry[fields["area"] == "primary"].iloc[0]
        assert shapely.intersection(effluent, primary.buffer(-0.01)).is_empty


def test_reserve_that_would_need_a_pump_is_told_where_the_field_needs_none():
    found = row(screened(elevation=plane(0.0, 0.12)))
    assert found.verdict == FITS_BY_GRAVITY
    assert found.fall_to_spare_ft > 0
    assert (found.reserve_lift_ft > 0) == ("the reserve would need a pump" in found.notes)


def test_pipe_that_runs_under_a_driveway_is_noted():
    across = layer([box(120, 211, 220, 214)])
    found = screened(driveways=across)
    assert shapely.crosses(drawn(found, "sewer_lines").geometry, across.geometry[0]).any()
    assert "runs under a driveway" in row(found).notes
    assert "driveway" not in row(screened()).notes


def test_every_parcel_has_one_row_in_its_own_order():
    ids = ["Z", "A", "M"]
    lots = layer([box(20 + 120 * n, 120, 120 + 120 * n, 240) for n in range(3)], parcel_id=ids, public_water=["yes"] * 3)
    wells = layer([OWN_WELL], well_id=["W"], kind=["private"], location_error_ft=[3.0])
    found = screen_county(lots, wells, plane(), rules=load_rules("us-wa"), reach_m=REACH_M)
    assert list(found["parcels"].frame.parcel_id) == ids
    assert sum(count for name, count in found.counts.items() if name.startswith("parcels: ")) == 3
