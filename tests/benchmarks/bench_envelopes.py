"""Setback envelopes of a synthetic county side by side with what an analyst would script with geopandas, on one core.

    python tests/benchmarks/bench_envelopes.py [--parcels 100000 --wells 50000] [--pairs 3]

Every side is a process of its own that reads the layers first; what is timed comes after that, and nothing is written. A round is one run
of each side, the order turned about each time. Prints Markdown; writes all figures to OUT/results.json.

ours : zones, envelopes with what each feature takes, strips along the lot lines, and the last test of every distance.
overlay : all features buffered, `geopandas.overlay(lots, buffers, how="difference")`.
sjoin : the same buffers joined to the lots, a union for each lot, one difference a lot. Not checked, and no strips, on either of the two.

Both peers buffer by our own radii, which are a hair longer than the distances asked, so that the areas must be equal.
"""

import argparse
import json
import math
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd
import shapely

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

from bench_suitability_map import PARTS, ROOT, machine, middle, plan_of, spent  # noqa: E402
from common import in_turns, limits  # noqa: E402

LAYERS = ("parcels", "wells", "buildings", "surface_water")
SIDES = ("ours", "overlay", "sjoin")
SIDE_M_PER_PARCEL = math.sqrt(8000.0**2 / 20_000)
"""Ground for each lot as in bench_suitability_map.py."""


def ours(layers: dict[str, geopandas.GeoDataFrame], rules_name: str, parts: tuple[str, ...], workers: int) -> tuple[Callable[[], Any], Any]:
    """The work to be timed, and how to tell the area that is left for each part. [m2]"""
    from geoseptic.io.rulefiles import load_rules
    from geoseptic.processes import inputs, land, steps

    others = {name: layers[name] for name in LAYERS[2:]}
    checked = land.check_land(
        layers["parcels"], layers["wells"], others, frame=None, assumed_location_error_m=inputs.ASSUMED_LOCATION_ERROR_M
    )
    rules = load_rules(rules_name)
    return (
        lambda: steps.cut_envelopes(checked, rules, parts, {}, frozenset(), None, workers),
        lambda cuts: {cut.zones.part: float(cut.envelopes.area_m2.sum()) for cut in cuts},
    )


def theirs(
    layers: dict[str, geopandas.GeoDataFrame], rules_name: str, parts: tuple[str, ...], how: str
) -> tuple[Callable[[], Any], Callable[[Any], dict[str, float]]]:
    """The same for a peer."""
    from geoseptic.parcels.buffers import MARGIN_M, MITRE_LIMIT, OVERSHOOT

    plan = plan_of(rules_name, "")

    def envelope(part: str) -> Any:
        distances, wells, parcels = plan["setbacks_m"][part], layers["wells"], layers["parcels"]
        error_m = wells["location_error_m"].fillna(plan["assumed_location_error_m"])
        cut = [wells.buffer((wells["kind"].map(distances["wells"]) + error_m + MARGIN_M) * OVERSHOOT)]
        cut += [layers[name].buffer((distances[name] + MARGIN_M) * OVERSHOOT) for name in LAYERS[2:]]
        zones = geopandas.GeoDataFrame(geometry=pd.concat(cut, ignore_index=True), crs=parcels.crs)
        inside = parcels.set_geometry(parcels.buffer(-(distances["lot_line"] + MARGIN_M), join_style="mitre", mitre_limit=MITRE_LIMIT))
        if how == "overlay":
            return geopandas.overlay(inside, zones, how="difference", keep_geom_type=True)
        pairs = geopandas.sjoin(inside[["geometry"]], zones, predicate="intersects")
        cutters = zones.geometry.values[pairs["index_right"]]
        united = geopandas.GeoSeries(cutters, index=pairs.index).groupby(level=0).agg(lambda found: shapely.union_all(found.values))
        left = inside.geometry.copy()
        left.loc[united.index] = shapely.difference(left.loc[united.index].values, united.values)
        return left

    return lambda: {part: envelope(part) for part in parts}, lambda found: {part: float(left.area.sum()) for part, left in found.items()}


def one_side(options: argparse.Namespace) -> None:
    """Read, work, print what it took."""
    layers = {name: geopandas.read_file(options.county / "county.gpkg", layer=name) for name in LAYERS}
    parts = tuple(options.parts)
    if options.side == "ours":
        work, areas = ours(layers, options.rules, parts, options.workers)
    else:
        work, areas = theirs(layers, options.rules, parts, options.side)
    before_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    wall, cpu = time.perf_counter(), time.process_time()
    found = work()
    took = {"wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu}
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({**took, "peak_mib": peak_mib, "before_mib": before_mib, "area_m2": areas(found)}))


def run(side: str, options: argparse.Namespace, parts: tuple[str, ...], county: Path, core: int | None) -> dict[str, Any]:
    command = [sys.executable, str(Path(__file__).resolve()), "--side", side, "--county", str(county), "--rules", options.rules]
    command += ["--workers", str(options.workers), "--parts", *parts]
    took, printed = spent(command, core, options.limit)
    if took.failed:
        raise SystemExit(f"{side}: {took.failed}\n{printed[-2000:]}")
    found: dict[str, Any] = json.loads(printed.splitlines()[-1])
    return found


def make_layers(folder: Path, parcels: int, wells: int, seed: int) -> None:
    rows = math.ceil(SIDE_M_PER_PARCEL * math.sqrt(parcels) / 2)
    options = [f"--{name}={value}" for name, value in (("rows", rows), ("parcels", parcels), ("wells", wells), ("seed", seed))]
    command = [sys.executable, str(HERE / "synthetic.py"), f"--out={folder}", "--cell=2", "--no-dem", *options]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def report(parts: tuple[str, ...], rounds: list[dict[str, Any]]) -> tuple[str, dict[str, Any]]:
    """The Markdown for these parts, and its figures."""
    lines = [
        f"### {' and '.join(parts)}",
        "",
        "| | wall s, median (least-greatest) | CPU s | peak MiB | of it read before |",
        "|---|---|---|---|---|",
    ]
    figures: dict[str, Any] = {}
    for side in (side for side in SIDES if side in rounds[0]):
        runs = [found[side] for found in rounds]
        memory = [f"{max(one[name] for one in runs):.0f}" for name in ("peak_mib", "before_mib")]
        lines.append(
            f"| {side} | {middle([one['wall_s'] for one in runs])} | {middle([one['cpu_s'] for one in runs])} | {' | '.join(memory)} |"
        )
    lines += ["", "| ours over theirs, each round by itself | wall | CPU | area of ours over theirs |", "|---|---|---|---|"]
    for side in (side for side in SIDES[1:] if side in rounds[0]):
        wall, cpu = ([found["ours"][name] / found[side][name] for found in rounds] for name in ("wall_s", "cpu_s"))
        areas = [found["ours"]["area_m2"][part] / found[side]["area_m2"][part] for found in rounds for part in parts]
        worst = max(areas, key=lambda ratio: abs(ratio - 1))
        lines.append(f"| {side} | {middle(wall)} | {middle(cpu)} | {worst:.9f} |")
        figures[side] = {"wall": statistics.median(wall), "cpu": statistics.median(cpu), "area": worst}
    return "\n".join(lines), figures


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parcels", type=int, default=100_000)
    parser.add_argument("--wells", type=int, help="default: half as many as parcels")
    parser.add_argument("--seed", type=int, default=1)
    limits(parser, pairs=3, limit_s=900.0)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--workers", type=int, default=1, help="threads of ours; from 2 on nothing is held to one core")
    parser.add_argument("--sides", nargs="+", choices=SIDES, default=list(SIDES))
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_envelopes")
    parser.add_argument("--side", choices=SIDES, help=argparse.SUPPRESS)
    parser.add_argument("--county", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--parts", nargs="+", default=list(PARTS), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.side:
        one_side(options)
        return
    core = options.core if shutil.which("taskset") and options.workers == 1 else None
    wells = options.parcels // 2 if options.wells is None else options.wells
    warm, county = options.out / "warm", options.out / "county"
    make_layers(warm, 200, 100, options.seed)
    make_layers(county, options.parcels, wells, options.seed)
    run("ours", options, PARTS, warm, core)
    held = "not held to one core" if core is None else "one core"
    size = f"{options.parcels} parcels, {wells} wells, {options.parcels} buildings, {options.rules}, {options.workers} worker(s), {held}"
    print(f"## setback envelopes, {size}\n")
    results: dict[str, Any] = {"size": size, "machine": machine()}
    for parts in (PARTS[:1], PARTS):
        rounds = in_turns(lambda side, parts=parts: run(side, options, parts, county, core), options.sides, options.pairs)
        text, figures = report(parts, rounds)
        print(text, flush=True)
        results[" and ".join(parts)] = {"rounds": rounds, "ratios": figures}
    (options.out / "results.json").write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
