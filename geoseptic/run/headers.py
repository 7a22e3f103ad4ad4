"""All that the headers of a run's inputs tell, and in a dry run their words, before anything is read: every refusal at once."""

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely
from pyproj import CRS, Transformer

from geoseptic.errors import (
    CodeSilentError,
    GeosepticError,
    InputError,
    LayerContractError,
    NoFeaturesInRangeError,
    NoOverlapError,
    raise_gathered,
)
from geoseptic.io import fieldsheets, rulefiles
from geoseptic.io import rasters as raster_files
from geoseptic.io.runfolders import FinishedRun, read_finished_run
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid
from geoseptic.model.layers import READ_WHOLE, WELL_KINDS, WELLS
from geoseptic.model.rules import RuleSet, with_exclusions
from geoseptic.process import DepthIn, ElevationIn, Facts, FindingsIn, LayerIn, Process, RuleSetsIn, RulesIn, RunIn, SheetIn
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M
from geoseptic.run import outputs, tableplaces, todatabase
from geoseptic.run.arguments import Request
from geoseptic.stages import LOGGER

if TYPE_CHECKING:
    from geoseptic.io.sources import Bounds, LayerHeader, Stated


@dataclass(frozen=True)
class Headers:
    """What the headers say, by parameter; `grids` of heights, `depths` of depths. `sheets` holds the readings of each field sheet: they are
    few."""

    rules: RuleSet | None
    grids: Mapping[str, Grid]
    depths: Mapping[str, Grid]
    layers: "Mapping[str, LayerHeader]"
    sheets: Mapping[str, Any]
    rule_sets: Mapping[str, tuple[RuleSet, ...]] = field(default_factory=dict)
    runs: Mapping[str, FinishedRun] = field(default_factory=dict)
    refused: Mapping[str, tuple[GeosepticError, ...]] = field(default_factory=dict)
    """Why inputs cannot be used, by parameter, for a process that takes `Refused` ones."""


def read_headers(process: Process[..., Any], wanted: Request) -> Headers:
    """Look at every input and at the folder of the outputs; raises all refusals at once, but those of inputs that `process` takes."""
    refusals: list[GeosepticError] = []
    rules: RuleSet | None = None
    grids: dict[str, Grid] = {}
    depths: dict[str, Grid] = {}
    found: dict[str, LayerHeader] = {}
    sheets: dict[str, Any] = {}
    rule_sets: dict[str, tuple[RuleSet, ...]] = {}
    runs: dict[str, FinishedRun] = {}
    refused: dict[str, tuple[GeosepticError, ...]] = {}
    with _gathering(refusals):
        outputs.refuse(process, wanted)
    with _gathering(refusals):
        todatabase.refuse(process, wanted)
    for parameter in process.parameters:
        given, spec = wanted.values.get(parameter.name), parameter.spec
        if given is None:
            continue
        before = len(refusals)
        with _gathering(refusals):
            if isinstance(spec, RulesIn):
                rules = rulefiles.load_rules(given)
            elif isinstance(spec, RuleSetsIn):
                rule_sets[parameter.name] = tuple(rulefiles.load_rules(name) for name in dict.fromkeys(given))
            elif isinstance(spec, RunIn):
                runs[parameter.name] = read_finished_run(given, spec.process, wanted.out)
            elif isinstance(spec, Facts):
                with_exclusions(given)
            elif isinstance(spec, SheetIn):
                sheets[parameter.name] = fieldsheets.read_field_sheet(given)
            elif isinstance(spec, FindingsIn):
                from geoseptic.io import findingsheets

                maps = wanted.columns.get(parameter.name, {}), wanted.value_maps.get(parameter.name, {})
                sheets[parameter.name] = findingsheets.read_findings(given, spec.contract, *maps, stated_of(wanted, parameter.name))
            elif isinstance(spec, LayerIn):
                from geoseptic.io import layerheaders

                said = tableplaces.with_places(stated_of(wanted, parameter.name), process, wanted, parameter.name, spec)
                header = layerheaders.read_header(given, said)
                maps = wanted.columns.get(parameter.name, {}), wanted.value_maps.get(parameter.name, {})
                faults = layerheaders.refusals(header, spec.contract, *maps)
                refusals += faults
                for note in layerheaders.guess_notes(spec.contract, maps[0], header.fields):
                    # Now, since the run may be refused for what stands in that column.
                    LOGGER.info("%s: %s", parameter.name, note)
                if not faults:
                    found[parameter.name] = header
            elif isinstance(spec, ElevationIn):
                grids[parameter.name] = raster_files.read_grid(given, parameter.name, tiles_anywhere=wanted.tiles_anywhere)
            elif isinstance(spec, DepthIn):
                depths[parameter.name] = raster_files.read_grid(given, parameter.name)
        if isinstance(spec, ElevationIn | DepthIn) and Path(given).exists():
            with _gathering(refusals):
                stated: dict[str, Any] = {"unit": wanted.units.get(parameter.name)}
                if isinstance(spec, ElevationIn):
                    stated |= {"scale": wanted.elevation_scale, "gaps_are_unknown": wanted.gaps_are_unknown}
                    stated |= {"tiles_anywhere": wanted.tiles_anywhere}
                raster_files.check_heights(given, parameter.name, **stated)
        if process.takes_refused and len(refusals) > before:
            refused[parameter.name] = tuple(refusals[before:])
            del refusals[before:]
            found.pop(parameter.name, None)
            grids.pop(parameter.name, None)
            depths.pop(parameter.name, None)
    with_elevation = any(isinstance(parameter.spec, ElevationIn) and parameter.name in wanted.values for parameter in process.parameters)
    if "parcels" in found and not with_elevation and not process.takes_refused:
        # Without a raster it is the parcels that distances are measured in.
        with _gathering(refusals):
            Frame.of(found["parcels"].crs, "parcels", found["parcels"].source)
    if rules is not None and "wells" in found and _asks_setbacks(process) and not process.takes_refused:
        with _gathering(refusals):
            _refuse_silence(rules, wanted)
    raise_gathered(refusals)
    return Headers(rules, grids, depths, found, sheets, rule_sets, runs, refused)


def stated_of(wanted: Request, layer: str) -> "Stated":
    """What the user states of a layer's source."""
    from geoseptic.io.sources import Stated

    said = {what: texts[layer] for what, texts in wanted.statements.items() if layer in texts}
    return Stated(said.get("crs"), said.get("encoding"), wanted.network)


def guessed_columns(process: Process[..., Any], headers: Headers, wanted: Request) -> dict[str, dict[str, str]]:
    """Layer -> contract column -> column of the file that is taken for it by its name alone; layers without a guess are left out."""
    if not headers.layers:
        return {}
    from geoseptic.io import layerheaders

    contracts = {parameter.name: parameter.spec.contract for parameter in process.parameters if isinstance(parameter.spec, LayerIn)}
    found = {
        name: layerheaders.guessed_columns(contracts[name], wanted.columns.get(name, {}), header.fields)
        for name, header in headers.layers.items()
    }
    return {name: guesses for name, guesses in found.items() if guesses}


def check_places(headers: Headers, wanted: Request) -> "Mapping[str, Bounds]":
    """Bounds of the layers, from their headers; raises at once what a run would find of their place and number.

    A file may state its bounds wrongly, so a run asks its features instead.
    """
    from geoseptic.io import layerheaders

    refusals: list[GeosepticError] = []
    bounds = {}
    for name, header in headers.layers.items():
        with _gathering(refusals):
            box = layerheaders.header_bounds(header) if header.features else None
            if box is not None:
                bounds[name] = box
            elif name == "parcels":
                raise LayerContractError("parcels", {"the layer holds no parcel": ()}, header.source)
            elif name == "wells":
                raise NoFeaturesInRangeError("wells", header.source, 0, "parcels" if "parcels" in headers.layers else "elevation")
    grid = next(iter(headers.grids.values()), None)
    if "parcels" in bounds:
        own = headers.layers["parcels"]
        with _gathering(refusals):
            frame = grid.frame if grid is not None else Frame.of(own.crs, "parcels", own.source)
            change = Transformer.from_crs(own.crs, frame.crs, always_xy=True)
            moved = change.transform_bounds(*bounds["parcels"], densify_pts=21)
            left, bottom, right, top = (value * frame.metres_per_unit for value in moved)
            frame.refuse_distortion((left, bottom, right, top), "parcels", own.source)
            if grid is not None and not shapely.intersects(shapely.box(left, bottom, right, top), shapely.box(*grid.bounds_m)):
                raise NoOverlapError("parcels", (left, bottom, right, top), "elevation", grid.bounds_m)
    elif grid is not None and "parcels" not in headers.layers:
        with _gathering(refusals):
            grid.frame.refuse_distortion(grid.bounds_m, "elevation")
    if "wells" in bounds:
        with _gathering(refusals):
            _refuse_far_wells(headers, bounds, wanted)
    raise_gathered(refusals)
    return bounds


def check_words(process: Process[..., Any], headers: Headers, bounds: "Mapping[str, Bounds]", wanted: Request) -> None:
    """Raises at once the words of the layers that a run would refuse, save those of layers with very many features."""
    from geoseptic.io import layers as layer_files
    from geoseptic.model.checking import word_faults
    from geoseptic.parcels.obstacles import feature_faults
    from geoseptic.processes import lot_sizes

    refusals: list[GeosepticError] = []
    parcels = headers.layers.get("parcels")
    near = where_features_matter(headers, (bounds["parcels"], parcels.crs) if parcels is not None and parcels.crs is not None else None)
    for parameter in process.parameters:
        name, spec = parameter.name, parameter.spec
        if not isinstance(spec, LayerIn) or name not in headers.layers:
            continue
        maps = wanted.columns.get(name, {}), None if spec.contract.name in READ_WHOLE else near, wanted.value_maps.get(name, {})
        with _gathering(refusals):
            sized = name == "parcels" and process.sizes_lots
            table = layer_files.read_words(headers.layers[name], spec.contract, *maps, also=lot_sizes.SIZED_BY if sized else ())
            faults = {} if table is None else word_faults(table, spec.contract)
            if table is not None and name == "other_features":
                words = table["feature"].astype("string").str.strip().str.lower()
                rows = [f"{name} {number}" for number in range(1, len(table) + 1)]
                faults |= feature_faults(rows, (None if word == "" else word for word in words.fillna("")))
            if faults:
                raise LayerContractError(name, faults, headers.layers[name].source)
            if table is not None and sized and headers.rules is not None:
                lot_sizes.refuse_unsized(table, headers.rules, "soils" in headers.layers)
    raise_gathered(refusals)


def where_features_matter(headers: Headers, parcels: "tuple[Bounds, CRS] | None") -> "tuple[Bounds, CRS] | None":
    """The elevation, the bounds of the parcels and `NEAR_M` round both; None where nothing is known to be far."""
    from geoseptic.processes.land import NEAR_M

    frame, bounds = None, []
    for grid in headers.grids.values():
        frame = grid.frame
        bounds.append(grid.bounds)
    if parcels is not None:
        box, crs = parcels
        frame = frame or Frame.of(crs, "parcels")
        bounds.append(Transformer.from_crs(crs, frame.crs, always_xy=True).transform_bounds(*box, densify_pts=21))
    if frame is None or not all(math.isfinite(value) for box in bounds for value in box):
        return None
    margin = NEAR_M / frame.metres_per_unit
    left, bottom = (min(box[side] for box in bounds) - margin for side in (0, 1))
    right, top = (max(box[side] for box in bounds) + margin for side in (2, 3))
    return (left, bottom, right, top), frame.crs


def _refuse_far_wells(headers: Headers, bounds: "Mapping[str, Bounds]", wanted: Request) -> None:
    """Raises NoFeaturesInRangeError where all wells lie too far off. One that states an error of its place may be nearer: that is left to a
    run."""
    from geoseptic.io import layerheaders
    from geoseptic.processes.land import NEAR_M

    wells, parcels = headers.layers["wells"], headers.layers.get("parcels")
    columns, _ = layerheaders.file_columns(WELLS, wanted.columns.get("wells", {}), wells.fields)
    if any(name.startswith("location_error") for name in columns):
        return
    assert wells.crs is not None  # or it was refused
    if parcels is None:
        place, grid = "elevation", next(iter(headers.grids.values()))
        frame, around = grid.frame, shapely.box(*grid.bounds)
    elif "parcels" in bounds and parcels.crs is not None:
        place = "parcels"
        frame = next((grid.frame for grid in headers.grids.values()), None) or Frame.of(parcels.crs, "parcels", parcels.source)
        change = Transformer.from_crs(parcels.crs, frame.crs, always_xy=True)
        around = shapely.box(*change.transform_bounds(*bounds["parcels"], densify_pts=21))
    else:
        return
    moved = Transformer.from_crs(wells.crs, frame.crs, always_xy=True).transform_bounds(*bounds["wells"], densify_pts=21)
    error_m = float(wanted.values.get("assumed_location_error_m", ASSUMED_LOCATION_ERROR_M))
    # Twice: a run adds as much for a reprojection of unknown accuracy.
    if all(map(math.isfinite, moved)) and shapely.distance(shapely.box(*moved), around) * frame.metres_per_unit > NEAR_M + 2 * error_m:
        raise NoFeaturesInRangeError("wells", wells.source, wells.features, place)


def _asks_setbacks(process: Process[..., Any]) -> bool:
    return any(isinstance(parameter.spec, RulesIn) and parameter.spec.setbacks for parameter in process.parameters)


def _refuse_silence(rules: RuleSet, wanted: Request) -> None:
    """Raises CodeSilentError where the rules say nothing of any kind of well for a part that is asked for."""
    for part in wanted.values.get("parts", ("drain_field",)):
        kinds = set(WELL_KINDS.values())
        if len(rules.silent_on(part, kinds)) == len(kinds):
            raise CodeSilentError(rules.id, f"the distance from a {part.replace('_', ' ')} to a well")


@contextmanager
def _gathering(refusals: list[GeosepticError]) -> Iterator[None]:
    """Keep a refusal instead of stopping at it; one that is already kept is not kept twice."""
    try:
        yield
    except GeosepticError as error:
        if str(error) not in map(str, refusals):
            refusals.append(error)
    except OSError as error:
        refusals.append(InputError(str(error)))
