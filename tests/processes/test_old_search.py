"""Search areas and seasonal risk through the whole process: nothing is guessed, everything that could not be looked at is told."""

import geopandas
import numpy as np
import pytest
from affine import Affine
from shapely import LineString, Point, box

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.cautions import BEFORE_ANY_LID
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.results import Results
from geoseptic.parcels.searchareas import CLASSES
from geoseptic.processes import old_search
from geoseptic.processes.old_search import ALWAYS
from tests.processes.lots_in_a_row import BOTTOM, CRS, LEFT, SIDE_M, lots, wells

old_systems = PROCESSES["old_systems"]
RULES = load_rules("us-ma")
HOUSES = [(40, 40, 12, 8), (140, 40, 12, 8)]


def frame(shapes: list[object], **columns: list[object]) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def roofs(places: list[tuple[float, float, float, float]], **columns: list[object]) -> geopandas.GeoDataFrame:
    """Buildings from (x, y, width, depth) from the corner of the first lot. [m]"""
    return frame([box(LEFT + x, BOTTOM + y, LEFT + x + wide, BOTTOM + y + deep) for x, y, wide, deep in places], **columns)


def found(parcels: geopandas.GeoDataFrame, buildings: geopandas.GeoDataFrame | None, **options: object) -> Results:
    return old_systems(parcels, wells([(5, 95)], [0.0]), rules=RULES, buildings=buildings, **options)


def ground(heights: np.ndarray, cell_m: float = 2.0) -> Raster:
    """Heights from 20 m beyond the corner of the first lot."""
    place = Affine(cell_m, 0, LEFT - 20, 0, -cell_m, BOTTOM - 20 + heights.shape[0] * cell_m)
    return Raster(heights.astype(np.float32), Grid.of(heights.shape, place, CRS, "elevation"))


def falls_east(lots_wide: int = 2, slope: float = 0.05) -> np.ndarray:
    return 50 - slope * 2.0 * np.arange((lots_wide * int(SIDE_M) + 40) // 2) + np.zeros((70, 1))


def test_lots_without_a_dwelling_or_with_a_permit_are_told_and_not_guessed_at():
    parcels = lots(4, year_built=[1950] * 4, permit_on_file=[None, True, None, None])
    drawn = roofs([*HOUSES, (340, 40, 12, 8)], not_a_dwelling=[None, None, True])
    layer = found(parcels, drawn)["parcels"].frame.set_index("parcel_id").search
    assert layer["L0"] == "drawn"
    assert "permit is on file" in layer["L1"]
    assert "no building" in layer["L2"]
    assert "no building" in layer["L3"]
    everything = found(parcels, drawn, search_lots="all")["parcels"].frame.set_index("parcel_id").search
    assert list(everything) == ["drawn", "drawn", layer["L2"], layer["L3"]]


def test_without_buildings_nothing_is_drawn_and_the_season_is_unknown():
    result = found(lots(2, year_built=[1950, 1950]), None)
    assert len(result["search_areas"].frame) == len(result["sweep"].frame) == 0
    assert set(result["parcels"].frame.may_fail_in_wet_season) == {"unknown"}


def test_of_several_houses_the_largest_dwelling_is_searched_for():
    places = [(20, 20, 8, 8), (60, 60, 12, 10), (20, 60, 20, 20)]
    result = found(lots(1, year_built=[1950]), roofs(places, not_a_dwelling=[None, None, True]))
    areas = result["search_areas"].frame
    middle = Point(LEFT + 66, BOTTOM + 65)
    assert areas.union_all().convex_hull.centroid.distance(middle) < 3
    assert areas.distance(box(LEFT + 60, BOTTOM + 60, LEFT + 72, BOTTOM + 70)).max() <= 25 * 0.3048 + 0.1


def test_the_lower_side_comes_first_and_the_sweep_begins_there():
    result = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), elevation=ground(falls_east(1)))
    areas = result["search_areas"].frame
    first = areas[areas.look == "first"]
    assert first.bounds.minx.min() >= LEFT + 46 - 1e-6
    assert all("falls away" in words for words in first.reasons)
    begin = result["sweep"].frame.iloc[0]
    assert (begin.stop, begin.leg, begin.side) == (1, "begin", "E")
    assert result["parcels"].frame.search_from[0] == "wall above the lowest ground: a guess"


def test_ground_without_heights_under_the_lot_is_told_and_favours_no_side():
    heights = falls_east(1)
    heights[:, :] = np.where(np.arange(70) < 5, heights, np.nan)
    result = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), elevation=ground(heights))
    areas = result["search_areas"].frame
    assert set(areas.sides) == {"all sides"}
    assert all("not known on this side" in words for words in areas.reasons)
    row = result["parcels"].frame.iloc[0]
    assert row.may_fail_in_wet_season == "unknown"
    assert "the height of the ground" in row.wet_season_reasons
    assert row.search_from == "anywhere: nothing tells the side"


def test_a_stack_turns_the_search_and_one_at_another_building_does_not():
    stacks = frame([Point(LEFT + 46, BOTTOM + 41)])
    shed = [*HOUSES[:1], (70, 40, 6, 6)]
    own = found(lots(1, year_built=[1950]), roofs(shed), plumbing=stacks)
    assert own["sweep"].frame.side[0] == "S"
    assert own["parcels"].frame.search_from[0] == "stack or exit on the map"
    other = found(lots(1, year_built=[1950]), roofs(shed), plumbing=frame([Point(LEFT + 72, BOTTOM + 43)]))
    assert other["parcels"].frame.search_from[0] == "anywhere: nothing tells the side"
    assert any("1 of 1 points of plumbing" in warning for warning in other.warnings)


def test_a_drive_drawn_as_a_line_lowers_and_a_rough_well_does_not():
    drive = frame([LineString([(LEFT + 52, BOTTOM + 44), (LEFT + 100, BOTTOM + 44)])])
    rough = old_systems(lots(1, year_built=[1950]), wells([(45, 30)], [100.0]), rules=RULES, buildings=roofs(HOUSES[:1]), driveways=drive)
    words = rough["search_areas"].frame.reasons
    assert words.str.contains("drive or patio").any()
    assert not words.str.contains("known well").any()
    assert any("known to no better" in warning for warning in rough.warnings)
    near = old_systems(lots(1, year_built=[1950]), wells([(45, 30)], [3.0]), rules=RULES, buildings=roofs(HOUSES[:1]))
    assert near["search_areas"].frame.reasons.str.contains("known well").any()


def test_a_house_on_the_lot_line_is_told_of_the_ground_beyond():
    result = found(lots(2, year_built=[1950, 1950]), roofs([(1, 40, 12, 8)]))
    row = result["parcels"].frame.iloc[0]
    assert row.beyond_lot_percent >= 10
    assert found(lots(1, year_built=[1950]), roofs(HOUSES[:1]))["parcels"].frame.beyond_lot_percent.isna().all()


def test_a_house_whose_middle_is_on_the_line_is_searched_for_on_both_lots():
    """Two homes under one roof have their middle on the lot line, and so on neither lot: the tank may lie on either."""
    done = found(lots(2, year_built=[1950, 1950]), roofs([(SIDE_M - 8, 40, 16, 10)]))
    assert list(done["parcels"].frame.search) == ["drawn", "drawn"]
    assert set(done["search_areas"].frame.parcel_id) == set(done["parcels"].frame.parcel_id)


def test_everything_that_sends_somebody_there_carries_the_cautions():
    result = found(lots(2, year_built=[1950, 1950]), roofs(HOUSES))
    for name in ("search_areas", "sweep"):
        # In full once a lot and on the layer, for a county has a million stops; in short in every row.
        rows = result[name].frame.groupby("parcel_id").cautions
        assert set(rows.first()) == {BEFORE_ANY_LID}
        assert set(result[name].frame.cautions) == {BEFORE_ANY_LID, ALWAYS}
        assert BEFORE_ANY_LID in result[name].description
    assert result.points[0].caution == BEFORE_ANY_LID
    assert "never enter" in ALWAYS


def test_every_column_is_explained_and_every_class_has_its_colour():
    result = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), elevation=ground(falls_east(1)))
    for name in ("parcels", "search_areas", "sweep", "wet_season"):
        layer = result[name]
        assert set(layer.notes) == set(layer.frame.columns) - {"geometry"}
        assert set(layer.frame[layer.legend.column]) <= {swatch.value for swatch in layer.legend.swatches}
    assert [name for name, _ in CLASSES] == [swatch.value for swatch in result["search_areas"].legend.swatches]


def test_a_lot_reads_the_same_alone_and_in_any_order():
    parcels = lots(2, year_built=[1950, 1960])
    height = ground(falls_east(2))
    both = found(parcels, roofs(HOUSES), elevation=height)["search_areas"].frame
    turned = found(parcels.iloc[::-1], roofs(HOUSES[::-1]), elevation=height)["search_areas"].frame
    for name in ("L0", "L1"):
        one, other = (layer[layer.parcel_id == name].reset_index(drop=True) for layer in (both, turned))
        assert one.drop(columns="geometry").equals(other.drop(columns="geometry"))
        assert one.geometry.geom_equals_exact(other.geometry, 0).all()


def test_worker_processes_draw_what_one_process_draws(monkeypatch: pytest.MonkeyPatch):
    parcels, drawn = lots(5, year_built=[1950] * 5), roofs([(100 * number + 30 + number, 40, 12, 8) for number in range(5)])
    alone = found(parcels, drawn, sweep_stops=7)
    monkeypatch.setattr(old_search, "WORTH_PROCESSES", 2)
    monkeypatch.setattr(old_search, "CHUNK", 2)
    shared = found(parcels, drawn, sweep_stops=7, workers=2)
    for name in ("search_areas", "sweep", "parcels"):
        one, other = alone[name].frame, shared[name].frame
        assert one.drop(columns="geometry").equals(other.drop(columns="geometry"))
        assert one.geometry.geom_equals_exact(other.geometry, 0).all()
    assert len(shared["sweep"].frame) == 35


# Seasonal risk

DRY = {"musym": ["Dry"], "wtdepannmin": [None], "described_cm": [200.0], "flodfreqdcd": ["None"], "pondfreqprs": ["0"], "hydgrpdcd": ["B"]}
EVERYWHERE = box(LEFT - 500, BOTTOM - 500, LEFT + 900, BOTTOM + 500)


def soil(**columns: list[object]) -> geopandas.GeoDataFrame:
    return frame([EVERYWHERE], **{**DRY, **columns})


def zones(zone: str) -> geopandas.GeoDataFrame:
    return frame([EVERYWHERE], zone=[zone])


def risk(heights: np.ndarray | None = None, **options: object) -> tuple[str, str]:
    given = {"soils": soil(), "floodplain": zones("X"), "elevation": ground(falls_east(1) if heights is None else heights), **options}
    row = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), **given)["parcels"].frame.iloc[0]
    return row.may_fail_in_wet_season, row.wet_season_reasons


def stream_in_the_east() -> geopandas.GeoDataFrame:
    return frame([LineString([(LEFT + 118, BOTTOM - 20), (LEFT + 118, BOTTOM + 120)])], kind=["perennial"])


def test_where_all_was_looked_at_and_nothing_found_it_says_so_and_clears_nothing():
    answer, words = risk(surface_water=stream_in_the_east())
    assert answer == "no sign found"
    assert "no proof" in words


@pytest.mark.parametrize(
    ("options", "missing"),
    [
        ({"soils": None}, "the soil"),
        ({"floodplain": None}, "flood zones"),
        ({"floodplain": zones("D")}, "whether the flood map covers it"),
        ({"floodplain": zones("")}, "whether the flood map covers it"),
        ({"elevation": None}, "the height of the ground"),
        ({"soils": soil(described_cm=[150.0])}, "the depth of water in the soil"),
        ({"soils": soil(flodfreqdcd=[None])}, "how often the soil floods"),
        ({"soils": soil(pondfreqprs=["0-30%"])}, "how much of the soil ponds"),
        ({"surface_water": None}, "the height above the nearest drainage"),
    ],
)
def test_whatever_could_not_be_looked_at_leaves_it_unknown(options: dict[str, object], missing: str):
    answer, words = risk(**{"surface_water": stream_in_the_east(), **options})
    assert answer == "unknown"
    assert missing in words


@pytest.mark.parametrize(
    ("options", "sign"),
    [
        ({"soils": soil(wtdepannmin=[60.0])}, "water within 0.6 m"),
        ({"soils": soil(hydgrpdcd=["B/D"])}, "high water unless drained"),
        ({"soils": soil(flodfreqdcd=["Frequent"])}, "frequent flooding"),
        ({"soils": soil(pondfreqprs=["15-49%"])}, "ponds"),
        ({"floodplain": zones("AE")}, "flood map: floodplain"),
        ({"floodplain": frame([EVERYWHERE], kind=["floodway"])}, "flood map: floodway"),
    ],
)
def test_any_one_sign_is_enough(options: dict[str, object], sign: str):
    answer, words = risk(**{"surface_water": stream_in_the_east(), **options})
    assert answer == "yes"
    assert sign in words


def test_a_hollow_beside_the_house_is_a_sign_and_its_depth_is_told():
    heights = falls_east(1, slope=0.01)
    heights[38:44, 38:44] -= 1.0
    result = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), elevation=ground(heights))
    row = result["parcels"].frame.iloc[0]
    assert row.may_fail_in_wet_season == "yes"
    assert "a hollow there would hold" in row.wet_season_reasons
    # 1 m, less what the ground falls by over the hollow's 12 m.
    assert row.ponding_ft * 0.3048 == pytest.approx(1.0, abs=0.13)


def test_ground_beside_the_stream_is_low_beside_the_county_and_says_how_high_it_lies():
    # A county that falls by 10 percent to the lot, and by half a percent over it to a stream east of the house.
    x_m = 2.0 * np.arange(181)
    heights = np.where(x_m < 300, 50 - 0.1 * x_m, 20 - 0.005 * (x_m - 300)) + np.zeros((70, 1))
    place = Affine(2.0, 0, LEFT - 300, 0, -2.0, BOTTOM + 120)
    raster = Raster(heights.astype(np.float32), Grid.of(heights.shape, place, CRS, "elevation"))
    water = frame([LineString([(LEFT + 60, BOTTOM - 20), (LEFT + 60, BOTTOM + 120)])], kind=["perennial"])
    result = found(lots(1, year_built=[1950]), roofs(HOUSES[:1]), elevation=raster, surface_water=water)
    row = result["parcels"].frame.iloc[0]
    assert row.may_fail_in_wet_season == "yes"
    assert "by height above the drainage" in row.wet_season_reasons
    assert row.low_ground_percent >= 25
    # The nearest cells of the ground that is looked at lie beside the stream.
    assert row.above_drainage_ft < 0.2


def test_a_raster_too_large_for_memory_is_told_and_reads_as_unknown(tmp_path, monkeypatch):
    from geoseptic.io.scratch import new_plane
    from geoseptic.processes import wet_season

    raster = ground(falls_east(1))
    plane = new_plane(tmp_path, raster.grid.shape, np.float32)
    plane.write(slice(0, plane.shape[0]), slice(0, plane.shape[1]), raster.values)
    layers = {"soils": soil(), "floodplain": zones("X"), "surface_water": stream_in_the_east()}
    one_lot = lots(1, year_built=[1950]), roofs(HOUSES[:1])
    in_memory, in_a_file = (found(*one_lot, elevation=heights, **layers) for heights in (raster, raster.with_values(plane)))
    for name in ("parcels", "search_areas"):
        assert in_a_file[name].frame.equals(in_memory[name].frame)
    monkeypatch.setattr(wet_season, "MOST_CELLS", plane.shape[0] * plane.shape[1] - 1)
    result = found(*one_lot, elevation=raster.with_values(plane), **layers)
    row = result["parcels"].frame.iloc[0]
    assert row.may_fail_in_wet_season == "unknown"
    assert "the height above the nearest drainage" in row.wet_season_reasons
    assert any("too large" in warning for warning in result.warnings)
    assert result["search_areas"].frame.drop(columns="geometry").equals(in_memory["search_areas"].frame.drop(columns="geometry"))


def test_the_well_to_which_water_from_round_the_house_runs_is_named():
    """Ground that falls to the east, a well east of the first house and west of the other one."""
    houses = roofs([(40, 40, 12, 8), (240, 40, 12, 8)])
    layers = {"rules": RULES, "buildings": houses}
    parcels, well = lots(3, year_built=[1950, None, 1950]), wells([(105, 44)], [0.0])
    told = old_systems(parcels, well, elevation=ground(falls_east(3)), **layers)["parcels"].frame
    assert told.well_downslope.tolist() == ["W0", "", ""]
    assert old_systems(parcels, well, **layers)["parcels"].frame.well_downslope.tolist() == ["", "", ""]
