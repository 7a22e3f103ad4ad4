"""Latitudes and longitudes as people write them: decimal degrees, degrees and minutes, degrees, minutes and seconds."""

import math
import re
from dataclasses import dataclass
from typing import Final, Literal

Axis = Literal["latitude", "longitude"]
Form = Literal["decimal degrees", "degrees and minutes", "degrees, minutes and seconds", "packed"]

MOST_DEG: Final[dict[Axis, float]] = {"latitude": 90.0, "longitude": 180.0}
SIDES: Final[dict[Axis, str]] = {"latitude": "NS", "longitude": "EW"}
EMPTY: Final = frozenset({"", "-", "--", "?", ".", "NA", "N/A", "#N/A", "NULL", "NONE", "NAN", "<NULL>", "UNKNOWN", "NIL"})
"""Words by which files leave a cell empty, in capitals."""

LONGEST: Final = 60
"""Characters of a cell that is looked at; a longer one is no coordinate."""

SHORTEST_COMMA: Final = 3
"""Digits after a decimal comma that cannot be minutes."""

SAME_SIGN: Final[dict[str, str]] = {
    **dict.fromkeys("°º˚", "D"),
    **dict.fromkeys("'’‘′´`", "M"),
    **dict.fromkeys('"”“″', "S"),
    **dict.fromkeys("−–—‐‑", "-"),
    **dict.fromkeys("\u00a0\u2009\u202f\t", " "),
}
NUMBER: Final = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
DECIMAL: Final = re.compile(rf"({NUMBER})\s*D?")
GROUPS: Final = re.compile(
    r"([0-9]{1,3})(?:\s*D\s*|\s*[-:]\s*|\s+)"
    r"([0-9]{1,2}(?:\.[0-9]*)?)(?:\s*M\s*|\s*[-:]\s*|\s+|$)"
    r"(?:([0-9]{1,2}(?:\.[0-9]*)?)\s*S?)?"
)
DOTTED: Final = re.compile(r"([0-9]{1,3})\.([0-9]{1,2})\.([0-9]{1,2}(?:\.[0-9]+)?)")
PACKED: Final = re.compile(r"([0-9]{1,3})([0-9]{2})([0-9]{2}(?:\.[0-9]*)?)")
POINTED: Final = re.compile(r"([0-9]{1,3})\.([0-9]{0,2})([0-9]{0,2})([0-9]*)")


@dataclass(frozen=True)
class Angle:
    """A latitude or longitude: signed degrees, the size of the last digit that was written, and how it was written.

    `sided` is whether the text itself says north, south, east, west or a sign.
    """

    deg: float
    step_deg: float
    form: Form
    sided: bool
    comma: bool = False


def is_empty(text: str) -> bool:
    """Whether the cell says nothing."""
    return text.strip().upper() in EMPTY


def read_angle(text: str, axis: Axis, packed: bool = False) -> Angle | str:
    """The angle that a cell holds, or in words why it holds none.

    Parameters
    ----------
    text : the cell, which is not empty.
    axis : which of the two is looked for; a letter of the other one is a fault.
    packed : numbers are degrees, minutes and seconds without marks: 471230 or 47.1230. Never guessed: 47.1230 may be either.
    """
    if len(text) > LONGEST:
        return "is too long for a coordinate"
    words = "".join(SAME_SIGN.get(letter, letter) for letter in text.strip().upper().replace("''", '"'))
    words = re.sub(r"(?<=[0-9. ])(?:DEGREES|DEGREE|DEGS|DEG)\b\.?", "D", words)
    words = re.sub(r"(?<=[0-9. ])(?:MINUTES|MINUTE|MINS|MIN)\b\.?", "M", words)
    words = re.sub(r"(?<=[0-9. ])(?:SECONDS|SECOND|SECS|SEC)\b\.?", "S", words)
    words = re.sub(r"^(?:LATITUDE|LONGITUDE|LAT|LONG|LON)\b[.:= ]*", "", words)
    words = re.sub(r"\b(NORTH|SOUTH|EAST|WEST)\b", lambda found: found[1][0], words).strip()
    sign, side, body = _parted(words)
    magnitude = _magnitude(body, packed)
    if isinstance(magnitude, str):
        return magnitude
    if side and side not in SIDES[axis]:
        return f"is a {'longitude' if axis == 'latitude' else 'latitude'} by its letter {side}"
    if side and sign == "-" and side in "NE":
        return f"has a minus sign and the letter {side}, which contradict each other"
    deg, step_deg, form, comma = magnitude
    if not math.isfinite(deg) or deg > MOST_DEG[axis]:
        return f"is beyond {MOST_DEG[axis]:g} degrees"
    return Angle(-deg if sign == "-" or side in ("S", "W") else deg, step_deg, form, bool(sign or side), comma)


def _parted(words: str) -> tuple[str, str, str]:
    """Sign, side and the rest. A trailing S after a mark of minutes is that of the seconds where nothing follows it."""
    side = ""
    if words[:1] in ("N", "S", "E", "W"):
        side, words = words[0], words[1:].lstrip(" .:")
    elif words[-1:] in ("N", "E", "W") or (words[-1:] == "S" and not re.search(r"M\s*[0-9.]+\s*S$", words)):
        side, words = words[-1], words[:-1].rstrip(" .,")
    sign = words[0] if words[:1] in ("-", "+") else ""
    return sign, side, words[len(sign) :].strip()


def _magnitude(body: str, packed: bool) -> tuple[float, float, Form, bool] | str:
    """Degrees without a sign, the size of the last digit in degrees, the form, and whether it had a decimal comma."""
    comma = False
    if "," in body:
        whole, _, rest = body.partition(",")
        if "." in body or "," in rest or not re.fullmatch(r"[0-9 DM:-]*[0-9]", whole) or not re.match(r"[0-9]", rest):
            return "is not a coordinate"
        if len(re.match(r"[0-9]*", rest)[0]) < SHORTEST_COMMA and not re.search(r"[DM :-]", whole.strip()):  # type: ignore[index]
            return "has a comma that may be a decimal one or may part degrees from minutes; write it with a decimal point"
        body, comma = body.replace(",", "."), True
    if re.fullmatch(r"[0-9.]+E[+-]?[0-9]+", body):
        return "is in a spreadsheet's short form (E), which loses digits; show the cells as text with all their digits and export again"
    plain = DECIMAL.fullmatch(body)
    if plain:
        number = plain[1]
        if packed:
            return _packed(number)
        whole, _, fraction = number.partition(".")
        if len(whole.lstrip("0")) > 3:
            found = PACKED.fullmatch(number)
            if found and int(found[2]) < 60 and float(found[3]) < 60:
                return "may be degrees, minutes and seconds without marks"
            return "is no number of degrees"
        return float(number), 10.0 ** -len(fraction), "decimal degrees", comma
    found = GROUPS.fullmatch(body) or DOTTED.fullmatch(body)
    return "is not a coordinate" if found is None else _sexagesimal(found[1], found[2], found[3], comma)


def _sexagesimal(degrees: str, minutes: str, seconds: str | None, comma: bool = False) -> tuple[float, float, Form, bool] | str:
    if seconds is not None and "." in minutes:
        return "has minutes with a fraction and seconds"
    if float(minutes) >= 60:
        return "has 60 minutes or more"
    if seconds is None:
        step = 10.0 ** -len(minutes.partition(".")[2]) / 60
        return int(degrees) + float(minutes) / 60, step, "degrees and minutes", comma
    if float(seconds) >= 60:
        return "has 60 seconds or more"
    step = 10.0 ** -len(seconds.partition(".")[2]) / 3600
    return int(degrees) + float(minutes) / 60 + float(seconds) / 3600, step, "degrees, minutes and seconds", comma


def _packed(number: str) -> tuple[float, float, Form, bool] | str:
    found = PACKED.fullmatch(number)
    if found:
        read = _sexagesimal(found[1], found[2], found[3])
    else:
        pointed = POINTED.fullmatch(number)
        if pointed is None:
            return "is not packed as DDMMSS, DDDMMSS or D.MMSS"
        # A spreadsheet takes the zeros at the end away.
        seconds = pointed[3].ljust(2, "0") + (f".{pointed[4]}" if pointed[4] else "")
        read = _sexagesimal(pointed[1], pointed[2].ljust(2, "0"), seconds)
    return read if isinstance(read, str) else (read[0], read[1], "packed", False)
