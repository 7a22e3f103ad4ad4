"""How the names and words of a county's own files become those of the layer contracts, from the config file and the command line."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from geoseptic.errors import nearest
from geoseptic.io.placecolumns import PLACE_COLUMNS
from geoseptic.io.placewords import ANGLES, PLACE_SETTINGS, UNPLACED
from geoseptic.model.layers import SECTIONS, Column, Contract
from geoseptic.process import LayerIn, Process

ColumnNames = dict[str, dict[str, str]]
"""layer -> column of the contract -> column of the file"""

ValueMaps = dict[str, dict[str, dict[str, str]]]
"""layer -> column of the contract -> word of the file, in lower case -> word of the contract; empty: unknown"""

PlaceSettings = dict[str, dict[str, str]]
"""layer -> datum, angles or unplaced -> what is stated"""

STATED: Final = {
    "columns": ("Layer, column of ours, and the column of the file that is it", 2),
    "values": ("Layer, column of ours, word of the file, and the word of ours that it means", 3),
    "places": ("Layer, datum or angles or unplaced, and how places of a table are read", 2),
    "crs": ("Layer, and its coordinate reference system where the file declares none", 1),
    "encoding": ("Layer, and the encoding of its table", 1),
}
"""Tables of a config file that say how names and words of files are read -> what they hold, and how many mappings lie in one another."""

YES: Final = frozenset({"yes", "true", "1"})
NO: Final = frozenset({"no", "false", "0"})

EXAMPLES: Final = {"crs": "EPSG:26910", "encoding": "cp1252"}
"""What can be stated of the source of a layer, and how that looks."""

CODED: Final = ("choice", "flag")
"""Kinds of column whose words can be mapped."""


def column_names(process: Process[..., Any], from_config: object, from_line: Sequence[str], faults: list[str]) -> ColumnNames:
    """The column mappings, those of the line over those of the config; adds to `faults` what cannot be one."""
    stated = _in_tables(from_config, "columns", faults)
    for text in from_line:
        layer, column, name = _in_layer(text)
        if layer and column and name is not None:
            stated.append((layer, column, name))
        else:
            faults.append(f"--columns: '{text}' must be LAYER.COLUMN=NAME, such as parcels.parcel_id=APN.")
    contracts = _contracts(process)
    found: ColumnNames = {}
    for layer, column, named in stated:
        contract = _contract(process, contracts, layer, "columns", faults)
        if contract is None:
            continue
        # `id` stands for the contract's own id column.
        column = contract.id_column or column if column == "id" else column
        known = (*contract.names, *(PLACE_COLUMNS if contract.geometry in ("point", "any") else ()))
        if column not in known:
            faults.append(f"columns: {layer} have no column {nearest(column, known)}. Known: {', '.join(known) or 'none'}.")
        elif not isinstance(named, str):
            faults.append(f"columns: {layer}.{column} must be the name of a column of the file, not {named!r}.")
        else:
            found.setdefault(layer, {})[column] = named
    return found


def place_settings(process: Process[..., Any], from_config: object, from_line: Sequence[str], faults: list[str]) -> PlaceSettings:
    """What is stated of the places in tables, that of the line over that of the config; adds to `faults` what cannot be it."""
    stated = _in_tables(from_config, "places", faults)
    for text in from_line:
        layer, key, value = _in_layer(text)
        if layer and key and value:
            stated.append((layer, key, value))
        else:
            faults.append(f"--places: '{text}' must be LAYER.KEY=VALUE, such as wells.datum=NAD27.")
    contracts = _contracts(process)
    found: PlaceSettings = {}
    for layer, key, given in stated:
        contract = _contract(process, contracts, layer, "places", faults)
        if contract is None:
            continue
        options = {"angles": ANGLES, "unplaced": UNPLACED}.get(key)
        if contract.geometry not in ("point", "any"):
            faults.append(f"places: {layer} are no points, so no table can hold them.")
        elif key not in PLACE_SETTINGS:
            faults.append(f"places: no {nearest(key, PLACE_SETTINGS)}. Known: {', '.join(PLACE_SETTINGS)}.")
        elif not isinstance(given, str) or (options is not None and given not in options):
            faults.append(f"places: {layer}.{key} must be {' or '.join(options) if options else 'text'}, not {given!r}.")
        else:
            found.setdefault(layer, {})[key] = given
    return found


def parted(columns: ColumnNames) -> tuple[ColumnNames, ColumnNames]:
    """The mapped columns of the contracts, and those that say where the rows of a table are. A layer of sections keeps its own."""
    own: ColumnNames = {}
    places: ColumnNames = {}
    for layer, mapping in columns.items():
        for column, name in mapping.items():
            (places if column in PLACE_COLUMNS and layer != SECTIONS.name else own).setdefault(layer, {})[column] = name
    return own, places


def value_maps(process: Process[..., Any], from_config: object, from_line: Sequence[str], faults: list[str]) -> ValueMaps:
    """The mappings of coded words, those of the line over those of the config; adds to `faults` what cannot be one."""
    stated: list[tuple[str, str, str, object]] = []
    for layer, tables in _tables(from_config, "values", "[values.LAYER.COLUMN]", faults):
        for column, mapping in _tables(tables, f"values.{layer}", f"[values.{layer}.COLUMN]", faults):
            stated += [(layer, column, word, meaning) for word, meaning in mapping.items()]
            twice = sorted(word for word, count in Counter(word.strip().lower() for word in mapping).items() if count > 1)
            if twice:
                faults.append(f"values.{layer}.{column}: {', '.join(twice)} is there twice; small and capital letters count as the same.")
    on_line: dict[tuple[str, str, str], str] = {}
    for text in from_line:
        target, equals, meaning = text.rpartition("=")
        layer, column, word = [*(part.strip() for part in target.split(".", 2)), "", "", ""][:3]
        if equals and layer and column and word:
            stated.append((layer, column, word, meaning.strip()))
            if on_line.setdefault((layer, column, word.lower()), meaning.strip().lower()) != meaning.strip().lower():
                faults.append(
                    f"--values: {layer}.{column}.{word.lower()} is given two meanings; small and capital letters count as the same."
                )
        else:
            faults.append(f"--values: '{text}' must be LAYER.COLUMN.WORD=MEANING, such as wells.kind.DOM=private.")
    contracts = _contracts(process)
    found: ValueMaps = {}
    for layer, name, word, meant in stated:
        contract = _contract(process, contracts, layer, "values", faults)
        if contract is None:
            continue
        coded = {column.name: column for column in contract.columns if column.kind in CODED}
        if name not in coded:
            have = f"Its columns of set words: {', '.join(coded)}." if coded else "It has no column of set words."
            faults.append(f"values: no words to map in {layer}, column {nearest(name, coded)}. {have}")
            continue
        plain = _meaning(coded[name], meant)
        if plain is None:
            words = coded[name].choices or ("yes", "no")
            given = nearest(meant, words) if isinstance(meant, str) else repr(meant)
            faults.append(f"values: {layer}.{name}.{word} cannot mean {given}. Use {', '.join(words)}, or nothing where it is unknown.")
        elif not word.strip():
            faults.append(f"values: an empty {layer}.{name} is unknown and stays so.")
        else:
            found.setdefault(layer, {}).setdefault(name, {})[word.strip().lower()] = plain
    return found


def statements(process: Process[..., Any], what: str, from_config: object, from_line: Sequence[str], faults: list[str]) -> dict[str, str]:
    """Layer -> what is stated of its source, by `--WHAT LAYER=TEXT` over `[WHAT] LAYER = "TEXT"`; adds to `faults` what cannot be one."""
    found: dict[str, object] = {}
    if isinstance(from_config, Mapping):
        found |= {str(layer): text for layer, text in from_config.items()}
    else:
        faults.append(f'{what} must be a table, such as [{what}] and parcels = "{EXAMPLES[what]}".')
    for text in from_line:
        layer, equals, stated = (part.strip() for part in text.partition("="))
        if equals and layer and stated:
            found[layer] = stated
        else:
            faults.append(f"--{what}: '{text}' must be LAYER=TEXT, such as parcels={EXAMPLES[what]}.")
    contracts = _contracts(process)
    stated_of: dict[str, str] = {}
    for name, said in found.items():
        if _contract(process, contracts, name, what, faults) is None:
            continue
        if isinstance(said, str) and said.strip():
            stated_of[name] = said.strip()
        else:
            faults.append(f"{what}: {name} must be text such as {EXAMPLES[what]}, not {said!r}.")
    return stated_of


def _in_tables(from_config: object, name: str, faults: list[str]) -> list[tuple[str, str, object]]:
    """Layer, key and value of all that the tables [NAME.LAYER] of the config hold."""
    return [(layer, key, value) for layer, table in _tables(from_config, name, f"[{name}.LAYER]", faults) for key, value in table.items()]


def _in_layer(text: str) -> tuple[str, str, str | None]:
    """Layer, key and value of LAYER.KEY=VALUE; a key is empty where there is no point, a value None where nothing is set equal."""
    target, equals, value = text.partition("=")
    layer, _, key = (word.strip() for word in target.partition("."))
    return layer, key, value.strip() if equals else None


def _meaning(column: Column, meaning: object) -> str | None:
    """The contract's word, empty for unknown; None where the column does not have it."""
    word = str(meaning).strip().lower() if isinstance(meaning, str | bool) else None
    if not word or column.kind == "choice":
        return word if not word or word in column.choices else None
    return "yes" if word in YES else "no" if word in NO else None


def _contracts(process: Process[..., Any]) -> dict[str, Contract]:
    found = {parameter.name: parameter.spec.contract for parameter in process.parameters if isinstance(parameter.spec, LayerIn)}
    return {**found, SECTIONS.name: SECTIONS} if "wells" in found else found


def _contract(process: Process[..., Any], contracts: Mapping[str, Contract], layer: str, what: str, faults: list[str]) -> Contract | None:
    if layer not in contracts:
        fault = f"{what} given for {nearest(layer, contracts)}; {process.id} has the layers {', '.join(contracts) or 'none'}."
        if fault not in faults:
            faults.append(fault)
    return contracts.get(layer)


def _tables(given: object, name: str, form: str, faults: list[str]) -> list[tuple[str, Mapping[str, object]]]:
    """The tables in a table of the config."""
    if not isinstance(given, Mapping):
        faults.append(f"{name} must be tables, such as {form}.")
        return []
    wrong = [str(key) for key, table in given.items() if not isinstance(table, Mapping)]
    if wrong:
        faults.append(f"{name}: {', '.join(wrong)} must be a table, such as {form}.")
    return [(str(key), table) for key, table in given.items() if isinstance(table, Mapping)]
