"""The chances of fitting on the lots of a synthetic county: CPU time a lot, and what decided the draws.

    python tests/benchmarks/bench_uncertainty.py [--parcels 20000] [--draws 200] [--sample 500] [--workers 1]

A first process reads the county and makes all that the chances need, as `uncertainty` does: that is not timed. Then the draws of the lots
are decided (`drawn_lots`), of so many picked at random by the seed where `--sample` says so; this is timed. No general-purpose tool does
anything like it: the peer is the real search on every draw's own envelope, of the first `--brute` of these lots. Prints Markdown; writes
every figure to OUT/results.json.
"""

import argparse
import json
import math
import pickle
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_fit import cpu_s
from bench_suitability_map import ROOT, machine, make_county, spent
from common import limits

GIVEN = "given.pickle"
WARM_LOTS = 3


def prepare(county: Path, out: Path, rules: str, draws: int) -> None:
    """Run `uncertainty` up to where the draws are decided, and keep what that is given."""
    from geoseptic.processes import chance_fits, chance_maps
    from geoseptic.processes.workers import Pool
    from geoseptic.run.cli import main

    def keep(self: Pool, task: Any, lots: Any, *columns: Any) -> None:
        (out / GIVEN).write_bytes(pickle.dumps((lots, self.setting, columns)))
        raise SystemExit(0)

    chance_maps.clear_results = chance_maps.slope_results = lambda *_: None
    Pool.each = keep
    assert chance_fits.pool_of
    layers = f"{county / 'county.gpkg'}|"
    sources = [
        word for name in ("parcels", "wells", "buildings", "surface_water") for word in (f"--{name.replace('_', '-')}", layers + name)
    ]
    ground = ["--elevation", str(county / "dem.tif"), "--elevation-unit", "m", "--rules", rules, "--draws", str(draws)]
    main("uncertainty", [*sources, *ground, "--out", str(out / "uncertainty"), "--overwrite"])


def drawn(given: Path, sample: int, seed: int, brute: int, workers: int) -> dict[str, Any]:
    """Decide the draws of the sampled lots; CPU seconds, and what decided them. Then search every draw of some of them."""
    import numpy as np

    from geoseptic.chance.fits import WAYS, _Asker
    from geoseptic.processes.chance_cases import case_of
    from geoseptic.processes.chance_fits import drawn_lots
    from geoseptic.processes.workers import pool_of

    lots, setting, (cases, certainty) = pickle.loads(given.read_bytes())
    rows = np.arange(len(lots))
    if 0 < sample < len(rows):
        rows = np.sort(np.random.default_rng(seed).permutation(rows)[:sample])
    lots, cases, certainty = lots.of(rows), cases[rows], certainty[rows]
    drawn_lots(lots.of(slice(0, WARM_LOTS)), setting, cases[:WARM_LOTS], certainty[:WARM_LOTS])
    begun, begun_cpu = time.perf_counter(), cpu_s()
    with pool_of(setting, workers, len(lots)) as pool:
        parts, failed = pool.each(drawn_lots, lots, cases, certainty)
    found = {"wall_s": time.perf_counter() - begun, "cpu_s": cpu_s() - begun_cpu, "lots": len(lots), "failed": len(failed)}
    kind, decided = (np.concatenate([getattr(part, name) for part in parts]) for name in ("kind", "decided"))
    both, primary = (kind == 2).mean(axis=1), (kind >= 1).mean(axis=1)
    found |= {
        "decided": {name: int(np.count_nonzero(decided == way)) for way, name in enumerate(WAYS)},
        "both never, between, always": [int(np.count_nonzero(rows)) for rows in (both == 0, (both > 0) & (both < 1), both == 1)],
        "primary never, between, always": [
            int(np.count_nonzero(rows)) for rows in (primary == 0, (primary > 0) & (primary < 1), primary == 1)
        ],
    }
    searched = [lot for lot in range(len(lots)) if cases[lot] is not None][:brute]
    begun_cpu, more, fewer, off = cpu_s(), 0, 0, [0.0]
    for lot in searched:
        asker = _Asker(case_of(lots, lot, cases[lot], setting), cases[lot].places())
        envelopes = asker.on_lot.envelopes(asker.places)
        every = np.array([asker.searched(*own) for own in zip(*envelopes, strict=True)])
        more += int(np.count_nonzero(kind[lot] > every))
        fewer += int(np.count_nonzero(kind[lot] < every))
        off += [float((kind[lot] >= least).mean() - (every >= least).mean()) for least in (1, 2)]
    told = {"more_than_brute": more, "fewer_than_brute": fewer, "chances_off": [float(np.mean(off[1:])), min(off), max(off)]}
    return found | {"brute_lots": len(searched), "brute_cpu_s": cpu_s() - begun_cpu} | told


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parcels", type=int, default=20_000)
    parser.add_argument("--cells-a-lot", type=float, default=800, help="cells of 2 m")
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--sample", type=int, default=0, help="so many of the lots, picked at random; 0 for all")
    parser.add_argument("--brute", type=int, default=20, help="of so many lots every draw is searched besides")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rules", default="us-wa")
    parser.add_argument("--workers", type=int, default=1)
    limits(parser, pairs=1, limit_s=3600.0)
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench_uncertainty")
    for hidden in ("--prepare", "--only"):
        parser.add_argument(hidden, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    out = options.out.resolve()
    if options.prepare:
        prepare(options.prepare, out, options.rules, options.draws)
        return
    if options.only:
        print(json.dumps(drawn(options.only, options.sample, options.seed, options.brute, options.workers)))
        return
    cells = math.ceil(math.sqrt(options.cells_a_lot * options.parcels))
    make_county(out / "county", cells, cells, 2.0, options.parcels, options.parcels // 2, options.seed)
    shared = ["--out", str(out), "--rules", options.rules, "--draws", str(options.draws)]
    made, printed = spent([sys.executable, __file__, "--prepare", str(out / "county"), *shared], None, options.limit)
    if made.failed:
        raise SystemExit(f"the lots could not be prepared: {printed[-2000:]}")
    words = ["--sample", str(options.sample), "--seed", str(options.seed), "--brute", str(options.brute), "--workers", str(options.workers)]
    took, printed = spent([sys.executable, __file__, "--only", str(out / GIVEN), *words], None, options.limit)
    if took.failed:
        raise SystemExit(f"the draws could not be decided: {printed[-2000:]}")
    told = json.loads(printed.splitlines()[-1])
    draws = sum(told["decided"].values())
    print(f"## Chances of fitting, {told['lots']} of {options.parcels} parcels, {options.draws} draws, {options.rules}\n")
    print("| wall s | CPU s | ms a lot, CPU | ms a lot, every draw searched | peak MiB |\n|---|---|---|---|---|")
    brute_ms = 1000 * told["brute_cpu_s"] / max(1, told["brute_lots"])
    own_ms = 1000 * told["cpu_s"] / told["lots"]
    print(f"| {told['wall_s']:.1f} | {told['cpu_s']:.1f} | {own_ms:.1f} | {brute_ms:.0f} | {took.peak_mib:.0f} |\n")
    print("| decided | share of the draws |\n|---|---|")
    for name, count in told["decided"].items():
        print(f"| {name} | {100 * count / max(1, draws):.1f} % |")
    for name in ("both", "primary"):
        print(f"\n- {name}: never, between, always: {told[f'{name} never, between, always']}")
    mean, least, most = (100 * one for one in told["chances_off"])
    missed = f"{told['more_than_brute']} draws hold more, {told['fewer_than_brute']} less"
    missed += f"; chances off by {mean:.2f} points ({least:.1f} to {most:.1f})"
    print(f"- of {told['brute_lots']} lots with every draw searched: {missed}")
    (out / "results.json").write_text(
        json.dumps({"machine": machine(), "preparing": made.__dict__, "found": told}, indent=2) + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main()
