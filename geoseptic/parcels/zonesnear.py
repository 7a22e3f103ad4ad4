"""Which zones meet which lots, and which cover them, where some zones have very many corners: those of long creeks and shores."""

from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries

LARGE: Final = 1_000
"""A zone of more corners is prepared, which looks at all of them once; of any other the engine looks at each for every lot."""

Rows = npt.NDArray[np.int64]


class ZonesNear:
    """Zones that are asked about lots again and again."""

    def __init__(self, zones_m: Geometries, large: int = LARGE) -> None:
        self.zones_m, self.bounds_m = zones_m, shapely.bounds(zones_m)
        self.large = shapely.get_num_coordinates(zones_m) > large

    @cached_property
    def _small(self) -> tuple[Rows, shapely.STRtree]:
        rows = np.flatnonzero(~self.large)
        return rows, shapely.STRtree(self.zones_m[rows])

    def meeting(self, lots_m: Geometries) -> tuple[Rows, Rows]:
        """Pairs of a lot and a zone that have a point in common, by lots, then by zones."""
        rows, tree = self._small
        lot, small = tree.query(lots_m, predicate="intersects")
        own, zone = self._of_large(lots_m, np.flatnonzero(self.large), "intersects")
        lot, zone = np.concatenate([lot, own]), np.concatenate([rows[small], zone])
        order = np.lexsort((zone, lot))
        return lot[order], zone[order]

    def cover(self, zone: Rows, lot: Rows, lots_m: Geometries) -> npt.NDArray[np.bool_]:
        """Of pairs of a zone and a lot, whether the zone covers the lot: bounds first, they are cheap."""
        outer, inner = self.bounds_m[zone], shapely.bounds(lots_m[lot])
        found: npt.NDArray[np.bool_] = (outer[:, :2] <= inner[:, :2]).all(axis=1) & (outer[:, 2:] >= inner[:, 2:]).all(axis=1)
        large = found & self.large[zone]
        small = found & ~large
        found[small] = shapely.covers(self.zones_m[zone[small]], lots_m[lot[small]])
        if large.any():
            own, which = self._of_large(lots_m, np.unique(zone[large]), "covers")
            count = len(self.zones_m)
            found[large] = np.isin(lot[large] * count + zone[large], own * count + which)
        return found

    def _of_large(self, lots_m: Geometries, zones: Rows, predicate: str) -> tuple[Rows, Rows]:
        """Pairs of a lot and one of these zones."""
        if not len(zones):
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        zone, lot = shapely.STRtree(lots_m).query(self.zones_m[zones], predicate=predicate)
        return lot, zones[zone]
