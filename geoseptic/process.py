"""A process is declared once: its signature is the function, the command line, the description for other hosts and the range checks.

This module and the declarations import nothing heavy, so that `--help` answers at once.
"""

import inspect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Generic, ParamSpec, TypeVar

from geoseptic.errors import ParameterError, nearest
from geoseptic.model.layers import Contract
from geoseptic.units import METRES_PER_UNIT, from_metres

P = ParamSpec("P")
R = TypeVar("R")

BYTES_A_CELL: Final = 115
"""Memory in use for each cell of rasters in memory, at the worst moment of the process that takes most."""


@dataclass(frozen=True)
class LayerIn:
    """A vector layer that holds `contract`."""

    contract: Contract
    title: str = ""


@dataclass(frozen=True)
class FindingsIn(LayerIn):
    """Findings of an inspection: a vector layer that holds `contract`, or a CSV sheet, whose records may have no place."""


@dataclass(frozen=True)
class ElevationIn:
    """A raster of ground heights; the file's own vertical unit is read or stated."""

    title: str = "Ground elevation"


@dataclass(frozen=True)
class DepthIn:
    """A raster of depths below the ground; the file's own vertical unit is read or stated, as for the elevation."""

    title: str


@dataclass(frozen=True)
class SheetIn:
    """A percolation field sheet: a CSV file of readings."""

    title: str = "Percolation field sheet: CSV with hole, time, depth_to_water_in or depth_to_water_cm, refilled"


@dataclass(frozen=True)
class RulesIn:
    """A rule set: an id of a shipped one, or a TOML file. `setbacks` is whether it must have distances from wells."""

    title: str = "Rule set: the id of a shipped one, or a TOML file"
    setbacks: bool = True


@dataclass(frozen=True)
class RuleSetsIn:
    """Any number of rule sets, each as for RulesIn; repeatable."""

    title: str


@dataclass(frozen=True)
class RunIn:
    """The folder of a finished run of the process `process`."""

    process: str
    title: str


@dataclass(frozen=True)
class Length:
    """A length in metres; on a command line with its unit, such as 1000ft or 305m."""

    title: str
    low_m: float
    high_m: float


@dataclass(frozen=True)
class Number:
    """A number within limits, in `unit`; on a command line its unit may follow it, such as '12 min/in'."""

    title: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True)
class Count:
    """A whole number within limits."""

    title: str
    low: int
    high: int


@dataclass(frozen=True)
class Choice:
    """One of a few words."""

    title: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class Facts:
    """Conditions that the user states, name -> true or false; repeatable NAME=yes or NAME=no."""

    title: str
    names: tuple[str, ...]


@dataclass(frozen=True)
class Names:
    """Any of a set of words; repeatable."""

    title: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class Ids:
    """Identifiers of the user's own, such as those of parcels; repeatable."""

    title: str
    longest: int


@dataclass(frozen=True)
class Weights:
    """Name -> weight, not negative, not all zero; repeatable NAME=NUMBER."""

    title: str
    names: tuple[str, ...]


@dataclass(frozen=True)
class Text:
    """A few words of the user's own, such as a name in the rule set."""

    title: str
    longest: int


Spec = (
    LayerIn
    | ElevationIn
    | DepthIn
    | SheetIn
    | RulesIn
    | RuleSetsIn
    | RunIn
    | Length
    | Number
    | Count
    | Choice
    | Facts
    | Names
    | Ids
    | Weights
    | Text
)
SPECS: Final = (
    LayerIn,
    ElevationIn,
    DepthIn,
    SheetIn,
    RulesIn,
    RuleSetsIn,
    RunIn,
    Length,
    Number,
    Count,
    Choice,
    Facts,
    Names,
    Ids,
    Weights,
    Text,
)


@dataclass(frozen=True)
class Parameter:
    """One parameter of a process."""

    name: str
    spec: Spec
    required: bool
    default: Any

    @property
    def flag(self) -> str:
        """Its name on a command line; the unit of a length or number is part of the value there."""
        stem = self.name.removesuffix("_m") if isinstance(self.spec, Length) else self.name
        if isinstance(self.spec, Number):
            stem = stem.removesuffix("_" + self.spec.unit.replace("/", "_per_"))
        return "--" + stem.replace("_", "-")

    @property
    def title(self) -> str:
        if isinstance(self.spec, LayerIn):
            return self.spec.title or self.spec.contract.title
        return self.spec.title

    def checked(self, value: Any) -> Any:
        """`value` if it is in the declared range; raises ParameterError naming the parameter, the value and the range."""
        spec = self.spec
        if value is None and not self.required:
            return None
        if isinstance(spec, Length):
            return self._in_range(value, spec.low_m, spec.high_m, "m")
        if isinstance(spec, Number):
            return self._in_range(value, spec.low, spec.high, spec.unit)
        if isinstance(spec, Count):
            if not isinstance(value, int) or isinstance(value, bool):
                raise ParameterError(f"{self.flag} must be a whole number from {spec.low} to {spec.high}, not {value!r}.")
            self._in_range(value, spec.low, spec.high, "")
        if isinstance(spec, Choice) and value not in spec.options:
            raise ParameterError(f"{self.flag} must be one of {', '.join(spec.options)}, not '{value}'.")
        if isinstance(spec, Text):
            self._refuse_words(value, spec.longest)
        if isinstance(spec, Facts):
            self._known(value, spec.names)
            wrong = [name for name, holds in value.items() if not isinstance(holds, bool)]
            if wrong:
                raise ParameterError(f"{self.flag}: {', '.join(wrong)} must be yes or no.")
        if isinstance(spec, Names):
            self._known(value, spec.options)
            if not value and self.default:
                raise ParameterError(f"{self.flag} names nothing. Leave it out, or use any of {', '.join(spec.options)}.")
            return tuple(dict.fromkeys(value))
        if isinstance(spec, Ids):
            for name in value:
                self._refuse_words(name, spec.longest)
        if isinstance(spec, Weights):
            self._known(value, spec.names)
            numbers = [self._in_range(weight, 0.0, 1000.0, "") for weight in value.values()]
            if set(value) != set(spec.names) or sum(numbers) <= 0:
                raise ParameterError(f"{self.flag} needs a weight for each of {', '.join(spec.names)}, not all of them zero.")
        return value

    def _known(self, given: Mapping[str, Any] | tuple[str, ...], options: tuple[str, ...]) -> None:
        unknown = [nearest(str(name), options) for name in given if name not in options]
        if unknown:
            raise ParameterError(f"{self.flag}: {', '.join(unknown)} is not known. Use any of {', '.join(options)}.")

    def _refuse_words(self, value: Any, longest: int) -> None:
        if not isinstance(value, str) or not value.strip() or len(value) > longest or not value.isprintable():
            raise ParameterError(f"{self.flag} must be a name of 1 to {longest} characters.")

    def _in_range(self, value: Any, low: float, high: float, unit: str) -> float:
        wanted = f"{self.flag} must be a number from {low:g} to {high:g} {unit}".rstrip()
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ParameterError(f"{wanted}, not {value!r}.")
        try:
            number = float(value)
        except OverflowError:
            raise ParameterError(f"{wanted}, not one of {len(str(abs(value)))} digits.") from None
        if not math.isfinite(number) or not low <= number <= high:
            feet = f" ({from_metres(number, 'ft'):g} ft)" if unit == "m" and math.isfinite(number) else ""
            raise ParameterError(f"{wanted}, not {number:g}{feet}.")
        return number


@dataclass(frozen=True)
class RasterOut:
    """A raster that the process writes as NAME.tif."""

    name: str
    title: str


@dataclass(frozen=True)
class LayerOut:
    """A layer NAME of FILE.gpkg that the process writes."""

    file: str
    name: str
    title: str


@dataclass(frozen=True)
class TableOut:
    """A table that the process writes as NAME.csv, and as NAME.md where people are to read it as it is."""

    name: str
    title: str
    markdown: bool = False


@dataclass(frozen=True)
class PageOut:
    """A text to be read, which the process writes as NAME.md, and as NAME.html where it is sent to people."""

    name: str
    title: str
    html: bool = False


@dataclass(frozen=True)
class PointsOut:
    """Points for a phone or a GPS receiver that the process writes as NAME.gpx."""

    name: str
    title: str


@dataclass(frozen=True)
class FileOut:
    """A file that the process writes under the name `name`, with its ending, in the format `media_type`.

    One with a `*` in its name is written for each of several things, whose names stand in its place.
    """

    name: str
    title: str
    media_type: str


Output = RasterOut | LayerOut | TableOut | PageOut | PointsOut | FileOut


@dataclass(frozen=True)
class Process(Generic[P, R]):
    """A declared process; calling it checks every parameter's range and runs its function."""

    id: str
    title: str
    summary: str
    outputs: tuple[Output, ...]
    parameters: tuple[Parameter, ...]
    function: Callable[P, R]
    example: str
    takes_refused: bool = False
    """Whether it takes a `Refused` in place of an input that could not be read; other processes are not called then."""
    sizes_lots: bool = False
    """Whether it sizes a field for each of its parcels, by what is on record of them."""
    bytes_a_cell: int = BYTES_A_CELL
    """Memory that it has in use at the worst moment for each cell of rasters in memory."""

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        bound = inspect.signature(self.function).bind(*args, **kwargs)
        for parameter in self.parameters:
            if parameter.name in bound.arguments:
                bound.arguments[parameter.name] = parameter.checked(bound.arguments[parameter.name])
        return self.function(*bound.args, **bound.kwargs)

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files it writes, some with a `*`."""
        return tuple(dict.fromkeys(name for out in self.outputs for name in files_of(out)))

    @property
    def named_outputs(self) -> dict[str, Output]:
        """Its outputs by names of which each is there once: a layer keeps its own, another one of that name gets its file's ending."""
        layers = {out.name for out in self.outputs if isinstance(out, LayerOut)}
        found: dict[str, Output] = {}
        for out in self.outputs:
            taken = out.name in (found if isinstance(out, LayerOut) else layers | set(found))
            name = f"{out.name}_{files_of(out)[0].rpartition('.')[2]}" if taken else out.name
            if name in found:
                raise TypeError(f"{self.id}: two outputs are called {name}")
            found[name] = out
        return found


def files_of(out: Output) -> tuple[str, ...]:
    """Names of the files that hold an output."""
    if isinstance(out, RasterOut):
        return (f"{out.name}.tif",)
    if isinstance(out, PointsOut):
        return (f"{out.name}.gpx",)
    if isinstance(out, FileOut):
        return (out.name,)
    if isinstance(out, PageOut):
        return (f"{out.name}.md", f"{out.name}.html") if out.html else (f"{out.name}.md",)
    if isinstance(out, LayerOut):
        return (f"{out.file}.gpkg",)
    return (f"{out.name}.csv", f"{out.name}.md") if out.markdown else (f"{out.name}.csv",)


def process(
    *,
    id: str,
    title: str,
    outputs: tuple[Output, ...],
    example: str,
    takes_refused: bool = False,
    sizes_lots: bool = False,
    bytes_a_cell: int = BYTES_A_CELL,
) -> Callable[[Callable[P, R]], Process[P, R]]:
    """Declare the decorated function as a process. Its docstring's first paragraph is the summary."""

    def declare(function: Callable[P, R]) -> Process[P, R]:
        parameters = []
        for name, argument in inspect.signature(function).parameters.items():
            spec = next((item for item in getattr(argument.annotation, "__metadata__", ()) if isinstance(item, SPECS)), None)
            if spec is None:
                raise TypeError(f"{id}: parameter {name} has no declaration")
            required = argument.default is inspect.Parameter.empty
            parameters.append(Parameter(name, spec, required, None if required else argument.default))
        summary = " ".join(inspect.cleandoc(function.__doc__ or "").split("\n\n")[0].split())
        return Process(id, title, summary, outputs, tuple(parameters), function, example, takes_refused, sizes_lots, bytes_a_cell)

    return declare


def parsed_length_m(text: str) -> float:
    """A length such as '1000ft', '1000 ft' or '305m' in metres; raises ParameterError where number or unit is missing."""
    stripped = text.strip()
    number = stripped.rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ ")
    unit = stripped[len(number) :].strip()
    try:
        value = float(number)
    except ValueError:
        raise ParameterError(f"'{text}' is not a length. Write a number and its unit, such as 100ft or 30m.") from None
    if unit not in METRES_PER_UNIT:
        raise ParameterError(f"'{text}' has no unit. Write {number.strip()}ft or {number.strip()}m.")
    return value * METRES_PER_UNIT[unit]
