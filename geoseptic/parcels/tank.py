"""Where the tank may stand: near the house, on the side of the field, inside its own envelope, with a way for both its lines."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels.buffers import MARGIN_M, OVERSHOOT, QUADRANT_SEGMENTS, outward
from geoseptic.parcels.lines import TOUCH_M, Ways, ways_of

TANK_LENGTH_M: Final = 3.0
TANK_WIDTH_M: Final = 1.8
"""Outside of a common 1,000 to 1,500 gallon tank, 10 x 6 ft. Common practice, no source."""

CLEAR_OF_FIELD_M: Final = 1.5
"""Undisturbed ground between tank and trenches, 5 ft. Common practice, no source."""

NEAR_HOUSE_M: Final = 3.0
"""How much farther than the nearest lawful place the tank may stand to get on the field's side of the house."""

ROOM_RADIUS_M: Final = (TANK_LENGTH_M**2 + TANK_WIDTH_M**2) ** 0.5 / 2

TRIES: Final = 24
"""Places looked at near the house, and as many anywhere, where the first has no way for its lines."""

NOTHING: Final = shapely.Polygon()


@dataclass(frozen=True)
class Tanks:
    """One row a lot; empty geometries where there is no place. Lines run downstream, from the wall and from the tank's middle."""

    footprints_m: Geometries
    exits_m: Geometries
    centres_m: Geometries
    sewers_m: Geometries
    effluents_m: Geometries
    crosses_reserve: npt.NDArray[np.bool_]

    @property
    def placed(self) -> npt.NDArray[np.bool_]:
        return ~np.asarray(shapely.is_empty(self.centres_m))


def place(
    houses_m: Geometries,
    envelopes_m: Geometries,
    fields_m: Geometries,
    reserves_m: Geometries,
    lots_m: Geometries,
    barriers_m: Geometries,
) -> Tanks:
    """A tank for every lot that has a house and a field.

    The tank keeps its envelope with its whole footprint, whichever way it is turned. Of the places at most `NEAR_HOUSE_M` farther from the
    house than the nearest one it takes that nearest to the field. The sewer leaves the house at the wall point nearest to the tank, which
    is a guess until somebody finds the real exit.

    Both lines stay on the lot and cross neither the field nor a barrier. Where straight lines do not, other places for the tank and ways
    round for the effluent line are looked for, first without crossing the reserve, then across it: it is crossed only where no line on the
    lot leads round it (our own choice; common practice, no source). Where there is no way there is no tank.

    Parameters
    ----------
    houses_m, envelopes_m, fields_m, reserves_m : polygons, one row a lot; empty where there is none. [m]
    lots_m : the lots themselves.
    barriers_m : of each lot what no pipe may run under, as of `on_lots`, the house included. [m]
    """
    count = len(houses_m)
    room, near = np.full((2, count), NOTHING, object)
    rows = np.flatnonzero(~(shapely.is_empty(houses_m) | shapely.is_empty(fields_m)))
    room[rows] = _room(envelopes_m[rows], fields_m[rows], reserves_m[rows])
    rows = rows[~shapely.is_empty(room[rows])]
    near[rows] = _near(room[rows], houses_m[rows])
    rows = rows[~shapely.is_empty(near[rows])]
    centres, sewers, effluents = np.full(count, shapely.Point(), object), *np.full((2, count), shapely.LineString(), object)
    crosses = np.zeros(count, bool)
    straight = shapely.shortest_line(near[rows], fields_m[rows])
    tops = shapely.get_point(straight, 0)
    walls = shapely.shortest_line(houses_m[rows], tops)
    barred = shapely.union(barriers_m[rows], houses_m[rows])
    good = _open(walls, straight, lots_m[rows], barred, fields_m[rows], reserves_m[rows])
    centres[rows[good]], sewers[rows[good]], effluents[rows[good]] = tops[good], walls[good], straight[good]
    for at in np.flatnonzero(~good):
        row = rows[at]
        for over_reserve in (False, True):
            reserve = NOTHING if over_reserve else reserves_m[row]
            found = _another_way(houses_m[row], near[row], room[row], Ways.over(lots_m[row], barred[at], fields_m[row], reserve))
            if found is not None:
                centres[row], sewers[row], effluents[row] = found
                crosses[row] = over_reserve and not shapely.is_empty(reserves_m[row])
                break
    footprints, exits = np.full(count, NOTHING, object), np.full(count, shapely.Point(), object)
    rows = np.flatnonzero(~shapely.is_empty(centres))
    exits[rows], footprints[rows] = shapely.get_point(sewers[rows], 0), _footprints(sewers[rows])
    return Tanks(footprints, exits, centres, sewers, effluents, crosses)


def nearest_places(houses_m: Geometries, envelopes_m: Geometries) -> Geometries:
    """The lawful place for a tank's middle that is nearest to each house, wherever the field is; an empty point where there is none."""
    nothing = np.full(len(houses_m), NOTHING, object)
    room = _room(envelopes_m, nothing, nothing)
    usable = ~(shapely.is_empty(room) | shapely.is_empty(houses_m))
    places = np.full(len(houses_m), shapely.Point(), object)
    places[usable] = shapely.get_point(shapely.shortest_line(room[usable], houses_m[usable]), 0)
    return places


def on_lots(lots_m: Geometries, things_m: Geometries) -> Geometries:
    """Of each lot the things that touch it, as one shape; empty where there are none. [m]"""
    found = np.full(len(lots_m), NOTHING, object)
    lot, thing = shapely.STRtree(things_m).query(lots_m, predicate="intersects")
    order = np.argsort(lot, kind="stable")
    for parts in np.split(order, np.flatnonzero(np.diff(lot[order])) + 1):
        if len(parts):
            found[lot[parts[0]]] = shapely.union_all(things_m[thing[parts]])
    return found


def _room(envelopes_m: Geometries, fields_m: Geometries, reserves_m: Geometries) -> Geometries:
    """Where the tank's middle may be."""
    for taken in (fields_m, reserves_m):
        envelopes_m = shapely.difference(envelopes_m, outward(taken, CLEAR_OF_FIELD_M))
    room: Geometries = shapely.buffer(envelopes_m, -(ROOM_RADIUS_M + MARGIN_M) * OVERSHOOT, quad_segs=QUADRANT_SEGMENTS)
    return room


def _near(room: Geometries, houses_m: Geometries) -> Geometries:
    nearest_m = shapely.distance(room, houses_m)
    near: Geometries = shapely.intersection(room, shapely.buffer(houses_m, nearest_m + NEAR_HOUSE_M))
    return near


def _open(
    walls: Geometries, straight: Geometries, lots_m: Geometries, barred: Geometries, fields_m: Geometries, reserves_m: Geometries
) -> npt.NDArray[np.bool_]:
    """Whether both straight lines run over open ground, as of `ways_of`, which are made only where one comes near to what is shut."""
    shut = shapely.buffer(barred, -TOUCH_M, join_style="mitre")
    good = np.asarray(shapely.covers(lots_m, walls) & shapely.covers(lots_m, straight))
    # The shortest way to the field touches it at its end and nowhere else.
    for line, shapes in ((walls, shut), (straight, shut), (walls, fields_m), (walls, reserves_m), (straight, reserves_m)):
        good[good] = shapely.disjoint(line[good], shapes[good])
    near = np.flatnonzero(~good)
    ways = ways_of(lots_m[near], barred[near], fields_m[near], reserves_m[near])
    good[near] = shapely.covers(ways, walls[near]) & shapely.covers(ways, straight[near])
    return good


def _another_way(
    house: shapely.Geometry, near: shapely.Geometry, room: shapely.Geometry, ways: Ways
) -> tuple[shapely.Point, shapely.LineString, shapely.LineString] | None:
    """A place for the tank, its sewer and its effluent line: near the house, else anywhere; None where no place has both."""
    for part in (near, room):
        places = _places(part, house if part is room else ways.field)
        walls = shapely.shortest_line(house, places)
        for place, wall in zip(places, walls, strict=True):
            if ways.open_to(wall):
                line = ways.to_field(place)
                if line is not None:
                    return place, wall, line
    return None


def _places(part: shapely.Geometry, toward: shapely.Geometry) -> Geometries:
    """The point nearest to something and others spread along the outline, nearest first."""
    outline = shapely.boundary(part)
    lines = shapely.get_parts(outline)
    length_m = float(shapely.length(outline))
    step_m = max(length_m / TRIES, 0.1)
    points = [shapely.line_interpolate_point(line, np.arange(0.0, shapely.length(line), step_m)) for line in lines]
    places: Geometries = np.concatenate([[shapely.get_point(shapely.shortest_line(part, toward), 0)], *points])
    return places[np.argsort(shapely.distance(places, toward), kind="stable")]


def _footprints(sewers: Geometries) -> Geometries:
    """The tanks with their long sides along the sewers, round the sewers' lower ends."""
    upper, lower = (shapely.get_coordinates(shapely.get_point(sewers, end)) for end in (0, -1))
    down = lower - upper
    length = np.hypot(down[:, 0], down[:, 1])[:, None]
    along = np.where(length > 0, down / np.where(length > 0, length, 1.0), (1.0, 0.0))
    across = np.column_stack([-along[:, 1], along[:, 0]])
    long, wide = along * TANK_LENGTH_M / 2, across * TANK_WIDTH_M / 2
    corners = [lower - long - wide, lower + long - wide, lower + long + wide, lower - long + wide]
    footprints: Geometries = shapely.polygons(np.stack(corners, axis=1))
    return footprints
