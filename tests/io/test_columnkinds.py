"""What GDAL hands on as another value than the file holds."""

import re
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from geoseptic.errors import FileUnreadableError
from geoseptic.io.layers import read_layer
from geoseptic.model.layers import PARCELS, WELLS


def layer(**columns: object) -> geopandas.GeoDataFrame:
    count = len(next(iter(columns.values())))
    return geopandas.GeoDataFrame(columns, geometry=[Point(500_000 + row, 5_200_000) for row in range(count)], crs="EPSG:26910")


def shapefile(folder: Path, **cells: bytes) -> Path:
    """Wells with an error of 7777 in the second record, written over by each of the texts for their columns."""
    path = folder / "wells.shp"
    layer(well_id=["a", "b", "c"], loc_m=[3, 7777, 5], depth=[10.5, 8888.5, 3.5]).to_file(path, driver="ESRI Shapefile")
    table = path.with_suffix(".dbf")
    held = table.read_bytes()
    for name, text in cells.items():
        number = re.search(rb"7777" if name == "loc_m" else rb"8888\.50*", held).group()
        held = held.replace(number, text.rjust(len(number)))
    table.write_bytes(held)
    return path


@pytest.mark.parametrize("text", [b"****", b"n/a", b"<50", b"?", b"1.#I", b"1e3", b"2.5", b"2,5"])
def test_numeric_field_that_holds_no_number_is_refused_with_the_record(text: bytes, tmp_path: Path):
    path = shapefile(tmp_path, loc_m=text)
    with pytest.raises(FileUnreadableError, match=r"no whole number but .* in the field 'loc_m', which is of such \(numbers 1\)"):
        read_layer(str(path), WELLS, {"location_error_m": "loc_m"})


@pytest.mark.parametrize(("text", "read"), [(b"", None), (b"7", 7.0), (b"1e2", 100.0), (b"-1", -1.0), (b"+2.5", 2.5), (b"1.5E+02", 150.0)])
def test_numbers_in_any_spelling_and_empty_cells_are_read_as_before(text: bytes, read: float | None, tmp_path: Path):
    frame = read_layer(str(shapefile(tmp_path, depth=text)), WELLS, {"location_error_m": "depth"})
    found = frame["location_error_m"][1]
    assert pd.isna(found) if read is None else found == pytest.approx(read)


def test_field_that_nobody_asks_for_and_a_record_that_is_deleted_hinder_nothing(tmp_path: Path):
    path = shapefile(tmp_path, depth=b"********")
    assert len(read_layer(str(path), WELLS, {"location_error_m": "loc_m"})) == 3
    path = shapefile(tmp_path, loc_m=b"****")
    table = path.with_suffix(".dbf")
    held = bytearray(table.read_bytes())
    start, width = (int.from_bytes(held[first : first + 2], "little") for first in (8, 10))
    held[start + width] = ord("*")
    table.write_bytes(held)
    assert len(read_layer(str(path), WELLS, {"location_error_m": "loc_m"})) <= 3


@pytest.mark.parametrize("ending", ["gpkg", "fgb", "geojson", "parquet", "shp"])
def test_truth_values_beside_an_empty_cell_stay_truth_values(ending: str, tmp_path: Path):
    path = tmp_path / f"wells.{ending}"
    wells = layer(well_id=["a", "b", "c"], deep=pd.array([True, False, None], dtype="boolean"))
    if ending == "parquet":
        pytest.importorskip("pyarrow")
        wells.to_parquet(path)
    else:
        wells.to_file(path)
    frame = read_layer(str(path), WELLS, {"deep_casing": "deep"})
    found = dict(zip(frame["well_id"], frame["deep_casing"], strict=True))
    assert isinstance(found["a"], bool | np.bool_) and found["a"] and not found["b"] and pd.isna(found["c"]), found


def test_words_that_are_mapped_for_truth_values_are_found_beside_an_empty_cell_too(tmp_path: Path):
    parcels = layer(parcel_id=["a", "b"], water=pd.array([True, None], dtype="boolean"))
    parcels.set_geometry(parcels.buffer(9)).to_file(tmp_path / "parcels.gpkg")
    frame = read_layer(str(tmp_path / "parcels.gpkg"), PARCELS, {"public_water": "water"}, words={"public_water": {"true": "no"}})
    assert frame["public_water"][0] == "no"
