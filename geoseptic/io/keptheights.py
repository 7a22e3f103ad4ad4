"""Elevation that an earlier run has read: taken by the hash of the files, each window under the hash of its heights."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from geoseptic import kernels
from geoseptic.errors import FileUnreadableError
from geoseptic.io import kept
from geoseptic.io.digests import digest
from geoseptic.io.filehashes import each_once, file_digest
from geoseptic.io.keptplanes import KeptPlane, side_cells
from geoseptic.io.keptwindows import Corner, OfWindow, corner_of
from geoseptic.io.rastersources import open_single
from geoseptic.io.scratch import new_plane
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.planes import ArrayPlane, Plane, Values
from geoseptic.terrain import windows
from geoseptic.terrain.windows import Window


def read_once(read: Callable[..., Raster], read_grid: Callable[..., Grid], path: str, scratch: Path | None, how: dict[str, Any]) -> Raster:
    """`read(path, scratch=scratch, **how)`, or what it gave in an earlier run of the very same files.

    `how` holds all that changes the heights. Raises as `read`.
    """
    store = kept.in_use()
    files = None if store is None or how.get("cell_size_m") is not None else files_digest(path)
    if store is None or files is None:
        return read(path, scratch=scratch, **how)
    key = store.key("heights of files", files, how, side_cells())
    entry = store.find(key)
    if entry is not None:
        grid = read_grid(path, "elevation")
        done = {(int(row), int(col)): OfWindow(name, None, tuple(contents)) for row, col, name, contents in entry.told}
        if done.keys() == {corner_of(window) for window in windows.windows(grid.shape, side_cells())}:
            store.hold(own.key for own in done.values())
            kernels.ready()
            return Raster(_plane(store, grid, scratch, done, lambda: read(path, scratch=scratch, **how)), grid)
    raster = read(path, scratch=scratch, **how)
    # A file that changed while it was read is told from both.
    with each_once():
        if files_digest(path) != files:
            return raster
    done = {}
    for window in windows.windows(raster.grid.shape, side_cells()):
        values = np.asarray(raster.plane.read(*window), np.float32)
        name = store.key("heights", values)
        done[corner_of(window)] = OfWindow.of(name, store.find(name) or store.put(name, [values], identified=True))
    store.put(key, [], [[*corner, own.key, own.contents] for corner, own in done.items()])
    return Raster(_plane(store, raster.grid, scratch, done, lambda: raster), raster.grid)


def _plane(store: kept.Store, grid: Grid, scratch: Path | None, done: dict[Corner, OfWindow], read: Callable[[], Raster]) -> KeptPlane:
    # Nothing is ever in this one: it has the shape, and makes others.
    like: Plane = (
        ArrayPlane(np.broadcast_to(np.zeros(1, np.float32), grid.shape)) if scratch is None else new_plane(scratch, grid.shape, np.float32)
    )
    whole = cache(read)

    def again(window: Window) -> tuple[Values, ...]:
        return (np.asarray(whole().plane.read(*window), np.float32),)

    return KeptPlane(store, like, np.dtype(np.float32), 0, side_cells(), done, again)


def files_digest(path: str) -> bytes | None:
    """A hash of the names and bytes of `files_known`."""
    known = files_known(path)
    return None if known is None else digest([(item.name, file_digest(item)) for item in known])


def files_known(path: str) -> list[Path] | None:
    """All files that GDAL reads a raster from; None where that is not known, as of a VRT or an archive."""
    try:
        with open_single(path) as file:
            names = [Path(name) for name in sorted(file.files)]
    except FileUnreadableError:
        return None
    return names if names and all(name.is_file() for name in names) else None
