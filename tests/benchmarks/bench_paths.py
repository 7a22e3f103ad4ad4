"""Fill, D8, D-infinity and distance to wells on one core and on two, timed side by side with general-purpose tools on one core.

    python tests/benchmarks/bench_paths.py [--rows 4000 --wells 10000] [--pairs 3]

Every side is one process that reads the elevation and the wells and writes the distances to a tiled GeoTIFF. Prints Markdown; writes every
run to OUT/results.json. The peers need the extra `bench`; README.md beside this file says what they do.
"""

import argparse
import importlib.util
import itertools
import json
import resource
import shutil
import statistics
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_suitability_map import FLOW_TOOLS, HERE, ROOT, Spent, machine, make_county, middle, plan_of, spent
from common import county_options, in_turns, limits, wells_of

CPU, SERIAL, MIB = ", CPU", ", CPU of the main thread", ", MiB"


def our_work(county: Path, out: Path, workers: int) -> dict[str, float]:
    """Read, drain, walk and write window by window; the seconds and CPU seconds of each, those of them in the main thread, where nothing
    else runs meanwhile if there are two workers, and the peak memory after it."""
    told: dict[str, float] = {}
    before = time.perf_counter(), time.process_time(), time.thread_time()

    def mark(stage: str) -> None:
        nonlocal before
        now = time.perf_counter(), time.process_time(), time.thread_time()
        told.update({stage + what: at - then for what, at, then in zip(("", CPU, SERIAL), now, before, strict=True)})
        told[stage + MIB] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        before = now

    import numba
    import numpy as np
    import rasterio
    from rasterio.windows import Window

    from geoseptic.io.rasters import read_elevation
    from geoseptic.processes import inputs
    from geoseptic.terrain.wellpaths import WellDiscs, WellPaths, drain, paths_by_windows

    numba.set_num_threads(workers)
    mark("import")
    elevation = read_elevation(county / "dem.tif", unit="m")
    grid = elevation.grid
    mark("read heights")
    ground = drain(elevation.values, inputs.MIN_SHARE, workers, in_place=True)
    del elevation
    mark("fill, D-infinity, D8")
    x, y, said_m = np.array(wells_of(county), float).T
    error_m = np.where(np.isnan(said_m), inputs.ASSUMED_LOCATION_ERROR_M, said_m)
    discs = WellDiscs(*(~grid.transform @ (x, y)), np.maximum(error_m, inputs.WELL_RADIUS_M), error_m)
    mark("read wells")
    lock = threading.Lock()
    with rasterio.Env(GDAL_CACHEMAX=32), rasterio.open(
        out / "ours.tif", "w", driver="GTiff", height=grid.shape[0], width=grid.shape[1], count=1, dtype="float32", nodata=np.nan,
        crs=grid.crs.to_wkt(), transform=grid.transform, tiled=True, compress="deflate",
    ) as file:  # fmt: skip

        def write(core: tuple[slice, slice], found: WellPaths) -> None:
            with lock:
                file.write(found.distance_m, 1, window=Window.from_slices(*core))

        paths_by_windows(ground, discs, grid.cell_size_m, inputs.REACH_M, write, workers=workers)
    mark("flow paths and writing")
    return told


def run(side: str, county: Path, out: Path, plan: Path, core: int | None, limit_s: float) -> tuple[Spent, dict[str, float]]:
    """One run of one side."""
    if side in FLOW_TOOLS:
        command = [sys.executable, str(HERE / "peers.py"), side, "--county", str(county), "--out", str(out), "--plan", str(plan)]
        return spent(command, core, limit_s)[0], {}
    workers = int(side.split()[1])
    command = [sys.executable, __file__, "--only", str(county), "--out", str(out), "--workers", str(workers)]
    took, printed = spent(command, core if workers == 1 else None, limit_s, workers)
    return took, {} if took.failed else json.loads(printed.splitlines()[-1])


def stages_of(side: str, runs: Sequence[dict[str, float]]) -> str:
    """A table of what `our_work` tells of each stage, medians over the runs, in Markdown."""
    lines = [f"\n| {side} | wall s | CPU s | of it in the main thread | peak MiB so far |", "|---|---|---|---|---|"]
    for stage in runs[0]:
        if stage + CPU in runs[0]:
            wall_s, cpu_s, serial_s, mib = (statistics.median(run[stage + what] for run in runs) for what in ("", CPU, SERIAL, MIB))
            lines.append(f"| {stage} | {wall_s:.2f} | {cpu_s:.2f} | {serial_s:.2f} | {mib:.0f} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    county_options(parser)
    limits(parser, pairs=3, limit_s=900.0)
    parser.add_argument("--workers", type=int, default=2, help="threads of our second run")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_paths")
    parser.add_argument("--only", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    out = options.out.resolve()
    if options.only:
        print(json.dumps(our_work(options.only, out, options.workers)))
        return
    core = options.core if shutil.which("taskset") else None
    peers = [name for name in FLOW_TOOLS if importlib.util.find_spec(name.removeprefix("flow_"))]
    sides = ["ours 1", f"ours {options.workers}", *peers]
    wells = options.parcels // 2 if options.wells is None else options.wells
    make_county(out / "warm", 400, 400, options.cell, 200, 100, options.seed)
    make_county(out / "county", options.rows, options.cols or options.rows, options.cell, options.parcels, wells, options.seed)
    plan = out / "plan.json"
    plan.write_text(json.dumps(plan_of("us-wa", "")), encoding="utf-8")
    for side in sides:
        run(side, out / "warm", out, plan, core, options.limit)
    pairs = in_turns(lambda side: run(side, out / "county", out, plan, core, options.limit), sides, options.pairs)
    print(f"## Flow paths, {options.rows} x {options.cols or options.rows} cells of {options.cell:g} m, {wells} wells\n")
    print("| side | wall s, median (least-greatest) | CPU s | s per M cell, CPU | peak MiB |\n|---|---|---|---|---|")
    million = options.rows * (options.cols or options.rows) / 1e6
    for side in sides:
        own = [pair[side][0] for pair in pairs]
        if failed := next((one.failed for one in own if one.failed), ""):
            print(f"| {side} | {failed} | | | |")
            continue
        cpu = [one.cpu_s for one in own]
        cells = middle([one.wall_s for one in own]), middle(cpu), f"{statistics.median(cpu) / million:.3f}"
        print(f"| {FLOW_TOOLS.get(side, side)} | {' | '.join(cells)} | {max(one.peak_mib for one in own):.0f} |")
    print("\n| over it, each pair by itself | wall | CPU | peak memory |\n|---|---|---|---|")
    for side, peer in itertools.product(sides[:2], peers):
        both = [(pair[side][0], pair[peer][0]) for pair in pairs if not pair[side][0].failed + pair[peer][0].failed]
        ratios = ([getattr(own, what) / getattr(their, what) for own, their in both] for what in ("wall_s", "cpu_s", "peak_mib"))
        if both:
            print(f"| {side} over {FLOW_TOOLS[peer]} | {' | '.join(map(middle, ratios))} |")
    for side in sides[:2]:
        print(stages_of(side, [pair[side][1] for pair in pairs]))
    missing = [tool for name, tool in FLOW_TOOLS.items() if name not in peers]
    loads = [took.load_before for pair in pairs for took, _ in pair.values()]
    print("".join(f"\n- not measured: {name}" for name in missing))
    print(f"- noise: load average before a process {middle(loads)}")
    plain: list[dict[str, Any]] = [{side: {**asdict(took), "stages": told} for side, (took, told) in pair.items()} for pair in pairs]
    (out / "results.json").write_text(json.dumps({"machine": machine(), "pairs": plain}, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
