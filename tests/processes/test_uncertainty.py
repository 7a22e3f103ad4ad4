"""Chances of cells, from layers to rasters: beside the certain map, beside draws, and never surer than what is known."""

import math

import numpy as np
import pytest
import shapely

from geoseptic.errors import LayerContractError, ParameterError
from geoseptic.io import scratch
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.scratch import new_plane
from geoseptic.model.grid import Raster
from geoseptic.model.reasons import BIT, UNKNOWN_REASONS
from geoseptic.model.results import Results
from geoseptic.parcels import envelope
from geoseptic.processes.slopes import slope_limit_percent
from geoseptic.processes.suitability_map import suitability_map
from geoseptic.processes.uncertainty import uncertainty
from geoseptic.terrain import flowpath
from tests.processes.test_suitability_cells import at, cells_of, elevation_of, layer, values_of, well_at

SURE = {"parcel_line_error_m": 0.0, "building_error_m": 0.0, "vertical_error_m": 0.0}
BY_LAW = ~np.uint32(sum(1 << BIT[name] for name in ("slope", "ponding", *UNKNOWN_REASONS) if name != "setback_open"))
LOTS = [at(10, 10, 140, 140), at(140, 10, 270, 140)]


def hillside(cell_m: float = 2.0, side_m: float = 280.0) -> np.ndarray:
    row, col = np.mgrid[: int(150 / cell_m), : int(side_m / cell_m)] * cell_m
    return 100 - 0.06 * row + 6 * np.sin(col / 40)


def given(errors_m: list[float], wells: list[shapely.Geometry], lots: list[shapely.Geometry], **options) -> dict:
    columns = {"kind": ["private"] * len(wells), "location_error_m": errors_m, **options.pop("well_columns", {})}
    heights = options.pop("heights", hillside())
    water = options.pop("public_water", [True] * len(lots))
    return {
        "parcels": layer(lots, parcel_id=[f"lot {number}" for number in range(len(lots))], public_water=water),
        "wells": layer(wells, well_id=[f"w{number}" for number in range(len(wells))], **columns),
        "elevation": elevation_of(heights, 2.0),
        "rules": load_rules(options.pop("rules", "us-wa")),
        "reach_m": 40.0,
        **options,
    }


def chances(errors_m, wells, lots=LOTS, **options) -> Results:
    return uncertainty(**given(errors_m, wells, lots, **{"ground_draws": 3, "draws": 100, **options}))


def certain(errors_m, wells, lots=LOTS, **options) -> Results:
    return suitability_map(**given(errors_m, wells, lots, **options))


@pytest.mark.parametrize("rules", ["us-wa", "us-ny", "us-ma", "us-typical", "quillback-county"])
def test_with_nothing_uncertain_every_raster_is_the_certain_answer(rules: str):
    wells, house = [well_at(60, 60), well_at(200, 30)], layer([at(180, 90, 195, 102)])
    found = chances([0.0, 0.0], wells, rules=rules, buildings=house, **SURE)
    sure = certain([0.0, 0.0], wells, rules=rules, buildings=house)
    clear = values_of(found, "chance_clear")
    closed = values_of(sure, "reasons") & BY_LAW != 0
    assert (clear == np.where(closed, 0, 100)).all() and (clear == 100).any() and (clear == 0).any()
    slope, limit = values_of(sure, "slope"), slope_limit_percent(load_rules(rules)) or math.inf
    assert (values_of(found, "slope_chance") == np.where(np.isnan(slope), 255, np.where(slope <= limit, 100, 0))).all()


def test_with_nothing_uncertain_the_path_chance_is_the_certain_answer():
    wells = [well_at(60, 60), well_at(200, 30)]
    code = values_of(certain([0.0, 0.0], wells), "well_path_code")
    expected = np.array([0, 100, 0, 255, 255], np.uint8)[code]
    assert [flowpath.REACHES_A_WELL, flowpath.REACHES_NO_WELL, flowpath.LEAVES_THE_DATA, flowpath.NO_ELEVATION] == [1, 2, 3, 4]
    found = chances([0.0, 0.0], wells, **SURE)
    assert (values_of(found, "path_chance") == expected).all() and found.counts["ground_draws"] == 1
    assert set(np.unique(expected)) == {0, 100, 255}


def test_a_small_error_changes_only_cells_at_the_edge_and_never_opens_what_is_closed():
    wells = [well_at(60, 60), well_at(200, 30)]
    exact = values_of(chances([0.0, 0.0], wells, **SURE), "chance_clear")
    nearly = values_of(chances([1e-6, 1e-6], wells, **SURE), "chance_clear")
    assert (nearly[exact == 0] == 0).all() and set(np.unique(nearly)) == {0, 100}
    cells = cells_of(chances([0.0], wells[:1], **SURE)["chance_clear"].raster.grid)
    at_edge = np.min([abs(shapely.distance(cells, well) - 30.48) for well in wells], axis=0) < 0.6
    assert not (nearly != exact)[~at_edge].any()


def test_more_doubt_makes_no_cell_certain():
    wells = [well_at(60, 60), well_at(200, 30)]
    sure = values_of(chances([3.0, 3.0], wells), "chance_clear")
    rough = {"well_columns": {"location_method": ["quarter_quarter", None]}}
    for change in ({"parcel_line_error_m": 4.0}, {"building_error_m": 4.0}, rough):
        doubtful = values_of(chances([3.0, 3.0], wells, buildings=layer([at(180, 90, 195, 102)]), **change), "chance_clear")
        assert not ((doubtful == 100) & (sure != 100)).any()
        assert (doubtful == 100).sum() < (sure == 100).sum()


def test_a_well_placed_by_a_section_leaves_nothing_within_it_certain():
    found = chances([math.nan], [well_at(60, 60)], well_columns={"location_method": ["section"]}, **SURE)
    clear = values_of(found, "chance_clear")
    assert not (clear == 100).any() and found.counts["wells_never_certain"] == 1
    # A circle of 100 ft in a square mile: clear in nearly all cases, and never said to be certain.
    assert clear.max() == 99


def test_a_presumed_well_lowers_the_chance_on_its_lot_and_round_it_and_none_is_certain_there():
    house = layer([at(60, 60, 75, 72)])
    served = values_of(chances([3.0], [well_at(265, 145)], buildings=house, **SURE), "chance_clear")
    found = chances([3.0], [well_at(265, 145)], buildings=house, public_water=[False, True], **SURE)
    clear = values_of(found, "chance_clear")
    assert found.counts["presumed_wells"] == 1 and (clear <= served).all()
    cells = cells_of(found["chance_clear"].raster.grid)
    near = shapely.distance(cells, LOTS[0]) < 30.48
    assert not (clear[near] == 100).any() and (clear == served)[shapely.distance(cells, LOTS[0]) > 34].all()
    # The well is rather by the house than at the lot's far corner.
    by_house, corner = shapely.distance(cells, at(60, 60, 75, 72)) < 20, shapely.distance(cells, at(20, 20, 24, 24)) < 6
    open_before = served == 100
    assert clear[by_house & open_before].mean() < clear[corner & open_before].mean() - 15


def test_an_open_condition_counts_as_required():
    wells = [well_at(60, 60)]
    open_ = values_of(chances([3.0], wells, rules="us-nj", facts={}, **SURE), "chance_clear")
    sure = certain([3.0], wells, rules="us-nj")
    # Whatever the certain map leaves open for another reason than the place of this well is not clear here.
    assert not ((open_ == 100) & (values_of(sure, "reasons") & BY_LAW != 0)).any()


def test_unknown_heights_and_failed_ground_stay_unknown(monkeypatch):
    heights = hillside()
    heights[20:30, 20:30] = np.nan
    found = chances([3.0], [well_at(60, 60)], heights=heights)
    for name in ("slope_chance", "path_chance"):
        assert (values_of(found, name)[20:30, 20:30] == 255).all() and (values_of(found, name) != 255).any()
    proven, honest = chances([3.0], [well_at(60, 60)]), envelope._Cutter._short

    def never_for_the_first(self, shapes, zone):
        return np.concatenate([honest(self, shapes, zone), [[0], [zone[0]]]], axis=1)

    monkeypatch.setattr(envelope._Cutter, "_short", never_for_the_first)
    failed, before = (values_of(found, "chance_clear") for found in (chances([3.0], [well_at(60, 60)]), proven))
    on_first = shapely.intersects(cells_of(proven["chance_clear"].raster.grid), LOTS[0])
    assert (failed[on_first] == np.where(before == 0, 0, 255)[on_first]).all() and (failed[on_first] == 255).any()
    assert (failed[~on_first] == before[~on_first]).all()


def test_chances_are_the_same_whatever_the_windows_and_workers(monkeypatch):
    from geoseptic.terrain import windows

    wells = [well_at(60, 60), well_at(200, 30), well_at(130, 80)]
    columns = {"well_columns": {"location_method": ["gps", "quarter_quarter", "parcel_centroid"]}}
    whole = chances([3.0, math.nan, math.nan], wells, **columns)
    monkeypatch.setattr(windows, "SIDE_CELLS", 37)
    tiled = chances([3.0, math.nan, math.nan], wells, workers=2, **columns)
    for name in ("chance_clear", "slope_chance", "path_chance"):
        assert (values_of(whole, name) == values_of(tiled, name)).all()
    assert whole.counts == tiled.counts


def test_the_seed_changes_what_is_sampled_and_not_what_is_exact():
    wells, house = [well_at(60, 60)], layer([at(190, 90, 205, 102)])
    one, two = (chances([3.0], wells, seed=seed, public_water=[True, False], buildings=house) for seed in (1, 2))
    assert (values_of(one, "chance_clear") != values_of(two, "chance_clear")).any()
    one, two = (chances([3.0], wells, seed=seed) for seed in (1, 2))
    assert (values_of(one, "chance_clear") == values_of(two, "chance_clear")).all()
    assert (values_of(one, "slope_chance") == values_of(two, "slope_chance")).all()


def test_slope_chance_beside_a_gap_is_no_surer_than_in_the_open():
    heights = 100 - 0.06 * 2.0 * np.mgrid[:75, :140][0]
    whole = values_of(chances([3.0], [well_at(60, 60)], heights=heights, vertical_error_m=0.4, rules="us-typical"), "slope_chance")
    heights[40:60, 40:60] = np.nan
    gap = values_of(chances([3.0], [well_at(60, 60)], heights=heights, vertical_error_m=0.4, rules="us-typical"), "slope_chance")
    known = gap != 255
    assert (gap[known] <= whole[known]).all() and (gap[38, 45:55] < whole[38, 45:55]).all() and (gap[20, 45:55] == whole[20, 45:55]).all()


def test_path_chance_is_a_share_of_the_draws_and_never_certain():
    found = chances([3.0], [well_at(100, 60)], ground_draws=10, vertical_error_m=0.5)
    percent = values_of(found, "path_chance")
    assert set(np.unique(percent)) <= {1, 10, 20, 30, 40, 50, 60, 70, 80, 90, 99, 255}
    assert {1, 50, 99} <= set(np.unique(percent)) and found.counts["path_chance_sampling_error_percent"] == pytest.approx(
        50 / math.sqrt(10), abs=0.01
    )


def test_draws_of_a_ground_in_files_leave_none_behind(tmp_path, monkeypatch):
    """However many grounds are drawn, so many files are there at the end, and at no time more than those of one draw besides."""
    most: dict[int, int] = {}
    left, found = {}, {}
    for draws in (1, 2, 6):
        options = given([3.0], [well_at(100, 60)], LOTS, ground_draws=draws, vertical_error_m=0.5, draws=20)
        elevation = options["elevation"]
        folder = tmp_path / str(draws)
        folder.mkdir()
        plane = new_plane(folder, elevation.grid.shape, np.float32)
        plane.write(slice(0, plane.shape[0]), slice(0, plane.shape[1]), elevation.values)

        def made(*arguments, draws=draws, folder=folder):
            most[draws] = max(most.get(draws, 0), sum(1 for _ in folder.iterdir()) + 1)
            return new_plane(*arguments)

        monkeypatch.setattr(scratch, "new_plane", made)
        found[draws] = uncertainty(**{**options, "elevation": Raster(plane, elevation.grid)})
        left[draws] = len(list(folder.iterdir()))
        assert (values_of(uncertainty(**options), "path_chance") == values_of(found[draws], "path_chance")).all()
    assert left[1] == left[2] == left[6] and most[2] == most[6] <= most[1] + 2


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"vertical_error_m": -0.1}, "--vertical-error"),
        ({"vertical_error_m": 300.0}, "--vertical-error"),
        ({"parcel_line_error_m": -1.0}, "--parcel-line-error"),
        ({"building_error_m": math.nan}, "--building-error"),
        ({"correlation_length_m": 0.0}, "--correlation-length"),
        ({"draws": 0}, "--draws"),
        ({"ground_draws": 0}, "--ground-draws"),
        ({"lidar_quality": "QL9"}, "--lidar-quality"),
        ({"lidar_quality": "QL2", "vertical_error_m": 0.1}, "give one of them"),
        ({"location_error_is": "ce99"}, "--location-error-is"),
    ],
)
def test_errors_that_cannot_be_are_refused(options: dict, says: str):
    with pytest.raises(ParameterError, match=says):
        chances([3.0], [well_at(60, 60)], **options)


def test_negative_errors_of_wells_and_words_for_no_method_are_refused():
    with pytest.raises(LayerContractError, match="negative"):
        chances([-3.0], [well_at(60, 60)])
    with pytest.raises(LayerContractError, match="location_method is none of"):
        chances([3.0], [well_at(60, 60)], well_columns={"location_method": ["guessed"]})


def test_what_is_assumed_or_unlikely_is_told():
    said = " ".join(chances([math.nan], [well_at(60, 60)], well_columns={"location_method": ["gps"]}).warnings)
    assert "quality level QL2 is assumed" in said and "1 wells placed by gps state no location error" in said
    said = " ".join(chances([5000.0], [well_at(60, 60)], vertical_error_m=1.5).warnings)
    assert "are a guess" in said and "larger than a section" in said
    assert "assumed" not in " ".join(line for line in chances([3.0], [well_at(60, 60)], lidar_quality="QL1").warnings if "height" in line)
