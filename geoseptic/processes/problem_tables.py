"""The problems of the inputs as a page, a table and a layer of points."""

from collections.abc import Iterator
from math import isfinite
from typing import Final

import shapely
from geopandas import GeoDataFrame

from geoseptic.errors import listed
from geoseptic.model.legend_table import UNKNOWN_COLOUR
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.problems import FAILING, WEIGHTS, Place, Problem
from geoseptic.model.results import Block, Cell, LayerResult, PageResult, Results, TableResult
from geoseptic.processes.input_checks import WGS84, Inputs

NOTES: Final = {
    "layer": "The input that has the problem",
    "source": "File and layer",
    "weight": f"How much it weighs: {'; '.join(f'{name}: {words}' for name, words in WEIGHTS.items())}",
    "feature": "Identifier of the feature, or its row; empty where it is a matter of the whole file",
    "row": "Number of the record in what was read, from 1; 0 where it is none",
    "what": "What is wrong",
    "todo": "How the owner of the data may mend it, where the sentence before does not say it",
    "lon_deg": "Longitude of the middle of the feature, WGS 84; empty where it has no place",
    "lat_deg": "Latitude",
}

LEGEND: Final = VectorLegend(
    "Problems of the inputs",
    "point",
    "weight",
    (
        Swatch("hinders", "No run can use it", "#7d3214"),
        Swatch("left out", "Left out by a run", "#c8553d"),
        Swatch("mended", "Mended by a run", "#2f8fd0"),
        Swatch("assumed", "Something is assumed", UNKNOWN_COLOUR),
        Swatch("look", "Look at it", "#e2a93b"),
    ),
    label="feature",
)

PRINTED: Final = 12
"""Features that the page names; the table has all."""


def results(inputs: Inputs, found: tuple[Problem, ...]) -> Results:
    """Page, table and layer. What hinders a run and what it leaves out are failures, so that whoever calls the command sees it from its
    exit code, as from that of a run."""
    ordered = sorted(found, key=lambda problem: list(WEIGHTS).index(problem.weight))
    rows = [(problem, place) for problem in ordered for place in problem.places or (None,)]
    placed = [(problem, place) for problem, place in rows if place is not None and isfinite(place.lon_deg) and isfinite(place.lat_deg)]
    frame = GeoDataFrame(
        {name: [_cells(problem, place)[name] for problem, place in placed] for name in NOTES if name not in ("lon_deg", "lat_deg")},
        geometry=shapely.points([place.lon_deg for _, place in placed], [place.lat_deg for _, place in placed]) if placed else [],
        crs=WGS84,
    )
    read = {name: layer for name, layer in inputs.layers.items() if isinstance(layer, GeoDataFrame)}
    counts: dict[str, object] = {f"records_of_{name}": len(layer) for name, layer in read.items()}
    counts |= {f"problems_{weight.replace(' ', '_')}": sum(problem.weight == weight for problem in found) for weight in WEIGHTS}
    return Results(
        layers=(
            LayerResult(
                "problems", "problems", frame, LEGEND, "Problems of the inputs", "Features that have a problem, where they have a place",
                {name: note for name, note in NOTES.items() if name in frame.columns},
            ),
        ),
        tables=(
            TableResult(
                "problems", tuple(NOTES), tuple(tuple(_cells(*row).values()) for row in rows), "Problems of the inputs", NOTES
            ),
        ),
        pages=(PageResult("inputs", "Check of the input files", tuple(_blocks(inputs, ordered)), html=True),),
        counts=counts,
        failures=tuple(
            {"layer": problem.layer, "feature": listed([place.feature for place in problem.places]), "stage": "check", "why": problem.what}
            for problem in ordered
            if problem.weight in FAILING
        ),
    )  # fmt: skip


def _cells(problem: Problem, place: Place | None) -> dict[str, Cell]:
    at = place or Place("")
    return {
        "layer": problem.layer,
        "source": problem.source,
        "weight": problem.weight,
        "feature": at.feature,
        "row": at.row,
        "what": problem.what,
        "todo": problem.todo,
        "lon_deg": round(at.lon_deg, 7) if isfinite(at.lon_deg) else None,
        "lat_deg": round(at.lat_deg, 7) if isfinite(at.lat_deg) else None,
    }


def _blocks(inputs: Inputs, ordered: list[Problem]) -> Iterator[Block]:
    looked = [*inputs.layers, *(name for name in ("elevation", "groundwater", "rules") if getattr(inputs, name) is not None)]
    yield "text", f"Looked at: {', '.join(looked) or 'nothing'}. Nothing of the files was changed."
    if not ordered:
        yield "text", "No problem was found. That does not say that the data are right: only that nothing in them contradicts itself."
        return
    for weight, words in WEIGHTS.items():
        of_weight = [problem for problem in ordered if problem.weight == weight]
        if not of_weight:
            continue
        yield "heading", words[0].upper() + words[1:]
        for layer in dict.fromkeys(problem.layer for problem in of_weight):
            mine = [problem for problem in of_weight if problem.layer == layer]
            source = next((problem.source for problem in mine if problem.source), "")
            yield "part", f"{layer} ({source})" if source else layer
            for problem in mine:
                yield "item", " ".join(filter(None, (problem.what, _of_features(problem), problem.todo)))
    yield "text", "Every feature is a row of problems.csv and, where it has a place, a point of problems.gpkg with the same words."


def _of_features(problem: Problem) -> str:
    """The features, the first few by name and place."""
    if not problem.places:
        return ""
    names = [_named(place) for place in problem.places[:PRINTED]]
    more = len(problem.places) - len(names)
    return f"Features ({len(problem.places)}): {'; '.join(names)}{f'; and {more} more' if more > 0 else ''}."


def _named(place: Place) -> str:
    name = place.feature if not place.row or place.feature.startswith(("row ", "record ")) else f"{place.feature} (row {place.row})"
    return f"{name} at {place.lat_deg:.5f}, {place.lon_deg:.5f}" if isfinite(place.lat_deg) and isfinite(place.lon_deg) else name
