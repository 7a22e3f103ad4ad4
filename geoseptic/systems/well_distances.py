"""Wells near what was found, held against the rule set's distances."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isnan
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from geoseptic.errors import CodeSilentError
from geoseptic.model.citation import Citation
from geoseptic.model.findings import Inspection, Key
from geoseptic.model.rules import RuleSet
from geoseptic.systems.finding_text import length_words

FARTHEST_M: Final = 150.0
"""Wells farther off are left out: no distance for a pit in the rule sets that ship is longer."""

PARTS_OF: Final[Mapping[str, tuple[str, ...]]] = {
    "tank": ("septic_tank",),
    "pump_chamber": ("septic_tank",),
    "distribution_box": ("distribution_box", "drain_field"),
    "field_line": ("drain_field",),
    "cesspool": ("cesspool", "seepage_pit", "drain_field"),
    "seepage_pit": ("seepage_pit", "drain_field"),
}
"""Parts whose distance counts, the first of which the rule set speaks: a cesspool keeps at least what a seepage pit must keep."""
WELLS: Final = ("private_well", "public_well")


@dataclass(frozen=True)
class WellDistance:
    """One well and one part. `too_near`: surely nearer than the code asks; `open`: it may be, or nobody knows. distance_m is NaN where not
    known. [m]"""

    part: Key
    well: Key
    distance_m: float
    too_near: bool
    open: bool
    words: str
    citation: Citation | None


def well_distances(found: Inspection, kinds: Mapping[Key, tuple[str, ...]], rules: RuleSet) -> dict[Key, list[WellDistance]]:
    """Each tank, box, pit and field line with the wells of its property, and with any other within `FARTHEST_M` where all are in one
    plane. A well may be private or public, so it is near enough to be open until it is as far as the longer distance."""
    asked = _Distances(rules)
    taped = _taped_m(found)
    answer: dict[Key, list[WellDistance]] = defaultdict(list)
    for key, well in sorted(_pairs(found, kinds, taped)):
        point = found.points[key]
        by_tape_m = taped.get(frozenset((key, well)), np.nan)
        distance_m = found.straight_m(key, well) if isnan(by_tape_m) else by_tape_m
        error_m = found.place_error_m if isnan(by_tape_m) else 0.0
        if point.kind == "pit":
            parts = ["seepage_pit" if set(kinds[key]) <= {"seepage_pit", "seepage_pits_in_series"} else "cesspool"]
            if "seepage_pit" not in parts and any(kind.startswith("seepage_pit") for kind in kinds[key]):
                parts.append("seepage_pit")
        else:
            parts = [point.kind]
        answer[key].append(_held(key, well, distance_m, error_m, [asked.of(part) for part in parts], found, rules))
    return answer


@dataclass(frozen=True)
class _Asked:
    """What a rule set asks of one part: the distance that binds in any case and the longest that may bind, with their citations. [m]"""

    part: str
    certain_m: float
    longest_m: float
    stated: str
    citation: Citation


class _Distances:
    """The rule set's distances to wells, each looked up once."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = rules
        self.known: dict[str, _Asked | None] = {}

    def of(self, kind: str) -> _Asked | None:
        """None where the rule set says nothing."""
        if kind not in self.known:
            self.known[kind] = next((found for part in PARTS_OF[kind] if (found := self._of_part(part)) is not None), None)
        return self.known[kind]

    def _of_part(self, part: str) -> _Asked | None:
        settled = []
        for well in WELLS:
            try:
                settled.append(self.rules.requirement(part, well).settled({}))
            except CodeSilentError:
                continue
        lines = [each.certain for each in settled if each.certain is not None and each.certain.distance_m is not None]
        longest = [each.largest for each in settled if each.largest.distance_m is not None]
        if not lines or not longest:
            return None
        certain = min(lines, key=lambda line: line.distance_m or 0.0)
        most = max(line.distance_m or 0.0 for line in longest)
        return _Asked(part.replace("_", " "), certain.distance_m or 0.0, most, certain.stated, certain.citation)


def _held(
    key: Key, well: Key, distance_m: float, error_m: float, asked: list[_Asked | None], found: Inspection, rules: RuleSet
) -> WellDistance:
    """One distance against what is asked of each part that the point may be."""
    part, near = found.points[key].words, found.points[well].words
    spoken = [each for each in asked if each is not None]
    if not spoken:
        words = (
            f"Rule set '{rules.id}' says nothing of the distance from {part} to {near}: silence is no permission, ask the health authority."
        )
        return WellDistance(key, well, distance_m, False, True, words, None)
    least = min(spoken, key=lambda each: each.certain_m)
    most = max(spoken, key=lambda each: each.longest_m)
    asks = f"for a {least.part} at least {length_words(least.certain_m)} is asked [{least.citation}]"
    if most.longest_m > least.certain_m:
        other = "" if most.part == least.part else f" or it is a {most.part}"
        asks += f", and up to {length_words(most.longest_m)} where the code's conditions for it hold{other}"
    if isnan(distance_m):
        words = f"The distance from {near} to {part} is not known: tape it; {asks}."
        return WellDistance(key, well, distance_m, False, True, words, least.citation)
    words = f"{near} is {length_words(distance_m)} from {part}: {asks}."
    words = words[0].upper() + words[1:]
    too_near = distance_m + error_m < least.certain_m
    maybe = not too_near and distance_m - error_m < most.longest_m
    return WellDistance(key, well, distance_m, too_near, maybe, words, least.citation)


def _pairs(found: Inspection, kinds: Mapping[Key, tuple[str, ...]], taped: Iterable[frozenset[Key]]) -> set[tuple[Key, Key]]:
    """Parts with the wells that matter to them: those of their property, those near by their places, those that were taped."""
    parts = [key for key in kinds if found.points[key].kind in (*PARTS_OF, "pit")]
    wells: dict[str, list[Key]] = defaultdict(list)
    for key, point in found.points.items():
        if point.kind == "well":
            wells[key[0]].append(key)
    pairs = {(key, well) for key in parts for well in wells.get(key[0], ())}
    every = [well for own in wells.values() for well in own]
    part_set, well_set = set(parts), set(every)
    pairs |= {(one, other) for pair in taped for one in pair for other in pair if one in part_set and other in well_set}
    if found.one_plane:
        placed = [(key, found.points[key].xy_m) for key in parts if found.points[key].xy_m is not None]
        near = [(key, found.points[key].xy_m) for key in every if found.points[key].xy_m is not None]
        if placed and near:
            tree = cKDTree(np.array([place for _, place in near]))
            for (key, _), hits in zip(placed, tree.query_ball_point(np.array([place for _, place in placed]), FARTHEST_M), strict=True):
                pairs |= {(key, near[hit][0]) for hit in hits}
    return pairs


def _taped_m(found: Inspection) -> dict[frozenset[Key], float]:
    """Taped distances; of several the shortest."""
    taped: dict[frozenset[Key], float] = {}
    for run in found.runs:
        if run.by.strength is None and run.from_key is not None and run.to_key is not None:
            pair = frozenset((run.from_key, run.to_key))
            taped[pair] = min(run.length_m, taped.get(pair, np.inf))
    return taped
