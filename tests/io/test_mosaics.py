"""VRTs of elevation tiles: what GDAL would fill, stretch or overlay without a word is refused with the tile's name."""

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from geoseptic.errors import FileUnreadableError, MosaicError, VerticalUnitError
from geoseptic.io import mosaics
from geoseptic.io.rasters import check_heights, files_of, read_elevation, read_grid
from geoseptic.units import FOOT_M

LEFT, TOP, SIDE = 500_000.0, 5_000_000.0, 20
CRS = "EPSG:26910"


def ground(col, row, cols=SIDE, rows=SIDE):
    """A plane, as the cells of the mosaic from (col, row) on have it."""
    y, x = np.mgrid[row : row + rows, col : col + cols]
    return (100 + 0.25 * x + 0.5 * y).astype(np.float32)


def tile(path: Path, values, *, col=0.0, row=0.0, cell=1.0, unit=None, scale=None, **profile):
    path.parent.mkdir(exist_ok=True)
    options = {"driver": "GTiff", "dtype": values.dtype, "count": 1, "crs": CRS, "height": values.shape[0], "width": values.shape[1]}
    with rasterio.open(path, "w", **{**options, "transform": from_origin(LEFT + col, TOP - row, cell, cell), **profile}) as file:
        file.write(values, 1)
        if unit is not None:
            file.units = (unit,)
        if scale is not None:
            file.scales = (scale,)
    return path


def vrt(path: Path, sources, *, size=(2 * SIDE, SIDE), crs=CRS, nodata=None, kind="Float32", scale=None):
    """A VRT as gdalbuildvrt writes it: `sources` are (file, column, row, columns, rows, what to change)."""
    root = ET.Element("VRTDataset", rasterXSize=str(size[0]), rasterYSize=str(size[1]))
    ET.SubElement(root, "SRS").text = rasterio.crs.CRS.from_user_input(crs).to_wkt()
    ET.SubElement(root, "GeoTransform").text = f"{LEFT}, 1, 0, {TOP}, 0, -1"
    band = ET.SubElement(root, "VRTRasterBand", dataType=kind, band="1")
    if nodata is not None:
        ET.SubElement(band, "NoDataValue").text = f"{nodata}"
    if scale is not None:
        ET.SubElement(band, "Scale").text = f"{scale}"
    for name, col, row, cols, rows, *changes in sources:
        told = changes[0] if changes else {}
        source = ET.SubElement(band, told.get("source", "SimpleSource"))
        ET.SubElement(source, "SourceFilename", relativeToVRT=told.get("relative", "1")).text = str(name)
        ET.SubElement(source, "SourceBand").text = "1"
        from_cols, from_rows = told.get("from", (cols, rows))
        ET.SubElement(source, "SrcRect", xOff="0", yOff="0", xSize=f"{from_cols}", ySize=f"{from_rows}")
        ET.SubElement(source, "DstRect", xOff=f"{col}", yOff=f"{row}", xSize=f"{cols}", ySize=f"{rows}")
        for tag, text in told.get("more", {}).items():
            ET.SubElement(source, tag).text = text
    path.write_text(ET.tostring(root, encoding="unicode"))
    return path


@pytest.fixture
def pair(tmp_path):
    """Two tiles side by side, of one plane."""
    tile(tmp_path / "tiles/a.tif", ground(0, 0))
    tile(tmp_path / "tiles/b.tif", ground(SIDE, 0), col=SIDE)
    return tmp_path


A = ("tiles/a.tif", 0, 0, SIDE, SIDE)
B = ("tiles/b.tif", SIDE, 0, SIDE, SIDE)


def refused(path, **stated):
    with pytest.raises(MosaicError) as error:
        read_elevation(path, unit="m", **stated)
    return str(error.value)


def test_tiles_that_are_alike_make_the_ground_that_they_were_cut_from(pair):
    path = vrt(pair / "dem.vrt", [A, B])
    raster = read_elevation(path, unit="m")
    np.testing.assert_array_equal(raster.values, ground(0, 0, 2 * SIDE))
    assert read_grid(path, "elevation") == raster.grid
    assert {found.name for found in files_of(path)} == {"dem.vrt", "a.tif", "b.tif"}


def test_a_mosaic_is_known_by_what_is_in_it_not_by_its_name(pair):
    path = vrt(pair / "dem.tif", [A, ("tiles/c.tif", SIDE, 0, SIDE, SIDE)])
    assert "tile tiles/c.tif is not there" in refused(path)


def test_every_fault_of_every_tile_is_named_at_once(pair):
    path = vrt(pair / "dem.vrt", [A, ("tiles/c.tif", SIDE, 0, SIDE, SIDE), ("tiles/d.tif", 0, 0, 1, 1)])
    with pytest.raises(MosaicError) as error:
        read_grid(path, "elevation")
    assert error.value.faults == ("tile tiles/c.tif is not there", "tile tiles/d.tif is not there")


def test_a_skipped_tile_is_refused_with_its_place_and_may_be_stated_as_unknown_ground(pair):
    path = vrt(pair / "dem.vrt", [A], nodata=-9999)
    said = refused(path)
    assert "no tile covers 400 cells within x 500020.0 to 500040.0, y 4999980.0 to 5000000.0" in said
    assert "--elevation-gaps unknown" in said
    with pytest.raises(MosaicError):
        check_heights(path, "elevation", unit="m")
    values = read_elevation(path, unit="m", gaps_are_unknown=True).values
    assert np.isnan(values[:, SIDE:]).all() and not np.isnan(values[:, :SIDE]).any()


def test_a_gap_that_would_read_as_a_height_of_zero_is_refused_whatever_is_stated(pair):
    path = vrt(pair / "dem.vrt", [A])
    with rasterio.open(path) as file:
        assert (file.read(1)[:, SIDE:] == 0).all()  # what GDAL makes of it
    assert "-vrtnodata" in refused(path, gaps_are_unknown=True)


def test_coarser_tiles_are_refused_and_not_stretched(pair):
    tile(pair / "tiles/b.tif", ground(0, 0, 10, 10), col=SIDE, cell=2.0)
    path = vrt(pair / "dem.vrt", [A, (*B, {"from": (10, 10)})])
    assert "tile tiles/b.tif has cells of 2 x 2, the VRT of 1 x 1" in refused(path)


def test_a_source_that_averages_is_refused(pair):
    path = vrt(pair / "dem.vrt", [A, (*B, {"source": "AveragedSource"})])
    assert "changes the cells of its tiles (AveragedSource)" in refused(path)


@pytest.mark.parametrize("tag", ["ScaleOffset", "LUT", "UseMaskBand"])
def test_a_source_that_changes_heights_is_refused(pair, tag):
    path = vrt(pair / "dem.vrt", [A, (*B, {"source": "ComplexSource", "more": {tag: "1"}})])
    assert f"tile tiles/b.tif is changed on the way ({tag})" in refused(path)


def test_a_tile_in_another_system_is_refused(pair):
    tile(pair / "tiles/b.tif", ground(SIDE, 0), col=SIDE, crs="EPSG:26911")
    said = refused(vrt(pair / "dem.vrt", [A, B]))
    assert "tile tiles/b.tif is in NAD83 / UTM zone 11N, the VRT in NAD83 / UTM zone 10N" in said


def test_tiles_with_heights_in_other_units_are_refused_and_their_common_unit_is_used(pair):
    path = vrt(pair / "dem.vrt", [A, B])
    tile(pair / "tiles/b.tif", ground(SIDE, 0), col=SIDE, unit="ft")
    assert "tile tiles/b.tif has heights in ft, tile tiles/a.tif in an unknown unit" in refused(path)
    tile(pair / "tiles/a.tif", ground(0, 0), unit="ft")
    # The builder of VRTs drops the unit of the tiles' bands.
    np.testing.assert_allclose(read_elevation(path).values, ground(0, 0, 2 * SIDE) * FOOT_M, rtol=1e-6)
    with pytest.raises(VerticalUnitError, match="its tiles says 'ft'"):
        read_elevation(path, unit="m")


def test_unknown_cells_of_every_tile_stay_unknown_whatever_number_each_has_for_them(pair):
    holed = ground(0, 0), ground(SIDE, 0)
    holed[0][3, 4], holed[1][5, 6] = -9999, -32768
    tile(pair / "tiles/a.tif", holed[0], nodata=-9999)
    tile(pair / "tiles/b.tif", holed[1], col=SIDE, nodata=-32768)
    both = [(*A, {"source": "ComplexSource", "more": {"NODATA": "-9999"}}), (*B, {"source": "ComplexSource", "more": {"NODATA": "-32768"}})]
    values = read_elevation(vrt(pair / "dem.vrt", both, nodata=-9999), unit="m").values
    assert [tuple(cell) for cell in np.argwhere(np.isnan(values))] == [(3, 4), (5, SIDE + 6)]
    assert "tile tiles/b.tif declares nodata -32768, which the VRT would take for a height" in refused(
        vrt(pair / "dem.vrt", [A, B], nodata=-9999)
    )
    assert "so these cells would read as a height of 0" in refused(vrt(pair / "dem.vrt", both))


def test_tiles_that_overlap_with_one_height_pass_and_with_two_are_refused_with_both_names(pair):
    inside = ("tiles/b.tif", SIDE - 4, 0, SIDE, SIDE)
    tile(pair / "tiles/b.tif", ground(SIDE - 4, 0), col=SIDE - 4)
    path = vrt(pair / "dem.vrt", [A, inside], size=(2 * SIDE - 4, SIDE))
    np.testing.assert_array_equal(read_elevation(path, unit="m").values, ground(0, 0, 2 * SIDE - 4))
    other = ground(SIDE - 4, 0)
    other[:5, 0] += 3.25
    tile(pair / "tiles/b.tif", other, col=SIDE - 4)
    said = refused(path)
    assert "tiles tiles/a.tif and tiles/b.tif overlap in 80 cells and say different heights in 5, by up to 3.25 m" in said


def test_what_one_tile_does_not_know_contradicts_no_other(pair):
    blind = ground(SIDE - 4, 0)
    blind[:, :2] = -9999
    tile(pair / "tiles/b.tif", blind, col=SIDE - 4, nodata=-9999)
    source = ("tiles/b.tif", SIDE - 4, 0, SIDE, SIDE, {"source": "ComplexSource", "more": {"NODATA": "-9999"}})
    path = vrt(pair / "dem.vrt", [A, source], size=(2 * SIDE - 4, SIDE), nodata=-9999)
    np.testing.assert_array_equal(read_elevation(path, unit="m").values, ground(0, 0, 2 * SIDE - 4))


def test_tiles_off_the_cells_or_replaced_since_are_refused(pair):
    tile(pair / "tiles/b.tif", ground(SIDE, 0), col=SIDE + 0.4)
    assert "tile tiles/b.tif lies 0.40 cells off the cells of the VRT" in refused(vrt(pair / "dem.vrt", [A, B]))
    tile(pair / "tiles/b.tif", ground(SIDE, 0), col=SIDE + 7)
    assert "tile tiles/b.tif lies 7.0 cells from where the VRT has it: it was replaced" in refused(vrt(pair / "dem.vrt", [A, B]))
    tile(pair / "tiles/b.tif", ground(SIDE, 0, 9, 9), col=SIDE)
    assert "fewer than the VRT takes" in refused(vrt(pair / "dem.vrt", [A, B]))


def test_a_tile_with_decimals_in_a_mosaic_of_whole_numbers_is_refused(pair):
    path = vrt(pair / "dem.vrt", [A, B], kind="Int16")
    assert "tile tiles/a.tif has numbers of type float32, which the VRT would cut to int16" in refused(path)


def test_a_tile_by_another_scale_is_refused(pair):
    tile(pair / "tiles/b.tif", ground(SIDE, 0), col=SIDE, scale=0.1)
    assert "by scale 0.1 and offset 0, the VRT by 1 and 0" in refused(vrt(pair / "dem.vrt", [A, B]))


def test_tiles_outside_the_folder_are_refused_unless_asked_for(pair, tmp_path_factory):
    away = tile(tmp_path_factory.mktemp("away") / "b.tif", ground(SIDE, 0), col=SIDE)
    path = vrt(pair / "dem.vrt", [A, (away, SIDE, 0, SIDE, SIDE, {"relative": "0"})])
    assert f"tile {away} lies outside the folder of the VRT" in refused(path)
    np.testing.assert_array_equal(read_elevation(path, unit="m", tiles_anywhere=True).values, ground(0, 0, 2 * SIDE))
    (pair / "tiles/link.tif").symlink_to(away)
    assert "tile tiles/link.tif lies outside" in refused(vrt(pair / "dem.vrt", [A, ("tiles/link.tif", SIDE, 0, SIDE, SIDE)]))


SERVER = """
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer
content = open(sys.argv[1], "rb").read()
class Server(BaseHTTPRequestHandler):
    def do_GET(self):
        there, (first, last) = self.path == "/b.tif", (0, len(content) - 1)
        wanted = self.headers.get("Range")
        if wanted:
            first, last = (int(number) for number in wanted.removeprefix("bytes=").split("-"))
            last = min(last, len(content) - 1)
        self.send_response((206 if wanted else 200) if there else 404)
        self.send_header("Content-Length", str(last - first + 1 if there else 0))
        self.send_header("Content-Range", f"bytes {first}-{last}/{len(content)}")
        self.end_headers()
        if there and self.command == "GET":
            self.wfile.write(content[first:last + 1])
    do_HEAD = do_GET
server = HTTPServer(("127.0.0.1", 0), Server)
print(server.server_port, flush=True)
server.serve_forever()
"""
"""Answers GET with ranges, and says every request on standard error. A process of its own: GDAL holds Python's lock while it waits."""


def test_nothing_is_asked_of_the_network_unless_wanted(pair):
    log = pair / "requests.txt"
    with log.open("w") as asked:
        command = [sys.executable, "-c", SERVER, str(pair / "tiles/b.tif")]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=asked, text=True)
    try:
        assert server.stdout is not None
        address = f"http://127.0.0.1:{server.stdout.readline().strip()}/b.tif"
        for name in (f"/vsicurl/{address}", address, f"/vsizip//vsicurl/{address}"):
            path = vrt(pair / "dem.vrt", [A, (name, SIDE, 0, SIDE, SIDE, {"relative": "0"})])
            assert f"tile {name} is no file of this machine" in refused(path)
            with pytest.raises(FileUnreadableError, match="not read from the network"):
                read_elevation(name, unit="m")
        assert log.read_text() == ""
        path = vrt(pair / "dem.vrt", [A, (f"/vsicurl/{address}", SIDE, 0, SIDE, SIDE, {"relative": "0"})])
        with rasterio.Env(GDAL_HTTP_TIMEOUT="5", GDAL_HTTP_CONNECTTIMEOUT="5", GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"):
            np.testing.assert_array_equal(read_elevation(path, unit="m", tiles_anywhere=True).values, ground(0, 0, 2 * SIDE))
        assert "/b.tif" in log.read_text()
    finally:
        server.kill()
        server.wait()


def test_a_tile_that_is_a_mosaic_or_another_format_is_refused(pair):
    vrt(pair / "tiles/inner.vrt", [("b.tif", 0, 0, SIDE, SIDE)], size=(SIDE, SIDE))
    assert "it is a VRT" in refused(vrt(pair / "dem.vrt", [A, ("tiles/inner.vrt", SIDE, 0, SIDE, SIDE)]))
    (pair / "tiles/b.xyz").write_text("1 2 3\n2 2 3\n")
    assert "in none of the formats of elevations" in refused(vrt(pair / "dem.vrt", [A, ("tiles/b.xyz", SIDE, 0, SIDE, SIDE)]))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (("<VRTDataset", '<VRTDataset subClass="VRTWarpedDataset"'), "warps or computes its cells"),
        (("<VRTRasterBand", '<VRTRasterBand subClass="VRTDerivedRasterBand"'), "its band computes its cells"),
        (("</VRTDataset>", '<VRTRasterBand dataType="Float32" band="2" /></VRTDataset>'), "it has 2 bands"),
        (("</VRTDataset>", "<MaskBand /></VRTDataset>"), "a mask of its own"),
        (('<DstRect xOff="20"', "<DstRect"), "has no place in the VRT"),
    ],
)
def test_a_mosaic_that_computes_is_refused(pair, change, why):
    path = vrt(pair / "dem.vrt", [A, B])
    path.write_text(path.read_text().replace(*change))
    assert why in refused(path)


@pytest.mark.parametrize("text", ["<VRTDataset", '<!DOCTYPE x [<!ENTITY a "aaaa">]><VRTDataset>&a;</VRTDataset>', "<VRTDataset></VRT>"])
def test_a_broken_or_swelling_description_is_refused(tmp_path, text):
    (tmp_path / "dem.vrt").write_text(text)
    with pytest.raises(FileUnreadableError, match=r"well-formed|DOCTYPE"):
        read_elevation(tmp_path / "dem.vrt", unit="m")


def test_overlaps_are_compared_to_the_last_strip(pair, monkeypatch):
    monkeypatch.setattr(mosaics, "OVERLAP_CELLS", 3 * 4)
    other = ground(SIDE - 4, 0)
    other[-1, 1] -= 0.5
    tile(pair / "tiles/b.tif", other, col=SIDE - 4)
    path = vrt(pair / "dem.vrt", [A, ("tiles/b.tif", SIDE - 4, 0, SIDE, SIDE)], size=(2 * SIDE - 4, SIDE))
    assert "different heights in 1, by up to 0.50 m" in refused(path)


# ----------------------------------------------------------------------------------------------------------------------- seams


@pytest.mark.parametrize("below", [False, True])
@pytest.mark.parametrize(("step_m", "is_refused"), [(1.1, True), (-1.1, True), (0.9, False), (500.0, True)])
def test_a_step_along_a_whole_seam_is_refused_with_both_tiles_and_its_height(tmp_path, below, step_m, is_refused):
    col, row = (0, SIDE) if below else (SIDE, 0)
    tile(tmp_path / "tiles/a.tif", ground(0, 0))
    tile(tmp_path / "tiles/b.tif", ground(col, row) + np.float32(step_m), col=col, row=row)
    size = (SIDE, 2 * SIDE) if below else (2 * SIDE, SIDE)
    path = vrt(tmp_path / "dem.vrt", [A, ("tiles/b.tif", col, row, SIDE, SIDE)], size=size)
    if is_refused:
        said = refused(path)
        assert f"tiles tiles/a.tif and tiles/b.tif: the ground steps by {abs(step_m):.2f} m along their whole seam of 20 cells" in said
    else:
        assert read_elevation(path, unit="m").values.shape == size[::-1]


def test_a_cliff_on_less_than_half_of_a_seam_and_a_seam_that_few_know_are_ground(pair):
    cliff = ground(SIDE, 0)
    cliff[: SIDE // 2 - 1] += 50
    tile(pair / "tiles/b.tif", cliff, col=SIDE)
    assert read_elevation(vrt(pair / "dem.vrt", [A, B]), unit="m").values[0, SIDE] == cliff[0, 0]
    little = ground(SIDE, 0) + 50
    little[0, 0] = -9999
    tile(pair / "tiles/b.tif", little, col=SIDE, nodata=-9999)
    tile(pair / "tiles/a.tif", ground(0, 0), nodata=-9999)
    assert np.isnan(read_elevation(vrt(pair / "dem.vrt", [A, B], nodata=-9999), unit="m").values).sum() == 1


@pytest.mark.parametrize("kind", [np.float32, np.int16])
def test_rough_and_steep_ground_cut_into_tiles_has_no_step_along_a_seam(tmp_path, kind):
    rng = np.random.default_rng(7)
    rough = np.cumsum(rng.normal(0, 3, (8 * SIDE, 8 * SIDE)), axis=1) + 500
    sources = []
    for row in range(0, 8 * SIDE, SIDE):
        for col in range(0, 8 * SIDE, SIDE):
            name = f"tiles/{row}-{col}.tif"
            tile(
                tmp_path / name,
                np.round(rough[row : row + SIDE, col : col + SIDE], 0 if kind is np.int16 else 3).astype(kind),
                col=col,
                row=row,
            )
            sources.append((name, col, row, SIDE, SIDE))
    path = vrt(tmp_path / "dem.vrt", sources, size=rough.shape, kind="Int16" if kind is np.int16 else "Float32")
    assert np.abs(read_elevation(path, unit="m").values - rough).max() <= 0.5
