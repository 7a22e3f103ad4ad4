"""What a judged inspection is written down as: layers, a table, and a page in sentences."""

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
import shapely
from geopandas import GeoDataFrame
from shapely.geometry import LineString, Point

from geoseptic.model.cautions import BEFORE_ANY_LID, SCREENING_AID
from geoseptic.model.citation import Citation
from geoseptic.model.finding_words import STRENGTHS
from geoseptic.model.findings import Key
from geoseptic.model.legends import VectorLegend
from geoseptic.model.old_kinds import ACCEPTABLE, CANNOT_SAY, OLD_KINDS, VERDICTS
from geoseptic.model.results import Block, Cell, LayerResult, PageResult, Results, TableResult
from geoseptic.model.rules import RuleSet
from geoseptic.processes import finding_legends as legends
from geoseptic.processes.finding_places import Placed
from geoseptic.processes.sizing_tables import unchecked
from geoseptic.systems.finding_text import listed_words, quoted
from geoseptic.systems.findings import Judgement, Property, Verdict
from geoseptic.units import from_metres

ROUND_M: Final = 1.5
"""Margin of a system's outline round its points, so that a single one shows."""

AS_FAR_AS_SEEN: Final = ", as far as an inspection shows: soil, groundwater and size were not looked at"

ABOUT: Final[Mapping[str, str]] = {
    "systems": "Each system that was found: its kind, its verdict, what speaks against it, what is not proven and what to do next.",
    "links": "What drains where, and how well each link is known.",
    "points": "The points of the inspection, with the system that each belongs to.",
    "properties": "The parcels that were inspected, with the worst verdict of their systems.",
}
"""What each layer is."""

NOTES: Final = {
    "parcel_id": "Property",
    "system": "Number of the system on its property, the worst first",
    "verdict": "not acceptable, cannot say, must be replaced when, acceptable (as far as an inspection shows: not of soil and groundwater)",
    "when": "On what it must be replaced",
    "kind": "What it is, where that is certain",
    "may_be": "All kinds that the findings leave possible, in words",
    "definition": "By what the worst of them is known, and where that is said",
    "standing": "What the rule set says of each",
    "parts": "Points that belong to it",
    "fixtures": "Fixtures whose water came by",
    "proof": "How well the weakest of its links is known",
    "against": "What was seen that must not be, with its source",
    "contradictions": "Findings that cannot both be true",
    "not_proven": "What is not proven, of it and of its property",
    "next_steps": "What to do next",
    "cautions": "Before anyone goes to a lid or pit",
}


def results(judgement: Judgement, placed: Placed, rules: RuleSet) -> Results:
    """Layers where the points have a place in a coordinate system, and always the table and the page."""
    rows = [row for each in judgement.properties for row in _rows(each)]
    cited = dict.fromkeys(
        citation
        for each in judgement.properties
        for verdict in each.systems
        for citation in (
            *(citation for judged in verdict.standing.values() for citation in judged.citations),
            *(citation for _, citation in verdict.against),
            *(well.citation for well in verdict.wells if well.citation is not None),
            *(OLD_KINDS[kind].basis for kind in verdict.system.kinds),
        )
    )
    warnings = [*placed.notes]
    layers: tuple[LayerResult, ...] = ()
    unplaced = sum(point.xy_m is None for point in placed.found.points.values())
    if placed.frame is not None:
        layers = tuple(_layers(judgement, placed))
        if unplaced:
            warnings.append(f"{unplaced} points have no place and are not on the map; they count all the same")
    else:
        warnings.append("no map: the points have no place in a coordinate system. findings.csv and findings.md have everything else")
    found = sum(len(each.contradictions) for each in judgement.properties)
    if found:
        warnings.append(f"{found} contradictions: see findings.md")
    counts: dict[str, object] = {
        "points": len(placed.found.points),
        "runs": len(placed.found.runs),
        "properties": len(judgement.properties),
    }
    counts |= {verdict: sum(each.verdict == verdict for each in judgement.properties) for verdict in VERDICTS}
    return Results(
        layers=layers,
        tables=(TableResult("findings", tuple(NOTES), tuple(rows), "What an inspection found", NOTES),),
        pages=(PageResult("findings", f"What an inspection found, by rule set {rules.id}", tuple(_blocks(judgement))),),
        counts={**counts, "contradictions": found},
        warnings=(*warnings, *unchecked(cited)),
        citations=tuple(cited),
    )


def _rows(one: Property) -> Iterator[tuple[Cell, ...]]:
    """A row a system; one that says so where nothing was found."""
    if not one.systems:
        told = [*(words for words, _ in one.against)]
        steps = ["Look for the sewer exit, clean-outs and lids, and note them.", *(gap.next_step for gap in one.gaps)]
        yield (
            one.parcel, 0, one.verdict, "", "nothing found", "", "", "", "", "", "no link is known", " ".join(told),
            " ".join(one.contradictions), " ".join(gap.words for gap in one.gaps), " ".join(dict.fromkeys(steps)), BEFORE_ANY_LID,
        )  # fmt: skip
    for number, verdict in enumerate(one.systems, 1):
        yield tuple(_cells(one, number, verdict).values())


def _cells(one: Property, number: int, verdict: Verdict) -> dict[str, Cell]:
    gaps = dict.fromkeys([*verdict.gaps, *one.gaps])
    old = OLD_KINDS[verdict.kind]
    return {
        "parcel_id": one.parcel,
        "system": number,
        "verdict": verdict.verdict,
        "when": verdict.when,
        "kind": old.words if len(verdict.system.kinds) == 1 else "not certain",
        "may_be": verdict.name,
        "definition": f"{old.words}: {old.definition} [{old.basis}]" if verdict.is_narrowed else "",
        "standing": "; ".join(f"{OLD_KINDS[kind].words}: {judged.words}" for kind, judged in verdict.standing.items())
        if verdict.is_narrowed
        else "it depends on what it is",
        "parts": listed_words(verdict.parts),
        "fixtures": listed_words(name for _, name in verdict.system.fixtures),
        "proof": verdict.proof,
        "against": " ".join(_cited(*each) for each in (*verdict.against, *one.against)),
        "contradictions": " ".join(dict.fromkeys((*verdict.contradictions, *one.contradictions))),
        "not_proven": " ".join(gap.words for gap in gaps),
        "next_steps": " ".join(dict.fromkeys(gap.next_step for gap in gaps)),
        "cautions": BEFORE_ANY_LID,
    }


def _layers(judgement: Judgement, placed: Placed) -> Iterator[LayerResult]:
    frame, found = placed.frame, placed.found
    assert frame is not None  # or there is no map
    place = {key: point.xy_m for key, point in found.points.items() if point.xy_m is not None}
    system_of: dict[Key, tuple[str, int, str]] = {}
    rows, shapes = [], []
    for one in judgement.properties:
        for number, verdict in enumerate(one.systems, 1):
            system_of |= dict.fromkeys(verdict.system.keys, (one.parcel, number, verdict.verdict))
            spots = [place[key] for key in verdict.system.keys if key in place]
            if spots:
                rows.append(_cells(one, number, verdict))
                shapes.append(shapely.MultiPoint(spots).convex_hull.buffer(ROUND_M))
    yield _layer("systems", rows, shapes, placed, legends.SYSTEMS, "Systems", NOTES)
    rows, shapes = [], []
    done = set()
    for link in sorted(judgement.graph.all_links(), key=lambda each: (each.upper, each.lower)):
        done |= {run.where for run in link.runs}
        drawn = next((placed.run_shapes_m[run.where] for run in link.runs if placed.run_shapes_m.get(run.where) is not None
                      and {run.upper, run.lower} == {link.upper, link.lower}), None)  # fmt: skip
        if drawn is None and link.upper in place and link.lower in place:
            drawn = LineString([place[link.upper], place[link.lower]])
        if drawn is not None and not drawn.is_empty:
            parcel, number, _ = system_of[link.upper]
            known = legends.IN_DOUBT if link.doubt else STRENGTHS[link.strength]
            rows.append(_link_row(parcel, number, found.points[link.upper].id, found.points[link.lower].id, known,
                                  "; ".join(quoted(run, found) for run in link.runs)))  # fmt: skip
            shapes.append(drawn)
    for run in (run for _, runs in sorted(judgement.graph.stops.items()) for run in runs):
        drawn = placed.run_shapes_m.get(run.where)
        if run.where not in done and drawn is not None and run.from_key is not None and run.from_key in system_of:
            parcel, number, _ = system_of[run.from_key]
            rows.append(_link_row(parcel, number, found.points[run.from_key].id, "", legends.STOPPED, quoted(run, found)))
            shapes.append(drawn)
    yield _layer("links", rows, shapes, placed, legends.LINKS, "What drains where", {
        "parcel_id": "Property", "system": "Number of the system", "from_id": "Where the water comes from", "to_id": "Where it goes",
        "known": "How well that is known", "runs": "What shows it", "length_ft": "Length as drawn",
    })  # fmt: skip
    rows, shapes = [], []
    for key, point in sorted(found.points.items()):
        if key in place:
            parcel, number, verdict_words = system_of.get(key, (key[0], 0, ""))
            rows.append(
                {"parcel_id": parcel, "system": number, "id": point.id, "kind": point.kind, "group": legends.GROUPS[point.kind],
                 "verdict": verdict_words, "notes": point.notes, "row": point.where}
            )  # fmt: skip
            shapes.append(Point(place[key]))
    yield _layer("points", rows, shapes, placed, legends.POINTS, "Found", {
        "parcel_id": "Property", "system": "Number of the system, 0 where it is of none", "id": "Its name", "kind": "What it is",
        "group": "What it is drawn as", "verdict": "Verdict on its system", "notes": "What was noted", "row": "Row of the input",
    })  # fmt: skip
    if placed.parcels is not None:
        shape_of = dict(zip(placed.parcels.ids, placed.parcels.shapes_m, strict=True))
        inside = [one for one in judgement.properties if one.parcel in shape_of]
        rows = [
            {"parcel_id": one.parcel, "verdict": one.verdict, "systems": len(one.systems),
             "kinds": "; ".join(verdict.name for verdict in one.systems), "fixtures": _fixture_words(one),
             "next_steps": " ".join(dict.fromkeys(gap.next_step for gap in (*(g for v in one.systems for g in v.gaps), *one.gaps))),
             "cautions": BEFORE_ANY_LID}
            for one in inside
        ]  # fmt: skip
        yield _layer("properties", rows, [shape_of[one.parcel] for one in inside], placed, legends.PROPERTIES, "Inspected properties", {
            "parcel_id": "Property", "verdict": NOTES["verdict"] + "; the worst of its systems", "systems": "Number of systems",
            "kinds": "What each may be", "fixtures": "Where each fixture drains", "next_steps": NOTES["next_steps"],
            "cautions": NOTES["cautions"],
        })  # fmt: skip


def _link_row(parcel: str, number: int, upper: str, lower: str, known: str, runs: str) -> dict[str, Cell]:
    return {"parcel_id": parcel, "system": number, "from_id": upper, "to_id": lower, "known": known, "runs": runs}


def _layer(
    name: str,
    rows: list[dict[str, Cell]],
    shapes: list[shapely.Geometry],
    placed: Placed,
    legend: VectorLegend,
    title: str,
    notes: Mapping[str, str],
) -> LayerResult:
    frame = placed.frame
    assert frame is not None  # or there is no map
    if name == "links":
        for row, shape in zip(rows, shapes, strict=True):
            row["length_ft"] = round(from_metres(float(shape.length), "ft"), 1)
    columns = {column: [row[column] for row in rows] for column in notes}
    made = GeoDataFrame(columns, geometry=frame.from_metres(np.array([*shapes, None], object)[:-1]), crs=frame.crs)
    return LayerResult("findings", name, made, legend, title, f"{ABOUT[name]} {SCREENING_AID}", notes)


def _blocks(judgement: Judgement) -> Iterator[Block]:
    """The page, property by property."""
    if not judgement.properties:
        yield "text", "No house and no system was found in the points."
    for one in judgement.properties:
        yield "heading", f"Property {one.parcel}" if one.parcel else "The property"
        yield "text", f"Verdict: {one.verdict}{AS_FAR_AS_SEEN if one.verdict == ACCEPTABLE else ''}."
        yield "text", BEFORE_ANY_LID
        yield from (("item", _cited(*each)) for each in one.against)
        if one.fixtures:
            yield "text", f"Fixtures: {_fixture_words(one)}."
        if not one.systems:
            yield "text", f"No pipe, tank or pit was found: {CANNOT_SAY} what drains where."
        for number, verdict in enumerate(one.systems, 1):
            yield from _system_blocks(number, verdict)
        for title, lines in (
            ("Contradictions", one.contradictions),
            ("Not proven of the house", tuple(gap.words for gap in one.gaps)),
            ("What to do next", tuple(dict.fromkeys(gap.next_step for gap in (*(g for v in one.systems for g in v.gaps), *one.gaps)))),
        ):
            if lines:
                yield "part", title
                yield from (("item", line) for line in lines)


def _system_blocks(number: int, verdict: Verdict) -> Iterator[Block]:
    old = OLD_KINDS[verdict.kind]
    yield "part", f"System {number}: {verdict.name}"
    limits = f" {verdict.when}" if verdict.when else AS_FAR_AS_SEEN if verdict.verdict == ACCEPTABLE else ""
    yield "text", f"Verdict: {verdict.verdict}{limits}."
    yield "item", f"Parts: {listed_words(verdict.parts)}."
    yield "item", f"Fixtures whose water came by: {listed_words(name for _, name in verdict.system.fixtures)}."
    yield "item", f"Weakest link: {verdict.proof}."
    if verdict.is_narrowed:
        yield "item", f"{old.words[0].upper()}{old.words[1:]}: {old.definition} [{old.basis}]."
        yield from (("item", f"Standing of {OLD_KINDS[kind].words}: {judged.words}.") for kind, judged in verdict.standing.items())
    yield from (("item", f"Against it: {_cited(*each)}") for each in verdict.against)
    for well in verdict.wells:
        if not well.too_near and not well.open:
            yield "item", well.words
    for words in verdict.contradictions:
        yield "item", f"Contradiction: {words}"
    for gap in verdict.gaps:
        yield "item", f"Not proven: {gap.words}"


def _cited(words: str, citation: Citation) -> str:
    """The words with their source, where they do not name it themselves."""
    return words if str(citation) in words else f"{words} [{citation}]"


def _fixture_words(one: Property) -> str:
    return "; ".join(f"{name}: {where or 'not accounted for'}" for name, where in one.fixtures.items())
