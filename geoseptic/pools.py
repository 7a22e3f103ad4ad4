"""Worker processes, which are started once and share out whatever a run has to share out."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from geoseptic.errors import WorkerLostError

ONE_THREAD: Final = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""A worker is one of several: none of them may take all cores."""

CACHE: Final = {"GDAL_CACHEMAX": "128"}
"""Megabytes of GDAL's block cache in a worker, instead of a share of the machine's memory."""


@contextmanager
def processes(workers: int) -> Iterator[Any]:
    """An executor of so many worker processes, for functions of modules. Raises WorkerLostError where one of them dies."""
    from loky import get_reusable_executor
    from loky.process_executor import TerminatedWorkerError

    try:
        yield get_reusable_executor(max_workers=workers, env=ONE_THREAD | CACHE)
    except TerminatedWorkerError as error:
        raise WorkerLostError(
            "a worker process ended before its time, most likely for want of memory. Nothing was written. Run again with fewer workers "
            "(--workers 1), or with fewer parcels at a time."
        ) from error
