"""What fails of one lot is found by halves and left out, so that it stops no other: the price is paid only where something fails."""

from collections.abc import Callable, Sequence
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt
from shapely.errors import ShapelyError

from geoseptic.errors import GeosepticError

OF_A_LOT: Final = (ShapelyError, MemoryError, ArithmeticError, ValueError)
"""What the shape or the numbers of one lot can make a step raise. Refusals of our own are meant for the whole run."""

MOST_FAILING: Final = 100
"""With more failing lots in one step, the step is at fault and not the lots. Our own choice."""

T = TypeVar("T")
Rows = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def one_by_one(work: Callable[[Rows], Sequence[T]], count: int) -> tuple[dict[int, T], dict[int, str]]:
    """What `work` gives for each of `count` rows, one entry a row, and why it failed for the others.

    `work` is called with all rows; where it raises one of `OF_A_LOT`, with the halves, down to single rows. Raises what `work` raised where
    more than `MOST_FAILING` rows fail.
    """
    found, failed = by_halves(work, count)
    return {row: one for rows, several in found for row, one in zip(rows.tolist(), several, strict=True)}, failed


def by_halves(work: Callable[[Rows], T], count: int) -> tuple[list[tuple[Rows, T]], dict[int, str]]:
    """What `work` gives for some rows and those rows, in their order, and why it failed for the others; as `one_by_one`."""
    found: list[tuple[Rows, T]] = []
    failed: dict[int, str] = {}
    # By a list and not by a function that calls itself: such a one would keep all that `work` knows until Python looks for garbage.
    due = [np.arange(count)] if count else []
    while due:
        rows = due.pop()
        try:
            found.append((rows, work(rows)))
        except OF_A_LOT as error:
            if isinstance(error, GeosepticError):
                raise
            if len(rows) > 1:
                due += [rows[len(rows) // 2 :], rows[: len(rows) // 2]]
                continue
            failed[int(rows[0])] = said(error)
            if len(failed) > MOST_FAILING:
                raise
    return found, failed


def without_culprits(work: Callable[[Flags], T], count: int) -> tuple[T, dict[int, str]]:
    """What `work` gives where it takes no notice of the rows that make it fail, and why each of those does; for steps that look at all rows
    together.

    `work` is called with a flag for each of `count` rows, True for those that it is to take no notice of. Each culprit costs as many calls
    as there are halvings of the rows. Raises what `work` raised where it fails without any row, or for more than `MOST_FAILING`.
    """
    failed: dict[int, str] = {}
    ignored = np.zeros(count, bool)
    while True:
        try:
            return work(ignored), failed
        except OF_A_LOT as error:
            if isinstance(error, GeosepticError) or len(failed) == MOST_FAILING:
                raise
            row, why = _first_culprit(work, ignored, error)
            ignored[row], failed[row] = True, said(why)


def _first_culprit(work: Callable[[Flags], object], ignored: Flags, error: BaseException) -> tuple[int, BaseException]:
    """The last of the fewest rows from the first on with which `work` fails, and how."""
    good, bad = -1, len(ignored)
    while bad - good > 1:
        upto = (good + bad) // 2
        some = ignored.copy()
        some[upto:] = True
        try:
            work(some)
            good = upto
        except OF_A_LOT as found:
            bad, error = upto, found
    if bad == 0:
        raise error
    return bad - 1, error


def said(error: BaseException) -> str:
    """The error in words of one line."""
    return f"{type(error).__name__}: {' '.join(str(error).split())}".rstrip(": ")
