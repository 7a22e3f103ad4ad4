"""Looks at which features lie on or near which, taken from an earlier run square by square of the map where nothing there changed."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import by_groups, hashed_shapes
from geoseptic.model.frame import Geometries
from geoseptic.parcels import repair, unrecorded
from geoseptic.parcels.byplace import ByPlace
from geoseptic.processes.kept_envelopes import bundles, groups_by_place

IN_A_GROUP: Final = 512
"""Features that a square has about: these looks take little for each feature, and looking a square up takes as much as some of them."""

Rows = npt.NDArray[np.int64]


def shared_ground(shapes_m: Geometries) -> tuple[Rows, Rows, Geometries]:
    """`repair.shared_ground` of all shapes."""
    if kept.in_use() is None:
        return repair.shared_ground(shapes_m, np.arange(len(shapes_m)))
    shapes = hashed_shapes(shapes_m)
    done = _by_place(_shared, shapes, shapes, lambda own, near: (shapes[near], np.searchsorted(near, own)))
    found = [(near[arrays[0]], near[arrays[1]], arrays[2].shapes) for _, near, arrays in done]
    first, second, shared = (np.concatenate([kind, *columns]) for kind, columns in zip(_NOTHING, zip(*found, strict=True), strict=True))
    order = np.lexsort((second, first))
    return first[order], second[order], shared[order]


def served(places_m: Geometries, points_m: Geometries, error_m: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """`unrecorded.served`."""
    if kept.in_use() is None or not len(points_m):
        return unrecorded.served(places_m, points_m, error_m)
    places, found = hashed_shapes(places_m), np.zeros(len(places_m), bool)
    for _, near, arrays in _by_place(
        _served, hashed_shapes(points_m), places, lambda own, near: (places[near], points_m[own], error_m[own])
    ):
        found[near[arrays[0]]] = True
    return found


_NOTHING: Final = np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, object)


def _by_place(
    step: Callable[..., Any], features: Hashed, others: Hashed, given: Callable[[Rows, Rows], tuple[Any, ...]]
) -> list[tuple[Rows, Rows, tuple[Any, ...]]]:
    """`step(*given(rows, near))` for the rows of those features that lie together and the rows of the others whose bounds meet theirs."""
    somewhere = np.flatnonzero(~features.is_empty)
    if not len(somewhere):
        return []
    bounds_m, by_place = features.bounds_m, ByPlace(others.bounds_m)

    def near(own: Rows) -> Rows:
        return by_place.near(bounds_m[own])

    def given_of(own: Rows) -> tuple[Any, ...]:
        return given(own, near(own))

    groups = [somewhere[place] for place in groups_by_place(bounds_m[somewhere], IN_A_GROUP)]
    done = by_groups(step, groups, given_of, bundles=bundles(bounds_m, groups, given_of))
    return [(own, near(own), arrays) for own, (arrays, _) in zip(groups, done, strict=True)]


def _shared(shapes: Hashed, own: Rows) -> tuple[tuple[Rows, Rows, Geometries], None]:
    return repair.shared_ground(shapes.shapes, own), None


def _served(places: Hashed, points_m: Geometries, error_m: npt.NDArray[np.float64]) -> tuple[tuple[npt.NDArray[np.bool_]], None]:
    return (unrecorded.served(places.shapes, points_m, error_m),), None
