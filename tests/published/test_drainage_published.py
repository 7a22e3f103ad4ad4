"""Fill and drainage directions held against other people's tools on real ground, and against worked examples in print."""

import math
import platform
import sys
from types import ModuleType
from typing import NamedTuple

import numpy as np
import pytest
import rasterio
from skimage.morphology import reconstruction

from geoseptic.terrain.drainage import STEP_COL, STEP_ROW, d8_receivers, dinf_receivers, fill
from geoseptic.terrain.flowpath import upstream_of
from tests.outside import lidar_dem_path
from tests.terrain.grounds import Floats, rough

HAS_WHEEL = (("linux", "x86_64"), ("darwin", "arm64"), ("win32", "AMD64"))
"""Machines for which whitebox-workflows is published, as in pyproject.toml."""

EAST, NORTH_EAST, NORTH, NORTH_WEST, WEST, SOUTH_WEST, SOUTH, SOUTH_EAST = (1 << k for k in range(8))

# The worked examples count directions by powers of two clockwise from east.
CLOCKWISE = {1: EAST, 2: SOUTH_EAST, 4: SOUTH, 8: SOUTH_WEST, 16: WEST, 32: NORTH_WEST, 64: NORTH, 128: NORTH_EAST}
# The terrain library counts them clockwise from north-east.
FROM_NORTH_EAST = {0: 0, 1: NORTH_EAST, 2: EAST, 4: SOUTH_EAST, 8: SOUTH, 16: SOUTH_WEST, 32: WEST, 64: NORTH_WEST, 128: NORTH}

TIED = 1e-9
"""Two falls closer than this part of the steepest count as equal; rounding in 64 bits leaves at most 1e-15."""


class Library(NamedTuple):
    """What the terrain library makes of the real ground; D-infinity in degrees clockwise from north, -1 where nothing falls."""

    wang_and_liu: Floats
    planchon_and_darboux: Floats
    d8: np.ndarray
    dinf_degrees: np.ndarray


@pytest.fixture(scope="module")
def ground_m() -> Floats:
    with rasterio.open(lidar_dem_path()) as raster:
        return raster.read(1)


@pytest.fixture(scope="module")
def filled_m(ground_m: Floats) -> Floats:
    return fill(ground_m)


@pytest.fixture(scope="module")
def library() -> Library:
    environment = terrain_library().WbEnvironment()
    ground = environment.read_raster(str(lidar_dem_path()))
    depressions, routing = environment.hydrology.depressions_storage, environment.hydrology.flow_routing
    filled = depressions.fill_depressions_wang_and_liu(dem=ground, fix_flats=False)
    return Library(
        filled.to_numpy(),
        depressions.fill_depressions_planchon_and_darboux(dem=ground, fix_flats=False).to_numpy(),
        routing.d8_pointer(dem=filled, esri_pntr=False).to_numpy(),
        routing.dinf_pointer(dem=filled).to_numpy(),
    )


def terrain_library() -> ModuleType:
    try:
        import whitebox_workflows
    except ImportError:
        if (sys.platform, platform.machine()) in HAS_WHEEL:
            pytest.fail("whitebox-workflows is missing: run `python3 scripts/start.py install test data`.")
        pytest.skip("whitebox-workflows is not published for this kind of machine.")
    return whitebox_workflows


def around(filled_m: Floats) -> np.ndarray:
    """Heights of the eight neighbours in 64 bits, shape (8, rows, cols); NaN beyond the raster."""
    padded = np.pad(filled_m.astype(np.float64), 1, constant_values=np.nan)
    rows, cols = filled_m.shape
    return np.stack([padded[1 + r : 1 + r + rows, 1 + c : 1 + c + cols] for r, c in zip(STEP_ROW, STEP_COL, strict=True)])


def falls_to_neighbours(filled_m: Floats) -> np.ndarray:
    """Fall over run to each of the eight neighbours, shape (8, rows, cols); minus infinity beyond the raster."""
    run = np.where(np.arange(8) % 2, math.sqrt(2), 1)[:, None, None]
    return np.nan_to_num((filled_m - around(filled_m)) / run, nan=-np.inf)


def facets(filled_m: Floats) -> tuple[np.ndarray, np.ndarray]:
    """Slope and direction (eighths of a turn from east anticlockwise) of the eight facets, written down from tarboton1997, eqs. 1 to 6."""
    near = around(filled_m)
    slopes, eighths = [], []
    for cardinal in (0, 2, 4, 6):
        for diagonal, turn in ((cardinal + 1, 1), ((cardinal - 1) % 8, -1)):
            s1 = filled_m - near[cardinal]
            s2 = near[cardinal] - near[diagonal]
            angle = np.arctan2(s2, s1)
            slope = np.hypot(s1, s2)
            slope = np.where(angle < 0, s1, slope)
            slope = np.where(angle > math.pi / 4, (filled_m - near[diagonal]) / math.sqrt(2), slope)
            slopes.append(np.nan_to_num(slope, nan=-np.inf))
            eighths.append(np.nan_to_num(cardinal + turn * np.clip(angle, 0, math.pi / 4) / (math.pi / 4)) % 8)
    return np.stack(slopes), np.stack(eighths)


def turn_between(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Difference of two directions in eighths of a turn, 0 to 4."""
    difference = np.abs(first - second) % 8
    return np.minimum(difference, 8 - difference)


# The fill


@pytest.mark.source("barnes2014", where="the filled surface is unique, whatever the algorithm: section 2")
@pytest.mark.source("wang2006", where="whitebox-workflows, fill_depressions_wang_and_liu")
def test_fill_of_real_ground_has_the_bits_of_a_terrain_librarys(ground_m: Floats, filled_m: Floats, library: Library):
    assert (filled_m > ground_m).sum() == 72980
    np.testing.assert_array_equal(filled_m.astype(np.float64), library.wang_and_liu)
    np.testing.assert_array_equal(filled_m.astype(np.float64), library.planchon_and_darboux)


@pytest.mark.source("vincent1993", where="scikit-image, morphology.reconstruction by erosion from the border, eight neighbours")
def test_fill_of_real_ground_has_the_bits_of_a_morphological_reconstruction(ground_m: Floats, filled_m: Floats):
    np.testing.assert_array_equal(filled_m, reconstructed(ground_m))


@pytest.mark.source("vincent1993", where="scikit-image, morphology.reconstruction by erosion from the border, eight neighbours")
@pytest.mark.parametrize("steps_m", [0.0, 0.05, 0.25])
def test_fill_of_made_up_ground_has_the_bits_of_a_morphological_reconstruction(steps_m: float):
    ground = rough((300, 260), seed=41, steps_m=steps_m)
    assert (fill(ground) > ground).sum() > 3000
    np.testing.assert_array_equal(fill(ground), reconstructed(ground))


def reconstructed(ground_m: Floats) -> Floats:
    full = ground_m.copy()
    full[1:-1, 1:-1] = ground_m.max()
    return reconstruction(full, ground_m, method="erosion", footprint=np.ones((3, 3))).astype(np.float32)


@pytest.mark.source("topopy-fill", where="test_fill_01 and test_fill_02")
@pytest.mark.parametrize(
    ("ground", "expected"),
    [
        (
            [[49, 36, 29, 29], [32, 19, 17, 20], [19, 18, 31, 39], [19, 29, 42, 51]],
            [[49, 36, 29, 29], [32, 19, 19, 20], [19, 19, 31, 39], [19, 29, 42, 51]],
        ),
        (
            [[49, 36, 29, 29], [32, 17, 12, 20], [19, 17, 17, 39], [19, 29, 42, 51]],
            [[49, 36, 29, 29], [32, 19, 19, 20], [19, 19, 19, 39], [19, 29, 42, 51]],
        ),
    ],
)
def test_worked_examples_of_the_fill(ground: list[list[int]], expected: list[list[int]]):
    np.testing.assert_array_equal(fill(np.array(ground, np.float32)), np.array(expected, np.float32))


# D8

STAIRS_M = np.array(
    [
        [78, 72, 69, 71, 58, 49],
        [74, 67, 56, 49, 46, 50],
        [69, 53, 44, 37, 38, 48],
        [64, 58, 55, 22, 31, 24],
        [68, 61, 47, 21, 16, 19],
        [74, 53, 34, 12, 11, 12],
    ],
    np.float32,
)
STAIRS_DIRECTIONS = [
    [2, 2, 2, 4, 4, 8],
    [2, 2, 2, 4, 4, 8],
    [1, 1, 2, 4, 8, 4],
    [128, 128, 1, 2, 4, 8],
    [2, 2, 1, 4, 4, 4],
    [1, 1, 1, 1, 0, 16],
]
STAIRS_CELLS_ABOVE = [
    [1, 1, 1, 1, 1, 1],
    [1, 2, 2, 3, 3, 1],
    [1, 4, 8, 6, 5, 1],
    [1, 1, 1, 21, 1, 2],
    [1, 1, 1, 2, 25, 1],
    [1, 3, 5, 8, 36, 2],
]


@pytest.mark.source("terra-flow-example", where="flowdir0 and flowacc0, 6 x 6 cells")
@pytest.mark.source("ocallaghan1984", where="water goes to the neighbour of the steepest fall; numbers from terra-flow-example")
def test_worked_example_of_d8_and_of_what_lies_upstream():
    expected = np.array([[CLOCKWISE.get(code, 0) for code in row] for row in STAIRS_DIRECTIONS], np.uint8)
    receivers = d8_receivers(fill(STAIRS_M))
    np.testing.assert_array_equal(receivers, expected)
    above = np.zeros(STAIRS_M.shape, int)
    for row, col in np.ndindex(STAIRS_M.shape):
        target = np.zeros(STAIRS_M.shape, bool)
        target[row, col] = True
        above[row, col] = upstream_of(receivers, target).sum()
    np.testing.assert_array_equal(above, STAIRS_CELLS_ABOVE)


@pytest.mark.source("ocallaghan1984", where="steepest fall to one neighbour, as whitebox-workflows, d8_pointer, has it")
def test_d8_on_real_ground_is_that_of_a_terrain_library_wherever_one_neighbour_is_steepest(filled_m: Floats, library: Library):
    theirs = np.vectorize(FROM_NORTH_EAST.__getitem__, otypes=[np.uint8])(library.d8.astype(int))
    ours = d8_receivers(filled_m)
    falls = falls_to_neighbours(filled_m)
    steepest = falls.max(axis=0)
    equally_steep = (falls >= steepest * (1 - TIED)) & (steepest > 0)
    falling, tied = steepest > 0, equally_steep.sum(axis=0) > 1
    assert (falling.sum(), (falling & tied).sum()) == (86844, 919)
    np.testing.assert_array_equal(ours[falling & ~tied], theirs[falling & ~tied])
    # On a tie each takes one of the steepest: we the first from east anticlockwise, the library another (in 420 cells, release 2.0.6).
    bits = 1 << np.arange(8)[:, None, None]
    assert ((ours & bits > 0) & equally_steep).any(axis=0)[falling].all()
    assert ((theirs & bits > 0) & equally_steep).any(axis=0)[falling].all()
    # On level ground the library stops, and we go on over the level to its outlet.
    assert (theirs[~falling] == 0).all()


# D-infinity


@pytest.mark.source("tarboton1997", where="facets, equations 1 to 6, as whitebox-workflows, dinf_pointer, has them")
@pytest.mark.parametrize("min_share", [0.001, 0.1, 0.2, 0.35, 0.5])
def test_d_infinity_on_real_ground_is_that_of_a_terrain_library_wherever_one_facet_is_steepest(
    filled_m: Floats, library: Library, min_share: float
):
    slopes, eighths = facets(filled_m)
    steepest = slopes.max(axis=0)
    chosen = np.take_along_axis(eighths, slopes.argmax(axis=0)[None], axis=0)[0]
    tied = ((slopes >= steepest * (1 - TIED)) & (turn_between(eighths, chosen) > 1e-6)).any(axis=0)
    falling = library.dinf_degrees >= 0
    np.testing.assert_array_equal(falling, steepest > 0)
    assert (falling.sum(), (falling & tied).sum()) == (86844, 1002)

    direction = (90 - library.dinf_degrees) / 45 % 8
    first = np.floor(direction)
    beyond = direction - first
    takes_first, takes_next = 1 - beyond > min_share, beyond > min_share
    first = first.astype(int) % 8
    theirs = (takes_first * (1 << first) | takes_next * (1 << (first + 1) % 8)).astype(np.uint8)
    # A share within rounding of the least may go either way.
    near_least = (np.abs(beyond - min_share) < 1e-6) | (np.abs(1 - beyond - min_share) < 1e-6)
    compared = falling & ~tied & ~near_least
    assert (falling & ~tied & ~compared).sum() < 20
    np.testing.assert_array_equal(dinf_receivers(filled_m, min_share)[compared], theirs[compared])


@pytest.mark.source("tarboton1997", where="facets, equations 1 to 6: the second way, written out in this file")
def test_d_infinity_on_a_tie_takes_one_of_the_steepest_facets(filled_m: Floats):
    slopes, eighths = facets(filled_m)
    steepest = slopes.max(axis=0)
    ours = dinf_receivers(filled_m, 1e-9)
    possible = np.zeros(filled_m.shape, bool)
    for slope, direction in zip(slopes, eighths, strict=True):
        first = np.floor(direction + 1e-9).astype(int) % 8
        beyond = direction - np.floor(direction + 1e-9)
        mask = (1 << first) | np.where(beyond > 1e-7, 1 << (first + 1) % 8, 0)
        possible |= (slope >= steepest * (1 - TIED)) & (mask == ours)
    assert possible[steepest > 0].all()


BOWL_M = np.array([[0, 1, 4, 9], [1, 2, 5, 10], [4, 5, 8, 13], [9, 10, 13, 18]], np.float32)[::-1]
"""The example has its first row in the south."""


@pytest.mark.source("landlab-dinf-example", where="elevation x^2 + y^2 on 4 x 4 nodes: nodes 5, 6 and 10, proportions 1, 0.59033447 and 1")
def test_worked_example_of_d_infinity_in_a_bowl():
    some, more = dinf_receivers(BOWL_M, 0.40), dinf_receivers(BOWL_M, 0.42)
    assert (some[2, 1], some[1, 2]) == (SOUTH_WEST, SOUTH_WEST)
    # Node 6 sends 0.59033447 west to node 5 and 0.40966553 south-west to node 1.
    assert some[2, 2] == WEST | SOUTH_WEST
    assert more[2, 2] == WEST


@pytest.mark.source(
    "landlab-dinf-example", where="test of the component: elevation x + 2 y on 5 x 4 nodes, proportions 0.40966553 and 0.59033447"
)
def test_worked_example_of_d_infinity_on_a_plane():
    row, col = np.indices((5, 4))
    plane_m = (col + 2 * (4 - row)).astype(np.float32)
    # Every inner node sends 0.40966553 south and 0.59033447 south-west.
    assert (dinf_receivers(plane_m, 0.40)[1:-1, 1:-1] == SOUTH | SOUTH_WEST).all()
    assert (dinf_receivers(plane_m, 0.42)[1:-1, 1:-1] == SOUTH_WEST).all()
