"""Envelopes cut lot by lot of one part of the map after the other, and put by: no more is in memory than what can reach the lots that are
cut, whatever the size of the county."""

from collections.abc import Mapping
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.io.digests import Hashed
from geoseptic.io.shelves import AT_ONCE, PLACE, Shelf
from geoseptic.model.frame import Geometries
from geoseptic.parcels.buffers import inward
from geoseptic.parcels.envelope import CHUNK, Envelopes, envelopes, lot_line_zones
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.zones import Zones
from geoseptic.processes.kept_envelopes import KeptEnvelopes, Near
from geoseptic.terrain.tiles import for_each

LOTS: Final = CHUNK
"""Lots of a group at the most; at least half as many where there are more."""

Rows = npt.NDArray[np.int64]


class ShelvedEnvelopes(KeptEnvelopes):
    """Envelopes whose shapes are put by."""

    def without(self, lost: Mapping[int, str]) -> Envelopes:
        if not lost:
            return self
        rows = np.array(sorted(lost), np.int64)
        areas_m2 = self.areas_m2.copy()
        areas_m2[rows] = 0.0
        failed = np.union1d(self.failed, rows).astype(np.int64)
        plain = {**self.__dict__, "failed": failed, "why": {**self.why, **lost}}
        clear, possible, inside = (_emptied(shapes, rows) for shapes in (self.clear, self.possible, self.inside))
        return ShelvedEnvelopes(plain, clear, possible, inside, areas_m2)


def by_place(bounds_m: npt.NDArray[np.float64], most: int) -> list[Rows]:
    """Rows of shapes with these bounds that lie together, at most so many, and half as many or more: halves of halves of the map."""
    middles_m = (bounds_m[:, :2] + bounds_m[:, 2:]) / 2
    somewhere = np.isfinite(middles_m).all(axis=1)
    # Empty shapes, which are nowhere, are put with others.
    middles_m[~somewhere] = middles_m[somewhere][:1] if somewhere.any() else 0.0

    found, due = [], [np.arange(len(bounds_m))]
    while due:
        rows = due.pop()
        if len(rows) <= most:
            found.append(np.sort(rows))
            continue
        own = middles_m[rows]
        order = rows[np.argsort(own[:, np.argmax(np.ptp(own, axis=0))], kind="stable")]
        due += [order[len(order) // 2 :], order[: len(order) // 2]]
    return found


def put_by(zones: Zones, sources: Hashed, shelf: Shelf) -> None:
    """The shapes of the zones are made, and lie on the shelf from now on."""
    places = np.zeros(len(zones), PLACE)
    for rows in by_place(sources.bounds_m[zones.source], AT_ONCE):
        places[rows] = shelf.put(zones.shapes_of(rows))
    zones.taken = lambda rows: shelf.take(places[rows])


def cut(
    fabric: Fabric,
    zones: Zones,
    obstacles: Obstacles,
    lot_line_m: float,
    strips: bool,
    workers: int,
    parcels: Hashed,
    sources: Hashed,
    shelf: Shelf,
) -> tuple[Envelopes, Hashed | None]:
    """`envelope.envelopes`, and `lot_line_zones` where `strips` are asked for.

    A group of lots is cut as if nothing else were there than what can reach it. `parcels`, `sources` : the shapes of the fabric and of the
    obstacles.
    """
    put_by(zones, sources, shelf)
    near = Near.of(zones, sources, fabric.disputed_m, lot_line_m)
    count = len(fabric.ids)
    clear, possible, lines = (np.zeros(count, PLACE) for _ in range(3))
    areas_m2, lines_bound_m = np.zeros((count, 3)), np.zeros((count if strips else 0, 4))
    takes_m2: dict[str, npt.NDArray[np.float64]] = {}

    def one(lots: Rows) -> tuple[Rows, Mapping[int, str]]:
        rows, disputed = near.rows(parcels.bounds_m[lots])
        own = Fabric(fabric.ids[lots], fabric.shapes_m[lots], fabric.disputed_m[disputed], np.empty((0, 2), np.int64), ())
        found = envelopes(own, *_some(zones, obstacles, rows), lot_line_m)
        possible[lots] = clear[lots] = shelf.put(found.possible_m)
        other = np.array([one is not another for one, another in zip(found.shapes_m, found.possible_m, strict=True)], bool)
        clear[lots[other]] = shelf.put(found.shapes_m[other])
        areas_m2[lots] = np.column_stack([found.area_m2, found.possible_area_m2, found.largest_m2])
        for name, taken_m2 in found.takes_m2.items():
            takes_m2.setdefault(name, np.zeros(count))[lots] = taken_m2
        if strips:
            shapes_m = lot_line_zones(own, found)
            lines[lots], lines_bound_m[lots] = shelf.put(shapes_m), shapely.bounds(shapes_m)
        return lots[found.failed], {int(lots[row]): why for row, why in found.why.items()}

    done = for_each(one, by_place(parcels.bounds_m, LOTS), workers)
    why = {row: words for _, some in done for row, words in some.items()}
    failed = np.sort(np.concatenate([np.zeros(0, np.int64), *(rows for rows, _ in done)])).astype(np.int64)
    plain = {
        "part": zones.part,
        "parcel_ids": fabric.ids,
        "takes_m2": {name: takes_m2[name] for name in sorted(takes_m2)},
        "lot_line_m": lot_line_m,
        "failed": failed,
        "why": dict(sorted(why.items())),
    }
    inside = _emptied(_inside(fabric, lot_line_m), np.array(sorted(why), np.int64))
    return ShelvedEnvelopes(plain, shelf.hashed(clear), shelf.hashed(possible), inside, areas_m2), (
        shelf.hashed(lines, lines_bound_m) if strips else None
    )


def _some(zones: Zones, obstacles: Obstacles, rows: Rows) -> tuple[Zones, Obstacles]:
    """These zones, and the obstacles that they are kept from: as much of both as cutting asks for."""
    sources, source = np.unique(zones.source[rows], return_inverse=True)
    found = Zones(
        zones.part,
        feature=zones.feature[rows],
        source=source,
        keep_m=zones.keep_m[rows],
        status=zones.status[rows],
        where_m=zones.where_m[rows],
        cut_m=zones.cut_m[rows],
        sources_m=obstacles.shapes_m[sources],
    )
    found.shapes_m = zones.shapes_of(rows)
    return found, obstacles.kept(sources)


def _inside(fabric: Fabric, lot_line_m: float) -> Hashed:
    """What the lot line distance alone leaves, made when somebody asks for it."""
    every = np.arange(len(fabric.ids))

    def make(rows: Rows) -> Geometries:
        return inward(fabric.shapes_m[rows], lot_line_m)

    made: Any = cache(lambda: Hashed.of(make(every)))
    return Hashed(every, make, lambda: made().hashes, lambda: made().bounds_m)


def _emptied(shapes: Hashed, lost: Rows) -> Hashed:
    """The shapes with those of some rows empty."""
    if not len(lost):
        return shapes
    gone = np.zeros(len(shapes), bool)
    gone[lost] = True

    def make(rows: Rows) -> Geometries:
        found = np.full(len(rows), shapely.Polygon(), object)
        found[~gone[rows]] = shapes[rows[~gone[rows]]].shapes
        return found

    def tell() -> npt.NDArray[Any]:
        found = shapes.hashes.copy()
        found[gone] = Hashed.of(np.array([shapely.Polygon()], object)).hashes
        return found

    def bound() -> npt.NDArray[np.float64]:
        found = shapes.bounds_m.copy()
        found[gone] = np.nan
        return found

    return Hashed(np.arange(len(shapes)), make, cache(tell), cache(bound))
