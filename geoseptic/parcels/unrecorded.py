"""Where a well must be that is on no record: built lots and houses without a well that is surely theirs."""

from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.checking import CheckedLayer
from geoseptic.model.frame import Geometries

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

DRUNK_FROM: Final = ("private", "domestic", "public")
"""Kinds of well that a house surely drinks from; a well of unknown kind may be one, and may be none."""

LEAST_OF_DISC: Final = 0.75
"""A well is on a lot where this share of the disc that holds its true place is. Common practice, no source."""

HOUSE_REACH_M: Final = 30.0
"""How far from a house on no lot of the layer its well is looked for. Common practice, no source."""


def built_lots(parcels: CheckedLayer, with_building: Rows) -> Bools:
    """Lots with a building (`with_building`: the rows of those that one touches), a year of building or bedrooms. A year of 0 is none."""
    built: Bools = (parcels.numbers("year_built") > 0) | (parcels.numbers("bedrooms") > 0)
    built[with_building] = True
    return built


def on_the_lots(lots_m: Geometries, others_m: Geometries) -> tuple[Rows, Rows]:
    """Which of the others touch which lots: rows of the others, and of the lots, in their order."""
    other, lot = shapely.STRtree(lots_m).query(others_m, predicate="intersects").astype(np.int64)
    order = np.lexsort((lot, other))
    return other[order], lot[order]


def drinking_wells(wells: CheckedLayer) -> Bools:
    """Wells that are known to give drinking water."""
    return np.array([kind in DRUNK_FROM for kind in wells.texts("kind")], bool)


def served(places_m: Geometries, points_m: Geometries, error_m: Floats) -> Bools:
    """Which of the places have one of these wells for their own.

    That is a well in this place alone: where two claim the ground, nobody knows whose it is. And the disc that holds its true place must
    lie in it for at least `LEAST_OF_DISC`.
    """
    tree = shapely.STRtree(places_m)
    claims = np.bincount(tree.query(points_m, predicate="intersects")[0], minlength=len(points_m))
    well, place = tree.query(points_m, predicate="within")
    sole = claims[well] == 1
    well, place = well[sole], place[sole]
    share = np.ones(len(well))
    rough = error_m[well] > 0
    discs = shapely.buffer(points_m[well[rough]], error_m[well[rough]])
    share[rough] = shapely.area(shapely.intersection(discs, places_m[place[rough]])) / shapely.area(discs)
    found = np.zeros(len(places_m), bool)
    found[place[share >= LEAST_OF_DISC]] = True
    return found


def houses_off_the_lots(buildings: CheckedLayer, on_a_lot: Rows, lots_m: Geometries, near_m: float) -> npt.NDArray[np.intp]:
    """Buildings that touch no lot (all but those in the rows `on_a_lot`), lie within `near_m` of one and may be dwellings: the neighbours
    that the parcel layer leaves out."""
    off = np.array([flag is not True for flag in buildings.flags("not_a_dwelling")], bool)
    off[on_a_lot] = False
    rows = np.flatnonzero(off)
    if not len(rows):
        return rows
    near = shapely.STRtree(lots_m).query_nearest(buildings.shapes_m[rows], max_distance=near_m, all_matches=False)[0]
    return np.sort(rows[near])


def round_houses(houses_m: Geometries) -> Geometries:
    """Where the wells of these houses may be: each house and `HOUSE_REACH_M` round it."""
    grown: Geometries = shapely.buffer(shapely.make_valid(houses_m), HOUSE_REACH_M)
    return grown
