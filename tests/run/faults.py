"""A process with everything loaded that forks a run for each line it reads, has something happen to it, and tells how it ended.

    python -m tests.run.faults

Lines of JSON in: {"runs": [[process, word, ...], ...], "fault": {...}, "log": path}; out: {"codes": [...], "seconds": s}.
With "learn": path in the line, what that run loads is loaded for all that are forked later: half of what a run on so little ground takes.
"""

import errno
import gc
import importlib
import json
import os
import pickle
import resource
import signal
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import Any

WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT


def at_file_event(out: str, number: int, happens: Any, first: str = "") -> None:
    """`happens` before the event `number` of those by which something changes in the folder: opening to write, renaming, taking away;
    counted from the first one whose target has `first` in its name."""
    count: Counter[str] = Counter()

    def hook(event: str, given: tuple[Any, ...]) -> None:
        if event not in ("open", "os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.truncate"):
            return
        if not str(given[0]).startswith(out) or (event == "open" and not (isinstance(given[2], int) and given[2] & WRITES)):
            return
        count["begun"] += first in str(given[:2])
        count["events"] += count["begun"] > 0
        if count["events"] == number and count["done"] == 0:
            count["done"] = 1
            happens()

    sys.addaudithook(hook)


def fails(kind: int) -> Any:
    def failing() -> None:
        raise OSError(kind, os.strerror(kind))

    return failing


def dies() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def stage_hook(name: str, happens: Any) -> None:
    """`happens` when the stage begins."""
    from geoseptic.stages import LOGGER

    def noticed(record: Any) -> bool:
        if record.getMessage() == name:
            happens()
        return True

    LOGGER.addFilter(noticed)


def jump_clock(seconds: float) -> None:
    real = time.time
    time.time = lambda: real() + seconds


def change(path: str, how: str) -> None:
    file = Path(path)
    if how == "touched":
        os.utime(file, (1, 1))
    elif how == "gone":
        file.unlink()
    elif how == "logged":
        Path(f"{path}-wal").write_bytes(b"an edit that is not in the file yet")
    else:
        before = file.stat()
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= 1
        file.write_bytes(data)
        if how == "in secret":
            os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def prepare(fault: dict[str, Any]) -> None:
    kind = fault.get("kind")
    if kind == "killed at a file":
        at_file_event(fault["out"], fault["number"], dies, fault.get("from", ""))
    elif kind == "file fails":
        at_file_event(fault["out"], fault["number"], fails(getattr(errno, fault["error"])))
    elif kind == "file limit":
        resource.setrlimit(resource.RLIMIT_FSIZE, (fault["bytes"], fault["bytes"]))
    elif kind == "input":
        stage_hook(fault["stage"], lambda: change(fault["path"], fault["how"]))
    elif kind == "no memory":

        def without() -> None:
            raise MemoryError

        stage_hook(fault["stage"], without)
    elif kind == "clock":
        stage_hook(fault["stage"], lambda: jump_clock(fault["seconds"]))
    elif kind == "asked at a file":
        at_file_event(fault["out"], fault["number"], lambda: os.kill(os.getpid(), fault["signal"]))
    elif kind == "worker":
        from geoseptic.processes import screening, workers

        workers.WORTH_PROCESSES, workers.CHUNK = 0, 2  # type: ignore[misc]
        os.environ["GEOSEPTIC_TEST_MARKS"] = fault["marks"]
        os.environ["GEOSEPTIC_TEST_LEFT"] = str(fault["left"])
        os.environ["PYTHONPATH"] = str(Path(__file__).parents[2])
        screening.laid_out = dying_worker  # type: ignore[assignment]


def dying_worker(lots: Any, setting: Any) -> Any:
    """`layouts.laid_out`, but the first so many processes that are told to do it die."""
    from geoseptic.processes.layouts import laid_out

    marks = Path(os.environ["GEOSEPTIC_TEST_MARKS"])
    mark = marks / str(os.getpid())
    if len(list(marks.iterdir())) < int(os.environ["GEOSEPTIC_TEST_LEFT"]):
        mark.touch()
        dies()
    return laid_out(lots, setting)


def loaded() -> tuple[list[str], list[tuple[str, str, Any]]]:
    """Names of this process's modules; of each kernel that it called and that runs in one thread, module, name and types: started
    threads and a fork do not go together."""
    from numba.core.dispatcher import Dispatcher

    kernels = {
        (kernel.__module__, kernel.__name__, types)
        for name, module in list(sys.modules.items())
        if name.startswith("geoseptic.")
        for kernel in vars(module).values()
        if isinstance(kernel, Dispatcher) and not kernel.targetoptions.get("parallel")
        for types in kernel.overloads
    }
    return sorted(sys.modules), sorted(kernels, key=str)


def load(modules: list[str], kernels: list[tuple[str, str, Any]]) -> None:
    for name in modules:
        with suppress(ImportError):
            importlib.import_module(name)
    from numba.core.types import BaseNamedTuple
    from numba.core.typing.typeof import typeof_impl

    for module, name, types in kernels:
        getattr(sys.modules[module], name).compile(types)
        for kind in types:
            if isinstance(kind, BaseNamedTuple):
                typeof_impl.dispatch(kind.instance_class)  # to look for it takes 0.2 s, in every process anew
    # What the collector of garbage never looks at is not copied for it.
    gc.collect()
    gc.freeze()


def forked(words: list[str], fault: dict[str, Any], log: Path, learn: str | None) -> int:
    child = os.fork()
    if child:
        return child
    code = 99
    try:
        os.setpgid(0, 0)
        with log.open("w") as file:
            os.dup2(file.fileno(), 2)
            os.dup2(file.fileno(), 1)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        prepare(fault)
        from geoseptic.run.cli import main

        code = main(words[0], words[1:])
        if learn:
            Path(learn).write_bytes(pickle.dumps(loaded()))
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException as error:  # whatever a run lets through is told
        print(f"Traceback: {error!r}", file=sys.stderr, flush=True)
    finally:
        os._exit(code)


def serve() -> None:
    from geoseptic.io import cogs, layers, vectors  # noqa: F401
    from geoseptic.processes import mapping, screening, screening_tables  # noqa: F401
    from geoseptic.run import runner  # noqa: F401

    print("ready", flush=True)
    for line in sys.stdin:
        job = json.loads(line)
        fault, learn, started = job["fault"], job.get("learn"), time.monotonic()
        children = [forked(words, fault, Path(job["log"] + str(number)), learn) for number, words in enumerate(job["runs"])]
        if "after_s" in fault:
            timer = threading.Timer(fault["after_s"], lambda children=children, fault=fault: os.kill(children[0], fault["signal"]))
            timer.start()
        codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        if "after_s" in fault:
            timer.cancel()
            timer.join()
        if learn and codes == [0]:
            load(*pickle.loads(Path(learn).read_bytes()))
        print(json.dumps({"codes": codes, "seconds": time.monotonic() - started}), flush=True)


if __name__ == "__main__":
    serve()
