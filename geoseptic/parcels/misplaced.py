"""Points far from the parcels that are not simply of another place: at 0, 0, or where a slip of the pen has put them."""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

Degrees = npt.NDArray[np.float64]

NOWHERE_DEG: Final = 0.01
"""So near to longitude 0, latitude 0, which lies in open sea, that it stands for a place that nobody entered."""

SLIPS: Final[Mapping[str, Callable[[Degrees, Degrees], tuple[Degrees, Degrees]]]] = {
    "with the sign of its longitude turned": lambda lon, lat: (-lon, lat),
    "with the sign of its latitude turned": lambda lon, lat: (lon, -lat),
    "with longitude and latitude swapped": lambda lon, lat: (lat, lon),
    "with longitude and latitude swapped and both signs turned": lambda lon, lat: (-lat, -lon),
    "with longitude and latitude swapped and a sign turned": lambda lon, lat: (-lat, lon),
    "with longitude and latitude swapped and the other sign turned": lambda lon, lat: (lat, -lon),
}
"""What may have happened to a place -> what undoes it."""


def misplaced(lon_deg: Degrees, lat_deg: Degrees, near_deg: tuple[float, float, float, float]) -> Mapping[str, npt.NDArray[np.intp]]:
    """What is wrong with points that lie outside the bounds `near_deg` (west, south, east, north) -> their indices. [degrees]

    Points that no slip would bring into the bounds are of another place, and not listed.
    """
    found: dict[str, npt.NDArray[np.intp]] = {}
    nowhere = (np.abs(lon_deg) <= NOWHERE_DEG) & (np.abs(lat_deg) <= NOWHERE_DEG)
    if nowhere.any():
        found["placed at longitude 0, latitude 0, where no well is"] = np.flatnonzero(nowhere)
    west, south, east, north = near_deg
    left = ~nowhere
    for slip, undone in SLIPS.items():
        lon, lat = undone(lon_deg, lat_deg)
        fits = left & (west <= lon) & (lon <= east) & (south <= lat) & (lat <= north)
        left &= ~fits
        if fits.any():
            found[f"far from the {{place}}, but there {slip}"] = np.flatnonzero(fits)
    return found
