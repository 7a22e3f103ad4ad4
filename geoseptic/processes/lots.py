"""The lots as the search for room reads them: one row each, apart from the layers that they came from, so that rows can go to other
processes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.repair import polygons_only
from geoseptic.parcels.tank import on_lots
from geoseptic.processes.land import Land
from geoseptic.processes.lot_sizes import Sizes
from geoseptic.processes.steps import UNPROVEN, Cut

NO_ROOM = shapely.Polygon()

DRAINAGE = frozenset(
    {"surface_water", "intermittent_water", "water_supply_reservoir", "water_supply_tributary", "irrigation_canal", "wetland"}
)
"""Features that water comes to."""

NO_WAY_THROUGH = DRAINAGE | {"pool", "vernal_pool", "dry_well", "existing_field", "existing_pit"}
"""Features besides buildings through which no pipe is led. Common practice, no source."""

ON_THE_LOT = 0.1
"""Least share of a building on a lot for it to count as one of the lot's: outlines drawn from the air lie off by a little."""

TRENCH_WIDTH_M = 0.6
"""2 ft. Common practice, no source."""


@dataclass(frozen=True)
class Lots:
    """What the search knows of each lot; empty geometries where there is none. [m]

    houses : the building whose sewage the field takes.
    roofs : buildings, under which no pipe may run. barriers : these, and whatever else no pipe is led through.
    field, reserve, tank : the envelopes; `possible` if every open question of the setbacks is answered in the lot's favour.
    why_not : why nothing can be said of the lot, empty where something can.
    """

    shapes_m: Geometries
    houses_m: Geometries
    roofs_m: Geometries
    barriers_m: Geometries
    field_m: Geometries
    field_possible_m: Geometries
    reserve_m: Geometries
    reserve_possible_m: Geometries
    tank_m: Geometries
    tank_possible_m: Geometries
    why_not: npt.NDArray[np.object_]
    sizes: npt.NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.shapes_m)

    def of(self, rows: Any) -> "Lots":
        """Some of the lots, by index or slice."""
        return Lots(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})

    def barred(self, why_not: Mapping[int, str]) -> "Lots":
        """The lots with nothing on those of which nothing can be said, and why."""
        if not why_not:
            return self
        columns = {column.name: getattr(self, column.name).copy() for column in fields(self)}
        for name, column in columns.items():
            for row, why in why_not.items():
                if name.endswith("_m") and name != "shapes_m":
                    column[row] = NO_ROOM
                elif name == "why_not":
                    column[row] = column[row] or why
        return Lots(**columns)


def lots_of(land: Land, cuts: Mapping[str, Cut], sizes: Sequence[Sizes], tank_forbidden_m: Geometries) -> tuple[Lots, dict[int, str]]:
    """All lots of a run, and those at which a step failed; on ground of `tank_forbidden_m`, one row a lot, no tank may stand though no
    setback says so."""
    why_not = {int(row): cut.envelopes.why.get(int(row), UNPROVEN) for cut in cuts.values() for row in cut.envelopes.failed}

    def made(ignored: npt.NDArray[np.bool_]) -> Lots:
        return _all(land, without_rows(land.fabric.shapes_m, ignored), cuts, sizes, without_rows(tank_forbidden_m, ignored))

    found, failed = without_culprits(made, len(sizes))
    return found.barred({**why_not, **failed}), failed


def without_rows(shapes_m: Geometries, ignored: npt.NDArray[np.bool_]) -> Geometries:
    """The shapes, those of the ignored rows empty."""
    if not ignored.any():
        return shapes_m
    kept = shapes_m.copy()
    kept[ignored] = NO_ROOM
    return kept


def _all(land: Land, lots_m: Geometries, cuts: Mapping[str, Cut], sizes: Sequence[Sizes], tank_forbidden_m: Geometries) -> Lots:
    field, reserve, tank = (cuts[part].envelopes for part in ("drain_field", "reserve", "septic_tank"))
    as_array = np.empty(len(sizes), object)
    as_array[:] = list(sizes)
    return Lots(
        lots_m,
        _on_their_lots(houses(land, lots_m), lots_m),
        on_lots(lots_m, land.buildings_m),
        on_lots(lots_m, barriers(land)),
        field.shapes_m,
        field.possible_m,
        reserve.shapes_m,
        reserve.possible_m,
        shapely.difference(tank.shapes_m, tank_forbidden_m),
        shapely.difference(tank.possible_m, tank_forbidden_m),
        np.full(len(sizes), "", object),
        as_array,
    )


def barriers(land: Land) -> Geometries:
    """What no pipe is led through: buildings, pools, water, old systems. Lines and points are as wide as a pipe's trench."""
    shapes = land.obstacles.shapes_m[np.isin(land.obstacles.feature, list(NO_WAY_THROUGH))]
    thin = shapely.get_dimensions(shapes) < 2
    shapes[thin] = shapely.buffer(shapes[thin], TRENCH_WIDTH_M / 2, quad_segs=2)
    return np.concatenate([land.buildings_m, shapes])


def houses(land: Land, lots_m: Geometries | None = None) -> Geometries:
    """The largest building that may be a dwelling and whose middle lies on each lot; empty where there is none.

    A lot without any gets the largest of those whose middle lies on no lot, as on a lot line or in a gap between lots, and that it shares.
    `lots_m` stands in for the lots' own shapes.
    """
    found = np.full(len(land.fabric.ids), NO_ROOM, object)
    lived_in = _lived_in(land, land.fabric.shapes_m if lots_m is None else lots_m)
    order = np.lexsort((shapely.area(lived_in.roofs_m), ~lived_in.on_the_line))
    found[lived_in.lot[order]] = lived_in.roofs_m[order]
    return found


def houses_on_the_line(land: Land) -> list[tuple[int, tuple[int, ...]]]:
    """Lots whose house stands on a lot line or in a gap, and the other lots that share it."""
    lived_in = _lived_in(land, land.fabric.shapes_m)
    own = set(lived_in.lot[~lived_in.on_the_line].tolist())
    shared: dict[bytes, list[int]] = {}
    for lot, roof in zip(lived_in.lot[lived_in.on_the_line].tolist(), lived_in.roofs_m[lived_in.on_the_line], strict=True):
        shared.setdefault(shapely.to_wkb(roof), []).append(lot)
    return [(lot, tuple(other for other in lots if other != lot)) for lots in shared.values() for lot in lots if lot not in own]


def _on_their_lots(homes_m: Geometries, lots_m: Geometries) -> Geometries:
    """Of houses whose middle is not on their lot the part that is: the sewer leaves it there."""
    off = np.flatnonzero(~shapely.is_empty(homes_m))
    off = off[~shapely.intersects(shapely.point_on_surface(homes_m[off]), lots_m[off])]
    found = homes_m.copy()
    found[off] = polygons_only(shapely.intersection(homes_m[off], lots_m[off]))
    return found


def dwellings(land: Land) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """How many buildings on each lot are known to be dwellings, and how many may be."""
    lived_in, count = _lived_in(land, land.fabric.shapes_m), len(land.fabric.ids)
    return np.bincount(lived_in.lot[lived_in.known], minlength=count), np.bincount(lived_in.lot, minlength=count)


def may_be_dwellings(land: Land) -> tuple[Geometries, npt.NDArray[np.bool_]]:
    """Buildings that may be dwellings, wherever they stand: shape, and whether it is known."""
    buildings = np.flatnonzero(land.obstacles.feature == "building")
    said = [dict(land.obstacles.facts[index]).get("not_a_dwelling") for index in buildings]
    may_be = np.array([word is not True for word in said], bool)
    known = np.array([word is False for word in said], bool)
    return land.obstacles.shapes_m[buildings[may_be]], known[may_be]


@dataclass(frozen=True)
class _LivedIn:
    """Buildings that may be dwellings: lot, shape, whether it is known, and whether the middle lies on no lot; then each lot that has a
    share of it has a row."""

    lot: npt.NDArray[np.int64]
    roofs_m: Geometries
    known: npt.NDArray[np.bool_]
    on_the_line: npt.NDArray[np.bool_]


def _lived_in(land: Land, lots_m: Geometries) -> _LivedIn:
    roofs, known = may_be_dwellings(land)
    tree = shapely.STRtree(lots_m)
    building, lot = tree.query(shapely.point_on_surface(roofs), predicate="within")
    off = np.setdiff1d(np.arange(len(roofs)), building)
    at, sharing = tree.query(roofs[off], predicate="intersects")
    shared = shapely.area(shapely.intersection(roofs[off[at]], lots_m[sharing])) >= ON_THE_LOT * shapely.area(roofs[off[at]])
    shared &= shapely.area(roofs[off[at]]) > 0
    rows, lots = np.concatenate([building, off[at[shared]]]), np.concatenate([lot, sharing[shared]])
    return _LivedIn(lots, roofs[rows], known[rows], np.arange(len(rows)) >= len(building))
