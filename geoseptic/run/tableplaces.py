"""What a run states of the tables among its inputs."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geoseptic.errors import GeosepticError, ParameterError
from geoseptic.io import rasters as raster_files
from geoseptic.process import ElevationIn, LayerIn, Process
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M
from geoseptic.run.arguments import Request

if TYPE_CHECKING:
    from pyproj import CRS

    from geoseptic.io.sources import Bounds, Stated


def with_places(stated: "Stated", process: Process[..., Any], wanted: Request, name: str, spec: LayerIn) -> "Stated":
    """What is stated of a layer, and how its rows become points where it is given as a table.

    Raises GeosepticError where places are stated of a layer that is no table, or the sections cannot be read.
    """
    from geoseptic.io import tablesource
    from geoseptic.io.placesstated import PlacesStated
    from geoseptic.io.sectionfiles import read_sections

    given = wanted.values[name]
    settings, columns = wanted.places.get(name, {}), wanted.place_columns.get(name, {})
    if not tablesource.takes(given):
        if settings or columns:
            words = ", ".join([*(f"--places {name}.{key}" for key in settings), *(f"--columns {name}.{key}" for key in columns)])
            raise ParameterError(f"{words}: that is for tables, and {given} is none. Leave it out.")
        return stated
    if spec.contract.geometry not in ("point", "any"):
        return stated
    sections = None
    if wanted.sections is not None and name == "wells":
        sections = read_sections(wanted.sections, wanted.columns.get("sections"))
    return replace(
        stated,
        places=PlacesStated(
            layer=name,
            columns=(*columns.items(), *wanted.columns.get(name, {}).items()),
            datum=settings.get("datum", ""),
            angles=settings.get("angles", ""),
            unplaced=settings.get("unplaced", "refuse"),
            sections=sections,
            around=_around(process, wanted),
            keeps_error=any(column.name == "location_error" for column in spec.contract.columns),
            assumed_error_m=float(wanted.values.get("assumed_location_error_m", ASSUMED_LOCATION_ERROR_M)),
        ),
    )


def _around(process: Process[..., Any], wanted: Request) -> "tuple[Bounds, CRS] | None":
    """The bounds of the parcels, else of the elevation; None where neither can be read, which is told where they are."""
    from geoseptic.io.sourcekinds import open_source

    try:
        if "parcels" in wanted.values:
            parcels = open_source(wanted.values["parcels"])
            bounds = parcels.bounds()
            if bounds is not None and parcels.header.crs is not None:
                return bounds, parcels.header.crs
        for parameter in process.parameters:
            if isinstance(parameter.spec, ElevationIn) and parameter.name in wanted.values:
                grid = raster_files.read_grid(wanted.values[parameter.name], parameter.name)
                return grid.bounds, grid.crs
    except (GeosepticError, OSError):
        return None
    return None
