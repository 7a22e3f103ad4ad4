"""suitability_map once more after one change, with what an earlier run kept, beside full runs without.

    python tests/benchmarks/bench_repeat.py [--rows 15000 --parcels 100000 --workers 2 --times 3]

Changes of one county, each by itself: one well moved by 3 m; one parcel; a well more at the end of its layer; one in its middle, which
gives the rows of half of all wells another number. Of each a full run without a store, right after it so many runs that go on from what
was kept of the county before the change, and all outputs compared, byte for byte and GeoPackages row by row. Prints Markdown; figures go
to OUT/repeat.json.
"""

import argparse
import filecmp
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
from statistics import median

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from bench_county import run_ours  # noqa: E402
from bench_suitability_map import Spent, machine, make_county, manifest_of  # noqa: E402
from common import LAYERS, county_options  # noqa: E402

CHANGES = {
    "one well moved": ("wells", ""),
    "one parcel moved": ("parcels", ""),
    "one well more at the end": ("wells", "end"),
    "one well more in the middle": ("wells", "middle"),
}
"""What is done, to which layer, and where something is added."""


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    county_options(parser)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--times", type=int, default=3, help="runs after each change; their median counts")
    parser.add_argument("--changes", nargs="+", choices=CHANGES, default=list(CHANGES))
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--limit", type=float, default=7200.0, help="seconds after which a process is stopped")
    parser.add_argument("--out", type=Path, default=HERE.parents[1] / "out" / "bench_repeat")
    asked = parser.parse_args()
    out, cols = asked.out.resolve(), asked.cols or asked.rows
    wells = asked.parcels // 2 if asked.wells is None else asked.wells
    county, full, before = out / "county", out / "full", out / "before"
    shutil.rmtree(out, ignore_errors=True)
    make_county(out / "warm", 400, 400, asked.cell, 200, 100, asked.seed)
    make_county(county, asked.rows, cols, asked.cell, asked.parcels, wells, asked.seed)
    for name in asked.changes:
        # In a process of its own: what this one holds in memory is counted as part of every process that it starts.
        change = f"import bench_repeat as b; b.changed({str(county)!r}, {str(out / name)!r}, *{CHANGES[name]!r})"
        subprocess.run([sys.executable, "-c", change], cwd=HERE, check=True)
    rest = asked.rules, asked.workers, asked.limit
    # Compiled kernels are cached by this, on both sides.
    run_ours(out / "warm", full, *rest)
    done: dict[str, list[tuple[Spent, dict[str, float]]]] = {}
    counts, differing, ratios = {}, {}, {}

    def alone(place: Path, to: Path, *options: str) -> tuple[Spent, dict[str, float]]:
        """A run that nothing else is written to the disk beside: of a full run gigabytes are still due when it ends."""
        os.sync()
        return run_ours(place, to, *rest, *options)

    def once_more(name: str, place: Path) -> None:
        """A run that goes on from `before`, which stays as it is."""
        now = out / "now"
        shutil.rmtree(now, ignore_errors=True)
        shutil.copytree(before, now, copy_function=os.link)
        # What is kept of outputs names their folder, so all runs have the same.
        done.setdefault(name, []).append(alone(place, now / "out", f"--keep={now / 'keep'}"))
        counts[name] = manifest_of(now / "out")["kept"]

    done["empty store"] = [alone(county, before / "out", f"--keep={before / 'keep'}")]
    once_more("nothing changed", county)
    for name in asked.changes:
        # One after the other: from hour to hour the machine is not the same.
        done[f"full, {name}"] = [alone(out / name, full)]
        for _ in range(asked.times):
            once_more(name, out / name)
        files = [path.name for path in full.iterdir() if path.name != "run.json"]
        differing[name] = [file for file in files if not same(full / file, out / "now" / "out" / file)]
        whole = done[f"full, {name}"][0][0]
        ratios[name] = {of: median(getattr(took, of) for took, _ in done[name]) / getattr(whole, of) for of in ("wall_s", "cpu_s")}
    what = f"{asked.parcels} parcels, {wells} wells, {asked.rules}, {asked.workers} workers"
    print(f"### {asked.rows} x {cols} cells of {asked.cell:g} m, {what}\n")
    head = "run", "wall s", "CPU s", "wall over full", "CPU over full", "peak MiB", "load before", "files that differ"
    print(f"| {' | '.join(head)} |\n{'|---' * len(head)}|")
    for name, runs in done.items():
        told = [spread([getattr(took, of) for took, _ in runs]) for of in ("wall_s", "cpu_s")]
        own = ratios.get(name, {})
        peak, load = max(took.peak_mib for took, _ in runs), max(took.load_before for took, _ in runs)
        over = " | ".join(f"{own[of]:.3f}" if own else "" for of in ("wall_s", "cpu_s"))
        print(f"| {name} | {' | '.join(told)} | {over} | {peak:.0f} | {load:.1f} | {', '.join(differing[name]) or 'none' if own else ''} |")
    print("\n| stage, s | " + " | ".join(done) + " |\n|---|" + "---|" * len(done))
    for stage in done["empty store"][0][1]:
        print(
            f"| {stage} | " + " | ".join(f"{median(seconds.get(stage, 0.0) for _, seconds in runs):.1f}" for runs in done.values()) + " |"
        )
    for name, record in counts.items():
        print(f"\n{name}, {record['bytes'] / 2**20:.0f} MiB kept: {json.dumps(record['steps'])}")
    plain = {name: [{**asdict(took), "stages": stages} for took, stages in runs] for name, runs in done.items()}
    figures = {"machine": machine(), "runs": plain, "ratios": ratios, "kept": counts, "differing": differing}
    (out / "repeat.json").write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


def spread(values: list[float]) -> str:
    """The median, and of several the least and the greatest."""
    return f"{median(values):.1f}" + (f" ({min(values):.1f}-{max(values):.1f})" if len(values) > 1 else "")


def same(one: Path, other: Path) -> bool:
    """Whether two files hold the same bytes, two GeoPackages the same rows in all tables but the nodes of spatial indexes."""
    if one.suffix != ".gpkg":
        return filecmp.cmp(one, other, shallow=False)
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
