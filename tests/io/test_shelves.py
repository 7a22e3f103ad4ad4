"""Shapes that were put by come back as they were, from memory and from a file that has no name."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import shapely

from geoseptic.errors import DiskFullError
from geoseptic.io import shelves
from geoseptic.io.shelves import Shelf


def mixed(count: int, seed: int) -> np.ndarray:
    """Plain polygons among whatever else cutting may leave: holes, several pieces, nothing, lines, heights."""
    rng = np.random.default_rng(seed)
    discs = shapely.buffer(shapely.points(rng.uniform(0, 1e6, (count, 2))), rng.uniform(1, 50, count), quad_segs=8)
    holed = shapely.difference(discs, shapely.buffer(shapely.centroid(discs), 0.5))
    kinds = [discs, holed, shapely.multipolygons(discs[:, None]), shapely.boundary(discs), shapely.force_3d(discs, 1.5)]
    kinds += [np.full(count, shape, object) for shape in (shapely.Polygon(), shapely.MultiPolygon(), shapely.GeometryCollection())]
    return np.array(kinds, object)[rng.choice(len(kinds), count, p=[0.5, *[0.5 / 7] * 7]), np.arange(count)]


def texts(shapes: np.ndarray) -> list[bytes]:
    return shapely.to_wkb(shapes, output_dimension=3).tolist()


@pytest.mark.parametrize("in_memory_bytes", [1, shelves.IN_MEMORY_BYTES])
def test_shapes_come_back_bit_for_bit_in_any_order_and_leave_no_file(tmp_path, monkeypatch, in_memory_bytes):
    monkeypatch.setattr(shelves, "IN_MEMORY_BYTES", in_memory_bytes)
    monkeypatch.setattr(shelves, "GAP_BYTES", 500)
    with shelves.within(tmp_path):
        shelf = Shelf()
    shapes = mixed(600, 1)
    places = np.concatenate([shelf.put(part) for part in np.split(shapes, [1, 7, 300])])
    rng = np.random.default_rng(2)
    for rows in (np.arange(600), rng.permutation(600), rng.choice(600, 50), rng.choice(600, 900), np.arange(0)):
        assert texts(shelf.take(places[rows])) == texts(shapes[rows])
    assert list(tmp_path.iterdir()) == []
    hashed = shelf.hashed(places)
    assert np.array_equal(hashed.bounds_m, shapely.bounds(shapes), equal_nan=True)
    assert texts(hashed[rows][::-1].shapes) == texts(shapes[rows][::-1])
    assert (hashed.is_empty == shapely.is_empty(shapes)).all()


def test_several_threads_put_and_take_at_once(tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "IN_MEMORY_BYTES", 20_000)
    with shelves.within(tmp_path):
        shelf = Shelf()

    def one(seed: int) -> bool:
        shapes = mixed(80, seed)
        return texts(shelf.take(shelf.put(shapes))) == texts(shapes)

    with ThreadPoolExecutor(4) as pool:
        assert all(pool.map(one, range(40)))


def test_without_a_folder_shapes_stay_in_memory(monkeypatch):
    monkeypatch.setattr(shelves, "IN_MEMORY_BYTES", 1)
    shelf, shapes = Shelf(), mixed(50, 3)
    assert texts(shelf.take(shelf.put(shapes))) == texts(shapes)
    assert not shelf._file._rolled


def test_a_folder_that_takes_nothing_is_told_as_a_full_disk(tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "IN_MEMORY_BYTES", 1)
    with shelves.within(tmp_path / "gone"):
        shelf = Shelf()
    with pytest.raises(DiskFullError, match="gone"):
        shelf.put(mixed(50, 3))
