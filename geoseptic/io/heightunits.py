"""How files spell the unit of their heights."""

from collections.abc import Mapping
from typing import Final

from geoseptic.units import METRES_PER_UNIT, metres_per

VERTICAL_UNIT_NAMES: Final[Mapping[str, str]] = {
    **{name.lower(): name for name in METRES_PER_UNIT},
    "metres": "m",
    "meters": "m",
    "feet": "ft",
    "international foot": "ft",
    "us-ft": "US survey foot",
    "us_ft": "US survey foot",
    "us foot": "US survey foot",
    "us survey feet": "US survey foot",
    "foot_us": "US survey foot",
    "foot (us survey)": "US survey foot",
    "us_survey_foot": "US survey foot",
    "sfoot": "US survey foot",
}
"""How files spell units of height, in lower case -> the name in units.py."""


def same_unit(one: str | None, other: str | None) -> bool:
    """Whether two words mean one unit of length; silence is like silence only."""
    lengths = [
        metres_per(VERTICAL_UNIT_NAMES[word.lower()]) if word and word.lower() in VERTICAL_UNIT_NAMES else word for word in (one, other)
    ]
    return lengths[0] == lengths[1]
