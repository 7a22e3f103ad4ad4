"""Size and hash of the files that an input consists of."""

import hashlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any, Final

_State = tuple[str, int, int, int, int]
_SEEN: Final[ContextVar[dict[_State, bytes] | None]] = ContextVar("hashes", default=None)


def digest_of(files: Iterable[Path]) -> dict[str, Any]:
    """Size and SHA-256 of files (a folder, a shapefile, a VRT with its tiles), one after the other."""
    listed = list(files)
    if len(listed) == 1:
        return {"bytes": listed[0].stat().st_size, "sha256": file_digest(listed[0]).hex()}
    digest = hashlib.sha256()
    size = 0
    for item in listed:
        with item.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                size += len(block)
    return {"bytes": size, "sha256": digest.hexdigest()}


@contextmanager
def each_once() -> Iterator[None]:
    """Within the block, a file of which the file system tells the same as before is not read again: several layers may lie in one."""
    token = _SEEN.set({})
    try:
        yield
    finally:
        _SEEN.reset(token)


def file_digest(path: Path) -> bytes:
    """SHA-256 of a file."""
    seen = _SEEN.get()
    told = path.stat()
    state = str(path), told.st_size, told.st_mtime_ns, told.st_ctime_ns, told.st_ino
    if seen is not None and state in seen:
        return seen[state]
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").digest()
    if seen is not None:
        seen[state] = found
    return found
