"""Compiles the kernels that take longest, each in one of two processes, before the workers of pytest-xdist would compile them at the same
time: what is compiled is kept on the disk only when it is done, so both would do it.

    python -m tests.kernels room
    python -m tests.kernels ground
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import shapely

ROOT = Path(__file__).parents[1]


def room() -> None:
    """The search on a lot that has room for a field and no reserve, so that every finer one is done, then draws of it, which have much of
    the search in them."""
    from geoseptic.chance.fits import Case, Keeps, Places, fits
    from geoseptic.parcels.fit import Pipes, fit

    site, need, ground = small_lot()
    fit(site, need, ground, Pipes(0.01, 0.5))
    nothing = np.empty(0, object)
    keeps = Keeps(site.field, 0.0, nothing, nothing, nothing, np.empty(0), np.array([5.0]))
    moved_m = np.array([[0.0, 0.0], [1.0, 1.0]])
    places_m = (moved_m + np.array(site.middle))[:, None]
    fits(Case(site.field, keeps, keeps, ((need, ground, True),)), Places(moved_m, moved_m, places_m))


def ground() -> None:
    """Runs over a small county, and drainage by tiles and whole."""
    from geoseptic.model.planes import ArrayPlane
    from geoseptic.run.cli import main
    from geoseptic.terrain import drainage
    from geoseptic.terrain.tiledfill import fill_by_tiles
    from geoseptic.terrain.tiledreceivers import receivers_by_tiles
    from tests.dirty.county import write_county

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        options = [f"--{layer.replace('_', '-')}={value}" for layer, value in write_county(folder).items()]
        for process in ("suitability_map", "old_systems"):
            main(process, [*options, f"--out={folder / process}", "--quiet"])
    heights_m = ArrayPlane(np.random.default_rng(1).normal(0, 1, (40, 40)).round().astype(np.float32))
    filled_m = ArrayPlane(np.empty((40, 40), np.float32))
    fill_by_tiles(heights_m, filled_m, (20, 20))
    receivers, d8, edge = (ArrayPlane(np.empty((40, 40), dtype)) for dtype in (np.uint8, np.uint8, np.bool_))
    receivers_by_tiles(filled_m, receivers, d8, edge, 0.2, (20, 20))
    whole_m = drainage.fill(heights_m.values)
    drainage.dinf_receivers(whole_m, 0.2)
    drainage.d8_receivers(whole_m)
    drainage.edge_of_data(whole_m)


def small_lot() -> tuple[Any, Any, Any]:
    from geoseptic.parcels.fit import FieldNeed, Site
    from tests.parcels.lots import FAR_EAST_M, FAR_NORTH_M, SIDE_M, plane, terrain

    x, y = FAR_EAST_M + SIDE_M / 2, FAR_NORTH_M + SIDE_M / 2
    lot = shapely.box(x - 15, y - 15, x + 15, y + 15)
    need = FieldNeed(trench_length_m=150.0, trench_width_m=0.9, max_trench_m=30.0, spacing_m=1.8, reserve_share=1.0)
    return Site(lot, lot, x, y, 105.0), need, terrain(plane(0.05, 0.3), 2.0)


GROUPS = {"room": room, "ground": ground}


def compile_all() -> None:
    """Both groups at once; where they are compiled already, they are not run."""
    kept = Path(os.environ.get("NUMBA_CACHE_DIR", ROOT / "geoseptic"))
    last = "together.decide", "drainage._edge"
    if all(any(kept.rglob(f"{name}-*.nbi")) for name in last):
        return
    running = [subprocess.Popen([sys.executable, "-m", "tests.kernels", name], cwd=ROOT, stdout=subprocess.DEVNULL) for name in GROUPS]
    for process in running:
        process.wait()


if __name__ == "__main__":
    GROUPS[sys.argv[1]]()
