"""Contributing area, height above the drainage and wetness index held against a terrain library and a worked example in print."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine

from geoseptic.terrain.drainage import d8_receivers, fill
from geoseptic.terrain.wetness import cells_above, height_above_drainage_m, wetness_index
from tests.published.test_drainage_published import STAIRS_CELLS_ABOVE, STAIRS_M, terrain_library
from tests.terrain.grounds import Floats

CELL_M = 2.0
SLOPE_PERCENT = 25.0


def falling_ground(seed: int) -> Floats:
    """Every cell has a lower one south of it, so that nothing is level and no hollow is filled: tools may differ there."""
    return (0.5 * np.arange(120)[::-1, None] + np.random.default_rng(seed).uniform(0, 0.4, (120, 100))).astype(np.float32)


@pytest.mark.source("terra-flow-example", where="flowacc0, 6 x 6 cells")
def test_worked_example_of_the_cells_that_drain_through_each():
    np.testing.assert_array_equal(cells_above(d8_receivers(fill(STAIRS_M))), STAIRS_CELLS_ABOVE)


@pytest.mark.source("ocallaghan1984", where="drainage area along the steepest fall, as whitebox-workflows, d8_flow_accum, has it")
@pytest.mark.source(
    "nobre2011", where="height above the drainage cell that the way leads to, as whitebox-workflows, elevation_above_stream, has it"
)
@pytest.mark.source("renno2008", where="equations 10 to 13, as whitebox-workflows, elevation_above_stream, has them")
@pytest.mark.source("beven1979", where="ln(a / tan beta), as whitebox-workflows, wetness_index, has it")
@pytest.mark.parametrize("seed", [5, 6, 7])
def test_area_height_and_index_are_those_of_a_terrain_library(seed: int, tmp_path: Path):
    ground = falling_ground(seed)
    d8 = d8_receivers(ground)
    above = cells_above(d8)
    streams = above > 60
    environment = terrain_library().WbEnvironment()

    def handed_over(name: str, values: np.ndarray) -> object:
        path = tmp_path / f"{name}.tif"
        profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": "float32"}
        place = {"crs": "EPSG:32610", "transform": Affine(CELL_M, 0, 500_000, 0, -CELL_M, 5_000_000), "nodata": -9999}
        with rasterio.open(path, "w", **profile, **place) as raster:
            raster.write(values.astype(np.float32), 1)
        return environment.read_raster(str(path))

    dem, routing, indices = handed_over("dem", ground), environment.hydrology.flow_routing, environment.hydrology.hydrologic_indices
    np.testing.assert_array_equal(above, routing.d8_flow_accum(input=dem, out_type="cells").to_numpy())

    height = height_above_drainage_m(ground, d8, streams)
    theirs = indices.elevation_above_stream(dem=dem, streams=handed_over("streams", streams)).to_numpy()
    assert 0 < np.isnan(height).sum() < height.size / 10
    np.testing.assert_array_equal(np.nan_to_num(height, nan=-9999), theirs.astype(np.float32))

    degrees = np.full(ground.shape, np.degrees(np.arctan(SLOPE_PERCENT / 100)))
    area = routing.d8_flow_accum(input=dem, out_type="sca")
    index = wetness_index(above, np.full(ground.shape, SLOPE_PERCENT, np.float32), CELL_M)
    theirs = indices.wetness_index(sca=area, slope=handed_over("degrees", degrees)).to_numpy()
    np.testing.assert_allclose(index, theirs, atol=2e-6)  # both in 32 bits, of a value of 9 at most
