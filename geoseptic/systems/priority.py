"""Which parcels come first: factors from 0 to 1 with the words that they came from, one order of them, and how firm that order is.

Every value here is our own choice, common practice without a source: it orders the visits of a county and measures no risk. What is not
known lies above the middle, so that no parcel comes late for want of records.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FACTORS: Final = ("cesspool", "wells", "season", "replacement")

CESSPOOL: Final[Mapping[str, float]] = {
    "likely": 1.0,
    "unknown": 0.75,
    "possible": 0.5,
    "may remain": 0.3,
    "not expected": 0.15,
    "no house on record": 0.05,
}
"""How the words of the triage count."""

SEASON: Final[Mapping[str, float]] = {"yes": 1.0, "unknown": 0.75, "no sign found": 0.4}
"""Whether it may fail in the wet season; that no sign was found clears nothing."""

REPLACEMENT: Final[Mapping[str, float]] = {
    "does not fit": 1.0,
    "unknown": 0.75,
    "cannot say": 0.75,
    "fits only without full reserve": 0.6,
    "fits with pump": 0.5,
    "fits by gravity": 0.4,
}
"""Whether a conforming system has no place on the lot: whoever cannot replace one needs help before the others."""

NO_WELL: Final = 0.2
"""Of a lot from whose old system no well lies within the setback."""

DIGITS: Final = 9
"""Logarithms of scores that agree in so many decimals are equal: sums of the same numbers in another order differ beyond them."""

TOO_MANY: Final = 1000
"""More wells than anybody has within a setback."""


def wells_factor(exposed: Ints) -> Floats:
    """`NO_WELL` without an exposed well, and half the way to 1 more with each: 0.6, 0.8, 0.9 for one, two, three."""
    if np.any((exposed < 0) | (exposed > TOO_MANY)):
        raise ValueError("a number of exposed wells is negative or beyond belief")
    factor: Floats = 1.0 - (1.0 - NO_WELL) * 0.5 ** exposed.astype(np.float64)
    return factor


def log_scores(factors: Mapping[str, Floats], weights: Mapping[str, float]) -> Floats:
    """Logarithm of the product of all factors, each to the power of its weight: with high weights the product itself comes to nothing.

    Parameters
    ----------
    factors : factor name -> array, shape (parcels,), of numbers over 0 and up to 1.
    weights : factor name -> exponent, not negative; 0 leaves the factor out.

    Returns
    -------
    array, shape (parcels,)
        Up to 0; a parcel that is at least as high in every factor has at least as high a score.
    """
    score = np.zeros(len(next(iter(factors.values()))))
    for name, values in factors.items():
        if not np.all((values > 0) & (values <= 1)):
            raise ValueError(f"the factor {name} is not over 0 and up to 1 everywhere")
        if weights[name] < 0:
            raise ValueError(f"the weight of {name} is negative")
        score += weights[name] * np.log(values)
    return np.round(score, DIGITS)


@dataclass(frozen=True)
class Order:
    """One order of parcels. `rank` is 1 for the first; equal scores share the best rank of theirs, and `tied` says how many share it."""

    rank: Ints
    tied: Ints

    def among_first(self, count: int) -> Bools:
        """Those whose rank is at most `count`: more than `count` where a tie lies on the edge."""
        first: Bools = self.rank <= count
        return first


def order(score: Floats) -> Order:
    """The order of falling score, or of any number that falls with it."""
    _, group, sizes = np.unique(-score, return_inverse=True, return_counts=True)
    before = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    return Order(before[group].astype(np.int64) + 1, sizes[group].astype(np.int64))


@dataclass(frozen=True)
class Moved:
    """How the first parcels change when one weight moves: of `first` parcels `stay` are still among the first, and `enter` come in."""

    factor: str
    weight: float
    first: int
    stay: int
    enter: int


def sensitivity(factors: Mapping[str, Floats], weights: Mapping[str, float], count: int, share: float) -> tuple[Moved, ...]:
    """The first `count` parcels against those when each weight in turn is `share` smaller and larger. A weight of 0 stays what it is."""
    base = order(log_scores(factors, weights)).among_first(count)
    found = []
    for name in factors:
        for sign in (-1.0, 1.0):
            moved = {**weights, name: weights[name] * (1 + sign * share)}
            other = order(log_scores(factors, moved)).among_first(count)
            found.append(Moved(name, moved[name], int(base.sum()), int((base & other).sum()), int((other & ~base).sum())))
    return tuple(found)
