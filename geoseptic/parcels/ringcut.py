"""Polygons minus polygons, many small ones at once, where no corner lies on another outline; the rest is left to the geometry engine.

A general overlay spends most of its time on cases that setback zones on lots hardly ever are: corners on edges, edges on edges. Here the
outlines cross at plain points or not at all, which is tested; the result is then traced from crossing to crossing (Weiler and Atherton
1977, from memory). Where a corner comes as near as `NEAR_M` to another outline, or anything is out of the ordinary, the answer is "not
here".
"""

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from numba import njit
from shapely import GeometryType

from geoseptic.model.frame import Geometries
from geoseptic.parcels.ringsnear import copied_near

NEAR_M: Final = 1e-7
"""Nearer than this a corner may lie on the other outline. A coordinate of 10,000 km is exact to 2e-9 m, and only differences are used."""

BESIDE_M: Final = 1.0
"""Of a ring only what comes so near to the bounds of what it is taken from is looked at."""

MOST_CORNERS: Final = 8192
MOST_CROSSINGS: Final = 512
MOST_RINGS: Final = 256

SAME, CUT, NOT_HERE = 0, 1, 2

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Rings(NamedTuple):
    """Polygons as closed rings, the polygon on the left of each: shells run anticlockwise, holes clockwise.

    xy : (corners, 2). [m]
    ring : (rings + 1,) first corner of each ring.
    first, last : (shapes,) first ring of each shape, and the one after its last.
    plain : (shapes,) whether it is a polygon or several, and nothing else.
    holed : (shapes,) whether any of its polygons has a hole.
    """

    xy: Floats
    ring: Ints
    first: Ints
    last: Ints
    plain: npt.NDArray[np.bool_]
    holed: npt.NDArray[np.bool_]


def rings_of(shapes_m: Geometries) -> Rings:
    """The rings of each of the shapes."""
    kind = shapely.get_type_id(shapes_m)
    holes = shapely.get_num_interior_rings(shapes_m)
    plain = np.isin(kind, (GeometryType.POLYGON, GeometryType.MULTIPOLYGON))
    single = (kind == GeometryType.POLYGON) & (holes == 0) & ~shapely.is_empty(shapes_m)
    many = np.flatnonzero(plain & ~single)
    pieces, owner = shapely.get_parts(shapes_m[many], return_index=True)
    rings, piece = shapely.get_rings(pieces, return_index=True)
    singles = shapes_m[single]
    corners = shapely.get_num_coordinates(np.concatenate([singles, rings]))
    shell = np.ones(len(corners), bool)
    shell[len(singles) + 1 :] = piece[1:] != piece[:-1]
    xy = np.concatenate([shapely.get_coordinates(singles), shapely.get_coordinates(rings)])
    ring = np.concatenate([[0], np.cumsum(corners)]).astype(np.int64)
    _turn(xy, ring, shell)
    first, count = np.zeros(len(shapes_m), np.int64), np.zeros(len(shapes_m), np.int64)
    first[single], count[single] = np.arange(len(singles)), 1
    count[many] = np.bincount(owner[piece], minlength=len(many))
    first[many] = len(singles) + np.cumsum(count[many]) - count[many]
    holed = np.zeros(len(shapes_m), bool)
    holed[many[owner[piece[~shell[len(singles) :]]]]] = True
    return Rings(xy, ring, first, first + count, plain, holed)


def cut_areas(base: Rings, owner: Ints, zones: Rings, zone: Ints) -> tuple[npt.NDArray[np.uint8], Floats]:
    """For each shape of `base` what became of it (SAME, CUT or NOT_HERE) and, where it was cut, the area that is left. [m2]

    `zone[i]` is taken from `base[owner[i]]`; `owner` is sorted.
    """
    state, area_m2, *_ = _cut_all(base, _first_pairs(owner, len(base.plain)), zones, zone, False)
    return state, area_m2


def cut_shapes(base: Rings, owner: Ints, zones: Rings, zone: Ints) -> tuple[npt.NDArray[np.uint8], Geometries]:
    """For each shape of `base` what became of it, and the shapes that were cut, in the order of `base`; parameters as of `cut_areas`."""
    state, _, xy, ring, polygon, shape = _cut_all(base, _first_pairs(owner, len(base.plain)), zones, zone, True)
    polygons = shapely.from_ragged_array(GeometryType.POLYGON, xy, (ring, polygon)) if len(polygon) > 1 else np.empty(0, object)
    count = np.diff(shape)
    rows = np.flatnonzero(state == CUT)
    left = np.full(len(rows), shapely.Polygon())
    count = count[rows]
    which = np.repeat(np.arange(len(rows)), count)
    single = count[which] == 1
    left[which[single]] = polygons[single]
    several = ~single
    if several.any():
        many, position = np.unique(which[several], return_inverse=True)
        left[many] = shapely.multipolygons(polygons[several], indices=position)
    valid = shapely.is_valid(left)
    state[rows[~valid]] = NOT_HERE
    return state, left[valid]


def _first_pairs(owner: Ints, count: int) -> Ints:
    return np.searchsorted(owner, np.arange(count + 1)).astype(np.int64)


@njit(cache=True, nogil=True)
def _turn(xy, ring, shell):  # type: ignore[no-untyped-def]
    """Turn each ring, in place, so that shells run anticlockwise and holes clockwise."""
    for number in range(ring.size - 1):
        start, end = ring[number], ring[number + 1]
        if end > start and (_twice_area(xy, start, end) > 0) != shell[number]:
            for step in range((end - start) // 2):
                for axis in range(2):
                    xy[start + step, axis], xy[end - 1 - step, axis] = xy[end - 1 - step, axis], xy[start + step, axis]


@njit(cache=True, nogil=True)
def _twice_area(xy, start, end):  # type: ignore[no-untyped-def]
    x_0, y_0 = xy[start, 0], xy[start, 1]
    total = 0.0
    for corner in range(start + 1, end - 1):
        total += (xy[corner, 0] - x_0) * (xy[corner + 1, 1] - y_0) - (xy[corner + 1, 0] - x_0) * (xy[corner, 1] - y_0)
    return total


@njit(cache=True, nogil=True)
def _cut_all(base, pair, zones, zone, shapes_wanted):  # type: ignore[no-untyped-def]
    """State, area, and the cut shapes as corners (closed, shells clockwise as the engine makes them), rings, polygons and shapes."""
    xy, ring = base.xy, base.ring
    count = base.first.size
    state, area_m2 = np.zeros(count, np.uint8), np.zeros(count)
    out_xy, out_corners = np.empty((1024, 2)), np.int64(0)
    out_ring, out_polygon, out_shape = [0], [0], np.zeros(count + 1, np.int64)
    region, other = np.empty((MOST_CORNERS, 2)), np.empty((MOST_CORNERS, 2))
    ends, other_ends = np.zeros(MOST_RINGS + 1, np.int64), np.zeros(MOST_RINGS + 1, np.int64)
    cutter = np.empty((MOST_CORNERS, 2))
    near = np.empty(MOST_CORNERS, np.int64)
    where, place = np.empty((MOST_CROSSINGS, 2), np.int64), np.empty((MOST_CROSSINGS, 4))
    enters = np.empty(MOST_CROSSINGS, np.bool_)
    for number in range(count):
        out_shape[number + 1] = len(out_polygon) - 1
        if pair[number] == pair[number + 1]:
            continue
        first, last = base.first[number], base.last[number]
        rings = last - first
        corners = ring[last] - ring[first] - rings
        if not base.plain[number] or corners > MOST_CORNERS or rings > MOST_RINGS:
            state[number] = NOT_HERE
            continue
        if rings == 0:
            continue
        ends[0] = 0
        for at in range(rings):
            ends[at + 1] = _copied(xy, ring[first + at], ring[first + at + 1] - 1, region, ends[at])
        west, south, east, north = _bounds(region, 0, ends[rings])
        box = west - BESIDE_M, south - BESIDE_M, east + BESIDE_M, north + BESIDE_M
        for at in range(pair[number], pair[number + 1]):
            this = zone[at]
            if not zones.plain[this] or zones.holed[this]:
                state[number] = NOT_HERE
            # Several polygons are taken one after the other.
            for piece in range(zones.first[this], zones.last[this]):
                if state[number] == NOT_HERE or rings == 0:
                    break
                start, end = zones.ring[piece], zones.ring[piece + 1]
                size = copied_near(zones.xy, start, end - 1, cutter, np.int64(0), *box)
                if size < 0:
                    state[number] = NOT_HERE
                    break
                found, more = _cut(region, ends, rings, cutter, size, other, other_ends, near, where, place, enters)
                if found == NOT_HERE:
                    state[number] = NOT_HERE
                elif found == CUT:
                    state[number] = CUT
                    region, other, ends, other_ends, rings = other, region, other_ends, ends, more
            if state[number] == NOT_HERE or rings == 0:
                break
        if state[number] != CUT:
            continue
        twice = 0.0
        for at in range(rings):
            twice += _twice_area(region, ends[at], ends[at + 1])
        area_m2[number] = twice / 2
        if not shapes_wanted:
            continue
        needed = out_corners + ends[rings] + rings
        if needed > out_xy.shape[0]:
            wider = np.empty((2 * needed, 2))
            _copied(out_xy, np.int64(0), out_corners, wider, np.int64(0))
            out_xy = wider
        sure, holder = _holders(region, ends, rings)
        if not sure:
            state[number] = NOT_HERE
            continue
        for shell in range(rings):
            if holder[shell] >= 0:
                continue
            out_corners = _put(region, ends[shell], ends[shell + 1], out_xy, out_corners)
            out_ring.append(out_corners)
            for hole in range(rings):
                if holder[hole] == shell:
                    out_corners = _put(region, ends[hole], ends[hole + 1], out_xy, out_corners)
                    out_ring.append(out_corners)
            out_polygon.append(len(out_ring) - 1)
        out_shape[number + 1] = len(out_polygon) - 1
    return state, area_m2, out_xy[:out_corners], np.array(out_ring), np.array(out_polygon), out_shape


@njit(cache=True, nogil=True)
def _copied(xy, start, end, out, at):  # type: ignore[no-untyped-def]
    """Write corners; returns where the next may start. By numbers and not by rows, whose assignment takes far longer to compile."""
    for corner in range(start, end):
        out[at, 0], out[at, 1] = xy[corner, 0], xy[corner, 1]
        at += 1
    return at


@njit(cache=True, nogil=True)
def _put(xy, start, end, out, at):  # type: ignore[no-untyped-def]
    """Write a ring, turned and closed; returns where the next may start."""
    begun = at
    for corner in range(end - 1, start - 1, -1):
        out[at, 0], out[at, 1] = xy[corner, 0], xy[corner, 1]
        at += 1
    return _copied(out, begun, begun + 1, out, at)


@njit(cache=True, nogil=True)
def _holders(xy, ends, rings):  # type: ignore[no-untyped-def]
    """For each hole its shell, -1 for a shell; and whether that is sure."""
    holder = np.full(rings, -1)
    shells, only = 0, -1
    for ring in range(rings):
        if _twice_area(xy, ends[ring], ends[ring + 1]) > 0:
            shells, only = shells + 1, ring
        else:
            holder[ring] = -2
    for hole in range(rings):
        if holder[hole] != -2:
            continue
        if shells == 1:
            holder[hole] = only
            continue
        for shell in range(rings):
            if holder[shell] == -1 and _inside(xy[ends[hole], 0], xy[ends[hole], 1], xy, ends[shell], ends[shell + 1]):
                if holder[hole] != -2:
                    return False, holder
                holder[hole] = shell
        if holder[hole] == -2:
            return False, holder
    return True, holder


@njit(cache=True, nogil=True)
def _inside(x, y, xy, start, end):  # type: ignore[no-untyped-def]
    inside = False
    back_x, back_y = xy[end - 1, 0], xy[end - 1, 1]
    for corner in range(start, end):
        here_x, here_y = xy[corner, 0], xy[corner, 1]
        if (here_y > y) != (back_y > y) and x < here_x + (y - here_y) * (back_x - here_x) / (back_y - here_y):
            inside = not inside
        back_x, back_y = here_x, here_y
    return inside


@njit(cache=True, nogil=True)
def _near_edge(x, y, from_x, from_y, to_x, to_y):  # type: ignore[no-untyped-def]
    """Whether a point lies within NEAR_M of an edge."""
    along_x, along_y = to_x - from_x, to_y - from_y
    length_2 = along_x * along_x + along_y * along_y
    share = 0.0
    if length_2 > 0:
        share = min(1.0, max(0.0, ((x - from_x) * along_x + (y - from_y) * along_y) / length_2))
    off_x, off_y = (from_x - x) + share * along_x, (from_y - y) + share * along_y
    return off_x * off_x + off_y * off_y <= NEAR_M * NEAR_M


@njit(cache=True, nogil=True)
def _cut(region, ends, rings, cutter, corners, out, out_ends, near, where, place, enters):  # type: ignore[no-untyped-def]
    """Take the polygon of one anticlockwise ring from the region, into `out`; what became of the region, and its number of rings."""
    west, south, east, north = _bounds(region, 0, ends[rings])
    cut_west, cut_south, cut_east, cut_north = _bounds(cutter, 0, corners)
    if cut_west > east + NEAR_M or cut_east < west - NEAR_M or cut_south > north + NEAR_M or cut_north < south - NEAR_M:
        return SAME, rings
    close = 0
    for p in range(corners):
        q = p + 1 if p + 1 < corners else 0
        if (
            min(cutter[p, 0], cutter[q, 0]) <= east + NEAR_M
            and max(cutter[p, 0], cutter[q, 0]) >= west - NEAR_M
            and min(cutter[p, 1], cutter[q, 1]) <= north + NEAR_M
            and max(cutter[p, 1], cutter[q, 1]) >= south - NEAR_M
        ):
            near[close] = p
            close += 1
    crossings = _crossings(
        region, ends, rings, cutter, corners, near[:close], cut_west, cut_south, cut_east, cut_north, where, place, enters
    )
    if crossings < 0:
        return NOT_HERE, 0
    # To the compiler a plain 0 is a type of its own, for which it would make `_traced` a second time.
    out_rings, out_corners, dropped = np.int64(0), np.int64(0), False
    crossed = np.zeros(rings, np.bool_)
    at = 0
    for ring in range(rings):
        while at < crossings and where[at, 0] < ends[ring + 1]:
            crossed[ring] = True
            at += 1
    for ring in range(rings):
        if crossed[ring]:
            continue
        x, y = region[ends[ring], 0], region[ends[ring], 1]
        if cut_west < x < cut_east and cut_south < y < cut_north and _inside(x, y, cutter, np.int64(0), corners):
            dropped = True
            continue
        out_corners = _copied(region, ends[ring], ends[ring + 1], out, out_corners)
        out_rings += 1
        out_ends[out_rings] = out_corners
    if crossings == 0:
        inside = False
        if west < cutter[0, 0] < east and south < cutter[0, 1] < north:
            for ring in range(rings):
                inside ^= _inside(cutter[0, 0], cutter[0, 1], region, ends[ring], ends[ring + 1])
        if not inside:
            return (CUT if dropped else SAME), out_rings
        if out_corners + corners > MOST_CORNERS or out_rings + 1 > MOST_RINGS:
            return NOT_HERE, 0
        for corner in range(corners):
            out[out_corners + corner, 0], out[out_corners + corner, 1] = cutter[corners - 1 - corner, 0], cutter[corners - 1 - corner, 1]
        out_ends[out_rings + 1] = out_corners + corners
        return CUT, out_rings + 1
    return _traced(region, ends, rings, cutter, corners, crossings, where, place, enters, out, out_ends, out_rings)


@njit(cache=True, nogil=True)
def _bounds(xy, start, end):  # type: ignore[no-untyped-def]
    west, south, east, north = np.inf, np.inf, -np.inf, -np.inf
    for corner in range(start, end):
        west, east = min(west, xy[corner, 0]), max(east, xy[corner, 0])
        south, north = min(south, xy[corner, 1]), max(north, xy[corner, 1])
    return west, south, east, north


@njit(cache=True, nogil=True)
def _crossings(  # type: ignore[no-untyped-def]
    region, ends, rings, cutter, corners, near, cut_west, cut_south, cut_east, cut_north, where, place, enters
):
    """Where the outlines cross, in the order of the region's edges; -1 where it is not plain.

    where : edge of the region, edge of the cutter. place : how far along the one, how far along the other (0 to 1), x, y. enters : whether
    the region's outline runs into the cutter there.
    """
    found = 0
    for ring in range(rings):
        begun = found
        for a in range(ends[ring], ends[ring + 1]):
            b = a + 1 if a + 1 < ends[ring + 1] else ends[ring]
            a_x, a_y, b_x, b_y = region[a, 0], region[a, 1], region[b, 0], region[b, 1]
            west, east, south, north = min(a_x, b_x), max(a_x, b_x), min(a_y, b_y), max(a_y, b_y)
            if west > cut_east + NEAR_M or east < cut_west - NEAR_M or south > cut_north + NEAR_M or north < cut_south - NEAR_M:
                continue
            on_edge = found
            for p in near:
                q = p + 1 if p + 1 < corners else 0
                p_x, p_y, q_x, q_y = cutter[p, 0], cutter[p, 1], cutter[q, 0], cutter[q, 1]
                p_west, p_east, p_south, p_north = min(p_x, q_x), max(p_x, q_x), min(p_y, q_y), max(p_y, q_y)
                if p_west > east + NEAR_M or p_east < west - NEAR_M or p_south > north + NEAR_M or p_north < south - NEAR_M:
                    continue
                if _near_edge(a_x, a_y, p_x, p_y, q_x, q_y) or _near_edge(p_x, p_y, a_x, a_y, b_x, b_y):
                    return -1
                # The end corners are the first ones of the next edges, which may lie beyond their bounds by less than that.
                if _near_edge(b_x, b_y, p_x, p_y, q_x, q_y) or _near_edge(q_x, q_y, a_x, a_y, b_x, b_y):
                    return -1
                if p_west > east or p_east < west or p_south > north or p_north < south:
                    continue
                a_side = (q_x - p_x) * (a_y - p_y) - (q_y - p_y) * (a_x - p_x)
                b_side = (q_x - p_x) * (b_y - p_y) - (q_y - p_y) * (b_x - p_x)
                if (a_side > 0) == (b_side > 0):
                    continue
                p_side = (b_x - a_x) * (p_y - a_y) - (b_y - a_y) * (p_x - a_x)
                q_side = (b_x - a_x) * (q_y - a_y) - (b_y - a_y) * (q_x - a_x)
                if (p_side > 0) == (q_side > 0):
                    continue
                if found == MOST_CROSSINGS:
                    return -1
                along = a_side / (a_side - b_side)
                on_cutter = p_side / (p_side - q_side)
                # Sorted in as they come: few lie on one edge.
                at = found
                while at > on_edge and place[at - 1, 0] > along:
                    for column in range(2):
                        where[at, column] = where[at - 1, column]
                    for column in range(4):
                        place[at, column] = place[at - 1, column]
                    enters[at] = enters[at - 1]
                    at -= 1
                where[at, 0], where[at, 1] = a, p
                place[at, 0], place[at, 1] = along, on_cutter
                place[at, 2], place[at, 3] = a_x + along * (b_x - a_x), a_y + along * (b_y - a_y)
                enters[at] = a_side < 0
                found += 1
        # In and out take turns, and no two crossings lie so near each other that their order is a matter of rounding.
        for at in range(begun, found):
            after = at + 1 if at + 1 < found else begun
            apart = max(abs(place[at, 2] - place[after, 2]), abs(place[at, 3] - place[after, 3]))
            if enters[at] == enters[after] or apart <= NEAR_M:
                return -1
    return found


@njit(cache=True, nogil=True)
def _traced(  # type: ignore[no-untyped-def]
    region, ends, rings, cutter, corners, crossings, where, place, enters, out, out_ends, out_rings
):
    """The rings through the crossings, after those in `out` already: along the region outside the cutter, back along the cutter inside."""
    out_corners = out_ends[out_rings]
    round_cutter = _round_cutter(crossings, where, place)
    turn = np.empty(crossings, np.int64)
    for position in range(crossings):
        here, before = round_cutter[position], round_cutter[position - 1]
        turn[here] = position
        apart = max(abs(place[here, 2] - place[before, 2]), abs(place[here, 3] - place[before, 3]))
        if enters[here] == enters[before] or apart <= NEAR_M:
            return NOT_HERE, 0
    # The first crossing, the one after the last, and the corners of the ring that each crossing lies on.
    bounds = np.empty((crossings, 4), np.int64)
    at = 0
    for ring in range(rings):
        begun = at
        while at < crossings and where[at, 0] < ends[ring + 1]:
            at += 1
        for one in range(begun, at):
            bounds[one, 0], bounds[one, 1], bounds[one, 2], bounds[one, 3] = begun, at, ends[ring], ends[ring + 1]
    used = np.zeros(crossings, np.bool_)
    for first in range(crossings):
        if enters[first] or used[first]:
            continue
        if out_rings == MOST_RINGS:
            return NOT_HERE, 0
        leaving, started = first, out_corners
        while not used[leaving]:
            used[leaving] = True
            begun, over, start, end = bounds[leaving, 0], bounds[leaving, 1], bounds[leaving, 2], bounds[leaving, 3]
            entering = leaving + 1 if leaving + 1 < over else begun
            position = turn[entering]
            after = round_cutter[position - 1]
            if out_corners + 2 + (end - start) + corners > MOST_CORNERS:
                return NOT_HERE, 0
            out[out_corners, 0], out[out_corners, 1] = place[leaving, 2], place[leaving, 3]
            out_corners += 1
            out_corners = _walked(region, where[leaving, 0] + 1, where[entering, 0] + 1, start, end, entering < leaving, out, out_corners)
            out[out_corners, 0], out[out_corners, 1] = place[entering, 2], place[entering, 3]
            out_corners += 1
            out_corners = _walked_back(cutter, where[entering, 1], where[after, 1], corners, position == 0, out, out_corners)
            leaving = after
        if out_corners - started < 3:
            return NOT_HERE, 0
        out_rings += 1
        out_ends[out_rings] = out_corners
    return CUT, out_rings


@njit(cache=True, nogil=True)
def _round_cutter(crossings, where, place):  # type: ignore[no-untyped-def]
    """The crossings in their order round the cutter; few, so each is sorted in as it comes."""
    order = np.empty(crossings, np.int64)
    for one in range(crossings):
        along, at = where[one, 1] + place[one, 1], one
        while at > 0 and where[order[at - 1], 1] + place[order[at - 1], 1] > along:
            order[at] = order[at - 1]
            at -= 1
        order[at] = one
    return order


@njit(cache=True, nogil=True)
def _walked(xy, corner, last, start, end, round_again, out, at):  # type: ignore[no-untyped-def]
    """Put the corners from `corner` up to before `last`, over the end of the ring if so said; returns where the next may go."""
    if round_again:
        at = _copied(xy, corner, end, out, at)
        corner = start
    return _copied(xy, corner, last, out, at)


@njit(cache=True, nogil=True)
def _walked_back(xy, corner, last, corners, round_again, out, at):  # type: ignore[no-untyped-def]
    """Put the corners from `corner` down to after `last`, over the beginning of the ring if so said; returns where the next may go."""
    if round_again:
        for one in range(corner, -1, -1):
            out[at, 0], out[at, 1] = xy[one, 0], xy[one, 1]
            at += 1
        corner = corners - 1
    for one in range(corner, last, -1):
        out[at, 0], out[at, 1] = xy[one, 0], xy[one, 1]
        at += 1
    return at
