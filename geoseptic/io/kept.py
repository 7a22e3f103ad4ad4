"""Results of earlier runs in a folder, each under a hash of all that it follows from.

A result is asked for only by the hash of the code and of its own inputs, so what is found is what would be computed, and an old answer to
another question can never be taken. The folder may be deleted at any time. Entries are written beside and renamed, and checked when they
are read: a damaged one counts as not there.
"""

import hashlib
import itertools
import json
import os
import struct
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from math import prod
from pathlib import Path
from threading import Lock
from typing import Any, Final

import numpy as np

from geoseptic.errors import DiskFullError, ParameterError
from geoseptic.io.digests import code_digest, digest
from geoseptic.model.planes import Values

MAGIC: Final = b"geoseptic kept 1"
ENDING: Final = ".kept"
UNFINISHED: Final = ".unfinished"
HEAD: Final = struct.Struct("<16sQ32s")
"""What a file starts with: its kind, how long the description is, and the SHA-256 of that."""

FIRST_BYTES: Final = 4096
"""Read of a file at once: most descriptions are shorter."""

COPIED_BYTES: Final = 1 << 20

ABANDONED_S: Final = 86_400.0
"""After a day nobody goes on writing an unfinished file."""

_NUMBER = itertools.count()


@dataclass(frozen=True)
class Entry:
    """A result that is there: what is told of it, and its arrays, which are read when they are asked for."""

    path: Path
    told: Any
    arrays: tuple[tuple[str, tuple[int, ...], int, str], ...]
    """Kind of number, shape, where in the file, and SHA-256 of each."""


@dataclass(eq=False)
class Store:
    """The results kept in `folder`. `reused` and `made` count them by step; `damaged` are files that were passed over."""

    folder: Path
    started: float = field(default_factory=time.time)
    reused: Counter[str] = field(default_factory=Counter)
    made: Counter[str] = field(default_factory=Counter)
    damaged: dict[str, None] = field(default_factory=dict)
    _used: dict[str, int] = field(default_factory=dict)  # bytes of each file
    _good: set[tuple[str, int]] = field(default_factory=set)
    _lock: Any = field(default_factory=Lock)
    _drops: bool = True

    def key(self, step: str, *values: Any) -> str:
        """What the result of a step that follows from `values` is kept under."""
        return digest(code_digest(), step, values).hex()

    def find(self, key: str) -> Entry | None:
        """The result under `key` with its description checked; None where there is none that can be read."""
        path = self.folder / (key + ENDING)
        try:
            file = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
            try:
                size, began = os.fstat(file).st_size, os.read(file, FIRST_BYTES)
                magic, length, told = HEAD.unpack_from(began)
                start = HEAD.size + length
                if magic != MAGIC or start > size:
                    raise ValueError("another file, or cut short")
                while len(began) < start:
                    began += os.read(file, start - len(began)) or b" " * start
            finally:
                os.close(file)
            described = began[HEAD.size : start]
            if hashlib.sha256(described).digest() != told:
                raise ValueError("the description is damaged")
            record = json.loads(described)
            if record["key"] != key or record["bytes"] != size - start:
                raise ValueError("another file, or cut short")
            arrays = tuple((str(kind), tuple(shape), start + at, str(sha)) for kind, shape, at, sha in record["arrays"])
            os.utime(path)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, struct.error):
            self._told_damaged(path)
            return None
        self._use(path.name, size)
        return Entry(path, record["told"], arrays)

    def array(self, entry: Entry, number: int) -> Values | None:
        """An array of the entry, not to be written into; None where it is damaged or gone. It is checked once."""
        kind, shape, at, told = entry.arrays[number]
        dtype = np.dtype(kind)
        if 0 in shape:
            return np.empty(shape, dtype)
        try:
            found = np.memmap(entry.path, dtype, "r", at, shape)
            with self._lock:
                good = (entry.path.name, number) in self._good
            if not good and _sha(found) != told:
                raise ValueError("damaged")
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            self._told_damaged(entry.path)
            return None
        with self._lock:
            self._good.add((entry.path.name, number))
        return found

    def small(self, entry: Entry, number: int) -> Values | None:
        """The same of a small array, read at once."""
        found = self.several(entry, [number])
        return None if found is None else found[0]

    def several(self, entry: Entry, numbers: Iterable[int]) -> list[Values] | None:
        """The same of several small arrays; None where any of them is damaged or gone."""
        out = []
        try:
            with entry.path.open("rb", buffering=0) as file:
                for kind, shape, at, told in (entry.arrays[number] for number in numbers):
                    dtype = np.dtype(kind)
                    file.seek(at)
                    found = np.frombuffer(file.read(prod(shape) * dtype.itemsize), dtype).reshape(shape)
                    if _sha(found) != told:
                        raise ValueError("damaged")
                    out.append(found)
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            self._told_damaged(entry.path)
            return None
        return out

    def copied(self, entry: Entry, number: int, target: Path) -> bool:
        """Write the bytes of an array to a new file, piece by piece; False, and no such file, where it is damaged or gone. Raises
        DiskFullError where there is no room for it."""
        kind, shape, at, told = entry.arrays[number]
        left, found = prod(shape) * np.dtype(kind).itemsize, hashlib.sha256()
        try:
            with entry.path.open("rb", buffering=0) as file:
                file.seek(at)
                with room_for(target):
                    out = target.open("xb")
                with out:
                    while left and (block := file.read(min(left, COPIED_BYTES))):
                        found.update(block)
                        left -= len(block)
                        with room_for(target):
                            out.write(block)
                    with room_for(target):
                        out.flush()
            if left or found.hexdigest() != told:
                raise ValueError("damaged")
        except DiskFullError:
            raise
        except FileNotFoundError:
            return False
        except (OSError, ValueError):
            target.unlink(missing_ok=True)
            self._told_damaged(entry.path)
            return False
        return True

    def put(self, key: str, arrays: Sequence[Values], told: Any = None) -> Entry:
        """Keep a result: beside first, then renamed. Raises DiskFullError."""
        told = json.loads(json.dumps(told))  # as it will be read
        described, at = [], 0
        whole = [np.ascontiguousarray(array) for array in arrays]
        for array in whole:
            described.append((array.dtype.str, array.shape, at, _sha(array)))
            at += -(-array.nbytes // 64) * 64
        record = {"key": key, "arrays": described, "told": told, "bytes": at}
        text = json.dumps(record).encode()
        # Arrays begin at multiples of 64 bytes.
        text += b" " * (-(HEAD.size + len(text)) % 64)
        path = self.folder / (key + ENDING)
        beside = self.folder / f".{key[:16]}-{os.getpid()}-{next(_NUMBER)}{UNFINISHED}"
        try:
            with beside.open("xb") as file:
                file.write(HEAD.pack(MAGIC, len(text), hashlib.sha256(text).digest()))
                file.write(text)
                for array in whole:
                    file.write(array.data.cast("B") if array.size else b"")
                    file.write(b"\0" * (-array.nbytes % 64))
            beside.replace(path)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise DiskFullError(f"--keep {self.folder}: {error}. Make room there, delete the folder, or run without --keep.") from error
        start = HEAD.size + len(text)
        self._use(path.name, start + at)
        with self._lock:
            self._good |= {(path.name, number) for number in range(len(whole))}
        return Entry(path, told, tuple((kind, tuple(shape), start + at, sha) for kind, shape, at, sha in described))

    def count(self, step: str, *, reused: bool) -> None:
        """Tell that a result of this step was there, or was made."""
        with self._lock:
            (self.reused if reused else self.made)[step] += 1

    @contextmanager
    def noting(self) -> Iterator[set[str]]:
        """Yields the names of the entries that this thread finds or puts within the block, as they come."""
        names: set[str] = set()
        token = _NOTED.set((*_NOTED.get(), names))
        try:
            yield names
        finally:
            _NOTED.reset(token)

    def hold(self, names: Iterable[str]) -> None:
        """Entries that a later run may need, though this one has no use for them, are not dropped at the end."""
        for name in names:
            with suppress(OSError):
                os.utime(self.folder / name)
                self._use(name, (self.folder / name).stat().st_size)

    def _use(self, name: str, size: int) -> None:
        for names in _NOTED.get():
            names.add(name)
        with self._lock:
            self._used[name] = size

    def keep_all(self) -> None:
        """Nothing is dropped at the end: this run did not need what it would have used."""
        self._drops = False
        for path in self.folder.glob(f"*{ENDING}"):
            with suppress(OSError):
                self._used[path.name] = path.stat().st_size

    def close(self) -> None:
        """Drop what this run did not use; what another run wrote or looked at since this one started stays."""
        if not self._drops:
            return
        with os.scandir(self.folder) as found:
            # Of those in use nothing is asked: there are thousands.
            others = [Path(entry.path) for entry in found if entry.name not in self._used]
        for path in others:
            with suppress(OSError):
                age_s = self.started - path.stat().st_mtime
                if (path.suffix == ENDING and age_s > 0) or (path.suffix == UNFINISHED and age_s > ABANDONED_S):
                    path.unlink()

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

    def _told_damaged(self, path: Path) -> None:
        with self._lock:
            self.damaged[path.name] = None
            self._used.pop(path.name, None)
        # What is made instead takes its place.
        with suppress(OSError):
            path.unlink()


@contextmanager
def room_for(target: Path) -> Iterator[None]:
    """Errors of writing a file are of the place where it is to be, not of what is kept. Raises DiskFullError."""
    try:
        yield
    except OSError as error:
        raise DiskFullError(f"{target}: {error}. Make room there.") from error


def _sha(array: Values) -> str:
    return hashlib.sha256(array.data.cast("B") if array.size else b"").hexdigest()


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
    store = kind(folder)
    token = _IN_USE.set(store)
    try:
        yield store
    finally:
        _IN_USE.reset(token)
    store.close()
