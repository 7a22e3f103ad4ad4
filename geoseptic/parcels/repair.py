"""Faults of a parcel fabric: mended where there is one plain way, and always told."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.errors import GeometryRepairError
from geoseptic.model.frame import Geometries

OVERLAP_WIDTH_M = 0.01
"""Overlaps narrower than this are rounding, not a dispute."""

SLIVER_WIDTH_M = 1.0
"""A parcel with less mean width (twice its area over its perimeter) is a sliver."""

SAME_SHARE = 0.999
"""Two parcels that share this much of both are one lot entered twice (stacked units)."""


@dataclass(frozen=True)
class Fault:
    """One fault of one feature. Areas in square metres."""

    feature_id: str
    kind: str
    note: str
    area_before_m2: float
    area_after_m2: float


@dataclass(frozen=True)
class Fabric:
    """Parcels ready for cutting: valid polygons, as many as came in.

    `disputed_m` are grounds that two parcels claim (kept out of both envelopes, with the lot line distance); `disputed_by` the indices
    of the two.
    """

    ids: npt.NDArray[np.object_]
    shapes_m: Geometries
    disputed_m: Geometries
    disputed_by: npt.NDArray[np.int64]
    faults: tuple[Fault, ...]


def mend(ids: npt.NDArray[np.object_], shapes_m: Geometries, layer: str = "parcels") -> Fabric:
    """Valid polygons from polygons as they come, and the list of their faults.

    Raises GeometryRepairError with every feature of which nothing is left.
    """
    before_m2 = shapely.area(shapes_m)
    mended = polygons_only(shapes_m)
    after_m2 = shapely.area(mended)
    lost = after_m2 <= 0
    if lost.any():
        raise GeometryRepairError(layer, list(ids[lost]), "no area is left after mending the outline")
    faults = []
    reasons = shapely.is_valid_reason(shapes_m)
    perimeter_m = shapely.length(mended)
    for index in np.flatnonzero(~shapely.is_valid(shapes_m)):
        faults.append(Fault(ids[index], "mended outline", str(reasons[index]), float(before_m2[index]), float(after_m2[index])))
    for index in np.flatnonzero(shapely.get_num_geometries(mended) > 1):
        pieces = f"{shapely.get_num_geometries(mended[index])} pieces"
        faults.append(Fault(ids[index], "several pieces", pieces, float(before_m2[index]), float(after_m2[index])))
    for index in np.flatnonzero(2 * after_m2 < SLIVER_WIDTH_M * perimeter_m):
        width = f"mean width {2 * after_m2[index] / perimeter_m[index]:.2f} m"
        faults.append(Fault(ids[index], "sliver", width, float(before_m2[index]), float(after_m2[index])))
    disputed_m, disputed_by, overlap_faults = _overlaps(ids, mended)
    return Fabric(ids, mended, disputed_m, disputed_by, (*faults, *overlap_faults))


def polygons_only(shapes_m: Geometries) -> Geometries:
    """Valid polygonal geometry; lower-dimensional remains of a repair are dropped."""
    mended = shapes_m.copy()
    invalid = ~shapely.is_valid(mended)
    mended[invalid] = shapely.make_valid(mended[invalid], method="structure", keep_collapsed=False)
    for index in np.flatnonzero(~np.isin(shapely.get_type_id(mended), (3, 6))):
        parts = shapely.get_parts(mended[index])
        mended[index] = shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
    return mended


def _overlaps(ids: npt.NDArray[np.object_], shapes_m: Geometries) -> tuple[Geometries, npt.NDArray[np.int64], list[Fault]]:
    tree = shapely.STRtree(shapes_m)
    first, second = tree.query(shapes_m, predicate="intersects")
    pairs = first < second
    first, second = first[pairs], second[pairs]
    # Most neighbours share an edge and no ground: the exact test is cheaper than the intersection.
    apart = shapely.touches(shapes_m[first], shapes_m[second])
    first, second = first[~apart], second[~apart]
    # The edge that two overlapping neighbours share for the rest of their border is a line: it must not thin the overlap out.
    shared = polygons_only(shapely.intersection(shapes_m[first], shapes_m[second]))
    shared_m2 = shapely.area(shared)
    wide = _widest_m(shared) > OVERLAP_WIDTH_M
    faults = []
    disputed = []
    areas_m2 = shapely.area(shapes_m)
    for a, b, shape, area_m2 in zip(first[wide], second[wide], shared[wide], shared_m2[wide], strict=True):
        same = area_m2 >= SAME_SHARE * max(areas_m2[a], areas_m2[b])
        kind = "same ground as another" if same else "overlap"
        for one, other in ((a, b), (b, a)):
            note = f"{area_m2:.1f} m2 shared with {ids[other]}"
            faults.append(Fault(ids[one], kind, note, float(areas_m2[one]), float(areas_m2[one])))
        if not same:
            disputed.append((a, b, shape))
    disputed_m = np.array([shape for _, _, shape in disputed], object)
    disputed_by = np.array([(a, b) for a, b, _ in disputed], np.int64).reshape(-1, 2)
    return disputed_m, disputed_by, faults


def _widest_m(shapes_m: Geometries) -> npt.NDArray[np.float64]:
    """Mean width (twice the area over the perimeter) of each shape's widest piece. [m]"""
    pieces, owner = shapely.get_parts(shapes_m, return_index=True)
    width_m = np.zeros(len(shapes_m))
    np.maximum.at(width_m, owner, 2 * shapely.area(pieces) / shapely.length(pieces))
    return width_m
