"""What an inspection leaves unproven, in sentences, each with what to do about it."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Final

from geoseptic.model.finding_words import HEARD, LOCATED, SEEN, TOLD, WATER_SEEN
from geoseptic.model.findings import Inspection, Key, Point, Run
from geoseptic.model.old_kinds import HELD
from geoseptic.systems.drainage import BRANCHING, Drainage, Link
from geoseptic.systems.finding_text import RESTS_ON, length_words, listed_words, quoted
from geoseptic.systems.old_systems import AT_THE_HOUSE, OldSystem
from geoseptic.systems.well_distances import WellDistance

OUT_OF_USE: Final = frozenset({"filled", "not_in_use"})


@dataclass(frozen=True)
class Open:
    """Something that is not proven, and what to do."""

    words: str
    next_step: str


def gaps_of_property(
    parcel: str, own: Sequence[Point], found: Inspection, graph: Drainage, fixtures: Mapping[str, str] | None
) -> list[Open]:
    """What is not known of the house as a whole, whose property has the points `own`: fixtures, wells, tests without a result."""
    gaps = []
    if fixtures is None:
        gaps.append(
            Open(
                "There is no list of all fixtures of the house, so nobody knows whether each of them is accounted for.",
                "Write every fixture, also cellar, garage and outside ones, into the column fixtures of a point of kind building.",
            )
        )
    for name in (name for name, where in (fixtures or {}).items() if not where):
        gaps.append(
            Open(
                _missing(parcel, name, found, graph),
                f"Run water with dye in the {name}, one fixture at a time, and look where it comes out.",
            )
        )
    told = [point.wells for point in own if point.kind == "building"]
    count = max((number for number in told if number is not None), default=None)
    placed = sum(point.kind == "well" for point in own)
    if count is None:
        gaps.append(
            Open(
                "How many wells there are on the property and next to it was not noted; a well that is on no record may still be there.",
                "Look for wells, ask the neighbours, and write their number into the column wells of the building (0 where there is none).",
            )
        )
    elif placed < count:
        gaps.append(
            Open(
                f"Wells that the house is noted with: {count}; wells that were found and placed: {placed}.",
                "Find each well and tape its distance to every tank, pit and field.",
            )
        )
    # A test without a result is only told where its fixture is missing: it says nothing against what others have shown.
    missing = {name for name, where in (fixtures or {}).items() if not where}
    for run in (run for run in graph.untold.get(parcel, ()) if missing & set(run.fixtures)):
        gaps.append(Open(f"Whether water came was not noted: {quoted(run, found)}.", "Test again and note flow yes or no."))
    return gaps


def gaps_of_system(system: OldSystem, found: Inspection, graph: Drainage, wells: Iterable[WellDistance], in_ground: bool) -> list[Open]:
    """What is not known of one system: its pipes, its ends, the inside of its tanks and pits, its distance from wells."""
    gaps = [_link_gap(link, found, graph) for key in system.keys for link in _sorted(graph.links.get(key, {})) if not link.proven]
    leads = {key for key in system.keys if graph.links.get(key)}
    for key in (key for key in system.keys if key not in leads):
        for run in _stops(key, graph):
            gaps.append(
                Open(
                    f"{_stopped(run, found)}: what lies beyond is not known.",
                    "Run the camera from the other side, locate its head with a sonde, and have the ground opened there.",
                )
            )
    gaps += _ways_not_followed(system, leads, found, graph)
    for end in (end for end in system.ends if not end.kinds <= OUT_OF_USE):
        point = found.points[end.key]
        if len(end.may_end) > 1:
            gaps.append(_end_gap(point))
        if end.may_end == (HELD,):
            gaps.append(
                Open(f"How {point.words} is emptied was not shown.", "Ask for the permit and the pumping record of a tank without outlet.")
            )
        if not end.reached and point.is_a.role in ("tank", "end") and not point.state:
            gaps.append(
                Open(
                    f"Nothing is known to drain into {point.words}, and whether it is still in use is not known.",
                    f"Run water with dye in every fixture while {point.words} is watched, and run a camera up its inlet.",
                )
            )
        if len(end.untreated) > 1 and point.is_a.role == "end" and in_ground:
            gaps.append(
                Open(
                    f"Whether a tank is before {point.words} is not proven: the water was not followed all the way from the house.",
                    f"Run a camera from the house to {point.words}, or up its inlet, and look at the inlet of any tank while water runs.",
                )
            )
    if not system.fixtures and not set(system.kinds) <= OUT_OF_USE:
        names = listed_words(found.points[key].words for key in system.keys)
        gaps.append(Open(f"No water of any fixture was seen to come to {names}.", "Run water with dye in each fixture and watch it."))
    for key in system.keys:
        point = found.points[key]
        gaps += _inside(point, in_ground)
        if point.kind == "distribution_box" and len(graph.links.get(key, {})) == 1:
            gaps.append(Open(f"Only one outlet of {point.words} was followed.", "Run a camera through every outlet of the box."))
        begins = bool(graph.links.get(key)) and not graph.back.get(key)
        if begins and in_ground and key not in graph.from_house and point.kind not in AT_THE_HOUSE:
            gaps.append(
                Open(f"What leads to {point.words} was not followed from the house.", "Run a camera from the house or a clean-out to it.")
            )
    for each in (each for each in wells if each.open):
        well, part = found.points[each.well].words, found.points[each.part].words
        gaps.append(Open(each.words, f"Tape the distance from {well} to {part}, and ask the health authority what it accepts."))
    return list(dict.fromkeys(gaps))


def _ways_not_followed(system: OldSystem, leads: Collection[Key], found: Inspection, graph: Drainage) -> list[Open]:
    """Outlets of tanks, boxes and pits that were tried in vain, and obstructions that no camera passed, where all else is known."""
    gaps = []
    for key in (key for key in system.keys if key in leads):
        point = found.points[key]
        if point.kind in BRANCHING or point.kind == "pit":
            gaps += [
                Open(
                    f"{_stopped(run, found)}, and {point.words} may have more than one outlet: where this one leads is not known.",
                    f"Have {point.words} opened, count its outlets, and run a camera or sonde out of each.",
                )
                for run in graph.stops.get(key, ())
                if not run.upstream
            ]
        elif point.kind == "obstruction" and not any(
            run.by.strength == SEEN and run.from_key == key
            for link in (*graph.links[key].values(), *graph.back.get(key, {}).values())
            for run in link.runs
        ):
            gaps.append(
                Open(
                    f"No camera passed {point.words}; it was reached from both sides: whether water gets through, and whether a tank or "
                    "a side pipe lies there, was not seen.",
                    f"Have the ground opened at {point.words}, or the pipe cleared, and run the camera through.",
                )
            )
    return gaps


def _missing(parcel: str, name: str, found: Inspection, graph: Drainage) -> str:
    sightings = graph.sightings.get((parcel, name), [])
    denied = sorted(
        {found.points[place].words for run in graph.denied.get(parcel, ()) if name in run.fixtures
         for place in [run.lower if run.lower is not None else run.upper] if place is not None}
    )  # fmt: skip
    if sightings and any(each.seen for each in sightings):
        return f"Where the {name} drains is contradicted by the findings."
    if sightings:
        run = min((each.run for each in sightings), key=lambda each: each.name)
        return f"Where the {name} drains was not seen: {quoted(run, found)}."
    if denied:
        return f"The {name} is not accounted for: none of its water came at {listed_words(denied)}, and where it goes is not known."
    return f"The {name} is not accounted for: no water of it was seen anywhere."


def _link_gap(link: Link, found: Inspection, graph: Drainage) -> Open:
    upper, lower = found.points[link.upper], found.points[link.lower]
    best = min(link.runs, key=lambda run: (-(run.by.strength or 0), run.name))
    if link.doubt:
        return Open(f"The link from {upper.words} to {lower.words} is in doubt: see the contradictions.", "Measure it again.")
    stops = _stops(link.upper, graph)
    if stops:
        begin = f"{_stopped(stops[0], found)}: the link on to {lower.words} rests on {RESTS_ON[best.method]} alone"
    else:
        begin = f"The link from {upper.words} to {lower.words} rests on {RESTS_ON[best.method]} alone"
    says = f" ({quoted(best, found)})."
    steps = {
        LOCATED: f"Run a camera through it from {upper.words} to {lower.words}.",
        WATER_SEEN: f"Run a camera from {lower.words} back up and locate its head with a sonde: a tank or another pit may lie between.",
        HEARD: f"Run dye from {upper.words} and watch {lower.words}, then run a camera.",
        TOLD: f"Run a camera from {upper.words} or from {lower.words} back: nobody has seen this pipe.",
    }
    return Open(begin + says, steps[min(link.strength, LOCATED)])


def _end_gap(point: Point) -> Open:
    if point.kind == "tank":
        return Open(
            f"Where the outlet of {point.words} leads is not known.",
            f"Have {point.words} pumped, look for its outlet and baffle from above, and run a camera or sonde out of the outlet.",
        )
    if point.kind == "lid":
        return Open(
            f"What is under {point.words} was not seen.",
            f"Have {point.words} opened by a licensed pumper, and note a tank or a pit with its outlet and liquid level.",
        )
    return Open(
        f"Where the pipe goes from {point.words} is not known.",
        f"Run a camera on from {point.words}, with a sonde, to where it ends.",
    )


def _inside(point: Point, in_ground: bool) -> list[Open]:
    """What was not looked at in a tank or pit that is in use."""
    if not in_ground or point.state in ("abandoned", "filled"):
        return []
    missing = []
    if point.kind == "tank":
        missing += [] if point.outlet_baffle or point.outlet == "none" else ["its outlet baffle"]
        missing += [] if point.liquid == "normal" or point.liquid == "high" else ["its liquid level at the outlet"]
        missing += [] if point.material else ["what it is made of"]
    elif point.kind in ("pit", "distribution_box", "pump_chamber") and not point.liquid:
        missing.append("its liquid level")
    gaps = []
    if point.kind == "tank" and point.liquid in ("low", "dry"):
        missing.remove("its liquid level at the outlet")
        gaps.append(
            Open(
                f"The liquid in {point.words} is noted as {point.liquid}: it leaks, was just pumped, or nothing runs into it.",
                "Ask when it was pumped, run water, and look again after a day.",
            )
        )
    if point.kind == "tank" and point.material in ("metal", "wood", "block", "brick", "stone"):
        gaps.append(
            Open(
                f"{point.words[0].upper() + point.words[1:]} is of {point.material}, which rusts, rots or leaks: "
                "that it is sound was not shown.",
                "Have it pumped and its walls, bottom and top looked at from above.",
            )
        )
    if missing:
        gaps.append(
            Open(
                f"Of {point.words} was not noted: {listed_words(missing)}.",
                f"Have {point.words} opened{' and pumped' if point.kind == 'tank' else ''} by a licensed pumper, and look from above.",
            )
        )
    return gaps


def _stops(key: Key, graph: Drainage) -> list[Run]:
    """Runs that ended at an obstruction `key`, or that set out from it with the water and reached nothing."""
    return sorted(graph.stops.get(key, ()), key=lambda run: (-run.length_m if not isnan(run.length_m) else 0.0, run.name))


def _stopped(run: Run, found: Inspection) -> str:
    """'The camera from clean out CO1 stopped at obstruction OB1 (roots) 30 ft (9.1 m) out'."""
    what = "camera" if run.method == "camera" else f"run by {run.method}"
    start = f" from {found.points[run.from_key].words}" if run.from_key is not None else ""
    text = f"The {what}{start} stopped"
    notes = run.notes
    if run.to_key is not None:
        text += f" at {found.points[run.to_key].words}"
        notes = found.points[run.to_key].notes or notes
    if notes:
        text += f" ({notes})"
    return text + ("" if isnan(run.length_m) else f" {length_words(run.length_m)} out")


def _sorted(links: Mapping[Key, Link]) -> list[Link]:
    return [links[key] for key in sorted(links)]
