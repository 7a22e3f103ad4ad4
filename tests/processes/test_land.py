"""What a run assumes of its layers: wells on no record, waters of no stated kind, layers from another datum, down to the map."""

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine

from geoseptic.errors import DatumShiftError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.reasons import BIT
from geoseptic.model.wellnumbers import well_numbers
from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.land import check_land
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.suitability_map import suitability_map

CRS = "EPSG:26915"
LEFT, TOP, CELL_M, SIDE = 500_000.0, 4_980_000.0, 4.0, 100
FT = 0.3048
PRESUMED_ON_LOWER = well_numbers(["presumed on lower"])[0]


def box(west: float, north: float, width: float, height: float) -> shapely.Polygon:
    """A box by metres east and south of the corner of the elevation."""
    return shapely.box(LEFT + west, TOP - north - height, LEFT + west + width, TOP - north)


def layer(shapes, crs: str = CRS, **columns) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


# The ground falls south. The house stands on the lower lot; the only well is far to the east of both.
UPPER, LOWER = box(100, 60, 60, 60), box(100, 200, 60, 60)
HOUSE = layer([box(125, 230, 10, 10)])
WELL = layer([shapely.Point(LEFT + 380, TOP - 20)], well_id=["w1"], kind=["private"], location_error_m=[3.0])


def elevation() -> Raster:
    row, _ = np.indices((SIDE, SIDE))
    grid = Grid.of((SIDE, SIDE), Affine(CELL_M, 0, LEFT, 0, -CELL_M, TOP), CRS, "elevation")
    return Raster((300 - 0.08 * CELL_M * row).astype(np.float32), grid)


def parcels(**columns) -> geopandas.GeoDataFrame:
    return layer([UPPER, LOWER], parcel_id=["upper", "lower"], **columns)


def check(lots: geopandas.GeoDataFrame, **options):
    settings = {"frame": None, "assumed_location_error_m": 15.24, **options}
    return check_land(lots, WELL, {"buildings": HOUSE}, **settings)


def cell(west: float, north: float) -> tuple[int, int]:
    return int(north / CELL_M), int(west / CELL_M)


# -------------------------------------------------------------------------------------------------------- wells that are on no record


@pytest.mark.parametrize("columns", [{}, {"public_water": [None, None]}, {"public_water": ["yes", "no"]}])
def test_house_without_a_well_on_record_has_one_somewhere_unless_its_lot_is_said_to_be_on_public_water(columns):
    land = check(parcels(**columns))
    assert land.well_not_on_record.tolist() == [False, True]
    assert land.presumed_ids.tolist() == ["presumed on lower"]
    assert land.presumed_m[0].equals(LOWER)
    assert land.obstacles.ids[land.obstacles.presumed].tolist() == ["presumed on lower"]


def test_house_on_public_water_needs_no_well():
    land = check(parcels(public_water=["no", "yes"]))
    assert not land.well_not_on_record.any() and not len(land.presumed_ids) and not land.obstacles.presumed.any()


def test_parcels_that_say_nothing_of_public_water_are_told_how_to_say_it():
    (told,) = [note for note in check(parcels()).notes if "on record" in note]
    assert told.startswith("1 parcels are built on, have nothing said of public water")
    assert "(lower)" in told
    assert "column public_water" in told and "--unrecorded-wells warn" in told
    (known,) = [note for note in check(parcels(public_water=[None, "no"])).notes if "on record" in note]
    assert "are not known to be on public water" in known and "--unrecorded-wells" not in known


def test_only_warned_of_they_are_listed_and_nothing_is_presumed():
    land = check(parcels(), presume_wells=False)
    assert land.well_not_on_record.tolist() == [False, True]
    assert not len(land.presumed_ids) and not land.obstacles.presumed.any()
    (told,) = [note for note in land.notes if "on record" in note]
    assert "(lower)" in told and "--unrecorded-wells" not in told


def test_lot_without_the_column_stays_open_in_the_envelopes_by_default():
    options = {"rules": load_rules("us-wa"), "buildings": HOUSE}
    field = setback_envelopes(parcels(), WELL, **options)["field_envelope"].frame.set_index("parcel_id")
    assert field.loc["lower", "area_ft2"] == 0 and field.loc["lower", "possible_ft2"] > 0
    told = setback_envelopes(parcels(), WELL, **options, unrecorded_wells="warn")["field_envelope"].frame.set_index("parcel_id")
    assert told.loc["lower", "area_ft2"] > 0


@pytest.fixture(scope="module")
def presumed():
    return suitability_map(parcels(), WELL, elevation(), rules=load_rules("us-wa"), buildings=HOUSE, building_height_m=0.0)


@pytest.fixture(scope="module")
def only_warned():
    options = {"buildings": HOUSE, "building_height_m": 0.0, "unrecorded_wells": "warn"}
    return suitability_map(parcels(), WELL, elevation(), rules=load_rules("us-wa"), **options)


def test_ground_above_a_lot_with_a_presumed_well_leads_to_it_and_is_rated_so(presumed, only_warned):
    above = cell(130, 90)  # on the upper lot, 110 m uphill of the lower one
    before, after = only_warned, presumed
    assert before["well_path_code"].raster.values[above] == 2  # reaches no well
    assert after["well_path_code"].raster.values[above] == 1
    # Up to a cell short: one that the lot's edge runs along counts as the lot's.
    assert after["well_path"].raster.values[above] * FT == pytest.approx(110, abs=1.5 * CELL_M)
    assert after["well_path_well"].raster.values[above] == PRESUMED_ON_LOWER
    assert 0 < after["suitability"].raster.values[above] < before["suitability"].raster.values[above]


def test_presumed_well_reads_no_clearer_than_one_at_the_nearest_edge_of_its_lot(presumed):
    edge = shapely.Point(LEFT + 130, TOP - 200)  # middle of the lower lot's upper side
    both = layer([WELL.geometry[0], edge], well_id=["w1", "w2"], kind=["private"] * 2, location_error_m=[3.0, 0.0])
    options = {"rules": load_rules("us-wa"), "buildings": HOUSE, "building_height_m": 0.0}
    known = suitability_map(parcels(public_water=["yes", "yes"]), both, elevation(), **options)
    rated, by_edge = presumed["suitability"].raster.values.astype(int), known["suitability"].raster.values.astype(int)
    unknown = 255
    # Where the presumed well leaves the rating known, it is no better than with a well on the edge.
    clear = (rated != unknown) & (by_edge != unknown)
    assert (rated[clear] <= by_edge[clear]).all()
    here = cell(130, 90)
    assert clear[here] and 0 < rated[here] <= by_edge[here] <= rated[here] + 2


def test_lot_with_a_presumed_well_is_in_the_discs_under_a_name_and_record_of_its_own(presumed, only_warned):
    discs = presumed["well_discs"].frame
    on_record, hidden = discs[["number", "well_id", "record"]].values.tolist()
    assert on_record[1:] == ["w1", "on record"] and hidden == [PRESUMED_ON_LOWER, "presumed on lower", "presumed"]
    assert on_record[0] not in (-1, PRESUMED_ON_LOWER)
    assert discs.geometry[1].buffer(1e-6).covers(LOWER)
    assert discs["radius_ft"][1] == 100
    reaching = presumed["well_path_well"].raster.values == PRESUMED_ON_LOWER
    assert reaching.any()
    assert discs["drains_here_ft2"][1] == round(reaching.sum() * CELL_M**2 / FT**2)
    for name in ("well_path", "well_path_code", "well_path_well"):
        assert "1 presumed wells, on no record, count as if at the nearest edge of their lots" in presumed[name].description
        assert presumed[name].tags["PRESUMED_WELLS"] == "1"
        assert "presumed" not in only_warned[name].description
    assert presumed.counts["wells_presumed"] == 1 and only_warned.counts["wells_presumed"] == 0
    assert only_warned["well_discs"].frame["record"].tolist() == ["on record"]


def test_paths_alone_have_no_parcels_and_presume_nothing():
    found = downslope_distance(elevation(), WELL, buildings=HOUSE)
    assert found["well_discs"].frame["record"].tolist() == ["on record"]
    assert found.counts["wells_presumed"] == 0


# ------------------------------------------------------------------------------------- built lots, whatever says that they are built


def told_of(land, words: str) -> list[str]:
    return [note for note in land.notes if words in note]


@pytest.mark.parametrize("columns", [{"year_built": [None, 1950]}, {"bedrooms": [0, 3]}, {"year_built": [0, 1950], "bedrooms": [None, 0]}])
@pytest.mark.parametrize("others", [{}, {"buildings": None}, {"buildings": HOUSE.iloc[:0]}])
def test_lot_with_a_year_of_building_or_bedrooms_is_built_without_a_building_in_any_layer(columns, others):
    land = check_land(parcels(**columns), WELL, others, frame=None, assumed_location_error_m=15.24)
    assert land.presumed_ids.tolist() == ["presumed on lower"]


def test_without_any_word_of_buildings_it_is_told_of_how_many_lots_nobody_knows():
    land = check_land(parcels(public_water=["no", None]), WELL, {}, frame=None, assumed_location_error_m=15.24)
    assert not len(land.presumed_ids)
    (told,) = told_of(land, "WITHOUT A LAYER OF BUILDINGS")
    assert "2 parcels may be built on and are not known to be on public water (upper, lower)" in told
    served = check_land(parcels(public_water=["yes", "yes"]), WELL, {}, frame=None, assumed_location_error_m=15.24)
    (told,) = told_of(served, "WITHOUT A LAYER OF BUILDINGS")  # the neighbours beyond the parcels stay unknown
    assert "may be built on" not in told
    assert not told_of(check(parcels()), "WITHOUT A LAYER")


# --------------------------------------------------------------------------------------------------- houses that stand on no parcel


def off_the_parcels(*shapes, wells=WELL, **columns):
    """Land of the two lots, both on public water, with these buildings."""
    lots = parcels(public_water=["yes", "yes"])
    return check_land(lots, wells, {"buildings": layer(shapes, **columns)}, frame=None, assumed_location_error_m=15.24)


def test_house_on_no_parcel_has_a_well_within_30_m_of_it():
    house = box(170, 90, 10, 10)  # 10 m east of the upper lot
    land = off_the_parcels(house)
    assert land.presumed_ids.tolist() == ["presumed at buildings 1"]
    assert land.presumed_m[0].contains(house.buffer(29.5)) and house.buffer(30.01).contains(land.presumed_m[0])
    assert land.obstacles.presumed.sum() == 1 and not land.well_not_on_record.any()
    (told,) = told_of(land, "stand on none of them")
    assert told.startswith("1 buildings") and "30 m (98.4 ft)" in told and "buildings 1" in told


def test_ground_near_a_house_on_no_parcel_is_open():
    buildings = layer([HOUSE.geometry[0], box(170, 90, 10, 10)])
    lots = parcels(public_water=["yes", "yes"])
    found = setback_envelopes(lots, WELL, rules=load_rules("us-wa"), buildings=buildings)["field_envelope"].frame
    assert found.geometry[0].distance(buildings.geometry[1]) == pytest.approx(30 + 100 * FT, abs=0.2)


def test_bow_tie_of_a_house_on_no_parcel_counts_with_both_its_halves():
    west, east = (LEFT + 170, LEFT + 190)
    bow = shapely.Polygon([(west, TOP - 100), (east, TOP - 90), (east, TOP - 100), (west, TOP - 90)])
    (ground,) = off_the_parcels(bow).presumed_m
    assert all(ground.contains(shapely.Point(x, TOP - 95).buffer(29)) for x in (west, east))


def test_barn_far_house_and_house_with_a_well_beside_it_have_no_well_presumed():
    house = box(170, 90, 10, 10)
    assert not len(off_the_parcels(house, not_a_dwelling=["yes"]).presumed_ids)
    assert len(off_the_parcels(house, not_a_dwelling=[None]).presumed_ids) == 1
    assert not len(off_the_parcels(shapely.affinity.translate(house, 3200, 0)).presumed_ids)
    beside = layer([shapely.Point(LEFT + 190, TOP - 95)], kind=["private"], location_error_m=[3.0])
    assert not len(off_the_parcels(house, wells=beside).presumed_ids)
    # Two houses, and the well within reach of both: nobody knows whose it is.
    assert len(off_the_parcels(house, box(200, 90, 10, 10), wells=beside).presumed_ids) == 2


def test_well_on_a_lot_is_not_that_of_the_house_beyond_the_line():
    on_upper = layer([shapely.Point(LEFT + 155, TOP - 95)], kind=["private"], location_error_m=[1.0])
    assert len(off_the_parcels(box(170, 90, 10, 10), wells=on_upper).presumed_ids) == 1


# --------------------------------------------------------------------------------------------------------- wells that may be another's


def presumed_with(place: shapely.Point, kind: str | None = "private", error_m: float = 1.0, lots=None) -> list[str]:
    wells = layer([WELL.geometry[0], place], kind=["private", kind], location_error_m=[3.0, error_m])
    land = check_land(parcels() if lots is None else lots, wells, {"buildings": HOUSE}, frame=None, assumed_location_error_m=15.24)
    return land.presumed_ids.tolist()


MIDDLE = shapely.Point(LEFT + 130, TOP - 230)


KINDS = {"private": 0, "domestic": 0, "public": 0, None: 1, "irrigation": 1, "unused": 1, "decommissioned": 1}


@pytest.mark.parametrize(("kind", "presumed"), KINDS.items())
def test_only_a_well_known_to_give_drinking_water_stands_for_the_one_not_on_record(kind, presumed):
    assert len(presumed_with(MIDDLE, kind)) == presumed


@pytest.mark.parametrize(("error_m", "presumed"), [(0.0, 0), (29.0, 0), (38.0, 0), (48.0, 1), (500.0, 1)])
def test_rough_well_stands_for_it_only_where_three_quarters_of_its_disc_are_on_the_lot(error_m, presumed):
    # The lot is 60 m wide: of a disc of 38 m more than three quarters lie on it, of one of 48 m fewer.
    assert len(presumed_with(MIDDLE, error_m=error_m)) == presumed


def test_well_by_the_lot_line_may_be_the_neighbours():
    by_the_line = shapely.Point(LEFT + 159.5, TOP - 230)
    assert len(presumed_with(by_the_line, error_m=15.24)) == 1
    assert len(presumed_with(by_the_line, error_m=0.2)) == 0


def test_one_well_in_ground_that_two_lots_claim_serves_neither():
    wider = layer([LOWER, box(155, 200, 60, 60)], parcel_id=["a", "b"])
    houses = layer([HOUSE.geometry[0], box(190, 230, 10, 10)])
    wells = layer([WELL.geometry[0], shapely.Point(LEFT + 157.5, TOP - 230)], kind=["private"] * 2, location_error_m=[3.0, 0.0])
    land = check_land(wider, wells, {"buildings": houses}, frame=None, assumed_location_error_m=15.24)
    assert land.presumed_ids.tolist() == ["presumed on a", "presumed on b"]
    assert presumed_with(MIDDLE, lots=layer([LOWER, LOWER], parcel_id=["a", "b"])) == ["presumed on a", "presumed on b"]


# -------------------------------------------------------------------------------------------------------------- water of unknown kind


def test_pond_of_unknown_kind_leaves_the_ground_open_to_the_distance_from_a_supply():
    # Massachusetts: 50 ft from surface water, 400 ft from a supply.
    pond = layer([box(20, 60, 30, 30)])
    options = {"rules": load_rules("us-ma"), "unrecorded_wells": "warn"}
    results = suitability_map(parcels(), WELL, elevation(), surface_water=pond, **options)
    (told,) = [warning for warning in results.warnings if "unknown kind" in warning]
    assert told.startswith("1 of 1 waters are of unknown kind")
    zones = results["setback_zones"].frame
    of_pond = zones[(zones["feature"] == "surface_water") & (zones["part"] == "drain_field")]
    assert sorted(zip(of_pond["status"], of_pond["distance_ft"], strict=True)) == [("may be required", 400.0), ("required", 50.0)]
    here = cell(130, 90)  # on the upper lot, 80 m from the pond
    assert results["suitability"].raster.values[here] == 255
    assert results["reasons"].raster.values[here] >> BIT["setback_open"] & 1
    stated = suitability_map(parcels(), WELL, elevation(), surface_water=pond.assign(kind="perennial"), **options)
    assert stated["suitability"].raster.values[here] not in (0, 255)


# -------------------------------------------------------------------------------------------------------------------- another datum


def test_layers_from_another_datum_are_named_and_their_features_kept_farther_off():
    wells, lots = WELL.to_crs("EPSG:4326"), parcels(public_water=["yes", "yes"]).to_crs("EPSG:4326")
    land = check_land(lots, wells, {"buildings": HOUSE}, frame=elevation().grid.frame, assumed_location_error_m=15.24, culverts=None)
    assert land.location_error_m.tolist() == [7.0]  # 3 m of its own, 4 m for WGS 84 to NAD83
    at = dict(zip(land.obstacles.ids, land.obstacles.location_error_m, strict=True))
    assert at == {"w1": 7.0, "buildings 1": 0.0}
    told = " | ".join(land.notes)
    assert "parcels reprojected from EPSG:4326 to EPSG:26915 by 'Inverse of NAD83 to WGS 84 (1)', accurate to 4 m (13.1 ft)" in told
    assert "the outlines of the parcels may lie 4 m (13.1 ft) off for their reprojection" in told
    assert "4 m (13.1 ft) are added to every distance from the wells" in told
    alone = downslope_distance(elevation(), wells, length_unit="m", well_radius_m=1.0)
    assert alone["well_discs"].frame["radius_m"].tolist() == [7.0]


def test_layer_that_no_transformation_brings_here_stops_the_run():
    pond = layer([box(20, 60, 30, 30)], crs="+proj=utm +zone=15 +ellps=GRS80 +units=m")
    with pytest.raises(DatumShiftError, match="surface_water"):
        setback_envelopes(parcels(), WELL, rules=load_rules("us-wa"), surface_water=pond)
