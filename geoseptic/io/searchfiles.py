"""Where old systems are looked for and what counts as wet ground, out of the table that ships with geoseptic."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Final

from geoseptic.io.rulevalues import Faults, read_citation, read_edition, read_flag, read_number, read_quantity, read_tables, read_text
from geoseptic.model.citation import Citation
from geoseptic.model.search_rules import FACTORS, Band, Factor, SearchRules, WetRules
from geoseptic.units import METRES_PER_UNIT

SEARCH_FILE: Final = "search_bands.toml"
Entry = Mapping[str, object]

NO_CITATION: Final = Citation("", "", "", "", "", "", False)


@cache
def load_search_rules() -> tuple[SearchRules, WetRules]:
    """The table that ships with geoseptic, in SI; raises RuleFileError where that file is damaged."""
    return read_search_rules((files("geoseptic") / "data" / SEARCH_FILE).read_text(encoding="utf-8"))


def read_search_rules(text: str) -> tuple[SearchRules, WetRules]:
    """The table from the text of such a file; raises RuleFileError with every fault."""
    table = tomllib.loads(text)
    faults = Faults(SEARCH_FILE)
    citations = {key: _citation(key, entry, faults) for key, entry in table.get("citation", {}).items()}
    bands = tuple(_band(entry, citations, f"band {number}", faults) for number, entry in read_tables(table, "band", faults))
    if not bands or bands[0].from_m != 0 or any(one.to_m != two.from_m for one, two in pairwise(bands)):
        faults.add("band", "the bands must begin at the wall, ascend and leave no gap.")
    if any(band.from_m >= band.to_m for band in bands):
        faults.add("band", "a band must end farther out than it begins.")
    factors = {
        read_text(entry, "name", f"factor {number}", faults): _factor(entry, citations, f"factor {number}", faults)
        for number, entry in read_tables(table, "factor", faults)
    }
    if sorted(factors) != sorted(FACTORS):
        faults.add("factor", f"there must be one for each of {', '.join(FACTORS)}.")
    reach, wet = table.get("reach", {}), table.get("wet", {})
    search = SearchRules(
        bands,
        factors,
        _length(reach, "level_within", "reach", faults),
        _length(reach, "near_well", "reach", faults),
        _length(reach, "smoothed_over", "reach", faults),
        _number(reach, "straight_within_degrees", "reach", 90.0, faults),
        _number(reach, "aslant_within_degrees", "reach", 90.0, faults),
        _length(reach, "behind_the_wall", "reach", faults),
        read_citation(reach, citations, "reach", faults) or NO_CITATION,
    )
    if search.straight_degrees >= search.aslant_degrees:
        faults.add("reach", "straight_within_degrees must be less than aslant_within_degrees.")
    rules = WetRules(
        _number(wet, "share_of_cells", "wet", 1.0, faults),
        _number(wet, "least_share", "wet", 1.0, faults),
        _length(wet, "pit_depth", "wet", faults),
        _number(wet, "stream_area_m2", "wet", 1e9, faults),
        read_citation(wet, citations, "wet", faults) or NO_CITATION,
    )
    faults.raise_if_any()
    return search, rules


def _citation(key: str, entry: Entry, faults: Faults) -> Citation:
    return Citation(
        key=f"search_bands/{key}",
        title=read_text(entry, "title", key, faults),
        section=read_text(entry, "section", key, faults, may_be_empty=True),
        edition=read_edition(entry, "edition", key, faults),
        address=read_text(entry, "address", key, faults, may_be_empty=True),
        read_on=read_text(entry, "read_on", key, faults, may_be_empty=True),
        checked=read_flag(entry, "checked", key, faults, required=True),
        note=read_text(entry, "note", key, faults, required=False),
    )


def _band(entry: Entry, citations: Mapping[str, Citation], where: str, faults: Faults) -> Band:
    return Band(
        _length(entry, "from", where, faults),
        _length(entry, "to", where, faults),
        _number(entry, "weight", where, 1.0, faults),
        read_text(entry, "look_for", where, faults),
        read_citation(entry, citations, where, faults) or NO_CITATION,
    )


def _factor(entry: Entry, citations: Mapping[str, Citation], where: str, faults: Faults) -> Factor:
    return Factor(
        _number(entry, "weight", where, 1.0, faults),
        read_text(entry, "words", where, faults),
        read_citation(entry, citations, where, faults) or NO_CITATION,
    )


def _length(entry: Entry, key: str, where: str, faults: Faults) -> float:
    return read_quantity(entry, key, METRES_PER_UNIT, where, faults) or 0.0


def _number(entry: Entry, key: str, where: str, most: float, faults: Faults) -> float:
    """A number above 0 and at most `most`."""
    value = read_number(entry, key, where, faults)
    if value is None:
        return 0.0
    if not 0 < value <= most:
        faults.add(where, f"{key} = {value:g} must be above 0 and at most {most:g}.")
    return value
