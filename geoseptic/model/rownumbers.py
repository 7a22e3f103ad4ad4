"""Numbers of the rows of a layer (`fid`): 1, 2, 3 and so on, unless the index of its frame is called `fid` and has others, which ascend.

A layer made of several runs of rows has each begin at a round number, so that one row more at the end of a run gives no other row another
number.
"""

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

FID: Final = "fid"

SPACING: Final = 1_000_000
"""Runs of rows begin at a multiple of it, and one."""

LARGEST: Final = 2**31 - 1
"""Some programs have no room for a larger number of a row."""

Rows = npt.NDArray[np.int64]


def spaced(counts: Rows, spacing: int = SPACING) -> Rows:
    """Numbers of the rows of runs of so many rows each. A run without a row has its place too, and one that is longer than `spacing` pushes
    the next one to the multiple after its end. Where that would go beyond `LARGEST`, runs begin closer together."""
    rows, places = int(counts.sum()), np.maximum(1, -(-counts // spacing))
    first = spacing * (np.cumsum(places) - places)
    numbers: Rows = 1 + np.arange(rows) + np.repeat(first - (np.cumsum(counts) - counts), counts)
    return numbers if spacing == 1 or not rows or numbers[-1] <= LARGEST else spaced(counts, spacing // 10)


def numbers_of(frame: "GeoDataFrame") -> Rows:
    """The numbers that the rows of the frame have in a file."""
    if frame.index.name == FID:
        return frame.index.to_numpy(np.int64)
    return np.arange(1, len(frame) + 1)
