"""Values of a column that are no numbers, texts or flags are told as what they are, and never read as a number."""

from datetime import date, datetime, time

import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from geoseptic.errors import LayerContractError
from geoseptic.model.checking import check
from geoseptic.model.layers import PARCELS, WELLS


def wells(**columns: object) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame({"well_id": ["a", "b"], **columns}, geometry=[Point(5e5, 5e6), Point(5e5, 5.1e6)], crs="EPSG:26910")


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ([True, 3.0], "true or false"),
        (pd.array([True, None], dtype="boolean"), "true or false"),
        ([np.True_, 2], "true or false"),
        (pd.to_datetime(["2011-05-03", None]), "a date"),
        (pd.to_datetime(["2011-05-03", None]).tz_localize("UTC"), "a date"),
        ([date(2011, 5, 3), None], "a date"),
        ([datetime(2011, 5, 3), 4.0], "a date"),
    ],
)
def test_truth_values_and_dates_are_no_lengths(values: object, what: str):
    with pytest.raises(LayerContractError, match=f"location_error_m is {what}, not a number: a"):
        check(wells(location_error_m=values), WELLS, None)


@pytest.mark.parametrize("value", [[1, 2], (3,), {"a": 1}, np.array([4.0]), b"5", time(12, 0), pd.Timedelta(days=3)])
@pytest.mark.parametrize("column", ["location_error_m", "kind", "deep_casing", "well_id"])
def test_what_is_no_single_value_is_refused_or_only_a_name(column: str, value: object):
    one = pd.Series([value, None], dtype=object)
    layer = wells(**{column: one})
    if column == "well_id":
        assert len(check(layer, WELLS, None)) == 2
    else:
        with pytest.raises(LayerContractError, match=column):
            check(layer, WELLS, None)


def test_year_that_is_a_date_is_its_year_and_told():
    lots = geopandas.GeoDataFrame(
        {"parcel_id": ["a", "b"], "year_built": pd.to_datetime(["1931-12-31", None])},
        geometry=[Point(5e5, 5e6).buffer(20), Point(5.001e5, 5e6).buffer(20)],
        crs="EPSG:26910",
    )
    checked = check(lots, PARCELS, None)
    assert checked.numbers("year_built")[0] == 1931 and np.isnan(checked.numbers("year_built")[1])
    assert "year_built of the parcels is a date: its year is taken" in checked.notes
    with pytest.raises(LayerContractError, match="bedrooms is a date, not a number: a"):
        check(lots.rename(columns={"year_built": "bedrooms"}), PARCELS, None)
