"""Values of a layer's table that GDAL hands on as others: truth values beside empty cells as 1 and 0, and what is no number as 0 or as
nothing."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from geoseptic.errors import FileUnreadableError, listed
from geoseptic.io.dbasetables import DELETED, HEADER_BYTES, beside, header_of

DESCRIPTOR_BYTES: Final = 32
END_OF_FIELDS: Final = 0x0D
NUMERIC: Final = b"NF"
"""Types of field whose values are written out in digits (dBASE's table file description; from memory)."""

OF_WHOLE_NUMBERS: Final = b"0123456789+- \0"
OF_NUMBERS: Final = OF_WHOLE_NUMBERS + b".eE"
"""Bytes that an empty field is made of, or a number. In a field without decimals GDAL reads up to the point: 100 written 1e2 as 1."""

ROWS_AT_A_TIME: Final = 1_000_000


def with_truths(frame: pd.DataFrame, truths: Sequence[str]) -> pd.DataFrame:
    """The table with its columns `truths`, those of truth values, as such, also where empty cells have made numbers of them."""
    for name in truths:
        if name in frame and pd.api.types.is_numeric_dtype(frame[name]):
            frame[name] = frame[name].astype("boolean")
    return frame


def refuse_no_numbers(shapefile: Path, fields: Sequence[str], columns: Sequence[str], source: str) -> None:
    """Raises FileUnreadableError where a numeric field of a shapefile's table that is wanted holds something else, such as asterisks, which
    stand for a number that was too long for its field: GDAL reads these as empty and words as 0.

    fields : names of all fields in their order, as GDAL tells them, which makes repeated ones unlike. columns : those that are wanted.
    """
    table = beside(shapefile, ".dbf")
    if not table.exists():
        return
    with table.open("rb") as file:
        rows, start, width = header_of(file.read(HEADER_BYTES))
        described = file.read(max(0, start - HEADER_BYTES))
    wanted, offset, number = [], 1, 0
    while len(described) >= (number + 1) * DESCRIPTOR_BYTES and described[number * DESCRIPTOR_BYTES] != END_OF_FIELDS:
        one = described[number * DESCRIPTOR_BYTES : (number + 1) * DESCRIPTOR_BYTES]
        if one[11] in NUMERIC and number < len(fields) and fields[number] in columns:
            wanted.append((fields[number], offset, one[16], OF_NUMBERS if one[17] else OF_WHOLE_NUMBERS))
        offset, number = offset + one[16], number + 1
    rows = min(rows, (table.stat().st_size - start) // width) if width else 0
    if not wanted or rows < 1 or offset > width:
        return
    cells = np.memmap(table, np.uint8, "r", start, (rows, width))
    for name, first, length, allowed in wanted:
        found: list[int] = []
        digits = np.zeros(256, bool)
        digits[list(allowed)] = True
        for top in range(0, rows, ROWS_AT_A_TIME):
            part = cells[top : top + ROWS_AT_A_TIME]
            bad = ~digits[part[:, first : first + length]].all(axis=1) & (part[:, 0] != DELETED)
            found += (top + np.flatnonzero(bad)).tolist()
        if found:
            seen = sorted({bytes(cells[row, first : first + length]).decode("latin-1").strip() for row in found[:100]})
            what = "number" if allowed == OF_NUMBERS else "whole number"
            raise FileUnreadableError(
                source,
                f"{len(found)} records hold no {what} but {listed(seen)} in the field '{name}', which is of such (numbers {listed(found)})",
                "Asterisks stand for a number too long for the field: make it wider and enter it anew; leave empty what is not known.",
            )
