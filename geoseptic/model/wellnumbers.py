"""Numbers of wells in rasters. They follow from what the wells are called alone: one well more or less, or another order of the layer,
leaves the others theirs, and two runs of one county can be laid beside each other."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from xxhash import xxh32_intdigest

Numbers = npt.NDArray[np.int32]

BITS: Final = 24
"""Numbers of so many bits are whole in a float of four bytes too, as which some programs read every raster."""


def well_numbers(names: Sequence[str]) -> Numbers:
    """A number of its own, 0 or more, for each name: a hash of it, or the next one that is free where others have that.

    Of names that are alike, the first one has the lowest number.
    """
    hashed = [xxh32_intdigest(name.encode("utf-8", "surrogatepass")) >> (32 - BITS) for name in names]
    order = sorted(range(len(names)), key=lambda row: (hashed[row], names[row]))
    places = np.arange(len(names))
    numbers = np.empty(len(names), np.int32)
    numbers[order] = np.maximum.accumulate(np.array(hashed, np.int64)[order] - places) + places
    return numbers


def rows_of(numbers: Numbers, wanted: npt.NDArray[np.integer]) -> npt.NDArray[np.int64]:
    """Which of `numbers`, all different, each of the wanted ones is."""
    order = np.argsort(numbers)
    return order[np.searchsorted(numbers, wanted, sorter=order)]
