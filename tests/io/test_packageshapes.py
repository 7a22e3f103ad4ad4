"""What a GeoPackage's own tables say of shapes, against what GDAL says; and a layer that is near whole, which is read at one go."""

import sqlite3
import struct
import sys
import zipfile
from contextlib import closing
from dataclasses import replace

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoseptic.errors import FileUnreadableError
from geoseptic.io import gdalsource, packageshapes
from geoseptic.io.sources import NOTHING_STATED

CRS = "EPSG:26910"
SHAPES = {
    "points": ["POINT (3 4)", "POINT Z (3 4 5)", "POINT EMPTY", None, "POINT (0 0)"],
    "lines": ["LINESTRING (0 0, 2 9)", "LINESTRING EMPTY", "MULTILINESTRING ((4 1, 5 2), (7 7, 8 8))"],
    "areas": ["POLYGON ((0 0, 1 0, 1 1, 0 0))", "MULTIPOLYGON (((5 5, 6 5, 6 6, 5 5)))", "GEOMETRYCOLLECTION (POINT (1 1))", None],
}
WITH_ARCS = {"CIRCULARSTRING": 8, "COMPOUNDCURVE": 9, "CURVEPOLYGON": 10, "MULTICURVE": 11, "MULTISURFACE": 12}
EVERYWHERE = (-1e6, -1e6, 1e6, 1e6)


def package(path, shapes):
    frame = geopandas.GeoDataFrame({"n": np.arange(len(shapes))}, geometry=list(shapes), crs=CRS)
    pyogrio.write_dataframe(frame, path, layer="things", driver="GPKG", geometry_type="Unknown")
    return path


def scattered(count=200, seed=5):
    x, y = np.random.default_rng(seed).uniform(1, 1000, (2, count))
    return shapely.buffer(shapely.points(x, y), 3)


def changed(path, *statements):
    """The file after these, of which its triggers hear nothing."""
    with closing(sqlite3.connect(path)) as database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{trigger}"')
        for statement, *values in statements:
            database.execute(statement, values)
        database.commit()
    return path


def straight(path, layer):
    kinds = packageshapes.kinds(path, layer)
    return kinds is not None and packageshapes.are_straight(kinds)


def opened(path):
    return gdalsource.open_layer(f"{path}|things", NOTHING_STATED)


@pytest.mark.parametrize("kind", SHAPES)
def test_layer_without_arcs_is_known_by_the_heads_of_its_shapes(tmp_path, kind):
    path = package(tmp_path / "a.gpkg", shapely.from_wkt(np.array(SHAPES[kind], object)))
    assert straight(path, "things") is True


@pytest.mark.parametrize("envelope", [0, 1, 4])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("more", [0, 1000, 3000, 0x80000000])
def test_every_kind_with_arcs_is_left_to_gdal(tmp_path, envelope, order, more):
    path = package(tmp_path / "a.gpkg", scattered(3))
    values = {0: 0, 1: 4, 4: 8}[envelope]
    for name, kind in [*WITH_ARCS.items(), ("POLYGON", 3)]:
        flags = envelope << 1 | (order == "<")
        head = b"GP\0" + bytes([flags]) + struct.pack(f"{order}i", 26910) + struct.pack(f"{order}{values}d", *[0.0] * values)
        blob = head + bytes([order == "<"]) + struct.pack(f"{order}I", kind + more) + bytes(20)
        changed(path, ("UPDATE things SET geom = ? WHERE fid = 2", blob))
        assert straight(path, "things") is (name == "POLYGON"), name


@pytest.mark.parametrize(
    "blob", [b"", b"GP", b"XX\0\1" + bytes(60), b"GP\0\x0b" + bytes(200), b"GP\0\x21" + bytes(60), b"GP\0\1" + bytes(6)]
)
def test_shape_that_is_no_usual_one_is_left_to_gdal(tmp_path, blob):
    path = changed(package(tmp_path / "a.gpkg", scattered(3)), ("UPDATE things SET geom = ? WHERE fid = 2", blob))
    assert straight(path, "things") is False


def test_index_has_in_a_part_what_gdal_finds_there(tmp_path):
    path = package(tmp_path / "a.gpkg", [*scattered(), None, shapely.Point()])
    parts = [(0.0, 0.0, 500.0, 1000.0), (700.0, 20.0, 800.0, 300.0), (-9.0, -9.0, -8.0, -8.0)]
    for part, found in zip(parts, packageshapes.found_by_index(path, "things", parts), strict=True):
        numbers, bounds = pyogrio.read_bounds(path, layer="things")
        left, bottom, right, top = bounds
        expected = numbers[(right >= part[0]) & (left <= part[2]) & (top >= part[1]) & (bottom <= part[3])]
        assert set(pyogrio.read_bounds(path, layer="things", bbox=part)[0]) <= set(found) == set(expected)


def test_layer_without_an_index_and_no_layer_are_left_to_gdal(tmp_path):
    frame = geopandas.GeoDataFrame({"n": [1]}, geometry=[shapely.Point(1, 2)], crs=CRS)
    pyogrio.write_dataframe(frame, tmp_path / "a.gpkg", layer="things", driver="GPKG", SPATIAL_INDEX="NO")
    assert packageshapes.found_by_index(tmp_path / "a.gpkg", "things", [EVERYWHERE]) is None
    assert straight(tmp_path / "a.gpkg", "others") is False
    assert len(opened(tmp_path / "a.gpkg").read(["n"], None)) == 1


@pytest.mark.parametrize("asked", [None, EVERYWHERE])
def test_layer_that_is_near_whole_is_looked_at_by_gdal_once(tmp_path, monkeypatch, asked):
    shapes = np.array([*scattered(), None, shapely.Point(), shapely.Point(0, 0)], object)
    layer = opened(package(tmp_path / "a.gpkg", shapes))
    numbers, bounds = pyogrio.read_bounds(layer.file, layer="things")
    monkeypatch.setattr(pyogrio, "read_bounds", lambda *_, **__: pytest.fail("GDAL looked at every record once more"))
    read = layer.read(["n"], asked)
    assert read["n"].tolist() == list(range(len(shapes)))
    nowhere = ~np.isfinite(bounds).all(axis=0) | (bounds == 0).all(axis=0)
    assert layer.without_shape() == tuple(numbers[nowhere].tolist()) == (201, 202, 203)


def test_stated_bounds_that_are_too_small_lose_and_add_nothing(tmp_path):
    shapes = scattered()
    stale = ("UPDATE gpkg_contents SET min_x = 100, min_y = 100, max_x = 200, max_y = 200",)
    layer = opened(changed(package(tmp_path / "a.gpkg", shapes), stale))
    near = (50.0, 50.0, 450.0, 450.0)
    assert layer.stated_bounds == (100.0, 100.0, 200.0, 200.0)
    assert sorted(layer.read(["n"], near)["n"]) == np.flatnonzero(shapely.intersects(shapes, shapely.box(*near))).tolist()
    assert layer.without_shape() == ()


@pytest.mark.parametrize("asked", [None, EVERYWHERE])
@pytest.mark.parametrize(
    "fault", ["DELETE FROM rtree_things_geom WHERE id = 17", "UPDATE rtree_things_geom SET minx = 9e5, maxx = 9e5 WHERE id = 17"]
)
def test_index_that_lacks_a_record_is_refused_though_nothing_is_found_by_it(tmp_path, asked, fault):
    layer = opened(changed(package(tmp_path / "a.gpkg", scattered()), (fault,)))
    with pytest.raises(FileUnreadableError, match=r"lacks 1 features \(numbers 17\)"):
        layer.read(["n"], asked)
        layer.without_shape()


def test_coordinate_that_is_no_number_is_looked_at_by_gdal(tmp_path):
    shapes = np.array([*scattered(5), shapely.linestrings([[1.0, 2.0], [np.nan, 3.0], [4.0, 5.0]])], object)
    layer = opened(package(tmp_path / "a.gpkg", shapes))
    before = gdalsource._extents(layer.file, "things", *gdalsource._state(layer.file))
    layer.read(["n"], None)
    assert layer.without_shape() == tuple(before.numbers[before.shapeless].tolist())


DIRTY = {
    "whole": ["seven", 7.9, "8", b"\1", 2**40, None],
    "long": ["seven", 7.9, "", b"\1", None],
    "real": ["abc", "7.5", "1,5", b"\1", float("inf"), None],
    "words": [5, 1.25, b"bytes", "", "nan", None],
    "truth": [0, 2, "true", None],
    "day": ["2020-13-45", "x", 5, None],
    "moment": ["x", "2020-01-01", 5, None],
}


@pytest.mark.parametrize(("name", "value"), [(name, value) for name, values in DIRTY.items() for value in values])
def test_layer_read_at_once_is_the_one_read_record_by_record(tmp_path, name, value):
    """Whatever a program wrote into a field of another type. Types and rows, shapes that are empty, none or parted included."""
    days = pd.to_datetime(["2020-01-01", "1850-02-03", None])
    columns = {
        "whole": np.array([1, 2, 3], np.int32),
        "long": [1, 2**60, 3],
        "real": [1.5, np.nan, -0.0],
        "words": ["a", None, "\u00e4"],
        "truth": [True, False, True],
        "day": days.date,
        "moment": days,
    }
    shapes = [shapely.box(0, 0, 1, 1).difference(shapely.box(0.2, 0.2, 0.3, 0.3)), None, shapely.Polygon()]
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    pyogrio.write_dataframe(frame, tmp_path / "a.gpkg", layer="things", driver="GPKG", promote_to_multi=False)
    path = changed(tmp_path / "a.gpkg", (f"UPDATE things SET {name} = ? WHERE fid = 3", value))
    layer = opened(path)
    at_once, plain = layer._read_at_once([name]), layer._read_file([name], None, fid_as_index=True)
    if name in ("whole", "long", "real", "words") or value == 0:
        assert at_once is not None
    if at_once is not None:
        pd.testing.assert_frame_equal(at_once, plain, check_exact=True, check_column_type=True)
        assert np.array_equal(shapely.to_wkb(at_once.geometry.to_numpy()), shapely.to_wkb(plain.geometry.to_numpy()))


@pytest.mark.parametrize("shape", ["POINT Z (1 2 3)", "POINT M (1 2 3)", "GEOMETRYCOLLECTION (POINT (1 1))"])
def test_heights_measures_and_collections_are_read_record_by_record(tmp_path, shape):
    path = package(tmp_path / "a.gpkg", [shapely.Point(0, 1)] * 2)
    assert opened(path)._read_at_once(["n"]) is not None
    blob = b"GP\0\1" + struct.pack("<i", 26910) + shapely.to_wkb(shapely.from_wkt(shape), flavor="iso", output_dimension=4)
    assert opened(changed(path, ("UPDATE things SET geom = ? WHERE fid = 2", blob)))._read_at_once(["n"]) is None


def test_shape_that_cannot_be_read_is_left_to_gdal(tmp_path):
    """Cut short in the middle of its coordinates."""
    path = package(tmp_path / "a.gpkg", scattered(3))
    path = changed(path, ("UPDATE things SET geom = substr(geom, 1, 120) WHERE fid = 2",))
    layer = opened(path)
    assert layer._read_at_once(["n"]) is None
    assert layer._read_whole(["n"]).geometry.isna().tolist() == layer._read_file(["n"], None).geometry.isna().tolist()


def test_without_arrow_a_layer_is_read_record_by_record(tmp_path, monkeypatch):
    path = package(tmp_path / "a.gpkg", scattered(3))
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    layer = opened(path)
    assert layer._is_flat() and layer._read_at_once(["n"]) is None


def test_package_in_a_file_system_of_gdal_is_read_by_gdal_alone(tmp_path):
    """Where nothing is known of the file's time and size, as of one from the network."""
    path = package(tmp_path / "a.gpkg", scattered(3))
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(path, "a.gpkg")
    layer = gdalsource.open_layer(f"/vsizip/{tmp_path}/a.zip/a.gpkg|things", replace(NOTHING_STATED, network=True))
    assert layer._read_at_once(["n"]) is None
    assert layer.read(["n"], None)["n"].tolist() == layer.read(["n"], EVERYWHERE)["n"].tolist() == [0, 1, 2]
