"""Aliquot parts of a section of the public land survey, cut from the section as it lies and not from a nominal square."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

Point = npt.NDArray[np.float64]

MILE_M: Final = 1609.344
"""Side of a regular section: 80 chains."""

NORTH_TIER: Final = frozenset(range(1, 7))
WEST_TIER: Final = frozenset({6, 7, 18, 19, 30, 31})
"""Sections whose excess or want of length is left in the half that lies on the township's line."""

LEAST_LIKENESS: Final = 0.97
"""Share in common of a section and the figure between its corners and quarter corners (own choice); one of less is not cut."""

NEAR_HALF: Final = 0.05
"""How far from the middle of a side a vertex may be and still be its quarter corner, as a share of the side (own choice)."""


@dataclass(frozen=True)
class Placed:
    """A place known to an aliquot part: its centre, how far its farthest corner is from there, and the part itself.

    `cut` is False where the section is too irregular to be cut: then the place is that of the whole section. [m]
    """

    x_m: float
    y_m: float
    error_m: float
    part: shapely.Polygon
    cut: bool


def placed(section_m: shapely.Geometry, parts: Sequence[str], number: int = 0) -> Placed:
    """The place of what is only known to lie in a part of a section.

    Quarter corners are the vertices near the middle of the sides, else the middles themselves; straight lines join opposite ones, and
    their crossing is the centre. Smaller parts go on from the midpoints of the lines. In sections along the north and west side of a
    township (`number`), where the lots at the township's line take up what is over or short of 80 chains, that difference is added to the
    error.

    Parameters
    ----------
    section_m : polygon in a plane in metres, north up.
    parts : as written, the smallest first: ("NE", "SW") is the NE 1/4 of the SW 1/4. Two letters quarter, one letter halves.
    number : number of the section in its township; 0 where it is not known.

    References
    ----------
    blm1973manual, 3-74 and following; key in data/references.toml.
    """
    whole = shapely.Polygon(shapely.get_exterior_ring(_largest(section_m)))
    if not parts:
        return _about(shapely.convex_hull(section_m), True, 0.0)
    corners = _corners(whole)
    middles = _quarter_corners(whole, corners) if corners else []
    if not corners or not _alike(whole, corners, middles):
        return _about(shapely.convex_hull(section_m), False, 0.0)
    figure = shapely.Polygon(corners)
    bulge_m = float(shapely.hausdorff_distance(whole.exterior, figure.exterior))
    for part in reversed(parts):
        corners = _part(corners, middles, part)
        middles = [(corners[side] + corners[(side + 1) % 4]) / 2 for side in range(4)]
    return _about(shapely.Polygon(corners), True, bulge_m + _left_over_m(figure, number))


def _largest(shape: shapely.Geometry) -> shapely.Geometry:
    pieces = shapely.get_parts(shape)
    return pieces[int(np.argmax(shapely.area(pieces)))]


def _about(part: shapely.Geometry, cut: bool, more_m: float) -> Placed:
    centre = shapely.centroid(part)
    away = np.hypot(*(shapely.get_coordinates(part) - [centre.x, centre.y]).T)
    return Placed(centre.x, centre.y, float(away.max()) + more_m, part, cut)


def _corners(section: shapely.Polygon) -> list[Point] | None:
    """NW, NE, SE, SW corner; None where they are not four."""
    ring = shapely.get_coordinates(section)[:-1]
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(section))
    if len(box) < 5:
        return None
    along = box[1] - box[0]
    turn = np.arctan2(along[1], along[0])
    turn -= np.pi / 2 * np.round(turn / (np.pi / 2))
    level = (ring - box.mean(axis=0)) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    found = [int(np.argmax(level @ direction)) for direction in ((-1, 1), (1, 1), (1, -1), (-1, -1))]
    return [ring[index] for index in found] if len(set(found)) == 4 else None


def _alike(section: shapely.Polygon, corners: Sequence[Point], middles: Sequence[Point]) -> bool:
    """Whether the section is the figure between its corners and quarter corners, as far as anybody could tell."""
    figure = shapely.Polygon([point for pair in zip(corners, middles, strict=True) for point in pair])
    if not figure.is_valid or not section.is_valid or not shapely.Polygon(corners).is_valid:
        return False
    return bool(shapely.area(shapely.intersection(figure, section)) >= LEAST_LIKENESS * shapely.area(shapely.union(figure, section)))


def _quarter_corners(section: shapely.Polygon, corners: Sequence[Point]) -> list[Point]:
    """The quarter corners of the sides N, E, S, W."""
    ring = section.exterior
    vertices = shapely.get_coordinates(ring)[:-1]
    along = shapely.line_locate_point(ring, shapely.points(vertices))
    at = shapely.line_locate_point(ring, shapely.points(np.array(corners)))
    found = []
    for side in range(4):
        first, last = at[side], at[(side + 1) % 4]
        # The ring may run either way; of its two stretches between the corners the shorter one is the side.
        forward = (last - first) % ring.length
        start, length = (first, forward) if forward <= ring.length - forward else (last, ring.length - forward)
        share = ((along - start) % ring.length) / length
        nearest = int(np.argmin(np.abs(share - 0.5)))
        if abs(share[nearest] - 0.5) <= NEAR_HALF:
            found.append(vertices[nearest])
        else:
            found.append(shapely.get_coordinates(shapely.line_interpolate_point(ring, (start + length / 2) % ring.length))[0])
    return found


def _part(corners: Sequence[Point], middles: Sequence[Point], part: str) -> list[Point]:
    (nw, ne, se, sw), (north, east, south, west) = corners, middles
    centre = _crossing(north, south, west, east)
    return {
        "NW": [nw, north, centre, west],
        "NE": [north, ne, east, centre],
        "SE": [centre, east, se, south],
        "SW": [west, centre, south, sw],
        "N": [nw, ne, east, west],
        "S": [west, east, se, sw],
        "W": [nw, north, south, sw],
        "E": [north, ne, se, south],
    }[part]


def _crossing(a: Point, b: Point, c: Point, d: Point) -> Point:
    """Where the line from a to b crosses that from c to d."""
    along, across = b - a, d - c
    share = np.linalg.solve(np.column_stack([along, -across]), c - a)[0]
    return np.asarray(a + share * along)


def _left_over_m(figure: shapely.Polygon, number: int) -> float:
    """How far a section of the north or west tier is from 80 chains along, which its outer lots take up."""
    nw, ne, se, sw, _ = shapely.get_coordinates(figure)
    found = 0.0
    if number in NORTH_TIER:
        found = max(abs(np.hypot(*(nw - sw)) - MILE_M), abs(np.hypot(*(ne - se)) - MILE_M))
    if number in WEST_TIER:
        found = max(found, abs(np.hypot(*(nw - ne)) - MILE_M), abs(np.hypot(*(sw - se)) - MILE_M))
    return float(found)
