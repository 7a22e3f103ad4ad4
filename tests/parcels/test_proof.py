"""The last test of drawn shapes: each kind of fault, put in by hand, is found, and a lawful shape is not."""

import numpy as np
import pytest
import shapely

from geoseptic.parcels.proof import broken
from geoseptic.parcels.zones import zones
from tests.parcels.worlds import feature, line, lots, objects, obstacles, plane, rule_set

WELL = shapely.Point(20, 100)
HOUSE = shapely.box(60, 60, 80, 80)
LAWFUL = shapely.box(100, 100, 120, 110)
RULES = rule_set(
    line("private_well", 30.0), line("building", 3.0), line("lot_line", 2.0), line("private_well", 60.0, "feature_downslope")
)  # fmt: skip
WORLD = obstacles(feature("private_well", WELL, 5.0), feature("building", HOUSE), feature("driveway", shapely.box(0, 180, 200, 184)))


def faulty(shape, ground=None, fabric=None):
    fabric = fabric or lots(shapely.box(0, 0, 200, 200))
    found = zones(WORLD, RULES, "drain_field", facts={} if ground else {"feature_downslope": False}, ground=ground)
    return bool(broken(objects([shape]), np.array([0]), fabric, found, WORLD, 2.0)[0])


def test_lawful_shape_and_an_empty_one_break_nothing():
    assert not faulty(LAWFUL)
    assert not faulty(shapely.Polygon())


@pytest.mark.parametrize(
    ("fault", "shape"),
    [
        ("leaves its lot", shapely.box(190, 100, 210, 110)),
        ("too near the lot line", shapely.box(180, 100, 198.5, 110)),
        ("too near the well, though farther than without its location error", shapely.box(53, 95, 70, 105)),
        ("too near the house", shapely.box(82, 60, 90, 70)),
        ("crosses a drive on which the code is silent", shapely.box(100, 175, 110, 190)),
        ("a line that crosses the drive", shapely.LineString([(100, 170), (100, 195)])),
    ],
)
def test_fault_put_in_by_hand_is_found(fault, shape):
    assert faulty(shape), fault


def test_shape_a_hand_off_a_feature_on_which_the_code_is_silent_breaks_nothing():
    assert not faulty(shapely.box(100, 160, 110, 179.9))


def test_ground_that_drains_to_the_well_has_the_longer_distance():
    beyond = shapely.box(62, 95, 75, 105)  # 42 m from the well: clear of 30 + 5, not of 60 + 5
    falls_west = plane(falls_east=-0.05)
    assert not faulty(beyond)
    assert faulty(beyond, falls_west)


def test_ground_that_two_lots_claim_is_kept_out_with_the_lot_line_distance():
    fabric = lots(shapely.box(0, 0, 200, 200), shapely.box(130, 90, 330, 120))
    assert not faulty(LAWFUL, fabric=fabric)
    assert faulty(shapely.box(110, 100, 129, 110), fabric=fabric)


def test_faults_are_told_lot_by_lot():
    fabric = lots(shapely.box(0, 0, 200, 200), shapely.box(200, 0, 400, 200))
    found = zones(WORLD, RULES, "drain_field", facts={"feature_downslope": False})
    shapes = objects([LAWFUL, LAWFUL, shapely.box(300, 100, 320, 110)])
    assert broken(shapes, np.array([0, 1, 1]), fabric, found, WORLD, 2.0).tolist() == [False, True, False]
