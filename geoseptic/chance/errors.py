"""What is known of where things are: how their true places spread round the places on record."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance.closed import FARTHEST_SIGMAS
from geoseptic.model.frame import Geometries
from geoseptic.parcels.obstacles import BY_LOT, ON_ITS_LOT_M, QUARTER_QUARTER_M, SECTION_M

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]
Bools = npt.NDArray[np.bool_]

EXACT, GAUSSIAN, DISC, SQUARE, IN_GROUND = range(5)
"""Kinds of error: none; Gaussian of one standard deviation along both axes; anywhere in a disc, a square or a piece of ground alike."""

KIND_NAMES: Final = ("exact", "gaussian", "disc", "square", "in ground")

NEAR_HOUSE_M: Final = 15.0
"""Beside a house the likelihood of its well falls by e over this distance. Common practice, no source."""

NEAR_SHARE: Final = {"parcel_centroid": 0.5, "presumed": 0.8}
"""Share of the wells of a lot that lie by its house like that; the others are anywhere on it alike. Common practice, no source."""

SIGMAS_OF: Final = {name: math.sqrt(-2.0 * math.log(1.0 - share)) for name, share in (("cep50", 0.5), ("ce90", 0.9), ("ce95", 0.95))}
"""Radius of the circle that holds so many of the places with Gaussian error, in standard deviations of one axis: 1.1774, 2.1460 and 2.4477
(nssda1998, ossim2d in data/references.toml)."""

READINGS: Final = ("cep50", "ce90", "ce95", "sigma", "maximum")
"""What a stated error may mean: the circle that holds half, 90 or 95 of 100 true places, one standard deviation along each axis, or the
farthest that a place may be off, anywhere within alike."""

UNSTATED_M: Final = {"gps": 4.572, "digitised": 15.24, "address": ON_ITS_LOT_M}
"""Errors where none is stated, by method: 15 ft and 50 ft of igws_spotting in data/references.toml; the last for an address that lies on
no lot."""


@dataclass(frozen=True)
class PlaceErrors:
    """How the true places of n things spread, one row a thing.

    ids : what each is called; its draws hang on that, and on no order.
    kind : uint8, one of the kinds above.
    middle_m : shape (n, 2), the place on record. [m]
    size_m : standard deviation (GAUSSIAN), radius (DISC) or side (SQUARE). [m]
    ground_m, house_m : of IN_GROUND the ground, and the house that draws the thing near, None without one.
    near_share : of IN_GROUND the share of the true places that is drawn to the house.
    rough : whether the thing is placed by a section, a lot or presumption alone: nothing that hangs on it is ever certain.
    """

    ids: Words
    kind: npt.NDArray[np.uint8]
    middle_m: Floats
    size_m: Floats
    ground_m: Words
    house_m: Words
    near_share: Floats
    rough: Bools

    def __len__(self) -> int:
        return len(self.ids)

    def kept(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.integer]) -> "PlaceErrors":
        """Only those rows."""
        return PlaceErrors(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})

    @property
    def reach_m(self) -> Floats:
        """How far from `middle_m` a true place may be. [m]"""
        per_size = np.array([0.0, FARTHEST_SIGMAS, 1.0, math.sqrt(0.5), 0.0])
        reach_m = per_size[self.kind] * self.size_m
        rows = self.kind == IN_GROUND
        west, south, east, north = (shapely.bounds(self.ground_m[rows]) - np.tile(self.middle_m[rows], 2)).T
        reach_m[rows] = np.hypot(np.fmax(-west, east), np.fmax(-south, north))
        return np.asarray(reach_m, np.float64)


def joined(first: PlaceErrors, second: PlaceErrors) -> PlaceErrors:
    """The rows of both, in this order."""
    return PlaceErrors(
        **{field.name: np.concatenate([getattr(first, field.name), getattr(second, field.name)]) for field in fields(PlaceErrors)}
    )


def exact_places(ids: Words, middle_m: Floats) -> PlaceErrors:
    """Things that are where they are said to be."""
    count = len(ids)
    nothing = np.full(count, None, object)
    zeros = np.zeros(count)
    kind = np.full(count, EXACT, np.uint8)
    return PlaceErrors(ids, kind, np.asarray(middle_m, np.float64), zeros, nothing, nothing.copy(), zeros.copy(), np.zeros(count, bool))


def in_grounds(ids: Words, grounds_m: Geometries, houses_m: Geometries, why: str = "presumed") -> PlaceErrors:
    """Things that are somewhere in their ground, more likely by a house on it. `why` is a key of `NEAR_SHARE`."""
    middle = shapely.get_coordinates(shapely.centroid(grounds_m)).reshape(-1, 2)
    found = exact_places(ids, middle)
    house_m = _largest_on(grounds_m, houses_m)
    near = np.where([house is not None for house in house_m], NEAR_SHARE[why], 0.0)
    return PlaceErrors(
        ids, np.full(len(ids), IN_GROUND, np.uint8), middle, found.size_m, np.asarray(grounds_m, object), house_m, near, ~found.rough
    )


def well_errors(
    ids: Words,
    points_m: Geometries,
    method: Words,
    stated_m: Floats,
    *,
    moved_by_m: float,
    assumed_m: float,
    reading: str,
    lots_m: Geometries,
    houses_m: Geometries,
) -> tuple[PlaceErrors, list[str]]:
    """How the true places of wells on record spread, by how each was placed, and what had to be assumed, in words.

    By method, in the words of `model.layers.LOCATION_METHODS`:

    - none or unknown: anywhere in the disc of the stated error, which is exact where that is 0, else in that of `assumed_m`.
    - gps, digitised: Gaussian, the stated error (else `UNSTATED_M`) read by `reading`; 0 is exact.
    - address, parcel_centroid: somewhere on the one lot that the point lies on; on no lot or several, the address in a disc of the stated
      error (at least `UNSTATED_M`), the centroid in the square of a quarter-quarter section.
    - quarter_quarter, section: anywhere in such a square round the point, larger where the stated error says so and never smaller.

    Parameters
    ----------
    ids, points_m, method, stated_m : one a well; `stated_m` NaN where nothing is stated. [m]
    moved_by_m : how far off the reprojection may have put all of them: it is added to every error. [m]
    assumed_m : error of wells that state none. [m]
    reading : one of `READINGS`.
    lots_m, houses_m : lots, as they are claimed, and buildings.
    """
    middle_m = shapely.get_coordinates(points_m).reshape(-1, 2)
    count = len(ids)
    untold = np.isnan(stated_m)
    known = np.array([name or "unknown" for name in method], object)
    error_m = np.where(untold, [UNSTATED_M.get(name, assumed_m) for name in known], stated_m) if count else np.zeros(0)
    kind, size_m = np.full(count, DISC, np.uint8), error_m + moved_by_m
    measured = np.isin(known, ("gps", "digitised")) & (reading != "maximum")
    kind[measured] = GAUSSIAN
    size_m[measured] /= SIGMAS_OF.get(reading, 1.0)
    for name, side_m in (("quarter_quarter", QUARTER_QUARTER_M), ("section", SECTION_M)):
        own = known == name
        kind[own] = SQUARE
        size_m[own] = np.fmax(side_m, stated_m[own] * math.sqrt(2.0)) + 2.0 * moved_by_m
    by_lot = np.isin(known, BY_LOT)
    lot = _only_lot(points_m, lots_m, by_lot)
    lost = by_lot & (lot < 0)
    size_m[lost & (known == "address")] = np.fmax(size_m, UNSTATED_M["address"])[lost & (known == "address")]
    centroid = lost & (known == "parcel_centroid")
    kind[centroid], size_m[centroid] = SQUARE, np.fmax(QUARTER_QUARTER_M, stated_m * math.sqrt(2.0))[centroid] + 2.0 * moved_by_m
    exact = (size_m == 0) & (kind != SQUARE)
    kind[exact] = EXACT
    plain = exact_places(ids, middle_m)
    rough = by_lot | (kind == SQUARE) | ((kind == DISC) & (size_m >= QUARTER_QUARTER_M / 2.0))
    found = PlaceErrors(ids, kind, middle_m, size_m, plain.ground_m, plain.house_m, plain.near_share, rough)
    rows = np.flatnonzero(lot >= 0)
    placed = in_grounds(ids[rows], np.asarray(lots_m, object)[lot[rows]], houses_m, "parcel_centroid")
    for field in ("kind", "ground_m", "house_m", "near_share", "middle_m", "size_m"):
        getattr(found, field)[rows] = getattr(placed, field)
    return found, _told(known, untold, lost, error_m)


def summary(errors: PlaceErrors) -> Mapping[str, int]:
    """How many things have which kind of error."""
    return {name: int(np.count_nonzero(errors.kind == kind)) for kind, name in enumerate(KIND_NAMES) if (errors.kind == kind).any()}


def _told(known: Words, untold: Bools, lost: Bools, error_m: Floats) -> list[str]:
    told = []
    for name, error in UNSTATED_M.items():
        count = int(np.count_nonzero((known == name) & untold & ((name != "address") | lost)))
        if count:
            told.append(f"{count} wells placed by {name} state no location error: {error:g} m taken")
    if lost.any():
        told.append(
            f"{np.count_nonzero(lost)} wells placed by their lot or address lie on no lot, or on several: they may be anywhere within "
            f"{UNSTATED_M['address']:g} m of the address, or in {QUARTER_QUARTER_M:.0f} m square round the centroid"
        )
    far = np.isin(known, ("unknown", "gps", "digitised")) & (error_m > SECTION_M * math.sqrt(0.5))
    if far.any():
        told.append(
            f"{np.count_nonzero(far)} wells state a location error larger than a section of land, which is hardly one: look at them"
        )
    return told


def _only_lot(points_m: Geometries, lots_m: Geometries, wanted: Bools) -> npt.NDArray[np.int64]:
    """The one lot on which each of the wanted points lies, -1 on none or several."""
    lot = np.full(len(points_m), -1, np.int64)
    rows = np.flatnonzero(wanted)
    if len(rows) and len(lots_m):
        point, hit = shapely.STRtree(lots_m).query(np.asarray(points_m, object)[rows], predicate="intersects")
        once = np.bincount(point, minlength=len(rows))[point] == 1
        lot[rows[point[once]]] = hit[once]
    return lot


def _largest_on(grounds_m: Geometries, houses_m: Geometries) -> Words:
    """For each ground the building with most of its floor on it, None where none is."""
    house_m = np.full(len(grounds_m), None, object)
    if len(houses_m) and len(grounds_m):
        ground, house = shapely.STRtree(houses_m).query(grounds_m, predicate="intersects")
        shared_m2 = shapely.area(shapely.intersection(np.asarray(grounds_m, object)[ground], np.asarray(houses_m, object)[house]))
        for index in np.lexsort((house, shared_m2)):
            if shared_m2[index] > 0:
                house_m[ground[index]] = houses_m[house[index]]
    return house_m
