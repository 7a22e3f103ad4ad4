"""The slow, exact way to know whether a field and its reserve fit on even ground: every direction, every layout, all positions at once.

For one direction and one rectangle, the places where its lower left corner may be are what is left of the envelope when every piece of its
outline, swept by the rectangle turned inside out, is taken from it. That is exact: no cells, no steps.
"""

import math
from itertools import product

import numpy as np
import shapely

from geoseptic.parcels.fit import DROP_ALONG_TRENCH_M, SHORTEST_TRENCH_M, FieldNeed

SLIVER_M2 = 1e-4
"""The overlay leaves slivers along the outline that only rounding makes."""


def shapes(need: FieldNeed, share: float) -> list[tuple[float, float]]:
    """Length and depth of every layout that the rules of the search allow, whatever subset of them it tries."""
    total_m = need.trench_length_m * share
    fewest = math.ceil(total_m / need.max_trench_m - 1e-9)
    most = max(fewest, math.floor(total_m / SHORTEST_TRENCH_M))
    return [(total_m / count, count * need.trench_width_m + (count - 1) * need.spacing_m) for count in range(fewest, most + 1) if count]


def directions_of(envelope: shapely.Geometry, rise: tuple[float, float]) -> np.ndarray:
    """All round by steps of two degrees, along the envelope's longer sides and across them, and close to the contour. [rad]"""
    sides = np.concatenate([np.diff(shapely.get_coordinates(ring), axis=0) for ring in shapely.get_rings(shapely.get_parts(envelope))])
    along = np.arctan2(sides[:, 1], sides[:, 0])[np.hypot(sides[:, 0], sides[:, 1]) > 5]
    found = [np.radians(np.arange(0, 180, 2.0)), along, along + math.pi / 2]
    slope = math.hypot(*rise)
    if slope > 0:
        # As far from the contour as a trench of 30 m may run.
        farthest = math.asin(min(1.0, DROP_ALONG_TRENCH_M / (slope * 30)))
        found.append(math.atan2(rise[0], -rise[1]) + np.linspace(-1, 1, 9) * farthest)
    return np.concatenate(found)


def places(envelope: shapely.Geometry, length_m: float, depth_m: float) -> shapely.Geometry:
    """Where the lower left corner of an upright rectangle may be."""
    rings = shapely.get_rings(shapely.get_parts(envelope))
    segments = np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in map(shapely.get_coordinates, rings)])
    back = np.array([[0, 0], [-length_m, 0], [-length_m, -depth_m], [0, -depth_m]])
    swept = shapely.convex_hull(shapely.multipoints((segments[:, :, None, :] + back).reshape(len(segments), 8, 2)))
    parts = shapely.get_parts(shapely.difference(envelope, shapely.union_all(swept)))
    return shapely.multipolygons(parts[shapely.area(parts) > SLIVER_M2])


def turned(shape: shapely.Geometry, angle: float, middle: shapely.Point) -> shapely.Geometry:
    cosine, sine = math.cos(angle), math.sin(angle)
    return shapely.transform(shape, lambda xy: (xy - (middle.x, middle.y)) @ np.array([[cosine, -sine], [sine, cosine]]))


def best_kind(
    field: shapely.Geometry,
    reserve: shapely.Geometry,
    need: FieldNeed,
    rise: tuple[float, float],
    angles: np.ndarray,
    shrink_m: float = 0.0,
) -> int:
    """0 nothing, 1 a field, 2 a field and its reserve in one direction.

    rise : of the plane eastward and northward.
    shrink_m : how much smaller on each side the envelopes are taken than they are; below zero, larger.
    """
    if shapely.is_empty(field):
        return 0
    middle = shapely.centroid(shapely.envelope(field))
    kind = 0
    same = reserve is field
    field = shapely.buffer(field, -shrink_m, join_style="mitre")
    reserve = field if same else shapely.buffer(reserve, -shrink_m, join_style="mitre")
    fields, reserves = shapes(need, 1.0), shapes(need, need.reserve_share)
    for angle in angles:
        fall = abs(rise[0] * math.cos(angle) + rise[1] * math.sin(angle))
        found: list[list[tuple[float, float, np.ndarray]]] = []
        for envelope, layouts in ((field, fields), (reserve, reserves)):
            if same and layouts == fields and found:
                found.append(found[0])
                continue
            upright = turned(envelope, angle, middle)
            some = []
            for length_m, depth_m in layouts:
                if fall * length_m <= DROP_ALONG_TRENCH_M and not shapely.is_empty(upright):
                    where = places(upright, length_m, depth_m)
                    if not shapely.is_empty(where):
                        some.append((length_m, depth_m, shapely.bounds(where)))
            found.append(some)
        if found[0]:
            kind = max(kind, 1 if reserves else 2)
        for (length_m, depth_m, at), (other_length_m, other_depth_m, other_at) in product(*found):
            if (
                other_at[2] - at[0] >= length_m + need.spacing_m
                or at[2] - other_at[0] >= other_length_m + need.spacing_m
                or other_at[3] - at[1] >= depth_m + need.spacing_m
                or at[3] - other_at[1] >= other_depth_m + need.spacing_m
            ):
                return 2
    return kind
