"""What is wrong with an input: where, how badly, and how its owner may mend it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from geoseptic.errors import GeosepticError

Weight = Literal["hinders", "left out", "mended", "assumed", "look"]

WEIGHTS: Final[dict[Weight, str]] = {
    "hinders": "no run can use the file as it is",
    "left out": "a run goes on without the feature: its ground is unknown, none of it reads as clear, and the run ends with code 1",
    "mended": "a run mends or takes the worse reading, and says so",
    "assumed": "a run goes on with an assumption, which may cost ground or leave questions open",
    "look": "possible, but so unlikely that somebody should look",
}
"""How much a problem weighs, heaviest first."""

FAILING: Final[tuple[Weight, ...]] = ("hinders", "left out")
"""Weights with which no run ends without a failure."""


@dataclass(frozen=True)
class Refused:
    """An input that could not be read or used, in place of its values."""

    source: str
    errors: tuple[GeosepticError, ...]


@dataclass(frozen=True)
class Place:
    """One feature that has the problem. `row` counts the records of the file from 1, 0 where it is not one record; degrees are NaN where
    it has no place."""

    feature: str
    row: int = 0
    lon_deg: float = float("nan")
    lat_deg: float = float("nan")


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with one input. `what` is a sentence, `todo` how to mend it; both may quote the file."""

    layer: str
    source: str
    weight: Weight
    what: str
    todo: str = ""
    places: Sequence[Place] = ()
