"""The datum that a place is stated in, from the words that files use for it, and what not knowing it costs."""

import re
import warnings
from typing import Final

import numpy as np
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError
from pyproj.transformer import TransformerGroup

from geoseptic.model.frame import NAD83_REALIZATIONS_M

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


def shifts_of_unknown_datum_m(lon_deg: np.ndarray, lat_deg: np.ndarray) -> np.ndarray:
    """How far each place may be off where it is read as NAD83 and may be NAD27 or WGS 84, shape (places,). [m]"""
    if not len(lon_deg):
        return np.zeros(0)
    area = AreaOfInterest(float(lon_deg.min()), float(lat_deg.min()), float(lon_deg.max()), float(lat_deg.max()))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        ways = TransformerGroup(NAD27, NAD83, always_xy=True, area_of_interest=area, allow_ballpark=False).transformers
    if not ways:
        return np.full(len(lon_deg), MOST_SHIFT_M)
    lon, lat = ways[0].transform(lon_deg, lat_deg)
    shift = Geod(ellps="GRS80").inv(lon_deg, lat_deg, lon, lat)[2] + max(ways[0].accuracy, 0.0)
    return np.where(np.isfinite(shift), np.maximum(shift, NAD83_REALIZATIONS_M), MOST_SHIFT_M)


def geographic(crs: CRS) -> CRS:
    """The geographic system that a CRS stands on, itself where it is one."""
    found = crs if crs.is_geographic else crs.geodetic_crs
    assert found is not None
    return found


def degrees(crs: CRS, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates as longitudes and latitudes of the same datum; what lies off the Earth becomes infinite."""
    if crs.is_geographic:
        return x, y
    lon, lat = Transformer.from_crs(crs, geographic(crs), always_xy=True).transform(x, y)
    return np.asarray(lon), np.asarray(lat)
