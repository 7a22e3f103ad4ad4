"""The files of a shapefile are held against each other."""

import struct
from pathlib import Path

import geopandas
import pytest
from shapely import box

from geoseptic.errors import FileUnreadableError
from geoseptic.io import shapefilerecords
from geoseptic.io.layerheaders import read_header
from geoseptic.io.sourcekinds import open_source


@pytest.fixture
def houses(tmp_path: Path) -> Path:
    path = tmp_path / "houses.shp"
    places = [box(500_000 + 10 * n, 5_200_000, 500_005 + 10 * n, 5_200_005) for n in range(6)]
    geopandas.GeoDataFrame({"name": list("abcdef")}, geometry=places, crs="EPSG:26910").to_file(path)
    return path


def mark_deleted(path: Path, *rows: int) -> None:
    table = path.with_suffix(".dbf")
    content = bytearray(table.read_bytes())
    start, length = struct.unpack("<HH", content[8:12])
    for row in rows:
        content[start + (row - 1) * length] = ord("*")
    table.write_bytes(content)


def test_deleted_rows_are_left_out_counted_and_told(houses: Path):
    mark_deleted(houses, 2, 6)
    assert shapefilerecords.refuse_parted(houses, "") == (2, 6)
    header = read_header(str(houses))
    assert header.features == 4
    assert [note for note in header.notes if "(rows 2, 6)" in note]
    assert open_source(str(houses)).read(["name"], None).name.tolist() == list("acde")


def test_a_place_that_a_redrawn_shape_has_left_is_no_record(houses: Path):
    """A writer that makes a shape longer puts it at the end and leaves the old one where it was, under the same number."""
    shapes, index = bytearray(houses.read_bytes()), bytearray(houses.with_suffix(".shx").read_bytes())
    place, words = struct.unpack(">ii", index[100:108])
    index[100:104] = struct.pack(">i", len(shapes) // 2)
    shapes += shapes[2 * place : 2 * place + 8 + 2 * words]
    shapes[24:28] = struct.pack(">i", len(shapes) // 2)
    houses.write_bytes(shapes)
    houses.with_suffix(".shx").write_bytes(index)
    assert shapefilerecords.refuse_parted(houses, "") == ()
    assert len(open_source(str(houses)).read(["name"], None)) == 6


def test_an_index_and_a_table_that_both_lack_the_last_shape_are_refused(houses: Path):
    index = houses.with_suffix(".shx")
    content = bytearray(index.read_bytes()[:-8])
    content[24:28] = struct.pack(">i", len(content) // 2)
    index.write_bytes(content)
    table = houses.with_suffix(".dbf")
    rows = bytearray(table.read_bytes())
    rows[4:8] = struct.pack("<I", 5)
    table.write_bytes(rows)
    with pytest.raises(FileUnreadableError, match=r"6 shapes \(.shp\), 5 entries in its index \(.shx\) and 5 rows"):
        read_header(str(houses))


@pytest.mark.parametrize("ending", [".shp", ".shx", ".dbf"])
@pytest.mark.parametrize("kept", [10, 80, 110, -30])
def test_files_that_are_cut_off_are_refused(houses: Path, ending: str, kept: int):
    path = houses.with_suffix(ending)
    path.write_bytes(path.read_bytes()[:kept])
    with pytest.raises(FileUnreadableError):
        read_header(str(houses))


def test_a_shapefile_without_a_record_is_whole(tmp_path: Path):
    nothing = geopandas.GeoDataFrame({"name": []}, geometry=[], crs="EPSG:26910")
    nothing.to_file(tmp_path / "none.shp", geometry_type="Polygon")
    assert shapefilerecords.refuse_parted(tmp_path / "none.shp", "") == ()
