"""suitability_map on a synthetic county, timed side by side with general-purpose tools on one core.

    python tests/benchmarks/bench_suitability_map.py [--rows 800 --parcels 1000] [--pairs 3]

A pair is one run of each side, in turns the one and the other first. Prints Markdown; writes all figures to OUT/results.json. README.md
beside this file says what each side does and does not do. Needs the extra `bench` and gdaldem; a missing tool is named and left out.
"""

import argparse
import datetime
import importlib.metadata
import importlib.util
import json
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
if importlib.util.find_spec("geoseptic") is None:
    sys.path.insert(0, str(ROOT))
from common import county_options, limits  # noqa: E402

PARTS = ("drain_field", "septic_tank")
FLOW_TOOLS = {"flow_whitebox_workflows": "whitebox-workflows", "flow_pyflwdir": "pyflwdir"}
PACKAGES = ("geoseptic", "numpy", "numba", "scipy", "shapely", "pandas", "geopandas", "pyogrio", "rasterio", *FLOW_TOOLS.values())
THREADS_OF = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "RAYON_NUM_THREADS", "GDAL_NUM_THREADS")
STAGE = re.compile(r"^([a-z_ ]+): (\d+\.\d+) s$", re.MULTILINE)


@dataclass(frozen=True)
class Spent:
    """What one process took. `failed` is empty, or says why the seconds do not count."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    load_before: float
    failed: str = ""


def spent(command: Sequence[str], core: int | None, limit_s: float, threads: int = 1) -> tuple[Spent, str]:
    """Run `command` on one core (None: on any), at most `limit_s` seconds; what it took, and the text it printed."""
    load = os.getloadavg()[0]
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    env = {**os.environ, **dict.fromkeys(THREADS_OF, str(threads)), "PYTHONPATH": os.pathsep.join(paths)}
    # Where it is set, every run compiles all modules of the package anew, which no user's does.
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    started = time.perf_counter()
    process = subprocess.Popen(
        pinned(command, core), cwd=ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace"
    )
    timer = threading.Timer(limit_s, process.kill)
    timer.start()
    assert process.stdout is not None
    printed = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    timed_out = not timer.is_alive()
    timer.cancel()
    process.returncode = os.waitstatus_to_exitcode(status)
    wall_s = time.perf_counter() - started
    failed = ""
    if process.returncode:
        failed = f"stopped after {limit_s:g} s" if timed_out else f"exit {process.returncode}: {printed[-400:]}"
    per_mib = 1024 if sys.platform != "darwin" else 1024 * 1024
    return Spent(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / per_mib, load, failed), printed


def pinned(command: Sequence[str], core: int | None) -> list[str]:
    return list(command) if core is None else ["taskset", "-c", str(core), *command]


def ours(county: Path, out: Path, rules: str, core: int | None, limit_s: float) -> tuple[Spent, dict[str, float]]:
    """One run of scripts/suitability_map.py; what it took, and the seconds of each stage."""
    layers = f"{county / 'county.gpkg'}|"
    command = [
        sys.executable,
        "scripts/suitability_map.py",
        "--elevation",
        str(county / "dem.tif"),
        "--elevation-unit",
        "m",
        "--rules",
        rules,
    ]
    for name in ("parcels", "wells", "buildings", "surface_water"):
        command += [f"--{name.replace('_', '-')}", layers + name]
    command += [word for part in PARTS for word in ("--parts", part)]
    took, printed = spent([*command, "--workers", "1", "--out", str(out), "--overwrite", "-v"], core, limit_s)
    if took.failed:
        raise SystemExit(f"suitability_map failed: {took.failed}\n{printed[-2000:]}")
    stages = manifest_of(out)["seconds_by_stage"]
    # run.json is written before the stage "writing" ends; -v tells its seconds.
    stages |= {name: float(seconds) for name, seconds in STAGE.findall(printed) if name not in stages}
    return took, {**stages, "start, hashes and the rest": took.wall_s - sum(stages.values())}


def manifest_of(out: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((out / "run.json").read_text(encoding="utf-8"))
    return found


def theirs(county: Path, out: Path, flows: Sequence[str], core: int | None, limit_s: float) -> dict[str, Spent]:
    """One run of every general-purpose stage. A stage after one that failed is left out."""
    out.mkdir(parents=True, exist_ok=True)
    plan = out / "plan.json"

    def stage(name: str) -> Spent:
        command = [sys.executable, str(HERE / "peers.py"), name, "--county", str(county), "--out", str(out), "--plan", str(plan)]
        return spent(command, core, limit_s)[0]

    found = {}
    if shutil.which("gdaldem"):
        tiff = [
            "-q",
            "-co",
            "TILED=YES",
            "-co",
            "COMPRESS=DEFLATE",
        ]
        found["gdaldem slope"] = spent(["gdaldem", "slope", "-p", str(county / "dem.tif"), str(out / "slope.tif"), *tiff], core, limit_s)[0]
        found["slope classes"] = stage("slope_classes")
    for name in flows:
        found[name] = stage(name)
    found["geopandas overlay"] = stage("overlay")
    if flows and not any(took.failed for took in found.values()) and "gdaldem slope" in found:
        found["combine"] = stage("combine")
    return found


def plan_of(rules_name: str, flow: str) -> dict[str, Any]:
    """The distances and limits of the rule set, for the other side to keep too."""
    from geoseptic.io.rulefiles import load_rules
    from geoseptic.model.layers import WELL_KINDS
    from geoseptic.model.soil_survey import SLOPE_CLASSES_PERCENT
    from geoseptic.processes import inputs

    rules = load_rules(rules_name)

    def largest_m(part: str, feature: str) -> float:
        return rules.requirement(part, feature).settled({}).largest.distance_m or 0.0

    return {
        "setbacks_m": {
            part: {
                "wells": {kind: largest_m(part, feature) for kind, feature in WELL_KINDS.items()},
                "buildings": largest_m(part, "building"),
                "surface_water": largest_m(part, "surface_water"),
                "lot_line": largest_m(part, "lot_line"),
            }
            for part in PARTS
        },
        "assumed_location_error_m": inputs.ASSUMED_LOCATION_ERROR_M,
        "well_radius_m": inputs.WELL_RADIUS_M,
        "reach_m": inputs.REACH_M,
        "slope_limit_percent": rules.slope_limit("drain_field").max_percent,
        "slope_classes_percent": SLOPE_CLASSES_PERCENT,
        "flow": flow,
    }


def make_county(folder: Path, rows: int, cols: int, cell_m: float, parcels: int, wells: int, seed: int) -> None:
    """A synthetic county, made in a process of its own: what this one holds in memory is counted as part of every process it starts."""
    wanted = {"out": folder, "rows": rows, "cols": cols, "cell": cell_m, "parcels": parcels, "wells": wells, "seed": seed}
    options = [word for name, value in wanted.items() for word in (f"--{name}", str(value))]
    subprocess.run([sys.executable, str(HERE / "synthetic.py"), *options], check=True, stdout=subprocess.DEVNULL)


def agreement(mine: Path, other: Path, flows: Sequence[str], reach_m: float) -> dict[str, float]:
    """How near the two sides' results are, so that the seconds are seen to be for the same work."""
    import geopandas
    import numpy as np
    import rasterio

    found = {}
    for part, layer in (("drain_field", "field_envelope"), ("septic_tank", "tank_envelope")):
        theirs_m2 = geopandas.read_file(other / f"{part}.gpkg", layer="envelope").area.sum()
        ours_m2 = geopandas.read_file(mine / "envelopes.gpkg", layer=layer).area.sum()
        found[f"{part} envelopes, area of ours over theirs"] = ours_m2 / theirs_m2
    reached = manifest_of(mine)["counts"]["cells_reaching_a_well"]
    for name in flows:
        with rasterio.open(other / f"{name}.tif") as file:
            distance_m = file.read(1, masked=True).filled(np.inf)
        theirs_reached = np.count_nonzero((distance_m >= 0) & (distance_m <= reach_m))
        found[f"cells that reach a well, ours over those of {FLOW_TOOLS[name]}"] = reached / theirs_reached
    return {name: round(float(value), 4) for name, value in found.items()}


def machine() -> dict[str, Any]:
    """Processor, cores, system and versions."""
    model = platform.processor()
    info = Path("/proc/cpuinfo")
    if info.exists():
        model = next((line.split(":", 1)[1].strip() for line in info.read_text().splitlines() if line.startswith("model name")), model)
    versions = {"python": platform.python_version()}
    for name in PACKAGES:
        if importlib.util.find_spec(name.replace("-", "_")):
            try:
                versions[name] = importlib.metadata.version(name)
            except importlib.metadata.PackageNotFoundError:
                versions[name] = "not installed, run from the source"
    if shutil.which("gdaldem"):
        told = subprocess.run(["gdaldem", "--version"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, check=False)
        versions["gdal (gdaldem)"] = told.stdout.split(",")[0].removeprefix("GDAL ").strip()
    return {
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "processor": model,
        "cores": os.cpu_count(),
        "system": platform.system(),
        "versions": versions,
    }


def middle(values: Sequence[float]) -> str:
    """Median, with the least and the greatest."""
    return f"{statistics.median(values):.2f} ({min(values):.2f}-{max(values):.2f})"


def report(
    size: str, pairs: Sequence[Mapping[str, Any]], agreed: Mapping[str, float], missing: Sequence[str]
) -> tuple[str, dict[str, Any]]:
    """The Markdown, and the figures that it states."""
    lines = [f"## suitability_map, {size}", "", "| our stage | wall s, median (least-greatest) |", "|---|---|"]
    stages = list(pairs[0]["stages"])
    lines += [f"| {name} | {middle([pair['stages'][name] for pair in pairs])} |" for name in stages]
    mine = [pair["ours"] for pair in pairs]
    lines.append(f"| **whole process** | **{middle([one.wall_s for one in mine])}** |")
    lines += ["", f"CPU s {middle([one.cpu_s for one in mine])}; peak memory {middle([one.peak_mib for one in mine])} MiB.", ""]
    lines += ["| general-purpose stage | wall s | CPU s | peak MiB |", "|---|---|---|---|"]
    names = list(dict.fromkeys(name for pair in pairs for name in pair["theirs"]))
    for name in names:
        runs = [pair["theirs"][name] for pair in pairs if name in pair["theirs"]]
        failed = next((one.failed for one in runs if one.failed), "")
        cells = (
            (failed, "", "")
            if failed
            else (middle([one.wall_s for one in runs]), middle([one.cpu_s for one in runs]), f"{max(one.peak_mib for one in runs):.0f}")
        )
        lines.append(f"| {FLOW_TOOLS.get(name, name)} | {' | '.join(cells)} |")
    figures: dict[str, Any] = {"agreement": agreed, "missing": list(missing)}
    flows = [name for name in names if name in FLOW_TOOLS and not any(pair["theirs"][name].failed for pair in pairs)]
    if flows and "gdaldem slope" in names and not any(one.failed for pair in pairs for one in pair["theirs"].values()):
        fastest = min(flows, key=lambda name: statistics.median(pair["theirs"][name].wall_s for pair in pairs))
        named = ("gdaldem slope", fastest, "geopandas overlay")
        every = (*named, "slope classes", "combine")
        lines += ["", "| ours over theirs, each pair by itself | wall | CPU |", "|---|---|---|"]
        for title, counted in ((f"the three tools ({', '.join(FLOW_TOOLS.get(n, n) for n in named)})", named), ("all their stages", every)):
            wall = [pair["ours"].wall_s / sum(pair["theirs"][name].wall_s for name in counted) for pair in pairs]
            cpu = [pair["ours"].cpu_s / sum(pair["theirs"][name].cpu_s for name in counted) for pair in pairs]
            lines.append(f"| {title} | {middle(wall)} | {middle(cpu)} |")
            figures[f"ratio to {' + '.join(counted)}"] = {"wall": wall, "cpu": cpu}
    lines += ["", *(f"- {name}: {value}" for name, value in agreed.items())]
    lines += [f"- not measured: {name}" for name in missing]
    loads = [one.load_before for pair in pairs for one in (pair["ours"], *pair["theirs"].values())]
    waits = [one.wall_s / one.cpu_s for one in mine]
    lines.append(f"- noise: load average before a process {middle(loads)}; our wall over CPU time {middle(waits)}")
    return "\n".join(lines), figures


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    county_options(parser)
    limits(parser, pairs=3, limit_s=900.0)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench")
    options = parser.parse_args()
    out = options.out.resolve()
    core = options.core if shutil.which("taskset") else None
    missing = [] if core is not None else ["nothing was held to one core: taskset is missing"]
    missing += [] if shutil.which("gdaldem") else ["gdaldem is missing"]
    missing += [f"{FLOW_TOOLS[name]} is missing" for name in FLOW_TOOLS if not importlib.util.find_spec(name.removeprefix("flow_"))]
    flows = [name for name in FLOW_TOOLS if importlib.util.find_spec(name.removeprefix("flow_"))]
    wells = options.parcels // 2 if options.wells is None else options.wells
    cols = options.cols or options.rows

    # Compiled code is cached at the first run: neither side's compiler is part of a pair.
    warm, county = out / "warm", out / "county"
    make_county(warm / "county", 400, 400, options.cell, 200, 100, options.seed)
    make_county(county, options.rows, cols, options.cell, options.parcels, wells, options.seed)
    plan = plan_of(options.rules, flows[0] if flows else "")
    for folder in (warm / "theirs", out / "theirs"):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.json").write_text(json.dumps(plan, indent=2), encoding="utf-8")
    ours(warm / "county", warm / "ours", options.rules, core, options.limit)
    theirs(warm / "county", warm / "theirs", flows, core, options.limit)

    pairs: list[dict[str, Any]] = []
    for turn in range(options.pairs):
        pair: dict[str, Any] = {"first": "ours" if turn % 2 == 0 else "theirs"}
        if turn % 2:
            pair["theirs"] = theirs(county, out / "theirs", flows, core, options.limit)
        pair["ours"], pair["stages"] = ours(county, out / "ours", options.rules, core, options.limit)
        if turn % 2 == 0:
            pair["theirs"] = theirs(county, out / "theirs", flows, core, options.limit)
        pairs.append(pair)
        print(f"pair {turn + 1} of {options.pairs}", file=sys.stderr)

    whole = not any(took.failed for took in pairs[-1]["theirs"].values())
    agreed = agreement(out / "ours", out / "theirs", flows, plan["reach_m"]) if whole else {}
    size = f"{options.rows} x {cols} cells of {options.cell:g} m, {options.parcels} parcels, {wells} wells, {options.rules}, one core"
    text, figures = report(size, pairs, agreed, missing)
    print(text)
    plain = [
        {**pair, "ours": asdict(pair["ours"]), "theirs": {name: asdict(took) for name, took in pair["theirs"].items()}} for pair in pairs
    ]
    results = {"size": size, "machine": machine(), "plan": plan, "pairs": plain, **figures}
    (out / "results.json").write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
