"""The checked layers of a run, all in one frame."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame
from pyproj import Transformer

from geoseptic.errors import LayerContractError, NoFeaturesInRangeError, NoOverlapError, listed
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import hashed_shapes
from geoseptic.model import layers
from geoseptic.model.checking import CheckedLayer, check, source_of
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.misplaced import misplaced
from geoseptic.model.wellnumbers import Numbers, well_numbers
from geoseptic.parcels.obstacles import Obstacles, gather, location_errors_m, with_presumed_wells
from geoseptic.parcels.repair import MOST_CHANGED, Fabric, Fault, keep_clear, mend
from geoseptic.parcels.unrecorded import HOUSE_REACH_M, built_lots, drinking_wells, houses_off_the_lots, round_houses
from geoseptic.processes import kept_land
from geoseptic.stages import stage
from geoseptic.units import in_both_units

NEAR_M = 3000.0
"""Features farther than this from every parcel cannot matter: no setback that a rule set may hold is longer."""

CONTRACTS: Mapping[str, layers.Contract] = {
    contract.name: contract
    for contract in (
        layers.BUILDINGS,
        layers.DRIVEWAYS,
        layers.POOLS,
        layers.SURFACE_WATER,
        layers.SPRINGS,
        layers.CUT_BANKS,
        layers.WATER_LINES,
        layers.DRAINS,
        layers.OTHER_FEATURES,
    )
}


Rows = npt.NDArray[np.int64]


@dataclass(frozen=True)
class WellSites:
    """The wells of a run and the layers that change how water runs. Everything in metres of `frame`."""

    frame: Frame
    wells: CheckedLayer
    location_error_m: "np.ndarray[tuple[int], np.dtype[np.float64]]"
    buildings_m: Geometries
    culverts_m: Geometries
    presumed_ids: "np.ndarray[tuple[int], np.dtype[np.object_]]"
    presumed_m: Geometries
    """Lots, and grounds round houses on no lot, in which a well is presumed that is on no record, and what outputs call it."""
    counts: Mapping[str, int]
    notes: tuple[str, ...]
    repairs: tuple[Fault, ...]
    """What was mended, or is odd, in any layer."""

    @cached_property
    def names(self) -> "np.ndarray[tuple[int], np.dtype[np.object_]]":
        """What the wells on record are called, and the presumed ones after them."""
        return np.concatenate([self.wells.ids, self.presumed_ids])

    @cached_property
    def numbers(self) -> Numbers:
        """What rasters call them."""
        return well_numbers([*(f"on record: {name}" for name in self.wells.ids), *map(str, self.presumed_ids)])


@dataclass(frozen=True)
class Land(WellSites):
    """A run's wells, its parcels and all that they keep clear of."""

    parcels: CheckedLayer
    fabric: Fabric
    lots: Hashed
    """The shapes of the fabric."""
    obstacles: Obstacles
    well_not_on_record: "np.ndarray[tuple[int], np.dtype[np.bool_]]"
    """Built parcels, not known to be on public water, without a well of their own: one is somewhere, presumed or not."""
    on_lots: Mapping[str, tuple[Rows, Rows]]
    """Which of the wells and of the buildings touch the shape of which parcel: their rows, and those of the parcels."""
    buildings: CheckedLayer | None = None
    """None where no layer of buildings was given, or one without a record."""

    @cached_property
    def claimed(self) -> Hashed:
        """What the parcels claim, broken outlines by all that they may mean."""
        return hashed_shapes(self.fabric.claimed_m) if self.fabric.outlined else self.lots


@stage("checking layers")
def check_land(
    parcels: GeoDataFrame,
    wells: GeoDataFrame,
    others: Mapping[str, GeoDataFrame | None],
    *,
    frame: Frame | None,
    assumed_location_error_m: float,
    culverts: GeoDataFrame | None = None,
    presume_wells: bool = True,
    most_changed: float = MOST_CHANGED,
) -> Land:
    """Hold every layer against its contract, mend the parcel fabric, and presume wells where one must be but is on no record.

    A parcel layer without the column public_water says of no lot that it has it: there too a built lot without a well on record has one
    somewhere. So has a house near the parcels that stands on none of them.

    A parcel without a shape to work with, or whose outline may mean too much else (`most_changed`), is spoilt in the fabric and stops
    nothing.

    `frame` is that of the elevation, default the parcels' own. Raises the errors of `check` and `mend`, DistortedCrsError,
    and NoFeaturesInRangeError where no well is anywhere near the parcels.
    """
    checked_parcels = check(parcels, layers.PARCELS, frame, source_of(parcels), spare_shapes=True)
    if not len(checked_parcels):
        raise LayerContractError("parcels", {"the layer holds no parcel": ()}, source_of(parcels))
    frame = frame or Frame.of(parcels.crs, "parcels", source_of(parcels))
    frame.refuse_distortion(shapely.total_bounds(checked_parcels.shapes_m), "parcels", source_of(parcels))
    fabric = mend(
        checked_parcels.ids,
        checked_parcels.shapes_m,
        spoilt=checked_parcels.spoilt,
        most_changed=most_changed,
        shared=kept_land.shared_ground,
    )
    lots, claimed_m = hashed_shapes(fabric.shapes_m), fabric.claimed_m
    around = shapely.box(*shapely.total_bounds(claimed_m))
    repairs = list(fabric.faults)
    checked_wells = wells_near(wells, frame, around, "parcels", assumed_location_error_m)
    as_they_are = [check(layer, CONTRACTS[name], frame, source_of(layer)) for name, layer in others.items() if layer is not None]
    found = [_kept_clear(layer, repairs) for layer in as_they_are]
    valid = [layer.contract.name for layer, before in zip(found, as_they_are, strict=True) if layer is before]
    obstacles, assumptions = gather([checked_wells, *found], assumed_location_error_m, valid)
    notes = [note for layer in (checked_parcels, checked_wells, *found) for note in layer.notes]
    # Without any record, a layer says of no lot that nothing is built on it.
    buildings = next((layer for layer in found if layer.contract.name == "buildings" and len(layer)), None)
    roofs_m = np.empty(0, object) if buildings is None else buildings.shapes_m
    errors_m = location_errors_m(checked_wells, assumed_location_error_m)
    drunk = drinking_wells(checked_wells)
    on_water = np.array([water is True for water in checked_parcels.flags("public_water")], bool)
    on_lots = {
        name: kept_land.on_the_lots(lots, others_m) for name, others_m in (("wells", checked_wells.shapes_m), ("buildings", roofs_m))
    }
    claimed = kept_land.on_the_lots(hashed_shapes(claimed_m), roofs_m)[1] if fabric.outlined else on_lots["buildings"][1]
    built = built_lots(checked_parcels, claimed)
    assumptions += _own_errors_told(checked_parcels, buildings)
    hidden = built & ~on_water & ~kept_land.served(lots, checked_wells.shapes_m[drunk], errors_m[drunk])
    if hidden.any():
        assumptions.append(_hidden_wells_told(fabric.ids[hidden], "public_water" in checked_parcels.columns, presume_wells))
    # A lot without a place has no ground that could be kept open: it is listed among what failed.
    somewhere = hidden & ~shapely.is_empty(claimed_m)
    names, places_m = _names("presumed on {}", fabric.ids[somewhere]), claimed_m[somewhere]
    if buildings is None:
        assumptions.append(_unknown_houses_told(fabric.ids[~built & ~on_water]))
    else:
        houses = houses_off_the_lots(buildings, on_lots["buildings"][0], fabric.shapes_m, NEAR_M)
        elsewhere = drunk.copy()
        elsewhere[on_lots["wells"][0]] = False
        houses, around_m = _houses_without_a_well(buildings, houses, checked_wells.shapes_m[elsewhere], errors_m[elsewhere])
        if len(houses):
            assumptions.append(_houses_off_the_parcels_told(buildings.ids[houses], presume_wells))
        names = np.concatenate([names, _names("presumed at {}", buildings.ids[houses])])
        places_m = np.concatenate([places_m, around_m])
    if not presume_wells:
        names, places_m = names[:0], places_m[:0]
    obstacles = with_presumed_wells(obstacles, names, places_m)
    if checked_parcels.moved_by_m != 0:
        off = "an unknown length" if np.isnan(checked_parcels.moved_by_m) else in_both_units(checked_parcels.moved_by_m)
        assumptions.append(
            f"the outlines of the parcels may lie {off} off for their reprojection: nothing is added to their distances for it"
        )
    return Land(
        frame,
        checked_wells,
        errors_m,
        roofs_m,
        _culverts(culverts, frame, notes),
        names,
        places_m,
        {"parcels": len(checked_parcels), "wells": len(checked_wells), **{layer.contract.name: len(layer) for layer in found}},
        (*notes, *assumptions),
        tuple(repairs),
        checked_parcels,
        fabric,
        lots,
        obstacles,
        hidden,
        on_lots,
        buildings,
    )


@stage("checking layers")
def check_wells(
    elevation: Raster,
    wells: GeoDataFrame,
    buildings: GeoDataFrame | None,
    culverts: GeoDataFrame | None,
    assumed_location_error_m: float,
) -> WellSites:
    """The layers that the flow paths need, in the elevation's frame; raises NoFeaturesInRangeError where no well is near it."""
    frame = elevation.grid.frame
    frame.refuse_distortion(elevation.grid.bounds_m, "elevation")
    checked = wells_near(wells, frame, shapely.box(*elevation.grid.bounds_m), "elevation", assumed_location_error_m)
    notes = list(checked.notes)
    shapes = np.empty(0, object)
    repairs: list[Fault] = []
    counts = {"wells": len(checked)}
    if buildings is not None:
        roofs = _kept_clear(check(buildings, layers.BUILDINGS, frame, source_of(buildings)), repairs)
        notes += roofs.notes
        counts["buildings"] = len(roofs)
        shapes = roofs.shapes_m
    errors_m = location_errors_m(checked, assumed_location_error_m)
    _, assumptions = gather([checked], assumed_location_error_m)
    culverts_m = _culverts(culverts, frame, notes)
    nowhere = np.empty(0, object)
    return WellSites(frame, checked, errors_m, shapes, culverts_m, nowhere, nowhere, counts, (*notes, *assumptions), tuple(repairs))


def check_overlap(elevation: Raster, land: Land) -> None:
    """Raises NoOverlapError where no parcel lies on the elevation raster."""
    bounds_m = tuple(shapely.total_bounds(land.fabric.shapes_m))
    if not shapely.intersects(shapely.box(*bounds_m), shapely.box(*elevation.grid.bounds_m)):
        raise NoOverlapError("parcels", bounds_m, "elevation", elevation.grid.bounds_m)


def wells_near(wells: GeoDataFrame, frame: Frame, around: shapely.Geometry, place: str, assumed_error_m: float) -> CheckedLayer:
    """The wells that may matter: all of the layer are checked, those too far off, however rough their place, are left out.

    Raises NoFeaturesInRangeError where none is left, LayerContractError for wells that are far off by a slip: they are somewhere near.
    """
    checked = check(wells, layers.WELLS, frame, source_of(wells))
    near = shapely.dwithin(checked.shapes_m, around, NEAR_M + location_errors_m(checked, assumed_error_m))
    _refuse_misplaced(checked.kept(~near), frame, around, place, source_of(wells))
    if not near.any():
        raise NoFeaturesInRangeError("wells", source_of(wells), len(checked), place)
    return checked.kept(near)


def _refuse_misplaced(far: CheckedLayer, frame: Frame, around: shapely.Geometry, place: str, source: str) -> None:
    if not len(far):
        return
    change = Transformer.from_crs(frame.crs, 4326, always_xy=True)
    x, y = shapely.get_coordinates(far.shapes_m).T / frame.metres_per_unit
    lon_deg, lat_deg = change.transform(x, y)
    left, bottom, right, top = (value / frame.metres_per_unit for value in around.buffer(NEAR_M).bounds)
    slips = misplaced(lon_deg, lat_deg, change.transform_bounds(left, bottom, right, top))
    if slips:
        todo = "mend these records, or take them out if they are of wells elsewhere"
        raise LayerContractError(
            "wells", {f"{fault.format(place=place)}; {todo}": list(far.ids[rows]) for fault, rows in slips.items()}, source
        )


def _kept_clear(layer: CheckedLayer, repairs: list[Fault]) -> CheckedLayer:
    """The layer with valid shapes that lose nothing of what is to be kept clear; adds to `repairs`."""
    shapes_m, faults = keep_clear(layer.ids, layer.shapes_m, layer.contract.name)
    repairs += faults
    return replace(layer, shapes_m=shapes_m) if faults else layer


def _houses_without_a_well(
    buildings: CheckedLayer, houses: npt.NDArray[np.intp], wells_m: Geometries, error_m: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.intp], Geometries]:
    """Of these houses near the parcels, which stand on none, those without a well of their own among these, which are on none either; and
    the grounds that their wells may be in."""
    around_m = round_houses(buildings.shapes_m[houses])
    dry = ~kept_land.served(Hashed.of(around_m), wells_m, error_m)
    return houses[dry], around_m[dry]


def _names(form: str, ids: "np.ndarray[tuple[int], np.dtype[np.object_]]") -> "np.ndarray[tuple[int], np.dtype[np.object_]]":
    """What outputs call the wells that are presumed there."""
    return np.array([form.format(identifier) for identifier in ids], object)


def _hidden_wells_told(ids: "np.ndarray[tuple[int], np.dtype[np.object_]]", column: bool, presumed: bool) -> str:
    water = "are not known to be on public water" if column else "have nothing said of public water"
    text = (
        f"{len(ids)} parcels are built on, {water}, and have no drinking water well on record that is surely their own: a well may be "
        f"somewhere there, and nothing near it may be read as clear before it is found ({listed(list(ids))})"
    )
    if presumed and not column:
        return (
            f"{text}. Say in a column public_water of the parcels which lots have it, or pass --unrecorded-wells warn, "
            "by which the lots are listed and nothing is kept open"
        )
    return text


def _unknown_houses_told(ids: "np.ndarray[tuple[int], np.dtype[np.object_]]") -> str:
    """What a run without buildings cannot know."""
    text = (
        "WITHOUT A LAYER OF BUILDINGS, or a building in it, nobody knows which neighbours of the parcels have a house, and a house that is "
        "not on public water has a well that may be on no record: nothing is kept clear of it, and no ground near it is known to be clear. "
        "Give --buildings"
    )
    if not len(ids):
        return text
    return (
        f"{text}, or year_built, bedrooms and public_water of the parcels: {len(ids)} parcels may be built on and are not known to be on "
        f"public water ({listed(list(ids))})"
    )


def _houses_off_the_parcels_told(ids: "np.ndarray[tuple[int], np.dtype[np.object_]]", presumed: bool) -> str:
    kept = (
        f"one is presumed within {in_both_units(HOUSE_REACH_M)} of each (common practice, no source)" if presumed else "nothing is presumed"
    )
    return (
        f"{len(ids)} buildings near the parcels stand on none of them, may be dwellings, and have no drinking water well on record that is "
        f"surely their own: {kept}. Add their parcels, with public_water ({listed(list(ids))})"
    )


def _own_errors_told(parcels: CheckedLayer, buildings: CheckedLayer | None) -> list[str]:
    """That errors which lots and buildings state of their place make no distance longer, unlike those of wells."""
    stated = [
        f"{count} {layer.contract.name}"
        for layer in (parcels, buildings)
        if layer is not None and (count := int(np.isfinite(layer.numbers("location_error")).sum()))
    ]
    if not stated:
        return []
    return [f"{' and '.join(stated)} state a location error: it makes no distance longer, uncertainty alone reckons with it"]


def _culverts(culverts: GeoDataFrame | None, frame: Frame, notes: list[str]) -> Geometries:
    if culverts is None:
        return np.empty(0, object)
    checked = check(culverts, layers.CULVERTS, frame, source_of(culverts))
    notes += checked.notes
    return checked.shapes_m
