"""The server's application in this process, with a folder of data round which others lie."""

import json
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.house.tree import ROOT

PORT = 8099
HOST = {"Host": f"127.0.0.1:{PORT}"}


@dataclass(frozen=True)
class Served:
    """The application, its folders, and `beyond`: a folder with a file that nobody may get at."""

    client: Any
    jobs: Any
    data: Path
    out: Path
    beyond: Path

    def ask(self, path: str, method: str = "GET", headers: Mapping[str, str] = HOST, **more: Any) -> Any:
        return self.client.open(path, method=method, headers=headers, **more)

    def run(self, process: str, inputs: Any, headers: Mapping[str, str] = {}, **body: Any) -> Any:
        words = json.dumps({"inputs": inputs, **body})
        return self.send(process, words.encode(), headers)

    def send(self, process: str, body: bytes, headers: Mapping[str, str] = {}) -> Any:
        return self.ask(f"/processes/{process}/execution", "POST", {"Content-Type": "application/json", **HOST, **headers}, data=body)


@pytest.fixture
def served(serving: Served) -> Iterator[Served]:
    """The server without a job of another test."""
    yield serving
    for job in serving.jobs.all():
        serving.jobs.dismiss(job.id)


@pytest.fixture(scope="session")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    pytest.importorskip("pygeoapi")
    from werkzeug.test import Client

    from geoseptic.server.app import application

    root = tmp_path_factory.mktemp("served")
    data, out, beyond = root / "data", root / "out", root / "beyond"
    for folder in (data, out, beyond):
        folder.mkdir()
    for name in ("county.gpkg", "elevation.tif"):
        shutil.copy(ROOT / "sample_data" / name, data / name)
    (beyond / "secret.gpkg").write_bytes((data / "county.gpkg").read_bytes())
    (beyond / "secret.toml").write_text("id = 'x'\n")
    (data / "link.gpkg").symlink_to(beyond / "secret.gpkg")
    (data / "linked").symlink_to(beyond)
    (data / "half.shp").write_bytes(b"")
    (data / "half.dbf").symlink_to(beyond / "secret.gpkg")
    (data / "full").mkdir()
    (data / "full" / "a.gpkg").symlink_to(beyond / "secret.gpkg")
    (data / ".hidden.gpkg").write_bytes(b"")
    app, jobs = application(data, out, PORT)
    yield Served(Client(app), jobs, data, out, beyond)
    jobs.close()
