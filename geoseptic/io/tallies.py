"""How often each value comes, without sorting."""

from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from geoseptic.model.planes import Values

MOST_APART: Final = 2_000_000
"""Values that lie farther apart are sorted by runs: to count them would take as many numbers, 16 MB, as they are apart."""


def tally(values: Values) -> list[tuple[int, int]]:
    """Each value of whole numbers, shape (rows, cols), with how many cells hold it, the least first."""
    low, high = int(values.min()), int(values.max())
    if high - low >= MOST_APART:
        flat = values.reshape(-1)
        starts = np.concatenate([[0], np.flatnonzero(flat[1:] != flat[:-1]) + 1])  # neighbours are mostly alike
        found, of_run = np.unique(flat[starts], return_inverse=True)
        numbers = np.bincount(of_run, np.diff(starts, append=flat.size)).astype(np.int64)
        return list(zip(map(int, found), numbers.tolist(), strict=True))
    counts = np.zeros(high - low + 1, np.int64)
    count_values(values, low, counts)  # several times as fast as sorting
    places = np.flatnonzero(counts)
    return list(zip((places + low).tolist(), counts[places].tolist(), strict=True))


@njit(cache=True, nogil=True)
def count_values(values: Values, low: int, counts: npt.NDArray[np.int64]) -> None:
    """Add to `counts` how many cells hold `low`, how many the next whole number, and so on; whole numbers from `low` to
    `low + len(counts) - 1`, shape (rows, cols)."""
    for row in range(values.shape[0]):
        for col in range(values.shape[1]):
            counts[np.int64(values[row, col]) - low] += 1


@njit(cache=True, nogil=True)
def count_bits(values: npt.NDArray[np.uint32]) -> npt.NDArray[np.int64]:
    """How many cells have each of the 32 bits set; shape of `values` (rows, cols), of the counts (32,)."""
    found = np.zeros(32, np.int64)
    last, run = np.uint32(0), 0
    for row in range(values.shape[0]):
        for col in range(values.shape[1]):
            own = values[row, col]
            # Neighbours are mostly alike.
            if own != last:
                for bit in range(32):
                    found[bit] += run * ((last >> np.uint32(bit)) & np.uint32(1))
                last, run = own, 0
            run += 1
    for bit in range(32):
        found[bit] += run * ((last >> np.uint32(bit)) & np.uint32(1))
    return found
