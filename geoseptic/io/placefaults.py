"""What is wrong with the places of a table: read from the digits alone, or held against where the parcels are."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from geoseptic.io.angles import Angle
from geoseptic.io.datums import geographic
from geoseptic.model import misplaced

Floats = npt.NDArray[np.float64]

NEAR_DEG: Final = 0.05
"""How far from the parcels a corrected place may lie to speak for the correction: 5 km (own choice)."""

FAR_DEG: Final = 0.5
"""How far a place must be from the parcels to be looked at for a slip: 50 km (own choice); wells of the next county are no slips."""

WIDE_SHARE, WIDE_COUNT = 0.1, 5
"""A table with more wells far off than this share, and at least so many, is of a wider area (own choice)."""

PACKED_ROWS: Final = 6
"""So many rows whose decimals could all be minutes and seconds are no chance: 0.36 each, in two columns (own choice)."""

KINDS: Final = {misplaced.SWAPPED: "swapped", misplaced.SIGN_OF_LONGITUDE: "sign"}
"""Slips that a whole table may share -> what places.py calls them."""

DEGREE_SLIPS: Final = tuple(
    (f"a slip of {abs(by)} whole degree{'s' if abs(by) > 1 else ''}", axis, by)
    for by in (1, -1, 10, -10)
    for axis in ("latitude", "longitude")
)
PAIRS_OF_DIGITS: Final = re.compile(r"^[+-]?[0-9]+\.([0-5][0-9])([0-5][0-9])[0-9]{0,2}$")


@dataclass(frozen=True)
class Region:
    """Where the parcels are, in degrees of a datum: a metre or a hundred do not matter here."""

    west: float
    south: float
    east: float
    north: float

    @classmethod
    def of(cls, around: tuple[tuple[float, float, float, float], CRS] | None) -> "Region | None":
        """None where it is not known or lies nowhere."""
        if around is None or not np.isfinite(around[0]).all():
            return None
        crs = around[1]
        bounds = Transformer.from_crs(crs, geographic(crs), always_xy=True).transform_bounds(*around[0], densify_pts=21)
        return cls(*map(float, bounds)) if np.isfinite(bounds).all() else None

    def off_deg(self, lon: Floats, lat: Floats) -> Floats:
        """How many degrees each place lies outside, 0 inside."""
        return np.maximum(
            np.maximum(self.west - lon, lon - self.east).clip(min=0.0), np.maximum(self.south - lat, lat - self.north).clip(min=0.0)
        )


def may_be_packed(text: str) -> bool:
    """Whether decimals of a number of degrees could be minutes and seconds, as in 47.1230."""
    return PAIRS_OF_DIGITS.match(text.strip()) is not None


def doubtful_decimals(latitudes: Sequence[str], longitudes: Sequence[str], forms: Sequence[str]) -> npt.NDArray[np.bool_]:
    """The rows whose decimal degrees may be degrees, minutes and seconds, shape (rows,).

    All of them where every decimal row of a table could be; those with four to six fitting decimals where other rows of the table are in
    minutes and seconds.
    """
    decimal = np.array([form == "decimal degrees" for form in forms], bool)
    fits = np.array([may_be_packed(lat) and may_be_packed(lon) for lat, lon in zip(latitudes, longitudes, strict=True)], bool) & decimal
    sexagesimal = any(form not in ("", "decimal degrees") for form in forms)
    if sexagesimal or (decimal.sum() >= PACKED_ROWS and (fits == decimal).all()):
        return fits
    return np.zeros(len(decimal), bool)


def slips(lon: Floats, lat: Floats, region: Region | None) -> tuple[dict[int, tuple[str, str, str]], list[str], npt.NDArray[np.bool_]]:
    """Places that only a slip explains: row -> (the slip, what the place would be, the kind that a whole table may share).

    A correction that takes a far place to the parcels is no proof, so nothing is corrected. Slips of whole degrees are looked for only
    where the table is of this place. Also what is to be told, and which places are far off without a slip that explains it.
    """
    far = np.zeros(len(lon), bool)
    if region is None:
        return (
            {},
            ["there is nothing to hold the places against, so exchanged columns, wrong signs and slips of a degree would not show"],
            far,
        )
    placed = np.isfinite(lon) & np.isfinite(lat)
    off = np.full(len(lon), 0.0)
    off[placed] = region.off_deg(lon[placed], lat[placed])
    far = off > FAR_DEG
    wide = int(far.sum()) >= WIDE_COUNT and far.sum() > WIDE_SHARE * placed.sum()
    found: dict[int, tuple[str, str, str]] = {}
    for row in np.flatnonzero(far):
        for slip, change in misplaced.SLIPS.items():
            words, kind = f"the place seems to be entered {slip}", KINDS.get(slip, "")
            x, y = (float(value) for value in change(lon[row], lat[row]))
            if abs(y) <= 90 and region.off_deg(np.array([x]), np.array([y]))[0] <= NEAR_DEG:
                found.setdefault(int(row), (words, f"{y:.5f}, {x:.5f} would be here", kind))
        for words, axis, by in DEGREE_SLIPS if not wide else ():
            x, y = (lon[row], lat[row] + by) if axis == "latitude" else (lon[row] + by, lat[row])
            if region.off_deg(np.array([x]), np.array([y]))[0] <= NEAR_DEG:
                found.setdefault(int(row), (f"{words} in the {axis}", f"{y:.5f}, {x:.5f} would be here", ""))
    far[list(found)] = False
    notes = []
    if wide and far.sum() >= WIDE_COUNT:
        notes.append(
            f"{int(far.sum())} of {int(placed.sum())} wells lie more than {FAR_DEG:g} degrees off: the table is of a wider area, so a slip "
            "of a whole degree would not show"
        )
    return found, notes, far


def steps_of(lat: Angle, lon: Angle) -> tuple[float, float]:
    """The size of the last digit of a latitude and a longitude. [degrees]

    Programs drop zeros at the end: of two decimal numbers the one with more digits speaks for both, unless they differ by four digits and
    more. Seconds that are 0 in both were not measured, and so were minutes.
    """
    step_lat, step_lon = lat.step_deg, lon.step_deg
    if lat.form == lon.form == "decimal degrees":
        if max(step_lat, step_lon) < 5000 * min(step_lat, step_lon):
            step_lat = step_lon = min(step_lat, step_lon)
        return step_lat, step_lon
    for step in (1 / 60, 1.0):
        if all(abs(angle.deg / step - round(angle.deg / step)) < 1e-9 / step for angle in (lat, lon)):
            step_lat, step_lon = max(step_lat, step), max(step_lon, step)
    return step_lat, step_lon


def plane_step(one: str, other: str) -> float:
    """The size of the last digit of an easting and a northing, zeros at the end of whole numbers not counted unless both have them."""

    def step(text: str) -> float:
        whole, _, fraction = text.partition(".")
        if fraction.strip("0"):
            return 10.0 ** -len(fraction)
        digits = whole.lstrip("+-")
        return 10.0 ** (len(digits) - len(digits.rstrip("0"))) if digits.strip("0") else 1.0

    return max(min(step(one), step(other)), 1e-9)
