"""GPX files: in the order of the schema, escaped, in degrees, with the cautions in them."""

from xml.etree import ElementTree

import geopandas
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from geoseptic.errors import OutputExistsError, ParameterError
from geoseptic.io.gpx import to_wgs84, write_gpx
from geoseptic.model.frame import Frame

SPACE = {"g": "http://www.topografix.com/GPX/1/1"}
POINT_ORDER = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"]
METADATA_ORDER = ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds"]


def written(path, **changes):
    given_ = {
        "names": ["MH-001-02 P1", 'L & M <"7"> S1'],
        "lon": [-75.12345678, -75.1],
        "lat": [44.5, 44.50000004],
        "descriptions": ["percolation hole", "soil pit"],
        "kinds": ["P", "S"],
    } | changes
    write_gpx(path, **given_)
    return ElementTree.parse(path).getroot()


def test_names_and_places_come_back_as_they_were_given(tmp_path):
    root = written(tmp_path / "holes.gpx")
    points = root.findall("g:wpt", SPACE)
    assert [point.find("g:name", SPACE).text for point in points] == ["MH-001-02 P1", 'L & M <"7"> S1']
    assert [(point.get("lon"), point.get("lat")) for point in points] == [("-75.1234568", "44.5000000"), ("-75.1000000", "44.5000000")]


@pytest.mark.source("gpx-1-1", where="gpxType, metadataType, wptType: attributes asked for, order of the elements")
def test_elements_stand_in_the_order_of_the_schema(tmp_path):
    root = written(tmp_path / "holes.gpx")
    assert root.tag == "{http://www.topografix.com/GPX/1/1}gpx"
    assert root.get("version") == "1.1" and root.get("creator")
    names = [child.tag.partition("}")[2] for child in root]
    assert names == ["metadata", "wpt", "wpt"]
    for parent, order in [(root[0], METADATA_ORDER), *((point, POINT_ORDER) for point in root[1:])]:
        found = [child.tag.partition("}")[2] for child in parent]
        assert found == sorted(found, key=order.index)
    bounds = root.find("g:metadata/g:bounds", SPACE)
    assert float(bounds.get("minlon")) <= float(bounds.get("maxlon")) and set(bounds.keys()) == {"minlat", "minlon", "maxlat", "maxlon"}


def test_metadata_says_that_it_is_a_screening_aid_and_asks_for_marked_utilities(tmp_path):
    words = written(tmp_path / "holes.gpx").find("g:metadata/g:desc", SPACE).text
    assert "screening aid" in words and "utilities marked before any digging" in words


def test_file_opens_in_gdal_as_waypoints(tmp_path):
    written(tmp_path / "holes.gpx")
    frame = geopandas.read_file(tmp_path / "holes.gpx", layer="waypoints")
    assert list(frame["name"]) == ["MH-001-02 P1", 'L & M <"7"> S1']
    assert list(frame["desc"]) == ["percolation hole", "soil pit"]
    assert frame.geometry.x.tolist() == pytest.approx([-75.1234568, -75.1], abs=1e-9)


def test_same_points_give_the_same_bytes_and_no_file_is_overwritten(tmp_path):
    written(tmp_path / "one.gpx")
    written(tmp_path / "two.gpx")
    assert (tmp_path / "one.gpx").read_bytes() == (tmp_path / "two.gpx").read_bytes()
    with pytest.raises(OutputExistsError, match=r"one\.gpx"):
        written(tmp_path / "one.gpx")


def test_no_points_make_a_file_without_waypoints(tmp_path):
    root = written(tmp_path / "none.gpx", names=[], lon=[], lat=[], descriptions=[], kinds=[])
    assert [child.tag.partition("}")[2] for child in root] == ["metadata"]


@pytest.mark.parametrize(("lon", "lat"), [(500_000.0, 44.0), (np.nan, 44.0), (-75.0, 91.0), (-75.0, np.inf)])
def test_place_that_is_not_on_earth_is_refused_by_its_name(tmp_path, lon, lat):
    with pytest.raises(ParameterError, match="L1 P1"):
        written(tmp_path / "bad.gpx", names=["L1 P1", "L1 P2"], lon=[lon, -75.0], lat=[lat, 44.0])
    assert not (tmp_path / "bad.gpx").exists()


def test_lists_of_different_length_are_refused(tmp_path):
    with pytest.raises(ParameterError, match="differ in number"):
        written(tmp_path / "bad.gpx", lon=[-75.0])


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=20))
def test_any_name_gives_a_file_that_can_be_read(tmp_path_factory, name):
    path = tmp_path_factory.mktemp("gpx") / "name.gpx"
    root = written(path, names=[name], lon=[-75.0], lat=[44.0], descriptions=[name], kinds=[name])
    text = root.find("g:wpt/g:name", SPACE).text or ""
    readable = "".join(c for c in name if c in "\t\n\r" or 0x20 <= ord(c) < 0xFFFE or ord(c) > 0xFFFF)
    # XML reads every kind of line end as one line feed.
    assert text == readable.replace("\r\n", "\n").replace("\r", "\n")


@pytest.mark.parametrize("code", ["EPSG:26918", "EPSG:2263"])
def test_metres_of_the_frame_become_degrees_wherever_its_unit_is_the_foot(code):
    frame = Frame.of(code, "parcels")
    x, y = Transformer.from_crs("EPSG:4326", frame.crs, always_xy=True).transform(-73.9, 40.8)
    lon, lat = to_wgs84(frame, np.array([[x, y], [x, y]]) * frame.metres_per_unit)
    assert lon == pytest.approx([-73.9] * 2, abs=1e-8) and lat == pytest.approx([40.8] * 2, abs=1e-8)
    assert len(to_wgs84(frame, np.empty((0, 2)))[0]) == 0


def test_a_caution_of_the_points_stands_in_the_file_beside_the_warning(tmp_path):
    path = tmp_path / "sweep.gpx"
    write_gpx(path, ["A 1"], [-122.0], [47.0], caution="Never enter a pit.")
    assert "before you dig. Never enter a pit." in path.read_text(encoding="utf-8")
