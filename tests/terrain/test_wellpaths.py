"""Wells that must be there and are on no record: their lots as starts of flow paths, never clearer than a well anywhere on them."""

import numpy as np
import pytest
from affine import Affine
from shapely import Point, Polygon, affinity, box

from geoseptic.model.grid import Grid
from geoseptic.parcels import burn
from geoseptic.terrain import flowpath
from geoseptic.terrain.wellpaths import PresumedLots, WellDiscs, drain, well_paths
from tests.terrain.grounds import plane, rough

RADIUS_M = 9.0


def grid_of(shape, cell_m=1.0, margin=0):
    left, top = -margin * cell_m, (shape[0] + margin) * cell_m
    return Grid.of((shape[0] + 2 * margin, shape[1] + 2 * margin), Affine(cell_m, 0, left, 0, -cell_m, top), "EPSG:26915", "elevation")


def presumed(shape, lots, cell_m=1.0, radius_m=RADIUS_M):
    margin = int(np.ceil(radius_m / cell_m)) + 2
    places = np.empty(len(lots), object)
    places[:] = lots
    return PresumedLots(burn.numbered(places, grid_of(shape, cell_m, margin)), margin, radius_m)


def discs(*points, shape=(60, 60), cell_m=1.0, radius_m=RADIUS_M, error_m=0.0):
    col = np.array([point.x / cell_m for point in points])
    row = np.array([shape[0] - point.y / cell_m for point in points])
    return WellDiscs(col, row, np.full(len(points), max(radius_m, error_m)), np.full(len(points), error_m))


FAR_OFF = discs(Point(-500, -500))


def test_lot_of_a_presumed_well_is_where_paths_end_and_the_ground_above_it_leads_to_it():
    ground = drain(plane((60, 60), 1.0, 10, 270).astype(np.float32), 0.2)  # falls south
    lot = box(20.2, 10.2, 29.8, 19.8)
    found = well_paths(ground, FAR_OFF, 1.0, 25.0, presumed((60, 60), [lot]))
    on_lot = np.s_[40:50, 20:30]
    assert (found.distance_m[on_lot] == 0).all() and (found.label[on_lot] == 1).all()
    # Straight uphill of the disc round the lot the path is as long as the way to the lot, to within a cell.
    assert found.distance_m[20, 25] == pytest.approx(20, abs=1)
    assert found.code[20, 25] == flowpath.REACHES_A_WELL
    assert found.code[2, 25] == flowpath.REACHES_NO_WELL  # farther than the reach
    # Beside it, what comes within the disc round the lot (9 m, and less than 1.5 m for the cells), and nothing more.
    assert found.code[45, 38] == flowpath.REACHES_A_WELL
    assert found.code[45, 41] != flowpath.REACHES_A_WELL


def test_without_lots_no_path_leads_anywhere():
    ground = drain(plane((60, 60), 1.0, 10, 270).astype(np.float32), 0.2)
    assert (well_paths(ground, FAR_OFF, 1.0, 25.0).code != flowpath.REACHES_A_WELL).all()


@pytest.mark.parametrize("seed", range(12))
def test_presumed_well_is_never_clearer_than_a_well_anywhere_on_its_lot(seed):
    rng = np.random.default_rng(seed)
    cell_m = float(rng.choice([0.5, 1.0, 3.0]))
    ground = drain(rough((60, 60), seed, holes=0.02), 0.2)
    side = 60 * cell_m
    # Also lots that lie half or wholly off the raster, and ones narrower than a cell.
    lot = affinity.rotate(box(0, 0, rng.uniform(0.1, 0.4) * side, rng.uniform(0.005, 0.3) * side), rng.uniform(0, 180))
    lot = affinity.translate(lot, *rng.uniform(-0.2 * side, side, 2))
    radius_m = float(rng.uniform(1, 12)) * cell_m
    found = well_paths(ground, FAR_OFF, cell_m, 40 * cell_m, presumed((60, 60), [lot], cell_m, radius_m))
    reached = False
    for _ in range(25):
        along, across = rng.uniform(0, 1, 2)
        corners = np.array(lot.exterior.coords)
        point = Point(corners[0] + along * (corners[1] - corners[0]) + across * (corners[3] - corners[0]))
        known = well_paths(ground, discs(point, cell_m=cell_m, radius_m=radius_m), cell_m, 40 * cell_m)
        reaches = known.code == flowpath.REACHES_A_WELL
        assert (found.code[reaches] == flowpath.REACHES_A_WELL).all()
        assert (found.distance_m[reaches] <= known.distance_m[reaches] + 1e-3 * cell_m).all()
        reached |= bool(reaches.any())
    assert reached or not lot.intersects(box(-radius_m, -radius_m, side + radius_m, side + radius_m))


def test_presumed_well_takes_no_more_ground_than_its_lot_and_the_disc_round_it():
    level = drain(plane((60, 60), 1.0, 0, 0).astype(np.float32), 0.2)
    lot = Polygon([(15.3, 20.1), (30.9, 14.2), (38.4, 31.7)])
    found = well_paths(level, FAR_OFF, 1.0, 0.01, presumed((60, 60), [lot]))
    zero = found.distance_m == 0
    row, col = np.indices((60, 60))
    middles = np.array([[Point(c + 0.5, 60 - r - 0.5).distance(lot) for c in range(60)] for r in range(60)])
    assert zero[middles == 0].all()
    assert not zero[middles > np.sqrt(2)].any()
    assert zero.any() and (row[zero] > 0).all() and (col[zero] > 0).all()


def test_wells_on_record_come_first_and_keep_their_number_where_both_are_equally_near():
    ground = drain(plane((60, 60), 1.0, 10, 270).astype(np.float32), 0.2)
    lots = [box(5, 5, 15, 15), box(40, 5, 50, 15)]
    well = discs(Point(10, 10), error_m=3.0, radius_m=3.0)
    found = well_paths(ground, well, 1.0, 25.0, presumed((60, 60), lots))
    assert found.label[50, 10] == 0  # on the well's disc
    assert found.label[46, 6] == 1  # elsewhere on the first lot
    assert found.label[50, 45] == 2


def test_lots_far_off_the_raster_start_nothing():
    ground = drain(plane((60, 60), 1.0, 10, 270).astype(np.float32), 0.2)
    found = well_paths(ground, FAR_OFF, 1.0, 25.0, presumed((60, 60), [box(200, 200, 220, 220)]))
    assert (found.code != flowpath.REACHES_A_WELL).all()


def test_lot_next_to_the_raster_reaches_into_it_with_its_disc():
    ground = drain(plane((60, 60), 1.0, 10, 0).astype(np.float32), 0.2)  # falls east, off the raster
    found = well_paths(ground, FAR_OFF, 1.0, 25.0, presumed((60, 60), [box(62, 20, 80, 30)]))
    assert found.code[35, 50] == flowpath.REACHES_A_WELL
    assert found.distance_m[35, 50] == pytest.approx(11.5, abs=1.5)


def test_searching_in_windows_changes_no_answer():
    ground = drain(rough((60, 60), 5), 0.2)
    lots = [box(3, 3, 12, 9), box(20, 28, 33, 36), box(40, 50, 59, 59)]
    whole = well_paths(ground, FAR_OFF, 1.0, 30.0, presumed((60, 60), lots))
    banded = well_paths(ground, FAR_OFF, 1.0, 30.0, presumed((60, 60), lots), side_cells=7)
    for name in ("distance_m", "label", "code"):
        assert np.array_equal(getattr(whole, name), getattr(banded, name), equal_nan=True)
    assert (whole.label >= 1).any()
