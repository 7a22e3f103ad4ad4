"""A layer holds its contract, or is refused once with every fault and every id that has it."""

import geopandas
import numpy as np
import pandas
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from geoseptic.errors import DatumShiftError, GeographicCrsError, LayerContractError, LocalCrsError, MissingCrsError, WebMercatorError
from geoseptic.model import layers
from geoseptic.model.checking import check
from geoseptic.model.frame import Frame

UTM = "EPSG:26915"
NAN = float("nan")
LOT = shapely.box(0, 0, 40, 60)


def lots(ids, shapes=None, crs=UTM, **columns) -> geopandas.GeoDataFrame:
    shapes = [LOT] * len(ids) if shapes is None else shapes
    return geopandas.GeoDataFrame({"parcel_id": ids, **columns}, geometry=list(shapes), crs=crs)


def wells(count=2, crs=UTM, points=None, **columns) -> geopandas.GeoDataFrame:
    points = [shapely.Point(number, number) for number in range(count)] if points is None else points
    return geopandas.GeoDataFrame(columns, geometry=points, crs=crs)


def faults(layer, contract=layers.PARCELS, **options) -> dict[str, tuple[object, ...]]:
    """What the refusal says, as fault -> ids."""
    with pytest.raises(LayerContractError) as refused:
        check(layer, contract, **options)
    assert refused.value.layer == contract.name
    return dict(refused.value.problems)


# ---------------------------------------------------------------------------------------------------------------------------- CRS


def test_sound_layer_passes_with_its_columns():
    layer = check(lots(["a", "b"], year_built=[1950, None], permit_on_file=["yes", None]), layers.PARCELS)
    assert layer.ids.tolist() == ["a", "b"] and len(layer) == 2 and layer.notes == ()
    assert layer.numbers("year_built") == pytest.approx([1950, NAN], nan_ok=True)
    assert layer.flags("permit_on_file").tolist() == [True, None]
    assert layer.flags("public_water").tolist() == [None, None]
    assert np.isnan(layer.numbers("bedrooms")).all()
    assert layer.texts("no_such_column").tolist() == [None, None]


@pytest.mark.parametrize(
    ("crs", "error"),
    [(None, MissingCrsError), ("EPSG:4326", GeographicCrsError), ("EPSG:3857", WebMercatorError), ("ESRI:102100", WebMercatorError)],
)
def test_layer_is_refused_for_its_own_crs(crs, error):
    with pytest.raises(error, match=r"^parcels \(county\.gpkg\)"):
        check(lots(["a"], crs=crs), layers.PARCELS, source="county.gpkg")


def test_missing_crs_is_refused_even_where_the_frame_is_known():
    with pytest.raises(MissingCrsError, match=r"^wells \(wells\.shp\)"):
        check(wells(crs=None), layers.WELLS, Frame.of(UTM, "elevation"), "wells.shp")


BY_WGS84 = "by 'Inverse of NAD83 to WGS 84 (1)', accurate to 4 m (13.1 ft)"


@pytest.mark.parametrize(
    ("crs", "way", "moved_by_m"),
    [("EPSG:4326", BY_WGS84, 4.0), ("EPSG:3857", BY_WGS84, 4.0), ("EPSG:26914", "without a change of datum", 0.0)],
)
def test_layer_in_another_crs_is_brought_into_the_frame_and_it_is_noted(crs, way, moved_by_m):
    here = wells(points=[shapely.Point(500_000, 4_980_000)])
    layer = check(here.to_crs(crs), layers.WELLS, Frame.of(UTM, "elevation"))
    assert shapely.distance(layer.shapes_m, shapely.Point(500_000, 4_980_000)) == pytest.approx(0, abs=1e-3)
    (note,) = layer.notes
    assert note.startswith(f"wells reprojected from {crs} to {UTM} {way}")
    assert layer.moved_by_m == moved_by_m
    assert layer.kept(np.array([True])).moved_by_m == moved_by_m


def test_layer_in_the_frames_own_crs_is_not_moved():
    layer = check(wells(), layers.WELLS, Frame.of(UTM, "elevation"))
    assert layer.notes == () and layer.moved_by_m == 0.0


def test_layer_on_another_datum_is_refused_where_only_a_ballpark_way_is_known():
    on_no_known_datum = "+proj=utm +zone=15 +ellps=GRS80 +units=m"
    with pytest.raises(DatumShiftError, match=r"wells \(wells\.shp\) is in .* another datum than EPSG:26915"):
        check(wells(crs=on_no_known_datum), layers.WELLS, Frame.of(UTM, "elevation"), "wells.shp")


def test_faulty_shapes_of_a_reprojected_layer_are_still_named():
    degrees = lots(["here", "none", "empty"], [shapely.box(-93, 46, -92.99, 46.01), None, shapely.Polygon()], crs="EPSG:4326")
    assert faults(degrees, frame=Frame.of(UTM, "elevation")) == {"no geometry": ("none", "empty")}


@pytest.mark.parametrize(("crs", "foot_m"), [("EPSG:2263", 1200 / 3937), ("EPSG:2992", 0.3048), ("EPSG:6559", 0.3048)])
def test_coordinates_in_feet_come_out_in_metres(crs, foot_m):
    layer = check(lots(["a"], [shapely.box(2_000_000, 600_000, 2_000_100, 600_050)], crs=crs), layers.PARCELS)
    assert layer.shapes_m[0].bounds == pytest.approx(tuple(v * foot_m for v in (2_000_000, 600_000, 2_000_100, 600_050)), rel=1e-12)
    assert layer.notes == ()


def test_coordinates_that_do_not_reproject_are_named():
    degrees = lots(["here", "nowhere"], [shapely.box(-93, 46, -92.99, 46.01), shapely.box(1e5, 0, 1e5 + 1, 1)], crs="EPSG:4326")
    assert faults(degrees, frame=Frame.of(UTM, "elevation")) == {"coordinates that are not finite or not on Earth": ("nowhere",)}


# ---------------------------------------------------------------------------------------------------------------------------- ids


def test_duplicate_ids_are_all_named():
    assert faults(lots(["a", "b", "a", "c", "b", " a "])) == {"parcel_id occurs more than once": ("a", "b")}


def test_empty_ids_are_named_by_their_row():
    assert faults(lots(["a", None, "", "  ", "b"])) == {"empty parcel_id": ("row 2", "row 3", "row 4")}


def test_numbers_as_ids_read_as_whole_numbers():
    assert check(lots([12.0, 7.0]), layers.PARCELS).ids.tolist() == ["12", "7"]
    assert check(lots([12, 7]), layers.PARCELS).ids.tolist() == ["12", "7"]
    assert faults(lots([12.0, NAN])) == {"empty parcel_id": ("row 2",)}


def test_layer_without_its_id_column_is_told_which_columns_it_has():
    layer = geopandas.GeoDataFrame({"APN": [1], "ZONE": ["R1"]}, geometry=[LOT], crs=UTM)
    problems = faults(layer)
    assert list(problems.values()) == [("APN", "ZONE")]
    assert "--columns parcels.parcel_id=NAME" in next(iter(problems))


def test_wells_without_an_id_column_are_numbered():
    assert check(wells(2), layers.WELLS).ids.tolist() == ["wells 1", "wells 2"]
    assert check(wells(3, well_id=["W1", None, ""]), layers.WELLS).ids.tolist() == ["W1", "row 2", "row 3"]


def test_refusal_prints_the_first_twenty_ids_and_holds_all():
    ids = [f"p{number}" for number in range(50)]
    with pytest.raises(LayerContractError) as refused:
        check(lots(ids, [shapely.Polygon()] * 50), layers.PARCELS, source="county.gpkg")
    assert refused.value.problems["no geometry"] == tuple(ids)
    text = str(refused.value)
    assert text.startswith("parcels (county.gpkg) cannot be used:")
    assert "p19 and 30 more" in text and "p20" not in text


# ----------------------------------------------------------------------------------------------------------------------- geometry


def test_missing_and_empty_geometry_is_named():
    assert faults(lots(["a", "b", "c"], [LOT, None, shapely.Polygon()])) == {"no geometry": ("b", "c")}


def test_wrong_kinds_of_geometry_are_named():
    problems = faults(lots(["a", "b", "c"], [LOT, shapely.Point(1, 1), shapely.LineString([(0, 0), (1, 1)])]))
    assert problems == {"polygon wanted, not LineString, Point": ("b", "c")}


def test_record_with_several_points_is_named_and_one_with_a_single_point_passes():
    one, two = shapely.MultiPoint([(5, 6)]), shapely.MultiPoint([(0, 0), (1, 1)])
    both = wells(points=[one, two], well_id=["W1", "W2"])
    assert faults(both, layers.WELLS) == {"several points in one record; give each its own": ("W2",)}
    assert check(wells(points=[one]), layers.WELLS).shapes_m[0].equals(shapely.Point(5, 6))


def not_finite() -> list[shapely.Geometry]:
    with np.errstate(invalid="ignore"):
        return [
            shapely.Polygon([(0, 0), (10, 0), (NAN, NAN), (0, 10)]),
            shapely.Polygon([(0, 0), (10, 0), (NAN, 5), (0, 10)]),
            shapely.Polygon([(0, 0), (10, 0), (float("inf"), 5), (0, 10)]),
            shapely.box(0, 0, 1e9, 1),
        ]


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_coordinates_that_are_not_numbers_are_named_also_where_the_bounds_hide_them():
    assert faults(lots(["ok", "nan", "half", "inf", "far"], [LOT, *not_finite()])) == {
        "coordinates that are not finite or not on Earth": ("nan", "half", "inf", "far")
    }
    point = wells(points=[shapely.Point(NAN, NAN), shapely.Point(1, NAN)], well_id=["W1", "W2"])
    assert set().union(*faults(point, layers.WELLS).values()) == {"W1", "W2"}


def test_heights_in_the_coordinates_are_dropped():
    layer = check(lots(["a"], [shapely.force_3d(LOT, 123.0)]), layers.PARCELS)
    assert not shapely.has_z(layer.shapes_m).any() and layer.shapes_m[0].equals(LOT)


# ------------------------------------------------------------------------------------------------------------------------- columns


@pytest.mark.parametrize(
    ("raw", "value"),
    [("yes", True), ("Y", True), ("TRUE", True), ("1", True), (1, True), (1.0, True), (True, True), ("no", False), ("F", False), (0, False),
     ("0.0", False), (False, False), (None, None), ("", None), (NAN, None), (" n ", False)],
)  # fmt: skip
def test_flag_reads_as_yes_no_or_unknown(raw, value):
    assert check(lots(["a"], permit_on_file=pandas.Series([raw], dtype=object)), layers.PARCELS).flags("permit_on_file").tolist() == [value]


def test_flags_that_are_neither_are_all_named():
    (problem,) = (found := faults(lots(["a", "b", "c"], public_water=["maybe", "yes", "2"])))
    assert problem.startswith("public_water is neither yes nor no but 2, maybe (") and found[problem] == ("a", "c")
    assert "--values parcels.public_water.2=MEANING" in problem


def test_numbers_that_are_none_are_all_named():
    assert faults(lots(["a", "b", "c", "d"], year_built=["1950", "old", None, "inf"])) == {"year_built is not a number": ("b", "d")}


@pytest.mark.parametrize(
    ("columns", "metres"),
    [
        ({"location_error_m": [3.0, None]}, [3.0, NAN]),
        ({"location_error_ft": [100.0, None]}, [30.48, NAN]),
        ({"location_error": [100.0, 3.0], "location_error_unit": ["ft", "m"]}, [30.48, 3.0]),
        ({"location_error": [3937.0, None], "location_error_unit": ["US survey foot", None]}, [1200.0, NAN]),
        ({"location_error_ft": ["100", ""]}, [30.48, NAN]),
    ],
)
def test_length_comes_out_in_metres_from_the_unit_that_it_states(columns, metres):
    assert check(wells(2, **columns), layers.WELLS).numbers("location_error") == pytest.approx(metres, nan_ok=True)


def test_length_without_its_unit_is_refused():
    (problem,) = faults(wells(2, location_error=[3.0, 5.0]), layers.WELLS)
    assert "the unit of 'location_error' is not stated" in problem


def test_unit_without_its_length_is_refused():
    (problem,) = faults(wells(2, location_error_unit=["m", "ft"]), layers.WELLS)
    assert problem.startswith("a column location_error_unit but none of location_error, location_error_m, location_error_ft")


def test_length_with_an_unknown_unit_or_below_zero_is_named():
    odd = wells(3, well_id=["A", "B", "C"], location_error=[3.0, 5.0, 1.0], location_error_unit=["m", "fathom", None])
    assert faults(odd, layers.WELLS) == {"location_error_unit is not a known unit": ("B", "C")}
    below = wells(2, well_id=["A", "B"], location_error_ft=[-5.0, 5.0])
    assert faults(below, layers.WELLS) == {"location_error_ft is negative": ("A",)}


def test_length_given_twice_is_refused():
    twice = wells(2, location_error_m=[1.0, 1.0], location_error_ft=[3.0, 3.0])
    assert faults(twice, layers.WELLS) == {"location_error is given more than once; keep one of": ("location_error_m", "location_error_ft")}


def test_choice_is_read_in_any_case_and_others_are_named():
    assert check(wells(3, kind=["Private", " PUBLIC ", ""]), layers.WELLS).texts("kind").tolist() == ["private", "public", None]
    (problem,) = (found := faults(wells(2, well_id=["A", "B"], kind=["private", "artesian"]), layers.WELLS))
    assert problem.startswith("kind is none of private") and "but artesian (" in problem and found[problem] == ("B",)
    assert "--values wells.kind.artesian=MEANING" in problem


def test_required_text_column_is_asked_for_and_its_gaps_are_named():
    others = geopandas.GeoDataFrame({"feature": ["dry_well", None]}, geometry=[LOT, LOT], crs=UTM)
    assert faults(others, layers.OTHER_FEATURES) == {"empty feature": ("other_features 2",)}
    (problem,) = faults(others.drop(columns="feature"), layers.OTHER_FEATURES)
    assert problem.startswith("no column 'feature'")


def test_all_faults_of_a_layer_come_in_one_refusal():
    layer = lots(["a", "a", None, "d"], [LOT, None, shapely.Point(0, 0), LOT], year_built=["x", 1, 2, 3], public_sewer=["?", 1, 0, 1])
    problems = {problem.partition(" but ")[0]: ids for problem, ids in faults(layer).items()}
    assert problems == {
        "empty parcel_id": ("row 3",),
        "parcel_id occurs more than once": ("a",),
        "no geometry": ("a",),
        "polygon wanted, not Point": ("row 3",),
        "year_built is not a number": ("a",),
        "public_sewer is neither yes nor no": ("a",),
    }


def test_layer_in_a_system_that_is_tied_to_no_place_is_refused_and_not_reprojected():
    local = 'LOCAL_CS["plan",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
    with pytest.raises(LocalCrsError, match="tied to no place"):
        check(wells(1).set_crs(local, allow_override=True), layers.WELLS, Frame.of(UTM, "elevation"))


def test_check_changes_nothing_in_the_layer_that_it_was_given():
    layer = lots(["a ", "b"], [shapely.force_3d(LOT, 5.0), LOT], crs="EPSG:2263")
    before = layer.copy(deep=True)
    check(layer, layers.PARCELS)
    assert_geodataframe_equal(layer, before)
    assert shapely.has_z(layer.geometry.values[0])


# ------------------------------------------------------------------------------------------------------------------- each word once


@pytest.mark.parametrize("words", [["yes", " No ", None, "T", "0", "yes", ""], [True, None, False, True]])
@pytest.mark.parametrize("column", ["public_water", "county_id"])
def test_words_that_are_looked_at_once_are_those_of_a_look_at_each(words, column):
    contract = layers.Contract(
        "lots", "Lots", "polygon", (layers.Column("public_water", "", "flag"), layers.Column("county_id", "", "label"))
    )
    ids, read = list(range(len(words))), {}
    for kind in ("string" if isinstance(words[0], str) else "boolean", object):
        layer = lots(ids, **{column: pandas.array(words, dtype=kind)})
        read[kind] = check(layer, contract).columns[column].tolist()
    first, second = read.values()
    assert first == second and [type(value) for value in first] == [type(value) for value in second]


def test_words_that_are_neither_are_told_with_each_id_that_has_them():
    layer = lots(["a", "b", "c", "d"], public_water=pandas.array(["maybe", None, "maybe", "yes"], dtype="string"))
    (problem, ids), *others = faults(layer).items()
    assert problem.startswith("public_water is neither yes nor no but maybe (") and ids == ("a", "c") and not others


@pytest.mark.parametrize("deep", [False, True])
def test_shapes_of_some_height_are_flat_and_those_that_are_flat_are_not_made_anew(deep):
    shapes = [LOT, shapely.force_3d(shapely.box(50, 0, 90, 60), 7.0) if deep else shapely.box(50, 0, 90, 60)]
    found = check(lots(["a", "b"], shapes), layers.PARCELS).shapes_m
    assert not shapely.has_z(found).any() and shapely.to_wkb(found).tolist() == shapely.to_wkb(shapely.force_2d(shapes)).tolist()


def test_point_in_a_shape_for_several_is_that_point():
    found = check(wells(points=[shapely.Point(1, 2), shapely.MultiPoint([(3, 4)])]), layers.WELLS).shapes_m
    assert [shape.wkt for shape in found] == ["POINT (1 2)", "POINT (3 4)"]
