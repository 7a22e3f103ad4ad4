"""Looks at which features lie on or near which, taken from an earlier run square by square of the map where nothing there changed."""

from collections.abc import Callable
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import by_groups, hashed_shapes
from geoseptic.model.frame import Geometries
from geoseptic.parcels import outeredge, repair, unrecorded
from geoseptic.parcels.byplace import grown
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
    found = [((rows := near())[first], rows[second], shared.shapes) for _, near, (first, second, shared) in done if len(first)]
    first, second, shared = (np.concatenate(column) for column in zip(_NOTHING, *found, strict=True))
    order = np.lexsort((second, first))
    return first[order], second[order], shared[order]


def served(places: Hashed, points_m: Geometries, error_m: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """`unrecorded.served`."""
    if kept.in_use() is None or not len(points_m):
        return unrecorded.served(places.shapes, points_m, error_m)
    found = np.zeros(len(places), bool)
    for _, near, arrays in _by_place(
        _served, hashed_shapes(points_m), places, lambda own, near: (places[near], points_m[own], error_m[own])
    ):
        if arrays[0].any():
            found[near()[arrays[0]]] = True
    return found


def on_the_lots(lots: Hashed, others_m: Geometries) -> tuple[Rows, Rows]:
    """`unrecorded.on_the_lots`."""
    if kept.in_use() is None:
        return unrecorded.on_the_lots(lots.shapes, others_m)
    others = hashed_shapes(others_m)
    done = _by_place(_on_the_lots, others, lots, lambda own, near: (lots[near], others[own]))
    found = [(own[other], near()[lot]) for own, near, (other, lot) in done if len(other)]
    other, lot = (np.concatenate(column) for column in zip(_NOTHING[:2], *found, strict=True))
    order = np.lexsort((lot, other))
    return other[order], lot[order]


def at_the_outer_edge(lots: Hashed, within_m: float) -> npt.NDArray[np.bool_]:
    """`outeredge.at_the_outer_edge`."""
    if kept.in_use() is None or lots.is_empty.all():
        return outeredge.at_the_outer_edge(lots.shapes, within_m)
    cells, found = outeredge.Cells.over(lots.bounds_m, within_m), np.zeros(len(lots), bool)
    for own, _, arrays in _by_place(
        _at_the_outer_edge, lots, lots, lambda own, near: (lots[near], np.searchsorted(near, own), cells), cells.beyond_m
    ):
        found[own] = arrays[0]
    return found


_NOTHING: Final = np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, object)


def _by_place(
    step: Callable[..., Any], features: Hashed, others: Hashed, given: Callable[[Rows, Rows], tuple[Any, ...]], beyond_m: float = 0.0
) -> list[tuple[Rows, Callable[[], Rows], tuple[Any, ...]]]:
    """`step(*given(rows, near))` for the rows of those features that lie together and the rows of the others whose bounds meet theirs, so
    much larger on every side. Gives the rows, what tells those near, and what was made."""
    somewhere = np.flatnonzero(~features.is_empty)
    if not len(somewhere):
        return []
    bounds_m = features.bounds_m
    within_m = grown(bounds_m, beyond_m)

    def near(own: Rows) -> Rows:
        return others.by_place.near(within_m[own])

    def given_of(own: Rows) -> tuple[Any, ...]:
        return given(own, near(own))

    groups = [somewhere[place] for place in groups_by_place(bounds_m[somewhere], IN_A_GROUP)]
    done = by_groups(step, groups, given_of, bundles=bundles(bounds_m, groups, given_of))
    return [(own, partial(near, own), arrays) for own, (arrays, _) in zip(groups, done, strict=True)]


def _shared(shapes: Hashed, own: Rows) -> tuple[tuple[Rows, Rows, Geometries], None]:
    return repair.shared_ground(shapes.shapes, own), None


def _served(places: Hashed, points_m: Geometries, error_m: npt.NDArray[np.float64]) -> tuple[tuple[npt.NDArray[np.bool_]], None]:
    return (unrecorded.served(places.shapes, points_m, error_m),), None


def _at_the_outer_edge(lots: Hashed, own: Rows, cells: outeredge.Cells) -> tuple[tuple[npt.NDArray[np.bool_]], None]:
    return (outeredge.some_at_the_outer_edge(lots.shapes, own, cells),), None


def _on_the_lots(lots: Hashed, others: Hashed) -> tuple[tuple[Rows, Rows], None]:
    return unrecorded.on_the_lots(lots.shapes, others.shapes), None
