"""Places far off that are not simply other places: at 0, 0, where a slip of the pen has put them, or read in the wrong zone."""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

SWAPPED: Final = "with longitude and latitude swapped"
SIGN_OF_LONGITUDE: Final = "with the sign of its longitude turned"

Degrees = npt.NDArray[np.float64]
Bounds = tuple[float, float, float, float]

ZONE_DEG: Final = 6.0
"""Width of a zone of UTM: the same numbers read in the next zone lie so far east."""

APART_DEG: Final = 2.0
"""No county has such a gap. Our own choice."""

BESIDE_DEG: Final = 0.2
"""So near lie the parts of one county. Our own choice."""

NOWHERE_DEG: Final = 0.01
"""So near to longitude 0, latitude 0, which lies in open sea, that it stands for a place that nobody entered."""

SLIPS: Final[Mapping[str, Callable[[Degrees, Degrees], tuple[Degrees, Degrees]]]] = {
    SIGN_OF_LONGITUDE: lambda lon, lat: (-lon, lat),
    "with the sign of its latitude turned": lambda lon, lat: (lon, -lat),
    "with both signs turned": lambda lon, lat: (-lon, -lat),
    SWAPPED: lambda lon, lat: (lat, lon),
    "with longitude and latitude swapped and both signs turned": lambda lon, lat: (-lat, -lon),
    "with longitude and latitude swapped and a sign turned": lambda lon, lat: (-lat, lon),
    "with longitude and latitude swapped and the other sign turned": lambda lon, lat: (lat, -lon),
}
"""What may have happened to a place -> what undoes it."""


def misplaced(lon_deg: Degrees, lat_deg: Degrees, near_deg: Bounds) -> Mapping[str, npt.NDArray[np.intp]]:
    """What is wrong with points that lie outside the bounds `near_deg` (west, south, east, north) -> their indices. [degrees]

    Points that no slip would bring into the bounds are of another place, and not listed.
    """
    found: dict[str, npt.NDArray[np.intp]] = {}
    nowhere = (np.abs(lon_deg) <= NOWHERE_DEG) & (np.abs(lat_deg) <= NOWHERE_DEG)
    if nowhere.any():
        found["placed at longitude 0, latitude 0, where no well is"] = np.flatnonzero(nowhere)
    left = np.flatnonzero(~nowhere)
    for slip, rows in slipped(lon_deg[left], lat_deg[left], near_deg).items():
        found[f"far from the {{place}}, but there {slip}"] = left[rows]
    return found


def slipped(lon_deg: Degrees, lat_deg: Degrees, near_deg: Bounds) -> Mapping[str, npt.NDArray[np.intp]]:
    """Slips that explain points outside the bounds `near_deg` -> their indices, each under the first that does. [degrees]"""
    found: dict[str, npt.NDArray[np.intp]] = {}
    west, south, east, north = near_deg
    left = ~((west <= lon_deg) & (lon_deg <= east) & (south <= lat_deg) & (lat_deg <= north))
    for slip, undone in SLIPS.items():
        lon, lat = undone(lon_deg, lat_deg)
        fits = left & (west <= lon) & (lon <= east) & (south <= lat) & (lat <= north)
        left &= ~fits
        if fits.any():
            found[slip] = np.flatnonzero(fits)
    return found


def slipped_bounds(near_deg: Bounds) -> tuple[Bounds, ...]:
    """Where a slip would put what belongs into the bounds (west, south, east, north). [degrees]"""
    west, south, east, north = near_deg
    corners = np.array([west, east]), np.array([south, north])
    found = [undone(*corners) for undone in SLIPS.values()]
    return tuple((float(x.min()), float(y.min()), float(x.max()), float(y.max())) for x, y in found)


def of_next_zone(lon_deg: Degrees, lat_deg: Degrees) -> tuple[npt.NDArray[np.intp], float]:
    """Which points of a layer in a zone of UTM were written in the next zone, and how far apart in longitude that puts them. [degrees]

    The layer falls apart at a gap wider than `APART_DEG`, and read in the next zone one part would lie beside the other. It is the smaller
    part that is told, of equal ones the western; none where the layer does not fall apart so.
    """
    placed = np.flatnonzero(np.isfinite(lon_deg) & np.isfinite(lat_deg))
    order = placed[np.argsort(lon_deg[placed])]
    gaps = np.diff(lon_deg[order])
    if not len(gaps) or gaps.max() < APART_DEG:
        return order[:0], 0.0
    cut = int(gaps.argmax()) + 1
    west, east = order[:cut], order[cut:]
    beside = all(
        (one[west] + more).min() - BESIDE_DEG <= one[east].max() and one[east].min() <= (one[west] + more).max() + BESIDE_DEG
        for one, more in ((lon_deg, ZONE_DEG), (lat_deg, 0.0))
    )
    if not beside:
        return order[:0], 0.0
    return (west if len(west) <= len(east) else east), float(gaps.max())
