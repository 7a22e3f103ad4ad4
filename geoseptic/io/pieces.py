"""Pieces of a run that are done, kept in the folder of its outputs until it has ended well: a run that dies is gone on with from them."""

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import DiskFullError
from geoseptic.io import kept
from geoseptic.io.keptfiles import Entry
from geoseptic.model.planes import Values

PIECES: Final = ".geoseptic-pieces"


class Pieces(kept.Store):
    """A store that tells of itself as what it is. A run that ends well has no more use for it, so it is not listed."""

    lists = False

    def put(self, key: str, arrays: Sequence[Values], told: Any = None, *, identified: bool = False) -> Entry:
        try:
            return super().put(key, arrays, told, identified=identified)
        except DiskFullError as error:
            raise DiskFullError(f"{self.folder}: {error.__cause__}. Make room there and run again with --resume.") from error


@contextmanager
def pieces(out: Path) -> Iterator[kept.Store]:
    """Within the block, pieces that are done are kept in `out`, and those of an earlier run are taken. If the block fails, they stay and
    the error tells so."""
    folder = out / PIECES
    try:
        with kept.kept(folder, Pieces) as store:
            assert store is not None
            yield store
    except BaseException as error:
        size = _size(folder)
        if size:
            error.add_note(
                f"What was finished is kept in {folder} ({size / 1e6:.1f} MB): the same command with --resume goes on from it. Delete "
                "the folder if you do not want that."
            )
        else:
            clear(out)
        raise


def clear(out: Path) -> None:
    """Take away the pieces in `out`, which are of no more use."""
    shutil.rmtree(out / PIECES, ignore_errors=True)


def _size(folder: Path) -> int:
    size = 0
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(kept.ENDING):
                size += entry.stat().st_size
    return size
