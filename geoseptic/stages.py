"""Tells which stage a run is in, how long each took and how layers were reprojected, by the standard logging module, to whoever listens."""

import logging
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Final

from geoseptic.memory import give_back

LOGGER: Final = logging.getLogger("geoseptic")
LOGGER.addHandler(logging.NullHandler())


@contextmanager
def stage(name: str) -> Iterator[None]:
    """Log the stage's name when it starts, and its seconds when it ends; as a decorator, every call is such a stage.

    What it has freed goes back to the system, or it would count in the peak of the next one.
    """
    LOGGER.info("%s", name, extra={"stage": name})
    started = time.perf_counter()
    yield
    give_back()
    LOGGER.debug("%s done", name, extra={"stage": name, "seconds": time.perf_counter() - started})


def tell_reprojection(layer: str, record: Mapping[str, object]) -> None:
    """Log by which way a layer came into the frame where distances are measured; `record` is ready for JSON."""
    LOGGER.debug("%s reprojected", layer, extra={"reprojected": layer, "reprojection": record})
