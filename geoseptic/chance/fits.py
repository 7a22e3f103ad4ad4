"""In how many draws a field, and a field with its reserve, fit on one lot: one search of all draws together, at the same spots.

What a draw gives is decided by the first of these that can:

- once: nothing that reaches the lot differs from draw to draw; one search answers all, the very search of the screening.
- no room at all: what holds the envelopes of all draws has no room by area or inscribed disc, which is exact.
- together: all draws are looked at in the same directions and at the same spots (`spots`), for the layouts of the search and with its
  rules for the ground. What is found in one draw holds for all others in which it keeps every distance, by exact distances.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance import kept, spots, together
from geoseptic.chance.kept import Around, Box, box_of, hold, outlines_of, table_of
from geoseptic.model.frame import Geometries
from geoseptic.parcels import envelope
from geoseptic.parcels.buffers import MARGIN_M, QUADRANT_SEGMENTS, outward
from geoseptic.parcels.fit import (
    MOST_LAYOUTS,
    FieldNeed,
    Outlines,
    Pipes,
    Site,
    SiteGround,
    Terrain,
    all_tries,
    fit,
    laid,
    least_of,
    most_by_area,
    refused_at_once,
    room,
)
from geoseptic.parcels.fitroom import Tries, Work

ONCE, NEVER, TOGETHER = range(3)
WAYS: Final = ("once", "no room at all", "together")
"""What decided a draw, by the codes of `Fits.decided`."""

SPOTS_M: Final = 0.25
MOST_SPOTS: Final = 96
"""How far apart spots are, and how many of them a lot has on a side at most; on larger ones they are farther apart."""

NEAR_AREA: Final = 1.05
"""So much more area counts as left in a draw than its spots are of."""

MOST_DRAWN: Final = 40
"""So many of the layouts found for one size are told at most."""

SAME_DIRECTION: Final = 1e-6
"""Directions count as the same that differ by less. [rad]"""

NEAR_MIDDLE_M: Final = 2.0
"""Where lot and buildings are moved farther than this in some draw, the search in the middle of all draws is left out: it is there so that
with errors that go to nothing the answer goes to that of the screening, and tells little where they are large."""

FEW_SEGMENTS: Final = 6
"""Sides of a quarter of a circle round a building's corner: an arc of 3 m is 3 cm farther out at most."""

WIDER: Final = 1.02
"""So much wider are shapes made that must hold all within a distance: the engine leaves out corners that matter less than a hundredth of
it, and its arcs are chords."""

ANYWHERE: Final = Pipes(0.0, 0.0)

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]
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
    """Where things lie in each draw: shifts of the lot and of the buildings, (draws, 2), and the lot's wells, (draws, wells, 2). [m]

    whole : all draws, of which these are some or are put together. shared : what is asked of one lot again and again.
    """

    lot_m: Floats
    buildings_m: Floats
    wells_m: Floats
    whole: "Places | None" = field(default=None, init=False, repr=False, compare=False)
    shared: "dict[tuple[int, int], _OnLot]" = field(default_factory=dict, init=False, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.lot_m)

    def kept(self, draws: Numbers) -> "Places":
        """Only those draws."""
        return self.of_these(self.lot_m[draws], self.buildings_m[draws], self.wells_m[draws])

    def of_these(self, lot_m: Floats, buildings_m: Floats, wells_m: Floats) -> "Places":
        """Draws in which each thing is where it is in one of these."""
        found = Places(lot_m, buildings_m, wells_m)
        object.__setattr__(found, "whole", self.whole or self)
        return found


@dataclass(frozen=True)
class Drawn:
    """A layout that was found: the rectangles of field and reserve (None where it has none), and what it holds, 1 or 2."""

    field: Box
    reserve: Box | None
    kind: int


def tables_of(drawn: Sequence[Drawn]) -> tuple[Floats, Floats]:
    """The rectangles of fields and of reserves as `kept` reads them."""
    return table_of([one.field for one in drawn]), table_of([one.reserve for one in drawn])


@dataclass(frozen=True)
class Fits:
    """For each draw what fits (0 nothing, 1 a field alone, 2 a field and its reserve), and which of WAYS decided it. `drawn` : layouts that
    were found, of each size first those that hold between them in every draw in which it fits, MOST_DRAWN at most; none where nothing
    moves."""

    kind: npt.NDArray[np.int8]
    decided: npt.NDArray[np.int8]
    drawn: tuple[Drawn, ...] = ()


def rounds(case: Case, places: Places, rounded: bool = False) -> tuple[Around, Around]:
    """What field and reserve keep clear of in these draws. Where these are `rounded`, what a layout is short of by the rounding of its draw
    to spots is not held against it."""
    on_lot = _OnLot.of(case, places)
    short_m, found = on_lot.rounded_m if rounded else 0.0, []
    for part, lines in zip(on_lot.parts, on_lot.lines, strict=True):
        line, things = (one._replace(keep_m=one.keep_m - short_m) for one in lines)
        found.append(Around(line, things, places.wells_m, part.wells_m, places.lot_m, places.buildings_m))
    return found[0], found[-1]


def fits(case: Case, places: Places, along: Sequence[Drawn] | None = None) -> Fits:
    """What fits on a lot in each draw, for the first of the sizes that fits best; only in the directions `along` these layouts, where they
    are given."""
    asker = _Asker(case, places, along)
    asker.once() if asker.all_alike() else asker.at_spots()
    return Fits(asker.kind, asker.decided, tuple(asker.drawn))


class _OnLot:
    """What the draws of one lot are looked at with, whatever is asked of them; made when it is first asked for."""

    def __init__(self, case: Case, places: Places) -> None:
        self.case, self.places = case, places
        self.parts = (case.field,) if case.same else (case.field, case.reserve)
        self.grounds: dict[int, SiteGround] = {}
        self.in_middle: dict[tuple[FieldNeed, int], list[Drawn]] = {}

    @classmethod
    def of(cls, case: Case, places: Places) -> "_OnLot":
        """That of all draws; kept with them, and with it what it is kept by."""
        every = places.whole or places
        return every.shared.setdefault((id(case.field), id(case.reserve)), cls(case, every))

    @cached_property
    def whole(self) -> Site:
        """What holds the envelopes of all draws."""
        return _site(*self.supersets())

    @cached_property
    def middle(self) -> Site:
        """The envelopes in the middle of all draws."""
        places = self.places
        median = Places(*(np.median(one, axis=0, keepdims=True) for one in (places.lot_m, places.buildings_m, places.wells_m)))
        return _site(*(one[0] for one in self.envelopes(median)))

    @cached_property
    def sides(self) -> list[spots.Side]:
        found = []
        for part, whole in zip(self.parts, self.whole.rings, strict=False):
            own = Outlines.of(np.array([part.inside, shapely.union_all(_round(part))], object))
            inside, things = (own.rings(number, self.whole.middle) for number in (0, 1))
            found.append(spots.Side(whole, inside, things, part.wells_m))
        return found

    @cached_property
    def far_m(self) -> float:
        """Farther than this nothing that moves as a whole is moved. [m]"""
        return max(float(np.hypot(*shifts_m.T).max()) for shifts_m in (self.places.lot_m, self.places.buildings_m))

    @cached_property
    def rounded_m(self) -> float:
        """How far a draw is moved at most, along each axis, to lie at spots. [m]"""
        if shapely.is_empty(self.whole.field):
            return SPOTS_M / 2
        return float(spots.frame_of(*self.whole.rings, 0.0, SPOTS_M, MOST_SPOTS, self.far_m).cell) / 2

    @cached_property
    def lines(self) -> list[tuple[kept.Outlines, kept.Outlines]]:
        lot = outlines_of(np.array([self.case.lot], object), self.case.field.line_m)
        return [(lot._replace(keep_m=np.array([part.line_m])), outlines_of(part.things, part.keep_m)) for part in self.parts]

    def ground(self, terrain: Terrain) -> SiteGround:
        """The ground under the lot."""
        return self.grounds.setdefault(id(terrain), SiteGround(self.whole, terrain))

    def found_in_middle(self, need: FieldNeed, terrain: Terrain) -> list[Drawn]:
        """What the real search finds in the middle of all draws, each need and terrain once."""
        self.ground(terrain)  # which keeps the terrain, so that no other one gets its number
        key, site = (need, id(terrain)), self.middle
        if key not in self.in_middle:
            found = None if shapely.is_empty(site.field) else fit(site, need, terrain, ANYWHERE, SiteGround(site, terrain)).placement
            self.in_middle[key] = []
            if found is not None:
                reserve = None if found.reserve is None else box_of(found.reserve)
                kind = 2 if reserve is not None or need.reserve_share == 0 else 1
                self.in_middle[key].append(Drawn(box_of(found.field), reserve, kind))
        return self.in_middle[key]

    def supersets(self) -> list[shapely.Geometry]:
        """For each part an envelope that holds those of all draws."""
        lot, lot_m = _about(self.places.lot_m)
        houses, houses_m = _about(self.places.buildings_m)
        found = []
        for part in self.parts:
            shape = _grown(_moved(part.inside, lot), lot_m)
            rings = _grown(_moved_all(part.rings, houses), -houses_m)
            wells = []
            for number, distance_m in enumerate(part.wells_m.tolist()):
                middle, spread_m = _about(self.places.wells_m[:, number])
                if distance_m > spread_m + MARGIN_M:
                    # A buffer's corners lie on the circle, the rest within.
                    wells.append(shapely.buffer(shapely.Point(middle), distance_m - spread_m - MARGIN_M))
            found.append(shapely.difference(shape, shapely.union_all([*part.fixed, *rings, *wells])))
        return found

    def envelopes(self, places: Places) -> list[Geometries]:
        """For each part the envelope of each draw."""
        return [_envelopes(part, places) for part in self.parts]


class _Asker:
    """One lot while its draws are decided: what fits in each, by the spots and by layouts that keep all distances (`held`)."""

    def __init__(self, case: Case, places: Places, along: Sequence[Drawn] | None = None) -> None:
        self.case, self.places, self.along, self.on_lot = case, places, along, _OnLot.of(case, places)
        self.kind, self.decided = np.zeros(len(places), np.int8), np.full(len(places), NEVER, np.int8)
        self.held = np.zeros(len(places), np.int8)
        self.drawn: list[Drawn] = []

    def all_alike(self) -> bool:
        """Whether no draw differs from the first in anything that reaches the lot."""
        where = self.places
        return all(bool((one == one[0]).all()) for one in (where.lot_m, where.buildings_m, where.wells_m))

    def once(self) -> None:
        envelopes = self.on_lot.envelopes(self.places.kept(np.array([0])))
        self.kind[:] = self.searched(*(one[0] for one in envelopes))
        self.decided[:] = ONCE

    def searched(self, field: shapely.Geometry, reserve: shapely.Geometry | None = None) -> int:
        """What the real search finds in these envelopes."""
        if shapely.is_empty(field):
            return 0
        best, site = 0, _site(field, reserve)
        for need, terrain, alone in self.case.asked:
            there = room(site, need, terrain, ANYWHERE, SiteGround(site, terrain))
            best = max(best, 2 if there.both else int(there.field and alone))
        return best

    def at_spots(self) -> None:
        whole = self.on_lot.whole
        if shapely.is_empty(whole.field):
            return
        for need, terrain, alone in self.case.asked:
            most = 0 if refused_at_once(whole, need) else most_by_area(whole, need)
            if most == 0 or (most == 1 and not alone):
                continue
            self.decided[:] = TOGETHER
            if self.on_lot.far_m <= NEAR_MIDDLE_M:
                middle = [one for one in self.on_lot.found_in_middle(need, terrain) if alone or one.kind == 2]
                self.draw(*tables_of(middle), [one.kind for one in middle])
            self.draw(*self.found_at_spots(need, terrain, alone, most))
            if (self.kind == 2).all():
                return

    def found_at_spots(self, need: FieldNeed, terrain: Terrain, alone: bool, most: int) -> tuple[Floats, Floats, list[int]]:
        """Raise what fits in each draw; and the layouts that do, as `draw` takes them."""
        on_lot, before, where = self.on_lot, self.kind.copy(), self.places
        sides, ground, rings = on_lot.sides, on_lot.ground(terrain), on_lot.whole.rings[1]
        moves = together.Moves(where.lot_m, where.buildings_m, where.wells_m - on_lot.whole.middle)
        left_m2 = [NEAR_AREA * together.areas(one, rings, ground.patch, moves, SPOTS_M, MOST_SPOTS, on_lot.far_m) for one in sides]
        _, _, work = laid(need, MOST_LAYOUTS)
        tries = all_tries(need, MOST_LAYOUTS, *ground.all_round)
        if self.along is not None:
            tries = _along(tries, self.along)
        alike = on_lot.whole.same and work.fields is work.reserves and tries.fields is tries.reserves
        at_most = np.minimum(most, _most_by_area(need, left_m2)).astype(np.int8)
        found = np.full((len(before), 7), -1.0)
        together.decide(
            sides[0],
            sides[-1],
            alike,
            tries,
            work,
            ground.patch,
            moves,
            SPOTS_M,
            MOST_SPOTS,
            on_lot.far_m,
            alone,
            at_most,
            self.kind,
            found,
        )
        return _drawn(found, self.kind, np.flatnonzero(self.kind > before), tries.turns, work, on_lot.whole.middle)

    def draw(self, fields: Floats, reserves: Floats, kinds: list[int]) -> None:
        """Take layouts, by the tables of their rectangles and what they hold, for every draw in which they keep all distances; those that
        so hold in more draws come first in `drawn`."""
        if not kinds:
            return
        used = hold(fields, reserves, np.array(kinds, np.int8), *rounds(self.case, self.places), self.held)
        first = np.argsort(~used, kind="stable")[:MOST_DRAWN].tolist()
        each = zip(fields[first].tolist(), reserves[first].tolist(), first, strict=True)
        self.drawn += [Drawn(Box(*own), None if math.isnan(other[0]) else Box(*other), kinds[k]) for own, other, k in each]
        np.maximum(self.kind, self.held, out=self.kind)


def _along(tries: Tries, drawn: Sequence[Drawn]) -> Tries:
    """The directions of layouts."""
    own = np.array([(one.field.cosine, one.field.sine) for one in drawn]).reshape(-1, 2)
    across = np.outer(np.sin(tries.turns), own[:, 0]) - np.outer(np.cos(tries.turns), own[:, 1])
    near = (np.abs(across) < SAME_DIRECTION).any(axis=1)
    fields = tries.fields[near]
    return Tries(tries.turns[near], fields, fields if tries.reserves is tries.fields else tries.reserves[near])


def _most_by_area(need: FieldNeed, left_m2: list[Floats]) -> Numbers:
    """What may have room in each draw by the area that is left for the field, and for the reserve where that differs."""
    least_m2, spare_m2, _ = least_of(need)
    both = left_m2[0] >= least_m2 + spare_m2 if len(left_m2) == 1 else left_m2[1] >= spare_m2
    return np.where(left_m2[0] < least_m2, 0, np.where(both, 2, 1))


def _envelopes(part: Keeps, places: Places) -> Geometries:
    draws = len(places)
    base = _each_moved(np.full(draws, part.inside), places.lot_m)
    numbers = np.arange(draws)
    wells = [outward(shapely.points(places.wells_m[:, well]), distance_m) for well, distance_m in enumerate(part.wells_m.tolist())]
    cutters = [
        *(np.full(draws, one) for one in part.fixed),
        *(_each_moved(np.full(draws, one), places.buildings_m) for one in part.rings),
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


def _site(field: shapely.Geometry, reserve: shapely.Geometry | None = None) -> Site:
    """A site without a house: where the tank is changes nothing of whether there is room."""
    return Site(field, field if reserve is None else reserve, np.nan, np.nan, np.nan)


def _round(part: Keeps) -> Geometries:
    """What buildings shut, with fewer corners than on maps, and nowhere less."""
    wider_m = part.keep_m / math.cos(math.pi / (4 * FEW_SEGMENTS)) + MARGIN_M
    rounded: Geometries = shapely.buffer(part.things, wider_m, quad_segs=FEW_SEGMENTS)
    return rounded


def _drawn(
    found: Floats, kind: npt.NDArray[np.int8], draws: Numbers, turns: Floats, work: Work, middle: tuple[float, float]
) -> tuple[Floats, Floats, list[int]]:
    """The layouts found in these draws, each once, those with a reserve first; `found` as of `together.decide`."""
    order = draws[np.argsort(-kind[draws], kind="stable")]
    _, first = np.unique(np.column_stack([kind[order], found[order]]), axis=0, return_index=True)
    rows = order[np.sort(first)]
    turn, own, spare = found[rows, 0].astype(int), found[rows, 1].astype(int), found[rows, 4].astype(int)
    reserves = np.full((len(rows), len(Box._fields)), np.nan)
    there = spare >= 0
    reserves[there] = _boxes(turns[turn[there]], work.reserves[spare[there]], found[rows[there], 5:7], middle)
    return _boxes(turns[turn], work.fields[own], found[rows, 2:4], middle), reserves, kind[rows].tolist()


def _boxes(turns: Floats, layouts: Floats, at_m: Floats, middle: tuple[float, float]) -> Floats:
    """The rectangles of layouts whose middles are at (u, v), (boxes, 2), in coordinates turned about a point; as of `kept.table_of`."""
    cosine, sine, (u, v) = np.cos(turns), np.sin(turns), at_m.T
    x, y = middle[0] + u * cosine - v * sine, middle[1] + u * sine + v * cosine
    return np.ascontiguousarray(np.column_stack([x, y, cosine, sine, 0.5 * layouts[:, 1:3]]))


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
