"""Slope by a plane over 15 m with its classes, timed side by side with `gdaldem slope -compute_edges` on one core, tiled files in and out.

    python tests/benchmarks/bench_slope.py [--rows 4000] [--county 15000] [--pairs 5]

A pair is one run of each side, in turns the one and the other first. Ours is two things: the bare work (read, slope and classes, both
written with gdaldem's own creation options), and the whole command with checks, overviews and styles. gdaldem runs twice too: with its own
way of packing, and with that of our outputs (tiles of 512, level 1). Two sizes are run, a town's and a county's (`--county 0`: only the
first): what starting takes weighs less in the second. Prints Markdown; writes every run to OUT/results.json. Needs gdaldem.
"""

import argparse
import itertools
import json
import shutil
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_suitability_map import ROOT, STAGE, Spent, machine, make_county, middle, spent
from common import ground_options, in_turns, limits, stage_medians

SIDES = ("bare work", "whole command", "gdaldem slope", "gdaldem slope, packed as ours")


def bare_work(dem: Path, out: Path, rules: str) -> dict[str, float]:
    """Read, slope and classes, write; the seconds of each."""
    marks = [("start", time.perf_counter())]
    import rasterio

    from geoseptic import slope_suitability
    from geoseptic.io.rasters import read_elevation
    from geoseptic.io.rulefiles import load_rules

    rule_set = load_rules(rules)
    marks.append(("import", time.perf_counter()))
    elevation = read_elevation(dem, unit="m")
    marks.append(("read", time.perf_counter()))
    results = slope_suitability(elevation, rules=rule_set)
    marks.append(("slope and classes", time.perf_counter()))
    for name in ("slope", "slope_class"):
        values = results[name].raster.values
        with rasterio.open(
            out / f"{name}.tif", "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1, dtype=values.dtype.name,
            crs=elevation.grid.crs.to_wkt(), transform=elevation.grid.transform, tiled=True, compress="deflate",
        ) as file:  # fmt: skip
            file.write(values, 1)
        marks.append((f"write {name}", time.perf_counter()))
    return {name: at - before for (_, before), (name, at) in itertools.pairwise(marks)}


def run(side: str, dem: Path, out: Path, rules: str, core: int | None, limit_s: float) -> tuple[Spent, dict[str, float]]:
    """One run of one side; what it took, and the seconds of its stages where it tells them."""
    if side.startswith("gdaldem"):
        options = ["TILED=YES", "COMPRESS=DEFLATE", *(["ZLEVEL=1", "BLOCKXSIZE=512", "BLOCKYSIZE=512"] if side != "gdaldem slope" else [])]
        tiff = [word for option in options for word in ("-co", option)]
        return spent(["gdaldem", "slope", "-p", "-compute_edges", "-q", str(dem), str(out / "gdaldem.tif"), *tiff], core, limit_s)[0], {}
    if side == "bare work":
        took, printed = spent([sys.executable, __file__, "--only", str(dem), "--out", str(out), "--rules", rules], core, limit_s)
        return took, {} if took.failed else json.loads(printed.splitlines()[-1])
    command = [sys.executable, str(ROOT / "scripts" / "slope_suitability.py"), "--elevation", str(dem), "--elevation-unit", "m"]
    took, printed = spent([*command, "--rules", rules, "--out", str(out / "whole"), "--overwrite", "-v"], core, limit_s)
    return took, {name: float(seconds) for name, seconds in STAGE.findall(printed)}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ground_options(parser)
    limits(parser, pairs=5, limit_s=900.0)
    parser.add_argument("--county", type=int, default=15_000, help="rows and columns of the second size; 0 leaves it out")
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_slope")
    parser.add_argument("--only", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    out = options.out.resolve()
    if options.only:
        print(json.dumps(bare_work(options.only, out, options.rules)))
        return
    if not shutil.which("gdaldem"):
        raise SystemExit("gdaldem is missing: nothing to compare with")
    core = options.core if shutil.which("taskset") else None
    make_county(out / "warm", 400, 400, options.cell, 100, 50, options.seed)
    for side in SIDES:
        run(side, out / "warm" / "dem.tif", out, options.rules, core, options.limit)
    sizes = [(options.rows, options.cols or options.rows), *([(options.county, options.county)] if options.county else [])]
    found: list[dict[str, Any]] = []
    for rows, cols in sizes:
        make_county(out / "county", rows, cols, options.cell, 100, 50, options.seed)
        pairs = in_turns(lambda side: run(side, out / "county" / "dem.tif", out, options.rules, core, options.limit), SIDES, options.pairs)
        failed = [f"{side}: {took.failed}" for pair in pairs for side, (took, _) in pair.items() if took.failed]
        if failed:
            raise SystemExit("\n".join(failed))
        print(f"## Slope, {rows} x {cols} cells of {options.cell:g} m, one core, {options.pairs} pairs\n")
        show(pairs)
        plain = [{side: {**asdict(took), "stages": stages} for side, (took, stages) in pair.items()} for pair in pairs]
        found.append({"rows": rows, "cols": cols, "pairs": plain})
        (out / "results.json").write_text(json.dumps({"machine": machine(), "sizes": found}, indent=2) + "\n", encoding="utf-8")


def show(pairs: Sequence[Mapping[str, tuple[Spent, dict[str, float]]]]) -> None:
    """The figures of one size."""
    print("| | wall s, median (least-greatest) | CPU s | over gdaldem, wall | CPU | over gdaldem packed as ours, CPU | peak MiB |")
    print("|---|---|---|---|---|---|---|")
    for side in SIDES:
        own = [pair[side][0] for pair in pairs]
        peers = [(SIDES[2], "wall_s"), (SIDES[2], "cpu_s"), (SIDES[3], "cpu_s")]
        over = [[getattr(pair[side][0], what) / getattr(pair[peer][0], what) for pair in pairs] for peer, what in peers]
        cells = (middle([one.wall_s for one in own]), middle([one.cpu_s for one in own]), *map(middle, over))
        print(f"| {side} | {' | '.join(cells)} | {max(one.peak_mib for one in own):.0f} |")
    for side in SIDES[:2]:
        print(stage_medians(side, [pair[side][1] for pair in pairs], "wall s, median"))
    loads = [took.load_before for pair in pairs for took, _ in pair.values()]
    print(f"\n- noise: load average before a process {middle(loads)}\n")


if __name__ == "__main__":
    main()
