"""Rasters in files of their own, for work on more cells than memory holds: a plane that is read and written by windows."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[Any]


@dataclass(frozen=True)
class FilePlane:
    """A plane (`terrain.planes.Plane`) over an `.npy` file, mapped for one window at a time: memory stays that of the window."""

    path: Path
    shape: tuple[int, int]
    dtype: np.dtype[Any]
    offset: int

    @classmethod
    def create(cls, path: str | os.PathLike[str], shape: tuple[int, int], dtype: npt.DTypeLike) -> "FilePlane":
        """A new file of zeros. Raises FileExistsError where there is one; whoever makes it takes it away."""
        with Path(path).open("xb") as file:
            header = {"descr": np.lib.format.dtype_to_descr(np.dtype(dtype)), "fortran_order": False, "shape": shape}
            np.lib.format.write_array_header_1_0(file, header)
            file.truncate(file.tell() + shape[0] * shape[1] * np.dtype(dtype).itemsize)
        return cls.open(path)

    @classmethod
    def open(cls, path: str | os.PathLike[str]) -> "FilePlane":
        """The plane in a file that holds one array of rows and columns, written row by row. Raises ValueError for any other."""
        with Path(path).open("rb") as file:
            if np.lib.format.read_magic(file) != (1, 0):
                raise ValueError(f"{path} is not an .npy file of version 1.0")
            shape, by_columns, dtype = np.lib.format.read_array_header_1_0(file)
            if len(shape) != 2 or by_columns or dtype.hasobject:
                raise ValueError(f"{path} holds no plane written row by row: {shape}, {dtype}")
            return cls(Path(path), (shape[0], shape[1]), dtype, file.tell())

    def read(self, rows: slice, cols: slice) -> Values:
        with self._mapped("r") as values:
            return np.array(values[rows, cols])

    def write(self, rows: slice, cols: slice, values: Values) -> None:
        with self._mapped("r+") as mapped:
            mapped[rows, cols] = values

    @contextmanager
    def _mapped(self, mode: str) -> Iterator[Values]:
        values: Values = np.memmap(self.path, self.dtype, mode, self.offset, self.shape)  # type: ignore[call-overload]
        yield values
        # Unmapped here, since no view leaves the two functions above; what was written is in the file's pages.
        del values
