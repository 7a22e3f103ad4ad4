"""Tables of text as counties send them: CSV in any usual encoding and delimiter, spreadsheets. Cells stay as they were written."""

import csv
import io
import zipfile
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from xml.parsers import expat

from geoseptic.errors import FileUnreadableError, nearest
from geoseptic.io.sheets import encoding_of, refuse_zeros

TEXT: Final = frozenset({".csv", ".txt", ".tsv", ".tab"})
SPREADSHEETS: Final = {".xlsx": "XLSX", ".xlsm": "XLSX", ".ods": "ODS"}
TABLES: Final = TEXT | SPREADSHEETS.keys() | {".xls"}
MAX_BYTES: Final = 200_000_000
MAX_UNPACKED_BYTES: Final = 1_000_000_000
DELIMITERS: Final = ",;\t|"
MAX_CELL: Final = 32_767
"""Characters of a cell: what spreadsheets allow."""

LOOKED_AT_LINES: Final = 50
WIDEST: Final = 5_000
"""Columns of a table."""


@dataclass(frozen=True)
class RawTable:
    """A table of text. `rows` have as many cells as `names`; `lines` is the line or row of the file in which each begins.

    `notes` tells what was taken for granted in reading it.
    """

    path: str
    sheet: str
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    notes: tuple[str, ...] = ()


def is_table(path: str) -> bool:
    """Whether the ending is that of a table of text."""
    return Path(path).suffix.lower() in TABLES


def read_table(path: str, sheet: str | None = None) -> RawTable:
    """The table in a file. Raises FileUnreadableError with what to do."""
    ending = Path(path).suffix.lower()
    if ending == ".xls":
        raise FileUnreadableError(path, "it is a spreadsheet of the old kind", "Save it as .xlsx or as CSV in UTF-8.")
    if ending in SPREADSHEETS:
        return _spreadsheet(path, sheet, SPREADSHEETS[ending])
    if sheet is not None:
        raise FileUnreadableError(path, f"a text table has no sheet '{sheet}'", "Leave |... away.")
    text, notes = _text(path)
    return _of_rows(path, "", *_csv_rows(path, text), notes)


def _text(path: str) -> tuple[str, list[str]]:
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise FileUnreadableError(path, str(error), "Check the path.") from None
    if len(content) > MAX_BYTES:
        raise FileUnreadableError(path, f"it is longer than {MAX_BYTES:,} bytes", "Make a layer of it, such as a GeoPackage.")
    if content.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise FileUnreadableError(path, "it is a spreadsheet by its content", "Give it the ending .xlsx or .ods, or save it as CSV.")
    encoding = encoding_of(content)
    try:
        text, notes = content.decode(encoding or "utf-8"), []
    except UnicodeDecodeError as error:
        if encoding is not None:
            raise FileUnreadableError(
                path, f"it is not the {encoding} that it begins as (byte {error.start})", "Save it as UTF-8."
            ) from None
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError:
            raise FileUnreadableError(path, f"it is neither UTF-8 (byte {error.start}) nor cp1252", "Save it as CSV in UTF-8.") from None
        notes = [f"it is not UTF-8 (byte {error.start}) and was read as cp1252; names may have wrong letters"]
    refuse_zeros(path, text)
    return text, notes


def _csv_rows(path: str, text: str) -> tuple[list[list[str]], list[int]]:
    if "\n" not in text:
        text = text.replace("\r", "\n")
    lines = text.splitlines()
    if lines and lines[0].strip().lower().startswith("sep=") and len(lines[0].strip()) <= 5:
        mark = lines[0].strip()[4:] or "\t"
        text = text.partition("\n")[2] if "\n" in text else ""
        first = 2
    else:
        mark, first = _delimiter(lines[:LOOKED_AT_LINES]), 1
    if len(mark) != 1 or mark not in DELIMITERS:
        raise FileUnreadableError(path, f"its cells are parted by '{mark}'", "Save it with commas, semicolons or tabs.")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    rows, numbers = [], []
    begins = first
    try:
        for row in reader:
            _refuse_swallowed(path, row, begins, mark)
            rows.append(row)
            numbers.append(begins)
            begins = reader.line_num + first
    except csv.Error as error:
        raise FileUnreadableError(
            path, f"line {begins}: {error}", "A quotation mark in a cell is written twice, and the cell in marks."
        ) from None
    _refuse_taken_in(path, rows, numbers, mark)
    return rows, numbers


def _delimiter(lines: Sequence[str]) -> str:
    """What parts the cells: the mark by which most of the first lines have the same number of cells, more than one."""
    best, most = ",", (0, 0)
    for mark in DELIMITERS:
        counts = [_outside_quotes(line, mark) for line in lines if line.strip()]
        counts = [count for count in counts if count]
        if counts:
            common = max(set(counts), key=lambda count: (counts.count(count), count))
            found = (counts.count(common), common)
            if found > most:
                best, most = mark, found
    return best


def _outside_quotes(line: str, mark: str) -> int:
    return sum(piece.count(mark) for piece in line.split('"')[::2])


def _refuse_swallowed(path: str, row: Sequence[str], line: int, mark: str) -> None:
    """A quotation mark that is not closed takes the lines below it into its cell, and their wells with them."""
    for cell in row:
        if len(cell) > MAX_CELL:
            raise FileUnreadableError(path, f"line {line}: a cell of more than {MAX_CELL:,} characters", "Is a quotation mark not closed?")
        if "\n" in cell and any(_outside_quotes(inner, mark) >= 2 for inner in cell.splitlines()[1:]):
            raise _goes_on(path, line)


def _refuse_taken_in(path: str, rows: Sequence[Sequence[str]], lines: Sequence[int], mark: str) -> None:
    """Two rows that a pair of quotation marks makes one of: the first line and the last of the cell are a row by themselves, as long as
    the table's rows are."""
    cells = Counter(len(row) for row in rows if len(row) > 1)
    usual = cells.most_common(1)[0][0] - 1 if cells else 0
    for row, line in zip(rows, lines, strict=True):
        for at, cell in enumerate(row):
            if "\n" not in cell:
                continue
            first, *inner, last = cell.split("\n")
            alone = (at + _outside_quotes(first, mark), _outside_quotes(last, mark) + len(row) - 1 - at)
            if usual and (alone == (usual, usual) or any(_outside_quotes(other, mark) == usual for other in inner)):
                raise _goes_on(path, line)


def _goes_on(path: str, line: int) -> FileUnreadableError:
    return FileUnreadableError(
        path, f"line {line}: a cell goes on over lines that look like rows", "Close its quotation mark, or take the line breaks out."
    )


def _of_rows(path: str, sheet: str, rows: Sequence[Sequence[str]], lines: Sequence[int], notes: list[str]) -> RawTable:
    filled = [(line, [cell.strip() for cell in row]) for line, row in zip(lines, rows, strict=True) if any(cell.strip() for cell in row)]
    at = next((index for index, (_, row) in enumerate(filled) if sum(map(bool, row)) > 1), None)
    if at is None:
        raise FileUnreadableError(path, "it has no row with two cells or more", "It needs a row of column names, and rows of wells below.")
    if at:
        notes = [*notes, f"{at} line(s) above the row of column names (line {filled[at][0]}) were passed over"]
    header = filled[at][1]
    while header and not header[-1]:
        header.pop()
    if len(header) > WIDEST:
        raise FileUnreadableError(path, f"it has {len(header):,} columns", "Check that it is the right file.")
    seen = [name.lower() for name in header if name]
    twice = sorted({name for name in seen if seen.count(name) > 1})
    if twice:
        raise FileUnreadableError(path, f"columns are there twice: {', '.join(twice[:20])}", "Give each a name of its own.")
    kept, numbers = [], []
    for line, row in filled[at + 1 :]:
        if any(row[len(header) :]):
            raise FileUnreadableError(
                path, f"line {line} has more cells than the row of column names", "Put a text with the delimiter in it in quotation marks."
            )
        kept.append((*row[: len(header)], *[""] * (len(header) - len(row))))
        numbers.append(line)
    names = tuple(name or f"column_{number}" for number, name in enumerate(header, 1))
    return RawTable(path, sheet, names, tuple(kept), tuple(numbers), tuple(notes))


def _spreadsheet(path: str, sheet: str | None, driver: str) -> RawTable:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    _refuse_bomb(path)
    _refuse_torn(path)
    key = f"OGR_{driver}_"
    before = {name: pyogrio.get_gdal_config_option(key + name) for name in ("HEADERS", "FIELD_TYPES")}
    try:
        # Every row as text: what the first row is, we say.
        pyogrio.set_gdal_config_options({key + "HEADERS": "DISABLE", key + "FIELD_TYPES": "STRING"})
        sheets = [str(name) for name, _ in pyogrio.list_layers(path)]
        if sheet is None and len(sheets) != 1:
            raise FileUnreadableError(path, f"it has {len(sheets)} sheets", f"Name one: {path}|SHEET, of {', '.join(sheets)}.")
        if sheet is not None and sheet not in sheets:
            raise FileUnreadableError(path, f"it has no sheet {nearest(sheet, sheets)}", f"Sheets there: {', '.join(sheets)}.")
        chosen = sheet if sheet is not None else sheets[0]
        frame = pyogrio.read_dataframe(path, layer=chosen, read_geometry=False)
    except (DataSourceError, DataLayerError, UnicodeDecodeError, RuntimeError) as error:
        raise FileUnreadableError(path, str(error).rstrip("."), "Open it in a spreadsheet and save it as CSV in UTF-8.") from error
    finally:
        pyogrio.set_gdal_config_options({key + name: value for name, value in before.items()})
    rows = [
        ["" if cell is None or cell != cell else _as_shown(str(cell)) for cell in row] for row in frame.itertuples(index=False, name=None)
    ]
    return _of_rows(path, chosen, rows, range(1, len(rows) + 1), [])


def _as_shown(cell: str) -> str:
    """A number without the last digits by which a spreadsheet's file tells a double from its neighbours."""
    if len(cell) < 16 or not cell.replace(".", "", 1).replace("-", "", 1).isdigit():
        return cell
    try:
        return format(float(cell), ".15g")
    except ValueError:
        return cell


def _refuse_torn(path: str) -> None:
    """GDAL reads the rows of a sheet as far as it gets."""
    try:
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                if name.endswith(".xml"):
                    with archive.open(name) as file:
                        expat.ParserCreate().ParseFile(file)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, expat.ExpatError) as error:
        raise FileUnreadableError(
            path, f"a part of it is damaged ({error})", "Open it in a spreadsheet, look for what is lost, and save it as CSV in UTF-8."
        ) from None


def _refuse_bomb(path: str) -> None:
    try:
        if not Path(path).is_file():
            raise FileUnreadableError(path, "there is no such file", "Check the path.")
        with zipfile.ZipFile(path) as archive:
            size = sum(item.file_size for item in archive.infolist())
    except (OSError, zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        if isinstance(error, FileUnreadableError):
            raise
        raise FileUnreadableError(
            path, f"it is no spreadsheet ({error})", "Open it in a spreadsheet and save it as CSV in UTF-8."
        ) from None
    if size > MAX_UNPACKED_BYTES:
        raise FileUnreadableError(path, f"it unpacks to {size:,} bytes", "Make a layer of it, such as a GeoPackage.")
