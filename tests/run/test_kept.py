"""A run that takes what earlier runs kept writes the very bytes of a run that does not, whatever changed in between; and one change leaves
most of what is kept in use."""

import dataclasses
import hashlib
import json
import os
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
import shapely.affinity
from affine import Affine
from shapely import Point, box

from geoseptic.io import kept, keptgroups, keptlist, keptpackages, keptplanes, locks, rasters
from geoseptic.io.digests import Hashed, digest
from geoseptic.io.keptfiles import HEAD
from geoseptic.io.keptgroups import by_groups
from geoseptic.io.keptplanes import by_windows
from geoseptic.io.keptwindows import WINDOWS_ACROSS, Blocks
from geoseptic.io.rulefiles import load_rules
from geoseptic.model import legend_table
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.planes import ArrayPlane
from geoseptic.model.results import RasterResult
from geoseptic.processes import kept_envelopes, kept_land
from geoseptic.processes.suitability import Law
from geoseptic.run import sameruns
from geoseptic.run.cli import main
from geoseptic.terrain import windows
from geoseptic.terrain.wellpaths import WellDiscs
from tests.run.conftest import CELL_M, LEFT, TOP, write, write_elevation

LOT_M = 100.0


class County:
    """A random county of `side` x `side` lots in a folder: its layers, heights and options may be changed between runs."""

    def __init__(self, folder: Path, seed: int, side: int = 5) -> None:
        self.folder, self.rng, self.side_m = folder, np.random.default_rng(seed), LOT_M * side
        self.cells = round((self.side_m + LOT_M) / CELL_M)
        rows, cols = np.mgrid[0 : self.cells, 0 : self.cells]
        self.heights_m = (200 - 0.25 * rows + 2 * np.sin(cols / 9) + self.rng.normal(0, 0.1, rows.shape)).astype(np.float32)
        corners = [(LEFT + 20 + LOT_M * i, TOP - 20 - LOT_M * j) for j in range(1, side + 1) for i in range(side)]
        lots = [box(x, y, x + LOT_M, y + LOT_M) for x, y in corners]
        wells = [Point(x + 30, y + 40) for x, y in corners[::3]]
        houses = [box(x + 50, y + 50, x + 62, y + 60) for x, y in corners[::2]]
        self.parcels: dict[str, Any] = {f"P-{number}": lot for number, lot in enumerate(lots)}
        self.wells: dict[str, tuple[Any, float]] = {f"w{number}": (place, 3.0) for number, place in enumerate(wells)}
        self.houses: dict[str, Any] = {f"h{number}": house for number, house in enumerate(houses)}
        self.options: dict[str, str] = {"rules": "us-wa"}

    def written(self) -> list[str]:
        (self.folder / "county.gpkg").unlink(missing_ok=True)
        write_elevation(self.folder / "elevation.tif", self.heights_m)
        names = list(self.parcels)
        water = [number % 4 == 0 for number in range(len(names))]
        write(self.folder, "parcels", {"parcel_id": names, "public_water": water}, list(self.parcels.values()))
        errors = [error for _, error in self.wells.values()]
        columns = {"well_id": list(self.wells), "kind": ["private"] * len(self.wells), "location_error_m": errors}
        write(self.folder, "wells", columns, [place for place, _ in self.wells.values()])
        write(self.folder, "buildings", {"use": ["dwelling"] * len(self.houses)}, list(self.houses.values()))
        layers = [f"--{name}={self.folder / 'county.gpkg'}|{name}" for name in ("parcels", "wells", "buildings")]
        return [
            f"--elevation={self.folder / 'elevation.tif'}",
            "--elevation-unit=m",
            *layers,
            *(f"--{n}={v}" for n, v in self.options.items()),
        ]

    def some(self, names: dict[str, Any]) -> str:
        return str(self.rng.choice(list(names)))

    def somewhere(self) -> Point:
        return Point(LEFT + self.rng.uniform(50, self.side_m), TOP - self.rng.uniform(50, self.side_m))


def well_moved(county: County) -> None:
    name = county.some(county.wells)
    place, error = county.wells[name]
    county.wells[name] = shapely.transform(place, lambda xy: xy + county.rng.uniform(-8, 8, 2)), error


def well_added(county: County) -> None:
    county.wells["new"] = county.somewhere(), 5.0


def well_put_in_the_middle(county: County) -> None:
    """All wells behind it lie in another row."""
    new = county.somewhere(), 5.0
    wells = list(county.wells.items())
    county.wells = dict([*wells[: len(wells) // 2], ("between", new), *wells[len(wells) // 2 :]])


def well_removed(county: County) -> None:
    del county.wells[county.some(county.wells)]


def well_error_changed(county: County) -> None:
    name = county.some(county.wells)
    county.wells[name] = county.wells[name][0], float(county.rng.uniform(0.5, 40))


def wells_exchanged(county: County) -> None:
    """Two records in each other's place in the file, nothing on the ground."""
    wells = list(county.wells.items())
    one, other = county.rng.choice(len(wells), 2, replace=False)
    wells[one], wells[other] = wells[other], wells[one]
    county.wells = dict(wells)


def parcel_split(county: County) -> None:
    name = county.some(county.parcels)
    left, bottom, right, top = county.parcels.pop(name).bounds
    county.parcels |= {f"{name}a": box(left, bottom, left + 45, top), f"{name}b": box(left + 45, bottom, right, top)}


def parcel_removed(county: County) -> None:
    del county.parcels[county.some(county.parcels)]


def parcel_moved(county: County) -> None:
    name = county.some(county.parcels)
    county.parcels[name] = shapely.transform(county.parcels[name], lambda xy: xy + county.rng.uniform(-6, 6, 2))


def building_moved(county: County) -> None:
    name = county.some(county.houses)
    county.houses[name] = shapely.transform(county.houses[name], lambda xy: xy + county.rng.uniform(-9, 9, 2))


def cell_raised(county: County) -> None:
    row, col = county.rng.integers(20, county.cells - 20, 2)
    county.heights_m[row, col] += 1.5


def cell_lost(county: County) -> None:
    row, col = county.rng.integers(20, county.cells - 20, 2)
    county.heights_m[row, col] = np.nan


def rules_edited(county: County) -> None:
    text = """id = "ours"\ntitle = "Ours"\njurisdiction = "Ours"\nedition = "1"\nunit = "ft"\nsummary = "test"\nextends = ["us-wa"]
[citation.own]\ntitle = "Own"\nsection = "1"\nedition = "1"\nread_on = ""\nchecked = false\naddress = "https://example.org"
[[setback]]\npart = "drain_field"\nfeature = "private_well"\ndistance = 120\ncite = "own"\n"""
    (county.folder / "ours.toml").write_text(text, encoding="utf-8")
    county.options["rules"] = str(county.folder / "ours.toml")


def reach_changed(county: County) -> None:
    county.options["reach"] = "400ft"


def window_changed(county: County) -> None:
    county.options["window"] = "25m"


CHANGES: tuple[Callable[[County], None], ...] = (
    well_moved, well_added, well_put_in_the_middle, well_removed, well_error_changed, wells_exchanged, parcel_split, parcel_removed,
    parcel_moved, building_moved, cell_raised, cell_lost, rules_edited, reach_changed, window_changed,
)  # fmt: skip


def contents(package: Path) -> dict[str, list[Any]]:
    """Every table of a GeoPackage with all its rows in their order; of a spatial index what it says of each row, not its nodes."""
    with closing(sqlite3.connect(package)) as database:
        listed = database.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()
        tables = [name for kind, name, sql in listed if (kind == "table" and not name.startswith("rtree_")) or "VIRTUAL" in str(sql)]
        found = {name: database.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}
        return {"listed": listed, **{name: sorted(rows) if name.startswith("rtree_") else rows for name, rows in found.items()}}


def outcome(folder: Path) -> dict[str, Any]:
    """Every byte of the outputs, of GeoPackages every row, and what run.json says that is not of the run itself."""
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    files: dict[str, Any] = {
        path.name: contents(path) if path.suffix == ".gpkg" else hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.name != "run.json"
    }
    return {**files, **{name: record[name] for name in ("counts", "warnings", "repairs", "failures", "outputs")}}


def kept_of(folder: Path) -> dict[str, dict[str, int]]:
    steps: dict[str, dict[str, int]] = json.loads((folder / "run.json").read_text(encoding="utf-8"))["kept"]["steps"]
    return steps


NOT_ALL_TAKE = {
    "slope_suitability": ("elevation", "elevation-unit", "rules"),
    "downslope_distance": ("elevation", "elevation-unit", "wells", "buildings", "reach"),
}


def run(county: County, out: str, process: str = "suitability_map", *more: str) -> Path:
    taken = NOT_ALL_TAKE.get(process)
    words = [word for word in county.written() if taken is None or word[2:].partition("=")[0] in taken]
    assert main(process, [*words, f"--out={county.folder / out}", "--overwrite", "-q", *more]) == 0
    return county.folder / out


def make_small(patch: pytest.MonkeyPatch, side_cells: int) -> None:
    """Small windows and groups, and rows of packages are replaced whatever their share."""
    patch.setattr(windows, "SIDE_CELLS", side_cells)
    patch.setattr(keptpackages, "WORTH_PATCHING", 1.0)
    patch.setattr(kept_envelopes, "IN_A_GROUP", 3)
    patch.setattr(kept_land, "IN_A_GROUP", 3)


@pytest.fixture
def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    make_small(monkeypatch, 64)


@pytest.mark.usefixtures("small_windows")
@pytest.mark.parametrize("seed", [1, *([2, 3] if "GEOSEPTIC_KEPT_STEPS" in os.environ else [])])
def test_whatever_changes_a_run_with_a_store_gives_the_bytes_of_one_without(tmp_path, monkeypatch, seed):
    """One change after the other, in random order, through one store; what is given of a block of windows tells what is given of each."""
    county, seen = County(tmp_path, seed), dict[str, list[str]]()

    def checked(store: kept.Store, step: str, over: list[Any], side: int, given: Callable[[Any], Any]) -> Blocks:
        for block in windows.windows((over[-1][0].stop, over[-1][1].stop), side * WINDOWS_ACROSS) if over else ():
            own = [one for one in over if all(whole.start <= part.start < whole.stop for whole, part in zip(block, one, strict=True))]
            key, keys = store.key(step, block, given(block)), [store.key(step, one, given(one)) for one in own]
            assert seen.setdefault(key, keys) == keys, step
        return Blocks(store, step, over, side, given)

    monkeypatch.setattr(keptplanes, "Blocks", checked)
    keep = f"--keep={tmp_path / 'keep'}"
    run(county, "with", "suitability_map", keep)
    for place in county.rng.permutation(len(CHANGES)):
        CHANGES[place](county)
        with_store, without = run(county, "with", "suitability_map", keep, "--workers=2"), run(county, "without")
        assert outcome(with_store) == outcome(without), CHANGES[place].__name__


def test_wells_of_one_block_of_windows_that_exchange_their_numbers_are_told_apart(tmp_path, monkeypatch):
    """Each in reach of windows of its own: places among the wells near a window, and numbers near all of the block, stay what they were."""
    make_small(monkeypatch, 32)
    county, process, keep = tight_county(tmp_path), "downslope_distance", f"--keep={tmp_path / 'keep'}"
    run(county, "with", process, keep)
    for first in range(6):
        wells = list(county.wells.items())
        wells[first : first + 2] = wells[first + 1], wells[first]
        county.wells = dict(wells)
        assert outcome(run(county, "with", process, keep)) == outcome(run(county, "without", process))


def numbers_of_zones(folder: Path) -> dict[tuple[Any, ...], int]:
    frame = pyogrio.read_dataframe(folder / "envelopes.gpkg", layer="setback_zones", fid_as_index=True).drop(columns="geometry")
    found = {row[1:]: row[0] for row in frame.itertuples(name=None)}
    assert len(found) == len(frame)
    return found


def test_a_feature_more_at_the_end_of_its_layer_leaves_every_zone_its_number(tmp_path):
    """A well on a lot that has one, a house beside another and a lot beside the others, with presumed wells behind those on record."""
    county = County(tmp_path, 1)
    before = numbers_of_zones(run(county, "out", "setback_envelopes"))
    assert any("presumed" in row[2] for row in before)
    place, lot, house = county.wells["w0"][0], county.parcels["P-0"], county.houses["h0"]
    more = (
        lambda: county.wells.update(new=(Point(place.x + 9, place.y), 3.0)),
        lambda: county.houses.update(new=shapely.affinity.translate(house, 20, 0)),
        lambda: county.parcels.update(new=shapely.affinity.translate(lot, -LOT_M, 0)),
    )
    for change in more:
        change()
        after = numbers_of_zones(run(county, "out", "setback_envelopes"))
        assert before.items() < after.items()
        before = after


@pytest.fixture(scope="module")
def kept_once(tmp_path_factory) -> Path:
    """Folder of a county after one run with a store, in small windows."""
    folder = tmp_path_factory.mktemp("kept_once")
    with pytest.MonkeyPatch.context() as patch:
        make_small(patch, 32)
        run(tight_county(folder), "out", "suitability_map", f"--keep={folder / 'keep'}")
    return folder


def tight_county(folder: Path) -> County:
    county = County(folder, 3, side=7)
    county.options["reach"] = "100ft"
    return county


def test_nothing_is_taken_the_first_time_and_everything_the_second(kept_once, tmp_path, monkeypatch):
    make_small(monkeypatch, 32)
    shutil.copytree(kept_once, tmp_path, dirs_exist_ok=True)
    # Windows of two rasters that hold the same values are packed once.
    assert {name for name, counts in kept_of(tmp_path / "out").items() if counts["reused"]} <= {"_counted", "_halved", "_packed"}
    steps = kept_of(run(tight_county(tmp_path), "out", "suitability_map", f"--keep={tmp_path / 'keep'}"))
    assert all(not counts["made"] for counts in steps.values())


@pytest.mark.parametrize("change", [well_moved, well_added, well_put_in_the_middle, parcel_moved])
def test_one_change_leaves_most_of_what_is_kept_in_use(kept_once, tmp_path, monkeypatch, change):
    make_small(monkeypatch, 32)
    shutil.copytree(kept_once, tmp_path, dirs_exist_ok=True)
    county, keep = tight_county(tmp_path), f"--keep={tmp_path / 'keep'}"
    change(county)
    steps = kept_of(run(county, "out", "suitability_map", keep))
    for name in ("_slope", "_slope_classes", "_depth", "_conditioned", "_drained"):
        assert not steps[name]["made"], name
    for name in ("_paths", "_rated", "_tally", "_with_numbers"):
        assert steps[name]["made"] <= 0.4 * (steps[name]["made"] + steps[name]["reused"]), name
    # Of distances and of ponding, which has not changed.
    assert steps["_in_unit"]["made"] <= 0.2 * (steps["_in_unit"]["made"] + steps["_in_unit"]["reused"])
    assert steps["_rated"]["made"] > 0 and steps["_cut"]["made"] > 0
    assert steps["_cut"]["made"] <= 0.5 * (steps["_cut"]["made"] + steps["_cut"]["reused"])
    assert steps["raster"]["reused"] >= 3 and steps["package"]["reused"] >= (3 if change is well_moved else 1)


@pytest.mark.usefixtures("small_windows")
@pytest.mark.parametrize("process", ["slope_suitability", "downslope_distance", "setback_envelopes", "screen_county"])
def test_other_processes_give_the_same_bytes_from_a_store(tmp_path, process):
    county, keep = County(tmp_path, 4), f"--keep={tmp_path / 'keep'}"
    run(county, "with", process, keep)
    assert outcome(run(county, "with", process, keep)) == outcome(run(county, "without", process))
    well_moved(county)
    building_moved(county)
    assert outcome(run(county, "with", process, keep)) == outcome(run(county, "without", process))


@pytest.mark.usefixtures("small_windows")
def test_damaged_and_foreign_entries_are_passed_over_told_and_made_anew(tmp_path, monkeypatch):
    """Bytes turned over, files cut short, and one entry in another's place; with the list of all, without it, and with a damaged one."""
    county, rng = County(tmp_path, 5), np.random.default_rng(5)
    keep = tmp_path / "keep"
    right = outcome(run(county, "without"))
    run(county, "with", "suitability_map", f"--keep={keep}")
    # Else nothing would be looked up, since nothing changed.
    monkeypatch.setattr(sameruns, "key_of", lambda *given: None)
    listed = keep / keptlist.NAME
    for state in ("listed", "not listed", "damaged", "not listed"):
        if state == "not listed":
            listed.unlink()
        elif state == "damaged":
            data = listed.read_bytes()
            listed.write_bytes(data[:-9] + bytes([data[-9] ^ 4]) + data[-8:])
        files = sorted(keep.glob("*.kept"))
        for path in rng.permutation(np.array(files, object))[: len(files) // 2]:
            if not (data := bytearray(path.read_bytes())):
                continue  # cut to nothing before, and not looked at since
            data[rng.integers(len(data))] ^= 1 << int(rng.integers(8))
            path.write_bytes(bytes(data) if rng.random() < 0.7 else bytes(data[: rng.integers(len(data))]))
        one, other = files[0], files[-1]
        one.write_bytes(other.read_bytes())
        found = outcome(run(county, "with", "suitability_map", f"--keep={keep}"))
        told = [warning for warning in found["warnings"] if "damaged" in warning]
        # Where the small arrays are listed, nobody looks at what is damaged in their files.
        assert told or state == "listed"
        assert any(keptlist.NAME in warning for warning in told) == (state == "damaged")
        found["warnings"] = [warning for warning in found["warnings"] if "damaged" not in warning]
        assert found == right


def test_entries_damaged_or_taken_away_while_a_run_goes_on_are_made_again(tmp_path):
    plane = ArrayPlane(np.arange(1600.0).reshape(40, 40))  # more than what is listed
    with kept.kept(tmp_path / "keep"):
        by_windows(plane, (np.float64,), _doubled, lambda window: (plane.read(*window),))
    for spoil in (lambda path: path.unlink(), lambda path: path.write_bytes(path.read_bytes()[:-8] + b"x" * 8)):
        with kept.kept(tmp_path / "keep") as store:
            (found,), told = by_windows(plane, (np.float64,), _doubled, lambda window: (plane.read(*window),))
            assert told == [{"sum": 1600 * 1599.0}] and store is not None and store.reused["_doubled"] == 1
            (path,) = (tmp_path / "keep").glob("*.kept")
            spoil(path)
            assert np.array_equal(found.read(slice(2, 9), slice(0, 40)), 2 * plane.values[2:9])


def test_single_cells_of_a_kept_plane_are_taken_from_it_and_kept_by_what_its_windows_hold(tmp_path, monkeypatch):
    """A window that holds something else is looked into anew, the others are not opened again."""
    monkeypatch.setattr(keptplanes, "side_cells", lambda: 16)
    values, rng = np.arange(1600.0).reshape(40, 40), np.random.default_rng(3)
    rows, cols = rng.integers(0, 40, (2, 200))
    for turn, made in ((0, 9), (1, 0), (2, 1)):
        if turn == 2:
            values[20, 20] = -1.0
        plane = ArrayPlane(values.copy())
        with kept.kept(tmp_path) as store:
            (found,), _ = by_windows(plane, (np.float64,), _as_it_is, lambda window, plane=plane: (plane.read(*window),))
            assert np.array_equal(keptplanes.at_cells(found, rows, cols), values[rows, cols])
        assert store is not None and store.made["_at_cells"] == made
        assert np.array_equal(keptplanes.at_cells(plane, rows, cols), values[rows, cols])


def test_where_nothing_of_a_block_of_windows_changed_nobody_asks_what_is_given_of_each(tmp_path, monkeypatch):
    """One question a block; those of a block that changed one by one; what was taken away of the others is made again when it is read."""
    side, shape = 40, (320, 240)  # more than what is listed
    monkeypatch.setattr(keptplanes, "side_cells", lambda: side)
    values, over, asked = np.random.default_rng(5).normal(size=shape), list(windows.windows(shape, side)), list[Any]()

    def doubled() -> tuple[list[Any], list[Any], dict[str, int]]:
        """What was asked for before and while the plane was read, and what the store counted."""
        asked.clear()
        plane = ArrayPlane(values.copy())

        def given(window: tuple[slice, slice]) -> tuple[np.ndarray]:
            asked.append(window)
            return (plane.read(*window),)

        with kept.kept(tmp_path) as store:
            (found,), told = by_windows(plane, (np.float64,), _doubled, given)
            assert store is not None
            before, counted = len(asked), {"made": store.made["_doubled"], "reused": store.reused["_doubled"]}
            assert np.array_equal(found.read(slice(0, shape[0]), slice(0, shape[1])), 2 * values)
        assert [own["sum"] for own in told] == [(2 * values[own]).sum() for own in over]
        return asked[:before], asked[before:], counted

    blocks = list(windows.windows(shape, WINDOWS_ACROSS * side))
    asked_of, _, counted = doubled()
    assert counted == {"made": 48, "reused": 0} and asked_of[:4] == blocks
    assert doubled() == (blocks, [], {"made": 0, "reused": 48})
    values[170, 5] += 1
    own = [window for window in over if window[0].start >= 160 and window[1].start < 160]
    assert doubled() == ([*blocks, *own, own[0]], [], {"made": 1, "reused": 47})
    for path in tmp_path.glob("*.kept"):
        path.unlink()
    asked_of, again, counted = doubled()
    assert (asked_of, counted) == (blocks, {"made": 0, "reused": 48}) and again == over


@pytest.mark.parametrize("what", ["numbers", "shapes"])
def test_groups_of_shapes_come_back_as_they_were_and_damaged_ones_are_cut_again(tmp_path, what):
    """Damage in the numbers, which are read at once, and in the shapes, which are read when they are asked for."""
    disc = Point(0, 0).buffer(1, 300)  # more than what is listed
    shapes = np.array([disc, shapely.Polygon(), shapely.MultiPolygon([disc, box(2, 2, 3, 3)])], object)
    groups = [np.array([0, 1]), np.array([2]), np.array([], np.int64)]
    for spoilt in (False, False, True):
        if spoilt:
            for path in tmp_path.glob("*.kept"):
                data = path.read_bytes()
                at = HEAD.size + 9 if what == "numbers" else len(data) - 500
                path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
            if what == "numbers":
                (tmp_path / keptlist.NAME).unlink()  # else nobody looks at them in the file
        with kept.kept(tmp_path) as store:
            found = by_groups(_shifted, groups, lambda rows: (shapes[rows],))
        for rows, ((moved, areas), told) in zip(groups, found, strict=True):
            expected = shapely.transform(shapes[rows], lambda xy: xy + 1)
            assert [shape.wkb for shape in moved.shapes] == [shape.wkb for shape in expected]
            assert np.array_equal(areas, shapely.area(shapes[rows])) and told == len(rows)
    # The group without a shape has nothing but numbers.
    assert store is not None and store.damaged and store.made["_shifted"] == {"numbers": 3, "shapes": 0}[what]


def test_shapes_of_a_group_are_told_by_what_they_are_made_read_or_taken_with_others(tmp_path):
    """Whatever the group was given: one cut anew to the same shapes makes nothing after it new."""
    shapes = np.array([Point(k, 0).buffer(1) for k in range(6)] + [shapely.Polygon()], object)
    groups, places = [np.array([0, 1, 2]), np.array([3, 4, 5, 6])], [([0, 1], lambda: ("both",))]
    told = []
    for bundles, more in ((places, 0), (places, 0), ([], 0), ([], 1)):
        with kept.kept(tmp_path) as store:
            found = by_groups(_shifted_whatever, groups, lambda rows, more=more: (shapes[rows], more), bundles=bundles)
            told.append(np.concatenate([arrays[0].hashes for arrays, _ in found]))
            assert [shape.wkb for shape in found[1][0][0].shapes] == [one.wkb for one in shapely.transform(shapes[3:], lambda xy: xy + 1)]
            assert store is not None and store.made["_shifted_whatever"] == (2 if len(told) in (1, 4) else 0)
    assert all(np.array_equal(one, told[0]) for one in told[1:]) and len(np.unique(told[0])) == len(shapes)


def test_shapes_of_bundled_groups_are_read_in_any_order_and_those_of_a_group_once(tmp_path, monkeypatch):
    """Among them a group without a shape."""
    shapes = np.array([Point(k, 0).buffer(1) for k in range(6)], object)
    groups = [np.array([0, 1]), np.array([], np.int64), np.array([2, 3, 4, 5])]
    read, texts = [], keptgroups._texts
    monkeypatch.setattr(keptgroups, "_texts", lambda store, key, again, number: read.append(key) or texts(store, key, again, number))
    for first in (True, False):
        with kept.kept(tmp_path) as store:
            done = by_groups(_shifted, groups, lambda rows: (shapes[rows],), bundles=[([0, 1, 2], lambda: ("all",))])
            joined = Hashed.joined([arrays[0] for arrays, _ in done], groups)
            assert store is not None and bool(store.made["_shifted"]) == first
            if first:
                continue
            assert read == [] and [len(arrays[0]) for arrays, _ in done] == [2, 0, 4]
            for rows, seen in (([5], 1), ([5, 2, 3], 1), ([4, 0, 1, 0], 2)):
                expected = shapely.transform(shapes[rows], lambda xy: xy + 1)
                assert [shape.wkb for shape in joined[rows].shapes] == [shape.wkb for shape in expected] and len(read) == seen


def _shifted_whatever(shapes: np.ndarray, more: int) -> tuple[tuple[np.ndarray], None]:
    return (shapely.transform(shapes, lambda xy: xy + 1),), None


def _shifted(shapes: np.ndarray) -> tuple[tuple[np.ndarray, np.ndarray], int]:
    return (shapely.transform(shapes, lambda xy: xy + 1), shapely.area(shapes)), len(shapes)


def _doubled(values: np.ndarray) -> tuple[tuple[np.ndarray], dict[str, float]]:
    return (2 * values,), {"sum": float(2 * values.sum())}


def test_an_entry_that_another_run_took_away_is_not_told_as_damaged(tmp_path):
    store = kept.Store(tmp_path)
    entry = store.put("b" * 64, [np.arange(4000)], None)
    entry.path.unlink()
    assert store.array(entry, 0) is None and store.small(entry, 0) is None
    assert not store.damaged


def test_what_is_listed_is_found_without_a_look_at_its_file(tmp_path):
    """The small arrays too; of large ones it shows when they are read that they are gone."""
    with kept.kept(tmp_path) as store:
        key = store.key("made", 1)
        store.put(key, [np.arange(3000), np.arange(5), np.zeros((0, 4))], {"told": [1, None]})
    for path in tmp_path.glob("*.kept"):
        path.unlink()
    with kept.kept(tmp_path) as store:
        entry = store.find(key)
        assert entry is not None and entry.told == {"told": [1, None]}
        assert store.array(entry, 1).tolist() == [0, 1, 2, 3, 4] and store.several(entry, [2, 1])[0].shape == (0, 4)
        assert store.array(entry, 0) is None and store.several(entry, [1, 0]) is None
        assert not store.damaged and store.find("0" * 64) is None
    with kept.kept(tmp_path) as store:
        assert store.find(key) is None


def test_what_is_kept_again_under_the_same_key_is_found_as_it_is_now(tmp_path):
    for turn in range(3):
        with kept.kept(tmp_path) as store:
            found = store.find("a" * 64)
            assert (None if found is None else found.told) == (turn - 1 if turn else None)
            store.put("a" * 64, [], turn)
            assert store.find("a" * 64).told == turn


def test_nothing_is_dropped_while_another_run_goes_on_and_marks_of_dead_ones_go(tmp_path):
    with kept.kept(tmp_path) as store:
        store.put("a" * 64, [])
    (tmp_path / f"{locks.MARK}1-1").touch()  # nobody holds it
    with kept.kept(tmp_path):
        with kept.kept(tmp_path):
            pass
        assert (tmp_path / f"{'a' * 64}.kept").exists() and len(list(tmp_path.glob(f"{locks.MARK}*"))) == 1
    assert [path.name for path in tmp_path.iterdir()] == [keptlist.NAME]


def test_a_bound_method_is_refused_as_a_step():
    """What its object holds would be in no hash."""
    with pytest.raises(TypeError, match="no plain function"):
        by_groups([1].append, [], lambda group: (group,))


def test_a_step_that_could_see_more_than_it_is_given_is_refused():
    plane, more = ArrayPlane(np.zeros((3, 3))), 1.0
    with pytest.raises(TypeError, match="may see"):
        by_windows(plane, (np.float64,), lambda values: ((values + more,), None), lambda window: (plane.read(*window),))


def test_what_a_run_did_not_use_is_dropped_but_not_what_another_made_meanwhile(tmp_path):
    with kept.kept(tmp_path) as store:
        store.put(store.key("old", 1), [np.zeros(3)])
    with kept.kept(tmp_path) as one, kept.kept(tmp_path) as two:
        mine, theirs = one.key("new", 1), two.key("new", 2)
        one.put(mine, [np.zeros(3)])
        two.put(theirs, [np.ones(3)])
        (tmp_path / "notes.txt").write_text("not ours")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([f"{mine}.kept", f"{theirs}.kept", keptlist.NAME, "notes.txt"])


@pytest.mark.usefixtures("small_windows")
def test_two_runs_at_once_with_one_store_both_give_the_right_bytes(tmp_path):
    """Each with its own county, so that each drops what it does not use while the other goes on."""
    counties = [County(tmp_path / name, seed) for name, seed in (("a", 6), ("b", 7))]
    for county in counties:
        county.folder.mkdir()
    right = [outcome(run(county, "without")) for county in counties]
    for _ in range(2):
        threads = [
            threading.Thread(target=run, args=(county, "with", "suitability_map", f"--keep={tmp_path / 'keep'}")) for county in counties
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for county, expected in zip(counties, right, strict=True):
            assert outcome(county.folder / "with") == expected


def perturbed(value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, bool | np.bool_):
        return not value
    if isinstance(value, int | float):
        return value + 1
    if isinstance(value, str):
        return value + "x"
    if isinstance(value, np.ndarray) and value.dtype == object:
        return np.array([*(shapely.Point(0.25, 0.25) if shape is value[-1] else shape for shape in value)], object)
    if isinstance(value, np.ndarray):
        changed = value.copy()
        changed.ravel()[-1] = changed.ravel()[-1] + 1
        return changed
    if isinstance(value, tuple | list):
        return [*value[:-1], perturbed(value[-1])] if isinstance(value, list) else (*value[:-1], perturbed(value[-1])) if value else ("x",)
    if isinstance(value, frozenset):
        return value | {"x"}
    if isinstance(value, dict):
        return {**value, "x": np.array([shapely.Point(1, 1)], object)}
    if isinstance(value, Affine):
        return value @ Affine.translation(0, 1)
    if isinstance(value, Frame):
        return Frame.of(26911, "other")
    if value is None:
        return 0
    raise AssertionError(type(value))


def records() -> list[Any]:
    grid = Grid.of((3, 4), Affine(CELL_M, 0, LEFT, 0, -CELL_M, TOP), 26910, "grid")
    shapes = np.array([Point(1, 2), box(0, 0, 1, 1)], object)
    requirement = load_rules("us-wa").requirement("drain_field", "private_well")
    return [
        grid,
        WellDiscs(*(np.array([1.0, 2.0]) for _ in range(4))),
        Law({"well": shapes}, shapes),
        requirement.entries[0],
    ]


@pytest.mark.parametrize("record", records(), ids=lambda record: type(record).__name__)
def test_every_field_of_what_goes_into_a_key_changes_the_key(record):
    """A field that the hash left out would make an old answer pass for a new one."""
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if dataclasses.is_dataclass(value) and not isinstance(value, Frame):
            other = dataclasses.replace(value, **{(name := dataclasses.fields(value)[0].name): perturbed(getattr(value, name))})
        else:
            other = perturbed(value)
        changed = object.__new__(type(record))
        for each in dataclasses.fields(record):
            object.__setattr__(changed, each.name, other if each.name == field.name else getattr(record, each.name))
        assert digest(changed) != digest(record), field.name


def test_values_that_run_together_are_told_apart():
    """Kinds and lengths are in the hash, so no two of these are the same."""
    different: list[Any] = [
        ("ab", "c"), ("a", "bc"), ("abc",), "abc", b"abc", (("abc",),), None, False, 0, 0.0, -0.0, float("nan"), "0", (), {}, frozenset(),
        {"a": 1}, {"a": 2}, {"b": 1}, {"a": 1, "b": 2}, slice(0, 1), slice(1, 0), np.zeros(2), np.zeros(2, np.float32), np.zeros((2, 1)),
        np.zeros((1, 2)), np.array([Point(0, 0), Point(0, 1)], object), np.array([Point(0, 1), Point(0, 0)], object),
        np.array([Point(0, 0), None], object), np.array([None, Point(0, 0)], object),
    ]  # fmt: skip
    assert len({digest(value) for value in different}) == len(different)


def test_a_kind_of_value_that_has_no_hash_is_refused():
    with pytest.raises(TypeError, match="no hash"):
        digest(object())


def test_a_store_and_a_cluster_are_not_used_together(tmp_path, capsys):
    assert (
        main("suitability_map", [*County(tmp_path, 8).written(), f"--out={tmp_path}", f"--keep={tmp_path}", "--scheduler=tcp://here:1"])
        == 2
    )
    assert "--keep cannot be used with --scheduler" in capsys.readouterr().err


def test_threads_pack_rasters_in_memory_and_from_a_store_to_the_same_bytes(tmp_path):
    """More than one tile, so that each thread makes coarser copies."""
    values = np.random.default_rng(9).integers(1, 5, (600, 700)).astype(np.uint8)
    grid = Grid.of(values.shape, Affine(CELL_M, 0, LEFT, 0, -CELL_M, TOP), 26910, "grid")
    plane = ArrayPlane(values)
    found = {}
    for name, workers, keep in (("alone", 1, False), ("workers", 2, False), ("kept", 2, True), ("again", 2, True)):
        (tmp_path / name).mkdir()
        with kept.kept(tmp_path / "keep" if keep else None):
            (own,), _ = by_windows(plane, (np.uint8,), _as_it_is, lambda window: (plane.read(*window),))
            told = [RasterResult(which, Raster(own, grid, 0), legend_table.WELL_PATH_CODE, which, "") for which in ("one", "two")]
            rasters.write_rasters(tmp_path / name, told, workers)
        found[name] = {path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}
    assert len(found["alone"]) == 8
    assert all(files == found["alone"] for files in found.values())


def _as_it_is(values: np.ndarray) -> tuple[tuple[np.ndarray], None]:
    return (values,), None


def test_hashes_of_shapes_are_the_same_taken_from_a_store(tmp_path, monkeypatch):
    """Those that changed are hashed anew, and no others."""
    monkeypatch.setattr(keptgroups, "HASHED_TOGETHER", 4)
    shapes = np.array([None, *(Point(place, 0) for place in range(8)), shapely.Polygon(), box(0, 0, 1, 1)], object)
    for turn, made in ((0, 3), (1, 0), (2, 1)):
        if turn == 2:
            shapes[5] = Point(9, 9)
        with kept.kept(tmp_path) as store:
            before = len(list(tmp_path.glob("*.kept")))
            found = keptgroups.hashed_shapes(shapes)
            assert (found[3:].hashes == Hashed.of(shapes).hashes[3:]).all() and found.shapes[5] == shapes[5]
            assert np.array_equal(found.bounds_m, Hashed.of(shapes).bounds_m, equal_nan=True)
            assert len(list(tmp_path.glob("*.kept"))) - before == made
        assert store is not None
