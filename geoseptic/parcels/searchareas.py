"""Where round a house a buried tank or pit is looked for first: bands off the wall, cut by side, paving and wells. Coordinates in metres.

The likelihood ranks the ground of one lot against the rest of that lot. It is no probability, and says nothing of two lots.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.model.search_rules import (
    ASLANT,
    AWAY,
    FALLS,
    HEIGHT_UNKNOWN,
    LEVEL,
    NEAR_WELL,
    PAVED,
    RISES,
    STRAIGHT_OUT,
    SearchRules,
)
from geoseptic.parcels.repair import polygons_only

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SIDES: Final = 8
"""Of the least rectangle round a house: walls at even numbers, corners at odd ones, anticlockwise from its own first direction."""

ALL_SIDES: Final = (1 << SIDES) - 1

CLASSES: Final[tuple[tuple[str, float], ...]] = (
    ("first", 65.0),
    ("next", 40.0),
    ("later", 20.0),
    ("last", 0.0),
)
"""Word and least likelihood of each class. Our own choice."""

SIDE_STATES: Final = ("", FALLS, LEVEL, RISES, HEIGHT_UNKNOWN)
EXIT_STATES: Final = ("", STRAIGHT_OUT, ASLANT, AWAY)

LEAST_M2: Final = 0.05
"""Smaller pieces are crumbs of the cutting. Our own choice."""

COUNTS_M2: Final = 1.0
"""A piece sets the scale of its lot from this size on: a tank is larger."""

GRID_M: Final = 0.0001
ROUNDING_M2: Final = 1e-6

QUADRANT_SEGMENTS: Final = 8
"""A chord of the widest band lies 7 cm inside its circle: no search is as exact."""

PROBE_M: Final = 1.0
"""The wall's direction at an exit is that of so much of it on either side."""

NOTHING: Final = shapely.Polygon()


@dataclass(frozen=True)
class Yards:
    """One row a lot; empty geometries where there is none.

    lots_m, houses_m : the lot, and the building whose sewage is looked for.
    solid_m : buildings, pools and water, under which nothing is looked for. paved_m : drives and patios. near_wells_m : ground near wells.
    exits_m : stacks and sewer exits of that house, as one multipoint.
    fall_m : how far the ground falls from the wall to the end of the search on each side (`outward_points`), NaN where that is not known;
        shape (lots, SIDES). Without any elevation `has_heights` is False.
    """

    lots_m: Geometries
    houses_m: Geometries
    solid_m: Geometries
    paved_m: Geometries
    near_wells_m: Geometries
    exits_m: Geometries
    fall_m: Floats
    has_heights: Bools

    def __len__(self) -> int:
        return len(self.lots_m)

    @cached_property
    def frames(self) -> "Frames":
        """The least rectangle round each house."""
        return frames_of(self.houses_m)

    def of(self, rows: Any) -> "Yards":
        """Some of the lots, by index or slice."""
        return Yards(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})


@dataclass(frozen=True)
class Frames:
    """The least rectangle round each house: its middle, the direction of one side as a unit vector, and half its sides. Row a lot, NaN
    where there is no house. [m]"""

    middle_m: Floats
    along: Floats
    half_m: Floats

    def directions(self) -> Floats:
        """Unit vectors straight out from each side; shape (lots, SIDES, 2)."""
        turn = np.arange(SIDES) * (2 * np.pi / SIDES)
        across = np.column_stack([-self.along[:, 1], self.along[:, 0]])
        found: Floats = np.cos(turn)[:, None] * self.along[:, None] + np.sin(turn)[:, None] * across[:, None]
        return found


@dataclass(frozen=True)
class Pieces:
    """Ground to look at, one row a piece: place of its lot, band of the rules, what holds of it, and its likelihood from 0 to 100.

    sides : one bit a side of the house that the piece may lie on. side_state, exit_state : places in SIDE_STATES and EXIT_STATES.
    """

    lot: Integers
    band: Integers
    sides: Integers
    side_state: Integers
    exit_state: Integers
    paved: Bools
    near_well: Bools
    shapes_m: Geometries
    likelihood: Floats

    def __len__(self) -> int:
        return len(self.lot)

    def of(self, rows: Any) -> "Pieces":
        """Some of the pieces, by index, mask or slice."""
        return Pieces(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})

    def moved(self, lots: int) -> "Pieces":
        """The same of lots that stand so many places later."""
        return replace(self, lot=self.lot + lots)


def joined(parts: Sequence[Pieces]) -> Pieces:
    """The pieces of several calls one after the other."""
    return Pieces(**{column.name: np.concatenate([getattr(part, column.name) for part in parts]) for column in fields(Pieces)})


def frames_of(houses_m: Geometries) -> Frames:
    """The least rectangle round each house."""
    count = len(houses_m)
    corners = np.full((count, 4, 2), np.nan)
    rectangles = shapely.oriented_envelope(houses_m)
    whole = shapely.area(rectangles) > 0
    corners[whole] = shapely.get_coordinates(rectangles[whole]).reshape(-1, 5, 2)[:, :4]
    sides = np.stack([corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 1]], axis=1)
    lengths = np.hypot(sides[..., 0], sides[..., 1])
    return Frames(corners.mean(axis=1), sides[:, 0] / lengths[:, :1], lengths / 2)


def outward_points(frames: Frames, reach_m: float) -> Floats:
    """Points at the wall and at the end of the search, straight out from each side and half way to its neighbours, between which the fall
    of the ground is measured; shape (lots, SIDES, 3, 2, 2)."""
    turn = np.arange(SIDES)[:, None] * (2 * np.pi / SIDES) + np.array([-1, 0, 1]) * (np.pi / SIDES / 2)
    cos, sin = np.cos(turn), np.sin(turn)
    with np.errstate(divide="ignore"):
        to_wall = np.minimum(frames.half_m[:, 0, None, None] / np.abs(cos), frames.half_m[:, 1, None, None] / np.abs(sin))
    across = np.column_stack([-frames.along[:, 1], frames.along[:, 0]])
    out = cos[..., None] * frames.along[:, None, None] + sin[..., None] * across[:, None, None]
    away = np.stack([to_wall, to_wall + reach_m], axis=-1)
    found: Floats = frames.middle_m[:, None, None, None] + away[..., None] * out[..., None, :]
    return found


def side_states(fall_m: Floats, has_heights: Bools, level_within_m: float) -> Integers:
    """What the ground does on each side, as places in SIDE_STATES; 0 where there is no elevation at all."""
    state = np.full(fall_m.shape, SIDE_STATES.index(LEVEL))
    state[fall_m > level_within_m] = SIDE_STATES.index(FALLS)
    state[fall_m < -level_within_m] = SIDE_STATES.index(RISES)
    state[np.isnan(fall_m)] = SIDE_STATES.index(HEIGHT_UNKNOWN)
    state[~has_heights] = 0
    return state


def search_areas(yards: Yards, rules: SearchRules) -> Pieces:
    """The ground to look at on every lot that has a house, in the order of lots, bands and sides.

    Nothing is drawn beyond the lot, or beyond the last band; a tank over the lot line is possible all the same (`cut_off_share`).
    """
    frames = yards.frames
    state = side_states(yards.fall_m, yards.has_heights, rules.level_within_m)
    pieces = _by_side(_rings(yards, rules), frames, state, rules.reach_m)
    pieces = _by_exit(pieces, yards, rules)
    pieces = _cut(pieces, yards.paved_m, "paved", True)
    pieces = _cut(pieces, yards.near_wells_m, "near_well", True)
    pieces = pieces.of(shapely.area(pieces.shapes_m) >= LEAST_M2)
    order = np.lexsort((pieces.near_well, pieces.paved, pieces.exit_state, pieces.side_state, pieces.band, pieces.lot))
    return _ranked(pieces.of(order), rules, len(yards))


def ground_round_houses(yards: Yards, reach_m: float) -> Geometries:
    """Of each lot the ground within `reach_m` of its house, less what nothing is looked for under; empty without a house."""
    around = shapely.intersection(yards.lots_m, shapely.buffer(yards.houses_m, reach_m, quad_segs=QUADRANT_SEGMENTS))
    return parted(around, yards.solid_m)[1]


def parted(shapes_m: Geometries, by_m: Geometries) -> tuple[Geometries, Geometries]:
    """What of each shape lies inside another and what outside of it, as many as there are.

    The overlay of GEOS 3.14 takes a neighbour for ground of its own where a hole runs along its edge (8 of 2,700 random lots). The two
    areas must make up the whole: where they do not, both are cut again on a grid of 0.1 mm, on which no such edge is missed.
    """
    inside, outside = shapely.intersection(shapes_m, by_m), shapely.difference(shapes_m, by_m)
    whole_m2 = shapely.area(shapes_m)
    wrong = np.abs(shapely.area(inside) + shapely.area(outside) - whole_m2) > ROUNDING_M2 * (1 + whole_m2)
    if wrong.any():
        inside[wrong] = shapely.intersection(shapes_m[wrong], by_m[wrong], grid_size=GRID_M)
        outside[wrong] = shapely.difference(shapes_m[wrong], by_m[wrong], grid_size=GRID_M)
    return inside, outside


def cut_off_share(yards: Yards, to_m: float) -> Floats:
    """What share of the ground within `to_m` of each house, buildings and water left out, lies beyond the lot; NaN without a house."""
    around = shapely.difference(shapely.buffer(yards.houses_m, to_m, quad_segs=QUADRANT_SEGMENTS), yards.solid_m)
    whole_m2 = shapely.area(around)
    share = np.full(len(yards), np.nan)
    built = whole_m2 > 0
    share[built] = 1 - shapely.area(shapely.intersection(around[built], yards.lots_m[built])) / whole_m2[built]
    return share


def class_of(likelihood: Floats) -> Integers:
    """Place in CLASSES of each likelihood."""
    least = np.array([least for _, least in CLASSES])
    found: Integers = np.argmax(np.round(likelihood)[:, None] >= least, axis=1)
    return found


def _rings(yards: Yards, rules: SearchRules) -> Pieces:
    """The bands of every lot, less what nothing is looked for under."""
    rest = ground_round_houses(yards, rules.reach_m)
    lot, band, shapes = [], [], []
    for number in range(len(rules.bands) - 1, -1, -1):
        rows = np.flatnonzero(~shapely.is_empty(rest))
        ring = rest[rows]
        if number > 0:
            inner = shapely.buffer(yards.houses_m[rows], rules.bands[number].from_m, quad_segs=QUADRANT_SEGMENTS)
            rest[rows], ring = parted(ring, inner)
        lot.append(rows)
        band.append(np.full(len(rows), number))
        shapes.append(ring)
    lots = np.concatenate(lot)
    zeros, no = np.zeros(len(lots), np.int64), np.zeros(len(lots), bool)
    found = Pieces(lots, np.concatenate(band), zeros + ALL_SIDES, zeros, zeros, no, no, np.concatenate(shapes), np.zeros(len(lots)))
    return _solid(found)


def _by_side(pieces: Pieces, frames: Frames, state: Integers, reach_m: float) -> Pieces:
    """Every piece cut by what the ground does on the sides of its house."""
    bits = 1 << np.arange(SIDES)
    rest, parts = pieces, []
    for number in range(len(SIDE_STATES)):
        mask = ((state == number) * bits).sum(axis=1)
        own = mask[rest.lot]
        # The last of a lot's states has what the others left.
        whole = (own > 0) & (own == rest.sides)
        parts.append(replace(rest.of(whole), side_state=np.full(int(whole.sum()), number)))
        rest, own = rest.of(~whole), own[~whole]
        here = np.flatnonzero(own > 0)
        lots, back = np.unique(rest.lot[here], return_inverse=True)
        inside, outside = parted(rest.shapes_m[here], side_regions(frames, mask, lots, reach_m)[back])
        parts.append(replace(rest.of(here), shapes_m=inside, sides=own[here], side_state=np.full(len(here), number)))
        shapes, sides = rest.shapes_m.copy(), rest.sides.copy()
        shapes[here], sides[here] = outside, sides[here] & ~own[here]
        rest = replace(rest, shapes_m=shapes, sides=sides)
    return _solid(joined(parts))


def side_regions(frames: Frames, masks: Integers, lots: Integers, reach_m: float) -> Geometries:
    """The plane round the houses of `lots` on the sides that the masks name, as far as a search reaches; shape (len(lots),).

    Beside a wall a region is as wide as the rectangle and goes in to its middle; the corners have the quarters between.
    """
    found = np.full(len(lots), NOTHING, object)
    for mask in np.unique(masks[lots]).tolist():
        rows = np.flatnonzero(masks[lots] == mask)
        of = lots[rows]
        across = np.column_stack([-frames.along[of, 1], frames.along[of, 0]])
        # Marks of the prototype: 0 the middle, 1 the wall, 2 beyond all bands.
        steps = np.stack([np.zeros_like(frames.half_m[of]), frames.half_m[of], 2 * (frames.half_m[of] + reach_m)], axis=-1)
        polygons = []
        for ring in _prototype(mask):
            x = np.sign(ring[:, 0]) * steps[:, 0][:, np.abs(ring[:, 0])]
            y = np.sign(ring[:, 1]) * steps[:, 1][:, np.abs(ring[:, 1])]
            corners = frames.middle_m[of, None] + x[..., None] * frames.along[of, None] + y[..., None] * across[:, None]
            polygons.append(shapely.polygons(corners))
        several = np.stack(polygons, axis=1)
        found[rows] = several[:, 0] if several.shape[1] == 1 else shapely.multipolygons(several)
    return found


@cache
def _prototype(mask: int) -> tuple[Integers, ...]:
    """Outlines of the sides that a mask names, sides that touch in one, in marks of a square house: no outline has a hole, for every side
    goes out to the end."""
    quarter = np.array([[0, -1], [1, 0]])
    shapes = []
    for side in range(SIDES):
        corners = np.array([(1, 1), (2, 1), (2, 2), (1, 2)] if side % 2 else [(0, 0), (1, -1), (2, -1), (2, 1), (1, 1)])
        if mask >> side & 1:
            shapes.append(shapely.Polygon(corners @ np.linalg.matrix_power(quarter, side // 2).T))
    parts = shapely.get_parts(shapely.union_all(np.array(shapes, object)))
    return tuple(np.rint(shapely.get_coordinates(shapely.get_exterior_ring(part))).astype(np.int64) for part in parts)


def _by_exit(pieces: Pieces, yards: Yards, rules: SearchRules) -> Pieces:
    """Pieces of lots with a known stack or exit, cut by its fans: straight out, aslant, and the rest."""
    lots = np.flatnonzero(~shapely.is_empty(yards.exits_m))
    if not len(lots):
        return pieces
    straight, aslant = np.full(len(yards), NOTHING, object), np.full(len(yards), NOTHING, object)
    for lot in lots.tolist():
        places, directions = exits(yards.houses_m[lot], yards.exits_m[lot])
        far_m = 2 * (rules.reach_m + rules.behind_the_wall_m)
        starts = places - rules.behind_the_wall_m * directions
        straight[lot] = shapely.union_all(_fans(starts, directions, far_m, rules.straight_degrees))
        aslant[lot] = shapely.union_all(_fans(starts, directions, far_m, rules.aslant_degrees))
    known = np.isin(pieces.lot, lots)
    away = replace(pieces, exit_state=np.where(known, EXIT_STATES.index(AWAY), 0))
    pieces = _cut(away, aslant, "exit_state", EXIT_STATES.index(ASLANT))
    return _cut(pieces, straight, "exit_state", EXIT_STATES.index(STRAIGHT_OUT))


def exits(house_m: shapely.Geometry, points_m: shapely.Geometry) -> tuple[Floats, Floats]:
    """Where the sewers of stacks or exits are taken to leave the wall, and straight out from there as unit vectors; each of shape (n, 2).

    That is the nearest place of the wall, for a stack inside as for a clean-out outside: a guess until somebody looks.
    """
    points = shapely.get_parts(points_m)
    wall = shapely.get_point(shapely.shortest_line(shapely.boundary(house_m), points), 0)
    places = shapely.get_coordinates(wall)
    inside = shapely.get_coordinates(shapely.centroid(shapely.intersection(shapely.buffer(wall, PROBE_M), house_m)))
    out = places - inside
    return places, out / np.hypot(out[:, 0], out[:, 1])[:, None]


def _fans(starts: Floats, directions: Floats, far_m: float, half_degrees: float) -> Geometries:
    """Triangles that open by so much to either side of a direction."""
    half = np.radians(half_degrees)
    across = np.column_stack([-directions[:, 1], directions[:, 0]])
    left = starts + far_m * (directions + np.tan(half) * across)
    right = starts + far_m * (directions - np.tan(half) * across)
    fans: Geometries = shapely.polygons(np.stack([starts, right, left], axis=1))
    return fans


def _cut(pieces: Pieces, by_lot: Geometries, column: str, value: object) -> Pieces:
    """Pieces parted along a shape of their lot; what lies inside has `value` in a column."""
    shapely.prepare(by_lot)
    shapes, state = by_lot[pieces.lot], getattr(pieces, column).copy()
    meets = ~shapely.is_empty(shapes) & shapely.intersects(shapes, pieces.shapes_m)
    whole = meets.copy()
    whole[meets] = shapely.covers(shapes[meets], pieces.shapes_m[meets])
    state[whole] = value
    columns: dict[str, Any] = {column: state}
    pieces, meets = replace(pieces, **columns), np.flatnonzero(meets & ~whole)
    if not len(meets):
        return pieces
    columns = {column: np.full(len(meets), value, state.dtype)}
    rest = pieces.shapes_m.copy()
    inside, rest[meets] = parted(rest[meets], shapes[meets])
    return _solid(joined([replace(pieces, shapes_m=rest), replace(pieces.of(meets), shapes_m=inside, **columns)]))


def _solid(pieces: Pieces) -> Pieces:
    """Without pieces that have no area, and without the lines and points along which others only touch."""
    shapes = pieces.shapes_m
    mixed = shapely.get_type_id(shapes) == shapely.GeometryType.GEOMETRYCOLLECTION
    if mixed.any():
        shapes = shapes.copy()
        shapes[mixed] = polygons_only(shapes[mixed])
    return replace(pieces, shapes_m=shapes).of((shapely.get_dimensions(shapes) == 2) & ~shapely.is_empty(shapes))


def _ranked(pieces: Pieces, rules: SearchRules, lots: int) -> Pieces:
    """With the likelihood of each piece, the best of its lot being 100."""
    weights = {name: factor.weight for name, factor in rules.factors.items()}
    weight = np.array([band.weight for band in rules.bands])[pieces.band]
    weight = weight * np.array([weights.get(name, 1.0) for name in SIDE_STATES])[pieces.side_state]
    weight *= np.array([weights.get(name, 1.0) for name in EXIT_STATES])[pieces.exit_state]
    weight *= np.where(pieces.paved, weights[PAVED], 1.0) * np.where(pieces.near_well, weights[NEAR_WELL], 1.0)
    best, counted = np.zeros(lots), np.zeros(lots)
    np.maximum.at(best, pieces.lot, weight)
    large = shapely.area(pieces.shapes_m) >= COUNTS_M2
    np.maximum.at(counted, pieces.lot[large], weight[large])
    scale = np.where(counted > 0, counted, best)[pieces.lot]
    return replace(pieces, likelihood=np.minimum(100.0, 100.0 * weight / scale))
