"""county_map in a headless browser without a network: time to ready, heap, size of the file, time of a filter and of a search.

    python tests/benchmarks/bench_county_map.py --parcels 2000 20000 100000

Needs `pip install playwright` and a Chromium (`--browser`). Writes invented screenings to OUT: lots of synthetic.py with corners added
along their sides, and rows in the words of a screening, drawn at random; they make a load, not a county. Prints a table in Markdown.
"""

import argparse
import json
import os
import statistics
import sys
import time
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import shapely

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
import synthetic  # noqa: E402

from geoseptic.run.cli import main as run  # noqa: E402
from geoseptic.systems.verdict import VERDICTS  # noqa: E402

LOT_M2 = 3_000
DRAWN = ("field_ft2", "fall_along_ft", "slope_percent", "lift_ft", "run_ft", "well_ft", "path_ft")
TIMED = ("filter_ms", "zoom_ms", "search_ms", "pick_ms")
UNTIL_DRAWN = """async () => {
    const begun = performance.now();
    %s;
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    return performance.now() - begun;
}"""


def write_screening(folder: Path, count: int, corners_a_side: int, seed: int) -> None:
    """The `screening.gpkg` and `run.json` of a run that never was, as far as county_map reads them."""
    folder.mkdir(parents=True, exist_ok=True)
    side = int(np.sqrt(count * LOT_M2 * 1.6) / 2) + 60
    rng = np.random.default_rng(seed)
    extent = synthetic.Extent(side, side, 2.0)
    corners = synthetic.lay_out(extent, count, rng).corners_m
    shares = np.arange(corners_a_side)[None, None, :, None] / corners_a_side
    along = corners[:, :, None] * (1 - shares) + np.roll(corners, -1, axis=1)[:, :, None] * shares
    shapes = shapely.polygons(synthetic.to_map(along.reshape(len(corners), -1, 2), extent))
    ids = [f"P{number:07d}" for number in range(count)]

    def some(words: list[str]) -> list[str]:
        return [words[at] for at in rng.integers(0, len(words), count)]

    def numbers(low: float, high: float, known: float = 1.0) -> Any:
        return np.where(rng.random(count) < known, np.round(rng.uniform(low, high, count), 1), np.nan)

    features = ["private well", "building", "lot line", "water line", "surface water", "driveway", "pool"]
    binding = [", ".join(features[first : first + length]) for first in range(5) for length in (1, 2, 3)]
    wells = [f"presumed on {name}" for name in ids]
    columns = {
        "parcel_id": ids,
        "verdict": some(list(VERDICTS)),
        "reasons": [f"no room for field and reserve between the setbacks from {words}" for words in some(binding)],
        "fits_without": some(["", "", "private well", "lot line, building"]),
        "assumptions": [
            f"soil {soil} by the soil map, not by a test on the lot; place of wells assumed: {well}"
            for soil, well in zip(some(["loam", "clay loam", "sand", "silt loam"]), some(wells), strict=True)
        ],
        "public_sewer": some(["yes", "no", ""]),
        "bedrooms": rng.integers(1, 6, count),
        "lot_ft2": np.round(shapely.area(shapes) / 0.3048**2),
        "envelope_ft2": np.round(numbers(0, 15_000)),
        "largest_ft2": np.round(numbers(0, 12_000)),
        **{f"{name}_ft": np.round(numbers(80, 800)) for name in ("trench", "trench_low", "trench_high")},
        "drawn_for": some(["", "largest", "planned"]),
        "tank_gal": some(["900", "1000", "1250"]),
        **{name: numbers(0, 500, 0.4) for name in DRAWN},
        "nearest_well": some(wells),
        "downslope_well": "",
        "soil": some(["", "loam", "clay loam"]),
        "notes": some(["", "the soil may also be one that the code does not accept"]),
    }
    file = folder / "screening.gpkg"
    file.unlink(missing_ok=True)
    geopandas.GeoDataFrame(columns, geometry=shapes, crs=synthetic.CRS).to_file(file, layer="parcels", driver="GPKG", engine="pyogrio")
    record = {
        "process": "screen_county",
        "geoseptic": "0",
        "started": "2026-01-01T00:00:00Z",
        "inputs": {},
        "parameters": {},
        "rules": {"id": "invented", "title": "Invented rules", "edition": "none", "summary": "A load."},
        "warnings": ["invented"],
        "failures": [],
    }
    (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")


def measured(browser: Any, page_file: Path, size: tuple[int, int]) -> dict[str, float]:
    """One opening: milliseconds, and MB of heap after a collection."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, offline=True)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    session = context.new_cdp_session(page)
    session.send("Performance.enable")
    page.goto(page_file.resolve().as_uri())
    page.wait_for_selector("html[data-ready-ms]", state="attached", timeout=180_000)
    found = {"ready_ms": float(page.evaluate("document.documentElement.dataset.readyMs"))}
    metrics = {item["name"]: item["value"] for item in session.send("Performance.getMetrics")["metrics"]}
    found["task_s"] = metrics["TaskDuration"]
    session.send("HeapProfiler.enable")
    session.send("HeapProfiler.collectGarbage")
    used = session.send("Runtime.getHeapUsage")
    # Typed arrays lie beside the heap.
    found["heap_mb"] = (used["usedSize"] + used.get("backingStorageSize", 0)) / 1e6
    timed = {
        "filter_ms": "document.querySelector('#facets input').click()",
        "zoom_ms": "document.querySelector('.leaflet-control-zoom-in').click()",
        "search_ms": "const box = document.querySelector('#search'); box.value = '42'; box.dispatchEvent(new Event('input'))",
        "pick_ms": "document.querySelector('#found button').click()",
    }
    for name, doing in timed.items():
        found[name] = float(page.evaluate(UNTIL_DRAWN % doing))
    context.close()
    if faults:
        raise RuntimeError(f"{page_file}: {faults}")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parcels", type=int, nargs="+", default=[2_000, 20_000, 100_000])
    parser.add_argument("--corners", type=int, default=3, help="corners on each of the four sides of a lot")
    parser.add_argument("--times", type=int, default=3, help="how often each page is opened")
    parser.add_argument("--browser", default="/usr/bin/chromium")
    parser.add_argument("--out", type=Path, default=Path("out/bench_map"))
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    from playwright.sync_api import sync_playwright

    print(f"load {os.getloadavg()[0]:.0f}, medians of {asked.times}, {4 * asked.corners} corners a lot\n")
    heads = ("parcels", "view", "making it, CPU s", "file MB", "ready ms", "tasks s", "heap MB", *TIMED)
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=asked.browser, args=["--no-sandbox"])
        for count in asked.parcels:
            folder = asked.out / str(count)
            write_screening(folder / "screening", count, asked.corners, asked.seed)
            begun = time.process_time()
            assert run("county_map", ["--screening", str(folder / "screening"), "--out", str(folder), "--overwrite", "-q"]) == 0
            made_s = time.process_time() - begun
            page_file = folder / "county_map.html"
            for view, size in (("desktop", (1280, 800)), ("phone", (360, 740))):
                runs = [measured(browser, page_file, size) for _ in range(asked.times)]
                middle = {name: statistics.median(found[name] for found in runs) for name in runs[0]}
                shown = [f"{count:,}", view, f"{made_s:.1f}", f"{page_file.stat().st_size / 1e6:.2f}", f"{middle['ready_ms']:.0f}"]
                shown += [f"{middle['task_s']:.2f}", f"{middle['heap_mb']:.0f}", *(f"{middle[name]:.0f}" for name in TIMED)]
                print(f"| {' | '.join(shown)} |", flush=True)
        browser.close()


if __name__ == "__main__":
    main()
