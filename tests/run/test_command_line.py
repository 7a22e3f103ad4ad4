"""The command line: names, exit codes, refusals, nothing half-written."""

import json
import subprocess
import sys
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
from geopandas.testing import assert_geodataframe_equal
from rasterio.transform import from_origin
from shapely import Point, Polygon, box

from geoseptic.catalog import PROCESSES
from geoseptic.model.reasons import BIT
from geoseptic.run import outputs
from geoseptic.run.cli import main
from tests.run.conftest import CELL_M, CRS, LEFT, TOP, arguments, write, write_elevation

FIXED_OUTPUTS = {
    "setback_envelopes": {"envelopes.gpkg"},
    "slope_suitability": {"slope.tif", "slope_class.tif"},
    "downslope_distance": {"well_path.tif", "well_path_code.tif", "ponding.tif"},
    "suitability_map": {"suitability.tif", "suitability_class.tif", "reasons.tif", "slope.tif", "well_path.tif", "envelopes.gpkg"},
}


def suitability(folder: Path, out: Path, *more: str, **changes: str | None) -> int:
    return main("suitability_map", [*arguments(folder, out, **changes), *more])


def test_every_process_has_a_script_of_its_name_and_its_fixed_outputs():
    for name, files in FIXED_OUTPUTS.items():
        assert Path("scripts", f"{name}.py").exists()
        assert files <= set(PROCESSES[name].files)


def test_whole_run_writes_every_declared_file_and_a_summary(hillside, tmp_path, capsys):
    out = tmp_path / "out"
    assert suitability(hillside, out) == 0
    summary = json.loads(capsys.readouterr().out)
    assert {*PROCESSES["suitability_map"].files, "run.json"} <= {path.name for path in out.iterdir()}
    assert summary["counts"]["parcels"] == 4
    assert "not a permit" in summary["notice"]
    record = json.loads((out / "run.json").read_text())
    assert set(record["inputs"]) == {"parcels", "wells", "elevation", "buildings"}
    assert all(len(entry["sha256"]) == 64 for entry in record["inputs"].values())
    assert record["rules"]["id"] == "us-wa"
    assert record["cautions"]
    assert record["counts"]["reason_bits"] == BIT
    timed = {"slope", "fill and drainage", "flow paths to wells", "setback envelopes", "suitability", "hashing inputs", "writing"}
    assert set(record["seconds_by_stage"]) >= timed


def test_outputs_hold_rasters_of_one_band_on_the_elevation_grid(hillside, tmp_path):
    out = tmp_path / "out"
    assert suitability(hillside, out) == 0
    for path in out.glob("*.tif"):
        with rasterio.open(path) as file:
            assert (file.count, file.shape) == (1, (60, 60)), path.name
            assert file.crs.to_epsg() == 26910


def test_second_run_is_refused_without_overwrite_and_leaves_the_first_alone(hillside, tmp_path, capsys):
    out = tmp_path / "out"
    assert suitability(hillside, out) == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert suitability(hillside, out) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert suitability(hillside, out, "--overwrite") == 0


def test_failure_while_writing_leaves_the_old_outputs_whole(hillside, tmp_path, monkeypatch):
    out = tmp_path / "out"
    assert suitability(hillside, out) == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def full_disk(*_args: object, **_options: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outputs.vector_files, "write_layers", full_disk)
    assert suitability(hillside, out, "--overwrite") == 3
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_interrupt_ends_with_130_and_writes_nothing(hillside, tmp_path, monkeypatch):
    def stop(*_args: object, **_options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(outputs.raster_files, "write_rasters", stop)
    assert suitability(hillside, tmp_path / "out") == 130
    assert not (tmp_path / "out").exists()


def test_dry_run_checks_headers_and_writes_nothing(hillside, tmp_path, capsys):
    out = tmp_path / "out"
    assert suitability(hillside, out, "--dry-run") == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["inputs"]["elevation"]["rows"] == 60
    assert "suitability.tif" in plan["outputs"]
    assert not out.exists()


def test_progress_goes_to_stderr_and_quiet_silences_it(hillside, tmp_path, capsys):
    assert suitability(hillside, tmp_path / "one") == 0
    captured = capsys.readouterr()
    assert "setback envelopes" in captured.err
    assert captured.out.count("\n") == 1
    assert suitability(hillside, tmp_path / "two", "-q") == 0
    assert capsys.readouterr().err == ""


def test_failed_parcels_end_with_exit_code_1_and_are_listed(hillside, tmp_path, monkeypatch):
    from geoseptic.parcels import envelope

    every = lambda self, shapes, zone: np.stack([np.arange(len(shapes)), np.full(len(shapes), zone[0])])  # noqa: E731
    monkeypatch.setattr(envelope._Cutter, "_short", every)
    out = tmp_path / "out"
    assert suitability(hillside, out) == 1
    record = json.loads((out / "run.json").read_text())
    assert {failure["feature"] for failure in record["failures"]} <= {"A-1", "A-2", "B-1", "B-2"}
    assert record["failures"][0]["stage"].startswith("envelope")


def test_envelope_lengths_are_in_the_rule_sets_unit_and_say_so(hillside, tmp_path):
    assert suitability(hillside, tmp_path / "out") == 0
    field = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="field_envelope")
    assert list(field["parcel_id"]) == ["A-1", "A-2", "B-1", "B-2"]
    square_feet = field.geometry.area / 0.3048**2
    assert np.allclose(field["area_ft2"], square_feet, atol=0.06)
    zones = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="setback_zones")
    wells = zones[(zones["feature"] == "private_well") & (zones["part"] == "drain_field")]
    assert set(wells["distance_ft"]) == {100.0}
    assert wells["citation"].str.contains("24.17.120").all()


def test_config_file_gives_the_same_parameters_and_column_names(hillside, tmp_path, capsys):
    parcels = geopandas.read_file(hillside / "county.gpkg", layer="parcels").rename(columns={"parcel_id": "APN"})
    parcels.to_file(hillside / "other.gpkg", layer="lots")
    config = tmp_path / "run.toml"
    config.write_text(
        f"""
parcels = "{hillside / "other.gpkg"}"
wells = "{hillside / "county.gpkg"}|wells"
rules = "us-wa"
out = "{tmp_path / "out"}"
assumed_location_error = "50 ft"
[columns.parcels]
id = "APN"
[facts]
shallow_restrictive_layer = true
"""
    )
    assert main("setback_envelopes", ["--config", str(config)]) == 0, capsys.readouterr().err
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["parameters"]["assumed_location_error_m"] == pytest.approx(15.24)
    assert record["columns"] == {"parcels": {"parcel_id": "APN"}}


BAD_ARGUMENTS = {
    "a bare length": (["--reach", "300"], "300ft"),
    "a negative length": (["--reach=-5ft"], "from 1 to 2000 m"),
    "an infinite length": (["--reach", "infm"], "not"),
    "a share over the limit": (["--min-share", "0.7"], "0.01 to 0.5"),
    "an unknown condition": (["--facts", "sunny=yes"], "sunny"),
    "a fact that is neither yes nor no": (["--facts", "coarse_gravel=maybe"], "yes or no"),
    "an unknown part": (["--parts", "kitchen"], "kitchen"),
    "half of the weights": (["--weights", "slope=1"], "well_path"),
    "all weights zero": (["--weights", "slope=0", "--weights", "well_path=0"], "zero"),
    "no whole number of workers": (["--workers", "1.5"], "whole number"),
    "columns of a layer that is not there": (["--columns", "ponds.id=A"], "ponds"),
    "a mapping without a name": (["--columns", "parcels.id"], "LAYER.COLUMN=NAME"),
    "an unknown option": (["--colour", "red"], "unrecognized"),
}


@pytest.mark.parametrize("case", BAD_ARGUMENTS)
def test_bad_arguments_end_with_2_and_say_what_is_wrong(case, hillside, tmp_path, capsys):
    words, said = BAD_ARGUMENTS[case]
    assert suitability(hillside, tmp_path / "out", *words) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_missing_parameter_and_missing_out_are_bad_arguments(hillside, tmp_path, capsys):
    assert suitability(hillside, tmp_path / "out", wells=None) == 2
    assert "--wells is needed" in capsys.readouterr().err
    words = arguments(hillside, tmp_path / "out")
    assert main("suitability_map", words[:-2]) == 2
    assert "--out is needed" in capsys.readouterr().err


def test_negative_reach_is_refused_by_the_library_too(hillside):
    with pytest.raises(ValueError, match="from 1 to 2000 m"):
        PROCESSES["downslope_distance"](None, None, reach_m=-5.0)


def spoil_parcels(folder: Path, crs: str | None = CRS, ids: list[object] | None = None, shift_m: float = 0.0) -> None:
    shapes = [box(LEFT + 20 + 130 * i + shift_m, TOP - 150, LEFT + 140 + 130 * i + shift_m, TOP - 20) for i in (0, 1)]
    write(folder, "parcels", {"parcel_id": ids or ["A-1", "A-2"]}, shapes, crs)


REFUSALS = {
    "elevation in degrees": (lambda f: write_elevation(f / "elevation.tif", np.ones((9, 9), np.float32), "EPSG:4326"), "degrees"),
    "elevation in Web Mercator": (
        lambda f: write_elevation(f / "elevation.tif", np.ones((9, 9), np.float32), "EPSG:3857"),
        "Web Mercator",
    ),
    "elevation without a CRS": (lambda f: write_elevation(f / "elevation.tif", np.ones((9, 9), np.float32), None), "elevation"),
    "undeclared -9999": (lambda f: write_elevation(f / "elevation.tif", np.full((9, 9), -9999, np.float32)), "-9999"),
    "vertical unit contradicted": (
        lambda f: write_elevation(f / "elevation.tif", np.ones((9, 9), np.float32), "EPSG:6339+6360"),
        "elevation",
    ),
    "parcels without a CRS": (lambda f: spoil_parcels(f, None), "parcels"),
    "duplicate parcel ids": (lambda f: spoil_parcels(f, ids=["A-1", "A-1"]), "A-1"),
    "empty parcel ids": (lambda f: spoil_parcels(f, ids=["A-1", None]), "row 2"),
    "parcels elsewhere": (lambda f: spoil_parcels(f, shift_m=2000.0), "do not overlap"),
    "wells elsewhere": (
        lambda f: write(f, "wells", {"well_id": ["w1"], "kind": ["private"]}, [Point(LEFT + 90_000, TOP)]),
        "near the parcels",
    ),
    "a kind of well that nobody knows": (
        lambda f: write(f, "wells", {"well_id": ["w1"], "kind": ["artesian"]}, [Point(LEFT + 60, TOP - 60)]),
        "artesian",
    ),
    "location errors without a unit": (
        lambda f: write(f, "wells", {"well_id": ["w1"], "location_error": [50.0]}, [Point(LEFT + 60, TOP - 60)]),
        "location_error_ft",
    ),
    "polygons for wells": (lambda f: write(f, "wells", {"well_id": ["w1"]}, [box(LEFT, TOP - 9, LEFT + 9, TOP)]), "point wanted"),
    "a file that is no raster": (lambda f: (f / "elevation.tif").write_text("no raster"), "elevation.tif"),
    "a file that is not there": (lambda f: (f / "elevation.tif").unlink(), "elevation.tif"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_unusable_input_ends_with_3_names_the_layer_and_writes_nothing(case, hillside, tmp_path, capsys):
    spoil, said = REFUSALS[case]
    spoil(hillside)
    assert suitability(hillside, tmp_path / "out") == 3
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
    assert not (tmp_path / "out").exists()


def test_unknown_vertical_unit_is_refused_and_says_how_to_state_it(hillside, tmp_path, capsys):
    assert suitability(hillside, tmp_path / "out", elevation_unit=None) == 3
    assert "--elevation-unit" in capsys.readouterr().err


def test_mixed_parcel_layer_names_every_faulty_id(hillside, tmp_path, capsys):
    ids = [*(f"P-{number}" for number in range(40)), "lot"]
    lot = box(LEFT + 20, TOP - 150, LEFT + 140, TOP - 20)
    write(hillside, "parcels", {"parcel_id": ids}, [*(Point(LEFT + number, TOP - 50) for number in range(40)), lot])
    assert suitability(hillside, tmp_path / "out") == 3
    assert "P-19 and 20 more" in capsys.readouterr().err


def test_bow_tie_parcel_is_mended_and_told(hillside, tmp_path):
    tie = Polygon([(LEFT + 20, TOP - 20), (LEFT + 140, TOP - 140), (LEFT + 140, TOP - 20), (LEFT + 20, TOP - 140)])
    write(hillside, "parcels", {"parcel_id": ["tie"]}, [tie])
    assert suitability(hillside, tmp_path / "out") == 0
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert next(repair["fault"] for repair in record["repairs"]) == "mended outline"


def test_cell_size_is_the_users_choice(hillside, tmp_path):
    assert suitability(hillside, tmp_path / "out", cell_size="10m") == 0
    with rasterio.open(tmp_path / "out" / "suitability.tif") as file:
        assert file.res == (10.0, 10.0)


def test_unknown_rule_set_is_refused_with_the_known_ones(hillside, tmp_path, capsys):
    assert suitability(hillside, tmp_path / "out", rules="us-zz") == 3
    assert "us-wa" in capsys.readouterr().err


def test_console_command_lists_processes_and_rule_sets(capsys):
    assert main(None, []) == 0
    listed = capsys.readouterr().out
    assert "suitability_map" in listed
    assert "us-ny" in listed
    assert main(None, ["no_such_process"]) == 2


def test_description_states_ranges_and_required_inputs(capsys):
    assert main("downslope_distance", ["--describe"]) == 0
    described = json.loads(capsys.readouterr().out)
    assert described["inputs"]["reach_m"]["schema"] == {
        "type": "number",
        "minimum": 1.0,
        "maximum": 2000.0,
        "default": 304.8,
    }
    assert described["inputs"]["reach_m"]["additionalParameters"]["parameters"] == [{"name": "unit", "value": ["m"]}]
    assert described["inputs"]["wells"]["minOccurs"] == 1


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from geoseptic.run.cli import main; main('suitability_map', ['--help']);"
        "print(sorted({'numpy','geopandas','rasterio','numba','shapely','pyproj'} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "--reach" in done.stdout
    assert done.stderr.strip() == "[]"


def test_downslope_distance_and_slope_run_on_their_own(hillside, tmp_path):
    common = ["--elevation", str(hillside / "elevation.tif"), "--elevation-unit", "m"]
    wells = ["--wells", f"{hillside / 'county.gpkg'}|wells"]
    assert main("downslope_distance", [*common, *wells, "--reach", "500ft", "--out", str(tmp_path / "paths")]) == 0
    assert main("slope_suitability", [*common, "--rules", "us-ny", "--method", "horn", "--out", str(tmp_path / "slope")]) == 0
    with rasterio.open(tmp_path / "paths" / "well_path.tif") as file:
        assert file.units == ("ft",)
        assert np.nanmax(file.read(1)) <= 500.0
    with rasterio.open(tmp_path / "slope" / "slope.tif") as file:
        inner = file.read(1)[1:-1, 1:-1]
    assert np.allclose(inner, 6.0, atol=0.5)


def test_envelopes_with_elevation_settle_what_is_open_without_it(hillside, tmp_path):
    layers = ["--parcels", f"{hillside / 'county.gpkg'}|parcels", "--wells", f"{hillside / 'county.gpkg'}|wells"]
    layers += ["--rules", "us-ny", "--facts", "coarse_gravel=no"]
    assert main("setback_envelopes", [*layers, "--out", str(tmp_path / "blind")]) == 0
    # So wide that no path of 1,000 ft leaves it: where one does, the drainage to a well stays unknown.
    rows, cols = np.mgrid[-80:140, -80:140]
    write_elevation(
        tmp_path / "wide.tif", (100 + 0.3 * rows + 0.02 * np.sin(cols)).astype(np.float32),
        transform=from_origin(LEFT - 80 * CELL_M, TOP + 80 * CELL_M, CELL_M, CELL_M),
    )  # fmt: skip
    ground = ["--elevation", str(tmp_path / "wide.tif"), "--elevation-unit", "m"]
    assert main("setback_envelopes", [*layers, *ground, "--out", str(tmp_path / "ground")]) == 0
    blind = geopandas.read_file(tmp_path / "blind" / "envelopes.gpkg", layer="field_envelope")
    seen = geopandas.read_file(tmp_path / "ground" / "envelopes.gpkg", layer="field_envelope")
    # Unknown never reads as clear: less is clear without the ground, and more is left open.
    assert blind["area_ft2"].sum() < seen["area_ft2"].sum()
    assert (seen["area_ft2"] <= blind["possible_ft2"] + 1).all()


def test_both_scripts_give_the_same_envelopes(hillside, tmp_path):
    facts = ["--facts", "coarse_gravel=no"]
    assert suitability(hillside, tmp_path / "map", *facts, rules="us-ny") == 0
    assert main("setback_envelopes", [*arguments(hillside, tmp_path / "alone", rules="us-ny"), *facts]) == 0
    for layer in ("field_envelope", "tank_envelope", "setback_zones"):
        one = geopandas.read_file(tmp_path / "map" / "envelopes.gpkg", layer=layer)
        other = geopandas.read_file(tmp_path / "alone" / "envelopes.gpkg", layer=layer)
        assert_geodataframe_equal(one, other)


def test_same_run_gives_the_same_bytes_but_for_times(hillside, tmp_path):
    assert suitability(hillside, tmp_path / "one") == 0
    assert suitability(hillside, tmp_path / "two", "--workers", "2") == 0
    for path in sorted((tmp_path / "one").iterdir()):
        if path.name != "run.json":
            assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_house_without_public_water_and_without_a_well_keeps_its_ground_open(hillside, tmp_path):
    parcels = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    parcels["public_water"] = [True, True, False, True]
    parcels.to_file(hillside / "county.gpkg", layer="parcels")
    write(hillside, "buildings", {"use": ["dwelling"]}, [box(LEFT + 70, TOP - 250, LEFT + 85, TOP - 240)])
    assert suitability(hillside, tmp_path / "out") == 0
    field = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="field_envelope").set_index("parcel_id")
    assert field.loc["B-1", "area_ft2"] == 0
    assert field.loc["B-1", "possible_ft2"] > 0
    assert "where is the well" in field.loc["B-1", "open_questions"]
    zones = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="setback_zones")
    presumed = zones[zones["feature_id"] == "presumed on B-1"]
    assert set(presumed["status"]) == {"may be required"}
    assert suitability(hillside, tmp_path / "told", "--unrecorded-wells", "warn") == 0
    told = geopandas.read_file(tmp_path / "told" / "envelopes.gpkg", layer="field_envelope").set_index("parcel_id")
    assert told.loc["B-1", "area_ft2"] > 0
    assert "B-1" in " ".join(json.loads((tmp_path / "told" / "run.json").read_text())["warnings"])


@pytest.mark.parametrize(("kind", "error_m"), [("irrigation", 3.0), ("decommissioned", 3.0), ("private", 300.0)])
def test_a_well_that_nobody_drinks_from_or_that_may_lie_elsewhere_is_not_the_houses_own(hillside, tmp_path, kind, error_m):
    parcels = geopandas.read_file(hillside / "county.gpkg", layer="parcels")
    parcels["public_water"] = [None, True, True, True]
    parcels.to_file(hillside / "county.gpkg", layer="parcels")
    wells = {"well_id": ["w1", "w2"], "kind": [kind, "private"], "location_error_m": [error_m, 3.0]}
    write(hillside, "wells", wells, [Point(LEFT + 60, TOP - 60), Point(LEFT + 290, TOP - 200)])
    assert suitability(hillside, tmp_path / "map") == 0
    zones = geopandas.read_file(tmp_path / "map" / "envelopes.gpkg", layer="setback_zones")
    assert (zones["feature_id"] == "presumed on A-1").any()


def test_well_without_a_shape_is_refused_and_not_dropped(hillside, tmp_path, capsys):
    write(hillside, "wells", {"well_id": ["w1", "lost"], "kind": ["private", "private"]}, [Point(LEFT + 60, TOP - 60), None])
    assert suitability(hillside, tmp_path / "out") == 3
    assert "lost" in capsys.readouterr().err


def test_far_wells_are_left_out_but_not_one_that_may_be_near(hillside, tmp_path):
    columns = {"well_id": ["near", "far", "rough"], "kind": ["private"] * 3, "location_error_m": [3.0, 3.0, 4000.0]}
    write(hillside, "wells", columns, [Point(LEFT + 60, TOP - 60), Point(LEFT + 3900, TOP), Point(LEFT + 3900, TOP - 60)])
    assert suitability(hillside, tmp_path / "out") == 0
    discs = geopandas.read_file(tmp_path / "out" / "well_discs.gpkg", layer="well_discs")
    assert list(discs["well_id"]) == ["near", "rough"]
    field = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="field_envelope")
    assert (field["area_ft2"] == 0).all()


def test_process_without_layers_loads_no_tables_and_no_image_library(hillside, tmp_path):
    """They cost as much time as the whole work on a small raster."""
    words = [*arguments(hillside, tmp_path / "out", parcels=None, wells=None, buildings=None), "--quiet"]
    program = "import sys; from geoseptic.run.cli import main; assert not main('slope_suitability', sys.argv[1:]); print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", program, *words], capture_output=True, text=True, check=True).stdout.split()
    assert "rasterio" in loaded
    assert not {"pandas", "geopandas", "pyogrio", "scipy.ndimage", "scipy.linalg"} & set(loaded)


def test_process_that_ends_looks_for_no_garbage_in_all_that_it_loaded(hillside, tmp_path):
    """That look takes a third of a second: what is loaded when the last thing is done has been put out of its sight."""
    words = [*arguments(hillside, tmp_path / "out", parcels=None, wells=None, buildings=None), "--quiet"]
    program = (
        "import atexit, gc, sys; atexit.register(lambda: print(gc.get_freeze_count() > 50_000, gc.isenabled()));"
        "from geoseptic.run.cli import main; assert not main('slope_suitability', sys.argv[1:])"
    )
    done = subprocess.run([sys.executable, "-c", program, *words], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "True True"
