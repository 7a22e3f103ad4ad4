"""All that the headers of a run's inputs tell, before anything is read: every refusal at once."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from pyproj import Transformer

from geoseptic.errors import (
    CodeSilentError,
    GeosepticError,
    InputError,
    LayerContractError,
    NoFeaturesInRangeError,
    NoOverlapError,
    raise_gathered,
)
from geoseptic.io import fieldsheets, layerheaders, rulefiles
from geoseptic.io import rasters as raster_files
from geoseptic.io.layerheaders import Bounds, LayerHeader
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid
from geoseptic.model.layers import WELL_KINDS
from geoseptic.model.rules import RuleSet, with_exclusions
from geoseptic.process import DepthIn, ElevationIn, Facts, LayerIn, Process, RulesIn, SheetIn
from geoseptic.run import outputs
from geoseptic.run.arguments import Request


@dataclass(frozen=True)
class Headers:
    """What the headers say, by parameter; `grids` of heights, `depths` of depths. `sheets` holds the readings of each field sheet: they are
    few."""

    rules: RuleSet | None
    grids: Mapping[str, Grid]
    depths: Mapping[str, Grid]
    layers: Mapping[str, LayerHeader]
    sheets: Mapping[str, Any]


def read_headers(process: Process[..., Any], wanted: Request) -> Headers:
    """Look at every input and at the folder of the outputs; raises all refusals at once."""
    refusals: list[GeosepticError] = []
    rules: RuleSet | None = None
    grids: dict[str, Grid] = {}
    depths: dict[str, Grid] = {}
    found: dict[str, LayerHeader] = {}
    sheets: dict[str, Any] = {}
    with _gathering(refusals):
        outputs.refuse(process, wanted)
    for parameter in process.parameters:
        given, spec = wanted.values.get(parameter.name), parameter.spec
        if given is None:
            continue
        with _gathering(refusals):
            if isinstance(spec, RulesIn):
                rules = rulefiles.load_rules(given)
            elif isinstance(spec, Facts):
                with_exclusions(given)
            elif isinstance(spec, SheetIn):
                sheets[parameter.name] = fieldsheets.read_field_sheet(given)
            elif isinstance(spec, LayerIn):
                header = layerheaders.read_header(given)
                maps = wanted.columns.get(parameter.name, {}), wanted.value_maps.get(parameter.name, {})
                faults = layerheaders.refusals(header, spec.contract, *maps)
                refusals += faults
                if not faults:
                    found[parameter.name] = header
            elif isinstance(spec, ElevationIn):
                grids[parameter.name] = raster_files.read_grid(given, parameter.name)
            elif isinstance(spec, DepthIn):
                depths[parameter.name] = raster_files.read_grid(given, parameter.name)
        if isinstance(spec, ElevationIn | DepthIn) and Path(given).exists():
            with _gathering(refusals):
                raster_files.check_heights(given, parameter.name, unit=wanted.units.get(parameter.name))
    with_elevation = any(isinstance(parameter.spec, ElevationIn) and parameter.name in wanted.values for parameter in process.parameters)
    if "parcels" in found and not with_elevation:
        # Without a raster it is the parcels that distances are measured in.
        with _gathering(refusals):
            Frame.of(found["parcels"].crs, "parcels", found["parcels"].source)
    if rules is not None and "wells" in found:
        with _gathering(refusals):
            _refuse_silence(rules, wanted)
    raise_gathered(refusals)
    return Headers(rules, grids, depths, found, sheets)


def check_places(headers: Headers) -> Mapping[str, Bounds]:
    """Bounds of the layers, from their headers; raises at once what a run would find of their place and number.

    A file may state its bounds wrongly, so a run asks its features instead.
    """
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
    raise_gathered(refusals)
    return bounds


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
