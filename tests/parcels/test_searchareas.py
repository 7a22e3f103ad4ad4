"""Search areas worked out by hand, and laws that hold for any lot."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.io.searchfiles import load_search_rules
from geoseptic.parcels.searchareas import (
    EXIT_STATES,
    SIDE_STATES,
    SIDES,
    Pieces,
    Yards,
    class_of,
    cut_off_share,
    exits,
    frames_of,
    outward_points,
    parted,
    search_areas,
    side_states,
)

RULES, _ = load_search_rules()
FOOT_M = 0.3048
NOTHING = shapely.Polygon()
NO_POINTS = shapely.MultiPoint()
HOUSE = shapely.box(-6, -4, 6, 4)
WIDE_LOT = shapely.box(-60, -60, 60, 60)
CHORD_M = 0.08
"""How far the chord of a round corner may lie inside its circle at the widest band."""


def yards(count: int = 1, **columns: list[object]) -> Yards:
    """Wide lots with a house of 12 x 8 m in the middle; a column that is given replaces that of all of them."""
    shapes = {"lots_m": WIDE_LOT, "houses_m": HOUSE, "paved_m": NOTHING, "near_wells_m": NOTHING, "exits_m": NO_POINTS}
    found = {name: np.array(columns.get(name, [shape] * count), object) for name, shape in shapes.items()}
    solid = np.array(columns.get("solid_m", list(found["houses_m"])), object)
    fall_m = np.array(columns.get("fall_m", [[np.nan] * SIDES] * count), float)
    return Yards(solid_m=solid, fall_m=fall_m, has_heights=~np.isnan(fall_m).all(axis=1), **found)


def named(pieces: Pieces) -> list[tuple[int, str, str, int]]:
    """Band, what the ground does, what the exit says, and likelihood of each piece."""
    columns = (pieces.band, pieces.side_state, pieces.exit_state, np.round(pieces.likelihood).astype(int))
    return [(band, SIDE_STATES[side], EXIT_STATES[way], likelihood) for band, side, way, likelihood in zip(*columns, strict=True)]


def test_without_any_hint_the_bands_alone_rank_the_ground_all_round():
    found = search_areas(yards(), RULES)
    # Weights 0.3, 0.9, 1 and 0.5 of the table, the best being 100.
    assert named(found) == [(0, "", "", 30), (1, "", "", 90), (2, "", "", 100), (3, "", "", 50)]
    # 10 to 25 ft round 12 x 8 m: perimeter 40 m times the width, and the round corners.
    inner, outer = 10 * FOOT_M, 25 * FOOT_M
    exact = 40 * (outer - inner) + math.pi * (outer**2 - inner**2)
    assert shapely.area(found.shapes_m[2]) == pytest.approx(exact, rel=0.005)


def test_ground_that_falls_on_one_wall_and_its_corners_puts_that_side_first():
    # The first direction of the least rectangle is one of the four walls: sides are told apart by what is drawn, not by their number.
    directions = frames_of(np.array([HOUSE], object)).directions()[0]
    east = directions @ np.array([1.0, 0.0])
    found = search_areas(yards(fall_m=[(2.0 * east).tolist()]), RULES)
    falls = found.of(np.array([SIDE_STATES[state] == "falls" for state in found.side_state]))
    rises = found.of(np.array([SIDE_STATES[state] == "rises" for state in found.side_state]))
    assert np.round(falls.likelihood).tolist() == [30, 90, 100, 50]
    assert np.round(rises.likelihood).tolist() == [9, 27, 30, 15]
    assert (shapely.bounds(falls.shapes_m)[:, 0] >= 0).all()
    assert (shapely.bounds(rises.shapes_m)[:, 2] <= 0).all()
    # The walls to north and south lie level: 0.6.
    level = found.of(np.array([SIDE_STATES[state] == "level" for state in found.side_state]))
    assert np.round(level.likelihood).tolist() == [18, 54, 60, 30]
    assert shapely.bounds(level.shapes_m[2])[[0, 2]] == pytest.approx([-6, 6])


def test_a_side_of_unknown_height_is_not_ranked_down():
    fall = [1.0] + [0.0] * 6 + [np.nan]
    found = search_areas(yards(fall_m=[fall]), RULES)
    by_state = {
        SIDE_STATES[state]: likelihood
        for state, band, likelihood in zip(found.side_state, found.band, found.likelihood, strict=True)
        if band == 2
    }
    assert by_state == {"falls": 100, "level": 60, "height_unknown": 100}


def test_paving_and_wells_halve_the_rank_and_leave_nothing_out():
    drive = shapely.box(6, -2, 60, 2)
    well = shapely.Point(-10, 0).buffer(4)
    plain, cut = search_areas(yards(), RULES), search_areas(yards(paved_m=[drive], near_wells_m=[well]), RULES)
    assert shapely.area(cut.shapes_m).sum() == pytest.approx(shapely.area(plain.shapes_m).sum(), rel=1e-6)
    paved = cut.of(cut.paved)
    assert shapely.covered_by(paved.shapes_m, drive.buffer(1e-6)).all()
    assert np.round(paved.likelihood).tolist() == [15, 45, 50, 25]
    assert set(np.round(cut.likelihood[cut.near_well & (cut.band == 2)])) == {50}


def test_with_an_exit_the_ground_straight_out_from_the_wall_comes_first():
    # A stack 1 m inside the south wall, 2 m east of its middle: straight out is south, from a place 6 ft inside the wall.
    found = search_areas(yards(exits_m=[shapely.MultiPoint([(2, -3)])]), RULES)
    straight = found.of(np.array([EXIT_STATES[state] == "straight_out" for state in found.exit_state]))
    assert np.round(straight.likelihood).tolist() == [30, 90, 100, 50]
    half_width_m = math.tan(math.radians(30)) * (25 * FOOT_M + 6 * FOOT_M)
    assert shapely.bounds(straight.shapes_m[2]) == pytest.approx(
        [2 - half_width_m, -4 - 25 * FOOT_M, 2 + half_width_m, -4 - 10 * FOOT_M], abs=0.1
    )
    away = found.likelihood[np.array([EXIT_STATES[state] == "away" for state in found.exit_state]) & (found.band == 2)]
    assert np.round(away).tolist() == [25]


@pytest.mark.parametrize("point", [(2, -3.0), (2, -4.0), (2, -5.5)], ids=["stack inside", "exit in the wall", "clean-out outside"])
def test_a_stack_an_exit_and_a_clean_out_tell_of_the_same_place_in_the_wall(point: tuple[float, float]):
    places, directions = exits(HOUSE, shapely.MultiPoint([point]))
    assert places[0] == pytest.approx([2, -4])
    assert directions[0] == pytest.approx([0, -1], abs=1e-6)


def test_falls_are_measured_from_the_wall_to_the_end_of_the_search():
    points = outward_points(frames_of(np.array([HOUSE], object)), 10.0)[0]
    straight = points[:, 1]
    assert shapely.distance(shapely.points(straight[::2, 0]), shapely.boundary(HOUSE)) == pytest.approx(np.zeros(4), abs=1e-9)
    assert np.hypot(*(straight[:, 1] - straight[:, 0]).T) == pytest.approx(np.full(SIDES, 10.0))


def test_within_a_foot_ground_counts_as_level():
    state = side_states(np.array([[0.31, 0.30, 0, -0.30, -0.31, np.nan, 5, -5]]), np.array([True]), 0.3048)
    assert [SIDE_STATES[place] for place in state[0]] == ["falls", "level", "level", "level", "rises", "height_unknown", "falls", "rises"]
    assert not side_states(np.zeros((1, SIDES)), np.array([False]), 0.3048).any()


def test_classes_begin_at_their_stated_likelihood():
    assert class_of(np.array([100, 65, 64.4, 40, 39, 20, 19, 0.1])).tolist() == [0, 0, 1, 1, 2, 2, 3, 3]


# Dirty lots


def test_a_house_on_the_lot_line_is_searched_on_its_own_lot_and_the_rest_is_told():
    lot = shapely.box(-6, -60, 60, 60)
    one = yards(lots_m=[lot])
    found = search_areas(one, RULES)
    assert shapely.covered_by(found.shapes_m, lot.buffer(1e-6)).all()
    # West of the house lies the neighbour's: a band 25 ft wide along 8 m of wall, and two quarter discs.
    reach = 25 * FOOT_M
    beyond, whole = 8 * reach + math.pi * reach**2 / 2, 40 * reach + math.pi * reach**2
    assert cut_off_share(one, reach)[0] == pytest.approx(beyond / whole, rel=0.01)
    assert cut_off_share(yards(), reach)[0] == pytest.approx(0, abs=1e-9)


def test_a_lot_that_the_house_fills_has_no_ground_to_look_at():
    assert len(search_areas(yards(lots_m=[HOUSE]), RULES)) == 0


def test_a_lot_of_the_house_and_two_feet_has_the_nearest_band_alone():
    found = search_areas(yards(lots_m=[HOUSE.buffer(2 * FOOT_M)]), RULES)
    assert named(found) == [(0, "", "", 100)]


def test_every_part_of_a_lot_in_several_parts_is_searched():
    parts = shapely.MultiPolygon([shapely.box(-60, -60, 7, 60), shapely.box(12, -60, 60, 60)])
    found = search_areas(yards(lots_m=[parts]), RULES)
    assert shapely.intersects(found.shapes_m, parts.geoms[0]).any()
    assert shapely.intersects(found.shapes_m, parts.geoms[1]).any()
    assert shapely.covered_by(found.shapes_m, parts.buffer(1e-6)).all()


def test_a_lot_without_a_house_has_no_area_and_shifts_no_other():
    three = yards(3, houses_m=[HOUSE, NOTHING, HOUSE])
    assert set(search_areas(three, RULES).lot) == {0, 2}
    assert np.isnan(cut_off_share(three, 7.0)[1])


def test_no_lots_have_no_areas():
    assert len(search_areas(yards(1).of(slice(0, 0)), RULES)) == 0


def test_a_neighbour_that_an_overlay_takes_for_ground_inside_is_seen_by_its_area_and_cut_again():
    # A lot of the random ones below, on which GEOS 3.14 gives 48 m2 of a house for its overlap with the ground that runs along its wall.
    ground = random_yards(465)
    found = search_areas(ground, RULES)
    inside, outside = parted(found.shapes_m, ground.solid_m[found.lot])
    assert shapely.area(inside) == pytest.approx(np.zeros(len(found)), abs=0.01)
    assert shapely.area(outside) == pytest.approx(shapely.area(found.shapes_m), abs=0.01)


# Laws


def random_yards(seed: int, count: int = 4) -> Yards:
    """Lots with houses of several outlines, sheds, drives, wells and stacks, on ground that falls anywhere."""
    rng = np.random.default_rng(seed)
    outlines = [
        shapely.box(-7, -5, 7, 5),
        shapely.difference(shapely.box(-8, -6, 8, 6), shapely.box(1, 0, 9, 7)),
        shapely.Point(0, 0).buffer(6, quad_segs=3),
        shapely.MultiPolygon([shapely.box(-7, -4, -1, 4), shapely.box(1, -4, 6, 3)]),
    ]
    columns: dict[str, list[object]] = {
        name: [] for name in ("lots_m", "houses_m", "solid_m", "paved_m", "near_wells_m", "exits_m", "fall_m")
    }
    for _ in range(count):
        house = shapely.affinity.rotate(outlines[int(rng.integers(4))], rng.uniform(0, 360), origin=(0, 0))
        shed = shapely.affinity.translate(shapely.box(0, 0, 5, 4), *rng.uniform(-16, 12, 2))
        lot = shapely.affinity.translate(shapely.box(-rng.uniform(5, 30), -20, rng.uniform(8, 40), 25), *rng.uniform(-3, 3, 2))
        columns["lots_m"].append(lot)
        columns["houses_m"].append(house)
        columns["solid_m"].append(shapely.union(house, shed))
        columns["paved_m"].append(shapely.box(5, -60, 9, 0) if rng.random() < 0.6 else NOTHING)
        columns["near_wells_m"].append(shapely.Point(rng.uniform(-20, 20, 2)).buffer(15) if rng.random() < 0.5 else NOTHING)
        columns["exits_m"].append(shapely.MultiPoint(rng.uniform(-7, 7, (int(rng.integers(1, 3)), 2))) if rng.random() < 0.3 else NO_POINTS)
        fall = rng.normal(0, 1, SIDES)
        fall[rng.random(SIDES) < 0.15] = np.nan
        columns["fall_m"].append(fall.tolist() if rng.random() < 0.8 else [np.nan] * SIDES)
    return yards(count, **columns)


@given(seed=st.integers(0, 2000))
def test_areas_keep_to_their_bands_and_their_lot_and_clear_of_buildings_and_of_each_other(seed: int):
    ground = random_yards(seed)
    found = search_areas(ground, RULES)
    bands = np.array([(band.from_m, band.to_m) for band in RULES.bands])[found.band]
    houses = ground.houses_m[found.lot]
    assert (shapely.distance(found.shapes_m, houses) >= bands[:, 0] - CHORD_M).all()
    assert shapely.covered_by(found.shapes_m, shapely.buffer(houses, bands[:, 1] + 0.01, quad_segs=64)).all()
    # By points, since overlays are what is on trial here (`parted`).
    x, y = np.random.default_rng(seed).uniform(-40, 40, (2, 400))
    within = shapely.contains_xy(found.shapes_m[:, None], x, y)
    assert not (within & shapely.contains_xy(ground.solid_m[found.lot][:, None], x, y)).any()
    assert (within <= shapely.intersects_xy(ground.lots_m[found.lot][:, None], x, y)).all()
    assert shapely.is_valid(found.shapes_m).all()
    assert ((found.likelihood > 0) & (found.likelihood <= 100)).all()
    open_m = np.full((len(ground), 400), np.nan)
    for lot in range(len(ground)):
        # All of the ground once, but for the rims of round corners and crumbs.
        off_m = shapely.distance(ground.houses_m[lot], shapely.points(x, y))
        open_ground = shapely.contains_xy(ground.lots_m[lot], x, y) & ~shapely.intersects_xy(ground.solid_m[lot], x, y)
        open_m[lot] = np.where(open_ground, off_m, np.nan)
    times = np.zeros(open_m.shape, int)
    np.add.at(times, found.lot, within)
    assert (times <= 1).all()
    assert (times[open_m < RULES.reach_m - CHORD_M] == 1).mean() > 0.995 if (open_m < RULES.reach_m).any() else True


@settings(max_examples=50)
@given(seed=st.integers(0, 2000))
def test_the_order_of_the_lots_and_their_company_do_not_matter(seed: int):
    ground = random_yards(seed)
    found, turned = search_areas(ground, RULES), search_areas(ground.of(slice(None, None, -1)), RULES)
    for lot in range(len(ground)):
        one, other = found.of(found.lot == lot), turned.of(turned.lot == len(ground) - 1 - lot)
        alone = search_areas(ground.of(slice(lot, lot + 1)), RULES)
        for column in ("band", "sides", "side_state", "exit_state", "paved", "near_well", "likelihood"):
            np.testing.assert_array_equal(getattr(one, column), getattr(other, column))
            np.testing.assert_array_equal(getattr(one, column), getattr(alone, column))
        assert shapely.equals_exact(one.shapes_m, other.shapes_m).all()
        assert shapely.equals_exact(one.shapes_m, alone.shapes_m).all()


@given(seed=st.integers(0, 2000), degrees=st.floats(1, 359), x=st.floats(0, 600_000), y=st.floats(0, 5_000_000))
def test_a_county_that_is_turned_and_shifted_has_the_same_areas_turned_and_shifted(seed: int, degrees: float, x: float, y: float):
    ground = random_yards(seed, 2)

    def moved(shapes: np.ndarray) -> np.ndarray:
        turned = [shapely.affinity.translate(shapely.affinity.rotate(shape, degrees, origin=(0, 0)), x, y) for shape in shapes]
        return np.array(turned, object)

    # One fall all round, for the numbers of the sides may go another way round; the sides have a test of their own.
    level = replace(ground, fall_m=np.full_like(ground.fall_m, np.nan), has_heights=np.zeros(2, bool))
    shapes = {name: moved(getattr(level, name)) for name in ("lots_m", "houses_m", "solid_m", "paved_m", "near_wells_m", "exits_m")}
    first, second = search_areas(level, RULES), search_areas(replace(level, **shapes), RULES)
    # A crumb may fall on either side of the least size; the larger pieces are the same.
    one, two = (found.of(shapely.area(found.shapes_m) > 0.5) for found in (first, second))
    np.testing.assert_array_equal(one.band, two.band)
    np.testing.assert_array_equal(one.exit_state, two.exit_state)
    np.testing.assert_allclose(one.likelihood, two.likelihood, atol=1e-9)
    np.testing.assert_allclose(shapely.area(one.shapes_m), shapely.area(two.shapes_m), rtol=0.05, atol=0.3)


@pytest.mark.parametrize("degrees", [0, 17, 45, 60, 90, 200, 311])
def test_the_lower_side_comes_first_whichever_way_the_house_is_turned(degrees: float):
    house = shapely.affinity.rotate(HOUSE, degrees, origin=(0, 0))
    down = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
    fall_m = 2.0 * frames_of(np.array([house], object)).directions()[0] @ down
    found = search_areas(yards(houses_m=[house], fall_m=[fall_m.tolist()]), RULES)
    probe = shapely.points([down * (6 + 5), -down * (6 + 5)])
    rank = [found.likelihood[shapely.intersects(found.shapes_m, point)].max() for point in probe]
    assert rank == pytest.approx([100, 30])
    assert shapely.area(found.shapes_m).sum() == pytest.approx(shapely.area(search_areas(yards(), RULES).shapes_m).sum(), rel=0.002)


@given(seed=st.integers(0, 2000), side=st.integers(0, SIDES - 1), more=st.floats(0, 5))
def test_more_fall_on_a_side_never_lowers_the_ground_there_beside_the_rest(seed: int, side: int, more: float):
    ground = random_yards(seed, 1)
    fall = np.where(np.isnan(ground.fall_m), 0.0, ground.fall_m)
    steeper = fall.copy()
    steeper[0, side] += more
    ranks: list[dict[tuple[object, ...], float]] = []
    for one in (fall, steeper):
        found = search_areas(replace(ground, fall_m=one, has_heights=np.array([True])), RULES)
        here = found.of((found.sides >> side & 1) == 1)
        keys = zip(here.band.tolist(), here.exit_state.tolist(), here.paved.tolist(), here.near_well.tolist(), strict=True)
        ranks.append(dict(zip(keys, here.likelihood.tolist(), strict=True)))
    shared = set(ranks[0]) & set(ranks[1])
    assert all(ranks[1][key] >= ranks[0][key] - 1e-9 for key in shared)
