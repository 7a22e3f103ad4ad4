"""Where work is done: in this process, in own worker processes, which are started once, or on the workers of a Dask cluster.

The functions are the same everywhere, so the outputs are. Rasters stay in files: a task is told their paths.
"""

import os
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache, partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

from geoseptic.errors import ParameterError, WorkerLostError, listed
from geoseptic.stages import LOGGER, stage

Done = TypeVar("Done")

ONE_THREAD: Final = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""A worker is one of several: none of them may take all cores."""

CACHE: Final = {"GDAL_CACHEMAX": "128"}
"""Megabytes of GDAL's block cache in a worker, instead of a share of the machine's memory."""

ANSWER_WITHIN_S: Final = 8.0
"""How long a scheduler has to answer, and then a first worker of it to be there."""

LOOK_EVERY_S: Final = 5.0
"""How often a run that waits for an answer looks whether there still are workers."""

WITHOUT_WORKERS_S: Final = 60.0
"""How long a run waits for new workers when the last one has gone."""

LOOK_FOR_PARENT_S: Final = 0.5
"""How often a worker process looks whether the run that started it is still there."""

SAME_EVERYWHERE: Final = (
    "geoseptic",
    "numpy",
    "numba",
    "llvmlite",
    "scipy",
    "shapely",
    "pyproj",
    "rasterio",
    "pandas",
    "geopandas",
    "cloudpickle",
)
"""Packages whose versions could change a byte of the outputs, or what a task is read as."""


class Kept(Protocol):
    """Work in a file of the folder in common: called, it reads the file, once a process, and does the work."""

    @property
    def path(self) -> str: ...

    def __call__(self, *values: Any) -> Any: ...

    def drop(self) -> None:
        """Take the file away."""


@dataclass(eq=False)
class Cluster:
    """A Dask scheduler that this run is connected to, and a folder that its workers read and write too.

    `keep` puts work into a file there, so that the scheduler sees nothing of a task but a path and which window. `tasks` counts them,
    `workers` are those that were there at the start.
    """

    address: str
    folder: Path
    client: Any
    keep: Callable[[Callable[..., Any]], Kept]
    tasks: int = 0
    workers: frozenset[str] = frozenset()
    without_workers_since: float | None = field(default=None, init=False)

    def submit(self, task: Callable[..., Any], /, *values: Any) -> "Answer":
        """Hand a task over, as to an executor."""
        return self._sent(self.keep(partial(task, *values)))

    def each(self, work: Callable[[Any], Any], jobs: Iterable[Any]) -> list[Any]:
        """What `work` gives for every job, in their order.

        A worker that is thought dead may still be at a job that another does again: work writes only what no job of the same call reads
        and no later step writes again, and the same bytes each time.
        """
        kept = self.keep(work)
        try:
            return results([self._sent(kept, job) for job in jobs])
        finally:
            kept.drop()

    def lost(self) -> int:
        """How many of the workers of the start are no longer there."""
        return len(self.workers - set(self.client.nthreads()))

    def look_for_workers(self) -> None:
        """Raises WorkerLostError where there have been none for too long."""
        now = time.monotonic()
        if self.client.nthreads():
            self.without_workers_since = None
        elif self.without_workers_since is None:
            self.without_workers_since = now
        elif now - self.without_workers_since > WITHOUT_WORKERS_S:
            raise WorkerLostError(
                f"--scheduler {self.address}: all workers ended, and none has come for {WITHOUT_WORKERS_S:g} s. Nothing was written. Start "
                f"some (dask worker {self.address}), with more memory if they ended for want of it, and run again."
            )

    def _sent(self, kept: Kept, *values: Any) -> "Answer":
        self.tasks += 1
        # Not pure: Dask would else hash every value to find out whether it has seen the task before.
        return Answer(self, self.client.submit(_done, own_versions(), kept, *values, pure=False), kept if not values else None)


@dataclass(frozen=True, eq=False)
class Answer:
    """What a task on the cluster will give, and the file that is its own."""

    cluster: Cluster
    future: Any
    kept: Kept | None

    def result(self) -> Any:
        """The task's result, waited for. Raises what the task raised, and WorkerLostError where the cluster gave it up."""
        from distributed import KilledWorker

        try:
            while not self.future.done():
                try:
                    return self.future.result(timeout=LOOK_EVERY_S)
                except TimeoutError:
                    if not self.future.done():
                        self.cluster.look_for_workers()
            return self.future.result()
        except KilledWorker as error:
            raise WorkerLostError(
                f"{error.allowed_failures + 1} workers of the cluster ended before their time over the same task, most likely for want of "
                "memory. Nothing was written. Give the workers more memory, or run again with fewer parcels at a time."
            ) from error
        except (CancelledError, OSError) as error:
            if isinstance(error, OSError) and self.future.status != "pending":
                raise  # the task's own
            raise WorkerLostError(f"the scheduler was lost ({error}). Nothing was written. Start it again, and then this run.") from error
        finally:
            self.cancel()  # A result that is here need not be made again when the worker that holds it dies.

    def cancel(self) -> None:
        """Nobody waits for it any more; without effect on a result that was taken."""
        self.future.release()
        if self.kept is not None:
            self.kept.drop()


def results(answers: list[Any]) -> list[Any]:
    """The results of all answers of an executor or a cluster, in their order; where one fails, the others are given up."""
    try:
        return [answer.result() for answer in answers]
    finally:
        for answer in answers:
            answer.cancel()


_IN_USE: Final[ContextVar[Cluster | None]] = ContextVar("cluster", default=None)
"""Where work is done changes no result, so no process has it among its parameters."""


def cluster_in_use() -> Cluster | None:
    """The cluster of the block that this is called in."""
    return _IN_USE.get()


@contextmanager
def cluster(address: str, folder: Path, keep: Callable[[Callable[..., Any]], Kept]) -> Iterator[Cluster]:
    """Within the block, tasks that allow it go to the workers of the Dask scheduler at `address`; `folder` is open to all of them.

    Raises ParameterError, before the block, where `distributed` is not installed, no scheduler answers, it has no workers, it or one of
    them has another version of what matters, or a worker cannot write in the folder.
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
        made = Cluster(shown(address), folder.absolute(), client, keep)
        _refuse_workers(made)
        token = _IN_USE.set(made)
        try:
            yield made
        finally:
            _IN_USE.reset(token)


def in_order(workers: int, on: Cluster | None, calls: Sequence[Callable[[], Done]]) -> Iterator[Done]:
    """What the calls of functions of modules give, in their order, by so many worker processes or a cluster's.

    What is left when a worker ends before its time, or has no memory, is done by a single new one, twice at most. Raises WorkerLostError
    where those end too. Where whoever asks stops asking, workers are ended.
    """
    if not calls:
        return
    if on is not None:
        yield from results([on.submit(call) for call in calls])
        return
    from loky import get_reusable_executor
    from loky.process_executor import BrokenProcessPool

    done, why = 0, ""
    for again, count in enumerate((workers, 1, 1)):
        executor = get_reusable_executor(max_workers=count, env=ONE_THREAD | CACHE, initializer=_serve, initargs=(os.getpid(),))
        try:
            for answer in [executor.submit(call) for call in calls[done:]]:
                value = answer.result()
                done += 1
                yield value
            return
        except (BrokenProcessPool, MemoryError) as error:
            executor.shutdown(wait=True, kill_workers=True)
            lost = isinstance(error, BrokenProcessPool)
            why = "ended before its time, most likely for want of memory" if lost else "had no memory left"
            if not again:
                LOGGER.warning("a worker process %s; what was left is done by a single one. Fewer workers (--workers 1) need less", why)
        except BaseException:
            executor.shutdown(wait=True, kill_workers=True)
            raise
    raise WorkerLostError(
        f"a worker process {why}, and the same happened to the two that did its work again. Nothing was written. Run again with "
        "--workers 1 and less else on the machine, with more memory, or with fewer parcels at a time."
    )


def _serve(parent: int) -> None:
    """In a worker: Ctrl-C is for its parent to hear, and it does not outlive that, which nobody may have told to end it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_FOR_PARENT_S)
        os._exit(1)

    if sys.platform != "win32":  # where a parent's number stays when it has gone
        threading.Thread(target=watch, daemon=True).start()


def shown(address: str) -> str:
    """The address as messages and records show it: without what may be a name and a password, a token or a query."""
    return re.sub(r"[?#].*", "", re.sub(r"^([^/@]*//)?[^/]*@", r"\1", address, count=1))


@cache
def own_versions() -> tuple[tuple[str, str], ...]:
    """Versions in this process of Python and of what else must be the same everywhere."""
    return ("python", ".".join(map(str, sys.version_info))), *((name, _version(name)) for name in SAME_EVERYWHERE)


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def _done(versions: tuple[tuple[str, str], ...], work: Callable[..., Any], *values: Any) -> Any:
    """On a worker, which may have come in mid-run: the work's result, in one thread."""
    if versions != own_versions():
        raise ParameterError(
            f"a worker of the cluster differs from this machine: {_difference(dict(versions), dict(own_versions()))}. {SAME}"
        )
    import numba

    numba.set_num_threads(1)
    return work(*values)


SAME: Final = "Give all of them the same versions, or the outputs could differ. Nothing was written."


def _difference(own: Mapping[str, str], found: Mapping[str, str | None]) -> str:
    return ", ".join(f"{name} {found.get(name) or 'none'} instead of {value}" for name, value in own.items() if found.get(name) != value)


def _ask(address: str) -> None:
    """Whether a scheduler answers there: a client that fails to connect would not come to its end."""
    import asyncio  # 0.06 s that no run without a cluster has to spend

    from distributed import rpc
    from distributed.security import Security

    async def asked() -> Any:
        async with rpc(address, timeout=ANSWER_WITHIN_S, connection_args=Security().get_connection_args("client")) as other:
            return await other.identity()

    try:
        kind = asyncio.run(asyncio.wait_for(asked(), ANSWER_WITHIN_S))["type"]
    except Exception as error:  # whatever speaks there may answer anything, and Dask then raises anything
        # Dask's words, like the chain of causes, tell the whole address.
        told = str(error) if shown(address) == address else ""
        why = f"no answer within {ANSWER_WITHIN_S:g} s" if isinstance(error, TimeoutError) else told or type(error).__name__
        raise ParameterError(
            f"--scheduler {shown(address)}: no Dask scheduler can be reached there ({why}). Start one (dask scheduler) and give the "
            "address that it prints, such as tcp://10.0.0.5:8786."
        ) from None
    if kind != "Scheduler":
        raise ParameterError(f"--scheduler {shown(address)} is a Dask {str(kind).lower()}. Give the address of its scheduler.")


def _refuse_workers(made: Cluster) -> None:
    where = f"--scheduler {made.address}"
    try:
        made.client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
    except TimeoutError:
        raise ParameterError(f"{where} has no workers. Start some (dask worker {made.address}) and run again.") from None
    own, told = dict(own_versions()), made.client.get_versions(packages=list(SAME_EVERYWHERE))
    others = {"scheduler": told["scheduler"], **told["workers"]}
    strangers = [f"{name} ({wrong})" for name, found in others.items() if (wrong := _difference(own, found["packages"]))]
    if strangers:
        raise ParameterError(f"{where} differs from this machine: {listed(strangers)}. {SAME}")
    made.workers = frozenset(told["workers"])
    probe = made.keep(os.access)
    try:
        open_to = made.client.run(probe, probe.path, os.R_OK | os.W_OK, on_error="return")
    finally:
        probe.drop()
    blind = [worker for worker, found in open_to.items() if found is not True]
    if blind:
        raise ParameterError(
            f"{where}: {made.folder} cannot be read and written by the workers {listed(blind)}. Name an --out that they have by the same "
            "path, as the same user."
        )
