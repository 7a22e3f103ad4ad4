"""A run that was done before, with a store: where nothing that it follows from is another, its outputs are known to be the same.

Files are known by their bytes and never by their time or size, inputs and outputs alike. What GDAL may read beside a file is part of it;
where that is not known, or an output was touched since, the run is done as any other.
"""

import os
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import FileUnreadableError
from geoseptic.io.earlierfiles import placed
from geoseptic.io.filehashes import check_of, digest_of
from geoseptic.io.formats import format_of
from geoseptic.io.kept import Store
from geoseptic.io.keptheights import files_known
from geoseptic.process import Process, RunIn
from geoseptic.processes.account_outputs import SPOILT
from geoseptic.run.arguments import Request
from geoseptic.run.headers import Headers
from geoseptic.run.manifest import inputs_of, parameters_of, time_text

STEP: Final = "run"

CHANGES_NOTHING: Final = frozenset({"out", "overwrite", "resume", "dry_run", "describe", "verbosity", "keep"})
"""Of a request: where results go and how it is told of them. All else is part of what a run follows from, but `workers`."""

WHOLE_FORMATS: Final = frozenset({"shapefile", "GeoPackage", "File Geodatabase", "GeoJSON", "FlatGeobuf"})
"""Whatever may be read with a file of these lies beside it under its own name."""

TEXT_TABLES: Final = frozenset({".csv", ".tsv"})

SETTINGS: Final = ("CPL_", "GDAL_", "GEOSEPTIC_", "GEOTIFF_", "GPKG_", "GTIFF_", "OGR_", "OSR_", "PROJ_", "SHAPE_", "SQLITE_")
"""What settings of GDAL and PROJ in the environment begin with."""

OF_THE_RUN: Final = ("started", "seconds_by_stage", "parameters", "warnings", "kept", "to_postgis")
"""What run.json says of a run and not of its results; warnings are kept without those of the folders."""


def key_of(
    store: Store, process: Process[..., Any], wanted: Request, headers: Headers, inputs: Mapping[str, Any], version: str
) -> str | None:
    """What the run is kept under; None where it may follow from something that is in no hash."""
    # An item for a catalogue tells when the run was.
    if wanted.to_postgis is not None or wanted.also or any(record["sha256"] is None for record in inputs.values()):
        return None
    if headers.runs or any(isinstance(parameter.spec, RunIn) for parameter in process.parameters):
        return None
    try:
        read = _read(process, wanted)
        around = _surroundings()
    except OSError:  # something that lies there and may not be looked into
        return None
    if read is None or around is None:
        return None
    asked = {field.name: getattr(wanted, field.name) for field in fields(wanted) if field.name not in CHANGES_NOTHING | {"values"}}
    values = {name: value for name, value in wanted.values.items() if name != "workers"}
    rules = headers.rules, headers.rule_sets
    return store.key(STEP, process.id, version, asked, values, rules, dict(inputs), read, around, date.today().year)


def put(
    store: Store, key: str, ready: Path, out: Path, names: Sequence[str], record: Mapping[str, Any], warnings: Mapping[str, Sequence[str]]
) -> None:
    """Keep what was found: the record, and the hashes of the files `names`, which lie in `ready` and go to `out`. A run of which a part
    failed may do better next time, unless it was the shape of a parcel."""
    if any(failure["stage"] != SPOILT for failure in record["failures"]):
        return
    files = {name: check_of(ready / name) for name in names}
    plain = {name: value for name, value in record.items() if name not in OF_THE_RUN}
    store.put(key, [], {"folder": str(out.absolute()), "files": files, "record": plain, "names": list(record), "warnings": warnings})


def record(
    told: Mapping[str, Any],
    process: Process[..., Any],
    wanted: Request,
    warnings: Sequence[str],
    started: float,
    seconds: Mapping[str, float],
) -> dict[str, Any]:
    """What run.json says of the run, with what is of this run alone."""
    own = {
        "started": time_text(started),
        "seconds_by_stage": {name: round(value, 3) for name, value in seconds.items()},
        "parameters": parameters_of(process, wanted),
        "warnings": list(warnings),
        "to_postgis": None,
    }
    return {name: own.get(name, told["record"].get(name)) for name in told["names"]}


def found(store: Store, key: str, partial: Path) -> dict[str, Any] | None:
    """What is told of the run under `key`, its files put into `partial`, which lies in the out folder; None where it is not known or
    a file is no longer what it was."""
    entry = store.find(key)
    if entry is None:
        return None
    told: dict[str, Any] = entry.told
    if all(placed(partial / name, own, [Path(told["folder"])]) for name, own in told["files"].items()):
        store.count(STEP, reused=True)
        store.keep_all()
        return told
    for path in list(partial.iterdir()):
        path.unlink()
    return None


def _read(process: Process[..., Any], wanted: Request) -> dict[str, Any] | None:
    """Of each input the files that it is read from, hashed in its record, and hashes of what lies beside; None where that is not known."""
    read: dict[str, Any] = {}
    for name, path, _, raster in inputs_of(process, wanted):
        known = files_known(path) if raster else _files_of_layer(Path(path))
        if known is None:
            return None
        read[name] = [(file.name, file.stat().st_size) for file in known], _beside(Path(path))
    return read


def _files_of_layer(path: Path) -> list[Path] | None:
    """The files that a layer is read from; None where it may be read from others too."""
    try:
        if path.suffix.lower() not in TEXT_TABLES and format_of(path) not in WHOLE_FORMATS:
            return None
    except (FileUnreadableError, OSError):
        return None
    return [path] if path.is_file() else sorted(item for item in path.rglob("*") if item.is_file())


def _beside(path: Path) -> list[tuple[str, dict[str, Any]]]:
    """Hashes of the files that have the name of this one, but for its ending or with more at its end: what may be read with it."""
    begins = (f"{path.stem}.", path.name)
    found = (item for item in sorted(path.parent.iterdir()) if item.name.startswith(begins) and item != path and item.is_file())
    # The index of a log follows from the log.
    return [(item.name, digest_of([item])) for item in found if not item.name.endswith("-shm")]


def _own_grids() -> str:
    """Where PROJ keeps what it fetched."""
    from pyproj import datadir

    return str(datadir.get_user_data_dir())  # type: ignore[attr-defined]


def _surroundings() -> dict[str, Any] | None:
    """What of the machine has a say in reading and changing coordinates; None where that may come from a network."""
    import pyogrio
    import pyproj.network
    from pyproj import datadir

    if pyproj.network.is_network_enabled():  # type: ignore[attr-defined]
        return None
    folders = [Path(name) for name in (*datadir.get_data_dir().split(os.pathsep), _own_grids())]
    grids = [item for folder in folders if folder.is_dir() for item in sorted(folder.rglob("*")) if item.is_file()]
    told = Path.home() / ".gdal" / "gdalrc"
    return {
        "grids": [(str(item), digest_of([item])) for item in grids],
        "settings": {name: value for name, value in sorted(os.environ.items()) if name.startswith(SETTINGS)},
        "file of settings": told.read_bytes() if told.is_file() else b"",
        "libraries": (sqlite3.sqlite_version, pyogrio.__gdal_version_string__),
    }
