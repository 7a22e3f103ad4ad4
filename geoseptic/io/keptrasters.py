"""Cloud Optimized GeoTIFFs of planes that are kept: coarser copies and packed tiles are kept too, window by window, and the file is put
together of them. Where little changed, little is packed; the bytes are those that GDAL writes of the whole."""

from collections import Counter
from collections.abc import Iterator, Mapping
from functools import partial
from itertools import product
from math import ceil
from pathlib import Path
from typing import Any, Final

import numpy as np

from geoseptic.io import cogtiles, overviews
from geoseptic.io.cogs import Header, write_cog
from geoseptic.io.earlierfiles import placed
from geoseptic.io.filehashes import check_of, written
from geoseptic.io.kept import Store, room_for
from geoseptic.io.keptplanes import Part, Piece, by_windows, pieces, summed
from geoseptic.io.scratch import new_plane
from geoseptic.io.tallies import tally
from geoseptic.model.planes import ArrayPlane, Plane, Values
from geoseptic.terrain.windows import Window, windows

TILES_ACROSS: Final = 2, 2, 1
"""Tiles along the side of a piece, of the finest copy, the next, and all others: with few, a change packs little; with many, few pieces are
looked up. A change is in a piece of each copy, and coarse ones have few pieces anyway."""


def counts(plane: Plane, workers: int = 1) -> Counter[int]:
    """How many cells hold each value."""
    _, found = by_windows(plane, (), _counted, lambda window: (Part(plane, window),), workers)
    return summed(found)


def _counted(part: Part) -> tuple[tuple[()], list[tuple[int, int]]]:
    return (), tally(part.read())


def write(
    store: Store,
    target: Path,
    plane: Plane,
    header: Header,
    method: overviews.Method,
    drafts: Path,
    tile_cells: int,
    packing: Mapping[str, str],
    workers: int = 1,
) -> bool | None:
    """Write the file of `plane`. Whether all of it had been kept; None, and nothing written, for floats of
    another kind and where GDAL lays its files out in another way than is known here.

    A file of which no cell is another is taken from the outputs of the run before, and what it was put together of stays.
    """
    key = store.key("file", Part.whole(plane), header, method, tile_cells, dict(packing))
    entry = store.find(key)
    if entry is not None and placed(target, entry.told["file"], [Path(entry.told["folder"])]):
        store.hold(entry.told["pieces"])
        return True
    with store.noting() as names:
        all_there = _put_together(store, target, plane, header, method, drafts, tile_cells, packing, workers)
    if all_there is not None:
        found = {"file": check_of(target), "folder": str(target.parent.absolute().parent), "pieces": sorted(names)}
        if entry is None or entry.told != found:
            store.put(key, (), found)
    return all_there


def _put_together(
    store: Store,
    target: Path,
    plane: Plane,
    header: Header,
    method: overviews.Method,
    drafts: Path,
    tile_cells: int,
    packing: Mapping[str, str],
    workers: int,
) -> bool | None:
    kind = plane.dtype
    if kind.kind == "f" and kind != np.float32:
        return None
    shapes = overviews.shapes(plane.shape)
    key = store.key("head", plane.shape, kind.str, shapes, header, tile_cells, dict(packing))
    entry = store.find(key)
    kept_head = None if entry is None else store.array(entry, 0)
    if kept_head is None:
        head = _head(drafts, plane.shape, shapes, kind, header, tile_cells, packing)
        if head is None:
            return None
        store.put(key, [np.frombuffer(head.data, np.uint8)])
    else:
        head = cogtiles.Head.of(kept_head.tobytes(), whole=False)
    levels, all_there = [plane], True
    for shape in shapes:
        levels.append(_coarser(levels[-1], shape, method, workers))
    parts: list[_Tiles] = []
    for number, level in enumerate(levels):
        across = TILES_ACROSS[min(number, len(TILES_ACROSS) - 1)]
        given = partial(_given, level, kind.str, tile_cells, int(packing["level"]))
        found, there = pieces(_packed, windows(level.shape, across * tile_cells), given, workers)
        parts.append(_Tiles(found, level.shape, tile_cells, across))
        all_there &= there
    with room_for(target), written(target) as file:
        file.write(head.placed([copy.lengths for copy in parts]))
        for copy in reversed(parts):
            for tiles in copy.in_order():
                file.write(tiles)
    return all_there


def _head(
    drafts: Path,
    shape: tuple[int, int],
    coarser: list[tuple[int, int]],
    kind: np.dtype[Any],
    header: Header,
    tile_cells: int,
    packing: Mapping[str, str],
) -> cogtiles.Head | None:
    """What GDAL writes before the tiles of such a raster, whatever its values: here of one with nothing in it."""
    blank = drafts / "blank.tif"
    planes = [new_plane(drafts, each, kind) for each in (shape, *coarser)]
    write_cog(blank, planes[0], planes[1:], header, drafts, blocksize=tile_cells, **packing)
    return cogtiles.head_of(blank)


def _coarser(fine: Plane, shape: tuple[int, int], method: overviews.Method, workers: int) -> Plane:
    # Nothing is ever in this one: it only has the shape.
    like = ArrayPlane(np.broadcast_to(np.zeros(1, fine.dtype), shape))

    def given(window: Window) -> tuple[Any, ...]:
        under, spans = overviews.beneath(fine.shape, shape, window)
        return Part(fine, under), spans, method

    (coarse,), _ = by_windows(like, (fine.dtype,), _halved, given, workers)
    return coarse


def _halved(fine: Part, spans: tuple[overviews.Spans, overviews.Spans], method: overviews.Method) -> tuple[tuple[Values], None]:
    return (overviews.halved(fine.read(), spans, method),), None


def _given(plane: Plane, kind: str, tile_cells: int, level: int, window: Window) -> tuple[Any, ...]:
    return Part(plane, window), kind, tile_cells, level


def _packed(part: Part, kind: str, tile_cells: int, level: int) -> tuple[Values, Values]:
    return cogtiles.packed(part.read().astype(np.dtype(kind), copy=False), tile_cells, level)


class _Tiles:
    """The packed tiles of one copy, in pieces of so many `across`."""

    def __init__(self, parts: list[Piece], shape: tuple[int, int], tile_cells: int, across: int) -> None:
        self.parts, self.across = parts, across
        rows, cols = (ceil(side / tile_cells) for side in shape)
        # Of each tile in the file's order: where in its piece it ends, and how long it is.
        self.end, lengths = np.zeros((rows, cols), np.int64), np.zeros((rows, cols), np.int64)
        for window, part in zip(windows((rows, cols), across), parts, strict=True):
            own, there = part.array(1), lengths[window].shape
            lengths[window] = own.reshape(there)
            self.end[window] = np.cumsum(own + cogtiles.FRAME_BYTES).reshape(there)
        self.lengths = lengths.ravel()

    def in_order(self) -> Iterator[memoryview]:
        """The framed tiles in the order of the file: at a time those of a row of a piece."""
        opened: dict[int, memoryview] = {}
        rows, cols = self.end.shape
        first = self.end - self.lengths.reshape(rows, cols) - cogtiles.FRAME_BYTES
        in_a_row = ceil(cols / self.across)
        for row, col in product(range(rows), range(0, cols, self.across)):
            number = row // self.across * in_a_row + col // self.across
            if number not in opened:
                opened[number] = self.parts[number].array(0).data
            yield opened[number][first[row, col] : self.end[row, min(col + self.across, cols) - 1]]
