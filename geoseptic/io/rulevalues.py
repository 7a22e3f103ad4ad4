"""Reading single values out of a TOML table, gathering every fault so that a file is refused once with all of them."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from geoseptic.errors import PRINTED_IDS, RuleFileError
from geoseptic.model.citation import Citation


@dataclass
class Faults:
    """Gathers what is wrong in one file, so that it is told once."""

    source: str
    found: list[tuple[str, str]] = field(default_factory=list)

    def add(self, where: str, why: str) -> None:
        self.found.append((where, why))

    def raise_if_any(self) -> None:
        if len(self.found) == 1:
            raise RuleFileError(self.source, *self.found[0])
        if self.found:
            lines = [f"  - {where}: {why}" for where, why in self.found[:PRINTED_IDS]]
            if len(self.found) > PRINTED_IDS:
                lines.append(f"  - and {len(self.found) - PRINTED_IDS} more")
            raise RuleFileError(self.source, f"{len(self.found)} faults", "\n" + "\n".join(lines))


def read_tables(table: Mapping[str, object], key: str, faults: Faults) -> list[tuple[int, Mapping[str, object]]]:
    """The tables under [[key]], numbered from 1 as a reader counts them."""
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        faults.add(key, f"write each entry as a table of its own: [[{key}]].")
        return []
    return list(enumerate(value, 1))


def read_number(entry: Mapping[str, object], key: str, where: str, faults: Faults) -> float | None:
    value = entry.get(key)
    if value is None:
        faults.add(where, f"{key} is missing.")
    elif isinstance(value, bool) or not isinstance(value, int | float):
        faults.add(where, f"{key} must be a number.")
    elif isinstance(value, float) and not math.isfinite(value):
        faults.add(where, f"{key} = {value} is no finite number.")
    elif isinstance(value, int) and abs(value) > 10**9:
        faults.add(where, f"{key} is far too large.")
    else:
        return float(value)
    return None


def read_names(
    entry: Mapping[str, object],
    key: str,
    known: Iterable[str],
    where: str,
    faults: Faults,
    required: bool = True,
) -> tuple[str, ...]:
    """Words of a vocabulary, given as text or as a list of texts."""
    value = entry.get(key)
    if value is None:
        if required:
            faults.add(where, f"{key} is missing.")
        return ()
    listed_value = [value] if isinstance(value, str) else value
    if not isinstance(listed_value, list) or not all(isinstance(name, str) for name in listed_value):
        faults.add(where, f"{key} must be text in quotes, or a list of it.")
        return ()
    if required and not listed_value:
        faults.add(where, f"{key} is empty.")
    if len(set(listed_value)) < len(listed_value):
        faults.add(where, f"{key} names something twice.")
    for name in listed_value:
        if name not in tuple(known):
            faults.add(where, f"{key} '{short(name)}' is not known. Use one of: {', '.join(known)}.")
    return tuple(dict.fromkeys(name for name in listed_value if name in tuple(known)))


def read_text(
    entry: Mapping[str, object],
    key: str,
    where: str,
    faults: Faults,
    required: bool = True,
    may_be_empty: bool = False,
) -> str:
    value = entry.get(key)
    if value is None:
        if required:
            faults.add(where, f"{key} is missing.")
        return ""
    if not isinstance(value, str):
        faults.add(where, f"{key} must be text in quotes.")
        return ""
    if required and not may_be_empty and not value.strip():
        faults.add(where, f"{key} is empty.")
    return value.strip()


def read_flag(
    entry: Mapping[str, object],
    key: str,
    where: str,
    faults: Faults,
    required: bool = False,
    default: bool = False,
) -> bool:
    value = entry.get(key)
    if value is None and not required:
        return default
    if not isinstance(value, bool):
        faults.add(where, f"{key} must be true or false." if key in entry else f"{key} is missing.")
        return default
    return value


def read_edition(entry: Mapping[str, object], key: str, where: str, faults: Faults) -> str:
    """An edition: a date, or words such as "2012 to 2021"."""
    value = entry.get(key)
    return value.isoformat() if isinstance(value, date) else read_text(entry, key, where, faults)


def read_day(entry: Mapping[str, object], key: str, where: str, faults: Faults, may_be_empty: bool) -> str:
    """A day as YYYY-MM-DD."""
    value = entry.get(key)
    if isinstance(value, date):
        return value.isoformat()[:10]
    words = read_text(entry, key, where, faults, may_be_empty=may_be_empty)
    if words:
        try:
            return date.fromisoformat(words).isoformat()
        except ValueError:
            faults.add(where, f"{key} '{short(words)}' is no day: write YYYY-MM-DD.")
    return words


def read_citation(entry: Mapping[str, object], citations: Mapping[str, Citation], where: str, faults: Faults) -> Citation | None:
    """The citation that `cite` names."""
    key = read_text(entry, "cite", where, faults)
    if key and key not in citations:
        known = ", ".join(citations) or "none"
        faults.add(where, f"cite '{short(key)}' is not among the citations of this file ({known}).")
    return citations.get(key)


def read_quantity(
    entry: Mapping[str, object], key: str, units: Mapping[str, float], where: str, faults: Faults, required: bool = True
) -> float | None:
    """A number with its unit in one text, such as "24 in", times the unit's factor; None if it is faulty or left out."""
    words = read_text(entry, key, where, faults, required=required)
    if not words:
        return None
    number, _, unit = words.partition(" ")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0 or unit.strip() not in units:
        faults.add(where, f"{key} = '{short(words)}' must be a number, a space and one of {', '.join(units)}.")
        return None
    return value * units[unit.strip()]


def read_count(
    entry: Mapping[str, object], key: str, where: str, faults: Faults, default: int | None = None, low: int = 1, high: int = 100
) -> int | None:
    """A whole number from low to high; `default` where it is left out, and a fault where there is none."""
    value = entry.get(key, default)
    if value is None:
        faults.add(where, f"{key} is missing.")
    elif isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        faults.add(where, f"{key} must be a whole number from {low} to {high}.")
    else:
        return value
    return None


def refuse_unknown(entry: Mapping[str, object], known: frozenset[str], where: str, faults: Faults) -> None:
    for key in entry:
        if key not in known:
            faults.add(where, f"unknown key '{short(key)}'. Known: {', '.join(sorted(known))}.")


def short(words: str) -> str:
    """`words` for a message: a file may hold any length of them."""
    return words if len(words) <= 80 else words[:77] + "..."
