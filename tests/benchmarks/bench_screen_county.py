"""screen_county on a synthetic county: parcels a second, what each test decides, seconds by stage, peak memory.

    python tests/benchmarks/bench_screen_county.py [--rows 4000 --parcels 20000 --workers 2]

Prints Markdown; the run's own files go to OUT. There is no peer to run beside it: no general-purpose tool lays out a drain field.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, default in (("rows", 4000), ("cols", 4000), ("parcels", 20000), ("wells", 10000), ("workers", 2), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_screen")
    asked = parser.parse_args()
    county = asked.out / "county"
    shape = [f"--{name}={getattr(asked, name)}" for name in ("rows", "cols", "parcels", "wells", "seed")]
    subprocess.run([sys.executable, HERE / "synthetic.py", f"--out={county}", "--cell=2", *shape], check=True, stdout=subprocess.DEVNULL)
    layers = {name: f"{county / 'county.gpkg'}|{name}" for name in ("parcels", "wells", "buildings", "surface_water")}
    command = [
        sys.executable, ROOT / "scripts" / "screen_county.py", *(f"--{name.replace('_', '-')}={source}" for name, source in layers.items()),
        f"--elevation={county / 'dem.tif'}", "--elevation-unit=m", f"--rules={asked.rules}", f"--workers={asked.workers}",
        f"--out={asked.out / 'screen'}", "--overwrite", "-v",
    ]  # fmt: skip
    paths = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    started = time.perf_counter()
    subprocess.run(command, check=True, cwd=ROOT, env={**os.environ, "PYTHONPATH": paths}, stdout=subprocess.DEVNULL)
    wall_s = time.perf_counter() - started
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    record = json.loads((asked.out / "screen" / "run.json").read_text(encoding="utf-8"))
    parcels = record["counts"]["parcels"]
    room_s = record["seconds_by_stage"]["room for fields"]
    print(
        f"{parcels} parcels, {asked.workers} workers, {asked.rules}: {wall_s:.1f} s wall, {used.ru_utime + used.ru_stime:.1f} s CPU, ",
        end="",
    )
    print(f"{used.ru_maxrss / 1024:.0f} MiB peak; {parcels / room_s:.0f} parcels a second in the search for room\n")
    print("| stage | seconds |\n|---|---|")
    for name, seconds in record["seconds_by_stage"].items():
        print(f"| {name} | {seconds:.1f} |")
    print("\n| decided by | share |\n|---|---|")
    for name, count in record["counts"]["parcels_decided_by"].items():
        print(f"| {name} | {100 * count / parcels:.1f} % |")
    print("\n| verdict | parcels |\n|---|---|")
    for name, count in record["counts"].items():
        if name.startswith("parcels: "):
            print(f"| {name.removeprefix('parcels: ')} | {count} |")


if __name__ == "__main__":
    main()
