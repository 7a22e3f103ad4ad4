"""The first parts of all kept results in one file: a run looks up thousands of them, and opens only those whose large arrays it reads.

The list says what was there when it was written. What is in it and in the folder no more is a result all the same, which lacks its large
arrays; what is in the folder alone is found there.
"""

import os
import struct
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Final

import numpy as np
from xxhash import xxh3_128, xxh3_128_digest

from geoseptic.io.keptfiles import UNFINISHED

NAME: Final = "listed.kept-list"
MAGIC: Final = b"geoseptic list 1"
HEAD: Final = struct.Struct("<16sQQ16s")
"""What the file starts with: its kind, how many are listed, how long it is, and a hash of all that comes after."""

LINE: Final = np.dtype([("key", "V32"), ("start", "<i8"), ("length", "<i8"), ("size", "<i8")])
"""Of each: where its first part begins, how long that is, and how long the file is."""

Listed = dict[str, tuple[memoryview, int]]


def read(folder: Path) -> Listed | None:
    """The first part of each that is listed, and how long its file is, by its key; nothing where there is none, None for a damaged list."""
    try:
        data = (folder / NAME).read_bytes()
    except FileNotFoundError:
        return {}
    except OSError:
        return None
    if len(data) < HEAD.size:
        return None
    magic, count, size, told = HEAD.unpack_from(data)
    whole = memoryview(data)
    if magic != MAGIC or size != len(data) or xxh3_128_digest(whole[HEAD.size :]) != told:
        return None
    lines = np.frombuffer(data, LINE, count, HEAD.size)
    keys = lines["key"].tobytes().hex()
    places = zip(lines["start"].tolist(), lines["length"].tolist(), lines["size"].tolist(), strict=True)
    return {keys[64 * row : 64 * row + 64]: (whole[start : start + length], own) for row, (start, length, own) in enumerate(places)}


def write(folder: Path, parts: Iterable[tuple[str, bytes | memoryview, int]]) -> None:
    """List these: key, first part and length of the file of each. Where there is no room for a list the next run does without."""
    listed = list(parts)
    lines = np.zeros(len(listed), LINE)
    lengths = np.array([len(first) for _, first, _ in listed], np.int64)
    lines["key"] = np.frombuffer(bytes.fromhex("".join(key for key, _, _ in listed)), "V32")
    lines["start"] = HEAD.size + lines.nbytes + np.cumsum(lengths) - lengths
    lines["length"], lines["size"] = lengths, [size for _, _, size in listed]
    told = xxh3_128(lines.tobytes())
    for _, first, _ in listed:
        told.update(first)
    head = HEAD.pack(MAGIC, len(listed), HEAD.size + lines.nbytes + int(lengths.sum()), told.digest())
    beside = folder / f".{NAME}-{os.getpid()}{UNFINISHED}"
    try:
        with beside.open("wb") as file:
            file.write(head)
            file.write(lines.tobytes())
            file.writelines(first for _, first, _ in listed)
        beside.replace(folder / NAME)
    except OSError:
        for path in (beside, folder / NAME):
            with suppress(OSError):
                path.unlink()
