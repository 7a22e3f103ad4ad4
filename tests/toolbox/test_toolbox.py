"""The plugin that `geoseptic toolbox` writes, tried in a QGIS without a screen where the machine has one."""

import ast
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas
import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.run.cli import main
from tests.house.tree import ROOT

CODE = sorted((ROOT / "geoseptic" / "toolbox" / "plugin").glob("*.py"))
COUNTY = ROOT / "sample_data" / "county.gpkg"
QGIS_PYTHON = shutil.which("python3", path="/usr/bin")


def has_qgis() -> bool:
    found = QGIS_PYTHON is not None
    return found and subprocess.run([str(QGIS_PYTHON), "-c", "import qgis.core"], capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize("path", CODE, ids=lambda path: path.name)
def test_code_of_the_plugin_runs_in_an_old_python_and_imports_nothing_of_geoseptic(path: Path):
    """QGIS has a Python of its own, which need not be one that geoseptic can be installed in."""
    tree = ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 8))
    imported = {
        node.module.split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module
    }
    imported |= {alias.name.split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    assert imported <= sys.stdlib_module_names | {"qgis"}


def test_plugin_tells_the_python_that_it_runs_and_replaces_its_own_folder_only(tmp_path: Path, capsys):
    assert main(None, ["toolbox", "--out", str(tmp_path)]) == 0
    folder = Path(json.loads(capsys.readouterr().out)["plugin"])
    declared = json.loads((folder / "declarations.json").read_text())
    assert declared["python"] == sys.executable
    assert [process["id"] for process in declared["processes"]] == list(PROCESSES)
    assert SCREENING_AID in (folder / "metadata.txt").read_text()
    assert main(None, ["toolbox", "--out", str(tmp_path)]) == 0, "written anew after an update"
    (folder / "declarations.json").unlink()
    assert main(None, ["toolbox", "--out", str(tmp_path)]) == 2, "somebody else's folder"
    assert "not one of ours" in capsys.readouterr().err
    assert main(None, ["toolbox"]) == 2


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Any:
    if not has_qgis():
        pytest.skip("this machine has no QGIS")
    folder = tmp_path_factory.mktemp("toolbox")
    assert main(None, ["toolbox", "--out", str(folder)]) == 0
    layers = {"parcels": f"{COUNTY}|layername=parcels", "wells": f"{COUNTY}|layername=wells"}
    envelopes = {"rules": "us-wa", "parts": ["septic_tank"], "facts_no": ["coarse_gravel"]}
    runs = [
        {"process": "size_field", "given": {"rules": "us-ny", "bedrooms": 3, "trench_width_m": 0.6, "OUT": str(folder / "size")}},
        {"process": "size_field", "given": {"rules": "us-xx", "OUT": str(folder / "refused")}},
        {"process": "size_field", "given": {"rules": "us-ny", "bedrooms": 3, "OUT": str(folder / "size")}},
        {
            "process": "setback_envelopes",
            "given": {**layers, **envelopes, "OUT": str(folder / "envelopes")},
            "memory": {"wells": layers["wells"]},
        },
        {"process": "setback_envelopes", "given": {**layers, **envelopes, "OUT": str(folder / "cancelled")}, "cancel_at": "reading"},
    ]
    done = subprocess.run(
        [str(QGIS_PYTHON), str(Path(__file__).with_name("in_qgis.py"))],
        input=json.dumps({"plugins": str(folder), "runs": runs}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return {"folder": folder, **json.loads(done.stdout.splitlines()[-1])}


def test_every_process_is_an_algorithm_with_a_field_for_each_parameter(told: Any):
    assert told["algorithms"].keys() == PROCESSES.keys()
    assert SCREENING_AID in told["name"]
    for name, process in PROCESSES.items():
        algorithm = told["algorithms"][name]
        assert SCREENING_AID in algorithm["help"]
        fields = algorithm["parameters"]
        for parameter in process.parameters:
            assert any(field == parameter.name or field.startswith(f"{parameter.name}_") for field in fields), parameter.name
        assert {*process.named_outputs} <= {*algorithm["outputs"]}
    assert told["imported"] == [], "QGIS's Python has nothing of geoseptic"


def test_algorithm_writes_what_the_script_writes(told: Any, tmp_path: Path):
    run = told["runs"][0]
    assert run["done"] and run["error"] is None
    assert main("size_field", ["--rules", "us-ny", "--bedrooms", "3", "--trench-width", "0.6m", "--out", str(tmp_path / "out"), "-q"]) == 0
    assert Path(run["results"]["sizing"]).read_bytes() == (tmp_path / "out" / "sizing.csv").read_bytes()
    assert SCREENING_AID in run["texts"]


def test_refusals_of_geoseptic_are_what_the_toolbox_says(told: Any):
    unknown, there = told["runs"][1], told["runs"][2]
    assert "us-xx" in unknown["error"] and "Shipped:" in unknown["error"]
    assert not (told["folder"] / "refused").exists()
    assert "already holds sizing.csv" in there["error"], "nothing is replaced unasked"


def test_layers_come_from_the_project_and_results_are_opened_with_progress(told: Any, tmp_path: Path):
    run = told["runs"][3]
    assert run["error"] is None
    assert run["percents"] == sorted(run["percents"]) and 0 < run["percents"][-1] <= 100
    assert any("setback" in text for text in run["texts"])
    envelopes = str(told["folder"] / "envelopes" / "envelopes.gpkg")
    assert f"{envelopes}|layername=tank_envelope" in run["opened"] and f"{envelopes}|layername=field_envelope" not in run["opened"]
    assert run["usable"], "each layer that is opened is there"
    record = json.loads((told["folder"] / "envelopes" / "run.json").read_text())
    assert record["inputs"]["parcels"]["file"] == str(COUNTY) != record["inputs"]["wells"]["file"], "wells lay in memory"
    assert record["parameters"]["facts"] == {"coarse_gravel": False} and list(record["parameters"]["parts"]) == ["septic_tank"]
    words = ["--parcels", f"{COUNTY}|parcels", "--wells", f"{COUNTY}|wells", "--rules", "us-wa", "--parts", "septic_tank"]
    assert main("setback_envelopes", [*words, "--facts", "coarse_gravel=no", "--out", str(tmp_path / "script"), "--quiet"]) == 0
    both = [
        geopandas.read_file(folder / "envelopes.gpkg", layer="tank_envelope") for folder in (tmp_path / "script", Path(envelopes).parent)
    ]
    assert len(both[0]) > 100 and both[0].equals(both[1])


def test_cancelled_run_leaves_nothing(told: Any):
    run = told["runs"][4]
    assert run["error"] == "Cancelled; nothing was written."
    left = told["folder"] / "cancelled"
    assert not left.exists() or [path.name for path in left.iterdir() if not path.name.startswith(".geoseptic-lock")] == []


def test_qgis_finds_the_plugin_by_itself_and_runs_it_from_its_own_command_line(told: Any, tmp_path: Path):
    """As a user's QGIS does: by the folder of plugins and the metadata there, turned on once."""
    program = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
    if program is None:
        pytest.skip("this QGIS has no command line")
    # Which Python QGIS finds its own modules with goes by the first one on the path.
    own = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "QT_QPA_PLATFORM": "offscreen", "QGIS_PLUGINPATH": str(told["folder"])}
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")} | own

    def qgis(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([program, *words], capture_output=True, text=True, check=False, env=environment)

    qgis("plugins", "enable", "geoseptic_toolbox")
    out = tmp_path / "out"
    done = qgis("run", "geoseptic:size_field", "--", "rules=us-ny", "bedrooms=3", f"OUT={out}")
    assert done.returncode == 0, done.stderr
    assert SCREENING_AID in done.stdout and {path.name for path in out.iterdir()} >= {"sizing.csv", "run.json"}
    again = qgis("run", "geoseptic:size_field", "--", "rules=us-ny", "bedrooms=3", f"OUT={out}")
    assert "already holds sizing.csv" in again.stderr + again.stdout
