"""Files put together of packed tiles are those that GDAL writes."""

import numpy as np
import pytest
from affine import Affine

from geoseptic.io import cogtiles, kept, keptrasters, rasters
from geoseptic.model import legend_table
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.planes import ArrayPlane
from geoseptic.model.results import RasterResult
from geoseptic.terrain import windows

SHAPE = 1300, 1700


def told(values: np.ndarray) -> RasterResult:
    whole_numbers = values.dtype.kind in "iub"
    legend = legend_table.WELL_PATH_CODE if whole_numbers else legend_table.ponding("ft")
    grid = Grid.of(values.shape, Affine(2.0, 0, 500_000, 0, -2.0, 5_000_000), 26910, "grid")
    return RasterResult(
        "made", Raster(ArrayPlane(values), grid, 0 if whole_numbers else None), legend, "title", "text", "" if whole_numbers else "ft"
    )


def written(folder, values, store=None):
    folder.mkdir()
    with kept.kept(store) as used:
        rasters.write_rasters(folder, [told(values)])
        return {path.name: path.read_bytes() for path in folder.iterdir()}, used


@pytest.mark.parametrize("kind", [np.float32, np.uint8])
def test_a_file_of_kept_tiles_is_that_of_gdal_and_one_change_packs_its_window_alone(tmp_path, monkeypatch, kind):
    """Pieces of one tile, awkward sides, three copies: the same bytes, again after one cell changed."""
    monkeypatch.setattr(keptrasters, "TILES_ACROSS", (1,))
    monkeypatch.setattr(windows, "SIDE_CELLS", rasters.TILE_CELLS)
    rng = np.random.default_rng(3)
    values = rng.integers(1, 5, SHAPE).astype(kind)
    values[:600, :600] = 2
    assert written(tmp_path / "kept", values, tmp_path / "store")[0] == written(tmp_path / "whole", values)[0]
    values[700, 900] = 3 if values[700, 900] == 1 else 1
    again, used = written(tmp_path / "again", values, tmp_path / "store")
    assert again == written(tmp_path / "changed", values)[0]
    assert used is not None
    # One tile of the whole, at most one of each of the two coarser copies.
    assert 1 <= used.made["_packed"] <= 3 and used.reused["_packed"] >= 12 + 4 + 1 - 3


@pytest.mark.parametrize("across", [(2, 2, 1), (2,), (3, 1), (8,)])
def test_pieces_of_any_size_make_the_same_file(tmp_path, monkeypatch, across):
    """Pieces that end with the raster, and one that is wider than it; noise, of which every tile packs to another length."""
    monkeypatch.setattr(keptrasters, "TILES_ACROSS", across)
    values = np.random.default_rng(4).normal(5, 2, (2100, 2600)).astype(np.float32).clip(0)
    values[1030:1500, 520:1100] = 0
    assert written(tmp_path / "kept", values, tmp_path / "store")[0] == written(tmp_path / "whole", values)[0]


def test_a_file_of_another_layout_is_packed_whole(tmp_path, monkeypatch):
    monkeypatch.setattr(cogtiles, "TRAILER_BYTES", 3)
    values = np.ones(SHAPE, np.uint8)
    assert written(tmp_path / "kept", values, tmp_path / "store")[0] == written(tmp_path / "whole", values)[0]


def test_lengths_that_do_not_fit_are_refused():
    with pytest.raises(OverflowError):
        cogtiles.Table("<u2", 0, 1).write(bytearray(2), np.array([70_000]))


def test_what_is_no_tiled_tiff_has_no_head():
    for data in (b"", b"II*\0" + b"\0" * 8, b"MM\0*" + b"\0" * 8):
        with pytest.raises(ValueError, match="TIFF"):
            cogtiles.Head.of(data)
