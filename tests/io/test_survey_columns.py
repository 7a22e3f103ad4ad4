"""Columns under other names: aliases, and names that a shapefile has cut to ten characters."""

import geopandas
import numpy as np
import pytest
import shapely

from geoseptic.errors import LayerContractError
from geoseptic.io.layers import read_layer
from geoseptic.model.checking import check
from geoseptic.model.layers import FLOODPLAIN, PARCELS, SOILS, WELLS, Column, Contract

FULL = {
    "slopegraddcp": [4.0],
    "brockdepmin": [90],
    "wtdepannmin": [60],
    "wtdepaprjunmin": [70],
    "flodfreqdcd": ["Rare"],
    "pondfreqprs": ["0-14%"],
    "hydgrpdcd": ["B/D"],
    "drclassdcd": ["Well drained"],
    "musym": ["12B"],
}


def written(path, columns: dict[str, list[object]], geometry: shapely.Geometry | None = None):
    shape = shapely.box(500_000, 4_900_000, 500_100, 4_900_100) if geometry is None else geometry
    geopandas.GeoDataFrame(columns, geometry=[shape], crs="EPSG:26918").to_file(path)
    return str(path)


@pytest.mark.filterwarnings("ignore:Column names longer than 10", "ignore:Normalized/laundered")
def test_shapefile_of_a_soil_survey_reads_as_the_file_with_full_names(tmp_path):
    full = read_layer(written(tmp_path / "soils.gpkg", FULL), SOILS)
    cut = read_layer(written(tmp_path / "soils.shp", FULL), SOILS)
    assert set(geopandas.read_file(tmp_path / "soils.shp").columns) >= {"slopegradd", "brockdepmi", "wtdepannmi", "flodfreqdc"}
    assert set(full.columns) == set(cut.columns) == {*FULL, "geometry"}
    for name in FULL:
        assert cut[name].tolist() == full[name].tolist()
    assert check(cut, SOILS).numbers("brockdepmin").tolist() == [90.0]


def test_alias_is_read_where_the_columns_own_name_is_not_there(tmp_path):
    frame = read_layer(written(tmp_path / "soils.gpkg", {"KSAT": [9.0], "Texture": ["loam"], "slopegradwta": [5.0]}), SOILS)
    assert (frame["ksat_r"].item(), frame["soil"].item(), frame["slopegraddcp"].item()) == (9.0, "loam", 5.0)


def test_own_name_goes_before_an_alias(tmp_path):
    frame = read_layer(
        written(tmp_path / "soils.gpkg", {"ksat": [1.0], "ksat_r": [9.0], "slopegradwta": [5.0], "slopegraddcp": [4.0]}), SOILS
    )
    assert (frame["ksat_r"].item(), frame["slopegraddcp"].item()) == (9.0, 4.0)


def test_mapped_column_goes_before_its_own_name_and_is_not_read_twice(tmp_path):
    source = written(tmp_path / "soils.gpkg", {"texture": ["loam"], "MYSOIL": ["sand"], "ksat": [3.0]})
    frame = read_layer(source, SOILS, {"soil": "MYSOIL", "slopegraddcp": "ksat"})
    assert (frame["soil"].item(), frame["slopegraddcp"].item()) == ("sand", 3.0)
    assert "ksat_r" not in frame.columns


def test_flood_insurance_maps_own_names_are_read(tmp_path):
    frame = read_layer(written(tmp_path / "flood.gpkg", {"FLD_ZONE": ["AE"], "ZONE_SUBTY": ["FLOODWAY"]}), FLOODPLAIN)
    assert (frame["zone"].item(), frame["subtype"].item()) == ("AE", "FLOODWAY")


def test_cut_names_of_other_layers_are_read_too(tmp_path):
    frame = read_layer(written(tmp_path / "parcels.gpkg", {"parcel_id": ["a"], "permit_on_": ["yes"], "public_sew": ["no"]}), PARCELS)
    assert (frame["permit_on_file"].item(), frame["public_sewer"].item()) == ("yes", "no")


def test_cut_length_is_refused_until_its_unit_is_said(tmp_path):
    source = written(tmp_path / "wells.gpkg", {"location_e": [3.0]}, shapely.Point(0, 0))
    with pytest.raises(LayerContractError, match=r"--columns wells\.location_error_ft=location_e"):
        read_layer(source, WELLS)
    assert list(read_layer(source, WELLS, {"location_error_ft": "location_e"})["location_error_ft"]) == [3.0]


def test_cut_that_two_columns_share_is_read_as_neither(tmp_path):
    alike = Contract("alike", "Alike", "polygon", (Column("a_long_name_one", "", "text"), Column("a_long_name_two", "", "text")))
    assert list(read_layer(written(tmp_path / "alike.gpkg", {"a_long_nam": ["x"]}), alike).columns) == ["geometry"]


def test_empty_soil_numbers_stay_empty_through_reading_and_checking(tmp_path):
    source = written(tmp_path / "soils.gpkg", {"brockdepmin": [np.nan], "flodfreqdcd": [None]})
    checked = check(read_layer(source, SOILS), SOILS)
    assert np.isnan(checked.numbers("brockdepmin")).all()
    assert list(checked.texts("flodfreqdcd")) == [None]
