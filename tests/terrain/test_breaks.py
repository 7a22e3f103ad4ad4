"""Straight steps across a raster are found to the centimetre; slopes, cliffs, terraces and rough ground are not."""

import numpy as np
import pytest
from scipy import ndimage

from geoseptic.model.planes import ArrayPlane
from geoseptic.terrain.breaks import breaks


def rough(rows: int = 300, cols: int = 500) -> np.ndarray:
    ground = ndimage.gaussian_filter(np.random.default_rng(2).normal(0, 1, (rows, cols)), 5)
    down, across = np.mgrid[:rows, :cols]
    return (400 + 60 * ground - 0.5 * down + 0.2 * across).astype(np.float32)


def found(heights_m: np.ndarray) -> list[tuple[bool, int, float]]:
    return [(one.upright, one.line, round(one.step_m, 1)) for one in breaks(ArrayPlane(heights_m))]


@pytest.mark.parametrize("step_m", [1.0, -1.0, 30.0])
def test_a_step_across_all_of_a_raster_is_found_in_its_place(step_m: float):
    rows, cols = rough(), rough()
    rows[120:] += step_m
    cols[:, 77:] += step_m
    cols[:100] = np.nan
    both = rough()
    both[:, 2:] += step_m
    both[-2:] += step_m
    assert found(rows) == [(False, 120, step_m)]
    assert found(cols) == [(True, 77, step_m)]
    assert found(both) == [(False, 298, step_m), (True, 2, step_m)]


def test_feet_beside_metres_are_found():
    heights = rough()
    heights[:, 250:] /= np.float32(0.3048)
    assert [(one[:2], one[2] > 800) for one in found(heights)] == [((True, 250), True)]


def test_ground_has_no_such_steps():
    cliff = rough()
    cliff[200:, :200] += 50
    terraces = np.repeat(np.repeat(np.arange(60, dtype=np.float32), 5)[:, np.newaxis], 400, axis=1)
    whole_metres = np.round(np.mgrid[:300, :400][0] * 0.28).astype(np.float32)
    steep = rough() * 20
    few = rough()
    few[:, 15:] = np.nan
    few[150:] += 5
    for ground in (rough(), cliff, terraces, whole_metres, steep, few, np.full((3, 3), 1, np.float32), np.full((9, 9), np.nan, np.float32)):
        assert found(ground) == []
