"""suitability_map on counties of growing size, all worked on in files: does a cell of a large one cost more than one of a small one?

    python tests/benchmarks/bench_growth.py [--rows 4000 8000 16000 31623] [--pairs 1] [--workers 1]
                                            [--parcels-a-m-cell 437.5 | --parcels 7000]

The smallest runs three times before and after the largest, since it lasts half a minute and the machine is not the same from one minute to
the next; more pairs are those two sizes again. Prints Markdown; figures go to OUT/growth.json, run by run in their order, and what is there
is not measured again. A county is made before its run and taken away after it: at 31,623 rows inputs, working files and outputs take some
45 GB. Linux.
"""

import argparse
import json
import os
import shutil
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from itertools import count, groupby
from pathlib import Path
from statistics import median
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from bench_suitability_map import PARTS, machine, make_county, manifest_of, spent  # noqa: E402
from common import inputs_of, looking  # noqa: E402

WATCH_EVERY_S = 0.5
LOOKS_AT_MEMORY_EVERY = 10
"""One look at the files in so many is at the memory too: the kernel goes over all pages of a process for it."""

GOAL = 1.15

OF_THE_SMALLEST = 3
"""Runs of the smallest before and after each of the largest."""


@dataclass
class Most:
    """The most at any time: what lies in the output folder, of it in working files, and what all processes have in memory. [bytes]"""

    disk: int = 0
    working_files: int = 0
    memory: int = 0


def run_in_files(argv: Sequence[str]) -> int:
    """`suitability_map` as if no raster had room in memory."""
    from geoseptic.run import runner
    from geoseptic.run.cli import main as run

    runner.IN_MEMORY_BYTES = 0  # type: ignore[misc]
    return run("suitability_map", list(argv))


def on_disk(folder: Path) -> tuple[int, int]:
    """What all files below take, and of these the working files and drafts; holes take nothing. [bytes]"""
    every = working = 0
    for path in (Path(top, name) for top, _, names in os.walk(folder) for name in names):
        try:
            size = path.stat().st_blocks * 512
        except OSError:  # gone meanwhile
            continue
        every += size
        working += size if ".geoseptic-scratch-" in str(path) or ".drafts" in str(path) else 0
    return every, working


def memory_below(root: int) -> int:
    """What all processes below one have in memory, what they share counted once; pages of files that they have mapped too. [bytes]"""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text(encoding="utf-8").rpartition(")")[2].split()[1])
            except OSError:
                continue
            children.setdefault(parent, []).append(int(entry.name))
    total, due = 0, list(children.get(root, ()))
    while due:
        own = due.pop()
        due += children.get(own, ())
        try:
            total += 1024 * int(Path(f"/proc/{own}/smaps_rollup").read_text(encoding="utf-8").partition("\nPss:")[2].split()[0])
        except (OSError, IndexError):
            continue
    return total


@contextmanager
def watched(out: Path) -> Iterator[Most]:
    """Looks at the output folder and at the memory of all processes below this one while the block goes on."""
    most, looks = Most(), count()

    def watch() -> None:
        disk, working = on_disk(out)
        most.disk, most.working_files = max(most.disk, disk), max(most.working_files, working)
        if not next(looks) % LOOKS_AT_MEMORY_EVERY:
            most.memory = max(most.memory, memory_below(os.getpid()))

    with looking(watch, WATCH_EVERY_S):
        yield most


def measured(rows: int, parcels: int, asked: argparse.Namespace) -> dict[str, Any]:
    """One run over a county of so many rows and columns, which is made and taken away."""
    county, out = asked.out / "county", asked.out / "found"
    for folder in (county, out):
        shutil.rmtree(folder, ignore_errors=True)
    make_county(county, rows, rows, asked.cell, parcels, parcels // 2, asked.seed)
    command = [
        sys.executable, str(HERE / "bench_growth.py"), "--only", *inputs_of(county), f"--rules={asked.rules}",
        *(f"--parts={part}" for part in PARTS), f"--workers={asked.workers}", f"--out={out}",
    ]  # fmt: skip
    with watched(out) as most:
        took, printed = spent(command, None, asked.limit, asked.workers)
    if took.failed:
        raise SystemExit(f"suitability_map over {rows} x {rows} cells failed: {took.failed}\n{printed[-2000:]}")
    inputs = sum(path.stat().st_size for path in county.iterdir())
    outputs = sum(path.stat().st_size for path in out.iterdir())
    record = manifest_of(out)
    for folder in (county, out):
        shutil.rmtree(folder)
    return {
        "rows": rows, "parcels": parcels, "workers": asked.workers, "load_after": os.getloadavg()[0], "inputs_bytes": inputs,
        "outputs_bytes": outputs, "stages": record["seconds_by_stage"], **asdict(took), **asdict(most),
    }  # fmt: skip


def order(sizes: Sequence[int], pairs: int) -> list[int]:
    """The sizes in the order that they are measured in: each largest one between smallest ones."""
    first, last = min(sizes), max(sizes)
    if first == last:
        return [first]
    between = [rows for rows in sizes if rows not in (first, last)]
    return [*[first] * OF_THE_SMALLEST, *between, *[last, *[first] * OF_THE_SMALLEST] * pairs]


def ratios(runs: Sequence[dict[str, Any]]) -> list[float]:
    """CPU time a cell of every run of the largest over the median of the smallest's runs right before and right after it."""
    first, last = min(run["rows"] for run in runs), max(run["rows"] for run in runs)
    ends = [run for run in runs if run["rows"] in (first, last)]
    stretches = [list(own) for _, own in groupby(ends, lambda run: run["rows"] == last)]
    found = []
    for place, stretch in enumerate(stretches):
        near = [per_m(run, run["cpu_s"]) for own in stretches[max(0, place - 1) : place + 2] if own is not stretch for run in own]
        if stretch[0]["rows"] == last and near:
            found += [per_m(run, run["cpu_s"]) / median(near) for run in stretch]
    return found


def per_m(run: dict[str, Any], value: float) -> float:
    """A figure of a run by the M cell."""
    return value / (run["rows"] ** 2 / 1e6)


def report(runs: Sequence[dict[str, Any]]) -> str:
    """A row for each run and for each stage, by the M cell."""
    runs = sorted(runs, key=lambda run: run["rows"])
    lines = [
        "\n| M cells | parcels | wall s | CPU s | CPU s a M cell | working files, bytes a cell "
        "| all in the folder, bytes a cell | peak MiB, largest process | all processes |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for run in runs:
        cells = run["rows"] ** 2
        lines.append(
            f"| {cells / 1e6:,.0f} | {run['parcels']:,} | {run['wall_s']:,.0f} | {run['cpu_s']:,.0f} | {per_m(run, run['cpu_s']):.3f} "
            f"| {run['working_files'] / cells:.1f} | {run['disk'] / cells:.1f} | {run['peak_mib']:,.0f} | {run['memory'] / 2**20:,.0f} |"
        )
    sizes = " | ".join(f"{run['rows'] ** 2 / 1e6:,.0f} M" for run in runs)
    lines += [f"\n| stage, wall s a M cell | {sizes} |", "|---|" + "---|" * len(runs)]
    for name in runs[-1]["stages"]:
        each = " | ".join(f"{per_m(run, run['stages'].get(name, 0.0)):.3f}" for run in runs)
        lines.append(f"| {name} | {each} |")
    return "\n".join(lines)


def growth(runs: Sequence[dict[str, Any]]) -> str:
    """What the goal is held against."""
    pairs = ratios(runs)
    if not pairs:
        return ""
    each = f", median of {', '.join(f'{own:.2f}' for own in pairs)}" if len(pairs) > 1 else ""
    what = "CPU seconds a M cell at the largest over those at the smallest before and after"
    return f"\n{what}: **{median(pairs):.2f}**{each} (goal: at most {GOAL})."


def main() -> None:
    if sys.argv[1:2] == ["--only"]:
        raise SystemExit(run_in_files(sys.argv[2:]))
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--rows", type=int, nargs="+", default=[4000, 8000, 16_000, 31_623], help="rows, and as many columns, of each county"
    )
    parser.add_argument("--cell", type=float, default=2.0, help="cell size in metres")
    parser.add_argument("--parcels-a-m-cell", type=float, default=437.5)
    parser.add_argument("--parcels", type=int, help="as many in every county, whatever its size")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--pairs", type=int, default=1, help="runs of the largest county, each between several of the smallest")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--limit", type=float, default=14_400.0, help="seconds after which a run is stopped")
    parser.add_argument("--out", type=Path, default=HERE.parents[1] / "out" / "bench_growth")
    asked = parser.parse_args()
    asked.out = asked.out.resolve()
    asked.out.mkdir(parents=True, exist_ok=True)
    told = asked.out / "growth.json"
    runs = json.loads(told.read_text(encoding="utf-8"))["runs"] if told.exists() else []
    # A small run first, so that kernels are compiled.
    measured(400, 200, asked)

    def parcels(rows: int) -> int:
        return asked.parcels or round(rows**2 / 1e6 * asked.parcels_a_m_cell)

    def alike(run: dict[str, Any]) -> bool:
        return run["workers"] == asked.workers and run["parcels"] == parcels(run["rows"])

    there = Counter(run["rows"] for run in runs if alike(run))
    for rows in order(asked.rows, asked.pairs):
        if there[rows]:
            there[rows] -= 1
            continue
        runs.append(measured(rows, parcels(rows), asked))
        told.write_text(json.dumps({"machine": machine(), "runs": runs}, indent=2) + "\n", encoding="utf-8")
    found = [run for run in runs if alike(run)]
    print(report(found), growth(found), sep="\n")


if __name__ == "__main__":
    main()
