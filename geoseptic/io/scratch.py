"""Rasters larger than memory, as raw files that are read and written by windows."""

import itertools
import pickle
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from geoseptic.errors import DiskFullError
from geoseptic.model.planes import Values

_NUMBER = itertools.count()


@dataclass(frozen=True, eq=False)
class FilePlane:
    """A plane in a file, row by row. Memory holds a window while it is in use; another process may open the same file by its path."""

    path: str
    shape: tuple[int, int]
    dtype: np.dtype[Any] = field(default_factory=lambda: np.dtype(np.float32))

    @property
    def in_memory(self) -> bool:
        return False

    def read(self, rows: slice, cols: slice) -> Values:
        mapped = np.memmap(self.path, self.dtype, "r", shape=self.shape)
        return np.array(mapped[rows, cols])

    def array(self) -> Values:
        # A private map: nothing can be written through it, and compiled kernels take it for any other array.
        return np.asarray(np.memmap(self.path, self.dtype, "c", shape=self.shape))

    def write(self, rows: slice, cols: slice, values: Values) -> None:
        # Not through a map: on a full disk that would end the process without a word.
        window = np.ascontiguousarray(values, self.dtype)
        width, size = self.shape[1], self.dtype.itemsize
        first_row, first_col = rows.start or 0, cols.start or 0
        try:
            with Path(self.path).open("r+b", buffering=0) as file:
                if window.shape[1] == width:
                    file.seek(first_row * width * size)
                    _written(file, window)
                    return
                for number, line in enumerate(window):
                    file.seek(((first_row + number) * width + first_col) * size)
                    _written(file, line)
        except OSError as error:
            raise _full(Path(self.path), error) from error

    def new(self, dtype: npt.DTypeLike) -> "FilePlane":
        return new_plane(Path(self.path).parent, self.shape, dtype)

    def drop(self) -> None:
        # Where a file that is open cannot be taken away, it goes with its folder.
        with suppress(OSError):
            Path(self.path).unlink(missing_ok=True)


def new_plane(folder: Path | str, shape: tuple[int, int], dtype: npt.DTypeLike) -> FilePlane:
    """An empty plane in a new file of `folder`, which goes with the folder."""
    kind = np.dtype(dtype)
    path, file = _new_file(Path(folder))
    with file:
        try:
            file.truncate(shape[0] * shape[1] * kind.itemsize)
        except OSError as error:
            raise _full(path, error) from error
    return FilePlane(str(path), shape, kind)


def _new_file(folder: Path) -> tuple[Path, BinaryIO]:
    # Another process may have planes in the folder too, and counts for itself.
    for number in _NUMBER:
        path = folder / f"plane-{number}.raw"
        with suppress(FileExistsError):
            return path, path.open("xb")
    raise AssertionError("numbers do not end")


@contextmanager
def filed(arrays: Mapping[str, Values], within: Path | None = None) -> Iterator[dict[str, FilePlane]]:
    """The arrays as planes in files of a new folder, gone afterwards: several processes may open them. The folder is `within` another, or
    among the temporary ones (TMPDIR says where)."""
    with TemporaryDirectory(prefix="geoseptic-", dir=within, ignore_cleanup_errors=True) as folder:
        planes = {}
        for name, array in arrays.items():
            planes[name] = new_plane(folder, (array.shape[0], array.shape[1]), array.dtype)
            planes[name].write(slice(0, array.shape[0]), slice(0, array.shape[1]), array)
        yield planes


@dataclass(frozen=True)
class Kept:
    """A function in a file of `folder`, for worker processes that have the folder too; called, it is read once a process."""

    path: str

    @classmethod
    def of(cls, folder: Path, work: Callable[..., Any]) -> "Kept":
        """Closures too. Raises DiskFullError."""
        import cloudpickle
        from numba.core.dispatcher import Dispatcher

        class ByName(cloudpickle.Pickler):  # type: ignore[misc]
            def reducer_override(self, found: Any) -> Any:
                # Sent as code, a kernel would be compiled anew by every worker; by its name, its own cache is used.
                if isinstance(found, Dispatcher):
                    return getattr, (sys.modules[found.py_func.__module__], found.py_func.__name__)
                return super().reducer_override(found)

        path = folder / f"work-{next(_NUMBER)}.pickle"
        try:
            with path.open("xb") as file:
                ByName(file).dump(work)
        except OSError as error:
            raise _full(path, error) from error
        return cls(str(path))

    def __call__(self, *values: Any) -> Any:
        return _work(self.path)(*values)

    def drop(self) -> None:
        Path(self.path).unlink(missing_ok=True)


@lru_cache(maxsize=2)
def _work(path: str) -> Callable[..., Any]:
    found: Callable[..., Any] = pickle.loads(Path(path).read_bytes())
    return found


def _full(path: Path, error: OSError) -> DiskFullError:
    return DiskFullError(f"{path.parent}: {error}. Make room there, or name another folder with --out, and run again.")


def _written(file: Any, values: Values) -> None:
    data = values.view(np.uint8).data.cast("B")
    while len(data):
        data = data[file.write(data) :]
