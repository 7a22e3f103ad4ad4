"""What the benchmark scripts share. Standard library only: what a parent process holds in memory counts in every process that it starts."""

import argparse
import os
import sqlite3
import statistics
import struct
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

LAYERS = ("parcels", "wells", "buildings", "surface_water")
"""Layers that synthetic.py writes."""


def inputs_of(county: Path) -> list[str]:
    """The elevation and layers of a synthetic county as arguments of a command."""
    layers = [f"--{name.replace('_', '-')}={county / 'county.gpkg'}|{name}" for name in LAYERS]
    return [f"--elevation={county / 'dem.tif'}", "--elevation-unit=m", *layers]


@contextmanager
def looking(look: Callable[[], None], every_s: float) -> Iterator[None]:
    """While the block goes on, `look` is called so often in a thread of its own."""
    done = threading.Event()

    def go_on() -> None:
        while not done.wait(every_s):
            look()

    watcher = threading.Thread(target=go_on)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()


def ground_options(parser: argparse.ArgumentParser) -> None:
    """The size of a synthetic county's ground."""
    parser.add_argument("--rows", type=int, default=4000)
    parser.add_argument("--cols", type=int, help="default: as many as rows")
    parser.add_argument("--cell", type=float, default=2.0, help="cell size in metres")
    parser.add_argument("--seed", type=int, default=1)


def county_options(parser: argparse.ArgumentParser) -> None:
    """The same with what stands on it."""
    ground_options(parser)
    parser.add_argument("--parcels", type=int, default=20_000)
    parser.add_argument("--wells", type=int, help="default: half as many as parcels")


def limits(parser: argparse.ArgumentParser, pairs: int, limit_s: float) -> None:
    """How often, on which core and how long processes run."""
    parser.add_argument("--pairs", type=int, default=pairs)
    parser.add_argument("--core", type=int, default=max(0, (os.cpu_count() or 1) - 1), help="core that processes of one thread are held to")
    parser.add_argument("--limit", type=float, default=limit_s, help="seconds after which a process is stopped")


def in_turns(run: Callable[[str], T], sides: Sequence[str], pairs: int) -> list[dict[str, T]]:
    """What `run` gives for each side, so many times; the order is turned about each time."""
    return [{side: run(side) for side in (sides if turn % 2 == 0 else sides[::-1])} for turn in range(pairs)]


def stage_medians(side: str, runs: Sequence[Mapping[str, float]], what: str = "median") -> str:
    """A table of the medians of each stage's figures over the runs of one side, in Markdown."""
    lines = [f"\n| {side} | {what} |", "|---|---|"]
    lines += [f"| {name} | {statistics.median(run[name] for run in runs):.2f} |" for name in runs[0]]
    return "\n".join(lines)


def wells_of(county: Path) -> list[tuple[float, float, float | None]]:
    """x, y and location error of every well that synthetic.py wrote. A point of a GeoPackage ends in its two coordinates. [m]"""
    with closing(sqlite3.connect(county / "county.gpkg")) as database:
        rows = database.execute("SELECT geom, location_error_m FROM wells ORDER BY fid").fetchall()
    return [(*struct.unpack("<dd", point[-16:]), error_m) for point, error_m in rows]
