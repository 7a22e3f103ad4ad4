"""The first start has to work before anything is installed, on a Python that may be too old."""

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
START = ROOT / "scripts" / "start.py"


@pytest.fixture
def start(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ModuleType:
    """scripts/start.py as a module whose environment folder is an absent one under tmp_path."""
    spec = importlib.util.spec_from_file_location("start_under_test", START)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "VENV", tmp_path / "venv")
    return module


def make_environment(venv: Path) -> None:
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(venv)], check=True)


def test_start_parses_as_python_3_8_and_never_evaluates_newer_annotations():
    tree = ast.parse(START.read_text(encoding="utf-8"), feature_version=(3, 8))
    futures = [node for node in tree.body if isinstance(node, ast.ImportFrom) and node.module == "__future__"]
    assert [alias.name for node in futures for alias in node.names] == ["annotations"]


def test_start_imports_the_standard_library_alone_until_it_is_inside_the_environment():
    tree = ast.parse(START.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        else:
            continue
        roots = {name.split(".")[0] for name in names}
        allowed = sys.stdlib_module_names if node in tree.body else sys.stdlib_module_names | {"geoseptic"}
        assert roots <= allowed, f"line {node.lineno}: {roots - allowed}"


@pytest.mark.parametrize("arguments", [[], ["--help"]])
def test_start_without_a_command_prints_what_it_does(arguments: list[str]):
    answer = subprocess.run([sys.executable, str(START), *arguments], capture_output=True, text=True, check=True)
    assert {"demo", "test", "run", "install"} <= set(answer.stdout.split())


def test_unknown_command_is_named_and_ends_with_2(start: ModuleType, capsys: pytest.CaptureFixture[str]):
    assert start.main(["dmeo"]) == 2
    assert "'dmeo'" in capsys.readouterr().err


def test_old_python_without_a_newer_one_on_path_ends_in_a_sentence(start: ModuleType, monkeypatch, capsys):
    monkeypatch.setattr(start, "OLDEST", (9, 0))
    monkeypatch.setenv("PATH", "")
    assert start.main(["demo"]) == 3
    told = capsys.readouterr().err
    assert "geoseptic needs Python 9.0 or later" in told and "python3.13" in told


def test_old_python_hands_over_to_a_newer_one_that_really_starts(start: ModuleType, monkeypatch, tmp_path):
    shim = tmp_path / "python3.13"
    shim.write_text("#!/bin/sh\nexit 127\n")
    shim.chmod(0o755)
    (tmp_path / "python3.12").symlink_to(sys.executable)
    monkeypatch.setattr(start, "TRIED", ((3, 13), (3, 12)))
    monkeypatch.setattr(start, "version_of", lambda command: start_version(start, command))
    monkeypatch.setenv("PATH", str(tmp_path))
    assert start.newer_interpreter() == [str(tmp_path / "python3.12")]


def start_version(start: ModuleType, command: list[str]) -> tuple[int, ...]:
    """The working interpreter of this test poses as 3.12, whatever it is; what does not start has no version."""
    works = subprocess.run([*command, "-c", ""], check=False).returncode == 0
    return (3, 12, 0) if works else ()


def test_states_of_an_environment_are_told_apart(start: ModuleType):
    venv: Path = start.VENV
    assert start.state_of(venv) == "absent"
    venv.mkdir()
    assert start.state_of(venv) == "strange"
    make_environment(venv)
    assert start.state_of(venv) == "ready"
    (venv / start.UNFINISHED).touch()
    assert start.state_of(venv) == "unfinished"
    (venv / start.UNFINISHED).unlink()
    start.python_of(venv).unlink()
    assert start.state_of(venv) == "broken"


def test_interrupted_environment_is_made_anew_and_stamped_only_at_the_end(start: ModuleType, monkeypatch):
    venv: Path = start.VENV
    make_environment(venv)
    (venv / start.UNFINISHED).touch()
    (venv / "leftover").touch()
    commands = recorded_installs(start, monkeypatch, make_environment)
    start.prepared(("test", "data"))
    assert not (venv / "leftover").exists() and not (venv / start.UNFINISHED).exists()
    assert (venv / start.STAMP).exists()
    assert ["-e", ".[test]"] in [command[-2:] for command in commands]
    assert any("--no-deps" in command for command in commands)


def test_complete_environment_is_not_installed_again_and_keeps_its_extras(start: ModuleType, monkeypatch):
    commands = recorded_installs(start, monkeypatch, make_environment)
    start.prepared(("test", "data"))
    commands.clear()
    start.prepared(())
    start.prepared(("data",))
    assert commands == []
    start.prepared(("dev",))
    assert ".[dev,test]" in [command[-1] for command in commands]


def test_changed_pyproject_is_installed_again(start: ModuleType, monkeypatch):
    commands = recorded_installs(start, monkeypatch, make_environment)
    start.prepared(())
    commands.clear()
    monkeypatch.setattr(start, "key_of", lambda pyproject, version: "of a changed pyproject.toml")
    start.prepared(())
    assert [command[-2:] for command in commands] == [["-e", "."]]


def test_failed_install_shows_the_last_lines_and_leaves_no_stamp(start: ModuleType, monkeypatch, capsys):
    monkeypatch.setattr(start, "make", make_environment)
    monkeypatch.setattr(start, "installer", lambda venv: ["pip"])
    monkeypatch.setattr(start, "followed", lambda command: (1, ["ERROR: No matching distribution found for numpy"]))
    assert start.main(["demo"]) == 3
    told = capsys.readouterr().err
    assert "No matching distribution found for numpy" in told and "Check the network" in told
    assert start.state_of(start.VENV) == "ready" and start.stamp_of(start.VENV) == ("", set())


def test_folder_that_is_no_environment_is_never_deleted(start: ModuleType, capsys):
    start.VENV.mkdir()
    (start.VENV / "mine.txt").touch()
    assert start.main(["demo"]) == 3
    assert (start.VENV / "mine.txt").exists() and "Move it away" in capsys.readouterr().err


def test_python_without_ensurepip_pip_and_uv_names_the_package_to_install(start: ModuleType, monkeypatch, capsys):
    monkeypatch.setattr(start.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(start, "starts", lambda command: False)
    monkeypatch.setenv("PATH", "")
    assert start.main(["demo"]) == 3
    assert "apt install python3-venv" in capsys.readouterr().err
    assert not start.VENV.exists()


def test_unknown_extra_is_refused_with_those_that_exist(start: ModuleType, monkeypatch, capsys):
    monkeypatch.setattr(start, "make", make_environment)
    assert start.main(["install", "tset"]) == 3
    told = capsys.readouterr().err
    assert "tset" in told and "data" in told


def recorded_installs(start: ModuleType, monkeypatch: pytest.MonkeyPatch, make: object) -> list[list[str]]:
    """From here on installs are only noted, and an environment is made without pip."""
    commands: list[list[str]] = []
    monkeypatch.setattr(start, "make", make)
    monkeypatch.setattr(start, "installer", lambda venv: ["pip", "install"])
    monkeypatch.setattr(start, "installed", lambda command: commands.append(list(command)))
    return commands
