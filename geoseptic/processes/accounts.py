"""The account of a run: what was mended or is odd, and which parcels failed, as layers that open styled."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from geopandas import GeoDataFrame

from geoseptic.model import legend_table
from geoseptic.model.legends import VectorLegend
from geoseptic.model.results import LayerResult, Results
from geoseptic.parcels.repair import Fault
from geoseptic.processes.account_outputs import FILE, OUTPUTS, SPOILT
from geoseptic.processes.land import Land
from geoseptic.processes.tables import polygons
from geoseptic.units import SQUARE_METRES_PER_UNIT

DONE: Final[Mapping[str, str]] = {
    "mended outline": "a lot keeps what its outline surely means, anything else all that it may mean",
    "several pieces": "left as it is",
    "sliver": "left as it is",
    "same ground as another": "each lot is cut by its own lines; no lot reads as clear while several claim its ground",
    "overlap": "kept out of the envelopes of all lots that claim it, with the distance from the lot line",
}
"""Kind of fault -> what a run does about it."""


def spoilt_records(land: Land) -> tuple[Mapping[str, object], ...]:
    """The parcels whose shapes are of no use, as failures."""
    return tuple(failure(land, row, SPOILT, why) for row, why in sorted(land.fabric.spoilt.items()))


def failure(land: Land, row: int, stage: str, why: str) -> Mapping[str, object]:
    """That of one parcel in one stage."""
    return {"layer": "parcels", "feature": str(land.fabric.ids[row]), "stage": stage, "why": why}


def with_accounts(results: Results, land: Land, unit: str) -> Results:
    """The results with the parcels that could not be checked among the failures, and the layers `repairs` and `failures`; areas in the
    square of `unit`."""
    failures = tuple({tuple(record.items()): record for record in (*spoilt_records(land), *results.failures)}.values())
    layers = (*results.layers, _repairs(land, land.repairs, unit), _failures(land, failures))
    return replace(results, layers=layers, failures=failures)


def _repairs(land: Land, faults: Sequence[Fault], unit: str) -> LayerResult:
    area = f"{unit}2"
    notes = {
        "layer": "Layer",
        "feature": "Feature, by its identifier",
        "fault": "What is wrong",
        "note": "More of it",
        "done": "What the run did about it",
        f"before_{area}": "Area by the corners as they came: parts that run round the other way count against the rest",
        f"after_{area}": "Area that the run worked with",
        "changed_percent": "Share of all ground that the outline may mean which the readings of it do not agree on",
    }
    per_m2 = 1 / SQUARE_METRES_PER_UNIT[area]
    columns = {
        "layer": [fault.layer for fault in faults],
        "feature": [fault.feature_id for fault in faults],
        "fault": [fault.kind for fault in faults],
        "note": [fault.note for fault in faults],
        "done": [DONE[fault.kind] for fault in faults],
        f"before_{area}": np.round([fault.area_before_m2 * per_m2 for fault in faults], 1),
        f"after_{area}": np.round([fault.area_after_m2 * per_m2 for fault in faults], 1),
        "changed_percent": np.round([100 * fault.share_changed for fault in faults], 2),
    }
    return _layer(land, "repairs", columns, [fault.place_m for fault in faults], legend_table.REPAIRS, notes, OUTPUTS[0].title)


def _failures(land: Land, failures: Sequence[Mapping[str, object]]) -> LayerResult:
    claimed_m, rows = land.fabric.claimed_m, {str(name): row for row, name in enumerate(land.fabric.ids)}
    notes = {
        "feature": "Parcel",
        "stage": "Where it failed",
        "why": "Why; nothing is known of its ground, and nothing there reads as clear",
    }
    columns = {name: [str(record[name]) for record in failures] for name in notes}
    places = [claimed_m[rows[name]] if name in rows else shapely.Polygon() for name in columns["feature"]]
    return _layer(land, "failures", columns, places, legend_table.FAILURES, notes, OUTPUTS[1].title)


def _layer(
    land: Land,
    name: str,
    columns: Mapping[str, object],
    shapes: Iterable[shapely.Geometry],
    legend: VectorLegend,
    notes: Mapping[str, str],
    title: str,
) -> LayerResult:
    listed = list(shapes)
    shapes_m = np.empty(len(listed), object)
    shapes_m[:] = listed
    # Words stay words where there are none: pandas takes an empty list for numbers.
    told = {name: np.array(values, object) if isinstance(values, list) else values for name, values in columns.items()}
    frame = GeoDataFrame(told, geometry=polygons(land.frame.from_metres(shapes_m)), crs=land.frame.crs)
    return LayerResult(FILE, name, frame, legend, title, title, notes)
