"""Sections of the public land survey, found by township, range, number and meridian, and the places of their parts."""

from dataclasses import dataclass, field

import numpy as np
import shapely
from pyproj import CRS, Proj

from geoseptic.io.townships import Legal, meridian_key
from geoseptic.parcels.aliquots import placed


@dataclass(frozen=True)
class SectionPlace:
    """Centre of the named part, in degrees of the layer's own datum, how far its farthest corner is, and the part itself in degrees.

    `cut` is False where the section is too irregular to be cut and the whole of it was taken.
    """

    lon_deg: float
    lat_deg: float
    error_m: float
    part_deg: shapely.Geometry
    cut: bool


@dataclass
class Sections:
    """The sections of a layer. `datum` is the geographic system of the places."""

    source: str
    datum: CRS
    shapes_deg: dict[tuple[str, str, int], dict[str, shapely.Geometry]]
    _found: dict[Legal, SectionPlace] = field(default_factory=dict)

    def place(self, legal: Legal) -> SectionPlace | str:
        """Where a description lies, or in words why it cannot be told."""
        if not legal.whole:
            absent = [
                name for name, value in (("township", legal.township), ("range", legal.range), ("section", legal.section)) if not value
            ]
            return f"its land description names no {' and no '.join(absent)}"
        if legal in self._found:
            return self._found[legal]
        named = self.shapes_deg.get((legal.township, legal.range, legal.section))
        if named is None:
            return f"section {legal.section}, T. {legal.township}, R. {legal.range} is not in the layer of sections"
        key = meridian_key(legal.meridian)
        if key and "" not in named:
            chosen = [shape for meridian, shape in named.items() if key == meridian]
            if not chosen:
                return f"the layer of sections has its section of another meridian only ({', '.join(sorted(named))})"
        else:
            chosen = list(named.values())
        if len(chosen) > 1:
            return f"its section is there of several meridians ({', '.join(sorted(named))}), and it names none"
        found = self._found[legal] = _placed(chosen[0], legal)
        return found


def _placed(shape_deg: shapely.Geometry, legal: Legal) -> SectionPlace:
    """By a plane in metres round the section."""
    middle = shapely.centroid(shape_deg)
    plane = Proj(proj="aeqd", lat_0=middle.y, lon_0=middle.x, ellps="GRS80")
    flat = shapely.transform(shape_deg, lambda xy: np.column_stack(plane(xy[:, 0], xy[:, 1])))
    found = placed(flat, legal.parts, legal.section)
    lon, lat = plane(found.x_m, found.y_m, inverse=True)
    part = shapely.transform(found.part, lambda xy: np.column_stack(plane(xy[:, 0], xy[:, 1], inverse=True)))
    return SectionPlace(float(lon), float(lat), found.error_m, part, found.cut)
