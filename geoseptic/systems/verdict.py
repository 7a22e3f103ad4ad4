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
    planned, smaller : whether field and reserve would fit at the size that the assumptions plan with, and at the smallest that they leave
        open.
    in_possible : whether they would fit if every open question of the setbacks were answered in the lot's favour.
    on_another_part : whether they would fit only if another part of the lot than the one with the house were taken.
    on_unknown_ground : whether they would fit if ground of which nothing is known were good.
    tank : whether a place for the tank was found; None where the lot has no house to drain.
    by_gravity : None where a height is not known.
    tank_in_possible : whether the tank would have a place if every open question of the setbacks were answered in the lot's favour.
    soil_forbids : why the code forbids a field on the stated soil, empty if it does not.
    unsized : why no field could be sized, or none proven, for what is on record of the lot; empty if there is nothing of the kind.
    alone_at_best : whether the field alone would fit if all that is not known turned out well.
    open_setbacks : the features whose setbacks hang on something that nobody has stated, in words.
    doubts : why the layout that was found cannot be relied on, empty if nothing speaks against it.
    """

    field: bool
    reserve: bool
    planned: bool
    smaller: bool
    in_possible: bool
    on_unknown_ground: bool
    tank: bool | None
    by_gravity: bool | None
    soil_forbids: str = ""
    unsized: str = ""
    alone_at_best: bool = False
    open_setbacks: str = ""
    doubts: tuple[str, ...] = ()
    tank_in_possible: bool = False
    on_another_part: bool = False


def verdict(found: Found) -> tuple[str, tuple[str, ...]]:
    """One of VERDICTS, and what is missing or binding. What is not known never makes a "fits"."""
    if found.unsized:
        return CANNOT_SAY, (found.unsized,)
    if found.soil_forbids:
        return DOES_NOT_FIT, (found.soil_forbids,)
    if found.field and found.reserve:
        return _with_tank(found, FITS_BY_GRAVITY if found.by_gravity else FITS_WITH_PUMP)
    missing = []
    if found.planned:
        missing.append("soil or bedrooms: the field that was planned for would fit, the largest that they leave open does not")
    elif found.smaller:
        missing.append("soil or bedrooms: only the smallest field that they leave open would fit")
    if found.in_possible:
        missing.append(f"an open question of the setbacks{_named(found)}")
    if found.on_another_part:
        missing.append("whether a pipe may be led to another part of the lot, where there would be room")
    if found.on_unknown_ground:
        missing.append("elevation, where water goes beyond the edge of the data, or a flood zone that nobody has studied")
    if not missing and not found.field and found.alone_at_best:
        missing.append("soil, house, ground or an open setback: at their best the field alone would fit, without full reserve")
    if missing:
        if found.tank is False and (found.field or found.planned or found.smaller):
            missing.append("a place for the tank: none was found beside the field that was drawn")
        return CANNOT_SAY, tuple(missing)
    return _with_tank(found, FITS_WITHOUT_FULL_RESERVE) if found.field else (DOES_NOT_FIT, ())


def _with_tank(found: Found, fits: str) -> tuple[str, tuple[str, ...]]:
    """`fits`, if the tank has a place too, the run's heights are known, and nothing speaks against the layout."""
    if found.tank is False and found.tank_in_possible:
        question = f"an open question of the setbacks{_named(found)}, or whether a pipe may cross water, a pool or an old system,"
        return CANNOT_SAY, (f"{question} decides whether the tank has a place",)
    if found.tank is False:
        return DOES_NOT_FIT, ("no place for the tank between the house and its setbacks",)
    if found.tank is None:
        room = "field and reserve have room; " if found.field and found.reserve else ""
        return CANNOT_SAY, (f"{room}no house on the lot: where sewage starts is not known", *found.doubts)
    if found.by_gravity is None:
        return CANNOT_SAY, ("the height of the ground at the house, the tank or the field is not known", *found.doubts)
    return (CANNOT_SAY, found.doubts) if found.doubts else (fits, ())


def _named(found: Found) -> str:
    return f": {found.open_setbacks}" if found.open_setbacks else ""
