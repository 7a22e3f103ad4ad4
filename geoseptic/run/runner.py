"""Does a run: reads what was asked for, calls the process, writes beside and renames at the end."""

import hashlib
import json
import logging
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pyproj import CRS, Transformer

from geoseptic.errors import OutputExistsError, ParameterError
from geoseptic.io import fieldsheets, rulefiles
from geoseptic.io import layers as layer_files
from geoseptic.io import rasters as raster_files
from geoseptic.io import tables as table_files
from geoseptic.io import vectors as vector_files
from geoseptic.model.cautions import CAUTIONS
from geoseptic.model.frame import Frame
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from geoseptic.process import ElevationIn, LayerIn, Process, RulesIn, SheetIn
from geoseptic.processes.land import NEAR_M
from geoseptic.run.arguments import Request
from geoseptic.stages import LOGGER, stage

MANIFEST = "run.json"

READ_WHOLE = ("parcels", "wells")
"""Layers of which a record without a shape, or far off but roughly placed, must not go unseen."""


def run(process: Process[..., Any], wanted: Request, version: str) -> dict[str, Any]:
    """Run `process` as `wanted` and return the summary. Raises GeosepticError; then nothing was written."""
    if wanted.out is None:
        raise ParameterError("--out is needed: the folder to write to.")
    _refuse_existing(process, wanted)
    with _listening(wanted.verbosity) as seconds:
        started = time.time()
        rules = _rules(process, wanted)
        if wanted.dry_run:
            return _plan(process, wanted, rules)
        values = _read(process, wanted, rules)
        results = process(**values)
        with stage("writing"):
            manifest = _manifest(process, wanted, rules, results, version, started, seconds)
            written = _write(wanted.out, results, manifest)
    return {
        "process": process.id,
        "status": "done, some parcels failed" if results.failures else "done",
        "out": str(wanted.out),
        "outputs": written,
        "counts": {name: count for name, count in results.counts.items() if isinstance(count, int)},
        "warnings": list(results.warnings),
        "failures": len(results.failures),
        "seconds": round(time.time() - started, 2),
        "notice": CAUTIONS[0],
    }


def _rules(process: Process[..., Any], wanted: Request) -> RuleSet | None:
    name = next((parameter.name for parameter in process.parameters if isinstance(parameter.spec, RulesIn)), None)
    return rulefiles.load_rules(wanted.values[name]) if name else None


def _read(process: Process[..., Any], wanted: Request, rules: RuleSet | None) -> dict[str, Any]:
    """Every parameter's value; files become what they hold. The elevation comes first: it says what is near."""
    values = dict(wanted.values)
    near = _near(process, wanted)
    for parameter in process.parameters:
        if parameter.name not in values:
            continue
        given = values[parameter.name]
        if isinstance(parameter.spec, RulesIn):
            values[parameter.name] = rules
        elif isinstance(parameter.spec, SheetIn):
            with stage(f"reading {parameter.name}"):
                values[parameter.name] = fieldsheets.read_field_sheet(given)
        elif isinstance(parameter.spec, ElevationIn):
            with stage(f"reading {parameter.name}"):
                values[parameter.name] = raster_files.read_elevation(given, unit=wanted.elevation_unit, cell_size_m=wanted.cell_size_m)
        elif isinstance(parameter.spec, LayerIn):
            contract = parameter.spec.contract
            with stage(f"reading {parameter.name}"):
                values[parameter.name] = layer_files.read_layer(
                    given, contract, wanted.columns.get(parameter.name), None if contract.name in READ_WHOLE else near
                )
    return values


def _near(process: Process[..., Any], wanted: Request) -> tuple[layer_files.Bounds, CRS] | None:
    """Where features can matter: round the parcels and the elevation."""
    frame, bounds = None, []
    for parameter in process.parameters:
        if isinstance(parameter.spec, ElevationIn) and parameter.name in wanted.values:
            grid = raster_files.read_grid(wanted.values[parameter.name], parameter.name)
            frame = grid.frame
            bounds.append(grid.bounds)
    if "parcels" in wanted.values:
        own, crs = layer_files.layer_bounds(wanted.values["parcels"], "parcels")
        if frame is None:
            frame = Frame.of(crs, "parcels", wanted.values["parcels"])
        change = Transformer.from_crs(crs, frame.crs, always_xy=True)
        bounds.append(change.transform_bounds(*own, densify_pts=21))
    if frame is None:
        return None
    margin = NEAR_M / frame.metres_per_unit
    left, bottom = (min(box[side] for box in bounds) - margin for side in (0, 1))
    right, top = (max(box[side] for box in bounds) + margin for side in (2, 3))
    return (left, bottom, right, top), frame.crs


def _plan(process: Process[..., Any], wanted: Request, rules: RuleSet | None) -> dict[str, Any]:
    """What a run would do, from the headers of the inputs."""
    inputs: dict[str, Any] = {}
    for parameter in process.parameters:
        given = wanted.values.get(parameter.name)
        if given is None:
            continue
        if isinstance(parameter.spec, ElevationIn):
            grid = raster_files.read_grid(given, parameter.name)
            inputs[parameter.name] = {"file": given, "rows": grid.shape[0], "cols": grid.shape[1], "crs": grid.frame.name}
        elif isinstance(parameter.spec, SheetIn):
            inputs[parameter.name] = {"file": given, "readings": len(fieldsheets.read_field_sheet(given))}
        elif isinstance(parameter.spec, LayerIn):
            bounds, crs = layer_files.layer_bounds(given, parameter.name)
            inputs[parameter.name] = {"file": given, "bounds": bounds, "crs": crs.to_string()}
    _near(process, wanted)
    return {
        "process": process.id,
        "status": "dry run: nothing was written",
        "inputs": inputs,
        "rules": rules.title if rules else None,
        "out": str(wanted.out),
        "outputs": [*process.files, MANIFEST],
    }


def _refuse_existing(process: Process[..., Any], wanted: Request) -> None:
    assert wanted.out is not None
    there = [name for name in (*process.files, MANIFEST) if (wanted.out / name).exists()]
    if there and not wanted.overwrite:
        raise OutputExistsError(str(wanted.out), there)


def _write(out: Path, results: Results, manifest: Mapping[str, Any]) -> list[str]:
    """Write all outputs beside, then rename them; the manifest comes last, so a folder with one is whole."""
    out.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=".geoseptic-partial-", dir=out))
    try:
        for raster in results.rasters:
            raster_files.write_raster(
                partial / f"{raster.name}.tif",
                raster.raster,
                raster.legend,
                unit=raster.unit,
                title=raster.title,
                description=raster.description,
                tags=raster.tags,
            )
        files = dict.fromkeys(layer.file for layer in results.layers)
        for name in files:
            vector_files.write_layers(
                partial / f"{name}.gpkg",
                [
                    vector_files.LayerToWrite(layer.name, layer.frame, layer.legend, layer.title, layer.description, layer.notes)
                    for layer in results.layers
                    if layer.file == name
                ],
            )
        for table in results.tables:
            table_files.write_table(partial / f"{table.name}.csv", table)
        names = sorted(path.name for path in partial.iterdir())
        (partial / MANIFEST).write_text(json.dumps({**manifest, "outputs": names}, indent=2) + "\n", encoding="utf-8")
        (out / MANIFEST).unlink(missing_ok=True)
        for name in (*names, MANIFEST):
            (partial / name).replace(out / name)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return [*names, MANIFEST]


def _manifest(
    process: Process[..., Any],
    wanted: Request,
    rules: RuleSet | None,
    results: Results,
    version: str,
    started: float,
    seconds: Mapping[str, float],
) -> dict[str, Any]:
    inputs = {}
    for parameter in process.parameters:
        given = wanted.values.get(parameter.name)
        if given is not None and isinstance(parameter.spec, LayerIn | ElevationIn | SheetIn):
            path, layer = (given, None) if isinstance(parameter.spec, SheetIn) else layer_files.split_source(given)
            inputs[parameter.name] = {"file": path, "layer": layer, **_digest(Path(path))}
    plain = {
        parameter.name: wanted.values.get(parameter.name, parameter.default)
        for parameter in process.parameters
        if not isinstance(parameter.spec, LayerIn | ElevationIn | SheetIn)
    }
    return {
        "process": process.id,
        "geoseptic": version,
        "started": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(started)),
        "seconds_by_stage": {name: round(value, 3) for name, value in seconds.items()},
        "inputs": inputs,
        "columns": wanted.columns,
        "parameters": {**plain, "elevation_unit": wanted.elevation_unit, "cell_size_m": wanted.cell_size_m},
        "rules": _rules_record(rules) if rules else None,
        "counts": results.counts,
        "tables": {table.name: table.records for table in results.tables},
        "repairs": results.repairs,
        "failures": results.failures,
        "warnings": results.warnings,
        "cautions": CAUTIONS,
    }


def _rules_record(rules: RuleSet) -> dict[str, Any]:
    return {
        "id": rules.id,
        "title": rules.title,
        "edition": rules.edition,
        "summary": rules.summary,
        "extends": rules.extends,
        "citations": {citation.key: {"text": str(citation), "address": citation.address} for citation in rules.citations},
        "sizing_citations": {citation.key: {"text": str(citation), "address": citation.address} for citation in rules.sizing.citations},
    }


def _digest(path: Path) -> dict[str, Any]:
    """Size and SHA-256 of a file, or of all files of a folder in the order of their names."""
    files = sorted(item for item in path.rglob("*") if item.is_file()) if path.is_dir() else [path]
    digest = hashlib.sha256()
    size = 0
    for item in files:
        with item.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                size += len(block)
    return {"bytes": size, "sha256": digest.hexdigest()}


class _Progress(logging.Handler):
    """Stages to standard error, and their seconds kept."""

    def __init__(self, verbosity: int, seconds: dict[str, float]) -> None:
        super().__init__(logging.DEBUG)
        self.verbosity, self.seconds = verbosity, seconds

    def emit(self, record: logging.LogRecord) -> None:
        name, spent = getattr(record, "stage", None), getattr(record, "seconds", None)
        if name is not None and spent is not None:
            self.seconds[name] = self.seconds.get(name, 0.0) + spent
            if self.verbosity > 0:
                print(f"{name}: {spent:.2f} s", file=sys.stderr)
        elif self.verbosity == 0:
            print(record.getMessage(), file=sys.stderr)


@contextmanager
def _listening(verbosity: int) -> Iterator[dict[str, float]]:
    seconds: dict[str, float] = {}
    handler = _Progress(verbosity, seconds)
    level = LOGGER.level
    LOGGER.addHandler(handler)
    LOGGER.setLevel(logging.DEBUG)
    try:
        yield seconds
    finally:
        LOGGER.removeHandler(handler)
        LOGGER.setLevel(level)
