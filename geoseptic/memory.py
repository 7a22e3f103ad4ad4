"""Memory that was freed, handed back to the system: what stays with the C library counts in the peak of all that comes after. And no
search for garbage where it is not worth its time."""

import atexit
import ctypes
import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


def give_back() -> None:
    """Have the C library return what it keeps of freed blocks. Only glibc does; elsewhere nothing happens."""
    if (trim := _trim()) is not None:
        trim(0)


@cache
def _trim() -> Any:
    return getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None


@contextmanager
def modules_only() -> Iterator[None]:
    """While modules are loaded, Python does not look for circular garbage: they make many objects and hardly any of them is garbage."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def leave_to_the_system() -> None:
    """When this process ends, Python does not look for circular garbage in all that is loaded: the system takes the memory anyway.

    What waits for such a search to be closed is not: files must be closed by then.
    """
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
