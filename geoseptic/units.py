"""Units of length, area, volume, time and flow: each is converted once, where a file or an option enters or leaves."""

from typing import Final

from geoseptic.errors import UnknownUnitError

FOOT_M: Final = 0.3048
"""International foot, exact (NIST Special Publication 811, appendix B.6)."""

US_SURVEY_FOOT_M: Final = 1200 / 3937
"""US survey foot, exact (NIST Special Publication 811, appendix B.6); some state plane systems still use it."""

GALLON_M3: Final = 231 * (FOOT_M / 12) ** 3
"""US gallon of 231 cubic inches, exact (NIST Special Publication 811, appendix B.6)."""

METRES_PER_UNIT: Final[dict[str, float]] = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "ft": FOOT_M,
    "foot": FOOT_M,
    "US survey foot": US_SURVEY_FOOT_M,
    "ftUS": US_SURVEY_FOOT_M,
    "in": FOOT_M / 12,
    "cm": 0.01,
}

SQUARE_METRES_PER_UNIT: Final[dict[str, float]] = {"m2": 1.0, "ft2": FOOT_M**2}
CUBIC_METRES_PER_UNIT: Final[dict[str, float]] = {"m3": 1.0, "L": 0.001, "gal": GALLON_M3}
CUBIC_METRES_PER_DAY_PER_UNIT: Final[dict[str, float]] = {"m3/day": 1.0, "L/day": 0.001, "gpd": GALLON_M3}
MICROMETRES_PER_SECOND_PER_UNIT: Final[dict[str, float]] = {"um/s": 1.0, "in/h": FOOT_M / 12 / 3600 * 1e6}
FALL_PER_UNIT: Final[dict[str, float]] = {"in/ft": 1 / 12, "%": 0.01}
"""Fall of a pipe, in metres on a metre."""
MINUTES_PER_UNIT: Final[dict[str, float]] = {"min": 1.0, "h": 60.0}


def to_metres(value: float, unit: str) -> float:
    """`value`, given in `unit`, in metres; raises UnknownUnitError for a unit that is not a length."""
    return value * metres_per(unit)


def from_metres(value_m: float, unit: str) -> float:
    """`value_m` in `unit`; raises UnknownUnitError for a unit that is not a length."""
    return value_m / metres_per(unit)


def in_both_units(length_m: float) -> str:
    """A length for a message, in metres and feet: read by people of either."""
    return f"{round(length_m, 2):g} m ({round(from_metres(length_m, 'ft'), 1):g} ft)"


def metres_per(unit: str) -> float:
    """Length of one `unit` in metres."""
    try:
        return METRES_PER_UNIT[unit]
    except KeyError:
        raise UnknownUnitError(unit=unit, known=tuple(METRES_PER_UNIT)) from None
