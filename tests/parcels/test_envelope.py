"""What the law leaves of a parcel: held against brute force, lot by lot and feature by feature."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
import shapely.affinity
from affine import Affine
from scipy import ndimage

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.rules import RuleSet
from geoseptic.parcels import envelope
from geoseptic.parcels.envelope import Envelopes, envelopes, lot_line_zones
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.obstacles import Obstacles, with_presumed_wells
from geoseptic.parcels.repair import Fabric
from geoseptic.parcels.zones import MAY_BE_REQUIRED, Zones, zones
from tests.parcels.worlds import FT, feature, ground_of, line, lots, nasty_polygon, objects, obstacles, rule_set, wide_plane

LOT_LINE_M = 5 * FT
OVERSHOT = 1.004
"""Rings may take up to this much of their distance."""

WASHINGTON_M = {"private_well": 100 * FT, "building": 10 * FT, "surface_water": 100 * FT, "pool": 10 * FT, "driveway": 0.0}
"""Distances of shipped rule set us-wa for a drain field, written out for the brute force; it is silent on driveways."""


def cut(
    fabric: Fabric, features: Obstacles, rules: RuleSet | None = None, lot_line_m: float = LOT_LINE_M, workers: int = 1, **options
) -> tuple[Envelopes, Zones]:
    found = zones(features, rules or load_rules("us-wa"), "drain_field", **{"facts": {}, **options})
    return envelopes(fabric, found, features, lot_line_m, workers), found


def town(seed: int, rows: int = 4, columns: int = 5, offset: tuple[float, float] = (0.0, 0.0)) -> tuple[list[shapely.Geometry], list]:
    """Lots of uneven make along streets, with wells, roofs, a creek and pools on, between and beyond them."""
    rng = np.random.default_rng(seed)
    shapes, found = [], []
    for row in range(rows):
        edges = np.cumsum(rng.uniform(35, 90, columns + 1))
        for left, right in pairwise(edges):
            bottom, top = row * 90.0, row * 90.0 + rng.uniform(60, 80)
            bend = rng.uniform(-8, 8)
            shapes.append(shapely.Polygon([(left, bottom), (right, bottom), (right, top), ((left + right) / 2, top + bend), (left, top)]))
            x, y = rng.uniform(left, right - 12), rng.uniform(bottom, top - 10)
            roof = shapely.affinity.rotate(shapely.box(x, y, x + rng.uniform(8, 14), y + rng.uniform(7, 10)), rng.uniform(0, 90))
            found.append(feature("building", roof))
            if rng.random() < 0.25:
                error_m = float(rng.choice([0.0, 3.0, 15.0]))
                place = shapely.Point(rng.uniform(left, right), rng.uniform(bottom, top))
                found.append(feature("private_well", place, error_m))
            if rng.random() < 0.2:
                found.append(feature("pool", shapely.Point(x - 10, y).buffer(4)))
            if rng.random() < 0.5:
                found.append(feature("driveway", shapely.LineString([(x, bottom - 8), (x + 4, y)]).buffer(1.5)))
    found.append(feature("surface_water", shapely.LineString([(-60, 0), (0, 100), (-20, 250), (40, 420)])))
    found.append(feature("private_well", shapely.Point(edges[-1] + 25, 100.0), 10.0))  # beyond the last lot
    moved = [shapely.affinity.translate(shape, *offset) for shape in shapes]
    return moved, [(name, shapely.affinity.translate(shape, *offset), error, facts) for name, shape, error, facts in found]


def ring(shape: shapely.Geometry, distance_m: float) -> shapely.Geometry:
    """A ring that is never larger than the true one: chords of a fine circle."""
    return shape.buffer(distance_m, quad_segs=90)


def brute_force(lot: shapely.Geometry, features: list, lot_line_m: float, factor: float, more_m: float) -> shapely.Geometry:
    left = lot.difference(ring(lot.boundary, lot_line_m * factor + more_m))
    for name, shape, error_m, _ in features:
        left = left.difference(ring(shape, (WASHINGTON_M[name] + error_m) * factor + more_m))
    return left


# ------------------------------------------------------------------------------------------------------------- whose wells count


def test_well_on_neighbouring_lot_cuts_the_envelope():
    fabric = lots(shapely.box(0, 0, 60, 60), shapely.box(60, 0, 120, 60))
    well = obstacles(feature("private_well", shapely.Point(70, 30)))
    found, _ = cut(fabric, well)
    kept = 100 * FT
    taken_m2 = fabric.shapes_m[0].intersection(ring(shapely.Point(70, 30), kept)).area
    assert found.takes_m2["private_well"][0] == pytest.approx(taken_m2, rel=0.01)
    assert found.shapes_m[0].distance(shapely.Point(70, 30)) > kept
    assert found.binding() == ["private_well, lot_line", "private_well, lot_line"]


def test_well_beyond_the_last_lot_cuts_the_envelope():
    fabric = lots(shapely.box(0, 0, 60, 60))
    well = shapely.Point(-20, 30)  # on nobody's ground
    without, _ = cut(fabric, obstacles(feature("building", shapely.box(200, 0, 210, 10))))
    found, _ = cut(fabric, obstacles(feature("private_well", well)))
    assert found.shapes_m[0].distance(well) > 100 * FT
    taken_m2 = without.shapes_m[0].intersection(ring(well, 100 * FT)).area
    assert without.area_m2[0] - found.area_m2[0] == pytest.approx(taken_m2, rel=0.02)


def test_well_a_hair_farther_than_its_setback_takes_nothing():
    fabric = lots(shapely.box(0, 0, 60, 60))
    found, _ = cut(fabric, obstacles(feature("private_well", shapely.Point(-100 * FT * OVERSHOT, 30))))
    assert "private_well" not in found.takes_m2
    assert found.area_m2[0] == pytest.approx((60 - 2 * LOT_LINE_M) ** 2, rel=1e-3)


def test_location_error_pushes_the_envelope_farther_off():
    fabric = lots(shapely.box(0, 0, 100, 60))
    well = shapely.Point(-5, 30)
    near = cut(fabric, obstacles(feature("private_well", well)))[0]
    far = cut(fabric, obstacles(feature("private_well", well, error_m=15.0)))[0]
    assert near.shapes_m[0].distance(well) == pytest.approx(100 * FT, rel=0.004)
    assert far.shapes_m[0].distance(well) == pytest.approx(100 * FT + 15, rel=0.004)


def test_clear_envelope_avoids_all_places_of_a_roughly_known_well_and_the_possible_one_does_not():
    fabric = lots(shapely.box(0, 0, 150, 60))
    well = shapely.Point(0, 30)
    found, kept = cut(fabric, obstacles(feature("private_well", well, error_m=60.0)))
    assert MAY_BE_REQUIRED in kept.status
    assert found.shapes_m[0].distance(well) == pytest.approx(100 * FT + 60, rel=0.004)
    assert found.possible_m[0].distance(well) == pytest.approx(100 * FT, rel=0.004)
    assert found.possible_area_m2[0] > found.area_m2[0] > 0


def test_unlocated_well_on_a_small_lot_leaves_nothing_clear_but_something_possible():
    fabric = lots(shapely.box(0, 0, 100, 60))
    found, _ = cut(fabric, obstacles(feature("private_well", shapely.Point(10, 30), error_m=100.0)))
    assert found.shapes_m[0].is_empty and found.area_m2[0] == 0 and found.largest_m2[0] == 0
    assert found.possible_area_m2[0] > 0
    assert found.failed.tolist() == []


def test_well_presumed_on_one_lot_opens_the_question_next_door():
    fabric = lots(shapely.box(0, 0, 60, 60), shapely.box(60, 0, 160, 60))
    features = with_presumed_wells(obstacles(feature("building", shapely.box(20, 20, 30, 30))), fabric.ids[:1], fabric.shapes_m[:1])
    found, _ = cut(fabric, features)
    assert found.shapes_m[0].is_empty and found.possible_area_m2[0] > 1000
    assert found.shapes_m[1].distance(fabric.shapes_m[0]) == pytest.approx(100 * FT, rel=0.004)
    assert found.possible_m[1].distance(fabric.shapes_m[0]) == pytest.approx(LOT_LINE_M, rel=0.004)


# ------------------------------------------------------------------------------------------------------------------- brute force


@pytest.mark.parametrize("offset", [(0.0, 0.0), (429_252.3, 5_150_885.4), (5e6, 5e6)])
def test_envelopes_of_random_lots_equal_brute_force_within_the_declared_overshoot(offset):
    shapes, features = town(5, offset=offset)
    found, _ = cut(lots(*shapes), obstacles(*features))
    assert found.failed.tolist() == []
    some_room = 0
    for shape, left, possible in zip(shapes, found.shapes_m, found.possible_m, strict=True):
        most = brute_force(shape, features, LOT_LINE_M, 1.0, 0.0)
        least = brute_force(shape, features, LOT_LINE_M, OVERSHOT, 0.01)
        # Mitred corners take more than the rounded ones of the brute force.
        mitred = shape.buffer(-(LOT_LINE_M + 0.01), join_style="mitre")
        assert left.difference(most).area < 1e-6
        assert least.intersection(mitred).difference(left).area < 1e-6
        assert possible.equals(left)
        some_room += left.area > 0
    assert some_room >= 8


def test_no_envelope_comes_nearer_than_a_setback_by_the_exact_predicate():
    shapes, features = town(6)
    found, _ = cut(lots(*shapes), obstacles(*features))
    left = found.shapes_m
    for name, shape, error_m, _ in features:
        assert not shapely.dwithin(left, shape, max(WASHINGTON_M[name] + error_m, 1e-6)).any()
    assert not shapely.dwithin(left, shapely.boundary(objects(shapes)), LOT_LINE_M).any()
    assert shapely.is_valid(left).all()


def test_what_each_feature_takes_is_what_its_own_zones_alone_cover():
    shapes, features = town(7)
    found, kept = cut(lots(*shapes), obstacles(*features))
    names = np.array(kept.feature)
    nothing = np.zeros(len(shapes))
    for number, shape in enumerate(shapes):
        for name in set(names):
            alone = shape.intersection(shapely.union_all(kept.shapes_m[names == name])).area
            assert found.takes_m2.get(name, nothing)[number] == pytest.approx(alone, abs=1e-6)
        strip = shape.area - shape.buffer(-(LOT_LINE_M + 0.001), join_style="mitre").area
        assert found.takes_m2["lot_line"][number] == pytest.approx(strip, rel=1e-9)


def test_binding_names_the_greediest_feature_first():
    shapes, features = town(7)
    found, _ = cut(lots(*shapes), obstacles(*features))
    for number, text in enumerate(found.binding()):
        areas = [found.takes_m2[name][number] for name in text.split(", ")]
        assert areas == sorted(areas, reverse=True) and all(area > 0 for area in areas)
        assert len(areas) == sum(taken[number] > 0 for taken in found.takes_m2.values())


def test_largest_piece_is_that_of_the_pieces():
    shapes, features = town(8)
    found, _ = cut(lots(*shapes), obstacles(*features))
    wanted = [max((part.area for part in shapely.get_parts(shape)), default=0.0) for shape in found.shapes_m]
    assert found.largest_m2 == pytest.approx(wanted)
    assert any(len(shapely.get_parts(shape)) > 1 for shape in found.shapes_m)


def test_lot_under_dozens_of_zones_is_cut_as_one_under_few():
    rng = np.random.default_rng(9)
    pools = [feature("pool", shapely.Point(*rng.uniform(0, 100, 2)).buffer(1.0)) for _ in range(3 * envelope.UNION_FROM)]
    lot = shapely.box(0, 0, 100, 100)
    found, _ = cut(lots(lot), obstacles(*pools))
    zones_m = shapely.union_all([envelope.outward(objects([shape]), 10 * FT)[0] for _, shape, *_ in pools])
    wanted = envelope.inward(objects([lot]), LOT_LINE_M)[0].difference(zones_m)
    assert 0 < wanted.area < 9000
    assert found.shapes_m[0].symmetric_difference(wanted).area < 1e-6


def test_nasty_lots_are_cut_without_a_failure():
    rng = np.random.default_rng(10)
    shapes = [shape for _ in range(400) if (shape := nasty_polygon(rng, rng.uniform(5, 80), tuple(rng.uniform(0, 400, 2)))).area > 1]
    wells = [feature("private_well", shapely.Point(*rng.uniform(-50, 450, 2))) for _ in range(12)]
    # Each lot alone, so that no dispute hides what is tested.
    for shape in shapes:
        found, _ = cut(lots(shape), obstacles(*wells))
        assert found.failed.tolist() == []
        left = found.shapes_m[0]
        assert shape.covers(left) or left.difference(shape).area < 1e-9
        assert not shapely.dwithin(left, shape.boundary, LOT_LINE_M)
        assert not any(shapely.dwithin(left, well, 100 * FT) for _, well, *_ in wells)


# ------------------------------------------------------------------------------------------------------------ work and world alike


def test_two_workers_give_the_same_geometry_as_one(monkeypatch):
    shapes, features = town(11)
    monkeypatch.setattr(envelope, "CHUNK", 3)
    one, _ = cut(lots(*shapes), obstacles(*features), workers=1)
    two, _ = cut(lots(*shapes), obstacles(*features), workers=2)
    monkeypatch.setattr(envelope, "CHUNK", 2000)
    whole, _ = cut(lots(*shapes), obstacles(*features), workers=2)
    for other in (two, whole):
        assert [shape.wkb for shape in one.shapes_m] == [shape.wkb for shape in other.shapes_m]
        assert [shape.wkb for shape in one.possible_m] == [shape.wkb for shape in other.possible_m]
        assert one.takes_m2.keys() == other.takes_m2.keys()
        assert all(np.array_equal(one.takes_m2[name], other.takes_m2[name]) for name in one.takes_m2)


def test_ring_too_small_to_reach_the_lot_is_found_by_the_last_test(monkeypatch):
    monkeypatch.setattr("geoseptic.parcels.zones.outward", lambda shapes, distance_m: shapely.buffer(shapes, np.asarray(distance_m) * 0.5))
    well = shapely.Point(-20, 30)
    found, _ = cut(lots(shapely.box(0, 0, 60, 60)), obstacles(feature("private_well", well)))
    assert found.failed.tolist() == []
    assert 100 * FT < found.shapes_m[0].distance(well) == pytest.approx(100 * FT, rel=0.005)


def test_certain_distance_is_tested_where_an_open_question_leaves_nothing_clear(monkeypatch):
    honest = envelope.outward
    short = lambda shapes, distance_m: honest(shapes, np.asarray(distance_m) * np.where(np.asarray(distance_m) < 50, 0.9, 1.0))  # noqa: E731
    monkeypatch.setattr("geoseptic.parcels.zones.outward", short)
    well = shapely.Point(-20, 30)
    found, _ = cut(lots(shapely.box(0, 0, 30, 60)), obstacles(feature("private_well", well)), load_rules("us-ny"))
    assert found.shapes_m[0].is_empty  # gravel, if there is any, asks for 200 ft
    assert 100 * FT < found.possible_m[0].distance(well) == pytest.approx(100 * FT, rel=0.005)


def areas(shapes: list[shapely.Geometry], features: list) -> np.ndarray:
    return cut(lots(*shapes), obstacles(*features))[0].area_m2


def test_shifted_world_gives_the_same_areas():
    here, there = areas(*town(12)), areas(*town(12, offset=(600_000.0, 4_800_000.0)))
    assert there == pytest.approx(here, abs=1e-3)
    assert (here > 0).sum() >= 8


@pytest.mark.parametrize("angle", [90, 180, 270])
def test_world_turned_by_a_right_angle_gives_the_same_areas(angle):
    shapes, features = town(12)
    turned = [shapely.affinity.rotate(shape, angle, origin=(0, 0)) for shape in shapes]
    other = [(name, shapely.affinity.rotate(shape, angle, origin=(0, 0)), error, facts) for name, shape, error, facts in features]
    assert areas(turned, other) == pytest.approx(areas(shapes, features), abs=1e-6)


def test_world_turned_by_any_angle_gives_the_same_areas_within_the_overshoot():
    shapes, features = town(12)
    turned = [shapely.affinity.rotate(shape, 33, origin=(0, 0)) for shape in shapes]
    other = [(name, shapely.affinity.rotate(shape, 33, origin=(0, 0)), error, facts) for name, shape, error, facts in features]
    # Each ring's rim moves by at most 0.4 percent of its distance, along at most a rim of lots' perimeter per feature.
    rim_m = [shapely.length(shapely.boundary(shape)) for shape in cut(lots(*shapes), obstacles(*features))[0].shapes_m]
    assert (np.abs(areas(turned, other) - areas(shapes, features)) <= np.array(rim_m) * 0.004 * (100 * FT + 15) + 0.01).all()


# ------------------------------------------------------------------------------------------------------------------ fabric faults


def test_disputed_ground_is_kept_out_of_both_lots_with_the_lot_line_distance():
    left, right = shapely.box(0, 0, 44, 60), shapely.box(40, 0, 84, 60)
    found, _ = cut(lots(left, right), obstacles(feature("building", shapely.box(300, 0, 310, 10))))
    disputed = shapely.box(40, 0, 44, 60)
    for shape in found.shapes_m:
        assert shape.distance(disputed) == pytest.approx(LOT_LINE_M, rel=0.01)
    assert found.takes_m2["disputed_ground"] == pytest.approx([60 * (4 + LOT_LINE_M)] * 2, rel=0.01)
    assert found.area_m2 == pytest.approx([(40 - 2 * LOT_LINE_M) * (60 - 2 * LOT_LINE_M)] * 2, rel=0.01)


def test_stacked_units_keep_their_common_ground():
    lot = shapely.box(0, 0, 60, 60)
    found, _ = cut(lots(lot, lot), obstacles(feature("building", shapely.box(300, 0, 310, 10))))
    assert found.area_m2 == pytest.approx([(60 - 2 * LOT_LINE_M) ** 2] * 2, rel=1e-3)


def test_hole_in_a_lot_is_a_lot_line_and_a_well_in_it_cuts():
    lot = shapely.box(0, 0, 160, 160).difference(shapely.box(70, 70, 90, 90))
    well = shapely.Point(80, 80)
    far = obstacles(feature("building", shapely.box(400, 0, 410, 10)))
    without, _ = cut(lots(lot), far)
    assert without.shapes_m[0].distance(shapely.box(70, 70, 90, 90)) > LOT_LINE_M
    assert len(without.shapes_m[0].interiors) == 1
    found, _ = cut(lots(lot), obstacles(feature("private_well", well)))
    assert found.shapes_m[0].distance(well) == pytest.approx(100 * FT, rel=0.004)


def test_bow_tie_lot_is_cut_like_its_two_halves():
    bow_tie = shapely.Polygon([(0, 0), (80, 80), (80, 0), (0, 80)])
    well = obstacles(feature("private_well", shapely.Point(-20, 40)))
    found, _ = cut(lots(bow_tie), well)
    halves, _ = cut(lots(shapely.Polygon([(0, 0), (40, 40), (0, 80)]), shapely.Polygon([(80, 80), (40, 40), (80, 0)])), well)
    assert found.area_m2[0] == pytest.approx(halves.area_m2.sum(), rel=1e-6)
    assert found.area_m2[0] > 0


def test_lot_too_narrow_for_the_lot_line_distance_has_no_room_and_is_no_failure():
    found, _ = cut(lots(shapely.box(0, 0, 100, 2)), obstacles(feature("building", shapely.box(0, 50, 10, 60))))
    assert found.shapes_m[0].is_empty and found.failed.tolist() == []
    assert found.takes_m2["lot_line"][0] == pytest.approx(200)


# ------------------------------------------------------------------------------------------------------------- silence and edges


def test_code_silent_on_a_driveway_cuts_the_drive_itself_alone():
    lot, drive = shapely.box(0, 0, 60, 60), shapely.box(20, 0, 24, 30)
    found, kept = cut(lots(lot), obstacles(feature("driveway", drive)))
    assert kept.silent == ("driveway",)
    assert found.takes_m2["driveway"][0] == pytest.approx(drive.area, rel=0.01)
    assert found.shapes_m[0].intersection(drive).area == 0
    assert found.shapes_m[0].distance(drive) < 0.01


def test_without_a_lot_line_distance_only_the_features_cut():
    found, _ = cut(lots(shapely.box(0, 0, 60, 60)), obstacles(feature("pool", shapely.box(20, 20, 30, 30))), lot_line_m=0.0)
    assert found.takes_m2["lot_line"][0] == 0
    assert found.area_m2[0] == pytest.approx(3600 - (10 + 20 * FT) ** 2, rel=0.01)


def test_no_feature_at_all_leaves_all_but_the_lot_line():
    found, _ = cut(lots(shapely.box(0, 0, 60, 60)), obstacles(), rules=rule_set(line("building", 3.0)))
    assert found.area_m2 == pytest.approx([(60 - 2 * LOT_LINE_M - 0.002) ** 2])
    assert list(found.takes_m2) == ["lot_line"]


def test_lot_line_strip_and_what_is_inside_it_make_the_lot():
    shapes, features = town(13)
    fabric = lots(*shapes)
    strips = lot_line_zones(fabric, cut(fabric, obstacles(*features))[0])
    assert shapely.area(strips) + shapely.area(envelope.inward(fabric.shapes_m, LOT_LINE_M)) == pytest.approx(shapely.area(fabric.shapes_m))
    assert lot_line_zones(fabric, cut(fabric, obstacles(*features), lot_line_m=0.0)[0])[0].is_empty


def test_envelope_that_cannot_be_proven_is_emptied_and_told(monkeypatch):
    # Rings made too small on purpose, and made so again when the check cuts once more: only the exact predicate stands in the way.
    monkeypatch.setattr("geoseptic.parcels.zones.outward", lambda shapes, distance_m: shapely.buffer(shapes, distance_m * 0.9))
    monkeypatch.setattr(envelope, "outward", lambda shapes, distance_m: shapely.buffer(shapes, np.asarray(distance_m) * 0.9))
    fabric = lots(shapely.box(0, 0, 60, 60), shapely.box(200, 0, 260, 60))
    found, _ = cut(fabric, obstacles(feature("private_well", shapely.Point(-10, 30))))
    assert found.failed.tolist() == [0]
    assert found.shapes_m[0].is_empty and found.possible_m[0].is_empty
    assert found.area_m2[1] > 0


def test_ring_that_comes_short_is_cut_once_more(monkeypatch):
    monkeypatch.setattr("geoseptic.parcels.zones.outward", lambda shapes, distance_m: shapely.buffer(shapes, np.asarray(distance_m) * 0.98))
    well = shapely.Point(-10, 30)
    found, _ = cut(lots(shapely.box(0, 0, 60, 60)), obstacles(feature("private_well", well)))
    assert found.failed.tolist() == []
    assert found.shapes_m[0].distance(well) == pytest.approx(100 * FT, rel=0.005)
    assert not shapely.dwithin(found.shapes_m[0], well, 100 * FT)


# ----------------------------------------------------------------------------------- zones cut to where a condition of the ground holds

STATED_NY = {"coarse_gravel": False, "shallow_aquifer": False}


def new_york(seed: int) -> tuple[list[shapely.Geometry], list, Ground]:
    """Random lots and wells on random hills with a hole in the data."""
    rng = np.random.default_rng(seed)
    shapes, features = town(seed)
    features.append(feature("private_well", shapely.Point(rng.uniform(0, 300, 2)), 80.0))  # its place is rough
    heights = ndimage.gaussian_filter(rng.normal(size=(220, 260)), 8) * 25 + 300 + 0.04 * np.arange(260)
    heights[60:75, 80:100] = np.nan
    ground = ground_of(heights.astype(np.float32), Affine(2, 0, -60, 0, -2, 400))
    return shapes, [one for one in features if one[0] in ("private_well", "building")], ground


@pytest.mark.parametrize("facts", [{}, STATED_NY])
@pytest.mark.parametrize("seed", [31, 32, 33])
def test_envelopes_over_random_ground_are_the_lots_less_every_zone_one_after_the_other(seed, facts):
    shapes, features, ground = new_york(seed)
    found, kept = cut(lots(*shapes), obstacles(*features), load_rules("us-ny"), facts=facts, ground=ground)
    assert found.failed.tolist() == []
    names, required = np.array(kept.feature, object), np.array(kept.status, object) == "required"
    for number, shape in enumerate(shapes):
        inside = envelope.inward(objects([shape]), LOT_LINE_M)[0]
        for part, rows in ((found.shapes_m, np.ones(len(required), bool)), (found.possible_m, required)):
            left = inside
            for zone in kept.shapes_m[rows]:
                left = left.difference(zone)
            assert part[number].symmetric_difference(left).area < 1e-6
        for name in set(names):
            alone = shape.intersection(shapely.union_all(kept.shapes_m[names == name])).area
            assert found.takes_m2.get(name, np.zeros(len(shapes)))[number] == pytest.approx(alone, abs=1e-6)
    assert (found.possible_area_m2 > 0).sum() >= 5 and not all(kept.whole)


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_no_ground_that_drains_to_a_well_within_its_longer_distance_is_in_an_envelope(seed):
    # Cell by cell, with the exact predicate: what drains to the well keeps 200 ft, what may drain to it too, unless only in `possible`.
    shapes, features, ground = new_york(seed)
    found, _ = cut(lots(*shapes), obstacles(*features), load_rules("us-ny"), facts=STATED_NY, ground=ground)
    clear, possible = shapely.union_all(found.shapes_m), shapely.union_all(found.possible_m)
    some = 0
    for name, place, error_m, _ in features:
        if name != "private_well":
            continue
        (holds,), (unknown,) = ground.regions("drainage_path", objects([place]), 200 * FT, np.array([error_m]))
        certain_m = 200 * FT + (error_m if error_m < 200 * FT else 0)
        for left, where, keep_m in ((clear, shapely.union(holds, unknown), 200 * FT + error_m), (possible, holds, certain_m)):
            there = left.intersection(shapely.buffer(where, -0.001, join_style="mitre"))
            assert not shapely.dwithin(there, place, keep_m)
            some += there.area > 0 and left.distance(place) < keep_m
    assert some >= 2


def test_cut_zone_that_comes_short_is_cut_once_more_on_its_own_ground_alone(monkeypatch):
    well = shapely.Point(150.5, 120.5)
    fabric, features = lots(shapely.box(80, 60, 145, 180)), obstacles(feature("private_well", well))
    ground = wide_plane(falls_east=0.1)
    whole, _ = cut(fabric, features, load_rules("us-ny"), facts=STATED_NY, ground=ground)
    monkeypatch.setattr("geoseptic.parcels.zones.outward", lambda shapes, distance_m: shapely.buffer(shapes, np.asarray(distance_m) * 0.98))
    found, _ = cut(fabric, features, load_rules("us-ny"), facts=STATED_NY, ground=ground)
    assert found.failed.tolist() == []
    (holds,), _ = ground.regions("drainage_path", objects([well]), 200 * FT, np.zeros(1))
    assert not shapely.dwithin(found.shapes_m[0].intersection(holds.buffer(-0.001)), well, 200 * FT)
    assert found.shapes_m[0].distance(well) < 150 * FT  # beside the path 100 ft are kept
    assert found.shapes_m[0].symmetric_difference(whole.shapes_m[0]).area < 20


def test_envelope_that_cannot_be_proven_of_a_cut_zone_is_emptied_and_told(monkeypatch):
    short = lambda shapes, distance_m: shapely.buffer(shapes, np.where(np.asarray(distance_m) > 50, 0.9, 1.01) * distance_m)  # noqa: E731
    monkeypatch.setattr("geoseptic.parcels.zones.outward", short)
    monkeypatch.setattr(envelope, "outward", short)
    fabric = lots(shapely.box(80, 60, 145, 180), shapely.box(160, 60, 230, 180))
    features = obstacles(feature("private_well", shapely.Point(150.5, 120.5)))
    found, _ = cut(fabric, features, load_rules("us-ny"), facts=STATED_NY, ground=wide_plane(falls_east=0.1))
    # The lot uphill alone has ground on the path; the one downhill keeps its 100 ft.
    assert found.failed.tolist() == [0]
    assert found.shapes_m[0].is_empty and found.area_m2[1] > 0


def test_disputed_ground_that_comes_short_of_its_distance_is_cut_once_more(monkeypatch):
    outward, asked = envelope.outward, []

    def short_at_first(shapes, distance_m):
        asked.append(distance_m)
        return shapely.buffer(shapes, 0.5 * distance_m) if len(asked) == 1 else outward(shapes, distance_m)

    monkeypatch.setattr(envelope, "outward", short_at_first)
    found, _ = cut(
        lots(shapely.box(0, 0, 44, 60), shapely.box(40, 0, 84, 60)), obstacles(feature("building", shapely.box(300, 0, 310, 10)))
    )
    assert found.failed.tolist() == [] and len(asked) > 1
    assert not shapely.dwithin(found.possible_m, shapely.box(40, 0, 44, 60), LOT_LINE_M).any()
