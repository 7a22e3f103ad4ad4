"""Lots shared out among worker processes: Python between the kernels would hold threads back."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from functools import cached_property, partial
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from geoseptic.io.atonce import at_once
from geoseptic.io.digests import digest
from geoseptic.io.keptparts import by_parts
from geoseptic.io.scratch import FilePlane, filed
from geoseptic.parcels.fit import Terrain
from geoseptic.parcels.onelot import by_halves
from geoseptic.pools import Cluster, cluster_in_use, in_order
from geoseptic.processes.layouts import Setting
from geoseptic.processes.lots import Lots

CHUNK: Final = 250
"""Lots handed out at a time: enough that sending them does not matter, few enough that no worker waits long for the last."""

WORTH_PROCESSES: Final = 1000
"""With fewer lots, starting workers takes longer than they save."""

ARRAYS: Final = ("elevation_m", "good", "path_m")
"""What of a terrain goes into files; of a setting the arrays of all its terrains, and its own."""

OWN: Final = ""
"""Stands for an array of ARRAYS where the setting's field is one itself."""

T = TypeVar("T")


@dataclass(frozen=True)
class Pool:
    """Runs tasks over lots in one setting, by itself or with worker processes that read the ground from files."""

    setting: Setting
    workers: int
    files: "_SettingFiles | None"
    cluster: Cluster | None = None

    def each(self, task: Callable[..., T], lots: Lots, *columns: Any) -> tuple[list[T], dict[int, str]]:
        """`task(lots, setting, *columns)` for the lots in chunks, in their order, and why it failed at those at which it did; columns are
        arrays with one row a lot.

        A lot at which the task fails is handed to it once more as one of which nothing can be said.
        """
        parts = [slice(start, start + CHUNK) for start in range(0, len(lots), CHUNK)]
        given = [(lots.of(part), *(column[part] for column in columns)) for part in parts]
        done: list[tuple[list[T], dict[int, str]]] = by_parts(
            task, lambda: (self._ground,), given, lambda missing: self._made(task, missing), _without_failure
        )
        failed = {part.start + row: why for part, (_, lost) in zip(parts, done, strict=True) for row, why in lost.items()}
        return [one for found, _ in done for one in found], failed

    def _made(self, task: Callable[..., T], given: list[tuple[Any, ...]]) -> Iterator[tuple[list[T], dict[int, str]]]:
        if self.files is None or len(given) < 2:
            yield from (_each(task, lots, self.setting, *columns) for lots, *columns in given)
            return
        yield from in_order(self.workers, self.cluster, [partial(_task, task, self.files, at_once(part)) for part in given])

    @cached_property
    def _ground(self) -> bytes:
        """A hash of the setting."""
        return digest(self.setting)


@contextmanager
def pool_of(setting: Setting, workers: int, lots: int) -> Iterator[Pool]:
    """A pool for so many lots; its files are gone afterwards, its worker processes wait for the next task and end when idle.

    Where a cluster is in use, its workers do the tasks, and the files are in the folder that they share.
    """
    cluster = cluster_in_use()
    if (workers <= 1 and cluster is None) or lots < WORTH_PROCESSES:
        yield Pool(setting, 1, None)
        return
    arrays = _arrays(setting)
    # Terrains share arrays: each goes into one file.
    once = {str(id(array)): array for array in arrays.values()}
    with filed(once, cluster.folder if cluster else None) as files:
        bare = _with_arrays(setting, {key: np.empty((0, 0), array.dtype) for key, array in arrays.items()})
        yield Pool(setting, workers, _SettingFiles(bare, {key: files[str(id(array))] for key, array in arrays.items()}), cluster)


@dataclass(frozen=True)
class _SettingFiles:
    """A setting whose ground is in files, by field and array."""

    bare: Setting
    files: Mapping[tuple[str, str], FilePlane]

    def opened(self) -> Setting:
        arrays = {plane.path: plane.array() for plane in self.files.values()}
        return _with_arrays(self.bare, {key: arrays[plane.path] for key, plane in self.files.items()})


def _arrays(setting: Setting) -> dict[tuple[str, str], npt.NDArray[Any]]:
    """All arrays of a setting, by its field and that of the terrain in it."""
    found: dict[tuple[str, str], npt.NDArray[Any]] = {}
    for name in (column.name for column in fields(setting)):
        value = getattr(setting, name)
        if isinstance(value, Terrain):
            found |= {(name, array): getattr(value, array) for array in ARRAYS}
        elif isinstance(value, np.ndarray):
            found[name, OWN] = value
    return found


def _with_arrays(setting: Setting, arrays: Mapping[tuple[str, str], npt.NDArray[Any]]) -> Setting:
    """The setting with these in the place of its arrays."""
    changed: dict[str, Any] = {}
    for name in {name for name, _ in arrays}:
        own: dict[str, Any] = {array: one for (field, array), one in arrays.items() if field == name}
        changed[name] = own[OWN] if OWN in own else replace(getattr(setting, name), **own)
    return replace(setting, **changed)


def _without_failure(answer: tuple[Any, dict[int, str]]) -> bool:
    """Whether the step may be taken from a store: what failed may go well another time."""
    return not answer[1]


def _task(task: Callable[..., T], files: _SettingFiles, part: tuple[Any, ...]) -> tuple[list[T], dict[int, str]]:
    lots, *columns = part
    return at_once(_each(task, lots, files.opened(), *columns))


def _each(task: Callable[..., T], lots: Lots, setting: Setting, *columns: Any) -> tuple[list[T], dict[int, str]]:
    """What the task gives for these lots, in one or several parts, and why it failed at some."""
    found, failed = by_halves(lambda rows: task(lots.of(rows), setting, *(column[rows] for column in columns)), len(lots))
    parts = [(int(rows[0]), one) for rows, one in found]
    for row, why in failed.items():
        one = np.array([row])
        parts.append((row, task(lots.of(one).barred({0: why}), setting, *(column[one] for column in columns))))
    return [one for _, one in sorted(parts, key=lambda part: part[0])], failed
