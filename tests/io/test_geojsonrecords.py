"""The features of a GeoJSON file are counted by its own text, whatever GDAL makes of it."""

import json
import random
from pathlib import Path

import pytest

from geoseptic.errors import FileUnreadableError
from geoseptic.io import geojsonrecords

PAIR = [-122.5, 47.25]
RING = [PAIR, [-122.4, 47.25], [-122.4, 47.3], PAIR]
SHAPES = [
    {"type": "Point", "coordinates": PAIR},
    {"type": "Point", "coordinates": [1, 2, 3.5]},
    {"type": "Point", "coordinates": []},
    {"type": "Point", "coordinates": [1e3, -2.5e-3]},
    {"type": "MultiPoint", "coordinates": [PAIR, PAIR]},
    {"type": "LineString", "coordinates": [PAIR, [1, 2]]},
    {"type": "Polygon", "coordinates": [RING, RING]},
    {"type": "MultiPolygon", "coordinates": [[RING], [RING, RING]]},
    {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": PAIR}, {"type": "Polygon", "coordinates": [RING]}]},
    {"type": "point", "coordinates": PAIR},
    {"type": "Polygon", "coordinates": [[[float("nan"), 1], *RING]]},
    None,
]
NAMES = ["", 'a "house"', "\\", '{"coordinates": [1, "x"]}', "[{,", "Bünde", '"coordinates":[1,2]}']


def feature(shape: object, name: str = "") -> dict[str, object]:
    return {"type": "Feature", "properties": {"name": name, "geometry": 1, "coordinates": ["x"]}, "geometry": shape}


def held(folder: Path, text: str, driver: str = "GeoJSON") -> tuple[int, dict[str, tuple[int, ...]]]:
    path = folder / "layer.geojson"
    path.write_text(text, encoding="utf-8", newline="\n")
    geojsonrecords._held.cache_clear()
    count, faults = geojsonrecords._held(path, driver, 0, 0)
    return count, dict(faults)


def collection(*features: object, indent: int | None = None) -> str:
    return json.dumps({"type": "FeatureCollection", "name": "houses", "features": features, "crs": None}, indent=indent)


@pytest.mark.parametrize("piece_bytes", [1, 7, 100, 4_000_000])
def test_whole_files_have_all_their_features_whatever_pieces_they_are_read_in(piece_bytes: int, tmp_path: Path, monkeypatch):
    monkeypatch.setattr(geojsonrecords, "PIECE_BYTES", piece_bytes)
    luck = random.Random(1)
    for count in range(12):
        features = [feature(luck.choice(SHAPES), luck.choice(NAMES)) for _ in range(count)]
        for indent in (None, 1):
            assert held(tmp_path, collection(*features, indent=indent)) == (count, {})
        lines = [json.dumps(one) for one in features]
        assert held(tmp_path, "\n\n".join(lines) + " \n", geojsonrecords.SEQUENCE) == (count, {})
        records = "".join(f"\x1e{json.dumps(one, indent=1)}\n" for one in features)
        assert held(tmp_path, records or "\x1e", geojsonrecords.SEQUENCE) == (count, {})


@pytest.mark.parametrize(
    ("spoilt", "fault"),
    [
        (None, "null instead of a feature"),
        (7, "a number instead of a feature"),
        (True, "true or false instead of a feature"),
        ("Feature", "a text instead of a feature"),
        ([], "a list instead of a feature"),
        ({}, "no type, which should be 'Feature'"),
        ({"type": "feature"}, "the type 'feature' instead of 'Feature'"),
        (feature("POINT (1 2)"), "a text instead of a shape"),
        (feature({"type": "Pint", "coordinates": PAIR}), "a shape of the type 'Pint', which there is not"),
        (feature({"coordinates": PAIR}), "a shape of the type 'None', which there is not"),
        (feature({"type": "Point"}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "Point", "coordinates": [1]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "Point", "coordinates": ["1", "2"]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "Point", "coordinates": [PAIR]}), "coordinates that are no Point"),
        (feature({"type": "Polygon", "coordinates": RING}), "coordinates that are no Polygon"),
        (feature({"type": "MultiPoint", "coordinates": [PAIR, [1]]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPoint", "coordinates": [PAIR, None]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPoint", "coordinates": [PAIR, [PAIR]]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPoint", "coordinates": [[PAIR], PAIR]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPolygon", "coordinates": [[RING], RING]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPolygon", "coordinates": [RING, [RING]]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "MultiPolygon", "coordinates": [[RING], [[*RING, {}]]]}), "coordinates that are not all numbers in pairs"),
        (feature({"type": "GeometryCollection", "geometries": [SHAPES[0], None]}), "null instead of a shape"),
        (feature({"type": "GeometryCollection"}), "a collection without shapes"),
    ],
)
def test_each_fault_is_told_with_the_number_of_its_feature(spoilt: object, fault: str, tmp_path: Path):
    whole = feature(SHAPES[0])
    assert held(tmp_path, collection(whole, spoilt, whole, spoilt)) == (4, {fault: (2, 4)})


@pytest.mark.parametrize("piece_bytes", [1, 4_000_000])
def test_what_stands_behind_the_first_value_or_twice_in_it_is_told(piece_bytes: int, tmp_path: Path, monkeypatch):
    monkeypatch.setattr(geojsonrecords, "PIECE_BYTES", piece_bytes)
    one = json.dumps(feature(SHAPES[0]))
    behind = "more stands behind the first feature or collection, and only that would be read"
    assert held(tmp_path, f"\ufeff{one}\r{one}") == (1, {behind: (0,)})
    assert held(tmp_path, collection() + "x") == (0, {behind: (0,)})
    twice = collection(feature(SHAPES[0])).replace('"crs"', '"features": [], "crs"')
    assert held(tmp_path, twice) == (1, {"the member 'features' is there twice": (0,)})
    shapes = one.replace('"geometry": {', f'"geometry": {json.dumps(SHAPES[1])}, "geometry": {{')
    assert held(tmp_path, f'{{"features": [{shapes}], "type": "FeatureCollection"}}') == (1, {"two shapes in one feature": (1,)})


def test_a_single_feature_or_shape_is_one(tmp_path: Path):
    assert held(tmp_path, json.dumps(feature(SHAPES[6]), indent=2)) == (1, {})
    assert held(tmp_path, json.dumps(SHAPES[8])) == (1, {})
    assert held(tmp_path, json.dumps(feature("x"))) == (1, {"a text instead of a shape": (1,)})


def test_records_of_a_sequence_are_named_by_the_line_in_which_they_begin(tmp_path: Path):
    record = json.dumps(feature(SHAPES[0]), indent=1)
    text = f"\x1e{record}\n\x1e{record[:-3]}\n\x1e{record}\n"
    line = 2 + record.count("\n")
    assert held(tmp_path, text, geojsonrecords.SEQUENCE) == (3, {"no whole feature by itself": (line,)})


def test_a_file_of_which_gdal_reads_another_number_is_refused(tmp_path: Path):
    path = tmp_path / "layer.geojson"
    path.write_text(collection(feature(None)), encoding="utf-8")
    geojsonrecords.refuse_lost(path, "here", "GeoJSON", 1)
    with pytest.raises(FileUnreadableError, match="here cannot be read: it holds 1 features, and 0 of them are read"):
        geojsonrecords.refuse_lost(path, "here", "GeoJSON", 0)
