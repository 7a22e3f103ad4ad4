"""Slope held against planes and cones, against least squares by numpy, and against what noise must do by the laws of errors."""

import math

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view

from geoseptic.terrain.slope import classed, half_window_cells, horn_slope_percent, plane_slope_percent, rounded_up
from tests.terrain.grounds import Floats, plane, rough

BOTH = {"horn": horn_slope_percent, "plane": lambda z, cell: plane_slope_percent(z, cell, 15.0)}
WINDOW_M = 15.0


def known_in_window(elevation_m: Floats, half: int) -> np.ndarray:
    """How many cells of every cell's window are known, cells outside the raster counted as unknown."""
    padded = np.pad(~np.isnan(elevation_m), half)
    return sliding_window_view(padded, (2 * half + 1, 2 * half + 1)).sum(axis=(2, 3))


def least_squares_percent(window: np.ndarray, cell_size_m: float) -> float:
    row, col = np.nonzero(~np.isnan(window))
    terms = np.column_stack([np.ones(row.size), col * cell_size_m, row * cell_size_m])
    solution, *_ = np.linalg.lstsq(terms, window[row, col].astype(np.float64), rcond=None)
    return 100 * math.hypot(solution[1], solution[2])


def half_known_and_itself(elevation_m: Floats, half: int) -> np.ndarray:
    return ~np.isnan(elevation_m) & (2 * known_in_window(elevation_m, half) >= (2 * half + 1) ** 2)


@pytest.mark.parametrize("slope_percent", [0.0, 0.5, 8.0, 15.0, 33.0, 100.0])
@pytest.mark.parametrize("falls_to_degrees", [0, 17, 45, 90, 123, 180, 222, 270, 301, 359])
@pytest.mark.parametrize("cell_size_m", [0.9144, 1.0, 3.0])
def test_slope_of_a_plane_is_the_planes_own(slope_percent: float, falls_to_degrees: float, cell_size_m: float):
    ground = plane((31, 37), cell_size_m, slope_percent, falls_to_degrees, base_m=300).astype(np.float32)
    # A height of 256 to 512 m is stored to 0.000015 m; half the sum of the differences' errors is what a 3 x 3 window can be off.
    within_percent = 100 * 4 * 1.6e-5 / (8 * cell_size_m) * math.sqrt(2) * 2
    horn = horn_slope_percent(ground, cell_size_m)
    assert np.abs(horn[1:-1, 1:-1] - slope_percent).max() < within_percent
    fitted = plane_slope_percent(ground, cell_size_m, WINDOW_M)
    half = half_window_cells(cell_size_m, WINDOW_M)
    assert np.abs(fitted[half:-half, half:-half] - slope_percent).max() < within_percent


@pytest.mark.parametrize("method", BOTH)
@pytest.mark.parametrize(("rise", "expected_percent"), [((3, 4), 5 / 8 * 100), ((0, 1), 12.5), ((-8, 6), 125.0), ((0, 0), 0.0)])
def test_slope_of_a_plane_in_eighths_is_exact(method: str, rise: tuple[int, int], expected_percent: float):
    row, col = np.indices((25, 25))
    ground = ((rise[0] * row + rise[1] * col) / 8).astype(np.float32)
    assert (BOTH[method](ground, 1.0)[7:-7, 7:-7] == np.float32(expected_percent)).all()


@pytest.mark.parametrize("method", BOTH)
@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_ground_has_the_turned_slope(method: str, turns: int):
    ground = rough((40, 53), seed=3, holes=0.05)
    turned = BOTH[method](np.rot90(ground, turns), 2.0)
    np.testing.assert_allclose(turned, np.rot90(BOTH[method](ground, 2.0), turns), rtol=2e-6)


@pytest.mark.parametrize("method", BOTH)
def test_mirrored_ground_has_the_mirrored_slope(method: str):
    ground = rough((40, 53), seed=4, holes=0.05)
    np.testing.assert_allclose(BOTH[method](ground[:, ::-1], 2.0), BOTH[method](ground, 2.0)[:, ::-1], rtol=2e-6)


@pytest.mark.parametrize("method", BOTH)
def test_slope_does_not_hang_on_the_height_above_the_sea(method: str):
    ground = np.round(rough((40, 40), seed=5) * 128) / 128
    np.testing.assert_allclose(BOTH[method](ground + np.float32(2048), 1.0), BOTH[method](ground, 1.0), rtol=1e-6)


def test_cone_has_its_own_slope_away_from_the_tip():
    row, col = np.indices((301, 301)) - 150
    away = np.hypot(row, col)
    ground = (0.2 * away).astype(np.float32)
    far = (away > 60) & (np.maximum(abs(row), abs(col)) < 140)
    # Curved contours flatten a fitted plane by a part of (window / distance)^2: 1/24 of it at most, by series expansion of the cone.
    assert np.abs(horn_slope_percent(ground, 1.0)[far] / 20 - 1).max() < (3 / 60) ** 2 / 4
    fitted = plane_slope_percent(ground, 1.0, WINDOW_M)[far]
    assert np.abs(fitted / 20 - 1).max() < (WINDOW_M / 60) ** 2 / 12
    assert (fitted < 20.001).all()


@pytest.fixture(scope="module")
def noise_m() -> np.ndarray:
    return np.random.default_rng(20).normal(0, 0.10, (400, 400))


def test_level_ground_with_10_cm_of_noise_reads_over_5_percent_by_horn(noise_m: np.ndarray):
    # The spread of one difference is 0.1 m * sqrt(12) / 8; the length of two such is Rayleigh distributed.
    expected = 100 * 0.10 * math.sqrt(12) / 8 * math.sqrt(math.pi / 2)
    assert expected == pytest.approx(5.43, abs=0.005)
    assert np.nanmean(horn_slope_percent(noise_m.astype(np.float32), 1.0)) == pytest.approx(expected, rel=0.01)


def test_level_ground_with_10_cm_of_noise_reads_a_fifth_of_a_percent_by_a_15_m_plane(noise_m: np.ndarray):
    spread = 100 * 0.10 / math.sqrt(15 * 2 * sum(j * j for j in range(1, 8)))
    expected = spread * math.sqrt(math.pi / 2)
    assert expected == pytest.approx(0.193, abs=0.001)
    inside = plane_slope_percent(noise_m.astype(np.float32), 1.0, WINDOW_M)[7:-7, 7:-7]
    assert inside.mean() == pytest.approx(expected, rel=0.05)
    assert inside.max() < 1.0


def test_10_percent_ground_with_10_cm_of_noise_reads_10_percent_within_fifteen_hundredths(noise_m: np.ndarray):
    ground = (plane(noise_m.shape, 1.0, 10.0, 30.0) + noise_m).astype(np.float32)
    inside = plane_slope_percent(ground, 1.0, WINDOW_M)[7:-7, 7:-7]
    assert inside.mean() == pytest.approx(10.0, abs=0.02)
    assert inside.std() == pytest.approx(0.154, abs=0.015)


@pytest.mark.parametrize("holes", [0.0, 0.2, 0.45, 0.55, 0.8])
@pytest.mark.parametrize(("cell_size_m", "half"), [(1.0, 7), (2.0, 3), (5.0, 1)])
def test_fitted_plane_stays_exact_beside_gaps_and_borders_and_is_unknown_where_less_than_half_is_known(
    holes: float, cell_size_m: float, half: int
):
    ground = plane((40, 45), cell_size_m, 12.0, 200.0, base_m=50).astype(np.float32)
    ground[np.random.default_rng(int(holes * 100)).random(ground.shape) < holes] = np.nan
    assert half_window_cells(cell_size_m, WINDOW_M) == half
    fitted = plane_slope_percent(ground, cell_size_m, WINDOW_M)
    expected_known = half_known_and_itself(ground, half)
    np.testing.assert_array_equal(~np.isnan(fitted), expected_known)
    if expected_known.any():
        assert np.abs(fitted[expected_known] - 12.0).max() < 0.001


def test_large_gap_and_the_borders_do_not_bend_a_plane():
    ground = plane((60, 60), 1.0, 9.0, 75.0, base_m=120).astype(np.float32)
    ground[20:45, 22:50] = np.nan
    fitted = plane_slope_percent(ground, 1.0, WINDOW_M)
    np.testing.assert_array_equal(~np.isnan(fitted), half_known_and_itself(ground, 7))
    assert np.nanmax(np.abs(fitted - 9.0)) < 0.001
    assert np.isnan(fitted[0, 0])
    assert not np.isnan(fitted[0, 30])


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (2, 3), (3, 2), (2, 2)])
def test_nothing_is_computed_from_too_few_cells(shape: tuple[int, int]):
    ground = plane(shape, 1.0, 10.0, 10.0).astype(np.float32)
    assert np.isnan(plane_slope_percent(ground, 1.0, WINDOW_M)).all()
    assert np.isnan(horn_slope_percent(ground, 1.0)).all()
    known = known_in_window(ground, 1) >= 5
    np.testing.assert_array_equal(~np.isnan(plane_slope_percent(ground, 1.0, 3.0)), known)


def test_wholly_unknown_ground_has_no_slope():
    unknown = np.full((30, 30), np.nan, np.float32)
    assert all(np.isnan(method(unknown, 1.0)).all() for method in BOTH.values())


def test_horn_is_unknown_at_the_border_and_beside_any_unknown_cell():
    ground = rough((30, 30), seed=8, holes=0.1)
    np.testing.assert_array_equal(~np.isnan(horn_slope_percent(ground, 1.0)), known_in_window(ground, 1) == 9)


@pytest.mark.parametrize("holes", [0.0, 0.25])
@pytest.mark.parametrize(("cell_size_m", "window_m"), [(1.0, 3.0), (1.0, 9.0), (0.5, 15.0), (3.048, 15.24)])
def test_fitted_plane_is_that_of_least_squares(holes: float, cell_size_m: float, window_m: float):
    ground = rough((64, 64), seed=11, holes=holes) + np.float32(700)
    fitted = plane_slope_percent(ground, cell_size_m, window_m)
    half = half_window_cells(cell_size_m, window_m)
    generator = np.random.default_rng(12)
    for row, col in generator.integers(0, 64, (60, 2)):
        if np.isnan(fitted[row, col]):
            continue
        window = ground[max(0, row - half) : row + half + 1, max(0, col - half) : col + half + 1]
        assert fitted[row, col] == pytest.approx(least_squares_percent(window, cell_size_m), rel=1e-5, abs=1e-5)


@pytest.mark.parametrize("holes", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("method", BOTH)
def test_tile_with_a_halo_has_the_bits_of_the_whole(method: str, holes: float):
    ground = rough((120, 130), seed=21, holes=holes)
    whole = BOTH[method](ground, 1.0)
    halo = 7 if method == "plane" else 1
    generator = np.random.default_rng(22)
    for _ in range(25):
        top, left = generator.integers(0, 110, 2)
        bottom, right = min(120, top + generator.integers(1, 40)), min(130, left + generator.integers(1, 40))
        first_row, first_col = max(0, top - halo), max(0, left - halo)
        tile = BOTH[method](ground[first_row : bottom + halo, first_col : right + halo], 1.0)
        core = tile[top - first_row : bottom - first_row, left - first_col : right - first_col]
        assert core.tobytes() == np.ascontiguousarray(whole[top:bottom, left:right]).tobytes()


@pytest.mark.parametrize(
    ("cell_size_m", "window_m", "half"),
    [
        (1.0, 15.0, 7),
        (1.0, 9.0, 4),
        (2.0, 15.0, 3),
        (3.0, 15.0, 2),
        (10.0, 15.0, 1),
        (30.0, 15.0, 1),
        (0.3048, 15.24, 24),
        (0.3048, 15.5448, 25),
    ],
)
def test_window_is_an_odd_number_of_cells_and_at_least_three(cell_size_m: float, window_m: float, half: int):
    assert half_window_cells(cell_size_m, window_m) == half


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("limits", [(8.0, 15.0, 20.1), (8.0, 15.0, 5.0), (8.0, 15.0, np.inf)])
def test_codes_of_slopes_are_those_that_numpy_counts(dtype, limits):
    """Slopes at the limits and one step beside them, at infinity and unknown, also where the third limit is the lowest."""
    at = np.array([*limits, 0.0, 3.0, 12.0, 40.0, np.inf], dtype)
    slope = np.stack([np.nextafter(at, dtype(-np.inf)), at, np.nextafter(at, dtype(np.inf)), np.full_like(at, np.nan)])
    first, second, third = (dtype(limit) for limit in limits)
    expected = 1 + (slope >= first).astype(int) + (slope > second)
    expected[slope > third] = 4
    expected[np.isnan(slope)] = 5
    assert classed(slope, limits, (1, 2, 3, 4, 5)).tolist() == expected.tolist()


def test_rounded_slope_is_never_gentler_and_passes_a_whole_limit_with_the_unrounded():
    """Slopes at limits, at steps and one number of their kind beside both, and many between; unknown stays unknown."""
    limits = np.array([0, 2, 8, 10, 12.5, 15, 20, 30, 45, 100], np.float32)
    at = np.concatenate([limits, limits + np.float32(1 / 64), np.random.default_rng(3).uniform(0, 60, 20_000).astype(np.float32)])
    slope = np.stack([np.nextafter(at, np.float32(-np.inf)).clip(0), at, np.nextafter(at, np.float32(np.inf)), np.full_like(at, np.nan)])
    rounded = rounded_up(slope.copy(), 64)
    assert np.isnan(rounded[3]).all() and np.isnan(slope[3]).all()
    slope, rounded = slope[:3], rounded[:3]
    assert (rounded * 64 % 1 == 0).all()
    more = rounded.astype(np.float64) - slope
    assert (more >= 0).all() and (more <= 1 / 64).all() and more.max() > 0.9 / 64
    for limit in limits:
        assert ((rounded > limit) == (slope > limit)).all()
    assert (rounded_up(rounded.copy(), 64) == rounded).all()
