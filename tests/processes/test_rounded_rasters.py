"""Slopes and paths are written in steps far below what a survey tells; what is rounded errs to the side of the wells."""

import numpy as np
import pytest

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.grid import Raster
from geoseptic.model.soil_survey import MODERATE, OVER_CODE_LIMIT, SEVERE, SLIGHT, UNKNOWN_SLOPE
from geoseptic.processes import paths
from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.slope_suitability import slope_suitability
from tests.processes.test_suitability_cells import elevation_of, layer, well_at

SIDE, CELL_M = 160, 2.0


@pytest.fixture(scope="module")
def hills() -> Raster:
    row, col = np.mgrid[:SIDE, :SIDE] * CELL_M
    heights_m = 300 - 0.08 * row + 4 * np.sin(row / 35) * np.cos(col / 50) + np.random.default_rng(8).normal(0, 0.02, row.shape)
    heights_m[40:43, 90:120] = np.nan
    return elevation_of(heights_m, CELL_M)


@pytest.mark.parametrize("method", ["plane", "horn"])
def test_classes_are_those_of_the_slopes_as_written(hills, method):
    found = slope_suitability(hills, rules=load_rules("us-ny"), method=method)  # at most 15 percent
    slope, classes = (np.asarray(found[name].raster.values) for name in ("slope", "slope_class"))
    unknown = np.isnan(slope)
    assert (slope[~unknown] * 64 % 1 == 0).all()
    expected = np.select([unknown, slope > 15, slope >= 8], [UNKNOWN_SLOPE, OVER_CODE_LIMIT, MODERATE], SLIGHT)
    assert (classes == expected).all()
    assert {SLIGHT, MODERATE, OVER_CODE_LIMIT, UNKNOWN_SLOPE} <= set(np.unique(classes)) and SEVERE not in classes


@pytest.mark.parametrize("unit", ["ft", "m"])
def test_no_well_is_farther_down_the_path_than_it_is(hills, unit, monkeypatch):
    places = [well_at(60, 250), well_at(170, 120), well_at(260, 300)]
    wells = layer(places, well_id=["a", "b", "c"], kind=["private"] * 3, location_error_m=[3.0] * 3)

    def written() -> np.ndarray:
        return np.asarray(downslope_distance(hills, wells, reach_m=200.0, length_unit=unit)["well_path"].raster.values)

    rounded = written()
    monkeypatch.setattr(paths, "STEPS_A_UNIT", np.float32(2**20))
    exact = written()
    known = ~np.isnan(exact)
    assert (np.isnan(rounded) == ~known).all() and known.mean() > 0.1
    assert (rounded[known] * 32 % 1 == 0).all()
    less = exact[known] - rounded[known]
    assert (less >= 0).all() and (less < 1 / 32).all() and less.max() > 0.5 / 32
