"""Where to dig: percolation holes and soil pits inside the primary area and the reserve."""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import ParameterError
from geoseptic.model.sizing_rules import PercolationRule

HoleKind = Literal["percolation hole", "soil pit"]
Area = Literal["primary", "reserve"]

DEFAULT_HOLES: Final = 3
"""At least so many, spaced uniformly over the area, where the code says nothing (epa-1980, Table 3-8; key in data/references.toml)."""

PITS: Final = 2
"""Soil pits in each area, at opposite ends (tx-285-30; key in data/references.toml), where they also hurt the ground under the trenches
least."""

FROM_EDGE_M: Final = 1.0
"""Distance from the edge of the area, where that is at least four times as wide. Common practice, no source."""

RIGHT_ANGLE_TOLERANCE: Final = 1e-3
"""Largest cosine between the sides of what is still a rectangle."""


@dataclass(frozen=True)
class Hole:
    """One place to dig. `label` is for the stake and the field sheet, such as "MH-001-02 P1" (hole) or "MH-001-02 S1" (pit)."""

    label: str
    kind: HoleKind
    area: Area
    point: shapely.Point

    @property
    def description(self) -> str:
        return f"{self.kind}, {'primary field' if self.area == 'primary' else 'reserve area'}"


def propose_holes(
    parcel_id: str, primary: shapely.Polygon, reserve: shapely.Polygon | None, rule: PercolationRule | None = None
) -> tuple[Hole, ...]:
    """Propose percolation holes and soil pits in both areas.

    The primary area gets the holes of the code's percolation rule, the reserve half as many, rounded up (common practice, no source; codes
    that name both ask fewer in the reserve). Labels run on from the primary area to the reserve. The same areas give the same holes, at
    whichever corner their rings begin.

    Parameters
    ----------
    primary, reserve : rectangles in metres; no reserve, no holes in it.
    rule : of the rule set; None where the code says nothing.

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
        points = spread(shape, count + PITS)
        for place, (x_m, y_m) in enumerate(points):
            kind: HoleKind = "soil pit" if place in (0, len(points) - 1) else "percolation hole"
            letter = "S" if kind == "soil pit" else "P"
            numbers[letter] += 1
            found.append(Hole(f"{parcel_id} {letter}{numbers[letter]}", kind, area, shapely.Point(x_m, y_m)))
    return tuple(found)


def spread(area: shapely.Polygon, count: int) -> npt.NDArray[np.float64]:
    """`count` points in rows over a rectangle, as far apart as rows allow, first and last at opposite ends; shape (count, 2), in metres."""
    origin, along, across = _axes(area)
    length_m, width_m = math.hypot(*along), math.hypot(*across)
    rows = max(range(1, count + 1), key=lambda number: (round(_closest_m(_in_rows(count, number, length_m, width_m)), 6), -number))
    places = np.array(_in_rows(count, rows, length_m, width_m))
    return origin + places[:, :1] * along / length_m + places[:, 1:] * across / width_m


def _in_rows(count: int, rows: int, length_m: float, width_m: float) -> list[tuple[float, float]]:
    """Distances along and across, row by row; the first rows hold one more where the count does not divide."""
    each, more = divmod(count, rows)
    return [
        (along_m, across_m) for row, across_m in enumerate(_evenly(rows, width_m)) for along_m in _evenly(each + (row < more), length_m)
    ]


def _evenly(count: int, length_m: float) -> list[float]:
    """Middles of `count` equal parts of a length, moved in where they would come too near its ends."""
    if count == 1:
        return [length_m / 2]
    # A quarter: in an area too narrow for the distance from its edge, rows must not run into each other.
    edge_m = max(length_m / (2 * count), min(FROM_EDGE_M, length_m / 4))
    step_m = (length_m - 2 * edge_m) / (count - 1)
    return [edge_m + place * step_m for place in range(count)]


def _closest_m(places: list[tuple[float, float]]) -> float:
    """Distance between the two places that are nearest each other."""
    return min((math.dist(one, other) for one, other in combinations(places, 2)), default=math.inf)


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
