"""What a column is called in a form: its name as words, with its unit in brackets."""

from collections.abc import Mapping
from typing import Final

UNITS: Final[Mapping[str, str]] = {
    "m": "m",
    "m2": "m²",
    "ft": "ft",
    "ft2": "ft²",
    "in": "in",
    "gal": "gal",
    "L": "L",
    "gpd": "gal/day",
    "percent": "%",
    "min_per_in": "min/in",
}
"""End of a column's name -> its unit as it is written."""

WORDS: Final[Mapping[str, str]] = {"id": "ID", "crs": "CRS", "lon": "Longitude", "lat": "Latitude"}
"""Words that are not written as they are."""


def title_of(column: str) -> str:
    """Such as 'Fall along [ft]' of fall_along_ft."""
    stem, unit = column, ""
    for ending, written in UNITS.items():
        if column.endswith(f"_{ending}"):
            stem, unit = column.removesuffix(f"_{ending}"), f" [{written}]"
    words = " ".join(WORDS.get(word, word) for word in stem.split("_"))
    return f"{words[:1].upper()}{words[1:]}{unit}"
