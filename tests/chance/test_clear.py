"""The chance of cells against draws of all that is uncertain, against single closed forms, and at its limits."""

import math

import numpy as np
import pytest
import shapely
from affine import Affine

from geoseptic.chance.clear import Ground, UncertainWells, clear_chance, well_chance
from geoseptic.chance.closed import disc_within, gaussian_within, square_within
from geoseptic.chance.draws import PRESUMED, WELL, Draws
from geoseptic.chance.errors import DISC, GAUSSIAN, IN_GROUND, SQUARE, PlaceErrors, exact_places, in_grounds, joined
from geoseptic.model.grid import Grid

CELL_M, SIDE = 2.0, 120
LEFT, TOP = 500_000.0, 4_700_000.0
GRID = Grid.of((SIDE, SIDE), Affine(CELL_M, 0, LEFT, 0, -CELL_M, TOP), "EPSG:26915", "elevation")
NOTHING = np.empty(0, object)
EVERYWHERE = np.array([shapely.box(LEFT - 500, TOP - 800, LEFT + 800, TOP + 500)], object)


def at(x: float, y: float) -> list[float]:
    return [LEFT + x, TOP - y]


def box(x: float, y: float, right: float, bottom: float) -> shapely.Geometry:
    return shapely.box(LEFT + x, TOP - bottom, LEFT + right, TOP - y)


def spread(kind: int, size_m: float, x: float = 120.0, y: float = 120.0) -> PlaceErrors:
    plain = exact_places(np.array(["w"], object), np.array([at(x, y)]))
    return PlaceErrors(plain.ids, np.array([kind], np.uint8), plain.middle_m, np.array([size_m]), *(getattr(plain, name) for name in REST))


REST = ("ground_m", "house_m", "near_share", "rough")


def wells_of(errors: PlaceErrors, keep_m: float, draws: int = 400, further: list[tuple[int, float, shapely.Geometry]] | None = None):
    grounds = errors.kept(np.flatnonzero(errors.kind == IN_GROUND))
    more = further or []
    return UncertainWells(
        errors,
        np.full(len(errors), keep_m),
        Draws(1, draws).places_m(PRESUMED, grounds),
        np.array([row for row, _, _ in more], np.int64),
        np.array([m for _, m, _ in more], float),
        np.array([None, *(shape for _, _, shape in more)], object)[1:],
    )


def ground(**shapes) -> Ground:
    given = {"closed_m": NOTHING, "unclear_m": NOTHING, "parcels_m": EVERYWHERE, "strips_m": NOTHING, "by_buildings_m": NOTHING}
    sigmas = {"line_sigma_m": 0.0, "building_sigma_m": 0.0, "own_m": NOTHING, "own_sigmas_m": np.empty((0, 2))}
    return Ground(**{**given, **sigmas, **shapes})


def middles_from(x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
    row, col = np.mgrid[:SIDE, :SIDE]
    return CELL_M * (col + 0.5) - x, y - CELL_M * (row + 0.5)


def kept_all_round(errors: PlaceErrors, keep_m: float, **options) -> np.ndarray:
    chance = np.ones(GRID.shape)
    well_chance(chance, GRID, wells_of(errors, keep_m, **options))
    return chance


@pytest.mark.parametrize(
    ("kind", "size_m", "exact"),
    [
        (GAUSSIAN, 4.3, lambda x, y, size, r: gaussian_within(np.hypot(x, y), size, r)),
        (GAUSSIAN, 12.9, lambda x, y, size, r: gaussian_within(np.hypot(x, y), size, r)),
        (DISC, 15.24, lambda x, y, size, r: disc_within(np.hypot(x, y), size, r)),
        (DISC, 80.0, lambda x, y, size, r: disc_within(np.hypot(x, y), size, r)),
        (SQUARE, 100.0, square_within),
    ],
)
def test_a_well_leaves_cells_the_closed_chance_of_the_distance_and_half_a_cell(kind: int, size_m: float, exact):
    x, y = middles_from(121.3, 118.9)
    found = kept_all_round(spread(kind, size_m, 121.3, 118.9), 30.48)
    for asked_m, compare in ((30.48 + CELL_M * math.sqrt(0.5), np.less_equal), (30.6 + CELL_M * (math.sqrt(0.5) + 0.02), np.greater_equal)):
        # The chance lies between those of the bare distance with half a diagonal, and of what zones are drawn and burnt with besides.
        assert compare(found, 1 - exact(x, y, size_m, asked_m) + (2e-4 if compare is np.less_equal else -2e-4)).all()
    assert ((found == 1) == (exact(x, y, size_m, 30.6 + CELL_M * (math.sqrt(0.5) + 0.02)) == 0)).mean() > 0.99
    assert (found == 1).any() and ((found > 0) & (found < 1)).any()


def test_wells_are_independent_and_order_does_not_matter():
    one, two = spread(GAUSSIAN, 10.0, 100, 100), spread(DISC, 30.0, 140, 130)
    both = joined(one, two)
    assert kept_all_round(both, 30.0) == pytest.approx(kept_all_round(one, 30.0) * kept_all_round(two, 30.0), rel=1e-12)
    assert kept_all_round(both.kept(np.array([1, 0])), 30.0) == pytest.approx(kept_all_round(both, 30.0), rel=1e-12)


def test_windows_give_what_the_whole_gives():
    errors = joined(
        joined(spread(GAUSSIAN, 10.0, 100, 100), spread(SQUARE, 90.0, 60, 190)),
        in_grounds(np.array(["a"], object), np.array([box(90, 20, 150, 70)], object), NOTHING),
    )
    wells = wells_of(errors, 30.0, further=[(0, 45.0, box(0, 0, 110, 240))])
    around = ground(
        closed_m=np.array([box(200, 10, 220, 60)], object),
        by_buildings_m=np.array([box(30, 30, 60, 50)], object),
        strips_m=np.array([box(0, 150, 240, 160)], object),
        line_sigma_m=1.5,
        building_sigma_m=2.0,
    )
    whole = clear_chance(GRID, wells, around)
    for rows in (slice(0, 70), slice(70, 120)):
        for cols in (slice(0, 50), slice(50, 120)):
            part = GRID.window(rows, cols)
            assert (clear_chance(part, wells.near(part), around.near(part)) == whole[rows, cols]).all()


def test_chance_is_the_share_of_draws_in_which_the_cell_keeps_everything():
    draws = 4000
    errors = joined(spread(GAUSSIAN, 8.0, 90, 100), spread(DISC, 40.0, 170, 150))
    house, strip = box(100, 150, 115, 165), box(0, 60, 240, 66)
    around = ground(by_buildings_m=np.array([house], object), strips_m=np.array([strip], object), line_sigma_m=3.0, building_sigma_m=4.0)
    found = clear_chance(GRID, wells_of(errors, 25.0), around)
    all_draws = Draws(3, draws)
    places = all_draws.places_m(
        WELL, PlaceErrors(np.array(["p", "q"], object), *(getattr(errors, name) for name in ("kind", "middle_m", "size_m", *REST)))
    )
    lines, houses = (
        all_draws.lot_shifts_m(np.array(["lot"], object), 3.0)[:, 0],
        all_draws.building_shifts_m(np.array(["lot"], object), 4.0)[:, 0],
    )
    rng, off = np.random.default_rng(1), []
    for row, col in rng.integers(10, 110, (60, 2)):
        cell = box(CELL_M * col, CELL_M * row, CELL_M * (col + 1), CELL_M * (row + 1))
        kept = np.ones(draws, bool)
        for well in range(2):
            kept &= shapely.distance(shapely.points(places[:, well]), cell) >= 25.0
        for shape, shifts in ((strip, lines), (house, houses)):
            left, low, right, high = cell.bounds
            moved = shapely.box(left - shifts[:, 0], low - shifts[:, 1], right - shifts[:, 0], high - shifts[:, 1])
            kept &= ~shapely.intersects(moved, shape)
        share = kept.mean()
        off.append(found[row, col] - share)
    # On the careful side by what half a cell makes where the density of a shift is greatest, and never more than noise above.
    half_cell = 0.5 * CELL_M / (3.0 * math.sqrt(2 * math.pi))
    assert max(off) <= 4 * math.sqrt(0.25 / draws) and min(off) >= -2.5 * half_cell and np.mean(off) > -0.5 * half_cell


def test_nothing_uncertain_is_the_certain_answer():
    closed = np.array([box(200, 10, 220, 60)], object)
    found = clear_chance(
        GRID,
        wells_of(exact_places(np.empty(0, object), np.empty((0, 2))), 0.0),
        ground(closed_m=closed, unclear_m=np.array([box(10, 10, 20, 20)], object)),
    )
    x, y = middles_from(0, 0)
    assert set(np.unique(found[~np.isnan(found)])) == {0.0, 1.0}
    assert (found[(x > 200) & (x < 220) & (y < -10) & (y > -60)] == 0).all() and np.isnan(found[6, 6]) and found[60, 60] == 1


@pytest.mark.parametrize("kind", [GAUSSIAN, DISC, SQUARE])
def test_as_an_error_goes_to_nothing_a_cell_is_open_or_closed_and_never_open_where_it_is_closed_for_certain(kind: int):
    found = kept_all_round(spread(kind, 1e-6), 30.48)
    row, col = np.mgrid[:SIDE, :SIDE]
    cells = shapely.box(LEFT + CELL_M * col, TOP - CELL_M * (row + 1), LEFT + CELL_M * (col + 1), TOP - CELL_M * row)
    apart_m = shapely.distance(cells, shapely.Point(at(120, 120)))
    assert set(np.unique(found)) <= {0.0, 1.0}
    assert (found[apart_m < 30.48] == 0).all()
    # What is closed without being touched lies within a fifth of a cell and what zones are drawn larger by.
    assert (found[apart_m > 30.48 * 1.003 + 0.25 * CELL_M] == 1).all()


def test_blurred_ground_is_sure_where_no_shift_can_change_it():
    around = ground(by_buildings_m=np.array([box(60, 60, 160, 160)], object), building_sigma_m=2.0)
    found = clear_chance(GRID, wells_of(exact_places(np.empty(0, object), np.empty((0, 2))), 0.0), around)
    x, y = middles_from(110, 110)
    far = np.maximum(abs(x), abs(y))
    assert (found[far > 50 + 14] == 1).all() and (found[far < 50 - 15] == 0).all()
    edge = found[55, 80:84]  # 161 to 167 m east of the corner, along the middle of the east side
    assert (np.diff(found[55, 70:90]) >= 0).all() and 0.3 < edge[0] < 0.8


def test_off_the_parcels_nothing_is_clear_whatever_the_lines_do():
    around = ground(parcels_m=np.array([box(0, 0, 120, 240)], object), line_sigma_m=2.0)
    found = clear_chance(GRID, wells_of(exact_places(np.empty(0, object), np.empty((0, 2))), 0.0), around)
    assert (found[:, 60:] == 0).all() and (found[20:100, 20:50] == 1).all() and (found[20:100, 59] < 1).all()


def test_a_lot_with_a_well_somewhere_is_sampled_and_sure_only_where_the_lot_says_so():
    lot = box(100, 100, 140, 140)
    errors = in_grounds(np.array(["a"], object), np.array([lot], object), NOTHING)
    found = kept_all_round(errors, 60.0, draws=300)
    row, col = np.mgrid[:SIDE, :SIDE]
    middles = shapely.points(LEFT + CELL_M * (col + 0.5), TOP - CELL_M * (row + 0.5))
    corners = shapely.points(shapely.get_coordinates(lot)[:4])
    farthest = np.max([shapely.distance(middles, corner) for corner in corners], axis=0)
    assert (found[shapely.distance(middles, lot) > 63] == 1).all() and (found[farthest < 60] == 0).all()
    unsure = (found > 0) & (found < 1)
    assert unsure.any() and found[unsure].min() >= 1 / 301 and found[unsure].max() <= 300 / 301 + 1e-12
    # A quarter of an even square lies nearer than the distance by area.
    area = shapely.area(shapely.intersection(shapely.buffer(middles, 60 + CELL_M * math.sqrt(0.5), quad_segs=64), lot)) / lot.area
    assert np.abs(found - (1 - area))[unsure].max() < 5 * 0.5 / math.sqrt(300)


def test_a_longer_distance_on_some_ground_counts_there_and_once():
    errors = spread(GAUSSIAN, 8.0)
    west = box(0, 0, 120, 240)
    found = kept_all_round(errors, 20.0, further=[(0, 45.0, west), (0, 30.0, west), (0, 10.0, box(0, 0, 240, 240))])
    short, longest = kept_all_round(errors, 20.0), kept_all_round(errors, 45.0)
    assert found[:, :60] == pytest.approx(longest[:, :60]) and found[:, 61:] == pytest.approx(short[:, 61:])
