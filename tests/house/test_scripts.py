"""A script that is started by a Python without geoseptic says what to do."""

import ast
import os
import subprocess
import sys

import pytest

from tests.house.tree import ROOT

LAUNCH = ROOT / "scripts" / "_launch.py"


def started(*words: str, path: str = "") -> subprocess.CompletedProcess[str]:
    """A script started without any installed package, with `path` as PYTHONPATH."""
    environment = {**os.environ, "PYTHONPATH": path}
    command = [sys.executable, "-S", str(ROOT / "scripts" / "slope_suitability.py"), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment)


def test_script_without_geoseptic_ends_with_3_and_says_how_to_install_it():
    done = started("--help")
    assert (done.returncode, done.stdout) == (3, "")
    assert "does not have geoseptic," in done.stderr and 'scripts/start.py" install' in done.stderr.replace("\\", "/")
    assert "Traceback" not in done.stderr


def test_script_names_the_package_that_is_missing_when_geoseptic_is_there(tmp_path):
    done = started("--elevation", "dem.tif", "--rules", "us-ny", "--out", str(tmp_path / "out"), path=str(ROOT))
    assert done.returncode == 3
    assert "start.py" in done.stderr and "Traceback" not in done.stderr
    assert any(f"does not have {name}," in done.stderr for name in ("numpy", "geopandas", "pandas", "shapely", "pyproj"))


def test_fault_in_geoseptic_itself_is_not_taken_for_a_missing_package(tmp_path):
    package = tmp_path / "geoseptic" / "run"
    package.mkdir(parents=True)
    (tmp_path / "geoseptic" / "__init__.py").touch()
    (package / "__init__.py").touch()
    (package / "cli.py").write_text("import geoseptic.no_such_module\n")
    done = started("--help", path=str(tmp_path))
    assert done.returncode == 1 and "geoseptic.no_such_module" in done.stderr


@pytest.mark.parametrize("name", ["_launch.py", "slope_suitability.py"])
def test_launcher_and_scripts_parse_as_python_3_8_and_import_the_standard_library_alone(name: str):
    tree = ast.parse((ROOT / "scripts" / name).read_text(encoding="utf-8"), feature_version=(3, 8))
    for node in tree.body:
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names | {"_launch"}
