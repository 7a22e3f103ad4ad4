"""Faults of shapes: mended where there is one plain way, and always told.

A broken outline can be read in two ways: by the number of times that its rings run round a place, and by crossing in and out. Where the two
differ, a lot has only what both give it, and what is kept clear has all that either gives it.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoseptic.errors import GeometryRepairError, listed
from geoseptic.model.checking import MOST_SPOILT
from geoseptic.model.frame import Geometries
from geoseptic.parcels.onelot import one_by_one

OVERLAP_WIDTH_M = 0.01
"""Overlaps narrower than this are rounding, not a dispute."""

SLIVER_WIDTH_M = 1.0
"""A parcel with less mean width (twice its area over its perimeter) is a sliver."""

SAME_SHARE = 0.999
"""Two parcels that share this much of both are one lot entered twice (stacked units)."""

MOST_CHANGED: Final = 0.05
"""A parcel is not mended where the readings of its outline differ in more than this share of the ground. Common practice, no source."""

MOST_TANGLED: Final = 1_000_000_000
"""Faces of an outline times its corners, above which it is not looked at face by face: some seconds. Our own choice."""

TRACE_M: Final = 0.001
"""Half the width that is given to what of an obstacle has none."""

FEW_CORNERS: Final = 5
"""A broken ring of no more corners than that may have them in a wrong order. Our own choice."""

ROUNDING_M: Final = 1e-6

NO_SHAPE: Final = shapely.Polygon()


@dataclass(frozen=True)
class Fault:
    """One fault of one feature. Areas in square metres.

    area_before_m2 : by the corners as they come. share_changed : of all ground that the rings outline, what the feature lost or gained by
    the choice of a reading. place_m : where it is.
    """

    feature_id: str
    kind: str
    note: str
    area_before_m2: float
    area_after_m2: float
    layer: str = "parcels"
    share_changed: float = 0.0
    place_m: shapely.Geometry = field(default=NO_SHAPE, compare=False)


@dataclass(frozen=True)
class Fabric:
    """Parcels ready for cutting: valid polygons, as many as came in.

    `disputed_m` are grounds that two parcels claim (kept out of both envelopes, with the lot line distance); `disputed_by` the indices
    of the two. `stacked_with` has for a parcel the others that stand on the very same ground. `outlined` has for a broken outline all
    ground that it may mean, where that is more than its shape. `spoilt` has why no use can be made of a parcel: nothing is known of its
    ground, its shape may be empty.
    """

    ids: npt.NDArray[np.object_]
    shapes_m: Geometries
    disputed_m: Geometries
    disputed_by: npt.NDArray[np.int64]
    faults: tuple[Fault, ...]
    stacked_with: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    outlined: Mapping[int, shapely.Geometry] = field(default_factory=dict)
    spoilt: Mapping[int, str] = field(default_factory=dict)

    @property
    def claimed_m(self) -> Geometries:
        """All ground that each parcel may have."""
        return _with_rows(self.shapes_m, self.outlined)


def mend(
    ids: npt.NDArray[np.object_],
    shapes_m: Geometries,
    layer: str = "parcels",
    spoilt: Mapping[int, tuple[str, shapely.Geometry]] | None = None,
    most_changed: float = MOST_CHANGED,
    shared: Callable[[Geometries], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Geometries]] | None = None,
) -> Fabric:
    """Valid polygons from polygons as they come, and the list of their faults.

    Parameters
    ----------
    spoilt : parcels that are known to be of no use, by index: why, and all ground that they may have. Their shapes are empty.
    most_changed : share of the outlined ground from which on a parcel whose readings differ is not mended but spoilt.
    shared : tells the ground that pairs share (default `shared_ground` of all); one who has looked before may know it.

    Raises GeometryRepairError with every feature of which nothing is left, where those are most.
    """
    why = {row: words for row, (words, _) in (spoilt or {}).items()}
    outlined = {row: ground for row, (_, ground) in (spoilt or {}).items() if not shapely.is_empty(ground)}
    faults: list[Fault] = []
    shapes_m = shapes_m.copy()
    invalid = np.flatnonzero(~shapely.is_valid(shapes_m) | ~np.isin(shapely.get_type_id(shapes_m), (3, 6)))
    reasons = shapely.is_valid_reason(shapes_m[invalid])
    read, failed = one_by_one(lambda rows: [readings(shape) for shape in shapes_m[invalid[rows]]], len(invalid))
    for position, row in enumerate(invalid.tolist()):
        before_m2 = float(shapely.area(shapes_m[row]))
        if position in failed:
            why[row], outlined[row] = failed[position], _around(shapes_m[row])
            shapes_m[row] = NO_SHAPE
            continue
        certain, whole = read[position]
        after_m2, whole_m2 = float(shapely.area(certain)), float(shapely.area(whole))
        share = (whole_m2 - after_m2) / whole_m2 if whole_m2 > 0 else 0.0
        told = str(reasons[position]).partition("[")[0]
        if shapely.is_valid(shapes_m[row]):
            told = f"{shapes_m[row].geom_type}: its areas alone are the lot"
        if after_m2 < whole_m2 or after_m2 <= 0:
            outlined[row] = whole if whole_m2 > 0 else _around(shapes_m[row])
        shapes_m[row] = certain
        if after_m2 <= 0:
            why[row] = "no area is left after mending the outline"
            continue
        if share > most_changed:
            words = f"{100 * share:.0f} percent of the ground of its outline may or may not be the lot's"
            why[row] = f"{words} ({told}); up to {100 * most_changed:g} are mended"
        faults.append(Fault(ids[row], "mended outline", told, before_m2, after_m2, layer, share, whole))
    lost = sorted(row for row in why if shapely.is_empty(shapes_m[row]))
    if len(lost) > MOST_SPOILT * len(shapes_m):
        raise GeometryRepairError(layer, list(ids[lost]), " or ".join(dict.fromkeys(why[row] for row in lost)))
    faults += _odd_shapes(ids, shapes_m, layer)
    disputed_m, disputed_by, stacked, overlap_faults = _overlaps(ids, shapes_m, _with_rows(shapes_m, outlined), shared)
    return Fabric(ids, shapes_m, disputed_m, disputed_by, (*faults, *overlap_faults), stacked, outlined, why)


def _odd_shapes(ids: npt.NDArray[np.object_], shapes_m: Geometries, layer: str) -> list[Fault]:
    """Parcels of several pieces, and slivers: told, and left as they are."""
    faults = []
    area_m2, perimeter_m = shapely.area(shapes_m), shapely.length(shapes_m)
    for index in np.flatnonzero(shapely.get_num_geometries(shapes_m) > 1):
        pieces = f"{shapely.get_num_geometries(shapes_m[index])} pieces"
        own_m2 = float(area_m2[index])
        faults.append(Fault(ids[index], "several pieces", pieces, own_m2, own_m2, layer, place_m=shapes_m[index]))
    for index in np.flatnonzero(2 * area_m2 < SLIVER_WIDTH_M * perimeter_m):
        width = f"mean width {2 * area_m2[index] / perimeter_m[index]:.2f} m"
        own_m2 = float(area_m2[index])
        faults.append(Fault(ids[index], "sliver", width, own_m2, own_m2, layer, place_m=shapes_m[index]))
    return faults


def keep_clear(ids: npt.NDArray[np.object_], shapes_m: Geometries, layer: str) -> tuple[Geometries, list[Fault]]:
    """What is to be kept clear as valid shapes that cover all that the broken ones outline by any reading, and the list of their faults."""
    mended = shapes_m.copy()
    faults = []
    areas = np.flatnonzero(shapely.get_dimensions(shapes_m) == 2)
    for row in areas[~shapely.is_valid(shapes_m[areas])].tolist():
        before_m2, reason = float(shapely.area(shapes_m[row])), str(shapely.is_valid_reason(shapes_m[row])).partition("[")[0]
        mended[row], certain_m2 = _all_of(shapes_m[row])
        if certain_m2 == 0.0 and _has_no_width(mended[row]):
            reason = f"{reason}: it has no area, and its distance is kept from where it is drawn"
        after_m2 = float(shapely.area(mended[row]))
        share = (after_m2 - certain_m2) / after_m2 if after_m2 > 0 else 0.0
        faults.append(Fault(str(ids[row]), "mended outline", reason, before_m2, after_m2, layer, share, mended[row]))
    return mended, faults


def _all_of(shape: shapely.Geometry) -> tuple[shapely.Geometry, float]:
    """A valid shape that covers whatever the rings of a broken one outline, their traces included and whatever lines and points lie beside
    them in its record, and the area that is certain. [m2]"""
    others, failed = one_by_one(lambda _: [readings(shape)], 1)
    if failed:
        return _around(shape), 0.0
    certain, whole = others[0]
    # Four or five corners in a wrong order outline their hull, and most often that is what was meant.
    few = [piece for piece in _areas_of(shape) if shapely.get_num_coordinates(piece) <= FEW_CORNERS + 1 and not piece.is_valid]
    hulls = shapely.convex_hull(np.array(few, object))
    whole = shapely.union_all([whole, *hulls[shapely.get_dimensions(hulls) == 2]])
    thin = np.concatenate([shapely.get_rings(np.array(_areas_of(shape), object)), _thin_of(shape)])
    # Set operations leave out what has no length.
    short = shapely.length(thin) == 0
    thin[short] = shapely.centroid(thin[short])
    around = shapely.buffer(whole, ROUNDING_M)
    bare = [shapely.difference(shapely.union_all(some), around) for some in (thin[~short], thin[short])]
    whole = shapely.union_all([whole, *shapely.buffer(np.array([one for one in bare if not shapely.is_empty(one)], object), TRACE_M)])
    return whole, float(shapely.area(certain))


def _has_no_width(shape: shapely.Geometry) -> bool:
    """Whether a shape is but the trace of its rings."""
    return bool(shapely.is_empty(shapely.buffer(shape, -2 * TRACE_M)))


def readings(shape: shapely.Geometry) -> tuple[shapely.Geometry, shapely.Geometry]:
    """What the rings of a polygonal shape, valid or not, surely outline, and all that they may outline; parts of no area are left out.

    The rings part the plane into faces. A face is surely inside where some part's shell runs round it and no hole of that part does, and
    where a line to the outside crosses the rings an odd number of times; it may be inside where either holds. A part that is drawn twice
    counts once, and faces of a rounding's width go with the first reading.

    Raises ValueError where the rings are too tangled to be looked at face by face.
    """
    parts = _areas_of(shape)
    if not parts:
        return NO_SHAPE, NO_SHAPE
    rings, part = shapely.get_rings(np.array(parts, object), return_index=True)
    is_shell = np.concatenate([[True], part[1:] != part[:-1]])
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(rings)]))
    corners = shapely.get_num_coordinates(rings)
    if len(faces) * int(corners.sum()) > MOST_TANGLED:
        raise ValueError(f"its outline crosses itself into {len(faces)} faces: too tangled to be mended")
    xy = shapely.get_coordinates(shapely.point_on_surface(faces))
    round_it = np.array([_turns(shapely.get_coordinates(ring), xy) for ring in rings]).reshape(len(rings), 2, len(faces))
    turns, crossings = round_it[:, 0], round_it[:, 1]
    by_turns, by_crossing = np.zeros(len(faces), bool), np.zeros(len(faces), bool)
    for number in range(len(parts)):
        own = part == number
        by_turns |= (turns[own & is_shell] != 0).any(axis=0) & ~(turns[own & ~is_shell] != 0).any(axis=0)
        by_crossing |= crossings[own].sum(axis=0) % 2 == 1
    odd = crossings.sum(axis=0) % 2 == 1
    thin = 2 * shapely.area(faces) < OVERLAP_WIDTH_M * shapely.length(faces)
    certain = faces[by_turns & (odd | thin)]
    whole = faces[by_turns | by_crossing]
    return _joined(certain), _joined(whole)


def _areas_of(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """The polygons of a shape, whatever they lie in, each once."""
    pieces = _pieces_of(shape)
    pieces = pieces[shapely.get_type_id(pieces) == shapely.GeometryType.POLYGON]
    return list({shapely.to_wkb(shapely.normalize(piece), output_dimension=2): piece for piece in pieces}.values())


def _thin_of(shape: shapely.Geometry) -> Geometries:
    """The lines and points of a shape, whatever they lie in."""
    pieces = _pieces_of(shape)
    return pieces[shapely.get_dimensions(pieces) < 2]


def _pieces_of(shape: shapely.Geometry) -> Geometries:
    """All that a shape is put together of, without what is empty."""
    pieces = shapely.get_parts(shape)
    while (nested := shapely.get_type_id(pieces) > shapely.GeometryType.POLYGON).any():
        pieces = np.concatenate([pieces[~nested], *(shapely.get_parts(piece) for piece in pieces[nested])])
    found: Geometries = pieces[~shapely.is_empty(pieces)]
    return found


def _turns(ring: npt.NDArray[np.float64], xy: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """How often a closed ring runs round each point, and how often a line from the point to the right crosses it; shape (2, points)."""
    found = np.zeros((2, len(xy)), np.int64)
    (from_x, from_y), (to_x, to_y) = ring[:-1].T, ring[1:].T
    for number, (x, y) in enumerate(xy.tolist()):
        up, down = (from_y <= y) & (to_y > y), (from_y > y) & (to_y <= y)
        at = np.flatnonzero(up | down)
        right = from_x[at] + (y - from_y[at]) * (to_x[at] - from_x[at]) / (to_y[at] - from_y[at]) > x
        found[0, number] = np.count_nonzero(up[at] & right) - np.count_nonzero(down[at] & right)
        found[1, number] = np.count_nonzero(right)
    return found


def _around(shape: shapely.Geometry) -> shapely.Geometry:
    """The hull of a shape, which has some width whatever the shape has."""
    return shapely.buffer(shapely.convex_hull(shape), TRACE_M)


def _joined(faces: Geometries) -> shapely.Geometry:
    return shapely.union_all(faces) if len(faces) else NO_SHAPE


def _with_rows(shapes_m: Geometries, others: Mapping[int, shapely.Geometry]) -> Geometries:
    if not others:
        return shapes_m
    out = shapes_m.copy()
    for row, shape in others.items():
        out[row] = shape
    return out


def polygons_only(shapes_m: Geometries) -> Geometries:
    """Valid polygonal geometry; lower-dimensional remains of a repair are dropped."""
    mended = shapes_m.copy()
    invalid = ~shapely.is_valid(mended)
    mended[invalid] = shapely.make_valid(mended[invalid], method="structure", keep_collapsed=False)
    for index in np.flatnonzero(~np.isin(shapely.get_type_id(mended), (3, 6))):
        parts = shapely.get_parts(mended[index])
        mended[index] = shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
    return mended


Stacked = dict[int, tuple[int, ...]]


def _overlaps(
    ids: npt.NDArray[np.object_],
    shapes_m: Geometries,
    claimed_m: Geometries,
    shared_by: Callable[[Geometries], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Geometries]] | None,
) -> tuple[Geometries, npt.NDArray[np.int64], Stacked, list[Fault]]:
    """Grounds that two parcels claim, by which two, and which parcels stand on the same ground; all told of each parcel."""
    first_of = _same_outline(claimed_m)
    alone = np.flatnonzero(first_of == np.arange(len(claimed_m)))
    alone_m = claimed_m[alone]
    first, second, shared = shared_by(alone_m) if shared_by else shared_ground(alone_m, np.arange(len(alone)))
    first, second = alone[first], alone[second]
    shared_m2, areas_m2 = shapely.area(shared), shapely.area(claimed_m)
    same = shared_m2 >= SAME_SHARE * np.maximum(areas_m2[first], areas_m2[second])
    members: dict[int, list[int]] = {}  # of those that are not alone
    for row in np.flatnonzero(first_of != np.arange(len(first_of))).tolist():
        leader = int(first_of[row])
        members.setdefault(leader, [leader]).append(row)

    def group(row: int) -> list[int]:
        return members.get(row, [row])

    stacked: dict[int, set[int]] = {row: set(own) for own in members.values() for row in own}
    for a, b in zip(first[same].tolist(), second[same].tolist(), strict=True):
        for ones, others in ((group(a), group(b)), (group(b), group(a))):
            for one in ones:
                stacked.setdefault(one, {one}).update(others)
    found: Stacked = {row: tuple(sorted(own - {row})) for row, own in sorted(stacked.items())}
    own_m2 = shapely.area(shapes_m)
    faults = []
    for row, others_on_it in found.items():
        note = f"{areas_m2[row]:.1f} m2 shared with {listed(ids[list(others_on_it)].tolist())}"
        faults.append(Fault(ids[row], "same ground as another", note, float(own_m2[row]), float(own_m2[row]), place_m=shapes_m[row]))
    for a, b, shape, area_m2 in zip(first[~same].tolist(), second[~same].tolist(), shared[~same], shared_m2[~same], strict=True):
        for ones, others in ((group(a), group(b)), (group(b), group(a))):
            note = f"{area_m2:.1f} m2 shared with {listed(ids[others].tolist())}"
            faults += [Fault(ids[one], "overlap", note, float(own_m2[one]), float(own_m2[one]), place_m=shape) for one in ones]
    return shared[~same], np.stack([first[~same], second[~same]], axis=1).astype(np.int64), found, faults


def _same_outline(shapes_m: Geometries) -> npt.NDArray[np.int64]:
    """For each shape the first one that has the very same outline, however it is drawn; an empty one has its own."""
    first = np.arange(len(shapes_m))
    again = pd.DataFrame(shapely.bounds(shapes_m)).duplicated(keep=False).to_numpy()
    known: dict[bytes, int] = {}
    for row in np.flatnonzero(again & ~shapely.is_empty(shapes_m)).tolist():
        first[row] = known.setdefault(shapely.to_wkb(shapely.normalize(shapes_m[row]), output_dimension=2), row)
    return first


def shared_ground(shapes_m: Geometries, own: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Geometries]:
    """Pairs of shapes that share ground of some width, each of these `own` ones with those after it, in their order; and that ground."""
    at, second = shapely.STRtree(shapes_m).query(shapes_m[own], predicate="intersects")
    first = own[at]
    pairs = first < second
    first, second = first[pairs], second[pairs]
    order = np.lexsort((second, first))
    first, second = first[order], second[order]
    # Most neighbours share an edge and no ground: the exact test is cheaper than the intersection.
    apart = shapely.touches(shapes_m[first], shapes_m[second])
    first, second = first[~apart], second[~apart]
    # The edge that two overlapping neighbours share for the rest of their border is a line: it must not thin the overlap out.
    shared = polygons_only(shapely.intersection(shapes_m[first], shapes_m[second]))
    wide = _widest_m(shared) > OVERLAP_WIDTH_M
    return first[wide], second[wide], shared[wide]


def _widest_m(shapes_m: Geometries) -> npt.NDArray[np.float64]:
    """Mean width (twice the area over the perimeter) of each shape's widest piece. [m]"""
    pieces, owner = shapely.get_parts(shapes_m, return_index=True)
    width_m = np.zeros(len(shapes_m))
    np.maximum.at(width_m, owner, 2 * shapely.area(pieces) / shapely.length(pieces))
    return width_m
