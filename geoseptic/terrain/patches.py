"""Missing ground that a file calls by a number that may be a height, such as 0."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

ALL_ROUND_M: Final = 5.0
"""Where the ground stands off by more than this on every side, beyond what it goes on to rise by in the next cell, no height was meant.
A slope counts up to 45 degrees. Ground at sea level has its like beside it: a beach, a bank, the foot of a cliff. What is walled in all
round by five metres without one cell between would be a dock or a flooded quarry, at exactly the number in question. Our own choice."""

MOSTLY_M: Final = 20.0
"""The same where it is more than half of the border: missing ground may run into true ground of that height. Cliffs that fall sheer for so
much from one cell to the next do not line half of a coast. Our own choice."""


@dataclass(frozen=True)
class Patch:
    """Cells of one number that hang together; `row` and `col` are those of the first one."""

    cells: int
    row: int
    col: int


def sheer_patches(heights_m: Floats, suspect: Mask, cell_size_m: float) -> tuple[Patch, ...]:
    """The patches of suspect cells that a sheer step parts from the known ground beside them, the largest first.

    A patch without known ground beside it is held against the nearest in height of all other known ground, and is one if there is none.

    Parameters
    ----------
    heights_m : float32 array, shape (rows, cols)
        Ground height; NaN where unknown. [m]
    suspect : bool array, shape (rows, cols)
        Known cells that all hold the number in question. Cells that meet at a corner hang together.
    cell_size_m : float
        Side of a square cell. [m]
    """
    if not suspect.any():
        return ()
    number_m = float(heights_m[suspect.argmax() // suspect.shape[1], suspect.argmax() % suspect.shape[1]])
    owner, step_m = _border(heights_m, suspect, number_m, cell_size_m)
    if len(step_m) and step_m.max() <= ALL_ROUND_M:
        return ()
    # Few files get here, and the import takes a third of a second.
    from scipy import ndimage

    labels, count = ndimage.label(suspect, np.ones((3, 3), bool))
    cells = np.bincount(labels[suspect], minlength=count + 1)[1:]
    place = labels.ravel()[owner] - 1
    order = np.lexsort((step_m, place))
    sides = np.bincount(place, minlength=count)
    first = np.cumsum(sides) - sides
    bordered = sides > 0
    least_m = np.full(count, _nearest(heights_m, suspect, number_m))
    middle_m = np.zeros(count)
    least_m[bordered] = step_m[order[first[bordered]]]
    middle_m[bordered] = step_m[order[(first + (sides - 1) // 2)[bordered]]]
    sheer = np.flatnonzero((least_m > ALL_ROUND_M) | (middle_m > MOSTLY_M))
    # Written from the last cell to the first, so that the first one of each label stays.
    found = np.flatnonzero(suspect)[::-1]
    corner = np.zeros(count, np.int64)
    corner[labels.ravel()[found] - 1] = found
    largest = sheer[np.argsort(-cells[sheer], kind="stable")]
    return tuple(Patch(int(cells[each]), *(int(part) for part in divmod(corner[each], suspect.shape[1]))) for each in largest)


def _border(heights_m: Floats, suspect: Mask, number_m: float, cell_size_m: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """For each edge between a suspect cell and known ground: the flat index of the suspect cell, and the step there beyond the slope. [m]

    The slope is that from the ground beside the edge to the next cell straight on, as far as that is known; at most a cell's side.
    """
    shape = suspect.shape
    other = ~suspect & ~np.isnan(heights_m)
    owners, steps_m = [], []
    for down, across in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        row, col = np.nonzero(suspect & _from(other, down, across))
        beside = heights_m[row + down, col + across].astype(np.float64)
        row_on, col_on = np.clip(row + 2 * down, 0, shape[0] - 1), np.clip(col + 2 * across, 0, shape[1] - 1)
        # Held against itself where the raster ends.
        rise_m = np.abs(heights_m[row_on, col_on] - beside)
        rise_m[~other[row_on, col_on]] = 0
        owners.append(row * shape[1] + col)
        steps_m.append(np.abs(beside - number_m) - np.minimum(rise_m, cell_size_m))
    return np.concatenate(owners), np.concatenate(steps_m)


def _from(mask: Mask, down: int, across: int) -> Mask:
    """What the mask says of the cell so many rows down and columns across; nothing off the raster."""
    rows, cols = mask.shape
    return np.pad(mask, 1)[1 + down : 1 + down + rows, 1 + across : 1 + across + cols]


def _nearest(heights_m: Floats, suspect: Mask, number_m: float) -> float:
    """How far the known ground that is nearest in height stands off; infinite where there is none. [m]"""
    others = heights_m[~suspect & ~np.isnan(heights_m)]
    return float(np.abs(others - number_m).min()) if len(others) else np.inf
