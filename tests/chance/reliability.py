"""How well chances agree with what came true: shares by class, Brier score, and errors that heed what depends on each other.

Lots near one well are not independent, counties are: sampling errors are by drawing whole counties anew.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoseptic.processes.chance_fits import wilson

CLASSES: Final = 10
TIMES: Final = 200


@dataclass(frozen=True)
class Class:
    """Chances of one tenth, `low` to below `high`: how many, their mean, the share that came true, Wilson's interval of that share as if
    all were independent, and the standard error by counties."""

    low: float
    high: float
    count: int
    mean: float
    share: float
    ends: tuple[float, float]
    error: float


@dataclass(frozen=True)
class Score:
    """Brier score with its parts by Murphy: score = reliability - resolution + uncertainty + spread within the classes."""

    brier: float
    brier_error: float
    reliability: float
    resolution: float
    uncertainty: float
    bias: float
    bias_error: float


def by_counties(of: Callable[..., float], county: np.ndarray) -> float:
    """Standard error of a figure of some rows, by drawing whole counties with replacement."""
    rows = [np.flatnonzero(county == one) for one in np.unique(county)]
    rng = np.random.default_rng(5)
    found = [of(np.concatenate([rows[one] for one in rng.integers(0, len(rows), len(rows))])) for _ in range(TIMES)]
    return float(np.nanstd(found))


def share_of(true: np.ndarray) -> float:
    return float(true.mean()) if len(true) else float("nan")


def classes(chance: np.ndarray, true: np.ndarray, county: np.ndarray, count: int = CLASSES) -> list[Class]:
    """The chances in tenths, 1 with those of 0.9 and more; classes without any are left out."""
    number = class_of(chance, count)
    found = []
    for one in np.unique(number):
        rows = np.flatnonzero(number == one)
        low, high = wilson(true[rows].sum(), len(rows))
        error = by_counties(lambda of, one=one: share_of(true[of[number[of] == one]]), county)
        found.append(
            Class(one / count, (one + 1) / count, len(rows), chance[rows].mean(), true[rows].mean(), (float(low), float(high)), error)
        )
    return found


def class_of(chance: np.ndarray, count: int = CLASSES) -> np.ndarray:
    return np.minimum((chance * count + 1e-9).astype(int), count - 1)


def brier(chance: np.ndarray, true: np.ndarray) -> float:
    return float(((chance - true) ** 2).mean())


def score(chance: np.ndarray, true: np.ndarray, county: np.ndarray) -> Score:
    number = class_of(chance)
    weight = np.bincount(number, minlength=CLASSES) / len(chance)
    some = weight > 0
    mean, share = (np.bincount(number, of, CLASSES)[some] / (weight[some] * len(chance)) for of in (chance, true))
    base = true.mean()
    return Score(
        brier(chance, true),
        by_counties(lambda of: brier(chance[of], true[of]), county),
        float((weight[some] * (mean - share) ** 2).sum()),
        float((weight[some] * (share - base) ** 2).sum()),
        float(base * (1 - base)),
        float((chance - true).mean()),
        by_counties(lambda of: float((chance[of] - true[of]).mean()), county),
    )


def overconfidence(chance: np.ndarray, true: np.ndarray) -> float:
    """How much surer chances are than they have cause to be: mean of what is claimed beyond one half, less what came true of it."""
    claimed = np.abs(chance - 0.5)
    right = np.where(chance >= 0.5, true, 1.0 - true) - 0.5
    return float((claimed - right).mean())
