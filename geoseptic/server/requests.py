"""What an execute request asks for: checked inputs, as the config file of a run has them, and what of the outputs is wanted how."""

import json
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from geoseptic.errors import ParameterError, nearest
from geoseptic.io.rulefiles import shipped_rules
from geoseptic.process import (
    DepthIn,
    ElevationIn,
    FileOut,
    LayerIn,
    LayerOut,
    Length,
    Output,
    Parameter,
    Process,
    RasterOut,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
)
from geoseptic.run import arguments
from geoseptic.run.describe import RUN_OUTPUT, inputs_of, told
from geoseptic.run.mediatypes import GEOJSON

MOST_FEATURES: Final = 20_000
"""Of a layer that a request brings along."""

BESIDE_A_VALUE: Final = frozenset({"value", "mediaType", "encoding", "schema"})


MOST_NAMES: Final = 200
"""Inputs or outputs that a request names."""

MOST_VALUES: Final = 5_000
"""In an input that is no layer."""


class Paths(Protocol):
    """From what a request names to a path; raises ParameterError where it may not be read."""

    def path(self, name: object, what: str, *, folder: bool = False) -> str: ...


@dataclass(frozen=True)
class Asked:
    """A request of which everything was checked that can be before a file is opened.

    config : parameters as in a config file, files by absolute paths. layers : those that came with the request, by parameter.
    values : names of outputs that are wanted in the answer itself. outputs : all that are wanted; None for every one.
    """

    process: str
    config: Mapping[str, Any]
    layers: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    outputs: tuple[str, ...] | None = None
    values: frozenset[str] = frozenset()


def asked(process: Process[..., Any], inputs: object, outputs: object, data: Paths) -> Asked:
    """What `inputs` and `outputs` of a request ask for. Raises ParameterError with every fault of theirs."""
    if not isinstance(inputs, Mapping):
        raise ParameterError("inputs must be an object of names and values.")
    _refuse_many(inputs, "inputs")
    known = inputs_of(process)
    unknown = [name for name in inputs if name not in known]
    if unknown:
        raise ParameterError(f"{process.id} has no input {', '.join(nearest(str(name), known) for name in unknown)}.")
    parameters = {parameter.name: parameter for parameter in told(process)}
    config: dict[str, Any] = {}
    layers: dict[str, Mapping[str, Any]] = {}
    faults: list[str] = []
    for name, given in inputs.items():
        value = _plain(given)
        try:
            if name in parameters and isinstance(parameters[name].spec, LayerIn) and isinstance(value, Mapping):
                layers[name] = _layer(value, name)
                continue
            _refuse_odd(value, name)
            if name not in parameters:
                config[name] = value
            else:
                config[name] = _in_config(parameters[name], value, data)
        except ParameterError as error:
            faults.append(str(error))
    wanted, values = None, frozenset[str]()
    try:
        wanted, values = _outputs(process, outputs)
    except ParameterError as error:
        faults.append(str(error))
    if faults:
        raise ParameterError("\n".join(faults))
    found = Asked(process.id, config, layers, wanted, values)
    arguments.combined(process, config_of(found, dict.fromkeys(layers, "a layer of the request")), {"out": "the job's own folder"})
    return found


def by_reference_alone(out: Output | None) -> bool:
    """Whether it is nothing that an answer in JSON can hold."""
    return isinstance(out, RasterOut) or (isinstance(out, FileOut) and not out.media_type.startswith("text/"))


def config_of(wanted: Asked, layers: Mapping[str, str]) -> dict[str, Any]:
    """The config table of the run, with the files in which the request's own layers are; a new one each time, since a run uses it up."""
    return {**deepcopy(dict(wanted.config)), **layers}


def _plain(given: object) -> object:
    """The value of an input that is given as a value with its format, or as a link."""
    if isinstance(given, Mapping):
        if "value" in given and given.keys() <= BESIDE_A_VALUE:
            return given["value"]
        if "href" in given:
            return given["href"]
    return given


def _in_config(parameter: Parameter, value: object, data: Paths) -> object:
    """The value as a config file would have it."""
    spec, name = parameter.spec, parameter.name
    if isinstance(spec, LayerIn | ElevationIn | DepthIn | SheetIn):
        return data.path(value, name)
    if isinstance(spec, RunIn):
        return data.path(value, name, folder=True)
    if isinstance(spec, RulesIn):
        return _rules(value, name, data)
    if isinstance(spec, RuleSetsIn):
        if not isinstance(value, list):
            raise ParameterError(f"{name} must be a list of rule sets.")
        return [_rules(one, name, data) for one in value]
    if isinstance(spec, Length):
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ParameterError(f"{name} must be a number of metres, not {value!r}.")
        # Checked here, where a number may be anything; a config has lengths as texts.
        return f"{parameter.checked(value)!r}m"
    return value


def _rules(value: object, name: str, data: Paths) -> str:
    return value if isinstance(value, str) and value in shipped_rules() else data.path(value, name)


def _refuse_many(names: Mapping[str, Any], what: str) -> None:
    if len(names) > MOST_NAMES or any(len(name) > MOST_NAMES for name in names):
        raise ParameterError(f"{what}: more than {MOST_NAMES} names, or one of more than {MOST_NAMES} characters.")


def _refuse_odd(value: object, name: str) -> None:
    """Raises ParameterError where the value holds very much, or a text in it a NUL, which ends a path or a text elsewhere."""
    open_ends, seen = [value], 0
    while open_ends:
        one = open_ends.pop()
        seen += 1
        if seen > MOST_VALUES:
            raise ParameterError(f"{name} holds more than {MOST_VALUES:,} values.")
        if isinstance(one, str) and ("\0" in one or len(one) > MOST_VALUES):
            raise ParameterError(f"{name}: a text in it holds a character NUL, or more than {MOST_VALUES:,} characters.")
        if isinstance(one, Mapping):
            open_ends += [*one.keys(), *one.values()]
        elif isinstance(one, list):
            open_ends += one


def _layer(value: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    features = value.get("features")
    if value.get("type") != "FeatureCollection" or not isinstance(features, list):
        raise ParameterError(f"{name} must be the name of a file, or a GeoJSON FeatureCollection.")
    if len(features) > MOST_FEATURES:
        raise ParameterError(
            f"{name}: {len(features):,} features are more than the {MOST_FEATURES:,} that a request may bring. Put them "
            "into the folder of data."
        )
    if not all(isinstance(feature, Mapping) and feature.get("type") == "Feature" for feature in features):
        raise ParameterError(f"{name}: not all of its features are GeoJSON Features.")
    crs = value.get("crs")
    if crs is not None and (not isinstance(crs, Mapping) or crs.get("type") != "name"):
        raise ParameterError(f"{name}: its crs must be of the type name; links are not followed.")
    try:
        json.dumps(value, allow_nan=False)
    except ValueError:
        raise ParameterError(f"{name}: a number in it is not finite.") from None
    return value


def _outputs(process: Process[..., Any], given: object) -> tuple[tuple[str, ...] | None, frozenset[str]]:
    """Names of the outputs that are wanted, None for all, and of those that are wanted in the answer itself."""
    if given is None:
        return None, frozenset()
    if not isinstance(given, Mapping) or not all(isinstance(how, Mapping) for how in given.values()):
        raise ParameterError("outputs must be an object of names and how each is wanted, such as {}.")
    _refuse_many(given, "outputs")
    known = {**process.named_outputs, RUN_OUTPUT: None}
    unknown = [name for name in given if name not in known]
    if unknown:
        raise ParameterError(f"{process.id} has no output {', '.join(nearest(str(name), known) for name in unknown)}.")
    values = set()
    for name, how in given.items():
        form = how.get("format", {})
        media_type = form.get("mediaType") if isinstance(form, Mapping) else form
        mode = how.get("transmissionMode", "value" if media_type == GEOJSON else "reference")
        if mode not in ("value", "reference"):
            raise ParameterError(f"outputs: transmissionMode of {name} must be value or reference.")
        if by_reference_alone(known[name]) and mode == "value":
            raise ParameterError(f"outputs: {name} is handed out by reference alone.")
        if media_type == GEOJSON and (mode != "value" or not isinstance(known[name], LayerOut)):
            raise ParameterError(f"outputs: only layers are GeoJSON, by value; {name} is not wanted so.")
        if mode == "value":
            values.add(name)
    return tuple(given), frozenset(values)
