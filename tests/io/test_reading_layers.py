"""Reading vector layers: names, columns, only what is near, record by record where a layer is too big."""

import geopandas
import pandas
import pytest
from pyproj import CRS
from shapely import MultiPolygon, Point, box

from geoseptic.errors import FileUnreadableError, LayerContractError, MissingCrsError
from geoseptic.io import gdalsource, layers
from geoseptic.io.layerheaders import read_header
from geoseptic.model.layers import BUILDINGS, PARCELS, WELLS


@pytest.fixture
def wells_file(tmp_path):
    count = 500
    frame = geopandas.GeoDataFrame(
        {"WELL_ID": [f"w{number}" for number in range(count)], "Kind": ["private"] * count, "owner_note": ["x"] * count},
        geometry=[Point(500_000 + number, 5_200_000) for number in range(count)],
        crs="EPSG:26910",
    )
    frame.to_file(tmp_path / "wells.gpkg", layer="wells")
    return tmp_path / "wells.gpkg"


def test_only_the_contracts_columns_are_read_whatever_their_case(wells_file):
    frame = layers.read_layer(str(wells_file), WELLS)
    assert set(frame.columns) == {"well_id", "kind", "geometry"}
    assert frame.attrs["source"].endswith("wells.gpkg|wells")


@pytest.mark.parametrize("with_fiona", [True, False])
def test_streamed_layer_equals_the_layer_read_whole(wells_file, monkeypatch, with_fiona):
    near = ((500_100.0, 5_199_000.0, 500_299.5, 5_201_000.0), CRS("EPSG:26910"))
    whole = layers.read_layer(str(wells_file), WELLS, near=near)
    monkeypatch.setattr(gdalsource, "STREAM_FROM_FEATURES", 10)
    monkeypatch.setattr(gdalsource, "BATCH_FEATURES", 64)
    if not with_fiona:
        monkeypatch.setitem(__import__("sys").modules, "fiona", None)
    streamed = layers.read_layer(str(wells_file), WELLS, near=near)
    assert len(whole) == 200
    assert list(streamed["well_id"]) == list(whole["well_id"])
    assert streamed.crs == whole.crs
    assert streamed.geometry.geom_equals(whole.geometry).all()


def test_near_bounds_in_another_crs_find_the_same_features(wells_file):
    frame = layers.read_layer(str(wells_file), WELLS)
    lonlat = frame.to_crs("EPSG:4326")
    lonlat.to_file(wells_file.with_name("lonlat.geojson"))
    near = ((500_100.0, 5_199_000.0, 500_299.5, 5_201_000.0), CRS("EPSG:26910"))
    found = layers.read_layer(str(wells_file.with_name("lonlat.geojson")), WELLS, near=near)
    assert set(found["well_id"]) >= {f"w{number}" for number in range(100, 300)}
    assert len(found) < 500


def test_missing_layer_names_those_that_are_there(wells_file):
    with pytest.raises(FileUnreadableError, match="Layers there: wells"):
        layers.read_layer(f"{wells_file}|ponds", WELLS)


def test_file_with_several_layers_asks_for_one(wells_file):
    layers.read_layer(str(wells_file), WELLS).to_file(wells_file, layer="more")
    with pytest.raises(FileUnreadableError, match="has 2 layers"):
        layers.read_layer(str(wells_file), WELLS)
    assert len(layers.read_layer(f"{wells_file}|layername=more", WELLS)) == 500


def test_file_that_was_written_anew_is_asked_again_what_it_holds(wells_file):
    """What was found at its first opening, number, columns, CRS and layers, does not stand for another state of the file."""
    before = read_header(str(wells_file))
    wells = layers.read_layer(str(wells_file), WELLS)
    wells_file.unlink()
    wells.assign(depth_m=3.0)[:7].to_crs("EPSG:26911").to_file(wells_file, layer="wells")
    after = read_header(str(wells_file))
    assert (before.features, after.features, after.crs.to_epsg()) == (500, 7, 26911)
    assert "depth_m" not in before.fields and "depth_m" in after.fields
    wells.to_file(wells_file, layer="ponds")
    assert read_header(f"{wells_file}|ponds").features == 500


def test_mapped_column_that_is_not_in_the_file_is_refused_with_those_that_are(wells_file):
    with pytest.raises(LayerContractError, match="WELL_ID, Kind, owner_note"):
        layers.read_layer(str(wells_file), WELLS, {"well_id": "NUMBER"})
    with pytest.raises(LayerContractError, match="do not have"):
        layers.read_layer(str(wells_file), WELLS, {"colour": "Kind"})


def test_mapped_length_replaces_the_one_under_another_unit(wells_file):
    frame = geopandas.read_file(wells_file)
    frame["location_error_m"], frame["err_feet"] = 1.0, 10.0
    frame.to_file(wells_file, layer="wells")
    read = layers.read_layer(str(wells_file), WELLS, {"location_error_ft": "err_feet"})
    assert "location_error_m" not in read.columns
    assert set(read["location_error_ft"]) == {10.0}


def test_layer_without_crs_and_file_without_layers_are_refused(tmp_path):
    with pytest.warns(UserWarning, match="crs"):
        geopandas.GeoDataFrame({"parcel_id": ["a"]}, geometry=[Point(0, 0).buffer(1)]).to_file(tmp_path / "bare.gpkg")
    with pytest.raises(MissingCrsError, match=r"bare\.gpkg"):
        layers.read_layer(str(tmp_path / "bare.gpkg"), PARCELS)
    (tmp_path / "text.txt").write_text("not a layer")
    with pytest.raises(FileUnreadableError, match=r"text\.txt"):
        layers.read_layer(str(tmp_path / "text.txt"), BUILDINGS)


NEAR = ((499_000.0, 5_199_000.0, 501_000.0, 5_201_000.0), CRS("EPSG:26910"))


@pytest.mark.parametrize(("name", "first"), [("b.gpkg", 1), ("b.shp", 0), ("b.geojson", 0), ("b.gdb", 1)])
@pytest.mark.parametrize("at_a_time", [2, 1_000_000])
def test_records_without_a_shape_are_told_by_their_number_in_the_file_and_not_read(tmp_path, monkeypatch, name, first, at_a_time):
    house = MultiPolygon([box(500_000, 5_200_000, 500_010, 5_200_010)])
    shapes = [house, None, house, MultiPolygon(), house]
    frame = geopandas.GeoDataFrame({"use": list("abcde")}, geometry=shapes, crs="EPSG:26910")
    frame.to_file(tmp_path / name, driver="OpenFileGDB" if name.endswith("gdb") else None)
    monkeypatch.setattr(gdalsource, "BOUNDS_AT_A_TIME", at_a_time)
    read = layers.read_layer(str(tmp_path / name), BUILDINGS, near=NEAR)
    assert len(read) == 3 and not read.geometry.isna().any()
    assert read.attrs["without_shape"] == (first + 1, first + 3)


def test_layer_read_whole_keeps_its_shapeless_records_for_the_check_to_refuse(wells_file):
    frame = geopandas.GeoDataFrame({"well_id": ["a", "lost"]}, geometry=[Point(1, 1), None], crs="EPSG:26910")
    frame.to_file(wells_file, layer="wells")
    assert layers.read_layer(str(wells_file), WELLS).geometry.isna().tolist() == [False, True]


def test_coded_words_are_read_as_they_are_mapped_and_others_stay():
    raw = pandas.Series(["DOM", " dom ", "PWS", "UNK", None, "private"])
    read = layers.in_words_of_the_contract(raw, {"dom": "private", "unk": ""})
    assert read.fillna("nothing").tolist() == ["private", "private", "PWS", "nothing", "nothing", "private"]


@pytest.mark.parametrize("numbers", [[1, 2, 1], [1.0, 2.0, None]])
def test_coded_numbers_are_mapped_by_their_digits(numbers):
    read = layers.in_words_of_the_contract(pandas.Series(numbers), {"1": "private", "2": "public"})
    assert read.tolist()[:2] == ["private", "public"] and (read[2] == "private" or pandas.isna(read[2]))


def test_words_that_are_mapped_for_a_column_that_is_not_there_are_refused(wells_file):
    with pytest.raises(LayerContractError, match=r"words are mapped for columns that are not there.*deep_casing"):
        layers.read_layer(str(wells_file), WELLS, words={"deep_casing": {"c": "yes"}})


def test_mapped_column_is_found_whatever_its_case_and_a_near_one_is_named(wells_file):
    assert "well_id" in layers.read_layer(str(wells_file), WELLS, {"well_id": "well_ID"})
    with pytest.raises(LayerContractError, match=r"did you mean 'owner_note'"):
        layers.read_layer(str(wells_file), WELLS, {"kind": "ownr_note"})


def test_column_that_is_mapped_to_two_of_the_contract_is_read_for_both(wells_file):
    read = layers.read_layer(str(wells_file), WELLS, {"well_id": "WELL_ID", "deep_casing": "WELL_ID"})
    assert list(read["deep_casing"]) == list(read["well_id"])


@pytest.mark.parametrize(("kind", "dimension"), [
    ("Point", 0), ("MultiPoint Z", 0), ("LineString", 1), ("MultiCurve", 1), ("CircularString", 1), ("CurvePolygon", 2),
    ("MultiSurface", 2), ("TIN", 2), ("3D Polygon", 2), ("Unknown", None), ("GeometryCollection", None), ("", None),
])  # fmt: skip
def test_kind_of_shapes_in_a_header_is_known_by_its_name(wells_file, kind, dimension):
    import dataclasses

    assert dataclasses.replace(read_header(str(wells_file)), geometry=kind).dimension == dimension


def test_file_whose_name_has_a_bar_in_it_is_that_file(wells_file, tmp_path):
    odd = tmp_path / "old|wells.gpkg"
    odd.write_bytes(wells_file.read_bytes())
    assert len(layers.read_layer(str(odd), WELLS)) == 500


@pytest.mark.parametrize("ending", [".dbf", ".shx"])
def test_shapefile_without_its_table_or_index_is_refused_and_not_read_as_knowing_nothing(wells_file, ending):
    geopandas.read_file(wells_file).to_file(wells_file.with_name("wells.shp"))
    wells_file.with_name(f"wells{ending}").unlink()
    with pytest.raises(FileUnreadableError, match=rf"wells\{ending} is not beside it"):
        layers.read_layer(str(wells_file.with_name("wells.shp")), WELLS)


@pytest.mark.parametrize("column", ["location_error_unit", "kind"])
def test_cut_length_is_not_read_as_unknown_when_something_else_is_mapped(tmp_path, column):
    frame = geopandas.GeoDataFrame({"kind": ["private"], "location_error_ft": [1320.0]}, geometry=[Point(5e5, 5e6)], crs="EPSG:26910")
    frame.to_file(tmp_path / "w.shp")
    with pytest.raises(LayerContractError, match="'location_e' was cut"):
        layers.read_layer(str(tmp_path / "w.shp"), WELLS, {column: "kind"})
    with pytest.raises(LayerContractError, match="the unit of 'location_error' is not stated"):
        layers.read_layer(str(tmp_path / "w.shp"), WELLS, {"location_error": "location_e"})
    assert layers.read_layer(str(tmp_path / "w.shp"), WELLS, {"location_error_ft": "location_e"})["location_error_ft"].tolist() == [1320.0]


def lots_file(folder, **columns):
    frame = geopandas.GeoDataFrame(columns, geometry=[box(500_000, 5_200_000, 500_010, 5_200_010)], crs="EPSG:26910")
    frame.to_file(folder / "lots.gpkg")
    return str(folder / "lots.gpkg")


def test_column_that_is_taken_by_a_usual_name_is_told_as_a_guess(tmp_path):
    source = lots_file(tmp_path, APN=["a"], YR_BUILT=[1950], BEDRMS=[3])
    read = layers.read_layer(source, PARCELS)
    assert read.drop(columns="geometry").iloc[0].to_dict() == {"parcel_id": "a", "year_built": 1950, "bedrooms": 3}
    told = " ".join(read.attrs["notes"])
    assert all(f"its column {field} is taken for {name}" in told for field, name in GUESSED)


GUESSED = (("APN", "parcel_id"), ("YR_BUILT", "year_built"), ("BEDRMS", "bedrooms"))


def test_stated_column_is_no_guess_and_a_contract_name_goes_before_one(tmp_path):
    source = lots_file(tmp_path, APN=["a"], parcel_id=["b"], YR_BUILT=[1950])
    read = layers.read_layer(source, PARCELS, {"year_built": "YR_BUILT"})
    assert list(read["parcel_id"]) == ["b"] and read.attrs["notes"] == ()
    assert list(layers.read_layer(source, PARCELS, {"parcel_id": "APN"})["parcel_id"]) == ["a"]


def test_column_that_is_stated_to_be_none_is_not_guessed(tmp_path):
    source = lots_file(tmp_path, APN=["a"], YR_BUILT=[1950])
    assert "year_built" not in layers.read_layer(source, PARCELS, {"year_built": ""}).columns
    with pytest.raises(LayerContractError, match="no column 'parcel_id'"):
        layers.read_layer(source, PARCELS, {"parcel_id": ""})


def test_two_columns_that_may_be_the_same_are_refused_with_both_named(tmp_path):
    source = lots_file(tmp_path, APN=["a"], PIN=["b"], YR_BUILT=[1950], YRBLT=[1951])
    with pytest.raises(LayerContractError, match=r"no column 'parcel_id', and more than one that may be it.*: APN, PIN") as refused:
        layers.read_layer(source, PARCELS)
    assert "YR_BUILT, YRBLT" in str(refused.value)
    assert list(layers.read_layer(source, PARCELS, {"parcel_id": "PIN", "year_built": ""})["parcel_id"]) == ["b"]


def test_column_that_is_mapped_elsewhere_is_no_guess_and_parts_two_candidates(tmp_path):
    source = lots_file(tmp_path, APN=["a"], PIN=["loam"])
    assert list(layers.read_layer(source, PARCELS, {"soil": "PIN"})["parcel_id"]) == ["a"]
