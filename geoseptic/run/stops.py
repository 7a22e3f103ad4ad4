"""Requests to end a run: Ctrl-C, a request of the system, a closed terminal. Each ends it as an error would, and working files go."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

NAMES: Final = ("SIGINT", "SIGTERM", "SIGHUP")


class StoppedError(KeyboardInterrupt):
    """The run was asked to end by the signal `number`."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class _Asked:
    """What was asked for in this process: signals are the process's, not a run's."""

    number: int | None = None
    too_late = False


@contextmanager
def heard() -> Iterator[None]:
    """Within the block a request to end raises StoppedError, the first time; one that is ignored (nohup) stays so."""
    _Asked.number, _Asked.too_late = None, False

    def stop(number: int, frame: object) -> None:
        again = _Asked.number is not None
        _Asked.number = number
        if not again and not _Asked.too_late:
            raise StoppedError(number)

    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, name) for name in NAMES if hasattr(signal, name)):
            if signal.getsignal(number) != signal.SIG_IGN:
                before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def no_more() -> None:
    """From here on the run is ended no more: it puts its outputs in their place, which takes no time. Raises StoppedError where a request
    came before, also one that a library has swallowed."""
    _Asked.too_late = True
    if _Asked.number is not None:
        raise StoppedError(_Asked.number)
