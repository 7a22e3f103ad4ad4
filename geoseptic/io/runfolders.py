"""Folders of finished runs, read again: the rows about parcels, and what the record says of how they were made."""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from geoseptic.errors import FileUnreadableError, InputError, listed
from geoseptic.io.filehashes import digest_of

if TYPE_CHECKING:
    from pandas import DataFrame

RECORD: Final = "run.json"
ROWS: Final[Mapping[str, tuple[str, str]]] = {
    "screen_county": ("screening.gpkg", "parcels"),
    "uncertainty": ("chances.gpkg", "parcels"),
}
"""File and layer with the rows about parcels, of each process whose runs have such."""


@dataclass(frozen=True)
class FinishedRun:
    """A finished run.

    rules : id of its rule set, empty where it had none. `title` is that set's title.
    inputs : hash of every input, by parameter. `parameters` are the rest of what it was told.
    rows : one row a parcel with the columns of the layer, indexed by parcel_id as text, without shapes; none where the process has no such.
    record : all that run.json says of it.
    link : the way to its folder from that of the outputs, as the start of a relative link; empty where there is none.
    """

    folder: str
    rules: str
    title: str
    inputs: Mapping[str, str]
    parameters: Mapping[str, Any]
    rows: "DataFrame"
    record: Mapping[str, Any] = field(default_factory=dict)
    link: str = ""


def rows_of_run(folder: str, process: str) -> tuple[str, str | None]:
    """File and layer with the rows about parcels in the folder of a run; its record where the process has no such rows."""
    if process not in ROWS:
        return str(Path(folder) / RECORD), None
    file, layer = ROWS[process]
    return str(Path(folder) / file), layer


def is_made_of(made: FinishedRun, of: FinishedRun, parameter: str) -> bool:
    """Whether a run read as its input `parameter` what the folder of another holds now."""
    file, _ = rows_of_run(of.folder, str(of.record["process"]))
    return made.inputs.get(parameter) == digest_of([Path(file)])["sha256"]


def link_to(folder: Path, out: Path) -> str:
    """The start of a link to a file in `folder` from a page in `out`, relative and ending in a slash; empty where there is no way."""
    try:
        way = Path(os.path.relpath(folder.absolute(), out.absolute())).as_posix()
    except ValueError:  # on another drive
        return ""
    return f"{'' if way.startswith('..') else './'}{quote(way)}/"


def read_finished_run(folder: str, process: str, out: Path | None = None) -> FinishedRun:
    """The run in `folder`; `out` is where the outputs of this one go, for links.

    Raises
    ------
    FileUnreadableError : the folder holds no record of a run, or its rows cannot be read.
    InputError : the run is of another process, or names a parcel twice.
    """
    path = Path(folder) / RECORD
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        done, rules = record["process"], record["rules"] or {}
        # What was not hashed is like nothing else.
        inputs = {name: str(found["sha256"] or f"not known, {path}") for name, found in record["inputs"].items()}
        parameters = dict(record["parameters"])
        rules_id, title = (str(rules[name]) if rules or process in ROWS else "" for name in ("id", "title"))
    except OSError as error:
        raise FileUnreadableError(str(path), "it is not there", f"Name the folder of a finished run of {process}.") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileUnreadableError(
            str(path), "it is no record of a run of geoseptic", f"Name the folder of a finished run of {process}."
        ) from error
    if done != process:
        raise InputError(f"{path} is of the process '{done}'. Name the folder of a finished run of {process}.")
    link = "" if out is None else link_to(Path(folder), out)
    # Runs without layers read this module too, and need not wait for what reads tables.
    import pandas as pd
    import pyogrio

    from geoseptic.io.gdalsource import UNREADABLE

    if process not in ROWS:
        return FinishedRun(folder, rules_id, title, inputs, parameters, pd.DataFrame(), record, link)
    file, layer = rows_of_run(folder, process)
    try:
        rows = pyogrio.read_dataframe(file, layer=layer, read_geometry=False)
    except UNREADABLE as error:
        raise FileUnreadableError(file, str(error), f"Run {process} again, with this version.") from error
    rows["parcel_id"] = rows["parcel_id"].astype(str)
    twice = rows["parcel_id"][rows["parcel_id"].duplicated()]
    if len(twice):
        raise InputError(f"{file}: {len(twice)} parcels are in it more than once ({listed(list(twice))}).")
    return FinishedRun(folder, rules_id, title, inputs, parameters, rows.set_index("parcel_id"), record, link)
