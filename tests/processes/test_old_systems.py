"""The triage of whole layers: houses, wells and second buildings are found on the lots, and no lot reads better for a missing layer."""

import geopandas
import numpy as np
from shapely import box

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.cautions import BEFORE_ANY_LID
from geoseptic.systems.triage import known_year
from tests.processes.lots_in_a_row import BOTTOM, CRS, LEFT, lots, wells

old_systems = PROCESSES["old_systems"]
RULES = load_rules("us-ma")


def roofs(*places: tuple[float, float, float, float], **columns: list[object]) -> geopandas.GeoDataFrame:
    """Buildings from (x, y, width, depth) from the corner of the first lot. [m]"""
    shapes = [box(LEFT + x, BOTTOM + y, LEFT + x + wide, BOTTOM + y + deep) for x, y, wide, deep in places]
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def rows(parcels: geopandas.GeoDataFrame, buildings: geopandas.GeoDataFrame | None = None, **options: object) -> geopandas.GeoDataFrame:
    found = old_systems(parcels, wells([(150, 50)], [0.0]), rules=RULES, buildings=buildings, **options)
    return found["parcels"].frame.set_index("parcel_id")


def test_house_and_well_are_found_on_the_lot_and_a_missing_well_is_presumed():
    found = rows(lots(3, public_water=[False, False, False], year_built=[1950, 1950, None]), roofs((40, 40, 10, 10), (140, 40, 10, 10)))
    assert list(found.well) == ["none on record: presumed to be somewhere on the lot", "on record on this lot", "no house on record"]
    assert list(found.expected) == ["pit without a tank likely", "pit without a tank likely", "no house on record"]


def test_without_buildings_an_empty_row_is_unknown_and_not_vacant():
    found = rows(lots(2, public_water=[False, False]))
    assert list(found.expected) == ["unknown", "unknown"]
    assert set(found.well) == {"not known whether there is a house, and so a well"}
    assert set(found.may_have_second_system) == {"not known: no layer of buildings"}


def test_kind_or_year_of_a_permit_tells_of_a_house_as_the_permit_itself_does():
    """A county may keep what its permits are for, or their years, and no column that says that there is one."""
    found = rows(lots(3, permit_system=["cesspool", None, None], permit_year=[None, 1955, 0]), roofs((240, 300, 5, 5)))
    assert list(found.expected) == ["pit without a tank likely", "unknown", "no house on record"]


def test_a_permit_or_a_sewer_on_a_lot_without_a_mapped_house_leaves_the_house_open():
    found = rows(lots(3, permit_on_file=[True, None, False], public_sewer=[None, True, None]), roofs((240, 300, 5, 5)))
    assert list(found.expected) == ["unknown", "on a sewer: an old system may remain", "no house on record"]


def test_a_second_building_counts_from_the_stated_floor_and_a_sliver_of_the_neighbours_does_not():
    # 100 m2; 7 x 8 m = 56 m2 and 7 x 7 m = 49 m2 against 600 ft2 = 55.7 m2; the third lot holds 5 % of the building on its west side.
    places = [(40, 40, 10, 10), (60, 40, 7, 8), (140, 40, 10, 10), (160, 40, 7, 7), (240, 40, 10, 10), (190.5, 70, 10, 10)]
    found = rows(lots(3, year_built=[1950] * 3), roofs(*places))
    assert list(found.may_have_second_system.str.startswith("a second")) == [True, True, False]
    smaller = rows(lots(3, year_built=[1950] * 3), roofs(*places), second_building_m2=300.0)
    assert set(smaller.may_have_second_system) == {"no second building over the size on the map"}


def test_a_barn_may_still_have_plumbing():
    found = rows(lots(1, year_built=[1950]), roofs((40, 40, 10, 10), (60, 40, 10, 20), not_a_dwelling=[None, True]))
    assert "may still have plumbing" in found.may_have_second_system.iloc[0]


def test_every_row_that_sends_someone_to_a_pit_carries_the_cautions():
    found = rows(lots(3, year_built=[1950, None, None], permit_on_file=[None, True, None]), roofs((40, 40, 10, 10)))
    assert list(found.cautions) == [BEFORE_ANY_LID, BEFORE_ANY_LID, ""]
    assert BEFORE_ANY_LID in old_systems(lots(1), wells([(50, 50)], [0.0]), rules=RULES).warnings


def test_a_lot_reads_the_same_alone_and_in_any_order():
    parcels = lots(3, year_built=[1950, 1985, None], public_sewer=[None, False, True])
    shuffled = parcels.iloc[[2, 0, 1]]
    drawn = roofs((40, 40, 10, 10), (140, 40, 10, 10))
    first, second = rows(parcels, drawn), rows(shuffled, drawn).loc[list(parcels.parcel_id)]
    assert (first.drop(columns="geometry").fillna(-1) == second.drop(columns="geometry").fillna(-1)).all(axis=None)


def test_every_column_is_explained():
    layer = old_systems(lots(1), wells([(50, 50)], [0.0]), rules=RULES)["parcels"]
    assert set(layer.notes) == set(layer.frame.columns) - {"geometry"}
    assert np.isin(layer.frame.expected, [swatch.value for swatch in layer.legend.swatches]).all()


def test_a_year_that_is_still_to_come_is_not_known():
    """A slip of the roll (2095 for 1959) would else read as a house with a tank."""
    assert np.isnan(known_year(2095, 2026)) and np.isnan(known_year(0, 2026))
    assert known_year(1959, 2026) == 1959
