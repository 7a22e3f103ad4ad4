"""A package of which rows were replaced holds what one written anew holds."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from geopandas import GeoDataFrame

from geoseptic.errors import DiskFullError
from geoseptic.io import kept, keptpackages, rowhashes, vectors
from geoseptic.io.vectors import LayerToWrite, write_layers
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.rownumbers import FID, spaced
from tests.run.test_kept import contents

PLAIN = VectorLegend("All", "polygon", None, (Swatch("", "all", "#4a6fa5"),))
BY_KIND = VectorLegend("Kinds", "point", "kind", (Swatch("a", "A", "#4a6fa5"), Swatch("b", "B", "#722473")))


def layers(rows: int = 1300) -> list[LayerToWrite]:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 5_000, (2, rows))
    lots = GeoDataFrame(
        {
            "name": [f"lot {row}" for row in range(rows)], "area": rng.normal(5, 1, rows),
            "open": [None, "yes"] * (rows // 2), "sure": [True, False] * (rows // 2),
        },
        geometry=shapely.box(x, y, x + 20, y + 30), crs=26910,
    )  # fmt: skip
    wells = GeoDataFrame({"kind": ["a", "b"] * (rows // 2)}, geometry=shapely.points(x, y), crs=26910)
    return [
        LayerToWrite("lots", lots, PLAIN, "Lots", "All of them", {"name": "What it is called"}),
        LayerToWrite("wells", wells, BY_KIND, "Wells"),
    ]


def written(folder: Path, given: list[LayerToWrite], store: Path | None = None) -> tuple[dict[str, list[Any]], bool | None]:
    """What the package holds, and whether it was taken from the store."""
    folder.mkdir()
    with kept.kept(store) as used:
        write_layers(folder / "made.gpkg", given)
    assert [path.name for path in folder.iterdir()] == ["made.gpkg"]
    with closing(sqlite3.connect(folder / "made.gpkg")) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        for layer in given:
            assert database.execute("SELECT rtreecheck(?)", (f"rtree_{layer.name}_geom",)).fetchall() == [("ok",)]
    return contents(folder / "made.gpkg"), None if used is None else bool(used.reused["package"])


def with_rows(layer: LayerToWrite, rows: list[int], shape: shapely.Geometry, **values: Any) -> LayerToWrite:
    frame = layer.frame.copy()
    shapes = frame.geometry.to_numpy().copy()
    for row in rows:
        shapes[row] = shape
        for column, value in values.items():
            frame.loc[row, column] = value
    return replace(layer, frame=frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs)))


CHANGES = {
    "nothing": lambda lots, wells: (lots, wells),
    "a shape": lambda lots, wells: (with_rows(lots, [700], shapely.box(1, 2, 3, 4)), wells),
    "beyond all others": lambda lots, wells: (with_rows(lots, [0], shapely.box(-900, -900, 9_000, 9_000)), wells),
    "bounds of many digits": lambda lots, wells: (with_rows(lots, [3], shapely.box(-3.8411747081601444, -1 / 3, 9e3 + 1 / 7, 9e3)), wells),
    "all emptied that changed": lambda lots, wells: (with_rows(lots, list(range(250, 260)), shapely.MultiPolygon()), wells),
    "emptied": lambda lots, wells: (with_rows(lots, [1299], shapely.MultiPolygon()), wells),
    "a word": lambda lots, wells: (replace(lots, frame=lots.frame.assign(open=["no", *lots.frame["open"][1:]])), wells),
    "points": lambda lots, wells: (lots, with_rows(wells, [3], shapely.Point(7, 8), kind="b")),
    "both": lambda lots, wells: (
        with_rows(lots, [700], shapely.box(1, 2, 3, 4), name="it's \"new\""), with_rows(wells, [9], shapely.Point(1, 1)),
    ),
}  # fmt: skip


@pytest.mark.parametrize("many", [vectors.MANY_ROWS, 1000])
@pytest.mark.parametrize("change", CHANGES)
def test_a_package_with_replaced_rows_holds_what_a_new_one_holds(tmp_path, change, many, monkeypatch):
    """With small pages and with large ones."""
    monkeypatch.setattr(vectors, "MANY_ROWS", many)
    lots, wells = layers()
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    after = list(CHANGES[change](lots, wells))
    patched, reused = written(tmp_path / "patched", after, tmp_path / "store")
    assert reused
    assert patched == written(tmp_path / "new", after)[0]
    # And back: the package that is kept is the first one still.
    back, reused = written(tmp_path / "back", [lots, wells], tmp_path / "store")
    assert reused and back == written(tmp_path / "old", [lots, wells])[0]


def test_pages_are_large_where_there_are_many_rows_and_hold_the_same(tmp_path, monkeypatch):
    """Pragmas that the user has set for GDAL are left alone."""
    found, sizes = [], []
    for number, (many, asked) in enumerate([(10_000, None), (2_600, None), (2_600, "encoding='UTF-8'")]):
        monkeypatch.setattr(vectors, "MANY_ROWS", many)
        pyogrio.set_gdal_config_options({vectors.PRAGMAS: asked})
        try:
            found.append(written(tmp_path / f"{number}", layers())[0])
        finally:
            pyogrio.set_gdal_config_options({vectors.PRAGMAS: None})
        with closing(sqlite3.connect(tmp_path / f"{number}" / "made.gpkg")) as database:
            sizes += database.execute("PRAGMA page_size").fetchone()
    assert sizes == [4096, 16384, 4096] and found[0] == found[1] == found[2]


@pytest.mark.parametrize("spoil", [lambda data: data[:-70_000], lambda data: data[:-70_000] + b"x" + data[-69_999:]])
def test_a_kept_package_that_is_damaged_is_told_and_no_part_of_it_is_used(tmp_path, spoil):
    """Cut short, and with one byte turned over in the middle of its rows."""
    lots, wells = layers()
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    (path,) = [file for file in (tmp_path / "store").iterdir() if file.stat().st_size > 100_000]
    path.write_bytes(spoil(path.read_bytes()))
    after = list(CHANGES["a shape"](lots, wells))
    found, reused = written(tmp_path / "found", after, tmp_path / "store")
    assert not reused and found == written(tmp_path / "new", after)[0]


def test_an_array_is_copied_to_a_file_whole_or_not_at_all(tmp_path, monkeypatch):
    """In several pieces, from a file that was damaged, that is gone, and to a place where nothing may be written."""
    monkeypatch.setattr(kept, "COPIED_BYTES", 1000)
    store, values = kept.Store(tmp_path), np.arange(10_001, dtype=np.uint8)
    entry = store.put("a" * 64, [np.arange(3), values], None)
    assert store.copied(entry, 1, tmp_path / "copy") and (tmp_path / "copy").read_bytes() == values.tobytes()
    with pytest.raises(DiskFullError, match="no-folder"):
        store.copied(entry, 1, tmp_path / "no-folder" / "copy")
    data = entry.path.read_bytes()
    for spoilt in (data[:-5000], data[:-5000] + b"?" + data[-4999:]):
        entry.path.write_bytes(spoilt)
        assert not store.copied(entry, 1, tmp_path / "other") and not (tmp_path / "other").exists()
        assert list(store.damaged) == [entry.path.name] and not entry.path.exists()
    assert not store.copied(entry, 1, tmp_path / "other") and not (tmp_path / "other").exists()


def test_bounds_shrink_when_what_reached_farthest_is_drawn_in(tmp_path):
    lots, wells = layers()
    wide = with_rows(lots, [0, 700], shapely.box(-900, -900, 9_000, 9_000))
    written(tmp_path / "first", [wide, wells], tmp_path / "store")
    for number, after in enumerate((with_rows(lots, [700], shapely.box(-900, -900, 9_000, 9_000)), lots)):
        patched, reused = written(tmp_path / f"patched {number}", [after, wells], tmp_path / "store")
        assert reused and patched == written(tmp_path / f"new {number}", [after, wells])[0]


def test_an_emptied_row_that_gets_a_shape_again_is_in_the_index(tmp_path):
    lots, wells = layers()
    empty = with_rows(lots, [5], shapely.MultiPolygon())
    written(tmp_path / "first", [empty, wells], tmp_path / "store")
    patched, reused = written(tmp_path / "patched", [lots, wells], tmp_path / "store")
    assert reused and patched == written(tmp_path / "new", [lots, wells])[0]


def test_other_columns_kinds_or_very_many_changes_are_written_anew(tmp_path):
    lots, wells = layers()
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    others = {
        "half of the rows": replace(lots, frame=lots.frame.iloc[::2]),
        "a column more": replace(lots, frame=lots.frame.assign(more=1)),
        "another kind": replace(lots, frame=lots.frame.assign(area=np.arange(1300))),
        "all moved": replace(lots, frame=lots.frame.set_geometry(lots.frame.translate(1, 1))),
        "another title": replace(lots, title="Parcels"),
    }
    for name, other in others.items():
        found, reused = written(tmp_path / name, [other, wells], tmp_path / "store")
        assert not reused and found == written(tmp_path / f"{name} anew", [other, wells])[0], name


def without(layer: LayerToWrite, *rows: int) -> LayerToWrite:
    return replace(layer, frame=layer.frame.drop(index=list(rows)).reset_index(drop=True))


def in_order(layer: LayerToWrite, order: list[int]) -> LayerToWrite:
    return replace(layer, frame=layer.frame.iloc[order].reset_index(drop=True))


def with_more(layer: LayerToWrite, at: int, shape: shapely.Geometry, count: int = 1) -> LayerToWrite:
    """With new rows before row `at`."""
    more = with_rows(layer, [0], shape).frame.iloc[[0] * count]
    frame = pd.concat([layer.frame.iloc[:at], more, layer.frame.iloc[at:]], ignore_index=True)
    return replace(layer, frame=GeoDataFrame(frame, crs=layer.frame.crs))


OTHER_ROWS = {
    "the first gone": lambda lots, wells: (without(lots, 0), wells),
    "the last gone": lambda lots, wells: (without(lots, 1299), without(wells, 1299)),
    "some gone": lambda lots, wells: (without(lots, 3, 4, 700, 1000), wells),
    "one more at the start": lambda lots, wells: (with_more(lots, 0, shapely.box(5, 5, 6, 6)), wells),
    "one more at the end": lambda lots, wells: (
        with_more(lots, 1300, shapely.box(5, 5, 6, 6)), with_more(wells, 1300, shapely.Point(2, 2)),
    ),
    "many more in the middle": lambda lots, wells: (with_more(lots, 650, shapely.box(5, 5, 6, 6), 90), wells),
    "more without a shape": lambda lots, wells: (with_more(lots, 650, shapely.MultiPolygon(), 2), wells),
    "more beyond all others": lambda lots, wells: (with_more(lots, 9, shapely.box(-9_000, -1 / 3, 9, 9e3 + 1 / 7)), wells),
    "one more, another changed, two gone": lambda lots, wells: (
        without(with_rows(with_more(lots, 200, shapely.box(5, 5, 6, 6)), [800], shapely.box(9, 9, 10, 10)), 1, 1200), wells,
    ),
    "one where another was": lambda lots, wells: (without(with_more(lots, 900, shapely.box(5, 5, 6, 6)), 300), wells),
    "two in the place of each other": lambda lots, wells: (in_order(lots, [0, 700, *range(2, 700), 1, *range(701, 1300)]), wells),
    "the same twice": lambda lots, wells: (in_order(lots, [0, 0, 0, *range(1, 1300), 1299]), in_order(wells, [*range(9), *range(8, 1300)])),
}  # fmt: skip


@pytest.mark.parametrize("change", OTHER_ROWS)
def test_a_package_with_rows_put_in_and_taken_out_holds_what_a_new_one_holds(tmp_path, change):
    """Numbers of rows, spatial indexes, counts and bounds included; and back again."""
    lots, wells = layers()
    after = list(OTHER_ROWS[change](lots, wells))
    for number, (before, now) in enumerate((([lots, wells], after), (after, [lots, wells]))):
        written(tmp_path / f"first {number}", before, tmp_path / f"store {number}")
        patched, reused = written(tmp_path / f"patched {number}", now, tmp_path / f"store {number}")
        assert reused
        assert patched == written(tmp_path / f"new {number}", now)[0]


def test_few_rows_whose_index_is_one_node_are_put_in_and_taken_out(tmp_path):
    lots, wells = layers(20)
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    after = [without(with_more(lots, 7, shapely.box(5, 5, 6, 6)), 12), without(wells, 19)]
    patched, reused = written(tmp_path / "patched", after, tmp_path / "store")
    assert reused and patched == written(tmp_path / "new", after)[0]


def test_the_index_of_a_patched_package_finds_what_one_written_anew_finds(tmp_path):
    """Searches by GDAL, in which the numbers of the index lead to rows."""
    lots, wells = layers()
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    after = [without(with_more(lots, 40, shapely.box(5, 5, 6, 6)), 500), wells]
    written(tmp_path / "patched", after, tmp_path / "store")
    written(tmp_path / "new", after)
    for west, south in np.random.default_rng(2).uniform(0, 5_000, (20, 2)):
        box = (west, south, west + 300, south + 300)
        found, theirs = (gpd.read_file(tmp_path / name / "made.gpkg", layer="lots", bbox=box) for name in ("patched", "new"))
        assert len(found) and sorted(found["name"]) == sorted(theirs["name"])


def test_a_layer_whose_last_shape_goes_has_no_bounds(tmp_path, monkeypatch):
    monkeypatch.setattr(keptpackages, "WORTH_PATCHING", 1.0)
    lots, wells = layers(4)
    empty = with_rows(lots, [0, 1, 2, 3], shapely.MultiPolygon())
    one = with_rows(empty, [2], shapely.box(0, 0, 1, 1))
    written(tmp_path / "first", [one, wells], tmp_path / "store")
    patched, reused = written(tmp_path / "patched", [empty, wells], tmp_path / "store")
    assert reused and patched == written(tmp_path / "new", [empty, wells])[0]


def test_bounds_are_those_of_the_row_that_reaches_farthest_where_the_index_cannot_tell(tmp_path):
    """Far from the origin the floats of the index are 0.25 m apart and more."""
    lots, wells = layers(200)
    far = GeoDataFrame(lots.frame.set_geometry(lots.frame.translate(400_000, 4_100_000)))
    for number in range(8):
        rng = np.random.default_rng(number)
        x, y = rng.uniform(400_000, 405_000, 6), 4_099_999 + rng.uniform(0, 1, 6)
        shapes = far.geometry.to_numpy().copy()
        shapes[[3, 50, 90, 120, 160, 199]] = shapely.box(x, y, x + 20, y + 5_100)
        first = replace(lots, frame=far.set_geometry(gpd.GeoSeries(shapes, crs=far.crs)))
        written(tmp_path / f"first {number}", [first, wells], tmp_path / f"store {number}")
        after = [with_rows(first, [70], shapely.box(402_000, 4_101_000, 402_001, 4_101_001)), wells]
        patched, reused = written(tmp_path / f"patched {number}", after, tmp_path / f"store {number}")
        assert reused and patched == written(tmp_path / f"new {number}", after)[0]


@pytest.mark.parametrize("counts", [(1, 0), (0, 1), (5, 0), (0, 0), (3, 2)])
def test_a_small_layer_that_becomes_empty_or_full_beside_a_large_one(tmp_path, counts):
    lots, _ = layers()
    small = [replace(layers(6)[0], name="small", title="Small", frame=layers(6)[0].frame.iloc[:count]) for count in counts]
    written(tmp_path / "first", [small[0], lots], tmp_path / "store")
    patched, _ = written(tmp_path / "patched", [small[1], lots], tmp_path / "store")
    assert patched == written(tmp_path / "new", [small[1], lots])[0]


def test_where_the_index_cannot_be_written_the_package_is_written_anew(tmp_path, monkeypatch):
    def refused(*ignored):
        raise sqlite3.OperationalError("table rtree_lots_geom_rowid may not be modified")

    lots, wells = layers()
    written(tmp_path / "first", [lots, wells], tmp_path / "store")
    monkeypatch.setattr(keptpackages, "renumber", refused)
    after = [without(lots, 3), wells]
    found, reused = written(tmp_path / "found", after, tmp_path / "store")
    assert not reused and found == written(tmp_path / "new", after)[0]


def in_runs(layer: LayerToWrite, *counts: int, spacing: int = 1000) -> LayerToWrite:
    """The first rows of the layer as runs of so many rows each."""
    index = pd.Index(spaced(np.array(counts), spacing), name=FID)
    return replace(layer, frame=layer.frame.iloc[: sum(counts)].set_index(index))


RUNS = (400, 0, 300, 5, 0, 595)

OTHER_RUNS = {
    "a shape": ((), RUNS),
    "one more in the first run": ((400,), (401, *RUNS[1:])),
    "one more in a run that had none": ((400,), (400, 1, *RUNS[2:])),
    "one more in several runs": ((400, 701, 1302), (401, 0, 301, 5, 0, 596)),
    "one more amid a run": ((500,), (400, 0, 301, 5, 0, 595)),
    "one more amid a run, others at the ends of two": ((200, 401, 1302), (402, 0, 300, 5, 0, 596)),
    "a run more": ((400,), (400, 1, 0, *RUNS[2:])),
    "the only one of the last run": ((1300,), (*RUNS, 1)),
}
"""Before which rows there is one more, and how many rows the runs then have."""


@pytest.mark.parametrize("spacing", [1000, 100])
@pytest.mark.parametrize("change", OTHER_RUNS)
def test_a_package_whose_rows_are_numbered_in_runs_holds_what_a_new_one_holds(tmp_path, monkeypatch, change, spacing):
    """And back again. Runs may be longer than the spacing."""
    monkeypatch.setattr(rowhashes, "SPACING", 128)
    lots, wells = layers()
    more, after = lots, OTHER_RUNS[change][1]
    for at in OTHER_RUNS[change][0]:
        more = with_more(more, at, shapely.box(5, 5, 6, 6))
    before = [in_runs(lots, *RUNS, spacing=spacing), wells]
    now = [in_runs(with_rows(more, [700], shapely.box(1, 2, 3, 4)), *after, spacing=spacing), wells]
    for number, (first, second) in enumerate(((before, now), (now, before))):
        written(tmp_path / f"first {number}", first, tmp_path / f"store {number}")
        patched, reused = written(tmp_path / f"patched {number}", second, tmp_path / f"store {number}")
        new = written(tmp_path / f"new {number}", second)[0]
        assert reused and patched == new
        numbers = second[0].frame.index.tolist()
        assert [row[0] for row in new["lots"]] == numbers == sorted(row[0] for row in new["rtree_lots_geom"])
        assert dict(new["sqlite_sequence"])["lots"] == numbers[-1] and dict(new["gpkg_ogr_contents"])["lots"] == len(numbers)
        assert gpd.read_file(tmp_path / f"patched {number}" / "made.gpkg", layer="lots", fid_as_index=True).index.tolist() == numbers


def test_a_row_more_at_the_end_of_a_run_gives_no_other_row_another_number(tmp_path, monkeypatch):
    monkeypatch.setattr(keptpackages, "_renumbered", None)
    lots, wells = layers()
    written(tmp_path / "first", [in_runs(lots, *RUNS), wells], tmp_path / "store")
    after = [in_runs(with_more(lots, 400, shapely.box(5, 5, 6, 6)), 401, *RUNS[1:]), wells]
    patched, reused = written(tmp_path / "patched", after, tmp_path / "store")
    assert reused and patched == written(tmp_path / "new", after)[0]


def test_the_same_rows_under_other_numbers_are_renumbered(tmp_path):
    lots, wells = layers()
    written(tmp_path / "first", [in_runs(lots, 1300), wells], tmp_path / "store")
    for number, counts in enumerate(((700, 600), (0, 1300), (3, 0, 0, 1297))):
        after = [in_runs(lots, *counts), wells]
        patched, reused = written(tmp_path / f"patched {number}", after, tmp_path / "store")
        assert reused and patched == written(tmp_path / f"new {number}", after)[0]


def test_numbers_and_pieces_of_a_layer_that_is_written_in_several(tmp_path, monkeypatch):
    """In pieces of 100 rows, and where no row comes first, or none at all."""
    lots, wells = layers()
    whole = {name: written(tmp_path / f"whole {name}", [in_runs(lots, *counts), wells])[0] for name, counts in PIECES.items()}
    monkeypatch.setattr(vectors, "ROWS_AT_ONCE", 100)
    for name, counts in PIECES.items():
        layer = in_runs(lots, *counts)
        found = written(tmp_path / name, [layer, wells])[0]
        assert found == whole[name]
        assert [row[0] for row in found["lots"]] == layer.frame.index.tolist()
        assert [row[2] for row in found["lots"]] == layer.frame["name"].tolist()


PIECES = {"from one on": (250, 30, 0, 400), "from later on": (0, 0, 120, 1), "no row": (0, 0)}
