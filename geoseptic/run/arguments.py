"""A process's command line and config file, made from its declaration: words in, checked values out."""

import argparse
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from geoseptic.errors import ParameterError, nearest
from geoseptic.io.databases import Schema, schema_of
from geoseptic.model.cautions import CAUTIONS
from geoseptic.process import (
    Choice,
    Count,
    DepthIn,
    ElevationIn,
    Facts,
    FindingsIn,
    Ids,
    LayerIn,
    Length,
    Names,
    Number,
    Parameter,
    Process,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
    Text,
    Weights,
    parsed_length_m,
)
from geoseptic.run import mappings
from geoseptic.run.config import (
    CELL_SIZE,
    ELEVATION_GAPS,
    ELEVATION_SCALE,
    ELEVATION_TILES,
    GEOPARQUET,
    KEEP,
    LEVEL_IS_HEIGHT,
    SCHEDULER,
    SECTIONS_FILE,
    TO_POSTGIS,
    ZERO_IS_HEIGHT,
    read_config,
    run_parameters,
    taken,
    unit_of,
)
from geoseptic.run.mappings import NO, YES
from geoseptic.units import from_metres

OUT = Parameter("out", Text("Folder to write to", 4096), True, None)


@dataclass(frozen=True)
class Request:
    """What the user asked for. `values` has every parameter that was given, files still as paths; `units` of the rasters by their names."""

    values: Mapping[str, Any]
    out: Path | None
    overwrite: bool = False
    resume: bool = False
    dry_run: bool = False
    describe: bool = False
    verbosity: int = 0
    columns: mappings.ColumnNames = field(default_factory=dict)
    value_maps: mappings.ValueMaps = field(default_factory=dict)
    statements: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """What is stated of the sources of layers: what, as in `mappings.EXAMPLES` -> layer -> text."""
    network: bool = False
    units: Mapping[str, str] = field(default_factory=dict)
    cell_size_m: float | None = None
    zero_is_height: bool = False
    level_is_height: bool = False
    elevation_scale: float | None = None
    gaps_are_unknown: bool = False
    tiles_anywhere: bool = False
    scheduler: str | None = None
    keep: Path | None = None
    sections: str | None = None
    to_postgis: Schema | None = None
    also: tuple[str, ...] = ()
    """What to write beside the declared outputs, of the words in `config.also_of`."""
    places: mappings.PlaceSettings = field(default_factory=dict)
    place_columns: mappings.ColumnNames = field(default_factory=dict)


def parser(process: Process[..., Any], program: str) -> argparse.ArgumentParser:
    """The command line of a process."""
    made = argparse.ArgumentParser(
        prog=program,
        description=process.summary,
        epilog=f"example:\n  {program} {process.example}\n\n" + "\n".join(textwrap.wrap(CAUTIONS[0], 100)),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    needed = made.add_argument_group("needed")
    optional = made.add_argument_group("options")
    for parameter in (*process.parameters, *run_parameters(process)):
        repeat = isinstance(parameter.spec, Facts | Names | Ids | Weights | RuleSetsIn)
        (needed if parameter.required else optional).add_argument(
            parameter.flag,
            dest=parameter.name,
            metavar=_metavar(parameter),
            action="append" if repeat else "store",
            help=_help(parameter).replace("%", "%%"),
        )
    run = made.add_argument_group("run")
    run.add_argument("--out", metavar="DIR", help=OUT.title)
    run.add_argument("--overwrite", action="store_true", help="replace outputs that are there")
    run.add_argument(
        "--resume",
        action="store_true",
        help="go on from what a run with the same --out had finished when it died, and keep what this one finishes until it has ended well",
    )
    run.add_argument("--config", metavar="FILE.toml", type=Path, help="the same parameters as a file; the command line goes first")
    run.add_argument(
        "--columns", metavar="LAYER.COLUMN=NAME", action="append", default=[], help="column NAME of the file is COLUMN; repeatable"
    )
    run.add_argument(
        "--values", metavar="LAYER.COLUMN.WORD=MEANING", action="append", default=[],
        help="WORD of the file means MEANING, such as wells.kind.DOM=private; repeatable",
    )  # fmt: skip
    run.add_argument(
        "--crs", metavar="LAYER=CRS", action="append", default=[],
        help="CRS of a layer whose file declares none, such as parcels=EPSG:26910; repeatable",
    )  # fmt: skip
    run.add_argument(
        "--encoding", metavar="LAYER=NAME", action="append", default=[],
        help="encoding of a shapefile's table, such as parcels=cp1252; repeatable",
    )  # fmt: skip
    run.add_argument("--allow-network", action="store_true", help="layers may be addresses on a network, which are then fetched")
    run.add_argument(
        "--places", metavar="LAYER.KEY=VALUE", action="append", default=[],
        help="how places of a table are read: datum=NAD27, angles=packed, unplaced=leave-out, such as wells.datum=NAD83; repeatable",
    )  # fmt: skip
    run.add_argument(
        "--dry-run", action="store_true", help="check all that the inputs' headers tell, say what would be done, write nothing"
    )
    run.add_argument("--describe", action="store_true", help="print the OGC API - Processes description and stop")
    run.add_argument("-q", "--quiet", action="store_true", help="no progress")
    run.add_argument("-v", "--verbose", action="store_true", help="progress with seconds")
    return made


def request(process: Process[..., Any], program: str, argv: Sequence[str]) -> Request:
    """Parse `argv` and the config file it names.

    Raises ParameterError with every fault of the arguments, names that nobody knows first, or SystemExit from argparse.
    """
    made = parser(process, program)
    given, rest = made.parse_known_args(argv)
    if rest:
        options = re.findall(r"--[a-z-]+", made.format_usage())
        words = [nearest(word.partition("=")[0], options) if word.startswith("--") else word for word in rest]
        raise ParameterError(f"unrecognized arguments: {' '.join(words)}")
    if given.describe:
        return Request({}, None, describe=True)
    config = read_config(given.config, process) if given.config else {}
    return combined(process, config, vars(given))


def combined(process: Process[..., Any], config: dict[str, Any], line: Mapping[str, Any]) -> Request:
    """What a config table and the words of a command line ask for together, the line's words over the config's.

    Raises ParameterError with every fault of both. The table is used up.
    """
    faults: list[str] = []
    columns = mappings.column_names(process, config.pop("columns", {}), line.get("columns", ()), faults)
    places = mappings.place_settings(process, config.pop("places", {}), line.get("places", ()), faults)
    value_maps = mappings.value_maps(process, config.pop("values", {}), line.get("values", ()), faults)
    statements = {what: mappings.statements(process, what, config.pop(what, {}), line.get(what, ()), faults) for what in mappings.EXAMPLES}
    values: dict[str, Any] = {}
    for parameter in (*process.parameters, *run_parameters(process), OUT):
        try:
            from_config = taken(config, parameter)
            from_line = line.get(parameter.name)
            raw = from_line if from_line is not None else from_config
            if raw is not None:
                values[parameter.name] = parameter.checked(_value(parameter, raw))
            elif parameter.required:
                faults.append(f"{parameter.flag} is needed: {parameter.title}.")
        except ParameterError as error:
            faults.append(str(error))
    switches = {}
    for name, on_line in (("overwrite", line.get("overwrite", False)), ("resume", line.get("resume", False))):
        switches[name] = config.pop(name, False)
        if not isinstance(switches[name], bool):
            faults.append(f"{name} must be true or false, not {switches[name]!r}.")
        switches[name] = switches[name] or on_line
    network = config.pop("allow_network", config.pop("allow-network", False))
    if not isinstance(network, bool):
        faults.append(f"allow_network must be true or false, not {network!r}.")
    if KEEP.name in values and SCHEDULER.name in values:
        faults.append("--keep cannot be used with --scheduler yet: leave one of them out.")
    if switches["resume"] and SCHEDULER.name in values:
        faults.append("--resume cannot be used with --scheduler yet: leave one of them out.")
    if GEOPARQUET in values.get("also", ()) and find_spec("pyarrow") is None:
        faults.append(f"--also {GEOPARQUET}: pyarrow, which writes it, is not installed. Install geoseptic[parquet], or leave it out.")
    to_postgis = None
    if TO_POSTGIS.name in values:
        try:
            to_postgis = schema_of(values.pop(TO_POSTGIS.name))
        except ParameterError as error:
            faults.append(str(error))
    if faults:
        raise ParameterError(
            faults[0] if len(faults) == 1 else "\n".join(["these arguments cannot be used:", *(f"  - {f}" for f in faults)])
        )
    also = values.pop("also", ())
    keep = values.pop(KEEP.name, None)
    columns, place_columns = mappings.parted(columns)
    rasters = [parameter.name for parameter in process.parameters if isinstance(parameter.spec, ElevationIn | DepthIn)]
    return Request(
        out=Path(values.pop(OUT.name)),
        units={name: unit for name in rasters if (unit := values.pop(unit_of(name).name, None))},
        cell_size_m=values.pop(CELL_SIZE.name, None),
        zero_is_height=values.pop(ZERO_IS_HEIGHT.name, "no") == "yes",
        level_is_height=values.pop(LEVEL_IS_HEIGHT.name, "no") == "yes",
        elevation_scale=values.pop(ELEVATION_SCALE.name, None),
        gaps_are_unknown=values.pop(ELEVATION_GAPS.name, "refuse") == "unknown",
        tiles_anywhere=values.pop(ELEVATION_TILES.name, "below") == "anywhere",
        scheduler=values.pop(SCHEDULER.name, None),
        keep=None if keep is None else Path(keep),
        sections=values.pop(SECTIONS_FILE.name, None),
        to_postgis=to_postgis,
        also=also,
        places=places,
        place_columns=place_columns,
        values=values,
        **switches,
        dry_run=line.get("dry_run", False),
        verbosity=line.get("verbose", False) - line.get("quiet", False),
        columns=columns,
        value_maps=value_maps,
        statements=statements,
        network=line.get("allow_network", False) or network is True,
    )


def _metavar(parameter: Parameter) -> str:
    spec = parameter.spec
    if isinstance(spec, FindingsIn):
        return "FILE.csv|FILE[|LAYER]"
    if isinstance(spec, LayerIn):
        return "FILE[|LAYER]"
    if isinstance(spec, ElevationIn | DepthIn | SheetIn):
        return "FILE"
    if parameter is SCHEDULER:
        return "ADDRESS"
    if parameter is TO_POSTGIS:
        return "ADDRESS|SCHEMA"
    if parameter is SECTIONS_FILE:
        return "FILE[|LAYER]"
    if isinstance(spec, Text):
        return "DIR" if parameter is KEEP else "NAME"
    if isinstance(spec, RulesIn | RuleSetsIn):
        return "ID_OR_FILE"
    if isinstance(spec, RunIn):
        return "DIR"
    if isinstance(spec, Length):
        return "LENGTH"
    if isinstance(spec, Choice):
        return "{" + ",".join(spec.options) + "}"
    if isinstance(spec, Ids):
        return "ID"
    if isinstance(spec, Facts):
        return "NAME=yes|no"
    if isinstance(spec, Weights):
        return "NAME=NUMBER"
    return "NAME" if isinstance(spec, Names) else "NUMBER"


def _help(parameter: Parameter) -> str:
    spec = parameter.spec
    text = parameter.title
    if isinstance(spec, Length):
        text += f" ({from_metres(spec.low_m, 'ft'):.4g}ft to {from_metres(spec.high_m, 'ft'):.4g}ft)"
        if parameter.default is not None:
            text += f"; default {from_metres(parameter.default, 'ft'):.4g}ft"
    elif isinstance(spec, Number):
        text += f" ({spec.low:g} to {spec.high:g} {spec.unit})"
        if parameter.default is not None:
            text += f"; default {parameter.default:g}"
    elif isinstance(spec, Count):
        text += f" ({spec.low:g} to {spec.high:g})"
        if parameter.default is not None:
            text += f"; default {parameter.default:g}"
    elif isinstance(spec, Choice):
        text += f"; default {parameter.default}" if parameter.default else ""
    elif isinstance(spec, Names):
        text += f": {', '.join(spec.options)}; repeatable"
        text += f"; default {', '.join(parameter.default)}" if parameter.default else ""
    elif isinstance(spec, RuleSetsIn | Ids):
        text += "; repeatable"
    elif isinstance(spec, Facts | Weights):
        text += f": {', '.join(spec.names)}; repeatable"
    return text


def _value(parameter: Parameter, raw: Any) -> Any:
    """A word of the command line or a value of the config file as the parameter's own type."""
    spec, flag = parameter.spec, parameter.flag
    if isinstance(spec, Length):
        if not isinstance(raw, str):
            raise ParameterError(f"{flag}: {raw!r} has no unit. Write it as text with its unit, such as '100ft' or '30m'.")
        try:
            return parsed_length_m(raw)
        except ParameterError as error:
            raise ParameterError(f"{flag}: {error}") from None
    if isinstance(spec, Number | Count):
        kind = int if isinstance(spec, Count) else float
        try:
            return kind(raw.removesuffix(spec.unit) if isinstance(spec, Number) else raw) if isinstance(raw, str) else raw
        except ValueError:
            unit = f" of {spec.unit}" if isinstance(spec, Number) else ""
            raise ParameterError(f"{flag}: '{raw}' is not a {'whole ' if kind is int else ''}number{unit}.") from None
    if isinstance(spec, Names | Ids | RuleSetsIn):
        return tuple(map(str, raw)) if isinstance(raw, list) else (str(raw),)
    if isinstance(spec, Facts | Weights):
        if not isinstance(raw, Mapping | list):
            raise ParameterError(f"{flag} must be a table of names and values, not {raw!r}.")
        pairs = raw.items() if isinstance(raw, Mapping) else [_pair(flag, str(item)) for item in raw]
        found: dict[str, bool | float] = {}
        for name, text in pairs:
            value = _fact(flag, text) if isinstance(spec, Facts) else _number(flag, text)
            if found.setdefault(name, value) != value:
                raise ParameterError(f"{flag}: {name} is given twice, with two values. Keep one of them.")
        return found
    if not isinstance(raw, str):
        raise ParameterError(f"{flag} must be text, not {raw!r}.")
    return raw


def _pair(flag: str, text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise ParameterError(f"{flag}: '{text}' must be NAME=VALUE.")
    return name.strip(), value.strip()


def _fact(flag: str, value: object) -> bool:
    word = str(value).lower()
    if word not in YES | NO:
        raise ParameterError(f"{flag}: '{value}' must be yes or no.")
    return word in YES


def _number(flag: str, value: object) -> float:
    try:
        return float(str(value))
    except ValueError:
        raise ParameterError(f"{flag}: '{value}' is not a number.") from None
