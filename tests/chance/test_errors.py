"""How a well's columns become a spread of its true place."""

import math

import numpy as np
import pytest
import shapely

from geoseptic.chance.draws import WELL, Draws
from geoseptic.chance.errors import (
    DISC,
    EXACT,
    GAUSSIAN,
    IN_GROUND,
    SIGMAS_OF,
    SQUARE,
    UNSTATED_M,
    PlaceErrors,
    exact_places,
    in_grounds,
    joined,
    summary,
    well_errors,
)
from geoseptic.parcels.obstacles import QUARTER_QUARTER_M, SECTION_M
from geoseptic.units import METRES_PER_UNIT

LOTS = np.array([shapely.box(0, 0, 60, 60), shapely.box(60, 0, 120, 60)], object)
HOUSES = np.array([shapely.box(20, 20, 30, 32)], object)


def one(method: str | None, stated_m: float, *, x: float = 500.0, moved_by_m: float = 0.0, reading: str = "cep50") -> PlaceErrors:
    return several([method], [stated_m], [x], moved_by_m=moved_by_m, reading=reading)[0]


def several(methods, stated_m, x, *, moved_by_m: float = 0.0, reading: str = "cep50"):
    ids = np.array([f"w{row}" for row in range(len(methods))], object)
    points = shapely.points(np.column_stack([x, np.full(len(x), 30.0)]))
    return well_errors(
        ids,
        points,
        np.array(methods, object),
        np.array(stated_m, float),
        moved_by_m=moved_by_m,
        assumed_m=15.24,
        reading=reading,
        lots_m=LOTS,
        houses_m=HOUSES,
    )


@pytest.mark.source("ossim2d", where="Fac2D")
@pytest.mark.parametrize(("name", "printed"), [("cep50", 1.1774), ("ce90", 2.1460), ("ce95", 2.4477)])
def test_error_factors_are_the_published_ones(name: str, printed: float):
    assert SIGMAS_OF[name] == pytest.approx(printed, abs=0.00005)  # source prints four decimals


@pytest.mark.source("nssda1998", where="3.2.1, horizontal accuracy")
def test_circle_of_95_percent_is_that_of_the_data_standard():
    assert SIGMAS_OF["ce95"] == pytest.approx(2.4477, abs=0.00005)


@pytest.mark.source("well-places", where="quarter-quarter and section centroid")
@pytest.mark.parametrize(("method", "mean_m", "rms_m", "worst_m"), [("quarter_quarter", 154, 164, 284), ("section", 616, 657, 1138)])
def test_a_well_at_a_centroid_is_off_by_the_published_figures(method: str, mean_m: float, rms_m: float, worst_m: float):
    errors = one(method, math.nan)
    places_m = Draws(1, 200_000).places_m(WELL, errors)[:, 0] - errors.middle_m[0]
    off_m = np.hypot(*places_m.T)
    # 200,000 draws: the standard errors are 0.1 percent of the mean.
    assert off_m.mean() == pytest.approx(mean_m, rel=0.005)
    assert math.sqrt((off_m**2).mean()) == pytest.approx(rms_m, rel=0.005)
    assert worst_m - 10 * (method == "section") - 3 < off_m.max() <= errors.reach_m[0]
    assert errors.reach_m[0] == pytest.approx(worst_m, abs=0.6)  # source prints whole metres


def test_squares_are_quarter_quarter_and_section():
    for method, side_m, feet in (("quarter_quarter", QUARTER_QUARTER_M, 1320), ("section", SECTION_M, 5280)):
        assert side_m == pytest.approx(feet * METRES_PER_UNIT["ft"])
        for stated_m in (math.nan, 0.0, 15.0):
            found = one(method, stated_m)
            assert (found.kind[0], found.size_m[0], found.rough[0]) == (SQUARE, side_m, True)
    assert one("quarter_quarter", 400.0).size_m[0] == pytest.approx(400 * math.sqrt(2))


def test_an_error_without_a_method_is_a_disc_of_it():
    for method in (None, "unknown"):
        found = one(method, 7.0)
        assert (found.kind[0], found.size_m[0], found.rough[0]) == (DISC, 7.0, False)
        assert one(method, math.nan).size_m[0] == 15.24
        assert one(method, 284.0).rough[0]
        assert one(method, 0.0).kind[0] == EXACT
        assert one(method, 0.0, moved_by_m=2.0).size_m[0] == 2.0


@pytest.mark.parametrize(("reading", "factor"), [("cep50", 1.1774), ("ce90", 2.1460), ("ce95", 2.4477), ("sigma", 1.0)])
def test_a_measured_place_is_gaussian_by_the_reading_of_its_error(reading: str, factor: float):
    for method, unstated_m in UNSTATED_M.items():
        if method == "address":
            continue
        found = one(method, 5.0, reading=reading)
        assert found.kind[0] == GAUSSIAN and found.size_m[0] == pytest.approx(5.0 / factor, rel=1e-4)
        assert one(method, math.nan, reading=reading).size_m[0] == pytest.approx(unstated_m / factor, rel=1e-4)
        assert one(method, 0.0).kind[0] == EXACT
    assert one("gps", 5.0, reading="maximum").kind[0] == DISC


def test_half_of_the_places_lie_within_an_error_that_is_read_so():
    errors = one("gps", 5.0)
    off_m = np.hypot(*(Draws(3, 40_000).places_m(WELL, errors)[:, 0] - errors.middle_m[0]).T)
    assert np.mean(off_m < 5.0) == pytest.approx(0.5, abs=4 * 0.5 / 200)


def test_an_address_or_centroid_on_one_lot_is_somewhere_on_that_lot():
    for method in ("address", "parcel_centroid"):
        found = one(method, math.nan, x=40.0)
        assert found.kind[0] == IN_GROUND and found.ground_m[0] is LOTS[0] and found.house_m[0] is HOUSES[0] and found.rough[0]
        assert one(method, math.nan, x=90.0).house_m[0] is None


def test_an_address_or_centroid_on_no_lot_or_on_a_line_stays_rough_and_is_told():
    for x in (500.0, 60.0):
        found, told = several(["address", "parcel_centroid"], [math.nan, math.nan], [x, x])
        assert found.kind.tolist() == [DISC, SQUARE] and found.rough.all()
        assert found.size_m.tolist() == [UNSTATED_M["address"], QUARTER_QUARTER_M]
        assert any("2 wells placed by their lot or address" in line for line in told)


def test_what_is_assumed_is_told():
    _, told = several(["gps", "gps", "digitised"], [math.nan, 3.0, math.nan], [200, 210, 220])
    assert any(line.startswith("1 wells placed by gps") for line in told) and any("placed by digitised" in line for line in told)
    _, told = several([None], [5000.0], [200])
    assert any("larger than a section" in line for line in told)


def test_presumed_wells_are_in_their_ground_and_never_certain():
    found = in_grounds(np.array(["a", "b"], object), LOTS, HOUSES)
    assert (found.kind == IN_GROUND).all() and found.rough.all() and found.house_m[1] is None
    assert found.reach_m == pytest.approx([math.hypot(30, 30)] * 2)


def test_rows_are_joined_picked_and_counted():
    both = joined(exact_places(np.array(["x"], object), np.array([[1.0, 2.0]])), in_grounds(np.array(["a"], object), LOTS[:1], HOUSES))
    assert summary(both) == {"exact": 1, "in ground": 1} and both.kept(np.array([1])).ids.tolist() == ["a"]
    assert both.reach_m[0] == 0 and len(both) == 2


def test_no_wells_are_no_errors():
    found, told = several([], [], [])
    assert len(found) == 0 and told == []
