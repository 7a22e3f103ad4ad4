"""What `geoseptic serve` refuses before it serves."""

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from geoseptic.run.cli import main
from tests.house.tree import ROOT


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--data", "nothing", "--out", "jobs"], "is no folder"),
        (["--data", "data", "--out", "data/jobs"], "lie in one another"),
        (["--data", "data", "--out", "."], "lie in one another"),
        (["--data", "data", "--out", "data/../data"], "lie in one another"),
        (["--data", "data", "--out", "jobs", "--port", "0"], "from 1 to 65535"),
        (["--data", "data", "--out", "jobs", "--port", "70000"], "from 1 to 65535"),
        (["--data", "data", "--out", "jobs", "--workers", "0"], "from 1 to 64"),
        (["--data", "data", "--out", "jobs", "--host", "0.0.0.0"], "unrecognized arguments"),
        (["--out", "jobs"], "--data"),
    ],
)
def test_folders_and_numbers_that_cannot_be_are_refused(tmp_path: Path, monkeypatch, capsys, words: list[str], said: str):
    """There is no way to serve at any other address than the loopback."""
    (tmp_path / "data").mkdir()
    monkeypatch.chdir(tmp_path)
    assert main(None, ["serve", *words]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "jobs").exists()


def served(tmp_path: Path, port: int, before: str = "") -> subprocess.CompletedProcess[str]:
    (tmp_path / "data").mkdir()
    words = ["serve", "--data", str(tmp_path / "data"), "--out", str(tmp_path / "jobs"), "--port", str(port)]
    code = f"import sys; {before}\nfrom geoseptic.run.cli import main; raise SystemExit(main())"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    return subprocess.run([sys.executable, "-c", code, *words], env=environment, capture_output=True, text=True, check=False, timeout=120)


def test_server_that_is_not_installed_is_told_with_what_to_install(tmp_path: Path):
    done = served(tmp_path, 8098, "sys.modules['werkzeug'] = sys.modules['pygeoapi'] = None")
    assert done.returncode == 3 and "geoseptic[server]" in done.stderr and "Traceback" not in done.stderr


def test_port_that_somebody_else_has_is_told(tmp_path: Path):
    pytest.importorskip("pygeoapi")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = served(tmp_path, taken.getsockname()[1])
    assert done.returncode == 3 and "cannot be had" in done.stderr and "Traceback" not in done.stderr
