"""Files of which a reader leaves out a record, or a part of one, without a word. The last house of the county is the one that is lost."""

import json
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pyogrio

from tests.dirty.cases import Options, dirty
from tests.dirty.county import county, write_county

Feature = dict[str, Any]


def features_of(folder: Path, layer: str = "buildings") -> tuple[dict[str, Any], list[Feature]]:
    """A clean layer as the root of a GeoJSON file, and its features."""
    path = folder / "clean.geojson"
    county().layers[layer].to_file(path, driver="GeoJSON", RFC7946="NO")
    root = json.loads(path.read_text(encoding="utf-8"))
    path.unlink()
    return root, root["features"]


def as_geojson(folder: Path, spoil: Callable[[list[Feature]], object], layer: str = "buildings") -> Options:
    root, features = features_of(folder, layer)
    spoil(features)
    path = folder / f"{layer}.geojson"
    path.write_text(json.dumps(root), encoding="utf-8")
    return {**write_county(folder), layer: str(path)}


def as_lines(folder: Path, spoil: Callable[[list[str]], object], before: str = "", layer: str = "buildings") -> Options:
    county().layers[layer].to_crs("EPSG:4326").to_file(folder / "clean.geojson", driver="GeoJSON", COORDINATE_PRECISION=12)
    features = json.loads((folder / "clean.geojson").read_text(encoding="utf-8"))["features"]
    (folder / "clean.geojson").unlink()
    lines = [json.dumps(feature) for feature in features]
    spoil(lines)
    path = folder / f"{layer}.geojsonl"
    path.write_text(before + f"\n{before if before == chr(30) else ''}".join(lines) + "\n", encoding="utf-8", newline="\n")
    return {**write_county(folder), layer: str(path)}


@dirty("a house that is null", "refused", "buildings.geojson", "null instead of a feature (feature 6)")
def lost_feature_of_null(folder: Path) -> Options:
    return as_geojson(folder, lambda houses: houses.__setitem__(5, None))  # type: ignore[call-overload]


@dirty("a house whose type is misspelt", "refused", "the type 'Featur' instead of 'Feature' (feature 6)")
def lost_feature_misspelt(folder: Path) -> Options:
    return as_geojson(folder, lambda houses: houses[5].update(type="Featur"))


@dirty("a well that is a text among the features", "refused", "wells.geojson", "a text instead of a feature (feature 2)")
def lost_feature_of_text(folder: Path) -> Options:
    return as_geojson(folder, lambda wells: wells.__setitem__(1, "w2"), "wells")  # type: ignore[call-overload]


@dirty("a parcel that is a list in the list of features", "refused", "a list instead of a feature (feature 4)")
def lost_feature_in_a_list(folder: Path) -> Options:
    return as_geojson(folder, lambda lots: lots.__setitem__(3, [lots[3]]), "parcels")  # type: ignore[call-overload]


@dirty("a house by its bare shape among the features", "refused", "the type 'Polygon' instead of 'Feature' (feature 6)")
def lost_feature_of_a_bare_shape(folder: Path) -> Options:
    return as_geojson(folder, lambda houses: houses.__setitem__(5, houses[5]["geometry"]))


@dirty("a collection within the features", "refused", "the type 'FeatureCollection' instead of 'Feature' (feature 5)")
def lost_collection_in_a_collection(folder: Path) -> Options:
    def nest(houses: list[Feature]) -> None:
        houses[4:] = [{"type": "FeatureCollection", "features": houses[4:]}]

    return as_geojson(folder, nest)


@dirty("a house of a shape that there is not", "refused", "a shape of the type 'Poligon', which there is not (feature 6)")
def lost_shape_of_no_type(folder: Path) -> Options:
    return as_geojson(folder, lambda houses: houses[5]["geometry"].update(type="Poligon"))


@dirty("a house with a corner whose numbers are texts", "refused", "coordinates that are not all numbers in pairs (feature 6)")
def lost_shape_of_texts(folder: Path) -> Options:
    return as_geojson(folder, lambda houses: houses[5]["geometry"]["coordinates"][0].__setitem__(1, ["500000", "5200000"]))


@dirty("a house of two parts, one of which has a corner without its northing", "refused", "not all numbers in pairs (feature 5)")
def lost_part_of_a_shape(folder: Path) -> Options:
    def unite(houses: list[Feature]) -> None:
        last = houses.pop()["geometry"]["coordinates"]
        last[0][1] = last[0][1][:1]
        houses[4]["geometry"] = {"type": "MultiPolygon", "coordinates": [houses[4]["geometry"]["coordinates"], last]}

    return as_geojson(folder, unite)


@dirty("a house of two parts, one of them null", "refused", "not all numbers in pairs (feature 5)")
def lost_part_of_null(folder: Path) -> Options:
    def unite(houses: list[Feature]) -> None:
        houses.pop()
        houses[4]["geometry"] = {"type": "MultiPolygon", "coordinates": [houses[4]["geometry"]["coordinates"], None]}

    return as_geojson(folder, unite)


@dirty("two lists of features in one collection, of which the later counts", "refused", "the member 'features' is there twice")
def lost_list_of_features(folder: Path) -> Options:
    root, houses = features_of(folder)
    root["features"] = houses[3:]
    text = json.dumps(root)
    path = folder / "buildings.geojson"
    path.write_text(text.replace('"features"', f'"features": {json.dumps(houses[:3])}, "features"', 1), encoding="utf-8")
    return {**write_county(folder), "buildings": str(path)}


@dirty("two collections in one file", "refused", "buildings.geojson")
def lost_second_collection(folder: Path) -> Options:
    root, houses = features_of(folder)
    path = folder / "buildings.geojson"
    parts = ({**root, "features": part} for part in (houses[:3], houses[3:]))
    path.write_text("\n".join(map(json.dumps, parts)), encoding="utf-8")
    return {**write_county(folder), "buildings": str(path)}


@dirty("one feature a line, all of them whole", "safe", "buildings reprojected from EPSG:4326")
def lines_of_features(folder: Path) -> Options:
    return as_lines(folder, lambda lines: None)


@dirty("one feature a line, and a line in the middle cut off", "refused", "no whole feature by itself (line 3)")
def lost_line_in_the_middle(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(2, lines[2][:-9]))


@dirty("one feature a line, and the last line cut off", "refused", "no whole feature by itself (line 6)")
def lost_line_at_the_end(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(5, lines[5][:-9]))


@dirty("one feature a line, and two on one of them", "refused", "no whole feature by itself (line 5)")
def lost_line_of_two(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(slice(4, 6), [lines[4] + lines[5]]))


@dirty("one feature a line, one of them misspelt", "refused", "the type 'Featur' instead of 'Feature' (line 6)")
def lost_line_misspelt(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(5, lines[5].replace('"Feature"', '"Featur"')))


@dirty("one feature a line, the second null: the first would be taken for the file", "refused", "more stands behind the first feature")
def lost_lines_behind_the_first(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(1, "null"))


@dirty("one feature a line behind a byte order mark: the first would be taken for the file", "refused", "more stands behind the first")
def lost_lines_behind_a_mark(folder: Path) -> Options:
    return as_lines(folder, lambda lines: None, before="\ufeff")


@dirty("a sequence with record separators, one record of it cut off", "refused", "no whole feature by itself (line 3)")
def lost_record_of_a_sequence(folder: Path) -> Options:
    return as_lines(folder, lambda lines: lines.__setitem__(2, lines[2][:-9]), before="\x1e")


def as_shapefile(folder: Path, more: int = 0) -> tuple[Path, Options]:
    """The houses as a shapefile, the first `more` of them once more at the end."""
    path = folder / "buildings.shp"
    houses = county().layers["buildings"]
    pd.concat([houses, houses.iloc[:more]], ignore_index=True).to_file(path, driver="ESRI Shapefile")
    return path, {**write_county(folder), "buildings": str(path)}


@dirty("a table of five rows beside six shapes", "refused", "buildings.shp", "6 entries in its index (.shx) and 5 rows in its table (.dbf)")
def lost_row_of_a_shapefile(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    rewrite(path.with_suffix(".dbf"), 4, struct.pack("<I", 5))
    return options


@dirty("a table of seven rows beside six shapes", "refused", "6 entries in its index (.shx) and 7 rows in its table (.dbf)")
def lost_shape_of_a_shapefile(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    (folder / "other").mkdir()
    other, _ = as_shapefile(folder / "other", more=1)
    path.with_suffix(".dbf").write_bytes(other.with_suffix(".dbf").read_bytes())
    return options


@dirty("an index of five shapes, and six are there", "refused", "it has 6 shapes (.shp), 5 entries in its index (.shx)")
def lost_entry_of_a_shapefile(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    rewrite(path.with_suffix(".shx"), 24, struct.pack(">i", (100 + 5 * 8) // 2))
    rewrite(path.with_suffix(".dbf"), 4, struct.pack("<I", 5))
    return options


@dirty("shapes that are cut off", "refused", "buildings.shp is cut off")
def lost_end_of_the_shapes(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    path.write_bytes(path.read_bytes()[:-40])
    return options


@dirty("a table that is cut off", "refused", "buildings.dbf is cut off")
def lost_end_of_the_table(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    path.with_suffix(".dbf").write_bytes(path.with_suffix(".dbf").read_bytes()[:-40])
    return options


@dirty("a row that is marked as deleted, which stands for no house", "same", "1 of its records are marked as deleted", "(rows 7)")
def lost_row_that_was_deleted(folder: Path) -> Options:
    path, options = as_shapefile(folder, more=1)
    table = path.with_suffix(".dbf")
    start, length = struct.unpack("<HH", table.read_bytes()[8:12])
    rewrite(table, start + 6 * length, b"*")
    return options


def rewrite(path: Path, place: int, content: bytes) -> None:
    before = path.read_bytes()
    path.write_bytes(before[:place] + content + before[place + len(content) :])


@dirty(
    "a spatial index of a shapefile that is older than its shapes", "refused", "its spatial index is of another state", "numbers 3, 4, 5"
)
def lost_to_an_old_index_of_a_shapefile(folder: Path) -> Options:
    path, options = as_shapefile(folder)
    county().layers["buildings"].iloc[:3].to_file(folder / "old.shp", driver="ESRI Shapefile", SPATIAL_INDEX="YES")
    (folder / "old.qix").rename(path.with_suffix(".qix"))
    for item in folder.glob("old.*"):
        item.unlink()
    return options


def in_database(folder: Path, *commands: str) -> Options:
    """The county after commands to its GeoPackage, without the triggers that keep its lists up to date."""
    options = write_county(folder)
    with closing(sqlite3.connect(folder / "county.gpkg")) as database, database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        for command in commands:
            database.execute(command)
    return options


@dirty("a house that the spatial index of a GeoPackage does not have", "refused", "its spatial index is of another state", "numbers 6")
def lost_to_an_old_index_of_a_geopackage(folder: Path) -> Options:
    return in_database(folder, "DELETE FROM rtree_buildings_geom WHERE id = 6")


@dirty("a house that the list of counts of a GeoPackage does not have", "refused", "'buildings' has 5 features, and it holds 6")
def lost_to_an_old_count_of_a_geopackage(folder: Path) -> Options:
    return in_database(folder, "UPDATE gpkg_ogr_contents SET feature_count = 5 WHERE table_name = 'buildings'")


@dirty("a FlatGeobuf whose header counts fewer houses than it has", "refused", "'buildings' has 5 features, and it holds 6")
def lost_to_the_header_of_a_flatgeobuf(folder: Path) -> Options:
    path = folder / "buildings.fgb"
    county().layers["buildings"].to_file(path, driver="FlatGeobuf", SPATIAL_INDEX="NO")
    rewrite(path, path.read_bytes().index(struct.pack("<Q", 6)), struct.pack("<Q", 5))
    return {**write_county(folder), "buildings": str(path)}


def as_xml(folder: Path, driver: str, spoil: Callable[[str], str]) -> Options:
    path = folder / f"buildings.{driver.lower()}"
    houses = county().layers["buildings"]
    (houses.to_crs("EPSG:4326") if driver == "KML" else houses).to_file(path, driver=driver)
    path.write_text(spoil(path.read_text(encoding="utf-8")), encoding="utf-8")
    return {**write_county(folder), "buildings": str(path)}


@dirty("a placemark in small letters, the last", "refused", "it has 6 placemarks, and 5 of them are read")
def lost_placemark(folder: Path) -> Options:
    def spoil(text: str) -> str:
        before, last = text.rsplit("<Placemark", 1)
        return f"{before}<placemark{last.replace('</Placemark>', '</placemark>')}"

    return as_xml(folder, "KML", spoil)


@dirty("a placemark of two houses", "refused", "its placemark 5 has two shapes")
def lost_shape_of_a_placemark(folder: Path) -> Options:
    def spoil(text: str) -> str:
        before, _, last = text.rpartition("<Placemark")
        start = min(last.index(kind) for kind in ("<MultiGeometry", "<Polygon") if kind in last)
        return before.rstrip().removesuffix("</Placemark>") + last[start:]

    return as_xml(folder, "KML", spoil)


@dirty("a member of GML by a misspelt name", "refused", "buildings.gml", "it has 6 features 'buildings', and 5 of them are read")
def lost_member(folder: Path) -> Options:
    def spoil(text: str) -> str:
        before, last = text.rsplit("<ogr:featureMember>", 1)
        return f"{before}<ogr:featureMembr>{last.replace('</ogr:featureMember>', '</ogr:featureMembr>', 1)}"

    return as_xml(folder, "GML", spoil)


@dirty("GML that is cut off, of which nothing at all would be read", "refused", "it is not whole XML")
def lost_end_of_gml(folder: Path) -> Options:
    return as_xml(folder, "GML", lambda text: text[:-300])


@dirty("two wells that a pair of quotation marks makes one", "refused", "line 3: a cell goes on over lines that look like rows")
def lost_row_between_quotes(folder: Path) -> Options:
    places = county().layers["wells"].to_crs("EPSG:4326").geometry
    rows = [f"w{number},{place.y:.7f},{place.x:.7f}" for number, place in enumerate(places, 1)]
    rows[1:3] = [f'"{rows[1]}', rows[2].replace(",", '",', 1)]
    (folder / "wells.csv").write_text("\n".join(["well_id,latitude,longitude", *rows]) + "\n", encoding="utf-8")
    return {**write_county(folder), "wells": str(folder / "wells.csv"), "places": "wells.datum=WGS84"}


@dirty("a sheet that ends in the middle", "refused", "wells.xlsx", "a part of it is damaged")
def lost_rows_of_a_sheet(folder: Path) -> Options:
    wells = county().layers["wells"].to_crs("EPSG:4326")
    rows = pd.DataFrame({"well_id": wells.well_id, "latitude": wells.geometry.y, "longitude": wells.geometry.x})
    pyogrio.write_dataframe(rows, folder / "whole.xlsx", driver="XLSX", layer="wells")
    with zipfile.ZipFile(folder / "whole.xlsx") as whole, zipfile.ZipFile(folder / "wells.xlsx", "w") as cut:
        for name in whole.namelist():
            content = whole.read(name)
            cut.writestr(name, content[: content.rindex(b"<row")] if name.endswith("sheet1.xml") else content)
    (folder / "whole.xlsx").unlink()
    return {**write_county(folder), "wells": str(folder / "wells.xlsx"), "places": "wells.datum=WGS84"}
