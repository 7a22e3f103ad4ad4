"""What drains where: a directed graph of the points of an inspection, each link with the runs that show it."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from geoseptic.model.finding_words import POINT_KINDS, SEEN, TOLD, WATER_SEEN
from geoseptic.model.findings import Inspection, Key, Run

BRANCHING: Final = frozenset({"distribution_box", "tank", "field_line"})
"""What may have several outlets: water put in above one of them need not come out at each."""

Fixture = tuple[str, str]
"""Property and name."""


@dataclass
class Link:
    """Water runs from `upper` to `lower`. `strength` is that of the best run (finding_words.STRENGTHS).

    by_way_of : the run went from another point, which leads to `upper`: `upper` and `lower` themselves were not its ends.
    doubt : a contradiction speaks against it, so it proves nothing.
    """

    upper: Key
    lower: Key
    strength: int
    runs: list[Run] = field(default_factory=list)
    by_way_of: bool = False
    doubt: bool = False

    @property
    def proven(self) -> bool:
        """Whether somebody saw the pipe from one end to the other, and nothing speaks against it."""
        return self.strength == SEEN and not self.doubt


@dataclass(frozen=True)
class Sighting:
    """Water of a fixture came by at `key`. `seen` is False where it was only heard or told."""

    fixture: Fixture
    key: Key
    strength: int
    seen: bool
    run: Run


@dataclass
class Drainage:
    """The graph. `links` and `back` hold the same links, by upper and by lower point.

    from_house : points to which a pipe was followed from the building itself, with the best strength.
    stops : runs that reached nothing, by where they set out, or an obstruction, by that. surfaced : runs whose water came up at the
    surface, by where it was put in. denied : runs whose water did not come out, untold : those of which nobody noted it; both by property.
    together : pairs of points of one system between which no direction is known.
    """

    links: dict[Key, dict[Key, Link]] = field(default_factory=lambda: defaultdict(dict))
    back: dict[Key, dict[Key, Link]] = field(default_factory=lambda: defaultdict(dict))
    from_house: dict[Key, int] = field(default_factory=dict)
    sightings: dict[Fixture, list[Sighting]] = field(default_factory=lambda: defaultdict(list))
    stops: dict[Key, list[Run]] = field(default_factory=lambda: defaultdict(list))
    denied: dict[str, list[Run]] = field(default_factory=lambda: defaultdict(list))
    untold: dict[str, list[Run]] = field(default_factory=lambda: defaultdict(list))
    surfaced: dict[Key, list[Run]] = field(default_factory=lambda: defaultdict(list))
    together: list[tuple[Key, Key]] = field(default_factory=list)

    def add(self, upper: Key, lower: Key, strength: int, runs: Iterable[Run], by_way_of: bool = False) -> None:
        """Put in a link, or join what is there with further runs that show it, the stronger of which counts."""
        link = self.links[upper].get(lower)
        if link is None:
            link = self.links[upper][lower] = self.back[lower][upper] = Link(upper, lower, strength, by_way_of=by_way_of)
        elif strength > link.strength or (strength == link.strength and not by_way_of):
            link.strength, link.by_way_of = strength, by_way_of
        link.runs += [run for run in runs if run not in link.runs]

    def remove(self, link: Link) -> None:
        """Take a link out."""
        del self.links[link.upper][link.lower]
        del self.back[link.lower][link.upper]

    def all_links(self) -> list[Link]:
        """Every link, by its upper point."""
        return [link for lowers in self.links.values() for link in lowers.values()]

    def below(self, key: Key) -> set[Key]:
        """Every point that water from `key` may reach, itself among them."""
        return _reach(key, self.links)

    def above(self, key: Key) -> set[Key]:
        """Every point whose water may come to `key`, itself among them."""
        return _reach(key, self.back)


def drainage(found: Inspection) -> Drainage:
    """The graph of an inspection.

    A run that only shows that water of A comes out at C says nothing of what lies between. Where a pipe from A was followed to B, that
    water goes by way of B, and the link is moved down: the answer is B to C. The order of the runs changes nothing.
    """
    graph = Drainage()
    for run in found.runs:
        if run.by.strength is not None:
            _take(run, found, graph)
    _join_by_fixtures(found, graph)
    _move_down(found, graph)
    return graph


def _take(run: Run, found: Inspection, graph: Drainage) -> None:
    """One run into the graph."""
    strength = run.by.strength
    assert strength is not None  # a tape was left out
    upper = None if run.upper is None else found.points[run.upper]
    lower = None if run.lower is None else found.points[run.lower]
    shows = not run.by.needs_flow or run.flow is True
    fixtures = set(run.fixtures)
    if upper is not None and upper.kind == "fixture":
        fixtures |= set(upper.fixtures)
        came = run.flow is True or (strength == SEEN and run.flow is None and run.to_key is not None)
    else:
        came = run.flow is True
    if run.flow is False and (run.by.needs_flow or fixtures):
        graph.denied[run.parcel].append(run)
    elif run.flow is None and (run.by.needs_flow or (fixtures and not came)):
        graph.untold[run.parcel].append(run)
    stopped_at = run.from_key if run.to_key is None else run.to_key if found.points[run.to_key].kind == "obstruction" else None
    if stopped_at is not None:
        graph.stops[stopped_at].append(run)
    if lower is not None and lower.kind == "surfacing":
        if shows and upper is not None:
            graph.surfaced[upper.key].append(run)
        return
    place = lower if lower is not None else upper
    if came and place is not None and place.is_a.role != "source":
        seen = strength in (SEEN, WATER_SEEN)
        for name in sorted(fixtures):
            graph.sightings[run.parcel, name].append(Sighting((run.parcel, name), place.key, strength, seen, run))
    if upper is None or lower is None or not shows:
        return
    if upper.is_a.role == "source":
        graph.from_house[lower.key] = max(strength, graph.from_house.get(lower.key, TOLD))
    else:
        graph.add(upper.key, lower.key, strength, [run])


def is_end(found: Inspection, key: Key) -> bool:
    """Whether water goes no further than this point, by its kind."""
    return found.points[key].is_a.role == "end"


def _join_by_fixtures(found: Inspection, graph: Drainage) -> None:
    """Links that follow from one fixture's water at two places: what came by at a pipe and out at a pit went from one to the other."""
    new: list[tuple[Key, Key, int, list[Run]]] = []
    for sightings in graph.sightings.values():
        best: dict[Key, Sighting] = {}
        for sighting in sightings:
            if sighting.key not in best or sighting.strength > best[sighting.key].strength:
                best[sighting.key] = sighting
        below = {key: graph.below(key) for key in best}
        keys = sorted(best)
        for number, one in enumerate(keys):
            for other in keys[number + 1 :]:
                if one in below[other] or other in below[one]:
                    continue
                ended = {key: any(is_end(found, each) for each in below[key]) for key in (one, other)}
                if ended[one] and ended[other]:
                    continue  # both lead to the same end, or the findings contradict each other
                pair = _in_order(one, other, ended, found)
                if pair is None:
                    graph.together.append((one, other))
                else:
                    strength = min(best[one].strength, best[other].strength, WATER_SEEN)
                    new.append((*pair, strength, [best[one].run, best[other].run]))
    for upper, lower, strength, runs in new:
        if upper not in graph.below(lower):
            graph.add(upper, lower, strength, runs, by_way_of=True)


def _in_order(one: Key, other: Key, ended: Mapping[Key, bool], found: Inspection) -> tuple[Key, Key] | None:
    """Which of two places the same water passes first; None where that cannot be told."""
    if ended[one] or ended[other]:
        return (other, one) if ended[one] else (one, other)
    orders = [POINT_KINDS[found.points[key].kind].order for key in (one, other)]
    if None in orders or orders[0] == orders[1]:
        return None
    return (one, other) if orders[0] < orders[1] else (other, one)  # type: ignore[operator]


def _move_down(found: Inspection, graph: Drainage) -> None:
    """Move each link that was not seen through as far down as the seen pipes lead; one that they already explain goes."""
    for link in sorted((each for each in graph.all_links() if each.strength < SEEN), key=lambda each: (each.upper, each.lower)):
        at, passed = link.upper, {link.upper}
        while True:
            ways = [
                each.lower
                for each in graph.links.get(at, {}).values()
                if each is not link and each.strength == SEEN and each.lower != link.upper
            ]
            if any(link.lower in _reach(way, graph.links, SEEN) for way in ways):
                at = link.lower
                break
            if len(ways) != 1 or ways[0] in passed or is_end(found, ways[0]):
                break
            at = ways[0]
            passed.add(at)
        if at == link.upper:
            continue
        graph.remove(link)
        if at != link.lower:
            graph.add(at, link.lower, link.strength, link.runs, by_way_of=True)


def _reach(key: Key, links: Mapping[Key, Mapping[Key, Link]], least: int = TOLD) -> set[Key]:
    """Every point that links of at least this strength lead to, the first one among them."""
    found, left = {key}, [key]
    while left:
        for other, link in links.get(left.pop(), {}).items():
            if link.strength >= least and other not in found:
                found.add(other)
                left.append(other)
    return found
