"""Layers whose shapes are made when somebody looks at them: of an output of which few rows changed, nobody looks at the others."""

from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np
from geopandas.array import GeometryArray

from geoseptic.io.digests import Hashed, digest
from geoseptic.model.frame import Frame, Geometries


class LaterShapes(GeometryArray):  # type: ignore[misc]
    """The column of shapes `change(frame.from_metres(later.shapes))` in the units of `frame`, `change` being a plain function."""

    def __init__(self, later: Hashed, change: Callable[[Geometries], Geometries], frame: Frame) -> None:
        self.later, self.change, self.frame = later, change, frame
        self._crs = self._sindex = None
        self.crs = frame.crs

    @cached_property
    def _data(self) -> Geometries:
        return self.change(self.frame.from_metres(self.later.shapes))

    @property
    def size(self) -> int:
        return len(self.later)

    def isna(self) -> Any:
        return np.zeros(self.size, bool)

    def copy(self, *args: Any, **kwargs: Any) -> GeometryArray:
        return self.take(np.arange(self.size))

    def take(self, indices: Any, allow_fill: bool = False, fill_value: Any = None) -> GeometryArray:
        rows = np.asarray(indices, np.int64)
        if allow_fill and (rows < 0).any():
            return super().take(indices, allow_fill, fill_value)
        return LaterShapes(self.later[rows], self.change, self.frame)

    def __getitem__(self, which: Any) -> Any:
        if isinstance(which, slice) or (isinstance(which, np.ndarray) and which.ndim == 1):
            return LaterShapes(self.later[which], self.change, self.frame)
        return super().__getitem__(which)

    def __setitem__(self, which: Any, value: Any) -> None:
        raise TypeError("these shapes follow from others: copy the layer into a new one to change it")

    @property
    def told_bytes(self) -> "np.ndarray[Any, np.dtype[np.uint8]]":
        """What tells each shape from any other made in the same way (`how_digest`), shape (rows, bytes)."""
        return np.ascontiguousarray(self.later.hashes).view(np.uint8).reshape(self.size, -1)

    def how_digest(self) -> bytes:
        """How the shapes are made of those that they follow from."""
        return digest(f"{self.change.__module__}.{self.change.__qualname__}", self.frame)

    def content_digest(self) -> bytes:
        return digest(self.later, self.how_digest())
