"""Memory that was freed, handed back to the system: what stays with the C library counts in the peak of all that comes after."""

import ctypes
import sys
from functools import cache
from typing import Any


def give_back() -> None:
    """Have the C library return what it keeps of freed blocks. Only glibc does; elsewhere nothing happens."""
    if (trim := _trim()) is not None:
        trim(0)


@cache
def _trim() -> Any:
    return getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
