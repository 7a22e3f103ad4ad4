"""Whether chances come true: simulated counties of which all is known, their records blurred by the stated errors.

    python tests/benchmarks/calibration.py --seeds 1-12 --cell-seeds 1-40 --blocks 4 --draws 60 --workers 2

Lots with errors that are stated wrongly by a factor of two, and nothing else:

    python tests/benchmarks/calibration.py --only lots --seeds 1-3 20-22 --worlds "stated half the true" "stated twice the true"

Of each county the library judges the true layers without errors (the truth) and the blurred ones (the chances), the latter also with
stated errors of half and twice the true ones, and once more in a county whose wells lie by houses. Each county's answers are kept in
`--out`, so that a run goes on where it was ended; the tables are of all that are there. With matplotlib a diagram is drawn to `--png`.
"""

import argparse
import json
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
from loky import get_reusable_executor

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.chance import reliability
from tests.chance.blurred import ANYWHERE, BY_HOUSES, a_county, said, truth

WORLDS = {
    "errors as stated": (ANYWHERE, 1.0),
    "stated half the true": (ANYWHERE, 0.5),
    "stated twice the true": (ANYWHERE, 2.0),
    "wells by houses": (BY_HOUSES, 1.0),
}
CELLS = 3000
FEWEST = 4
"""Counties without which nothing is drawn."""

CELLS_ONLY = ", cells"
KINDS = {"primary": "a field fits", "both": "field and reserve fit", "clear": "a cell is clear"}


def judge(folder: Path, seed: int, blocks: int, draws: int, worlds: list[str], *, fits: bool) -> None:
    """Judge the lots of one county in all ways, or its cells, as far as that is not done yet."""
    true = {}
    for name in worlds:
        where, times = WORLDS[name]
        path = folder / f"{seed:03d} {name}{'' if fits else CELLS_ONLY}.npz"
        if path.exists():
            continue
        begun = time.process_time()
        county = a_county(seed, blocks, where)
        if where not in true:
            true[where] = truth(county, fits=fits)
        told, fact = said(county, draws, times, fits=fits), true[where]
        if fits:
            pairs = {"primary": (told.primary, fact.primary), "both": (told.both, fact.both)}
        else:
            known = np.flatnonzero((~np.isnan(told.clear) & ~np.isnan(fact.clear)).ravel())
            cells = np.random.default_rng([seed, 3]).choice(known, min(CELLS, len(known)), replace=False)
            pairs = {"clear": (told.clear.ravel()[cells], fact.clear.ravel()[cells])}
        columns = {f"{kind} {what}": of for kind, pair in pairs.items() for what, of in zip(("chance", "true"), pair, strict=True)}
        np.savez(path, **columns)
        print(f"county {seed}, {name}: {time.process_time() - begun:.1f} s of CPU time", file=sys.stderr, flush=True)


def gathered(folder: Path, name: str, kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances, what came true, and the county of each."""
    chance, true, county = [np.zeros(0)], [np.zeros(0)], [np.zeros(0, int)]
    for path in sorted(folder.glob(f"* {name}{CELLS_ONLY if kind == 'clear' else ''}.npz")):
        with np.load(path) as one:
            known = ~np.isnan(one[f"{kind} chance"]) & ~np.isnan(one[f"{kind} true"])
            chance.append(one[f"{kind} chance"][known])
            true.append(one[f"{kind} true"][known])
            county.append(np.full(len(chance[-1]), int(path.name[:3])))
    return np.concatenate(chance), np.concatenate(true), np.concatenate(county)


def tables(folder: Path) -> str:
    """All tables, in Markdown."""
    scores = ("Brier score", "reliability", "resolution", "uncertainty")
    heads = ("world", "of", "number", *scores, "chance less share, points", "too sure by, points")
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    for name in WORLDS:
        for kind, words in KINDS.items():
            chance, true, county = gathered(folder, name, kind)
            if not len(chance):
                continue
            s = reliability.score(chance, true, county)
            sure = reliability.overconfidence(chance, true)
            sure_error = reliability.by_counties(lambda of, c=chance, t=true: reliability.overconfidence(c[of], t[of]), county)
            lines.append(
                f"| {name} | {words} | {len(chance)} | {s.brier:.4f} ± {s.brier_error:.4f} | {s.reliability:.4f} | {s.resolution:.4f} | "
                f"{s.uncertainty:.4f} | {100 * s.bias:+.1f} ± {100 * s.bias_error:.1f} | {100 * sure:+.1f} ± {100 * sure_error:.1f} |"
            )
    for name in WORLDS:
        for kind, words in KINDS.items():
            if not len(gathered(folder, name, kind)[0]):
                continue
            lines += [
                "",
                f"{name}: {words}",
                "",
                "| chance | number | mean chance | share that came true | Wilson, 95 % | standard error |",
            ]
            lines.append("|---|---|---|---|---|---|")
            lines += [
                f"| {100 * one.low:.0f}-{100 * one.high:.0f} % | {one.count} | {100 * one.mean:.1f} | {100 * one.share:.1f} | "
                f"{100 * one.ends[0]:.1f}-{100 * one.ends[1]:.1f} | {100 * one.error:.1f} |"
                for one in reliability.classes(*gathered(folder, name, kind))
            ]
            chance, true, _ = gathered(folder, name, kind)
            for sure in (0.0, 1.0):
                own = chance == sure
                lines.append(f"\nExactly {100 * sure:.0f} %: {own.sum()}, of which {int((true[own] != sure).sum())} came out otherwise.")
    return "\n".join(lines)


def draw(folder: Path, png: Path) -> None:
    """The reliability diagram: for each kind the share that came true over the chance, with two standard errors."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, len(KINDS), figsize=(9, 3.4), sharey=True, layout="constrained")
    for axis, (kind, words) in zip(axes, KINDS.items(), strict=True):
        axis.plot([0, 100], [0, 100], color="0.7", linewidth=1)
        for number, name in enumerate(WORLDS):
            chance, true, county = gathered(folder, name, kind)
            if len(np.unique(county)) < FEWEST:
                continue
            found = reliability.classes(chance, true, county)
            mean, share, error = (100 * np.array([getattr(one, field) for one in found]) for field in ("mean", "share", "error"))
            axis.errorbar(mean, share, 2 * error, marker="osdv"[number], markersize=3, linewidth=1, elinewidth=0.6, label=name)
        axis.set(title=words, xlabel="chance, %", xlim=(0, 100), ylim=(0, 100), aspect="equal")
        axis.title.set_fontsize(9)
    axes[0].set_ylabel("share that came true, %")
    axes[-1].legend(fontsize=6, loc="upper left")
    figure.savefig(png, dpi=90)


def seeds_of(words: list[str]) -> list[int]:
    """Seeds such as 7 and 1-3."""
    ends = [[int(end) for end in word.split("-")] for word in words]
    return [seed for own in ends for seed in range(own[0], own[-1] + 1)]


def same_options(folder: Path, blocks: int, draws: int) -> None:
    """Keep what the counties of a folder are made with; others would be put into the same tables. Raises SystemExit."""
    path, own = folder / "options.json", {"blocks": blocks, "draws": draws}
    if path.exists() and json.loads(path.read_text(encoding="utf-8")) != own:
        raise SystemExit(f"{folder} holds counties with {path.read_text(encoding='utf-8')}: name another --out")
    path.write_text(json.dumps(own), encoding="utf-8")


def main(words: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", nargs="+", default=["1-12"], help="counties whose lots are judged, such as 1-3 20-22")
    parser.add_argument("--cell-seeds", nargs="*", default=["1-40"], help="counties whose cells are judged")
    parser.add_argument("--only", choices=("lots", "cells"), help="judge these alone; the tables are of all that are there")
    parser.add_argument("--blocks", type=int, default=4, help="blocks of 20 lots a county")
    parser.add_argument("--draws", type=int, default=60)
    parser.add_argument("--worlds", nargs="+", choices=list(WORLDS), default=list(WORLDS), help="worlds that are judged")
    parser.add_argument("--workers", type=int, default=1, help="processes, each with a county")
    parser.add_argument("--out", type=Path, default=Path("out/bench_calibration"))
    parser.add_argument("--png", type=Path)
    options = parser.parse_args(words)
    options.out.mkdir(parents=True, exist_ok=True)
    same_options(options.out, options.blocks, options.draws)
    jobs = [
        partial(judge, options.out, seed, options.blocks, options.draws, options.worlds, fits=fits)
        for fits, seeds in ((True, options.seeds), (False, options.cell_seeds))
        if options.only != ("cells" if fits else "lots")
        for seed in seeds_of(seeds)
    ]
    if options.workers > 1:
        for done in [get_reusable_executor(options.workers).submit(job) for job in jobs]:
            done.result()
    else:
        for job in jobs:
            job()
    print(tables(options.out))
    if options.png:
        draw(options.out, options.png)


if __name__ == "__main__":
    main()
