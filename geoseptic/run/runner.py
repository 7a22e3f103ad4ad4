"""Does a run: looks at the headers, reads what was asked for, calls the process, writes beside and renames at the end."""

import logging
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import shapely
from pyproj import CRS

from geoseptic.errors import GeosepticError, listed
from geoseptic.io import kept, pieces, shelves
from geoseptic.io import rasters as raster_files
from geoseptic.io.filehashes import each_once
from geoseptic.io.keptheights import read_once
from geoseptic.io.scratch import Kept
from geoseptic.memory import never_freed
from geoseptic.model.cautions import CAUTIONS
from geoseptic.model.grid import Raster
from geoseptic.model.layers import READ_WHOLE
from geoseptic.model.problems import Refused
from geoseptic.model.results import Results
from geoseptic.pools import Cluster, cluster
from geoseptic.process import DepthIn, ElevationIn, FindingsIn, LayerIn, Process, RuleSetsIn, RulesIn, RunIn, SheetIn, Spec
from geoseptic.run import copies, outputs, sameruns, stops, todatabase
from geoseptic.run.arguments import Request
from geoseptic.run.headers import Headers, check_places, check_words, guessed_columns, read_headers, where_features_matter
from geoseptic.run.manifest import begin_records, digests_of, input_records, input_states, manifest, refuse_changed, time_text, with_digests
from geoseptic.stages import LOGGER, stage

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.io.sources import Bounds

IN_MEMORY_BYTES: Final = 3_450_000_000
"""Rasters for which a process would have more in use at the worst moment are worked on in files beside the outputs."""


def run(process: Process[..., Any], wanted: Request, version: str, *, is_last: bool = False) -> dict[str, Any]:
    """Run `process` as `wanted` and return the summary; the Python process ends after a run that `is_last`. Raises GeosepticError; then
    nothing was written."""
    assert wanted.out is not None
    with _listening(wanted.verbosity) as heard, each_once():
        started, since = time.time(), time.monotonic()
        for folder in _folders(process, wanted):
            outputs.settle(folder, dry_run=wanted.dry_run)
        if not wanted.dry_run:
            begin_records(process, wanted)
        with stage("checking headers"):
            headers = read_headers(process, wanted)
        if wanted.dry_run:
            return _plan(process, wanted, headers)
        large = any(grid.shape[0] * grid.shape[1] * process.bytes_a_cell > IN_MEMORY_BYTES for grid in headers.grids.values())
        with (
            outputs.held(wanted.out) as told_of_folder,
            _store(wanted) as store,
            outputs.scratch(wanted.out, large or wanted.scheduler is not None) as scratch,
            _cluster(wanted, scratch) as used,
            shelves.within(wanted.out),
        ):
            outputs.refuse(process, wanted)  # once more: another run may have ended there meanwhile
            states = input_states(process, wanted)
            inputs = input_records(process, wanted)
            same = None if store is None or wanted.keep is None else sameruns.key_of(store, process, wanted, headers, inputs, version)
            if store is not None and same is not None:
                with outputs.beside(wanted.out) as partial:
                    told = sameruns.found(store, same, partial)
                    if told is not None:
                        warnings = [*told["warnings"]["read"], *told_of_folder, *told["warnings"]["results"]]
                        record = sameruns.record(told, process, wanted, warnings, started, heard.seconds) | {"kept": store.record}
                        refuse_changed(process, wanted, states, inputs)
                        stops.no_more()
                        names = list(told["files"])
                        return _summary(process, wanted, record, names, outputs.put(wanted.out, partial, names, record), since)
            if scratch is not None:
                cells = sum(grid.shape[0] * grid.shape[1] for grid in headers.grids.values())
                told_of_folder += outputs.refuse_small_disk(wanted.out, cells, with_pieces=store is not None)
            values, read_warnings = _read(process, wanted, headers, scratch)
            digests = digests_of(values)
            warnings = [*read_warnings, *told_of_folder]
            results = process(**values)
            if is_last:
                never_freed(values, results)
            warnings += results.warnings
            if store is None:  # else windows of what was read may have to be made again
                _spare(values, results)
            if used is not None:
                warnings += _told(used)
            with outputs.beside(wanted.out) as partial:
                with stage("writing"):
                    names = outputs.write(partial, results, int(wanted.values.get("workers", 1)))
                with outputs.writing(partial):
                    beside = copies.write(partial, process, results, wanted.also, names, version, time_text(started), outputs.MANIFEST)
                    names += list(beside)
                if store is not None and store.damaged:
                    warnings.append(f"{store.folder} held damaged files, which were passed over: {listed(list(store.damaged))}")
                with todatabase.written(process, wanted, results, time_text(started)) as database:
                    warnings += () if database is None else database.warnings
                    as_read = _with_reprojections(process, with_digests(inputs, digests), heard.reprojections)
                    record = manifest(process, wanted, headers.rules, results, as_read, warnings, version, started, heard.seconds)
                    record["guessed_columns"] = guessed_columns(process, headers, wanted)
                    record["kept"] = None if store is None else store.record
                    record["also"] = {"wanted": wanted.also, "files": beside} if wanted.also else None
                    record["to_postgis"] = todatabase.record(wanted, database)
                    refuse_changed(process, wanted, states, inputs)
                    if store is not None and same is not None:
                        told_again = {"read": read_warnings, "results": results.warnings}
                        sameruns.put(store, same, partial, wanted.out, names, record, told_again)
                        record["kept"] = store.record
                    stops.no_more()
                    removed = outputs.put(wanted.out, partial, names, record, *([] if database is None else [database.commit]))
        pieces.clear(wanted.out)
    return _summary(process, wanted, record, names, removed, since)


def _spare(values: Mapping[str, Any], results: Results) -> None:
    """Rasters that were read give back what they take on the disk: results may be one, and else nobody reads them any more."""
    shown = {id(raster_files.lies_in(told)) for told in results.rasters}
    for value in values.values():
        if isinstance(value, Raster) and id(value.plane) not in shown:
            value.plane.drop()


def _summary(
    process: Process[..., Any], wanted: Request, record: Mapping[str, Any], names: Sequence[str], removed: Sequence[str], since: float
) -> dict[str, Any]:
    """What is said of a run that has ended well."""
    return {
        "process": process.id,
        "status": "done, some parcels failed" if record["failures"] else "done",
        "out": str(wanted.out),
        "outputs": [*names, outputs.MANIFEST],
        "removed": list(removed),
        **({"also": list(record["also"]["files"])} if record["also"] and record["also"]["files"] else {}),
        **({} if record["to_postgis"] is None else {"to_postgis": record["to_postgis"]}),
        "counts": {name: count for name, count in record["counts"].items() if isinstance(count, int)},
        "warnings": record["warnings"],
        "failures": len(record["failures"]),
        "seconds": round(time.monotonic() - since, 2),
        "notice": CAUTIONS[0],
    }


def _store(wanted: Request) -> AbstractContextManager[kept.Store | None]:
    """Where what is done is kept: a folder that is wanted, else, for a run that may be gone on with, one beside the outputs."""
    if wanted.keep is None and wanted.resume:
        assert wanted.out is not None
        return pieces.pieces(wanted.out)
    return kept.kept(wanted.keep)


def _folders(process: Process[..., Any], wanted: Request) -> list[Path]:
    """The folder of the outputs and those of the inputs, which another run may have written."""
    assert wanted.out is not None
    folders = [wanted.out]
    for parameter in process.parameters:
        given = wanted.values.get(parameter.name)
        if isinstance(given, str) and isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn | FindingsIn | SheetIn):
            folders.append(Path(given.partition("|")[0]).parent)
        elif isinstance(given, str) and isinstance(parameter.spec, RunIn):
            folders.append(Path(given))
    return list(dict.fromkeys(folders))


def _cluster(wanted: Request, scratch: Path | None) -> AbstractContextManager[Cluster | None]:
    """The cluster that is wanted, if any, with the working folder in common."""
    return nullcontext() if wanted.scheduler is None or scratch is None else cluster(wanted.scheduler, scratch, partial(Kept.of, scratch))


def _with_reprojections(
    process: Process[..., Any], inputs: Mapping[str, Mapping[str, Any]], found: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """The records of the inputs, those of layers that were reprojected with the way there."""
    contracts = {parameter.name: parameter.spec.contract.name for parameter in process.parameters if isinstance(parameter.spec, LayerIn)}
    return {
        name: {**record, "reprojection": found[contracts[name]]} if contracts.get(name) in found else record
        for name, record in inputs.items()
    }


def _told(used: Cluster) -> list[str]:
    if not used.tasks:
        return [
            "--scheduler: nothing went to the cluster, all was done on this machine: this process has no rasters and no lots to share out"
        ]
    lost = used.lost()
    return (
        [f"{lost} of {len(used.workers)} workers of the cluster ended during the run: what they had begun was done again"] if lost else []
    )


def _read(process: Process[..., Any], wanted: Request, headers: Headers, scratch: Path | None = None) -> tuple[dict[str, Any], list[str]]:
    """Every parameter's value; files become what they hold. And what is to be told of the files.

    Parcels and elevation come first: they say what is near.
    """
    values: dict[str, Any] = dict(wanted.values)
    warnings: list[str] = []
    for parameter in sorted(process.parameters, key=lambda found: isinstance(found.spec, LayerIn) and not _is_whole(found.spec)):
        name, spec = parameter.name, parameter.spec
        if name not in values:
            continue
        if name in headers.refused:
            values[name] = Refused(str(values[name]), headers.refused[name])
            continue
        try:
            values[name] = _value(name, spec, wanted, headers, values, warnings, scratch, process.takes_refused)
        except GeosepticError as error:
            if not process.takes_refused:
                raise
            values[name] = Refused(str(values[name]), (error,))
    return values, warnings


def _value(
    name: str,
    spec: Spec,
    wanted: Request,
    headers: Headers,
    values: Mapping[str, Any],
    warnings: list[str],
    scratch: Path | None,
    whole: bool,
) -> Any:
    """The value of one parameter; adds to `warnings`. `whole`: nothing of a layer is left out for being far."""
    given = values[name]
    if isinstance(spec, RulesIn):
        return headers.rules
    if isinstance(spec, RuleSetsIn):
        return headers.rule_sets[name]
    if isinstance(spec, RunIn):
        return headers.runs[name]
    if isinstance(spec, SheetIn | FindingsIn):
        return headers.sheets[name]
    if isinstance(spec, ElevationIn):
        with stage(f"reading {name}"):
            how = {
                "unit": wanted.units.get(name),
                "scale": wanted.elevation_scale,
                "cell_size_m": wanted.cell_size_m,
                "zero_is_height": wanted.zero_is_height,
                "level_is_height": wanted.level_is_height,
                "gaps_are_unknown": wanted.gaps_are_unknown,
                "tiles_anywhere": wanted.tiles_anywhere,
            }
            return read_once(raster_files.read_elevation, raster_files.read_grid, given, scratch, how)
    if isinstance(spec, DepthIn):
        with stage(f"reading {name}"):
            return raster_files.read_depth(given, name, unit=wanted.units.get(name))
    if not isinstance(spec, LayerIn):
        return given
    from geoseptic.io import layers as layer_files

    near = None if whole or _is_whole(spec) else _near(headers, values.get("parcels"))
    with stage(f"reading {name}"):
        layer = layer_files.read_layer(
            given, spec.contract, wanted.columns.get(name), near, wanted.value_maps.get(name), headers.layers[name].stated
        )
    warnings += [f"{name} ({headers.layers[name].source}): {note}" for note in layer.attrs["notes"]]
    lost = layer.attrs["without_shape"]
    if lost:
        warnings.append(
            f"{name} ({headers.layers[name].source}): {len(lost)} without a shape: something is in an unknown place, and "
            f"nothing is kept clear of it (numbers in the file: {listed(lost)}). Draw them or find them on the ground"
        )
    return layer


def _is_whole(spec: LayerIn) -> bool:
    return spec.contract.name in READ_WHOLE


def _near(headers: Headers, parcels: "GeoDataFrame | None") -> "tuple[Bounds, CRS] | None":
    """Where features can matter: round the parcels themselves, not the bounds that their file states, and round the elevation."""
    if parcels is None or not len(parcels):
        return where_features_matter(headers, None)
    left, bottom, right, top = (float(value) for value in shapely.total_bounds(parcels.geometry.values))
    # Parcels without a place are refused when they are checked; until then nothing is known to be far.
    return where_features_matter(headers, ((left, bottom, right, top), parcels.crs))


def _plan(process: Process[..., Any], wanted: Request, headers: Headers) -> dict[str, Any]:
    """What a run would do. A process that reads no layer and no raster takes no time, so it is tried out."""
    bounds = check_places(headers, wanted)
    check_words(process, headers, bounds, wanted)
    if not headers.layers and not headers.grids and not process.takes_refused:
        values, _ = _read(process, wanted, headers)
        process(**values)
    guesses = guessed_columns(process, headers, wanted)
    inputs: dict[str, Any] = {}
    for name, grid in {**headers.grids, **headers.depths}.items():
        inputs[name] = {"file": wanted.values[name], "rows": grid.shape[0], "cols": grid.shape[1], "crs": grid.frame.name}
    for name, header in headers.layers.items():
        crs = header.crs.to_string() if header.crs is not None else None
        shapes = {
            "notes": list(header.notes),
            "records": header.features,
            "shapes": header.geometry,
            "bounds": bounds.get(name),
            "crs": crs,
        }
        inputs[name] = {"file": header.path, "layer": header.layer, **shapes, "guessed_columns": guesses.get(name, {})}
    for name, readings in headers.sheets.items():
        inputs[name] = {"file": wanted.values[name], "readings": len(readings)}
    return {
        "process": process.id,
        "status": "dry run: nothing was written",
        "inputs": inputs,
        "rules": headers.rules.title if headers.rules else None,
        "out": str(wanted.out),
        "outputs": [*process.files, *copies.names(process, wanted.also), outputs.MANIFEST],
        **todatabase.plan(process, wanted),
    }


class _Progress(logging.Handler):
    """Stages to standard error, their seconds and the reprojections of layers kept."""

    def __init__(self, verbosity: int) -> None:
        super().__init__(logging.DEBUG)
        self.verbosity = verbosity
        self.seconds: dict[str, float] = {}
        self.reprojections: dict[str, Mapping[str, Any]] = {}

    def emit(self, record: logging.LogRecord) -> None:
        if (reprojected := getattr(record, "reprojected", None)) is not None:
            self.reprojections[reprojected] = record.__dict__["reprojection"]
            return
        name, spent = getattr(record, "stage", None), getattr(record, "seconds", None)
        if name is not None and spent is not None:
            self.seconds[name] = self.seconds.get(name, 0.0) + spent
            if self.verbosity > 0:
                print(f"{name}: {spent:.2f} s", file=sys.stderr)
        elif self.verbosity == 0:
            print(record.getMessage(), file=sys.stderr)


@contextmanager
def _listening(verbosity: int) -> Iterator[_Progress]:
    handler = _Progress(verbosity)
    level = LOGGER.level
    LOGGER.addHandler(handler)
    LOGGER.setLevel(logging.DEBUG)
    try:
        yield handler
    finally:
        LOGGER.removeHandler(handler)
        LOGGER.setLevel(level)
