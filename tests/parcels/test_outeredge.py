"""Parcels at the outer edge of their layer: those beside ground that may be a neighbour's, and none for a road."""

import numpy as np
import pytest
import shapely
import shapely.affinity

from geoseptic.parcels.outeredge import GAP_M, at_the_outer_edge

SIDE, ROAD_M = 8, 18.0
WITHIN_M = 30.48


def blocks(pitch_m: float = 70.0) -> np.ndarray:
    """Eight by eight lots, a road after every second row and every fourth column; by rows from the south."""
    row, col = np.mgrid[:SIDE, :SIDE]
    x, y = col * pitch_m + col // 4 * ROAD_M, row * pitch_m + row // 2 * ROAD_M
    return shapely.box(x, y, x + pitch_m, y + pitch_m).ravel()


RIM = (lambda row, col: (row == 0) | (row == SIDE - 1) | (col == 0) | (col == SIDE - 1))(*np.divmod(np.arange(SIDE * SIDE), SIDE))


@pytest.mark.parametrize("turned_deg", [0, 17, 45, 80])
def test_lots_along_the_rim_are_at_the_edge_and_none_along_a_road_however_the_map_lies(turned_deg):
    lots = np.array([shapely.affinity.rotate(lot, turned_deg, origin=(0, 0)) for lot in blocks()], object)
    assert (at_the_outer_edge(lots, WITHIN_M) == RIM).all()


def test_ground_of_a_lot_that_is_missing_has_its_neighbours_at_an_edge_and_a_narrow_strip_has_not():
    lots = blocks()
    gone = 3 * SIDE + 2
    without = at_the_outer_edge(np.delete(lots, gone), WITHIN_M)
    near = np.delete(shapely.distance(lots, lots[gone]) < WITHIN_M, gone)
    assert (without == (np.delete(RIM, gone) | near)).all() and near.sum() == 8
    lots[gone] = shapely.box(*shapely.bounds(lots[gone])[:3], shapely.bounds(lots[gone])[3] - GAP_M / 2)
    assert (at_the_outer_edge(lots, WITHIN_M) == RIM).all()


def test_distance_is_kept_to_about_a_cell_against_the_exact_one():
    """Lots of all widths behind each other, by shapely's own distance from the ground outside."""
    rng = np.random.default_rng(5)
    ends = np.cumsum(rng.uniform(4, 25, (40, 30)), axis=1)
    ends *= 450.0 / ends[:, -1:]
    top = np.arange(40) * 25.0
    lots = shapely.box(np.hstack([np.zeros((40, 1)), ends[:, :-1]]), top[:, None], ends, top[:, None] + 25.0).ravel()
    outside = shapely.box(-500, -500, 1500, 1500) - shapely.box(0, 0, 450, 1000)
    apart_m, within_m = shapely.distance(lots, outside), 60.96
    found, cell_m = at_the_outer_edge(lots, within_m), GAP_M / 3
    assert found[apart_m < within_m - 1.5 * cell_m].all() and not found[apart_m > within_m + 1.5 * cell_m].any()
    assert found.any() and not found.all()


def test_overlaps_stacks_holes_and_empty_lots_change_nothing():
    """Ground counts as a parcel's however often it is claimed; a pond in a lot is as wide as it is; what has no shape is at no edge."""
    lots = blocks()
    middle = 3 * SIDE + 2
    more = np.append(lots, [lots[middle], lots[middle].buffer(15), shapely.Polygon()])
    assert (at_the_outer_edge(more, WITHIN_M) == np.append(RIM, [False, False, False])).all()
    for width_m, seen in ((GAP_M / 3, False), (1.6 * GAP_M, True)):
        pond = shapely.box(*(shapely.bounds(shapely.centroid(lots[middle])) + np.repeat([-width_m / 2, width_m / 2], 2)))
        holed = np.append(np.delete(lots, middle), lots[middle] - pond)
        assert at_the_outer_edge(holed, WITHIN_M)[-1] == seen
    assert not at_the_outer_edge(np.array([shapely.Polygon()], object), WITHIN_M).any()
    assert at_the_outer_edge(np.array([shapely.MultiPolygon([shapely.box(0, 0, 9, 9), shapely.box(90, 0, 99, 9)])], object), 30.0).all()
