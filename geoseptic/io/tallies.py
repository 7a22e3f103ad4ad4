"""How often each value comes, without sorting."""

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.model.planes import Values


@njit(cache=True, nogil=True)
def count_values(values: Values, low: int, counts: npt.NDArray[np.int64]) -> None:
    """Add to `counts` how many cells hold `low`, how many the next whole number, and so on; whole numbers from `low` to
    `low + len(counts) - 1`, shape (rows, cols)."""
    for row in range(values.shape[0]):
        for col in range(values.shape[1]):
            counts[np.int64(values[row, col]) - low] += 1
