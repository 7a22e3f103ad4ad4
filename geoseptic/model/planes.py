"""Rasters read and written by windows, so that the same work runs over an array in memory and over a file larger than memory."""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[Any]


class Plane(Protocol):
    """One value a cell. Windows lie inside the shape; threads may read any window, and write windows that do not overlap."""

    @property
    def shape(self) -> tuple[int, int]: ...

    @property
    def dtype(self) -> np.dtype[Any]: ...

    @property
    def in_memory(self) -> bool: ...

    def read(self, rows: slice, cols: slice) -> Values:
        """The window's values, as a copy or as a view that is not to be written into."""

    def array(self) -> Values:
        """All of it, not to be written into; of a file only what is looked at comes into memory."""

    def write(self, rows: slice, cols: slice, values: Values) -> None:
        """Put `values` in the window's place."""

    def new(self, dtype: npt.DTypeLike) -> "Plane":
        """Another plane of the same shape in the same place, with nothing in it yet."""

    def drop(self) -> None:
        """Nobody reads it any more: what it takes on a disk is given back."""


@dataclass(frozen=True, eq=False)
class ArrayPlane:
    """An array in memory as a plane; `write` changes the array itself."""

    values: Values

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self.values.shape
        return rows, cols

    @property
    def dtype(self) -> np.dtype[Any]:
        return self.values.dtype

    @property
    def in_memory(self) -> bool:
        return True

    def read(self, rows: slice, cols: slice) -> Values:
        """A view of the window."""
        return self.values[rows, cols]

    def array(self) -> Values:
        """The array itself."""
        return self.values

    def write(self, rows: slice, cols: slice, values: Values) -> None:
        """Put `values` into the array."""
        self.values[rows, cols] = values

    def new(self, dtype: npt.DTypeLike) -> "ArrayPlane":
        """Another array of the same shape, with nothing in it yet."""
        return ArrayPlane(np.empty(self.shape, dtype))

    def drop(self) -> None:
        """Nothing: memory goes with the last who knows the array."""
