"""A kept result as a file: a description and the small arrays first, then the large ones, all with a hash by which damage is seen."""

import json
import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from math import prod
from pathlib import Path
from typing import Any, Final

import numpy as np
from xxhash import xxh3_128_digest, xxh3_128_hexdigest

from geoseptic.model.planes import Values

MAGIC: Final = b"geoseptic kept 2"
HEAD: Final = struct.Struct("<16sQQ16s")
"""What a file starts with: its kind, how long the description is and how long the first part, and a hash of the rest of that part."""

UNFINISHED: Final = ".unfinished"
"""Ending of a file that is being written."""

SMALL_BYTES: Final = 8192
"""Arrays up to this are in the first part."""

FIRST_BYTES: Final = 16384
"""Read of a file at once: most first parts are shorter."""

ALIGNED: Final = 64
"""Arrays begin at multiples of so many bytes."""


@dataclass(frozen=True)
class OneArray:
    """Kind of number, shape, where it begins in the file, what its bytes are seen to be whole by, and what tells them from any others (of
    arrays for which that was asked)."""

    kind: str
    shape: tuple[int, ...]
    at: int
    check: str
    sha256: str | None

    @property
    def content(self) -> str:
        """What tells this array from any other one. Raises ValueError where it is not known."""
        if self.sha256 is None:
            raise ValueError("an array that was kept without what tells it from others")
        return f"{self.kind} {self.shape} {self.sha256}"

    @property
    def nbytes(self) -> int:
        return prod(self.shape) * np.dtype(self.kind).itemsize


@dataclass(frozen=True)
class Entry:
    """A result that is there: what is told of it, and its arrays, which are read when they are asked for. `first` is the file's first part,
    which has been checked."""

    path: Path
    told: Any
    arrays: tuple[OneArray, ...]
    first: bytes | memoryview

    def small(self, number: int) -> Values | None:
        """An array of the first part, not to be written into; None for a larger one."""
        own = self.arrays[number]
        if own.at + own.nbytes > len(self.first):
            return None
        found = np.frombuffer(self.first[own.at : own.at + own.nbytes], np.dtype(own.kind)) if own.nbytes else np.empty(0, own.kind)
        return found.reshape(own.shape)


def check(array: Values) -> str:
    """What the bytes of an array are seen to be whole by."""
    return xxh3_128_hexdigest(array.data.cast("B") if array.size else b"")


def first_part(path: Path) -> tuple[bytes, int]:
    """The first part of a file, and how long the file is. Raises OSError, and ValueError where it is damaged or another file."""
    file = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        size, began = os.fstat(file).st_size, os.read(file, FIRST_BYTES)
        if len(began) < HEAD.size:
            raise ValueError("cut short")
        magic, _, length, told = HEAD.unpack_from(began)
        if magic != MAGIC or not HEAD.size <= length <= size:
            raise ValueError("another file, or cut short")
        while len(began) < length:
            began += os.read(file, length - len(began)) or b" " * length
    finally:
        os.close(file)
    if xxh3_128_digest(began[HEAD.size : length]) != told:
        raise ValueError("damaged")
    return began[:length], size


def entry_of(path: Path, key: str, first: bytes | memoryview, size: int) -> Entry:
    """The entry `key` of a file with this first part and so many bytes. Raises ValueError where they are of another one, or cut short."""
    _, length, _, _ = HEAD.unpack_from(first)
    record = json.loads(bytes(first[HEAD.size : HEAD.size + length]))
    if record["key"] != key or record["bytes"] != size:
        raise ValueError("another file, or cut short")
    arrays = tuple(OneArray(kind, tuple(shape), at, own, sha) for kind, shape, at, own, sha in record["arrays"])
    return Entry(path, record["told"], arrays, first)


def composed(key: str, arrays: Sequence[Values], told: Any, *, identified: bool) -> tuple[bytes, list[tuple[int, Values]], int]:
    """The first part of a file, the arrays that come after it with the places where they begin, and how long the file is.

    `identified` : whether each array gets a hash that tells it from any other one, which takes longer than one that shows damage.
    """
    whole = [np.ascontiguousarray(array) for array in arrays]
    small, large = (sorted(n for n, own in enumerate(whole) if (own.nbytes <= SMALL_BYTES) == is_small) for is_small in (True, False))
    ends: dict[int, int] = {}
    end = 0
    for number in (*small, *large):
        ends[number] = end
        end += _aligned(whole[number].nbytes)
    first = sum(_aligned(whole[number].nbytes) for number in small)
    checks = [check(array) for array in whole]
    shas = [sha256(array.data.cast("B") if array.size else b"").hexdigest() if identified else None for array in whole]
    start = HEAD.size
    while True:  # the places that are told of make the description longer
        places = [start + ends[number] for number in range(len(whole))]
        described = [(own.dtype.str, own.shape, *more) for own, *more in zip(whole, places, checks, shas, strict=True)]
        text = json.dumps({"key": key, "arrays": described, "told": told, "bytes": start + end}).encode()
        if HEAD.size + len(text) <= start:
            break
        start = _aligned(HEAD.size + len(text) + 16)
    began = text + b" " * (start - HEAD.size - len(text)) + b"".join(_padded(whole[number]) for number in small)
    head = HEAD.pack(MAGIC, len(text), start + first, xxh3_128_digest(began))
    return head + began, [(places[number], whole[number]) for number in large], start + end


def _aligned(size: int) -> int:
    return -(-size // ALIGNED) * ALIGNED


def _padded(array: Values) -> bytes:
    return array.tobytes() + b"\0" * (-array.nbytes % ALIGNED)
