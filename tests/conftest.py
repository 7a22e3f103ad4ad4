"""What holds for all tests: no test is timed, and random cases are the same in every run."""

from collections.abc import Callable, Iterator

import pytest
from hypothesis import settings

from tests.servers import postgis_server, programs

settings.register_profile("geoseptic", deadline=None, derandomize=True)
settings.load_profile("geoseptic")


@pytest.fixture(scope="session")
def database() -> Iterator[Callable[[str], str]]:
    """Makes a database with PostGIS of a name and tells its address; one server for all tests."""
    psycopg = pytest.importorskip("psycopg")
    folder = programs()
    if folder is None:
        pytest.skip("no PostgreSQL server with PostGIS on this machine")
    with postgis_server(folder) as address:

        def made(name: str) -> str:
            with psycopg.connect(address, autocommit=True) as connection:
                connection.execute(psycopg.sql.SQL("CREATE DATABASE {0}").format(psycopg.sql.Identifier(name)))
            own = f"{address.rpartition('/')[0]}/{name}"
            with psycopg.connect(own, autocommit=True) as connection:
                connection.execute("CREATE EXTENSION postgis")
            return own

        yield made
