"""Envelopes whose parcels are cut group by group, so that those of an earlier run can be taken where nothing near them changed.

A group is cut as if nothing else were there than what can reach it. That is all that goes into its key, and all that its step is given.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import GeosepticError
from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import by_groups
from geoseptic.model.frame import Geometries
from geoseptic.parcels.buffers import MARGIN_M, outward
from geoseptic.parcels.envelope import Envelopes, envelopes, lot_line_zones
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.onelot import OF_A_LOT
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.zones import Zones

IN_A_GROUP: Final = 64
"""Parcels that a group has about: few, so that one change touches few; enough that looking a group up costs little."""

Rows = npt.NDArray[np.int64]


def cut(
    fabric: Fabric, zones: Zones, obstacles: Obstacles, lot_line_m: float, strips: bool, workers: int
) -> tuple[Envelopes, Geometries | None]:
    """`envelope.envelopes`, and `lot_line_zones` where `strips` are asked for; by groups where a store is in use."""
    if kept.in_use() is None:
        found = envelopes(fabric, zones, obstacles, lot_line_m, workers)
        return found, lot_line_zones(fabric, found) if strips else None
    near = _Near.of(zones, obstacles, fabric.disputed_m, lot_line_m)
    groups = groups_by_place(fabric.shapes_m)
    try:
        done = by_groups(_cut, groups, lambda rows: (*near.given(fabric.shapes_m[rows]), lot_line_m, strips), workers)
    except OF_A_LOT as error:
        if isinstance(error, GeosepticError):
            raise
        # What fails is not kept: the next run may have the memory for it.
        found = envelopes(fabric, zones, obstacles, lot_line_m, workers)
        return found, lot_line_zones(fabric, found) if strips else None
    shapes, possible, inside, lines = (np.empty(len(fabric.ids), object) for _ in range(4))
    features = sorted({name for _, names in done for name in names})
    takes_m2 = {name: np.zeros(len(fabric.ids)) for name in features}
    failed = [np.zeros(0, np.int64)]
    for rows, (arrays, names) in zip(groups, done, strict=True):
        shapes[rows], possible[rows], inside[rows], lines[rows] = arrays[:4]
        for name, taken_m2 in zip(names, arrays[4], strict=True):
            takes_m2[name][rows] = taken_m2
        failed.append(rows[arrays[5]])
    whole = Envelopes(zones.part, fabric.ids, shapes, possible, inside, takes_m2, lot_line_m, np.sort(np.concatenate(failed)))
    return whole, lines if strips else None


def groups_by_place(shapes_m: Geometries, in_a_group: int | None = None) -> list[Rows]:
    """Rows of shapes that lie together, about so many (`IN_A_GROUP`), by squares of the map with a power of two as side: one shape more
    moves no other one."""
    west, south, east, north = shapely.total_bounds(shapes_m)
    per_group_m2 = max((east - west) * (north - south), 1.0) / len(shapes_m) * (in_a_group or IN_A_GROUP)
    side_m = 2.0 ** round(np.log2(per_group_m2) / 2)
    left, bottom, right, top = shapely.bounds(shapes_m).T
    squares = np.column_stack([np.floor((left + right) / 2 / side_m), np.floor((bottom + top) / 2 / side_m)])
    _, group = np.unique(squares, axis=0, return_inverse=True)
    order = np.argsort(group.ravel(), kind="stable")
    return [rows for rows in np.split(order, np.cumsum(np.bincount(group.ravel()))[:-1]) if len(rows)]


@dataclass(frozen=True)
class _Near:
    """Zones by the feature that they are kept from, and trees that find what can reach a box.

    `cut_m` has the shapes of those zones that are cut to a ground (`where_m`); a full ring follows from its feature and distance.
    """

    cut_m: Hashed
    where_m: Hashed
    feature: npt.NDArray[np.bytes_]
    status: npt.NDArray[np.bytes_]
    keep_m: npt.NDArray[np.float64]
    source: Rows
    sources_m: Hashed
    disputed_m: Geometries
    _by_source: Rows
    _first: Rows
    _tree: shapely.STRtree
    _disputed_tree: shapely.STRtree

    @classmethod
    def of(cls, zones: Zones, obstacles: Obstacles, disputed_m: Geometries, lot_line_m: float) -> "_Near":
        source, keep_m, count = np.array(zones.source, np.int64), np.array(zones.keep_m, np.float64), len(obstacles)
        # As far as any zone of the feature goes, and as far as it is asked for at the last test.
        reach_m = np.zeros(count)
        np.maximum.at(reach_m, source, keep_m)
        low, high = (bounds.T.copy() for bounds in np.split(_grown(obstacles.shapes_m, reach_m + MARGIN_M).T, 2))
        shapes_m, whole = zones.shapes_m, np.array(zones.whole, bool)
        bounds_m = shapely.bounds(shapes_m).reshape(-1, 4)
        np.fmin.at(low, source, bounds_m[:, :2])
        np.fmax.at(high, source, bounds_m[:, 2:])
        cut_m = shapes_m.copy()
        cut_m[whole] = None
        around_m = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
        grown_m = np.concatenate([_grown(outward(disputed_m, lot_line_m), np.full(len(disputed_m), lot_line_m + MARGIN_M))])
        return cls(
            Hashed.of(cut_m),
            Hashed.of(zones.where_m),
            np.array(zones.feature, np.bytes_),
            np.array(zones.status, np.bytes_),
            keep_m,
            source,
            Hashed.of(obstacles.shapes_m),
            disputed_m,
            np.argsort(source, kind="stable"),
            np.concatenate([[0], np.cumsum(np.bincount(source, minlength=count))]).astype(np.int64),
            shapely.STRtree(around_m),
            shapely.STRtree(shapely.box(*grown_m.T)),
        )

    def given(self, parcels_m: Geometries) -> tuple[Any, ...]:
        """What can reach these parcels: every zone of a feature of which any part can, in their order."""
        box = shapely.box(*shapely.total_bounds(parcels_m))
        sources = np.sort(self._tree.query(box))
        rows = np.sort(
            np.concatenate([np.empty(0, np.int64), *(self._by_source[self._first[one] : self._first[one + 1]] for one in sources)])
        )
        sources = sources[self._first[sources] < self._first[sources + 1]]
        disputed = np.sort(self._disputed_tree.query(box))
        columns = (self.feature, self.status, self.keep_m, self.cut_m, self.where_m)
        source = np.searchsorted(sources, self.source[rows])
        return parcels_m, self.disputed_m[disputed], *(column[rows] for column in columns), source, self.sources_m[sources]


def _grown(shapes_m: Geometries, more_m: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Bounds of the shapes and so much more on every side, shape (shapes, 4)."""
    bounds_m: npt.NDArray[np.float64] = shapely.bounds(shapes_m).reshape(-1, 4) + more_m[:, None] * np.array([-1, -1, 1, 1])
    return bounds_m


def _cut(
    parcels_m: Geometries,
    disputed_m: Geometries,
    feature: npt.NDArray[np.bytes_],
    status: npt.NDArray[np.bytes_],
    keep_m: npt.NDArray[np.float64],
    cut_m: Hashed,
    where_m: Hashed,
    source: Rows,
    sources_m: Hashed,
    lot_line_m: float,
    strips: bool,
) -> tuple[tuple[Geometries, Geometries, Geometries, Geometries, npt.NDArray[np.float64], Rows], list[str]]:
    """The envelopes of a group, its strips (empty where they are not asked for), what each feature takes, who failed; the features."""
    whole = np.array([shape is None for shape in cut_m.shapes], bool)
    shapes_m = cut_m.shapes.copy()
    shapes_m[whole] = outward(sources_m.shapes[source[whole]], keep_m[whole])
    # What the cutting has no use for is left empty: it could not be in the key.
    zones = Zones(
        "",
        feature=[name.decode() for name in feature],
        source=source.tolist(),
        keep_m=keep_m.tolist(),
        status=[word.decode() for word in status],
        where=list(where_m.shapes),
        shapes=list(shapes_m),
    )
    nothing, none = np.empty(0, object), np.zeros(0)
    obstacles = Obstacles(nothing, nothing, sources_m.shapes, none, nothing, none.astype(bool), nothing)
    fabric = Fabric(np.arange(len(parcels_m)).astype(object), parcels_m, disputed_m, np.empty((0, 2), np.int64), ())
    found = envelopes(fabric, zones, obstacles, lot_line_m)
    if found.why:
        raise ValueError(next(iter(found.why.values())))
    lines = lot_line_zones(fabric, found) if strips else np.full(len(parcels_m), shapely.Polygon())
    names = list(found.takes_m2)
    takes_m2 = np.array([found.takes_m2[name] for name in names], np.float64).reshape(len(names), len(parcels_m))
    return (found.shapes_m, found.possible_m, found.inside_m, lines, takes_m2, found.failed), names
