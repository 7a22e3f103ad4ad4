"""Arrays that several processes read from files, so that none is ever sent to a worker."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class SharedArray:
    """An array in a file, by its path."""

    path: str

    def opened(self) -> npt.NDArray[Any]:
        """The array, read only; pages come into memory as they are looked at."""
        return np.asarray(np.load(self.path, mmap_mode="r"))


@contextmanager
def shared(arrays: Mapping[str, npt.NDArray[Any]]) -> Iterator[dict[str, SharedArray]]:
    """The arrays as files in a temporary folder (TMPDIR says where), gone afterwards."""
    with TemporaryDirectory(prefix="geoseptic-", ignore_cleanup_errors=True) as folder:
        files = {}
        for name, array in arrays.items():
            path = Path(folder) / f"{name}.npy"
            np.save(path, array)
            files[name] = SharedArray(str(path))
        yield files
