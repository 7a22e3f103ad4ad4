"""The last word on what was drawn: every setback of every placed shape, by the exact predicate and against the feature itself."""

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels.obstacles import Obstacles
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.zones import Zones

TOUCH_M2 = 1e-6
"""Shapes that share less area only touch."""


def broken(shapes_m: Geometries, lots: npt.NDArray[np.int64], fabric: Fabric, zones: Zones, obstacles: Obstacles, lot_line_m: float
           ) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Which of the shapes break a rule of their part: leave their lot, come nearer to its line, to disputed ground or to any feature than
    the zone asks, zones that only may be required included.

    Parameters
    ----------
    shapes_m : (n,) polygons or lines; an empty one breaks nothing.
    lots : (n,) index of the lot that each belongs to.
    lot_line_m : distance to keep from the lot line; 0 allows touching it.
    """
    bad = np.zeros(len(shapes_m), bool)
    drawn = np.flatnonzero(~shapely.is_empty(shapes_m))
    if not len(drawn):
        return bad
    shapes, own = shapes_m[drawn], fabric.shapes_m[lots[drawn]]
    found = ~shapely.covered_by(shapes, own)
    if lot_line_m > 0:
        found |= shapely.dwithin(shapes, shapely.boundary(own), lot_line_m)
    tree = shapely.STRtree(shapes)
    keep_m, whole = zones.keep_m, zones.whole
    ring = np.flatnonzero(whole & (keep_m > 0))
    kept_from = [obstacles.shapes_m[zones.source[ring]], fabric.disputed_m]
    distances_m = np.concatenate([keep_m[ring], np.full(len(fabric.disputed_m), lot_line_m)])
    _, near = tree.query(np.concatenate(kept_from), predicate="dwithin", distance=distances_m)
    found[near] = True
    # Zones cut to where a condition of the ground holds, and features that are only kept out themselves.
    areas = zones.shapes_m[~(whole & (keep_m > 0))]
    area, shape = tree.query(areas, predicate="intersects")
    inside = shapely.relate_pattern(areas[area], shapes[shape], "T********")
    area, shape = area[inside], shape[inside]
    flat = shapely.get_dimensions(areas[area]) + shapely.get_dimensions(shapes[shape]) < 4
    found[shape[flat | (shapely.area(shapely.intersection(areas[area], shapes[shape])) > TOUCH_M2)]] = True
    bad[drawn] = found
    return bad
