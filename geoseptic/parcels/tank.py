"""Where the tank may stand: near the house, on the side of the field, inside the tank's own envelope."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries

TANK_LENGTH_M: Final = 3.0
TANK_WIDTH_M: Final = 1.8
"""Outside of a common 1,000 to 1,500 gallon tank, 10 x 6 ft. Common practice, no source."""

CLEAR_OF_FIELD_M: Final = 1.5
"""Undisturbed ground between tank and trenches, 5 ft. Common practice, no source."""

NEAR_HOUSE_M: Final = 3.0
"""How much farther than the nearest lawful place the tank may stand to get on the field's side of the house."""

ROOM_RADIUS_M: Final = (TANK_LENGTH_M**2 + TANK_WIDTH_M**2) ** 0.5 / 2


@dataclass(frozen=True)
class Tanks:
    """One row a lot; empty geometries where there is no place. Lines run downstream."""

    footprints_m: Geometries
    exits_m: Geometries
    centres_m: Geometries
    sewers_m: Geometries
    effluents_m: Geometries

    @property
    def placed(self) -> npt.NDArray[np.bool_]:
        return ~np.asarray(shapely.is_empty(self.centres_m))


def place(houses_m: Geometries, envelopes_m: Geometries, fields_m: Geometries, reserves_m: Geometries) -> Tanks:
    """A tank for every lot that has a house and a field.

    The tank keeps its envelope with its whole footprint, whichever way it is turned. Of the places at most `NEAR_HOUSE_M` farther from
    the house than the nearest one it takes that nearest to the field. The sewer leaves the house at the wall point nearest to the tank,
    which is a guess until somebody finds the real exit.

    Parameters
    ----------
    houses_m, envelopes_m, fields_m, reserves_m : polygons, one row a lot; empty where there is none. [m]
    """
    taken = shapely.buffer(fields_m, CLEAR_OF_FIELD_M)
    room = shapely.difference(shapely.difference(envelopes_m, taken), shapely.buffer(reserves_m, CLEAR_OF_FIELD_M))
    room = shapely.buffer(room, -ROOM_RADIUS_M, quad_segs=16)
    usable = ~(shapely.is_empty(room) | shapely.is_empty(houses_m) | shapely.is_empty(fields_m))
    nearest_m = np.where(usable, shapely.distance(room, houses_m), 0.0)
    near = shapely.intersection(room, shapely.buffer(houses_m, nearest_m + NEAR_HOUSE_M))
    usable &= ~shapely.is_empty(near)
    empty_point, empty_line = shapely.Point(), shapely.LineString()
    centres = np.full(len(houses_m), empty_point, object)
    exits = centres.copy()
    sewers = np.full(len(houses_m), empty_line, object)
    effluents = sewers.copy()
    footprints = np.full(len(houses_m), shapely.Polygon(), object)
    rows = np.flatnonzero(usable)
    effluents[rows] = shapely.shortest_line(near[rows], fields_m[rows])
    centres[rows] = shapely.get_point(effluents[rows], 0)
    sewers[rows] = shapely.shortest_line(houses_m[rows], centres[rows])
    exits[rows] = shapely.get_point(sewers[rows], 0)
    for row in rows:
        footprints[row] = _footprint(sewers[row])
    return Tanks(footprints, exits, centres, sewers, effluents)


def _footprint(sewer: shapely.LineString) -> shapely.Polygon:
    """The tank with its long side along the sewer, round the sewer's lower end."""
    (x0, y0), (x1, y1) = shapely.get_coordinates(sewer)[[0, -1]]
    length = float(np.hypot(x1 - x0, y1 - y0))
    along = np.array([(x1 - x0), (y1 - y0)]) / length if length > 0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    long, wide = along * TANK_LENGTH_M / 2, across * TANK_WIDTH_M / 2
    middle = np.array([x1, y1])
    return shapely.Polygon([middle - long - wide, middle + long - wide, middle + long + wide, middle - long + wide])
