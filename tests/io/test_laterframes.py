"""Shapes of a layer that are made when somebody looks at them are those that were meant, however the layer is cut."""

import numpy as np
import pytest
import shapely
from geopandas import GeoDataFrame

from geoseptic.io.digests import Hashed, digest
from geoseptic.io.laterframes import LaterShapes
from geoseptic.model.frame import Frame

FRAME = Frame.of("EPSG:2285", "a layer")  # in feet


def as_they_are(shapes: np.ndarray) -> np.ndarray:
    return shapes


def middles(shapes: np.ndarray) -> np.ndarray:
    return shapely.centroid(shapes)


def test_only_the_rows_that_are_looked_at_are_made():
    shapes, made = shapely.points(np.arange(10.0), 0.0), []

    def make(rows: np.ndarray) -> np.ndarray:
        made.extend(rows.tolist())
        return shapes[rows]

    later = Hashed(np.arange(10), make, lambda: Hashed.of(shapes).hashes, lambda: shapely.bounds(shapes))
    frame = GeoDataFrame({"name": list("abcdefghij")}, geometry=LaterShapes(later, as_they_are, FRAME), crs=FRAME.crs)
    few = frame.iloc[[7, 2]].reset_index(drop=True).copy()
    assert made == [] and isinstance(few.geometry.values, LaterShapes)
    assert np.array_equal(shapely.get_x(np.asarray(few.geometry.values, object)), shapely.get_x(FRAME.from_metres(shapes[[7, 2]])))
    assert made == [7, 2]
    with pytest.raises(TypeError, match="follow from others"):
        frame.geometry.values[0] = shapes[1]


def test_what_the_shapes_follow_from_is_in_their_hash():
    later, other = (Hashed.of(shapely.points([1.0, x], 0.0)) for x in (2.0, 3.0))
    metres = Frame.of("EPSG:32610", "a layer")
    columns = (later, as_they_are, FRAME), (later[[1, 0]], as_they_are, FRAME), (later, middles, FRAME), (later, as_they_are, metres)
    assert len({digest(LaterShapes(*given)) for given in (*columns, (other, as_they_are, FRAME))}) == 5
    assert digest(LaterShapes(later, as_they_are, FRAME)) == digest(LaterShapes(Hashed.joined([later[:1], later[1:]]), as_they_are, FRAME))
