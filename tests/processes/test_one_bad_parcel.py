"""One bad parcel never stops a county: it is listed, nothing on it reads as clear, and the others come out as without it."""

import multiprocessing
import os

import geopandas
import numpy as np
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from geoseptic.errors import GeometryRepairError, LayerContractError
from geoseptic.io.rulefiles import load_rules
from geoseptic.parcels import envelope
from geoseptic.processes import layouts, old_lots, old_search, screening, screening_tables, ways_down, wet_season, workers
from geoseptic.processes.old_systems import old_systems
from geoseptic.processes.screen_county import screen_county
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.suitability_map import suitability_map
from geoseptic.terrain import rating
from tests.processes.lots_in_a_row import BOTTOM, CRS, LEFT, SIDE_M, ground, lots, wells

RULES = load_rules("us-wa")
COUNT = 6
BAD = "L3"
FAR_WELL = wells([(-800.0, 50.0)], [0.0])


def houses(*middles: tuple[float, float], count: int = COUNT) -> geopandas.GeoDataFrame:
    """A house of 10 x 10 m in the lower left of each lot, or at these middles."""
    at = middles or [(SIDE_M * number + 20.0, 20.0) for number in range(count)]
    shapes = [shapely.box(LEFT + x - 5, BOTTOM + y - 5, LEFT + x + 5, BOTTOM + y + 5) for x, y in at]
    return geopandas.GeoDataFrame({"not_a_dwelling": [False] * len(shapes)}, geometry=shapes, crs=CRS)


def county(shape: shapely.Geometry | None = None, leave_out: bool = False) -> geopandas.GeoDataFrame:
    """Lots in a row; the bad one with `shape`, or left out."""
    parcels = lots(COUNT, bedrooms=[3] * COUNT, soil=["type 4"] * COUNT)
    if leave_out:
        return parcels[parcels.parcel_id != BAD].reset_index(drop=True)
    if shape is not None:
        shapes = parcels.geometry.to_numpy(dtype=object).copy()
        shapes[3] = shape
        parcels = parcels.set_geometry(geopandas.GeoSeries(shapes, crs=CRS))
    return parcels


def screened(parcels: geopandas.GeoDataFrame, count: int = 1):
    return screen_county(
        parcels, FAR_WELL, ground(SIDE_M * COUNT, cell_m=2.0), rules=RULES, buildings=houses(), reach_m=50.0, workers=count
    )


def rows(results, layer: str = "parcels", column: str = "parcel_id") -> geopandas.GeoDataFrame:
    return results[layer].frame.set_index(column)


def assert_same(one: geopandas.GeoDataFrame, other: geopandas.GeoDataFrame) -> None:
    """The same values; a column that is empty in some row elsewhere has another type of number."""
    assert_geodataframe_equal(one, other, check_dtype=False)


def failed(results) -> set[tuple[str, str]]:
    return {(str(record["feature"]), str(record["stage"])) for record in results.failures}


def corner(number: int) -> tuple[float, float]:
    return LEFT + SIDE_M * number, BOTTOM


def spoilt_shapes() -> dict[str, shapely.Geometry]:
    x, y = corner(3)
    inner = shapely.box(x + 5, y + 5, x + 60, y + 95)
    return {
        "flat": shapely.Polygon([(x, y), (x + 50, y), (x + 90, y)]),
        "no numbers": shapely.Polygon([(x, y), (x + 100, y), (x + 100, y + 100), (np.nan, np.nan), (x, y)]),
        "infinite": shapely.Polygon([(x, y), (x + 100, y), (x + 100, y + 100), (np.inf, y)]),
        "huge": shapely.Polygon([(x, y), (x + 100, y), (x + 100, y + 100), (1e300, y)]),
        "empty": shapely.Polygon(),
        "a line": shapely.LineString([(x, y), (x + 50, y + 50)]),
        "two readings": shapely.MultiPolygon([shapely.box(x, y, x + 100, y + 100), inner]),
    }


@pytest.mark.parametrize("name", list(spoilt_shapes()))
def test_parcel_without_a_usable_shape_is_listed_and_the_others_come_out_as_without_it(name):
    shape = spoilt_shapes()[name]
    found, without = screened(county(shape)), screened(county(leave_out=True))
    assert failed(found) == {(BAD, "checking")}
    assert rows(found).loc[BAD, "verdict"] == "cannot say"
    assert len(found["parcels"].frame) == COUNT
    assert found["failures"].frame["feature"].tolist() == [BAD] and found["failures"].frame["why"][0]
    assert not np.isin(values_on(found, shape), range(1, 101)).any()
    others = [one for one in rows(without).index if one not in ("L2", "L4")]
    assert "fits by gravity" in set(rows(without).loc[others, "verdict"]) | {"fits with pump"} or len(others) == 3
    assert_same(rows(found).loc[others], rows(without).loc[others])
    for layer in ("field_envelope", "tank_envelope"):
        one, other = rows(found, layer).loc[others], rows(without, layer).loc[others]
        common = [name for name in one.columns if name in other.columns]
        assert_same(one[common], other[common])


def values_on(found, shape: shapely.Geometry) -> np.ndarray:
    """Ratings of the cells whose middles lie on what is left of the shape."""
    corners = shapely.get_coordinates(shape)
    corners = corners[(np.abs(corners) < 1e8).all(axis=1)]
    hull = shapely.convex_hull(shapely.multipoints(corners)) if len(corners) else shapely.Polygon()
    raster = found["suitability"].raster
    row, col = np.mgrid[: raster.grid.shape[0], : raster.grid.shape[1]]
    return raster.values[shapely.contains_xy(hull, *raster.grid.middles_m(row, col))]


def test_ground_of_a_parcel_that_is_not_mended_is_unknown_and_not_off_every_parcel():
    found = suitability_map(
        county(spoilt_shapes()["two readings"]), FAR_WELL, ground(SIDE_M * COUNT, cell_m=2.0), rules=RULES, buildings=houses(), reach_m=50.0
    )
    values = values_on(found, spoilt_shapes()["two readings"])
    assert (values == rating.UNKNOWN).any() and set(np.unique(values)) <= {rating.EXCLUDED, rating.UNKNOWN}


def test_layer_of_which_most_shapes_are_of_no_use_is_refused():
    parcels = lots(3)
    parcels = parcels.set_geometry(geopandas.GeoSeries([None, None, parcels.geometry[2]], crs=CRS))
    with pytest.raises(LayerContractError, match="no geometry: L0, L1"):
        setback_envelopes(parcels, FAR_WELL, rules=RULES)
    flat = [shapely.Polygon([(LEFT, BOTTOM + n), (LEFT + 40, BOTTOM + n), (LEFT + 80, BOTTOM + n)]) for n in (0, 1)]
    with pytest.raises(GeometryRepairError, match="no area is left after mending the outline in L0, L1"):
        setback_envelopes(lots(3).set_geometry(geopandas.GeoSeries([*flat, lots(3).geometry[2]], crs=CRS)), FAR_WELL, rules=RULES)


# ------------------------------------------------------------------------------------------------------------------- faults put in

ERRORS = {"GEOS": shapely.GEOSException("TopologyException"), "memory": MemoryError("no memory for this lot"), "value": ValueError("odd")}


def breaks_at_bad(honest, shapes_of, error):
    """`honest`, raising where the bad lot is among the shapes that it is given."""
    x, y = corner(3)
    place = shapely.Point(x + 50, y + 50)

    def broken(*args, **kwargs):
        if any(shape is not None and shapely.covers(shape, place) for shape in shapes_of(*args, **kwargs)):
            raise error
        return honest(*args, **kwargs)

    return broken


@pytest.mark.parametrize("error", list(ERRORS))
def test_envelope_that_fails_is_empty_and_leaves_the_others_as_they_are(monkeypatch, error):
    whole = screened(county())
    monkeypatch.setattr(envelope, "inward", breaks_at_bad(envelope.inward, lambda shapes, _: shapes, ERRORS[error]))
    found = screened(county())
    assert {(BAD, f"envelope of {part}") for part in ("drain field", "reserve", "septic tank")} <= failed(found)
    assert rows(found).loc[BAD, "verdict"] == "cannot say" and type(ERRORS[error]).__name__ in rows(found).loc[BAD, "reasons"]
    others = [one for one in rows(whole).index if one != BAD]
    assert_same(rows(found).loc[others], rows(whole).loc[others])
    values = values_on(found, shapely.box(*corner(3), corner(3)[0] + SIDE_M, BOTTOM + SIDE_M).buffer(-1))
    assert not np.isin(values, range(1, 101)).any()


@pytest.mark.parametrize("error", list(ERRORS))
def test_search_that_fails_at_a_lot_gives_no_verdict_on_it_alone(monkeypatch, error):
    whole = screened(county())
    monkeypatch.setattr(layouts, "_searched", searched_but_at(lambda lots, lot: lots.shapes_m[lot], layouts._searched, ERRORS[error]))
    found = screened(county())
    assert failed(found) == {(BAD, "layout")}
    assert rows(found).loc[BAD, "verdict"] == "cannot say"
    others = [one for one in rows(whole).index if one != BAD]
    assert (rows(whole).loc[others, "verdict"] != "cannot say").any()
    assert_same(rows(found).loc[others], rows(whole).loc[others])


@pytest.mark.parametrize("error", list(ERRORS))
def test_way_of_the_water_that_cannot_be_followed_is_unknown_on_that_lot_alone(monkeypatch, error):
    whole = screened(county())

    def start_but_at_bad(field, grid, distance_m):
        x, y = corner(3)
        if shapely.intersects(field, shapely.box(x + 1, y + 1, x + SIDE_M - 1, y + SIDE_M - 1)):
            raise ERRORS[error]
        return honest(field, grid, distance_m)

    honest = ways_down._start
    monkeypatch.setattr(ways_down, "_start", start_but_at_bad)
    found = screened(county())
    assert failed(found) == {(BAD, "way downslope")}
    assert rows(found).loc[BAD, "downslope_well"].startswith("unknown")
    others = [one for one in rows(whole).index if one != BAD]
    assert_same(rows(found).loc[others], rows(whole).loc[others])


def searched_but_at(shape_of, honest, error):
    x, y = corner(3)
    place = shapely.Point(x + 50, y + 50)

    def searched(lots, lot, *others):
        if not lots.why_not[lot] and shapely.covers(shape_of(lots, lot), place):
            raise error
        return honest(lots, lot, *others)

    return searched


def laid_out_but_at_bad(lots, setting):
    """For worker processes, which see no monkeypatch: the layouts, raising where the bad lot can be searched."""
    if os.getpid() == 0 or multiprocessing.current_process().name == "MainProcess":
        raise AssertionError("not in a worker")
    x, y = corner(3)
    if any(
        not why and shapely.covers(shape, shapely.Point(x + 50, y + 50)) for why, shape in zip(lots.why_not, lots.shapes_m, strict=True)
    ):
        raise MemoryError("no memory for this lot")
    return layouts.laid_out(lots, setting)


def test_lot_at_which_a_worker_process_fails_is_listed_and_the_others_are_as_without_workers(monkeypatch):
    whole = screened(county())
    monkeypatch.setattr(workers, "WORTH_PROCESSES", 0)
    monkeypatch.setattr(workers, "CHUNK", 2)
    monkeypatch.setattr(screening, "laid_out", laid_out_but_at_bad)
    found = screened(county(), 2)
    assert failed(found) == {(BAD, "layout")}
    others = [one for one in rows(whole).index if one != BAD]
    assert_same(rows(found).loc[others], rows(whole).loc[others])


def test_step_over_all_layouts_that_fails_for_one_lot_is_done_without_it(monkeypatch):
    whole = screened(county())
    bad = rows(whole, "fields").loc[BAD].geometry
    drawn = bad if isinstance(bad, shapely.Geometry) else bad.iloc[0]
    place = shapely.point_on_surface(drawn)

    def broken(shapes, *more):
        if shapely.intersects(shapes, place).any():
            raise ERRORS["GEOS"]
        return honest(shapes, *more)

    honest = screening.broken
    monkeypatch.setattr(screening, "broken", broken)
    found = screened(county())
    assert failed(found) == {(BAD, "proof of the layout")}
    assert rows(found).loc[BAD, "verdict"] == "cannot say"
    others = [one for one in rows(whole).index if one != BAD]
    assert_same(rows(found).loc[others], rows(whole).loc[others])


def test_test_holes_that_cannot_be_laid_out_are_missed_on_one_lot_alone(monkeypatch):
    honest = screening_tables.propose_holes

    def broken(identifier, *more):
        if identifier == BAD:
            raise ERRORS["value"]
        return honest(identifier, *more)

    whole = screened(county())
    monkeypatch.setattr(screening_tables, "propose_holes", broken)
    found = screened(county())
    assert failed(found) == {(BAD, "test holes")}
    kept = whole["test_holes"].frame
    assert found["test_holes"].frame["label"].tolist() == kept["label"][kept.parcel_id != BAD].tolist()


def test_step_that_fails_whatever_lots_it_is_given_still_ends_the_run(monkeypatch):
    def never(*_):
        raise ERRORS["value"]

    monkeypatch.setattr(screening, "broken", never)
    with pytest.raises(ValueError, match="odd"):
        screened(county())


@pytest.mark.parametrize("error", list(ERRORS))
def test_search_for_old_systems_that_fails_at_a_lot_leaves_it_undrawn_and_says_so(monkeypatch, error):
    def searched(parcels):
        return old_systems(parcels, FAR_WELL, rules=load_rules("us-ma"), buildings=houses())

    whole = searched(county())
    honest = old_search.search_areas
    monkeypatch.setattr(old_search, "search_areas", breaks_at_bad(honest, lambda yards, _: yards.lots_m, ERRORS[error]))
    found = searched(county())
    assert failed(found) == {(BAD, "where to look")}
    assert rows(found).loc[BAD, "search"].startswith("not drawn: the search failed")
    assert set(found["search_areas"].frame.parcel_id) == {f"L{number}" for number in range(COUNT)} - {BAD}
    kept = whole["search_areas"].frame
    assert_geodataframe_equal(found["search_areas"].frame, kept[kept.parcel_id != BAD].reset_index(drop=True))


@pytest.mark.parametrize("error", list(ERRORS))
def test_triage_and_wet_ground_that_fail_at_a_lot_leave_that_one_unknown(monkeypatch, error):
    """The second building and the wet season of one lot are unknown and listed with their stages; every other row is as it was."""

    def told(parcels):
        return old_systems(parcels, FAR_WELL, rules=load_rules("us-ma"), buildings=houses(), elevation=ground(SIDE_M * COUNT, cell_m=2.0))

    whole = told(county())
    bad_m = shapely.box(*corner(3), corner(3)[0] + SIDE_M, BOTTOM + SIDE_M)
    honest_second, honest_risk = old_lots._second_buildings, wet_season.seasonal_risk

    def second(land, least_m2, ignored):
        if not ignored[3]:
            raise ERRORS[error]
        return honest_second(land, least_m2, ignored)

    def risk(looked_at_m, *others):
        if any(shape.intersects(bad_m.buffer(-1)) for shape in looked_at_m):
            raise ERRORS[error]
        return honest_risk(looked_at_m, *others)

    monkeypatch.setattr(old_lots, "_second_buildings", second)
    monkeypatch.setattr(wet_season, "seasonal_risk", risk)
    found = told(county())
    assert failed(found) == {(BAD, "buildings on the lot"), (BAD, "wet ground")}
    row = rows(found).loc[BAD]
    assert (
        row["may_fail_in_wet_season"] == "unknown" and row["may_have_second_system"] != "no" and row["well_downslope"].startswith("unknown")
    )
    assert_geodataframe_equal(rows(found).drop(BAD), rows(whole).drop(BAD))


def test_a_house_without_an_area_is_no_small_house():
    """Of a house that is drawn as a point of no size nobody knows whether it is large enough to have a system of its own."""
    shapes = [*houses().geometry, shapely.Polygon([(LEFT + 350, BOTTOM + 50)] * 4)]
    drawn = geopandas.GeoDataFrame({"not_a_dwelling": [False] * len(shapes)}, geometry=shapes, crs=CRS)
    found = old_systems(county(), FAR_WELL, rules=load_rules("us-ma"), buildings=drawn)
    clean = old_systems(county(), FAR_WELL, rules=load_rules("us-ma"), buildings=houses())
    assert rows(clean).loc[BAD, "may_have_second_system"] == rows(clean).loc["L2", "may_have_second_system"]
    assert rows(found).loc[BAD, "may_have_second_system"] != rows(clean).loc[BAD, "may_have_second_system"]


@pytest.mark.parametrize("name", ["flat", "no numbers", "empty"])
def test_old_systems_say_nothing_of_a_parcel_without_a_usable_shape(name):
    found = old_systems(county(spoilt_shapes()[name]), FAR_WELL, rules=load_rules("us-ma"), buildings=houses())
    row = rows(found).loc[BAD]
    assert failed(found) == {(BAD, "checking")}
    assert row["expected"] == "unknown" and row["search"].startswith("not drawn") and row["may_fail_in_wet_season"] == "unknown"
    assert len(found["parcels"].frame) == COUNT


# ------------------------------------------------------------------------------------------------------- stacks, overlaps, the line


def test_lots_on_the_same_ground_are_never_said_to_fit():
    parcels = county()
    again = parcels[parcels.parcel_id == BAD].assign(parcel_id="UNIT 2")
    found = screened(geopandas.GeoDataFrame(geopandas.pd.concat([parcels, again], ignore_index=True), crs=CRS))
    assert rows(screened(parcels)).loc[BAD, "verdict"].startswith("fits")
    for name, other in ((BAD, "UNIT 2"), ("UNIT 2", BAD)):
        assert rows(found).loc[name, "verdict"] == "cannot say"
        assert f"the same ground is also that of {other}" in rows(found).loc[name, "reasons"]
        assert f"also that of {other}" in rows(found, "field_envelope").loc[name, "open_questions"]
    assert found["repairs"].frame.fault.tolist() == ["same ground as another"] * 2


def test_overlap_is_told_in_the_rows_of_both_lots_and_kept_out_of_both():
    parcels = county()
    shapes = parcels.geometry.to_numpy(dtype=object).copy()
    shapes[3] = shapely.box(*(corner(3)[0] - 4, BOTTOM), corner(3)[0] + SIDE_M, BOTTOM + SIDE_M)
    found = screened(parcels.set_geometry(geopandas.GeoSeries(shapes, crs=CRS)))
    for name, other in ((BAD, "L2"), ("L2", BAD)):
        assert f"claimed by several lots: 400.0 m2 shared with {other}" in rows(found).loc[name, "notes"]
        assert "claimed by several lots" in rows(found, "field_envelope").loc[name, "open_questions"]
    strip = shapely.box(corner(3)[0] - 4, BOTTOM, corner(3)[0], BOTTOM + SIDE_M)
    assert not shapely.intersects(found["field_envelope"].frame.geometry.to_numpy(), strip).any()
    told = found["repairs"].frame
    assert told.fault.tolist() == ["overlap"] * 2 and np.allclose(told.geometry.area, 400.0)


def test_house_on_the_lot_line_is_the_house_of_the_lots_that_share_it():
    on_the_line = houses((SIDE_M, 20.0), (250.0, 20.0), count=2)
    parcels = lots(3, bedrooms=[3] * 3, soil=["type 4"] * 3)
    found = screen_county(parcels, FAR_WELL, ground(300, cell_m=2.0), rules=RULES, buildings=on_the_line, reach_m=50.0)
    told = rows(found)
    for name, other in (("L0", "L1"), ("L1", "L0")):
        assert "no house on the lot" not in told.loc[name, "reasons"]
        assert f"the house on the lot line or in a gap, which {other} share taken to be this lot's" in told.loc[name, "assumptions"]
    tanks = rows(found, "tanks")
    assert {"L0", "L1"} <= set(tanks.index)
    lines = found["sewer_lines"].frame.merge(parcels[["parcel_id", "geometry"]], on="parcel_id", suffixes=("", "_lot"))
    assert all(lot.buffer(1e-6).covers(line) for line, lot in zip(lines.geometry, lines.geometry_lot, strict=True))


def test_house_in_a_gap_between_lots_is_no_house_of_a_lot_that_it_does_not_touch():
    parcels = lots(3, bedrooms=[3] * 3, soil=["type 4"] * 3)
    found = screen_county(parcels, FAR_WELL, ground(300, cell_m=2.0), rules=RULES, buildings=houses((SIDE_M, 20.0)), reach_m=50.0)
    assert "no house on the lot" in rows(found).loc["L2", "reasons"]
