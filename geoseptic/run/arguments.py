"""A process's command line and config file, made from its declaration: words in, checked values out."""

import argparse
import textwrap
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geoseptic.errors import ParameterError
from geoseptic.model.cautions import CAUTIONS
from geoseptic.process import (
    Choice,
    Count,
    ElevationIn,
    Facts,
    LayerIn,
    Length,
    Names,
    Number,
    Parameter,
    Process,
    RulesIn,
    SheetIn,
    Text,
    Weights,
    parsed_length_m,
)
from geoseptic.units import from_metres

HEIGHT_UNITS = ("m", "ft", "US survey foot")
YES = frozenset({"yes", "true", "1"})
NO = frozenset({"no", "false", "0"})
CELL_SIZE = Parameter("cell_size_m", Length("Cell size of all rasters; default that of the elevation", 0.1, 100.0), False, None)


@dataclass(frozen=True)
class Request:
    """What the user asked for. `values` has every parameter that was given, files still as paths."""

    values: Mapping[str, Any]
    out: Path | None
    overwrite: bool = False
    dry_run: bool = False
    describe: bool = False
    verbosity: int = 0
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    elevation_unit: str | None = None
    cell_size_m: float | None = None


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
    for parameter in process.parameters:
        repeat = isinstance(parameter.spec, Facts | Names | Weights)
        (needed if parameter.required else optional).add_argument(
            parameter.flag,
            dest=parameter.name,
            metavar=_metavar(parameter),
            action="append" if repeat else "store",
            help=_help(parameter).replace("%", "%%"),
        )
    if _has_elevation(process):
        optional.add_argument("--elevation-unit", choices=HEIGHT_UNITS, help="unit of the heights, where the file does not state it")
        optional.add_argument("--cell-size", dest="cell_size_m", metavar="LENGTH", help=CELL_SIZE.title)
    run = made.add_argument_group("run")
    run.add_argument("--out", metavar="DIR", type=Path, help="folder to write to")
    run.add_argument("--overwrite", action="store_true", help="replace outputs that are there")
    run.add_argument("--config", metavar="FILE.toml", type=Path, help="the same parameters as a file; the command line goes first")
    run.add_argument(
        "--columns", metavar="LAYER.COLUMN=NAME", action="append", default=[], help="column NAME of the file is COLUMN; repeatable"
    )
    run.add_argument("--dry-run", action="store_true", help="check the inputs' headers, say what would be done, write nothing")
    run.add_argument("--describe", action="store_true", help="print the OGC API - Processes description and stop")
    run.add_argument("-q", "--quiet", action="store_true", help="no progress")
    run.add_argument("-v", "--verbose", action="store_true", help="progress with seconds")
    return made


def request(process: Process[..., Any], program: str, argv: Sequence[str]) -> Request:
    """Parse `argv` and the config file it names; raises ParameterError, or SystemExit from argparse."""
    given = parser(process, program).parse_args(argv)
    if given.describe:
        return Request({}, None, describe=True)
    config = _config(given.config) if given.config else {}
    columns = {str(layer): dict(mapping) for layer, mapping in config.pop("columns", {}).items()}
    for text in given.columns:
        layer, column, name = _column_mapping(text)
        columns.setdefault(layer, {})[column] = name
    values: dict[str, Any] = {}
    for parameter in process.parameters:
        from_line = getattr(given, parameter.name)
        raw = from_line if from_line is not None else _taken(config, parameter)
        if raw is not None:
            values[parameter.name] = parameter.checked(_value(parameter, raw))
        elif parameter.required:
            raise ParameterError(f"{parameter.flag} is needed: {parameter.title}.")
    settings = {name: getattr(given, name, None) or config.pop(name, None) for name in ("elevation_unit", "cell_size_m", "out")}
    cell_size = settings["cell_size_m"] or config.pop("cell_size", None)
    overwrite = given.overwrite or config.pop("overwrite", False) is True
    if config:
        raise ParameterError(f"{given.config}: {', '.join(sorted(config))} is no parameter of {process.id}.")
    if settings["elevation_unit"] not in (None, *HEIGHT_UNITS):
        raise ParameterError(f"elevation_unit must be one of {', '.join(HEIGHT_UNITS)}.")
    return Request(
        values,
        Path(settings["out"]) if settings["out"] else None,
        overwrite,
        given.dry_run,
        False,
        given.verbose - given.quiet,
        _with_id_columns(process, columns),
        settings["elevation_unit"],
        None if cell_size is None else CELL_SIZE.checked(_value(CELL_SIZE, cell_size)),
    )


def _metavar(parameter: Parameter) -> str:
    spec = parameter.spec
    if isinstance(spec, LayerIn):
        return "FILE[|LAYER]"
    if isinstance(spec, ElevationIn | SheetIn):
        return "FILE"
    if isinstance(spec, Text):
        return "NAME"
    if isinstance(spec, RulesIn):
        return "ID_OR_FILE"
    if isinstance(spec, Length):
        return "LENGTH"
    if isinstance(spec, Choice):
        return "{" + ",".join(spec.options) + "}"
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
    if isinstance(spec, Names):
        return tuple(raw) if isinstance(raw, list) else (str(raw),)
    if isinstance(spec, Facts | Weights):
        pairs = raw if isinstance(raw, Mapping) else dict(_pair(flag, item) for item in raw)
        return {name: _fact(flag, value) if isinstance(spec, Facts) else _number(flag, value) for name, value in pairs.items()}
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


def _column_mapping(text: str) -> tuple[str, str, str]:
    target, equals, name = text.partition("=")
    layer, dot, column = target.partition(".")
    if not (equals and dot and layer and column and name):
        raise ParameterError(f"--columns: '{text}' must be LAYER.COLUMN=NAME, such as parcels.parcel_id=APN.")
    return layer.strip(), column.strip(), name.strip()


def _with_id_columns(process: Process[..., Any], columns: Mapping[str, Mapping[str, str]]) -> dict[str, dict[str, str]]:
    """`id` stands for the contract's own id column; a layer that the process does not have is refused."""
    contracts = {parameter.name: parameter.spec.contract for parameter in process.parameters if isinstance(parameter.spec, LayerIn)}
    unknown = [layer for layer in columns if layer not in contracts]
    if unknown:
        raise ParameterError(f"columns given for {', '.join(unknown)}; {process.id} has the layers {', '.join(contracts)}.")
    found = {}
    for layer, mapping in columns.items():
        own = contracts[layer].id_column
        found[layer] = {own if name == "id" and own else name: column for name, column in mapping.items()}
    return found


def _config(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise ParameterError(f"--config {path} cannot be read: {error.strerror}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ParameterError(f"--config {path} is not TOML: {error}.") from None


def _taken(config: dict[str, Any], parameter: Parameter) -> Any:
    """The parameter's value in the config, under its own name or that of its flag."""
    names = {parameter.name, parameter.flag.removeprefix("--"), parameter.flag.removeprefix("--").replace("-", "_")}
    found = [name for name in names if name in config]
    if len(found) > 1:
        raise ParameterError(f"the config gives {parameter.flag} more than once: {', '.join(sorted(found))}.")
    return config.pop(found[0]) if found else None


def _has_elevation(process: Process[..., Any]) -> bool:
    return any(isinstance(parameter.spec, ElevationIn) for parameter in process.parameters)
