"""Each lot with what field and reserve keep clear of there and how sure its place is: apart from the layers, so that rows can go to other
processes."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance.closed import FARTHEST_SIGMAS
from geoseptic.chance.draws import Draws
from geoseptic.chance.errors import EXACT, PlaceErrors
from geoseptic.chance.fits import Case, Keeps, Places
from geoseptic.errors import CodeSilentError
from geoseptic.model.frame import Geometries
from geoseptic.model.layers import WELL_KINDS
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.buffers import inward, outward
from geoseptic.parcels.envelope import LOT_LINE
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.zones import zones
from geoseptic.processes.chance_maps import things_of
from geoseptic.processes.land import Land
from geoseptic.processes.layouts import Setting, at_home
from geoseptic.processes.lots import Lots, without_rows
from geoseptic.processes.uncertain import Uncertain

Floats = npt.NDArray[np.float64]
Objects = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Around:
    """What one part of a system keeps clear of in a whole run; names as in `Keeps`. [m]

    wells_m : distance from each well of uncertain place, on record and presumed, in their order; 0 where none is asked.
    """

    line_m: float
    fixed: Geometries
    rings: Geometries
    things: Geometries
    keep_m: Floats
    wells_m: Floats


@dataclass(frozen=True)
class InDoubt:
    """One lot, as a worker draws it: what is kept clear, of field and reserve (None: the same), and its wells, of which `presumed` last."""

    parcel_id: str
    field: Keeps
    reserve: Keeps | None
    wells: PlaceErrors
    presumed: int
    draws: Draws
    line_sigma_m: float
    building_sigma_m: float

    def places(self) -> Places:
        """Where things lie in each draw."""
        name = np.array([self.parcel_id], object)
        on_record = np.arange(len(self.wells)) < len(self.wells) - self.presumed
        return Places(
            self.draws.lot_shifts_m(name, self.line_sigma_m)[:, 0],
            self.draws.building_shifts_m(name, self.building_sigma_m)[:, 0],
            self.draws.wells_m(self.wells.kept(on_record), self.wells.kept(~on_record)),
        )


def at_points(obstacles: Obstacles) -> Obstacles:
    """The obstacles with every well where a draw says: nothing is added for its place, and none is only presumed."""
    wells = np.isin(obstacles.feature, list(WELL_KINDS.values()))
    return replace(obstacles, location_error_m=np.where(wells, 0.0, obstacles.location_error_m), presumed=obstacles.presumed & ~wells)


def around(
    land: Land,
    rules: RuleSet,
    part: str,
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: Ground | None,
    uncertain: Uncertain,
    workers: int,
) -> Around:
    """What one part keeps clear of. Distances that may be required for another reason than a place count as required, those of a well that
    hang on the lie of the ground all round it."""
    obstacles = at_points(land.obstacles)
    found = zones(obstacles, rules, part, facts=facts, granted=granted, ground=ground, workers=workers)
    try:
        line_m = rules.requirement(part, LOT_LINE).settled(facts, granted).largest.distance_m or 0.0
    except CodeSilentError:
        line_m = 0.0
    everyone = uncertain.every_well
    source = np.array(found.source, np.int64)
    well = things_of(land)[source]
    drawn = (well >= 0) & (everyone.kind != EXACT)[well]
    wells_m = np.zeros(len(everyone))
    np.maximum.at(wells_m, well[drawn], np.array(found.distance_m)[drawn])
    outer = found.outermost(np.arange(len(source)))
    moves = (np.array(found.feature, object) == "building") & outer & (uncertain.building_sigma_m > 0)
    keep_m = np.array(found.keep_m)[moves]
    things = obstacles.shapes_m[source[moves]]
    return Around(
        line_m,
        np.concatenate([found.shapes_m[~drawn & ~moves & outer], outward(land.fabric.disputed_m, line_m)]),
        outward(things, keep_m),
        things,
        keep_m,
        wells_m,
    )


def cases_of(land: Land, lots: Lots, field: Around, reserve: Around, uncertain: Uncertain) -> tuple[Objects, dict[int, str]]:
    """Every lot in doubt (None for those of which nothing can be said), and where that failed."""
    return without_culprits(lambda ignored: _cases(land, lots, field, reserve, uncertain, ignored), len(lots))


def _cases(land: Land, lots: Lots, field: Around, reserve: Around, uncertain: Uncertain, ignored: npt.NDArray[np.bool_]) -> Objects:
    lots_m = without_rows(lots.shapes_m, ignored)
    everyone = uncertain.every_well
    wells = in_reach(lots_m, everyone, np.fmax(field.wells_m, reserve.wells_m), uncertain.line_sigma_m)
    on_record = len(uncertain.wells)
    same = all(np.array_equal(getattr(field, name), getattr(reserve, name)) for name in ("line_m", "keep_m", "wells_m")) and (
        len(field.fixed) == len(reserve.fixed) and bool(shapely.equals_identical(field.fixed, reserve.fixed).all())
    )
    parts = [_rows(lots, lots_m, part, uncertain, wells) for part in ((field,) if same else (field, reserve))]
    found = np.full(len(lots), None, object)
    for lot in np.flatnonzero(~ignored & ~shapely.is_empty(lots_m)).tolist():
        own = wells[lot]
        found[lot] = InDoubt(
            str(land.fabric.ids[lot]),
            parts[0][lot],
            None if same else parts[1][lot],
            everyone.kept(own),
            int(np.count_nonzero(own >= on_record)),
            uncertain.draws,
            uncertain.line_sigma_m,
            uncertain.building_sigma_m,
        )
    return found


def in_reach(lots_m: Geometries, wells: PlaceErrors, keep_m: Floats, line_sigma_m: float) -> Objects:
    """For each lot the wells of uncertain place that may be nearer to it than their distance, in order."""
    some = np.flatnonzero((wells.kind != EXACT) & (keep_m > 0))
    far_m = (wells.reach_m + keep_m)[some] + FARTHEST_SIGMAS * line_sigma_m
    well, lot = shapely.STRtree(lots_m).query(shapely.points(wells.middle_m[some]), predicate="dwithin", distance=far_m)
    return _rows_of(lot, some[well], len(lots_m))


def _rows(lots: Lots, lots_m: Geometries, part: Around, uncertain: Uncertain, wells: Objects) -> list[Keeps]:
    count = len(lots)
    inside = inward(lots_m, part.line_m)
    more_m = FARTHEST_SIGMAS * uncertain.line_sigma_m
    fixed = _rows_of(*_pairs(part.fixed, lots_m, more_m), count)
    moving = _rows_of(*_pairs(part.rings, lots_m, more_m + FARTHEST_SIGMAS * uncertain.building_sigma_m), count)
    return [
        Keeps(
            at_home(lots, lot, inside[lot]),
            part.line_m,
            part.fixed[fixed[lot]],
            part.rings[moving[lot]],
            part.things[moving[lot]],
            part.keep_m[moving[lot]],
            part.wells_m[wells[lot]],
        )
        for lot in range(count)
    ]


def _pairs(shapes: Geometries, lots_m: Geometries, more_m: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    lot, shape = shapely.STRtree(shapes).query(lots_m, predicate="dwithin", distance=more_m)
    return lot, shape


def _rows_of(owner: npt.NDArray[np.int64], thing: npt.NDArray[np.int64], count: int) -> Objects:
    """For each of `count` owners its things, in order."""
    order = np.lexsort((thing, owner))
    found = np.empty(count, object)
    found[:] = np.split(thing[order], np.searchsorted(owner[order], np.arange(1, count)))
    return found


def case_of(lots: Lots, lot: int, doubt: InDoubt, setting: Setting) -> Case:
    """What is asked of one lot: the largest size, as the screening asks it, as trenches and then as a bed with its reserve."""
    sizes = lots.sizes[lot]
    asked = ((sizes.largest, setting.terrain, True), *((bed, setting.bed_terrain, False) for bed in sizes.beds))
    return Case(lots.shapes_m[lot], doubt.field, doubt.field if doubt.reserve is None else doubt.reserve, asked)
