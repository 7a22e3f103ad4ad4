"""The files of a run: written beside the old ones, and put in their place at the end, all or none."""

import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import OutputExistsError, OutputInUseError, ParameterError
from geoseptic.io import gpx as point_files
from geoseptic.io import rasters as raster_files
from geoseptic.io import tables as table_files
from geoseptic.io import vectors as vector_files
from geoseptic.model.results import Results
from geoseptic.process import Process
from geoseptic.run.arguments import Request

MANIFEST: Final = "run.json"

IN_USE: Final = ("-wal", "-shm", "-journal")
"""What a program that has a GeoPackage open keeps beside it; a log that is left beside a new file would be played into that."""

PARTIAL: Final = ".geoseptic-partial-"
SCRATCH: Final = ".geoseptic-scratch-"


def refuse(process: Process[..., Any], wanted: Request) -> None:
    """Raises where the outputs of `process` cannot go to the folder that is wanted."""
    out = wanted.out
    assert out is not None
    if out.exists() and not out.is_dir():
        raise ParameterError(f"--out {out} is a file. Name a folder to write to.")
    ancestor = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not os.access(ancestor, os.W_OK):
        raise ParameterError(f"--out {out}: nothing may be written in {ancestor}. Choose another folder.")
    there = [name for name in (*process.files, MANIFEST) if (out / name).exists()]
    if there and not wanted.overwrite:
        raise OutputExistsError(str(out), there)
    _refuse_open(out, [*there, *_listed(out)])


@contextmanager
def beside(out: Path) -> Iterator[Path]:
    """An empty folder in `out`, which goes when the block ends."""
    with _folder_in(out, PARTIAL) as partial:
        yield partial


def leftovers(out: Path) -> list[str]:
    """Folders of working files in `out` from runs that were killed, or that go on now."""
    return sorted(path.name for ending in (PARTIAL, SCRATCH) for path in out.glob(f"{ending}*")) if out.is_dir() else []


@contextmanager
def scratch(out: Path, wanted: bool) -> Iterator[Path | None]:
    """A folder in `out` for working files, which goes when the block ends, and `out` with it where nothing else is there; None where none
    is wanted."""
    if not wanted:
        yield None
        return
    new = [folder for folder in (out, *out.absolute().parents) if not folder.exists()]
    try:
        with _folder_in(out, SCRATCH) as folder:
            yield folder
    finally:
        with suppress(OSError):  # not empty: the outputs are in it
            for made in new:
                made.rmdir()


@contextmanager
def _folder_in(out: Path, prefix: str) -> Iterator[Path]:
    out.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=out.absolute()))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write(folder: Path, results: Results, workers: int = 1) -> list[str]:
    """Write all results into an empty folder; their names."""
    raster_files.write_rasters(folder, results.rasters, workers)
    for name in dict.fromkeys(layer.file for layer in results.layers):
        vector_files.write_layers(
            folder / f"{name}.gpkg",
            [
                vector_files.LayerToWrite(layer.name, layer.frame, layer.legend, layer.title, layer.description, layer.notes)
                for layer in results.layers
                if layer.file == name
            ],
        )
    for points in results.points:
        lon, lat = point_files.to_wgs84(points.frame, points.xy_m)
        path = folder / f"{points.name}.gpx"
        point_files.write_gpx(path, points.labels, lon, lat, points.descriptions, points.kinds, points.title, points.caution)
    for page in results.pages:
        table_files.write_page(folder / f"{page.name}.md", page)
        if page.html:
            table_files.write_html(folder / f"{page.name}.html", page)
    for table in results.tables:
        table_files.write_table(folder / f"{table.name}.csv", table)
        if table.markdown:
            table_files.write_markdown(folder / f"{table.name}.md", table)
    return sorted(path.name for path in folder.iterdir())


def put(out: Path, partial: Path, names: Sequence[str], manifest: Mapping[str, Any]) -> tuple[str, ...]:
    """Put the files `names` of `partial` and the manifest into `out`, and take those away that the manifest there lists and that are not
    written again. If anything fails, `out` is as it was. Returns what was taken away.

    The old manifest goes first and the new one comes last, so a folder with one is whole even if the machine stops meanwhile.
    """
    (partial / MANIFEST).write_text(json.dumps({**manifest, "outputs": list(names)}, indent=2) + "\n", encoding="utf-8")
    stale = tuple(name for name in _listed(out) if name not in names)
    replaced = [name for name in (MANIFEST, *stale, *names) if (out / name).exists()]
    _refuse_open(out, replaced)
    old = Path(tempfile.mkdtemp(prefix=".geoseptic-old-", dir=out))
    try:
        for name in replaced:
            (out / name).replace(old / name)
        for name in (*names, MANIFEST):
            (partial / name).replace(out / name)
    except BaseException:
        try:
            for name in (*names, MANIFEST):
                if not (partial / name).exists():
                    (out / name).replace(partial / name)
            for path in old.iterdir():
                path.replace(out / path.name)
            old.rmdir()
        except OSError as error:
            raise OSError(f"{error}. The old outputs could not be put back: they are in {old}") from error
        raise
    shutil.rmtree(old, ignore_errors=True)
    return stale


def _listed(out: Path) -> list[str]:
    """The outputs that the manifest in `out` lists and that are there; none where it is not one of ours."""
    try:
        record = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
        names = record["outputs"] if "geoseptic" in record else []
    except (OSError, ValueError, KeyError, TypeError):
        return []
    if not isinstance(names, list):
        return []
    # Names alone: nothing outside the folder, whatever somebody wrote into the manifest.
    plain = [name for name in names if isinstance(name, str) and name == Path(name).name and name not in ("", "..", MANIFEST)]
    return [name for name in dict.fromkeys(plain) if (out / name).is_file()]


def _refuse_open(out: Path, names: Sequence[str]) -> None:
    open_now = [name for name in dict.fromkeys(names) if any((out / (name + ending)).exists() for ending in IN_USE)]
    if open_now:
        raise OutputInUseError(str(out), open_now)
