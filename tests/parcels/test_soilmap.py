"""What lies under a field: the worst soil, flood zones that it touches, the least depth to groundwater."""

import math

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine
from shapely import affinity

from geoseptic.model.checking import check
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.layers import FLOODPLAIN
from geoseptic.model.soil_rules import SoilRating, Span
from geoseptic.parcels.soilmap import flood_kinds, flood_under, groundwater_under, soils_under
from tests.parcels.worlds import objects

SLIGHT = SoilRating("slight", "slight", (), ())
MODERATE = SoilRating("moderate", "moderate", ("slope",), ())
SEVERE = SoilRating("severe", "severe", ("wetness",), ())
FIELD = shapely.box(0, 0, 20, 10)


def under(*soils: tuple[shapely.Geometry, SoilRating], field: shapely.Geometry = FIELD):
    (found,) = soils_under(objects([field]), objects([shape for shape, _ in soils]), [rating for _, rating in soils])
    return found


def test_field_inside_one_soil_has_its_rating():
    found = under((shapely.box(-5, -5, 50, 50), MODERATE))
    assert found.rating == MODERATE
    assert (found.polygons, found.shares, found.uncovered_share) == ((0,), (1.0,), 0.0)


def test_worst_of_two_soils_counts_however_small_its_part_above_one_percent():
    found = under((shapely.box(-5, -5, 19.5, 50), SLIGHT), (shapely.box(19.5, -5, 50, 50), SEVERE))
    assert found.rating == SEVERE
    assert found.shares == pytest.approx((0.975, 0.025))


def test_sliver_under_one_percent_is_the_maps_own_blur():
    found = under((shapely.box(-5, -5, 19.9, 50), SLIGHT), (shapely.box(19.9, -5, 50, 50), SEVERE))
    assert found.rating == SLIGHT
    assert found.polygons == (0, 1) and found.counted == (0,)


def test_slivers_that_make_up_more_than_one_percent_together_count():
    slivers = [(shapely.box(19.7 + 0.1 * number, -5, 19.8 + 0.1 * number, 50), SEVERE) for number in range(3)]
    assert under((shapely.box(-5, -5, 19.7, 50), SLIGHT), *slivers).rating == SEVERE


def test_ground_without_soil_polygon_makes_the_rating_unknown_unless_it_is_severe():
    half = shapely.box(-5, -5, 10, 50)
    found = under((half, SLIGHT))
    assert found.rating.soil_class == "unknown" and found.rating.unknown == ("soil",)
    assert found.uncovered_share == pytest.approx(0.5)
    assert under((half, SEVERE)).rating == SEVERE


def test_field_off_the_soil_map_is_unknown():
    found = under((shapely.box(100, 100, 200, 200), SLIGHT))
    assert (found.rating.soil_class, found.polygons, found.uncovered_share) == ("unknown", (), 1.0)
    assert soils_under(objects([FIELD]), objects([]), [])[0].rating.soil_class == "unknown"


def test_soil_that_only_shares_an_edge_with_the_field_does_not_count():
    found = under((shapely.box(0, 0, 20, 10), SLIGHT), (shapely.box(20, 0, 40, 10), SEVERE))
    assert found.rating == SLIGHT and found.polygons == (0,)


def test_overlapping_soil_polygons_do_not_hide_a_gap():
    found = under((shapely.box(0, 0, 12, 10), SLIGHT), (shapely.box(0, 0, 12, 10), SLIGHT))
    assert found.uncovered_share == pytest.approx(0.4)
    assert found.rating.soil_class == "unknown"


def test_many_fields_get_the_same_answers_as_one_at_a_time():
    rng = np.random.default_rng(3)
    shapes = objects([affinity.rotate(shapely.box(x, y, x + 20, y + 8), turn) for x, y, turn in rng.uniform(0, 90, (60, 3))])
    soils = objects([shapely.box(x, y, x + 25, y + 25) for x in range(0, 100, 25) for y in range(0, 75, 25)])
    ratings = [(SLIGHT, MODERATE, SEVERE)[number % 3] for number in range(len(soils))]
    together = soils_under(shapes, soils, ratings)
    assert together == [soils_under(shapes[number : number + 1], soils, ratings)[0] for number in range(len(shapes))]
    for field, found in zip(shapes, together, strict=True):
        inside = shapely.area(shapely.intersection(field, shapely.union_all(soils))) / shapely.area(field)
        assert found.uncovered_share == pytest.approx(1 - inside, abs=2e-6)


# --- flood zones -----------------------------------------------------------------------------------------------------------------


def zones_of(**columns: list[str | None]):
    count = len(next(iter(columns.values())))
    shapes = [shapely.box(number, 0, number + 1, 1) for number in range(count)]
    return flood_kinds(check(geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:26910"), FLOODPLAIN))


def test_flood_zones_are_read_from_kind_zone_and_subtype():
    assert zones_of(kind=["floodway", "floodplain", None]) == ("floodway", "floodplain", "undetermined")
    assert zones_of(
        zone=["AE", "AE", "X", "D", "VE", "A", "OPEN WATER", None],
        subtype=["FLOODWAY", None, "AREA OF MINIMAL FLOOD HAZARD", None, None, None, None, None],
    ) == ("floodway", "floodplain", "outside", "undetermined", "floodplain", "floodplain", "floodplain", "undetermined")


@pytest.mark.parametrize("zone", ["A", "AE", "AH", "AO", "AR", "A1", "A30", "A99", "AR/AE", "V", "VE", "V12", "ve", "OPEN WATER"])
def test_known_flooded_zones_are_floodplain(zone):
    assert zones_of(zone=[zone]) == ("floodplain",)


@pytest.mark.parametrize("zone", [None, " ", "AREA NOT INCLUDED", "NP", "V-LEVEE", "A?", "X500", "D"])
def test_zone_of_no_known_name_is_neither_in_nor_out(zone):
    assert zones_of(zone=[zone], subtype=["AREA NOT STUDIED"]) == ("undetermined",)


def test_layer_without_any_column_is_one_of_floodplains():
    assert zones_of(note=["drawn by hand"]) == ("floodplain",)


def test_kind_said_outright_goes_before_the_zone():
    assert zones_of(kind=["floodplain", "floodplain"], zone=["X", "D"]) == ("floodplain", "floodplain")


def test_field_that_only_touches_the_floodway_is_in_it():
    zones = objects([shapely.box(20, 0, 40, 10), shapely.box(-10, -10, 60, 60)])
    assert flood_under(objects([FIELD]), zones, ["floodway", "floodplain"]) == ["floodway"]
    assert flood_under(objects([FIELD]), objects([shapely.box(20.01, 0, 40, 10)]), ["floodway"]) == ["outside"]


def test_field_that_a_map_of_all_zones_does_not_cover_is_undetermined():
    dry = shapely.box(-5, -5, 10, 20)
    assert flood_under(objects([FIELD]), objects([dry]), ["outside"]) == ["undetermined"]
    assert flood_under(objects([FIELD]), objects([shapely.box(-5, -5, 30, 20)]), ["outside"]) == ["outside"]
    assert flood_under(objects([FIELD]), objects([]), []) == ["outside"]


# --- groundwater -----------------------------------------------------------------------------------------------------------------


def depths(values: list[list[float]], cell: float = 10.0, crs: str = "EPSG:26910") -> Raster:
    array = np.array(values, np.float32)
    grid = Grid.of(array.shape, Affine(cell, 0, 0, 0, -cell, cell * array.shape[0]), crs, "groundwater")
    return Raster(array, grid)


def water_under(field: shapely.Geometry, raster: Raster) -> Span:
    return groundwater_under(objects([field]), raster)[0]


def test_least_depth_of_the_touched_cells_counts():
    raster = depths([[5, 5, 5], [5, 3, 1], [5, 5, 5]])
    assert water_under(shapely.box(11, 11, 19, 19), raster) == Span.of(3.0)
    assert water_under(shapely.box(11, 11, 20.5, 19), raster) == Span.of(1.0)


def test_unknown_cell_leaves_the_depth_open_below_what_is_known():
    raster = depths([[5, 5, 5], [5, 3, math.nan], [5, 5, 5]])
    assert water_under(shapely.box(11, 11, 25, 19), raster) == Span(-math.inf, 3.0)
    assert water_under(shapely.box(23, 12, 26, 18), raster) == Span(-math.inf, math.inf)


def test_field_that_leaves_the_raster_is_open_too():
    raster = depths([[5, 5], [5, 5]])
    assert water_under(shapely.box(15, 12, 25, 18), raster) == Span(-math.inf, 5.0)
    assert water_under(shapely.box(500, 500, 520, 510), raster) == Span(-math.inf, math.inf)
    assert water_under(shapely.box(-15, -15, -5, -5), raster) == Span(-math.inf, math.inf)


def test_raster_in_feet_is_read_where_the_field_lies_in_metres():
    raster = depths([[5, 5, 5], [5, 3, 1], [5, 5, 5]], cell=100.0, crs="EPSG:2263")
    foot = raster.grid.frame.metres_per_unit
    assert water_under(affinity.scale(shapely.box(110, 110, 190, 190), foot, foot, origin=(0, 0)), raster) == Span.of(3.0)


def test_least_depth_is_that_of_every_cell_that_a_turned_field_meets():
    rng = np.random.default_rng(4)
    raster = depths(rng.uniform(0, 10, (30, 30)).tolist(), cell=4.0)
    rows, cols = np.indices(raster.grid.shape)
    cells = shapely.box(cols * 4.0, 120 - (rows + 1) * 4.0, (cols + 1) * 4.0, 120 - rows * 4.0)
    for x, y, turn in rng.uniform(20, 70, (40, 3)):
        field = affinity.rotate(shapely.box(x, y, x + 25, y + 7), turn)
        exact = raster.values[shapely.area(shapely.intersection(cells, field)) > 1e-3].min()
        assert water_under(field, raster).high <= exact
        wide = raster.values[shapely.intersects(cells, shapely.buffer(field, 0.2))].min()
        assert water_under(field, raster).high >= wide
