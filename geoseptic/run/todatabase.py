"""What a run writes to a database beside its folder: all layers and tables, under the names that they have in the files."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any

from geoseptic.model.results import Results
from geoseptic.process import LayerOut, Process, TableOut
from geoseptic.run.arguments import Request
from geoseptic.run.copies import layers_of
from geoseptic.stages import stage

if TYPE_CHECKING:
    from geoseptic.io.postgisout import Written


def origins(process: Process[..., Any]) -> dict[str, str]:
    """Table of the database -> file, and layer in it, for all that `process` may write."""
    layers = {name: _origin(file, name) for name, file in layers_of(process).items()}
    names = [out.name for out in process.outputs if isinstance(out, TableOut)]
    return {**layers, **{_name(process, name): f"{name}.csv" for name in names}}


def refuse(process: Process[..., Any], wanted: Request) -> None:
    """Raises where the tables of `process` cannot be made in the schema that is wanted."""
    if wanted.to_postgis is not None:
        from geoseptic.io import postgisout

        postgisout.refuse(wanted.to_postgis, origins(process), overwrite=wanted.overwrite)


@contextmanager
def written(process: Process[..., Any], wanted: Request, results: Results, started: str) -> "Iterator[Written | None]":
    """All layers and tables in an open transaction, see `postgisout.written`; None where no database is wanted."""
    if wanted.to_postgis is None:
        yield None
        return
    from geoseptic.io import postgisout

    known = {**{layer.name: _origin(layer.file, layer.name) for layer in results.layers}, **origins(process)}
    tables = {_name(process, table.name): table for table in results.tables}
    about = f"By {process.id} of geoseptic, in the run that started at {started}."
    with ExitStack() as stack:
        with stage("writing to the database"):
            found = stack.enter_context(
                postgisout.written(wanted.to_postgis, results.layers, tables, known, about, overwrite=wanted.overwrite)
            )
        yield found


def plan(process: Process[..., Any], wanted: Request) -> dict[str, Any]:
    """For a dry run: where which tables would go."""
    if wanted.to_postgis is None:
        return {}
    return {"to_postgis": {"database": wanted.to_postgis.address, "schema": wanted.to_postgis.name, "tables": list(origins(process))}}


def record(wanted: Request, found: "Written | None") -> dict[str, Any] | None:
    """For run.json: where it went, and how much."""
    if wanted.to_postgis is None or found is None:
        return None
    tables = {name: {"rows": rows, "srid": found.srids.get(name)} for name, rows in found.rows.items()}
    return {"database": wanted.to_postgis.address, "schema": wanted.to_postgis.name, "tables": tables, "removed": list(found.removed)}


def _origin(file: str, layer: str) -> str:
    return f"{file}.gpkg|{layer}"


def _name(process: Process[..., Any], table: str) -> str:
    """A table's own name, unless a layer of the process bears it."""
    return f"{table}_csv" if any(isinstance(out, LayerOut) and out.name == table for out in process.outputs) else table
