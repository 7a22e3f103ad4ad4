"""A raster cut into tiles, and what work on tiles needs: windows with a halo, the cells along a tile's sides, threads."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from geoseptic.model.planes import Plane
from geoseptic.pools import cluster_in_use

Tile = tuple[int, int]
"""Which tile: counted from the north and from the west."""

Job = TypeVar("Job")
Done = TypeVar("Done")


@dataclass(frozen=True)
class Tiles:
    """A raster cut into tiles of `tile_shape`; those in the east and the south may be smaller. Raises ValueError for empty tiles."""

    shape: tuple[int, int]
    tile_shape: tuple[int, int]

    def __post_init__(self) -> None:
        if min(self.tile_shape) < 1:
            raise ValueError(f"a tile has at least one row and one column, not {self.tile_shape}")

    @property
    def down(self) -> int:
        return -(-self.shape[0] // self.tile_shape[0])

    @property
    def across(self) -> int:
        return -(-self.shape[1] // self.tile_shape[1])

    def __iter__(self) -> Iterator[Tile]:
        return ((down, across) for down in range(self.down) for across in range(self.across))

    def window(self, tile: Tile) -> tuple[slice, slice]:
        """Rows and columns of the raster that the tile covers."""
        rows, cols = (
            slice(number * side, min(length, (number + 1) * side))
            for number, side, length in zip(tile, self.tile_shape, self.shape, strict=True)
        )
        return rows, cols


@dataclass(frozen=True)
class Sides:
    """A value for each cell along the sides of a tile, corners in both of theirs: shapes (cols,), (cols,), (rows,), (rows,)."""

    north: npt.NDArray[Any]
    south: npt.NDArray[Any]
    west: npt.NDArray[Any]
    east: npt.NDArray[Any]

    @classmethod
    def of(cls, tile: npt.NDArray[Any]) -> "Sides":
        return cls(tile[0].copy(), tile[-1].copy(), tile[:, 0].copy(), tile[:, -1].copy())

    def __iter__(self) -> Iterator[npt.NDArray[Any]]:
        return iter((self.north, self.south, self.west, self.east))


def heights_around(heights_m: Plane, rows: slice, cols: slice, halo: int) -> npt.NDArray[np.float32]:
    """The window and `halo` cells more on every side, as a new array; NaN outside the raster, and no zero is negative. [m]"""
    around = np.full((rows.stop - rows.start + 2 * halo, cols.stop - cols.start + 2 * halo), np.nan, np.float32)
    top, left = max(0, rows.start - halo), max(0, cols.start - halo)
    bottom, right = min(heights_m.shape[0], rows.stop + halo), min(heights_m.shape[1], cols.stop + halo)
    row, col = top - rows.start + halo, left - cols.start + halo
    inside = around[row : row + bottom - top, col : col + right - left]
    np.add(heights_m.read(slice(top, bottom), slice(left, right)), np.float32(0), out=inside, casting="same_kind")
    return around


def for_each(work: Callable[[Job], Done], jobs: Iterable[Job], workers: int, *, in_files: bool = False) -> list[Done]:
    """What `work` gives for every job, in their order; in `workers` threads.

    Where all planes of `work` are `in_files` and a cluster is in use, its workers do it: what `work` may then write, `Cluster.each` says.
    """
    if in_files and (cluster := cluster_in_use()) is not None:
        return cluster.each(work, jobs)
    if workers <= 1:
        return [work(job) for job in jobs]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, jobs))
