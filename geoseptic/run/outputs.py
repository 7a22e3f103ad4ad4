"""The files of a run: written beside the old ones, and put in their place at the end, all or none, whatever happens meanwhile."""

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import DiskFullError, GeosepticError, InputError, OutputExistsError, OutputInUseError, ParameterError, listed
from geoseptic.io import gpx as point_files
from geoseptic.io import locks, putting
from geoseptic.io import rasters as raster_files
from geoseptic.io import tables as table_files
from geoseptic.io import vectors as vector_files
from geoseptic.model.results import Results
from geoseptic.process import Process
from geoseptic.run import copies
from geoseptic.run.arguments import Request

MANIFEST: Final = "run.json"

IN_USE: Final = ("-wal", "-shm", "-journal")
"""What a program that has a GeoPackage open keeps beside it; a log that is left beside a new file would be played into that."""

PARTIAL: Final = putting.PARTIAL
SCRATCH: Final = ".geoseptic-scratch-"

SCRATCH_BYTES_A_CELL: Final = (8, 36)
"""Of working files: heights and one plane made of them at the least; at the most what `screen_county` and `uncertainty` have at once.

Counted whenever a file is made (tests/run/test_beyond_memory.py): 35 for the codes of Washington and New York, and one more. That is
there before the first raster is written; each then gives its own file back, so outputs take no more beside that.
"""

PIECES_BYTES_A_CELL: Final = 88
"""Of what is kept to go on from: 84 measured with many lots (tests/benchmarks/README.md), and 4 of the depth of hollows since."""


def refuse(process: Process[..., Any], wanted: Request) -> None:
    """Raises where the outputs of `process` cannot go to the folder that is wanted."""
    out = wanted.out
    assert out is not None
    if out.exists() and not out.is_dir():
        raise ParameterError(f"--out {out} is a file. Name a folder to write to.")
    ancestor = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not os.access(ancestor, os.W_OK):
        raise ParameterError(f"--out {out}: nothing may be written in {ancestor}. Choose another folder.")
    copies.refuse(wanted.also)
    there = [path.name for name in (*process.files, *copies.names(process, wanted.also), MANIFEST) for path in sorted(out.glob(name))]
    if there and not wanted.overwrite:
        raise OutputExistsError(str(out), there)
    _refuse_open(out, [*there, *_listed(out)])
    if wanted.dry_run:
        locks.refuse_locked(out)


@contextmanager
def held(out: Path) -> Iterator[list[str]]:
    """Within the block `out` is this run's alone, and what killed runs left there is finished or cleared away. Yields warnings.

    Raises OutputLockedError where another run holds it, ParameterError where it cannot be written to.
    """
    with locks.held(out) as (sure, warnings):
        putting.settle(out)
        left = _leftovers(out)
        if left and sure:
            for name in left:
                shutil.rmtree(out / name, ignore_errors=True)
            warnings.append(f"{out} held working files of a run that was killed; they were cleared away: {listed(left)}")
        elif left:
            warnings.append(f"{out} holds working files of a run that was killed or still goes on: {listed(left)}. Delete the former")
        yield warnings


def settle(folder: Path, *, dry_run: bool = False) -> None:
    """Finish what a killed run began to put into the folder, so that nobody reads a mixture.

    Raises OutputLockedError where a run is doing that now, InputError where nothing may be written and it would have to be.
    """
    if not putting.is_unfinished(folder):
        return
    if dry_run:
        raise InputError(
            f"{folder}: a run was killed while it put its outputs there. Any run with that folder finishes that; a dry one does not."
        )
    with locks.held(folder):
        putting.settle(folder)


def refuse_small_disk(out: Path, cells: int, *, with_pieces: bool) -> list[str]:
    """Raises DiskFullError where the working files of a run over so many cells have no room in `out`; warnings where they may not."""
    least, most = SCRATCH_BYTES_A_CELL[0] * cells, (SCRATCH_BYTES_A_CELL[1] + PIECES_BYTES_A_CELL * with_pieces) * cells
    free = shutil.disk_usage(out).free
    told = f"{out}: {free / 1e9:.1f} GB are free there, and a run over {cells:,} cells takes {least / 1e9:.1f} to {most / 1e9:.1f} GB"
    if free < least:
        raise DiskFullError(f"{told} while it goes on. Nothing was begun. Make room there, or choose another folder.")
    return [f"{told} while it goes on: the disk may become full"] if free < most else []


@contextmanager
def beside(out: Path) -> Iterator[Path]:
    """An empty folder in `out`, which goes when the block ends."""
    with _folder_in(out, PARTIAL) as partial:
        yield partial


def _leftovers(out: Path) -> list[str]:
    """Folders of working files in `out` from runs that were killed, or, where nobody holds the folder for sure, that go on now."""
    return sorted(path.name for ending in (PARTIAL, SCRATCH) for path in out.glob(f"{ending}*"))


@contextmanager
def scratch(out: Path, wanted: bool) -> Iterator[Path | None]:
    """A folder in `out` for working files, which goes when the block ends; None where none is wanted."""
    if not wanted:
        yield None
        return
    with _folder_in(out, SCRATCH) as folder:
        yield folder


@contextmanager
def _folder_in(out: Path, prefix: str) -> Iterator[Path]:
    out.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=out.absolute()))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write(folder: Path, results: Results, workers: int = 1) -> list[str]:
    """Write all results into an empty folder; their names. Raises DiskFullError where something could not be written whole."""
    with writing(folder):
        return _written(folder, results, workers)


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Raises DiskFullError where something could not be written whole into the folder."""
    try:
        yield
    except GeosepticError:
        raise
    except Exception as error:
        if not isinstance(error, OSError) and type(error).__module__.split(".")[0] not in ("rasterio", "pyogrio", "pyarrow"):
            raise
        raise DiskFullError(_why_not(folder, error)) from error


def _why_not(folder: Path, error: BaseException) -> str:
    """What to do about an error of writing, with what is known of the room there."""
    so_far = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    free = shutil.disk_usage(folder).free
    words = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return (
        f"{folder.parent}: the outputs could not be written ({words.rstrip('.')}). {so_far / 1e6:.1f} MB were written, {free / 1e6:.1f} MB "
        "are free there. Nothing of it was put there, and what was there stays. Make room there (limits for a user or a file count too), "
        "or choose another folder, and run again."
    )


def _written(folder: Path, results: Results, workers: int) -> list[str]:
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
    for file in results.files:
        (folder / file.name).write_bytes(file.content)
    for table in results.tables:
        table_files.write_table(folder / f"{table.name}.csv", table)
        if table.markdown:
            table_files.write_markdown(folder / f"{table.name}.md", table)
    # A folder of drafts that could not be taken away is hidden, and no output.
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def put(
    out: Path, partial: Path, names: Sequence[str], manifest: Mapping[str, Any], then: Callable[[], None] = lambda: None
) -> tuple[str, ...]:
    """Put the files `names` of `partial` and the manifest into `out`, and take those away that the manifest there lists and that are not
    written again. `then` is the last step. If anything fails, it included, `out` is as it was; if the process or the machine ends
    meanwhile, the next run finishes it, without `then`. Returns what was taken away.

    The old manifest goes first and the new one comes last, so a folder with one is whole.
    """
    (partial / MANIFEST).write_text(json.dumps({**manifest, "outputs": list(names)}, indent=2) + "\n", encoding="utf-8")
    stale = tuple(name for name in _listed(out) if name not in names)
    _refuse_open(out, [name for name in (MANIFEST, *stale, *names) if (out / name).exists()])
    putting.put(out, partial, (*names, MANIFEST), stale, then)
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
