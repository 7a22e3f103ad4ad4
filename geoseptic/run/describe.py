"""A process as an OGC API - Processes description (OGC 18-062r2, process description)."""

from collections.abc import Mapping
from typing import Any

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

GEOTIFF = "image/tiff; application=geotiff; profile=cloud-optimized"
GEOPACKAGE = "application/geopackage+sqlite3"
CSV = "text/csv"
GPX = "application/gpx+xml"
MARKDOWN = "text/markdown"


def description(process: Process[..., Any], version: str) -> dict[str, Any]:
    """The description as a JSON-ready mapping."""
    return {
        "id": process.id,
        "title": process.title,
        "description": process.summary,
        "version": version,
        "jobControlOptions": ["sync-execute", "async-execute"],
        "outputTransmission": ["reference"],
        "inputs": {parameter.name: _input(parameter) for parameter in process.parameters},
        "outputs": {
            out.name: {
                "title": out.title,
                "schema": _output_schema(out),
            }
            for out in process.outputs
        },
    }


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
    media_type = GEOPACKAGE if isinstance(out, LayerOut) else GEOTIFF
    return {"type": "string", "contentEncoding": "binary", "contentMediaType": media_type}


def _input(parameter: Parameter) -> dict[str, Any]:
    schema = _schema(parameter)
    if parameter.default is not None:
        schema["default"] = list(parameter.default) if isinstance(parameter.default, tuple) else parameter.default
    found: dict[str, Any] = {"title": parameter.title, "schema": schema, "minOccurs": int(parameter.required), "maxOccurs": 1}
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
        return {"oneOf": [{"type": "object", "format": "geojson-feature-collection"}, {"type": "string", "contentMediaType": CSV}]}
    if isinstance(spec, LayerIn):
        return {"type": "object", "format": "geojson-feature-collection"}
    if isinstance(spec, ElevationIn | DepthIn):
        return {"type": "string", "contentEncoding": "binary", "contentMediaType": "image/tiff; application=geotiff"}
    if isinstance(spec, SheetIn):
        return {"type": "string", "contentMediaType": CSV}
    if isinstance(spec, Text):
        return {"type": "string", "minLength": 1, "maxLength": spec.longest}
    if isinstance(spec, RulesIn | RunIn):
        return {"type": "string"}
    if isinstance(spec, RuleSetsIn):
        return {"type": "array", "items": {"type": "string"}, "uniqueItems": True}
    if isinstance(spec, Length):
        return {"type": "number", "minimum": spec.low_m, "maximum": spec.high_m, "x-unit": "m"}
    if isinstance(spec, Number):
        return {"type": "number", "minimum": spec.low, "maximum": spec.high, "x-unit": spec.unit}
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


def _mapping(names: tuple[str, ...], value: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "object", "properties": {name: dict(value) for name in names}, "additionalProperties": False}
