"""The plausibility report: a sound county raises no doubt, and each trap raises its own, with the numbers that were put in."""

from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import CRS as ProjCRS
from rasterio.transform import from_origin

from geoseptic.errors import NoOverlapError
from geoseptic.model.grid import Grid, Raster
from geoseptic.processes.land import check_land, check_overlap
from geoseptic.processes.plausibility import plausibility, plausibility_results
from geoseptic.processes.plausible_ground import warned

CRS, LEFT, TOP, SIDE, COUNT = "EPSG:26910", 500_000.0, 5_200_000.0, 50.0, 10
SLOPE = 0.08


def county(*, wells_by=(0.0, 0.0), years=None, left=LEFT, well_count=COUNT * COUNT):
    """A hundred lots of 50 m without streets, a house of 10 x 10 m in the middle of each, a well 15 m west of it."""
    corners = [(left + SIDE * (n % COUNT), TOP - SIDE * (n // COUNT)) for n in range(COUNT * COUNT)]
    lots = [shapely.box(x, y - SIDE, x + SIDE, y) for x, y in corners]
    houses = [shapely.box(x + 20, y - 30, x + 30, y - 20) for x, y in corners]
    wells = [shapely.Point(x + 5 + wells_by[0], y - 25 + wells_by[1]) for x, y in corners[:well_count]]
    names = [f"lot {n}" for n in range(len(lots))]
    years = years or [1950 + n % 50 for n in range(len(lots))]
    return check_land(
        geopandas.GeoDataFrame({"parcel_id": names, "year_built": years}, geometry=lots, crs=CRS),
        geopandas.GeoDataFrame({"kind": ["private"] * len(wells), "location_error_m": [3.0] * len(wells)}, geometry=wells, crs=CRS),
        {"buildings": geopandas.GeoDataFrame({"basement": [False] * len(houses)}, geometry=houses, crs=CRS)},
        frame=None,
        assumed_location_error_m=15.0,
    )


def ground(times=1.0, rounded=False, level=False):
    """A plane that falls to the south by 8 percent, on cells of 2 m."""
    rows = np.arange(260, dtype=np.float64)[:, None]
    heights = np.broadcast_to(300 - (0 if level else SLOPE) * 2 * rows, (260, 260)) * times
    grid = Grid.of((260, 260), from_origin(LEFT - 10, TOP + 10, 2, 2), CRS, "elevation")
    return Raster((np.round(heights) if rounded else heights).astype(np.float32), grid)


def doubts(land, elevation=None):
    return {item.kind: item for item in warned(plausibility(land, elevation, 2026))}


def test_a_sound_county_raises_no_doubt_and_its_figures_are_those_that_were_put_in():
    found = {item.kind: item.numbers for item in plausibility(county(), ground(), 2026)}
    assert doubts(county(), ground()) == {}
    assert found["size_of_parcels"]["median_m2"] == 2500
    assert found["size_of_buildings"]["median_m2"] == 100
    assert found["wells_of_parcels"] == {
        "wells_on_parcels": 100, "wells_per_km2": 400, "share_of_parcels_with_a_well": 1, "wells_a_parcel": 1,
    }  # fmt: skip
    assert found["ground_at_parcels"]["median_slope_percent"] == pytest.approx(100 * SLOPE, rel=1e-3)
    assert found["wells_inside_buildings"]["share"] == 0
    assert found["outside_the_area_of_the_crs"]["outside"] == 0


def test_wells_that_were_shifted_into_the_houses_are_told_with_their_places():
    doubt = doubts(county(wells_by=(20.0, 0.0)))["wells_inside_buildings"]
    assert doubt.text.startswith("100 of 100 wells lie inside a building (100%; up to 5% is usual)")
    assert doubt.points_m is not None and len(doubt.points_m) == 100


def test_wells_that_were_shifted_off_the_parcels_are_told():
    assert doubts(county(wells_by=(-60.0, 0.0))) == {}  # a tenth of them: as usual as neighbours are
    doubt = doubts(county(wells_by=(0.0, 515.0)))["wells_outside_every_parcel"]
    assert doubt.text.startswith("20 of 20 wells within 100 m (328.1 ft) of the parcels lie on none of them")


def test_a_layer_with_hardly_a_well_is_told():
    assert "1 of 100 parcels have a well (1 wells, 4.0 a km2 of parcels)" in doubts(county(well_count=1))["wells_of_parcels"].text


def test_wells_that_stand_in_one_place_are_told():
    land = county()
    shapes = land.wells.shapes_m
    shapes[:10] = shapes[0]
    doubt = doubts(land)["wells_in_one_place"]
    assert doubt.numbers == {"again": 9, "share": 0.09, "most_in_one_place": 10}
    assert doubt.points_m is not None and len(doubt.points_m) == 1


def test_years_that_cannot_be_and_a_year_that_stands_for_unknown_are_told():
    doubt = doubts(county(years=[1900] * 60 + [1985] * 38 + [3020, 12]))["years_built"]
    assert doubt.text == (
        "2 of 100 years of building lie before 1600 or after 2026; 60% of 100 years of building are 1900, which may stand for 'not known'"
    )
    assert doubt.points_m is not None and [point.x - LEFT for point in doubt.points_m] == [8.5 * SIDE, 9.5 * SIDE]


@pytest.mark.parametrize("times", [10.0, 100.0])
def test_whole_decimetres_and_centimetres_taken_for_metres_are_told_of_the_scale(times):
    doubt = doubts(county(), ground(times, rounded=True))["ground_at_parcels"]
    assert "all of them whole metres, which may be tenths or hundredths (--elevation-scale 0.1 or 0.01)" in doubt.text
    assert doubt.numbers["median_slope_percent"] == pytest.approx(100 * SLOPE * times, rel=0.1)


def test_heights_in_whole_metres_are_told_as_such_and_no_scale_is_offered():
    doubt = doubts(county(), ground(rounded=True))["ground_at_parcels"]
    assert "all heights are whole metres" in doubt.text and "--elevation-scale" not in doubt.text


def test_ground_that_is_level_everywhere_is_told():
    assert "exactly level at 100% of 100 lots" in doubts(county(), ground(level=True))["ground_at_parcels"].text


def test_lots_beyond_the_zone_are_told_with_the_length_that_reads_wrong_there():
    """UTM zone 10 ends 3 degrees off its middle, where easting is about 735 km at 47 degrees."""
    doubt = doubts(county(left=760_000.0))["outside_the_area_of_the_crs"]
    assert doubt.text.startswith("100 of 100 parcels lie outside the area that EPSG:26910 is made for (longitude -126 to -119.99")
    # 0.9996 (1 + (260 km)^2 / 2 R^2), R = 6378 km
    assert doubt.numbers["length_of_100_reads"] == pytest.approx(100 * 0.9996 * (1 + 0.5 * (260.25 / 6383) ** 2), abs=0.01)


def test_doubts_go_into_the_warnings_and_all_figures_into_the_counts():
    results = plausibility_results(county(wells_by=(20.0, 0.0)), ground())
    assert [text[:40] for text in results.warnings] == ["check the data: 100 of 100 wells lie ins"]
    assert results.counts["plausibility"]["size_of_parcels"]["median_m2"] == 2500


@pytest.mark.parametrize(
    ("turned", "cause"),
    [
        (lambda x, y: (y, x), "With x and y of parcels exchanged they would meet: its axes are probably swapped"),
        (lambda x, y: (x / 0.3048, y / 0.3048), "its CRS is probably declared in metres and is in feet"),
        (lambda x, y: (x * 0.3048, y * 0.3048), "its CRS is probably declared in feet and is in metres"),
        (lambda x, y: (x - 90_000, y), "One of them is of another place"),
    ],
)
def test_parcels_off_the_elevation_are_refused_with_the_probable_cause(turned, cause):
    """The slip is put in on purpose, so the cause is known."""
    land = county()
    lots_m = shapely.transform(land.fabric.shapes_m, lambda xy: np.column_stack(turned(xy[:, 0], xy[:, 1])))
    with pytest.raises(NoOverlapError) as error:
        check_overlap(ground(), replace(land, fabric=replace(land.fabric, shapes_m=lots_m)))
    assert cause in str(error.value)


def test_lots_beyond_the_zone_are_told_too_where_the_raster_has_lost_what_its_system_is_made_for():
    """A GeoTIFF keeps the code of its system and not its area of use."""
    land, bare = county(left=760_000.0), ProjCRS.from_wkt(ProjCRS(CRS).to_wkt("WKT1_GDAL"))
    assert bare.area_of_use is None
    assert "outside_the_area_of_the_crs" in doubts(replace(land, frame=replace(land.frame, crs=bare)))
