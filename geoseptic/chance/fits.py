"""In how many draws a field, and a field with its reserve, fit on one lot: the real search, asked as seldom as can be.

What a draw gives is decided by the first of these that can:

- once: nothing that reaches the lot differs from draw to draw; one search answers all, the very search of the screening.
- no room at all: an envelope that holds those of all draws has no room by bounds that are exact (area, inscribed disc, blocks of cells).
- drawn before: a layout that the search found in another draw keeps every distance in this one, by exact distances. It is lawful, so this
  may only find what a search that looks at some places and directions alone would miss.
- no room here: the same bounds on the draw's own envelope, over all layouts that the search has.
- searched: the real search on the draw's own envelope. What it finds must keep every distance too.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance import never
from geoseptic.chance.kept import Box, box_of, keeps, outlines_of
from geoseptic.model.frame import Geometries
from geoseptic.parcels import envelope
from geoseptic.parcels.buffers import MARGIN_M, QUADRANT_SEGMENTS, outward
from geoseptic.parcels.fit import (
    FEW_LAYOUTS,
    MOST_LAYOUTS,
    SEEN_DROP_M,
    FieldNeed,
    Layout,
    Pipes,
    Placement,
    Site,
    SiteGround,
    Terrain,
    fit,
    layouts,
    refused_at_once,
    room,
)
from geoseptic.parcels.fitground import Trenches

ONCE, NEVER, DRAWN_BEFORE, NO_ROOM_HERE, SEARCHED = range(5)
WAYS: Final = ("once", "no room at all", "drawn before", "no room here", "searched")
"""What decided a draw, by the codes of `Fits.decided`."""

CELL_M: Final = 1.0
MOST_CELLS: Final = 128
"""Cells of the bounds, and how many of them a lot has on a side at most; larger ones are taken beyond, which is as true and shuts less."""

CORES: Final = ((1.0, 1), (0.9, 2), (0.7, 2), (0.4, 1))
"""Layouts are first looked for in what this share of the draws left open has in common, so often."""

WIDER: Final = 1.02
"""So much wider are shapes made that must hold all within a distance: the engine leaves out corners that matter less than a hundredth of
it, and its arcs are chords."""

ANYWHERE: Final = Pipes(0.0, 0.0)
NOWHERE: Final = shapely.Polygon()

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Keeps:
    """What one part of a system keeps clear of round one lot, at the places on record. [m]

    inside : what the distance from the lot's line leaves of the lot; it moves with the lot. line_m : that distance.
    fixed : ground that is kept out and does not move.
    rings, things, keep_m : the same of things that move with the buildings, those things, and the distances from them.
    wells_m : the distances from the lot's wells.
    """

    inside: shapely.Geometry
    line_m: float
    fixed: Geometries
    rings: Geometries
    things: Geometries
    keep_m: Floats
    wells_m: Floats


@dataclass(frozen=True)
class Case:
    """One lot: its shape, what field and reserve keep clear of (one and the same where nothing differs), and the sizes to look for: need,
    ground, and whether a field alone counts."""

    lot: shapely.Geometry
    field: Keeps
    reserve: Keeps
    asked: tuple[tuple[FieldNeed, Terrain, bool], ...]

    @property
    def same(self) -> bool:
        return self.reserve is self.field


@dataclass(frozen=True)
class Places:
    """Where things lie in each draw: shifts of the lot and of the buildings, (draws, 2), and the lot's wells, (draws, wells, 2). [m]"""

    lot_m: Floats
    buildings_m: Floats
    wells_m: Floats

    def __len__(self) -> int:
        return len(self.lot_m)

    def kept(self, draws: npt.NDArray[np.int64]) -> "Places":
        """Only those draws."""
        return Places(self.lot_m[draws], self.buildings_m[draws], self.wells_m[draws])


@dataclass(frozen=True)
class Fits:
    """For each draw what fits (0 nothing, 1 a field alone, 2 a field and its reserve), and which of WAYS decided it. `searches` : how often
    the real search was asked."""

    kind: npt.NDArray[np.int8]
    decided: npt.NDArray[np.int8]
    searches: int


def fits(case: Case, places: Places) -> Fits:
    """What fits on a lot in each draw, for the first of the sizes that fits best."""
    asker = _Asker(case, places)
    asker.once() if asker.all_alike() else asker.decide()
    return Fits(asker.kind, asker.decided, asker.searches)


class _Asker:
    """One lot while its draws are decided: `low` and `high` are the least and the most that may fit in each."""

    def __init__(self, case: Case, places: Places) -> None:
        self.case, self.places = case, places
        count = len(places)
        self.kind = np.zeros(count, np.int8)
        self.high = np.full(count, 2, np.int8)
        self.decided = np.full(count, -1, np.int8)
        self.searches = 0
        self.lot_lines = outlines_of(np.array([case.lot], object), case.field.line_m)
        self.parts = (case.field,) if case.same else (case.field, case.reserve)
        self.lines = tuple(
            (self.lot_lines._replace(keep_m=np.array([part.line_m])), outlines_of(part.things, part.keep_m)) for part in self.parts
        )

    @property
    def open(self) -> Flags:
        return self.decided < 0

    def all_alike(self) -> bool:
        """Whether no draw differs from the first in anything that reaches the lot."""
        return bool(
            (self.places.lot_m == self.places.lot_m[0]).all()
            and (self.places.buildings_m == self.places.buildings_m[0]).all()
            and (self.places.wells_m == self.places.wells_m[0]).all()
        )

    def once(self) -> None:
        envelopes = [one[0] for one in self.envelopes(np.array([0]))]
        self.kind[:] = self.searched(*envelopes)[0]
        self.decided[:] = ONCE

    def decide(self) -> None:
        everywhere = np.arange(len(self.places))
        whole = _site(*self.supersets(everywhere))
        bounds = [_Bound(whole, need, terrain, alone) for need, terrain, alone in self.case.asked]
        self.high[:] = max(bound.by_size(whole) for bound in bounds)
        self.close(NEVER)
        self.try_cores()
        left = np.flatnonzero(self.open)
        if not len(left):
            return
        self.high[left] = max(bound.by_blocks() for bound in bounds)
        self.close(NEVER)
        left = np.flatnonzero(self.open)
        if not len(left):
            return
        envelopes = self.envelopes(left)
        self.high[left] = np.max([bound.by_each(envelopes, self.kind[left] + 1, self.high[left]) for bound in bounds], axis=0)
        self.close(NO_ROOM_HERE)
        for number, draw in enumerate(left.tolist()):
            if not self.open[draw]:
                continue
            _, placements = self.searched(*(one[number] for one in envelopes))
            for found in placements:
                self.draw_everywhere(*found)
            # What this very draw's search found is drawn now, and nothing more will be found here.
            self.high[draw] = self.kind[draw]
            self.decided[draw] = SEARCHED

    def close(self, how: int) -> None:
        self.decided[self.open & (self.high <= self.kind)] = how

    def searched(self, field: shapely.Geometry, reserve: shapely.Geometry | None = None) -> tuple[int, list[tuple[Placement, int]]]:
        """What the real search finds in these envelopes."""
        best, drawn = 0, []
        site = _site(field, reserve)
        if shapely.is_empty(field):
            return 0, []
        self.searches += 1
        for need, terrain, alone in self.case.asked:
            ground = SiteGround(site, terrain)
            there = room(site, need, terrain, ANYWHERE, ground)
            kind = 2 if there.both else 1 if there.field and alone else 0
            if kind > best:
                placement = fit(site, need, terrain, ANYWHERE, ground).placement
                assert placement is not None
                best = kind
                drawn.append((placement, kind))
            if best == 2:
                break
        return best, drawn

    def draw_everywhere(self, placement: Placement, kind: int) -> None:
        """Take a layout of this kind for every draw in which it keeps all distances."""
        field = self.keeps(box_of(placement.field), 0, self.open)
        if kind == 2:
            both = field if placement.reserve is None else self.keeps(box_of(placement.reserve), -1, field)
            self.kind[both] = 2
        self.kind[field & (self.kind < 1)] = 1
        self.close(DRAWN_BEFORE)

    def keeps(self, box: Box, part: int, asked: Flags) -> Flags:
        lot, things = self.lines[part]
        return keeps(box, lot, things, self.places.wells_m, self.parts[part].wells_m, self.places.lot_m, self.places.buildings_m, asked)

    def try_cores(self) -> None:
        for share, times in CORES:
            for _ in range(times):
                left = np.flatnonzero(self.open)
                if not len(left):
                    return
                _, placements = self.searched(*self.cores(left, share))
                before = np.count_nonzero(self.open)
                for found in placements:
                    self.draw_everywhere(*found)
                if np.count_nonzero(self.open) == before:
                    break

    def supersets(self, draws: npt.NDArray[np.int64]) -> list[shapely.Geometry]:
        """For each part an envelope that holds those of all these draws."""
        lot, lot_m = _about(self.places.lot_m[draws])
        houses, houses_m = _about(self.places.buildings_m[draws])
        found = []
        for part in self.parts:
            shape = _grown(_moved(part.inside, lot), lot_m)
            rings = _grown(_moved_all(part.rings, houses), -houses_m)
            wells = []
            for number, distance_m in enumerate(part.wells_m.tolist()):
                middle, spread_m = _about(self.places.wells_m[draws, number])
                if distance_m > spread_m + MARGIN_M:
                    # A buffer's corners lie on the circle, the rest within.
                    wells.append(shapely.buffer(shapely.Point(middle), distance_m - spread_m - MARGIN_M))
            found.append(shapely.difference(shape, shapely.union_all([*part.fixed, *rings, *wells])))
        return found

    def cores(self, draws: npt.NDArray[np.int64], share: float) -> list[shapely.Geometry]:
        """For each part an envelope that about this share of these draws have in common."""
        lot, lot_m = _about(self.places.lot_m[draws], share)
        houses, houses_m = _about(self.places.buildings_m[draws], share)
        found = []
        for part in self.parts:
            shape = _grown(_moved(part.inside, lot), -lot_m)
            rings = _grown(_moved_all(part.rings, houses), houses_m)
            wells = []
            for number, distance_m in enumerate(part.wells_m.tolist()):
                middle, spread_m = _about(self.places.wells_m[draws, number], share)
                wells.append(outward(shapely.Point(middle), distance_m + spread_m))
            found.append(shapely.difference(shape, shapely.union_all([*part.fixed, *rings, *wells])))
        return found

    def envelopes(self, draws: npt.NDArray[np.int64]) -> list[Geometries]:
        """For each part the envelope of each of these draws."""
        return [_envelopes(part, self.places, draws) for part in self.parts]


def _envelopes(part: Keeps, places: Places, draws: npt.NDArray[np.int64]) -> Geometries:
    base = _each_moved(np.full(len(draws), part.inside), places.lot_m[draws])
    numbers = np.arange(len(draws))
    wells = [outward(shapely.points(places.wells_m[draws, well]), distance_m) for well, distance_m in enumerate(part.wells_m.tolist())]
    cutters = [
        *(np.full(len(draws), one) for one in part.fixed),
        *(_each_moved(np.full(len(draws), one), places.buildings_m[draws]) for one in part.rings),
        *wells,
    ]
    if not cutters:
        return base
    every = np.concatenate(cutters)
    owner = np.tile(numbers, len(cutters))
    near = _bounds_meet(base[owner], every)
    order = np.flatnonzero(near)[np.argsort(owner[near], kind="stable")]
    return envelope.subtract(base, owner[order], every[order])


def _bounds_meet(one: Geometries, other: Geometries) -> Flags:
    a, b = shapely.bounds(one), shapely.bounds(other)
    return (a[:, 0] <= b[:, 2]) & (b[:, 0] <= a[:, 2]) & (a[:, 1] <= b[:, 3]) & (b[:, 1] <= a[:, 3])


class _Bound:
    """What of one size may have room in envelopes that lie within that of a site; `alone` says whether a field alone counts."""

    def __init__(self, whole: Site, need: FieldNeed, terrain: Terrain, alone: bool) -> None:
        self.whole, self.need, self.terrain, self.alone = whole, need, terrain, alone
        self.fields, self.reserves = _tables(need)
        self.least_m2, self.spare_m2 = (float((one[:, 1] * one[:, 2]).min(initial=np.inf)) for one in (self.fields, self.reserves))

    def by_size(self, site: Site) -> int:
        """By area and inscribed disc."""
        if shapely.is_empty(site.field) or refused_at_once(site, self.need) is not None:
            return 0
        return self._counted(int(self._by_area(np.array([site.areas_m2[0]]), np.array([site.areas_m2[1]]))[0]))

    def by_blocks(self) -> int:
        """By blocks of cells in all that the envelopes may hold."""
        if shapely.is_empty(self.whole.field):
            return 0
        found = self.left_open
        return self._counted(2 if found.field.any() else 1 if found.alone.any() else 0)

    def by_each(self, envelopes: Sequence[Geometries], least: npt.NDArray[np.int8], most: npt.NDArray[np.int8]) -> npt.NDArray[np.int8]:
        """The same for many envelopes, of which nothing less than `least` and nothing more than `most` is asked."""
        areas_m2 = [shapely.area(shapes) for shapes in envelopes]
        most = np.minimum(most, self._by_area(areas_m2[0], areas_m2[-1])).astype(np.int8)
        least = np.maximum(least, 1 if self.alone else 2).astype(np.int8)
        rings = [_rings_of_each(shapes, self.whole.middle) for shapes in envelopes]
        field, reserve, seen, spare_seen, alike = self.looked
        same = self.whole.same
        found = never.most_in_each(
            rings[0], rings[-1], same, field, reserve, alike, seen, spare_seen, self.need.spacing_m, self.left_open, least, most
        )
        return np.asarray(found, np.int8)

    @cached_property
    def looked(self) -> tuple[never.Bounds, never.Bounds, never.Seen, never.Seen, bool]:
        need, patch, rings = self.need, SiteGround(self.whole, self.terrain).patch, self.whole.rings
        trenches = Trenches(need.trench_width_m, need.trench_width_m + need.spacing_m, SEEN_DROP_M)
        seen = never.seen_of(*rings, len(self.fields), CELL_M, MOST_CELLS, patch)
        field = never.bounds_of(self.fields, trenches, seen, patch)
        if self.whole.same and np.array_equal(self.fields, self.reserves):
            return field, field, seen, seen, True
        shape = (never.TURNS, len(self.reserves), *seen.middles.shape[1:])
        spare = seen._replace(level=np.zeros(shape, np.uint64), steep=np.zeros(shape, np.uint64))
        return field, never.bounds_of(self.reserves, trenches, seen, patch), seen, spare, False

    @cached_property
    def left_open(self) -> never.Open:
        field, reserve, seen, spare_seen, alike = self.looked
        return never.left_open(*self.whole.rings, self.whole.same, field, reserve, alike, seen, spare_seen, self.need.spacing_m)

    def _by_area(self, field_m2: Floats, reserve_m2: Floats) -> npt.NDArray[np.int8]:
        both = np.ones(len(field_m2), bool)
        if len(self.reserves):
            both = (field_m2 - self.least_m2 if self.whole.same else reserve_m2) >= self.spare_m2
        return np.where(field_m2 < self.least_m2, 0, np.where(both, 2, 1)).astype(np.int8)

    def _counted(self, kind: int) -> int:
        return kind if self.alone or kind == 2 else 0


def _tables(need: FieldNeed) -> tuple[Floats, Floats]:
    """All layouts that any search tries, of field and reserve: rows of number, length and depth. [m]"""
    found = []
    for share in (1.0, need.reserve_share):
        every: dict[int, Layout] = {one.count: one for most in (FEW_LAYOUTS, MOST_LAYOUTS) for one in layouts(need, share, most)}
        rows = [(every[count].count, every[count].length_m, every[count].depth_m) for count in sorted(every)]
        found.append(np.array(rows, np.float64).reshape(-1, 3))
    return found[0], found[1]


def _site(field: shapely.Geometry, reserve: shapely.Geometry | None = None) -> Site:
    """A site without a house: where the tank is changes nothing of whether there is room."""
    return Site(field, field if reserve is None else reserve, np.nan, np.nan, np.nan)


def _rings_of_each(shapes: Geometries, middle: tuple[float, float]) -> never.Many:
    """The rings of shapes about a point."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    ring = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(rings))]).astype(np.int64)
    first = np.searchsorted(owner[part], np.arange(len(shapes) + 1)).astype(np.int64)
    away = shapely.get_coordinates(rings) - middle
    return never.Many(np.ascontiguousarray(away[:, 0]), np.ascontiguousarray(away[:, 1]), ring, first)


def _about(places_m: Floats, share: float = 1.0) -> tuple[Floats, float]:
    """A middle of points of shape (n, 2), and how far from it a share of them lies. [m]"""
    middle = (places_m.min(axis=0) + places_m.max(axis=0)) / 2 if share == 1.0 else np.median(places_m, axis=0)
    away_m = np.sort(np.hypot(*(places_m - middle).T))
    return middle, float(away_m[math.ceil(share * len(away_m)) - 1])


def _moved(shape: shapely.Geometry, by_m: Floats) -> shapely.Geometry:
    return shapely.transform(shape, lambda xy: xy + by_m) if by_m.any() else shape


def _moved_all(shapes: Geometries, by_m: Floats) -> Geometries:
    return shapely.transform(shapes, lambda xy: xy + by_m) if len(shapes) and by_m.any() else shapes


def _each_moved(shapes: Geometries, by_m: Floats) -> Geometries:
    """Each shape by its own shift, (n, 2)."""
    if not by_m.any():
        return shapes
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    moved: Geometries = shapely.set_coordinates(shapes.copy(), xy + by_m[owner])
    return moved


def _grown(shapes: Any, by_m: float) -> Any:
    """A shape or several with all within a distance of them, or, of less than 0, without all within it of their outlines. [m]"""
    if by_m == 0.0:
        return shapes
    return shapely.buffer(shapes, (by_m + np.sign(by_m) * MARGIN_M) * WIDER, quad_segs=QUADRANT_SEGMENTS)
