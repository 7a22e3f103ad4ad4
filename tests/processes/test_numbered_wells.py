"""The raster that names wells by numbers: a well keeps its number and colour whatever the order of its layer."""

import numpy as np
import pytest

from geoseptic.processes.downslope_distance import downslope_distance
from tests.processes.test_suitability_cells import elevation_of, layer, well_at

SIDE, CELL_M = 90, 4.0


@pytest.fixture(scope="module")
def found():
    """Hills with forty wells, and the answers for them in their order, turned round, and without every fourth."""
    rng = np.random.default_rng(7)
    row, col = np.mgrid[:SIDE, :SIDE]
    heights = 60 + 9 * np.sin(row / 9) * np.cos(col / 7) - 0.05 * row + rng.normal(0, 0.01, (SIDE, SIDE))
    hills = elevation_of(heights, CELL_M)
    places = [well_at(x, y) for x, y in rng.uniform(0, SIDE * CELL_M, (40, 2))]
    names = [f"W-{number}" for number in range(40)]
    wells = layer(places, well_id=names, kind=["private"] * 40, location_error_m=[1.0] * 40)
    fewer = wells[np.arange(40) % 4 != 0]
    return [downslope_distance(hills, some.reset_index(drop=True), length_unit="m") for some in (wells, wells[::-1], fewer)]


def numbers_of(results) -> dict[str, int]:
    discs = results["well_discs"].frame
    return dict(zip(discs["well_id"], discs["number"], strict=True))


def test_another_order_of_the_layer_changes_neither_numbers_nor_colours(found):
    one, turned, _ = (answer["well_path_well"] for answer in found)
    np.testing.assert_array_equal(one.raster.values, turned.raster.values)
    assert one.legend == turned.legend
    assert numbers_of(found[0]) == numbers_of(found[1])


def test_each_number_is_named_by_the_legend_and_by_the_discs(found):
    legend, numbers = found[0]["well_path_well"].legend, numbers_of(found[0])
    assert {swatch.name: swatch.value for swatch in legend.swatches.values()} == numbers
    held = set(np.unique(found[0]["well_path_well"].raster.values).tolist()) - {-1}
    assert len(held) > 20 and held <= set(numbers.values())


def test_the_ground_of_a_well_that_stays_is_told_by_the_same_number_when_others_go(found):
    whole, fewer = (answer["well_path_well"].raster.values for answer in (found[0], found[2]))
    numbers = numbers_of(found[2])
    assert numbers.items() <= numbers_of(found[0]).items()
    there = np.isin(whole, list(numbers.values()))
    assert there.any() and (fewer[there] == whole[there]).all()


def test_the_ground_that_drains_to_a_well_is_that_of_its_number(found):
    values = found[0]["well_path_well"].raster.values
    discs = found[0]["well_discs"].frame
    cells = [int((values == number).sum()) for number in discs["number"]]
    np.testing.assert_allclose(discs["drains_here_m2"], np.array(cells) * CELL_M**2)
    assert sum(cells) == (values >= 0).sum()
