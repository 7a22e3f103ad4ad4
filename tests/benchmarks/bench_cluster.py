"""A small state through one Dask scheduler: counties one after another and all at once, the bytes of each held against a run without.

    python tests/benchmarks/bench_cluster.py [--counties 6 --rows 600 --parcels 1000 --workers 3 --side 300]

Prints Markdown; writes OUT/results.json, which `state_plan.py` reads. What the scheduler sees is counted in the scheduler itself.
"""

import argparse
import hashlib
import json
import os
import pickle
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(ROOT), str(HERE)]
from common import inputs_of, looking  # noqa: E402

WATCH_EVERY_S = 0.05


def run_county(side_cells: int, argv: Sequence[str]) -> int:
    """`screen_county` with windows of another side, so that a small county has several."""
    from geoseptic.processes import paths
    from geoseptic.run.cli import main as run
    from geoseptic.terrain import windows

    windows.SIDE_CELLS = paths.SIDE_CELLS = side_cells
    return run("screen_county", list(argv))


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"}


def started(county: Path, out: Path, side_cells: int, scheduler: str | None) -> subprocess.Popen[bytes]:
    options = ["--rules=us-wa", f"--out={out}", "--overwrite", *([f"--scheduler={scheduler}"] if scheduler else [])]
    command = [
        sys.executable,
        str(HERE / "bench_cluster.py"),
        "--only",
        str(side_cells),
        *inputs_of(county),
        *options,
    ]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def finished(run: subprocess.Popen[bytes]) -> None:
    if run.wait() != 0:
        raise SystemExit(f"a run ended with {run.returncode}: {' '.join(map(str, run.args))}")


@contextmanager
def watched(folders: Sequence[Path]) -> Iterator[dict[Path, int]]:
    """The most that the working files in each output folder took at once. [bytes]"""
    most = dict.fromkeys(folders, 0)

    def size(folder: Path) -> int:
        total = 0
        for path in folder.glob(".geoseptic-scratch-*/**/*"):
            try:
                total += path.stat().st_size
            except OSError:
                continue
        return total

    def watch() -> None:
        for folder in folders:
            most[folder] = max(most[folder], size(folder))

    with looking(watch, WATCH_EVERY_S):
        yield most


def recorder() -> Any:
    """A plugin that counts what the scheduler sees."""
    from distributed import SchedulerPlugin

    class Recorder(SchedulerPlugin):
        def __init__(self) -> None:
            self.sent_bytes: dict[str, int] = {}
            self.result_bytes: dict[str, int] = {}
            self.busy_s: dict[str, float] = {}
            self.lots: set[str] = set()

        def update_graph(self, scheduler: Any, *, tasks: list[str], **more: Any) -> None:
            for key in tasks:
                spec = scheduler.tasks[key].run_spec
                self.sent_bytes[key] = len(pickle.dumps(spec))
                if len(spec.args) == 2:  # versions and work, no window
                    self.lots.add(key)

        def transition(self, key: str, start: str, finish: str, *args: Any, nbytes: int = 0, startstops: Any = (), **more: Any) -> None:
            if finish == "memory":
                self.result_bytes[key] = nbytes
                self.busy_s[key] = sum(span["stop"] - span["start"] for span in startstops if span["action"] == "compute")

    return Recorder()


def figures(seen: Any, wall_s: float, workers: int) -> dict[str, Any]:
    def of(some: set[str]) -> dict[str, float]:
        count = max(1, len(some))
        return {
            "tasks": len(some),
            "sent_bytes_a_task": sum(seen.sent_bytes[key] for key in some) / count,
            "result_bytes_a_task": sum(seen.result_bytes.get(key, 0) for key in some) / count,
            "busy_s": sum(seen.busy_s.get(key, 0.0) for key in some),
        }

    windows, lots = of(set(seen.sent_bytes) - seen.lots), of(seen.lots)
    return {"wall_s": wall_s, "windows": windows, "lots": lots, "occupancy": (windows["busy_s"] + lots["busy_s"]) / (wall_s * workers)}


def main() -> None:
    if sys.argv[1:2] == ["--only"]:
        raise SystemExit(run_county(int(sys.argv[2]), sys.argv[3:]))
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    for name, default in (("counties", 6), ("rows", 600), ("parcels", 1000), ("workers", 3), ("side", 300)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_cluster")
    asked = parser.parse_args()
    os.environ["PYTHONPATH"] = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    from distributed import LocalCluster
    from synthetic import Extent, write_county

    names = [f"county-{number}" for number in range(1, asked.counties + 1)]
    for number, name in enumerate(names, 1):
        write_county(asked.out / name, Extent(asked.rows, asked.rows, 2.0), asked.parcels, asked.parcels // 2, number)
    ways = ("alone", "one after another", "all at once")
    outs = {(name, way): asked.out / name / way.replace(" ", "-") for name in names for way in ways}

    started_s = time.perf_counter()
    for name in names:
        finished(started(asked.out / name, outs[name, "alone"], asked.side, None))
    found: dict[str, Any] = {"alone": {"wall_s": time.perf_counter() - started_s}}
    scratch_bytes = 0
    with LocalCluster(n_workers=asked.workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50) as cluster:
        for way in ways[1:]:
            seen = recorder()
            cluster.scheduler.add_plugin(seen, name="recorder")
            with watched([outs[name, way] for name in names]) as most:
                started_s = time.perf_counter()
                if way == ways[1]:
                    for name in names:
                        finished(started(asked.out / name, outs[name, way], asked.side, cluster.scheduler_address))
                else:
                    for run in [started(asked.out / name, outs[name, way], asked.side, cluster.scheduler_address) for name in names]:
                        finished(run)
                found[way] = figures(seen, time.perf_counter() - started_s, asked.workers)
            scratch_bytes = max(scratch_bytes, *most.values())
            cluster.scheduler.remove_plugin("recorder")
    for name in names:
        first, *others = (digests(outs[name, way]) for way in ways)
        if not first or any(other != first for other in others):
            raise SystemExit(f"{name}: the bytes differ")
    asked_for = {name: getattr(asked, name) for name in ("counties", "rows", "parcels", "workers", "side")}
    results = {"asked": asked_for, "scratch_bytes_a_cell": scratch_bytes / asked.rows**2, **found}
    (asked.out / "results.json").write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")
    print(report(results))


def report(results: dict[str, Any]) -> str:
    asked = results["asked"]
    lines = [
        f"{asked['counties']} counties of {asked['rows']} x {asked['rows']} cells and {asked['parcels']} parcels, {asked['workers']} "
        f"workers, windows of {asked['side']} cells: the same bytes each way; working files "
        f"{results['scratch_bytes_a_cell']:.0f} bytes a cell at the most.\n",
        "| way | tasks over | wall s | tasks | sent bytes a task | result bytes a task | busy s | workers busy |",
        "|---|---|---|---|---|---|---|---|",
        f"| alone, no cluster | | {results['alone']['wall_s']:.0f} | | | | | |",
    ]
    for way in ("one after another", "all at once"):
        told = results[way]
        for name in ("windows", "lots"):
            of = told[name]
            numbers = [of["tasks"], *(round(of[key]) for key in ("sent_bytes_a_task", "result_bytes_a_task", "busy_s"))]
            lines.append(f"| {way} | {name} | {told['wall_s']:.0f} | {' | '.join(map(str, numbers))} | {told['occupancy']:.0%} |")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
