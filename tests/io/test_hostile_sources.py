"""Sources that are made to do harm, or that would read something else than they seem to: each is refused with a sentence that says why."""

import os
import socket
import sqlite3
import stat
import threading
import zipfile
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import geopandas
import pytest
from shapely import box

from geoseptic.errors import FileUnreadableError
from geoseptic.io import archives, layers, workingcopies
from geoseptic.io.layerheaders import read_header
from geoseptic.io.sources import Stated
from geoseptic.model.layers import PARCELS

LOTS = geopandas.GeoDataFrame({"parcel_id": ["a"]}, geometry=[box(500_000, 5_200_000, 500_050, 5_200_080)], crs="EPSG:26910")


@pytest.fixture
def lots(tmp_path) -> Path:
    LOTS.to_file(tmp_path / "lots.gpkg", layer="lots")
    return tmp_path / "lots.gpkg"


@pytest.fixture
def temporary(tmp_path, monkeypatch) -> Path:
    """The folder that working folders are made in."""
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    monkeypatch.setattr(workingcopies, "_FOLDERS", {})
    return tmp_path / "temporary"


class Counting(BaseHTTPRequestHandler):
    asked: list[str] = []  # noqa: RUF012
    body = b""

    def do_GET(self) -> None:
        self.asked.append(self.path)
        self.send_response(200 if self.body else 404)
        self.send_header("Content-Length", str(len(self.body)))
        self.end_headers()
        self.wfile.write(self.body)

    do_HEAD = do_GET

    def log_message(self, *words: object) -> None:
        pass


@pytest.fixture
def server():
    """An address on this machine and the list of what was asked of it."""
    made = HTTPServer(("127.0.0.1", 0), Counting)
    Counting.asked = []
    threading.Thread(target=made.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{made.server_port}", Counting.asked
    made.shutdown()
    made.server_close()


@pytest.mark.parametrize(
    ("source", "why"),
    [
        ("/vsicurl/{address}/lots.gpkg", "not a file on this machine"),
        ("/vsicurl?url={address}/lots.gpkg", "not a file on this machine"),
        ("/vsis3/bucket/lots.gpkg|lots", "not a file on this machine"),
        ("/VSIZIP//vsicurl/{address}/lots.zip", "not a file on this machine"),
        ("{address}/lots.geojson", "not a file on this machine"),
        ("HTTP://127.0.0.1/lots.geojson", "not a file on this machine"),
        ("WFS:{address}/wfs", "connection string of GDAL"),
        ("OAPIF:{address}/", "connection string of GDAL"),
        ("GDALG:x", "connection string of GDAL"),
        ("GeoJSON:{address}/x", "connection string of GDAL"),
        ('{{"type":"FeatureCollection","features":[]}}', "no such file"),
    ],
)
def test_address_is_refused_and_nothing_is_asked_of_it(server, source, why):
    address, asked = server
    with pytest.raises(FileUnreadableError, match=why):
        read_header(source.format(address=address))
    assert asked == []


def test_address_is_fetched_where_that_is_allowed(server, tmp_path, monkeypatch):
    address, asked = server
    LOTS.to_crs("EPSG:4326").to_file(tmp_path / "lots.geojson")
    monkeypatch.setattr(Counting, "body", (tmp_path / "lots.geojson").read_bytes())
    assert list(layers.read_layer(f"{address}/lots.geojson", PARCELS, stated=Stated(network=True))["parcel_id"]) == ["a"]
    assert "/lots.geojson" in asked


VRT = '<OGRVRTDataSource><OGRVRTLayer name="lots"><SrcDataSource>{where}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'


@pytest.mark.parametrize("name", ["lots.vrt", "lots.geojson", "lots.shp", "lots"])
@pytest.mark.parametrize(
    "text",
    [
        VRT,
        '<?xml version="1.0"?>\n<!-- <kml> -->\n' + VRT,
        "<OGRWFSDataSource><URL>{where}</URL></OGRWFSDataSource>",
        "<ogc:WFS_Capabilities xmlns:ogc='x'><Service>{where}</Service></ogc:WFS_Capabilities>",
        '{{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read {where}"}}',
    ],
)
def test_file_that_points_elsewhere_is_refused_whatever_its_name(server, tmp_path, name, text):
    address, asked = server
    (tmp_path / name).write_text(text.format(where=f"/vsicurl/{address}/lots.gpkg"))
    with pytest.raises(FileUnreadableError, match="holds no data but says where they are"):
        read_header(str(tmp_path / name))
    assert asked == []


@pytest.mark.parametrize("declaration", ['<!DOCTYPE kml [<!ENTITY a "aaaa">]>', "<!doctype x SYSTEM '{address}/x.dtd'>"])
def test_xml_with_a_document_type_is_refused(server, tmp_path, declaration):
    address, asked = server
    text = f"<?xml version='1.0'?>{declaration.format(address=address)}<kml xmlns='http://www.opengis.net/kml/2.2'></kml>"
    (tmp_path / "lots.kml").write_text(text)
    with pytest.raises(FileUnreadableError, match="document type"):
        read_header(str(tmp_path / "lots.kml"))
    assert asked == []


def test_kml_that_links_to_other_files_is_refused_and_not_read_without_them(server, tmp_path):
    address, asked = server
    LOTS.to_crs("EPSG:4326").to_file(tmp_path / "lots.kml", driver="KML")
    text = (tmp_path / "lots.kml").read_text()
    link = f"<NetworkLink><Link><href>{address}/more.kml</href></Link></NetworkLink></Document>"
    (tmp_path / "lots.kml").write_text(text.replace("</Document>", link))
    with pytest.raises(FileUnreadableError, match="links to other files"):
        read_header(str(tmp_path / "lots.kml"))
    assert asked == []


def test_gml_asks_no_server_for_its_schema(server, tmp_path):
    address, asked = server
    LOTS.to_file(tmp_path / "lots.gml", driver="GML")
    (tmp_path / "lots.xsd").unlink()
    text = (tmp_path / "lots.gml").read_text()
    wfs = f"{address}/wfs?service=WFS&amp;version=1.1.0&amp;request=DescribeFeatureType&amp;typeName=lots"
    assert 'xsi:schemaLocation="' in text
    start, _, rest = text.partition('xsi:schemaLocation="')
    (tmp_path / "lots.gml").write_text(f'{start}xsi:schemaLocation="http://ogr.maptools.org/ {wfs}"{rest.partition(chr(34))[2]}')
    assert list(layers.read_layer(str(tmp_path / "lots.gml"), PARCELS)["parcel_id"]) == ["a"]
    assert asked == []


@pytest.mark.parametrize(
    "sql",
    [
        "CREATE VIEW sneaky AS SELECT ogr_geocode('x') AS place",
        "CREATE VIEW sneaky AS SELECT ogr_datasource_load_layers('{address}/x')",
    ],
)
def test_geopackage_with_a_view_that_reaches_out_is_refused(lots, sql):
    with sqlite3.connect(lots) as database:
        database.execute(sql)
    with pytest.raises(FileUnreadableError, match="'sneaky' would read something outside of the file"):
        read_header(f"{lots}|lots")


def test_geopackage_with_a_table_that_is_another_source_is_refused(lots):
    with sqlite3.connect(lots) as database:
        database.execute("PRAGMA writable_schema = on")
        sql = "CREATE VIRTUAL TABLE sneaky USING VirtualOGR('/vsicurl/http://127.0.0.1/x.gpkg')"
        database.execute("INSERT INTO sqlite_master VALUES ('table', 'sneaky', 'sneaky', 0, ?)", (sql,))
    with pytest.raises(FileUnreadableError, match="'sneaky' would read something outside of the file"):
        read_header(f"{lots}|lots")


@pytest.mark.parametrize(
    ("name", "data", "why"),
    [
        ("a.gpkg", b"", "it is empty"),
        ("a.gpkg", b"SQLite format 3\x00" + bytes(100), r"a\.gpkg"),
        ("a.sqlite", b"SQLite format 3\x00" + bytes(100), "no GeoPackage"),
        ("a.shp", b"not a shapefile", "no format that is known here"),
        ("a.fgb", b"fgb\x03fgb\x00" + b"\xff" * 50, r"a\.fgb"),
        ("a.geojson", b'{"type": "Topology", "objects": {}, "arcs": []}', r"a\.geojson"),
        ("a.json", b'{"a": 1}', r"a\.json"),
        ("a.json", b"{" * 70_000, r"a\.json"),
        ("a.xml", b"<html><body/></html>", "neither KML nor GML"),
        ("a.dxf", b"  0\nSECTION\n", "no format that is known here"),
        ("a.zip", b"PK\x03\x04 cut off", "archive is damaged"),
        ("a.txt", b"parcel_id,x,y\n", "no format that is known here"),
    ],
)
def test_file_that_is_nothing_known_is_refused_with_the_formats_that_are(tmp_path, name, data, why):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(FileUnreadableError, match=why):
        read_header(str(tmp_path / name))


def archive_of(path: Path, lots: Path, *names: str) -> Path:
    with zipfile.ZipFile(path, "w") as file:
        for name in names:
            file.writestr(zipfile.ZipInfo(name), lots.read_bytes())
    return path


@pytest.mark.parametrize(
    "name", ["../lots.gpkg", "a/../../lots.gpkg", "/tmp/lots.gpkg", "..\\lots.gpkg", "C:\\lots.gpkg", "c:lots.gpkg", "a/..\\../lots.gpkg"]
)
def test_archive_with_names_that_lead_out_of_it_is_refused_and_nothing_is_written(tmp_path, lots, temporary, name):
    archive = archive_of(tmp_path / "out.zip", lots, "good.gpkg", name)
    before = set(tmp_path.rglob("*"))
    with pytest.raises(FileUnreadableError, match="lead out of it"):
        read_header(str(archive))
    assert set(tmp_path.rglob("*")) == before


def test_archive_with_a_symbolic_link_is_refused(tmp_path, lots):
    archive = archive_of(tmp_path / "link.zip", lots, "good.gpkg")
    with zipfile.ZipFile(archive, "a") as file:
        link = zipfile.ZipInfo("parcels.shp")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        file.writestr(link, "/etc/passwd")
    with pytest.raises(FileUnreadableError, match=r"lead out of it: parcels\.shp"):
        read_header(str(archive))


def test_archive_that_swells_is_refused_by_its_ratio_and_leaves_nothing(tmp_path, temporary):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("bomb.gpkg", bytes(archives.RATIO_FROM_BYTES + 1))
    with pytest.raises(FileUnreadableError, match="times its size, more than 200 times"):
        read_header(str(tmp_path / "bomb.zip"))
    assert list(temporary.iterdir()) == []


def test_archive_that_is_too_large_is_refused(tmp_path, lots, monkeypatch, temporary):
    archive = archive_of(tmp_path / "large.zip", lots, "lots.gpkg")
    monkeypatch.setattr(archives, "MOST_BYTES", 1000)
    with pytest.raises(FileUnreadableError, match=r"unpacked, the archive would have .* GB, more than"):
        read_header(str(archive))
    monkeypatch.undo()
    monkeypatch.setattr(archives, "room_bytes", lambda: 1000)
    with pytest.raises(FileUnreadableError, match="more than the temporary folder has"):
        read_header(str(archive))
    monkeypatch.setattr(archives, "MOST_MEMBERS", 0)
    with pytest.raises(FileUnreadableError, match="1 entries, more than 0"):
        read_header(str(archive))


def test_archive_that_understates_what_is_in_it_writes_no_more_than_it_states(tmp_path, temporary):
    archive = tmp_path / "liar.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("liar.gpkg", bytes(3_000_000))
    data = archive.read_bytes()
    size = (3_000_000).to_bytes(4, "little")
    assert data.count(size) == 2
    archive.write_bytes(data.replace(size, (1000).to_bytes(4, "little")))
    with pytest.raises(FileUnreadableError, match="archive is damaged"):
        read_header(str(archive))
    assert list(temporary.iterdir()) == []


def test_archive_in_an_archive_is_not_looked_into(tmp_path, lots):
    inner = archive_of(tmp_path / "inner.zip", lots, "lots.gpkg")
    with zipfile.ZipFile(tmp_path / "outer.zip", "w") as file:
        file.write(inner, "inner.zip")
    with pytest.raises(FileUnreadableError, match=r"holds other archives \(inner\.zip\)"):
        read_header(str(tmp_path / "outer.zip"))


def test_archive_without_a_layer_and_one_with_half_a_shapefile_say_so(tmp_path, lots):
    with zipfile.ZipFile(tmp_path / "text.zip", "w") as file:
        file.writestr("readme.txt", "x")
    with pytest.raises(FileUnreadableError, match="holds no vector layer"):
        read_header(str(tmp_path / "text.zip"))
    LOTS.to_file(tmp_path / "lots.shp")
    with zipfile.ZipFile(tmp_path / "half.zip", "w") as file:
        file.write(tmp_path / "lots.shp", "a/lots.shp")
    with pytest.raises(FileUnreadableError, match=r"lots\.shx and lots\.dbf is not beside it"):
        read_header(str(tmp_path / "half.zip"))


def test_encrypted_archive_is_refused(tmp_path, lots):
    archive = archive_of(tmp_path / "locked.zip", lots, "lots.gpkg")
    data = bytearray(archive.read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1
    archive.write_bytes(bytes(data))
    with pytest.raises(FileUnreadableError, match="is encrypted"):
        read_header(str(archive))


def test_pointer_inside_an_archive_is_refused_too(server, tmp_path):
    address, asked = server
    with zipfile.ZipFile(tmp_path / "p.zip", "w") as file:
        file.writestr("lots.geojson", VRT.format(where=f"/vsicurl/{address}/lots.gpkg"))
    with pytest.raises(FileUnreadableError, match=r"p\.zip\|lots\.geojson cannot be read: it holds no data"):
        read_header(str(tmp_path / "p.zip"))
    assert asked == []


def test_litter_of_other_systems_in_an_archive_is_passed_over(tmp_path, lots):
    archive = archive_of(tmp_path / "mac.zip", lots, "__MACOSX/._lots.gpkg", "a/._lots.gpkg", "a/lots.gpkg")
    assert read_header(str(archive)).layer == "lots"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_named_pipe_and_socket_do_not_hang_the_reader(tmp_path):
    os.mkfifo(tmp_path / "pipe.gpkg")
    with pytest.raises(FileUnreadableError, match="neither a file nor a folder"):
        read_header(str(tmp_path / "pipe.gpkg"))
    with socket.socket(socket.AF_UNIX) as made:
        place = tmp_path / "s.gpkg"
        made.bind(str(place))
        with pytest.raises(FileUnreadableError, match="neither a file nor a folder"):
            read_header(str(place))
