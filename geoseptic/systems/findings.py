"""What an inspection shows: each system with its kind, whether it may stay, what is not proven and what to do next.

A system is acceptable only where its kind is certain, every pipe of it was seen through, every fixture of the house was seen to drain, its
tank and pits were looked at, its wells were measured, and nothing speaks against it. Whatever is missing makes it "cannot say".
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from geoseptic.model.citation import Citation
from geoseptic.model.finding_words import STRENGTHS
from geoseptic.model.findings import Inspection, Key, Point
from geoseptic.model.old_kinds import (
    ACCEPTABLE,
    CANNOT_SAY,
    MA_FAILURE,
    NOT_ACCEPTABLE,
    OLD_KINDS,
    PRACTICE,
    REPLACE_WHEN,
    VERDICTS,
)
from geoseptic.model.rules import RuleSet
from geoseptic.systems.contradictions import Contradiction, contradictions
from geoseptic.systems.drainage import Drainage, Link, drainage
from geoseptic.systems.finding_text import listed_words, quoted
from geoseptic.systems.old_systems import OldSystem, listed_fixtures, old_systems
from geoseptic.systems.standing import Judged, judged, metal_tank
from geoseptic.systems.unproven import Open, gaps_of_property, gaps_of_system
from geoseptic.systems.well_distances import WellDistance, well_distances

NO_DEFECT_ASKED: Final = frozenset({"public_sewer", "clear_water", "filled"})
"""Kinds of which neither wells nor the state of tank and pit are asked."""

STANDS_HIGH: Final[Mapping[str, tuple[str, Citation]]] = {
    "tank": ("above its outlet: what follows does not take the water", PRACTICE),
    "distribution_box": ("above its outlets: the field does not take the water", MA_FAILURE),
    "pump_chamber": ("high: the pump does not run, or what follows does not take the water", PRACTICE),
    "field_line": ("high: the soil does not take the water", MA_FAILURE),
    "pit": ("at or above its inlet: the soil does not take the water", MA_FAILURE),
}
"""Kind of point -> what a high level of its liquid says, and where that is said."""

FEW: Final = 4


@dataclass(frozen=True)
class Verdict:
    """One system and what is to be said of it.

    against : what was seen that must not be, with where that is said; each makes it not acceptable.
    gaps : what is not proven, and what to do about it. when : on what it must be replaced.
    """

    system: OldSystem
    parcel: str
    verdict: str
    when: str
    standing: Mapping[str, Judged]
    against: tuple[tuple[str, Citation], ...]
    gaps: tuple[Open, ...]
    contradictions: tuple[str, ...]
    wells: tuple[WellDistance, ...]
    parts: tuple[str, ...]
    weakest: Link | None

    @property
    def kind(self) -> str:
        """The worst that it may be."""
        return self.system.kinds[0]

    @property
    def name(self) -> str:
        """Its kind in words, with all others that it may be."""
        words = listed_words((OLD_KINDS[kind].words for kind in self.system.kinds), "or")
        return words if self.is_narrowed else f"not known: {words}"

    @property
    def is_narrowed(self) -> bool:
        """Whether the findings leave few enough kinds to tell what each would mean."""
        return len(self.system.kinds) <= FEW

    @property
    def proof(self) -> str:
        """How well the weakest of its links is known."""
        if self.weakest is None:
            return "no link is known"
        return "in doubt" if self.weakest.doubt else STRENGTHS[self.weakest.strength]


@dataclass(frozen=True)
class Property:
    """All of one property. `fixtures` says of each listed fixture where its water was seen, or why it is not accounted for."""

    parcel: str
    verdict: str
    systems: tuple[Verdict, ...]
    against: tuple[tuple[str, Citation], ...]
    gaps: tuple[Open, ...]
    contradictions: tuple[str, ...]
    fixtures: Mapping[str, str]


@dataclass(frozen=True)
class Judgement:
    """An inspection, its graph and what follows."""

    found: Inspection
    graph: Drainage
    properties: tuple[Property, ...]


def judge(found: Inspection, rules: RuleSet) -> Judgement:
    """Judge every property of an inspection under a rule set.

    Of the systems of a property, the worst verdict is that of the property. Findings that contradict each other are told, not weighed: what
    drains where then stays open in all systems that they touch.
    """
    graph = drainage(found)
    said = contradictions(found, graph)
    systems = old_systems(found, graph, said)
    told: dict[str, list[Contradiction]] = defaultdict(list)
    for each in said:
        for parcel in {key[0] for key in each.keys}:
            told[parcel].append(each)
    contested = {key for system in systems if system.contested for key in system.keys}
    fixtures = _fixtures(found, graph, contested)
    owner = {number: _owner(system, graph) for number, system in enumerate(systems)}
    by_parcel: dict[str, list[OldSystem]] = defaultdict(list)
    for number, system in enumerate(systems):
        by_parcel[owner[number]].append(system)
    own: dict[str, list[Point]] = defaultdict(list)
    for key, point in sorted(found.points.items()):
        own[key[0]].append(point)
    distances = well_distances(found, {key: system.kinds for system in systems for key in system.keys}, rules)
    standing = {kind: judged(kind, rules) for kind in OLD_KINDS}
    properties = []
    houses = {key[0] for key, point in found.points.items() if point.is_a.role == "source"}
    for parcel in sorted(houses | set(by_parcel)):
        gaps = gaps_of_property(parcel, own[parcel], found, graph, fixtures.get(parcel))
        contradicting = any(not each.contests for each in told[parcel])
        against = tuple(
            (f"Sewage at the surface was noted: {point.where}{': ' + point.notes if point.notes else ''}.", MA_FAILURE)
            for point in own[parcel]
            if point.kind == "surfacing"
        )
        verdicts = [
            _verdict(system, parcel, found, graph, told[parcel], distances, standing, rules, bool(gaps or against) or contradicting)
            for system in by_parcel[parcel]
        ]
        verdict = min((each.verdict for each in verdicts), key=VERDICTS.index, default=CANNOT_SAY)
        properties.append(
            Property(
                parcel,
                NOT_ACCEPTABLE if against else verdict,
                tuple(
                    sorted(verdicts, key=lambda each: (VERDICTS.index(each.verdict), list(OLD_KINDS).index(each.kind), each.system.keys))
                ),
                against,
                tuple(gaps),
                tuple(each.words for each in told[parcel]),
                fixtures.get(parcel, {}),
            )
        )
    return Judgement(found, graph, tuple(properties))


def _verdict(
    system: OldSystem,
    parcel: str,
    found: Inspection,
    graph: Drainage,
    told: Iterable[Contradiction],
    distances: Mapping[Key, list[WellDistance]],
    standing: Mapping[str, Judged],
    rules: RuleSet,
    something_open: bool,
) -> Verdict:
    """The verdict on one system; `something_open` says that the property has gaps, contradictions or sewage at
    the surface, of which nobody knows the system."""
    keys = set(system.keys)
    in_ground = not set(system.kinds) <= NO_DEFECT_ASKED
    wells = tuple(each for key in system.keys for each in distances.get(key, ())) if in_ground else ()
    against = [(each.words, each.citation or PRACTICE) for each in wells if each.too_near]
    against += [
        (f"Water came up at the surface: {quoted(run, found)}.", MA_FAILURE) for key in system.keys for run in graph.surfaced.get(key, ())
    ]
    if in_ground:
        against += _defects(system, found, rules)
    gaps = gaps_of_system(system, found, graph, wells, in_ground)
    for key in (key for key in system.keys if in_ground and key[0] != parcel):
        place = f"on another lot, {key[0]}" if key[0] else "on no parcel"
        gaps.append(Open(f"The {found.points[key].words} that serves the house lies {place}.", "Look for an easement in the deeds."))
    words = tuple(each.words for each in told if keys & set(each.keys))
    links = [link for key in system.keys for link in graph.links.get(key, {}).values()]
    weakest = min(links, key=lambda link: (not link.doubt, link.strength), default=None)
    by_end = [_of_end([standing[kind] for kind in end.kinds]) for end in system.ends]
    worst = min(by_end, key=VERDICTS.index)
    if worst == ACCEPTABLE and (gaps or words or something_open):
        worst = CANNOT_SAY
    verdict = NOT_ACCEPTABLE if against else worst
    whens = dict.fromkeys(standing[kind].when for kind in system.kinds if standing[kind].verdict == REPLACE_WHEN)
    when = "; or ".join(whens) if verdict == REPLACE_WHEN else ""
    return Verdict(
        system,
        parcel,
        verdict,
        when,
        {kind: standing[kind] for kind in system.kinds},
        tuple(dict.fromkeys(against)),
        tuple(gaps),
        words,
        wells,
        tuple(found.points[key].words for key in system.keys),
        weakest,
    )


def _of_end(possible: list[Judged]) -> str:
    """One verdict of all that it may be: theirs where they agree, else nobody can say."""
    verdicts = {each.verdict for each in possible}
    return verdicts.pop() if len(verdicts) == 1 else CANNOT_SAY


def _defects(system: OldSystem, found: Inspection, rules: RuleSet) -> list[tuple[str, Citation]]:
    """What was seen in tanks, boxes and pits that must not be."""
    against: list[tuple[str, Citation]] = []
    standing, must_go = metal_tank(rules)
    for key in system.keys:
        point = found.points[key]
        if point.kind == "tank" and point.outlet_baffle in ("missing", "broken"):
            against.append(
                (
                    f"The outlet baffle of {point.words} is {point.outlet_baffle}: solids go out with the water and clog what follows. "
                    "Have the tank pumped and the baffle replaced, and look at what follows.",
                    PRACTICE,
                )
            )
        if point.liquid == "high" and point.kind in STANDS_HIGH:
            what, basis = STANDS_HIGH[point.kind]
            against.append((f"The liquid in {point.words} stands {what}.", basis))
        if point.kind == "tank" and point.material == "metal" and must_go:
            against.append((f"It is of metal, {point.words}: {standing.words}.", standing.lines[0].citation))
    return against


def _owner(system: OldSystem, graph: Drainage) -> str:
    """The property whose house it serves: that of its first points down the way of the water."""
    first = [key for key in system.keys if not graph.back.get(key)] or list(system.keys)
    return min(key[0] for key in first)


def _fixtures(found: Inspection, graph: Drainage, contested: set[Key]) -> dict[str, dict[str, str]]:
    """Property -> listed fixture -> where its water was seen (empty words: nowhere surely)."""
    answer: dict[str, dict[str, str]] = {}
    for parcel, names in listed_fixtures(found).items():
        answer[parcel] = {}
        for name in sorted(names):
            sightings = graph.sightings.get((parcel, name), [])
            surely = sorted(each.key for each in sightings if each.seen and each.key not in contested)
            answer[parcel][name] = found.points[surely[0]].words if surely else ""
    return answer
