"""What a code asks between the parts of a layout and what lies round it, and what the layout as drawn keeps."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from geoseptic.io.sites import Item, Site
from geoseptic.units import metres_per

PART_LAYERS: Final[Mapping[str, tuple[str, str | None]]] = {
    "drain_field": ("fields", "primary"),
    "reserve": ("fields", "reserve"),
    "septic_tank": ("tanks", None),
}
"""Layer and area of the shape of each part that is drawn."""

MAY_BE: Final = "may be required"

LEEWAY_M: Final = 0.001
"""Coordinates of files are rounded."""


@dataclass(frozen=True)
class Kept:
    """One distance.

    required_m : what the code asks, without the error of place; `error_m` comes on top of it.
    measured_m : from the drawn part to the feature as it is drawn; None where the part or the feature is not drawn.
    status : required, or may be required where nobody has stated what decides.
    """

    part: str
    feature: str
    feature_id: str
    required_m: float
    error_m: float
    measured_m: float | None
    status: str
    why: str
    citation: str
    checked: bool
    presumed: bool

    @property
    def provided_m(self) -> float | None:
        """The distance that is sure: as measured, less the error of place."""
        return None if self.measured_m is None else self.measured_m - self.error_m

    @property
    def is_kept(self) -> bool | None:
        return None if self.provided_m is None else self.provided_m >= self.required_m - LEEWAY_M


def part_shapes(site: Site) -> dict[str, shapely.Geometry]:
    """The drawn parts, in metres; those alone that are drawn."""
    found = {}
    for part, (layer, area) in PART_LAYERS.items():
        shapes = [item.shape_m for item in site.layers[layer] if area is None or item.row["area"] == area]
        if shapes:
            found[part] = shapely.union_all(shapes)
    return found


def kept_distances(site: Site) -> tuple[Kept, ...]:
    """Every distance that matters to a part which is drawn, or, where nothing is drawn, to any part; by part, the least to spare first."""
    shapes = part_shapes(site)
    features: dict[tuple[str, str], list[Item]] = {}
    for item in site.features:
        features.setdefault((str(item.row["feature"]), str(item.row["feature_id"])), []).append(item)
    per_m = metres_per(site.unit)
    found = []
    for zone in site.zones:
        row = zone.row
        key = (str(row["feature"]), str(row["feature_id"]))
        if row["part"] not in PART_LAYERS or (shapes and row["part"] not in shapes):
            continue
        if key[0] == "lot_line" and key[1] != site.parcel_id:
            continue
        measured_m = _measured_m(site, shapes.get(row["part"]), key, features)
        found.append(
            Kept(
                str(row["part"]),
                *key,
                float(row[f"distance_{site.unit}"]) * per_m,
                float(row[f"location_error_{site.unit}"]) * per_m,
                measured_m,
                str(row["status"]),
                str(row["why"]),
                str(row["citation"]),
                bool(row["checked"]),
                any(item.row["record"] == "presumed" for item in features.get(key, ())),
            )
        )
    order = list(PART_LAYERS)
    return tuple(sorted(found, key=lambda kept: (order.index(kept.part), _to_spare_m(kept), kept.feature, kept.feature_id)))


def of_each_kind(distances: Iterable[Kept]) -> tuple[Kept, ...]:
    """Of each part, kind of feature and status the one with least to spare, and every well by itself."""
    told: dict[tuple[Any, ...], Kept] = {}
    for kept in distances:
        which = kept.feature_id if kept.feature.endswith("well") and not kept.presumed else ""
        told.setdefault((kept.part, kept.feature, kept.status, kept.presumed, which), kept)
    return tuple(told.values())


def _to_spare_m(kept: Kept) -> float:
    return -kept.required_m + (kept.provided_m if kept.provided_m is not None else 0.0)


def _measured_m(
    site: Site, part: shapely.Geometry | None, key: tuple[str, str], features: Mapping[tuple[str, str], list[Item]]
) -> float | None:
    if part is None:
        return None
    if key[0] == "lot_line":
        return float(shapely.distance(part, site.lot_m.boundary))
    shapes = [item.shape_m for item in features.get(key, ())]
    return float(np.min(shapely.distance(np.array(shapes, object), part))) if shapes else None
