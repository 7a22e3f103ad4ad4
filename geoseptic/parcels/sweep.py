"""In which order the ground of a search is probed: numbered stops along lines at even distances from the wall. Coordinates in metres."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit

from geoseptic.model.frame import Geometries
from geoseptic.model.search_rules import FALLS, SearchRules
from geoseptic.parcels.searchareas import QUADRANT_SEGMENTS, SIDE_STATES, Pieces, Yards, class_of, exits, side_states

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

ROUNDING: Final = 1e-9
TURN_DECIMALS: Final = 6
"""So that the last bits of the coordinates do not choose between equal places."""

NEIGHBOURS: Final = 1.75
"""Stops within so many spacings of each other are of one patch, which is walked before the next: more than the diagonal of a square of
them, less than two."""

FROM_STACK: Final = "stack or exit on the map"
FROM_FALL: Final = "wall above the lowest ground: a guess"
FROM_ANYWHERE: Final = "anywhere: nothing tells the side"


@dataclass(frozen=True)
class Stops:
    """One row a stop: its lot, its number on the lot from 1, the piece it lies in, its place and its distance from the wall."""

    lot: Integers
    number: Integers
    piece: Integers
    xy_m: Floats
    off_wall_m: Floats

    def __len__(self) -> int:
        return len(self.lot)

    def moved(self, lots: int, pieces: int) -> "Stops":
        """The same of lots and pieces that stand so many places later."""
        return replace(self, lot=self.lot + lots, piece=self.piece + pieces)

    def of(self, rows: Any) -> "Stops":
        """Some of the stops, by index or mask."""
        return Stops(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})

    @classmethod
    def joined(cls, parts: Sequence["Stops"]) -> "Stops":
        """The stops of several calls one after the other."""
        return cls(**{column.name: np.concatenate([getattr(part, column.name) for part in parts]) for column in fields(cls)})


@dataclass(frozen=True)
class Start:
    """Where the sweep of each lot begins, NaN without a house, and why there. [m]"""

    xy_m: Floats
    why: npt.NDArray[np.object_]


def starts(yards: Yards, rules: SearchRules) -> Start:
    """The most likely place of the sewer exit: the first stack or exit on the map, else the middle of the wall above the lowest ground,
    else a wall of the house."""
    frames = yards.frames
    state = side_states(yards.fall_m, yards.has_heights, rules.level_within_m)
    walls = np.arange(0, 8, 2)
    falls = np.where(np.isnan(yards.fall_m[:, walls]), -np.inf, yards.fall_m[:, walls])
    side = walls[np.argmax(falls, axis=1)]
    directions = np.take_along_axis(frames.directions(), side[:, None, None], axis=1)[:, 0]
    out_m = frames.half_m[np.arange(len(yards)), side // 2 % 2]
    xy = frames.middle_m + out_m[:, None] * directions
    tells = (state == SIDE_STATES.index(FALLS)).any(axis=1) & np.isfinite(falls).any(axis=1)
    why = np.where(tells, FROM_FALL, FROM_ANYWHERE).astype(object)
    for lot in np.flatnonzero(~shapely.is_empty(yards.exits_m)).tolist():
        xy[lot] = exits(yards.houses_m[lot], yards.exits_m[lot])[0][0]
        why[lot] = FROM_STACK
    return Start(xy, why)


def sweep(yards: Yards, pieces: Pieces, start: Start, rules: SearchRules, spacing_m: float) -> Stops:
    """Stops on every lot: the patch of ground nearest to the likeliest exit first, in it to and fro along lines from the wall outward.

    `start` : of these lots, as `starts` gives it.

    Lines lie half a spacing, one and a half and so on from the wall; along them stops are no farther apart than the spacing, one of them
    straight before the likeliest exit. Only what is to be looked at first is swept: the first of `searchareas.CLASSES`.
    """
    frames = yards.frames
    wanted = pieces.of(class_of(pieces.likelihood) == 0)
    place = np.flatnonzero(class_of(pieces.likelihood) == 0)
    shapely.prepare(wanted.shapes_m)
    bands = np.array([(band.from_m, band.to_m) for band in rules.bands])[wanted.band]
    found = [(np.empty(0, np.int64), np.empty(0, np.int64), np.empty((0, 2)))]
    for number in range(int(rules.reach_m / spacing_m + 0.5)):
        off_m = (number + 0.5) * spacing_m
        rows = np.flatnonzero((bands[:, 0] <= off_m) & (off_m < bands[:, 1]))
        lots = np.unique(wanted.lot[rows])
        xy, lot = _along(yards.houses_m[lots], start.xy_m[lots], off_m, spacing_m)
        stop, row = _pairs(lots[lot], wanted.lot[rows])
        # Not by cutting the lines: that overlay may take the outside of a piece for its inside (`searchareas.parted`).
        inside = shapely.intersects_xy(wanted.shapes_m[rows[row]], *xy[stop].T)
        stop, first = np.unique(stop[inside], return_index=True)
        found.append((place[rows[row[inside][first]]], np.full(len(stop), number), xy[stop]))
    piece, line, xy = (np.concatenate(column) for column in zip(*found, strict=True))
    lot = pieces.lot[piece]
    by_lot = np.argsort(lot, kind="stable")
    piece, line, xy, lot = piece[by_lot], line[by_lot], xy[by_lot], lot[by_lot]
    patch = _patches(np.searchsorted(lot, np.arange(len(yards) + 1)), xy, start.xy_m, NEIGHBOURS * spacing_m)
    out, ahead = xy - frames.middle_m[lot], (start.xy_m - frames.middle_m)[lot]
    turn = np.arctan2(ahead[:, 0] * out[:, 1] - ahead[:, 1] * out[:, 0], (ahead * out).sum(axis=1))
    # Half of a patch after half, each from the exit on: line after line outward, to and fro.
    turn = np.round(turn, TURN_DECIMALS)
    beyond = turn < 0
    nearest_line = np.full(len(yards), np.iinfo(np.int64).max)
    np.minimum.at(nearest_line, lot, line)
    to_and_fro = np.where((line - nearest_line[lot]) % 2 == 0, np.abs(turn), -np.abs(turn))
    order = np.lexsort((to_and_fro, line, beyond, patch, lot))
    lot = lot[order]
    first = np.searchsorted(lot, np.arange(len(yards)))
    number = np.arange(len(lot)) - first[lot] + 1
    return Stops(lot, number, piece[order], xy[order], np.asarray((line[order] + 0.5) * spacing_m, np.float64))


def _along(houses_m: Geometries, starts_m: Floats, off_m: float, spacing_m: float) -> tuple[Floats, Integers]:
    """Points all along the lines at a distance from each house, evenly from before its start on, and the house of each."""
    lines = shapely.boundary(shapely.buffer(houses_m, off_m, quad_segs=QUADRANT_SEGMENTS))
    parts, house = shapely.get_parts(lines, return_index=True)
    length_m = shapely.length(parts)
    begin_m = shapely.line_locate_point(parts, shapely.points(starts_m[house]))
    count = np.ceil(length_m / spacing_m - ROUNDING).astype(np.int64)
    part = np.repeat(np.arange(len(parts)), count)
    number = np.arange(len(part)) - np.repeat(np.cumsum(count) - count, count)
    at_m = (begin_m[part] + number * (length_m / count)[part]) % length_m[part]
    xy, owner = shapely.get_coordinates(parts, return_index=True)
    first = np.searchsorted(owner, np.arange(len(parts) + 1))
    return _interpolated(xy, first, part, at_m), house[part]


def _pairs(first: Integers, second: Integers) -> tuple[Integers, Integers]:
    """Places in two arrays, the second of which ascends, of all pairs that are equal."""
    begin, end = np.searchsorted(second, first), np.searchsorted(second, first, side="right")
    count = end - begin
    one = np.repeat(np.arange(len(first)), count)
    other = np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count) + begin[one]
    return one, other


def kept_stops(stops: Stops, most: int, lots: int) -> tuple[Stops, Integers]:
    """The first so many stops of every lot, and how many there are in all of each of the `lots`."""
    return stops.of(stops.number <= most), np.bincount(stops.lot, minlength=lots)


@njit(cache=True, nogil=True)
def _patches(first, xy, start, near_m):  # type: ignore[no-untyped-def]
    """Which patch of its lot each stop belongs to, numbered from the one that comes nearest to the start."""
    patch = np.full(len(xy), -1, np.int64)
    way = np.empty(len(xy), np.int64)
    for lot in range(len(first) - 1):
        number = 0
        while True:
            nearest, least = -1, np.inf
            for at in range(first[lot], first[lot + 1]):
                away = (xy[at, 0] - start[lot, 0]) ** 2 + (xy[at, 1] - start[lot, 1]) ** 2
                if patch[at] < 0 and away < least:
                    nearest, least = at, away
            if nearest < 0:
                break
            patch[nearest] = number
            way[0], size = nearest, 1
            while size > 0:
                size -= 1
                here = way[size]
                for at in range(first[lot], first[lot + 1]):
                    if patch[at] < 0 and (xy[at, 0] - xy[here, 0]) ** 2 + (xy[at, 1] - xy[here, 1]) ** 2 <= near_m * near_m:
                        patch[at] = number
                        way[size] = at
                        size += 1
            number += 1
    return patch


@njit(cache=True, nogil=True)
def _interpolated(xy, first, line, at_m):  # type: ignore[no-untyped-def]
    """Points at distances along lines whose corners stand one after the other; several times as fast as shape by shape."""
    found = np.empty((len(line), 2))
    for number in range(len(line)):
        left, corner, last = at_m[number], first[line[number]], first[line[number] + 1] - 1
        step = np.hypot(xy[corner + 1, 0] - xy[corner, 0], xy[corner + 1, 1] - xy[corner, 1])
        while left > step and corner + 2 <= last:
            left -= step
            corner += 1
            step = np.hypot(xy[corner + 1, 0] - xy[corner, 0], xy[corner + 1, 1] - xy[corner, 1])
        share = min(1.0, left / step) if step > 0 else 0.0
        for axis in range(2):
            found[number, axis] = xy[corner, axis] + share * (xy[corner + 1, axis] - xy[corner, axis])
    return found
