"""The run of one job, in a process of its own: its request comes in by standard input, its stages and its end go out by standard output.

One line of JSON each. When standard input ends, whoever wanted the run is gone, and it ends too.
"""

import json
import logging
import os
import signal
import sys
import threading
from typing import Any, TextIO

from geoseptic.catalog import PROCESSES
from geoseptic.run import arguments, endings, runner, stops
from geoseptic.run.version import version
from geoseptic.stages import LOGGER


class _Tell(logging.Handler):
    """Tells the stages as they begin."""

    def __init__(self, channel: TextIO) -> None:
        super().__init__(logging.INFO)
        self.channel = channel

    def emit(self, record: logging.LogRecord) -> None:
        if (stage := getattr(record, "stage", None)) is not None and not hasattr(record, "seconds"):
            _say(self.channel, {"stage": stage})


def main() -> int:
    # Nothing that a library prints may stand among the lines.
    channel = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    wanted = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_input, daemon=True).start()
    LOGGER.addHandler(_Tell(channel))
    try:
        with stops.heard():
            summary = _run(wanted)
    except BaseException as error:
        text, code = endings.told(error)
        _say(channel, {"error": text, "code": code})
        return code
    _say(channel, {"summary": summary})
    return 0


def _run(wanted: dict[str, Any]) -> dict[str, Any]:
    process = PROCESSES[wanted["process"]]
    request = arguments.combined(process, wanted["config"], {"out": wanted["out"], "quiet": True})
    return runner.run(process, request, version())


def _say(channel: TextIO, what: dict[str, Any]) -> None:
    channel.write(json.dumps(what) + "\n")
    channel.flush()


def _end_with_input() -> None:
    sys.stdin.buffer.read()
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    raise SystemExit(main())
