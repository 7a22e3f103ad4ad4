"""What the toolbox knows of the processes: their declarations, ready for JSON."""

from typing import Any

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import shipped_rules
from geoseptic.model.cautions import CAUTIONS
from geoseptic.process import (
    Choice,
    Count,
    DepthIn,
    ElevationIn,
    Facts,
    Ids,
    LayerIn,
    LayerOut,
    Length,
    Names,
    Number,
    Output,
    Parameter,
    Process,
    RasterOut,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
    Weights,
    files_of,
)
from geoseptic.run.config import SECTIONS_FILE, run_parameters, told_parameters
from geoseptic.run.version import version


def declared(python: str, folder: str | None) -> dict[str, Any]:
    """All processes; `python` is the interpreter that has geoseptic, `folder` where it lies if that does not know it by itself."""
    return {
        "version": version(),
        "python": python,
        "folder": folder,
        "notice": CAUTIONS[0],
        "processes": [_process(process) for process in PROCESSES.values()],
    }


def _process(process: Process[..., Any]) -> dict[str, Any]:
    # The user of a desktop is the user of the machine, so its cores are a matter of theirs; a database and kept results are not asked for.
    files = [parameter for parameter in run_parameters(process) if parameter in (*told_parameters(process), SECTIONS_FILE)]
    return {
        "id": process.id,
        "title": process.title,
        "summary": process.summary,
        "parameters": [_parameter(parameter) for parameter in (*process.parameters, *files)],
        "outputs": [_output(name, out) for name, out in process.named_outputs.items()],
    }


def _parameter(parameter: Parameter) -> dict[str, Any]:
    default = parameter.default
    return {
        "name": parameter.name,
        "flag": parameter.flag,
        "title": parameter.title,
        "required": parameter.required,
        "default": list(default) or None if isinstance(default, tuple) else default,
        **_kind(parameter),
    }


def _kind(parameter: Parameter) -> dict[str, Any]:
    """Which field it has, and what of its declaration that needs."""
    spec = parameter.spec
    if isinstance(spec, LayerIn):
        return {"kind": "layer", "geometry": spec.contract.geometry}
    if isinstance(spec, ElevationIn | DepthIn):
        return {"kind": "raster"}
    if isinstance(spec, SheetIn):
        return {"kind": "file"}
    if isinstance(spec, RunIn):
        return {"kind": "folder"}
    if isinstance(spec, RulesIn):
        return {"kind": "text", "title": f"{spec.title} ({', '.join(shipped_rules())})"}
    if isinstance(spec, RuleSetsIn):
        return {"kind": "names", "options": list(shipped_rules())}
    if isinstance(spec, Length):
        return {"kind": "number", "low": spec.low_m, "high": spec.high_m, "unit": "m", "suffix": "m"}
    if isinstance(spec, Number):
        return {"kind": "number", "low": spec.low, "high": spec.high, "unit": spec.unit, "suffix": ""}
    if isinstance(spec, Count):
        return {"kind": "count", "low": spec.low, "high": spec.high, "unit": "", "suffix": ""}
    if isinstance(spec, Choice):
        return {"kind": "choice", "options": list(spec.options)}
    if isinstance(spec, Names):
        return {"kind": "names", "options": list(spec.options)}
    if isinstance(spec, Facts):
        return {"kind": "facts", "options": list(spec.names)}
    if isinstance(spec, Weights):
        return {"kind": "weights", "options": list(spec.names)}
    return {"kind": "texts" if isinstance(spec, Ids) else "text"}


def _output(name: str, out: Output) -> dict[str, Any]:
    kind = "raster" if isinstance(out, RasterOut) else "layer" if isinstance(out, LayerOut) else "file"
    return {"name": name, "kind": kind, "title": out.title, "file": files_of(out)[0], "layer": out.name if kind == "layer" else None}
