"""Heights that lie off carried to the answers: ground near a slope limit makes no certain answer, other ground changes nothing."""

from dataclasses import replace
from itertools import pairwise

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine

from geoseptic.chance.draws import Draws, ground_error
from geoseptic.chance.fits import fits
from geoseptic.chance.slopes import plane_weights, rise_sigma, slope_chance
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.certainty import Certainty
from geoseptic.model.grid import Grid, Raster
from geoseptic.parcels.fitgrid import BAD_GROUND, GOOD_GROUND
from geoseptic.processes.chance_ground import (
    AS_GIVEN,
    CODES,
    HARDLY,
    LIKELY,
    PATCH_M,
    PATCH_SEED,
    PERHAPS,
    SURELY,
    TOO_STEEP,
    DoubtfulGround,
    at_grade,
    graded,
    limits_of,
    near_limit,
    weights_of,
)
from geoseptic.processes.layouts import Setting
from geoseptic.processes.slopes import slope_limit_percent
from geoseptic.processes.uncertainty import uncertainty
from geoseptic.systems.gravity import Burial
from geoseptic.terrain.slope import plane_slope_percent
from tests.chance.test_fits import a_case, places
from tests.parcels import lots

COMMON = Certainty(0.99, 0.80, "")
CRS, LEFT, TOP, STRIP_M, DEEP_M, CELL_M = "EPSG:26910", 500_000.0, 5_200_000.0, 110.0, 150.0, 5.0
QUIET = {"parcel_line_error_m": 0.3, "building_error_m": 0.0, "ground_draws": 1, "draws": 40, "unrecorded_wells": "warn", "reach_m": 30.0}


def hillsides(slopes_percent, **more):
    """A lot of 60 x 60 m in the middle of a strip of even ground for each slope; what `uncertainty` says of each."""
    count = len(slopes_percent)
    steepness = np.repeat(np.array(slopes_percent) / 100.0, int(STRIP_M / CELL_M))
    south_m = CELL_M * np.arange(int(DEEP_M / CELL_M))
    heights = (200.0 - steepness[None, :] * south_m[:, None]).astype(np.float32)
    elevation = Raster(heights, Grid.of(heights.shape, Affine(CELL_M, 0, LEFT, 0, -CELL_M, TOP), CRS, "elevation"))
    middles = LEFT + STRIP_M * (np.arange(count) + 0.5)
    parcels = geopandas.GeoDataFrame(
        {"parcel_id": [f"L{row}" for row in range(count)], "bedrooms": 3, "soil": "type 4", "public_water": "yes"},
        geometry=[shapely.box(x - 30, TOP - 105, x + 30, TOP - 45) for x in middles],
        crs=CRS,
    )
    wells = geopandas.GeoDataFrame({"well_id": ["W"], "location_error_m": [0.0]}, geometry=[shapely.Point(LEFT + 1, TOP - 1)], crs=CRS)
    return uncertainty(parcels, wells, elevation, rules=load_rules("us-ny"), **QUIET, **more)


def limits(limit_percent, rmse_m, cell_m):
    """Those of heights that are off by so much, alike over 10 m."""
    weights = weights_of(cell_m, 15.0, "plane")
    sigmas = tuple(100 * rise_sigma(one, rmse_m, 10.0, cell_m) for one in weights)
    return limits_of(limit_percent, ground_error(PATCH_SEED, rmse_m, 10.0, cell_m), weights, sigmas, COMMON)


@pytest.fixture(scope="module")
def by_grade():
    """Lots on slopes in the middle of each grade, with the error of the heights that goes with them, and without one."""
    limit = slope_limit_percent(load_rules("us-ny"))
    ends = limits(limit, 0.1, CELL_M)[0]
    between = [0.5 * (low + high) for low, high in pairwise(ends)]
    slopes = [ends[0] - 1.0, *between, ends[-1] + 1.0]
    return tuple(hillsides(slopes, vertical_error_m=error_m) for error_m in (0.1, 0.0))


def test_an_answer_is_as_sure_as_the_ground_on_which_it_holds(by_grade):
    """Far from the limit certain, as the ground is likely on the right side likely, and at the limit nobody can say, on both sides."""
    rows = by_grade[0]["parcels"].frame
    assert rows.answer_class.tolist() == [
        "fits, certain", "fits, likely", "cannot say", "cannot say", "does not fit, likely", "does not fit, certain",
    ]  # fmt: skip
    assert rows.chance_both.tolist() == [100.0] * 3 + [0.0] * 3
    near = [False, True, True, True, True, False]
    assert rows.chance_if_steeper.notna().tolist() == near == rows.chance_if_gentler.notna().tolist()
    assert rows.chance_if_steeper[near].tolist() == [0.0] * 4 and rows.chance_if_gentler[near].tolist() == [100.0] * 4
    assert rows.decides.isna().tolist() == [True, True, False, False, True, True]
    assert rows.decides[2:4].tolist() == ["slope"] * 2 and rows.settled_by[2:4].isna().all()
    words = "the slope lies near the limit, and the heights may be off (room in "
    assert rows.in_words[1].startswith(f"Field and reserve probably fit, but {words}100 of 100 cases")
    assert rows.in_words[2].startswith(f"Nobody can say: {words}") and rows.in_words[3].startswith(f"Nobody can say: {words}0 of 100")
    assert rows.in_words[4].startswith(f"Field and reserve probably do not fit, but {words}0 of 100 cases")
    counts = by_grade[0].counts
    assert counts["parcels_near_a_slope_limit"] == counts["answers_less_sure_by_slope"] == 4
    assert any("how level a trench lies" in words for words in by_grade[0].warnings)


def test_exact_heights_leave_every_answer_and_every_chance_as_it_was(by_grade):
    """Without an error nothing is asked; with one the chances on the ground that is given are the same, value for value."""
    off, exact = (one["parcels"].frame for one in by_grade)
    assert exact[["chance_if_steeper", "chance_if_gentler"]].isna().all(axis=None)
    assert exact.answer_class.tolist() == ["fits, certain"] * 3 + ["does not fit, certain"] * 3
    given = [
        "chance_primary",
        "chance_both",
        "both_low",
        "both_high",
        "chance_if_smallest",
        "chance_if_not_required",
        "draws",
        "decided_by",
    ]
    assert off[given].equals(exact[given])
    assert by_grade[1].counts["parcels_near_a_slope_limit"] == 0


def test_grades_are_those_of_the_map_of_chances_and_less_sure_beside_gaps():
    """Cells that are surely gentle have 99 percent and more on the map, those perhaps so 1; beside a gap they are rather in doubt."""
    slope = np.linspace(0.0, 30.0, 3001, dtype=np.float32)
    found = limits(15.0, 0.1, 2.0)
    grade, at_gaps = (graded(slope, found, np.full(slope.shape, one)) for one in (False, True))
    percent = slope_chance(slope, 15.0, 100 * rise_sigma(plane_weights(3, 2.0), 0.1, 10.0, 2.0))
    assert ((grade <= HARDLY) == (percent >= 20)).all()
    # What all of a patch keeps, each of its cells does.
    assert (percent[grade == SURELY] >= 99).all() and (percent[grade <= LIKELY] >= 80).all() and (np.bincount(grade) > 10).all()
    # The map says 1 percent of all that is not impossible.
    assert (percent[grade <= PERHAPS] >= 1).all() and (grade[percent >= 2] <= PERHAPS).all()
    gentle = slope <= 15.0
    assert ((grade <= AS_GIVEN) == gentle).all() and ((at_gaps <= AS_GIVEN) == gentle).all()
    assert (at_gaps >= grade)[gentle].all() and (at_gaps <= grade)[~gentle].all() and (at_gaps != grade).any()
    assert graded(np.array([np.nan], np.float32), found, np.zeros(1, bool)) == SURELY


def test_an_error_larger_than_the_limit_leaves_nothing_surely_gentle_and_level_ground_perhaps_so():
    assert graded(np.zeros(1, np.float32), limits(1.0, 20.0, 2.0), np.zeros(1, bool)) == AS_GIVEN


def test_even_ground_of_a_grade_keeps_the_limit_all_over_a_patch_as_often_as_it_says():
    """In draws of another field, by the slope that is mapped: the share of patches without any cell that is too steep."""
    cell_m, draws, side = 2.0, 250, int(PATCH_M / 2.0)
    ends, field = limits(15.0, 0.1, cell_m)[0], ground_error(7, 0.1, 10.0, cell_m)
    whole = slice(0, side + 6)
    for slope_percent, share in zip(ends[:2], (0.99, 0.80), strict=True):
        heights_m = (slope_percent / 100 * cell_m * np.mgrid[whole, whole][0]).astype(np.float32)
        kept = [
            (plane_slope_percent(heights_m + field.window(offset, whole, whole), cell_m, 14.0)[3:-3, 3:-3] <= 15.0).all()
            for offset in Draws(3, draws).ground_offsets(field.values_m.shape[0])
        ]
        assert np.mean(kept) == pytest.approx(share, abs=0.015 + 3 * np.sqrt(share * (1 - share) / draws))


def doubtful(terrain, grade):
    """The terrain with grades on its good ground; a bed's are the same."""
    codes = np.where(terrain.good == BAD_GROUND, BAD_GROUND, terrain.good + CODES * np.minimum(grade, TOO_STEEP)).astype(np.uint8)
    given = replace(terrain, good=np.where(codes // CODES > AS_GIVEN, BAD_GROUND, codes % CODES).astype(np.uint8))
    return DoubtfulGround(given, given, given, Burial(), codes, codes)


def cases(count, seed):
    """Random lots on ground of grades in patches of some 10 m, with their draws."""
    rng = np.random.default_rng(seed)
    terrain = next(iter(lots.grounds(rng).values()))
    for _ in range(count):
        patches = rng.choice([SURELY, LIKELY, AS_GIVEN, HARDLY, PERHAPS, TOO_STEEP], (40, 40), p=[0.7, 0.06, 0.06, 0.06, 0.06, 0.06])
        each = int(np.ceil(10.0 / terrain.cell_size_m))
        grade = np.tile(np.kron(patches, np.ones((each, each), int)), (10, 10))[: terrain.good.shape[0], : terrain.good.shape[1]]
        setting = doubtful(terrain, grade)
        case, wells_m = a_case(rng, setting.terrain, lots.NEEDS[0])
        yield case, places(rng, wells_m, (0.5, 0.5, 1.0)), setting


def test_less_ground_never_has_more_room_and_the_given_grade_is_the_given_ground():
    """Grade by grade, in the same draws; more draws in which the search of more ground misses what that of less has found are few."""
    missed = asked = gained = 0
    for case, where, setting in cases(12, 3):
        assert (fits(at_grade(case, where, setting, AS_GIVEN), where).kind == fits(case, where).kind).all()
        kinds = [fits(at_grade(case, where, setting, grade), where).kind for grade in range(SURELY, PERHAPS + 1)]
        for less, more in pairwise(kinds):
            missed, asked, gained = missed + (less > more).sum(), asked + len(less), gained + (less < more).sum()
    assert missed <= 0.01 * asked and gained > 10


def test_only_doubt_under_the_lot_is_asked_for():
    """One cell in doubt in the middle of the lot is; one beyond all places where it may lie is not; nor bad ground."""
    case, where, setting = next(iter(cases(1, 5)))
    quiet = doubtful(setting.terrain, np.zeros(setting.grades.shape, int))
    assert not near_limit(case, where, quiet) and not near_limit(case, where, Setting(*[setting.terrain] * 3, Burial()))
    left, bottom, right, top = shapely.bounds(case.lot)
    terrain, cell_m = setting.terrain, setting.terrain.cell_size_m

    def with_one(x, y, code):
        grades = np.zeros(quiet.grades.shape, np.uint8)
        grades[int((terrain.top_m - y) / cell_m), int((x - terrain.left_m) / cell_m)] = code
        return replace(quiet, grades=grades, bed_grades=grades)

    middle, beyond = (0.5 * (left + right), 0.5 * (bottom + top)), (right + 6.0 + 2 * cell_m, 0.5 * (bottom + top))
    for grade in (LIKELY, AS_GIVEN, HARDLY, PERHAPS):
        assert near_limit(case, where, with_one(*middle, CODES * grade + GOOD_GROUND))
        assert not near_limit(case, where, with_one(*beyond, CODES * grade + GOOD_GROUND))
    for code in (BAD_GROUND, CODES * TOO_STEEP, GOOD_GROUND):
        assert not near_limit(case, where, with_one(*middle, code))
