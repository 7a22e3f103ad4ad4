"""Looks at every input as a run would, and gathers what it finds instead of stopping at the first."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS, Transformer

from geoseptic.errors import (
    CodeSilentError,
    DistortedCrsError,
    GeosepticError,
    LayerContractError,
    NoOverlapError,
    ParameterError,
    SeveralErrors,
)
from geoseptic.model import layers
from geoseptic.model.checking import CheckedLayer, check, feature_names, source_of
from geoseptic.model.frame import Frame, Geometries, middles
from geoseptic.model.grid import Raster
from geoseptic.model.layers import Contract
from geoseptic.model.problems import Place, Problem, Refused, Weight
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.repair import MOST_CHANGED, Fabric, Fault, keep_clear, mend
from geoseptic.processes.depth_checks import check_depths
from geoseptic.processes.land import CONTRACTS, Land, check_land, check_overlap
from geoseptic.processes.lot_sizes import NONE_SIZED, SOME_UNSIZED, in_words, unsized
from geoseptic.processes.notices import READS_TOO_CLEAR, WITHOUT_RULES_M, at_the_edge, edge_told, longest_from_a_well_m, off_the_elevation
from geoseptic.processes.plausibility import plausibility
from geoseptic.processes.plausible_ground import Finding, ground_findings, straight_breaks, warned

WGS84: Final = CRS.from_epsg(4326)

ALL_CONTRACTS: Final[Mapping[str, Contract]] = {
    **CONTRACTS,
    **{contract.name: contract for contract in (layers.PARCELS, layers.WELLS, layers.CULVERTS, layers.SOILS, layers.FLOODPLAIN)},
}

ADVICE: Final = (
    ("longitude and latitude swapped", "Exchange the axes of the layer, or of the records named."),
    ("with the sign of its", "Turn the sign: longitudes west of Greenwich and southern latitudes are negative."),
    ("put together of two zones", "Reproject each part from its own zone, and put them together then."),
    ("no geometry", "Draw the shape, or take the record out if it stands for nothing on the ground."),
    ("coordinates that are not finite", "Draw the shape anew: its coordinates are damaged."),
    ("several points", "Split the record: one record a point."),
    (" wanted, not ", "Give the layer of the right kind of shape; convert outlines to areas in a GIS where they are meant so."),
    ("occurs more than once", "Give each record an identifier of its own; unite the pieces of one lot into one record."),
    ("is not a number", "Write a plain number, and leave the cell empty where it is not known."),
    ("is negative", "Write the length as a positive number, and leave the cell empty where it is not known."),
    ("empty ", "Fill in the cell."),
    ("no column", "Add the column, or say which one of the file it is."),
    ("is not a known unit", "Write m or ft."),
    ("of the ground of its outline may or may not be", "Redraw the outline so that it does not cross or touch itself."),
    ("no area is left", "Redraw the outline: what is drawn has no area."),
    ("too tangled", "Redraw the outline so that it does not cross or touch itself."),
    ("mended outline", "Redraw the outline so that it does not cross or touch itself."),
    ("several pieces", "Check that the pieces are one lot; give each lot a record of its own otherwise."),
    ("sliver", "Check whether it is a lot at all: slivers are left over where two outlines do not meet."),
    ("same ground as another", "Keep one record a lot: units of one building stand on the same ground."),
    ("overlap", "Settle the line between the two lots from their deeds and draw it once."),
)
"""What a fault holds -> how its owner may mend it; the first that fits."""

DOUBT_ADVICE: Final = (
    "Compare some of them with an aerial photograph or the file's own description; a run goes on as if the data were right."
)

KEPT_APART: Final = ("several pieces", "sliver", "same ground as another")
"""Faults of a parcel that a run mends nothing of: they may be true."""


NONE: Final = (np.empty(0, object), np.empty(0, object))

MOST_NOTES: Final = 5
"""Details of one fault that its sentence quotes."""


@dataclass(frozen=True)
class Inputs:
    """What is to be looked at; anything may be `Refused`."""

    layers: Mapping[str, GeoDataFrame | Refused]
    elevation: Raster | Refused | None
    groundwater: Raster | Refused | None
    rules: RuleSet | Refused | None
    assumed_location_error_m: float
    most_changed: float = MOST_CHANGED


def problems(inputs: Inputs) -> tuple[Problem, ...]:
    """All problems of all inputs, in the order of the inputs."""
    return tuple(dict.fromkeys(_found(inputs)))


def _found(inputs: Inputs) -> Iterator[Problem]:
    for name, other in (("elevation", inputs.elevation), ("groundwater", inputs.groundwater), ("rules", inputs.rules)):
        if isinstance(other, Refused):
            yield from _of_errors(name, other.source, other.errors)
    frame = inputs.elevation.grid.frame if isinstance(inputs.elevation, Raster) else None
    if isinstance(inputs.elevation, Raster) and "parcels" not in inputs.layers:
        yield from _distorted(inputs.elevation)
    placed: dict[str, GeoDataFrame] = {}
    usable: dict[str, CheckedLayer] = {}
    told: set[str] = set()
    for name, given in inputs.layers.items():
        if isinstance(given, Refused):
            yield from _of_errors(name, given.source, given.errors)
            continue
        layer = given.reset_index(drop=True)
        whole, shapeless = (layer, ()) if name in layers.READ_WHOLE else _with_shapes(name, layer)
        yield from shapeless
        for note in layer.attrs.get("notes", ()):
            yield Problem(name, source_of(layer), "assumed", f"{note}.")
        found, checked = _of_layer(name, whole, frame)
        yield from found
        told |= {problem.what for problem in found}
        bad = {place.row for problem in found for place in problem.places if problem.weight == "hinders"}
        # Parcels that are at fault hinder no look at the others; wells that are left out would make the others read too well.
        placed[name] = whole if name != "parcels" else whole[[row not in bad for row in range(1, len(whole) + 1)]]
        if checked is not None:
            usable[name] = checked
    land = _laid_together(inputs, placed, frame)
    if isinstance(land, Land):
        yield from (problem for problem in _together(inputs, land, placed) if problem.what not in told)
    elif land is not None:
        refused = _of_errors("parcels", source_of(placed["parcels"]), (land,), placed["parcels"])
        yield from (problem for problem in refused if problem.what not in told)
    if isinstance(inputs.elevation, Raster) and not isinstance(land, Land):
        yield from _doubted(warned(ground_findings(inputs.elevation)), None, inputs)
    if isinstance(inputs.elevation, Raster):
        yield from _doubted(warned([straight_breaks(inputs.elevation)]), None, inputs)
    for name, checked in usable.items():
        if not isinstance(land, Land) or name not in ("parcels", *CONTRACTS):
            yield from _of_outlines(name, placed[name], checked, inputs.most_changed)


def _distorted(elevation: Raster) -> Iterator[Problem]:
    """Parcels would be looked at for it; without any, a run on the elevation alone refuses it."""
    try:
        elevation.grid.frame.refuse_distortion(elevation.grid.bounds_m, "elevation")
    except DistortedCrsError as error:
        yield from _of_errors("elevation", "", (error,))


def _of_layer(name: str, layer: GeoDataFrame, frame: Frame | None) -> tuple[list[Problem], CheckedLayer | None]:
    """What holding the layer against its contract finds, and the layer as far as it does, None where that is not known. Distances need
    metres: where no frame is known, degrees are taken as they are."""
    contract, source = ALL_CONTRACTS[name], source_of(layer)
    own = frame
    if own is None and name != "parcels" and layer.crs is not None and not layer.crs.is_projected and len(layer):
        own = _frame_near(layer)
    try:
        checked = check(layer, contract, own, source, spare_shapes=name == "parcels")
    except GeosepticError as error:
        found = list(_of_errors(name, source, (error,), layer))
        bad = {place.row - 1 for problem in found for place in problem.places}
        if name != "parcels" or not bad:
            return found, None
        more, rest = _of_layer(name, layer[~layer.index.isin(list(bad))], frame)
        return [*found, *more], rest
    return [Problem(name, source, "assumed", f"{note}.") for note in checked.notes], checked


def _of_outlines(name: str, layer: GeoDataFrame, checked: CheckedLayer, most_changed: float) -> Iterator[Problem]:
    """What a run mends or leaves out of a layer that is looked at by itself."""
    if checked.contract.geometry == "point":
        return
    if name != "parcels":
        yield from _of_repairs(keep_clear(checked.ids, checked.shapes_m, name)[1], None, {name: layer})
        return
    try:
        fabric = mend(checked.ids, checked.shapes_m, spoilt=checked.spoilt, most_changed=most_changed)
    except GeosepticError as error:
        yield from _left_out(layer, checked.ids, {row: why for row, (why, _) in checked.spoilt.items()})
        yield from _of_errors(name, source_of(layer), (error,), layer)
        return
    yield from _left_out(layer, fabric.ids, fabric.spoilt)
    yield from _of_repairs(fabric.faults, fabric, {name: layer})


def _laid_together(inputs: Inputs, placed: Mapping[str, GeoDataFrame], frame: Frame | None) -> Land | GeosepticError | None:
    """The layers in one frame as a run has them, or why it would refuse them; None without parcels or wells."""
    if "parcels" not in placed or "wells" not in placed:
        return None
    try:
        return check_land(
            placed["parcels"],
            placed["wells"],
            {name: placed.get(name) for name in CONTRACTS},
            frame=frame,
            assumed_location_error_m=inputs.assumed_location_error_m,
            culverts=placed.get("culverts"),
            most_changed=inputs.most_changed,
        )
    except GeosepticError as error:
        return error


def _together(inputs: Inputs, land: Land, placed: Mapping[str, GeoDataFrame]) -> Iterator[Problem]:
    """What shows only where the layers are laid over each other."""
    parcels, elevation = placed["parcels"], inputs.elevation if isinstance(inputs.elevation, Raster) else None
    yield from _left_out(parcels, land.fabric.ids, land.fabric.spoilt)
    yield from _of_repairs(land.repairs, land.fabric, placed)
    yield from (Problem("all layers", "", "assumed", f"{note}.") for note in land.notes)
    yield from _at_the_edge(land, inputs.rules, parcels)
    if elevation is not None:
        try:
            check_overlap(elevation, land)
            yield from _off(land, elevation, parcels)
        except NoOverlapError as error:
            yield from _of_errors("parcels", source_of(parcels), (error,), parcels)
            elevation = None
    if isinstance(inputs.rules, RuleSet):
        yield from _silent(land, inputs.rules)
        yield from _unsized(land, inputs.rules, "soils" in inputs.layers, parcels)
    if isinstance(inputs.groundwater, Raster):
        yield from _of_depths(inputs.groundwater, elevation, land)
    yield from _doubts(land, elevation, inputs)


def _at_the_edge(land: Land, rules: RuleSet | Refused | None, parcels: GeoDataFrame) -> Iterator[Problem]:
    """Parcels beside ground in which a neighbour's well is on no map."""
    within_m = longest_from_a_well_m(rules, ("drain_field", "septic_tank"), {}, ()) if isinstance(rules, RuleSet) else 0.0
    within_m = within_m or WITHOUT_RULES_M
    names = [str(name) for name in at_the_edge(land, within_m)]
    if names:
        what = f"{edge_told(len(names), len(land.parcels), within_m, READS_TOO_CLEAR)}."
        todo = "Give the parcels beyond that edge as well, as far as there may be wells."
        yield Problem("parcels", source_of(parcels), "assumed", what, todo, tuple(_places(parcels, "parcels", names)))


def _of_depths(groundwater: Raster, elevation: Raster | None, land: Land) -> Iterator[Problem]:
    if groundwater.grid.frame.crs != land.frame.crs:
        return  # nothing can be compared: a run refuses it
    try:
        yield from (
            Problem("groundwater", "", "assumed", f"{note}.") for note in check_depths(groundwater, elevation, land.fabric.shapes_m)
        )
    except GeosepticError as error:
        yield Problem("groundwater", "", "hinders", str(error))


def _silent(land: Land, rules: RuleSet) -> Iterator[Problem]:
    """Features that the rule set has no distance for."""
    for part in ("drain_field", "septic_tank"):
        for feature in sorted(rules.silent_on(part, set(land.obstacles.feature.tolist()))):
            what = f"the rule set '{rules.id}' has no distance from a {part.replace('_', ' ')} to '{feature}', and the layers hold some."
            todo = "Ask the health authority, and add its value to a county rule set that extends this one."
            yield Problem("rules", rules.id, "assumed", what, todo)


def _unsized(land: Land, rules: RuleSet, soils_mapped: bool, parcels: GeoDataFrame) -> Iterator[Problem]:
    """Parcels for which the screening of a county finds no size of a field, for what is on record of them."""
    try:
        faults = unsized(land.parcels, rules, soils_mapped)
    except (ParameterError, CodeSilentError):
        return  # the rule set sizes nothing, or not without more on record
    if not faults:
        return
    weight: Weight = "hinders" if len(faults) == len(land.parcels) else "assumed"
    what = f"{NONE_SIZED if weight == 'hinders' else f'{len(faults)} of {len(land.parcels)} {SOME_UNSIZED}'}: {in_words(faults)}"
    todo = "Write the soil as the rules name it and the bedrooms as a number, and leave the cell empty where it is not known."
    yield Problem("parcels", source_of(parcels), weight, what, todo, tuple(_places(parcels, "parcels", [name for name, _ in faults])))


def _of_errors(name: str, source: str, errors: Iterable[GeosepticError], layer: GeoDataFrame | None = None) -> Iterator[Problem]:
    for error in errors:
        if isinstance(error, SeveralErrors):
            yield from _of_errors(name, source, error.errors, layer)
        elif isinstance(error, LayerContractError):
            for fault, ids in error.problems.items():
                yield Problem(error.layer, source, "hinders", f"{fault}.", advice(fault), tuple(_places(layer, error.layer, ids)))
        else:
            yield Problem(name, source, "hinders", str(error))


def _of_repairs(faults: Iterable[Fault], fabric: Fabric | None, placed: Mapping[str, GeoDataFrame]) -> Iterator[Problem]:
    """What a run mends or finds odd, in any layer; parcels that it leaves out are told as such."""
    out = set() if fabric is None else {str(fabric.ids[row]) for row in fabric.spoilt}
    ids: dict[tuple[str, str], list[str]] = {}
    notes: dict[tuple[str, str], list[str]] = {}
    for fault in faults:
        if fault.layer == "parcels" and fault.kind == "mended outline" and fault.feature_id in out:
            continue
        ids.setdefault((fault.layer, fault.kind), []).append(fault.feature_id)
        notes.setdefault((fault.layer, fault.kind), []).append(f"{fault.feature_id}: {fault.note}")
    for (name, kind), features in ids.items():
        told, layer = notes[name, kind], placed[name]
        weight: Weight = "look" if kind in KEPT_APART else "mended"
        what = f"{kind} ({'; '.join(told[:MOST_NOTES])}{' ...' if len(told) > MOST_NOTES else ''})."
        yield Problem(name, source_of(layer), weight, what, advice(kind), tuple(_places(layer, name, features)))


def _left_out(layer: GeoDataFrame, ids: Geometries, spoilt: Mapping[int, str]) -> Iterator[Problem]:
    """The parcels that a run goes on without, by why it does."""
    by_why: dict[str, list[object]] = {}
    for row, why in sorted(spoilt.items()):
        by_why.setdefault(why, []).append(ids[row])
    for why, names in by_why.items():
        yield Problem("parcels", source_of(layer), "left out", f"{why}.", advice(why), tuple(_places(layer, "parcels", names)))


def _off(land: Land, elevation: Raster, parcels: GeoDataFrame) -> Iterator[Problem]:
    """Parcels that the elevation does not cover, or not all of them."""
    off, partly = off_the_elevation(land, elevation)
    for ids, how, known in ((off, "off the elevation", "nothing"), (partly, "partly off the elevation", "only a part")):
        names = [str(name) for name in ids]
        if names:
            what = f"{len(names)} of {len(land.parcels)} parcels lie {how} or on cells without a height: {known} of their ground is known."
            todo = "Give elevation that covers them and some hundred metres round them."
            yield Problem("parcels", source_of(parcels), "assumed", what, todo, tuple(_places(parcels, "parcels", names)))


def _doubts(land: Land, elevation: Raster | None, inputs: Inputs) -> Iterator[Problem]:
    """What is possible and unlikely, with its figures."""
    yield from _doubted(warned(plausibility(land, elevation)), land, inputs)


def _doubted(doubts: Iterable[Finding], land: Land | None, inputs: Inputs) -> Iterator[Problem]:
    for doubt in doubts:
        layer = inputs.layers.get(doubt.layer)
        places = tuple(_places(layer, doubt.layer, _names_at(land, doubt))) if land is not None and isinstance(layer, GeoDataFrame) else ()
        source = source_of(layer) if isinstance(layer, GeoDataFrame) else ""
        yield Problem(doubt.layer, source, "look", f"{doubt.text}.", DOUBT_ADVICE, places)


def _names_at(land: Land, doubt: Finding) -> list[object]:
    """The identifiers of the features that a doubt gives places of."""
    ids, shapes_m = {
        "parcels": (land.fabric.ids, land.fabric.shapes_m),
        "wells": (land.wells.ids, land.wells.shapes_m),
        "buildings": (land.buildings.ids, land.buildings.shapes_m) if land.buildings is not None else NONE,
    }.get(doubt.layer, NONE)
    if doubt.points_m is None or not len(ids):
        return []
    nearest = shapely.STRtree(shapes_m).query_nearest(doubt.points_m, all_matches=False)[1]
    return list(dict.fromkeys(ids[nearest]))


def advice(fault: str) -> str:
    """How the owner of the data may mend `fault`; empty where the fault says so itself."""
    return next((words for holds, words in ADVICE if holds in fault), "")


def _with_shapes(name: str, layer: GeoDataFrame) -> tuple[GeoDataFrame, tuple[Problem, ...]]:
    """The records that have a shape, and the others as one problem."""
    absent = (layer.geometry.isna() | layer.geometry.is_empty).to_numpy()
    rows = tuple(layer.attrs.get("without_shape", ()))
    if not absent.any() and not rows:
        return layer, ()
    numbers = [*rows, *(int(row) + 1 for row in np.flatnonzero(absent))]
    what = f"{len(numbers)} without a shape: something is in an unknown place, and nothing is kept clear of it."
    places = tuple(Place(f"record {number}", number) for number in numbers)
    return layer[~absent], (Problem(name, source_of(layer), "assumed", what, advice("no geometry"), places),)


def _places(layer: GeoDataFrame | None, name: str, ids: Sequence[object]) -> Iterator[Place]:
    """Where the features are that a fault names; a fault of columns names none."""
    if layer is None or name not in ALL_CONTRACTS:
        return
    named = feature_names(layer, ALL_CONTRACTS[name])
    wanted = {str(identifier) for identifier in ids}
    rows = np.flatnonzero([identifier in wanted for identifier in named])
    lon_deg, lat_deg = _middles_deg(np.asarray(layer.geometry.values, object)[rows], layer.crs)
    for row, lon, lat in zip(rows.tolist(), lon_deg.tolist(), lat_deg.tolist(), strict=True):
        yield Place(str(named[row]), int(layer.index[row]) + 1, lon, lat)


def _middles_deg(
    shapes: Geometries, crs: CRS | None
) -> tuple["np.ndarray[tuple[int], np.dtype[np.float64]]", "np.ndarray[tuple[int], np.dtype[np.float64]]"]:
    """The middle of each shape's bounds in degrees of WGS 84, NaN where it has none."""
    if crs is None:
        return np.full(len(shapes), np.nan), np.full(len(shapes), np.nan)
    lon, lat = Transformer.from_crs(crs, WGS84, always_xy=True).transform(*middles(shapes))
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90) & (np.abs(lon) <= 360)
    return np.where(good, lon, np.nan), np.where(good, lat, np.nan)


def _frame_near(layer: GeoDataFrame) -> Frame | None:
    """The UTM zone of a layer in degrees, to look at it alone; None where it has no place."""
    try:
        return Frame.of(layer.estimate_utm_crs(), layer.attrs.get("source", "layer"))
    except (RuntimeError, ValueError, GeosepticError):
        return None
