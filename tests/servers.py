"""A PostgreSQL server with PostGIS, on the loopback and in a folder of its own."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

SECRET = "s3cret-of-the-test"


def programs() -> Path | None:
    """The newest server of the machine that has PostGIS."""
    for control in sorted(Path("/usr/share/postgresql").glob("*/extension/postgis.control"), reverse=True):
        folder = Path("/usr/lib/postgresql") / control.parts[-3] / "bin"
        if (folder / "initdb").exists():
            return folder
    return None


@contextmanager
def postgis_server(folder: Path) -> Iterator[str]:
    """A server by the programs in `folder`; an address without a password, which is in the environment. It runs as nobody where the tests
    run as root."""
    import psycopg

    root = Path("/tmp") / f"geoseptic-postgis-{os.getpid()}"
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(mode=0o700)
    (root / "password").write_text(SECRET)
    own = {"user": "nobody", "cwd": "/"} if os.getuid() == 0 else {"cwd": "/"}
    if os.getuid() == 0:
        for path in (root, root / "password"):
            shutil.chown(path, "nobody")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
    made = [
        folder / "initdb",
        "-D",
        root / "data",
        "-U",
        "clerk",
        "-E",
        "UTF8",
        "--auth=scram-sha-256",
        "--pwfile",
        root / "password",
        "-N",
    ]
    subprocess.run(made, check=True, capture_output=True, env=environment, **own)
    settings = ("listen_addresses=127.0.0.1", "unix_socket_directories=", "fsync=off", "shared_buffers=16MB", f"port={port}")
    words = [folder / "postgres", "-D", root / "data", *(word for setting in settings for word in ("-c", setting))]
    with (root / "log").open("wb") as log, pytest.MonkeyPatch.context() as patch:
        running = subprocess.Popen(words, stdout=log, stderr=log, env=environment, **own)
        patch.setenv("PGPASSWORD", SECRET)
        try:
            until = time.monotonic() + 60
            while True:
                try:
                    psycopg.connect(f"postgresql://clerk@127.0.0.1:{port}/postgres", connect_timeout=5).close()
                    break
                except psycopg.OperationalError:
                    assert time.monotonic() < until and running.poll() is None, (root / "log").read_text()
                    time.sleep(0.1)
            yield f"postgresql://clerk@127.0.0.1:{port}/postgres"
        finally:
            running.send_signal(signal.SIGINT)
            running.wait(30)
            shutil.rmtree(root, ignore_errors=True)
