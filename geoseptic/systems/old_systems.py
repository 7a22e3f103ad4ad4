"""The systems of a property: what belongs together in the graph of findings, where it ends, and what kind it may be.

What is not proven stays open: a system has all kinds that the findings leave possible, so that fewer findings never make it fewer.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from geoseptic.model.finding_words import SEEN, WATER_SEEN, water_of
from geoseptic.model.findings import Inspection, Key
from geoseptic.model.old_kinds import ENDS, FIELD, HELD, OLD_KINDS, OPEN, PIT, SEWER, WATERS, kinds_of
from geoseptic.systems.contradictions import Contradiction, in_circles
from geoseptic.systems.drainage import Drainage, Fixture

END_OF: Final[Mapping[str, str]] = {"pit": PIT, "field_line": FIELD, "outfall": OPEN, "public_sewer": SEWER}
NO_PIT: Final = frozenset({"tank", "pump_chamber", "distribution_box", "field_line", "outfall", "public_sewer", "lid"})
"""What may follow a pit and is no other pit, or need not be one."""
AT_THE_HOUSE: Final = frozenset({"sewer_exit", "clean_out"})
"""Kinds that are before any tank by what they are."""

Possible = frozenset[bool]
EITHER: Final[Possible] = frozenset({True, False})
YES: Final[Possible] = frozenset({True})
NO: Final[Possible] = frozenset({False})


@dataclass(frozen=True)
class End:
    """A point from which no way leads on, or a pit that overflows into something that is no pit.

    may_end : what of ENDS may follow. untreated : whether water without a tank before may reach it. kinds : what the system may be by it.
    reached : whether any pipe or water was found to lead to it.
    """

    key: Key
    may_end: tuple[str, ...]
    untreated: Possible
    kinds: frozenset[str]
    reached: bool


@dataclass(frozen=True)
class OldSystem:
    """What belongs together. `fixtures` came by somewhere in it; `contested`: findings contradict each other on what drains where."""

    keys: tuple[Key, ...]
    ends: tuple[End, ...]
    fixtures: tuple[Fixture, ...]
    contested: bool

    @property
    def kinds(self) -> tuple[str, ...]:
        """What it may be, the worst first."""
        possible = frozenset[str]().union(*(end.kinds for end in self.ends))
        return tuple(kind for kind in OLD_KINDS if kind in possible)


def old_systems(found: Inspection, graph: Drainage, said: Iterable[Contradiction]) -> list[OldSystem]:
    """Every system in the findings. Its order follows from the points alone, not from the order of the rows."""
    groups = _groups(found, graph)
    group_of = {key: number for number, group in enumerate(groups) for key in group}
    contested = {group_of[key] for each in said if each.contests for key in each.keys if key in group_of}
    seen_at: dict[Key, set[Fixture]] = defaultdict(set)
    for fixture, sightings in graph.sightings.items():
        for sighting in sightings:
            seen_at[sighting.key].add(fixture)
    open_fixtures = _unsettled(found, graph, contested, group_of)
    circles = in_circles(graph)
    systems = []
    for number, group in enumerate(groups):
        fixtures = tuple(sorted({fixture for key in group for fixture in seen_at.get(key, ())}))
        # Where it is contested what drains here, any water may, and none of those that were seen.
        waters = WATERS if number in contested else _waters(fixtures, any(key[0] in open_fixtures for key in group))
        untreated = dict.fromkeys(group, EITHER) if number in contested else _untreated(group, found, graph, seen_at, circles)
        last = [key for key in group if not graph.links.get(key)] or group
        last = [*last, *(key for key in _pits_on_the_way(group, found, graph) if key not in last)]
        ends = tuple(_end(key, found, graph, seen_at, untreated[key], waters, number in contested) for key in sorted(last))
        systems.append(OldSystem(tuple(sorted(group)), ends, fixtures, number in contested))
    return systems


def _pits_on_the_way(group: Iterable[Key], found: Inspection, graph: Drainage) -> list[Key]:
    """Pits that overflow into anything but pits, such as a tank, a field or the public sewer: what they take soaks away there too."""
    return [
        key
        for key in group
        if found.points[key].kind == "pit" and any(found.points[each].kind in NO_PIT for each in graph.below(key) - {key})
    ]


def _groups(found: Inspection, graph: Drainage) -> list[list[Key]]:
    """Points that are joined by links, or by the water of one fixture."""
    joined: dict[Key, list[Key]] = {key: [] for key, point in found.points.items() if point.is_a.role not in ("source", "apart")}
    for one, other in [*((link.upper, link.lower) for link in graph.all_links()), *graph.together]:
        joined[one].append(other)
        joined[other].append(one)
    groups, done = [], set[Key]()
    for start in sorted(joined):
        if start in done:
            continue
        done.add(start)
        group, left = [start], [start]
        while left:
            for key in joined[left.pop()]:
                if key not in done:
                    done.add(key)
                    group.append(key)
                    left.append(key)
        groups.append(group)
    return groups


def listed_fixtures(found: Inspection) -> dict[str, set[str]]:
    """Every fixture of each property; a property is left out where no building has a list, or one has none."""
    lists: dict[str, set[str]] = defaultdict(set)
    without = set()
    for point in found.points.values():
        if point.kind == "building":
            lists[point.key[0]] |= set(point.fixtures)
            if not point.fixtures:
                without.add(point.key[0])
    return {parcel: names for parcel, names in lists.items() if parcel not in without}


def _unsettled(found: Inspection, graph: Drainage, contested: Collection[int], group_of: Mapping[Key, int]) -> set[str]:
    """Properties of which some fixture was not seen to drain anywhere, or only where findings contradict each other: it may drain into any
    of their systems."""
    lists = listed_fixtures(found)
    settled = {
        fixture
        for fixture, sightings in graph.sightings.items()
        if any(each.seen for each in sightings) and not any(group_of[each.key] in contested for each in sightings)
    }
    return {parcel for parcel in found.parcels if parcel not in lists or any((parcel, name) not in settled for name in lists[parcel])}


def _waters(fixtures: Collection[Fixture], may_take_more: bool) -> tuple[str, ...]:
    """Whose water it may be: that of the worst fixture, and of any worse one where some fixture drains nobody knows where."""
    worst = min((WATERS.index(water_of(name)) for _, name in fixtures), default=len(WATERS) - 1)
    return WATERS[: worst + 1] if may_take_more or not fixtures else (WATERS[worst],)


def _untreated(
    group: Collection[Key], found: Inspection, graph: Drainage, seen_at: Mapping[Key, set[Fixture]], circles: Collection[Key]
) -> dict[Key, Possible]:
    """Whether water that has passed no tank may reach each point."""
    answer: dict[Key, Possible] = {key: EITHER for key in group if key in circles}
    above: dict[Key, set[Fixture]] = {}
    waiting = {key: sum(upper not in circles for upper in graph.back.get(key, {})) for key in group}
    free = sorted(key for key in group if waiting[key] == 0 and key not in circles)
    while free:
        key = free.pop()
        ways: list[Possible] = []
        above[key] = set[Fixture]()
        for link in graph.back.get(key, {}).values():
            above[key] |= above.get(link.upper, set()) | seen_at.get(link.upper, set())
            out = NO if found.points[link.upper].is_a.role == "tank" else answer[link.upper]
            ways.append(out if link.proven else out | NO if link.strength >= WATER_SEEN and not link.doubt else EITHER)
        if graph.from_house.get(key) == SEEN or (not ways and found.points[key].kind in AT_THE_HOUSE):
            ways.append(YES)
        if not ways or seen_at.get(key, set()) - above[key]:
            # Water came by here by a way that nobody saw from above.
            ways.append(EITHER)
        may, surely = any(True in way for way in ways), any(way == YES for way in ways)
        answer[key] = YES if surely else EITHER if may else NO
        for lower in graph.links.get(key, {}):
            if lower not in circles:
                waiting[lower] -= 1
                if waiting[lower] == 0:
                    free.append(lower)
    return answer


def _end(
    key: Key,
    found: Inspection,
    graph: Drainage,
    seen_at: Mapping[Key, set[Fixture]],
    untreated: Possible,
    waters: tuple[str, ...],
    contested: bool,
) -> End:
    point = found.points[key]
    above = graph.above(key)
    water_seen = any(seen_at.get(each) for each in above)
    reached = len(above) > 1 or water_seen or key in graph.from_house
    if point.kind in END_OF:
        may_end: tuple[str, ...] = (END_OF[point.kind],)
    elif point.kind == "tank" and point.outlet == "none" and not contested:
        may_end = (HELD,)
    else:
        may_end = ENDS
    after_tank = NO if point.is_a.role == "tank" else untreated
    in_series = point.kind == "pit" and any(found.points[each].kind == "pit" for each in above - {key})
    kinds = kinds_of(may_end, after_tank, waters, in_series)
    if point.is_a.role in ("tank", "end") and not contested:
        if point.state in ("abandoned", "filled") and not water_seen:
            kinds = frozenset({"filled" if point.state == "filled" else "not_in_use"})
        elif not reached:
            kinds |= {"not_in_use"}
    return End(key, may_end, untreated, kinds, reached)
