"""Lots shared out among worker processes: Python between the kernels would hold threads back."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Final, TypeVar

import numpy as np

from geoseptic.io.digests import digest
from geoseptic.io.keptparts import by_parts
from geoseptic.io.scratch import FilePlane, filed
from geoseptic.parcels.fit import Terrain
from geoseptic.pools import Cluster, cluster_in_use, in_order
from geoseptic.processes.layouts import Setting
from geoseptic.processes.lots import Lots

CHUNK: Final = 250
"""Lots handed out at a time: enough that sending them does not matter, few enough that no worker waits long for the last."""

WORTH_PROCESSES: Final = 1000
"""With fewer lots, starting workers takes longer than they save."""

TERRAINS: Final = ("terrain", "bed_terrain", "dry_terrain")
ARRAYS: Final = ("elevation_m", "good", "path_m")
"""What of a setting goes into files: the arrays of its terrains."""

T = TypeVar("T")


@dataclass(frozen=True)
class Pool:
    """Runs tasks over lots in one setting, by itself or with worker processes that read the ground from files."""

    setting: Setting
    workers: int
    files: "_SettingFiles | None"
    cluster: Cluster | None = None

    def each(self, task: Callable[..., T], lots: Lots, *columns: Any) -> list[T]:
        """`task(lots, setting, *columns)` for the lots in chunks, in their order; columns are arrays with one row a lot."""
        parts = [slice(start, start + CHUNK) for start in range(0, len(lots), CHUNK)]
        given = [(lots.of(part), *(column[part] for column in columns)) for part in parts]
        return by_parts(task, lambda: (self._ground,), given, lambda missing: self._made(task, missing))

    def _made(self, task: Callable[..., T], given: list[tuple[Any, ...]]) -> Iterator[T]:
        if self.files is None or len(given) < 2:
            yield from (task(lots, self.setting, *columns) for lots, *columns in given)
            return
        yield from in_order(self.workers, self.cluster, [partial(_task, task, lots, self.files, *columns) for lots, *columns in given])

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
    terrains = {name: getattr(setting, name) for name in TERRAINS}
    arrays = {(name, array): getattr(terrain, array) for name, terrain in terrains.items() for array in ARRAYS}
    # Terrains share arrays: each goes into one file.
    once = {str(id(array)): array for array in arrays.values()}
    with filed(once, cluster.folder if cluster else None) as files:
        empty: dict[str, Any] = {name: _without_arrays(terrain) for name, terrain in terrains.items()}
        bare = replace(setting, **empty)
        yield Pool(setting, workers, _SettingFiles(bare, {key: files[str(id(array))] for key, array in arrays.items()}), cluster)


@dataclass(frozen=True)
class _SettingFiles:
    """A setting whose ground is in files, by terrain and array."""

    bare: Setting
    files: Mapping[tuple[str, str], FilePlane]

    def opened(self) -> Setting:
        arrays = {plane.path: plane.array() for plane in self.files.values()}
        terrains: dict[str, Any] = {}
        for name in TERRAINS:
            own: dict[str, Any] = {array: arrays[self.files[name, array].path] for array in ARRAYS}
            terrains[name] = replace(getattr(self.bare, name), **own)
        return replace(self.bare, **terrains)


def _without_arrays(terrain: Terrain) -> Terrain:
    return replace(terrain, elevation_m=np.empty((0, 0), np.float32), good=np.empty((0, 0), np.uint8), path_m=np.empty((0, 0), np.float32))


def _task(task: Callable[..., T], lots: Lots, files: _SettingFiles, *columns: Any) -> T:
    return task(lots, files.opened(), *columns)
