import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.parcels.aliquots import MILE_M, placed

ACRE_M2 = 4046.8564224
SECTION = shapely.box(0, 0, MILE_M, MILE_M)
QUARTERS = ("NE", "NW", "SE", "SW")


@pytest.mark.source("blm1973manual", where="3-75: the section of 640 acres, the quarter-quarter section of 40 acres")
@pytest.mark.parametrize(("parts", "acres"), [((), 640), (("NE", "SW"), 40)])
def test_a_regular_section_and_its_quarter_quarter_have_their_acres(parts: tuple[str, ...], acres: float):
    assert shapely.area(placed(SECTION, parts).part) / ACRE_M2 == pytest.approx(acres)


@pytest.mark.source("plss-comma", where="its first paragraph: SW1/4NW1/4, SEC 26 describes 40 acres; W1/2 describes 320")
@pytest.mark.parametrize(("parts", "acres", "middle"), [(("SW", "NW"), 40, (0.125, 0.625)), (("W",), 320, (0.25, 0.5))])
def test_the_last_written_part_is_the_largest(parts: tuple[str, ...], acres: float, middle: tuple[float, float]):
    found = placed(SECTION, parts)
    assert shapely.area(found.part) / ACRE_M2 == pytest.approx(acres)
    assert (found.x_m, found.y_m) == pytest.approx((middle[0] * MILE_M, middle[1] * MILE_M))


@pytest.mark.source("blm2009manual", where="3-114: the crossing of the straight lines between opposite quarter corners is the centre")
def test_the_four_quarters_of_a_crooked_section_meet_in_its_legal_centre():
    # Quarter corners off the straight line between the section corners, as old surveys left them.
    section = shapely.Polygon([(0, 0), (820, -12), (1600, 20), (1630, 790), (1610, 1640), (790, 1600), (-20, 1620), (15, 830)])
    crossing = shapely.intersection(shapely.LineString([(820, -12), (790, 1600)]), shapely.LineString([(15, 830), (1630, 790)]))
    for quarter in QUARTERS:
        assert shapely.distance(shapely.MultiPoint(shapely.get_coordinates(placed(section, (quarter,)).part)), crossing) < 1e-9


@pytest.mark.source("sixteenth-corners", where="steps c and d: sixteenth corners midway, the inner one where the lines between them cross")
def test_the_sixteenth_corner_of_a_crooked_quarter_is_where_the_lines_between_midpoints_cross():
    section = shapely.Polygon([(0, 0), (820, -12), (1600, 20), (1630, 790), (1610, 1640), (790, 1600), (-20, 1620), (15, 830)])
    crossing = shapely.intersection(shapely.LineString([(820, -12), (790, 1600)]), shapely.LineString([(15, 830), (1630, 790)]))
    centre = np.array([crossing.x, crossing.y])
    south, corner, east = np.array([820.0, -12]), np.array([1600.0, 20]), np.array([1630.0, 790])
    lines = [((centre + south) / 2, (east + corner) / 2), ((south + corner) / 2, (centre + east) / 2)]
    sixteenth = shapely.intersection(*(shapely.LineString(line) for line in lines))
    found = placed(section, ("NW", "SE"))
    assert shapely.distance(shapely.MultiPoint(shapely.get_coordinates(found.part)), sixteenth) < 1e-9


def test_a_place_in_no_named_part_is_the_middle_of_the_section_and_reaches_its_corners():
    found = placed(SECTION, ())
    assert found.error_m == pytest.approx(MILE_M / np.sqrt(2))


def test_a_section_that_a_river_cuts_is_taken_whole():
    found = placed(shapely.Polygon([(0, 0), (1600, 0), (800, 1600)]), ("NE",))
    assert not found.cut
    assert found.error_m >= shapely.hausdorff_distance(shapely.Point(found.x_m, found.y_m), found.part)


def test_what_the_lots_of_an_outer_section_take_up_is_added_to_the_error():
    long = shapely.box(0, 0, MILE_M, MILE_M + 90)
    assert placed(long, ("NE",), 1).error_m == pytest.approx(placed(long, ("NE",), 14).error_m + 90)


@st.composite
def sections(draw):
    """A mile, each corner off by up to 30 m, turned by up to 20 degrees, either way round, with points along the sides."""
    off = draw(st.lists(st.floats(-30, 30), min_size=8, max_size=8))
    corners = np.array([(0, 0), (MILE_M, 0), (MILE_M, MILE_M), (0, MILE_M)]) + np.reshape(off, (4, 2))
    shape = shapely.segmentize(shapely.Polygon(corners), draw(st.sampled_from([200.0, 900.0, 5000.0])))
    turned = shapely.affinity.rotate(shape, draw(st.floats(-20, 20)), origin=(0, 0))
    return shapely.reverse(turned) if draw(st.booleans()) else turned


@given(sections(), st.lists(st.sampled_from(QUARTERS), min_size=1, max_size=3), st.tuples(st.floats(0, 1), st.floats(0, 1)))
@settings(max_examples=60, deadline=None)
def test_no_point_of_a_part_is_farther_than_its_error_and_quarters_make_up_the_whole(section, parts: list[str], share: tuple[float, float]):
    found = placed(section, parts)
    assert found.cut
    nw, ne, se, sw, _ = shapely.get_coordinates(found.part)
    top, bottom = nw + share[0] * (ne - nw), sw + share[0] * (se - sw)
    point = top + share[1] * (bottom - top)
    assert np.hypot(*(point - [found.x_m, found.y_m])) <= found.error_m + 1e-6
    assert sum(shapely.area(placed(section, [quarter, *parts]).part) for quarter in QUARTERS) == pytest.approx(shapely.area(found.part))
