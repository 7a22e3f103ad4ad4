"""Tables of wells become points, or say of each well and line why not. The invented parcels lie round 47.2 N, 122.4 W."""

import os
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod

from geoseptic.errors import GeosepticError, LayerContractError
from geoseptic.io.layers import read_layer
from geoseptic.io.placesstated import PlacesStated
from geoseptic.io.sectionfiles import read_sections
from geoseptic.io.sourcekinds import open_source
from geoseptic.io.sources import Stated
from geoseptic.model.layers import WELLS
from geoseptic.parcels.aliquots import MILE_M

FUZZ = int(os.environ.get("GEOSEPTIC_FUZZ", "150"))
AROUND = ((-122.6, 47.0, -122.2, 47.4), CRS("EPSG:4269"))
GOOD = "W1,47.217134,-122.310467\n"


def opened(path: Path, text: str, **stated):
    path.write_text(text)
    wanted = {"datum": "NAD83", "around": AROUND, **stated}
    return open_source(str(path), Stated(places=PlacesStated("wells", **wanted)))


@pytest.fixture
def wells(tmp_path):
    return tmp_path / "wells.csv"


def test_points_come_out_where_the_degrees_say_and_the_columns_taken_are_told(wells):
    source = opened(wells, "Well ID,LAT_DD,Long,kind\nW1,47.217134,-122.310467,private\n")
    assert (source.frame.geometry[0].x, source.frame.geometry[0].y) == (-122.310467, 47.217134)
    assert any("latitude from 'LAT_DD'" in note and "longitude from 'Long'" in note for note in source.header.notes)
    layer = read_layer(str(wells), WELLS, stated=source.header.stated)
    assert list(layer["well_id"]) == ["W1"] and list(layer["kind"]) == ["private"]


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("W9,-122.31,47.21", "exchanged"),
        ("W9,47.2171,122.3104", "sign of its longitude"),
        ("W9,-47.2171,-122.3104", "sign of its latitude"),
        ("W9,0,0", "0, 0"),
        ("W9,,", "no place is given"),
        ("W9,47.2,", "no longitude"),
        ("W9,n/a,n/a", "no place is given"),
        ("W9,48.2171,-122.3104", "1 whole degree in the latitude"),
        ("W9,47.2171,-121.3104", "1 whole degree in the longitude"),
        ("W9,95,-122.3", "beyond 90"),
        ("W9,471301,-1221837", "without marks"),
        ("W9,near the barn,-122.3", "not a coordinate"),
        ('W9,"47,21","-122,31"', "comma"),
        ("W9,47 61 00,-122 18 00", "60 minutes"),
    ],
)
def test_each_trap_is_told_by_well_and_line_and_never_mended(wells, row: str, why: str):
    with pytest.raises(LayerContractError) as refused:
        opened(wells, f"well_id,lat,lon\n{GOOD}{row}\n")
    named = [(fault, name) for fault, names in refused.value.problems.items() for name in names]
    assert [name.startswith("W9 (line 3)") for _, name in named] == [True]
    assert why in " ".join(named[0])
    left = opened(wells, f"well_id,lat,lon\n{GOOD}{row}\n", unplaced="leave-out")
    assert list(left.frame["well_id"]) == ["W1"]
    assert any("nothing is kept clear" in note and "W9 (line 3)" in note for note in left.header.notes)


def test_a_whole_table_with_exchanged_columns_or_without_its_signs_is_told_the_flag(wells):
    with pytest.raises(LayerContractError, match=r"--columns wells\.latitude=lon --columns wells.longitude=lat"):
        opened(wells, "id,lat,lon\n1,-42.21713,47.2\n2,-42.21,47.213\n", around=((-42.4, 47.0, -42.0, 47.4), CRS(4326)), datum="WGS84")
    text = "id,lat,lon\n1,47.2171,122.3171\n2,47.2181,122.3181\n"
    with pytest.raises(LayerContractError, match="longitude_west=lon"):
        opened(wells, text)
    west = opened(wells, text, columns=(("longitude_west", "lon"),))
    assert list(west.frame.geometry.x) == [-122.3171, -122.3181]


def test_a_table_of_a_whole_state_is_no_heap_of_slips(wells):
    rows = "".join(f"S{number},{45.5 + number / 40:.6f},{-123.5 + number / 40:.6f}\n" for number in range(60))
    source = opened(wells, f"well_id,lat,lon\n{rows}")
    assert len(source.frame) == 60
    assert any("wider area" in note for note in source.header.notes)


def test_without_a_datum_the_table_is_refused_and_an_unknown_one_widens_every_error(wells):
    text = f"well_id,lat,lon\n{GOOD}"
    with pytest.raises(LayerContractError, match="datum"):
        opened(wells, text, datum="")
    unknown = opened(wells, text, datum="unknown")
    known = opened(wells, text)
    assert known.frame["location_error_m"].isna().all()
    # From memory: NAD27 lies some 95 m from NAD83 there.
    assert 15.24 + 80 < float(unknown.frame["location_error_m"].iloc[0]) < 15.24 + 130


def test_a_datum_of_each_row_is_followed(wells):
    source = opened(wells, "well_id,lat,lon,datum\nA,47.217134,-122.310467,NAD27\nB,47.217134,-122.310467,NAD83\n", datum="")
    first, second = source.frame.geometry
    shift_m = Geod(ellps="GRS80").inv(first.x, first.y, second.x, second.y)[2]
    assert source.header.crs == CRS("EPSG:4269")
    assert 80 < shift_m < 110
    assert float(source.frame["location_error_m"].iloc[0]) > 15.24


@pytest.mark.parametrize(
    ("lat", "lon", "least_m"),
    [("47.21", "-122.31", 550), ("47 12 30", "-122 18 45", 15), ("47 12", "-122 18", 920), ("47.217134", "-122.310467", 0)],
)
def test_the_digits_given_are_at_least_the_location_error(wells, lat: str, lon: str, least_m: float):
    found = opened(wells, f"well_id,lat,lon,location_error_ft\nW1,{lat},{lon},3\n").frame["location_error_ft"].iloc[0]
    assert float(found) >= max(least_m / 0.3048, 3)
    if least_m == 0:
        assert float(found) == 3


def test_zeros_that_a_program_dropped_make_no_well_rough(wells):
    frame = opened(wells, "well_id,lat,lon\nW1,47.21,-122.310467\nW2,47.217,-122.310467\n").frame
    assert float(frame["location_error_m"].iloc[0]) > 500 and pd.isna(frame["location_error_m"].iloc[1])


def test_degrees_that_may_be_minutes_and_seconds_with_a_point_are_asked_about(wells):
    rows = "".join(f"P{number},47.12{number:02},-122.18{number:02}\n" for number in range(30, 38))
    with pytest.raises(LayerContractError, match="angles=packed"):
        opened(wells, f"well_id,lat,lon\n{rows}")
    packed = opened(wells, f"well_id,lat,lon\n{rows}", angles="packed")
    decimal = opened(wells, f"well_id,lat,lon\n{rows}", angles="decimal")
    assert packed.frame.geometry.y[0] == pytest.approx(47 + 12 / 60 + 30 / 3600)
    assert decimal.frame.geometry.y[0] == 47.1230


def test_eastings_and_northings_need_their_system_and_are_held_to_it(wells):
    text = "well_id,x,y\nW1,552237.4,5229421.3\nW2,5229421.3,552237.4\n"
    with pytest.raises(LayerContractError, match="EPSG:NUMBER"):
        opened(wells, text)
    with pytest.raises(LayerContractError, match=r"exchanged: W2 \(line 3\)"):
        opened(wells, text, datum="EPSG:26910")
    point = opened(wells, "well_id,x,y\nW1,552237.4,5229421.3\n", datum="EPSG:26910").frame.to_crs(26910).geometry[0]
    assert (point.x, point.y) == pytest.approx((552237.4, 5229421.3), abs=1e-3)


def test_wells_on_one_place_are_told(wells):
    notes = opened(wells, "well_id,lat,lon\nA,47.217134,-122.310467\nB,47.217134,-122.310467\n").header.notes
    assert any("A (line 2), B (line 3)" in note for note in notes)


def test_two_columns_that_may_be_the_latitude_are_asked_about(wells):
    text = "well_id,lat,gps_lat,lon\nA,47.217134,47.21713,-122.310467\n"
    with pytest.raises(LayerContractError, match="several columns may be the latitude"):
        opened(wells, text)
    assert len(opened(wells, text, columns=(("latitude", "gps_lat"),)).frame) == 1


@pytest.fixture(scope="module")
def sections(tmp_path_factory):
    """Sections 11 and 12 of T5N R3W, two squares of a mile in UTM."""
    folder = tmp_path_factory.mktemp("sections")
    boxes = [shapely.box(x, 5229000, x + MILE_M, 5229000 + MILE_M) for x in (552000, 552000 + MILE_M)]
    frame = geopandas.GeoDataFrame(
        {"TWNSHPNO": ["005"] * 2, "TWNSHPDIR": ["N"] * 2, "RANGENO": ["003"] * 2, "RANGEDIR": ["W"] * 2, "FRSTDIVNO": ["11", "12"]},
        geometry=boxes,
        crs=26910,
    )
    frame.to_file(folder / "sections.gpkg", layer="sections")
    return read_sections(str(folder / "sections.gpkg"))


def test_a_land_description_places_a_well_in_the_middle_of_its_part(wells, sections):
    source = opened(wells, 'well_id,legal\nW1,"NE1/4 SW1/4 Sec 12, T5N R3W"\nW2,Sec 11 5N 3W\n', sections=sections, datum="")
    places = source.frame.to_crs(26910).geometry
    quarter_m = MILE_M / 4
    assert (places[0].x, places[0].y) == pytest.approx((552000 + MILE_M + 1.5 * quarter_m, 5229000 + 1.5 * quarter_m), abs=1.0)
    errors_m = source.frame["location_error_m"].astype(float)
    # The scale of the projection there is less than 1 in 1,000 off.
    assert errors_m[0] == pytest.approx(quarter_m / np.sqrt(2), rel=1e-3) and errors_m[1] == pytest.approx(MILE_M / np.sqrt(2), rel=1e-3)


def test_columns_of_their_own_name_a_part_as_well(wells, sections):
    text = "well_id,twp,rng,sec,qtr_qtr\nW1,T05N,R03W,12,NESW\nW2,5,3W,12,NE\nW3,5N,3W,13,NE\n"
    with pytest.raises(LayerContractError) as refused:
        opened(wells, text, sections=sections, datum="")
    (names,) = [names for names in refused.value.problems.values() if names]
    assert names[0].startswith("W2 (line 3): township '5' cannot be read") and "section 13" in names[1]


def test_a_description_without_sections_or_that_nobody_can_read_is_a_well_without_a_place(wells, sections):
    with pytest.raises(LayerContractError, match="--sections"):
        opened(wells, "well_id,legal\nW1,NE Sec 12 T5N R3W\n", datum="")
    with pytest.raises(LayerContractError, match="not understood"):
        opened(wells, "well_id,legal\nW1,behind the barn\n", datum="", sections=sections)


def test_a_bad_coordinate_falls_back_on_the_section_and_a_contradicted_one_reaches_it(wells, sections):
    text = "well_id,lat,lon,legal\nW1,foo,-122,NESW 12-5N-3W\nW2,47.217134,-122.510467,NESW 12-5N-3W\n"
    source = opened(wells, text, sections=sections)
    errors_m = source.frame["location_error_m"].astype(float)
    assert errors_m[0] == pytest.approx(MILE_M / 4 / np.sqrt(2), rel=1e-3)
    part = shapely.box(552000 + MILE_M * 1.25, 5229000 + MILE_M / 4, 552000 + MILE_M * 1.5, 5229000 + MILE_M / 2)
    far = shapely.hausdorff_distance(part, source.frame.to_crs(26910).geometry[1])
    assert errors_m[1] >= far
    assert any("outside of the section" in note for note in source.header.notes)


def test_points_without_a_location_error_are_not_taken_roughly(wells):
    with pytest.raises(LayerContractError, match="too rough"):
        opened(wells, f"id,lat,lon\n{GOOD.replace('47.217134', '47.22').replace('-122.310467', '-122.31')}", keeps_error=False)


CELL = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["47.2171", "-122.31", "0", "47 12 30 N", "122-18-45W", "NE SW 12-5N-3W", "NAD27", "471230", "1e400", "nan"]),
)


@given(
    st.lists(st.tuples(CELL, CELL, CELL, CELL), max_size=6),
    st.sampled_from(["NAD83", "unknown", "", "EPSG:26910"]),
    st.sampled_from(["lat,lon", "x,y"]),
)
@settings(max_examples=FUZZ, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_table_ends_in_anything_but_finite_places_or_a_refusal(wells, sections, rows, datum: str, pair: str):
    cells = pd.DataFrame(rows, columns=["well_id", *pair.split(","), "legal"], dtype=object)
    cells.to_csv(wells, index=False)
    try:
        source = open_source(
            str(wells), Stated(places=PlacesStated("wells", datum=datum, around=AROUND, sections=sections, unplaced="leave-out"))
        )
    except GeosepticError as error:
        assert str(error)
    else:
        assert np.isfinite(shapely.get_coordinates(source.frame.geometry.values)).all()
        errors = pd.to_numeric(source.frame["location_error_m"])
        assert ((errors >= 0) | errors.isna()).all() and not np.isinf(errors).any()
