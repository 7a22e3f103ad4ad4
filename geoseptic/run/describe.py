"""A process as an OGC API - Processes description (OGC 18-062r2, process description).

The standard's schema lets a schema have no words of its own, so a unit stands among the additional parameters of an input.
"""

from collections.abc import Mapping
from typing import Any

from geoseptic.model.cautions import SCREENING_AID
from geoseptic.process import (
    Choice,
    Count,
    DepthIn,
    ElevationIn,
    Facts,
    FileOut,
    FindingsIn,
    Ids,
    LayerIn,
    LayerOut,
    Length,
    Names,
    Number,
    Output,
    PageOut,
    Parameter,
    PointsOut,
    Process,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
    TableOut,
    Text,
    Weights,
)
from geoseptic.run import mappings
from geoseptic.run.config import told_parameters
from geoseptic.run.mediatypes import CSV, GEOJSON, GEOPACKAGE, GEOTIFF, GPX, JSON, MARKDOWN

RUN_OUTPUT = "run"
RUN = "Record of the run: inputs with hashes, rule set, parameters, counts, repairs, warnings, cautions"


def description(process: Process[..., Any], version: str) -> dict[str, Any]:
    """The description as a JSON-ready mapping."""
    return {
        "id": process.id,
        "title": process.title,
        "description": f"{process.summary} {SCREENING_AID}",
        "version": version,
        "jobControlOptions": ["sync-execute", "async-execute", "dismiss"],
        "outputTransmission": ["reference", "value"],
        "inputs": inputs_of(process),
        "outputs": {
            **{name: {"title": out.title, "schema": _output_schema(out)} for name, out in process.named_outputs.items()},
            RUN_OUTPUT: {"title": RUN, "schema": {"type": "object", "contentMediaType": JSON}},
        },
    }


def inputs_of(process: Process[..., Any]) -> dict[str, Any]:
    """All that a host may ask for, by name."""
    return {**{parameter.name: _input(parameter) for parameter in told(process)}, **_stated(process)}


def told(process: Process[..., Any]) -> tuple[Parameter, ...]:
    """The parameters that a host asks for; how many cores of its own it gives is not among them."""
    return (*(parameter for parameter in process.parameters if parameter.name != "workers"), *told_parameters(process))


def _stated(process: Process[..., Any]) -> dict[str, Any]:
    """What is stated of the names and words in the files of the layers, as in a config file."""
    if not any(isinstance(parameter.spec, LayerIn) for parameter in process.parameters):
        return {}
    return {
        name: {"title": title, "schema": _nested(depth), "minOccurs": 0, "maxOccurs": 1} for name, (title, depth) in mappings.STATED.items()
    }


def _nested(depth: int) -> dict[str, Any]:
    """Mappings in mappings, so many of them, with texts at the end."""
    return {"type": "string"} if depth == 0 else {"type": "object", "additionalProperties": _nested(depth - 1)}


def _output_schema(out: Output) -> dict[str, Any]:
    if isinstance(out, TableOut):
        return {"type": "string", "contentMediaType": CSV}
    if isinstance(out, PageOut):
        return {"type": "string", "contentMediaType": MARKDOWN}
    if isinstance(out, PointsOut):
        return {"type": "string", "contentMediaType": GPX}
    if isinstance(out, FileOut):
        text = {} if out.media_type.startswith("text/") else {"contentEncoding": "binary"}
        return {"type": "string", **text, "contentMediaType": out.media_type}
    if isinstance(out, LayerOut):
        return {"oneOf": [_file(GEOPACKAGE), _geojson()]}
    return _file(GEOTIFF)


def _file(media_type: str) -> dict[str, Any]:
    return {"type": "string", "contentEncoding": "binary", "contentMediaType": media_type}


def _geojson() -> dict[str, Any]:
    return {"type": "object", "format": "geojson-feature-collection", "contentMediaType": GEOJSON}


def _input(parameter: Parameter) -> dict[str, Any]:
    schema = _schema(parameter)
    if parameter.default is not None:
        schema["default"] = list(parameter.default) if isinstance(parameter.default, tuple) else parameter.default
    found: dict[str, Any] = {"title": parameter.title, "schema": schema, "minOccurs": int(parameter.required), "maxOccurs": 1}
    if isinstance(parameter.spec, Length | Number):
        unit = "m" if isinstance(parameter.spec, Length) else parameter.spec.unit
        found["additionalParameters"] = {"title": "Unit", "parameters": [{"name": "unit", "value": [unit]}]}
    if isinstance(parameter.spec, LayerIn):
        columns = [
            f"{column.name}{' (required)' if column.required else ''}: {column.meaning}" for column in parameter.spec.contract.columns
        ]
        if columns:
            found["description"] = "Columns: " + "; ".join(columns)
    return found


def _schema(parameter: Parameter) -> dict[str, Any]:
    spec = parameter.spec
    if isinstance(spec, FindingsIn):
        return {"oneOf": [_geojson(), _named("FILE.csv, FILE or FILE|LAYER")]}
    if isinstance(spec, LayerIn):
        return {"oneOf": [_geojson(), _named("FILE or FILE|LAYER")]}
    if isinstance(spec, ElevationIn | DepthIn):
        return {**_named("FILE"), "contentMediaType": "image/tiff; application=geotiff"}
    if isinstance(spec, SheetIn):
        return {**_named("FILE"), "contentMediaType": CSV}
    if isinstance(spec, Text):
        return {"type": "string", "minLength": 1, "maxLength": spec.longest}
    if isinstance(spec, RulesIn):
        return {"type": "string"}
    if isinstance(spec, RunIn):
        return _named("FOLDER of a finished run")
    if isinstance(spec, RuleSetsIn):
        return {"type": "array", "items": {"type": "string"}, "uniqueItems": True}
    if isinstance(spec, Length):
        return {"type": "number", "minimum": spec.low_m, "maximum": spec.high_m}
    if isinstance(spec, Number):
        return {"type": "number", "minimum": spec.low, "maximum": spec.high}
    if isinstance(spec, Count):
        return {"type": "integer", "minimum": spec.low, "maximum": spec.high}
    if isinstance(spec, Choice):
        return {"type": "string", "enum": list(spec.options)}
    if isinstance(spec, Ids):
        return {"type": "array", "items": {"type": "string", "minLength": 1, "maxLength": spec.longest}, "uniqueItems": True}
    if isinstance(spec, Names):
        return {"type": "array", "items": {"type": "string", "enum": list(spec.options)}, "uniqueItems": True}
    if isinstance(spec, Facts):
        return _mapping(spec.names, {"type": "boolean"})
    assert isinstance(spec, Weights)
    return _mapping(spec.names, {"type": "number", "minimum": 0})


def _named(form: str) -> dict[str, Any]:
    return {"type": "string", "description": f"{form}, by its name in the host's folder of data"}


def _mapping(names: tuple[str, ...], value: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "object", "properties": {name: dict(value) for name in names}, "additionalProperties": False}
