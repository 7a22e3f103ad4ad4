"""Size and hash of the files that an input consists of, and of outputs."""

import hashlib
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from contextvars import ContextVar, copy_context
from pathlib import Path
from typing import Any, BinaryIO, Final

from xxhash import xxh3_128

COPIED_BYTES: Final = 1 << 18
"""Blocks that stay in the caches: a copy by blocks of a megabyte takes twice the time and more."""

_State = tuple[str, str, int, int, int, int]


class _Seen(dict[_State, Future[bytes]]):
    """Hashes that are known or being found out; nobody asks for them any more when it is over."""

    over = False


_SEEN: Final[ContextVar[_Seen | None]] = ContextVar("hashes", default=None)


def digest_of(files: Iterable[Path]) -> dict[str, Any]:
    """Size and SHA-256 of files (a folder, a shapefile, a VRT with its tiles), one after the other."""
    listed = list(files)
    if len(listed) == 1:
        return {"bytes": listed[0].stat().st_size, "sha256": file_digest(listed[0]).hex()}
    digest = hashlib.sha256()
    size = sum(_hashed(item, digest) for item in listed)
    return {"bytes": size, "sha256": digest.hexdigest()}


@contextmanager
def each_once() -> Iterator[None]:
    """Within the block, a file of which the file system tells the same as before is not read again: several layers may lie in one."""
    seen = _Seen()
    token = _SEEN.set(seen)
    try:
        yield
    finally:
        seen.over = True
        _SEEN.reset(token)


def begin_digests(files: Iterable[Path]) -> None:
    """Within `each_once`, have `file_digest` of these files found out while other work goes on, until the block ends; what cannot be read
    is passed over."""

    def find() -> None:
        for path in files:
            with suppress(OSError):
                file_digest(path)

    threading.Thread(target=copy_context().run, args=(find,), daemon=True).start()


def file_digest(path: Path) -> bytes:
    """SHA-256 of a file."""
    return _once(path, "sha256", hashlib.sha256)


def check_of(path: Path) -> dict[str, Any]:
    """Size of a file and a hash by which it is seen whether it still has the bytes that it had: a tenth of the time of SHA-256. Whoever
    wants to can make another file to the same hash."""
    return {"bytes": path.stat().st_size, "xxh3_128": _once(path, "xxh3_128", xxh3_128).hex()}


class Checked:
    """Writes into a file from its first byte on, and hashes what it writes."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.hash = file, xxh3_128()

    def write(self, data: bytes | memoryview) -> None:
        self._file.write(data)
        self.hash.update(data)


@contextmanager
def written(path: Path) -> Iterator[Checked]:
    """A new file to write into. Within `each_once`, `check_of` need not read it again afterwards."""
    with path.open("xb") as file:
        checked = Checked(file)
        yield checked
    if (seen := _SEEN.get()) is not None:
        seen[_state("xxh3_128", path)] = known = Future[bytes]()
        known.set_result(checked.hash.digest())


def _state(kind: str, path: Path) -> _State:
    told = path.stat()
    return kind, str(path), told.st_size, told.st_mtime_ns, told.st_ctime_ns, told.st_ino


def _once(path: Path, kind: str, new: Callable[[], Any]) -> bytes:
    seen, state, own = _SEEN.get(), _state(kind, path), Future[bytes]()
    if seen is not None and (found := seen.setdefault(state, own)) is not own:
        return found.result()  # of another thread, once it has read the file
    try:
        hashed = new()
        _hashed(path, hashed)
        own.set_result(bytes(hashed.digest()))
    except BaseException as error:
        if seen is not None:
            del seen[state]
        own.set_exception(error)
    return own.result()


def _hashed(path: Path, found: Any) -> int:
    """The bytes of a file go into a hash; how many they are."""
    seen, size, block = _SEEN.get(), 0, memoryview(bytearray(COPIED_BYTES))
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(block):
            if seen is not None and seen.over:
                raise InterruptedError(f"{path}: nobody asks for its hash any more")
            found.update(block[:count])
            size += count
    return size
