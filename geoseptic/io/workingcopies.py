"""Working folders for sources that cannot be read where they lie; they go when the program ends."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from geoseptic.errors import DiskFullError

_FOLDERS: dict[tuple[str, int, int, str], TemporaryDirectory[str]] = {}


def folder_of(path: Path, what: str, fill: Callable[[Path], None]) -> Path:
    """A folder among the temporary ones (TMPDIR says where) that `fill` has filled for `path` as it now is; made once for each `what`.

    Raises DiskFullError, and whatever `fill` raises; then nothing is left of the folder.
    """
    state = path.stat()
    key = (str(path.resolve()), state.st_size, state.st_mtime_ns, what)
    if key not in _FOLDERS:
        made = TemporaryDirectory(prefix="geoseptic-open-", ignore_cleanup_errors=True)
        try:
            fill(Path(made.name))
        except OSError as error:
            made.cleanup()
            raise DiskFullError(f"{made.name}: {error}. Make room there, or name another folder with TMPDIR, and run again.") from error
        except BaseException:
            made.cleanup()
            raise
        _FOLDERS[key] = made
    return Path(_FOLDERS[key].name)


def beside_nothing(path: Path) -> Path:
    """`path` as a link in a folder of its own: what a reader writes beside it is written there, and what lies beside it is not read."""

    def fill(folder: Path) -> None:
        try:
            (folder / path.name).symlink_to(path.resolve())
        except (OSError, NotImplementedError):  # Windows asks for a privilege
            shutil.copyfile(path, folder / path.name)

    return folder_of(path, "link", fill) / path.name


def settled_copy(path: Path) -> Path:
    """A copy of a GeoPackage together with the log of changes beside it, which opening the original would move into it."""

    log = path.with_name(f"{path.name}-wal")
    state = log.stat()

    def fill(folder: Path) -> None:
        shutil.copyfile(log, folder / log.name)
        shutil.copyfile(path, folder / path.name)

    return folder_of(path, f"copy {state.st_size} {state.st_mtime_ns}", fill) / path.name


def room_bytes() -> int:
    """What is free where the working folders lie."""
    from tempfile import gettempdir

    return shutil.disk_usage(os.fspath(gettempdir())).free
