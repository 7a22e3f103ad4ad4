"""Soil tables out of TOML: the federal criteria that ship with geoseptic, and a rule set's vertical separations."""

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Final

from geoseptic.io.rulevalues import (
    Faults,
    read_citation,
    read_edition,
    read_flag,
    read_names,
    read_number,
    read_quantity,
    read_tables,
    read_text,
    refuse_unknown,
    short,
)
from geoseptic.io.sizingfiles import read_band, read_soils
from geoseptic.model.citation import Citation
from geoseptic.model.rules import CONDITIONS, EXCLUSIVE, RuleSet
from geoseptic.model.soil_rules import CLASSES, LIMITING, MEASURED_FROM, PROPERTIES, Criterion, SoilClass, VerticalSeparation
from geoseptic.units import METRES_PER_UNIT, MICROMETRES_PER_SECOND_PER_UNIT

CRITERIA_FILE: Final = "soil_criteria.toml"
MAX_SEPARATION_M: Final = 30.0
"""Deepest separation that is believed; a deeper one is a slip in the number or the unit."""

SEPARATION_KEYS: Final = frozenset(
    {"above", "distance", "suitable", "from", "when", "percolation", "per_inches", "soil", "variance", "cite", "note"}
)
Entry = Mapping[str, object]
Key = tuple[object, ...]


@cache
def load_soil_criteria() -> tuple[Criterion, ...]:
    """The federal criteria for septic tank absorption fields, in SI, from the file that ships with geoseptic.

    Raises RuleFileError where that file is damaged.
    """
    table = tomllib.loads((files("geoseptic") / "data" / CRITERIA_FILE).read_text(encoding="utf-8"))
    faults = Faults(CRITERIA_FILE)
    citations = {
        key: Citation(
            key=f"soil_criteria/{key}",
            title=read_text(entry, "title", key, faults),
            section=read_text(entry, "section", key, faults),
            edition=read_edition(entry, "edition", key, faults),
            address=read_text(entry, "address", key, faults, may_be_empty=True),
            read_on=read_text(entry, "read_on", key, faults, may_be_empty=True),
            checked=read_flag(entry, "checked", key, faults, required=True),
            note=read_text(entry, "note", key, faults, required=False),
        )
        for key, entry in table["citation"].items()
    }
    found = [_criterion(entry, citations, f"criterion {number}", faults) for number, entry in read_tables(table, "criterion", faults)]
    faults.raise_if_any()
    return tuple(criterion for criterion in found if criterion is not None)


def _criterion(entry: Entry, citations: Mapping[str, Citation], where: str, faults: Faults) -> Criterion | None:
    (name,) = read_names(entry, "property", PROPERTIES, where, faults)[:1] or ("",)
    feature = read_text(entry, "feature", where, faults)
    citation = read_citation(entry, citations, where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    by_words = {cls: read_names(entry, cls, _words(entry, cls), where, faults, required=False) for cls in CLASSES if "unit" not in entry}
    words: dict[str, SoilClass] = {word: cls for cls, listed in by_words.items() for word in listed}
    mild = harsh = 0.0
    stated = "; ".join(f"{cls}: {', '.join(listed)}" for cls, listed in by_words.items() if listed)
    if not words:
        unit = read_text(entry, "unit", where, faults)
        factors = {"%": 1.0} | METRES_PER_UNIT | MICROMETRES_PER_SECOND_PER_UNIT
        beyond = read_number(entry, "severe_beyond", where, faults)
        first = read_number(entry, "moderate_from", where, faults) if "moderate_from" in entry else beyond
        if beyond is None or first is None or unit not in factors:
            faults.add(where, "it needs words for its classes, or severe_beyond with a known unit.")
            return None
        mild, harsh = first * factors[unit], beyond * factors[unit]
        stated = f"{'moderate from ' + format(first, 'g') + ', ' if first != beyond else ''}severe beyond {beyond:g} {unit}"
    more_is_worse = read_flag(entry, "more_is_worse", where, faults, required=not words)
    return None if citation is None else Criterion(name, feature, mild, harsh, more_is_worse, words, stated, citation, note)


def _words(entry: Entry, cls: str) -> list[str]:
    """Whatever is written there: the words of a survey are its own."""
    value = entry.get(cls, [])
    return [str(word) for word in value] if isinstance(value, list) else []


def read_vertical_separation(
    table: Entry, citations: Mapping[str, Citation], bases: Iterable[RuleSet], faults: Faults
) -> tuple[VerticalSeparation, ...]:
    """The [[vertical_separation]] lines of one file over those of the sets it extends; one that loosens needs a variance."""
    merged: dict[Key, VerticalSeparation] = {}
    loosened: dict[Key, str] = {}
    for base in bases:
        for line in base.vertical_separation:
            if line.key in merged and _is_looser(line, merged[line.key]):
                earlier = merged[line.key].stated
                loosened[line.key] = f"'{base.id}' keeps {line.stated} above {LIMITING[line.above]}, an earlier set {earlier}"
            merged[line.key] = line
    own: dict[Key, str] = {}
    for number, entry in read_tables(table, "vertical_separation", faults):
        where = f"vertical_separation {number}"
        refuse_unknown(entry, SEPARATION_KEYS, where, faults)
        variance, is_looser = read_flag(entry, "variance", where, faults), False
        for line in _separations(entry, citations, where, faults):
            if line.key in own:
                faults.add(where, f"{LIMITING[line.above]}, under the same conditions, is already in {own[line.key]}.")
                continue
            own[line.key] = where
            before = merged.get(line.key)
            if before is not None and _is_looser(line, before):
                is_looser = True
                line = replace(line, note=f"variance: {before.stated} by {before.citation.title}. {line.note}".strip())
                if not variance:
                    faults.add(where, f"{line.stated} is looser than the {before.stated} of what the set extends: write variance = true.")
            merged[line.key] = line
        if variance and not is_looser:
            faults.add(where, "variance = true, but it is not looser than what the set extends. Leave it out.")
    for key, why in loosened.items():
        if key not in own:
            faults.add("extends", f"{why}. State the distance that holds in this file.")
    return tuple(merged.values())


def _separations(entry: Entry, citations: Mapping[str, Citation], where: str, faults: Faults) -> list[VerticalSeparation]:
    above = read_names(entry, "above", LIMITING, where, faults)
    (measured_from,) = read_names(entry, "from", MEASURED_FROM, where, faults)[:1] or ("",)
    when = frozenset(read_names(entry, "when", CONDITIONS, where, faults, required=False))
    for group in EXCLUSIVE:
        if len(group & when) > 1:
            faults.add(where, f"when: {' and '.join(sorted(group & when))} cannot hold together.")
    band = read_band(entry, where, faults) if "percolation" in entry else None
    soils = read_soils(entry, where, faults) if "soil" in entry else ()
    if read_flag(entry, "suitable", where, faults, default=True):
        distance_m = read_quantity(entry, "distance", METRES_PER_UNIT, where, faults)
        stated = str(entry.get("distance", "")).strip()
    else:
        distance_m, stated = math.inf, "no depth is enough"
        if "distance" in entry:
            faults.add(where, "it has both a distance and suitable = false. Leave one out.")
    if distance_m is not None and math.isfinite(distance_m) and not 0 < distance_m <= MAX_SEPARATION_M:
        faults.add(where, f"distance = '{short(str(entry['distance']))}' is not between 0 and {MAX_SEPARATION_M:g} m.")
    citation = read_citation(entry, citations, where, faults)
    note = read_text(entry, "note", where, faults, required=False)
    if distance_m is None or citation is None:
        return []
    return [VerticalSeparation(name, distance_m, stated, measured_from, when, band, citation, note, soils) for name in above]


def _is_looser(line: VerticalSeparation, before: VerticalSeparation) -> bool:
    return line.distance_m < before.distance_m - 1e-6
