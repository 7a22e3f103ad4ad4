"""A plane that is made when it is read holds what one that was filled holds."""

import pickle

import numpy as np

from geoseptic.io.keptplanes import MadePlane, Part, made_when_read
from geoseptic.model.planes import ArrayPlane


def doubled(part: Part, more: int):
    return (part.read() * 2 + more,), None


def test_it_is_read_in_parts_whole_and_from_another_process():
    values = np.arange(12, dtype=np.float32).reshape(3, 4)
    plane = made_when_read(ArrayPlane(values), np.float32, doubled, 1)
    assert isinstance(plane, MadePlane)
    for one in (plane, pickle.loads(pickle.dumps(plane))):
        assert np.array_equal(one.read(slice(1, 3), slice(2, 4)), values[1:3, 2:4] * 2 + 1)
        assert np.array_equal(one.array(), values * 2 + 1)
        one.drop()
