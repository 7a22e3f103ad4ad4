"""Rings and discs round features, taken from an earlier run where the feature and its distance are the same."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.io import kept
from geoseptic.io.keptgroups import by_groups
from geoseptic.model.frame import Geometries
from geoseptic.parcels import buffers
from geoseptic.processes.kept_envelopes import groups_by_place

IN_A_GROUP: Final = 512
"""Features that a group has about: a ring is read in a tenth of the time that it takes to make it, and looking a group up costs as much as
to make some."""

Lengths = npt.NDArray[np.float64]


def outward(shapes_m: Geometries, distance_m: Lengths | float, workers: int = 1) -> Geometries:
    """`buffers.outward`. [m]"""
    return _by_place(_rings, shapes_m, distance_m, workers)


def discs(places_m: Geometries, radius_m: Lengths, workers: int = 1) -> Geometries:
    """Round buffers of the places. [m]"""
    return _by_place(_discs, places_m, radius_m, workers)


def _by_place(step: Callable[..., Any], shapes_m: Geometries, length_m: Lengths | float, workers: int) -> Geometries:
    lengths_m = np.broadcast_to(np.asarray(length_m, np.float64), shapes_m.shape)
    somewhere = np.flatnonzero(~shapely.is_empty(shapes_m))
    if kept.in_use() is None or len(somewhere) < IN_A_GROUP:
        return step(shapes_m, lengths_m)[0][0]
    out: Geometries = np.full(len(shapes_m), shapely.Polygon())
    groups = [somewhere[rows] for rows in groups_by_place(shapes_m[somewhere], IN_A_GROUP)]
    done = by_groups(step, groups, lambda rows: (shapes_m[rows], lengths_m[rows]), workers)
    for rows, ((found,), _) in zip(groups, done, strict=True):
        out[rows] = found
    return out


def _rings(shapes_m: Geometries, distance_m: Lengths) -> tuple[tuple[Geometries], None]:
    return (buffers.outward(shapes_m, distance_m),), None


def _discs(places_m: Geometries, radius_m: Lengths) -> tuple[tuple[Geometries], None]:
    return (shapely.buffer(places_m, radius_m, quad_segs=16),), None
