"""The receivers and the edge of the data of `drainage` tile by tile, the same bit for bit.

Where the ground falls, a cell's receivers follow from its neighbours. Over level ground they follow from the steps to the level's outlet,
which may lie many tiles off: tiles that share a level hand each other the steps along their sides until none changes. Steps only ever
become fewer, down to the fewest, so the order of work changes nothing.
"""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.model.planes import Plane
from geoseptic.pools import cluster_in_use
from geoseptic.terrain.drainage import _COL, _ROW
from geoseptic.terrain.keyheap import cell_of, grown, pop, push
from geoseptic.terrain.tiles import Sides, Tile, Tiles, for_each, heights_around

Steps = npt.NDArray[np.int32]
Cells = npt.NDArray[np.int64]

HALO: Final = 2
"""Cells round a tile that are looked at: whether a neighbour is level shows on the neighbours of that."""

NO_WAY: Final = 1 << 30
"""More steps than any way has."""


def receivers_by_tiles(
    filled_m: Plane, receivers: Plane, d8: Plane, edge: Plane, min_share: float, tile_shape: tuple[int, int], workers: int = 1
) -> None:
    """Write D-infinity receivers, D8 receivers and the edge of the data. Memory holds a tile for each worker and the sides of level tiles.

    Parameters
    ----------
    filled_m : plane of floats
        A surface from `fill_by_tiles`; NaN where unknown. [m]
    receivers, d8 : uint8 planes
        Receive what `drainage.dinf_receivers` and `drainage.d8_receivers` give.
    edge : bool plane
        Receives what `drainage.edge_of_data` gives.
    min_share : float
        Above 0, at most 0.5. [1]
    tile_shape : (rows, cols)
        Changes no result.
    workers : threads, likewise.

    References
    ----------
    tarboton1997; key in data/references.toml.
    """
    tiles, in_files = Tiles(filled_m.shape, tile_shape), not receivers.in_memory
    # On a cluster a tile's first look may come again during the later ones: not in the same place.
    apart = in_files and cluster_in_use() is not None
    first_dinf, first_d8 = (receivers.new(np.uint8), d8.new(np.uint8)) if apart else (receivers, d8)
    least, most = math.tan(min_share * math.pi / 4), math.tan((1 - min_share) * math.pi / 4)

    def first_look(tile: Tile) -> Sides | None:
        """Receivers as far as the tile itself tells; the steps along its sides if levels go on beyond them."""
        rows, cols = tiles.window(tile)
        around = heights_around(filled_m, rows, cols, HALO)
        shape = (rows.stop - rows.start, cols.stop - cols.start)
        dinf_here, d8_here, edge_here = np.empty(shape, np.uint8), np.empty(shape, np.uint8), np.zeros(shape, np.bool_)
        level = _local(around, least, most, dinf_here, d8_here, edge_here)
        sides = None
        if level.size:
            steps = np.full(around.shape, ~NO_WAY, np.int32)
            shared = _shared_levels(around, steps)
            sides = _drain_levels(around, steps, level, dinf_here, d8_here, shared)
        first_dinf.write(rows, cols, dinf_here)
        first_d8.write(rows, cols, d8_here)
        edge.write(rows, cols, edge_here)
        return Sides(*sides) if sides is not None and shared.size else None

    found = dict(zip(tiles, for_each(first_look, tiles, workers, in_files=in_files), strict=True))
    if apart:
        for window in map(tiles.window, tiles):
            receivers.write(*window, first_dinf.read(*window))
            d8.write(*window, first_d8.read(*window))
        first_dinf.drop()
        first_d8.drop()
    steps_along = {tile: sides for tile, sides in found.items() if sides is not None}

    offered_before: dict[Tile, tuple[Steps, Steps, Steps, Steps]] = {}

    def look_again(tile: Tile) -> Sides:
        """Receivers of the levels that go on beyond the tile's sides, where the tiles around it have come to know of a way as short."""
        rows, cols = tiles.window(tile)
        around = heights_around(filled_m, rows, cols, HALO)
        steps = np.full(around.shape, ~NO_WAY, np.int32)
        offered = steps_around(tile, steps_along, tiles)
        for part, offers in zip(ring(steps), offered, strict=True):
            part[:] = ~offers
        shared, own = _shared_levels(around, steps), steps_along[tile]
        gaining = _gaining(around, shared, offered, offered_before.get(tile, offered), tile not in offered_before, tuple(own))
        offered_before[tile] = offered
        if not gaining.size:
            return own
        dinf_here, d8_here = np.array(receivers.read(rows, cols)), np.array(d8.read(rows, cols))
        found = _drain_levels(around, steps, gaining, dinf_here, d8_here, shared)
        receivers.write(rows, cols, dinf_here)
        d8.write(rows, cols, d8_here)
        # What was not looked at is below 0 and stays as it was.
        return Sides(*(np.where(new < 0, old, new) for new, old in zip(found, own, strict=True)))

    due = sorted({near for tile, sides in steps_along.items() for near in told_by(tile, unknown(sides), sides)} & steps_along.keys())
    while due:
        again = dict(zip(due, for_each(look_again, due, workers), strict=True))
        told = {near for tile, sides in again.items() for near in told_by(tile, steps_along[tile], sides)}
        steps_along |= again
        due = sorted(told & steps_along.keys())


def unknown(sides: Sides) -> Sides:
    return Sides(*(np.full_like(side, NO_WAY) for side in sides))


def told_by(tile: Tile, before: Sides, after: Sides) -> list[Tile]:
    """The tiles around that border on a cell whose steps have changed; some may lie outside the raster."""
    row, col = tile
    north, south, west, east = (old != new for old, new in zip(before, after, strict=True))
    changed = {
        (-1, -1): north[0],
        (-1, 0): north.any(),
        (-1, 1): north[-1],
        (0, -1): west.any(),
        (0, 1): east.any(),
        (1, -1): south[0],
        (1, 0): south.any(),
        (1, 1): south[-1],
    }
    return [(row + down, col + across) for (down, across), any_changed in changed.items() if any_changed]


def ring(steps: Steps) -> tuple[Steps, Steps, Steps, Steps]:
    """Views of the cells right round a tile, given with its halo: north and south with their corners, west and east without."""
    return steps[1, 1:-1], steps[-2, 1:-1], steps[2:-2, 1], steps[2:-2, -2]


def steps_around(tile: Tile, steps_along: dict[Tile, Sides], tiles: Tiles) -> tuple[Steps, Steps, Steps, Steps]:
    """What the tiles around know of the cells right round this one, laid out as by `ring`."""
    (row, col), (rows, cols) = tile, tiles.window(tile)
    nowhere = np.full(max(rows.stop - rows.start, cols.stop - cols.start), NO_WAY, np.int32)

    def side(down: int, across: int, name: str, length: int) -> Steps:
        beside = steps_along.get((row + down, col + across))
        return nowhere[:length] if beside is None else getattr(beside, name)

    height, width = rows.stop - rows.start, cols.stop - cols.start
    north, south = (
        np.concatenate([side(down, -1, name, 1)[-1:], side(down, 0, name, width), side(down, 1, name, 1)[:1]])
        for down, name in ((-1, "south"), (1, "north"))
    )
    return north, south, side(0, -1, "east", height), side(0, 1, "west", height)


@njit(cache=True, nogil=True)
def _local(z, least, most, dinf, d8, edge):  # type: ignore[no-untyped-def]
    # The formulas of drainage._d8 and drainage._dinf, a row at a time and without branches, so that several cells are done at once. Returns
    # the level cells. A comparison with NaN fails, so nothing drains from or to the unknown.
    rows, cols = d8.shape
    level = np.empty(256, np.int64)
    size = np.int64(0)
    drop = np.empty((8, cols))
    best = np.empty(cols)
    mask = np.empty(cols, np.int64)
    for row in range(rows):
        here = z[row + 2, 2 : 2 + cols]
        for k in range(8):
            near = z[row + 2 + _ROW[k], 2 + _COL[k] : 2 + _COL[k] + cols]
            for col in range(cols):
                drop[k, col] = np.float64(here[col]) - np.float64(near[col])
        best[:] = 0.0
        mask[:] = 0
        for k in range(8):
            per_length = 0.7071067811865476 if k & 1 else 1.0
            for col in range(cols):
                fall = drop[k, col] * per_length
                steeper = fall > best[col]
                best[col] = fall if steeper else best[col]
                mask[col] = 1 << k if steeper else mask[col]
        for col in range(cols):
            d8[row, col] = mask[col]
        best[:] = 0.0
        mask[:] = 0
        for facet in range(8):
            cardinal = ((facet + 1) >> 1 << 1) & 7
            diagonal = facet | 1
            middle = z[row + 2 + _ROW[cardinal], 2 + _COL[cardinal] : 2 + _COL[cardinal] + cols]
            corner = z[row + 2 + _ROW[diagonal], 2 + _COL[diagonal] : 2 + _COL[diagonal] + cols]
            for col in range(cols):
                along = drop[cardinal, col]
                down = drop[diagonal, col]
                across = np.float64(middle[col]) - np.float64(corner[col])
                within = (across >= 0.0) & (along >= across)
                falls = (within | (across < 0.0)) & (along > 0.0)
                falls_to_corner = (across > along) & (down > 0.0)
                steep = along * along + (across * across if within else 0.0)
                steep = steep if falls else (0.5 * down * down if falls_to_corner else 0.0)
                shared = (1 << cardinal if across <= along * most else 0) | (1 << diagonal if across >= along * least else 0)
                taken = (shared if within else 1 << cardinal) if falls else 1 << diagonal
                steeper = steep > best[col]
                best[col] = steep if steeper else best[col]
                mask[col] = taken if steeper else mask[col]
        for col in range(cols):
            dinf[row, col] = mask[col] if mask[col] != 0 else d8[row, col]
        gaps = False
        for near_row in range(row + 1, row + 4):
            for col in range(1, cols + 3):
                gaps |= np.isnan(z[near_row, col])
        for col in range(cols):
            if gaps and not np.isnan(here[col]):
                for k in range(8):
                    if np.isnan(z[row + 2 + _ROW[k], col + 2 + _COL[k]]):
                        edge[row, col] = True
            if d8[row, col] == 0 and not edge[row, col] and not np.isnan(here[col]):
                level = grown(level, size)
                level[size] = (row + 2) * z.shape[1] + col + 2
                size += 1
    return level[:size].copy()


@njit(cache=True, nogil=True)
def _is_level(z, row, col):  # type: ignore[no-untyped-def]
    # Known ground inside the data from which no neighbour falls. A comparison with NaN fails.
    for k in range(8):
        if not z[row + _ROW[k], col + _COL[k]] >= z[row, col]:
            return False
    return True


@njit(cache=True, nogil=True)
def _look(z, steps, row, col):  # type: ignore[no-untyped-def]
    # Steps not looked at yet are stored inverted (thus below 0): they hold if the cell is level; a cell that drains has 0.
    if steps[row, col] < 0:
        steps[row, col] = ~steps[row, col] if _is_level(z, row, col) else np.int32(0)
    return steps[row, col]


@njit(cache=True, nogil=True)
def _shared_levels(z, steps):  # type: ignore[no-untyped-def]
    # Level cells along the tile's sides that are level with a level cell beyond them.
    rows, cols = z.shape[0] - 4, z.shape[1] - 4
    found = np.empty(2 * (rows + cols), np.int64)
    size = np.int64(0)
    for row in range(2, rows + 2):
        for col in range(2, cols + 2, 1 if row == 2 or row == rows + 1 or cols < 3 else cols - 1):
            for k in range(8):
                r, c = row + _ROW[k], col + _COL[k]
                if 2 <= r < rows + 2 and 2 <= c < cols + 2:
                    continue
                if z[r, c] == z[row, col] and _is_level(z, row, col) and _look(z, steps, r, c) > 0:
                    found[size] = row * z.shape[1] + col
                    size += 1
                    break
    return found[:size].copy()


@njit(cache=True, nogil=True)
def _gaining(z, shared, offered, before, first, own):  # type: ignore[no-untyped-def]
    # The shared cells to which a cell beyond now offers a way that it did not before, no longer than their own: as long a one too, since
    # the first of several neighbours is the receiver. `offered` and `before` lie as `ring`, `own` are the steps along the sides.
    rows, cols = z.shape[0] - 4, z.shape[1] - 4
    found = np.empty(shared.size, np.int64)
    size = np.int64(0)
    for cell in shared:
        row, col = cell // z.shape[1], cell % z.shape[1]
        steps = own[0][col - 2] if row == 2 else own[1][col - 2] if row == rows + 1 else own[2][row - 2] if col == 2 else own[3][row - 2]
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if (2 <= r < rows + 2 and 2 <= c < cols + 2) or z[r, c] != z[row, col]:
                continue
            if r == 1 or r == rows + 2:
                now, then = offered[0 if r == 1 else 1][c - 1], before[0 if r == 1 else 1][c - 1]
            else:
                now, then = offered[2 if c == 1 else 3][r - 2], before[2 if c == 1 else 3][r - 2]
            if (first or now != then) and now < steps:
                found[size] = cell
                size += 1
                break
    return found[:size].copy()


@njit(cache=True, nogil=True)
def _drain_levels(z, steps, some, dinf, d8, shared):  # type: ignore[no-untyped-def]
    # Drains the levels of which `some` cells are given; returns the steps of the `shared` cells along the four sides.
    rows, cols = d8.shape
    width = z.shape[1]
    cells = np.empty(some.size + 256, np.int64)
    size = np.int64(0)
    for cell in some:
        row, col = cell // width, cell % width
        if steps[row, col] < 0 or _look(z, steps, row, col) > 0:
            steps[row, col] = NO_WAY
            cells[size] = cell
            size += 1
    at = 0
    queue = np.empty(256, np.int64)
    queued = np.int64(0)
    # A heap of steps and cells, the fewest steps first.
    later = np.empty(256, np.int64)
    waiting = np.int64(0)
    while at < size:
        row, col = cells[at] // width, cells[at] % width
        at += 1
        fewest = NO_WAY
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if z[r, c] != z[row, col]:
                continue
            inside = 2 <= r < rows + 2 and 2 <= c < cols + 2
            new = inside and steps[r, c] < 0
            near = _look(z, steps, r, c)
            if new and near > 0:
                cells = grown(cells, size)
                cells[size] = r * width + c
                size += 1
            if near == 0 or not inside:
                fewest = min(fewest, near + 1)
        if fewest == 1:
            queue = grown(queue, queued)
            queue[queued] = row * width + col
            queued += 1
        elif fewest < NO_WAY:
            later = push(later, waiting, np.int64(fewest) << 32 | (row * width + col))
            waiting += 1
    for index in range(queued):
        steps[queue[index] // width, queue[index] % width] = 1
    at = 0
    while at < queued or waiting > 0:
        if waiting > 0 and (at == queued or later[0] >> 32 <= steps[queue[at] // width, queue[at] % width]):
            key = pop(later, waiting)
            waiting -= 1
            row, col = cell_of(key) // width, cell_of(key) % width
            fewer = key >> 32
            if steps[row, col] <= fewer:
                continue
            steps[row, col] = fewer
        else:
            row, col = queue[at] // width, queue[at] % width
            at += 1
        further = steps[row, col] + 1
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if z[r, c] == z[row, col] and steps[r, c] > further and 2 <= r < rows + 2 and 2 <= c < cols + 2:
                steps[r, c] = further
                queue = grown(queue, queued)
                queue[queued] = r * width + c
                queued += 1
    for index in range(size):
        row, col = cells[index] // width, cells[index] % width
        if steps[row, col] == NO_WAY:
            continue
        for k in range(8):
            r, c = row + _ROW[k], col + _COL[k]
            if z[r, c] == z[row, col] and steps[r, c] == steps[row, col] - 1:
                d8[row - 2, col - 2] = dinf[row - 2, col - 2] = 1 << k
                break
    north, south = np.full(cols, NO_WAY, np.int32), np.full(cols, NO_WAY, np.int32)
    west, east = np.full(rows, NO_WAY, np.int32), np.full(rows, NO_WAY, np.int32)
    for cell in shared:
        row, col = cell // width - 2, cell % width - 2
        count = steps[row + 2, col + 2]
        if row == 0:
            north[col] = count
        if row == rows - 1:
            south[col] = count
        if col == 0:
            west[row] = count
        if col == cols - 1:
            east[row] = count
    return north, south, west, east
