"""Fill and receivers: the whole raster at once, by tiles on one core and on two, and by tiles over files.

    python tests/benchmarks/bench_drainage.py [--rows 4000 --pairs 3] [--tile 512]

Every run is one process, which loads the heights, works, and tells the seconds of its stages and its peak memory. Prints Markdown.
Peers are timed by bench_paths.py, which does the same work and then the distances.
"""

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_suitability_map import ROOT, middle, spent
from common import in_turns

SIDES = ("whole 1", "tiles 1", "tiles 2", "files 1", "files 2")


def work(side: str, heights: Path, scratch: Path, tile: int) -> dict[str, float]:
    """Seconds of each stage, memory before and at the peak, and a checksum of the results."""
    import numpy as np

    from geoseptic.io.scratch import FilePlane, new_plane
    from geoseptic.model.planes import ArrayPlane, Plane
    from geoseptic.terrain import drainage
    from geoseptic.terrain.tiledfill import fill_by_tiles
    from geoseptic.terrain.tiledreceivers import receivers_by_tiles

    name, workers = side.split()
    rows = int(heights.name.split("x")[0])
    ground: Plane = FilePlane(str(heights), (rows, heights.stat().st_size // 4 // rows))
    if name != "files":
        ground = ArrayPlane(np.array(ground.array()))
    kinds = (np.float32, np.uint8, np.uint8, np.bool_)
    out = [new_plane(scratch, ground.shape, kind) if name == "files" else ground.new(kind) for kind in kinds]
    told = {"MiB before": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}
    marks = [(time.perf_counter(), time.process_time())]
    if name == "whole":
        filled_m = drainage.fill(ground.array())
        marks.append((time.perf_counter(), time.process_time()))
        found = [filled_m, drainage.dinf_receivers(filled_m, 0.2), drainage.d8_receivers(filled_m), drainage.edge_of_data(ground.array())]
        out = [ArrayPlane(values) for values in found]
    else:
        fill_by_tiles(ground, out[0], (tile, tile), int(workers))
        marks.append((time.perf_counter(), time.process_time()))
        receivers_by_tiles(out[0], out[1], out[2], out[3], 0.2, (tile, tile), int(workers))
    marks.append((time.perf_counter(), time.process_time()))
    for stage, before, after in zip(("fill", "receivers"), marks, marks[1:], strict=False):
        told[f"{stage}, wall"], told[f"{stage}, CPU"] = after[0] - before[0], after[1] - before[1]
    told["peak MiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    checksum = 0
    for plane in out:
        for top in range(0, plane.shape[0], 512):
            window = plane.read(slice(top, min(top + 512, plane.shape[0])), slice(0, plane.shape[1]))
            checksum = zlib.crc32(np.ascontiguousarray(window).view(np.uint8), checksum)
    return {**told, "checksum": checksum}


def make_heights(path: Path, rows: int, cols: int) -> None:
    import numpy as np
    import synthetic

    if not path.exists():
        extent = synthetic.Extent(rows, cols, 2.0)
        random = np.random.default_rng([1, 0])
        synthetic.ground(extent, synthetic.creek_lines(extent, random), random).tofile(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rows", type=int, default=4000)
    parser.add_argument("--cols", type=int, help="default: as many as rows")
    parser.add_argument("--pairs", type=int, default=3, help="runs of each side")
    parser.add_argument("--tile", type=int, default=512, help="cells along a side of a tile")
    parser.add_argument("--sides", nargs="+", choices=SIDES, default=SIDES)
    parser.add_argument("--limit", type=float, default=900.0, help="seconds after which a process is stopped")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_drainage")
    parser.add_argument("--only", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.make:
        make_heights(options.make, options.rows, options.cols or options.rows)
        return
    if options.only:
        with tempfile.TemporaryDirectory(dir=options.out) as scratch:
            print(json.dumps(work(options.only[0], Path(options.only[1]), Path(scratch), options.tile)))
        return
    out = options.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    rows, cols = options.rows, options.cols or options.rows
    million = rows * cols / 1e6

    def run(side: str, heights: Path) -> dict[str, float]:
        workers = int(side.split()[1])
        command = [sys.executable, __file__, "--only", side, str(heights), "--out", str(out), "--tile", str(options.tile)]
        core = (os.cpu_count() or 1) - 1 if workers == 1 else None
        took, printed = spent(command, core, options.limit, workers)
        if took.failed:
            raise SystemExit(f"{side}: {took.failed}")
        return {**json.loads(printed.splitlines()[-1]), "load": took.load_before}

    small, full = out / "400x400.raw", out / f"{rows}x{cols}.raw"
    for path, (down, across) in ((small, (400, 400)), (full, (rows, cols))):
        # In a process of its own: the kernel counts a parent's memory into its children's peak.
        subprocess.run([sys.executable, __file__, f"--make={path}", f"--rows={down}", f"--cols={across}"], check=True)
    for side in options.sides:
        run(side, small)
    rounds = in_turns(lambda side: run(side, full), options.sides, options.pairs)
    runs = {side: [one[side] for one in rounds] for side in options.sides}
    print(f"## Drainage, {rows} x {cols} cells, tiles of {options.tile}\n")
    stages = [f"{stage}, {clock}" for stage in ("fill", "receivers") for clock in ("wall", "CPU")]
    print(f"| side | {' s | '.join(stages)} s | CPU s per M cell | MiB before | peak MiB |\n|---|---|---|---|---|---|---|---|")
    for side, own in runs.items():
        cpu_s = statistics.median(one["fill, CPU"] + one["receivers, CPU"] for one in own)
        cells = [middle([one[name] for one in own]) for name in stages]
        memory = [f"{max(one[name] for one in own):.0f}" for name in ("MiB before", "peak MiB")]
        print(f"| {side} | {' | '.join([*cells, f'{cpu_s / million:.3f}', *memory])} |")
    same = len({one["checksum"] for own in runs.values() for one in own}) == 1
    print(f"\n- results: {'the same bits on every side' if same else 'THE SIDES DIFFER'}")
    print(f"- noise: load average before a process {middle([one['load'] for own in runs.values() for one in own])}")
    if not same:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
