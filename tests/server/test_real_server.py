"""A server that somebody has started: two processes run over the sample county by another program on this machine."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

from geoseptic.run.cli import main
from tests.house.tree import ROOT

pytest.importorskip("pygeoapi")

COUNTY = ROOT / "sample_data"
NAMES = ("parcels", "wells", "buildings", "driveways")
INPUTS: dict[str, Any] = {name: f"county.gpkg|{name}" for name in NAMES} | {"rules": "us-wa"}
GROUND: dict[str, Any] = {**INPUTS, "elevation": {"href": "elevation.tif"}, "reach_m": 60, "cell_size_m": 8}
RECORDS = ("run.json",)
"""They tell times and folders."""


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Server:
    """A process that serves, and what a program may ask of it."""

    def __init__(self, data: Path, out: Path, port: int) -> None:
        self.address = f"http://127.0.0.1:{port}"
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
        start = "from geoseptic.run.cli import main; raise SystemExit(main())"
        words = ["serve", "--data", str(data), "--out", str(out), "--port", str(port)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", start, *words], env=environment, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
        assert self.process.stderr is not None
        self.greeting = self.process.stderr.readline()

    def ask(self, path: str, method: str = "GET", body: Any = None, **headers: str) -> tuple[int, bytes, Any]:
        data = None if body is None else json.dumps(body).encode()
        request = Request(self.address + path, data, {"Content-Type": "application/json", **headers}, method=method)
        try:
            with urlopen(request, timeout=300) as answer:
                return answer.status, answer.read(), answer.headers
        except HTTPError as error:
            return error.code, error.read(), error.headers

    def start(self, process: str, inputs: dict[str, Any], **more: Any) -> str:
        status, body, _ = self.ask(f"/processes/{process}/execution", "POST", {"inputs": inputs, **more}, Prefer="respond-async")
        assert status == 201, body
        return str(json.loads(body)["jobID"])

    def status(self, job: str) -> dict[str, Any]:
        return dict(json.loads(self.ask(f"/jobs/{job}")[1]))

    def until(self, job: str, *wanted: str) -> list[dict[str, Any]]:
        """All that the job tells until its state is one of these."""
        found: list[dict[str, Any]] = []
        for _ in range(3000):
            now = self.status(job)
            if not found or (now["message"], now["progress"]) != (found[-1]["message"], found[-1]["progress"]):
                found.append(now)
            if now["status"] in wanted:
                return found
            time.sleep(0.1)
        raise AssertionError(f"the job does not get there: {found[-1]}")

    def children(self) -> list[int]:
        tasks = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        return [int(child) for task in tasks for child in task.read_text().split()]

    def end(self, number: int) -> int:
        self.process.send_signal(number)
        return self.process.wait(60)


@contextmanager
def serving(data: Path, out: Path) -> Iterator[Server]:
    server = Server(data, out, free_port())
    try:
        yield server
    finally:
        if server.process.poll() is None:
            server.process.kill()
        server.process.wait()


def is_there(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def gone(processes: list[int]) -> bool:
    for _ in range(300):
        if not any(map(is_there, processes)):
            return True
        time.sleep(0.1)
    return False


def contents(package: Path) -> dict[str, list[Any]]:
    """Every row of every table of a GeoPackage but the nodes of its spatial indexes."""
    with sqlite3.connect(package) as base:
        tables = [name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        return {name: base.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables if not name.startswith("rtree_")}


def assert_same_files(one: Path, other: Path) -> None:
    names = sorted(path.name for path in one.iterdir() if not path.name.startswith("."))
    assert names == sorted(path.name for path in other.iterdir() if not path.name.startswith("."))
    for name in names:
        if name.endswith(".gpkg"):
            assert contents(one / name) == contents(other / name), name
        elif name not in RECORDS:
            assert (one / name).read_bytes() == (other / name).read_bytes(), name


def words(inputs: dict[str, Any], out: Path) -> list[str]:
    """The same on a command line."""
    files = [f"--{name}={COUNTY}/{inputs[name]}" for name in NAMES]
    ground = [f"--elevation={COUNTY / 'elevation.tif'}", "--reach=60m", "--cell-size=8m"] if "elevation" in inputs else []
    return [*files, *ground, "--rules", str(inputs["rules"]), "--out", str(out), "--quiet"]


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks for the processes of jobs in /proc")
def test_sample_county_by_the_server_is_the_sample_county_by_the_scripts(tmp_path: Path):
    """Rasters byte for byte, GeoPackages row for row; jobs tell how far they are, end when they are dismissed, and die with the server."""
    out = tmp_path / "out"
    with serving(COUNTY, out) as server:
        assert "not a permit" in server.greeting and server.address in server.greeting
        wanted = {"field_envelope": {"format": {"mediaType": "application/geo+json"}}, "setback_zones": {}}
        envelopes = server.start("setback_envelopes", INPUTS, outputs=wanted)
        suitability = server.start("suitability_map", GROUND)
        waits = server.start("suitability_map", GROUND)
        assert server.status(waits)["status"] == "accepted"
        told = server.until(envelopes, "successful", "failed")
        assert told[-1]["status"] == "successful", told[-1]["message"]
        percents = [now["progress"] for now in told]
        assert percents == sorted(percents) and percents[-1] == 100 and len(percents) > 2
        assert any(now["message"].startswith(("reading", "checking", "setback", "writing")) for now in told)

        found = json.loads(server.ask(f"/jobs/{envelopes}/results")[1])
        assert found.keys() == {"notice", "field_envelope", "setback_zones"}
        rows = found["field_envelope"]["value"]["features"]
        assert found["setback_zones"]["href"] == f"{server.address}/jobs/{envelopes}/files/envelopes.gpkg"
        assert main("setback_envelopes", words(INPUTS, tmp_path / "script" / "envelopes")) == 0
        assert_same_files(out / envelopes / "outputs", tmp_path / "script" / "envelopes")
        with sqlite3.connect(tmp_path / "script" / "envelopes" / "envelopes.gpkg") as base:
            assert len(rows) == base.execute("SELECT count(*) FROM field_envelope").fetchone()[0] > 100
        lon, lat = rows[0]["geometry"]["coordinates"][0][0][0] if rows[0]["geometry"]["type"] == "MultiPolygon" else (-123.0, 46.9)
        assert -123.1 < lon < -122.9 and 46.8 < lat < 47.1, "longitude and latitude of 500000 east, 5200000 north in zone 10"

        assert server.until(suitability, "successful", "failed")[-1]["status"] == "successful"
        assert main("suitability_map", words(GROUND, tmp_path / "script" / "map")) == 0
        assert_same_files(out / suitability / "outputs", tmp_path / "script" / "map")
        status, raster, headers = server.ask(f"/jobs/{suitability}/files/suitability.tif")
        assert status == 200 and raster == (tmp_path / "script" / "map" / "suitability.tif").read_bytes()
        assert headers["Content-Type"].startswith("image/tiff")

        # The one that had to wait may be over by now.
        unwanted = server.start("suitability_map", GROUND)
        server.until(unwanted, "running")
        running = server.children()
        assert running
        assert server.ask(f"/jobs/{unwanted}", "DELETE")[0] == 200
        assert gone(running) and not (out / unwanted).exists() and server.ask(f"/jobs/{unwanted}")[0] == 404

        second = Server(COUNTY, out, free_port())
        assert second.process.wait(60) == 3, "the folder is the first server's alone"

        dies = server.start("suitability_map", GROUND)
        server.until(dies, "running")
        running = server.children()
        server.end(signal.SIGKILL)
        assert running and gone(running), "a run whose server is gone ends by itself"

    with serving(COUNTY, out) as server:
        assert server.status(dies)["status"] == "failed" and "server ended" in server.status(dies)["message"]
        assert {job["jobID"] for job in json.loads(server.ask("/jobs")[1])["jobs"]} == {envelopes, suitability, waits, dies}
        assert json.loads(server.ask(f"/jobs/{envelopes}/results")[1])["field_envelope"]["value"]["features"] == rows
        assert server.end(signal.SIGTERM) == 0
