"""Folders of finished runs, read again: the rows about parcels, and what the record says of how they were made."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoseptic.errors import FileUnreadableError, InputError, listed

if TYPE_CHECKING:
    from pandas import DataFrame

RECORD: Final = "run.json"
ROWS: Final[Mapping[str, tuple[str, str]]] = {"screen_county": ("screening.gpkg", "parcels")}
"""File and layer with the rows about parcels, of each process whose runs can be read again."""


@dataclass(frozen=True)
class FinishedRun:
    """A finished run.

    rules : id of its rule set. `title` is that set's title.
    inputs : hash of every input, by parameter. `parameters` are the rest of what it was told.
    rows : one row a parcel with the columns of the layer, indexed by parcel_id as text; without shapes.
    record : all that run.json says of it.
    """

    folder: str
    rules: str
    title: str
    inputs: Mapping[str, str]
    parameters: Mapping[str, Any]
    rows: "DataFrame"
    record: Mapping[str, Any] = field(default_factory=dict)


def rows_of_run(folder: str, process: str) -> tuple[str, str]:
    """File and layer with the rows about parcels in the folder of a run."""
    file, layer = ROWS[process]
    return str(Path(folder) / file), layer


def read_finished_run(folder: str, process: str) -> FinishedRun:
    """The run in `folder`.

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
        parameters, rules_id, title = dict(record["parameters"]), str(rules["id"]), str(rules["title"])
    except OSError as error:
        raise FileUnreadableError(str(path), "it is not there", f"Name the folder of a finished run of {process}.") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileUnreadableError(
            str(path), "it is no record of a run of geoseptic", f"Name the folder of a finished run of {process}."
        ) from error
    if done != process:
        raise InputError(f"{path} is of the process '{done}'. Name the folder of a finished run of {process}.")
    # Runs without layers read this module too, and need not wait for what reads tables.
    import pyogrio

    from geoseptic.io.gdalsource import UNREADABLE

    file, layer = rows_of_run(folder, process)
    try:
        rows = pyogrio.read_dataframe(file, layer=layer, read_geometry=False)
    except UNREADABLE as error:
        raise FileUnreadableError(file, str(error), "Run the screening again.") from error
    rows["parcel_id"] = rows["parcel_id"].astype(str)
    twice = rows["parcel_id"][rows["parcel_id"].duplicated()]
    if len(twice):
        raise InputError(f"{file}: {len(twice)} parcels are in it more than once ({listed(list(twice))}).")
    return FinishedRun(folder, rules_id, title, inputs, parameters, rows.set_index("parcel_id"), record)
