"""Tells which stage a run is in and how long each took, through the standard logging module; silent unless somebody listens."""

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

LOGGER: Final = logging.getLogger("geoseptic")
LOGGER.addHandler(logging.NullHandler())


@contextmanager
def stage(name: str) -> Iterator[None]:
    """Log the stage's name when it starts, and its seconds when it ends; as a decorator, every call is such a stage."""
    LOGGER.info("%s", name, extra={"stage": name})
    started = time.perf_counter()
    yield
    LOGGER.debug("%s done", name, extra={"stage": name, "seconds": time.perf_counter() - started})
