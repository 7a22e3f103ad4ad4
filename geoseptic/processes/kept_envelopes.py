"""Envelopes whose parcels are cut group by group, so that those of an earlier run can be taken where nothing near them changed.

A group is cut as if nothing else were there than what can reach it. That is all that goes into its key, and all that its step is given.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from functools import cache, partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import GeosepticError
from geoseptic.io import keptgroups
from geoseptic.io.digests import A_RING, Hashed, told
from geoseptic.io.keptgroups import by_groups
from geoseptic.model.frame import Geometries
from geoseptic.parcels.buffers import MARGIN_M, within_m
from geoseptic.parcels.byplace import ByPlace, grown
from geoseptic.parcels.envelope import Envelopes, envelopes, lot_line_zones
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.onelot import OF_A_LOT
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.zones import Zones

IN_A_BUNDLE: Final = 16
"""Groups whose keys are looked up together, where nothing near any of them changed."""

IN_A_GROUP: Final = 64
"""Parcels that a group has about: few, so that one change touches few; enough that looking a group up costs little."""

Rows = npt.NDArray[np.int64]


class KeptEnvelopes(Envelopes):
    """Envelopes whose areas are known and whose shapes are read when somebody asks for them."""

    clear: Hashed
    possible: Hashed
    inside: Hashed
    areas_m2: npt.NDArray[np.float64]

    def __init__(
        self, plain: Mapping[str, Any], clear: Hashed, possible: Hashed, inside: Hashed, areas_m2: npt.NDArray[np.float64]
    ) -> None:
        self.__dict__.update(plain, clear=clear, possible=possible, inside=inside, areas_m2=areas_m2)

    @property
    def shapes_m(self) -> Geometries:
        return self.clear.shapes

    @property
    def possible_m(self) -> Geometries:
        return self.possible.shapes

    @property
    def inside_m(self) -> Geometries:
        return self.inside.shapes

    @property
    def area_m2(self) -> npt.NDArray[np.float64]:
        return self.areas_m2[:, 0]

    @property
    def possible_area_m2(self) -> npt.NDArray[np.float64]:
        return self.areas_m2[:, 1]

    @property
    def largest_m2(self) -> npt.NDArray[np.float64]:
        return self.areas_m2[:, 2]

    def without(self, lost: Mapping[int, str]) -> Envelopes:
        return Envelopes(**{one.name: getattr(self, one.name) for one in fields(Envelopes)}).without(lost) if lost else self


def hashed(envelopes: Envelopes) -> tuple[Hashed, Hashed]:
    """What is clear of every zone, and what is clear of the required ones alone."""
    if isinstance(envelopes, KeptEnvelopes):
        return envelopes.clear, envelopes.possible
    return Hashed.of(envelopes.shapes_m), Hashed.of(envelopes.possible_m)


def zone_shapes(zones: Zones, sources: Hashed) -> Hashed:
    """The shapes of all zones; a full ring is told by its source and its distance, and made when it is asked for."""
    source, keep_m, ring = zones.source, zones.keep_m, zones.whole

    @cache
    def cut() -> Hashed:
        return keptgroups.hashed_shapes(zones.cut_m[~ring])

    @cache
    def tell() -> Any:
        found = told(sources.hashes["of"][source], A_RING, keep_m)
        found[~ring] = cut().hashes
        return found

    @cache
    def bound() -> npt.NDArray[np.float64]:
        found = grown(sources.bounds_m[source], within_m(keep_m))
        found[~ring] = cut().bounds_m
        return found

    return Hashed(np.arange(len(zones)), zones.shapes_of, tell, bound)


def cut(
    fabric: Fabric,
    zones: Zones,
    obstacles: Obstacles,
    lot_line_m: float,
    strips: bool,
    workers: int,
    parcels: Hashed,
    sources: Hashed,
) -> tuple[Envelopes, Hashed | None]:
    """`envelope.envelopes`, and `lot_line_zones` where `strips` are asked for, by groups that are kept. Only where a store is in use.

    `parcels`, `sources` : the shapes of the fabric and of the obstacles.
    """
    near = Near.of(zones, sources, fabric.disputed_m, lot_line_m)
    groups = groups_by_place(parcels.bounds_m)

    def given(rows: Rows) -> tuple[Any, ...]:
        return *near.given(parcels[rows]), lot_line_m, strips

    try:
        done = by_groups(_cut, groups, given, workers, bundles(parcels.bounds_m, groups, given))
    except OF_A_LOT as error:
        if isinstance(error, GeosepticError):
            raise
        # What fails is not kept: the next run may have the memory for it.
        found = envelopes(fabric, zones, obstacles, lot_line_m, workers)
        return found, Hashed.of(lot_line_zones(fabric, found)) if strips else None
    features = sorted({name for _, names in done for name in names})
    takes_m2 = {name: np.zeros(len(parcels)) for name in features}
    areas_m2, failed = np.zeros((len(parcels), 3)), [np.zeros(0, np.int64)]
    for rows, (arrays, names) in zip(groups, done, strict=True):
        areas_m2[rows] = arrays[4]
        for name, taken_m2 in zip(names, arrays[5], strict=True):
            takes_m2[name][rows] = taken_m2
        failed.append(rows[arrays[6]])
    clear, possible, inside, lines = (Hashed.joined([arrays[number] for arrays, _ in done], groups) for number in range(4))
    plain = {
        "part": zones.part,
        "parcel_ids": fabric.ids,
        "takes_m2": takes_m2,
        "lot_line_m": lot_line_m,
        "failed": np.sort(np.concatenate(failed)),
        "why": {},
    }
    return KeptEnvelopes(plain, clear, possible, inside, areas_m2), lines if strips else None


def groups_by_place(bounds_m: npt.NDArray[np.float64], in_a_group: int | None = None) -> list[Rows]:
    """Rows of shapes with these bounds that lie together, about so many (`IN_A_GROUP`), by squares of the map with a power of two as side:
    one shape more moves no other one."""
    (west, south), (east, north) = np.nanmin(bounds_m[:, :2], axis=0), np.nanmax(bounds_m[:, 2:], axis=0)
    per_group_m2 = max((east - west) * (north - south), 1.0) / len(bounds_m) * (in_a_group or IN_A_GROUP)
    side_m = 2.0 ** round(np.log2(per_group_m2) / 2)
    left, bottom, right, top = bounds_m.T
    # Empty shapes, which are nowhere, come into one group.
    across, down = (
        np.nan_to_num(np.floor((low + high) / 2 / side_m), nan=-(2.0**30)).astype(np.int64) for low, high in ((left, right), (bottom, top))
    )
    square = across * 2**32 + down
    order = np.argsort(square, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(square[order])) + 1)


def bundles(
    bounds_m: npt.NDArray[np.float64], groups: list[Rows], given: Callable[[Rows], tuple[Any, ...]]
) -> list[tuple[list[int], Callable[[], tuple[Any, ...]]]]:
    """Of these groups of shapes with these bounds about `IN_A_BUNDLE` that lie together (`by_groups`).

    What is given of a group must follow from what is given of it and others together: which rows it has, and what of all that is near them
    is near it.
    """
    firsts_m = bounds_m[[rows[0] for rows in groups]]
    found = groups_by_place(firsts_m, IN_A_BUNDLE) if len(groups) > IN_A_BUNDLE else [np.arange(len(groups))]

    def follows_from(places: list[int]) -> tuple[Any, ...]:
        own = [groups[place] for place in places]
        return [len(rows) for rows in own], given(np.concatenate(own))

    return [(places.tolist(), partial(follows_from, places.tolist())) for places in found]


@dataclass(frozen=True)
class Near:
    """Zones by the feature that they are kept from, and what can reach a box.

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
    _around: ByPlace
    _disputed: ByPlace

    @classmethod
    def of(cls, zones: Zones, sources: Hashed, disputed_m: Geometries, lot_line_m: float) -> "Near":
        source, keep_m, count = zones.source, zones.keep_m, len(sources)
        # As far as any ring of the feature goes, and as far as it is asked for at the last test.
        reach_m = np.zeros(count)
        np.maximum.at(reach_m, source, keep_m)
        low, high = (bounds.T.copy() for bounds in np.split(grown(sources.bounds_m, within_m(reach_m)).T, 2))
        cut = keptgroups.hashed_shapes(zones.cut_m)
        somewhere = np.flatnonzero(~cut.is_empty)  # few: most zones are full rings
        np.fmin.at(low, source[somewhere], cut.bounds_m[somewhere, :2])
        np.fmax.at(high, source[somewhere], cut.bounds_m[somewhere, 2:])
        disputed = shapely.bounds(disputed_m).reshape(-1, 4)
        grown_m = grown(disputed, within_m(np.full(len(disputed_m), lot_line_m)) + MARGIN_M)
        return cls(
            cut,
            keptgroups.hashed_shapes(zones.where_m),
            np.array(zones.feature, np.bytes_),
            np.array(zones.status, np.bytes_),
            keep_m,
            source,
            sources,
            disputed_m,
            np.argsort(source, kind="stable"),
            np.concatenate([[0], np.cumsum(np.bincount(source, minlength=count))]).astype(np.int64),
            ByPlace(np.concatenate([low, high], axis=1)),
            ByPlace(grown_m),
        )

    def given(self, parcels: Hashed) -> tuple[Any, ...]:
        """What can reach these parcels: every zone of a feature of which any part can, in their order."""
        rows, disputed = self.rows(parcels.bounds_m)
        columns = (self.feature, self.status, self.keep_m, self.cut_m, self.where_m)
        sources, source = np.unique(self.source[rows], return_inverse=True)
        return parcels, self.disputed_m[disputed], *(column[rows] for column in columns), source, self.sources_m[sources]

    def rows(self, bounds_m: npt.NDArray[np.float64]) -> tuple[Rows, Rows]:
        """Which zones, and which grounds that two parcels claim, can reach parcels with these bounds."""
        sources = self._around.near(bounds_m)
        counts = self._first[sources + 1] - self._first[sources]
        sources, counts = sources[counts > 0], counts[counts > 0]
        within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        return np.sort(self._by_source[np.repeat(self._first[sources], counts) + within]), self._disputed.near(bounds_m)


def _cut(
    parcels: Hashed,
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
) -> tuple[tuple[Geometries, Geometries, Geometries, Geometries, npt.NDArray[np.float64], npt.NDArray[np.float64], Rows], list[str]]:
    """The envelopes of a group, its strips (empty where they are not asked for), the areas of the envelopes, what each feature takes, who
    failed; the features."""
    # What the cutting has no use for is left empty: it could not be in the key.
    zones = Zones(
        "",
        feature=np.array([name.decode() for name in feature], object),
        source=source,
        keep_m=keep_m,
        status=np.array([word.decode() for word in status], object),
        where_m=where_m.shapes,
        cut_m=cut_m.shapes,
        sources_m=sources_m.shapes,
    )
    nothing, none = np.empty(0, object), np.zeros(0)
    obstacles = Obstacles(nothing, nothing, sources_m.shapes, none, nothing, none.astype(bool), nothing, source[:0])
    fabric = Fabric(np.arange(len(parcels)).astype(object), parcels.shapes, disputed_m, np.empty((0, 2), np.int64), ())
    found = envelopes(fabric, zones, obstacles, lot_line_m)
    if found.why:
        raise ValueError(next(iter(found.why.values())))
    lines = lot_line_zones(fabric, found) if strips else np.full(len(parcels), shapely.Polygon())
    names = list(found.takes_m2)
    takes_m2 = np.array([found.takes_m2[name] for name in names], np.float64).reshape(len(names), len(parcels))
    areas_m2 = np.column_stack([found.area_m2, found.possible_area_m2, found.largest_m2])
    return (found.shapes_m, found.possible_m, found.inside_m, lines, areas_m2, takes_m2, found.failed), names
