"""The ground that each feature keeps from one part of a system, by the rules."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import CodeSilentError
from geoseptic.model.frame import Geometries
from geoseptic.model.layers import WELLS
from geoseptic.model.rules import CONDITIONS, DRINKING_WATER, FEATURES, GROUND_CONDITIONS, Requirement, RuleSet, Setback
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.units import from_metres

Texts = npt.NDArray[np.object_]

REQUIRED = "required"
MAY_BE_REQUIRED = "may be required"

SHOWN_OTHERWISE = "unless it is shown otherwise: "
"""How the reason of a distance begins that hangs on what nobody has stated."""

OF_PRESUMED = "a well that is on no record may be anywhere here; "
"""How the reason of every zone round a presumed well begins."""

ROUGH_FROM_M = 15.24
"""Up to this location error (50 ft, what on-screen digitising keeps: Indiana Geological and Water Survey, key igws_spotting in
data/references.toml) a well counts as located."""

OF_ONE_WELL = frozenset(column.name for column in WELLS.columns if column.kind == "flag")
"""Conditions that only a well's own record can say of it: stated for the whole site, they grant no relief."""


_OBJECTS: Final[Callable[[], Any]] = partial(np.empty, 0, object)
_NUMBERS: Final[Callable[[], Any]] = partial(np.empty, 0, np.int64)
_LENGTHS: Final[Callable[[], Any]] = partial(np.empty, 0, np.float64)
_FLAGS: Final[Callable[[], Any]] = partial(np.empty, 0, np.bool_)


@dataclass(eq=False)
class Zones:
    """One row a zone. A `required` zone is closed; one that `may be required` hangs on a fact that nobody has stated.

    `keep_m` is the distance that the zone stands for, location error included. `where_m` is None for a full ring, which follows from its
    `source` among `sources_m` and its distance, and is made when somebody asks for it; the others are `cut_m` to the ground in `where_m`,
    outside which their distance need not be kept. `why` tells lengths in `unit`. `runs` has where each run of zones begins that features of
    one layer have for one reason: a feature more at the end of its layer has its zones at the ends of such runs.
    """

    part: str
    unit: str = "m"
    feature: Texts = field(default_factory=_OBJECTS)
    feature_id: Texts = field(default_factory=_OBJECTS)
    source: npt.NDArray[np.int64] = field(default_factory=_NUMBERS)
    distance_m: npt.NDArray[np.float64] = field(default_factory=_LENGTHS)
    keep_m: npt.NDArray[np.float64] = field(default_factory=_LENGTHS)
    status: Texts = field(default_factory=_OBJECTS)
    why: Texts = field(default_factory=_OBJECTS)
    citation: Texts = field(default_factory=_OBJECTS)
    checked: npt.NDArray[np.bool_] = field(default_factory=_FLAGS)
    where_m: Geometries = field(default_factory=_OBJECTS)
    cut_m: Geometries = field(default_factory=_OBJECTS)
    runs: npt.NDArray[np.int64] = field(default_factory=_NUMBERS)
    silent: tuple[str, ...] = ()
    stand_ins: tuple[tuple[str, str], ...] = ()
    sources_m: Geometries = field(default_factory=_OBJECTS)
    taken: Callable[[npt.NDArray[np.int64]], Geometries] | None = field(default=None, repr=False)
    """Gives the shapes of some of the zones, where they were made before and put by."""

    def __len__(self) -> int:
        return len(self.source)

    @cached_property
    def shapes_m(self) -> Geometries:
        return self._made(np.arange(len(self)))

    def shapes_of(self, rows: npt.NDArray[np.int64]) -> Geometries:
        """The shapes of some of the zones. [m]"""
        return self.shapes_m[rows] if "shapes_m" in self.__dict__ else self._made(rows)

    def _made(self, rows: npt.NDArray[np.int64]) -> Geometries:
        if self.taken is not None:
            return self.taken(rows)
        shapes_m, ring = self.cut_m[rows], self.whole[rows]
        shapes_m[ring] = outward(self.sources_m[self.source[rows][ring]], self.keep_m[rows][ring])
        return shapes_m

    @property
    def run_lengths(self) -> npt.NDArray[np.int64]:
        """How many zones are in each of the runs."""
        return np.diff(self.runs, append=len(self))

    @cached_property
    def whole(self) -> npt.NDArray[np.bool_]:
        """Whether each zone is a full ring."""
        found: npt.NDArray[np.bool_] = shapely.is_missing(self.where_m)
        return found

    def rows(self, status: str) -> npt.NDArray[np.int64]:
        """Indices of the zones of one status."""
        return np.flatnonzero(self.status == status)

    def outermost(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        """Which of these zones do not lie within a full ring, also one of these, of the same feature: the others add nothing to them."""
        source, keep_m, whole = self.source[rows], self.keep_m[rows], self.whole[rows]
        widest_m = np.full(source.max(initial=-1) + 1, -np.inf)
        np.maximum.at(widest_m, source[whole], keep_m[whole])
        outer: npt.NDArray[np.bool_] = keep_m > widest_m[source]
        widest = np.flatnonzero(whole & (keep_m == widest_m[source]))
        outer[widest[np.unique(source[widest], return_index=True)[1]]] = True
        return outer


class _Growing:
    """The zones of a part while they are found."""

    def __init__(self, part: str, unit: str, obstacles: Obstacles) -> None:
        self.part, self.unit, self.obstacles, self.count = part, unit, obstacles, 0
        self._added: dict[str, list[npt.NDArray[Any]]] = {}
        self._names = np.array([str(name) for name in obstacles.ids], object)

    def add(
        self,
        rows: npt.NDArray[np.int64],
        distance_m: float,
        keep_m: npt.NDArray[np.float64],
        status: str | Texts,
        entry: Setback | None,
        why: str | Texts,
        cut_m: Geometries | None = None,
        where_m: Geometries | None = None,
    ) -> None:
        """Zones of these obstacles more: full rings, or those cut to the ground in `where_m`. Round a presumed well it is never more than
        one that may be required. [m]"""
        count, layer, presumed = len(rows), self.obstacles.layer[rows], self.obstacles.presumed[rows]
        status, why = (_alike(text, count) if isinstance(text, str) else text for text in (status, why))
        if presumed.any():
            status = np.where(presumed, MAY_BE_REQUIRED, status)
            why = np.where(presumed, OF_PRESUMED + why, why)
        rings = _alike(None, count)
        columns = {
            "feature": self.obstacles.feature[rows],
            "feature_id": self._names[rows],
            "source": rows,
            "distance_m": np.full(count, distance_m, np.float64),
            "keep_m": keep_m,
            "status": status,
            "why": why,
            "citation": _alike(str(entry.citation) if entry else "no value in the rule set: the feature itself is kept out", count),
            "checked": np.full(count, entry.citation.checked if entry else True),
            "where_m": rings if where_m is None else where_m,
            "cut_m": rings if cut_m is None else cut_m,
            "runs": self.count + np.append(0, 1 + np.flatnonzero(layer[1:] != layer[:-1])),
        }
        for name, column in columns.items():
            self._added.setdefault(name, []).append(column)
        self.count += count

    def made(self, silent: Iterable[str], stand_ins: Iterable[tuple[str, str]]) -> Zones:
        columns: dict[str, Any] = {name: np.concatenate(parts) for name, parts in self._added.items()}
        return Zones(self.part, self.unit, **columns, silent=tuple(silent), stand_ins=tuple(stand_ins), sources_m=self.obstacles.shapes_m)


def _alike(value: str | None, count: int) -> Texts:
    """So many times the same, in one place."""
    return np.broadcast_to(np.array(value, object), count)


def zones(
    obstacles: Obstacles,
    rules: RuleSet,
    part: str,
    *,
    facts: Mapping[str, bool],
    granted: frozenset[str] = frozenset(),
    ground: Ground | None = None,
    workers: int = 1,
) -> Zones:
    """The zones of every obstacle for `part`.

    Parameters
    ----------
    facts : conditions of the site that the user states; a condition that nobody states is unknown, and unknown never reads as clear.
    granted : reliefs that the authority has granted; one that hangs on a well's make counts for the wells alone whose own record says so.
    ground : settles conditions that follow from elevation; without it they are unknown.
    workers : threads that ask the ground.

    Raises
    ------
    CodeSilentError : the rules have no value for a well, spring or surface water that is there.
    """
    out = _Growing(part, rules.unit, obstacles)
    silent: dict[str, None] = {}
    stand_ins: dict[tuple[str, str], None] = {}
    groups: dict[tuple[str, tuple[tuple[str, bool], ...], tuple[str, ...]], list[int]] = {}
    for index, key in enumerate(zip(obstacles.feature, obstacles.facts, obstacles.may_be, strict=True)):
        groups.setdefault(key, []).append(index)
    for (feature, own_facts, may_be), members in groups.items():
        rows = np.array(members)
        try:
            requirement = rules.requirement(part, feature)
        except CodeSilentError:
            if feature in DRINKING_WATER:
                raise
            silent[feature] = None
            _add_whole(out, rows, 0.0, None, "code silent")
            continue
        if requirement.stands_for:
            stand_ins[feature, requirement.stands_for] = None
        own = dict(own_facts)
        granted_here = frozenset(name for name in granted if name not in OF_ONE_WELL or own.get(name) is True)
        _add_rings(out, rows, requirement, {**facts, **own}, granted_here, ground, workers)
        others = _requirements(rules, part, may_be)
        if others:
            _add_longest_of_others(out, rows, requirement, others, {**facts, **own}, granted_here)
    return out.made(silent, stand_ins)


def _add_whole(out: _Growing, rows: npt.NDArray[np.int64], distance_m: float, entry: Setback | None, why: str) -> None:
    """Full rings. The location error is added to the distance; where it is the larger of the two nobody knows whether the outer part is
    needed, so that part only may be required."""
    error_m = out.obstacles.location_error_m[rows]
    rough = _rough(error_m, distance_m)
    near_m = distance_m + np.where(rough, 0.0, error_m)
    out.add(rows, distance_m, near_m, REQUIRED, entry, why)
    known = [f"{from_metres(own_m, out.unit):.0f} {out.unit}" for own_m in error_m[rough].tolist()]
    doubts = np.array([f"{why}; its place is known only to {length}" for length in known], object)
    out.add(rows[rough], distance_m, (distance_m + error_m)[rough], MAY_BE_REQUIRED, entry, doubts)


def _rough(error_m: npt.NDArray[np.float64], distance_m: float) -> npt.NDArray[np.bool_]:
    return error_m > max(distance_m, ROUGH_FROM_M)


def _add_rings(
    out: _Growing,
    rows: npt.NDArray[np.int64],
    requirement: Requirement,
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: Ground | None,
    workers: int,
) -> None:
    settled = requirement.settled(facts, granted)
    entry = settled.certain
    certain_m = 0.0 if entry is None or entry.distance_m is None else entry.distance_m
    _add_whole(out, rows, certain_m, entry, _because(entry) if certain_m > 0 else "the feature itself")
    # One side of a cut or one drainage path may have a longer distance that is certain there, whatever else is unknown.
    sides = {frozenset(_from_ground(entry, facts)) for entry in settled.possible} - {frozenset()}
    settled_on_side = []
    for side in sorted(sides, key=sorted):
        there = requirement.settled({**facts, **dict.fromkeys(side, True)}, granted).certain
        if there is not None and (there.distance_m or 0.0) > certain_m:
            # Of equally long lines the one that holds because of this side gives the reason.
            holding = side | {name for name, holds in facts.items() if holds}
            there = next((line for line in settled.possible if line.distance_m == there.distance_m and line.when <= holding), there)
            settled_on_side.append((there, side))
            _add_ring(out, rows, there, sorted(side), False, ground, workers)
    for longer in settled.possible:
        side = frozenset(_from_ground(longer, facts))
        stated_open = any(name not in facts for name in longer.when - GROUND_CONDITIONS)
        if stated_open or (longer, side) not in settled_on_side:
            _add_ring(out, rows, longer, sorted(side), stated_open, ground, workers)


def _requirements(rules: RuleSet, part: str, features: Sequence[str]) -> list[Requirement]:
    """What is asked from those features on which the code is not silent: silence on what a thing may be takes nothing from what it is."""
    silent = rules.silent_on(part, features)
    return [rules.requirement(part, feature) for feature in features if feature not in silent]


def _add_longest_of_others(
    out: _Growing,
    rows: npt.NDArray[np.int64],
    requirement: Requirement,
    others: Sequence[Requirement],
    facts: Mapping[str, bool],
    granted: frozenset[str],
) -> None:
    """One ring for all that a feature of unknown kind may be: the longest of their distances, if no full ring of its own is so wide."""
    own = requirement.settled(facts, granted)
    full = [own.certain, *(entry for entry in own.possible if not _from_ground(entry, facts))]
    own_m = max((entry.distance_m or 0.0 for entry in full if entry is not None), default=0.0)
    longest, kind = max(
        ((other.settled(facts, granted).largest, other.feature) for other in others), key=lambda found: found[0].distance_m or 0.0
    )
    distance_m = longest.distance_m or 0.0
    if distance_m <= own_m:
        return
    keep_m = distance_m + out.obstacles.location_error_m[rows]
    why = f"its kind is not stated: as {FEATURES[kind].lower()}, {_because(longest)}"
    out.add(rows, distance_m, keep_m, MAY_BE_REQUIRED, longest, why)


def _from_ground(entry: Setback, facts: Mapping[str, bool]) -> list[str]:
    return [name for name in entry.when & GROUND_CONDITIONS if name not in facts]


def _add_ring(
    out: _Growing,
    rows: npt.NDArray[np.int64],
    entry: Setback,
    conditions: list[str],
    stated_open: bool,
    ground: Ground | None,
    workers: int,
) -> None:
    """The ring of one line where its ground conditions hold: required unless a fact is open that nobody stated, or the place is rough."""
    distance_m = entry.distance_m or 0.0
    error_m = out.obstacles.location_error_m[rows]
    shapes_m, far_m = out.obstacles.shapes_m[rows], distance_m + error_m
    doubt = SHOWN_OTHERWISE + _because(entry)
    if ground is None or not conditions:
        out.add(rows, distance_m, far_m, MAY_BE_REQUIRED, entry, doubt)
        return
    rings = outward(shapes_m, far_m)
    holds, unknown = _where(ground, conditions, shapes_m, distance_m, error_m, workers)
    near_m = far_m.copy()
    if stated_open:
        holds, unknown = np.full(len(rows), shapely.Polygon()), shapely.union(holds, unknown)
    sure, maybe = shapely.intersection(rings, holds), shapely.intersection(rings, unknown)
    rough = np.flatnonzero(_rough(error_m, distance_m) & ~shapely.is_empty(sure))
    near_m[rough] = distance_m
    inner = outward(shapes_m[rough], distance_m)
    maybe[rough] = shapely.union(maybe[rough], shapely.difference(sure[rough], inner))
    unknown[rough] = shapely.union(unknown[rough], holds[rough])
    sure[rough] = shapely.intersection(sure[rough], inner)
    has_sure, has_maybe = shapely.area(sure) > 0, shapely.area(maybe) > 0
    at, maybe_here = np.nonzero(np.column_stack([has_sure, has_maybe]))
    out.add(
        rows[at],
        distance_m,
        np.where(maybe_here, far_m[at], near_m[at]),
        np.array((REQUIRED, MAY_BE_REQUIRED), object)[maybe_here],
        entry,
        np.array((_because(entry), doubt), object)[maybe_here],
        np.where(maybe_here, maybe[at], sure[at]),
        np.where(maybe_here, unknown[at], holds[at]),
    )


def _where(
    ground: Ground,
    conditions: list[str],
    shapes_m: Geometries,
    distance_m: float,
    error_m: npt.NDArray[np.float64],
    workers: int,
) -> tuple[Geometries, Geometries]:
    """Where round each feature all ground conditions hold, and where that is not known."""
    first, *others = conditions
    holds, unknown = ground.regions(first, shapes_m, distance_m, error_m, workers)
    for name in others:
        here, open_here = ground.regions(name, shapes_m, distance_m, error_m, workers)
        maybe = shapely.union(holds, unknown)
        unknown = shapely.union(shapely.intersection(unknown, here), shapely.intersection(maybe, open_here))
        holds = shapely.intersection(holds, here)
    return holds, unknown


def _because(entry: Setback | None) -> str:
    if entry is None:
        return ""
    reasons = " and ".join(CONDITIONS[name] for name in sorted(entry.when))
    return f"where {reasons}" if reasons else "in any case"
