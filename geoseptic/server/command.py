"""The command line of the server."""

import argparse
import signal
import sys
import textwrap
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoseptic.errors import GeosepticError
from geoseptic.io import locks
from geoseptic.model.cautions import CAUTIONS, SCREENING_AID
from geoseptic.server.folder import DataFolder

MISSING = "geoseptic serve: this Python does not have {name}. Install the server with it: pip install 'geoseptic[server]'."
IDLE_S = 60
"""After so many seconds without a byte a connection is given up."""


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="geoseptic serve",
        description="Runs the processes for other programs, by OGC API - Processes at the loopback address of this machine.",
        epilog="\n".join(textwrap.wrap(CAUTIONS[0], 100)),
        allow_abbrev=False,
    )
    made.add_argument("--data", metavar="FOLDER", type=Path, required=True, help="folder with the files that requests may name")
    made.add_argument("--out", metavar="FOLDER", type=Path, required=True, help="folder for the jobs, one folder each; the server's alone")
    made.add_argument("--port", metavar="NUMBER", type=int, default=5000, help="port at 127.0.0.1 (1 to 65535); default 5000")
    made.add_argument("--workers", metavar="NUMBER", type=int, default=1, help="cores that a job may use (1 to 64); default 1")
    return made


def main(words: Sequence[str]) -> int:
    try:
        given = parser().parse_args(words)
    except SystemExit as stop:  # argparse has said why
        return int(stop.code or 0)
    if not 1 <= given.port <= 65535 or not 1 <= given.workers <= 64:
        return _refused("--port must be from 1 to 65535, and --workers from 1 to 64.")
    try:
        data, out = DataFolder(given.data).root, given.out.resolve()
        if out.is_relative_to(data) or data.is_relative_to(out):
            return _refused(f"--data {data} and --out {out} lie in one another. Keep them apart.")
        with locks.held(out):
            _serve(data, out, given.port, given.workers)
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("geoseptic"):
            raise
        print(MISSING.format(name=error.name), file=sys.stderr)
        return 3
    except GeosepticError as error:
        print(f"geoseptic serve: {error}", file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(f"geoseptic serve: {error}", file=sys.stderr)
        return 3
    return 0


def _refused(text: str) -> int:
    print(f"geoseptic serve: {text}", file=sys.stderr)
    return 2


def _serve(data: Path, out: Path, port: int, workers: int) -> None:
    """Answer until somebody asks to end."""
    from werkzeug.serving import WSGIRequestHandler, make_server

    from geoseptic.server.app import application

    class Quiet(WSGIRequestHandler):
        timeout = IDLE_S

        def log(self, type: str, message: str, *args: Any) -> None:
            pass

    application_, jobs = application(data, out, port, workers)
    try:
        server = make_server("127.0.0.1", port, application_, threaded=True, request_handler=Quiet)
    except SystemExit:  # werkzeug has said that the port is taken
        jobs.close()
        raise OSError(f"port {port} at 127.0.0.1 cannot be had. Choose another by --port.") from None

    def stop(number: int, frame: object) -> None:
        threading.Thread(target=server.shutdown).start()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    print(f"geoseptic serves at http://127.0.0.1:{port}. {SCREENING_AID}", file=sys.stderr, flush=True)
    try:
        server.serve_forever()
    finally:
        jobs.close()
        server.server_close()
