"""What lies under a field: soil polygons, flood zones and mapped groundwater. Coordinates in metres, one frame for all."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine

from geoseptic.model.checking import CheckedLayer
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.soil_rules import UNKNOWN, SoilRating, Span
from geoseptic.parcels.burn import touched
from geoseptic.systems.soils import worst_of

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
FloodKind = Literal["floodway", "floodplain", "undetermined", "outside"]

LEAST_SHARE: Final = 0.01
"""A soil under less of a field than this is taken for the map's own blur, unless such slivers together make up more. Common practice, no
source."""

SHARE_TOLERANCE: Final = 1e-6

FLOOD_ORDER: Final[tuple[FloodKind, ...]] = ("outside", "undetermined", "floodplain", "floodway")
"""From the mildest to the one that counts where several zones meet."""


FLOODED: Final = re.compile(r"a([eohr]|[0-9]{1,2})?|ar/a([eoh]|[0-9]{1,2})?|v(e|[0-9]{1,2})?|open water")
"""Flood zones that are floodplain, in lower case. From memory."""


@dataclass(frozen=True)
class SoilUnder:
    """The soils under one field: `polygons` (places in the soil layer) with their `shares` of its area, largest first; the worst rating of
    those that count, and how much of the field no polygon covers. Uncovered ground makes the rating unknown, unless it is severe."""

    rating: SoilRating
    polygons: tuple[int, ...]
    shares: tuple[float, ...]
    counted: tuple[int, ...]
    uncovered_share: float


def soils_under(fields: Geometries, soils: Geometries, ratings: Sequence[SoilRating]) -> list[SoilUnder]:
    """The worst rating under each field.

    Parameters
    ----------
    fields : (n,) polygons of an area over zero.
    soils : (m,) valid polygons; `ratings`: one for each.
    """
    owner, polygon, shares, uncovered = _cover(fields, soils)
    found = []
    for first, last, bare in zip(*_slices(owner, len(fields)), uncovered, strict=True):
        order = sorted(range(first, last), key=lambda place: (-shares[place], polygon[place]))
        small = [place for place in order if shares[place] < LEAST_SHARE]
        kept = order if sum(shares[place] for place in small) >= LEAST_SHARE else [place for place in order if place not in small]
        counted = [ratings[polygon[place]] for place in kept]
        rating = worst_of([*counted, worst_of([])] if bare >= LEAST_SHARE else counted)
        found.append(
            SoilUnder(
                rating,
                tuple(int(polygon[place]) for place in order),
                tuple(float(shares[place]) for place in order),
                tuple(int(polygon[place]) for place in kept),
                float(bare),
            )
        )
    return found


def flood_kinds(layer: CheckedLayer) -> tuple[FloodKind, ...]:
    """What each polygon of a layer that holds the contract FLOODPLAIN is.

    Zones as the federal flood insurance maps name them, from memory: `FLOODED` floodplain, X, B and C outside, D undetermined. A zone of
    any other name, or of none, such as an area that the map leaves out, is undetermined too: neither in nor out. A layer without any of
    the columns is one of floodplains.
    """
    if not {"kind", "zone", "subtype"} & set(layer.columns):
        floodplain: FloodKind = "floodplain"
        return (floodplain,) * len(layer)
    columns = (layer.texts("kind"), layer.texts("zone"), layer.texts("subtype"))
    return tuple(_flood_kind(*(str(word or "").strip().casefold() for word in words)) for words in zip(*columns, strict=True))


def _flood_kind(kind: str, zone: str, subtype: str) -> FloodKind:
    if "floodway" in (kind, zone) or "floodway" in subtype:
        return "floodway"
    if kind or FLOODED.fullmatch(zone):
        return "floodplain"
    return "outside" if zone in ("x", "b", "c") else "undetermined"


def flood_under(fields: Geometries, zones: Geometries, kinds: Sequence[FloodKind]) -> list[FloodKind]:
    """The worst flood zone that each field so much as touches.

    A field that touches none is outside, unless the layer maps the dry ground too (it has zones that are outside): then a field that it
    does not cover is undetermined. Outside is as good as the map, and says nothing of floods rarer or smaller than it draws.
    """
    ranks = np.zeros(len(fields), np.int64)
    owner, zone = _met(fields, zones)
    kind_ranks = np.array([FLOOD_ORDER.index(kind) for kind in kinds], np.int64)
    np.maximum.at(ranks, owner, kind_ranks[zone])
    if "outside" in kinds:
        *_, uncovered = _cover(fields, zones)
        ranks = np.maximum(ranks, np.where(uncovered >= LEAST_SHARE, FLOOD_ORDER.index("undetermined"), 0))
    return [FLOOD_ORDER[rank] for rank in ranks]


def groundwater_under(fields: Geometries, depth: Raster) -> list[Span]:
    """The least depth to mapped groundwater over the cells that each field touches.

    `depth` is in metres below ground, NaN unknown. Where a touched cell is unknown or off the raster, the least depth is no more than the
    least that is known, and may be less. Depths under zero (water above ground) count as they are.
    """
    grid = depth.grid
    # The cell's own edge in metres, so that a window of the raster is a Grid of its own.
    to_cell = ~grid.transform_m
    spans = []
    for field, (left, bottom, right, top) in zip(fields, shapely.bounds(fields), strict=True):
        (first_col, first_row), (last_col, last_row) = to_cell @ (left, top), to_cell @ (right, bottom)
        rows, cols = (floor(first_row) - 1, ceil(last_row) + 1), (floor(first_col) - 1, ceil(last_col) + 1)
        shape = (rows[1] - rows[0], cols[1] - cols[0])
        window = Grid(shape, grid.transform @ Affine.translation(cols[0], rows[0]), grid.frame)
        row, col = np.nonzero(touched([field], window))
        row, col = row + rows[0], col + cols[0]
        on = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
        values = depth.values[row[on], col[on]].astype(np.float64)
        known = values[~np.isnan(values)]
        least = float(known.min()) if known.size else np.inf
        spans.append(Span.of(least) if known.size == on.size else Span(UNKNOWN.low, least))
    return spans


def _met(fields: Geometries, polygons: Geometries) -> tuple[Integers, Integers]:
    """Pairs of field and polygon that touch, sorted by field."""
    owner, polygon = shapely.STRtree(polygons).query(fields, predicate="intersects")
    order = np.lexsort((polygon, owner))
    return owner[order], polygon[order]


def _cover(fields: Geometries, polygons: Geometries) -> tuple[Integers, Integers, Floats, Floats]:
    """Pairs of field and polygon that share area, the share of the field in each pair, and the uncovered share of each field."""
    owner, polygon = _met(fields, polygons)
    pieces = shapely.intersection(fields[owner], polygons[polygon])
    areas = shapely.area(fields)
    shares = shapely.area(pieces) / areas[owner]
    real = shares > 0
    owner, polygon, pieces, shares = owner[real], polygon[real], pieces[real], shares[real]
    uncovered = np.ones(len(fields))
    for number, (first, last) in enumerate(zip(*_slices(owner, len(fields)), strict=True)):
        if last > first:
            whole = shares[first:last].max() > 1 - SHARE_TOLERANCE
            covered = 1.0 if whole else shapely.area(shapely.union_all(pieces[first:last])) / areas[number]
            uncovered[number] = max(0.0, 1.0 - covered)
    uncovered[uncovered < SHARE_TOLERANCE] = 0.0
    return owner, polygon, shares, uncovered


def _slices(owner: Integers, count: int) -> tuple[list[int], list[int]]:
    """Where the pairs of each field start and end in a sorted `owner`."""
    numbers = np.arange(count)
    return np.searchsorted(owner, numbers).tolist(), np.searchsorted(owner, numbers, side="right").tolist()
