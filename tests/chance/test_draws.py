"""Draws: the same for everybody who asks, and spread as they say."""

import math

import numpy as np
import pytest
import shapely
from scipy import stats

from geoseptic.chance.closed import FARTHEST_SIGMAS, disc_within, gaussian_within, square_within
from geoseptic.chance.draws import PRESUMED, WELL, Draws, ground_error, word
from geoseptic.chance.errors import DISC, EXACT, GAUSSIAN, SQUARE, PlaceErrors, exact_places, in_grounds
from geoseptic.terrain.slope import plane_slope_percent

LOTS = np.array([shapely.box(0, 0, 60, 40), shapely.Polygon([(100, 0), (160, 5), (150, 70), (90, 50)])], object)
HOUSES = np.array([shapely.box(20, 10, 32, 22)], object)
IDS = np.array(["w1", "w2", "w3", "w4"], object)


def spread(kinds: list[int], sizes_m: list[float]) -> PlaceErrors:
    count = len(kinds)
    plain = exact_places(np.array([f"w{row}" for row in range(count)], object), np.column_stack([np.arange(count) * 1000.0] * 2))
    return PlaceErrors(
        plain.ids,
        np.array(kinds, np.uint8),
        plain.middle_m,
        np.array(sizes_m),
        plain.ground_m,
        plain.house_m,
        plain.near_share,
        plain.rough,
    )


@pytest.mark.source("steele2014", where="SplitMix64, first outputs for the seed 1234567")
def test_words_are_those_of_the_published_generator():
    printed = [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821]
    assert [int(word(np.uint64(1234567), number)) for number in range(5)] == printed


def test_any_subset_in_any_order_is_drawn_the_same():
    errors = spread([GAUSSIAN, DISC, SQUARE, EXACT], [3.0, 20.0, 400.0, 0.0])
    draws = Draws(7, 50)
    whole = draws.places_m(WELL, errors)
    order = np.array([2, 0])
    assert (draws.places_m(WELL, errors.kept(order), 10, 20) == whole[10:20][:, order]).all()
    assert (Draws(7, 999).places_m(WELL, errors, 0, 50) == whole).all()
    grounds = in_grounds(np.array(["a", "b"], object), LOTS, HOUSES)
    drawn = draws.places_m(PRESUMED, grounds)
    assert (draws.places_m(PRESUMED, grounds.kept(np.array([1])), 30, 31) == drawn[30:31, 1:]).all()


def test_seed_kind_and_name_each_change_the_draws():
    errors = spread([GAUSSIAN], [3.0])
    base = Draws(7, 5).places_m(WELL, errors)
    assert (Draws(8, 5).places_m(WELL, errors) != base).all() and (Draws(7, 5).places_m(PRESUMED, errors) != base).all()
    shifts = Draws(7, 5).lot_shifts_m(IDS, 2.0)
    assert (shifts != Draws(7, 5).building_shifts_m(IDS, 2.0)).all() and len({tuple(row) for row in shifts[0]}) == 4


def test_exact_things_stay_where_they_are():
    errors = spread([EXACT, GAUSSIAN], [0.0, 0.0])
    assert (Draws(1, 20).places_m(WELL, errors) == errors.middle_m).all()
    assert (Draws(1, 20).lot_shifts_m(IDS, 0.0) == 0).all()


@pytest.mark.source("scipy-ncx2", where="kstest against norm and uniform")
def test_gaussian_and_square_draws_follow_their_distributions_along_both_axes():
    off_m = Draws(2, 20_000).places_m(WELL, spread([GAUSSIAN, SQUARE], [5.0, 400.0])) - [[0.0, 0.0], [1000.0, 1000.0]]
    for axis in (0, 1):
        assert stats.kstest(off_m[:, 0, axis], "norm", args=(0, 5)).pvalue > 0.001
        assert stats.kstest(off_m[:, 1, axis], "uniform", args=(-200, 400)).pvalue > 0.001
    assert np.hypot(*off_m[:, 0].T).max() <= FARTHEST_SIGMAS * 5
    assert abs(np.corrcoef(off_m[:, 0].T)[0, 1]) < 4 / math.sqrt(20_000)


def test_draws_of_different_things_are_independent():
    ids = np.array([f"lot {number}" for number in range(400)], object)
    shifts = Draws(3, 500).lot_shifts_m(ids, 1.0)[:, :, 0]
    correlation = np.corrcoef(shifts.T)[np.triu_indices(400, 1)]
    assert abs(correlation.mean()) < 0.001 and correlation.std() == pytest.approx(1 / math.sqrt(500), rel=0.05)
    following = np.corrcoef(shifts[:-1].ravel(), shifts[1:].ravel())[0, 1]
    assert abs(following) < 4 / math.sqrt(400 * 499)


@pytest.mark.parametrize(
    ("kind", "size_m", "exact"),
    [
        (GAUSSIAN, 12.0, lambda east, north, size, r: gaussian_within(math.hypot(east, north), size, r)),
        (DISC, 40.0, lambda east, north, size, r: disc_within(math.hypot(east, north), size, r)),
        (SQUARE, 90.0, square_within),
    ],
)
def test_shares_of_draws_are_the_exact_chances(kind: int, size_m: float, exact):
    draws = 100_000
    places_m = Draws(4, draws).places_m(WELL, spread([kind], [size_m]))[:, 0]
    for east_m, north_m, radius_m in ((0.0, 10.0, 15.0), (25.0, -20.0, 30.48), (50.0, 5.0, 30.48), (-20.0, 40.0, 60.0)):
        chance = float(exact(east_m, north_m, size_m, radius_m))
        found = np.mean(np.hypot(places_m[:, 0] - east_m, places_m[:, 1] - north_m) < radius_m)
        assert found == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / draws) + 1e-9)


def test_wells_of_lots_lie_on_them_and_more_of_them_by_the_house():
    errors = in_grounds(np.array(["a", "b"], object), LOTS, HOUSES)
    places_m = Draws(5, 4000).places_m(PRESUMED, errors)
    for row, lot in enumerate(LOTS):
        assert shapely.covers(lot, shapely.points(places_m[:, row])).all()
    near_m = shapely.distance(HOUSES[0], shapely.points(places_m[:, 0]))
    even_m = shapely.distance(HOUSES[0], shapely.points(Draws(5, 4000).places_m(PRESUMED, in_grounds(errors.ids, LOTS, HOUSES[:0]))[:, 0]))
    assert near_m.mean() < 0.8 * even_m.mean() and (near_m == 0).mean() > (even_m == 0).mean()
    # Without a house all parts of the lot are alike: a quarter of the draws lies on each quarter of the box.
    alike = Draws(5, 4000).places_m(PRESUMED, in_grounds(errors.ids, LOTS, HOUSES[:0]))[:, 0]
    quarters = np.histogram2d(*alike.T, bins=(2, 2), range=((0, 60), (0, 40)))[0]
    assert stats.chisquare(quarters.ravel()).pvalue > 0.001


def test_ground_with_a_hole_or_of_several_pieces_or_like_a_needle_is_drawn_on_itself():
    ring = shapely.box(0, 0, 50, 50) - shapely.box(10, 10, 40, 40)
    pieces = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(200, 0, 220, 10)])
    needle = shapely.Polygon([(0, 0), (1000, 1000), (1000.001, 1000)])
    grounds = np.array([ring, pieces, needle], object)
    places_m = Draws(6, 500).places_m(PRESUMED, in_grounds(np.array(["r", "p", "n"], object), grounds, HOUSES[:0]))
    for row, ground in enumerate(grounds):
        assert shapely.dwithin(ground, shapely.points(places_m[:, row]), 1e-6).all()
    assert np.mean(places_m[:, 1, 0] > 100) == pytest.approx(2 / 3, abs=0.1)


def test_field_of_height_errors_has_the_stated_spread_and_correlation():
    field = ground_error(1, 0.1, 20.0, 2.0)
    values = field.values_m.astype(float)
    assert math.sqrt((values**2).mean()) == pytest.approx(0.1, rel=1e-6)
    for cells in (1, 5, 10, 20):
        found = (values * np.roll(values, cells, axis=1)).mean() / (values**2).mean()
        # 512 x 512 cells of 2 m hold about 400 patches of 2 pi L^2: a standard error near 0.05.
        assert found == pytest.approx(math.exp(-cells * 2.0 / 20.0), abs=0.15)
    assert (ground_error(1, 0.1, 20.0, 2.0).values_m == field.values_m).all() and (ground_error(2, 0.1, 20.0, 2.0).values_m != values).any()


def test_a_window_of_the_field_goes_on_round_the_torus():
    field = ground_error(1, 0.1, 10.0, 2.0)
    side = field.values_m.shape[0]
    offset = Draws(1, 3).ground_offsets(side)[2]
    assert (offset == Draws(1, 9).ground_offsets(side, 2, 3)[0]).all() and ((offset >= 0) & (offset < side)).all()
    whole = field.window(offset, slice(0, side), slice(0, side))
    assert (whole == np.roll(field.values_m, -offset, (0, 1))).all()
    assert (
        field.window(offset, slice(-3, 5), slice(side - 2, side + 4))
        == whole[np.ix_(np.arange(-3, 5), np.arange(side - 2, side + 4) % side)]
    ).all()


def test_rises_of_the_field_are_those_that_fitted_planes_have():
    field = ground_error(3, 0.2, 10.0, 2.0)
    half = 3
    rises = field.rises(half)
    tiled = np.pad(field.values_m, half, mode="wrap")
    slope = plane_slope_percent(tiled, 2.0, (2 * half + 1) * 2.0)[half:-half, half:-half]
    assert np.abs(100 * np.hypot(*rises) - slope).max() < 0.001
    # What is added to the heights adds its own rise.
    rows, cols = np.mgrid[0 : tiled.shape[0], 0 : tiled.shape[1]]
    plane = (0.05 * 2.0 * cols + 0.08 * 2.0 * rows).astype(np.float32)
    together = plane_slope_percent(plane + tiled, 2.0, (2 * half + 1) * 2.0)[half:-half, half:-half]
    assert np.abs(100 * np.hypot(rises[0] + 0.05, rises[1] + 0.08) - together).max() < 0.01
