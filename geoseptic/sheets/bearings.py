"""Directions as surveyors write them, from the north of the grid."""

import math
from typing import Final

from pyproj import Transformer

from geoseptic.model.frame import Frame

XY = tuple[float, float]

MINUTES: Final = 60
NORTHWARD_DEGREES: Final = 1e-4
"""A step by which true north is found: about 11 m."""


def azimuth_degrees(start: XY, end: XY) -> float:
    """The direction from one place to another, clockwise from the north of the grid, from 0 to below 360. [degrees]"""
    return math.degrees(math.atan2(end[0] - start[0], end[1] - start[1])) % 360


def quadrant(azimuth: float) -> str:
    """A direction as a bearing to the nearest minute, such as N 12°34' E: from north or south, so much to the east or west."""
    minutes = round(azimuth * MINUTES) % (360 * MINUTES)
    quarter = 90 * MINUTES
    if minutes <= quarter:
        return _bearing("N", minutes, "E")
    if minutes <= 2 * quarter:
        return _bearing("S", 2 * quarter - minutes, "E")
    if minutes <= 3 * quarter:
        return _bearing("S", minutes - 2 * quarter, "W")
    return _bearing("N", 4 * quarter - minutes, "W")


def _bearing(pole: str, minutes: int, side: str) -> str:
    return f"{pole} {minutes // MINUTES}°{minutes % MINUTES:02d}' {side}"


def true_north_degrees(frame: Frame, place_m: XY) -> float:
    """How far true north lies clockwise of the north of the grid at a place; negative to the west of it. [degrees]"""
    geographic = frame.crs.geodetic_crs
    assert geographic is not None  # a projected CRS has one
    change = Transformer.from_crs(frame.crs, geographic, always_xy=True)
    x, y = (value / frame.metres_per_unit for value in place_m)
    lon, lat = change.transform(x, y)
    # Toward the equator from above it: no step may lead over a pole.
    step = NORTHWARD_DEGREES if lat < 0 else -NORTHWARD_DEGREES
    other = change.transform(lon, lat + step, direction="INVERSE")
    south, north = ((x, y), other) if step > 0 else (other, (x, y))
    return (azimuth_degrees(south, north) + 180) % 360 - 180


def true_north_words(degrees: float) -> str:
    """Where true north lies, in words."""
    minutes = round(abs(degrees) * MINUTES)
    if not minutes:
        return "True north is grid north here"
    return f"True north lies {minutes // MINUTES}°{minutes % MINUTES:02d}' {'east' if degrees > 0 else 'west'} of grid north here"
