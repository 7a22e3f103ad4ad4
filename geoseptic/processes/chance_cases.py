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
from geoseptic.model.rules import FEATURES, RuleSet
from geoseptic.parcels.buffers import inward, outward
from geoseptic.parcels.envelope import LOT_LINE
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.zones import MAY_BE_REQUIRED, ROUGH_FROM_M, SHOWN_OTHERWISE, Zones, zones
from geoseptic.processes.chance_maps import things_of
from geoseptic.processes.land import Land
from geoseptic.processes.layouts import Setting, at_home
from geoseptic.processes.lots import Lots, without_rows
from geoseptic.processes.uncertain import Uncertain

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
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
class Open:
    """Ground that is asked for only because a condition is not stated, how far beyond it that may matter, and for what, in words. [m]"""

    shapes_m: Geometries
    far_m: Floats
    why: Objects


@dataclass(frozen=True)
class Asked:
    """What one part keeps clear of: if all is required that may be for another reason than a place, if nothing of that is (the very same
    where nothing is open), and what is open."""

    strict: Around
    eased: Around
    open: Open


@dataclass(frozen=True)
class InDoubt:
    """One lot, as a worker draws it: what is kept clear, of field and reserve (None: the same), and its wells, of which `presumed` last.

    eased : the same of what is kept clear if open conditions turn out not to hold, None where nothing near the lot is open.
    """

    parcel_id: str
    field: Keeps
    reserve: Keeps | None
    eased: tuple[Keeps, Keeps | None] | None
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
) -> Asked:
    """What one part keeps clear of. Distances of a well of uncertain place that hang on the lie of the ground are asked all round it, or,
    if open conditions do not hold, nowhere."""
    obstacles = at_points(land.obstacles)
    found = zones(obstacles, rules, part, facts=facts, granted=granted, ground=ground, workers=workers)
    try:
        line_m = rules.requirement(part, LOT_LINE).settled(facts, granted).largest.distance_m or 0.0
    except CodeSilentError:
        line_m = 0.0
    well = things_of(land)[found.source]
    well[uncertain.every_well.kind[well] == EXACT] = -1
    opened = _opened(found, obstacles, well >= 0)
    every = np.arange(len(found))
    strict = _around(land, found, obstacles, every, well, line_m, uncertain)
    eased = _around(land, found, obstacles, every[~opened], well, line_m, uncertain) if opened.any() else strict
    return Asked(strict, eased, _open(found, opened, well, uncertain))


def _opened(found: Zones, obstacles: Obstacles, drawn: Flags) -> Flags:
    """Which zones hang on another reason than a place: what only may be required, save for a layer's rough place, and of a well that is
    drawn elsewhere all that hangs on the lie of the ground, of which nobody has asked there."""
    may_be = found.status == MAY_BE_REQUIRED
    error_m = obstacles.location_error_m[found.source]
    misplaced = error_m > np.maximum(found.distance_m, ROUGH_FROM_M)
    opened: Flags = (may_be & ~misplaced) | (drawn & ~found.whole)
    return opened


def _around(
    land: Land,
    found: Zones,
    obstacles: Obstacles,
    rows: npt.NDArray[np.int64],
    well: npt.NDArray[np.int64],
    line_m: float,
    uncertain: Uncertain,
) -> Around:
    """What those rows of the zones keep clear; `well` is for each zone that of uncertain place which it is of, or -1."""
    everyone = uncertain.every_well
    own = well[rows]
    drawn = own >= 0
    wells_m = np.zeros(len(everyone))
    np.maximum.at(wells_m, own[drawn], found.distance_m[rows[drawn]])
    outer = found.outermost(rows)
    moves = (found.feature[rows] == "building") & outer & (uncertain.building_sigmas_m.max() > 0)
    keep_m = found.keep_m[rows[moves]]
    things = obstacles.shapes_m[found.source[rows[moves]]]
    return Around(
        line_m,
        np.concatenate([found.shapes_m[rows[~drawn & ~moves & outer]], outward(land.fabric.disputed_m, line_m)]),
        outward(things, keep_m),
        things,
        keep_m,
        wells_m,
    )


def _open(found: Zones, opened: Flags, well: npt.NDArray[np.int64], uncertain: Uncertain) -> Open:
    """What is open: not what lies in a ring of the same feature that is required in any case."""
    source, keep_m = found.source, found.keep_m
    sure = found.whole & ~opened
    widest_m = np.full(source.max(initial=-1) + 1, -np.inf)
    np.maximum.at(widest_m, source[sure], keep_m[sure])
    rows = np.flatnonzero(opened & (keep_m > widest_m[source]))
    moves = found.feature[rows] == "building"
    far_m = FARTHEST_SIGMAS * (uncertain.line_sigmas_m.max() + np.where(moves, uncertain.building_sigmas_m.max(), 0.0))
    drawn = well[rows] >= 0
    far_m[drawn] += uncertain.every_well.reach_m[well[rows[drawn]]]
    why = [f"{FEATURES[found.feature[row]].lower()} ({found.why[row].removeprefix(SHOWN_OTHERWISE)})" for row in rows]
    return Open(found.shapes_m[rows], far_m, np.array(why, object))


def cases_of(land: Land, lots: Lots, field: Asked, reserve: Asked, uncertain: Uncertain) -> tuple[Objects, dict[int, str]]:
    """Every lot in doubt (None for those of which nothing can be said), and where that failed."""
    return without_culprits(lambda ignored: _cases(land, lots, field, reserve, uncertain, ignored), len(lots))


def _cases(land: Land, lots: Lots, field: Asked, reserve: Asked, uncertain: Uncertain, ignored: Flags) -> Objects:
    lots_m = without_rows(lots.shapes_m, ignored)
    everyone = uncertain.every_well
    wells = in_reach(lots_m, everyone, np.fmax(field.strict.wells_m, reserve.strict.wells_m), uncertain.line_sigmas_m)
    on_record = len(uncertain.wells)
    strict = _both_keeps(lots, lots_m, field.strict, reserve.strict, uncertain, wells)
    nothing_open = field.eased is field.strict and reserve.eased is reserve.strict
    eased = strict if nothing_open else _both_keeps(lots, lots_m, field.eased, reserve.eased, uncertain, wells)
    found = np.full(len(lots), None, object)
    for lot in np.flatnonzero(~ignored & ~shapely.is_empty(lots_m)).tolist():
        own = wells[lot]
        found[lot] = InDoubt(
            str(land.fabric.ids[lot]),
            *strict[lot],
            None if _all_alike(strict[lot], eased[lot]) else eased[lot],
            everyone.kept(own),
            int(np.count_nonzero(own >= on_record)),
            uncertain.draws,
            float(uncertain.line_sigmas_m[lot]),
            float(uncertain.building_sigmas_m[lot]),
        )
    return found


def _both_keeps(
    lots: Lots, lots_m: Geometries, field: Around, reserve: Around, uncertain: Uncertain, wells: Objects
) -> list[tuple[Keeps, Keeps | None]]:
    """What field and reserve (None: the same) keep clear of on each lot."""
    fields = _rows(lots, lots_m, field, uncertain, wells)
    if _alike(field, reserve):
        return [(one, None) for one in fields]
    return list(zip(fields, _rows(lots, lots_m, reserve, uncertain, wells), strict=True))


def _alike(one: Around | Keeps, other: Around | Keeps) -> bool:
    """Whether both keep clear of the same."""
    return one is other or (
        all(np.array_equal(getattr(one, name), getattr(other, name)) for name in ("line_m", "keep_m", "wells_m"))
        and all(_identical(getattr(one, name), getattr(other, name)) for name in ("fixed", "things"))
    )


def _identical(shapes: Geometries, others: Geometries) -> bool:
    return len(shapes) == len(others) and bool(shapely.equals_identical(shapes, others).all())


def _all_alike(one: tuple[Keeps, Keeps | None], other: tuple[Keeps, Keeps | None]) -> bool:
    return _alike(one[0], other[0]) and _alike(one[1] or one[0], other[1] or other[0])


def open_conditions(lots_m: Geometries, *parts: Asked) -> Objects:
    """For each lot what near it is asked only because nobody has stated a condition, in words, each once."""
    found = np.full(len(lots_m), None, object)
    words: list[set[str]] = [set() for _ in found]
    tree = shapely.STRtree(lots_m)
    for part in parts:
        thing, lot = tree.query(part.open.shapes_m, predicate="dwithin", distance=part.open.far_m)
        for row, why in zip(lot.tolist(), part.open.why[thing], strict=True):
            words[row].add(why)
    found[:] = [sorted(own) for own in words]
    return found


def in_reach(lots_m: Geometries, wells: PlaceErrors, keep_m: Floats, line_sigmas_m: Floats) -> Objects:
    """For each lot the wells of uncertain place that may be nearer to it than their distance, in order."""
    some = np.flatnonzero((wells.kind != EXACT) & (keep_m > 0))
    far_m, more_m = (wells.reach_m + keep_m)[some], FARTHEST_SIGMAS * line_sigmas_m
    points_m = shapely.points(wells.middle_m[some])
    well, lot = shapely.STRtree(lots_m).query(points_m, predicate="dwithin", distance=far_m + more_m.max())
    if (more_m < more_m.max()).any():
        near = shapely.dwithin(points_m[well], lots_m[lot], far_m[well] + more_m[lot])
        well, lot = well[near], lot[near]
    return _rows_of(lot, some[well], len(lots_m))


def _rows(lots: Lots, lots_m: Geometries, part: Around, uncertain: Uncertain, wells: Objects) -> list[Keeps]:
    count = len(lots)
    inside = inward(lots_m, part.line_m)
    more_m = FARTHEST_SIGMAS * uncertain.line_sigmas_m
    fixed = _rows_of(*_pairs(part.fixed, lots_m, more_m), count)
    moving = _rows_of(*_pairs(part.rings, lots_m, more_m + FARTHEST_SIGMAS * uncertain.building_sigmas_m), count)
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


def _pairs(shapes: Geometries, lots_m: Geometries, more_m: Floats) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
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


def eased(case: Case, doubt: InDoubt) -> Case:
    """The same if open conditions turn out not to hold; the very same case where nothing near the lot is open."""
    if doubt.eased is None:
        return case
    field, reserve = doubt.eased
    return replace(case, field=field, reserve=field if reserve is None else reserve)
