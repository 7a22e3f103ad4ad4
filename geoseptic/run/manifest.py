"""What run.json says of a run: enough to know what came in, by which rules it was judged, and what to doubt."""

import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from geoseptic.errors import GeosepticError, InputChangedError
from geoseptic.io import rasters as raster_files
from geoseptic.io.filehashes import begin_digests, digest_of, each_once
from geoseptic.io.formats import SHAPEFILE, is_elsewhere
from geoseptic.io.runfolders import rows_of_run
from geoseptic.io.sources import ROWS_READ
from geoseptic.model.cautions import CAUTIONS
from geoseptic.model.citation import Citation
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from geoseptic.pools import shown
from geoseptic.process import DepthIn, ElevationIn, LayerIn, Process, RunIn, SheetIn
from geoseptic.run.arguments import Request
from geoseptic.stages import stage

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
    return {
        "process": process.id,
        "geoseptic": version,
        "started": time_text(started),
        "seconds_by_stage": {name: round(value, 3) for name, value in seconds.items()},
        "inputs": inputs,
        "columns": wanted.columns,
        "values": wanted.value_maps,
        "stated": wanted.statements,
        "places": {"settings": wanted.places, "columns": wanted.place_columns},
        "parameters": parameters_of(process, wanted),
        "rules": _rules_record(rules) if rules else None,
        "citations": _texts(results.citations),
        "counts": results.counts,
        "tables": {table.name: table.records for table in results.tables if len(table.rows) <= MOST_ROWS},
        "repairs": results.repairs,
        "failures": results.failures,
        "warnings": list(warnings),
        "cautions": CAUTIONS,
    }


def parameters_of(process: Process[..., Any], wanted: Request) -> dict[str, Any]:
    """All that was asked for, beside the inputs."""
    plain = {
        parameter.name: wanted.values.get(parameter.name, parameter.default)
        for parameter in process.parameters
        if not isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn | SheetIn | RunIn)
    }
    return {
        **plain,
        **{f"{name}_unit": unit for name, unit in wanted.units.items()},
        "cell_size_m": wanted.cell_size_m,
        "zero_is_height": wanted.zero_is_height,
        "level_is_height": wanted.level_is_height,
        "elevation_scale": wanted.elevation_scale,
        "elevation_gaps": "unknown" if wanted.gaps_are_unknown else "refuse",
        "elevation_tiles": "anywhere" if wanted.tiles_anywhere else "below",
        "scheduler": None if wanted.scheduler is None else shown(wanted.scheduler),
    }


def time_text(seconds: float) -> str:
    """Seconds since 1970 as day and time."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(seconds))


def digests_of(values: Mapping[str, Any]) -> dict[str, str]:
    """Hashes of what was read of layers whose source is no file."""
    return {name: found for name, value in values.items() if (found := getattr(value, "attrs", {}).get(ROWS_READ))}


def with_digests(inputs: Mapping[str, Mapping[str, Any]], digests: Mapping[str, str]) -> dict[str, Any]:
    """The records of the inputs, with the hashes of the rows that were read where there are no files to hash."""

    def told(name: str, record: Mapping[str, Any]) -> Mapping[str, Any]:
        if record["sha256"] is not None:
            return record
        return {**record, "sha256": digests.get(name), "hashed": "the rows that were read" if name in digests else "nothing"}

    return {name: told(name, record) for name, record in inputs.items()}


def begin_records(process: Process[..., Any], wanted: Request) -> None:
    """Have the large part of `input_records` done while other work goes on: the hashes of inputs that are one file. Within `each_once`."""
    files: list[Path] = []
    with suppress(GeosepticError, OSError, ValueError):  # what is wrong with an input is told when its header is read
        for _, path, _, raster in inputs_of(process, wanted):
            own = [] if is_elsewhere(path) else _own_files(path, raster, wanted)
            files += own if len(own) == 1 else []
    begin_digests(files)


@stage("hashing inputs")
def input_records(process: Process[..., Any], wanted: Request) -> dict[str, Any]:
    """File, layer, size and hash of every input."""
    records = {}
    for name, path, layer, raster in inputs_of(process, wanted):
        try:
            digest = digest_of(_own_files(path, raster, wanted))
        except OSError:
            if not process.takes_refused and not is_elsewhere(path):
                raise
            digest = {"bytes": None, "sha256": None}
        records[name] = {"file": path, "layer": layer, **digest}
    return records


def input_states(process: Process[..., Any], wanted: Request) -> dict[str, list[tuple[Any, ...]]]:
    """What the file system tells of every input's files, without reading them: where it is the same at two times, so is what they hold."""
    states: dict[str, list[tuple[Any, ...]]] = {}
    for name, path, _, raster in inputs_of(process, wanted):
        states[name] = []
        for given in (path, f"{path}-wal"):  # behind a GeoPackage that is being edited, the newest of it
            with suppress(OSError):
                for item in _own_files(given, raster and given == path, wanted):
                    told = item.stat()
                    if told.st_size:
                        states[name].append((str(item), told.st_size, told.st_mtime_ns, told.st_ctime_ns, told.st_ino))
    return states


def refuse_changed(
    process: Process[..., Any], wanted: Request, states: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]]
) -> None:
    """Raises InputChangedError where an input holds something else than when `states` and `records` were taken."""
    now = input_states(process, wanted)
    if now == states:
        return
    try:
        with each_once():
            found = input_records(process, wanted)
    except OSError as error:
        raise InputChangedError([str(error.filename or error)]) from error
    # A log behind it is in no hash.
    changed = [name for name in records if found[name] != records[name] or _logs(now[name]) != _logs(states[name])]
    if changed:
        raise InputChangedError([f"{name} ({records[name]['file']})" for name in changed])


def _logs(state: Iterable[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    return [told for told in state if str(told[0]).endswith("-wal")]


def inputs_of(process: Process[..., Any], wanted: Request) -> Iterator[tuple[str, str, str | None, bool]]:
    """Parameter, file and layer of every input, and whether it is a raster."""
    for parameter in process.parameters:
        given = wanted.values.get(parameter.name)
        if given is not None and isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn | SheetIn | RunIn):
            path, layer = given, None
            if isinstance(parameter.spec, LayerIn):
                from geoseptic.io.sources import split_source

                path, layer = split_source(given)
            elif isinstance(parameter.spec, RunIn):
                path, layer = rows_of_run(given, parameter.spec.process)
            yield parameter.name, path, layer, isinstance(parameter.spec, ElevationIn | DepthIn)
    if wanted.sections is not None:
        from geoseptic.io.sources import split_source

        path, layer = split_source(wanted.sections)
        yield "sections", path, layer, False


def _own_files(path: str, raster: bool, wanted: Request) -> Any:
    """The files that an input consists of. Raises FileNotFoundError."""
    if not Path(path).exists():
        raise FileNotFoundError(path)
    return _raster_files(path, wanted) if raster else _files_of(Path(path))


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
