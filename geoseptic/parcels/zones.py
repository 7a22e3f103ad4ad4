"""The ground that each feature keeps from one part of a system, by the rules."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import CodeSilentError
from geoseptic.model.frame import Geometries
from geoseptic.model.layers import WELLS
from geoseptic.model.rules import CONDITIONS, DRINKING_WATER, GROUND_CONDITIONS, Requirement, RuleSet, Setback
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles

REQUIRED = "required"
MAY_BE_REQUIRED = "may be required"

ROUGH_FROM_M = 15.24
"""Up to this location error (50 ft, what on-screen digitising keeps: Indiana Geological and Water Survey, key igws_spotting in
data/references.toml) a well counts as located."""

OF_ONE_WELL = frozenset(column.name for column in WELLS.columns if column.kind == "flag")
"""Conditions that only a well's own record can say of it: stated for the whole site, they grant no relief."""


@dataclass
class Zones:
    """One row a zone. A `required` zone is closed; one that `may be required` hangs on a fact that nobody has stated.

    `keep_m` is the distance that the zone stands for, location error included; `whole` marks full rings, where it can be tested, while the
    others are cut to where a condition holds.
    """

    part: str
    feature: list[str] = field(default_factory=list)
    feature_id: list[str] = field(default_factory=list)
    source: list[int] = field(default_factory=list)
    distance_m: list[float] = field(default_factory=list)
    keep_m: list[float] = field(default_factory=list)
    stated: list[str] = field(default_factory=list)
    status: list[str] = field(default_factory=list)
    why: list[str] = field(default_factory=list)
    citation: list[str] = field(default_factory=list)
    checked: list[bool] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    shapes: list[shapely.Geometry] = field(default_factory=list)
    silent: tuple[str, ...] = ()
    stand_ins: tuple[tuple[str, str], ...] = ()

    @property
    def shapes_m(self) -> Geometries:
        array = np.empty(len(self.shapes), object)
        array[:] = self.shapes
        return array

    def rows(self, status: str) -> npt.NDArray[np.int64]:
        """Indices of the zones of one status."""
        return np.flatnonzero(np.array(self.status, object) == status)

    def add(
        self,
        obstacles: Obstacles,
        source: int,
        shape_m: shapely.Geometry,
        distance_m: float,
        keep_m: float,
        status: str,
        entry: Setback | None,
        why: str,
        *,
        whole: bool,
    ) -> None:
        if obstacles.presumed[source]:
            status, why = MAY_BE_REQUIRED, f"a well that is on no record may be anywhere here; {why}"
        self.feature.append(obstacles.feature[source])
        self.feature_id.append(str(obstacles.ids[source]))
        self.source.append(source)
        self.distance_m.append(distance_m)
        self.keep_m.append(keep_m)
        self.stated.append(entry.stated if entry else "")
        self.status.append(status)
        self.why.append(why)
        self.citation.append(str(entry.citation) if entry else "no value in the rule set: the feature itself is kept out")
        self.checked.append(entry.citation.checked if entry else True)
        self.whole.append(whole)
        self.shapes.append(shape_m)


def zones(
    obstacles: Obstacles,
    rules: RuleSet,
    part: str,
    *,
    facts: Mapping[str, bool],
    granted: frozenset[str] = frozenset(),
    ground: Ground | None = None,
) -> Zones:
    """The zones of every obstacle for `part`.

    Parameters
    ----------
    facts : conditions of the site that the user states; a condition that nobody states is unknown, and unknown never reads as clear.
    granted : reliefs that the authority has granted; one that hangs on a well's make counts for the wells alone whose own record says so.
    ground : settles conditions that follow from elevation; without it they are unknown.

    Raises
    ------
    CodeSilentError : the rules have no value for a well, spring or surface water that is there.
    """
    out = Zones(part)
    silent: dict[str, None] = {}
    stand_ins: dict[tuple[str, str], None] = {}
    groups: dict[tuple[str, tuple[tuple[str, bool], ...]], list[int]] = {}
    for index, key in enumerate(zip(obstacles.feature, obstacles.facts, strict=True)):
        groups.setdefault(key, []).append(index)
    for (feature, own_facts), members in groups.items():
        rows = np.array(members)
        try:
            requirement = rules.requirement(part, feature)
        except CodeSilentError:
            if feature in DRINKING_WATER:
                raise
            silent[feature] = None
            _add_whole(out, obstacles, rows, 0.0, None, "code silent")
            continue
        if requirement.stands_for:
            stand_ins[feature, requirement.stands_for] = None
        own = dict(own_facts)
        granted_here = frozenset(name for name in granted if name not in OF_ONE_WELL or own.get(name) is True)
        _add_rings(out, obstacles, rows, requirement, {**facts, **own}, granted_here, ground)
    out.silent, out.stand_ins = tuple(silent), tuple(stand_ins)
    return out


def _add_whole(out: Zones, obstacles: Obstacles, rows: npt.NDArray[np.int64], distance_m: float, entry: Setback | None, why: str) -> None:
    """Full rings. The location error is added to the distance; where it is the larger of the two nobody knows whether the outer part is
    needed, so that part only may be required."""
    error_m = obstacles.location_error_m[rows]
    rough = error_m > max(distance_m, ROUGH_FROM_M)
    near_m = distance_m + np.where(rough, 0.0, error_m)
    for source, shape, keep_m in zip(rows, outward(obstacles.shapes_m[rows], near_m), near_m, strict=True):
        out.add(obstacles, int(source), shape, distance_m, float(keep_m), REQUIRED, entry, why, whole=True)
    far_m = (distance_m + error_m)[rough]
    for source, shape, keep_m in zip(rows[rough], outward(obstacles.shapes_m[rows[rough]], far_m), far_m, strict=True):
        doubt = f"{why}; its place is known only to {obstacles.location_error_m[source]:.0f} m"
        out.add(obstacles, int(source), shape, distance_m, float(keep_m), MAY_BE_REQUIRED, entry, doubt, whole=True)


def _add_rings(
    out: Zones,
    obstacles: Obstacles,
    rows: npt.NDArray[np.int64],
    requirement: Requirement,
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: Ground | None,
) -> None:
    settled = requirement.settled(facts, granted)
    entry = settled.certain
    certain_m = 0.0 if entry is None or entry.distance_m is None else entry.distance_m
    _add_whole(out, obstacles, rows, certain_m, entry, _because(entry) if certain_m > 0 else "the feature itself")
    # One side of a cut or one drainage path may have a longer distance that is certain there, whatever else is unknown.
    sides = {frozenset(_from_ground(entry, facts)) for entry in settled.possible} - {frozenset()}
    settled_on_side = []
    for side in sorted(sides, key=sorted):
        there = requirement.settled({**facts, **dict.fromkeys(side, True)}, granted).certain
        if there is not None and (there.distance_m or 0.0) > certain_m:
            settled_on_side.append((there, side))
            _add_ring(out, obstacles, rows, there, sorted(side), False, ground)
    for longer in settled.possible:
        side = frozenset(_from_ground(longer, facts))
        stated_open = any(name not in facts for name in longer.when - GROUND_CONDITIONS)
        if stated_open or (longer, side) not in settled_on_side:
            _add_ring(out, obstacles, rows, longer, sorted(side), stated_open, ground)


def _from_ground(entry: Setback, facts: Mapping[str, bool]) -> list[str]:
    return [name for name in entry.when & GROUND_CONDITIONS if name not in facts]


def _add_ring(
    out: Zones,
    obstacles: Obstacles,
    rows: npt.NDArray[np.int64],
    entry: Setback,
    conditions: list[str],
    stated_open: bool,
    ground: Ground | None,
) -> None:
    """The ring of one line where its ground conditions hold: required unless a fact is open that nobody stated, or the place is rough."""
    distance_m = entry.distance_m or 0.0
    error_m = obstacles.location_error_m[rows]
    rough = error_m > max(distance_m, ROUGH_FROM_M)
    rings = outward(obstacles.shapes_m[rows], distance_m + error_m)
    for index, source in enumerate(rows):
        ring = rings[index]
        sure, maybe = _where(ring, obstacles, int(source), distance_m, conditions, ground)
        if stated_open:
            maybe = ring if sure is ring else shapely.union(sure, maybe)
            sure = shapely.Polygon()
        elif rough[index]:
            inner = outward(obstacles.shapes_m[source], distance_m)
            maybe = shapely.union(maybe, shapely.difference(sure, inner))
            sure = shapely.intersection(sure, inner)
        for shape, status in ((sure, REQUIRED), (maybe, MAY_BE_REQUIRED)):
            if shapely.area(shape) > 0:
                why = _because(entry) if status == REQUIRED else "unless it is shown otherwise: " + _because(entry)
                keep_m = float(distance_m + error_m[index])
                out.add(obstacles, int(source), shape, distance_m, keep_m, status, entry, why, whole=shape is ring)


def _where(
    ring: shapely.Geometry, obstacles: Obstacles, source: int, distance_m: float, conditions: list[str], ground: Ground | None
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Where in `ring` all ground conditions hold, and where that is not known."""
    if not conditions:
        return ring, shapely.Polygon()
    if ground is None:
        return shapely.Polygon(), ring
    holds, unknown = ring, shapely.Polygon()
    for name in conditions:
        here, open_here = ground.region(name, obstacles.shapes_m[source], distance_m, float(obstacles.location_error_m[source]))
        maybe = shapely.union(holds, unknown)
        unknown = shapely.union(shapely.intersection(unknown, here), shapely.intersection(maybe, open_here))
        holds = shapely.intersection(holds, here)
    return holds, unknown


def _because(entry: Setback | None) -> str:
    if entry is None:
        return ""
    reasons = " and ".join(CONDITIONS[name] for name in sorted(entry.when))
    return f"where {reasons}" if reasons else "in any case"
