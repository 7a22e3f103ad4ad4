"""The way to a PostGIS database, for who reads there and who writes; no password is taken from an address, none is told."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl, urlsplit

from geoseptic.errors import DatabaseRefusedError, FileUnreadableError, GeosepticError, ParameterError

if TYPE_CHECKING:
    import psycopg

SCHEMES: Final = ("postgresql://", "postgres://")
TIMEOUT_S: Final = 15
PORTS: Final = re.compile(r"(\[[^\]]*\]|[^:,\[\]]*)(:\d*)?(,(\[[^\]]*\]|[^:,\[\]]*)(:\d*)?)*")
"""Hosts of an address, each with its port; where a password slipped in among them, the driver would quote it."""

FORM: Final = "postgresql://USER@HOST/DATABASE|SCHEMA"
IN_MARKS: Final = r'"(?:[^"]|"")+"'
"""A name in double quotes, as SQL writes it."""

LONGEST_NAME: Final = 63
"""Bytes of a name; what is longer the server would cut without a word."""

IN_ORDER: Final = "SELECT " + ", ".join(
    f"pg_catalog.set_config('{name}', '{value}', true)"
    for name, value in {"synchronize_seqscans": "off", "max_parallel_workers_per_gather": "0", "enable_indexscan": "off"}.items()
)
"""Rows come as they lie in a table, whatever else the server does: what is made of them has the same order every time."""


@dataclass(frozen=True)
class Schema:
    """A schema of a database."""

    address: str
    name: str

    def __str__(self) -> str:
        return f"{self.address}|{self.name}"


def takes(source: str) -> bool:
    return source.lower().startswith(SCHEMES)


def refuse_password(address: str, form: str = "postgresql://USER@HOST/DATABASE|SCHEMA.TABLE") -> None:
    """Raises FileUnreadableError, which does not quote it, for an address with a password, or for none of that `form`."""
    try:
        parts = urlsplit(address)
        secret = parts.password is not None or any("password" in key.lower() for key, _ in parse_qsl(parts.query))
        if not PORTS.fullmatch(parts.netloc.rpartition("@")[2]) and not secret:
            raise ValueError
    except ValueError:
        raise FileUnreadableError("the address of the database", "it is no address", f"Write {form}.") from None
    if secret:
        raise FileUnreadableError(
            f"postgresql://...@{parts.hostname or ''}{parts.path}",
            "its address holds a password, which every list of processes would show",
            "Put it into PGPASSWORD in the environment or into the file .pgpass, and leave it out of the address.",
        )


def bare(name: str) -> str:
    """A name without the double quotes that it may be in."""
    return name[1:-1].replace('""', '"') if name.startswith('"') else name


def schema_of(text: str) -> Schema:
    """The schema that is named by 'postgresql://user@host/database|schema', in double quotes where it has marks.

    Raises ParameterError, which quotes no password.
    """
    address, _, name = text.partition("|")
    if not takes(address):
        raise ParameterError(f"--to-postgis must be {FORM}.")
    try:
        refuse_password(address, FORM)
    except FileUnreadableError as error:
        raise ParameterError(f"--to-postgis {error.path}: {error.why}. {error.todo}") from None
    if re.fullmatch(IN_MARKS, name):
        name = bare(name)
    if not name or len(name.encode()) > LONGEST_NAME or name.lower().startswith(("pg_", "information_schema")):
        raise ParameterError(f"--to-postgis names no schema that can be written to. Write {FORM}; it is made where it is not there.")
    return Schema(address, name)


@contextmanager
def connected(address: str, *, writing: bool = False) -> "Iterator[psycopg.Connection[Any]]":
    """A connection in one transaction, which is undone at the end unless it was committed; one that is not for writing cannot write.

    What the server says is told without the address, in which its driver might quote more. Raises FileUnreadableError, or
    DatabaseRefusedError where it is for writing.
    """

    def refused(why: str, todo: str) -> GeosepticError:
        return DatabaseRefusedError(address, why, todo) if writing else FileUnreadableError(address, why, todo)

    try:
        import psycopg
    except ImportError:
        raise refused("psycopg is not installed", "Install geoseptic[postgis].") from None
    try:
        connection = psycopg.connect(address, connect_timeout=TIMEOUT_S, application_name="geoseptic")
        try:
            connection.read_only = not writing
            if not writing:
                connection.execute(IN_ORDER)
            yield connection
        finally:
            connection.close()
    except (psycopg.Error, UnicodeError) as error:
        said = " ".join(str(error).split()).rstrip(".") or type(error).__name__
        # Not chained: a driver's own error may carry the parameters of the connection.
        raise refused(said, "Check address, rights and network; a password comes from PGPASSWORD or .pgpass.") from None
