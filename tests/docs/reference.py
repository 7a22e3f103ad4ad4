"""The API reference: which modules are the public surface, and its pages as they are to be."""

import inspect
import json
from pathlib import Path
from typing import Any, Final

from geoseptic.catalog import PROCESSES
from geoseptic.model import layers
from geoseptic.model.layers import Contract
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
    RasterOut,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
    Text,
    Weights,
    files_of,
)
from tests.docs.docstrings import module_as_markdown, text_as_markdown
from tests.house.tree import ROOT

FOLDER: Final = ROOT / "geoseptic" / "docs" / "reference"

MADE: Final = "Made from the docstrings by `python -m tests.docs`; change those and not this page."

PAGES: Final = {
    "model": (
        "What things are: values that are checked once and never change.",
        ("grid", "frame", "planes", "layers", "checking", "rules", "sizing_rules", "soil_rules", "standing_rules", "search_rules",
         "citation", "findings", "results", "legends"),
    ),
    "terrain": (
        "What the ground does: arrays in, new arrays out. Heights in metres, NaN where unknown.",
        ("slope", "conditioning", "drainage", "tileddrain", "flowpath", "wellpaths", "wetness", "rating", "patches", "levels", "parted",
         "spikes", "breaks"),
    ),
    "parcels": (
        "What the law leaves: Shapely arrays with coordinates in metres.",
        ("repair", "buffers", "obstacles", "unrecorded", "zones", "ground", "envelope", "burn", "proof", "fit", "tank", "soilmap",
         "searchareas", "sweep", "aliquots"),
    ),
    "chance": (
        "How sure a place is: spreads of true places, draws of them, exact chances. Arrays in metres.",
        ("errors", "draws", "closed", "slopes", "clear"),
    ),
    "systems": (
        "What a system needs, and what an old one is. SI, percolation in minutes an inch.",
        ("percolation", "sizing", "soils", "gravity", "testholes", "verdict", "triage", "standing", "priority", "findings", "drainage",
         "contradictions", "well_distances"),
    ),
    "io": (
        "Files to values and back: the readers and writers that the processes are called with.",
        ("rasters", "layers", "vectors", "rulefiles", "soilfiles", "searchfiles", "fieldsheets", "findingsheets", "runfolders", "sites",
         "tables"),
    ),
}  # fmt: skip
"""Package -> what it is, and its modules that are of use from outside. The other modules are how these are made."""

ALONE: Final = ("units", "errors", "process")
"""Modules of the package itself, on the page of the processes."""

TYPES: Final[dict[type, str]] = {
    FindingsIn: "DataFrame",
    LayerIn: "GeoDataFrame",
    ElevationIn: "Raster [m]",
    DepthIn: "Raster [m]",
    SheetIn: "readings of a field sheet",
    RulesIn: "RuleSet",
    RuleSetsIn: "tuple of RuleSet",
    RunIn: "FinishedRun",
    Facts: "mapping of names to True or False",
    Names: "tuple of words",
    Ids: "tuple of names",
    Weights: "mapping of names to numbers",
    Text: "text",
}


def pages() -> dict[str, str]:
    """Name of each file of the reference -> its text."""
    found = {"README.md": _index(), "processes.md": _processes(), "layers.md": _layers()}
    for package, (_, modules) in PAGES.items():
        found[f"{package}.md"] = _page(f"geoseptic.{package}", PAGES[package][0], [f"geoseptic.{package}.{name}" for name in modules])
    found["package.md"] = _page("geoseptic", "Units, errors, and how a process is declared.", [f"geoseptic.{name}" for name in ALONE])
    return found


def source_of(module: str) -> str:
    return Path(ROOT, *module.split(".")).with_suffix(".py").read_text(encoding="utf-8")


def _page(title: str, words: str, modules: list[str]) -> str:
    parts = [module_as_markdown(module, source_of(module)) for module in modules]
    links = " · ".join(f"[{module.rpartition('.')[2]}](#{module.replace('.', '')})" for module in modules)
    return "\n".join([f"# {title}\n\n{words}\n\n{MADE}\n\n{links}\n", *parts])


def _index() -> str:
    lines = [f"- [{name}]({name}.md): {PAGES[name][0]}" for name in PAGES]
    return "\n".join(
        [
            "# API reference",
            "",
            MADE,
            "",
            "- [processes](processes.md): what a caller needs first. Functions take layers and rasters and return layers and rasters.",
            "- [layers](layers.md): the columns that each layer may bring.",
            *lines,
            "- [package](package.md): units, errors, and how a process is declared.",
            "",
            "Numbers are SI, and a name of a number ends in its unit. Unknown is NaN in floats and a declared code in integers. What",
            "`horn1981` and the like stand for is said in `geoseptic/data/references.toml`. How exact things are, and what they",
            "cannot know, is in [methods and limits](../methods.md).",
            "",
        ]
    )


def _processes() -> str:
    links = " · ".join(f"[{name}](#{name})" for name in PROCESSES)
    parts = [
        f"# Processes\n\n{MADE}\n\n{links}\n",
        "Each is a function that takes layers, rasters and a rule set, writes nothing, and returns [`Results`](model.md#results):\n"
        '`results["name"]` is the raster, layer or table of that name, `results.warnings` what to doubt, `results.counts` what\n'
        "went in and came out, `results.failures` the parcels of which nothing is known.\n"
        "A value outside of its range raises `ParameterError`.\n",
        *(_process(process) for process in PROCESSES.values()),
    ]
    return "\n".join(parts)


def _process(process: Process[..., Any]) -> str:
    rows = ["| parameter | option | takes | default | |", "|---|---|---|---|---|", *map(_parameter, process.parameters)]
    outputs = ["| output | file | |", "|---|---|---|", *(_output(name, out) for name, out in process.named_outputs.items())]
    text = text_as_markdown(inspect.getdoc(process.function) or "")
    head = f"## {process.id}\n\n{process.title}. `from geoseptic import {process.id}`\n\n{text}\n"
    return "\n".join([head, *rows, "", *outputs, ""])


def _parameter(parameter: Parameter) -> str:
    default = "needed" if parameter.required else f"`{_shown(parameter.default)}`"
    return f"| `{parameter.name}` | `{parameter.flag}` | {_takes(parameter)} | {default} | {_cell(parameter.title)} |"


def _shown(value: Any) -> str:
    return json.dumps(list(value)) if isinstance(value, tuple) else f"{value:g}" if isinstance(value, float) else repr(value)


def _takes(parameter: Parameter) -> str:
    spec = parameter.spec
    if isinstance(spec, Length):
        return f"{spec.low_m:g} to {spec.high_m:g} m"
    if isinstance(spec, Number | Count):
        return f"{spec.low:g} to {spec.high:g} {spec.unit if isinstance(spec, Number) else ''}".strip()
    if isinstance(spec, Choice):
        return _cell(" or ".join(f"`{option}`" for option in spec.options))
    words = TYPES[type(spec)]
    if isinstance(spec, LayerIn):
        words += f" of [{spec.contract.name}](layers.md#{spec.contract.name})"
    if isinstance(spec, Facts | Weights):
        words += ": " + ", ".join(f"`{name}`" for name in spec.names)
    if isinstance(spec, Names):
        words += ": " + ", ".join(f"`{name}`" for name in spec.options)
    return words


def _output(name: str, out: Output) -> str:
    kinds: dict[type, str] = {RasterOut: "raster", LayerOut: "layer", PointsOut: "points", PageOut: "page", FileOut: "file"}
    files = ", ".join(f"`{file}`" for file in files_of(out))
    return f"| `{name}` ({kinds.get(type(out), 'table')}) | {files} | {_cell(out.title)} |"


def _layers() -> str:
    found = {value.name: value for value in vars(layers).values() if isinstance(value, Contract)}
    links = " · ".join(f"[{name}](#{name})" for name in found)
    parts = [
        f"# Layers and their columns\n\n{MADE}\n\n{links}\n",
        "A column that is not needed may be absent, and a cell may be empty: unknown, never none. A `length` has its unit in its name\n"
        "(`_m`, `_ft`) or in a column `NAME_unit`. A `flag` is true or false, yes or no, 1 or 0.\n",
        *(_contract(contract) for contract in found.values()),
    ]
    return "\n".join(parts)


def _contract(contract: Contract) -> str:
    stands = f" Stands for `{contract.feature}` in rule sets." if contract.feature else ""
    head = f"## {contract.name}\n\n{contract.title}. Geometry: {contract.geometry}.{stands}\n"
    rows = [
        f"| `{column.name}` | {column.kind}{', needed' if column.required else ''} | {_cell(column.meaning)}"
        f"{_choices(column.choices)} | {', '.join(f'`{name}`' for name in (*column.aliases, *column.guesses))} |"
        for column in contract.columns
    ]
    return "\n".join([head, *(["| column | kind | | also known as |", "|---|---|---|---|", *rows, ""] if rows else ["No columns.\n"])])


def _choices(options: tuple[str, ...]) -> str:
    return ": " + ", ".join(f"`{option}`" for option in options) if options else ""


def _cell(text: str) -> str:
    return text.replace("|", r"\|").replace("*", r"\*").replace("<", "&lt;").replace("\n", " ")
