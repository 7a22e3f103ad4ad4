"""Size and fit of primary and reserve on the lots of a synthetic county: seconds, CPU time a lot and peak memory, on one core and on two.

    python tests/benchmarks/bench_fit.py [--parcels 1000] [--cells-a-lot 800] [--pairs 3] [--beside CHECKOUT]

A first process reads the county and cuts its envelopes, as `screen_county` does, and puts what the search is given into a file: that is not
timed. Every side then reads that file, sizes the fields of all lots and lays them out; this is timed, starting its worker processes
included. No general-purpose tool lays out a drain field: the peer is another checkout of this project, before a change, if one is given.
Prints Markdown; writes every run to OUT/results.json.
"""

import argparse
import json
import math
import os
import pickle
import resource
import shutil
import statistics
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_suitability_map import ROOT, Spent, machine, make_county, middle, spent
from common import in_turns, limits

GIVEN = "given.pickle"
WARM_LOTS = 40


def prepare(county: Path, out: Path, rules: str) -> None:
    """Run `screen_county` up to where the search begins, and keep what it is given."""
    from geoseptic.io.rulefiles import load_rules
    from geoseptic.processes import screening
    from geoseptic.run.cli import main

    def keep(search: Any, *_: object) -> None:
        (out / GIVEN).write_bytes(pickle.dumps((search.lots, search.setting, search.land.parcels, load_rules(rules))))
        raise SystemExit(0)

    screening.screen = keep
    layers = f"{county / 'county.gpkg'}|"
    sources = [
        word for name in ("parcels", "wells", "buildings", "surface_water") for word in (f"--{name.replace('_', '-')}", layers + name)
    ]
    ground = ["--elevation", str(county / "dem.tif"), "--elevation-unit", "m", "--rules", rules]
    main("screen_county", [*sources, *ground, "--out", str(out / "screen"), "--overwrite"])


def fitted(given: Path, workers: int) -> dict[str, Any]:
    """Size and lay out all lots; seconds, CPU seconds and what was found."""
    from dataclasses import replace

    import numpy as np

    from geoseptic.processes.layouts import has_both, joined, laid_out
    from geoseptic.processes.lot_sizes import sizes_of
    from geoseptic.processes.workers import pool_of

    lots, setting, parcels, rules = pickle.loads(given.read_bytes())
    if workers == 1:
        # Compiled kernels are loaded; worker processes load their own, and are timed with it.
        laid_out(lots.of(slice(0, WARM_LOTS)), setting)
    begun, begun_cpu = time.perf_counter(), cpu_s()
    sizes = np.empty(len(lots), object)
    sizes[:] = sizes_of(parcels, np.full(len(lots), None), rules)
    sized = time.perf_counter()
    with pool_of(setting, workers, len(lots)) as pool:
        parts, failed = pool.each(laid_out, replace(lots, sizes=sizes))
    ended, ended_cpu = time.perf_counter(), cpu_s()
    answers = joined(parts).answers
    both = [answer.need is not None and has_both(answer.fit, answer.need) for answer in answers]
    return {
        "lots": len(lots),
        "field and reserve": sum(both),
        "field alone": sum(answer.placement is not None for answer in answers) - sum(both),
        "failed": len(failed),
        "wall_s": ended - begun,
        "sizing_s": sized - begun,
        "cpu_s": ended_cpu - begun_cpu,
    }


def cpu_s() -> float:
    """CPU seconds of this process and of those that it started, living or not."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    total = sum(one.ru_utime + one.ru_stime for one in used)
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            columns = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(columns[1]) == os.getpid():
            total += (int(columns[11]) + int(columns[12])) / os.sysconf("SC_CLK_TCK")
    return total


def run(side: tuple[Path, int], given: Path, core: int | None, limit_s: float) -> tuple[Spent, dict[str, Any]]:
    """One run of one checkout with so many workers."""
    root, workers = side
    command = [sys.executable, __file__, "--only", str(given), "--root", str(root), "--workers", str(workers)]
    took, printed = spent(command, core if workers == 1 else None, limit_s)
    return took, {} if took.failed else json.loads(printed.splitlines()[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parcels", type=int, default=1000)
    parser.add_argument("--cells-a-lot", type=float, default=800, help="cells of 2 m; a county of 225 M cells and 100,000 parcels has 2250")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--beside", type=Path, help="another checkout of this project, whose lots are told in the same way")
    parser.add_argument("--workers", type=int, default=2, help="processes of the second side")
    limits(parser, pairs=3, limit_s=3600.0)
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_fit")
    for hidden in ("--prepare", "--only", "--root"):
        parser.add_argument(hidden, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    out = options.out.resolve()
    if options.root:
        sys.path.insert(0, str(options.root))
    if options.prepare:
        prepare(options.prepare, out, options.rules)
        return
    if options.only:
        print(json.dumps(fitted(options.only, options.workers)))
        return
    cells = math.ceil(math.sqrt(options.cells_a_lot * options.parcels))
    make_county(out / "county", cells, cells, 2.0, options.parcels, options.parcels // 2, options.seed)
    command = [sys.executable, __file__, "--prepare", str(out / "county"), "--out", str(out), "--rules", options.rules]
    made, printed = spent(command, None, options.limit)
    if made.failed:
        raise SystemExit(f"the lots could not be prepared: {printed[-2000:]}")
    core = options.core if shutil.which("taskset") else None
    roots = {"ours": ROOT, **({"beside": options.beside.resolve()} if options.beside else {})}
    sides = {f"{name}, {workers} {'process' if workers == 1 else 'processes'}": (root, workers)
             for workers in dict.fromkeys((1, options.workers)) for name, root in roots.items()}  # fmt: skip
    pairs = in_turns(lambda side: run(sides[side], out / GIVEN, core, options.limit), list(sides), options.pairs)
    print(f"## Size and fit, {options.parcels} parcels on {cells} x {cells} cells of 2 m, {options.rules}\n")
    print("| side | wall s, median (least-greatest) | CPU s | ms a lot, CPU | sizing, s | peak MiB, largest process | field and reserve |")
    print("|---|---|---|---|---|---|---|")
    for side in sides:
        own = [pair[side] for pair in pairs]
        if failed := next((took.failed for took, _ in own if took.failed), ""):
            print(f"| {side} | {failed} | | | | | |")
            continue
        wall, cpu, sizing = (middle([told[key] for _, told in own]) for key in ("wall_s", "cpu_s", "sizing_s"))
        a_lot_ms = 1000 * statistics.median(told["cpu_s"] for _, told in own) / options.parcels
        peak_mib, found = max(took.peak_mib for took, _ in own), own[0][1]["field and reserve"]
        print(f"| {side} | {wall} | {cpu} | {a_lot_ms:.2f} | {sizing} | {peak_mib:.0f} | {found} |")
    if options.beside:
        print("\n| ours over the other checkout, each pair by itself | wall | CPU |\n|---|---|---|")
        for mine, other in zip(list(sides)[::2], list(sides)[1::2], strict=True):
            both = [(pair[mine][1], pair[other][1]) for pair in pairs if not pair[mine][0].failed + pair[other][0].failed]
            ratios = [middle([ours[key] / theirs[key] for ours, theirs in both]) for key in ("wall_s", "cpu_s")] if both else ["", ""]
            print(f"| {mine.partition(', ')[2]} | {' | '.join(ratios)} |")
    print(f"\n- noise: load average before a process {middle([took.load_before for pair in pairs for took, _ in pair.values()])}")
    plain = [{side: {**asdict(took), "told": told} for side, (took, told) in pair.items()} for pair in pairs]
    (out / "results.json").write_text(json.dumps({"machine": machine(), "pairs": plain}, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
