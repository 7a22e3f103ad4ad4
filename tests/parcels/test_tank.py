"""The tank and its two lines: inside its envelope, clear of field and reserve, with lines that stay on the lot and cross nothing."""

import math

import numpy as np
import pytest
import shapely
import shapely.affinity

from geoseptic.parcels import tank
from geoseptic.parcels.lines import TOUCH_M, Ways
from tests.parcels.worlds import objects

NOTHING = shapely.Polygon()
LOT = shapely.box(0, 0, 60, 60)
HOUSE = shapely.box(25, 25, 37, 34)
TANK_DIAGONAL_M = math.hypot(tank.TANK_LENGTH_M, tank.TANK_WIDTH_M)


def envelope(lot=LOT, house=HOUSE, line_m=1.5, house_m=1.5):
    """What is left of a lot for its tank."""
    return shapely.difference(shapely.buffer(lot, -line_m, join_style="mitre"), shapely.buffer(house, house_m))


def placed(field, reserve=NOTHING, *, lot=LOT, house=HOUSE, room=None, things=()):
    """The tank of one lot."""
    room = envelope(lot, house) if room is None else room
    lots = objects([lot])
    return tank.place(
        objects([house]), objects([room]), objects([field]), objects([reserve]), lots, tank.on_lots(lots, objects([house, *things]))
    )


def broken_laws(found, row, house, room, field, reserve, lot, barrier):
    """What a placed tank and its lines break, in words."""
    footprint, sewer, effluent = found.footprints_m[row], found.sewers_m[row], found.effluents_m[row]
    broken = []
    if not shapely.covered_by(footprint, room):
        broken.append("tank leaves its envelope")
    for name, area in (("field", field), ("reserve", reserve)):
        if not shapely.is_empty(area) and shapely.distance(footprint, area) < tank.CLEAR_OF_FIELD_M:
            broken.append(f"tank is too near the {name}")
    for name, line in (("sewer", sewer), ("effluent line", effluent)):
        if not shapely.covered_by(line, lot):
            broken.append(f"{name} leaves the lot")
        for other, area in (("a barrier", barrier), ("the field", field), ("the reserve", reserve)):
            allowed = other == "the reserve" and found.crosses_reserve[row]
            if not allowed and shapely.length(shapely.intersection(line, shapely.buffer(area, -2 * TOUCH_M))) > 0:
                broken.append(f"{name} crosses {other}")
    if shapely.distance(shapely.get_point(sewer, 0), house) > 1e-6 or found.exits_m[row] != shapely.get_point(sewer, 0):
        broken.append("sewer does not begin at the house")
    if shapely.get_point(sewer, -1) != found.centres_m[row] or shapely.get_point(effluent, 0) != found.centres_m[row]:
        broken.append("lines do not meet in the tank")
    if shapely.distance(shapely.get_point(effluent, -1), field) > 1e-6:
        broken.append("effluent line does not reach the field")
    return broken


def broken_laws_of(found, field, reserve=NOTHING, *, lot=LOT, house=HOUSE, room=None, things=()):
    room = envelope(lot, house) if room is None else room
    return broken_laws(found, 0, house, room, field, reserve, lot, shapely.union_all([house, *things]))


def test_tank_stands_near_the_house_on_the_side_of_the_field_with_straight_lines():
    field = shapely.box(10, 5, 50, 14)
    found = placed(field)
    assert found.placed.all() and broken_laws_of(found, field) == []
    assert len(shapely.get_coordinates(found.effluents_m[0])) == 2
    assert found.centres_m[0].y < 25
    near_m = 1.5 + TANK_DIAGONAL_M / 2
    assert near_m <= shapely.distance(found.centres_m[0], HOUSE) <= near_m + tank.NEAR_HOUSE_M + 0.1
    assert shapely.area(found.footprints_m[0]) == pytest.approx(tank.TANK_LENGTH_M * tank.TANK_WIDTH_M)


def test_footprint_keeps_its_envelope_whichever_way_it_is_turned():
    rng = np.random.default_rng(4)
    for _ in range(50):
        house = shapely.affinity.rotate(HOUSE, rng.uniform(0, 180))
        field = shapely.affinity.rotate(shapely.box(10, 3, 50, 9), 90 * rng.integers(4), origin=(30, 30))
        room = envelope(house=house)
        found = placed(field, house=house, room=room)
        assert found.placed.all() and broken_laws_of(found, field, house=house, room=room) == []


def test_line_goes_round_the_house_when_the_tank_can_only_stand_behind_it():
    behind = shapely.box(29, 38, 33, 55)
    field = shapely.box(10, 3, 50, 12)
    found = placed(field, room=behind)
    assert found.placed.all() and broken_laws_of(found, field, room=behind) == []
    assert len(shapely.get_coordinates(found.effluents_m[0])) > 2
    straight_m = shapely.distance(found.centres_m[0], field)
    assert straight_m < shapely.length(found.effluents_m[0]) < straight_m + 15


def test_line_goes_round_another_building():
    barn = shapely.box(24, 14, 40, 20)
    field = shapely.box(10, 2, 50, 8)
    assert len(shapely.get_coordinates(placed(field).effluents_m[0])) == 2
    found = placed(field, things=(barn,))
    assert found.placed.all() and broken_laws_of(found, field, things=(barn,)) == []
    assert shapely.length(found.effluents_m[0]) > shapely.length(placed(field).effluents_m[0])


def test_line_goes_round_the_reserve_while_there_is_a_way_and_crosses_it_where_there_is_none():
    field = shapely.box(2, 2, 58, 8)
    reserve = shapely.box(8, 12, 58, 18)
    found = placed(field, reserve)
    assert found.placed.all() and not found.crosses_reserve[0]
    assert broken_laws_of(found, field, reserve) == []
    whole_width = shapely.box(0, 12, 60, 18)
    found = placed(field, whole_width)
    assert found.placed.all() and found.crosses_reserve[0]
    assert broken_laws_of(found, field, whole_width) == []


def test_line_stays_on_a_lot_with_a_bend():
    # The house is in one leg, the field in the other; the straight line between them crosses the neighbour's lot.
    lot = shapely.Polygon([(0, 0), (70, 0), (70, 20), (20, 20), (20, 70), (0, 70)])
    house = shapely.box(5, 55, 14, 63)
    field = shapely.box(40, 6, 66, 16)
    room = shapely.intersection(envelope(lot, house), shapely.box(0, 40, 70, 70))
    found = placed(field, lot=lot, house=house, room=room)
    assert found.placed.all() and broken_laws_of(found, field, lot=lot, house=house, room=room) == []
    bend = shapely.Point(20, 20)
    assert 0.4 < shapely.distance(found.effluents_m[0], bend) < 0.8


def test_no_tank_is_placed_where_no_line_on_the_lot_leads_to_the_field():
    lot = shapely.union(shapely.box(0, 30, 60, 60), shapely.box(0, 0, 60, 20))
    field = shapely.box(10, 3, 50, 12)
    house = shapely.box(25, 45, 37, 54)
    found = placed(field, lot=lot, house=house)
    assert not found.placed.any()
    assert shapely.is_empty([found.footprints_m[0], found.sewers_m[0], found.effluents_m[0], found.exits_m[0]]).all()
    wall = shapely.box(0, 20, 60, 22)
    assert placed(field).placed.all() and not placed(field, things=(wall,)).placed.any()


def test_sewer_keeps_to_the_lot_or_another_place_is_taken():
    # The nearest room for a tank lies across a notch that belongs to the neighbour.
    lot = shapely.difference(LOT, shapely.box(40, 0, 43, 50))
    room = shapely.union(shapely.box(44, 20, 58, 40), shapely.box(2, 40, 12, 58))
    field = shapely.box(2, 2, 20, 12)
    found = placed(field, lot=lot, room=room)
    assert found.placed.all() and broken_laws_of(found, field, lot=lot, room=room) == []
    assert found.centres_m[0].x < 12


def test_lots_without_house_field_or_room_get_no_tank():
    field = shapely.box(10, 3, 50, 12)
    assert not placed(NOTHING).placed.any()
    assert not placed(field, house=NOTHING, room=envelope()).placed.any()
    assert not placed(field, room=NOTHING).placed.any()
    assert not placed(field, room=shapely.box(20, 40, 22, 44)).placed.any()
    assert not placed(shapely.box(3, 3, 57, 12), shapely.box(0, 13, 60, 60)).placed.any()


def somewhere(rng, wide_m, deep_m, inside=None):
    """A turned rectangle anywhere; inside a shape if one is given, empty if it does not come to lie there soon."""
    for _ in range(20):
        area = shapely.affinity.translate(shapely.box(0, 0, wide_m, deep_m), *rng.uniform(5, 45, 2))
        area = shapely.affinity.rotate(area, rng.uniform(0, 180))
        if inside is None or shapely.covers(inside, area):
            return area
    return NOTHING


def test_random_lots_break_no_law_of_tank_and_lines():
    rng = np.random.default_rng(5)
    rows = []
    for _ in range(200):
        corners = rng.uniform(0, 12, (4, 2)) + np.array([[0, 0], [48, 0], [48, 48], [0, 48]])
        lot = shapely.difference(shapely.Polygon(corners), shapely.Point(rng.uniform(0, 60, 2)).buffer(rng.uniform(2, 12)))
        lot = max(shapely.get_parts(lot), key=shapely.area)
        house, barn = somewhere(rng, 12, 9, lot), somewhere(rng, 8, 5)
        open_ground = shapely.difference(shapely.buffer(lot, -1.5), shapely.union(house, barn).buffer(1.5))
        field = somewhere(rng, 18, 6, open_ground)
        reserve = somewhere(rng, 18, 6, shapely.difference(open_ground, shapely.buffer(field, 1.8)))
        rows.append((house, envelope(lot, shapely.union(house, barn)), field, reserve, lot, shapely.union(house, barn)))
    houses, rooms, fields, reserves, lots, barriers = (objects(column) for column in zip(*rows, strict=True))
    found = tank.place(houses, rooms, fields, reserves, lots, barriers)
    broken = [
        words
        for row in np.flatnonzero(found.placed)
        for words in broken_laws(found, row, houses[row], rooms[row], fields[row], reserves[row], lots[row], barriers[row])
    ]
    assert broken == []
    bent = shapely.get_num_coordinates(found.effluents_m) > 2
    assert found.placed.sum() > 100 and bent.sum() > 5 and found.crosses_reserve.sum() < 3


def test_rows_of_other_lots_change_nothing():
    fields = objects([shapely.box(10, 3, 50, 12), NOTHING, shapely.box(10, 48, 50, 57)])
    many = objects([HOUSE] * 3), objects([envelope()] * 3), fields, objects([NOTHING] * 3), objects([LOT] * 3), objects([HOUSE] * 3)
    together = tank.place(*many)
    for row in range(3):
        alone = tank.place(*(column[row : row + 1] for column in many))
        assert alone.centres_m[0] == together.centres_m[row]
        assert alone.effluents_m[0] == together.effluents_m[row]


def test_nearest_place_is_as_near_the_house_as_the_tank_may_stand():
    room = shapely.box(40, 20, 58, 58)
    place = tank.nearest_places(objects([HOUSE, HOUSE, NOTHING]), objects([room, NOTHING, room]))
    assert shapely.is_empty(place).tolist() == [False, True, True]
    assert place[0].x == pytest.approx(40 + TANK_DIAGONAL_M / 2, abs=0.01)


def test_barriers_are_what_meets_each_lot():
    lots = objects([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10), shapely.box(20, 0, 30, 10)])
    across, own = shapely.box(8, 2, 12, 4), shapely.box(14, 6, 16, 8)
    found = tank.on_lots(lots, objects([own, across]))
    assert shapely.equals(found, objects([across, shapely.union(across, own), NOTHING])).all()
    assert shapely.is_empty(tank.on_lots(lots, objects([]))).all()


def test_shortest_of_two_ways_round_is_taken():
    wall = shapely.box(10, 29, 55, 31)
    ways = Ways.over(LOT, wall, shapely.box(20, 2, 40, 6), NOTHING)
    line = ways.to_field(shapely.Point(30, 50))
    west = shapely.LineString([(30, 50), (9.5, 31.5), (9.5, 28.5), (20, 6)])
    assert line.covered_by(ways.open_ground)
    assert shapely.length(line) == pytest.approx(shapely.length(west), abs=0.02)
