"""Two finished screenings of the same parcels side by side: verdicts, what each code needs, what there is, and why."""

from collections import Counter
from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from geoseptic.errors import ParameterError, listed
from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.names import ALIKE, near_matches
from geoseptic.model.results import Cell, Results, TableResult
from geoseptic.systems.verdict import VERDICTS
from geoseptic.units import CUBIC_METRES_PER_UNIT, FOOT_M, SQUARE_METRES_PER_UNIT

NOT_SCREENED: Final = "not in this screening"
ORDER: Final = (*VERDICTS, NOT_SCREENED)

NEEDED: Final = {"trench_high": "length", "tank": "volume"}
PROVIDED: Final = {"envelope": "area", "largest": "area", "field": "area", "well": "length"}
MEANING: Final = {
    "trench_high": "Length of trenches that the code needs for the largest house on the worst soil that the assumptions leave open",
    "tank": "Volume of the septic tank that the code needs",
    "envelope": "Room for a drain field clear of every setback of the code",
    "largest": "Largest single piece of it",
    "field": "Area of the field as drawn; empty where none could be placed",
    "well": "Straight distance from the drawn field to the nearest well, less its location error",
}
TEXTS: Final = {
    "reasons": "What binds, or what is missing",
    "fits_without": "Kinds of feature whose setbacks alone, if relaxed, would let it fit",
    "assumptions": "What nobody has stated or measured and the verdict rests on",
}
FEET: Final = {"length": ("ft", FOOT_M), "area": ("ft2", SQUARE_METRES_PER_UNIT["ft2"]), "volume": ("gal", CUBIC_METRES_PER_UNIT["gal"])}
METRES: Final = {"length": ("m", 1.0), "area": ("m2", 1.0), "volume": ("L", CUBIC_METRES_PER_UNIT["L"])}
WHAT_MUST_AGREE: Final = ("rules", "out")
"""Parameters that may differ between the two without a word."""


def compared(first: FinishedRun, second: FinishedRun, parcel: str | None) -> Results:
    """Every parcel of either run, or `parcel` alone, in the first run's units; the parcels of one run alone are told as not screened by the
    other, never as the same. Raises ParameterError where neither run has `parcel`."""
    ids = list(dict.fromkeys([*first.rows.index, *second.rows.index]))
    if parcel is not None:
        if parcel not in ids:
            raise ParameterError(f"--parcel '{parcel}' is in neither screening.")
        ids = [parcel]
    units = FEET if "envelope_ft2" in first.rows.columns else METRES
    names = _names(first, second)
    columns: dict[str, list[Cell]] = {"parcel_id": list(ids)}
    verdicts = []
    for run, name in zip((first, second), names, strict=True):
        verdicts.append(_texts(run, "verdict", ids, NOT_SCREENED))
        columns[f"verdict {name}"] = list(verdicts[-1])
    columns["change"] = [_change(one, other) for one, other in zip(*verdicts, strict=True)]
    meanings = {
        "parcel_id": "Parcel",
        **{f"verdict {name}": f"Verdict by {run.title}" for run, name in zip((first, second), names, strict=True)},
        "change": "Whether the two agree",
    }
    for stem, kind in {**NEEDED, **PROVIDED}.items():
        for run, name in zip((first, second), names, strict=True):
            column = f"{stem} {units[kind][0]} {name}"
            columns[column] = _numbers(run, stem, kind, units, ids)
            meanings[column] = f"{MEANING[stem]} [{units[kind][0]}]"
    for text, meaning in TEXTS.items():
        for run, name in zip((first, second), names, strict=True):
            columns[f"{text} {name}"] = list(_texts(run, text, ids, ""))
            meanings[f"{text} {name}"] = meaning
    title = f"The same parcels by {first.title} and by {second.title}"
    changes = Counter(zip(*verdicts, strict=True))
    ordered = sorted(changes, key=lambda pair: (ORDER.index(pair[0]), ORDER.index(pair[1])))
    counted = {f"verdict {names[0]}": "Verdict by the first", f"verdict {names[1]}": "Verdict by the second", "parcels": "How many"}
    return Results(
        tables=(
            TableResult("parcels_compared", tuple(columns), tuple(zip(*columns.values(), strict=True)), title, meanings, markdown=True),
            TableResult(
                "verdicts_compared",
                tuple(counted),
                tuple((*pair, changes[pair]) for pair in ordered),
                f"{title}: counts",
                counted,
                markdown=True,
            ),
        ),
        counts={"parcels": len(ids), "parcels_that_change": sum(count for pair, count in changes.items() if pair[0] != pair[1])},
        warnings=tuple(_doubts(first, second)),
    )


def _names(first: FinishedRun, second: FinishedRun) -> tuple[str, str]:
    return (first.rules, second.rules) if first.rules != second.rules else (f"{first.rules} (1)", f"{second.rules} (2)")


def _change(one: str, other: str) -> str:
    if NOT_SCREENED in (one, other):
        return "in one screening alone"
    return "same" if one == other else f"{one} -> {other}"


def _doubts(first: FinishedRun, second: FinishedRun) -> list[str]:
    """What else differs between the runs than the rule set: then a change need not be the code's."""
    told = []
    inputs = sorted(name for name in {*first.inputs, *second.inputs} if first.inputs.get(name) != second.inputs.get(name))
    if inputs:
        told.append(
            f"the two screenings did not read the same {listed(inputs)}: a change of verdict may come from that and not from the code"
        )
    names = {*first.parameters, *second.parameters} - set(WHAT_MUST_AGREE)
    differing = sorted(name for name in names if first.parameters.get(name) != second.parameters.get(name))
    if differing:
        told.append(
            f"the two screenings were told different {listed(differing)}: a change of verdict may come from that and not from the code"
        )
    if first.rules == second.rules:
        told.append(f"both screenings are by '{first.rules}'")
    missing = [run.folder for run, other in ((first, second), (second, first)) if len(other.rows.index.difference(run.rows.index))]
    told += [f"{folder} lacks parcels of the other screening: they are told as '{NOT_SCREENED}'" for folder in missing]
    pairs = [f"{one!a} and {other!a}" for one, other in near_matches(map(str, first.rows.index), map(str, second.rows.index))]
    if pairs:
        told.append(f"names of the two screenings that {ALIKE}, taken for different parcels: {listed(pairs)}")
    return told


def _texts(run: FinishedRun, column: str, ids: list[str], missing: str) -> list[str]:
    if column not in run.rows.columns:
        return [missing if name not in run.rows.index else "" for name in ids]
    found = run.rows[column].reindex(ids)
    return [missing if name not in run.rows.index else "" if pd.isna(value) else str(value) for name, value in found.items()]


def _numbers(run: FinishedRun, stem: str, kind: str, units: Mapping[str, tuple[str, float]], ids: list[str]) -> list[Cell]:
    for name, factor in (FEET[kind], METRES[kind]):
        if f"{stem}_{name}" in run.rows.columns:
            values = pd.to_numeric(run.rows[f"{stem}_{name}"].reindex(ids)).to_numpy(np.float64) * factor / units[kind][1]
            return [None if np.isnan(value) else round(float(value), 1) for value in values]
    return [None] * len(ids)
