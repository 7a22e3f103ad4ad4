"""Ways for a pipe over a lot: straight where nothing is in the way, else round what is."""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse.csgraph import dijkstra

from geoseptic.model.frame import Geometries

TOUCH_M: Final = 0.01
"""A pipe may begin or end at the edge of a thing, and rounding there is no crossing."""

ROUND_CORNERS_M: Final = 0.5
"""How far from a corner a pipe passes on its way round it. Common practice, no source."""

Floats = npt.NDArray[np.float64]


def ways_of(lots_m: Geometries, barriers_m: Geometries, fields_m: Geometries, reserves_m: Geometries) -> Geometries:
    """Where a pipe may run on each lot: neither through a barrier nor through field or reserve, but along their edges."""
    left = lots_m
    for shapes in (barriers_m, fields_m, reserves_m):
        left = shapely.difference(left, shapely.buffer(shapes, -TOUCH_M, join_style="mitre"))
    return left


@dataclass(frozen=True)
class Ways:
    """Where a pipe may run on one lot, and the shortest way from wherever it can bend to the field."""

    open_ground: shapely.Geometry
    field: shapely.Geometry

    @classmethod
    def over(cls, lot: shapely.Geometry, barrier: shapely.Geometry, field: shapely.Geometry, reserve: shapely.Geometry) -> "Ways":
        ground = ways_of(*(np.array([shape], object) for shape in (lot, barrier, field, reserve)))[0]
        shapely.prepare(ground)
        return cls(ground, field)

    def open_to(self, line: shapely.Geometry) -> bool:
        return bool(shapely.covers(self.open_ground, line))

    def to_field(self, start: shapely.Point) -> shapely.LineString | None:
        """The shortest way from a point to the field that is open; None where there is none."""
        xy = shapely.get_coordinates(start)
        last = self._last_legs(np.array([start], object))[0]
        if not shapely.is_empty(last):
            return last
        bends, ahead_m, onward, ends = self._bends
        if not len(bends):
            return None
        legs = shapely.linestrings(np.stack([np.broadcast_to(xy, bends.shape), bends], axis=1))
        away_m = np.where(shapely.covers(self.open_ground, legs), shapely.length(legs) + ahead_m, np.inf)
        at = int(np.argmin(away_m))
        if not np.isfinite(away_m[at]):
            return None
        path = [xy[0], bends[at]]
        while onward[at] >= 0:
            at = int(onward[at])
            path.append(bends[at])
        return shapely.LineString(np.concatenate([path, shapely.get_coordinates(ends[at])[1:]]))

    def _last_legs(self, starts: Geometries) -> Geometries:
        """From each of n points the shortest open straight line to the field, to where it is nearest or to a corner; empty where none is
        open."""
        legs = shapely.shortest_line(starts, self.field)
        shut = np.flatnonzero(~shapely.covers(self.open_ground, legs))
        legs[shut] = shapely.LineString()
        corners = shapely.get_coordinates(self.field)[:-1]
        xy = shapely.get_coordinates(starts[shut])
        others = shapely.linestrings(np.stack(np.broadcast_arrays(xy[:, None], corners[None]), axis=2))
        others = np.take_along_axis(others, np.argsort(shapely.length(others), axis=1, kind="stable"), axis=1)
        is_open = shapely.covers(self.open_ground, others)
        some = is_open.any(axis=1)
        legs[shut[some]] = others[some, np.argmax(is_open[some], axis=1)]
        return legs

    @cached_property
    def _bends(self) -> tuple[Floats, Floats, npt.NDArray[np.int64], Geometries]:
        """Points where a pipe may bend, the length from each to the field, the next bend on that way (-1: none), and the last leg."""
        bends = _inner_corners(shapely.buffer(self.open_ground, -ROUND_CORNERS_M, join_style="mitre"))
        count = len(bends)
        ends = self._last_legs(shapely.points(bends))
        one, other = np.triu_indices(count, 1)
        legs = shapely.linestrings(np.stack([bends[one], bends[other]], axis=1)) if len(one) else np.empty(0, object)
        is_open = shapely.covers(self.open_ground, legs)
        # One more point stands for the field.
        graph = np.full((count + 1, count + 1), np.inf)
        graph[one[is_open], other[is_open]] = graph[other[is_open], one[is_open]] = shapely.length(legs[is_open])
        there = ~shapely.is_empty(ends)
        graph[count, :count][there] = graph[:count, count][there] = shapely.length(ends[there])
        ahead_m, onward = dijkstra(graph, indices=count, return_predecessors=True)
        onward = np.where(onward == count, -1, onward)
        return bends, ahead_m[:count], onward[:count].astype(np.int64), ends


def _inner_corners(shape: shapely.Geometry) -> Floats:
    """Corners of an area that a way round has to pass: those that stick into it, of the outline and of holes; shape (n, 2)."""
    found = [np.empty((0, 2))]
    for polygon in shapely.get_parts(shape):
        for number, ring in enumerate(shapely.get_rings(polygon)):
            xy = shapely.get_coordinates(ring)[:-1]
            if (shapely.is_ccw(ring)) != (number == 0):
                xy = xy[::-1]
            back, ahead = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
            found.append(xy[back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0] < 0])
    return np.concatenate(found)
