"""A raster worked on window by window: what a step needs round a window is its halo, and a result must not depend on the windows."""

from collections.abc import Callable, Iterator
from typing import Final, TypeVar

from geoseptic.model.planes import Plane
from geoseptic.terrain.tiles import for_each

Window = tuple[slice, slice]
"""Rows and columns."""

SIDE_CELLS: Final = 2048
"""Side of a window where nothing asks for larger ones: 4 million cells, a few arrays of which fit the caches and the memory anywhere."""

T = TypeVar("T")


def windows(shape: tuple[int, int], side_cells: int | None = None) -> Iterator[Window]:
    """Windows of at most `side_cells` rows and columns (`SIDE_CELLS`) that cover the raster, from the north-west, row by row."""
    (rows, cols), side = shape, side_cells or SIDE_CELLS
    for top in range(0, rows, side):
        for left in range(0, cols, side):
            yield slice(top, min(rows, top + side)), slice(left, min(cols, left + side))


def widened(window: Window, halo_cells: int, shape: tuple[int, int]) -> tuple[Window, Window]:
    """The window with its halo, cut off at the edge of the raster, and where in that the window itself lies."""
    wide, inner = [], []
    for own, length in zip(window, shape, strict=True):
        start, stop = max(0, own.start - halo_cells), min(length, own.stop + halo_cells)
        wide.append(slice(start, stop))
        inner.append(slice(own.start - start, own.stop - start))
    return (wide[0], wide[1]), (inner[0], inner[1])


def for_windows(work: Callable[[Window], T], over: Plane, workers: int = 1, side_cells: int | None = None) -> list[T]:
    """What `work` gives for every window of a plane, in their order; in so many threads, or by the workers of a cluster where the plane and
    all others of `work` lie in files.

    `work` reads what is there before and writes what was not, its own window only: done twice, the second time late, it changes nothing.
    """
    return for_each(work, windows(over.shape, side_cells), workers, in_files=not over.in_memory)
