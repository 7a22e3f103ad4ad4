"""Outputs take the place of old ones all together or not at all, and nothing else is touched."""

import json
from pathlib import Path

import pytest
from shapely import box

from geoseptic.io import putting
from geoseptic.run import outputs, runner
from geoseptic.run.cli import main
from tests.run.conftest import LEFT, TOP, arguments, write


def slope(folder: Path, out: Path, *more: str) -> int:
    elevation = ["--elevation", str(folder / "elevation.tif"), "--elevation-unit", "m", "--rules", "us-ny"]
    return main("slope_suitability", [*elevation, "--out", str(out), *more])


def contents(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in out.iterdir()}


@pytest.fixture
def mapped(hillside, tmp_path) -> Path:
    """The outputs of a suitability map, and a file that somebody has put beside them."""
    out = tmp_path / "out"
    assert main("suitability_map", arguments(hillside, out)) == 0
    (out / "notes.txt").write_text("mine")
    (out / "old.gpkg").write_text("mine too")
    return out


def test_outputs_of_another_process_do_not_stay_beside_the_new_ones(hillside, mapped, capsys):
    capsys.readouterr()
    assert slope(hillside, mapped, "--overwrite") == 0
    summary = json.loads(capsys.readouterr().out)
    assert {"slope.tif", "slope_class.tif", "run.json"} <= set(summary["outputs"])
    assert set(contents(mapped)) == {*summary["outputs"], "notes.txt", "old.gpkg"}
    assert {"suitability.tif", "envelopes.gpkg"} <= set(summary["removed"])


def test_run_that_fails_while_the_files_are_put_leaves_everything_as_it_was(hillside, mapped, monkeypatch):
    before = contents(mapped)
    real = Path.replace

    def held(self: Path, target: Path) -> Path:
        if target == mapped / "slope_class.tif" and self.parent.name == putting.PUTTING:
            raise PermissionError(13, "the file is open in another program")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", held)
    assert slope(hillside, mapped, "--overwrite") == 3
    assert contents(mapped) == before


def test_old_files_that_cannot_be_put_back_are_kept_and_the_next_run_finishes(hillside, mapped, monkeypatch, capsys):
    before = contents(mapped)
    real = Path.replace

    def stuck(self: Path, target: Path) -> Path:
        if target.parent == mapped:
            raise PermissionError(13, "nothing can be put here")
        return real(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", stuck)
        assert slope(hillside, mapped, "--overwrite") == 3
    assert "Nothing is lost" in capsys.readouterr().err
    aside = mapped / putting.PUTTING / putting.BEFORE
    assert {path.name: path.read_bytes() for folder in (mapped, aside) for path in folder.iterdir() if path.is_file()} == before
    assert slope(hillside, mapped, "--dry-run") == 3
    assert slope(hillside, mapped) == 2  # what there was to finish is now in the way
    names = json.loads((mapped / "run.json").read_text())["outputs"]
    assert set(contents(mapped)) == {*names, "run.json", "notes.txt", "old.gpkg"} and "slope.tif" in names


@pytest.mark.parametrize(
    "names", [["../precious.txt"], ["sub/file.txt"], ["/etc/hostname"], [".."], "precious.txt", [3, None], ["run.json"]]
)
def test_manifest_that_lists_files_elsewhere_removes_none_of_them(names, hillside, tmp_path):
    out = tmp_path / "out"
    (out / "sub").mkdir(parents=True)
    (tmp_path / "precious.txt").write_text("x")
    (out / "sub" / "file.txt").write_text("x")
    (out / "run.json").write_text(json.dumps({"geoseptic": "0", "outputs": names}))
    assert slope(hillside, out, "--overwrite") == 0
    assert (tmp_path / "precious.txt").exists() and (out / "sub" / "file.txt").exists()


@pytest.mark.parametrize("text", ["not json", "[]", '{"outputs": ["notes.txt"]}', '{"geoseptic": "0"}'])
def test_manifest_that_is_not_ours_removes_nothing(text, hillside, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("x")
    (tmp_path / "out" / "run.json").write_text(text)
    assert slope(hillside, tmp_path / "out", "--overwrite") == 0
    assert (tmp_path / "out" / "notes.txt").exists()


def test_geopackage_that_is_open_elsewhere_is_not_replaced(hillside, mapped, capsys):
    (mapped / "envelopes.gpkg-wal").write_bytes(b"changes that are not saved yet")
    before = contents(mapped)
    for more in (["--dry-run"], []):
        assert main("suitability_map", [*arguments(hillside, mapped), "--overwrite", *more]) == 3
        captured = capsys.readouterr()
        assert "envelopes.gpkg is open in another program" in captured.err and "reading" not in captured.err
        assert contents(mapped) == before


def test_geopackage_that_somebody_opens_while_the_run_goes_on_is_not_replaced(hillside, mapped, monkeypatch, capsys):
    before = contents(mapped)
    write_results = outputs.write

    def meanwhile(folder: Path, results: object, workers: int) -> list[str]:
        (mapped / "envelopes.gpkg-wal").write_bytes(b"changes")
        return write_results(folder, results, workers)

    monkeypatch.setattr(outputs, "write", meanwhile)
    assert main("suitability_map", [*arguments(hillside, mapped), "--overwrite"]) == 3
    assert "envelopes.gpkg is open in another program" in capsys.readouterr().err
    (mapped / "envelopes.gpkg-wal").unlink()
    assert contents(mapped) == before


@pytest.mark.parametrize(("free", "code"), [(3600 * 8 - 1, 3), (3600 * 30, 0)])
def test_disk_too_small_for_working_files_is_told_before_anything_is_read(hillside, tmp_path, monkeypatch, capsys, free, code):
    """With the numbers: refused where they surely have no room, a warning where they may have none."""
    from collections import namedtuple

    monkeypatch.setattr(runner, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(outputs.shutil, "disk_usage", lambda path: namedtuple("Usage", "free")(free))
    assert slope(hillside, tmp_path / "out") == code
    told = capsys.readouterr()
    assert "a run over 3,600 cells takes" in (told.err if code else told.out)
    assert (tmp_path / "out").exists() is (code == 0) and ("reading" in told.err) is (code == 0)


def test_manifest_has_the_seconds_of_writing_and_whether_each_citation_was_checked(mapped):
    record = json.loads((mapped / "run.json").read_text())
    assert record["seconds_by_stage"]["writing"] > 0
    assert all(isinstance(found["checked"], bool) for found in record["rules"]["citations"].values())
    (slope_table,) = record["citations"].values()
    assert slope_table["checked"] is False
    assert any("federal soil survey" in warning.lower() for warning in record["warnings"])


def test_manifest_cites_vertical_separations_too(hillside, tmp_path):
    from geoseptic.io.rulefiles import load_rules

    lines = load_rules("us-ny").vertical_separation
    assert lines
    assert slope(hillside, tmp_path / "out") == 0
    cited = json.loads((tmp_path / "out" / "run.json").read_text())["rules"]["separation_citations"]
    assert {line.citation.key: line.citation.checked for line in lines} == {key: found["checked"] for key, found in cited.items()}


def test_hash_of_a_shapefile_changes_with_its_table(hillside, tmp_path):
    import geopandas

    hashes = []
    for name in ("barn", "house"):
        geopandas.GeoDataFrame({"use": [name]}, geometry=[box(LEFT + 70, TOP - 90, LEFT + 85, TOP - 80)], crs="EPSG:26910").to_file(
            hillside / "b.shp"
        )
        words = arguments(hillside, tmp_path / name, buildings=str(hillside / "b.shp"), elevation=None, elevation_unit=None)
        assert main("setback_envelopes", words) == 0
        hashes.append(json.loads((tmp_path / name / "run.json").read_text())["inputs"]["buildings"]["sha256"])
    assert hashes[0] != hashes[1]


def test_obstacle_without_a_shape_is_told_with_its_number_in_the_file(hillside, tmp_path):
    house = box(LEFT + 70, TOP - 90, LEFT + 85, TOP - 80)
    write(hillside, "buildings", {"use": ["a", "lost", "b"]}, [house, None, house])
    assert main("setback_envelopes", arguments(hillside, tmp_path / "out", elevation=None, elevation_unit=None)) == 0
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    (told,) = [warning for warning in record["warnings"] if "without a shape" in warning]
    assert told.startswith("buildings (") and "1 without a shape" in told and "numbers in the file: 2" in told
    assert record["counts"]["buildings"] == 2
