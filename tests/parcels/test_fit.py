"""The search for room for field and reserve: what it places keeps every law of a layout, and what it refuses has no room."""

import math
import os
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapely.affinity
from scipy.spatial.distance import cdist

from geoseptic.parcels import fit as fit_module
from geoseptic.parcels import fitbound, fitgrid, fitground
from geoseptic.parcels.fit import DROP_ALONG_TRENCH_M, FieldNeed, Fit, Layout, Pipes, Site, SiteGround, Terrain, fit, layouts
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, plane_at
from tests.parcels.exhaustive import best_kind, directions_of
from tests.parcels.lots import (
    FAR_EAST_M,
    FAR_NORTH_M,
    NEEDS,
    SIDE_M,
    cone,
    envelope,
    grounds,
    noisy,
    plane,
    sites,
    terrain,
    unpacked,
    valley,
)

LOTS = int(os.environ.get("GEOSEPTIC_LOTS", "300"))
"""Random lots of the property test; `GEOSEPTIC_LOTS=100000` takes about ten minutes."""

EXHAUSTIVE_LOTS = int(os.environ.get("GEOSEPTIC_EXHAUSTIVE_LOTS", "8"))
"""Lots near the limit that are compared with the exhaustive search; `GEOSEPTIC_EXHAUSTIVE_LOTS=400` takes about three minutes."""

TURNED_LOTS = int(os.environ.get("GEOSEPTIC_TURNED_LOTS", "150"))

SPARE_M = 0.2
MOST_MISSED = 0.04
MOST_MISSED_WITH_ROOM_TO_SPARE = 0.015
MOST_CHANGED_BY_A_TURN = 0.02
MOST_CHANGED_BY_A_SHIFT = 0.01
"""Shares that the tests allow; what was measured stands in DEVELOPERS.md."""

ROUNDING_M = 1e-6

NEED = FieldNeed(trench_length_m=120.0, trench_width_m=0.9, max_trench_m=30.0, spacing_m=1.8, reserve_share=1.0)
PIPES = Pipes(0.01, 0.5)
MIDDLE = np.array([FAR_EAST_M, FAR_NORTH_M]) + SIDE_M / 2


def here(shape: shapely.Geometry) -> shapely.Geometry:
    """A shape about (0, 0) in the middle of the grounds."""
    return shapely.transform(shape, lambda xy: xy + MIDDLE)


def site(shape: shapely.Geometry, reserve: shapely.Geometry | None = None, outlet: tuple[float, float, float] | None = None) -> Site:
    x, y, invert_m = (math.nan, math.nan, math.nan) if outlet is None else (MIDDLE[0] + outlet[0], MIDDLE[1] + outlet[1], outlet[2])
    field = here(shape)
    return Site(field, field if reserve is None else here(reserve), x, y, invert_m)


def kind(found: Fit) -> int:
    """0 nothing, 1 a field alone, 2 field and reserve."""
    return 0 if found.placement is None else 1 if found.placement.reserve is None else 2


def near_the_limit(rng: np.random.Generator, need: FieldNeed) -> shapely.Geometry:
    """An envelope of a size at which about half of them have room for field and reserve."""
    area_m2 = need.trench_length_m * (need.trench_width_m + need.spacing_m) * (1 + need.reserve_share)
    while True:
        shape = envelope(rng, math.sqrt(area_m2) * rng.uniform(0.45, 1.0))
        if not shapely.is_empty(shape) and shapely.length(shapely.box(*shapely.bounds(shape))) < 2.5 * SIDE_M:
            return shape


# --- what is placed keeps every law -------------------------------------------------------------------------------------------------


def fitted(ground: Terrain) -> np.ndarray:
    """Height and rise eastward and northward of the plane round every cell, one by one; shape (rows, cols, 3)."""
    planes = np.empty((*ground.elevation_m.shape, 3))
    for row, col in np.ndindex(ground.elevation_m.shape):
        height, along, down = plane_at(ground.elevation_m, row, col, ground.half_window, LEAST_KNOWN_SHARE)
        planes[row, col] = height, along / ground.cell_size_m, -down / ground.cell_size_m
    return planes


def heights_along(trench: shapely.Polygon, ground: Terrain, planes: np.ndarray) -> np.ndarray:
    """Fitted heights every half metre along the axis of a trench whose first side is a long one."""
    xy = shapely.get_coordinates(trench)
    start, end = (xy[0] + xy[3]) / 2, (xy[1] + xy[2]) / 2
    share = np.linspace(0, 1, 2 + int(2 * math.dist(start, end)))[:, None]
    x, y = (start + share * (end - start)).T
    row, col = ((ground.top_m - y) / ground.cell_size_m).astype(int), ((x - ground.left_m) / ground.cell_size_m).astype(int)
    height, east, north = planes[row, col].T
    dx = x - ground.left_m - (col + 0.5) * ground.cell_size_m
    dy = y - ground.top_m + (row + 0.5) * ground.cell_size_m
    return height + east * dx + north * dy


def touches_ground_not_known_to_be_good(area: shapely.Polygon, ground: Terrain, planes: np.ndarray) -> bool:
    inner = shapely.buffer(area, -ROUNDING_M)
    left, bottom, right, top = shapely.bounds(area)
    cell = ground.cell_size_m
    cols = np.arange(math.floor((left - ground.left_m) / cell), math.floor((right - ground.left_m) / cell) + 1)
    rows = np.arange(math.floor((ground.top_m - top) / cell), math.floor((ground.top_m - bottom) / cell) + 1)
    row, col = (grid.ravel() for grid in np.meshgrid(rows, cols))
    wrong = (ground.good[row, col] != fitgrid.GOOD_GROUND) | np.isnan(planes[row, col, 0])
    west, north = ground.left_m + col[wrong] * cell, ground.top_m - row[wrong] * cell
    return bool(shapely.intersects(inner, shapely.box(west, north - cell, west + cell, north)).any())


def broken_laws(lot: Site, need: FieldNeed, ground: Terrain, planes: np.ndarray, found: Fit) -> list[str]:
    """Every law of a layout that a placement breaks, in words."""
    placed = found.placement
    assert placed is not None
    broken = []
    parts = [("field", placed.field, placed.trenches, placed.layout, lot.field, 1.0)]
    if placed.reserve is not None:
        assert placed.reserve_layout is not None
        reserve = (placed.reserve, placed.reserve_trenches, placed.reserve_layout, lot.reserve, need.reserve_share)
        parts.append(("reserve", *reserve))
        if shapely.distance(placed.field, placed.reserve) < need.spacing_m - ROUNDING_M:
            broken.append("field and reserve are too near each other")
    for name, area, trenches, layout, allowed, share in parts:
        if not shapely.covered_by(area, allowed):
            broken.append(f"{name} leaves its envelope")
        if abs(shapely.area(area) - layout.length_m * layout.depth_m) > 1e-3:
            broken.append(f"{name} is not of its layout's size")
        if len(trenches) != layout.count or not shapely.covered_by(trenches, shapely.buffer(area, ROUNDING_M)).all():
            broken.append(f"trenches of the {name} leave it")
        if layout.count * layout.length_m < share * need.trench_length_m - ROUNDING_M:
            broken.append(f"trenches of the {name} are too short together")
        if layout.length_m > need.max_trench_m + ROUNDING_M:
            broken.append(f"a trench of the {name} is too long")
        if np.abs(shapely.area(trenches) - layout.length_m * need.trench_width_m).max() > 1e-3:
            broken.append(f"a trench of the {name} has another size")
        if len(trenches) > 1 and shapely.distance(trenches[:-1], trenches[1:]).min() < need.spacing_m - ROUNDING_M:
            broken.append(f"trenches of the {name} are too near each other")
        for trench in trenches:
            along = heights_along(trench, ground, planes)
            # Half a centimetre more: the test looks at other points, and beside a hole in the data fitted planes do not quite meet.
            if not along.max() - along.min() <= DROP_ALONG_TRENCH_M + 0.005:
                broken.append(f"a trench of the {name} falls by {along.max() - along.min():.3f} m")
        if touches_ground_not_known_to_be_good(area, ground, planes):
            broken.append(f"{name} touches ground that is not known to be good")
    return broken


def test_every_placement_on_random_lots_keeps_every_law_of_a_layout():
    rng = np.random.default_rng(20)
    lands = [(name, land, fitted(land)) for name, land in grounds(rng).items()]
    placed = with_reserve = 0
    for number, lot in enumerate(sites(rng, LOTS)):
        name, land, planes = lands[number % len(lands)]
        need = NEEDS[number // len(lands) % len(NEEDS)]
        found = fit(lot, need, land, PIPES)
        if found.placement is not None:
            placed += 1
            with_reserve += found.placement.reserve is not None
            assert broken_laws(lot, need, land, planes, found) == [], f"lot {number} on {name}: {lot.field.wkt}"
    print(f"{LOTS} random lots: a field on {placed}, with its reserve on {with_reserve}; no law broken")
    assert placed > 0.25 * LOTS
    assert with_reserve > 0.15 * LOTS


def test_checks_of_the_property_test_see_each_broken_law():
    ground = terrain(plane(0.01, 0.0), 2.0)
    lot = site(shapely.box(-50, -50, 50, 50))
    found = fit(lot, NEED, ground, PIPES)
    planes = fitted(ground)
    placed = found.placement
    assert placed is not None and placed.reserve is not None

    def told(**changes: object) -> str:
        return " ".join(broken_laws(lot, NEED, ground, planes, replace(found, placement=replace(placed, **changes))))

    away = shapely.affinity.translate(placed.field, 60, 0)
    crossing = tuple(shapely.affinity.rotate(trench, 90, origin=shapely.centroid(placed.field)) for trench in placed.trenches)
    assert "field leaves its envelope" in told(field=away)
    assert "trenches of the field leave it" in told(trenches=crossing)
    assert "trenches of the field leave it" in told(trenches=placed.trenches[1:])
    assert "too near each other" in told(reserve=placed.field)
    assert "too near each other" in told(trenches=placed.trenches[:1] * placed.layout.count)
    assert "too short together" in told(layout=replace(placed.layout, count=1))
    steep = terrain(plane(0.1, 0.3), 2.0)
    assert "falls by" in " ".join(broken_laws(lot, NEED, steep, fitted(steep), found))
    ground.good[:] = fitgrid.BAD_GROUND
    assert "not known to be good" in told()


# --- what is refused has no room ---------------------------------------------------------------------------------------------------


def test_what_an_exhaustive_search_finds_is_rarely_missed_and_less_so_where_there_is_room_to_spare():
    rng = np.random.default_rng(21)
    room: dict[int, list[bool]] = {1: [], 2: []}
    to_spare: list[bool] = []
    for number in range(EXHAUSTIVE_LOTS):
        need = NEEDS[number % 4]
        slope, toward = (0.0, 0.003, 0.03, 0.08, 0.2)[number % 5], rng.uniform(0, 2 * math.pi)
        ground, lot = terrain(plane(slope, toward), 2.0), site(near_the_limit(rng, need))
        answer = fit(lot, need, ground, PIPES)
        rise = slope * math.cos(toward), slope * math.sin(toward)
        angles = directions_of(lot.field, rise)
        truth = best_kind(lot.field, lot.field, need, rise, angles)
        if kind(answer) > truth:
            # It may look in a direction where the exhaustive search does not; then there is room there.
            assert broken_laws(lot, need, ground, fitted(ground), answer) == []
        if truth:
            room[truth].append(kind(answer) >= truth)
        if kind(answer) < truth:
            to_spare.append(best_kind(lot.field, lot.field, need, rise, angles, shrink_m=SPARE_M) > kind(answer))
    missed, missed_field = room[2].count(False), room[1].count(False)
    print(
        f"{EXHAUSTIVE_LOTS} lots near the limit: missed {missed} of {len(room[2])} with room for field and reserve, {missed_field} of "
        f"{len(room[1])} with room for a field alone; {sum(to_spare)} of these although they had {SPARE_M} m to spare all round"
    )
    assert len(room[1]) > 0.1 * EXHAUSTIVE_LOTS
    assert 0.2 * EXHAUSTIVE_LOTS < len(room[2]) < 0.8 * EXHAUSTIVE_LOTS
    # In a handful of lots one more may be missed.
    assert missed <= 1 + MOST_MISSED * len(room[2])
    assert missed_field <= 1 + MOST_MISSED * len(room[1])
    assert sum(to_spare) <= 1 + MOST_MISSED_WITH_ROOM_TO_SPARE * EXHAUSTIVE_LOTS


def just_round(layout: Layout, rng: np.random.Generator) -> shapely.Geometry:
    """Hardly more than the rectangle of a layout, in any direction, its outline rough outward as a cut setback may be."""
    wide, deep = layout.length_m + 0.002, layout.depth_m + 0.002
    corners = np.array([[0, 0], [wide, 0], [wide, deep], [0, deep], [0, 0]])
    outline = shapely.segmentize(shapely.LineString(corners), 0.4)
    away = shapely.get_coordinates(outline)[1:-1] - (wide / 2, deep / 2)
    rough = shapely.Polygon(away * (1 + rng.uniform(0, 0.01, (len(away), 1)) * rng.integers(0, 2)))
    return shapely.affinity.rotate(shapely.union(rough, shapely.box(-wide / 2, -deep / 2, wide / 2, deep / 2)), rng.uniform(0, 180))


def test_area_and_disc_never_refuse_a_lot_that_just_holds_a_field():
    rng = np.random.default_rng(27)
    for need in NEEDS:
        for layout in layouts(need, most_layouts=100):
            for _ in range(20):
                assert fit_module.refused_at_once(site(just_round(layout, rng)), need) is None


def test_a_square_that_is_seen_lies_in_the_envelope_and_one_with_room_to_spare_is_seen():
    rng, seen = np.random.default_rng(5), 0
    for _ in range(300):
        side_m, shape = float(rng.uniform(1, 15)), envelope(rng, float(rng.uniform(10, 30)))
        if fitgrid.holds_square(rings_of(shape), side_m, 400):
            seen += 1
            assert not shapely.is_empty(shapely.buffer(shape, -0.495 * side_m))
        else:
            # A disc of this radius holds a square a quarter wider, and that a block of cells wherever the grid lies.
            assert shapely.is_empty(shapely.buffer(shape, -0.9 * side_m, quad_segs=16))
    assert 50 < seen < 290


def test_area_and_disc_refuse_only_lots_that_an_exhaustive_search_finds_no_room_on():
    rng = np.random.default_rng(22)
    refused = {"area": 0, "disc": 0}
    for number in range(600):
        need = NEEDS[number % len(NEEDS)]
        lot = site(strip(rng, need) if number % 2 else envelope(rng, 0.7 * math.sqrt(need.trench_length_m)))
        why = fit_module.refused_at_once(lot, need)
        if why in refused and not shapely.is_empty(lot.field):
            refused[why] += 1
            if refused[why] <= 2:
                assert best_kind(lot.field, lot.field, need, (0.0, 0.0), directions_of(lot.field, (0.0, 0.0))) == 0
    assert min(refused.values()) >= 4


def strip(rng: np.random.Generator, need: FieldNeed) -> shapely.Geometry:
    """Long enough for one trench, and about as wide as the narrowest layout."""
    narrowest_m = min(min(layout.length_m, layout.depth_m) for layout in layouts(need))
    return shapely.affinity.rotate(shapely.box(-50, 0, 50, narrowest_m * rng.uniform(0.93, 1.05)), rng.uniform(0, 180))


def test_what_is_ruled_out_before_a_finer_search_would_not_have_been_found_by_it(monkeypatch):
    rng = np.random.default_rng(23)
    grounds_tried = [terrain(plane(0.03, 1.0), 2.0), terrain(noisy(valley, rng), 2.0)]
    lots = [(site(near_the_limit(rng, NEEDS[0])), grounds_tried[number % 2]) for number in range(16)]
    before = [kind(fit(lot, NEEDS[0], ground, PIPES)) for lot, ground in lots]
    assert {0, 1, 2} == set(before)
    monkeypatch.setattr(fitbound, "worth_trying", lambda *given: given[3])
    assert [kind(fit(lot, NEEDS[0], ground, PIPES)) for lot, ground in lots] == before


# --- turning and shifting the world -------------------------------------------------------------------------------------------------


def same_corners(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether each corner has one of the other set within a centimetre."""
    return len(one) == len(other) and bool(len(one) == 0 or (cdist(one, other).min(axis=1) < 0.01).all())


def drawn(found: Fit, move: Callable[[np.ndarray], np.ndarray] = lambda xy: xy) -> np.ndarray:
    """Corners of all that was placed, moved; in any order, since drawing begins at any corner and with any trench. Shape (n, 2)."""
    placed = found.placement
    if placed is None:
        return np.empty((0, 2))
    shapes = [placed.field, *placed.trenches, *([placed.reserve] if placed.reserve else []), *placed.reserve_trenches]
    return move(shapely.get_coordinates(shapes))


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_world_by_quarters_turns_the_placements_and_nothing_else(quarters: int):
    rng = np.random.default_rng(24)
    ground = terrain(noisy(valley, rng, 0.02), 2.0)
    ground.good[np.kron(rng.random((20, 20)) < 0.05, np.ones((6, 6), bool))] = fitgrid.BAD_GROUND
    turned = replace(
        ground, **{name: np.ascontiguousarray(np.rot90(getattr(ground, name), quarters)) for name in ("elevation_m", "good", "path_m")}
    )
    kinds = set()
    for number in range(60):
        need = NEEDS[number % len(NEEDS)]
        shape = near_the_limit(rng, need)
        outlet = (*rng.uniform(-40, 40, 2), 103.0)
        before = fit(site(shape, outlet=outlet), need, ground, PIPES)
        quarter_turn = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), quarters)
        there = *(quarter_turn @ outlet[:2]), outlet[2]
        after = fit(site(shapely.transform(shape, lambda xy, turn=quarter_turn: xy @ turn.T), outlet=there), need, turned, PIPES)
        kinds.add(kind(before))
        assert same_corners(drawn(before, lambda xy, turn=quarter_turn: (xy - MIDDLE) @ turn.T + MIDDLE), drawn(after)), f"lot {number}"
    assert kinds == {0, 1, 2}


def told(found: Fit) -> str:
    """All of an answer as text, digits and NaN included."""
    return repr((found.decided_by, found.met_unknown_ground, found.placement and vars(found.placement)))


def test_what_searches_of_one_lot_share_changes_none_of_their_answers():
    """Sites read together, ground shared by several sizes, and the choice from another outlet on ground where room was found before."""
    rng = np.random.default_rng(31)
    ground, lots = terrain(noisy(valley, rng, 0.02), 2.0), list(sites(rng, 60))
    starts = [(one.outlet_x_m, one.outlet_y_m, one.outlet_invert_m) for one in lots]
    fields, reserves = (np.array(shapes, object) for shapes in zip(*((one.field, one.reserve) for one in lots), strict=True))
    kinds, moved = set(), 0
    for number, (lot, together) in enumerate(zip(lots, fit_module.sites(fields, reserves, starts), strict=True)):
        assert lot.same == together.same
        shared = SiteGround(together, ground)
        elsewhere = replace(lot, outlet_x_m=lot.outlet_x_m + 25.0, outlet_y_m=lot.outlet_y_m - 40.0, outlet_invert_m=99.0)
        for need in (NEEDS[number % len(NEEDS)], NEEDS[0]):
            first = fit(together, need, ground, PIPES, shared)
            assert told(first) == told(fit(lot, need, ground, PIPES))
            kinds.add(kind(first))
            again = fit(elsewhere, need, ground, PIPES, shared)
            assert told(again) == told(fit(elsewhere, need, ground, PIPES))
            moved += first.placement is not None and again.placement.field != first.placement.field
    assert kinds == {0, 1, 2}
    assert moved > 5


def test_shifting_lot_and_raster_by_whole_cells_shifts_the_placements_and_nothing_else():
    rng = np.random.default_rng(25)
    ground = terrain(noisy(valley, rng, 0.02), 2.0)
    rolled = replace(ground, **{name: np.roll(getattr(ground, name), (-5, 8), (0, 1)) for name in ("elevation_m", "good", "path_m")})
    for number in range(60):
        need = NEEDS[number % len(NEEDS)]
        shape = near_the_limit(rng, need)
        outlet = (*rng.uniform(-40, 40, 2), 103.0)
        before = fit(site(shape, outlet=outlet), need, ground, PIPES)
        after = fit(site(shapely.affinity.translate(shape, 16, 10), outlet=(outlet[0] + 16, outlet[1] + 10, 103.0)), need, rolled, PIPES)
        assert same_corners(drawn(before, lambda xy: xy + np.array([16, 10])), drawn(after)), f"lot {number}"


def test_turning_the_world_by_any_angle_or_shifting_it_by_parts_of_a_cell_rarely_changes_whether_it_fits():
    rng = np.random.default_rng(26)
    changed = {"turned": 0, "shifted": 0}
    for number in range(TURNED_LOTS):
        need = NEEDS[number % 4]
        shape, heights = near_the_limit(rng, need), (plane(0.0, 0.0), plane(0.05, 1.0), cone, valley)[number // 4 % 4]
        angle, (dx, dy) = rng.uniform(0, 2 * math.pi), rng.uniform(-1, 1, 2)
        cosine, sine = math.cos(angle), math.sin(angle)
        before = kind(fit(site(shape), need, terrain(heights, 2.0), PIPES))
        turned = terrain(lambda x, y, z=heights, c=cosine, s=sine: z(x * c + y * s, y * c - x * s), 2.0)
        shifted = terrain(lambda x, y, z=heights, dx=dx, dy=dy: z(x - dx, y - dy), 2.0)
        changed["turned"] += (
            kind(fit(site(shapely.affinity.rotate(shape, math.degrees(angle), origin=(0, 0))), need, turned, PIPES)) != before
        )
        changed["shifted"] += kind(fit(site(shapely.affinity.translate(shape, dx, dy)), need, shifted, PIPES)) != before
    print(f"{TURNED_LOTS} lots near the limit: {changed} change whether field or reserve fit")
    assert changed["turned"] <= 1 + MOST_CHANGED_BY_A_TURN * TURNED_LOTS
    assert changed["shifted"] <= 1 + MOST_CHANGED_BY_A_SHIFT * TURNED_LOTS


# --- one thing at a time ------------------------------------------------------------------------------------------------------------


def test_free_cells_are_exactly_those_wholly_inside_and_touched_ones_those_that_it_meets():
    rng = np.random.default_rng(1)
    west, south = np.meshgrid(np.arange(-21.0, 21.0), np.arange(-21.0, 21.0))
    boxes = shapely.box(west, south, west + 1, south + 1)
    for _ in range(200):
        shape = shapely.convex_hull(shapely.MultiPoint(rng.uniform(-20, 20, (rng.integers(3, 12), 2))))
        shape = shape.difference(shapely.Point(*rng.uniform(-10, 10, 2)).buffer(rng.uniform(1, 6)))
        free, touched = fitgrid.inside_cells(rings_of(shape), -21.0, -21.0, 1.0, 42, 42)
        assert (unpacked(free, 42) == shapely.contains_properly(shape, boxes)).all()
        assert (unpacked(touched, 42) == shapely.intersects(shape, boxes)).all()


def rings_of(shape: shapely.Geometry) -> fitgrid.Rings:
    rings = shapely.get_rings(shapely.get_parts(shape))
    x, y = shapely.get_coordinates(rings).T.copy()
    return fitgrid.Rings(x, y, np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(rings))]).astype(np.int64))


@pytest.mark.parametrize("hole", [False, True])
def test_planes_with_shared_sums_are_those_fitted_one_by_one(hole: bool):
    rng = np.random.default_rng(3)
    z = rng.normal(100, 2, (40, 50)).astype(np.float32)
    if hole:
        z[10:18, 20:31] = np.nan
    found = fitground.fitted_planes(z, -3, -4, 50, 60, 3, 2.0)
    for row, col in np.ndindex(50, 60):
        height, along, down = plane_at(z, row - 3, col - 4, 3, LEAST_KNOWN_SHARE)
        assert found[row, col] == pytest.approx([height, along / 2, -down / 2], abs=1e-9, nan_ok=True)


def test_trenches_run_along_the_contour():
    found = fit(site(shapely.box(-50, -50, 50, 50)), NEED, terrain(plane(0.1, 0.0), 2.0), PIPES).placement
    assert found is not None
    xy = shapely.get_coordinates(found.trenches[0])
    assert 0.1 * (xy[:, 0].max() - xy[:, 0].min()) < 0.3
    assert xy[:, 1].max() - xy[:, 1].min() == pytest.approx(found.layout.length_m, abs=0.5)


def test_no_trench_is_laid_where_the_contour_bends_too_much_for_it():
    # On a cone of 30 percent a straight line 30 m long within 60 m of the top falls by more than the trench may.
    steep = terrain(lambda x, y: 100 - 0.3 * np.hypot(x, y), 2.0)
    found = fit(site(shapely.box(-45, -45, 45, 45)), NEED, steep, PIPES).placement
    assert found is not None and found.layout.length_m < 25


def test_exact_rectangle_is_found_and_a_smaller_one_is_not():
    smallest = min(layouts(NEED), key=lambda option: option.length_m * (2 * option.depth_m + NEED.spacing_m))
    deep = 2 * smallest.depth_m + NEED.spacing_m
    ground = terrain(plane(0.05, math.pi / 2), 2.0)
    for turn in (0.0, 1.0, -2.0):
        roomy = shapely.affinity.rotate(shapely.box(0, 0, smallest.length_m + 0.3, deep + 0.3), turn, origin=(0, 0))
        assert kind(fit(site(roomy), NEED, ground, PIPES)) == 2
    tight = shapely.box(0, 0, smallest.length_m - 0.1, smallest.depth_m - 0.1)
    assert kind(fit(site(tight), NEED, ground, PIPES)) == 0


def test_field_and_reserve_may_lie_in_different_pieces_but_neither_is_split():
    layout = min(layouts(NEED), key=lambda option: option.depth_m)
    piece = shapely.box(0, 0, layout.length_m + 0.5, layout.depth_m + 0.5)
    far = shapely.affinity.translate(piece, 0, 20)
    level = terrain(plane(0.0, 0.0), 2.0)
    both = fit(site(shapely.union(piece, far)), NEED, level, PIPES).placement
    assert both is not None and both.reserve is not None
    assert shapely.distance(both.field, both.reserve) > 10
    halves = shapely.union(shapely.box(0, 0, 14, 60), shapely.box(14.5, 0, 28.5, 60))
    for length_m in (1.0, 0.5):
        small = replace(NEED, trench_length_m=NEED.trench_length_m * length_m)
        found = fit(site(halves), small, level, PIPES).placement
        assert found is not None and shapely.get_num_geometries(shapely.intersection(halves, found.field)) == 1


def test_a_piece_that_just_holds_the_reserve_is_enough():
    layout = min(layouts(NEED), key=lambda option: option.length_m * option.depth_m)
    roomy = shapely.box(0, 0, layout.length_m + 2, layout.depth_m + 2)
    tight = shapely.box(0.43, 20.37, 0.43 + layout.length_m + 0.25, 20.37 + layout.depth_m + 0.25)
    found = fit(site(shapely.union(roomy, tight)), NEED, terrain(plane(0.0, 0.0), 2.0), PIPES)
    assert kind(found) == 2 and found.decided_by == "fine grid"


def test_reserve_goes_into_its_own_envelope_alone():
    level = terrain(plane(0.0, 0.0), 2.0)
    whole, east = shapely.box(-50, -50, 50, 50), shapely.box(10, -50, 50, 50)
    found = fit(site(whole, reserve=east), NEED, level, PIPES).placement
    assert found is not None and found.reserve is not None
    assert shapely.covered_by(found.reserve, here(east))
    for nowhere in (shapely.Polygon(), shapely.box(0, 0, 4, 4)):
        assert kind(fit(site(whole, reserve=nowhere), NEED, level, PIPES)) == 1


def test_reserve_may_be_laid_out_otherwise_than_the_field_where_that_alone_has_room():
    # A long low leg takes few long trenches, a short high one many short ones.
    low, high = shapely.box(0, 0, 31, 10), shapely.box(35, 0, 46, 40)
    found = fit(site(shapely.union(low, high)), NEED, terrain(plane(0.0, 0.0), 2.0), PIPES).placement
    assert found is not None and found.reserve is not None
    assert found.layout != found.reserve_layout


def test_trenches_of_the_reserve_keep_to_the_ground_as_those_of_the_field_do():
    # East of x = 0 a slope that only trenches running north may lie on, and there is only room for trenches running east.
    def east_slope(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 100 + 0.15 * np.maximum(x, 0) + 0.0 * y

    two_flat = shapely.union(shapely.box(-80, 0, -49, 9.4), shapely.box(10, 0, 41, 9.4))
    assert kind(fit(site(two_flat), NEED, terrain(east_slope, 2.0), PIPES)) == 1
    assert kind(fit(site(two_flat), NEED, terrain(plane(0.0, 0.0), 2.0), PIPES)) == 2


def test_bad_ground_is_avoided_and_unknown_ground_is_told():
    ground = terrain(plane(0.01, 0.0), 2.0)
    ground.good[:, 60:] = fitgrid.BAD_GROUND
    lot = site(shapely.box(-60, -60, 60, 60))
    found = fit(lot, NEED, ground, PIPES)
    assert found.placement is not None and not found.met_unknown_ground
    assert shapely.bounds(found.placement.field)[2] <= MIDDLE[0] + ROUNDING_M
    ground.good[:] = fitgrid.UNKNOWN_GROUND
    assert fit(lot, NEED, ground, PIPES) == Fit(None, "grid", True)


def test_ground_of_unknown_height_never_holds_a_field_and_does_when_it_is_asked_whether_it_could():
    ground = terrain(plane(0.01, 0.0), 2.0)
    ground.elevation_m[:] = np.nan
    lot = site(shapely.box(-60, -60, 60, 60))
    assert fit(lot, NEED, ground, PIPES) == Fit(None, "grid", True)
    assert kind(fit(lot, NEED, replace(ground, unknown_is_good=True), PIPES)) == 2
    ground.good[:, 58:] = fitgrid.BAD_GROUND
    assert kind(fit(site(shapely.box(10, -60, 60, 60)), NEED, replace(ground, unknown_is_good=True), PIPES)) == 0


def test_lot_beyond_the_raster_is_unknown_ground():
    lot = site(shapely.box(SIDE_M, 0, SIDE_M + 60, 60))
    assert fit(lot, NEED, terrain(plane(0.0, 0.0), 2.0), PIPES) == Fit(None, "grid", True)


def test_too_little_area_and_too_narrow_lots_are_refused_without_a_search():
    level = terrain(plane(0.0, 0.0), 2.0)
    assert fit(site(shapely.Polygon()), NEED, level, PIPES).decided_by == "area"
    assert fit(site(shapely.box(0, 0, 10, 10)), NEED, level, PIPES).decided_by == "area"
    assert fit(site(shapely.box(-110, 0, 110, 2)), NEED, level, PIPES).decided_by == "disc"


def test_where_no_reserve_is_asked_for_a_field_alone_is_all():
    found = fit(site(shapely.box(0, 0, 31, 11)), replace(NEED, reserve_share=0.0), terrain(plane(0.0, 0.0), 2.0), PIPES)
    assert found.placement is not None and found.placement.reserve is None
    assert found.decided_by == "grid"


# --- the best of many ---------------------------------------------------------------------------------------------------------------


def test_gravity_comes_before_a_longer_path_to_a_well_and_that_before_gentle_ground_and_that_before_a_short_run():
    lot = shapely.box(-55, -40, 55, 40)
    rise = terrain(plane(0.02, 0.0), 2.0)
    # Uphill (east) is far from every well, downhill near one.
    rise.path_m[:, :60] = 40.0
    by_gravity = fit(site(lot, outlet=(0.0, 0.0, 99.4)), NEED, rise, PIPES).placement
    assert by_gravity is not None and by_gravity.lift_m == 0
    assert shapely.centroid(by_gravity.field).x < MIDDLE[0]
    high_outlet = fit(site(lot, outlet=(0.0, 0.0, 110.0)), NEED, rise, PIPES).placement
    assert high_outlet is not None and high_outlet.path_m == math.inf
    assert shapely.bounds(high_outlet.field)[0] >= MIDDLE[0] - 2
    # West gentle, east steep, both far from wells.
    bent = terrain(lambda x, y: 100 + np.where(x < 0, 0.01, 0.1) * x + 0 * y, 2.0)
    gentle = fit(site(lot, outlet=(50.0, 0.0, 120.0)), NEED, bent, PIPES).placement
    assert gentle is not None and gentle.slope_percent < 4 and shapely.centroid(gentle.field).x < MIDDLE[0]
    near = fit(site(lot, outlet=(54.0, 39.0, 110.0)), NEED, terrain(plane(0.0, 0.0), 2.0), PIPES).placement
    assert near is not None and near.run_m < 6.1


def test_lift_is_how_far_the_highest_ground_of_the_field_lies_above_what_arrives():
    uphill_only = site(shapely.box(10, -40, 60, 40), outlet=(-20.0, 0.0, 99.0))
    found = fit(uphill_only, NEED, terrain(plane(0.05, 0.0), 2.0), PIPES).placement
    assert found is not None
    top = 100 + 0.05 * (shapely.bounds(found.field)[2] - MIDDLE[0])
    arrives = 99.0 - PIPES.fall_m_per_m * shapely.distance(found.field, here(shapely.Point(-20, 0)))
    assert found.lift_m == pytest.approx(top - PIPES.depth_m - arrives, abs=0.02)


def test_without_a_house_nothing_is_said_of_lift():
    found = fit(site(shapely.box(-50, -50, 50, 50)), NEED, terrain(plane(0.05, 0.0), 2.0), PIPES).placement
    assert found is not None and math.isnan(found.lift_m)


def test_path_and_slope_are_the_worst_under_the_trenches():
    ground = terrain(lambda x, y: 100 + 0.0008 * x**2 + 0 * y, 2.0)
    ground.path_m[:] = 250.0
    ground.path_m[:, ::2] = 77.0
    found = fit(site(shapely.box(10, -40, 45, 40)), NEED, ground, PIPES).placement
    assert found is not None
    assert found.path_m == pytest.approx(77.0)
    axes = shapely.get_coordinates(found.field)[:, 0] - MIDDLE[0]
    assert found.slope_percent == pytest.approx(100 * 0.0016 * (axes.max() - NEED.trench_width_m / 2), abs=0.2)
