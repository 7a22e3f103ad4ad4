"""Units of length: each is converted once, where a file or an option enters or leaves."""

from typing import Final

from geoseptic.errors import UnknownUnitError

FOOT_M: Final = 0.3048
"""International foot, exact (NIST Special Publication 811, appendix B.6)."""

US_SURVEY_FOOT_M: Final = 1200 / 3937
"""US survey foot, exact (NIST Special Publication 811, appendix B.6); some state plane systems still use it."""

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


def to_metres(value: float, unit: str) -> float:
    """`value`, given in `unit`, in metres; raises UnknownUnitError for a unit that is not a length."""
    return value * metres_per(unit)


def from_metres(value_m: float, unit: str) -> float:
    """`value_m` in `unit`; raises UnknownUnitError for a unit that is not a length."""
    return value_m / metres_per(unit)


def metres_per(unit: str) -> float:
    """Length of one `unit` in metres."""
    try:
        return METRES_PER_UNIT[unit]
    except KeyError:
        raise UnknownUnitError(unit=unit, known=tuple(METRES_PER_UNIT)) from None
