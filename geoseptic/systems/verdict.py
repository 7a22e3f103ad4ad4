"""The verdict on one lot, in words: what fits, what binds, what is not known."""

from dataclasses import dataclass
from typing import Final

FITS_BY_GRAVITY: Final = "fits by gravity"
FITS_WITH_PUMP: Final = "fits with pump"
FITS_WITHOUT_FULL_RESERVE: Final = "fits only without full reserve"
DOES_NOT_FIT: Final = "does not fit"
CANNOT_SAY: Final = "cannot say"

VERDICTS: Final = (FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE, DOES_NOT_FIT, CANNOT_SAY)


@dataclass(frozen=True)
class Found:
    """What the search gave for one lot.

    field, reserve : whether room was found for the largest size that the assumptions leave open, on ground clear of every setback.
    smaller : whether field and reserve would fit at the smallest size that the assumptions leave open.
    in_possible : whether they would fit if every open question of the setbacks were answered in the lot's favour.
    on_unknown_ground : whether they would fit if ground of which nothing is known were good.
    tank : whether a place for the tank was found; None where the lot has no house to drain.
    by_gravity : None where a height is not known.
    soil_forbids : why the code forbids a field on the stated soil, empty if it does not.
    """

    field: bool
    reserve: bool
    smaller: bool
    in_possible: bool
    on_unknown_ground: bool
    tank: bool | None
    by_gravity: bool | None
    soil_forbids: str = ""


def verdict(found: Found) -> tuple[str, tuple[str, ...]]:
    """One of VERDICTS, and what is missing or binding. What is not known never makes a "fits"."""
    if found.soil_forbids:
        return DOES_NOT_FIT, (found.soil_forbids,)
    if found.field and found.reserve:
        if found.tank is False:
            return DOES_NOT_FIT, ("no place for the tank between the house and its setbacks",)
        if found.tank is None:
            return CANNOT_SAY, ("no house on the lot: where sewage starts is not known",)
        if found.by_gravity is None:
            return CANNOT_SAY, ("the height of the ground at the house, the tank or the field is not known",)
        return (FITS_BY_GRAVITY if found.by_gravity else FITS_WITH_PUMP), ()
    missing = []
    if found.smaller:
        missing.append("soil or bedrooms: the smallest field that they leave open would fit, the largest does not")
    if found.in_possible:
        missing.append("an open question of the setbacks: a well's place, or a stated condition")
    if found.on_unknown_ground:
        missing.append("elevation, or where water goes beyond the edge of the data")
    if missing:
        return CANNOT_SAY, tuple(missing)
    if found.field:
        return FITS_WITHOUT_FULL_RESERVE, ()
    return DOES_NOT_FIT, ()
