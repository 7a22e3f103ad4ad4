"""The fill of `drainage.fill` tile by tile, the same bit for bit.

Each tile is flooded by itself, as if water left it over all its sides. Each cell then belongs to the basin of a low on the tile's rim, or
to the outside. To which level the basins fill shows on the graph of all basins and the saddles between them, which is small; at last each
basin is filled to its level.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.model.planes import Plane
from geoseptic.pools import cluster_in_use
from geoseptic.terrain.drainage import _COL, _ROW
from geoseptic.terrain.keyheap import cell_of, grown, key_of, pop, push
from geoseptic.terrain.tiles import Sides, Tile, Tiles, for_each, heights_around

Floats = npt.NDArray[np.float32]
Basins = npt.NDArray[np.int64]

NO_BASIN: Final = -1
OUTSIDE: Final = 1
"""Cells whose water leaves the data from within their tile. The tile's other basins are numbered from 2."""


@dataclass(frozen=True)
class Saddles:
    """Where water gets from one basin to another, shapes (saddles,): the two basins, and the height that it has to rise to. [m]"""

    one: Basins
    other: Basins
    height_m: Floats


@dataclass(frozen=True)
class Flooded:
    """What is kept of a flooded tile: heights and basins along its sides, the number of its basins without the outside, their saddles."""

    height_m: Sides
    basin: Sides
    basins: int
    saddles: Saddles


def fill_by_tiles(elevation_m: Plane, filled_m: Plane, tile_shape: tuple[int, int], workers: int = 1) -> None:
    """Write the fill of `elevation_m` into `filled_m`. Memory holds a tile for each worker and the sides of all tiles.

    Parameters
    ----------
    elevation_m : plane of floats
        Ground height; NaN where unknown. [m]
    filled_m : float32 plane
        Receives the filled height; NaN where unknown. [m]
    tile_shape : (rows, cols)
        Changes no result.
    workers : threads, likewise.

    References
    ----------
    barnes2016 (tiles), wei2019 (slopes without the queue); keys in data/references.toml.
    """
    tiles, in_files = Tiles(elevation_m.shape, tile_shape), not filled_m.in_memory
    # On a cluster a tile may be flooded again while it is raised: not in the same place.
    flooded_m = filled_m.new(np.float32) if in_files and cluster_in_use() else filled_m

    def flood(tile: Tile) -> Flooded:
        rows, cols = tiles.window(tile)
        around = heights_around(elevation_m, rows, cols, 1)
        basin = np.zeros(around.shape, np.int32)
        basins = _flood(around.reshape(-1), basin.reshape(-1), around.shape[1])
        height_m, basin = around[1:-1, 1:-1], basin[1:-1, 1:-1]
        flooded_m.write(rows, cols, height_m)
        return Flooded(Sides.of(height_m), Sides.of(basin), basins, saddles_within(height_m, basin, basins))

    flooded = dict(zip(tiles, for_each(flood, tiles, workers, in_files=in_files), strict=True))
    level_m = side_levels(tiles, flooded)

    def raise_basins(due: tuple[Tile, Sides]) -> None:
        tile, levels_m = due
        rows, cols = tiles.window(tile)
        height_m = np.array(flooded_m.read(rows, cols))
        _raise(height_m, *levels_m)
        filled_m.write(rows, cols, height_m)

    due = [
        (tile, level_m[tile])
        for tile in tiles
        if flooded_m is not filled_m
        or any((level > height).any() for level, height in zip(level_m[tile], flooded[tile].height_m, strict=True))
    ]
    for_each(raise_basins, due, workers, in_files=in_files)
    if flooded_m is not filled_m:
        flooded_m.drop()


def side_levels(tiles: Tiles, flooded: dict[Tile, Flooded]) -> dict[Tile, Sides]:
    """The level to which the basin of each cell along the sides of each tile fills; minus infinity for the outside and for no basin. [m]"""
    counts = [flooded[tile].basins for tile in tiles]
    first = dict(zip(tiles, np.cumsum([0, *counts]), strict=False))

    def node(tile: Tile, basin: Basins) -> Basins:
        """Number of a tile's basin among those of all tiles: 0 for the outside, -1 for none."""
        return np.where(basin > OUTSIDE, first[tile] + basin - OUTSIDE, np.maximum(basin - OUTSIDE, NO_BASIN))

    def line(along: list[Tile], side: str) -> tuple[Floats, Basins]:
        """Heights and basins along one side of a row or column of tiles, from end to end of the raster."""
        height_m = np.concatenate([getattr(flooded[tile].height_m, side) for tile in along])
        return height_m, np.concatenate([node(tile, getattr(flooded[tile].basin, side)) for tile in along])

    saddles = []
    for tile in tiles:
        inner = flooded[tile].saddles
        saddles.append(Saddles(node(tile, inner.one), node(tile, inner.other), inner.height_m))
    for across in range(1, tiles.across):
        west, east = ([(down, column) for down in range(tiles.down)] for column in (across - 1, across))
        saddles.append(seam(line(west, "east"), line(east, "west")))
    for down in range(1, tiles.down):
        north, south = ([(row, across) for across in range(tiles.across)] for row in (down - 1, down))
        saddles.append(seam(line(north, "south"), line(south, "north")))
    level_m = basin_levels(1 + sum(counts), saddles)
    level_m = np.append(level_m, np.float32(-np.inf))  # for NO_BASIN
    return {tile: Sides(*(level_m[node(tile, basin)] for basin in flooded[tile].basin)) for tile in tiles}


def seam(here: tuple[Floats, Basins], beyond: tuple[Floats, Basins]) -> Saddles:
    """The lowest saddle between each two basins that meet across a line between tiles, given heights and basins on either side of it."""
    pairs = []
    length = len(here[0])
    for step in (-1, 0, 1):
        first, second = slice(max(0, -step), length - max(0, step)), slice(max(0, step), length - max(0, -step))
        pairs.append((here[1][first], beyond[1][second], np.maximum(here[0][first], beyond[0][second])))
    one, other, height_m = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
    meet = (one != other) & (one != NO_BASIN) & (other != NO_BASIN)
    one, other, height_m = one[meet], other[meet], height_m[meet]
    order = np.lexsort((height_m, other, one))
    one, other, height_m = one[order], other[order], height_m[order]
    lowest = np.ones(len(order), np.bool_)
    lowest[1:] = (one[1:] != one[:-1]) | (other[1:] != other[:-1])
    return Saddles(one[lowest], other[lowest], height_m[lowest])


def basin_levels(basins: int, saddles: Sequence[Saddles]) -> Floats:
    """The level to which each basin fills: the least height over which a chain of saddles leads to basin 0; minus infinity for that. [m]"""
    one = np.concatenate([part.one for part in saddles])
    other = np.concatenate([part.other for part in saddles])
    height_m = np.concatenate([part.height_m for part in saddles])
    ends = np.concatenate([one, other])
    by_basin = np.argsort(ends, kind="stable")
    starts = np.searchsorted(ends[by_basin], np.arange(basins + 1))
    return _fill_basins(starts, np.concatenate([other, one])[by_basin], np.concatenate([height_m, height_m])[by_basin])


def saddles_within(height_m: Floats, basin: npt.NDArray[np.int32], basins: int) -> Saddles:
    """The least spanning tree of the basins of a tile: over it lead ways as low as over all the saddles."""
    one, other, saddle_m = _saddles(height_m, basin, basins)
    kept = _spanning(np.argsort(saddle_m, kind="stable"), one, other, basins)
    return Saddles(one[kept], other[kept], saddle_m[kept])


@njit(cache=True, nogil=True)
def _flood(z, basin, width):  # type: ignore[no-untyped-def]
    # `z` and `basin` are a tile and one cell more on every side, row by row. A cell is settled when it has a basin (or is none).
    bits = z.view(np.int32)
    step = np.empty(8, np.int64)
    for k in range(8):
        step[k] = _ROW[k] * width + _COL[k]
    rows, cols = z.size // width - 2, width - 2
    heap = np.empty(4096, np.int64)
    size = np.int64(0)
    for row in range(rows + 2):
        for col in range(cols + 2):
            cell = row * width + col
            beyond = row == 0 or col == 0 or row == rows + 1 or col == cols + 1
            if beyond:
                basin[cell] = NO_BASIN
            if not np.isnan(z[cell]):
                continue
            basin[cell] = NO_BASIN
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if r < 1 or c < 1 or r > rows or c > cols:
                    continue
                near = r * width + c
                if basin[near] == 0 and not np.isnan(z[near]):
                    basin[near] = OUTSIDE
                    heap = push(heap, size, key_of(bits[near], near))
                    size += 1
    rim = np.empty(2 * (rows + cols), np.int64)
    waiting = np.int64(0)
    for row in range(1, rows + 1):
        for col in range(1, cols + 1, 1 if row == 1 or row == rows or cols < 3 else cols - 1):
            cell = row * width + col
            if basin[cell] == 0:
                rim = push(rim, waiting, key_of(bits[cell], cell))
                waiting += 1
    last = OUTSIDE
    # Along the rim too, what falls to a neighbour belongs to its basin: only the lows of the rim are basins of their own.
    while waiting > 0:
        key = pop(rim, waiting)
        waiting -= 1
        cell = cell_of(key)
        for k in range(8):
            near = cell + step[k]
            if basin[near] > 0 and z[near] <= z[cell]:
                basin[cell] = basin[near]
                break
        if basin[cell] == 0:
            last += 1
            basin[cell] = last
        heap = push(heap, size, key)
        size += 1
    climb = np.empty(4096, np.int64)
    pit = np.empty(4096, np.int64)
    while size > 0:
        pit[0] = cell_of(pop(heap, size))
        size -= 1
        pits, climbs = np.int64(1), np.int64(0)
        first = 0
        height = z[pit[0]]
        name = basin[pit[0]]
        # As in drainage.fill: all lower cells behind the popped one, then the slopes above them, first in, first out.
        while pits > 0:
            pits -= 1
            cell = pit[pits]
            for k in range(8):
                near = cell + step[k]
                if basin[near] != 0:
                    continue
                basin[near] = name
                if z[near] > height:
                    climb = grown(climb, climbs)
                    climb[climbs] = near
                    climbs += 1
                else:
                    z[near] = height
                    pit = grown(pit, pits)
                    pit[pits] = near
                    pits += 1
        while first < climbs:
            cell = climb[first]
            first += 1
            waits = False
            for k in range(8):
                near = cell + step[k]
                if basin[near] != 0:
                    continue
                if z[near] > z[cell]:
                    basin[near] = name
                    climb = grown(climb, climbs)
                    climb[climbs] = near
                    climbs += 1
                elif not waits:
                    waits = True
                    for j in range(8):
                        if basin[near + step[j]] > 0 and z[near + step[j]] < z[near]:
                            waits = False
                            break
            if waits:
                heap = push(heap, size, key_of(bits[cell], cell))
                size += 1
    return last - OUTSIDE


@njit(cache=True, nogil=True)
def _saddles(z, basin, basins):  # type: ignore[no-untyped-def]
    # The two basins of each saddle of a tile and its height, the lowest where two basins meet in a row.
    rows, cols = z.shape
    one = np.empty(1024, np.int64)
    other = np.empty(1024, np.int64)
    height = np.empty(1024, np.float32)
    seen_with = np.zeros(basins + OUTSIDE + 1, np.int64)
    seen_at = np.zeros(basins + OUTSIDE + 1, np.int64)
    size = np.int64(0)
    for row in range(rows):
        for col in range(cols):
            here = basin[row, col]
            if here == NO_BASIN:
                continue
            for k in range(4, 8):
                r, c = row + _ROW[k], col + _COL[k]
                if r >= rows or c < 0 or c >= cols:
                    continue
                there = basin[r, c]
                if there == here:
                    continue
                if there == NO_BASIN:
                    continue
                low, high = min(here, there), max(here, there)
                over = max(z[row, col], z[r, c])
                if seen_with[low] == high:
                    height[seen_at[low]] = min(height[seen_at[low]], over)
                    continue
                one, other, height = grown(one, size), grown(other, size), grown(height, size)
                one[size], other[size], height[size] = low, high, over
                seen_with[low], seen_at[low] = high, size
                size += 1
    return one[:size], other[:size], height[:size]


@njit(cache=True, nogil=True)
def _spanning(order, one, other, basins):  # type: ignore[no-untyped-def]
    # Which saddles join what those before them, in this order, have not joined yet.
    tree = np.arange(basins + OUTSIDE + 1)
    kept = np.empty(order.size, np.int64)
    count = np.int64(0)
    for edge in order:
        low, high = _root(tree, one[edge]), _root(tree, other[edge])
        if low != high:
            tree[high] = low
            kept[count] = edge
            count += 1
    return kept[:count]


@njit(cache=True, nogil=True)
def _root(tree, at):  # type: ignore[no-untyped-def]
    while tree[at] != at:
        tree[at] = tree[tree[at]]
        at = tree[at]
    return at


@njit(cache=True, nogil=True)
def _fill_basins(starts, beyond, height):  # type: ignore[no-untyped-def]
    level = np.full(starts.size - 1, np.inf, np.float32)
    bits = level.view(np.int32)
    heap = np.empty(4096, np.int64)
    level[0] = -np.inf
    heap[0] = key_of(bits[0], np.int64(0))
    size = np.int64(1)
    while size > 0:
        key = pop(heap, size)
        size -= 1
        basin = cell_of(key)
        if key != key_of(bits[basin], basin):
            continue
        for at in range(starts[basin], starts[basin + 1]):
            needed = max(level[basin], height[at])
            if needed < level[beyond[at]]:
                level[beyond[at]] = needed
                heap = push(heap, size, key_of(bits[beyond[at]], beyond[at]))
                size += 1
    return level


@njit(cache=True, nogil=True)
def _raise(z, north, south, west, east):  # type: ignore[no-untyped-def]
    # What lies below the level of its basin hangs together with a low of the rim, and two such basins that touch have one level.
    rows, cols = z.shape
    pit = np.empty(1024, np.int64)
    for side in range(4):
        level = north if side == 0 else south if side == 1 else west if side == 2 else east
        for along in range(level.size):
            row = 0 if side == 0 else rows - 1 if side == 1 else along
            col = 0 if side == 2 else cols - 1 if side == 3 else along
            if not z[row, col] < level[along]:
                continue
            z[row, col] = level[along]
            pit[0] = row * cols + col
            pits = np.int64(1)
            while pits > 0:
                pits -= 1
                cell = pit[pits]
                for k in range(8):
                    r, c = cell // cols + _ROW[k], cell % cols + _COL[k]
                    if 0 <= r < rows and 0 <= c < cols and z[r, c] < level[along]:
                        z[r, c] = level[along]
                        pit = grown(pit, pits)
                        pit[pits] = r * cols + c
                        pits += 1
