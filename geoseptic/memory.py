"""Memory that was freed, handed back to the system: what stays with the C library counts in the peak of all that comes after. And no
search for garbage where it is not worth its time."""

import atexit
import ctypes
import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, Final

NEW_OBJECTS: Final = 200_000


def give_back() -> None:
    """Have the C library return what it keeps of freed blocks, which only glibc does, and Arrow, where pandas has loaded it."""
    arrow: Any = sys.modules.get("pyarrow")
    if hasattr(arrow, "default_memory_pool"):
        arrow.default_memory_pool().release_unused()
    if (trim := _trim()) is not None:
        trim(0)


@cache
def _trim() -> Any:
    return getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None


@contextmanager
def seldom_searched() -> Iterator[None]:
    """Meanwhile Python looks for circular garbage after every `NEW_OBJECTS` and not after every few hundred.

    Modules and layers are hundreds of thousands of objects that stay: by its usual few hundred Python went through them again and again, an
    eighth of the time of a short run. A map of 16 M cells with its parcels takes no more memory so (1,338 and 1,333 MB).

    What came meanwhile counts as old afterwards: else the usual few hundred would have all of it searched at once, a fifth of a second.
    """
    before = gc.get_threshold()
    gc.set_threshold(NEW_OBJECTS, *before[1:])
    try:
        yield
    finally:
        if not gc.get_freeze_count():
            gc.freeze()
            gc.unfreeze()
        gc.set_threshold(*before)


def leave_to_the_system() -> None:
    """When this process ends, Python does not look for circular garbage in all that is loaded: the system takes the memory anyway.

    What waits for such a search to be closed is not: files must be closed by then.
    """
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)


def never_freed(*values: Any) -> None:
    """The values stay as they are until this process ends, which is soon: layers are millions of objects, and to free them one by one took
    a tenth of the time of a run that finds the rest kept."""
    ctypes.pythonapi.Py_IncRef(ctypes.py_object(values))
