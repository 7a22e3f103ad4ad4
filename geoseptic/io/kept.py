"""Results of earlier runs in a folder, each under a hash of all that it follows from.

A result is asked for only by the hash of the code and of its own inputs, so what is found is what would be computed, and an old answer to
another question can never be taken. The folder may be deleted at any time. Entries are written beside and renamed, and checked when they
are read: a damaged one counts as not there.
"""

import itertools
import os
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any, ClassVar, Final

import numpy as np
from xxhash import xxh3_128

from geoseptic.errors import DiskFullError, ParameterError
from geoseptic.io import keptlist, locks
from geoseptic.io.digests import code_digest, digest
from geoseptic.io.filehashes import COPIED_BYTES
from geoseptic.io.keptfiles import UNFINISHED, Entry, check, composed, entry_of, first_part
from geoseptic.model.planes import Values

ENDING: Final = ".kept"

_NUMBER = itertools.count()


@dataclass(eq=False)
class Store:
    """The results kept in `folder`. `reused` and `made` count them by step; `damaged` are files that were passed over."""

    folder: Path
    started: float = field(default_factory=time.time)
    reused: Counter[str] = field(default_factory=Counter)
    made: Counter[str] = field(default_factory=Counter)
    damaged: dict[str, None] = field(default_factory=dict)
    _listed: keptlist.Listed = field(init=False)
    _used: dict[str, int] = field(default_factory=dict)  # bytes of the file of each key
    _good: set[tuple[str, int]] = field(default_factory=set)
    _lock: Any = field(default_factory=Lock)
    _drops: bool = True

    lists: ClassVar[bool] = True
    """Whether a list of all that is kept is written at the end."""

    def __post_init__(self) -> None:
        listed = keptlist.read(self.folder)
        if listed is None:
            self.damaged[keptlist.NAME] = None
        self._listed = listed or {}

    def key(self, step: str, *values: Any) -> str:
        """What the result of a step that follows from `values` is kept under."""
        return digest(code_digest(), step, values).hex()

    def find(self, key: str) -> Entry | None:
        """The result under `key` with its first part checked; None where there is none that can be read. Of one that is listed it is not
        asked whether its file is still there: its large arrays may be gone."""
        path = self._path(key)
        try:
            listed = self._listed.get(key)
            first, size = first_part(path) if listed is None else listed
            if listed is None:
                os.utime(path)
            entry = entry_of(path, key, first, size)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError):
            self._told_damaged(key)
            return None
        self._use(key, size)
        return entry

    def array(self, entry: Entry, number: int) -> Values | None:
        """An array of the entry, not to be written into; None where it is damaged or gone. It is checked once."""
        own, small = entry.arrays[number], entry.small(number)
        if small is not None:
            return small
        try:
            # As text: of a path NumPy resolves every link.
            found = np.memmap(str(entry.path), np.dtype(own.kind), "r", own.at, own.shape)
            with self._lock:
                good = (entry.path.name, number) in self._good
            if not good and check(found) != own.check:
                raise ValueError("damaged")
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            self._told_damaged(entry.path.stem)
            return None
        with self._lock:
            self._good.add((entry.path.name, number))
        return found

    def small(self, entry: Entry, number: int) -> Values | None:
        """The same of an array that is read at once."""
        found = self.several(entry, [number])
        return None if found is None else found[0]

    def several(self, entry: Entry, numbers: Iterable[int]) -> list[Values] | None:
        """The same of several arrays; None where any of them is damaged or gone."""
        wanted = list(numbers)
        out = {number: small for number in wanted if (small := entry.small(number)) is not None}
        try:
            if len(out) < len(set(wanted)):
                with entry.path.open("rb", buffering=0) as file:
                    for number in wanted:
                        if number not in out:
                            own = entry.arrays[number]
                            file.seek(own.at)
                            out[number] = np.frombuffer(file.read(own.nbytes), np.dtype(own.kind)).reshape(own.shape)
                            if check(out[number]) != own.check:
                                raise ValueError("damaged")
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            self._told_damaged(entry.path.stem)
            return None
        return [out[number] for number in wanted]

    def copied(self, entry: Entry, number: int, target: Path) -> bool:
        """Write the bytes of an array to a new file, piece by piece; False, and no such file, where it is damaged or gone. Raises
        DiskFullError where there is no room for it."""
        own = entry.arrays[number]
        left, found, block = own.nbytes, xxh3_128(), memoryview(bytearray(COPIED_BYTES))
        try:
            with entry.path.open("rb", buffering=0) as file:
                file.seek(own.at)
                with room_for(target):
                    out = target.open("xb", buffering=0)
                with out:
                    while left and (count := file.readinto(block[:left])):
                        found.update(block[:count])
                        left -= count
                        with room_for(target):
                            _write(out, block[:count])
            if left or found.hexdigest() != own.check:
                raise ValueError("damaged")
        except DiskFullError:
            raise
        except FileNotFoundError:
            return False
        except (OSError, ValueError):
            target.unlink(missing_ok=True)
            self._told_damaged(entry.path.stem)
            return False
        return True

    def put(self, key: str, arrays: Sequence[Values], told: Any = None, *, identified: bool = False) -> Entry:
        """Keep a result: beside first, then renamed. Where it is `identified`, each array has a hash that tells it from any other. Raises
        DiskFullError."""
        first, large, size = composed(key, arrays, told, identified=identified)
        path = self._path(key)
        beside = self.folder / f".{key[:16]}-{os.getpid()}-{next(_NUMBER)}{UNFINISHED}"
        try:
            with beside.open("xb") as file:
                file.write(first)
                for at, array in large:
                    file.write(b"\0" * (at - file.tell()))
                    file.write(array.data.cast("B"))
                file.write(b"\0" * (size - file.tell()))
            beside.replace(path)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise DiskFullError(f"--keep {self.folder}: {error}. Make room there, delete the folder, or run without --keep.") from error
        entry = entry_of(path, key, first, size)  # what is told is as it will be read
        self._listed.pop(key, None)
        self._use(key, size)
        with self._lock:
            self._good |= {(path.name, number) for number in range(len(arrays))}
        return entry

    def count(self, step: str, *, reused: bool) -> None:
        """Tell that a result of this step was there, or was made."""
        with self._lock:
            (self.reused if reused else self.made)[step] += 1

    @contextmanager
    def noting(self) -> Iterator[set[str]]:
        """Yields the keys of the entries that this thread finds or puts within the block, as they come."""
        keys: set[str] = set()
        token = _NOTED.set((*_NOTED.get(), keys))
        try:
            yield keys
        finally:
            _NOTED.reset(token)

    def hold(self, keys: Iterable[str]) -> None:
        """Entries that a later run may need, though this one has no use for them, are not dropped at the end."""
        for key in keys:
            if key in self._listed:
                self._use(key, self._listed[key][1])
                continue
            with suppress(OSError):
                os.utime(self._path(key))
                self._use(key, self._path(key).stat().st_size)

    def _path(self, key: str) -> Path:
        return self.folder / (key + ENDING)

    def _use(self, key: str, size: int) -> None:
        for keys in _NOTED.get():
            keys.add(key)
        with self._lock:
            self._used[key] = size

    def keep_all(self) -> None:
        """Nothing is dropped at the end: this run did not need what it would have used."""
        self._drops = False
        with os.scandir(self.folder) as found:
            for item in found:
                if item.name.endswith(ENDING):
                    key = item.name.removesuffix(ENDING)
                    with suppress(OSError):
                        self._used[key] = self._listed[key][1] if key in self._listed else item.stat().st_size

    def close(self, *, alone: bool) -> None:
        """Drop what this run did not use, and list the rest. What another run wrote or looked at since this one started stays, and all of
        it if this one is not `alone`."""
        if not self._drops:
            return
        there = {item.name for item in os.scandir(self.folder)}
        # Of those in use nothing is asked: there are thousands.
        for name in there.difference([key + ENDING for key in self._used]):
            path = self.folder / name
            with suppress(OSError):
                age_s = self.started - path.stat().st_mtime
                if (path.suffix == ENDING and age_s > 0 and alone) or (path.suffix == UNFINISHED and age_s > locks.ABANDONED_S):
                    path.unlink()
        if self.lists:
            more = [] if alone else [key for key in self._listed if key not in self._used]
            keptlist.write(self.folder, self._first_parts([key for key in (*self._used, *more) if key + ENDING in there]))

    def _first_parts(self, keys: Iterable[str]) -> Iterator[tuple[str, bytes | memoryview, int]]:
        for key in keys:
            if key in self._listed:
                yield key, *self._listed[key]
                continue
            with suppress(OSError, ValueError):
                yield key, *first_part(self._path(key))

    @property
    def record(self) -> dict[str, Any]:
        """For run.json: what was found and what was made, step by step, and how much is kept."""
        steps = sorted({*self.reused, *self.made})
        return {
            "folder": str(self.folder),
            "bytes": sum(self._used.values()),
            "steps": {step: {"reused": self.reused[step], "made": self.made[step]} for step in steps},
            "damaged": list(self.damaged),
        }

    def _told_damaged(self, key: str) -> None:
        path = self._path(key)
        with self._lock:
            self.damaged[path.name] = None
            self._used.pop(key, None)
            self._listed.pop(key, None)
        # What is made instead takes its place.
        with suppress(OSError):
            path.unlink()


def _write(file: Any, block: memoryview) -> None:
    """All of a block into a file without a buffer, which may take less at a time."""
    while block:
        block = block[file.write(block) :]


@contextmanager
def room_for(target: Path) -> Iterator[None]:
    """Errors of writing a file are of the place where it is to be, not of what is kept. Raises DiskFullError."""
    try:
        yield
    except OSError as error:
        raise DiskFullError(f"{target}: {error}. Make room there.") from error


_NOTED: Final[ContextVar[tuple[set[str], ...]]] = ContextVar("noted", default=())

_IN_USE: Final[ContextVar[Store | None]] = ContextVar("kept", default=None)
"""What is kept changes no result, so no process has it among its parameters."""


def in_use() -> Store | None:
    """The store of the block that this is called in."""
    return _IN_USE.get()


@contextmanager
def kept(folder: Path | None, kind: type[Store] = Store) -> Iterator[Store | None]:
    """Within the block, results are looked for in `folder` and put there; None for no folder.

    Raises ParameterError where it cannot be used. What was not used is dropped at the end, unless the run failed.
    """
    if folder is None:
        yield None
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ParameterError(f"--keep {folder} cannot be used: {error.strerror}. Name a folder that may be written to.") from None
    with locks.marked(folder) as mark:
        store = kind(folder)
        token = _IN_USE.set(store)
        try:
            yield store
        finally:
            _IN_USE.reset(token)
        store.close(alone=not locks.others(folder, mark))
