"""suitability_map on a large synthetic county, whole machine, beside the chain of general-purpose tools that makes the same layers.

    python tests/benchmarks/bench_county.py [--rows 15000 --parcels 100000 --workers 2] [--sides ours chain]

Both sides may use every core and leave the same layers: slope and its classes, flow path distance, its answers, the nearest well, ponding,
envelopes of two parts, suitability, its classes and the reasons, each as a Cloud Optimized GeoTIFF. Prints Markdown; figures go to
OUT/county.json.
Needs the extra `bench`, gdaldem, gdal_rasterize, gdal_calc.py and gdal_translate.
"""

import argparse
import json
import os
import shutil
import statistics
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from bench_suitability_map import PARTS, Spent, machine, make_county, manifest_of, plan_of, spent  # noqa: E402
from common import county_options, inputs_of  # noqa: E402

FINAL = ("slope", "slope_class", "well_path", "well_path_code", "well_path_well", "ponding", "suitability", "suitability_class", "reasons")
REASONS = ("lot_line", "wells", "buildings", "surface_water")
TIFF = ("-co", "TILED=YES", "-co", "COMPRESS=DEFLATE", "-co", "NUM_THREADS=ALL_CPUS", "-co", "BIGTIFF=IF_SAFER")


def chain(county: Path, out: Path, plan: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """The commands, in their order, each with its name."""
    reach_m, limit = plan["reach_m"], plan["slope_limit_percent"]
    slight, moderate = plan["slope_classes_percent"]

    def peer(stage: str) -> list[str]:
        return [sys.executable, str(HERE / "peers.py"), stage, "--county", str(county), "--out", str(out), "--plan", str(out / "plan.json")]

    def calc(target: str, kind: str, nodata: str, sources: dict[str, str], formula: str) -> tuple[str, list[str]]:
        inputs = [word for letter, name in sources.items() for word in (f"-{letter}", str(at(name)))]
        made = [word.replace("-co", "--co") for word in TIFF]
        options = [f"--outfile={at(target)}", f"--type={kind}", f"--NoDataValue={nodata}", "--hideNoData", "--overwrite", "--quiet"]
        return f"gdal_calc {target}", ["gdal_calc.py", *inputs, *options, f"--calc={formula}", *made]

    def burn(layer: str, target: str, source: Path) -> tuple[str, list[str]]:
        extent = plan["extent"]
        size = ["-te", *map(str, extent["bounds"]), "-ts", str(extent["cols"]), str(extent["rows"])]
        return f"gdal_rasterize {target}", [
            "gdal_rasterize", "-q", "-l", layer, "-burn", "1", "-at", "-ot", "Byte", *size, *TIFF, str(source), str(at(target)),
        ]  # fmt: skip

    def at(name: str) -> Path:
        return county / "dem.tif" if name == "dem" else out / f"{name}.tif"

    rating = f"minimum(interp(A,[0,{limit}],[100,1]),where(B<0,100,interp(B,[0,{reach_m}],[1,100])))"
    return [
        ("gdaldem slope", ["gdaldem", "slope", "-p", "-compute_edges", "-q", str(at("dem")), str(at("slope")), *TIFF]),
        calc("slope_class", "Byte", "255", {"A": "slope"}, f"where(A<0,255,1+(A>={slight})+(A>{moderate})+(A>{limit}))"),
        ("wells as discs and numbers", peer("county_wells")),
        ("whitebox-workflows fill", peer("county_fill")),
        calc("ponding", "Float32", "-9999", {"A": "filled", "B": "dem"}, "where(A-B<0.15,0,A-B)"),
        ("whitebox-workflows distance", peer("county_distance")),
        ("whitebox-workflows pointer, watershed", peer("county_nearest")),
        calc("well_path", "Float32", "-1", {"A": "distance"}, f"where((A>=0)*(A<={reach_m}),A,-1)"),
        calc("well_path_code", "Byte", "0", {"A": "well_path"}, "where(A>=0,1,2)"),
        ("geopandas overlay, two parts", peer("overlay")),
        ("buffers by feature", peer("county_zones")),
        burn("envelope", "envelope", out / "drain_field.gpkg"),
        *(burn(name, f"near_{name}", out / "zones.gpkg") for name in REASONS),
        calc(
            "suitability", "Byte", "255", {"A": "slope", "B": "well_path", "C": "envelope"},
            f"where(A<0,255,(C>0)*(A<={limit})*({rating}))",
        ),
        calc("suitability_class", "Byte", "255", {"A": "suitability"}, "where(A==255,5,(A>0)*1+(A>33)*1+(A>66)*1)"),
        calc(
            "reasons", "UInt16", "65535",
            {"A": "slope", "B": "ponding", **{letter: f"near_{name}" for letter, name in zip("CDEF", REASONS, strict=True)}},
            f"(A>{limit})*1+(B>0)*2+(C>0)*4+(D>0)*8+(E>0)*16+(F>0)*32+(A<0)*64",
        ),
        *(
            (f"gdal_translate {name}", ["gdal_translate", "-q", "-of", "COG", "-co", "COMPRESS=DEFLATE", "-co", "NUM_THREADS=ALL_CPUS",
                                        "-co", "BIGTIFF=IF_SAFER", str(at(name)), str(out / "cog" / f"{name}.tif")])
            for name in FINAL
        ),
    ]  # fmt: skip


def run_chain(county: Path, out: Path, plan: dict[str, Any], threads: int, limit_s: float) -> dict[str, Spent]:
    """Every stage of the chain from an empty folder; what each took. Ends at the first that fails."""
    shutil.rmtree(out, ignore_errors=True)
    (out / "cog").mkdir(parents=True)
    (out / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    found: dict[str, Spent] = {}
    for name, command in chain(county, out, plan):
        found[name] = spent(command, None, limit_s, threads)[0]
        print(f"{name}: {found[name].wall_s:.1f} s {found[name].failed}", file=sys.stderr)
        if found[name].failed:
            break
    return found


def run_ours(county: Path, out: Path, rules: str, workers: int, limit_s: float, *more: str) -> tuple[Spent, dict[str, float]]:
    """One run of scripts/suitability_map.py; what it took with its worker processes, and the seconds of each stage."""
    parts = [word for part in PARTS for word in ("--parts", part)]
    command = [
        sys.executable, "scripts/suitability_map.py", *inputs_of(county), f"--rules={rules}", *parts,
        f"--workers={workers}", f"--out={out}", "--overwrite", "-v", *more,
    ]  # fmt: skip
    took, printed = spent(command, None, limit_s, workers)
    if took.failed:
        raise SystemExit(f"suitability_map failed: {took.failed}\n{printed[-2000:]}")
    return took, manifest_of(out)["seconds_by_stage"]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    county_options(parser)
    parser.set_defaults(rows=15_000, parcels=100_000)
    parser.add_argument("--pairs", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--sides", nargs="+", choices=("ours", "chain"), default=["ours", "chain"])
    parser.add_argument("--limit", type=float, default=7200.0, help="seconds after which a process is stopped")
    parser.add_argument("--out", type=Path, default=HERE.parents[1] / "out" / "bench_county")
    asked = parser.parse_args()
    out, cols = asked.out.resolve(), asked.cols or asked.rows
    wells = asked.parcels // 2 if asked.wells is None else asked.wells
    warm, county = out / "warm", out / "county"
    make_county(warm, 400, 400, asked.cell, 200, 100, asked.seed)
    made = {"rows": asked.rows, "cols": cols, "cell": asked.cell, "parcels": asked.parcels, "wells": wells, "seed": asked.seed}
    told = county / "made.json"
    if not told.exists() or json.loads(told.read_text(encoding="utf-8")) != made:
        make_county(county, asked.rows, cols, asked.cell, asked.parcels, wells, asked.seed)
        told.write_text(json.dumps(made), encoding="utf-8")
    if "ours" in asked.sides:
        run_ours(warm, out / "ours", asked.rules, asked.workers, asked.limit)
    # synthetic.py places every county's south-west corner at the same point of the map.
    west, south = 400_000.0, 4_700_000.0 - asked.rows * asked.cell
    bounds = (west, south, west + cols * asked.cell, south + asked.rows * asked.cell)
    plan = {**plan_of(asked.rules, ""), "extent": {"rows": asked.rows, "cols": cols, "bounds": bounds}}
    pairs: list[dict[str, Any]] = []
    for turn in range(asked.pairs):
        pair: dict[str, Any] = {}
        for side in asked.sides if turn % 2 == 0 else asked.sides[::-1]:
            if side == "ours":
                pair["ours"], pair["stages"] = run_ours(county, out / "ours", asked.rules, asked.workers, asked.limit)
            else:
                pair["chain"] = run_chain(county, out / "chain", plan, asked.workers, asked.limit)
        pairs.append(pair)
    print(report(asked, cols, wells, pairs))
    plain = [{name: _plain(value) for name, value in pair.items()} for pair in pairs]
    (out / "county.json").write_text(json.dumps({"size": made, "machine": machine(), "pairs": plain}, indent=2) + "\n", encoding="utf-8")


def report(asked: argparse.Namespace, cols: int, wells: int, pairs: list[dict[str, Any]]) -> str:
    """The figures in Markdown; of several pairs the medians."""
    millions = asked.rows * cols / 1e6
    what = f"{asked.parcels} parcels, {wells} wells, {asked.rules}, {asked.workers} workers"
    lines = [f"### {asked.rows} x {cols} cells of {asked.cell:g} m, {what}", ""]
    if "ours" in asked.sides:
        wall_s, cpu_s = (statistics.median(getattr(pair["ours"], name) for pair in pairs) for name in ("wall_s", "cpu_s"))
        peak_mib, load = max(pair["ours"].peak_mib for pair in pairs), pairs[0]["ours"].load_before
        lines += [
            f"Ours: {wall_s:.1f} s wall, {cpu_s:.1f} s CPU, {peak_mib:.0f} MiB in the largest process, load before {load:.1f};",
            f"{wall_s / millions:.3f} s wall and {cpu_s / millions:.3f} s CPU a million cells.",
            "\n| stage | s |\n|---|---|",
        ]
        lines += [f"| {name} | {seconds:.1f} |" for name, seconds in pairs[0]["stages"].items()]
    if "chain" in asked.sides:
        lines += ["\n| stage of the chain | wall s | CPU s | peak MiB |\n|---|---|---|---|"]
        for name in pairs[0]["chain"]:
            runs = [pair["chain"][name] for pair in pairs]
            middle = [statistics.median(getattr(one, figure) for one in runs) for figure in ("wall_s", "cpu_s")]
            lines.append(f"| {name} | {middle[0]:.1f} | {middle[1]:.1f} | {max(one.peak_mib for one in runs):.0f} | {runs[0].failed}")
        whole_s = [_seconds(pair["chain"], "") for pair in pairs]
        lines.append(f"| **whole chain** | **{statistics.median(whole_s):.1f}** | | |")
        if "ours" in asked.sides:
            whole, bare = (
                statistics.median(pair["ours"].wall_s / _seconds(pair["chain"], without) for pair in pairs)
                for without in ("", "gdal_translate")
            )
            lines += [f"\nOurs over the chain, wall: {whole:.2f}; over the chain without its COGs {bare:.2f}."]
    return "\n".join(lines)


def _seconds(stages: dict[str, Spent], without: str) -> float:
    """Wall time of the stages, those of one tool left out."""
    return sum(one.wall_s for name, one in stages.items() if not without or not name.startswith(without))


def _plain(value: Any) -> Any:
    if isinstance(value, Spent):
        return asdict(value)
    return {name: _plain(one) for name, one in value.items()} if isinstance(value, dict) else value


if __name__ == "__main__":
    main()
