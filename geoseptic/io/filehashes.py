"""Size and hash of the files that an input consists of."""

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any


def digest_of(files: Iterable[Path]) -> dict[str, Any]:
    """Size and SHA-256 of files (a folder, a shapefile, a VRT with its tiles), one after the other."""
    digest = hashlib.sha256()
    size = 0
    for item in files:
        with item.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                size += len(block)
    return {"bytes": size, "sha256": digest.hexdigest()}
