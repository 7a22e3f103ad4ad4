"""How good the ground is for a drain field where nothing excludes it, from 1 to 100. The scale is our own.

Each cell is rated by itself: windows need no halo.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

EXCLUDED: Final = 0
UNKNOWN: Final = 255

FAIR_FROM: Final = 40
GOOD_FROM: Final = 70


def slope_rating(slope_percent: Floats, limit_percent: float, classes_percent: tuple[float, float]) -> Floats:
    """Rating by slope: 100 level, 70 and 40 at the two class limits, 10 at the code's limit and beyond.

    A code with a limit inside the classes ends the curve there. The scale is our own.

    Parameters
    ----------
    slope_percent : float32 array of any shape
        NaN where unknown, and then in the result. [percent]
    limit_percent, classes_percent : the code's limit, and where slight ends and moderate ends. [percent]

    Returns
    -------
    float32 array of the same shape : 10 to 100.
    """
    slight, moderate = classes_percent
    points = [(0.0, 100.0), (slight, 70.0), (moderate, 40.0)]
    kept = [point for point in points if point[0] < limit_percent]
    return _curve(slope_percent, [*kept, (limit_percent, 10.0)])


def well_path_rating(distance_m: Floats, setback_m: float, reach_m: float) -> Floats:
    """Rating by the flow path down to a well: 10 at the setback and nearer, 60 at the reach, 100 where no well is reached.

    Parameters
    ----------
    distance_m : float32 array of any shape
        Infinite where no well is reached; NaN where unknown, and then in the result. [m]
    setback_m, reach_m : float
        What the code asks from a well, and the farthest path that was looked for. [m]

    Returns
    -------
    float32 array of the same shape : 10 to 100.
    """
    rated = _curve(distance_m, [(setback_m, 10.0), (max(reach_m, setback_m + 1.0), 60.0)])
    return np.where(np.isinf(distance_m), np.float32(100), rated)


def combined(factors: Mapping[str, Floats], weights: Mapping[str, float] | None = None) -> Floats:
    """One rating from several, shape as theirs.

    Without weights the least factor decides, as in limiting-factor land evaluation: good slope cannot make up for a short path to a well.
    With weights, their weighted mean. NaN in any factor stays NaN.

    References
    ----------
    fao1976; key in data/references.toml.
    """
    layers: Sequence[Floats] = list(factors.values())
    if weights is None:
        least = layers[0]
        for layer in layers[1:]:
            least = np.minimum(least, layer)
        return least
    total = sum(weights[name] for name in factors)
    mean = np.zeros_like(layers[0])
    for name, layer in factors.items():
        mean += layer * np.float32(weights[name] / total)
    return mean


def suitability(rating: Floats, excluded: npt.NDArray[np.bool_], unproven: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint8]:
    """0 where excluded, 255 where not known, else the rating from 1 to 100. What is excluded for certain stays excluded.

    Parameters
    ----------
    rating : float32 array of any shape
        NaN where unknown.
    excluded, unproven : bool arrays of the same shape
        Closed for certain; closed perhaps, which reads as unknown.

    Returns
    -------
    uint8 array of the same shape
    """
    known = np.isfinite(rating) & ~unproven
    out = np.full(rating.shape, UNKNOWN, np.uint8)
    out[known] = np.clip(np.rint(rating[known]), 1, 100)
    out[excluded] = EXCLUDED
    return out


def _curve(values: Floats, points: Sequence[tuple[float, float]]) -> Floats:
    at, rating = zip(*points, strict=True)
    return np.interp(values, at, rating).astype(np.float32)
