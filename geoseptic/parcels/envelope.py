"""What the law leaves of a parcel for one part of a system."""

from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels.buffers import MARGIN_M, inward, outward
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.onelot import by_halves
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.ringcut import CUT, NOT_HERE, Rings, cut_areas, cut_shapes, rings_of
from geoseptic.parcels.zones import MAY_BE_REQUIRED, REQUIRED, Zones
from geoseptic.parcels.zonesnear import ZonesNear

CHUNK = 2000
"""Parcels cut at a time: small enough to share out, large enough to keep the overhead down."""

UNION_FROM = 24
"""From so many zones on one parcel, uniting them first is cheaper than cutting one after the other."""

LOT_LINE = "lot_line"
DISPUTED = "disputed_ground"


@dataclass(frozen=True)
class Envelopes:
    """One row a parcel, for one part.

    shapes_m : clear of every zone, those that only may be required included.
    possible_m : clear of the required zones alone; where it is larger, an open question decides.
    inside_m : what the lot line distance alone leaves.
    takes_m2 : feature -> area that this feature's zones alone take from each parcel.
    failed : indices of parcels whose envelope could not be shown to keep every distance; their shapes are empty.
    why : index of a failed parcel -> what went wrong, where that is known.
    """

    part: str
    parcel_ids: npt.NDArray[np.object_]
    shapes_m: Geometries
    possible_m: Geometries
    inside_m: Geometries
    takes_m2: dict[str, npt.NDArray[np.float64]]
    lot_line_m: float
    failed: npt.NDArray[np.int64]
    why: Mapping[int, str] = field(default_factory=dict)

    def without(self, lost: Mapping[int, str]) -> "Envelopes":
        """The envelopes with nothing left of further parcels, and why."""
        if not lost:
            return self
        shapes_m, possible_m, inside_m = (shapes.copy() for shapes in (self.shapes_m, self.possible_m, self.inside_m))
        for shapes in (shapes_m, possible_m, inside_m):
            shapes[list(lost)] = shapely.Polygon()
        failed = np.union1d(self.failed, list(lost)).astype(np.int64)
        return replace(self, shapes_m=shapes_m, possible_m=possible_m, inside_m=inside_m, failed=failed, why={**self.why, **lost})

    @property
    def area_m2(self) -> npt.NDArray[np.float64]:
        return np.asarray(shapely.area(self.shapes_m))

    @property
    def possible_area_m2(self) -> npt.NDArray[np.float64]:
        return np.asarray(shapely.area(self.possible_m))

    @property
    def largest_m2(self) -> npt.NDArray[np.float64]:
        """Area of the largest single piece."""
        parts, owner = shapely.get_parts(self.shapes_m, return_index=True)
        largest = np.zeros(len(self.shapes_m))
        np.maximum.at(largest, owner, shapely.area(parts))
        return largest

    def binding(self) -> list[str]:
        """For each parcel the features that take ground from it, the greediest first."""
        names = sorted(self.takes_m2)
        areas = np.column_stack([self.takes_m2[name] for name in names]) if names else np.zeros((len(self.parcel_ids), 0))
        order = np.argsort(-areas, axis=1, kind="stable")
        order[np.take_along_axis(areas, order, axis=1) <= 0] = -1

        @cache
        def words(row: bytes) -> str:
            return ", ".join(names[k] for k in np.frombuffer(row, order.dtype) if k >= 0)

        return [words(row.tobytes()) for row in order]


def envelopes(fabric: Fabric, zones: Zones, obstacles: Obstacles, lot_line_m: float, workers: int = 1) -> Envelopes:
    """Cut every setback out of every parcel.

    Wells and other features count wherever they are: on the lot, next door, or beyond the last parcel. One spatial query pairs parcels with
    zones, then a kernel cuts the plain parcels and the geometry engine the others, one zone after the other, which is far faster than
    dissolving the zones first. At the end every parcel is tested against every feature with the exact distance predicate.

    Parameters
    ----------
    fabric : mended parcels.
    zones, obstacles : what is kept clear, and from what.
    lot_line_m : distance from the parcel's own outline. [m]
    workers : threads; the geometry engine runs without the interpreter's lock.
    """
    cutter = _Cutter(fabric, zones, obstacles, lot_line_m)
    starts = range(0, len(fabric.ids), CHUNK)
    count = len(fabric.ids)

    def cut(start: int) -> tuple[list[_Part], dict[int, str]]:
        found, failed = by_halves(lambda rows: cutter.cut(start + int(rows[0]), start + int(rows[-1]) + 1), min(CHUNK, count - start))
        parts = [(int(rows[0]), part) for rows, part in found] + [(row, _Part.lost(start + row)) for row in failed]
        return [part for _, part in sorted(parts, key=lambda one: one[0])], {start + row: why for row, why in failed.items()}

    if workers > 1 and len(starts) > 1:
        with ThreadPoolExecutor(workers) as pool:
            chunks = list(pool.map(cut, starts))
    else:
        chunks = [cut(start) for start in starts]
    parts = [part for some, _ in chunks for part in some]
    features = sorted({name for part in parts for name in part.takes_m2})
    nothing = np.zeros(0)
    return Envelopes(
        zones.part,
        fabric.ids,
        _joined(part.shapes for part in parts),
        _joined(part.possible for part in parts),
        _joined(part.inside for part in parts),
        {name: np.concatenate([nothing, *(part.takes_m2.get(name, np.zeros(len(part.shapes))) for part in parts)]) for name in features},
        lot_line_m,
        np.concatenate([np.zeros(0, np.int64), *(part.failed for part in parts)]).astype(np.int64),
        {row: why for _, failed in chunks for row, why in failed.items()},
    )


def without(
    fabric: Fabric, zones: Zones, obstacles: Obstacles, lot_line_m: float, parcels: npt.NDArray[np.int64], feature: str
) -> Geometries:
    """What would be left of the parcels of these indices if no setback from `feature` were asked: never lawful, only to tell what binds."""
    cutter = _Cutter(fabric, zones, obstacles, lot_line_m)
    shapes = fabric.shapes_m[parcels]
    inside = shapes if feature == LOT_LINE else inward(shapes, lot_line_m)
    parcel, zone = cutter.near.meeting(inside)
    kept = cutter.feature[zone] != feature
    return subtract(inside, parcel[kept], cutter.shapes[zone[kept]])


@dataclass(frozen=True)
class _Part:
    shapes: Geometries
    possible: Geometries
    inside: Geometries
    takes_m2: dict[str, npt.NDArray[np.float64]]
    failed: npt.NDArray[np.int64]

    @classmethod
    def lost(cls, row: int) -> "_Part":
        """That of one parcel which failed."""
        nothing = np.full(1, shapely.Polygon(), object)
        return cls(nothing, nothing, nothing, {}, np.array([row], np.int64))


class _Cutter:
    """Everything that the chunks share, made once."""

    def __init__(self, fabric: Fabric, zones: Zones, obstacles: Obstacles, lot_line_m: float) -> None:
        self.fabric, self.lot_line_m = fabric, lot_line_m
        disputed = outward(fabric.disputed_m, lot_line_m)
        self.shapes = np.concatenate([zones.shapes_m, disputed])
        self.feature = np.concatenate([zones.feature, np.full(len(disputed), DISPUTED, object)])
        certain = np.ones(len(disputed), bool)
        self.required = np.concatenate([zones.status == REQUIRED, certain])
        self.where = np.concatenate([zones.where_m, np.full(len(disputed), None)])
        self.is_cut = np.concatenate([~zones.whole, ~certain])
        self.source_m = np.concatenate([obstacles.shapes_m[zones.source], fabric.disputed_m])
        self.keep_m = np.concatenate([zones.keep_m, np.full(len(disputed), lot_line_m)])
        # What lies within a wider ring of the same feature need not be cut: neither where only the union counts, nor within one status.
        self.outer = np.concatenate([zones.outermost(np.arange(len(zones))), certain])
        self.outer_of_status = self.outer.copy()
        for status in (REQUIRED, MAY_BE_REQUIRED):
            self.outer_of_status[zones.rows(status)] = zones.outermost(zones.rows(status))
        self.rings = rings_of(self.shapes)
        reach_m = self.keep_m + MARGIN_M
        west, south, east, north = shapely.bounds(self.source_m).T
        self.reach = shapely.STRtree(shapely.box(west - reach_m, south - reach_m, east + reach_m, north + reach_m))
        self.near = ZonesNear(self.shapes)

    def cut(self, start: int, stop: int) -> _Part:
        parcels = self.fabric.shapes_m[start:stop]
        parcel, zone = self.near.meeting(parcels)
        inside = inward(parcels, self.lot_line_m)
        counts = self.outer[zone] | self.outer_of_status[zone]
        covers = np.zeros(len(zone), bool)
        covers[counts] = self.near.cover(zone[counts], parcel[counts], parcels)
        required, counts = self.required[zone], self.outer_of_status[zone]
        possible = self._left(inside, parcel, zone, covers, counts & required)
        shapes = self._left(possible, parcel, zone, covers, counts & ~required)
        area_m2, rings = shapely.area(parcels), rings_of(parcels)
        takes = {LOT_LINE: area_m2 - shapely.area(inside)}
        feature = self.feature[zone]
        for name in sorted(set(feature)):
            own = (feature == name) & self.outer[zone]
            takes[name] = area_m2 - self._area_left(parcels, rings, area_m2, parcel, zone, covers, own)
        shapes, possible, failed = self._proven(parcels, shapes, possible)
        return _Part(shapes, possible, inside, takes, failed + start)

    def _left(
        self,
        base: Geometries,
        parcel: npt.NDArray[np.int64],
        zone: npt.NDArray[np.int64],
        covers: npt.NDArray[np.bool_],
        counts: npt.NDArray[np.bool_],
    ) -> Geometries:
        """`base` minus those zones that count. A parcel that one of them covers is emptied at once."""
        left = base.copy()
        gone = np.zeros(len(base), bool)
        gone[parcel[covers & counts]] = True
        left[gone] = shapely.Polygon()
        more = counts & ~shapely.is_empty(left)[parcel]
        return _subtract(left, parcel[more], self.shapes, self.rings, zone[more])

    def _area_left(
        self,
        base: Geometries,
        rings: Rings,
        area_m2: npt.NDArray[np.float64],
        parcel: npt.NDArray[np.int64],
        zone: npt.NDArray[np.int64],
        covers: npt.NDArray[np.bool_],
        counts: npt.NDArray[np.bool_],
    ) -> npt.NDArray[np.float64]:
        """The area of `base`, of these rings and areas, minus those zones that count. [m2]"""
        gone = np.zeros(len(base), bool)
        gone[parcel[covers & counts]] = True
        more = counts & ~gone[parcel]
        parcel, zone = parcel[more], zone[more]
        state, cut_m2 = cut_areas(rings, parcel, self.rings, zone)
        left_m2 = np.where(gone, 0.0, np.where(state == CUT, cut_m2, area_m2))
        by_engine = state == NOT_HERE
        rest = by_engine[parcel]
        left_m2[by_engine] = shapely.area(_subtract_by_engine(base, parcel[rest], self.shapes[zone[rest]])[by_engine])
        return left_m2

    def _proven(
        self, parcels: Geometries, shapes: Geometries, possible: Geometries
    ) -> tuple[Geometries, Geometries, npt.NDArray[np.int64]]:
        """Test every distance with the exact predicate; cut once more where one falls short; empty what still fails.

        The distance of a zone within a wider ring is kept where that of the ring is.
        """
        zone = np.flatnonzero(self.outer_of_status)

        def fall_short() -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
            # A shape from which no open zone took anything is the very same in both, and tested once.
            other = possible.copy()
            other[[a is b for a, b in zip(shapes, possible, strict=True)]] = shapely.Polygon()
            pairs = [self._short(shapes, zone), self._short(other, zone[self.required[zone]])]
            parcel, found = np.unique(np.concatenate(pairs, axis=1), axis=1)
            return parcel, found

        parcel, found = fall_short()
        if len(parcel):
            more, required = self._wider(found), self.required[found]
            shapes = subtract(shapes, parcel, more)
            possible = subtract(possible, parcel[required], more[required])
            parcel, found = fall_short()
        near_line = shapely.dwithin(possible, shapely.boundary(parcels), self.lot_line_m) & (self.lot_line_m > 0)
        failed = np.union1d(parcel, np.flatnonzero(near_line))
        shapes[failed] = shapely.Polygon()
        possible[failed] = shapely.Polygon()
        return shapes, possible, failed

    def _short(self, shapes: Geometries, zone: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Pairs of a shape and one of the zones whose feature it comes nearer to than the distance, on the ground where that is asked.

        The rings play no part in this.
        """
        in_reach = np.zeros(len(self.keep_m), bool)
        in_reach[self.reach.query(shapes)[1]] = True
        zone = zone[in_reach[zone]]
        at, shape = shapely.STRtree(shapes).query(self.source_m[zone], predicate="dwithin", distance=self.keep_m[zone])
        zone = zone[at]
        cut = self.is_cut[zone]
        which, each = np.unique(zone[cut], return_inverse=True)
        # A hair inside that ground: the edge itself is the envelope's too.
        there = shapely.intersection(shapes[shape[cut]], shapely.buffer(self.where[which], -MARGIN_M, join_style="mitre")[each])
        short = ~cut
        short[cut] = shapely.dwithin(there, self.source_m[zone[cut]], self.keep_m[zone[cut]])
        return np.stack([shape[short], zone[short]])

    def _wider(self, zone: npt.NDArray[np.int64]) -> Geometries:
        """These zones made once more, a little wider."""
        wider = outward(self.source_m[zone], self.keep_m[zone] * 1.001 + 0.01)
        cut = self.is_cut[zone]
        wider[cut] = shapely.intersection(wider[cut], shapely.buffer(self.where[zone[cut]], MARGIN_M, join_style="mitre"))
        return wider


def subtract(base: Geometries, owner: npt.NDArray[np.int64], cutters: Geometries) -> Geometries:
    """`base[owner[i]]` minus `cutters[i]`, for all i; `owner` is sorted."""
    return _subtract(base, owner, cutters, rings_of(cutters), np.arange(len(cutters)))


def _subtract(base: Geometries, owner: npt.NDArray[np.int64], shapes: Geometries, rings: Rings, which: npt.NDArray[np.int64]) -> Geometries:
    """`base[owner[i]]` minus `shapes[which[i]]`, which have these rings."""
    left = base.copy()
    state, cut = cut_shapes(rings_of(base), owner, rings, which)
    left[state == CUT] = cut
    rest = state[owner] == NOT_HERE
    return _subtract_by_engine(left, owner[rest], shapes[which[rest]])


def _subtract_by_engine(base: Geometries, owner: npt.NDArray[np.int64], cutters: Geometries) -> Geometries:
    """`base[owner[i]]` minus `cutters[i]`, for all i; `owner` is sorted."""
    left = base.copy()
    owners, first, count = np.unique(owner, return_index=True, return_counts=True)
    for position in np.flatnonzero(count >= UNION_FROM):
        run = slice(first[position], first[position] + count[position])
        left[owners[position]] = shapely.difference(left[owners[position]], shapely.union_all(cutters[run]))
    few = count < UNION_FROM
    owners, first, count = owners[few], first[few], count[few]
    for turn in range(int(count.max(initial=0))):
        now = count > turn
        left[owners[now]] = shapely.difference(left[owners[now]], cutters[first[now] + turn])
    return left


def lot_line_zones(fabric: Fabric, cut: Envelopes) -> Geometries:
    """The strip along each parcel's outline that the lot line distance takes; the whole parcel where that fails."""
    strips = fabric.shapes_m.copy()
    for rows, own in by_halves(lambda rows: subtract(fabric.shapes_m[rows], np.arange(len(rows)), cut.inside_m[rows]), len(strips))[0]:
        strips[rows] = own
    return strips


def _joined(arrays: Iterable[Geometries]) -> Geometries:
    joined: Geometries = np.concatenate([np.empty(0, object), *arrays])
    return joined
