"""Runs a command of geoseptic in the Python that has it: its lines as they come, and its end when it is wanted no more."""

from __future__ import annotations

import os
import queue
import subprocess
import threading
from collections.abc import Callable
from typing import Any

NOT_ITS_OWN = ("PYTHON", "GDAL_", "PROJ_", "OGR_", "QT_")
"""Beginnings of the variables that QGIS sets for its own libraries, which are not those of the other Python."""

OWN_FOLDER = "import sys; sys.path.insert(0, {folder!r}); "
START = "from geoseptic.run.cli import main; raise SystemExit(main())"

POLL_S = 0.2
GRACE_S = 10.0


class CancelledError(Exception):
    """Whoever wanted the run wants it no more."""


def command(python: str, folder: str | None, words: list[str]) -> list[str]:
    """`folder` is where geoseptic lies, where that Python does not know it by itself."""
    return [python, "-c", (OWN_FOLDER.format(folder=folder) if folder else "") + START, *words]


def run(words: list[str], tell: Callable[[str], None], cancelled: Callable[[], bool]) -> tuple[int, str, list[str]]:
    """Exit code, standard output and the lines of standard error, which `tell` gets one by one. Raises CancelledError."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith(NOT_ITS_OWN)}
    options: dict[str, Any] = {"creationflags": subprocess.CREATE_NO_WINDOW} if os.name == "nt" else {}  # type: ignore[attr-defined]
    child = subprocess.Popen(
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        encoding="utf-8",
        errors="replace",
        **options,
    )
    lines: queue.Queue[str] = queue.Queue()
    output: list[str] = []

    def hear() -> None:
        for line in child.stderr or ():
            lines.put(line.rstrip("\n"))

    def collect() -> None:
        output.append(child.stdout.read() if child.stdout else "")

    readers = [threading.Thread(target=hear, daemon=True), threading.Thread(target=collect, daemon=True)]
    for reader in readers:
        reader.start()
    told: list[str] = []
    try:
        while child.poll() is None or readers[0].is_alive() or not lines.empty():
            if cancelled() and child.poll() is None:
                _end(child)
                raise CancelledError
            try:
                told.append(lines.get(timeout=POLL_S))
            except queue.Empty:
                continue
            tell(told[-1])
    finally:
        for reader, stream in ((readers[0], child.stderr), (readers[1], child.stdout)):
            reader.join(GRACE_S)
            if stream is not None and not reader.is_alive():
                stream.close()
    return child.returncode, "".join(output), told


def _end(child: subprocess.Popen[str]) -> None:
    """Asked to end, the run clears its working files away; nothing half-written stays."""
    child.terminate()
    try:
        child.wait(GRACE_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
