"""Rule sets: TOML files in, frozen RuleSet values out. Everything that a file may not say is refused here, all at once."""

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from geoseptic.errors import RuleFileError
from geoseptic.io.certaintyfiles import read_certainty
from geoseptic.io.rulemerge import (
    SetbackKey,
    SlopeKey,
    Stated,
    merged_setbacks,
    merged_slope_limits,
    refuse_reliefs_of_nothing,
)
from geoseptic.io.rulevalues import (
    Faults,
    read_citation,
    read_day,
    read_edition,
    read_flag,
    read_names,
    read_number,
    read_tables,
    read_text,
    refuse_unknown,
    short,
)
from geoseptic.io.sizingfiles import SIZING_TABLES, read_sizing
from geoseptic.io.soilfiles import read_vertical_separation
from geoseptic.io.standingfiles import read_eras, read_standing
from geoseptic.model.rules import CONDITIONS, EXCLUSIVE, FEATURES, PARTS, Citation, RuleSet, Setback, SlopeLimit
from geoseptic.units import METRES_PER_UNIT, to_metres

MAX_BYTES: Final = 1_000_000
"""Longest file that is read."""

MAX_DISTANCE_M: Final = 3000.0
"""Longest setback that is believed; a longer one is a slip in the number or the unit."""

MAX_EXTENDS: Final = 8
"""How many sets one may extend, and how long the chain may grow."""

MAX_DOTS: Final = 40
"""Dots in one key: a key nested deeper is no rule set, and reading it would take time that grows with the square."""

SLOPE_KINDS: Final = ("any", "trench", "bed")
"""The layouts that a slope limit may be for."""

SET_KEYS: Final = (
    frozenset(
        {"id", "title", "jurisdiction", "edition", "unit", "summary", "extends", "sizing_only", "standing_only", "replaces"}
        | {"citation", "setback", "slope_limit", "vertical_separation", "standing", "era", "certainty"}
    )
    | SIZING_TABLES
)
CITATION_KEYS: Final = frozenset({"title", "section", "edition", "address", "read_on", "checked", "note"})
SETBACK_KEYS: Final = frozenset(
    {"part", "feature", "distance", "applies", "unit", "when", "relief", "variance", "measured_from", "cite", "note"}
)
SLOPE_KEYS: Final = frozenset({"part", "max_percent", "kind", "variance", "cite", "note"})


def shipped_rules() -> tuple[str, ...]:
    """The ids of the rule sets that come with geoseptic, sorted."""
    return tuple(sorted(_shipped()))


def load_rules(id_or_path: str | Path) -> RuleSet:
    """The rule set with that id, or in that TOML file, with what it extends merged in.

    Raises
    ------
    RuleFileError : there is no such set, or it is not well formed; the message names the file, each entry and its fault.
    """
    if isinstance(id_or_path, str) and id_or_path in _shipped():
        return _shipped_set(id_or_path)
    path = Path(id_or_path)
    if not _is_file(path):
        raise RuleFileError(
            short(str(id_or_path)),
            "the name",
            f"there is neither a file of that name nor a shipped set. Shipped: {', '.join(shipped_rules())}.",
        )
    return _read(path, (), {})


def _read(path: Path, parents: tuple[Path, ...], done: dict[Path, RuleSet]) -> RuleSet:
    path = path.resolve()
    if path in done:
        return done[path]
    if path in parents:
        circle = " -> ".join(step.name for step in (*parents[parents.index(path) :], path))
        raise RuleFileError(path.name, "extends", f"the sets extend each other in a circle: {circle}.")
    if len(parents) >= MAX_EXTENDS:
        raise RuleFileError(path.name, "extends", f"a chain of more than {MAX_EXTENDS} sets. Merge some of them.")
    table = _table(path)
    faults = Faults(path.name)
    bases = [_read(base, (*parents, path), done) for name in _extends(table, faults) if (base := _located(name, path, faults)) is not None]
    rules = _built(table, path, bases, {rules.id for rules in done.values()}, faults)
    done[path] = rules
    return rules


def _built(table: Mapping[str, object], path: Path, bases: list[RuleSet], taken: set[str], faults: Faults) -> RuleSet:
    """The set in `table`, checked, over `bases`; raises RuleFileError with everything that is wrong."""
    refuse_unknown(table, SET_KEYS, "the top of the file", faults)
    texts = {key: read_text(table, key, "the top of the file", faults) for key in ("title", "jurisdiction", "summary")}
    edition = read_edition(table, "edition", "the top of the file", faults)
    unit = _unit(table, None, "the top of the file", faults)
    own_id = _id(table, path, taken, faults)
    citations = _citations(table, own_id, faults)
    setbacks = _setbacks(table, unit, citations, bool(bases), faults)
    slopes = _slope_limits(table, citations, bool(bases), faults)
    merged = merged_setbacks(own_id, bases, setbacks, faults)
    merged_slopes = merged_slope_limits(own_id, bases, slopes, faults)
    sizing = read_sizing(table, citations, bases, faults)
    separation = read_vertical_separation(table, citations, bases, faults)
    standings = read_standing(table, citations, bases, faults)
    eras = read_eras(table, bases, faults)
    certainty = read_certainty(table, bases, faults)
    only = {name: read_flag(table, name, "the top of the file", faults) for name in ("sizing_only", "standing_only")}
    has_it = (only["sizing_only"] and sizing.stated) or (only["standing_only"] and standings)
    if not merged and not table.get("setback") and not has_it:
        faults.add(
            "setback",
            "the set holds no setback and extends none that does. Write sizing_only = true if it is for sizing alone, "
            "standing_only = true if it is for the standing of old systems alone.",
        )
    for name in (name for name, stated in only.items() if stated and merged):
        faults.add(name, "the set, or one that it extends, holds setbacks.")
    refuse_reliefs_of_nothing(merged, setbacks, faults)
    faults.raise_if_any()
    return RuleSet(
        id=own_id,
        title=texts["title"],
        jurisdiction=texts["jurisdiction"],
        edition=edition,
        unit=unit,
        summary=texts["summary"],
        extends=tuple(base.id for base in bases),
        setbacks=tuple(merged.values()),
        slope_limits=tuple(merged_slopes.values()),
        source=path.name,
        sizing=sizing,
        vertical_separation=separation,
        standings=standings,
        eras=eras,
        certainty=certainty,
    )


# --- one file, one table -------------------------------------------------------------------------------------------------


@cache
def _shipped() -> dict[str, Path]:
    folder = Path(str(files("geoseptic"))) / "data" / "rules"
    return {path.stem: path for path in folder.glob("*.toml")}


@cache
def _shipped_set(name: str) -> RuleSet:
    """Read once: it belongs to the code, and nobody can change what is in it."""
    return _read(_shipped()[name], (), {})


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name too long, or with a null byte in it
        return False


def _table(path: Path) -> dict[str, object]:
    """The file as a table; raises RuleFileError where it cannot be one."""
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise RuleFileError(path.name, "the file", f"it cannot be read: {error.strerror}.") from error
    if len(content) > MAX_BYTES:
        raise RuleFileError(path.name, "the file", f"it is longer than {MAX_BYTES:,} bytes. Split it and use extends.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RuleFileError(path.name, "the file", f"it is not UTF-8 (byte {error.start}). Save it as UTF-8.") from error
    for number, line in enumerate(text.split("\n"), 1):
        keys = line.split("=")[:-1] or ([line] if line.lstrip().startswith("[") else [])
        if any(key.count(".") > MAX_DOTS for key in keys):
            raise RuleFileError(path.name, f"line {number}", "it is nested too deeply.")
    try:
        return tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, or an integer of more digits than Python converts
        raise RuleFileError(path.name, "the file", f"it is not valid TOML: {short(str(error))}.") from error
    except RecursionError as error:
        raise RuleFileError(path.name, "the file", "it is nested too deeply.") from error


def _extends(table: Mapping[str, object], faults: Faults) -> tuple[str, ...]:
    value = table.get("extends", [])
    if not isinstance(value, list) or not all(isinstance(name, str) and name for name in value):
        faults.add("extends", 'it must be a list of ids or relative paths, such as ["us-wa"].')
        return ()
    if len(value) > MAX_EXTENDS or len(set(value)) < len(value):
        faults.add("extends", f"it names more than {MAX_EXTENDS} sets, or one of them twice.")
        return ()
    return tuple(value)


def _located(name: str, path: Path, faults: Faults) -> Path | None:
    if name in _shipped():
        return _shipped()[name]
    if Path(name).is_absolute():
        faults.add("extends", f"'{short(name)}' is an absolute path. Give it relative to this file.")
    elif _is_file(path.parent / name):
        return path.parent / name
    else:
        faults.add("extends", f"'{short(name)}' is neither a shipped set ({', '.join(shipped_rules())}) nor a file beside this one.")
    return None


def _id(table: Mapping[str, object], path: Path, taken: set[str], faults: Faults) -> str:
    """The set's id. Outputs name the set by it, so no two may share one."""
    name = read_text(table, "id", "the top of the file", faults)
    if name and not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", name):
        faults.add("id", f"'{short(name)}' must be of lower-case letters, digits and hyphens, at most 64.")
    shipped = {found.resolve(): stem for stem, found in _shipped().items()}
    if path in shipped and shipped[path] != name:
        faults.add("id", f"'{short(name)}' must be the name of its file, '{shipped[path]}'.")
    elif path not in shipped and name in _shipped():
        faults.add("id", f"'{name}' is the id of a shipped set. Choose another, and use extends to build on it.")
    elif name in taken:
        faults.add("id", f"'{name}' is also the id of a set that it extends.")
    return name


# --- citations, setbacks and slope limits of one file ----------------------------------------------------------------------


def _citations(table: Mapping[str, object], set_id: str, faults: Faults) -> dict[str, Citation]:
    found: dict[str, Citation] = {}
    tables = table.get("citation", {})
    if not isinstance(tables, dict):
        faults.add("citation", "write each as a table of its own: [citation.NAME].")
        return found
    for key, entry in tables.items():
        where = f"citation '{short(key)}'"
        if not isinstance(entry, dict):
            faults.add(where, "it must be a table of its own: [citation.NAME].")
            continue
        refuse_unknown(entry, CITATION_KEYS, where, faults)
        checked = read_flag(entry, "checked", where, faults, required=True)
        address = read_text(entry, "address", where, faults, may_be_empty=not checked)
        if address and not address.startswith(("https://", "http://")):
            faults.add(where, "address must begin with https:// or http://.")
        # A value from memory was read nowhere: only then may address and read_on be empty.
        found[key] = Citation(
            key=f"{set_id}/{key}",
            title=read_text(entry, "title", where, faults),
            section=read_text(entry, "section", where, faults),
            edition=read_edition(entry, "edition", where, faults),
            address=address,
            read_on=read_day(entry, "read_on", where, faults, may_be_empty=not checked),
            checked=checked,
            note=read_text(entry, "note", where, faults, required=False),
        )
    return found


def _setbacks(
    table: Mapping[str, object], unit: str, citations: Mapping[str, Citation], extending: bool, faults: Faults
) -> dict[SetbackKey, Stated[Setback]]:
    found: dict[SetbackKey, Stated[Setback]] = {}
    for number, entry in read_tables(table, "setback", faults):
        where = f"setback {number}"
        parts = read_names(entry, "part", PARTS, where, faults)
        features = read_names(entry, "feature", FEATURES, where, faults)
        where += f" ({_shown(parts)} to {_shown(features)})" if parts and features else ""
        refuse_unknown(entry, SETBACK_KEYS, where, faults)
        when = frozenset(read_names(entry, "when", CONDITIONS, where, faults, required=False))
        for group in EXCLUSIVE:
            if len(group & when) > 1:
                faults.add(where, f"when: {' and '.join(sorted(group & when))} cannot hold together.")
        relief = read_flag(entry, "relief", where, faults)
        if relief and not when:
            faults.add(where, 'a relief needs a condition, or it would apply by itself: when = ["authority_consent"].')
        measured = _distance(entry, unit, relief, where, faults)
        citation = read_citation(entry, citations, where, faults)
        variance = _variance(entry, extending, where, faults)
        measured_from = read_text(entry, "measured_from", where, faults, required=False)
        note = read_text(entry, "note", where, faults, required=False)
        if measured is None or citation is None:
            continue
        distance_m, stated = measured
        for part in parts:
            for feature in features:
                key = (part, feature, when, relief)
                if key in found:
                    same = found[key].where
                    faults.add(where, f"{part} to {feature}, under the same conditions, is already in {same}.")
                    continue
                found[key] = Stated(
                    Setback(part, feature, distance_m, stated, when, relief, measured_from, citation, note), where, variance
                )
    return found


def _slope_limits(
    table: Mapping[str, object], citations: Mapping[str, Citation], extending: bool, faults: Faults
) -> dict[SlopeKey, Stated[SlopeLimit]]:
    found: dict[SlopeKey, Stated[SlopeLimit]] = {}
    for number, entry in read_tables(table, "slope_limit", faults):
        where = f"slope_limit {number}"
        parts = read_names(entry, "part", PARTS, where, faults)
        refuse_unknown(entry, SLOPE_KEYS, where, faults)
        (kind,) = read_names(entry, "kind", SLOPE_KINDS, where, faults)[:1] or ("any",)
        percent = read_number(entry, "max_percent", where, faults)
        if percent is not None and not 0 < percent <= 100:
            faults.add(where, f"max_percent = {percent:g} is not between 0 and 100.")
        citation = read_citation(entry, citations, where, faults)
        variance = _variance(entry, extending, where, faults)
        note = read_text(entry, "note", where, faults, required=False)
        if percent is None or citation is None:
            continue
        for part in parts:
            if (part, kind) in found:
                faults.add(where, f"the limit of a {part} for {kind} is already in {found[part, kind].where}.")
                continue
            found[part, kind] = Stated(SlopeLimit(part, percent, kind, citation, note), where, variance)
    return found


# --- one value ---------------------------------------------------------------------------------------------------------------


def _distance(entry: Mapping[str, object], default_unit: str, relief: bool, where: str, faults: Faults) -> tuple[float | None, str] | None:
    """The distance in metres, None where none applies, and as stated; None if it is faulty."""
    applies = read_flag(entry, "applies", where, faults, default=True)
    if not applies:
        if "distance" in entry:
            faults.add(where, "it has both a distance and applies = false. Leave one out.")
            return None
        if relief:
            faults.add(where, "a relief needs a distance.")
            return None
        return None, "not applicable"
    unit = _unit(entry, default_unit, where, faults)
    value = read_number(entry, "distance", where, faults)
    if value is None or not unit:
        return None
    if value <= 0:
        faults.add(where, f"distance = {value:g}. Write applies = false where the code says that no distance applies.")
        return None
    distance_m = to_metres(value, unit)
    if distance_m > MAX_DISTANCE_M:
        faults.add(where, f"distance = {value:g} {unit} is over {MAX_DISTANCE_M:g} m. Check the number and the unit.")
        return None
    return distance_m, f"{value:g} {unit}"


def _unit(entry: Mapping[str, object], default: str | None, where: str, faults: Faults) -> str:
    """A unit of length; empty if it is faulty."""
    if default is not None and "unit" not in entry:
        return default
    unit = read_text(entry, "unit", where, faults)
    if unit and unit not in METRES_PER_UNIT:
        faults.add(where, f"unit '{short(unit)}' is not known. Use one of: {', '.join(METRES_PER_UNIT)}.")
        return ""
    return unit


def _variance(entry: Mapping[str, object], extending: bool, where: str, faults: Faults) -> bool:
    variance = read_flag(entry, "variance", where, faults)
    if variance and not extending:
        faults.add(where, "variance = true, but the set extends none.")
    return variance


def _shown(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
