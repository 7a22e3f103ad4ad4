"""Worker processes that share out whatever a run has to share out: own ones, which are started once, or those of a Dask cluster."""

import asyncio
import os
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import ParameterError, WorkerLostError, listed
from geoseptic.stages import stage

ONE_THREAD: Final = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""A worker is one of several: none of them may take all cores."""

CACHE: Final = {"GDAL_CACHEMAX": "128"}
"""Megabytes of GDAL's block cache in a worker, instead of a share of the machine's memory."""

ANSWER_WITHIN_S: Final = 8.0
"""How long a scheduler has to answer, and then a first worker of it to be there."""


@dataclass(eq=False)
class Cluster:
    """A Dask scheduler that this run is connected to, a folder that its workers read too, and how many tasks went there."""

    address: str
    folder: Path
    client: Any
    tasks: int = 0

    def submit(self, task: Callable[..., Any], /, *values: Any) -> "Answer":
        """Hand a task over. It may run more than once, where a worker dies or is thought dead: it must write nothing."""
        self.tasks += 1
        # Not pure: Dask would else hash every value to find out whether it has seen the task before.
        return Answer(self.client.submit(task, *values, pure=False))


@dataclass(frozen=True)
class Answer:
    """What a task on the cluster will give."""

    future: Any

    def result(self) -> Any:
        """The task's result, waited for. Raises what the task raised, and WorkerLostError where the cluster gave it up."""
        from distributed import KilledWorker

        try:
            return self.future.result()
        except KilledWorker as error:
            raise WorkerLostError(
                f"{error.allowed_failures + 1} workers of the cluster ended before their time over the same task, most likely for want of "
                "memory. Nothing was written. Give the workers more memory, or run again with fewer parcels at a time."
            ) from error
        except CancelledError as error:
            raise WorkerLostError(f"the scheduler was lost ({error}). Nothing was written. Start it again, and then this run.") from error
        finally:
            self.cancel()  # A result that is here need not be made again when the worker that holds it dies.

    def cancel(self) -> None:
        """Nobody waits for it any more; without effect on a result that was taken."""
        self.future.release()


_IN_USE: Final[ContextVar[Cluster | None]] = ContextVar("cluster", default=None)
"""Where work is done changes no result, so no process has it among its parameters."""


def cluster_in_use() -> Cluster | None:
    """The cluster of the block that this is called in."""
    return _IN_USE.get()


@contextmanager
def cluster(address: str, folder: Path) -> Iterator[Cluster]:
    """Within the block, tasks that allow it go to the workers of the Dask scheduler at `address`; `folder` is open to all of them.

    Raises ParameterError, before the block, where `distributed` is not installed, no scheduler answers, it has no workers, or one of the
    workers has another version of geoseptic or cannot read the folder. Workers that come later are not asked.
    """
    try:
        from distributed import Client
    except ImportError:
        raise ParameterError(
            "--scheduler needs the package 'distributed', which is not installed: pip install 'geoseptic[cluster]', here and for the "
            "scheduler and its workers."
        ) from None
    with stage("connecting to the scheduler"):
        _ask(address)
        client = Client(address, timeout=ANSWER_WITHIN_S, set_as_default=False)
    with client:
        made = Cluster(address, folder.absolute(), client)
        _refuse_workers(made)
        token = _IN_USE.set(made)
        try:
            yield made
        finally:
            _IN_USE.reset(token)


@contextmanager
def processes(workers: int, on: Cluster | None = None) -> Iterator[Any]:
    """An executor for functions of modules: so many worker processes of this machine, or those of a cluster.

    Raises WorkerLostError where an own one dies; a cluster gives the dead one's tasks to another.
    """
    if on is not None:
        yield on
        return
    from loky import get_reusable_executor
    from loky.process_executor import TerminatedWorkerError

    try:
        yield get_reusable_executor(max_workers=workers, env=ONE_THREAD | CACHE)
    except TerminatedWorkerError as error:
        raise WorkerLostError(
            "a worker process ended before its time, most likely for want of memory. Nothing was written. Run again with fewer workers "
            "(--workers 1), or with fewer parcels at a time."
        ) from error


def _ask(address: str) -> None:
    """Whether a scheduler answers there: a client that fails to connect would not come to its end."""
    from distributed import rpc
    from distributed.security import Security

    async def asked() -> Any:
        async with rpc(address, timeout=ANSWER_WITHIN_S, connection_args=Security().get_connection_args("client")) as other:
            return await other.identity()

    try:
        kind = asyncio.run(asyncio.wait_for(asked(), ANSWER_WITHIN_S))["type"]
    except Exception as error:  # whatever speaks there may answer anything, and Dask then raises anything
        why = f"no answer within {ANSWER_WITHIN_S:g} s" if isinstance(error, TimeoutError) else str(error) or type(error).__name__
        raise ParameterError(
            f"--scheduler {address}: no Dask scheduler can be reached there ({why}). Start one (dask scheduler) and give the address that "
            "it prints, such as tcp://10.0.0.5:8786."
        ) from error
    if kind != "Scheduler":
        raise ParameterError(f"--scheduler {address} is a Dask {str(kind).lower()}. Give the address of its scheduler.")


def own_version() -> str:
    """The version of geoseptic in this process."""
    return version("geoseptic")


def _refuse_workers(made: Cluster) -> None:
    try:
        made.client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
    except TimeoutError:
        raise ParameterError(f"--scheduler {made.address} has no workers. Start some (dask worker {made.address}) and run again.") from None
    own = own_version()
    versions = made.client.run(version, "geoseptic", on_error="return")
    strangers = [f"{worker} ({found if isinstance(found, str) else 'none'})" for worker, found in versions.items() if found != own]
    if strangers:
        raise ParameterError(
            f"--scheduler {made.address}: geoseptic here is {own}, and another or none at the workers {listed(strangers)}. Give all "
            "of them the same, with the same packages, or the outputs could differ."
        )
    readable = made.client.run(os.access, str(made.folder), os.R_OK | os.X_OK)
    blind = [worker for worker, may in readable.items() if not may]
    if blind:
        raise ParameterError(
            f"--scheduler {made.address}: {made.folder} cannot be read by the workers {listed(blind)}. Name an --out that they have by "
            "the same path, as the same user."
        )
