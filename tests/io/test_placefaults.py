"""Tables and layers are held against one list of slips."""

import numpy as np
import pytest

from geoseptic.io.placefaults import Region, slips
from geoseptic.model.misplaced import SLIPS, slipped

HERE = Region(-75.2, 40.0, -75.0, 40.1)
TRUE = (-75.1, 40.05)


@pytest.mark.parametrize("slip", SLIPS)
def test_each_slip_of_a_layer_is_found_in_a_table_as_well_and_by_the_same_words(slip: str):
    lon, lat = next(place for one in SLIPS.values() if SLIPS[slip](*(place := one(*TRUE))) == TRUE)
    found, _, _ = slips(np.array([lon]), np.array([lat]), HERE)
    assert found[0][0].endswith(slip) and found[0][1] == "40.05000, -75.10000 would be here"
    assert list(slipped(np.array([lon]), np.array([lat]), (HERE.west, HERE.south, HERE.east, HERE.north))) == [slip]
