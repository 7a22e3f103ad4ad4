"""A run of which nothing changed takes its outputs as they are; where anything that it follows from or an output is another, it is done."""

import json
import os
import re
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.io import kept
from geoseptic.io.digests import digest
from geoseptic.io.filehashes import each_once, file_digest
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.run import arguments, headers, manifest, runner, sameruns
from geoseptic.run.cli import main
from tests.run.test_kept import County, kept_of, outcome, rules_edited, well_moved


def done(words: list[str], out: Path, *more: str) -> Path:
    assert main("suitability_map", [*words, f"--out={out}", "--overwrite", "-q", *more]) == 0
    return out


@pytest.fixture
def county(tmp_path: Path) -> County:
    return County(tmp_path, 1)


def was_taken(out: Path) -> bool:
    return kept_of(out) == {"run": {"reused": 1, "made": 0}}


def no_step(*_: Any, **__: Any) -> None:
    raise AssertionError("a step was done")


def test_outputs_of_which_nothing_changed_are_taken_as_they_are_without_a_step(county, tmp_path, monkeypatch):
    words, keep = county.written(), f"--keep={tmp_path / 'keep'}"
    right = outcome(done(words, tmp_path / "without"))
    out = done(words, tmp_path / "out", keep)
    before = json.loads((out / "run.json").read_text(encoding="utf-8"))
    monkeypatch.setattr(runner, "_read", no_step)
    for name in ("elevation.tif", "county.gpkg"):  # a new time is no change
        os.utime(tmp_path / name, (1e9, 1e9))
    done(words, out, keep, "--workers=2")
    assert was_taken(out) and outcome(out) == right
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert list(record) == list(before) and record["parameters"] == {**before["parameters"], "workers": 2}
    same = set(before) - {"started", "seconds_by_stage", "parameters", "kept"}
    assert {name: record[name] for name in same} == {name: before[name] for name in same}


def test_another_folder_gets_copies_that_have_nothing_in_common_with_the_first(county, tmp_path, monkeypatch):
    words, keep = county.written(), f"--keep={tmp_path / 'keep'}"
    first = done(words, tmp_path / "first", keep)
    right = outcome(first)
    monkeypatch.setattr(runner, "_read", no_step)
    second = done(words, tmp_path / "second", keep)
    assert was_taken(second) and outcome(second) == right
    assert not any(path.samefile(first / path.name) for path in second.iterdir())


def test_steps_that_a_taken_run_had_no_use_for_are_there_for_the_next_change(county, tmp_path):
    keep = f"--keep={tmp_path / 'keep'}"
    words = county.written()
    for _ in range(2):
        done(words, tmp_path / "out", keep)
    assert was_taken(tmp_path / "out")
    well_moved(county)
    steps = kept_of(done(county.written(), tmp_path / "out", keep))
    assert steps["_slope"] == {"reused": 1, "made": 0}


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def one_bit(path: Path) -> None:
    """Size and time stay."""
    told, data = path.stat(), bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    os.utime(path, ns=(told.st_atime_ns, told.st_mtime_ns))


@pytest.mark.parametrize(("name", "spoil"), [("slope.tif", one_bit), ("envelopes.gpkg", cut_short), ("reasons.qml", Path.unlink)])
def test_an_output_that_somebody_touched_is_made_again(county, tmp_path, name, spoil):
    words, keep = county.written(), f"--keep={tmp_path / 'keep'}"
    right = outcome(done(words, tmp_path / "out", keep))
    spoil(tmp_path / "out" / name)
    out = done(words, tmp_path / "out", keep)
    assert not was_taken(out) and outcome(out) == right


def something_beside(county: County) -> None:
    """GDAL reads such a file with the raster."""
    (county.folder / "elevation.tif.aux.xml").write_text("<PAMDataset><Metadata/></PAMDataset>", encoding="utf-8")


def a_journal(county: County) -> None:
    (county.folder / "county.gpkg-journal").write_bytes(b"")


CHANGES: tuple[Callable[[County], None], ...] = (something_beside, a_journal)


@pytest.mark.parametrize("change", CHANGES)
def test_a_file_that_may_be_read_with_an_input_counts_as_part_of_it(county, tmp_path, change):
    words, keep = county.written(), f"--keep={tmp_path / 'keep'}"
    done(words, tmp_path / "out", keep)
    change(county)
    assert not was_taken(done(words, tmp_path / "out", keep))


def test_rules_that_were_edited_where_they_lie_are_other_rules(county, tmp_path):
    rules_edited(county)
    words, keep = county.written(), f"--keep={tmp_path / 'keep'}"
    done(words, tmp_path / "out", keep)
    ours = tmp_path / "ours.toml"
    ours.write_text(ours.read_text(encoding="utf-8").replace("120", "150"), encoding="utf-8")
    out = done(words, tmp_path / "out", keep)
    assert not was_taken(out) and outcome(out) == outcome(done(words, tmp_path / "without"))


@pytest.fixture
def key(county: County, tmp_path: Path) -> Callable[..., str | None]:
    """The key of a run over the county, with another request, or inputs, or version."""
    process, words = PROCESSES["suitability_map"], county.written()
    wanted = arguments.request(process, "suitability_map", [*words, f"--out={tmp_path / 'out'}", f"--keep={tmp_path}"])
    told = headers.read_headers(process, wanted)
    inputs = manifest.input_records(process, wanted)

    def found(version: str = "1", inputs: Any = inputs, values: Any = wanted.values, **changes: Any) -> str | None:
        asked = replace(wanted, values=values, **changes)
        return sameruns.key_of(kept.Store(tmp_path), process, asked, told, inputs, version)

    found.wanted, found.inputs = wanted, inputs  # type: ignore[attr-defined]
    return found


OTHER: dict[str, Any] = {
    "columns": {"wells": {"kind": "sort"}}, "value_maps": {"wells": {"kind": {"dom": "private"}}},
    "statements": {"crs": {"wells": "EPSG:4326"}}, "network": True, "units": {}, "cell_size_m": 3.0, "zero_is_height": True,
    "level_is_height": True, "elevation_scale": 0.1, "gaps_are_unknown": True, "tiles_anywhere": True,
    "scheduler": "tcp://127.0.0.1:1", "places": {"wells": {"datum": "NAD27"}}, "place_columns": {"wells": {"lon": "x"}},
}  # fmt: skip


def test_everything_that_may_be_asked_for_is_in_the_key_but_where_it_goes_and_what_is_told(key, county, tmp_path):
    """A field of the request that is added later is in it at once, and must be named here or there."""
    assert key() is not None and key() == key()
    named = {field.name for field in fields(arguments.Request)} - sameruns.CHANGES_NOTHING
    assert named == {*OTHER, "values", "sections", "to_postgis", "also"}
    keys = [key(), *(key(**{name: value}) for name, value in OTHER.items()), key("2"), key(sections=str(tmp_path / "county.gpkg|wells"))]
    values = dict(key.wanted.values)
    keys += [key(values={**values, "window_m": 20.0}), key(values={name: value for name, value in values.items() if name != "buildings"})]
    assert len(set(keys)) == len(keys) and None not in keys
    assert key(values={**values, "workers": 2}) == key() == key(out=tmp_path / "elsewhere", overwrite=True, verbosity=1)
    assert key(to_postgis="some database") is key(also=("stac",)) is None


def test_what_cannot_be_known_is_never_taken(key, county, tmp_path, monkeypatch):
    """An input without a hash, a raster of which GDAL does not list the files, a format that may be read from more than itself."""
    assert key(inputs={**key.inputs, "wells": {"sha256": None}}) is None
    values = dict(key.wanted.values)
    (tmp_path / "wells.gml").write_text("<gml:FeatureCollection xmlns:gml='http://www.opengis.net/gml'/>", encoding="utf-8")
    assert key(values={**values, "wells": str(tmp_path / "wells.gml")}) is None
    (tmp_path / "heights.vrt").write_text("<VRTDataset rasterXSize='1' rasterYSize='1'/>", encoding="utf-8")
    assert key(values={**values, "elevation": str(tmp_path / "heights.vrt")}) is None
    monkeypatch.setattr("pyproj.network.is_network_enabled", lambda: True)
    assert key() is None


def test_year_settings_and_grids_of_the_machine_are_in_the_key(key, tmp_path, monkeypatch):
    first = key()

    class NextYear(date):
        @classmethod
        def today(cls) -> "NextYear":
            return cls(date.today().year + 1, 1, 1)

    with monkeypatch.context() as patched:
        patched.setattr(sameruns, "date", NextYear)
        assert key() != first
    with monkeypatch.context() as patched:
        patched.setenv("OGR_ENABLE_PARTIAL_REPROJECTION", "YES")
        assert key() != first
    with monkeypatch.context() as patched:
        (tmp_path / "grids").mkdir()
        (tmp_path / "grids" / "shift.tif").write_bytes(b"grid")
        patched.setattr("pyproj.datadir.get_user_data_dir", lambda: str(tmp_path / "grids"))
        second = key()
        (tmp_path / "grids" / "shift.tif").write_bytes(b"Grid")
        assert len({first, second, key()}) == 3
    assert key() == first


def test_of_the_day_no_code_knows_more_than_the_year():
    """The key has the year alone."""
    package = Path(sameruns.__file__).parents[1]
    used = [
        found for path in package.rglob("*.py") for found in re.findall(r"\.today\(\)\S*|\.now\(\)\S*", path.read_text(encoding="utf-8"))
    ]
    assert used and all(found.startswith(".today().year") for found in used)


def test_every_rule_set_has_a_hash_of_its_own():
    found = [digest(load_rules(name)) for name in shipped_rules()]
    assert len(set(found)) == len(found)


def test_a_run_of_which_a_part_failed_is_done_again(tmp_path):
    store = kept.Store(tmp_path)
    for failures, there in (([{"stage": "fitting"}], False), ([{"stage": "checking"}], True), ([], True)):
        sameruns.put(store, "a" * 64, tmp_path, tmp_path, [], {"failures": failures}, {})
        assert (store.find("a" * 64) is not None) is there


def test_a_file_is_read_once_in_a_run_and_anew_when_it_changed(tmp_path, monkeypatch):
    path = tmp_path / "file"
    path.write_bytes(b"one")
    with each_once():
        first = file_digest(path)
        with monkeypatch.context() as patched:
            patched.setattr("hashlib.sha256", no_step)
            assert file_digest(path) == first
        path.write_bytes(b"other")
        assert file_digest(path) != first
