"""Exact chances that a thing whose place is not known lies within a distance of a point.

A chance is exactly 0 or 1 only where no place that the thing may have says otherwise. A Gaussian error ends at `FARTHEST_SIGMAS`, here and
in the draws: beyond it lie 15 of a thousand million places.
"""

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]

FARTHEST_SIGMAS: Final = 6.0
"""Where a Gaussian error of a place ends, in standard deviations of one axis."""

LEAST_CHANCE: Final = 1e-9
"""What is neither sure nor ruled out has at least this chance, and at most 1 less it."""

_ROUNDING: Final = 1e-9
_RANGE_SIGMAS: Final = 8.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def gaussian_within(distance_m: npt.ArrayLike, sigma_m: npt.ArrayLike, radius_m: npt.ArrayLike) -> Floats:
    """Chance that a thing lies less than `radius_m` from a point, with Gaussian error round a place `distance_m` from it.

    The squared distance over `sigma_m` squared has the noncentral chi-square distribution of 2 degrees of freedom and noncentrality
    (distance / sigma) squared. It is integrated over chords of the disc by Gauss and Legendre's rule (64 points); of `scipy.stats.ncx2` it
    stays within 1e-11.

    Parameters
    ----------
    distance_m : from the place on record to the point, not negative. [m]
    sigma_m : standard deviation of the error along each axis; 0 for an exact place. [m]
    radius_m : not negative. [m]

    Returns
    -------
    float64 array, as the three broadcast; 0 and 1 exactly where all places up to `FARTHEST_SIGMAS` agree.
    """
    return _over(_gaussians, distance_m, sigma_m, radius_m)


def disc_within(distance_m: npt.ArrayLike, disc_m: npt.ArrayLike, radius_m: npt.ArrayLike) -> Floats:
    """Chance that a thing lies less than `radius_m` from a point, where it may be anywhere in a disc of radius `disc_m` alike.

    The area that the two discs share, over that of the thing's. Parameters and result as `gaussian_within`.
    """
    return _over(_discs, distance_m, disc_m, radius_m)


def square_within(east_m: npt.ArrayLike, north_m: npt.ArrayLike, side_m: npt.ArrayLike, radius_m: npt.ArrayLike) -> Floats:
    """Chance that a thing lies less than `radius_m` from a point, where it may be anywhere in a square alike, with sides east and north.

    Parameters
    ----------
    east_m, north_m : from the middle of the square to the point. [m]
    side_m : of the square; 0 for an exact place. [m]
    radius_m : not negative. [m]

    Returns
    -------
    float64 array, as they broadcast.
    """
    return _over(_squares, east_m, north_m, side_m, radius_m)


def in_percent(chance: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.uint8]:
    """Chances as whole percent, rounded down, NaN as 255. 100 is said of certainty alone and 0 of what never is: all else is 1 to 99."""
    known = ~np.isnan(chance)
    percent = np.full(chance.shape, 255, np.uint8)
    value = chance[known]
    between = np.clip(np.floor(value * 100 + _ROUNDING), 1, 99)
    percent[known] = np.where(value >= 1, 100, np.where(value <= 0, 0, between)).astype(np.uint8)
    return percent


def _over(kernel: Any, *numbers: npt.ArrayLike) -> Floats:
    arrays = np.broadcast_arrays(*(np.asarray(number, np.float64) for number in numbers))
    out = np.empty(arrays[0].shape)
    kernel(*(np.ascontiguousarray(array).ravel() for array in arrays), out.reshape(-1))
    return out


@njit(cache=True, nogil=True)
def gaussian_chance(distance_m, sigma_m, radius_m):  # type: ignore[no-untyped-def]
    """`gaussian_within` of one point, for use in other kernels."""
    if radius_m <= 0.0 or distance_m - FARTHEST_SIGMAS * sigma_m >= radius_m:
        return 0.0
    if distance_m + FARTHEST_SIGMAS * sigma_m < radius_m:
        return 1.0
    first = max(-radius_m, distance_m - _RANGE_SIGMAS * sigma_m)
    last = min(radius_m, distance_m + _RANGE_SIGMAS * sigma_m)
    # By the angle of the chord: its length has a root at both ends of the disc, which no polynomial follows.
    low, high = math.asin(first / radius_m), math.asin(last / radius_m)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    total = 0.0
    for point in range(_NODES.size):
        angle = middle + half * _NODES[point]
        across = radius_m * math.cos(angle)
        off = (radius_m * math.sin(angle) - distance_m) / sigma_m
        total += _WEIGHTS[point] * across * math.exp(-0.5 * off * off) * math.erf(across / (sigma_m * math.sqrt(2.0)))
    chance = total * half / (sigma_m * math.sqrt(2.0 * math.pi))
    return min(1.0 - LEAST_CHANCE, max(LEAST_CHANCE, chance))


@njit(cache=True, nogil=True)
def disc_chance(distance_m, disc_m, radius_m):  # type: ignore[no-untyped-def]
    """`disc_within` of one point, for use in other kernels."""
    if radius_m <= 0.0 or distance_m - disc_m >= radius_m:
        return 0.0
    if distance_m + disc_m < radius_m:
        return 1.0
    if distance_m + radius_m <= disc_m:
        return (radius_m / disc_m) ** 2
    own = (distance_m**2 + disc_m**2 - radius_m**2) / (2.0 * distance_m * disc_m)
    other = (distance_m**2 + radius_m**2 - disc_m**2) / (2.0 * distance_m * radius_m)
    own_angle, other_angle = math.acos(min(1.0, max(-1.0, own))), math.acos(min(1.0, max(-1.0, other)))
    area = disc_m**2 * (own_angle - 0.5 * math.sin(2.0 * own_angle)) + radius_m**2 * (other_angle - 0.5 * math.sin(2.0 * other_angle))
    return min(1.0 - LEAST_CHANCE, max(LEAST_CHANCE, area / (math.pi * disc_m**2)))


@njit(cache=True, nogil=True)
def square_chance(east_m, north_m, side_m, radius_m):  # type: ignore[no-untyped-def]
    """`square_within` of one point, for use in other kernels."""
    half = 0.5 * side_m
    east, north = abs(east_m), abs(north_m)
    if radius_m <= 0.0 or math.hypot(max(east - half, 0.0), max(north - half, 0.0)) >= radius_m:
        return 0.0
    if math.hypot(east + half, north + half) < radius_m:
        return 1.0
    if east + radius_m <= half and north + radius_m <= half:
        return math.pi * (radius_m / side_m) ** 2
    left, right, low, high = -east - half, -east + half, -north - half, -north + half
    area = _quarter(right, high, radius_m) - _quarter(left, high, radius_m) - _quarter(right, low, radius_m) + _quarter(left, low, radius_m)
    return min(1.0 - LEAST_CHANCE, max(LEAST_CHANCE, area / side_m**2))


@njit(cache=True, nogil=True)
def _left_of(x, radius):  # type: ignore[no-untyped-def]
    """Area of a disc round the origin left of `x`."""
    return radius**2 * (0.5 * math.pi + math.asin(x / radius)) + x * math.sqrt(max(0.0, radius**2 - x**2))


@njit(cache=True, nogil=True)
def _quarter(x, y, radius):  # type: ignore[no-untyped-def]
    """Area of a disc round the origin left of `x` and below `y`."""
    x, y = min(radius, max(-radius, x)), min(radius, max(-radius, y))
    if x * x + y * y < radius * radius:
        chords = x * math.sqrt(radius**2 - x**2) + y * math.sqrt(radius**2 - y**2)
        return x * y + 0.5 * chords + 0.5 * radius**2 * (0.5 * math.pi + math.asin(x / radius) + math.asin(y / radius))
    if x < 0.0 and y < 0.0:
        return 0.0
    if x < 0.0:
        return _left_of(x, radius)
    if y < 0.0:
        return _left_of(y, radius)
    return _left_of(x, radius) + _left_of(y, radius) - math.pi * radius**2


@njit(cache=True, nogil=True)
def _gaussians(distance_m, sigma_m, radius_m, out):  # type: ignore[no-untyped-def]
    for index in range(out.size):
        out[index] = gaussian_chance(distance_m[index], sigma_m[index], radius_m[index])


@njit(cache=True, nogil=True)
def _discs(distance_m, disc_m, radius_m, out):  # type: ignore[no-untyped-def]
    for index in range(out.size):
        out[index] = disc_chance(distance_m[index], disc_m[index], radius_m[index])


@njit(cache=True, nogil=True)
def _squares(east_m, north_m, side_m, radius_m, out):  # type: ignore[no-untyped-def]
    for index in range(out.size):
        out[index] = square_chance(east_m[index], north_m[index], side_m[index], radius_m[index])
