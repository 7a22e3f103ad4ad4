"""The tables [[standing]] and [[era]] of a rule file: what becomes of old systems, and what was commonly built when."""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Final

from geoseptic.io.rulevalues import Faults, read_citation, read_flag, read_names, read_tables, read_text, refuse_unknown, short
from geoseptic.model.citation import Citation
from geoseptic.model.rules import RuleSet
from geoseptic.model.standing_rules import EXISTING, KINDS, NEW, Era, StandingLine

ERAS_FILE: Final = "eras.toml"
FIRST_YEAR: Final = 1600
LAST_YEAR: Final = 2100

STANDING_KEYS: Final = frozenset({"kind", "new", "since", "existing", "from", "only", "unless", "variance", "cite", "note"})
ERA_KEYS: Final = frozenset({"built_from", "built_to", "likely", "possible", "words", "basis"})
STATED_KINDS: Final = tuple(kind for kind in KINDS if kind != "sewer")
Entry = Mapping[str, object]


@cache
def common_eras() -> tuple[Era, ...]:
    """The eras that ship with geoseptic, common practice without a source: for every rule set that states none."""
    faults = Faults(ERAS_FILE)
    table = tomllib.loads((files("geoseptic") / "data" / ERAS_FILE).read_text(encoding="utf-8"))
    found = _own_eras(table, faults)
    faults.raise_if_any()
    return found


def read_eras(table: Entry, bases: Iterable[RuleSet], faults: Faults) -> tuple[Era, ...]:
    """The eras of one file, else those of the last set that it extends and that has its own, else the common ones."""
    own = _own_eras(table, faults)
    if own:
        return own
    inherited = [base.eras for base in bases if base.eras != common_eras()]
    return inherited[-1] if inherited else common_eras()


def read_standing(table: Entry, citations: Mapping[str, Citation], bases: Iterable[RuleSet], faults: Faults) -> tuple[StandingLine, ...]:
    """The [[standing]] lines of one file beside those of the sets it extends.

    A line is added to what the bases say; of the same kind and the same word it replaces theirs. One that is looser, or that lets an old
    system stay which a base does not, needs `variance = true` and then takes the place of every stricter line of the bases on that kind.
    """
    inherited = list(dict.fromkeys(line for base in bases for line in base.standings))
    own: list[StandingLine] = []
    for number, entry in read_tables(table, "standing", faults):
        where = f"standing {number}"
        refuse_unknown(entry, STANDING_KEYS, where, faults)
        variance = read_flag(entry, "variance", where, faults)
        looser = False
        for line in _lines(entry, citations, where, faults):
            if any(_key(line) == _key(other) for other in own):
                faults.add(where, f"{line.kind}: the same is already said above.")
                continue
            stricter = [before for before in inherited if _is_looser(line, before)]
            if stricter:
                looser = True
                if not variance:
                    said = f"{stricter[0].words} ({stricter[0].citation.title})"
                    faults.add(where, f"{line.kind}: '{line.words}' is looser than what the set extends: {said}. Write variance = true.")
                line = replace(line, note=f"variance: {stricter[0].words} by {stricter[0].citation.title}. {line.note}".strip())
            inherited = [before for before in inherited if before not in stricter and _key(before) != _key(line)]
            own.append(line)
        if variance and not looser:
            faults.add(where, "variance = true, but it is not looser than what the set extends. Leave it out.")
    return (*inherited, *own)


def _lines(entry: Entry, citations: Mapping[str, Citation], where: str, faults: Faults) -> list[StandingLine]:
    kinds = read_names(entry, "kind", STATED_KINDS, where, faults)
    (new,) = read_names(entry, "new", NEW, where, faults, required=False)[:1] or ("",)
    existing = read_names(entry, "existing", EXISTING, where, faults, required=False)
    if not new and not existing:
        faults.add(where, "it says neither new nor existing. Leave out what the code does not say.")
    since, begins = (_day(entry, key, where, faults) for key in ("since", "from"))
    if since and not new:
        faults.add(where, "since is the day from which `new` holds: state new.")
    if begins and not existing:
        faults.add(where, "from is the day from which `existing` holds: state existing.")
    if begins and len(existing) > 1:
        faults.add(where, "from with several words of existing does not tell of which: write a line for each.")
    if "replace_by_date" in existing and not begins:
        faults.add(where, "replace_by_date needs the date in from.")
    if "allowed_if_working" in existing and "banned" in existing:
        faults.add(where, "existing: banned and allowed_if_working cannot hold together.")
    citation = read_citation(entry, citations, where, faults)
    only, unless, note = (read_text(entry, key, where, faults, required=False) for key in ("only", "unless", "note"))
    if citation is None:
        return []
    found = []
    for kind in kinds:
        words = existing or ("",)
        for number, word in enumerate(words):
            # What is said of new ones is said once.
            told = (new, since) if number == 0 else ("", "")
            found.append(StandingLine(kind, *told, word, begins, only, unless, citation, note))
    return found


def _key(line: StandingLine) -> tuple[str, bool, str, str]:
    return line.kind, bool(line.new), line.existing, line.only


def _is_looser(line: StandingLine, before: StandingLine) -> bool:
    """Whether `line` lets something be that `before` does not, for those of which both hold."""
    if line.kind != before.kind or (line.only and before.only and line.only != before.only):
        return False
    new = bool(line.new and before.new) and list(NEW).index(line.new) > list(NEW).index(before.new)
    stays = line.existing == "allowed_if_working" and before.existing not in ("", "allowed_if_working", "replace_on_failure")
    later = line.existing == before.existing and bool(line.existing) and line.existing_from > before.existing_from
    return new or stays or later


def _own_eras(table: Entry, faults: Faults) -> tuple[Era, ...]:
    found = []
    for number, entry in read_tables(table, "era", faults):
        where = f"era {number}"
        refuse_unknown(entry, ERA_KEYS, where, faults)
        first, last = (_year(entry, key, where, faults) for key in ("built_from", "built_to"))
        if first is None and last is None:
            faults.add(where, "it states neither built_from nor built_to.")
        if first is not None and last is not None and first > last:
            faults.add(where, f"built_from {first} is after built_to {last}.")
        likely = read_names(entry, "likely", KINDS, where, faults)
        possible = read_names(entry, "possible", KINDS, where, faults, required=False)
        if set(likely) & set(possible):
            faults.add(where, "likely and possible name the same kind.")
        words = read_text(entry, "words", where, faults)
        found.append(Era(first, last, likely, possible, words, read_text(entry, "basis", where, faults)))
    for number, (era, later) in enumerate(pairwise(found), 2):
        if era.built_to is None or later.built_from is None or later.built_from != era.built_to + 1:
            faults.add(f"era {number}", "eras must follow each other year by year, without gap or overlap, the oldest first.")
    return tuple(found)


def _year(entry: Entry, key: str, where: str, faults: Faults) -> int | None:
    value = entry.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not FIRST_YEAR <= value <= LAST_YEAR:
        faults.add(where, f"{key} must be a year from {FIRST_YEAR} to {LAST_YEAR}.")
        return None
    return value


def _day(entry: Entry, key: str, where: str, faults: Faults) -> str:
    """A day as YYYY-MM-DD, a month as YYYY-MM or a year as YYYY; empty where it is left out."""
    value = entry.get(key)
    if value is None:
        return ""
    if isinstance(value, date):
        return value.isoformat()[:10]
    words = read_text(entry, key, where, faults)
    if not re.fullmatch(r"\d{4}(-(0[1-9]|1[0-2]))?", words):
        try:
            return date.fromisoformat(words).isoformat()
        except ValueError:
            faults.add(where, f"{key} '{short(words)}' is no day: write YYYY-MM-DD, YYYY-MM or YYYY.")
    return words
