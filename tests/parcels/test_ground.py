"""Where a condition of the ground holds round a feature: held against the plain way over the whole raster, and against sampled places."""

import os

import numpy as np
import pytest
import shapely
import shapely.geometry
from affine import Affine
from rasterio import features
from scipy import ndimage

from geoseptic.errors import ParameterError
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import LEVEL_WITHIN_M, Grid
from geoseptic.parcels import ground as ground_module
from geoseptic.parcels.buffers import outward
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.groundcells import outlines
from geoseptic.terrain import flowpath
from tests.parcels.worlds import FT, ground_of, objects, plane

FEATURES = int(os.environ.get("GEOSEPTIC_FEATURES", "12"))
"""Random features of each distance that are compared with the plain way; 25 in a long trial."""


def rough_ground(seed: int, cell_m: float = 1.0, holes: int = 2, radius_m: float = 6.13) -> Ground:
    """Hills with hollows and a general fall, and blocks of cells without a height."""
    rng = np.random.default_rng(seed)
    rows, cols = 70, 90
    heights = ndimage.gaussian_filter(rng.normal(size=(rows, cols)), 4) * 12 + rng.normal(size=(rows, cols)) * 0.02
    heights += 300 + cell_m * (rng.normal(0, 0.03) * np.arange(rows)[:, None] + rng.normal(0, 0.03) * np.arange(cols))
    for _ in range(holes):
        row, col = rng.integers(0, rows - 6), rng.integers(0, cols - 9)
        heights[row : row + rng.integers(1, 6), col : col + rng.integers(1, 9)] = np.nan
    return ground_of(heights.astype(np.float32), Affine(cell_m, 0, 5000, 0, -cell_m, 9000 + rows * cell_m), radius_m)


def cells_of(grid: Grid) -> Geometries:
    row, col = np.mgrid[: grid.shape[0], : grid.shape[1]]
    to_m = grid.transform_m
    return shapely.box(to_m.c + col * to_m.a, to_m.f + (row + 1) * to_m.e, to_m.c + (col + 1) * to_m.a, to_m.f + row * to_m.e)


def window_of(grid: Grid, bounds_m: np.ndarray) -> tuple[slice, slice] | None:
    """Rows and columns of the cells that the bounds enter."""
    cells, wanted = cells_of(grid), shapely.box(*bounds_m)
    row, col = np.nonzero(shapely.intersects(cells, wanted) & ~shapely.touches(cells, wanted))
    return (slice(row.min(), row.max() + 1), slice(col.min(), col.max() + 1)) if len(row) else None


def outlined(mask: np.ndarray, transform: Affine) -> shapely.Geometry:
    found = features.shapes(mask.astype(np.uint8), mask, connectivity=4, transform=transform) if mask.any() else ()
    return shapely.union_all([shapely.Polygon(), *(shapely.geometry.shape(shape) for shape, _ in found)])


def plain_drainage(ground: Ground, shape: shapely.Geometry, distance_m: float, error_m: float) -> tuple[shapely.Geometry, shapely.Geometry]:
    """The plain way: one walk upward over the whole raster for this feature alone."""
    grid = ground.elevation.grid
    wanted = shapely.box(*shapely.bounds(outward(shape, distance_m + error_m)))
    window = window_of(grid, shapely.bounds(wanted))
    if window is None:
        return shapely.Polygon(), wanted
    target = shapely.distance(cells_of(grid), shape) <= max(ground.well_radius_m, error_m)
    start_m = np.where(target, np.float32(0), np.float32(np.inf))
    label = np.where(target, 0, -1).astype(np.int32)
    reached_m, _ = flowpath.path_distance(ground.receivers.array(), start_m, label, grid.cell_size_m, ground_module.PATH_M)
    holds = np.isfinite(reached_m[window])
    edge = np.where(ground.edge.array(), np.float32(0), np.float32(np.inf))
    off_m, _ = flowpath.path_distance(
        ground.receivers.array(), edge, np.where(ground.edge.array(), 0, -1).astype(np.int32), grid.cell_size_m, ground_module.PATH_M
    )
    unknown = (np.isfinite(off_m[window]) | np.isnan(ground.elevation.values[window])) & ~holds
    transform = grid.transform_m @ Affine.translation(window[1].start, window[0].start)
    covered = shapely.box(*shapely.total_bounds(cells_of(grid)[window]))
    return outlined(holds, transform), shapely.union(outlined(unknown, transform), shapely.difference(wanted, covered))


def plain_higher(ground: Ground, shape: shapely.Geometry, distance_m: float, sign: int) -> tuple[shapely.Geometry, shapely.Geometry]:
    """The plain way for a feature whose place is known: each cell against the nearest cell of the feature."""
    grid = ground.elevation.grid
    window = window_of(grid, shapely.bounds(outward(shape, distance_m)))
    assert window is not None
    height_m = ground.elevation.values.astype(np.float64)
    at_feature = features.rasterize([shape], grid.shape, transform=grid.transform_m, all_touched=True, dtype="uint8").astype(bool)
    _, (row, col) = ndimage.distance_transform_edt(~at_feature, return_indices=True)
    above_m = (sign * (height_m - height_m[row, col]))[window]
    transform = grid.transform_m @ Affine.translation(window[1].start, window[0].start)
    return outlined(above_m >= -LEVEL_WITHIN_M, transform), outlined(np.isnan(above_m), transform)


def random_feature(rng: np.random.Generator, grid: Grid) -> shapely.Geometry:
    left, bottom, right, top = grid.bounds_m
    x, y = rng.uniform(left - 15, right + 15), rng.uniform(bottom - 15, top + 15)
    kind = rng.integers(0, 8)
    if kind == 0:
        return shapely.box(x, y, x + rng.uniform(1, 45), y + rng.uniform(1, 45))
    if kind == 1:
        return shapely.LineString([(x, y), (x + rng.uniform(-20, 20), y + rng.uniform(-20, 20))])
    if kind == 2:
        return shapely.Point(np.round(x), np.round(y))  # on a corner of cells
    if kind == 3:  # a lot with a hole so wide that its middle is far from the lot
        return shapely.box(x - 22, y - 22, x + 22, y + 22).difference(shapely.box(x - 17, y - 17, x + 17, y + 17))
    if kind == 4:
        bend = shapely.LineString([(x, y), (x + 9, y + 4), (x + 9, y - 6)])
        return shapely.GeometryCollection([shapely.box(x + 12, y, x + 16, y + 3.3), bend, shapely.Point(x - 14, y)])
    return shapely.Point(x, y)


# ---------------------------------------------------------------------------------------------------------------- drainage path


@pytest.mark.parametrize(
    ("seed", "cell_m", "path_m", "radius_m"),
    [(1, 1.0, 304.8, 6.13), (2, 1.0, 25.0, 6.13), (3, 2.0, 60.0, 0.27), (4, 0.7, 12.0, 2.57), (5, 1.0, 40.0, 0.13)],
)
def test_ground_that_drains_to_a_feature_is_as_the_plain_way_finds_it(monkeypatch, seed, cell_m, path_m, radius_m):
    monkeypatch.setattr(ground_module, "PATH_M", path_m)
    ground = rough_ground(seed, cell_m=cell_m, radius_m=radius_m)
    rng = np.random.default_rng(seed + 100)
    some = {"holds": 0, "unknown": 0}
    for distance_m in (3.0, 12.0, 30.0):
        shapes = objects([random_feature(rng, ground.elevation.grid) for _ in range(FEATURES)])
        error_m = rng.choice([0.0, 2.0, 9.57], len(shapes))
        found = ground.regions("drainage_path", shapes, distance_m, error_m)
        for shape, error, holds, unknown in zip(shapes, error_m, *found, strict=True):
            plain_holds, plain_unknown = plain_drainage(ground, shape, distance_m, float(error))
            assert shapely.is_valid(holds) and shapely.is_valid(unknown)
            assert shapely.symmetric_difference(holds, plain_holds).area < 1e-9, shape.wkt
            assert shapely.symmetric_difference(unknown, plain_unknown).area < 1e-6, shape.wkt
            some["holds"] += holds.area > 0
            some["unknown"] += unknown.area > 0
    assert min(some.values()) >= FEATURES // 2


def test_outline_of_cells_is_that_of_the_rasterizer_whatever_their_pattern():
    rng = np.random.default_rng(7)
    masks = [rng.random(rng.integers(1, 12, 2)) < rng.uniform(0, 1.1) for _ in range(400)]
    boxes = np.array([[3, 3 + mask.shape[0], 8, 8 + mask.shape[1]] for mask in masks])
    transform = Affine(2, 0, 400_000, 0, -2, 4_700_000)
    found = outlines(np.concatenate([mask.ravel() for mask in masks]).astype(np.uint8), boxes, 1, transform)
    assert shapely.is_valid(found).all()
    for mask, shape in zip(masks, found, strict=True):
        wanted = outlined(mask, transform @ Affine.translation(8, 3))
        assert shapely.symmetric_difference(shape, wanted).area == 0
        assert shape.area == 4 * mask.sum()


def test_several_threads_find_what_one_finds(monkeypatch):
    monkeypatch.setattr(ground_module, "CHUNK", 4)
    rng = np.random.default_rng(8)
    one, two = rough_ground(6), rough_ground(6)
    shapes = objects([random_feature(rng, one.elevation.grid) for _ in range(30)])
    for condition in ("drainage_path", "feature_downslope"):
        first = one.regions(condition, shapes, 20.0, np.full(30, 2.0), workers=1)
        second = two.regions(condition, shapes, 20.0, np.full(30, 2.0), workers=3)
        assert [shape.wkb for part in first for shape in part] == [shape.wkb for part in second for shape in part]


def test_what_was_asked_before_is_not_walked_again(monkeypatch):
    ground = plane(falls_east=0.1, side=80)
    wells = objects([shapely.Point(40.2, 40.3), shapely.Point(20.2, 40.3)])
    first = ground.regions("drainage_path", wells, 20.0, np.zeros(2))
    monkeypatch.setattr(Ground, "_drains_to", None)
    again = ground.regions("drainage_path", wells[::-1], 20.0, np.zeros(2))
    assert [shape.wkb for shape in again[0]] == [shape.wkb for shape in first[0][::-1]]
    with pytest.raises(TypeError):  # another distance is another question
        ground.regions("drainage_path", wells, 21.0, np.zeros(2))


def test_condition_that_the_ground_does_not_settle_is_refused():
    with pytest.raises(ParameterError, match="'coarse_gravel' does not follow from the ground"):
        plane().regions("coarse_gravel", objects([shapely.Point(10, 10)]), 5.0, np.zeros(1))


@pytest.mark.parametrize("lost", ["a hole in the data", "the end of the data"])
def test_ground_whose_water_leaves_the_data_beyond_the_ring_may_drain_to_the_well(lost):
    # A well 30 m west of a ridge; the ground east of the ridge falls away from it, and 70 m on the heights end.
    heights = (500 - 0.05 * np.abs(np.arange(400) - 130) + np.zeros((240, 1))).astype(np.float32)
    heights[:, 200:210] = np.nan if lost == "a hole in the data" else heights[:, 200:210]
    ground = ground_of(heights if lost == "a hole in the data" else heights[:, :200], Affine(1, 0, 0, 0, -1, 240), 5.0)
    holds, unknown = side_of(ground, "drainage_path", shapely.Point(100.5, 120.5), 200 * FT)
    beyond, before = shapely.box(135, 80, 160, 160), shapely.box(101, 119, 125, 122)
    assert unknown.covers(beyond) and holds.intersection(beyond).area == 0
    assert holds.covers(before)


def test_where_water_leaves_the_data_is_found_once_and_only_for_paths(monkeypatch):
    asked = []
    monkeypatch.setattr(ground_module, "leaves_within", lambda *given: asked.append(given) or flowpath.leaves_within(*given))
    monkeypatch.setattr(ground_module, "CHUNK", 2)
    ground = plane(falls_east=0.1, side=80)
    wells = objects([shapely.Point(10.2 + 5 * place, 40.3) for place in range(8)])
    ground.regions("feature_upslope", wells, 20.0, np.zeros(8))
    assert not asked
    ground.regions("drainage_path", wells, 20.0, np.zeros(8), workers=2)
    ground.regions("drainage_path", wells, 30.0, np.zeros(8), workers=2)
    assert len(asked) == 1


# ------------------------------------------------------------------------------------------------------------ upslope, downslope


def side_of(ground: Ground, condition: str, shape: shapely.Geometry, distance_m: float, error_m: float = 0.0):
    (holds,), (unknown,) = ground.regions(condition, objects([shape]), distance_m, np.array([error_m]))
    return holds, unknown


@pytest.mark.parametrize("condition", ["feature_downslope", "feature_upslope"])
def test_bench_that_is_level_but_for_the_noise_of_the_survey_counts_as_either_side(condition):
    # Heights 7 cm up or down: half of the bench would read as the side that a shorter distance is for.
    rng = np.random.default_rng(4)
    ground = ground_of((300 + rng.choice([-0.07, 0.07], (120, 120))).astype(np.float32), Affine(1, 0, 0, 0, -1, 120))
    holds, unknown = side_of(ground, condition, shapely.LineString([(60.5, 20), (60.5, 100)]), 15.0)
    assert holds.covers(shapely.box(46, 20, 75, 100)) and unknown.area == 0


@pytest.mark.parametrize("condition", ["feature_downslope", "feature_upslope"])
def test_ground_more_than_the_noise_below_or_above_is_on_one_side_alone(condition):
    # Steps of 0.29 and 0.31 m from the feature's cells, on either side of the band.
    col = np.arange(120)
    heights = 300 + np.select([col < 40, col < 60, col > 80, col > 60], [0.31, 0.29, -0.31, -0.29], 0.0) + np.zeros((120, 1))
    ground = ground_of(heights.astype(np.float32), Affine(1, 0, 0, 0, -1, 120))
    holds, unknown = side_of(ground, condition, shapely.LineString([(60.5, 40), (60.5, 80)]), 30.0)
    above, either, below = shapely.box(31, 40, 40, 80), shapely.box(40, 40, 81, 80), shapely.box(81, 40, 90, 80)
    assert holds.covers(either) and unknown.area == 0
    assert holds.covers(above) == (condition == "feature_downslope")
    assert holds.covers(below) == (condition == "feature_upslope")
    assert holds.intersection(below if condition == "feature_downslope" else above).area == 0


@pytest.mark.parametrize(("condition", "sign"), [("feature_downslope", 1), ("feature_upslope", -1)])
def test_ground_above_or_below_a_placed_feature_is_as_the_plain_way_finds_it(condition, sign):
    ground = rough_ground(11, holes=0)
    rng = np.random.default_rng(12)
    left, bottom, right, top = ground.elevation.grid.bounds_m
    for _ in range(30):
        ends = np.column_stack([rng.uniform(left + 20, right - 20, 2), rng.uniform(bottom + 20, top - 20, 2)])
        shape = shapely.LineString(ends) if rng.random() < 0.7 else shapely.box(*ends.min(0), *ends.max(0))
        for part, wanted in zip(side_of(ground, condition, shape, 9.0), plain_higher(ground, shape, 9.0, sign), strict=True):
            assert shapely.symmetric_difference(part, wanted).area < 1e-9


@pytest.mark.parametrize("condition", ["feature_downslope", "feature_upslope"])
def test_beside_a_stretch_of_the_feature_without_a_height_neither_side_is_known(condition):
    # A drain runs north over a plane that falls east; 30 m of it lie on cells without a height.
    heights = plane(falls_east=0.1).elevation
    values = heights.values.copy()
    values[100:130, 119:122] = np.nan
    ground = ground_of(values, heights.grid.transform)
    drain = shapely.LineString([(120.5, 60), (120.5, 180)])
    holds, unknown = side_of(ground, condition, drain, 9.0)
    for beside in (shapely.box(112, 115, 118, 135), shapely.box(123, 115, 129, 135)):
        assert unknown.covers(beside) and holds.intersection(beside).area == 0
    uphill, downhill = shapely.box(112, 150, 118, 170), shapely.box(123, 150, 129, 170)
    assert unknown.intersection(shapely.union(uphill, downhill)).area == 0
    assert holds.covers(uphill) == (condition == "feature_downslope")
    assert holds.covers(downhill) == (condition == "feature_upslope")


@pytest.mark.parametrize("condition", ["feature_downslope", "feature_upslope"])
def test_beside_a_feature_that_runs_off_the_data_neither_side_is_known(condition):
    # The ditch comes in over the western edge of the data at its southern end; farther north its nearest point lies outside.
    ground = plane(falls_east=0.1, origin=(0, 0))
    ditch = shapely.LineString([(-40, 150), (-3.5, 120), (-3.5, 90), (30, 60)])
    holds, unknown = side_of(ground, condition, ditch, 9.0)
    beside = shapely.box(0, 95, 4, 118)
    assert unknown.covers(beside) and holds.intersection(beside).area == 0


@pytest.mark.parametrize(("condition", "sign"), [("feature_downslope", 1), ("feature_upslope", -1)])
def test_side_of_a_feature_whose_place_is_rough_is_told_only_where_every_place_gives_the_same(condition, sign):
    rng = np.random.default_rng(13)
    told = {"holds": 0, "no": 0, "unknown": 0}
    for seed in range(6):
        ground = rough_ground(seed + 20, holes=1)
        grid = ground.elevation.grid
        left, bottom, right, top = grid.bounds_m
        place, error_m = np.array([rng.uniform(left, right), rng.uniform(bottom, top)]), float(rng.choice([1.0, 4.0, 8.5]))
        holds, unknown = side_of(ground, condition, shapely.Point(place), 15.0, error_m)
        angle, away = rng.uniform(0, 2 * np.pi, 400), error_m * np.sqrt(rng.uniform(0, 1, 400))
        col, row = ~grid.transform_m @ (place[0] + away * np.cos(angle), place[1] + away * np.sin(angle))
        inside = (row >= 0) & (col >= 0) & (row < grid.shape[0]) & (col < grid.shape[1])
        at_well_m = ground.elevation.values[row[inside].astype(int), col[inside].astype(int)]
        near = shapely.centroid(cells_of(grid))
        for (r, c), middle in np.ndenumerate(near):
            if shapely.distance(middle, shapely.Point(place)) > 15.0 + error_m:
                continue
            above_m = sign * (ground.elevation.values[r, c] - at_well_m)
            if holds.covers(middle):
                assert inside.all() and (above_m >= -LEVEL_WITHIN_M).all()
                told["holds"] += 1
            elif not unknown.covers(middle):
                assert inside.all() and (above_m < -LEVEL_WITHIN_M).all()
                told["no"] += 1
            else:
                told["unknown"] += 1
    assert min(told.values()) > 100


def test_side_of_a_well_placed_to_the_metre_is_open_only_beside_it():
    # Falls east by a tenth; a well known to 10 m: ground within 10 m east and west may lie either side of it. Ground less than the noise
    # below it, 3 m farther east, counts as above.
    ground = plane(falls_east=0.1)
    _, unknown = side_of(ground, "feature_downslope", shapely.Point(120.5, 120.5), 100 * FT, 10.0)
    assert unknown.covers(shapely.box(114.5, 100, 132.5, 140))
    assert unknown.intersection(shapely.union(shapely.box(85, 100, 112, 140), shapely.box(135, 100, 155, 140))).area == 0


@pytest.mark.parametrize("seed", range(4))
def test_bands_of_rows_change_nothing_of_where_water_leaves_the_data(seed, monkeypatch):
    monkeypatch.setattr(ground_module, "PATH_M", 25.0)
    whole = rough_ground(seed).leaves
    monkeypatch.setattr(ground_module, "BAND_ROWS", 9)
    assert 0 < whole.sum() < whole.size
    assert np.array_equal(rough_ground(seed).leaves, whole)
