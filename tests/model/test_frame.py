"""The plane in which distances are measured: what is refused, and how long its unit is."""

import warnings

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer
from pyproj.database import get_units_map
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geoseptic.errors import DatumShiftError, DistortedCrsError, GeographicCrsError, MissingCrsError, WebMercatorError
from geoseptic.model.frame import Frame, crs_name, horizontal, vertical_unit
from geoseptic.units import METRES_PER_UNIT, to_metres

SPHERICAL_MERCATOR = "+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=0 +x_0=0 +y_0=0 +k=1 +units=m +nadgrids=@null +wktext +no_defs"
"""As old servers spell it."""


def objects(*shapes: shapely.Geometry) -> np.ndarray:
    array = np.empty(len(shapes), object)
    array[:] = shapes
    return array


def test_layer_without_a_crs_is_refused_by_name():
    with pytest.raises(MissingCrsError, match=r"parcels \(county.gpkg\) has no coordinate reference system") as refused:
        Frame.of(None, "parcels", "county.gpkg")
    assert refused.value.layer == "parcels"


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:4269", 4326, "EPSG:4979", "EPSG:4326+5703"])
def test_degrees_are_refused_by_name(crs):
    with pytest.raises(GeographicCrsError, match=r"elevation is in degrees \(EPSG:\d+\)") as refused:
        Frame.of(crs, "elevation")
    assert refused.value.layer == "elevation" and refused.value.crs.startswith("EPSG:")


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:3857",
        "ESRI:102100",
        "ESRI:102113",
        "EPSG:3785",
        SPHERICAL_MERCATOR,
        "EPSG:3857+5703",
        CRS("EPSG:3857").to_wkt("WKT1_ESRI"),
        CRS("EPSG:3857").to_wkt("WKT1_GDAL"),
    ],
    ids=["EPSG:3857", "ESRI:102100", "ESRI:102113", "EPSG:3785", "proj string", "with heights", "WKT1 ESRI", "WKT1 GDAL"],
)
def test_web_mercator_is_refused_however_it_is_spelt(crs):
    with pytest.raises(WebMercatorError, match=r"^plots \(town\.gpkg\) is in Web Mercator") as refused:
        Frame.of(crs, "plots", "town.gpkg")
    assert refused.value.layer == "plots"


@pytest.mark.parametrize(
    ("crs", "metres"),
    [
        ("EPSG:26915", 1.0),  # UTM zone 15N
        ("EPSG:28992", 1.0),  # the Dutch national grid
        ("EPSG:5514", 1.0),  # Krovak
        ("EPSG:2263", 1200 / 3937),  # New York Long Island, US survey foot
        ("EPSG:2992", 0.3048),  # Oregon Lambert, international foot
        ("EPSG:6559", 0.3048),  # Oregon South, international foot
        ("EPSG:2263+8228", 1200 / 3937),  # with heights in another foot than the plane's
    ],
)
def test_unit_of_the_plane_is_as_long_as_its_crs_says(crs, metres):
    assert Frame.of(crs, "parcels").metres_per_unit == pytest.approx(metres, rel=1e-12)


def test_the_two_feet_put_the_same_numbers_metres_apart():
    there = objects(shapely.Point(2_000_000, 0))
    international = Frame.of("EPSG:2992", "a").to_metres(there)[0].x
    survey = Frame.of("EPSG:2263", "b").to_metres(there)[0].x
    assert survey - international == pytest.approx(1.2192, abs=0.0001)


@pytest.mark.parametrize("crs", ["EPSG:26915", "EPSG:2263", "EPSG:2992"])
def test_to_metres_and_back_changes_nothing(crs):
    frame = Frame.of(crs, "parcels")
    shapes = objects(shapely.box(2_000_000, 600_000, 2_000_100, 600_050), shapely.Point(1, 2), shapely.Polygon())
    back = frame.from_metres(frame.to_metres(shapes))
    assert shapely.equals_exact(back, shapes, 1e-6).all()
    assert shapely.area(frame.to_metres(shapes))[0] == pytest.approx(5000 * frame.metres_per_unit**2)


def test_metric_frame_hands_on_what_it_was_given():
    shapes = objects(shapely.Point(1, 2))
    assert Frame.of("EPSG:26915", "parcels").to_metres(shapes) is shapes


def test_heights_are_left_out_of_the_frame_and_their_unit_is_told():
    both = CRS("EPSG:2263+8228")
    assert Frame.of(both, "elevation").crs == CRS("EPSG:2263")
    assert horizontal(both) == CRS("EPSG:2263")
    assert vertical_unit(both) == "foot"
    assert vertical_unit(CRS("EPSG:26915+5703")) == "metre"
    assert vertical_unit(CRS("EPSG:26915")) is None
    assert vertical_unit(CRS("EPSG:4979")) == "metre"


def test_name_is_the_code_where_there_is_one():
    assert Frame.of("EPSG:26915", "parcels").name == "EPSG:26915"
    own = CRS.from_proj4("+proj=tmerc +lat_0=45 +lon_0=-92.5 +k=1.00005 +x_0=50000 +y_0=0 +ellps=GRS80 +units=m")
    assert crs_name(own) == own.name


def test_crs_without_a_datum_is_not_given_the_code_of_one_that_looks_like_it():
    like_a_code = CRS.from_proj4("+proj=utm +zone=15 +ellps=GRS80 +units=m")
    assert like_a_code.to_authority() is not None
    assert crs_name(like_a_code) == like_a_code.name


@pytest.mark.parametrize("crs", ["EPSG:3395", "EPSG:32662", "ESRI:54004"])
def test_projection_whose_metre_is_wrong_here_is_refused(crs):
    frame = Frame.of(crs, "parcels")
    x, y = Transformer.from_crs("EPSG:4326", frame.crs, always_xy=True).transform(-122.5, 45.7)
    with pytest.raises(DistortedCrsError, match="parcels"):
        frame.refuse_distortion((x, y, x, y), "parcels")


@pytest.mark.parametrize("crs", ["EPSG:26910", "EPSG:2927", "EPSG:5070", "EPSG:6339"])
def test_projections_made_for_the_place_are_not_refused(crs):
    frame = Frame.of(crs, "parcels")
    x, y = Transformer.from_crs("EPSG:4326", frame.crs, always_xy=True).transform(-122.5, 45.7)
    bounds_m = np.array([x, y, x, y]) * frame.metres_per_unit
    frame.refuse_distortion(bounds_m, "parcels")


# ------------------------------------------------------------------------------------------------------------------- reprojection

MINNESOTA = objects(shapely.box(-93.2, 45.8, -93.0, 46.0))
UTM_15 = Frame.of("EPSG:26915", "elevation")
NAD27_UTM_15 = "+proj=utm +zone=15 +ellps=clrk66 +towgs84=-8,160,176 +units=m"
"""NAD27 with the mean shift to WGS 84 for the contiguous states, as old software wrote it into a CRS: without an accuracy."""


CLARKE_1866, WGS_84 = (6_378_206.4, 6_356_583.8), (6_378_137.0, 6_356_752.314245)
"""Axes of the two ellipsoids. [m]"""


def moved_by_hand(lon: float, lat: float, shift_m: tuple[float, float, float]) -> tuple[float, float]:
    """Longitude and latitude on WGS 84 of a place on NAD27, by a shift of the geocentre alone."""
    (a, b), (x, y, z) = CLARKE_1866, np.array(shift_m)
    lam, phi = np.radians([lon, lat])
    n = a**2 / np.hypot(a * np.cos(phi), b * np.sin(phi))
    x, y, z = x + n * np.cos(phi) * np.cos(lam), y + n * np.cos(phi) * np.sin(lam), z + n * (b / a) ** 2 * np.sin(phi)
    a, b = WGS_84
    e2, p = 1 - (b / a) ** 2, np.hypot(x, y)
    phi = np.arctan2(z, p * (1 - e2))
    for _ in range(10):
        n = a**2 / np.hypot(a * np.cos(phi), b * np.sin(phi))
        phi = np.arctan2(z + e2 * n * np.sin(phi), p)
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(phi))


def test_reprojection_within_a_datum_is_exact_and_names_no_change():
    way = UTM_15.reprojection_from(CRS("EPSG:4269"), MINNESOTA, "parcels")
    assert (way.accuracy_m, way.datum_change, way.lacking) == (0.0, "", ())
    assert str(way) == "without a change of datum"
    (moved,) = way.moved(MINNESOTA)
    expected = Transformer.from_crs("EPSG:4269", "EPSG:26915", always_xy=True).transform(-93.2, 45.8)
    assert shapely.distance(moved, shapely.Point(expected)) == pytest.approx(0, abs=1e-6)


@pytest.mark.source("epsg-dataset", where="operations 1188 (NAD83 to WGS 84 (1), accuracy 4 m), 9774 (NAD83(2011) to WGS 84 (1), 2 m)")
@pytest.mark.parametrize(("target", "name", "accuracy_m"), [("EPSG:26915", "NAD83 to", 4.0), ("EPSG:6344", "NAD83(2011) to", 2.0)])
def test_change_of_datum_is_named_with_the_accuracy_of_the_register(target, name, accuracy_m):
    way = Frame.of(target, "elevation").reprojection_from(CRS("EPSG:4326"), MINNESOTA, "wells")
    assert way.datum_change == f"Inverse of {name} WGS 84 (1)"
    assert way.accuracy_m == accuracy_m
    assert f"accurate to {accuracy_m:g} m" in str(way)


@pytest.mark.source("epsg-dataset", where="operation 1175, NAD27 to WGS 84 (6): -8, 159, 175 m, accuracy 7 m")
def test_less_exact_way_that_needs_no_grid_is_taken_and_named_where_the_grids_are_not_there():
    if grids_known_here("EPSG:32615"):
        pytest.skip("this machine has the grids of NAD27")
    place = objects(shapely.Point(-93.1, 45.9))
    way = Frame.of("EPSG:32615", "elevation").reprojection_from(CRS("EPSG:4267"), place, "wells")
    assert (way.datum_change, way.accuracy_m) == ("NAD27 to WGS 84 (6)", 7.0)
    assert str(way).endswith(f"accurate to 7 m (23 ft); a finer way needs {way.lacking[0]}, not on this machine")
    expected = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True).transform(*moved_by_hand(-93.1, 45.9, (-8, 159, 175)))
    assert shapely.distance(way.moved(place)[0], shapely.Point(expected)) == pytest.approx(0, abs=0.01)


def test_reprojection_of_unknown_accuracy_says_so_and_moves_by_the_shift_that_the_crs_brings():
    place = objects(shapely.Point(484_000, 5_077_000))
    way = UTM_15.reprojection_from(CRS(NAD27_UTM_15), place, "wells")
    assert np.isnan(way.accuracy_m)
    assert "of unknown accuracy" in str(way)
    lon, lat = Transformer.from_crs("EPSG:26715", "EPSG:4267", always_xy=True).transform(484_000, 5_077_000)
    expected = Transformer.from_crs("EPSG:4269", "EPSG:26915", always_xy=True).transform(*moved_by_hand(lon, lat, (-8, 160, 176)))
    assert shapely.distance(way.moved(place)[0], shapely.Point(expected)) == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("crs", ["+proj=utm +zone=15 +ellps=GRS80 +units=m", "+proj=longlat +a=6378000 +b=6356000"])
def test_ballpark_way_from_an_unknown_datum_is_refused_with_what_to_do(crs):
    with pytest.raises(DatumShiftError, match="only a ballpark transformation is at hand") as refused:
        UTM_15.reprojection_from(CRS(crs), objects(shapely.Point(-93, 45)), "wells", "wells.shp")
    assert refused.value.layer == "wells" and refused.value.grids == ()
    assert "Ask the layer's owner for its true CRS" in str(refused.value)
    assert refused.value.exit_code == 3


def grids_known_here(target: str) -> bool:
    """Whether PROJ has a grid of NAD27 on this machine."""
    area = AreaOfInterest(-93.2, 45.8, -93.0, 46.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        ways = TransformerGroup("EPSG:4267", target, always_xy=True, area_of_interest=area, allow_ballpark=False)
    return any(0 <= way.accuracy < 1 for way in ways.transformers)


@pytest.mark.skipif(grids_known_here("EPSG:26915"), reason="this machine has the grids of NAD27")
@pytest.mark.parametrize("crs", ["EPSG:4267", "EPSG:26715"])
def test_nad27_without_its_grid_is_refused_and_names_the_grid(crs):
    shapes = MINNESOTA if crs == "EPSG:4267" else objects(shapely.box(484_000, 5_070_000, 485_000, 5_080_000))
    with pytest.raises(DatumShiftError, match=r"us_noaa_\w*conus\.tif.*PROJ_NETWORK=ON") as refused:
        UTM_15.reprojection_from(CRS(crs), shapes, "wells")
    assert len(refused.value.grids) == 1


@pytest.mark.skipif(not grids_known_here("EPSG:26915"), reason="this machine has no grid of NAD27")
def test_nad27_with_its_grid_is_as_exact_as_the_grid():
    way = UTM_15.reprojection_from(CRS("EPSG:4267"), MINNESOTA, "wells")
    assert way.accuracy_m <= 0.5


def test_features_far_off_the_frames_zone_take_no_part_in_the_choice_of_the_way():
    frame = Frame.of("EPSG:32615", "elevation")
    stray = objects(*MINNESOTA, shapely.Point(0, 0), shapely.Point(1e9, np.nan), None)
    way = frame.reprojection_from(CRS("EPSG:4267"), stray, "wells")
    assert way.datum_change == frame.reprojection_from(CRS("EPSG:4267"), MINNESOTA, "wells").datum_change
    moved = way.moved(stray)
    assert shapely.equals_exact(moved[:1], way.moved(MINNESOTA), 0).all()
    assert moved[-1] is None


def test_two_realizations_of_one_datum_are_taken_for_one_within_two_metres():
    """Most county layers say NAD83, most new elevation says NAD83(2011): without the grids between them the run must not stop."""
    frame = Frame.of("EPSG:6339", "elevation")
    way = frame.reprojection_from(CRS("EPSG:26910"), np.array([shapely.Point(500_000, 5_200_000)], object), "wells")
    assert 0 < way.accuracy_m <= 2.0
    moved = way.moved(np.array([shapely.Point(500_000, 5_200_000)], object))[0]
    assert shapely.distance(moved, shapely.Point(500_000, 5_200_000)) <= 2.0


# -------------------------------------------------------------------------------------------------- what others publish of units and shifts


@pytest.mark.source("epsg-dataset", where="units of measure 9001 (metre), 9002 (foot, 0.3048), 9003 (US survey foot, 12/39.37)")
@pytest.mark.parametrize(("code", "unit"), [("9001", "m"), ("9002", "ft"), ("9003", "US survey foot")])
def test_factor_of_a_unit_is_that_of_the_register(code, unit):
    (found,) = [known for known in get_units_map(auth_name="EPSG", category="linear").values() if known.code == code]
    assert METRES_PER_UNIT[unit] == pytest.approx(found.conv_factor, rel=1e-14)


@pytest.mark.source("epsg-dataset", where="coordinate reference systems, units of their axes")
@pytest.mark.parametrize(
    ("crs", "unit"),
    [
        ("EPSG:2229", "US survey foot"),
        ("EPSG:2286", "US survey foot"),
        ("EPSG:2222", "ft"),
        ("EPSG:2251", "ft"),
        ("EPSG:2913", "ft"),
        ("EPSG:26910", "m"),
    ],
)
def test_state_plane_zones_in_either_foot_come_to_metres_by_their_own(crs, unit):
    """Two million of the zone's units come to metres within a tenth of a millimetre; by the other foot they would be 1.2 m off."""
    (moved,) = Frame.of(crs, "parcels").to_metres(objects(shapely.Point(2_000_000, 2_000_000)))
    assert moved.x == pytest.approx(to_metres(2_000_000, unit), abs=1e-4)


@pytest.mark.source("nadcon-accuracies", where="table of grids: accuracy at 67 percent confidence")
@pytest.mark.parametrize(
    ("datum", "target", "place", "accuracy_m"),
    [
        ("EPSG:4267", "EPSG:26915", (-93.1, 45.9), 0.15),
        ("EPSG:4267", "EPSG:26906", (-149.5, 61.5), 0.5),
        ("EPSG:4135", "EPSG:26904", (-157.9, 21.4), 0.2),
        ("EPSG:4139", "EPSG:26920", (-65.9, 18.2), 0.05),
    ],
)
def test_way_by_a_grid_is_as_exact_as_published_and_refused_by_its_name_where_the_grid_is_not_there(datum, target, place, accuracy_m):
    frame, point = Frame.of(target, "elevation"), objects(shapely.Point(place))
    try:
        assert frame.reprojection_from(CRS(datum), point, "wells").accuracy_m == accuracy_m
    except DatumShiftError as refused:
        (grid,) = refused.grids
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            ways = TransformerGroup(datum, target, always_xy=True, allow_ballpark=False).unavailable_operations
        assert {way.accuracy for way in ways if grid in {found.short_name for found in way.grids}} == {accuracy_m}


@pytest.mark.source(
    "nad83-and-why", where="figures 1 and 2: at most about 1.3 seconds of latitude (south-east), 4.4 of longitude (north-west)"
)
@pytest.mark.parametrize(
    ("target", "place", "axis", "published_s"),
    [("EPSG:32617", (-80.6, 25.3), 1, 1.3), ("EPSG:32610", (-124.4, 48.2), 0, -4.4)],
)
def test_shift_from_nad27_is_the_published_one_within_the_accuracy_that_is_named(target, place, axis, published_s):
    way = Frame.of(target, "elevation").reprojection_from(CRS("EPSG:4267"), objects(shapely.Point(place)), "wells")
    (moved,) = way.moved(objects(shapely.Point(place)))
    found = Transformer.from_crs(target, "EPSG:4326", always_xy=True).transform(moved.x, moved.y)
    metres_a_second = 30.9 * (np.cos(np.radians(place[1])) if axis == 0 else 1)
    read_off_s = 0.05  # the figures are told to a tenth
    assert abs(3600 * (found[axis] - place[axis]) - published_s) <= read_off_s + way.accuracy_m / metres_a_second


@pytest.mark.source("proj-data-us-noaa", where="HPGN: changed approximately 0.2 to 1.0 metre from NAD83 (1986)")
def test_what_is_allowed_for_between_realizations_of_nad83_covers_the_published_change():
    way = Frame.of("EPSG:2913", "elevation").reprojection_from(CRS("EPSG:2269"), objects(shapely.Point(7_600_000, 680_000)), "parcels")
    assert way.accuracy_m >= 1.0 if way.lacking else way.accuracy_m < 1.0
