"""Percolation field sheets: CSV files in, readings out. Every line that cannot be read is named, all at once."""

import csv
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Final

from geoseptic.errors import FieldSheetError
from geoseptic.io.sheets import column_name, sheet_text
from geoseptic.systems.percolation import Reading, measured_minutes
from geoseptic.units import to_metres

MAX_BYTES: Final = 1_000_000
MAX_DEPTH_M: Final = 10.0
"""A deeper hole is a slip in the number or the unit."""

DOUBTFUL_FALL_MIN: Final = 1.0
"""Bare numbers by which most falls of a hole took less may be hours or days (own choice: the codes read every 10, 15 or 30 min, and half
an hour is 0.5 in hours, 0.3 or 0.7 in clock times with a full stop, 0.02 in days). A test that was so fast is written as HH:MM:SS."""
DOUBTFUL_TEST_MIN: Final = 5.0
"""Bare numbers by which no hole was watched for so long may be hours (own choice: a test of some hours). As times of day it is read."""
ROUNDING_MIN: Final = 1e-6
"""8.04 less 3.04 is a whole five minutes."""

DEPTH_COLUMNS: Final[Mapping[str, str]] = {"depth_to_water_in": "in", "depth_to_water_cm": "cm"}
REWRITE: Final = "Write times of day as HH:MM (HH:MM:SS where it was so fast), or minutes since a start."
YES: Final = frozenset({"yes", "y", "true", "1", "x"})
NO: Final = frozenset({"", "no", "n", "false", "0"})
CLOCK: Final = re.compile(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?")
FRACTION: Final = re.compile(r"(?:(\d+)[ -])?(\d+)/(\d+)")


def read_field_sheet(source: str | Path) -> tuple[Reading, ...]:
    """The readings of one sheet, in its order.

    Columns: hole, time (HH:MM, HH:MM:SS, or minutes since any start), depth_to_water_in or depth_to_water_cm (from a fixed point
    down to the water; inches also as 6 1/4), refilled (yes or no; may be left out). Case of the header, a byte order mark and
    semicolons or tabs for commas do not matter; with semicolons a decimal comma is understood. Bare numbers that are hardly minutes
    (`DOUBTFUL_FALL_MIN`, `DOUBTFUL_TEST_MIN`) are refused: read as minutes, hours and days would give a rate that is far too fast.

    Raises
    ------
    FileUnreadableError : no such file, too long, or no UTF-8 text.
    FieldSheetError : no header, lines that cannot be read (each is named), or numbers for times that may be hours or days.
    """
    path = Path(source)
    lines = sheet_text(path, MAX_BYTES, "field sheet", "That is no field sheet.").splitlines()
    header_at = next((number for number, line in enumerate(lines) if line.strip(" ,;\t")), None)
    if header_at is None:
        raise FieldSheetError(path.name, ["it is empty."])
    mark = max(",;\t", key=lines[header_at].count)
    # Row by row, so that a stray quotation mark spoils its own line and no other.
    rows = [(number, next(csv.reader([line], delimiter=mark), [])) for number, line in enumerate(lines, 1)]
    columns = _columns(path.name, rows[header_at][1])
    faults: list[str] = []
    readings = []
    for number, cells in rows[header_at + 1 :]:
        if not any(cell.strip() for cell in cells):
            continue
        reading = _reading(number, cells, columns, len(rows[header_at][1]), mark, faults)
        if reading is not None:
            readings.append(reading)
    if not readings and not faults:
        faults.append("it has a header and no reading.")
    clocks = {_is_clock(rows[reading.line - 1][1], columns) for reading in readings}
    if len(clocks) > 1:
        faults.append("column time: some are times of day and some are minutes. Use one kind.")
    if not faults and True not in clocks:
        faults += _doubtful_times(readings)
    if faults:
        raise FieldSheetError(path.name, faults)
    return tuple(readings)


def _columns(name: str, header: Sequence[str]) -> dict[str, int]:
    """Column name -> its place."""
    found = [column_name(cell) for cell in header]
    faults = [f"column {column} is there twice." for column in sorted({cell for cell in found if cell and found.count(cell) > 1})]
    depths = [column for column in DEPTH_COLUMNS if column in found]
    faults += [f"column {column} is missing." for column in ("hole", "time") if column not in found]
    if len(depths) != 1:
        have = "both are there" if depths else "neither is there"
        faults.append(f"one of the columns {' and '.join(DEPTH_COLUMNS)} is needed; {have}.")
    if faults:
        raise FieldSheetError(name, [*faults, f"The header reads: {', '.join(found)}."])
    return {column: found.index(column) for column in ("hole", "time", "refilled", *depths) if column in found}


def _reading(number: int, cells: Sequence[str], columns: Mapping[str, int], width: int, mark: str, faults: list[str]) -> Reading | None:
    cell = {column: cells[place].strip() if place < len(cells) else "" for column, place in columns.items()}
    depth_column = next(column for column in DEPTH_COLUMNS if column in cell)
    wrong = []
    if not cell["hole"]:
        wrong.append("it names no hole")
    time_min = _minutes(cell["time"], mark)
    if time_min is None:
        wrong.append(f"time '{_short(cell['time'])}' is neither HH:MM nor minutes")
    depth = _number(cell[depth_column], mark)
    depth_m = None if depth is None else to_metres(depth, DEPTH_COLUMNS[depth_column])
    if depth_m is None:
        wrong.append(f"{depth_column} '{_short(cell[depth_column])}' is not a number")
    elif not 0 <= depth_m <= MAX_DEPTH_M:
        wrong.append(f"{depth_column} = {depth:g} is not between 0 and {MAX_DEPTH_M:g} m")
    refilled = cell.get("refilled", "").lower()
    if refilled not in YES | NO:
        wrong.append(f"refilled '{_short(refilled)}' must be yes or no")
    if any(extra.strip() for extra in cells[width:]):
        wrong.append("it has more cells than the header: is a decimal comma in it?")
    if wrong or time_min is None or depth_m is None:
        faults.append(f"line {number}: {'; '.join(wrong)}.")
        return None
    return Reading(cell["hole"], time_min, depth_m, refilled in YES, number)


def _minutes(words: str, mark: str) -> float | None:
    match = CLOCK.fullmatch(words)
    if match:
        return 60 * int(match[1]) + int(match[2]) + int(match[3] or 0) / 60
    return _number(words, mark)


def _doubtful_times(readings: Sequence[Reading]) -> list[str]:
    """Why bare numbers in the column time may be no minutes: by hole with the reading, or for the sheet; empty where they may be."""
    by_hole: dict[str, list[Reading]] = {}
    for reading in readings:
        by_hole.setdefault(reading.hole, []).append(reading)
    falls = {hole: found for hole, own in by_hole.items() if (found := measured_minutes(own))}
    looks = _likeness([reading.time_min for reading in readings])
    faults = []
    for hole, found in falls.items():
        minutes, line = min(found)
        if median(each for each, _ in found) < DOUBTFUL_FALL_MIN - ROUNDING_MIN:
            faults.append(
                f"hole {hole}, line {line}: {minutes:.3g} min after the reading before it, and most falls of this hole took less than "
                f"{DOUBTFUL_FALL_MIN:g} min. {looks} {REWRITE}"
            )
    watched_min = {hole: by_hole[hole][-1].time_min - by_hole[hole][0].time_min for hole in falls}
    if not faults and falls and max(watched_min.values()) < DOUBTFUL_TEST_MIN - ROUNDING_MIN:
        hole = max(watched_min, key=watched_min.__getitem__)
        faults.append(
            f"column time: no hole was watched for {DOUBTFUL_TEST_MIN:g} min (hole {hole}: {watched_min[hole]:.3g} min, to line "
            f"{by_hole[hole][-1].line}). {looks} {REWRITE}"
        )
    return faults


def _likeness(times: Sequence[float]) -> str:
    """In words, what numbers that are hardly minutes look like."""
    if max(times) < 1:
        return "The numbers look like parts of a day, as spreadsheets keep a time."
    hundredths = [round(100 * time) for time in times]
    exact = all(abs(100 * time - whole) < 1e-6 for time, whole in zip(times, hundredths, strict=True))
    if max(times) < 25 and exact and all(whole % 100 < 60 for whole in hundredths):
        return "The numbers look like hours, or like times of day with a full stop (9.30 for 9:30)."
    return "The numbers look like hours or days."


def _number(words: str, mark: str) -> float | None:
    """A number that is not negative, also as 6 1/4, and with a decimal comma where commas do not part cells; else None."""
    fraction = FRACTION.fullmatch(words)
    if fraction:
        return int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3]) if int(fraction[3]) else None
    try:
        value = float(words.replace(",", ".") if mark != "," else words)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None


def _is_clock(cells: Sequence[str], columns: Mapping[str, int]) -> bool:
    return ":" in cells[columns["time"]]


def _short(words: str) -> str:
    return words if len(words) <= 40 else words[:37] + "..."
