"""What holds for all tests: no test is timed, and random cases are the same in every run."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.kernels import compile_all
from tests.servers import postgis_server, programs

FIRST = (
    # The longest, so that none is left over to one worker at the end.
    "tests/run/test_bad_days.py",
    "tests/dirty/test_dirty_inputs.py",
    "tests/run/test_kept.py",
    "tests/run/test_cluster.py",
    "tests/run/test_kept_law.py",
    "tests/run/test_resume.py",
    "tests/server/test_real_server.py",
    "tests/run/test_to_postgis.py",
    "tests/processes/test_chance_fits.py",
    "tests/run/test_beyond_memory.py",
    "tests/docs/test_tour.py",
    "tests/toolbox/test_toolbox.py",
    "tests/terrain/test_tileddrain.py",
    "tests/processes/test_workers.py",
    "tests/run/test_command_line.py",
    "tests/processes/test_screen_county.py",
    "tests/run/test_also.py",
    "tests/server/test_answers.py",
    "tests/parcels/test_fit.py",
    "tests/sheets/test_plot_plan.py",
    "tests/parcels/test_searchareas.py",
    "tests/chance/test_calibration.py",
    "tests/sheets/test_sureness.py",
    "tests/run/test_sameruns.py",
    "tests/house/test_sample_data.py",
    "tests/terrain/test_drainage.py",
    "tests/terrain/test_windows.py",
    "tests/published/test_main_job_real_ground.py",
    "tests/processes/test_one_bad_parcel.py",
    "tests/parcels/test_ground.py",
)
"""Files that are begun before all others, in this order."""

IN_MEMORY = Path("/dev/shm")
ROOM_BYTES = 4 * 1024**3

settings.register_profile("geoseptic", deadline=None, derandomize=True)
settings.load_profile("geoseptic")


# Where several processes share the cores, threads of a kernel that wait for each other in a loop take most of the time of a small one.
os.environ.setdefault("OMP_WAIT_POLICY", "passive")


def pytest_configure(config: pytest.Config) -> None:
    # pytest-xdist would begin with the files of most tests, however long they take.
    config.option.loadscopereorder = False
    # A run waits some hundred times until the disk has what it wrote; in memory there is nothing to wait for.
    if IN_MEMORY.is_dir() and os.access(IN_MEMORY, os.W_OK) and shutil.disk_usage(IN_MEMORY).free >= ROOM_BYTES:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(IN_MEMORY))
    if (config.getoption("numprocesses", None) or 0) > 1 and "PYTEST_XDIST_WORKER" not in os.environ:
        compile_all()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {file: number for number, file in enumerate(FIRST)}
    items.sort(key=lambda item: place.get(item.nodeid.partition("::")[0], len(FIRST)))


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
