"""What a simulated state would cost, on paper, from measured costs: cells, core-hours, what the scheduler sees, what bounds.

    python tests/benchmarks/state_plan.py [--run OUT/run.json] [--cluster out/bench_cluster/results.json] [--counties 95 --cell 1]

Costs come from the manifest of a `screen_county` run with one worker (`--run`), else from the tables of README.md beside this file; what a
task is comes from `bench_cluster.py` (`--cluster`), else from its table there. Sizes of counties are drawn from log-normal distributions
with a fixed seed: our own choice, no source. Everything grows in proportion to cells or to parcels, which is an assumption too.
"""

import argparse
import json
import math
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from geoseptic.processes.workers import CHUNK
from geoseptic.terrain.windows import SIDE_CELLS

README = Path(__file__).resolve().parent / "README.md"
MEDIAN_AREA_KM2, AREA_SPREAD = 1_500.0, 0.5
MEDIAN_PARCELS, PARCELS_SPREAD = 20_000.0, 1.0
SMALL_SHARE: Final = 0.005
DRAIN: Final = "fill and drainage"

BY_CELLS_ON_WORKERS = ("slope", DRAIN, "flow paths to wells", "suitability", "ground of the lots")
BY_PARCELS_ON_WORKERS = ("room for fields",)
BY_CELLS_HERE = ("reading elevation", "hashing inputs", "writing", "start, hashes and the rest")
"""Other stages go by parcels, on the machine that the run was started on."""


@dataclass(frozen=True)
class Costs:
    """Core-seconds of one county by stage, its cells and parcels, and where that is from."""

    seconds: Mapping[str, float]
    cells: int
    parcels: int
    source: str

    def of(self, stage: str, cells: float, parcels: float) -> float:
        by_cells = stage in (*BY_CELLS_ON_WORKERS, *BY_CELLS_HERE)
        return self.seconds[stage] * (cells / self.cells if by_cells else parcels / self.parcels)


@dataclass(frozen=True)
class Tasks:
    """What a scheduler saw: tasks a window and a chunk of lots, bytes of each sent and given back, side of its windows."""

    a_window: float
    a_chunk: float
    sent_bytes: tuple[float, float]
    result_bytes: tuple[float, float]
    side_cells: int
    scratch_bytes_a_cell: float


def costs_of_run(path: Path) -> Costs:
    record = json.loads(path.read_text(encoding="utf-8"))
    if record["process"] != "screen_county" or record["parameters"]["workers"] != 1:
        raise SystemExit(f"{path} is not of a screen_county run with one worker.")
    counts = record["counts"]
    return Costs(record["seconds_by_stage"], counts["cells"], counts["parcels"], f"{path}, {record['started'][:10]}")


def costs_of_readme(text: str) -> Costs:
    size = found(text, r"### suitability_map, (\d+) x (\d+) cells of [\d.]+ m, (\d+) parcels")
    table = text[size.end() : text.index("**whole process**", size.end())]
    seconds = {stage: float(value) for stage, value in re.findall(r"^\| ([a-z_, ]+) \| ([\d.]+) \|$", table, re.MULTILINE)}
    search = found(text, r"### screen_county, the same county, (\d+) workers[\s\S]*?(\d+) parcels a second")
    rows, cols, parcels = map(int, size.groups())
    seconds["room for fields"] = parcels / int(search[2]) * int(search[1])
    return Costs(seconds, rows * cols, parcels, f"README.md, measured {found(text, r'Measured ([0-9-]+)')[1]}")


def tasks_of(results: Mapping[str, Any]) -> Tasks:
    asked, seen = results["asked"], results["one after another"]
    windows, lots = seen["windows"], seen["lots"]
    return Tasks(
        windows["tasks"] / (asked["counties"] * math.ceil(asked["rows"] / asked["side"]) ** 2),
        lots["tasks"] / (asked["counties"] * math.ceil(asked["parcels"] / CHUNK)),
        (windows["sent_bytes_a_task"], lots["sent_bytes_a_task"]),
        (windows["result_bytes_a_task"], lots["result_bytes_a_task"]),
        asked["side"],
        results["scratch_bytes_a_cell"],
    )


def results_of_readme(text: str) -> dict[str, Any]:
    size = found(text, r"(\d+) counties of (\d+) x \d+ cells and (\d+) parcels, (\d+) workers, windows of (\d+) cells")
    asked = dict(zip(("counties", "rows", "parcels", "workers", "side"), map(int, size.groups()), strict=True))
    seen = {}
    for name in ("windows", "lots"):
        row = found(text, rf"\| one after another \| {name} \|[^|]*\| (\d+) \| (\d+) \| (\d+) \|")
        seen[name] = dict(zip(("tasks", "sent_bytes_a_task", "result_bytes_a_task"), map(int, row.groups()), strict=True))
    return {"asked": asked, "one after another": seen, "scratch_bytes_a_cell": float(found(text, r"working files (\d+) bytes a cell")[1])}


def found(text: str, pattern: str) -> re.Match[str]:
    match = re.search(pattern, text)
    if match is None:
        raise SystemExit(f"README.md does not tell: {pattern}. Give --run and --cluster.")
    return match


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--run", type=Path)
    parser.add_argument("--cluster", type=Path)
    parser.add_argument("--counties", type=int, default=95)
    parser.add_argument("--cell", type=float, default=1.0, help="cell size in metres")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, nargs="+", default=[2, 8, 32, 128], help="worker processes of the cluster")
    parser.add_argument("--at-once", type=int, nargs="+", default=[1, 8, 32], help="counties that are run at once")
    parser.add_argument("--serial", type=float, help="share of fill and drainage that no worker does; default that of README.md")
    asked = parser.parse_args()
    readme = README.read_text(encoding="utf-8")
    costs = costs_of_run(asked.run) if asked.run else costs_of_readme(readme)
    tasks = tasks_of(json.loads(asked.cluster.read_text(encoding="utf-8")) if asked.cluster else results_of_readme(readme))
    serial = asked.serial if asked.serial is not None else float(found(readme, r"([\d.]+) % of fill and drainage")[1]) / 100

    rng = np.random.default_rng(asked.seed)
    area_km2 = MEDIAN_AREA_KM2 * np.exp(AREA_SPREAD * rng.standard_normal(asked.counties))
    parcels = MEDIAN_PARCELS * np.exp(PARCELS_SPREAD * rng.standard_normal(asked.counties))
    side = np.sqrt(area_km2) * 1000 / asked.cell
    cells = side**2
    windows, chunks = np.ceil(side / SIDE_CELLS) ** 2, np.ceil(parcels / CHUNK)

    here, there = np.zeros(asked.counties), np.zeros(asked.counties)
    print(f"{asked.counties} counties, cells of {asked.cell:g} m, costs of {costs.source}\n")
    print("| | state | median county | largest |\n|---|---|---|---|")
    for name, values, unit, form in (
        ("area", area_km2, " km2", ",.0f"),
        ("cells", cells / 1e6, " M", ",.0f"),
        ("parcels", parcels, "", ",.0f"),
    ):
        print(f"| {name} | {values.sum():{form}}{unit} | {np.median(values):{form}}{unit} | {values.max():{form}}{unit} |")
    scratch_gb = cells * tasks.scratch_bytes_a_cell / 1e9
    print(f"| working files | not at once | {np.median(scratch_gb):,.0f} GB | {scratch_gb.max():,.0f} GB |\n")
    print("| stage | where | core-hours | share |\n|---|---|---|---|")
    lines = []
    for stage in costs.seconds:
        hours = np.array([costs.of(stage, *size) for size in zip(cells, parcels, strict=True)]) / 3600
        moved = 1 - serial if stage == DRAIN else float(stage in (*BY_CELLS_ON_WORKERS, *BY_PARCELS_ON_WORKERS))
        there += moved * hours
        here += (1 - moved) * hours
        lines.append(
            (hours.sum(), stage, {0.0: "machine of the run", 1.0: "workers"}.get(moved, f"workers, {1 - moved:.0%} machine of the run"))
        )
    total = here.sum() + there.sum()
    for spent, stage, where in sorted(lines, reverse=True):
        if spent > SMALL_SHARE * total:
            print(f"| {stage} | {where} | {spent:,.1f} | {spent / total:.0%} |")
    print(f"| all | {there.sum() / total:.0%} on workers | {total:,.1f} | |\n")

    numbers = windows.sum() * tasks.a_window, chunks.sum() * tasks.a_chunk
    grown = SIDE_CELLS / tasks.side_cells  # a window's result is what lies along its sides
    sent = sum(number * size for number, size in zip(numbers, tasks.sent_bytes, strict=True)) / 1e6
    back = (numbers[0] * tasks.result_bytes[0] * grown + numbers[1] * tasks.result_bytes[1]) / 1e6
    seconds = there.sum() * 3600 / sum(numbers)
    print(
        f"The scheduler sees {numbers[0]:,.0f} tasks over windows and {numbers[1]:,.0f} over lots, of {seconds:.1f} s on average, with "
        f"{sent:,.0f} MB of tasks and {back:,.0f} MB of results; nothing of a raster. At most {max(windows.max(), chunks.max()):,.0f} are "
        "due at once for one county.\n"
    )
    print("| workers | counties at once | hours at least | bound by |\n|---|---|---|---|")
    for workers in asked.workers:
        for at_once in asked.at_once:
            # Each bound by itself; the true time lies above the largest.
            bounds = {
                "workers": there.sum() / workers,
                "machines of the runs": (here + there / workers).sum() / at_once if at_once == 1 else here.sum() / at_once,
                "the largest county": float((here + there / workers).max()),
            }
            name = max(bounds, key=lambda bound: bounds[bound])
            print(f"| {workers} | {at_once} | {bounds[name]:,.1f} | {name} |")


if __name__ == "__main__":
    main()
