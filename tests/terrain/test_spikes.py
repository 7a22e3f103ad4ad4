"""Cells that stand off from the ground round them are found, ground as steep as ground is is not, and windows change nothing."""

import numpy as np
import pytest
from affine import Affine

from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid, Raster
from geoseptic.processes import plausible_ground
from geoseptic.terrain import windows
from geoseptic.terrain.spikes import spikes

CELL_M = 4.0


def hillside(side: int = 40) -> np.ndarray:
    row, col = np.mgrid[:side, :side]
    return (300 + 0.4 * row + 0.3 * col + np.sin(col / 3)).astype(np.float32)


@pytest.mark.parametrize("cells", [[(9, 9)], [(0, 0)], [(9, 9), (9, 10)], [(9, 9), (9, 10), (10, 9)], [(20, 39)]])
@pytest.mark.parametrize("height_m", [8848.0, 380.5, -200.0])
def test_up_to_three_cells_that_stand_off_are_found_and_none_beside_them(cells: list[tuple[int, int]], height_m: float):
    ground = hillside()
    for cell in cells:
        ground[cell] = height_m
    assert sorted(zip(*(axis.tolist() for axis in np.nonzero(spikes(ground, CELL_M))), strict=True)) == sorted(cells)


def test_cliffs_ridges_and_the_edge_of_the_known_ground_are_ground():
    cliff = hillside()
    cliff[:, 20:] += 200
    ridge = hillside()
    ridge[15:17] += 100
    holed = hillside()
    holed[10:20, 10:20] = np.nan
    for ground in (cliff, ridge, holed, np.full((5, 5), np.nan, np.float32)):
        assert not spikes(ground, CELL_M).any()


def test_of_large_cells_more_is_asked():
    ground = np.full((5, 5), 100, np.float32)
    ground[2, 2] = 180
    assert spikes(ground, 20.0).any() and not spikes(ground, 30.0).any()


def test_count_places_and_words_do_not_depend_on_the_windows(monkeypatch: pytest.MonkeyPatch):
    ground = hillside()
    for cell in ((7, 8), (8, 8), (15, 16), (31, 0)):
        ground[cell] = 8848.0
    raster = Raster(ground, Grid(ground.shape, Affine(CELL_M, 0, 500_000, 0, -CELL_M, 5_200_000), Frame.of("EPSG:26910", "elevation")))
    whole = plausible_ground.lone_heights(raster)
    monkeypatch.setattr(windows, "SIDE_CELLS", 8)
    parted = plausible_ground.lone_heights(raster)
    assert whole.numbers == parted.numbers == {"cells": 4.0} and whole.severity == "warning"
    for said in (whole.text, parted.text):
        assert "8848.0 m where" in said and "(x 500034.0, y 5199970.0)" in said, said
    raster.values[ground > 8000] = 300
    assert plausible_ground.lone_heights(raster.with_values(hillside())).severity == "figure"
