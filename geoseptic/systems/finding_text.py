"""Findings in the words in which they are told."""

from collections.abc import Iterable, Mapping
from math import isnan
from types import MappingProxyType
from typing import Final

from geoseptic.model.findings import Inspection, Run
from geoseptic.units import from_metres

RESTS_ON: Final[Mapping[str, str]] = MappingProxyType(
    {
        "camera": "a camera run",
        "uncovered": "the open pipe",
        "locator": "a locator's signal",
        "dye": "a dye test",
        "flow": "water that was run and seen to come out",
        "heard": "water that was heard",
        "probe": "a probe",
        "record": "a record",
        "assumed": "what somebody told or guessed",
    }
)
"""Method -> what a link rests on."""


def length_words(length_m: float) -> str:
    """A length as '30 ft (9.1 m)': inspectors measure in feet."""
    return f"{round(from_metres(length_m, 'ft'), 1):g} ft ({round(length_m, 1):g} m)"


def listed_words(words: Iterable[str], last: str = "and") -> str:
    """'a', 'a and b', 'a, b and c'."""
    found = list(words)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} {last} {found[-1]}" if found else "none"


def quoted(run: Run, found: Inspection) -> str:
    """A run as its row says it: 'run 3 (line 4): camera from clean out CO1 to pit P1, 30 ft (9.1 m), noted: roots'."""
    text = f"{run.where}: {run.method}"
    if run.from_key is not None:
        text += f" from {found.points[run.from_key].words}"
    elif run.fixtures:
        text += " from the house"
    if run.to_key is not None:
        text += f" {'up ' if run.upstream else ''}to {found.points[run.to_key].words}"
    if run.fixtures:
        text += f", {listed_words(run.fixtures)} run"
    if run.flow is not None:
        text += ", water came" if run.flow else ", no water came"
    if not isnan(run.length_m):
        text += f", {length_words(run.length_m)}"
    if run.date:
        text += f", {run.date}"
    return text + (f", noted: {run.notes}" if run.notes else "")
