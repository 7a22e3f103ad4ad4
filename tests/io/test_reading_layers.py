"""Reading vector layers: names, columns, only what is near, record by record where a layer is too big."""

import geopandas
import pytest
from pyproj import CRS
from shapely import Point

from geoseptic.errors import FileUnreadableError, LayerContractError, MissingCrsError
from geoseptic.io import layers
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
    monkeypatch.setattr(layers, "STREAM_FROM_FEATURES", 10)
    monkeypatch.setattr(layers, "BATCH_FEATURES", 64)
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
