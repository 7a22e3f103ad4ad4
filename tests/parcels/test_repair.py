"""Faults of a parcel fabric are mended where there is one plain way, and always told."""

from itertools import combinations
from time import process_time

import numpy as np
import pytest
import shapely

from geoseptic.errors import GeometryRepairError
from geoseptic.parcels import repair
from geoseptic.parcels.repair import Fabric, keep_clear, mend, readings
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


# ------------------------------------------------------------------------------------------------- the two readings of a broken outline


def runs_round(ring: np.ndarray, x: float, y: float) -> tuple[int, int]:
    """How often a closed ring runs round a point, by the angles, and how many of its edges lie across the line to the far right."""
    angles = np.arctan2(ring[:, 1] - y, ring[:, 0] - x)
    turned = (np.diff(angles) + np.pi) % (2 * np.pi) - np.pi
    edges = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1))
    far = shapely.LineString([(x, y), (1e4, y + 1e-7)])
    return round(turned.sum() / (2 * np.pi)), int(shapely.crosses(far, edges).sum())


def read_at(shape: shapely.Geometry, x: float, y: float) -> tuple[bool, bool]:
    """Whether a place is inside by turns round it, holes taken out, and by crossing in and out."""
    by_turns, crossings = False, 0
    for part in shapely.get_parts(shape):
        rings = [runs_round(np.asarray(ring.coords)[:, :2], x, y) for ring in (part.exterior, *part.interiors)]
        by_turns |= rings[0][0] != 0 and not any(turns for turns, _ in rings[1:])
        crossings += sum(count for _, count in rings)
    return by_turns, crossings % 2 == 1


def broken_shapes(seed: int, count: int) -> list[shapely.Geometry]:
    """Rings with crossed corners, with holes that reach out of them, and several that overlap."""
    rng = np.random.default_rng(seed)

    def ring(corners: int, x: float = 0.0, y: float = 0.0, size: float = 100.0) -> np.ndarray:
        return np.array([x, y]) + rng.uniform(0, size, (corners, 2))

    shapes: list[shapely.Geometry] = []
    while len(shapes) < count:
        kind = len(shapes) % 4
        if kind == 0:
            shapes.append(shapely.Polygon(ring(int(rng.integers(4, 9)))))
        elif kind == 1:
            shapes.append(shapely.Polygon(ring(5), [ring(4, 30, 30, 90)]))
        elif kind == 2:
            shapes.append(shapely.MultiPolygon([shapely.Polygon(ring(4)), shapely.Polygon(ring(4, 20, 20))]))
        else:
            spike = ring(6)
            spike[4] = spike[2]
            shapes.append(shapely.Polygon(spike))
    return [shape for shape in shapes if not shape.is_valid]


def places(shape: shapely.Geometry, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Points all over, none within a hand's breadth of an edge."""
    edges = shapely.union_all(shapely.get_rings(shapely.get_parts(shape)))
    points = rng.uniform(-10, 130, (40, 2))
    return [tuple(point) for point in points if shapely.distance(edges, shapely.Point(point)) > 0.1]


def test_what_is_kept_clear_loses_no_ground_that_any_reading_gives_it():
    rng = np.random.default_rng(11)
    for shape in broken_shapes(1, 100):
        mended, faults = keep_clear(objects(["pond"]), objects([shape]), "surface_water")
        assert mended[0].is_valid and mended[0].geom_type in ("Polygon", "MultiPolygon")
        assert [fault.layer for fault in faults] == ["surface_water"]
        for x, y in places(shape, rng):
            if any(read_at(shape, x, y)):
                assert shapely.covers(mended[0], shapely.Point(x, y)), (shape.wkt, x, y)
        edges = shapely.union_all(shapely.get_rings(shapely.get_parts(shape)))
        assert shapely.length(shapely.difference(edges, shapely.buffer(mended[0], 1e-6))) < 1e-4


def test_a_parcel_has_no_ground_that_any_reading_takes_from_it_and_all_that_both_give():
    rng = np.random.default_rng(12)
    looked_at = 0
    for shape in broken_shapes(2, 100):
        certain, whole = readings(shape)
        assert certain.is_valid and whole.is_valid and certain.area <= whole.area + 1e-9
        for x, y in places(shape, rng):
            by_turns, by_crossing = read_at(shape, x, y)
            looked_at += 1
            assert shapely.contains(certain, shapely.Point(x, y)) == (by_turns and by_crossing), (shape.wkt, x, y)
            assert shapely.contains(whole, shapely.Point(x, y)) >= (by_turns or by_crossing)
    assert looked_at > 2000


def test_hole_that_lies_outside_of_its_lot_adds_nothing_to_it():
    fabric = lots(shapely.Polygon(shapely.box(0, 0, 40, 40).exterior.coords, [shapely.box(50, 0, 50.1, 10).exterior.coords]))
    assert fabric.shapes_m[0].equals(shapely.box(0, 0, 40, 40)) and not fabric.spoilt
    assert fabric.claimed_m[0].area == pytest.approx(1601)


def test_outline_whose_readings_differ_too_much_is_not_mended_and_its_ground_stays_claimed():
    nested = shapely.MultiPolygon([shapely.box(0, 0, 40, 40), shapely.box(0, 10, 20, 30)])
    fabric = lots(nested, shapely.box(40, 0, 80, 40))
    assert list(fabric.spoilt) == [0] and "25 percent" in fabric.spoilt[0]
    assert fabric.claimed_m[0].area == pytest.approx(1600) and fabric.shapes_m[0].area == pytest.approx(1200)
    fault = fabric.faults[0]
    assert (fault.kind, fault.share_changed) == ("mended outline", pytest.approx(0.25))
    ids, shapes = objects(["A", "B"]), objects([nested, shapely.box(40, 0, 80, 40)])
    assert mend(ids, shapes, most_changed=0.3).spoilt == {}


def test_collapsed_part_and_spike_of_what_is_kept_clear_stay_covered():
    flat = shapely.Polygon([(50, 0), (60, 0), (70, 0)])
    mended, _ = keep_clear(objects(["house"]), objects([shapely.MultiPolygon([shapely.box(0, 0, 40, 40), flat])]), "buildings")
    assert shapely.covers(mended[0], shapely.LineString([(50, 0), (70, 0)])) and mended[0].area == pytest.approx(1600, abs=0.1)
    alone, _ = keep_clear(objects(["house"]), objects([flat]), "buildings")
    assert shapely.covers(alone[0], shapely.LineString([(50, 0), (70, 0)]))


def test_obstacle_without_area_and_what_lies_beside_a_broken_one_in_its_record_stay_covered_by_areas():
    spot, brook = shapely.Polygon([(5, 5)] * 4), shapely.LineString([(50, 0), (90, 40)])
    for shape in (spot, shapely.MultiPolygon([spot, BOW_TIE]), shapely.GeometryCollection([BOW_TIE, brook, shapely.Point(70, 5)])):
        mended, faults = keep_clear(objects(["pond"]), objects([shape]), "surface_water")
        assert mended[0].is_valid and mended[0].geom_type in ("Polygon", "MultiPolygon")
        for piece in shapely.get_parts(shape):
            hull = shapely.convex_hull(piece) if piece.geom_type == "Polygon" else piece
            assert shapely.buffer(mended[0], 1e-6).covers(hull), (shape.wkt, mended[0].wkt)
        assert ("it has no area" in faults[0].note) == (shape is spot)


def test_overlap_with_ground_that_may_be_the_neighbours_is_disputed():
    tied = shapely.MultiPolygon([shapely.box(0, 0, 40, 40), shapely.box(39, 0, 41, 0.5)])
    fabric = lots(tied, shapely.box(40, 0, 80, 40))
    assert fabric.spoilt == {} and fabric.disputed_m[0].area == pytest.approx(0.5)


def test_two_hundred_units_on_one_lot_are_told_once_each():
    lot, turned = shapely.box(0, 0, 40, 60), shapely.Polygon([(40, 0), (40, 60), (0, 60), (0, 0)])
    fabric = lots(*[lot, turned] * 100)
    assert len(fabric.faults) == 200 and all(len(others) == 199 for others in fabric.stacked_with.values())


def test_outline_of_a_million_corners_is_mended_in_seconds():
    turn = np.linspace(0, 2 * np.pi, 1_000_001)[:-1]
    corners = (100 + np.sin(50 * turn))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    corners[[500_000, 500_001]] = corners[[500_001, 500_000]]
    before_s = process_time()
    fabric = lots(shapely.Polygon(corners))
    assert process_time() - before_s < 60
    assert fabric.shapes_m[0].is_valid and fabric.shapes_m[0].area == pytest.approx(np.pi * (100**2 + 0.5), rel=1e-6)


def test_tangle_that_cannot_be_looked_at_face_by_face_is_spoilt_and_kept_clear_by_its_hull(monkeypatch):
    monkeypatch.setattr(repair, "MOST_TANGLED", 9)
    fabric = lots(BOW_TIE, shapely.box(50, 0, 80, 40))
    assert "too tangled" in fabric.spoilt[0] and fabric.claimed_m[0].covers(BOW_TIE.convex_hull)
    mended, _ = keep_clear(objects(["pond"]), objects([BOW_TIE]), "surface_water")
    assert mended[0].covers(BOW_TIE.convex_hull)
