"""What a file holds is counted by its own pages and elements."""

import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import geopandas
import pytest
from shapely import box

from geoseptic.errors import FileUnreadableError
from geoseptic.io import recordcounts, xmlrecords
from geoseptic.io.sourcekinds import open_source


def houses(count: int, crs: str = "EPSG:26910") -> geopandas.GeoDataFrame:
    places = [box(500_000 + 10 * n, 5_200_000, 500_005 + 10 * n, 5_200_005) for n in range(count)]
    return geopandas.GeoDataFrame({"name": [str(n) for n in range(count)]}, geometry=places, crs="EPSG:26910").to_crs(crs)


@pytest.mark.parametrize("count", [1, 2, 15, 16, 17, 256, 257, 300])
@pytest.mark.parametrize("index", ["YES", "NO"])
def test_flatgeobuf_is_counted_by_the_lengths_of_its_features_whatever_tree_stands_before_them(tmp_path: Path, count: int, index: str):
    path = tmp_path / "houses.fgb"
    houses(count).to_file(path, driver="FlatGeobuf", SPATIAL_INDEX=index)
    assert recordcounts._of_flatgeobuf(path) == (count, count)
    path.write_bytes(path.read_bytes()[:-1])
    assert recordcounts._of_flatgeobuf(path) == (count, count - 1)


def test_a_flatgeobuf_that_does_not_state_its_count_has_what_it_holds(tmp_path: Path):
    path = tmp_path / "houses.fgb"
    houses(7).to_file(path, driver="FlatGeobuf", SPATIAL_INDEX="NO")
    path.write_bytes(path.read_bytes().replace(struct.pack("<Q", 7), struct.pack("<Q", 0), 1))
    assert recordcounts._of_flatgeobuf(path) == (7, 7)
    assert len(open_source(str(path)).read(["name"], None)) == 7


def test_a_geopackage_without_a_list_of_counts_is_read_whole(tmp_path: Path):
    path = tmp_path / "county.gpkg"
    houses(6).to_file(path, layer='odd "name"')
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE gpkg_ogr_contents SET feature_count = NULL")
    assert len(open_source(str(path)).read(["name"], None)) == 6
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE gpkg_ogr_contents SET feature_count = 7")
    with pytest.raises(FileUnreadableError, match="has 7 features, and it holds 6"):
        open_source(str(path))


def test_an_index_that_is_up_to_date_hinders_nothing_even_for_broken_shapes_in_its_middle(tmp_path: Path):
    layer = houses(9)
    left, bottom, right, top = layer.total_bounds
    bow = f"POLYGON (({left} {bottom}, {right} {top}, {right} {bottom}, {left} {top}, {left} {bottom}))"
    layer.loc[9] = ["bow", geopandas.GeoSeries.from_wkt([bow]).iloc[0]]
    for driver, name, options in (
        ("ESRI Shapefile", "houses.shp", {"SPATIAL_INDEX": "YES"}),
        ("GPKG", "houses.gpkg", {}),
        ("FlatGeobuf", "houses.fgb", {}),
        ("OpenFileGDB", "houses.gdb", {"layer": "houses"}),
    ):
        layer.to_file(tmp_path / name, driver=driver, **options)
        assert len(open_source(str(tmp_path / name)).read(["name"], None)) == 10


KML = '<kml xmlns="http://www.opengis.net/kml/2.2">{}</kml>'
PLACE = "<Placemark><name>a</name><Point><coordinates>-122,47</coordinates></Point></Placemark>"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (PLACE + PLACE, "it has 2 placemarks, and 1 of them are read"),
        (f"<Document>{PLACE}</Document><Document>{PLACE}</Document>", "it has 2 placemarks, and 1 of them are read"),
        (f"<Document>{PLACE.replace('</Point>', '</Point><Point><coordinates>1,2</coordinates></Point>')}</Document>", "has two shapes"),
        (f"<Document>{PLACE}<!-- <Placemark> --><Placemark/></Document>", ""),
        (f"<Document>{PLACE.replace('<Point>', '<MultiGeometry><Point>').replace('</Point>', '</Point></MultiGeometry>')}</Document>", ""),
    ],
)
def test_placemarks_are_counted_wherever_they_stand(tmp_path: Path, body: str, said: str):
    path = tmp_path / "houses.kml"
    path.write_text(KML.format(body), encoding="utf-8")
    if not said:
        assert open_source(str(path)).header.features == body.count("<Placemark") - body.count("<!--")
        return
    with pytest.raises(FileUnreadableError, match=said):
        open_source(str(path))


def test_a_kml_of_several_folders_may_be_asked_for_one(tmp_path: Path):
    path = tmp_path / "houses.kml"
    folders = "".join(f"<Folder><name>{name}</name>{PLACE}</Folder>" for name in ("old", "new"))
    path.write_text(KML.format(f"<Document>{folders}</Document>"), encoding="utf-8")
    assert open_source(f"{path}|new").header.features == 1


def test_members_of_gml_that_only_point_elsewhere_are_refused(tmp_path: Path):
    path = tmp_path / "houses.gml"
    houses(3).to_file(path, driver="GML")
    text = path.read_text(encoding="utf-8")
    assert open_source(str(path)).header.features == 3
    start = text.index("<ogr:featureMember>")
    link = '<ogr:featureMember xmlns:xlink="http://www.w3.org/1999/xlink" xlink:href="#house.9"/>'
    path.write_text(text[:start] + link + text[start:], encoding="utf-8")
    with pytest.raises(FileUnreadableError, match="1 of its members only name a feature elsewhere"):
        open_source(str(path))


def test_a_column_by_the_name_of_its_layer_is_no_feature(tmp_path: Path):
    path = tmp_path / "name.gml"
    houses(3).to_file(path, driver="GML", layer="name")
    xmlrecords.refuse_lost_of_gml(path, "here", "name", 3)
    with pytest.raises(FileUnreadableError, match="it has 3 features 'name', and 2 of them are read"):
        xmlrecords.refuse_lost_of_gml(path, "here", "name", 2)
