"""The lots as the search for room reads them: one row each, apart from the layers that they came from, so that rows can go to other
processes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels.tank import on_lots
from geoseptic.processes.land import Land
from geoseptic.processes.lot_sizes import Sizes
from geoseptic.processes.steps import Cut

NO_ROOM = shapely.Polygon()

DRAINAGE = frozenset(
    {"surface_water", "intermittent_water", "water_supply_reservoir", "water_supply_tributary", "irrigation_canal", "wetland"}
)
"""Features that water comes to."""

NO_WAY_THROUGH = DRAINAGE | {"pool", "vernal_pool", "dry_well", "existing_field", "existing_pit"}
"""Features besides buildings through which no pipe is led. Common practice, no source."""

TRENCH_WIDTH_M = 0.6
"""2 ft. Common practice, no source."""


@dataclass(frozen=True)
class Lots:
    """What the search knows of each lot; empty geometries where there is none. [m]

    houses : the building whose sewage the field takes.
    roofs : buildings, under which no pipe may run. barriers : these, and whatever else no pipe is led through.
    field, reserve, tank : the envelopes; `possible` if every open question of the setbacks is answered in the lot's favour.
    failed : an envelope of the lot could not be shown to keep every distance.
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
    failed: npt.NDArray[np.bool_]
    sizes: npt.NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.shapes_m)

    def of(self, rows: Any) -> "Lots":
        """Some of the lots, by index or slice."""
        return Lots(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})


def lots_of(land: Land, cuts: Mapping[str, Cut], sizes: Sequence[Sizes], tank_forbidden_m: Geometries) -> Lots:
    """All lots of a run; on ground of `tank_forbidden_m`, one row a lot, no tank may stand though no setback says so."""
    field, reserve, tank = (cuts[part].envelopes for part in ("drain_field", "reserve", "septic_tank"))
    failed = np.zeros(len(sizes), bool)
    for cut in cuts.values():
        failed[cut.envelopes.failed] = True
    as_array = np.empty(len(sizes), object)
    as_array[:] = list(sizes)
    return Lots(
        land.fabric.shapes_m,
        houses(land),
        on_lots(land.fabric.shapes_m, land.buildings_m),
        on_lots(land.fabric.shapes_m, barriers(land)),
        field.shapes_m,
        field.possible_m,
        reserve.shapes_m,
        reserve.possible_m,
        shapely.difference(tank.shapes_m, tank_forbidden_m),
        shapely.difference(tank.possible_m, tank_forbidden_m),
        failed,
        as_array,
    )


def barriers(land: Land) -> Geometries:
    """What no pipe is led through: buildings, pools, water, old systems. Lines and points are as wide as a pipe's trench."""
    shapes = land.obstacles.shapes_m[np.isin(land.obstacles.feature, list(NO_WAY_THROUGH))]
    thin = shapely.get_dimensions(shapes) < 2
    shapes[thin] = shapely.buffer(shapes[thin], TRENCH_WIDTH_M / 2, quad_segs=2)
    return np.concatenate([land.buildings_m, shapes])


def houses(land: Land) -> Geometries:
    """The largest building that may be a dwelling and whose middle lies on each lot; empty where there is none."""
    found = np.full(len(land.fabric.ids), NO_ROOM, object)
    lot, roofs, _ = _lived_in(land)
    order = np.argsort(shapely.area(roofs), kind="stable")
    found[lot[order]] = roofs[order]
    return found


def dwellings(land: Land) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """How many buildings on each lot are known to be dwellings, and how many may be."""
    lot, _, known = _lived_in(land)
    count = len(land.fabric.ids)
    return np.bincount(lot[known], minlength=count), np.bincount(lot, minlength=count)


def may_be_dwellings(land: Land) -> tuple[Geometries, npt.NDArray[np.bool_]]:
    """Buildings that may be dwellings, wherever they stand: shape, and whether it is known."""
    buildings = np.flatnonzero(land.obstacles.feature == "building")
    said = [dict(land.obstacles.facts[index]).get("not_a_dwelling") for index in buildings]
    may_be = np.array([word is not True for word in said], bool)
    known = np.array([word is False for word in said], bool)
    return land.obstacles.shapes_m[buildings[may_be]], known[may_be]


def _lived_in(land: Land) -> tuple[npt.NDArray[np.int64], Geometries, npt.NDArray[np.bool_]]:
    """Buildings that may be dwellings: lot, shape, and whether it is known."""
    roofs, known = may_be_dwellings(land)
    building, lot = shapely.STRtree(land.fabric.shapes_m).query(shapely.point_on_surface(roofs), predicate="within")
    return lot, roofs[building], known[building]
