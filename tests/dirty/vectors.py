"""Dirty parcels, wells, buildings and water."""

from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from shapely import LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CRS, at, county, lot, write_county


def spoil(name: str, shapes: object = None, **columns: object) -> GeoDataFrame:
    """A copy of a clean layer with other shapes or columns; a column of None is left out."""
    layer = county().layers[name]
    if shapes is not None:
        layer = layer.set_geometry(np.asarray(shapes, object), crs=CRS)
    for column, values in columns.items():
        layer = layer.drop(columns=column) if values is None else layer.assign(**{column: values})
    return layer


def shapes_of(name: str) -> list[object]:
    return list(county().layers[name].geometry)


def instead(name: str, index: int, shape: object) -> list[object]:
    shapes = shapes_of(name)
    shapes[index] = shape
    return shapes


def moved(name: str, function: object) -> list[object]:
    return [shapely.transform(shape, function) for shape in shapes_of(name)]


# ------------------------------------------------------------------------------------------------------------------- wells


@dirty("a county's own words for the kind of well", "refused", "kind is none of", "--values wells.kind.dom=")
def wells_of_an_unknown_kind(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", kind=["DOM", "private", "private", "private"]))


@dirty("no column that says what kind of well", "safe")
def wells_without_a_kind(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", kind=None))


@dirty("kinds in capitals, with blanks about", "same")
def wells_with_capitals(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", kind=[" Private", "PRIVATE ", "private", "Domestic"]))


@dirty("no error of the place on some wells", "safe", "state no location error")
def wells_without_an_error(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_error_m=[3.0, None, 5.0, 3.0]))


@dirty("wells placed by a section and a sixteenth of one, with errors of 0", "safe", "are placed roughly", "quarter-quarter")
def wells_of_sections_without_an_error(folder: Path) -> Options:
    methods = ["quarter_quarter", "section", None, None]
    return write_county(folder, wells=spoil("wells", location_error_m=[0.0, 0.0, 5.0, 3.0], location_method=methods))


@dirty("wells placed by their lot or address, without an error", "safe", "are placed roughly", "for a lot or an address")
def wells_of_lots_without_an_error(folder: Path) -> Options:
    methods = ["parcel_centroid", "Address", "gps", None]
    return write_county(folder, wells=spoil("wells", location_error_m=[None, None, 5.0, 3.0], location_method=methods))


@dirty("a county's own words for how a well was placed", "refused", "location_method is none of", "--values wells.location_method.gis=")
def wells_of_an_unknown_method(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_method=["GIS", "gps", None, "gps"]))


@dirty("errors of the place without a unit", "refused", "the unit of 'location_error' is not stated")
def wells_with_a_bare_error(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_error_m=None, location_error=[3, 3, 5, 3]))


@dirty("errors of the place in feet", "same", slack_m2=0.1)
def wells_with_errors_in_feet(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_error_m=None, location_error_ft=np.array([3, 3, 5, 3]) / 0.3048))


@dirty("a negative error of the place", "refused", "location_error_m is negative", "w2")
def wells_with_a_negative_error(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_error_m=[3.0, -1.0, 5.0, 3.0]))


@dirty("an error of the place that is a word", "refused", "is not a number", "w3")
def wells_with_a_word_for_an_error(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", location_error_m=["3", "3", "about 5", "3"]))


@dirty("errors of lot lines and of houses, in feet and in metres: for chances alone", "same", "uncertainty alone reckons with it")
def lots_and_houses_with_errors(folder: Path) -> Options:
    houses = county().layers["buildings"]
    return write_county(
        folder,
        parcels=spoil("parcels", location_error_ft=[5, None, 0, 30, None, 5]),
        buildings=houses.assign(location_error_m=[1.0] * len(houses)),
    )


@dirty("a negative error of a lot's lines", "refused", "location_error_ft is negative", "A-2")
def lots_with_a_negative_error(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", location_error_ft=[5, -2, 0, 30, None, 5]))


@dirty("an error of a house that is a word", "refused", "location_error_m is not a number")
def houses_with_a_word_for_an_error(folder: Path) -> Options:
    houses = county().layers["buildings"]
    return write_county(folder, buildings=houses.assign(location_error_m=["a step", *["1"] * (len(houses) - 1)]))


@dirty("errors of lot lines without a unit", "refused", "the unit of 'location_error' is not stated")
def lots_with_a_bare_error(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", location_error=[5, 2, 0, 30, None, 5]))


@dirty("a well whose coordinates are not numbers", "refused", "not finite")
def wells_at_nan(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", instead("wells", 1, Point(float("nan"), 5_199_900.0))))


@dirty("a well at an infinite place", "refused", "not finite")
def wells_at_infinity(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", instead("wells", 1, Point(float("inf"), 5_199_900.0))))


@dirty("a well at a place that is not on Earth", "refused", "not on Earth", "w2")
def wells_off_the_earth(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", instead("wells", 1, Point(1e12, 5_199_900.0))))


@dirty("two points in one record", "refused", "several points in one record", "w1")
def wells_of_two_points(folder: Path) -> Options:
    return write_county(
        folder, wells=spoil("wells", [MultiPoint([place.coords[0], (place.x + 5, place.y)]) for place in shapes_of("wells")])
    )


@dirty("points stored as collections of one", "same")
def wells_as_multipoints(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", [MultiPoint([place]) for place in shapes_of("wells")]))


@dirty("points with heights and measures", "same")
def wells_with_heights(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", [Point(place.x, place.y, 88.0) for place in shapes_of("wells")]))


@dirty("a well record without a point", "refused", "no geometry", "w4")
def wells_without_a_point(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", instead("wells", 3, None)))


@dirty("a layer without a single well", "refused", "is empty", "does not mean no wells")
def wells_none(folder: Path) -> Options:
    return write_county(folder, wells=county().layers["wells"].iloc[:0])


@dirty("wells of another county", "refused", "none of them", "near the parcels")
def wells_far_away(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", moved("wells", lambda xy: xy + 200_000)))


@dirty("two wells of one name", "refused", "well_id occurs more than once", "w1")
def wells_of_one_name(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", well_id=["w1", "w1", "w3", "w4"]))


@dirty("wells drawn as circles", "refused", "point wanted")
def wells_as_circles(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", [place.buffer(3) for place in shapes_of("wells")]))


@dirty("wells in degrees: the accuracy of the reprojection is added to every distance", "safe", "wells reprojected from EPSG:4326")
def wells_in_degrees(folder: Path) -> Options:
    return write_county(folder, wells=county().layers["wells"].set_crs(CRS).to_crs("EPSG:4326"))


SWAPPED = "with longitude and latitude swapped"


def swapped(layer: str, crs: str = "EPSG:4326") -> GeoDataFrame:
    """The layer in another CRS, with its axes exchanged."""
    moved = county().layers[layer].to_crs(crs)
    return moved.set_geometry(shapely.transform(moved.geometry.values, lambda xy: xy[:, ::-1]), crs=crs)


@dirty("longitude and latitude swapped", "refused", SWAPPED, "w1, w2, w3, w4")
def wells_with_swapped_axes(folder: Path) -> Options:
    return write_county(folder, wells=swapped("wells"))


@dirty("parcels in degrees, longitude and latitude swapped", "refused", SWAPPED, "A-1, A-2")
def parcels_with_swapped_degrees(folder: Path) -> Options:
    return write_county(folder, parcels=swapped("parcels"))


@dirty("parcels in UTM, northing before easting", "refused", "its axes are probably swapped")
def parcels_with_swapped_axes(folder: Path) -> Options:
    return write_county(folder, parcels=swapped("parcels", CRS))


@dirty("a water with its degrees swapped: far off, it would not even be read", "refused", "surface_water", f"near {SWAPPED}")
def water_with_swapped_axes(folder: Path) -> Options:
    return write_county(folder, surface_water=swapped("surface_water"))


@dirty("one house of six with its degrees swapped", "refused", "buildings", f"1 records lie far off, but near {SWAPPED}")
def buildings_one_with_swapped_axes(folder: Path) -> Options:
    houses = county().layers["buildings"].to_crs("EPSG:4326")
    wrong = [*swapped("buildings").geometry[:1], *houses.geometry[1:]]
    return write_county(folder, buildings=houses.set_geometry(wrong, crs="EPSG:4326"))


def of_two_zones(layer: str, first: int) -> GeoDataFrame:
    """The layer with all but the first features written in the next zone of UTM."""
    clean = county().layers[layer]
    moved = clean.to_crs("EPSG:26911")
    return clean.set_geometry([*clean.geometry[:first], *moved.geometry[first:]], crs=CRS)


@dirty("half of the parcels written in the next zone of UTM", "refused", "3 of 6 lie 6.0 degrees", "put together of two zones")
def parcels_of_two_zones(folder: Path) -> Options:
    return write_county(folder, parcels=of_two_zones("parcels", 3))


@dirty("a well written in the next zone of UTM", "refused", "1 of 4 lie 6.0 degrees", "put together of two zones", "w4")
def wells_of_two_zones(folder: Path) -> Options:
    return write_county(folder, wells=of_two_zones("wells", 3))


@dirty("springs of another county alone", "safe", "none of its 1 records is near")
def springs_far_away(folder: Path) -> Options:
    far = GeoDataFrame({"name": ["far"]}, geometry=[Point(*at(90_000, 0))], crs=CRS)
    return {**write_county(folder, springs=far), "springs": f"{folder / 'county.gpkg'}|springs"}


@dirty("longitude without its minus", "refused", "wells")
def wells_in_the_other_hemisphere(folder: Path) -> Options:
    degrees = county().layers["wells"].to_crs("EPSG:4326")
    return write_county(folder, wells=degrees.set_geometry([Point(-place.x, place.y) for place in degrees.geometry], crs="EPSG:4326"))


@dirty("one well at 0, 0", "refused", "placed at longitude 0, latitude 0", "w1")
def wells_one_at_null(folder: Path) -> Options:
    degrees = county().layers["wells"].to_crs("EPSG:4326")
    return write_county(folder, wells=degrees.set_geometry([Point(0, 0), *degrees.geometry[1:]], crs="EPSG:4326"))


@dirty(
    "wells on the datum of 1927, without the grid that leads to that of 1983",
    "refused",
    "only a ballpark transformation",
    "us_noaa_nadcon5_nad27_nad83_1986_conus.tif",
)
def wells_on_an_old_datum(folder: Path) -> Options:
    return write_county(folder, wells=county().layers["wells"].to_crs("EPSG:26710"))


@dirty("wells without a reference system", "refused", "no coordinate reference system")
def wells_without_a_crs(folder: Path) -> Options:
    return write_county(folder, wells=county().layers["wells"].set_crs(None, allow_override=True))


@dirty("identifiers that are fractions in a spreadsheet's manner (1001.0)", "same")
def wells_with_numbers_for_names(folder: Path) -> Options:
    return write_county(folder, wells=spoil("wells", well_id=[1001.0, 1002.0, 1003.0, 1004.0]))


# ----------------------------------------------------------------------------------------------------------------- parcels


@dirty("two parcels of one identifier", "refused", "parcel_id occurs more than once", "A-1")
def parcels_of_one_name(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", parcel_id=["A-1", "A-1", "A-3", "B-1", "B-2", "B-3"]))


@dirty("a parcel without an identifier", "refused", "empty parcel_id", "row 2")
def parcels_without_a_name(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", parcel_id=["A-1", " ", "A-3", "B-1", "B-2", "B-3"]))


@dirty("no column of identifiers, and none that is called alike", "refused", "no column 'parcel_id'", "--columns parcels.parcel_id=")
def parcels_without_a_column_of_names(folder: Path) -> Options:
    layer = county().layers["parcels"]
    return write_county(folder, parcels=layer.assign(lot=layer.parcel_id).drop(columns="parcel_id"))


@dirty("a layer without a single parcel", "refused", "holds no parcel")
def parcels_none(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].iloc[:0])


@dirty("a parcel record without a shape", "safe", "no geometry", "A-2")
def parcels_without_a_shape(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 1, None)))


@dirty("a parcel with an empty shape", "safe", "no geometry", "A-2")
def parcels_with_an_empty_shape(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 1, Polygon())))


@dirty("a parcel that crosses itself like a bow-tie", "safe", "mended outline", "A-1")
def parcels_like_a_bow_tie(folder: Path) -> Options:
    (x0, y0), (x1, y1) = at(20, 150), at(110, 20)
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, Polygon([(x0, y0), (x1, y1), (x1, y0), (x0, y1)]))))


@dirty("a parcel with a spike far out of it", "safe", "A-1")
def parcels_with_a_spike(folder: Path) -> Options:
    (x0, y0), (x1, y1) = at(20, 150), at(110, 20)
    spike = Polygon([(x0, y0), (x1, y0), (x1, y1), (x1 + 60, y1 + 60), (x1, y1), (x0, y1)])
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, spike)))


@dirty("every corner of a parcel stored many times over", "same")
def parcels_with_repeated_points(folder: Path) -> Options:
    corners = [corner for corner in lot(0, 0).exterior.coords for _ in range(50)]
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, Polygon(corners))))


@dirty("a parcel with a hole, which is somebody else's ground", "safe")
def parcels_with_a_hole(folder: Path) -> Options:
    (x0, y0), (x1, y1) = at(40, 120), at(70, 100)
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, lot(0, 0).difference(box(x0, y0, x1, y1)))))


@dirty(
    "two units on one ground (a stacked condominium)",
    "safe",
    "same ground as another",
    lots=("A-1", "A-2", "A-3", "B-1", "B-2", "B-3", "A-1 unit 2"),
)
def parcels_stacked(folder: Path) -> Options:
    clean = county().layers["parcels"]
    return write_county(folder, parcels=pd.concat([clean, clean.iloc[[0]].assign(parcel_id="A-1 unit 2")], ignore_index=True))


@dirty("two parcels that claim a strip of 8 m both", "safe", "overlap", "A-1", "A-2")
def parcels_that_overlap(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, lot(0, 0, 98.0))))


@dirty("a parcel of 40 cm width, left over between two outlines", "safe", "sliver", lots=("A-1", "A-2", "A-3", "B-1", "B-2", "B-3", "S"))
def parcels_with_a_sliver(folder: Path) -> Options:
    clean = county().layers["parcels"]
    (x0, y0), (x1, y1) = at(290, 150), at(290.4, 20)
    sliver = GeoDataFrame({"parcel_id": ["S"], "public_water": ["yes"], "year_built": [None]}, geometry=[box(x0, y0, x1, y1)], crs=CRS)
    return write_county(folder, parcels=pd.concat([clean, sliver], ignore_index=True))


@dirty("outlines with heights", "same")
def parcels_with_heights(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", shapely.force_3d(np.array(shapes_of("parcels")), 88.0)))


@dirty("outlines as lines instead of areas", "refused", "polygon wanted")
def parcels_as_lines(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", [LineString(shape.exterior.coords) for shape in shapes_of("parcels")]))


@dirty("a corner that is not a number", "safe", "not finite", "B-1")
def parcels_with_a_nan(folder: Path) -> Options:
    corners = list(lot(0, 1).exterior.coords)
    corners[1] = (float("nan"), corners[1][1])
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 3, Polygon(corners))))


@dirty("an outline of a hundred thousand corners", "same", slack_m2=1.0)
def parcels_of_many_corners(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", instead("parcels", 0, lot(0, 0).segmentize(440 / 100_000))))


@dirty("a year that is a word", "refused", "year_built is not a number", "A-1")
def parcels_with_a_word_for_a_year(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", year_built=["old", "1950", "1962", "1978", "1990", "2001"]))


@dirty("public water said in neither yes nor no", "refused", "public_water is neither yes nor no", "--values parcels.public_water.maybe=")
def parcels_with_a_doubtful_flag(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", public_water=["maybe", "no", "no", "no", "yes", "yes"]))


@dirty("markup in identifiers", "same", lots=("<script>alert(1)</script>", "=1+1", "A-3", "B-1", "B-2", "B-3"))
def parcels_with_markup_for_names(folder: Path) -> Options:
    return write_county(folder, parcels=spoil("parcels", parcel_id=["<script>alert(1)</script>", "=1+1", "A-3", "B-1", "B-2", "B-3"]))


@dirty("parcels in the next zone of UTM, where lengths read too long", "refused", "reads 100.22 at this place")
def parcels_in_the_next_zone(folder: Path) -> Options:
    return {**write_county(folder, parcels=county().layers["parcels"].to_crs("EPSG:26911")), "elevation": None}


@dirty("parcels in US survey feet of the state plane", "same", slack_m2=2.0)
def parcels_in_survey_feet(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].to_crs("EPSG:2286"))


@dirty("parcels in degrees, without elevation to measure in", "refused", "is in degrees")
def parcels_in_degrees(folder: Path) -> Options:
    return {**write_county(folder, parcels=county().layers["parcels"].to_crs("EPSG:4326")), "elevation": None}


@dirty("parcels in Web Mercator, without elevation to measure in", "refused", "Web Mercator")
def parcels_in_web_mercator(folder: Path) -> Options:
    return {**write_county(folder, parcels=county().layers["parcels"].to_crs("EPSG:3857")), "elevation": None}


@dirty("parcels without a reference system", "refused", "no coordinate reference system")
def parcels_without_a_crs(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].set_crs(None, allow_override=True))


@dirty("a CRS declared that is not theirs: another place on Earth", "refused", "every setback would be wrong")
def parcels_with_a_wrong_crs(folder: Path) -> Options:
    return write_county(folder, parcels=county().layers["parcels"].set_crs("EPSG:26917", allow_override=True))


# -------------------------------------------------------------------------------------------------- buildings and water


@dirty("a house that crosses itself: both of its lobes are kept clear of", "safe")
def buildings_like_a_bow_tie(folder: Path) -> Options:
    (left, bottom, right, top) = shapes_of("buildings")[0].bounds
    return write_county(
        folder,
        buildings=spoil(
            "buildings", instead("buildings", 0, Polygon([(left - 5, bottom), (right + 5, top), (right + 5, bottom), (left - 5, top)]))
        ),
    )


@dirty("a house without a shape: it is somewhere", "same", "1 without a shape")
def buildings_without_a_shape(folder: Path) -> Options:
    clean = county().layers["buildings"]
    more = GeoDataFrame({"basement": ["no"]}, geometry=[None], crs=CRS)
    return write_county(folder, buildings=pd.concat([clean, more], ignore_index=True))


@dirty("houses as points", "refused", "polygon wanted")
def buildings_as_points(folder: Path) -> Options:
    return write_county(folder, buildings=spoil("buildings", [shape.centroid for shape in shapes_of("buildings")]))


@dirty("every house twice", "same")
def buildings_twice(folder: Path) -> Options:
    clean = county().layers["buildings"]
    return write_county(folder, buildings=pd.concat([clean, clean], ignore_index=True))


@dirty("a pond of two lobes in one record, one of them crossing itself", "safe")
def water_of_lobes(folder: Path) -> Options:
    x, y = at(200, 260)
    bow = Polygon([(x, y), (x + 20, y + 20), (x + 20, y), (x, y + 20)])
    return write_county(folder, surface_water=spoil("surface_water", [MultiPolygon([shapes_of("surface_water")[0], bow])]))


@dirty("a water of an unknown kind", "refused", "kind is none of", "seasonal")
def water_of_an_unknown_kind(folder: Path) -> Options:
    return write_county(folder, surface_water=spoil("surface_water", kind=["seasonal"]))
