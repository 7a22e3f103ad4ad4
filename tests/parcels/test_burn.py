"""Every cell that a shape touches is burnt: held against exact geometry, cell by cell."""

import numpy as np
import pytest
import shapely
from affine import Affine

from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Grid
from geoseptic.parcels.burn import GROWN_CELLS, centred, numbered, touched
from tests.parcels.worlds import nasty_polygon

PLACES = ((0.0, 60.0, 1.0), (429_252.313370022, 5_150_885.424942633, 1.0), (500_000.1, 4e6 + 0.3, 2.0), (0.0, 18.0, 0.3))
SIDE = 60


def grid(left: float = 0.0, top: float = float(SIDE), cell: float = 1.0, side: int = SIDE, crs: str = "EPSG:26915") -> Grid:
    return Grid.of((side, side), Affine(cell, 0, left, 0, -cell, top), crs, "elevation")


def cells_of(place: Grid) -> Geometries:
    """Every cell as an exact box in metres, shape `place.shape`."""
    row, col = np.mgrid[: place.shape[0], : place.shape[1]]
    to_m = place.transform_m
    return shapely.box(to_m.c + col * to_m.a, to_m.f + (row + 1) * to_m.e, to_m.c + (col + 1) * to_m.a, to_m.f + row * to_m.e)


def entered(cells: Geometries, shape: shapely.Geometry) -> np.ndarray:
    """Cells whose inside the shape enters."""
    return shapely.intersects(cells, shape) & ~shapely.touches(cells, shape)


def random_shape(rng: np.random.Generator, kind: int, left: float, top: float, cell: float) -> shapely.Geometry:
    at = np.array([left, top]) + rng.uniform(5, 55, 2) * (cell, -cell)
    if kind == 0:
        return shapely.Point(at).buffer(rng.uniform(0.05, 10) * cell, quad_segs=16)
    if kind == 1:  # smaller than a cell
        return shapely.convex_hull(shapely.MultiPoint(at + rng.normal(0, 0.2, (5, 2)) * cell))
    if kind == 2:  # a line across the raster
        return shapely.LineString(np.array([left, top]) + rng.uniform(-5, 65, (3, 2)) * (cell, -cell))
    if kind == 3:  # a hairline through the corner of a cell, at any angle
        corner = np.array([left, top]) + rng.integers(5, 55, 2) * (cell, -cell) + rng.uniform(-1, 1, 2) * cell * 10 ** rng.uniform(-6, -2)
        angle = rng.uniform(0, 2 * np.pi)
        along = np.array([np.cos(angle), np.sin(angle)]) * cell
        hairline = shapely.LineString([corner - along * rng.uniform(0.1, 4), corner + along * rng.uniform(0.1, 4)])
        return hairline.buffer(cell * 10 ** rng.uniform(-5, -1.5))
    if kind == 4:  # nearly along the edges of cells, a hair over them
        left_m, top_m = np.array([left, top]) + rng.integers(5, 30, 2) * (cell, -cell)
        right_m, bottom_m = left_m + rng.integers(1, 20) * cell, top_m - rng.integers(1, 20) * cell
        return shapely.box(left_m, bottom_m, right_m, top_m).buffer(cell * 10 ** rng.uniform(-5, -2), join_style="mitre")
    return nasty_polygon(rng, rng.uniform(0.3, 20) * cell, (float(at[0]), float(at[1])))


def test_every_cell_that_a_random_shape_enters_is_burnt_and_none_afar():
    rng = np.random.default_rng(11)
    for number in range(900):
        place = PLACES[number % len(PLACES)]
        if number < len(PLACES):
            grids = {where: grid(*where) for where in PLACES}
            boxes = {where: cells_of(grids[where]) for where in PLACES}
        shape = random_shape(rng, number % 6, *place)
        burnt = touched([shape], grids[place])
        missed = entered(boxes[place], shape) & ~burnt
        assert not missed.any(), (number, np.argwhere(missed), shape.wkt)
        # Grown with square corners: no farther than the diagonal of what it is grown by; a spike up to its mitre limit.
        assert (shapely.distance(boxes[place][burnt], shape) <= 5 * GROWN_CELLS * place[2]).all()


@pytest.mark.parametrize("over_cells", [0.5, 0.1, 0.02, 0.005, 1e-3, 1e-4, 1e-5])
def test_cell_is_burnt_however_little_a_shape_reaches_into_it(over_cells):
    shape = shapely.box(5 - over_cells, 5 - over_cells, 8 + over_cells, 8 + over_cells)
    burnt = touched([shape], grid())
    assert burnt[60 - 9 : 60 - 4, 4:9].all()
    assert burnt.sum() == 25


@pytest.mark.parametrize(
    ("from_xy", "to_xy", "cells"),
    [
        # A tenth of a degree off the edge between two rows: the rasterizer alone leaves out the row that the line rises into.
        ((1.644206, 11.995806), (5.756434, 12.003203), [(47, 3), (47, 4), (48, 2)]),
        ((9.515003, 2.994519), (15.446827, 3.003776), [(56, 13), (56, 14), (57, 10)]),
        ((4.006290, 9.331685), (3.997025, 13.871209), [(49, 4), (47, 3), (46, 3)]),
    ],
)
def test_line_nearly_along_the_edge_of_cells_burns_the_cells_on_both_sides(from_xy, to_xy, cells):
    place = grid()
    shape = shapely.LineString([from_xy, to_xy])
    assert all(entered(cells_of(place), shape)[cell] for cell in cells)
    burnt = touched([shape], place)
    assert all(burnt[cell] for cell in cells)


def test_shape_smaller_than_a_cell_burns_its_cell():
    place = grid(cell=10.0, top=600.0)
    burnt = touched([shapely.Point(123.0, 456.0).buffer(0.01)], place)
    assert np.argwhere(burnt).tolist() == [[14, 12]]
    assert not centred([shapely.Point(123.0, 456.0).buffer(0.01)], place).any()


def test_point_and_line_burn_their_cells():
    place = grid()
    assert np.argwhere(touched([shapely.Point(3.5, 56.5)], place)).tolist() == [[3, 3]]
    assert np.argwhere(touched([shapely.LineString([(3.5, 56.5), (5.5, 56.5)])], place)).tolist() == [[3, 3], [3, 4], [3, 5]]


def test_several_shapes_burn_the_union_of_their_cells():
    rng = np.random.default_rng(4)
    place = grid()
    shapes = [random_shape(rng, number % 6, 0.0, 60.0, 1.0) for number in range(24)]
    each = np.logical_or.reduce([touched([shape], place) for shape in shapes])
    assert np.array_equal(touched(shapes, place), each)


def test_how_many_polygons_are_handed_over_at_a_time_changes_nothing(monkeypatch):
    rng = np.random.default_rng(6)
    place = grid()
    shapes = [random_shape(rng, number % 6, 0.0, 60.0, 1.0) for number in range(24)]
    whole = touched(shapes, place), centred(shapes, place)
    monkeypatch.setattr("geoseptic.parcels.burn.CHUNK", 5)
    assert np.array_equal(whole, (touched(shapes, place), centred(shapes, place)))


def test_centred_burns_the_cells_whose_middle_lies_inside():
    rng = np.random.default_rng(5)
    place = grid()
    middles = shapely.centroid(cells_of(place))
    for _ in range(60):
        shape = nasty_polygon(rng, rng.uniform(1, 25), tuple(rng.uniform(10, 50, 2)))
        clear = shapely.distance(middles, shape.boundary) > 1e-6
        assert np.array_equal(centred([shape], place)[clear], shapely.contains(shape, middles)[clear])


def test_nothing_to_burn_burns_nothing():
    place = grid()
    for nothing in ([], np.empty(0, object), [shapely.Polygon()], [None, shapely.Polygon()], [shapely.box(-90, -90, -80, -80)]):
        assert not touched(nothing, place).any()
        assert touched(nothing, place).shape == place.shape


def test_shapes_are_in_metres_where_the_raster_is_in_feet():
    # 100 cells of 10 ft; the shape is 30.48 m (100 ft) east and south of the corner.
    place = grid(left=1_000_000, top=200_000, cell=10.0, side=100, crs="EPSG:2992")
    left_m, _, _, top_m = place.bounds_m
    burnt = touched([shapely.Point(left_m + 31.0, top_m - 31.0)], place)
    assert np.argwhere(burnt).tolist() == [[10, 10]]


def test_numbered_cells_are_those_that_the_shape_touches_and_the_first_of_several_shapes_keeps_its_cells():
    rng = np.random.default_rng(12)
    left, top, cell = PLACES[1]
    shapes = np.empty(30, object)
    shapes[:] = [random_shape(rng, int(kind), left, top, cell) for kind in rng.integers(0, 4, 30)]
    shapes[3] = shapely.Polygon()
    place = grid(left, top, cell)
    expected = np.full(place.shape, -1)
    for number in reversed(range(30)):
        expected[touched(shapes[number : number + 1], place)] = number
    found = numbered(shapes, place)
    assert np.array_equal(found, expected)
    assert len(np.unique(found)) > 10
    assert (numbered(shapes[3:4], place) == -1).all()
