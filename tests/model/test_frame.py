"""The plane in which distances are measured: what is refused, and how long its unit is."""

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from geoseptic.errors import DistortedCrsError, GeographicCrsError, MissingCrsError, WebMercatorError
from geoseptic.model.frame import Frame, crs_name, horizontal, vertical_unit

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
