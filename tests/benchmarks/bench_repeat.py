"""suitability_map once more after one changed well or parcel, with what an earlier run kept, beside a full run without.

    python tests/benchmarks/bench_repeat.py [--rows 15000 --parcels 100000 --workers 2]

Runs: full without a store; first with an empty store; nothing changed; one well moved by 3 m; then a parcel too; then a well more at the
end of its layer; then one in its middle, which gives half of all wells another number. The outputs of the last are compared, byte for byte
and GeoPackages row by row, with those of a full run over the same county. Prints Markdown; figures go to OUT/repeat.json.
"""

import argparse
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import asdict
from itertools import zip_longest
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from bench_county import run_ours  # noqa: E402
from bench_suitability_map import Spent, machine, make_county, manifest_of  # noqa: E402
from common import LAYERS, county_options  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    county_options(parser)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--limit", type=float, default=7200.0, help="seconds after which a process is stopped")
    parser.add_argument("--out", type=Path, default=HERE.parents[1] / "out" / "bench_repeat")
    asked = parser.parse_args()
    out, cols = asked.out.resolve(), asked.cols or asked.rows
    wells = asked.parcels // 2 if asked.wells is None else asked.wells
    keep = out / "keep"
    for folder in (keep, out / "full", out / "kept"):
        shutil.rmtree(folder, ignore_errors=True)
    warm, county, well, parcel, more, middle = (out / name for name in ("warm", "county", "well", "parcel", "more", "middle"))
    make_county(warm, 400, 400, asked.cell, 200, 100, asked.seed)
    make_county(county, asked.rows, cols, asked.cell, asked.parcels, wells, asked.seed)
    # In a process of its own: what this one holds in memory is counted as part of every process that it starts.
    steps = (county, well, "wells", ""), (well, parcel, "parcels", ""), (parcel, more, "wells", "end"), (more, middle, "wells", "middle")
    for source, target, layer, added in steps:
        change = f"import bench_repeat as b; b.changed({str(source)!r}, {str(target)!r}, {layer!r}, {added!r})"
        subprocess.run([sys.executable, "-c", change], cwd=HERE, check=True)
    # Compiled kernels are cached by this, on both sides.
    run_ours(warm, out / "full", asked.rules, asked.workers, asked.limit)
    rest = asked.rules, asked.workers, asked.limit
    done: dict[str, tuple[Spent, dict[str, float]]] = {"full, no store": run_ours(county, out / "full", *rest)}
    counts = {}
    one_each = ("one well moved", well), ("one parcel moved", parcel), ("one well more", more), ("one more in the middle", middle)
    for name, place in (("empty store", county), ("nothing changed", county), *one_each):
        done[name] = run_ours(place, out / "kept", *rest, f"--keep={keep}")
        counts[name] = manifest_of(out / "kept")["kept"]
    run_ours(middle, out / "full", *rest)
    files = [path for path in (out / "full").iterdir() if path.name != "run.json"]
    differing = [path.name for path in files if not same(path, out / "kept" / path.name)]
    whole = done["full, no store"][0]
    what = f"{asked.parcels} parcels, {wells} wells, {asked.rules}, {asked.workers} workers"
    print(f"### {asked.rows} x {cols} cells of {asked.cell:g} m, {what}\n")
    print("| run | wall s | CPU s | CPU over full | peak MiB | load before |\n|---|---|---|---|---|---|")
    for name, (took, _) in done.items():
        share = took.cpu_s / whole.cpu_s
        print(f"| {name} | {took.wall_s:.1f} | {took.cpu_s:.1f} | {share:.3f} | {took.peak_mib:.0f} | {took.load_before:.1f} |")
    print("\n| stage | " + " | ".join(done) + " |\n|---|" + "---|" * len(done))
    for stage in done["empty store"][1]:
        print(f"| {stage} | " + " | ".join(f"{seconds.get(stage, 0.0):.1f}" for _, seconds in done.values()) + " |")
    for name, record in counts.items():
        print(f"\n{name}, {record['bytes'] / 2**20:.0f} MiB kept: {json.dumps(record['steps'])}")
    print(f"\nFiles that differ from a full run of the last county: {differing or 'none'} of {len(files)}.")
    plain = {name: {**asdict(took), "stages": stages} for name, (took, stages) in done.items()}
    figures = {"machine": machine(), "runs": plain, "kept": counts, "differing": differing}
    (out / "repeat.json").write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


def same(one: Path, other: Path) -> bool:
    """Whether two files hold the same bytes, two GeoPackages the same rows in all tables but the nodes of spatial indexes."""
    if one.suffix != ".gpkg":
        return one.read_bytes() == other.read_bytes()
    with closing(sqlite3.connect(one)) as database:
        database.execute("ATTACH ? AS other", (str(other),))
        listed = [database.execute(f"SELECT type, name, sql FROM {where}.sqlite_master ORDER BY type, name") for where in ("main", "other")]
        found, theirs = (cursor.fetchall() for cursor in listed)
        tables = [name for kind, name, _ in found if kind == "table" and not name.startswith("rtree_")]
        both = ([database.execute(f'SELECT * FROM {where}."{name}"') for where in ("main", "other")] for name in tables)
        return found == theirs and all(row == its for mine, its_own in both for row, its in zip_longest(mine, its_own))


def changed(source: str, target: str, changed_layer: str, added: str) -> None:
    """A copy of a county in which the middle feature of one layer lies 3 m farther north-east, or there is another one there, in the
    "middle" or at the "end" of the layer."""
    import geopandas
    import pandas
    import shapely

    Path(target).mkdir(parents=True, exist_ok=True)
    shutil.copy(Path(source) / "dem.tif", Path(target) / "dem.tif")
    (Path(target) / "county.gpkg").unlink(missing_ok=True)
    for layer in LAYERS:
        frame = geopandas.read_file(f"{source}/county.gpkg", layer=layer)
        if layer == changed_layer:
            middle = len(frame) // 2
            other = frame.iloc[[middle]].copy()
            other.geometry = geopandas.GeoSeries(
                shapely.transform(other.geometry.to_numpy(), lambda xy: xy + 3.0), other.index, crs=frame.crs
            )
            if added:
                other["well_id"] = f"one more at the {added}"
            at = len(frame) if added == "end" else middle
            frame = pandas.concat([frame.iloc[:at], other, frame.iloc[at + (not added) :]], ignore_index=True)
        frame.to_file(f"{target}/county.gpkg", layer=layer, driver="GPKG")


if __name__ == "__main__":
    main()
