"""Findings of an inspection: a vector layer, a table without shapes, or a CSV sheet as a spreadsheet writes it."""

import csv
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import pandas as pd

from geoseptic.errors import LayerContractError
from geoseptic.io.layerheaders import file_columns
from geoseptic.io.layers import in_words_of_the_contract, read_layer
from geoseptic.io.sheets import column_name, sheet_text
from geoseptic.io.sourcekinds import open_source
from geoseptic.io.sources import NOTHING_STATED, Stated
from geoseptic.model.layers import Contract

SHEET: Final = frozenset({".csv", ".txt", ".tsv"})
MAX_BYTES: Final = 100_000_000


def read_findings(
    source: str,
    contract: Contract,
    columns: Mapping[str, str] | None = None,
    words: Mapping[str, Mapping[str, str]] | None = None,
    stated: Stated = NOTHING_STATED,
) -> pd.DataFrame:
    """The findings in a file, with the contract's column names; a GeoDataFrame where the file has shapes.

    Parameters
    ----------
    source : a CSV sheet, or any layer or table of the GDAL library, with '|layer' where the file holds several.
    columns : contract column -> column of the file, where they differ. Case, blanks and hyphens do not matter.
    words : contract column -> word of the file, in lower case -> word of the contract, empty where it is unknown.
    stated : what the user states of a layer because the file does not say it.

    Returns
    -------
    DataFrame; `attrs["source"]` names the file, `attrs["rows"]` each row.

    Raises
    ------
    FileUnreadableError : no such file, or not readable.
    LayerContractError, MissingCrsError, LocalCrsError, SeveralErrors : columns or shapes that cannot be used.
    """
    if Path(source).suffix.lower() in SHEET and "|" not in source:
        return _sheet(Path(source), contract, columns or {}, words or {})
    opened = open_source(source, stated)
    header = opened.header
    if header.geometry:
        frame: pd.DataFrame = read_layer(source, contract, columns, None, words, stated)
    else:
        frame = _named(opened.read_table(header.fields, None), contract, columns or {}, words or {}, header.source)
    frame.attrs["source"] = header.source
    frame.attrs["rows"] = [f"feature {number}" for number in range(1, len(frame) + 1)]
    return frame


def _sheet(path: Path, contract: Contract, columns: Mapping[str, str], words: Mapping[str, Mapping[str, str]]) -> pd.DataFrame:
    lines = re.split(r"\r\n|\r|\n", sheet_text(path, MAX_BYTES, "sheet", "Split it by property."))
    at = next((number for number, line in enumerate(lines) if line.strip(' ,;\t"')), None)
    if at is None:
        raise LayerContractError(contract.name, {"it is empty": ()}, path.name)
    mark = max(",;\t", key=lines[at].count)
    header = [column_name(cell) for cell in next(csv.reader([lines[at]], delimiter=mark), [])]
    faults: dict[str, list[object]] = {}
    twice = sorted({cell for cell in header if cell and header.count(cell) > 1})
    if twice:
        faults["columns that are there twice"] = list(twice)
    rows, names = [], []
    # Line by line, so that a stray quotation mark cannot swallow the lines below it.
    for number, line in enumerate(lines[at + 1 :], at + 2):
        try:
            cells = next(csv.reader([line], delimiter=mark, strict=True), [])
        except csv.Error:
            faults.setdefault("quotation marks that do not match; a cell may not have a line break in it", []).append(f"line {number}")
            continue
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            faults.setdefault("more cells than the header; put a text with a comma in quotation marks", []).append(f"line {number}")
            continue
        rows.append([*(cell.strip() for cell in cells[: len(header)]), *[""] * (len(header) - len(cells))])
        names.append(f"line {number}")
    if faults:
        raise LayerContractError(contract.name, faults, path.name)
    raw = pd.DataFrame(rows, columns=header, dtype="string")
    mapped = {column: column_name(name) for column, name in columns.items()}
    frame = _named(raw.loc[:, [bool(cell) for cell in header]], contract, mapped, words, path.name)
    if mark != ",":
        for column in (name for name in frame.columns if _is_number(str(name), contract)):
            frame[column] = frame[column].str.replace(",", ".", regex=False)
    frame.attrs["rows"] = names
    return frame


def _named(
    raw: pd.DataFrame, contract: Contract, columns: Mapping[str, str], words: Mapping[str, Mapping[str, str]], source: str
) -> pd.DataFrame:
    """The contract's columns of a table."""
    names, problems = file_columns(contract, columns, [str(name) for name in raw.columns])
    absent = [column for column in words if column not in names]
    if absent and not problems:
        problems["words are mapped for columns that are not there; name them with --columns"] = absent
    if problems:
        raise LayerContractError(contract.name, problems, source)
    frame = pd.DataFrame({name: raw[found] for name, found in names.items()})
    if not len(frame.columns):
        raise LayerContractError(
            contract.name, {f"none of its columns is known. Known: {', '.join(contract.names)}. Here": _short(raw.columns)}, source
        )
    for column, meanings in words.items():
        frame[column] = in_words_of_the_contract(frame[column], meanings)
    frame.attrs["source"] = source
    return frame


def _short(names: Sequence[object]) -> list[str]:
    return [str(name)[:40] for name in names]


def _is_number(name: str, contract: Contract) -> bool:
    return any(name in column.names and column.kind in ("number", "length") for column in contract.columns) and not name.endswith("_unit")
