"""What run.json says of a run: enough to know what came in, by which rules it was judged, and what to doubt."""

import hashlib
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from geoseptic.errors import GeosepticError
from geoseptic.io import rasters as raster_files
from geoseptic.io.formats import is_elsewhere
from geoseptic.io.runfolders import rows_of_run
from geoseptic.model.cautions import CAUTIONS
from geoseptic.model.citation import Citation
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from geoseptic.pools import shown
from geoseptic.process import DepthIn, ElevationIn, LayerIn, Process, RunIn, SheetIn
from geoseptic.run.arguments import Request
from geoseptic.stages import stage

SHAPEFILE = frozenset({".shp", ".shx", ".dbf", ".prj", ".cpg"})
"""The files that make up one shapefile, as far as geoseptic reads them."""

MOST_ROWS = 200
"""Longer tables are in their own file alone."""


def manifest(
    process: Process[..., Any],
    wanted: Request,
    rules: RuleSet | None,
    results: Results,
    inputs: Mapping[str, Any],
    warnings: Iterable[str],
    version: str,
    started: float,
    seconds: Mapping[str, float],
) -> dict[str, Any]:
    """The record of a run, ready for JSON, without the names of its outputs."""
    plain = {
        parameter.name: wanted.values.get(parameter.name, parameter.default)
        for parameter in process.parameters
        if not isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn | SheetIn | RunIn)
    }
    return {
        "process": process.id,
        "geoseptic": version,
        "started": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(started)),
        "seconds_by_stage": {name: round(value, 3) for name, value in seconds.items()},
        "inputs": inputs,
        "columns": wanted.columns,
        "values": wanted.value_maps,
        "stated": wanted.statements,
        "places": {"settings": wanted.places, "columns": wanted.place_columns},
        "parameters": {
            **plain,
            **{f"{name}_unit": unit for name, unit in wanted.units.items()},
            "cell_size_m": wanted.cell_size_m,
            "zero_is_height": wanted.zero_is_height,
            "elevation_scale": wanted.elevation_scale,
            "elevation_gaps": "unknown" if wanted.gaps_are_unknown else "refuse",
            "elevation_tiles": "anywhere" if wanted.tiles_anywhere else "below",
            "scheduler": None if wanted.scheduler is None else shown(wanted.scheduler),
        },
        "rules": _rules_record(rules) if rules else None,
        "citations": _texts(results.citations),
        "counts": results.counts,
        "tables": {table.name: table.records for table in results.tables if len(table.rows) <= MOST_ROWS},
        "repairs": results.repairs,
        "failures": results.failures,
        "warnings": list(warnings),
        "cautions": CAUTIONS,
    }


@stage("hashing inputs")
def input_records(process: Process[..., Any], wanted: Request) -> dict[str, Any]:
    """File, layer, size and hash of every input."""
    records = {}
    for parameter in process.parameters:
        given = wanted.values.get(parameter.name)
        if given is not None and isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn | SheetIn | RunIn):
            path, layer = given, None
            if isinstance(parameter.spec, LayerIn):
                from geoseptic.io.sources import split_source

                path, layer = split_source(given)
            elif isinstance(parameter.spec, RunIn):
                path, layer = rows_of_run(given, parameter.spec.process)
            try:
                if not Path(path).exists():
                    raise FileNotFoundError(path)
                raster = isinstance(parameter.spec, ElevationIn | DepthIn)
                digest = _digest(_raster_files(path, wanted) if raster else _files_of(Path(path)))
            except OSError:
                if not process.takes_refused and not is_elsewhere(path):
                    raise
                digest = {"bytes": None, "sha256": None}
            records[parameter.name] = {"file": path, "layer": layer, **digest}
    if wanted.sections is not None:
        from geoseptic.io.sources import split_source

        path, layer = split_source(wanted.sections)
        records["sections"] = {"file": path, "layer": layer, **_digest(_files_of(Path(path)))}
    return records


def _rules_record(rules: RuleSet) -> dict[str, Any]:
    """The rule set and where its values were read, table by table."""
    return {
        "id": rules.id,
        "title": rules.title,
        "edition": rules.edition,
        "summary": rules.summary,
        "extends": rules.extends,
        "citations": _texts(rules.citations),
        "sizing_citations": _texts(rules.sizing.citations),
        "separation_citations": _texts(line.citation for line in rules.vertical_separation),
        "standing_citations": _texts(rules.standing_citations),
    }


def _texts(citations: Iterable[Citation]) -> dict[str, Any]:
    return {
        citation.key: {"text": str(citation), "address": citation.address, "checked": citation.checked}
        for citation in sorted(set(citations), key=lambda citation: (citation.key, str(citation)))
    }


def _digest(files: Iterable[Path]) -> dict[str, Any]:
    """Size and SHA-256 of the files that an input consists of (a folder, a shapefile, a VRT with its tiles), one after the other."""
    digest = hashlib.sha256()
    size = 0
    for item in files:
        with item.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                size += len(block)
    return {"bytes": size, "sha256": digest.hexdigest()}


def _raster_files(path: str, wanted: Request) -> list[Path]:
    """A raster with what lies beside it and its tiles; one that was refused by itself."""
    try:
        return raster_files.files_of(path, tiles_anywhere=wanted.tiles_anywhere)
    except GeosepticError:
        return _files_of(Path(path))


def _files_of(path: Path) -> list[Path]:
    if path.is_dir():
        return sorted(item for item in path.rglob("*") if item.is_file())
    if path.suffix.lower() != ".shp":
        # What was changed last in a database may still lie beside it.
        return [item for item in (path, path.with_name(f"{path.name}-wal")) if item == path or item.exists()]
    return sorted(item for item in path.parent.iterdir() if item.stem == path.stem and item.suffix.lower() in SHAPEFILE)
