"""The config file of a run: the parameters of its command line as TOML."""

import tomllib
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import ParameterError, nearest
from geoseptic.process import Choice, DepthIn, ElevationIn, LayerOut, Length, Names, Number, Parameter, Process, RasterOut, TableOut, Text

SETTINGS: Final = ("out", "overwrite", "resume", "columns", "values", "places", "crs", "encoding", "allow_network")
CELL_SIZE: Final = Parameter("cell_size_m", Length("Cell size of all rasters; default that of the elevation", 0.1, 100.0), False, None)
HEIGHT_UNITS: Final = ("m", "ft", "US survey foot")
ZERO_IS_HEIGHT: Final = Parameter(
    "zero_is_height", Choice("Whether zeros that a sheer step parts from the ground are heights; default no", ("yes", "no")), False, None
)
LEVEL_IS_HEIGHT: Final = Parameter(
    "level_is_height",
    Choice("Whether patches of one repeated number that a sheer step parts from the ground are heights; default no", ("yes", "no")),
    False,
    None,
)
ELEVATION_SCALE: Final = Parameter(
    "elevation_scale",
    Number("What a stored 1 stands for, where the file does not say so: 0.1 for heights in tenths", "of the unit", 0.0001, 100.0),
    False,
    None,
)
ELEVATION_GAPS: Final = Parameter(
    "elevation_gaps",
    Choice("Ground under no tile of a VRT: refuse, since tiles get lost, or take it for unknown; default refuse", ("refuse", "unknown")),
    False,
    None,
)
ELEVATION_TILES: Final = Parameter(
    "elevation_tiles",
    Choice("Where the tiles of a VRT may lie: below its folder, or anywhere, the network included; default below", ("below", "anywhere")),
    False,
    None,
)
SCHEDULER: Final = Parameter(
    "scheduler", Text("Dask scheduler whose workers do what can be shared out, such as tcp://10.0.0.5:8786", 1000), False, None
)
"""Where `workers` is a parameter of the process."""
SECTIONS_FILE: Final = Parameter(
    "sections", Text("Sections of the public land survey, by which wells of a table are placed that only name theirs", 4096), False, None
)
"""Where `wells` is a parameter of the process."""
KEEP: Final = Parameter(
    "keep", Text("Folder for results that a later run with the same inputs may take instead of finding them again", 4096), False, None
)
TO_POSTGIS: Final = Parameter(
    "to_postgis",
    Text("Schema of a PostGIS database, for all layers and tables as well, such as 'postgresql://USER@HOST/DATABASE|SCHEMA'", 4096),
    False,
    None,
)
"""Where the process has layers or tables among its outputs."""
GEOPARQUET: Final = "geoparquet"
FLATGEOBUF: Final = "flatgeobuf"
STAC: Final = "stac"


def read_config(path: Path, process: Process[..., Any]) -> dict[str, Any]:
    """The file as a table; raises ParameterError with every key that is no parameter of `process`, and what was probably meant."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        table = tomllib.loads(text)
    except OSError as error:
        raise ParameterError(f"--config {path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise ParameterError(f"--config {path} is not UTF-8 (byte {error.start}). Save it as UTF-8.") from None
    except (ValueError, RecursionError) as error:  # also an integer of more digits than Python converts
        # What a path copied from Windows looks like.
        hint = " Write paths with / instead of \\, or between single quotes." if "\\" in text else ""
        raise ParameterError(f"--config {path} is not TOML: {error}.{hint}") from None
    try:
        refuse_unknown(table, process)
    except ParameterError as error:
        raise ParameterError(f"--config {path}: {error}") from None
    return table


def refuse_unknown(table: dict[str, Any], process: Process[..., Any]) -> None:
    """Raises ParameterError with every key that is no parameter of `process`, and what was probably meant."""
    parameters = (*process.parameters, *run_parameters(process))
    known = {name for parameter in parameters for name in _names(parameter)}
    known |= {spelling for name in SETTINGS for spelling in (name, name.replace("_", "-"))}
    unknown = [key for key in table if key not in known]
    if unknown:
        names = [*map(_shown, parameters), *SETTINGS]
        words = ", ".join(nearest(key, names) for key in unknown)
        raise ParameterError(f"no such parameter of {process.id}: {words}.")


def taken(table: dict[str, Any], parameter: Parameter) -> Any:
    """The parameter's value in the config, which it leaves; None where it is not there."""
    found = [name for name in sorted(_names(parameter)) if name in table]
    if len(found) > 1:
        raise ParameterError(f"the config gives {parameter.flag} more than once: {', '.join(found)}.")
    return table.pop(found[0]) if found else None


def run_parameters(process: Process[..., Any]) -> tuple[Parameter, ...]:
    """How the files of the process's rasters are to be read, and where work is done: parameters of the run, not of the process."""
    found = [unit_of(parameter.name) for parameter in process.parameters if isinstance(parameter.spec, ElevationIn | DepthIn)]
    if any(isinstance(parameter.spec, ElevationIn) for parameter in process.parameters):
        found += [ELEVATION_SCALE, CELL_SIZE, ZERO_IS_HEIGHT, LEVEL_IS_HEIGHT, ELEVATION_GAPS, ELEVATION_TILES, KEEP]
    if any(parameter.name == "workers" for parameter in process.parameters):
        found.append(SCHEDULER)
    if any(parameter.name == "wells" for parameter in process.parameters):
        found.append(SECTIONS_FILE)
    if any(isinstance(out, LayerOut | TableOut) for out in process.outputs):
        found.append(TO_POSTGIS)
    if (also := also_of(process)) is not None:
        found.append(also)
    return tuple(found)


def told_parameters(process: Process[..., Any]) -> tuple[Parameter, ...]:
    """What somebody on another machine may say of the files, who has no say in where work is done, kept and written."""
    own = (SCHEDULER, KEEP, TO_POSTGIS, ELEVATION_TILES, SECTIONS_FILE)
    return tuple(parameter for parameter in run_parameters(process) if parameter not in own)


def unit_of(raster: str) -> Parameter:
    """The unit of a raster's heights or depths, where its file does not state it."""
    what = "heights" if raster == "elevation" else f"depths of {raster}"
    return Parameter(f"{raster}_unit", Choice(f"Unit of the {what}, where the file does not state it", HEIGHT_UNITS), False, None)


def also_of(process: Process[..., Any]) -> Parameter | None:
    """What may be written beside the outputs that the process declares: a copy of each layer, and what a catalogue asks for."""
    layers = any(isinstance(out, LayerOut) for out in process.outputs)
    if layers:
        title = "What to write as well: a copy of each layer in another format, a description of the run for a catalogue"
        return Parameter("also", Names(title, (GEOPARQUET, FLATGEOBUF, STAC)), False, None)
    if any(isinstance(out, RasterOut) for out in process.outputs):
        return Parameter("also", Names("What to write as well: a description of the run for a catalogue", (STAC,)), False, None)
    return None


def _shown(parameter: Parameter) -> str:
    """The name that a config should use: that of the flag, without a unit, which the value has."""
    return parameter.flag.removeprefix("--").replace("-", "_")


def _names(parameter: Parameter) -> set[str]:
    return {parameter.name, parameter.flag.removeprefix("--"), _shown(parameter)}
