"""Findings that cannot both be true. They are told with both findings in their words, and never averaged."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from math import isnan
from typing import Final

from geoseptic.model.finding_words import SEEN, STRENGTHS
from geoseptic.model.findings import Inspection, Key, Run
from geoseptic.systems.drainage import BRANCHING, Drainage, Link, is_end
from geoseptic.systems.finding_text import length_words, quoted

LENGTH_TOLERANCE_M: Final = 1.5
LENGTH_TOLERANCE_SHARE: Final = 0.1
"""A measured length and the distance between two places may differ by 5 ft and a tenth (own choice)."""
WINDING: Final = 2.0
"""A pipe that is longer than twice the straight distance is doubted (own choice)."""
GROUND_FALL: Final = 0.2
"""Ground that falls by more than 20 percent along a run would have been noted (own choice)."""


@dataclass(frozen=True)
class Contradiction:
    """What cannot be.

    keys : the points that it is about; their systems are contested.
    contests : whether it leaves open what drains where; else it only puts a length or a depth in doubt.
    """

    words: str
    keys: tuple[Key, ...]
    contests: bool = True


def contradictions(found: Inspection, graph: Drainage) -> list[Contradiction]:
    """All of them, in an order that does not depend on that of the rows. Links of which a length or depth cannot be right are put in
    doubt."""
    said = [
        *_two_ends_of_a_fixture(found, graph),
        *_two_ways_from_a_point(found, graph),
        *_came_and_did_not_come(found, graph),
        *_beyond_a_closed_outlet(found, graph),
        *_water_in_what_is_out_of_use(found, graph),
        *_circles(found, graph),
        *_lengths(found, graph),
        *_depths(found, graph),
        *_fixtures_not_listed(found, graph),
        *_more_wells_than_told(found),
    ]
    return sorted(set(said), key=lambda each: (each.keys, each.words))


def _two_ends_of_a_fixture(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for (_, name), sightings in graph.sightings.items():
        first = {sighting.key: sighting for sighting in sorted(sightings, key=lambda each: (each.key, -each.strength, each.run.name))[::-1]}
        below = {key: graph.below(key) for key in first}
        for one, other in combinations(sorted(first), 2):
            if one in below[other] or other in below[one]:
                continue
            ends = [{key for key in below[place] if is_end(found, key)} for place in (one, other)]
            if ends[0] and ends[1] and not ends[0] & ends[1]:
                yield Contradiction(
                    f"Water of the {name} cannot go two ways: {quoted(first[one].run, found)}; but {quoted(first[other].run, found)}. "
                    f"If there are two of them, name them '{name} 1' and '{name} 2'; else test again, one fixture at a time.",
                    (one, other),
                )


def _two_ways_from_a_point(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for upper, lowers in graph.links.items():
        if len(lowers) < 2 or found.points[upper].kind in BRANCHING:
            continue
        for one, other in combinations(sorted(lowers), 2):
            links = lowers[one], lowers[other]
            if all(link.strength == SEEN for link in links):
                continue  # the camera saw the pipe part
            below = graph.below(one), graph.below(other)
            if other in below[0] or one in below[1]:
                continue
            ends = [{key for key in each if is_end(found, key)} for each in below]
            if ends[0] and ends[1] and not ends[0] & ends[1]:
                yield Contradiction(
                    f"Two runs from {found.points[upper].words} disagree: {_best(links[0], found)}; but {_best(links[1], found)}. "
                    f"Both hold only if {found.points[one].words} and {found.points[other].words} are joined, or the pipe parts.",
                    (upper, one, other),
                )


def _came_and_did_not_come(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for run in (run for runs in graph.denied.values() for run in runs):
        lower = run.lower if run.lower is not None else run.upper
        if lower is None:
            continue
        for name in sorted(_fixtures_of(run, found)):
            for sighting in graph.sightings.get((run.parcel, name), ()):
                if sighting.key == lower or (
                    lower in graph.below(sighting.key) and not _branches_between(sighting.key, lower, found, graph)
                ):
                    yield Contradiction(
                        f"Water of the {name} came and did not come: {quoted(sighting.run, found)}; but {quoted(run, found)}.",
                        (sighting.key, lower),
                    )
        if run.by.needs_flow and run.upper is not None and run.lower is not None and run.upper in graph.links:
            links = [link for link in graph.links[run.upper].values() if run.lower in graph.below(link.lower)]
            if links and not _branches_between(run.upper, run.lower, found, graph):
                yield Contradiction(
                    f"Water from {found.points[run.upper].words} came and did not: {_best(links[0], found)}; but {quoted(run, found)}.",
                    (run.upper, run.lower),
                )


def _beyond_a_closed_outlet(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for upper, lowers in graph.links.items():
        point = found.points[upper]
        if point.outlet in ("none", "plugged"):
            what = "no outlet" if point.outlet == "none" else "a plugged outlet"
            for link in lowers.values():
                yield Contradiction(f"{point.where}: {point.words} is noted with {what}; but {_best(link, found)}.", (upper, link.lower))


def _water_in_what_is_out_of_use(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for (_, name), sightings in graph.sightings.items():
        for sighting in sightings:
            reached = graph.below(sighting.key)
            for key in reached:
                point = found.points[key]
                if point.state in ("abandoned", "filled") and not _branches_between(sighting.key, key, found, graph):
                    yield Contradiction(
                        f"{point.where}: {point.words} is noted as {point.state}, but it is in the way of water of the {name}: "
                        f"{quoted(sighting.run, found)}.",
                        (sighting.key, key),
                    )


def _circles(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    """Points from which water would come back to itself."""
    left = in_circles(graph)
    while left:
        start = min(left)
        circle = {key for key in graph.below(start) & graph.above(start) if key in left}
        left -= circle | {start}
        if len(circle) > 1:
            names = ", ".join(found.points[key].words for key in sorted(circle))
            runs = sorted(
                {run for key in circle for link in graph.links[key].values() if link.lower in circle for run in link.runs}, key=_name
            )
            yield Contradiction(
                f"Water would run in a circle through {names}: {'; '.join(quoted(run, found) for run in runs)}. One of them goes the other "
                "way: see which way the water runs.",
                tuple(sorted(circle)),
            )


def in_circles(graph: Drainage) -> set[Key]:
    """Points on circles, and those between two circles."""
    keys = set(graph.links) | set(graph.back)
    for forward, backward in ((graph.links, graph.back), (graph.back, graph.links)):
        count = {key: sum(other in keys for other in backward.get(key, {})) for key in keys}
        free = [key for key, number in count.items() if number == 0]
        while free:
            key = free.pop()
            keys.discard(key)
            for other in forward.get(key, {}):
                if other in keys:
                    count[other] -= 1
                    if count[other] == 0:
                        free.append(other)
    return keys


def _lengths(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    measured: dict[frozenset[Key], list[Run]] = defaultdict(list)
    for run in found.runs:
        if run.from_key is None or run.to_key is None or isnan(run.length_m):
            continue
        measured[frozenset((run.from_key, run.to_key))].append(run)
        straight_m = found.straight_m(run.from_key, run.to_key)
        margin_m = LENGTH_TOLERANCE_M + LENGTH_TOLERANCE_SHARE * straight_m
        if isnan(straight_m):
            continue
        tape = run.by.strength is None
        if run.length_m < straight_m - margin_m:
            why = "the two points are farther apart"
        elif run.length_m > (straight_m if tape else WINDING * straight_m) + margin_m:
            why = "the two points are nearer to each other"
        else:
            continue
        yield from _doubted(
            run, found, graph, f"The length cannot be right: {quoted(run, found)}; but by their places {why}, {length_words(straight_m)}."
        )
    for runs in measured.values():
        same = [run for run in runs if run.by.strength is not None]
        for one, other in combinations(sorted(same, key=_name), 2):
            margin_m = LENGTH_TOLERANCE_M + LENGTH_TOLERANCE_SHARE * max(one.length_m, other.length_m)
            if abs(one.length_m - other.length_m) > margin_m:
                words = f"Two lengths of one pipe: {quoted(one, found)}; but {quoted(other, found)}."
                yield from _doubted(one, found, graph, words)
                yield from _doubted(other, found, graph, words)


def _depths(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    for run in found.runs:
        if run.by.strength is None:
            continue
        start_m, end_m = (run.end_depth_m, run.depth_m) if run.upstream else (run.depth_m, run.end_depth_m)
        if isnan(start_m + end_m + run.length_m) or start_m - end_m <= GROUND_FALL * run.length_m:
            continue
        yield from _doubted(
            run,
            found,
            graph,
            f"The depths cannot be right: {quoted(run, found)}, {length_words(start_m)} deep where the water comes from and "
            f"{length_words(end_m)} where it goes: the ground would have to fall by more than {length_words(start_m - end_m)} over "
            f"{length_words(run.length_m)}, or water would run uphill.",
        )


def _doubted(run: Run, found: Inspection, graph: Drainage, words: str) -> Iterable[Contradiction]:
    keys = tuple(sorted(key for key in (run.from_key, run.to_key) if key is not None))
    for link in (link for key in keys for link in graph.links.get(key, {}).values()):
        if run in link.runs:
            link.doubt = True
    yield Contradiction(words, keys, contests=False)


def _fixtures_not_listed(found: Inspection, graph: Drainage) -> Iterable[Contradiction]:
    listed: dict[str, set[str]] = defaultdict(set)
    for point in found.points.values():
        if point.kind == "building":
            listed[point.key[0]] |= set(point.fixtures)
    used = {(run.parcel, name): run for run in sorted(found.runs, key=_name, reverse=True) for name in _fixtures_of(run, found)}
    named = {(point.key[0], name): point for point in found.points.values() if point.kind == "fixture" for name in point.fixtures}
    for parcel, name in sorted({*used, *named}):
        if listed[parcel] and name not in listed[parcel]:
            said = quoted(used[parcel, name], found) if (parcel, name) in used else named[parcel, name].where
            keys = tuple(sorted(key for key, point in found.points.items() if key[0] == parcel and point.kind == "building"))
            yield Contradiction(
                f"The {name} is not among the fixtures of the house, which should be all: {', '.join(sorted(listed[parcel]))}; but {said}.",
                keys,
                contests=False,
            )


def _more_wells_than_told(found: Inspection) -> Iterable[Contradiction]:
    told: dict[str, int] = {}
    wells: dict[str, list[Key]] = defaultdict(list)
    for point in found.points.values():
        if point.kind == "building" and point.wells is not None:
            told[point.key[0]] = max(told.get(point.key[0], 0), point.wells)
        if point.kind == "well":
            wells[point.key[0]].append(point.key)
    for parcel, number in told.items():
        if len(wells[parcel]) > number:
            names = ", ".join(sorted(found.points[key].words for key in wells[parcel]))
            yield Contradiction(
                f"The house is noted with {number} wells; but found were {names}.", tuple(sorted(wells[parcel])), contests=False
            )


def _branches_between(upper: Key, lower: Key, found: Inspection, graph: Drainage) -> bool:
    """Whether water from `upper` may go elsewhere than to `lower`."""
    between = graph.below(upper) & graph.above(lower) - {lower}
    return any(len(graph.links.get(key, {})) > 1 for key in between)


def _fixtures_of(run: Run, found: Inspection) -> set[str]:
    upper = None if run.upper is None else found.points[run.upper]
    return set(run.fixtures) | (set(upper.fixtures) if upper is not None and upper.kind == "fixture" else set())


def _best(link: Link, found: Inspection) -> str:
    run = min(link.runs, key=lambda each: (-(each.by.strength or 0), each.name))
    return f"{quoted(run, found)} ({STRENGTHS[link.strength]})"


def _name(run: Run) -> tuple[str, str]:
    return run.name, run.where
