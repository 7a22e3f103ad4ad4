"""Every format that opens gives the same parcels as the GeoPackage, and so the same envelopes."""

import json
import shutil
import sqlite3
import struct
import subprocess
import zipfile
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS
from shapely import box

from geoseptic.errors import FileUnreadableError, MissingCrsError
from geoseptic.io import gdalsource, layers
from geoseptic.io.layerheaders import read_header
from geoseptic.io.sources import Stated
from geoseptic.model.layers import PARCELS

METRES = "EPSG:26910"
LOTS = [box(500_000 + 60 * i, 5_200_000, 500_050 + 60 * i, 5_200_080) for i in range(4)]
IDS = ["A-1", "A-2", "007", "Bünde-3"]
FAR = box(700_000, 5_200_000, 700_050, 5_200_080)


def frame(crs: str = METRES) -> geopandas.GeoDataFrame:
    made = geopandas.GeoDataFrame({"parcel_id": IDS, "year_built": [1950, 1961, 1990, 2004]}, geometry=LOTS, crs=METRES)
    return made.to_crs(crs)


def zipped(archive: Path, *members: Path, within: str = "") -> Path:
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as file:
        for member in members:
            inner = sorted(member.rglob("*")) if member.is_dir() else [member]
            for item in inner:
                file.write(item, f"{within}{item.relative_to(member.parent)}")
    return archive


def shapefile(folder: Path, name: str = "parcels") -> list[Path]:
    frame().to_file(folder / f"{name}.shp", encoding="UTF-8")
    return sorted(folder.glob(f"{name}.*"))


def made(kind: str, folder: Path) -> str:
    """The parcels in a file of that kind; the source by which it is named."""
    if kind == "shapefile":
        shapefile(folder)
        return str(folder / "parcels.shp")
    if kind == "folder of shapefiles":
        shapefile(folder)
        shapefile(folder, "old_parcels")
        return f"{folder}|parcels"
    if kind == "zipped shapefile, one folder down":
        return str(zipped(folder / "download.zip", *shapefile(folder), within="county/2026/"))
    if kind == "zip of two shapefiles":
        return f"{zipped(folder / 'both.zip', *shapefile(folder), *shapefile(folder, 'old_parcels'))}|parcels"
    if kind in ("geodatabase", "zipped geodatabase", "zipped geodatabase without its folder"):
        frame().to_file(folder / "county.gdb", layer="parcels", driver="OpenFileGDB")
        if kind == "geodatabase":
            return str(folder / "county.gdb")
        if kind == "zipped geodatabase":
            return str(zipped(folder / "county.gdb.zip", folder / "county.gdb"))
        return str(zipped(folder / "county.gdb.zip", *sorted((folder / "county.gdb").iterdir())))
    if kind == "parquet":
        pytest.importorskip("pyarrow")
        frame().to_parquet(folder / "parcels.parquet")
        return str(folder / "parcels.parquet")
    if kind == "kmz":
        frame("EPSG:4326").to_file(folder / "doc.kml", driver="KML", layer="parcels")
        return str(zipped(folder / "parcels.kmz", folder / "doc.kml"))
    name, driver, crs = {
        "geopackage": ("parcels.gpkg", "GPKG", METRES),
        "geojson": ("parcels.geojson", "GeoJSON", "EPSG:4326"),
        "geojson with the old member": ("parcels.json", "GeoJSON", METRES),
        "newline geojson": ("parcels.geojsonl", "GeoJSONSeq", "EPSG:4326"),
        "flatgeobuf": ("parcels.fgb", "FlatGeobuf", METRES),
        "kml": ("parcels.kml", "KML", "EPSG:4326"),
        "gml": ("parcels.gml", "GML", METRES),
    }[kind]
    options = {"COORDINATE_PRECISION": "12"} if crs == "EPSG:4326" and driver.startswith("GeoJSON") else {}
    frame(crs).to_file(folder / name, driver=driver, layer="parcels", **options)
    return str(folder / name)


KINDS = (
    "geopackage", "shapefile", "folder of shapefiles", "zipped shapefile, one folder down", "zip of two shapefiles", "geodatabase",
    "zipped geodatabase", "zipped geodatabase without its folder", "geojson", "geojson with the old member", "newline geojson",
    "flatgeobuf", "parquet", "kml", "kmz", "gml",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_parcels_are_the_same_from_every_format_and_the_folder_is_left_as_it_was(tmp_path, kind):
    source = made(kind, tmp_path)
    before = {item: item.stat().st_mtime_ns for item in tmp_path.rglob("*")}
    read = layers.read_layer(source, PARCELS)
    # FlatGeobuf has an order of its own.
    read = read.iloc[[list(read["parcel_id"]).index(name) for name in IDS]]
    assert list(read["year_built"].astype(int)) == [1950, 1961, 1990, 2004]
    away_m = shapely.hausdorff_distance(read.to_crs(METRES).geometry.values, np.array(LOTS))
    # Degrees in text are kept to 1e-9 or better, a tenth of a millimetre.
    assert away_m.max() < 2e-3
    assert {item: item.stat().st_mtime_ns for item in tmp_path.rglob("*")} == before


@pytest.mark.parametrize("kind", KINDS)
def test_only_what_is_near_is_read_of_every_format(tmp_path, kind):
    source = made(kind, tmp_path)
    read = layers.read_layer(source, PARCELS, near=((500_010, 5_200_010, 500_020, 5_200_020), CRS(METRES)))
    assert list(read["parcel_id"]) == ["A-1"] and read.attrs["without_shape"] == ()
    left, bottom, right, top = shapely.total_bounds(read.to_crs(METRES).geometry.values)
    assert (left, bottom, right, top) == pytest.approx(LOTS[0].bounds, abs=2e-3)


@pytest.mark.parametrize("kind", ["shapefile", "geopackage", "geojson", "newline geojson", "kml", "gml"])
def test_large_layer_is_streamed_to_the_same_whatever_its_format(tmp_path, kind, monkeypatch):
    source = made(kind, tmp_path)
    whole = layers.read_layer(source, PARCELS)
    monkeypatch.setattr(gdalsource, "STREAM_FROM_FEATURES", 1)
    monkeypatch.setattr(gdalsource, "BATCH_FEATURES", 3)
    streamed = layers.read_layer(source, PARCELS)
    assert list(streamed["parcel_id"]) == list(whole["parcel_id"]) and streamed.crs == whole.crs
    assert shapely.equals(streamed.geometry.values, whole.geometry.values).all()


def test_shapefile_without_prj_is_refused_and_opens_in_the_stated_crs(tmp_path):
    source = made("shapefile", tmp_path)
    (tmp_path / "parcels.prj").unlink()
    with pytest.raises(MissingCrsError, match=r"--crs parcels=EPSG:NUMBER"):
        layers.read_layer(source, PARCELS)
    read = layers.read_layer(source, PARCELS, stated=Stated(crs=METRES))
    assert read.crs == METRES and "was stated for it" in read.attrs["notes"][0]
    with pytest.raises(FileUnreadableError, match="no coordinate reference system 'EPSG:twelve' is known"):
        layers.read_layer(source, PARCELS, stated=Stated(crs="EPSG:twelve"))


def test_stated_crs_never_replaces_a_declared_one(tmp_path):
    source = made("geopackage", tmp_path)
    with pytest.raises(FileUnreadableError, match="it declares NAD83 / UTM zone 10N, and NAD83 / UTM zone 11N is stated"):
        layers.read_layer(source, PARCELS, stated=Stated(crs="EPSG:26911"))
    assert layers.read_layer(source, PARCELS, stated=Stated(crs=METRES)).attrs["notes"] == ()


@pytest.mark.parametrize(
    ("written", "declared", "ids", "note"),
    [
        ("utf-8", "UTF-8", IDS, None),
        ("cp1252", "CP1252", IDS, None),
        ("cp1252", "1252", IDS, None),
        ("utf-8", None, IDS, "it has no .cpg file: they are read as UTF-8, as the bytes are"),
        ("utf-8", "1252", IDS, "its .cpg says '1252': they are read as UTF-8, as the bytes are"),
        ("cp1252", None, IDS, "it has no .cpg file: they are read as cp1252, a guess"),
        ("cp1252", "UTF-8", IDS, "its .cpg says 'UTF-8': they are read as cp1252, a guess"),
        ("cp1252", "nonsense", IDS, "its .cpg says 'nonsense': they are read as cp1252, a guess"),
    ],
)
def test_code_page_that_is_absent_or_wrong_is_found_by_the_bytes_and_told(tmp_path, written, declared, ids, note):
    pyogrio.write_dataframe(frame(), tmp_path / "parcels.shp", encoding=written)
    (tmp_path / "parcels.cpg").unlink()
    if declared:
        (tmp_path / "parcels.cpg").write_text(declared)
    read = layers.read_layer(str(tmp_path / "parcels.shp"), PARCELS)
    assert list(read["parcel_id"]) == ids
    assert (note is None and read.attrs["notes"] == ()) or (note is not None and note in read.attrs["notes"][0])


def test_stated_code_page_goes_before_a_guess_and_is_refused_where_it_does_not_fit(tmp_path):
    pyogrio.write_dataframe(frame(), tmp_path / "parcels.shp", encoding="cp437")
    (tmp_path / "parcels.cpg").unlink()
    source = str(tmp_path / "parcels.shp")
    assert list(layers.read_layer(source, PARCELS, stated=Stated(encoding="437"))["parcel_id"]) == IDS
    with pytest.raises(FileUnreadableError, match="not in the encoding 'utf-8'"):
        layers.read_layer(source, PARCELS, stated=Stated(encoding="utf-8"))
    with pytest.raises(FileUnreadableError, match="no encoding 'quux' is known"):
        layers.read_layer(source, PARCELS, stated=Stated(encoding="quux"))


def test_geojson_says_its_crs_by_the_old_member_or_is_in_degrees(tmp_path):
    source = made("geojson with the old member", tmp_path)
    assert "by the member 'crs' of older GeoJSON" in layers.read_layer(source, PARCELS).attrs["notes"][0]
    text = json.loads(Path(source).read_text())
    member = text.pop("crs")
    # After the features, where the standard allows it too.
    Path(source).write_text(json.dumps({**text, "crs": member}))
    assert layers.read_layer(source, PARCELS).crs == METRES
    # Metres and no word on it: not degrees, so unknown.
    Path(source).write_text(json.dumps(text))
    with pytest.raises(MissingCrsError):
        layers.read_layer(source, PARCELS)
    assert layers.read_layer(source, PARCELS, stated=Stated(crs=METRES)).crs == METRES


@pytest.mark.parametrize(
    ("member", "error"),
    [
        (None, MissingCrsError),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::99999"}}, FileUnreadableError),
        ({"type": "link", "properties": {"href": "http://127.0.0.1:9/crs", "type": "proj4"}}, FileUnreadableError),
        ("EPSG:26910", FileUnreadableError),
    ],
)
def test_geojson_with_a_crs_that_nobody_knows_is_not_taken_for_degrees(tmp_path, member, error):
    source = made("geojson", tmp_path)
    Path(source).write_text(json.dumps({"type": "FeatureCollection", "crs": member, **json.loads(Path(source).read_text())}))
    text = json.loads(Path(source).read_text()) | {"crs": member}
    Path(source).write_text(json.dumps({"crs": text.pop("crs"), **text}))
    with pytest.raises(error):
        layers.read_layer(source, PARCELS)


def test_property_called_crs_is_no_reference_system(tmp_path):
    source = made("geojson", tmp_path)
    text = json.loads(Path(source).read_text())
    for feature in text["features"]:
        feature["properties"]["crs"] = None
    Path(source).write_text(json.dumps(text))
    assert layers.read_layer(source, PARCELS).crs.is_geographic


def test_geopackage_with_a_log_of_changes_is_read_with_them_and_stays_as_it_is(tmp_path):
    source = Path(made("geopackage", tmp_path))
    writer = sqlite3.connect(source)
    for (trigger,) in writer.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        writer.execute(f'DROP TRIGGER "{trigger}"')
    writer.commit()
    writer.execute("PRAGMA journal_mode = wal")
    writer.execute("PRAGMA wal_autocheckpoint = 0")
    writer.execute("UPDATE parcels SET parcel_id = 'later' WHERE fid = 1")
    writer.commit()
    log = Path(f"{source}-wal")
    before = source.read_bytes(), log.read_bytes()
    assert list(layers.read_layer(str(source), PARCELS)["parcel_id"])[:2] == ["later", "A-2"]
    assert (source.read_bytes(), log.read_bytes()) == before
    # The next change is seen too.
    writer.execute("UPDATE parcels SET parcel_id = 'latest' WHERE fid = 1")
    writer.commit()
    assert list(layers.read_layer(str(source), PARCELS)["parcel_id"])[:2] == ["latest", "A-2"]
    writer.close()


def test_several_layers_are_listed_in_a_geopackage_and_in_an_archive(tmp_path):
    source = made("geopackage", tmp_path)
    frame().to_file(source, layer="old")
    with pytest.raises(FileUnreadableError, match=r"has 2 layers\. Name one: .*parcels\.gpkg\|LAYER, of parcels, old"):
        read_header(source)
    archive = zipped(tmp_path / "all.zip", Path(source), *shapefile(tmp_path, "roads"))
    with pytest.raises(FileUnreadableError, match=r"has 3 layers.*parcels, old, roads"):
        read_header(str(archive))
    assert read_header(f"{archive}|old").features == 4


def test_two_layers_of_one_name_in_an_archive_are_told_apart_by_their_place(tmp_path):
    parts = shapefile(tmp_path)
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as file:
        for year in ("2025", "2026"):
            for part in parts:
                file.write(part, f"{year}/{part.name}")
    with pytest.raises(FileUnreadableError, match=r"2025/parcels\.shp, 2026/parcels\.shp"):
        read_header(f"{tmp_path / 'two.zip'}|parcels")
    assert read_header(f"{tmp_path / 'two.zip'}|2026/parcels.shp").features == 4


HOSTILE_NAME = 'x"; DROP TABLE parcels; --'


@pytest.mark.parametrize("at_once", [1_000_000, 1])
def test_sql_in_names_of_layers_and_columns_does_nothing(tmp_path, monkeypatch, at_once):
    file = tmp_path / "hostile.gpkg"
    column = "id'; DROP TABLE parcels; --\""
    frame().to_file(file, layer="parcels")
    frame().rename(columns={"parcel_id": column}).to_file(file, layer=HOSTILE_NAME)
    before = file.read_bytes()
    monkeypatch.setattr(gdalsource, "STREAM_FROM_FEATURES", at_once)
    near = ((499_000, 5_199_000, 501_000, 5_201_000), CRS(METRES))
    read = layers.read_layer(f"{file}|{HOSTILE_NAME}", PARCELS, {"parcel_id": column}, near)
    assert list(read["parcel_id"]) == IDS
    assert len(layers.read_layer(f"{file}|parcels", PARCELS)) == 4 and file.read_bytes() == before


def circle_wkb(x: float, y: float, radius_m: float) -> bytes:
    """A CURVEPOLYGON of one CIRCULARSTRING."""
    points = [(x - radius_m, y), (x, y + radius_m), (x + radius_m, y), (x, y - radius_m), (x - radius_m, y)]
    ring = b"\x01" + struct.pack("<II", 8, len(points)) + b"".join(struct.pack("<dd", *point) for point in points)
    return b"\x01" + struct.pack("<II", 10, 1) + ring


def with_a_circle(folder: Path) -> Path:
    """A GeoPackage whose first parcel is a circle of 100 m in arcs."""
    file = folder / "curved.gpkg"
    frame().to_file(file, layer="parcels")
    database = sqlite3.connect(file)
    for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        database.execute(f'DROP TRIGGER "{trigger}"')
    shape = b"GP\x00\x01" + struct.pack("<i", 26910) + circle_wkb(500_100, 5_200_100, 100)
    database.execute("UPDATE parcels SET geom = ? WHERE fid = 1", (shape,))
    database.commit()
    database.close()
    return file


@pytest.mark.parametrize("streamed", [False, True])
@pytest.mark.parametrize("kind", ["gpkg", "gdb"])
def test_arcs_are_drawn_within_the_stated_tolerance_and_told(tmp_path, kind, streamed, monkeypatch):
    file = with_a_circle(tmp_path)
    if kind == "gdb":
        if shutil.which("ogr2ogr") is None:
            pytest.skip("ogr2ogr is not installed")
        command = ["ogr2ogr", "-f", "OpenFileGDB", tmp_path / "curved.gdb", file, "-nlt", "CURVEPOLYGON"]
        subprocess.run(command, check=True, capture_output=True)
        file = tmp_path / "curved.gdb"
    if streamed:
        monkeypatch.setattr(gdalsource, "STREAM_FROM_FEATURES", 1)
    read = layers.read_layer(str(file), PARCELS)
    assert any("1 of its 4 shapes have arcs" in note and "0.004 percent of its radius" in note for note in read.attrs["notes"])
    rings = shapely.get_parts(read.geometry.iloc[0])
    centre = shapely.points(500_100, 5_200_100)
    corners = shapely.points(shapely.get_coordinates(rings))
    assert shapely.distance(corners, centre) == pytest.approx(100, abs=1e-4)
    # Chords lie inside: how far is the nearest point of the outline from the circle?
    assert 100 - shapely.distance(shapely.boundary(rings[0]), centre) <= 100 * 0.00004
    assert read.geometry.iloc[0].area == pytest.approx(np.pi * 100**2, rel=1e-4)


def test_layer_without_arcs_says_nothing_of_them(tmp_path):
    assert layers.read_layer(made("geodatabase", tmp_path), PARCELS).attrs["notes"] == ()


def test_parquet_without_pyarrow_or_without_shapes_is_refused_with_what_to_do(tmp_path, monkeypatch):
    pytest.importorskip("pyarrow")
    source = made("parquet", tmp_path)
    frame().drop(columns="geometry").to_parquet(tmp_path / "plain.parquet")
    with pytest.raises(FileUnreadableError, match="without the metadata of GeoParquet"):
        read_header(str(tmp_path / "plain.parquet"))
    (tmp_path / "text.parquet").write_text("no parquet")
    with pytest.raises(FileUnreadableError, match=r"text\.parquet"):
        read_header(str(tmp_path / "text.parquet"))
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(FileUnreadableError, match=r"Install geoseptic\[parquet\]"):
        read_header(source)


def test_parquet_without_a_crs_is_in_degrees_and_with_null_is_unknown(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    source = made("parquet", tmp_path)
    table = parquet.read_table(source)
    about = json.loads(table.schema.metadata[b"geo"])
    column = about["columns"]["geometry"]
    column["crs"] = None
    parquet.write_table(table.replace_schema_metadata({b"geo": json.dumps(about)}), source)
    with pytest.raises(MissingCrsError):
        layers.read_layer(source, PARCELS)
    assert layers.read_layer(source, PARCELS, stated=Stated(crs=METRES)).crs == METRES
    del column["crs"]
    parquet.write_table(table.replace_schema_metadata({b"geo": json.dumps(about)}), source)
    assert read_header(source).crs == "OGC:CRS84"


@pytest.mark.parametrize("kind", ["geopackage", "parquet", "flatgeobuf", "geojson"])
def test_records_without_a_shape_are_counted_in_every_format(tmp_path, kind):
    parcels = frame("EPSG:4326" if kind == "geojson" else METRES)
    parcels.loc[2, "geometry"] = None
    source = Path(made(kind, tmp_path))
    source.unlink()
    if kind == "parquet":
        parcels.to_parquet(source)
    else:
        options = {"SPATIAL_INDEX": "NO"} if kind == "flatgeobuf" else {}
        parcels.to_file(source, layer="parcels", **options)
    near = ((499_000, 5_199_000, 501_000, 5_201_000), CRS(METRES))
    read = layers.read_layer(str(source), PARCELS, near=near)
    assert list(read["parcel_id"]) == ["A-1", "A-2", "Bünde-3"] and len(read.attrs["without_shape"]) == 1
