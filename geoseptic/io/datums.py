"""The datum that a place is stated in, from the words that files use for it, and what not knowing it costs."""

import re
import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Geod, Transformer
from pyproj.exceptions import CRSError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geoseptic.errors import DatumShiftError
from geoseptic.model.frame import NAD83_REALIZATIONS_M, Frame
from geoseptic.units import in_both_units

Floats = npt.NDArray[np.float64]
ELLIPSOID: Final = Geod(ellps="GRS80")

NAD27, NAD83, WGS84 = "EPSG:4267", "EPSG:4269", "EPSG:4326"

WORDS: Final[dict[str, str]] = {
    "NAD27": NAD27, "NAD1927": NAD27, "27": NAD27, "1927": NAD27, "NORTHAMERICAN1927": NAD27, "NORTHAMERICANDATUM1927": NAD27,
    "NAD83": NAD83, "NAD1983": NAD83, "83": NAD83, "1983": NAD83, "NORTHAMERICAN1983": NAD83, "NORTHAMERICANDATUM1983": NAD83,
    "WGS84": WGS84, "WGS1984": WGS84, "84": WGS84, "1984": WGS84, "GPS": WGS84, "WGS": WGS84,
    "NAD83(HARN)": "EPSG:4152", "NAD83HARN": "EPSG:4152", "NAD83(2011)": "EPSG:6318", "NAD832011": "EPSG:6318",
}  # fmt: skip

UNKNOWN: Final = "unknown"

MOST_SHIFT_M: Final = 250.0
"""Where PROJ knows no way between NAD27 and NAD83. From memory: about 100 m in the contiguous states, 200 m in Alaska."""


def datum_of(words: str) -> CRS | None:
    """The system that words for a datum or a CRS name; None where they name none that can be laid over anything."""
    plain = re.sub(r"[\s_.,-]+", "", words.upper())
    try:
        crs = CRS.from_user_input(WORDS.get(plain, words.strip()))
    except CRSError:
        return None
    return crs if crs.is_geographic or crs.is_projected else None


@dataclass(frozen=True)
class Moved:
    """Places in another datum, how far off the change may have put them (NaN: nobody knows), and by what way it went. [m]"""

    lon_deg: Floats
    lat_deg: Floats
    accuracy_m: float
    way: str


def moved(crs: CRS, target: CRS, lon_deg: Floats, lat_deg: Floats) -> Moved | None:
    """Places of one geographic system in another, by the way that PROJ holds to be the best; where it has none that it can go, over WGS 84,
    which is coarser and says so. None where there is no way that does not leave the change out."""
    points = shapely.points(lon_deg, lat_deg)
    try:
        straight = Frame(target, 1.0).reprojection_from(crs, points, "wells")
    except DatumShiftError:
        first, second = _ways(crs, CRS(WGS84), lon_deg, lat_deg), _ways(CRS(WGS84), target, lon_deg, lat_deg)
        if not first or not second or min(first[0].accuracy, second[0].accuracy) < 0:
            return None
        lon, lat = second[0].transform(*first[0].transform(lon_deg, lat_deg))
        accuracy_m = first[0].accuracy + second[0].accuracy
        return Moved(lon, lat, accuracy_m, f"by way of WGS 84, accurate to {in_both_units(accuracy_m)}")
    xy = shapely.get_coordinates(straight.moved(points))
    return Moved(xy[:, 0], xy[:, 1], straight.accuracy_m, str(straight))


def shifts_of_unknown_datum_m(lon_deg: Floats, lat_deg: Floats) -> Floats:
    """How far each place may be off where it is read as NAD83 and may be NAD27 or WGS 84, shape (places,). [m]"""
    found = moved(CRS(NAD27), CRS(NAD83), lon_deg, lat_deg)
    if found is None:
        return np.full(len(lon_deg), MOST_SHIFT_M)
    shift_m = ELLIPSOID.inv(lon_deg, lat_deg, found.lon_deg, found.lat_deg)[2]
    accuracy_m = found.accuracy_m if np.isfinite(found.accuracy_m) else MOST_SHIFT_M
    return np.where(np.isfinite(shift_m), np.maximum(shift_m + accuracy_m, NAD83_REALIZATIONS_M), MOST_SHIFT_M)


def _ways(crs: CRS, target: CRS, lon_deg: Floats, lat_deg: Floats) -> list[Transformer]:
    area = AreaOfInterest(float(lon_deg.min()), float(lat_deg.min()), float(lon_deg.max()), float(lat_deg.max()))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(crs, target, always_xy=True, area_of_interest=area, allow_ballpark=False).transformers


def geographic(crs: CRS) -> CRS:
    """The geographic system that a CRS stands on, itself where it is one."""
    found = crs if crs.is_geographic else crs.geodetic_crs
    assert found is not None
    return found


def degrees(crs: CRS, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Coordinates as longitudes and latitudes of the same datum; what lies off the Earth becomes infinite."""
    if crs.is_geographic:
        return x, y
    lon, lat = Transformer.from_crs(crs, geographic(crs), always_xy=True).transform(x, y)
    return np.asarray(lon), np.asarray(lat)
