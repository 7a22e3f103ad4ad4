"""Where to dig: percolation holes and soil pits inside the primary area and the reserve."""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import ParameterError
from geoseptic.model.citation import Citation
from geoseptic.model.sizing_rules import PercolationRule, PitRule, Spacing
from geoseptic.units import in_both_units

HoleKind = Literal["percolation hole", "soil pit"]
Area = Literal["primary", "reserve"]

DEFAULT_HOLES: Final = 3
"""At least so many, spaced uniformly over the area, where the code says nothing (epa-1980, Table 3-8; key in data/references.toml)."""

PITS: Final = 2
"""Soil pits in each area where the code says nothing, at opposite ends (tx-285-30; key in data/references.toml), where they also hurt the
ground under the trenches least."""

MOST_HOLES: Final = 30
"""No more are proposed in one area, whatever greatest spacing a code asks for."""

SPACING_TOLERANCE_M: Final = 1e-6

FROM_EDGE_M: Final = 1.0
"""Distance from the edge of the area, where that is at least four times as wide. Common practice, no source."""

RIGHT_ANGLE_TOLERANCE: Final = 1e-3
"""Largest cosine between the sides of what is still a rectangle."""

Places = list[tuple[float, float]]
"""Distances along and across a rectangle, in metres."""


@dataclass(frozen=True)
class Hole:
    """One place to dig. `label` is for the stake and the field sheet, such as "MH-001-02 P1" (hole) or "MH-001-02 S1" (pit)."""

    label: str
    kind: HoleKind
    area: Area
    point: shapely.Point
    note: str = ""
    """What the code asks that could not be kept here, or what whoever digs must know."""

    @property
    def description(self) -> str:
        where = f"{self.kind}, {'primary field' if self.area == 'primary' else 'reserve area'}"
        return f"{where}; {self.note}" if self.note else where


def propose_holes(
    parcel_id: str,
    primary: shapely.Polygon,
    reserve: shapely.Polygon | None,
    rule: PercolationRule | None = None,
    pit_rule: PitRule | None = None,
) -> tuple[Hole, ...]:
    """Propose percolation holes and soil pits in both areas.

    The primary area gets the holes of the code's percolation rule, the reserve half as many, rounded up (common practice, no source; codes
    that name both ask fewer in the reserve). Labels run on from the primary area to the reserve. The same areas give the same holes, at
    whichever corner their rings begin.

    A code's least spacing is kept where one of the arrangements that are tried keeps it (rows, and zigzags from end to end); for its
    greatest, holes are added. Where either cannot be kept, the note of every such hole says so.

    Parameters
    ----------
    primary, reserve : rectangles in metres; no reserve, no holes in it.
    rule, pit_rule : of the rule set; None where the code says nothing.

    Raises
    ------
    ParameterError : an area is no rectangle.
    """
    holes = DEFAULT_HOLES if rule is None else rule.holes
    areas: list[tuple[Area, shapely.Polygon, int]] = [("primary", primary, holes)]
    if reserve is not None:
        areas.append(("reserve", reserve, math.ceil(holes / 2)))
    found: list[Hole] = []
    numbers = {"P": 0, "S": 0}
    for area, shape, count in areas:
        for kind, point_m, note in _in_area(shape, count, rule, pit_rule):
            letter = "S" if kind == "soil pit" else "P"
            numbers[letter] += 1
            found.append(Hole(f"{parcel_id} {letter}{numbers[letter]}", kind, area, shapely.Point(point_m), note))
    return tuple(found)


def spread(area: shapely.Polygon, count: int) -> npt.NDArray[np.float64]:
    """`count` points in rows over a rectangle, as far apart as rows allow, first and last at opposite ends; shape (count, 2), in metres."""
    length_m, width_m = _sides_m(area)
    return _on_the_ground(area, _spread(count, length_m, width_m))


def _in_area(
    shape: shapely.Polygon, holes: int, rule: PercolationRule | None, pit_rule: PitRule | None
) -> list[tuple[HoleKind, npt.NDArray[np.float64], str]]:
    """Every hole of one area with its note."""
    pits = PITS if pit_rule is None else pit_rule.number
    of_holes, of_pits = (Spacing() if found is None else found.spacing for found in (rule, pit_rule))
    length_m, width_m = _sides_m(shape)
    if of_holes.is_stated or of_pits.is_stated:
        hole_places = _apart(holes, of_holes, length_m, width_m)
        pit_places = _pits_between(pits, of_pits, hole_places, length_m, width_m)
    else:
        both = _spread(holes + pits, length_m, width_m)
        # From end to end; a single one at the first end.
        chosen = {round(step * (len(both) - 1) / max(pits - 1, 1)) for step in range(pits)}
        hole_places = [place for number, place in enumerate(both) if number not in chosen]
        pit_places = [place for number, place in enumerate(both) if number in chosen]
    note = "" if pit_rule is None else pit_rule.note
    notes: dict[HoleKind, str] = {
        "percolation hole": _not_kept(hole_places, of_holes, None if rule is None else rule.citation),
        "soil pit": "; ".join(words for words in (_not_kept(pit_places, of_pits, pit_rule.citation if pit_rule else None), note) if words),
    }
    placed: list[tuple[HoleKind, tuple[float, float]]] = [
        *(("soil pit", place) for place in pit_places),
        *(("percolation hole", place) for place in hole_places),
    ]
    # From the first end to the last, as somebody walks.
    placed.sort(key=lambda item: (round(item[1][0], 6), round(item[1][1], 6)))
    points_m = _on_the_ground(shape, [place for _, place in placed])
    return [(kind, point_m, notes[kind]) for (kind, _), point_m in zip(placed, points_m, strict=True)]


def _not_kept(places: Places, spacing: Spacing, citation: Citation | None) -> str:
    """What of the code's spacing these places do not keep, in words."""
    section = "the code" if citation is None else citation.section
    words = []
    if _closest_m(places) < spacing.least_m - SPACING_TOLERANCE_M:
        apart = f"{in_both_units(_closest_m(places))} apart here"
        words.append(f"{section} asks for {in_both_units(spacing.least_m)} between any two, for which no room was found: {apart}")
    if _widest_gap_m(places) > spacing.most_m + SPACING_TOLERANCE_M:
        words.append(f"{section} asks for no more than {in_both_units(spacing.most_m)} to the next, which was not reached")
    return "; ".join(words)


def _apart(count: int, spacing: Spacing, length_m: float, width_m: float) -> Places:
    """At least `count` places: evenly spread where that keeps the spacing, else as far apart as rows and zigzags allow; more of them until
    the greatest spacing is kept, unless the least one then would not be."""
    found = _far_apart(count, spacing.least_m, length_m, width_m)
    for more in range(count + 1, MOST_HOLES + 1):
        if _widest_gap_m(found) <= spacing.most_m + SPACING_TOLERANCE_M:
            break
        denser = _far_apart(more, spacing.least_m, length_m, width_m)
        if _closest_m(denser) < spacing.least_m - SPACING_TOLERANCE_M:
            break
        found = denser
    return found


def _far_apart(count: int, least_m: float, length_m: float, width_m: float) -> Places:
    even = _spread(count, length_m, width_m)
    if _closest_m(even) >= least_m - SPACING_TOLERANCE_M:
        return even
    rows = [_in_rows(count, number, length_m, width_m, to_the_edge=True) for number in range(1, count + 1)]
    arrangements = [even, *rows, _zigzag(count, length_m, width_m, False)]
    return max(arrangements, key=lambda places: round(_closest_m(places), 6))


def _pits_between(count: int, spacing: Spacing, holes: Places, length_m: float, width_m: float) -> Places:
    """Pits from end to end, at their own spacing and as far as may be from the percolation holes, whose soil they would disturb."""
    row = _in_rows(count, 1, length_m, width_m, to_the_edge=True)
    arrangements = [row, *(_zigzag(count, length_m, width_m, mirrored) for mirrored in (True, False))]

    def rank(places: Places) -> tuple[float, float]:
        from_holes_m = min(math.dist(pit, hole) for pit in places for hole in holes)
        return round(min(_closest_m(places), spacing.least_m), 6), round(from_holes_m, 6)

    return max(arrangements, key=rank)


def _zigzag(count: int, length_m: float, width_m: float, mirrored: bool) -> Places:
    """From one end to the other, by turns at the near side and the far one."""
    near_m, far_m = _evenly(2, width_m, to_the_edge=True)
    sides_m = (far_m, near_m) if mirrored else (near_m, far_m)
    return [(along_m, sides_m[number % 2]) for number, along_m in enumerate(_evenly(count, length_m, to_the_edge=True))]


def _widest_gap_m(places: Places) -> float:
    """The longest way from any place to the one that is nearest to it; 0 for a single place, which has no next one."""
    if len(places) == 1:
        return 0.0
    return max(min(math.dist(one, other) for place, other in enumerate(places) if place != number) for number, one in enumerate(places))


def _spread(count: int, length_m: float, width_m: float) -> Places:
    rows = max(range(1, count + 1), key=lambda number: (round(_closest_m(_in_rows(count, number, length_m, width_m)), 6), -number))
    return _in_rows(count, rows, length_m, width_m)


def _in_rows(count: int, rows: int, length_m: float, width_m: float, to_the_edge: bool = False) -> Places:
    """Row by row; the first rows hold one more where the count does not divide."""
    each, more = divmod(count, rows)
    return [
        (along_m, across_m)
        for row, across_m in enumerate(_evenly(rows, width_m, to_the_edge))
        for along_m in _evenly(each + (row < more), length_m, to_the_edge)
    ]


def _evenly(count: int, length_m: float, to_the_edge: bool = False) -> list[float]:
    """Middles of `count` equal parts of a length, moved in where they would come too near its ends; or from end to end."""
    if count == 1:
        return [length_m / 2]
    # A quarter: in an area too narrow for the distance from its edge, rows must not run into each other.
    edge_m = max(0.0 if to_the_edge else length_m / (2 * count), min(FROM_EDGE_M, length_m / 4))
    step_m = (length_m - 2 * edge_m) / (count - 1)
    return [edge_m + place * step_m for place in range(count)]


def _closest_m(places: Places) -> float:
    """Distance between the two places that are nearest each other."""
    return min((math.dist(one, other) for one, other in combinations(places, 2)), default=math.inf)


def _sides_m(area: shapely.Polygon) -> tuple[float, float]:
    """Length and width."""
    _, along, across = _axes(area)
    return math.hypot(*along), math.hypot(*across)


def _on_the_ground(area: shapely.Polygon, places: Places) -> npt.NDArray[np.float64]:
    """Coordinates of places in a rectangle; shape (places, 2)."""
    origin, along, across = _axes(area)
    there = np.array(places)
    return origin + there[:, :1] * along / math.hypot(*along) + there[:, 1:] * across / math.hypot(*across)


def _axes(area: shapely.Polygon) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """A corner, and the sides from it: the longer one eastward (northward where it runs due north), then the shorter one to its left."""
    corners = shapely.get_coordinates(area)
    if len(corners) != 5:
        raise ParameterError(f"test holes go into rectangles, not into an area of {len(corners) - 1} corners.")
    sides = np.diff(corners, axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    cosines = np.abs((sides * np.roll(sides, -1, axis=0)).sum(axis=1)) / (lengths * np.roll(lengths, -1) + 1e-300)
    if lengths.min() == 0 or cosines.max() > RIGHT_ANGLE_TOLERANCE:
        raise ParameterError("test holes go into rectangles, and the area has a corner that is not square.")
    along, other = sides[0], sides[1]
    if abs(lengths[0] - lengths[1]) < 1e-6 * lengths.max():
        # A square has no longer side: take the one that runs more east than north, and of two alike the one that runs to the north-east.
        swap = (round(abs(other[0]), 6), other[0] * other[1]) > (round(abs(along[0]), 6), along[0] * along[1])
    else:
        swap = lengths[1] > lengths[0]
    along, other = (other, along) if swap else (along, other)
    runs_north = abs(along[0]) <= 1e-9 * lengths.max()
    along = along if (along[1] if runs_north else along[0]) > 0 else -along
    across = other if along[0] * other[1] > along[1] * other[0] else -other
    return corners[:4].mean(axis=0) - along / 2 - across / 2, along, across
