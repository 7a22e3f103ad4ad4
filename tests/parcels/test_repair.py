"""Faults of a parcel fabric are mended where there is one plain way, and always told."""

from itertools import combinations

import numpy as np
import pytest
import shapely

from geoseptic.errors import GeometryRepairError
from geoseptic.parcels.repair import Fabric, mend
from tests.parcels.worlds import lots, objects

BOW_TIE = shapely.Polygon([(0, 0), (40, 40), (40, 0), (0, 40)])


def kinds(fabric: Fabric) -> list[tuple[str, str]]:
    return [(fault.feature_id, fault.kind) for fault in fabric.faults]


def test_sound_neighbours_have_no_fault_and_stay_as_they_are():
    left, right = shapely.box(0, 0, 40, 60), shapely.box(40, 0, 80, 60)
    fabric = lots(left, right)
    assert fabric.faults == ()
    assert len(fabric.disputed_m) == 0 and fabric.disputed_by.shape == (0, 2)
    assert fabric.shapes_m[0].equals(left) and fabric.shapes_m[1].equals(right)


def test_bow_tie_becomes_its_two_halves_and_is_told():
    fabric = lots(BOW_TIE)
    assert fabric.shapes_m[0].is_valid
    assert fabric.shapes_m[0].area == pytest.approx(800)  # two triangles of base 40 and height 20
    assert kinds(fabric) == [("A", "mended outline"), ("A", "several pieces")]
    fault = fabric.faults[0]
    assert "Self-intersection" in fault.note
    assert (fault.area_before_m2, fault.area_after_m2) == (pytest.approx(0), pytest.approx(800))


def test_spike_of_no_width_is_taken_off_and_told():
    fabric = lots(shapely.Polygon([(0, 0), (40, 0), (40, 40), (20, 40), (20, 90), (20, 40), (0, 40)]))
    assert fabric.shapes_m[0].equals(shapely.box(0, 0, 40, 40))
    assert kinds(fabric) == [("A", "mended outline")]


def test_collection_of_a_polygon_and_a_line_keeps_the_polygon():
    fabric = lots(shapely.GeometryCollection([shapely.box(0, 0, 40, 40), shapely.LineString([(40, 40), (90, 90)])]))
    assert fabric.shapes_m[0].equals(shapely.box(0, 0, 40, 40))


def test_outline_drawn_twice_stays_one_lot():
    twice = shapely.MultiPolygon([shapely.box(0, 0, 40, 40), shapely.box(0, 0, 40, 40)])
    fabric = lots(twice)
    assert fabric.shapes_m[0].equals(shapely.box(0, 0, 40, 40))
    assert kinds(fabric) == [("A", "mended outline")]


def test_lot_of_several_pieces_is_kept_whole_and_told():
    fabric = lots(shapely.MultiPolygon([shapely.box(0, 0, 40, 40), shapely.box(60, 0, 90, 40)]))
    assert fabric.shapes_m[0].area == pytest.approx(40 * 40 + 30 * 40)
    assert kinds(fabric) == [("A", "several pieces")]
    assert fabric.faults[0].note == "2 pieces"


def test_sliver_is_kept_and_told_with_its_width():
    fabric = lots(shapely.box(0, 0, 200, 0.5))
    assert kinds(fabric) == [("A", "sliver")]
    assert fabric.faults[0].note == "mean width 0.50 m"
    assert fabric.shapes_m[0].area == pytest.approx(100)


def test_overlap_is_disputed_and_told_of_both_lots():
    fabric = lots(shapely.box(0, 0, 40, 60), shapely.box(38, 10, 80, 50))
    assert kinds(fabric) == [("A", "overlap"), ("B", "overlap")]
    assert [fault.note for fault in fabric.faults] == ["80.0 m2 shared with B", "80.0 m2 shared with A"]
    assert fabric.disputed_m[0].equals(shapely.box(38, 10, 40, 50))
    assert fabric.disputed_by.tolist() == [[0, 1]]


def test_overlap_beside_a_long_shared_border_is_found():
    # 1 m x 5 m of dispute on a border of 1,000 m, the rest of which is drawn alike.
    above = shapely.Polygon([(0, 50), (500, 50), (500, 49), (505, 49), (505, 50), (1000, 50), (1000, 100), (0, 100)])
    fabric = lots(shapely.box(0, 0, 1000, 50), above)
    assert kinds(fabric) == [("A", "overlap"), ("B", "overlap")]
    assert fabric.disputed_m[0].equals(shapely.box(500, 49, 505, 50))


def test_wide_overlap_is_found_among_hairline_ones():
    # A border drawn 3 mm apart over a kilometre, and 2 m x 2 m of dispute in it: the mean over all would be a hairline.
    teeth = [(float(x), 50.0 if x % 20 else 49.997) for x in range(0, 1001, 10)]
    above = shapely.Polygon([*teeth[:50], (495, 50), (495, 48), (497, 48), (497, 50), *teeth[50:], (1000, 100), (0, 100)])
    fabric = lots(shapely.box(0, 0, 1000, 50), above)
    assert kinds(fabric) == [("A", "overlap"), ("B", "overlap")]
    assert fabric.disputed_m[0].covers(shapely.box(495, 48, 497, 50))


def test_overlap_of_a_rounding_width_is_no_dispute():
    fabric = lots(shapely.box(0, 0, 40, 60), shapely.box(39.997, 0, 80, 60))
    assert fabric.faults == () and len(fabric.disputed_m) == 0


def test_units_stacked_on_one_lot_are_told_and_not_disputed():
    lot = shapely.box(0, 0, 40, 60)
    fabric = lots(lot, lot, lot)
    assert kinds(fabric) == [(one, "same ground as another") for one in "ABC"]
    assert [fault.note for fault in fabric.faults] == [f"2400.0 m2 shared with {others}" for others in ("B, C", "A, C", "A, B")]
    assert fabric.stacked_with == {0: (1, 2), 1: (0, 2), 2: (0, 1)}
    assert len(fabric.disputed_m) == 0
    assert [shape.equals(lot) for shape in fabric.shapes_m] == [True] * 3


def test_lot_inside_another_is_disputed_whole():
    fabric = lots(shapely.box(0, 0, 100, 100), shapely.box(40, 40, 60, 60))
    assert fabric.disputed_m[0].equals(shapely.box(40, 40, 60, 60))


def test_lot_in_the_hole_of_another_is_no_overlap():
    fabric = lots(shapely.box(0, 0, 100, 100).difference(shapely.box(40, 40, 60, 60)), shapely.box(40, 40, 60, 60))
    assert fabric.faults == ()


def test_every_collapsed_outline_is_named_in_one_refusal():
    flat = [shapely.Polygon([(0, k), (40, k), (80, k)]) for k in range(30)]
    shapes = objects([shapely.box(0, 0, 40, 40), *flat])
    ids = objects([f"lot-{number}" for number in range(31)])
    with pytest.raises(GeometryRepairError, match="no area is left after mending the outline in lot-1, lot-2") as refused:
        mend(ids, shapes)
    assert refused.value.feature_ids == tuple(f"lot-{number}" for number in range(1, 31))
    assert "and 10 more" in str(refused.value)


def test_heights_in_the_coordinates_change_nothing():
    flat = [BOW_TIE, shapely.box(38, 10, 80, 50)]
    with_heights = [shapely.force_3d(shape, 123.0) for shape in flat]
    plain, high = lots(*flat), lots(*with_heights)
    assert [fault.kind for fault in plain.faults] == [fault.kind for fault in high.faults]
    assert shapely.area(plain.shapes_m) == pytest.approx(shapely.area(high.shapes_m))


def test_as_many_lots_come_out_as_went_in_and_the_input_is_untouched():
    shapes = objects([BOW_TIE, shapely.box(0, 0, 40, 40), shapely.box(0, 0, 40, 40)])
    before = [shape.wkt for shape in shapes]
    fabric = mend(objects(["a", "b", "c"]), shapes)
    assert len(fabric.shapes_m) == len(fabric.ids) == 3
    assert [shape.wkt for shape in shapes] == before


def test_random_fabrics_hold_the_disputes_that_brute_force_finds():
    rng = np.random.default_rng(3)
    for _ in range(20):
        corners = rng.uniform(0, 200, (12, 2))
        shapes = [shapely.box(x, y, x + w, y + h) for (x, y), (w, h) in zip(corners, rng.uniform(10, 80, (12, 2)), strict=True)]
        fabric = lots(*shapes)
        shared_m2 = {(a, b): shapes[a].intersection(shapes[b]).area for a, b in combinations(range(12), 2)}
        found = {tuple(pair): shape.area for pair, shape in zip(fabric.disputed_by.tolist(), fabric.disputed_m, strict=True)}
        wanted = {pair: area for pair, area in shared_m2.items() if area > 5}
        assert {pair: area for pair, area in found.items() if area > 5} == pytest.approx(wanted)
