"""What a finished job hands out: links to its files, and in the answer itself what was wanted so."""

import json
import sqlite3
from contextlib import closing
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any
from urllib.parse import quote

from geoseptic.catalog import PROCESSES
from geoseptic.model.cautions import CAUTIONS, SCREENING_AID
from geoseptic.process import FileOut, LayerOut, Output, files_of
from geoseptic.run.describe import RUN, RUN_OUTPUT
from geoseptic.run.mediatypes import GEOJSON, JSON, media_type
from geoseptic.run.outputs import MANIFEST
from geoseptic.server.jobs import Job
from geoseptic.server.requests import by_reference_alone


def results(job: Job, folder: Path, address: str) -> dict[str, Any]:
    """The results document: by output a link or a value; `folder` holds the job's outputs, `address` is that of the server."""
    there = set(job.files)
    named = PROCESSES[job.process].named_outputs
    wanted = [*named, RUN_OUTPUT] if job.outputs is None else job.outputs
    found: dict[str, Any] = {"notice": {"value": {"screening_aid": SCREENING_AID, "cautions": list(CAUTIONS)}, "mediaType": JSON}}
    for name in wanted:
        out = None if name == RUN_OUTPUT else named[name]
        written = [
            file for pattern in ((MANIFEST,) if out is None else files_of(out)) for file in sorted(there) if fnmatchcase(file, pattern)
        ]
        if isinstance(out, LayerOut):
            written = [file for file in written if out.name in _layers(folder / file)]
        several = isinstance(out, FileOut) and "*" in out.name
        for file in written if several else written[:1]:
            value = _value(folder / file, out) if name in job.values else None
            found[file if several else name] = value or {
                "href": f"{address}/jobs/{job.id}/files/{quote(file)}",
                "type": out.media_type if isinstance(out, FileOut) else media_type(file),
                "title": RUN if out is None else out.title,
            }
    for file in job.summary.get("also", ()) if job.outputs is None else ():
        found[file] = {"href": f"{address}/jobs/{job.id}/files/{quote(file)}", "type": media_type(file), "title": file}
    return found


def _value(path: Path, out: Output | None) -> dict[str, Any] | None:
    """An output in the answer itself; None for what is handed out by a link alone."""
    if out is None:
        return {"value": json.loads(path.read_text(encoding="utf-8")), "mediaType": JSON}
    if by_reference_alone(out):
        return None
    if isinstance(out, LayerOut):
        return {"value": _geojson(path, out.name), "mediaType": GEOJSON}
    return {"value": path.read_text(encoding="utf-8"), "mediaType": media_type(path.name)}


def _layers(path: Path) -> list[str]:
    """Names of the layers in a GeoPackage; which of the declared ones are written is a matter of the parameters."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as package:
        return [name for (name,) in package.execute("SELECT table_name FROM gpkg_contents")]


def _geojson(path: Path, layer: str) -> Any:
    """A layer in longitude and latitude, as GeoJSON has it."""
    import geopandas

    frame = geopandas.read_file(path, layer=layer)
    if frame.crs is not None:
        frame = frame.to_crs(4326)
    return json.loads(frame.to_json(na="null", drop_id=True))
