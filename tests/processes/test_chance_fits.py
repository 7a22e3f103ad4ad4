"""The chances of fitting, from layers to rows: with nothing uncertain the screening's own search, and the same for any workers."""

import math
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from geoseptic.errors import LayerContractError
from geoseptic.io.rasters import read_elevation
from geoseptic.io.rulefiles import load_rules
from geoseptic.parcels import burn
from geoseptic.parcels.fit import room
from geoseptic.processes import chance_fits, layouts, screening
from geoseptic.processes.chance_fits import NOT_JUDGED, wilson
from geoseptic.processes.screen_county import screen_county
from geoseptic.processes.screening_legends import SURE as SURE_LEGEND
from geoseptic.processes.uncertainty import uncertainty
from geoseptic.sheets.county_words import SURE_MEANINGS
from tests.processes.random_county import county

SURE = {"parcel_line_error_m": 0.0, "building_error_m": 0.0, "ground_draws": 1, "vertical_error_m": 0.0}
SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"


class Searched(Exception):
    pass


def by_the_screening(monkeypatch, given):
    """What the screening's search finds on each lot for the largest size: 0 nothing, 1 a field, 2 a field and its reserve; -1 not sized.
    Whether it finds room for both of the smallest, and for both of the largest if nothing were required that only may be."""

    def keep(search, *_):
        raise Searched(search)

    with monkeypatch.context() as patched:
        patched.setattr(screening, "screen", keep)
        with pytest.raises(Searched) as caught:
            screen_county(**given)
    search = caught.value.args[0]
    lots, setting = search.lots, search.setting
    clear, possible = (
        layouts.sites(layouts.at_homes(lots, field_m), layouts.at_homes(lots, reserve_m), layouts.starts_of(lots, setting))
        for field_m, reserve_m in ((lots.field_m, lots.reserve_m), (lots.field_possible_m, lots.reserve_possible_m))
    )
    found, smallest, eased = [], [], []
    for lot in range(len(lots)):
        told = layouts._searched(lots, lot, setting, clear[lot], possible[lot], {}).found
        found.append(-1 if told.unsized or told.soil_forbids else 2 if told.reserve else int(told.field))
        both = found[-1] == 2
        if 0 <= found[-1] < 2:
            both = room(clear[lot], lots.sizes[lot].smallest, setting.terrain, setting.pipes).both
        smallest.append(both)
        eased.append(
            found[-1] == 2 or (found[-1] >= 0 and room(possible[lot], lots.sizes[lot].largest, setting.terrain, setting.pipes).both)
        )
    return np.array(found), np.array(smallest), np.array(eased)


def world(lots, seed, error_m=0.0):
    made = county(lots, seed)
    wells = made.wells.drop(columns="location_error_ft").assign(location_error_m=error_m)
    return {
        "parcels": made.parcels, "wells": wells, "elevation": made.elevation, "rules": load_rules("us-wa"), "buildings": made.buildings,
        "driveways": made.driveways, "surface_water": made.water, "unrecorded_wells": "warn", "reach_m": 50.0,
    }  # fmt: skip


def sample(error_m=0.0):
    layers = {name: geopandas.read_file(SAMPLE / "county.gpkg", layer=name) for name in ("parcels", "wells", "buildings", "surface_water")}
    wells = layers["wells"].drop(columns=[name for name in layers["wells"] if name.startswith("location_")])
    return {
        **layers, "wells": wells.assign(location_error_m=error_m), "elevation": read_elevation(SAMPLE / "elevation.tif"),
        "rules": load_rules("us-wa"), "unrecorded_wells": "warn", "reach_m": 50.0,
    }  # fmt: skip


@pytest.mark.parametrize("given", [lambda: world(150, 3), lambda: world(150, 4), sample], ids=["a county", "another", "the sample county"])
def test_with_nothing_uncertain_every_chance_is_0_or_1_and_the_screenings_own_answer(given, monkeypatch):
    rows = uncertainty(**given(), **SURE)["parcels"].frame
    kind, smallest, _ = by_the_screening(monkeypatch, given())
    judged = rows.answer_class != NOT_JUDGED
    assert (rows.draws[judged] == 1).all() and rows.why_not[~judged].notna().all()
    assert (rows.chance_primary[judged] == np.where(kind >= 1, 100.0, 0.0)[judged]).all()
    assert (rows.chance_both[judged] == np.where(kind == 2, 100.0, 0.0)[judged]).all()
    assert (rows.chance_if_smallest[judged] == np.where(smallest, 100.0, 0.0)[judged]).all() and (smallest & (kind < 2))[judged].any()
    assert (rows.both_low == rows.chance_both)[judged].all() and (rows.both_high == rows.chance_both)[judged].all()
    # What is not sized is not judged; what else is not judged says so of two dwellings.
    assert not (judged & (kind < 0)).any() and set(kind[judged]) == {0, 1, 2}


def stated(given, holds, **more):
    return uncertainty(**given, facts={"coarse_gravel": holds, "shallow_aquifer": holds}, **more)["parcels"].frame


def test_what_is_open_counts_as_required_and_its_other_outcome_has_a_chance_of_its_own(monkeypatch):
    """By a code that asks more in coarse gravel: the chance without it is the screening's room in all that open questions leave, and both
    are those of a run in which the user states the one or the other. What hangs on it alone nobody can say."""
    given = {**world(40, 3), "rules": load_rules("us-ny")}
    rows = uncertainty(**given, **SURE)["parcels"].frame
    _, _, eased = by_the_screening(monkeypatch, given)
    judged = rows.chance_both.notna()
    near = rows.chance_if_not_required.notna()
    assert near.any() and rows.open_conditions[near].str.contains("the field lies in coarse gravel").all()
    assert rows.open_conditions[~near].isna().all()
    assert (rows.chance_if_not_required == np.where(eased, 100.0, 0.0))[judged & near].all()
    turned = near & (rows.chance_both == 0) & (rows.chance_if_not_required == 100)
    assert turned.any() and (rows.answer[turned] == "cannot say").all() and rows.in_words[turned].str.contains("is not known").all()
    holds, holds_not = (stated(given, holds, **SURE) for holds in (True, False))
    assert rows.chance_both.equals(holds.chance_both) and rows.chance_if_smallest.equals(holds.chance_if_smallest)
    # The lie of the ground stays open where it is not known.
    either = [one.chance_if_not_required.fillna(one.chance_both) for one in (rows, holds_not)]
    assert either[0].equals(either[1]) and holds.open_conditions.isna().all()
    assert not holds_not.open_conditions.str.contains("gravel").any()


def test_what_is_open_beside_wells_of_uncertain_place_is_weighed_in_the_same_draws():
    """No draw in which all fits with the longer distances is lost without them, and the chances are those of the stated outcomes."""
    rules = load_rules("us-ny")
    given = {**world(30, 12, error_m=6.0), "rules": rules, "draws": 8, **SURE}
    rows = uncertainty(**given)["parcels"].frame
    # What hangs on the lie of the ground is as long as in gravel: asked all round a well that is drawn elsewhere, or nowhere.
    level = replace(rules, setbacks=tuple(line for line in rules.setbacks if "drainage_path" not in line.when))
    holds, holds_not = stated(given, True), stated({**given, "rules": level}, False)
    assert stated(given, False).open_conditions.dropna().str.contains("direct path of drainage").all()
    some = rows.chance_if_not_required.notna()
    assert (rows.chance_both == holds.chance_both)[some].all()
    # A search that looks at some places alone may miss what one with longer distances has found.
    assert (rows.chance_if_not_required >= np.fmax(rows.chance_both, holds_not.chance_both))[some].all()
    assert (rows.chance_if_not_required > rows.chance_both).any()
    assert abs(rows.chance_if_not_required - holds_not.chance_both)[some].mean() < 1.0


def test_chances_are_the_same_for_any_workers_and_any_order_of_the_lots(monkeypatch):
    monkeypatch.setattr("geoseptic.processes.workers.WORTH_PROCESSES", 10)
    monkeypatch.setattr("geoseptic.processes.workers.CHUNK", 16)
    given = {**world(40, 5, error_m=6.0), "draws": 20, "ground_draws": 1, "vertical_error_m": 1.0}
    rows = uncertainty(**given)["parcels"].frame
    by_two = uncertainty(**given, workers=2)["parcels"].frame
    assert rows.drop(columns="geometry").equals(by_two.drop(columns="geometry"))
    turned = (
        uncertainty(**{**given, "parcels": given["parcels"][::-1].reset_index(drop=True)})["parcels"].frame[::-1].reset_index(drop=True)
    )
    for column in ("chance_primary", "chance_both"):
        np.testing.assert_array_equal(turned[column].to_numpy(), rows[column].to_numpy())
    some = rows.chance_if_steeper.notna()
    assert some.any() and (rows.chance_if_steeper <= rows.chance_both)[some].all()
    assert (rows.chance_both <= rows.chance_if_gentler)[some].all()
    between = (rows.chance_both > 0) & (rows.chance_both < 100)
    assert between.sum() > 3 and (rows.both_low[between] < rows.chance_both[between]).all()
    judged = rows[rows.answer_class != NOT_JUDGED]
    assert (judged.chance_primary >= judged.chance_both).all() and (judged.chance_if_smallest >= judged.chance_both).all()


def test_a_well_placed_by_a_section_is_named_as_one_that_leaves_nothing_certain():
    given = {**world(30, 6), "draws": 10}
    given["wells"] = given["wells"].assign(location_method="quarter_quarter", location_error_m=math.nan)
    rows = uncertainty(**given, **{**SURE, "parcel_line_error_m": 1.0})["parcels"].frame
    near = shapely.distance(shapely.union_all(given["wells"].geometry.to_numpy()), rows.geometry.to_numpy()) < 200
    assert rows.never_certain[near].notna().all() and near.any()


def test_presumed_wells_lower_the_chance_and_leave_nothing_certain():
    given = {**world(16, 7), "draws": 10}
    warned = uncertainty(**given, **SURE)["parcels"].frame
    rows = uncertainty(**{**given, "unrecorded_wells": "presume"}, **SURE)["parcels"].frame
    judged = rows.answer_class != NOT_JUDGED
    assert rows.never_certain.str.contains("presumed").any() and (rows.chance_both <= warned.chance_both)[judged].all()
    assert (rows.chance_both < warned.chance_both)[judged].any()


def shifted(**errors):
    """Rows, and the chance of cells, of a county of 36 lots with these errors of its lines and buildings; stated ones in columns."""
    given = {**world(36, 14), **SURE, "draws": 6, **{name: value for name, value in errors.items() if name.endswith("_error_m")}}
    for layer in ("parcels", "buildings"):
        given[layer] = given[layer].assign(**errors.get(layer, {}))
    results = uncertainty(**given)
    return results["parcels"].frame, results["chance_clear"].raster, results.counts


def test_an_error_that_a_lot_states_stands_for_the_option_on_that_lot_alone():
    """Every second lot exact and the others 10 ft off: of each the chances, and those of its cells, are as if all were like it."""
    exact, off = shifted(), shifted(parcel_line_error_m=3.048)
    own = np.arange(len(exact[0])) % 2 == 0
    mixed, raster, counts = shifted(parcel_line_error_m=3.048, parcels={"location_error_ft": np.where(own, 0.0, math.nan)})
    turned, other_raster, _ = shifted(parcels={"location_error_ft": np.where(own, math.nan, 10.0)})
    chances = ["chance_primary", "chance_both", "chance_if_smallest", "draws", "in_words"]
    for rows in (mixed, turned):
        assert rows[own][chances].equals(exact[0][own][chances]) and rows[~own][chances].equals(off[0][~own][chances])
        assert rows.line_error_m.tolist() == np.where(own, 0.0, 3.048).tolist()
    assert not exact[0][chances].equals(off[0][chances]) and counts["parcels_with_another_line_sigma"] == own.sum()
    lot = burn.numbered_by_middle(exact[0].geometry.to_numpy(), raster.grid)
    like_exact = np.isin(lot, np.flatnonzero(own))
    assert (raster.values == np.where(like_exact, exact[1].values, off[1].values))[lot >= 0].all()
    assert (other_raster.values == raster.values).all() and (exact[1].values != off[1].values).any()


def test_of_the_buildings_seen_from_a_lot_the_largest_stated_error_counts():
    """One house that is 6 m off, the others exact: lots in its reach are as in a county of such houses, the others as if it were exact."""
    exact, off = shifted(), shifted(building_error_m=6.0)
    county_m = world(36, 14)["buildings"].geometry
    first = np.arange(len(county_m)) == len(county_m) // 2
    rows, raster, _ = shifted(building_error_m=6.0, buildings={"location_error_m": np.where(first, math.nan, 0.0)})
    apart_m = shapely.distance(rows.geometry.to_numpy(), county_m[first].iloc[0])
    far, near = apart_m > 10 * 0.3048 + 6 * 6.0 + 0.1, apart_m < 3
    chances = ["chance_primary", "chance_both", "chance_if_smallest", "building_error_m"]
    assert (
        far.any() and near.any() and rows[far][chances].equals(exact[0][far][chances]) and rows[near][chances].equals(off[0][near][chances])
    )
    lot = burn.numbered_by_middle(rows.geometry.to_numpy(), raster.grid)
    for some, one in ((far, exact), (near, off)):
        cells = np.isin(lot, np.flatnonzero(some))
        assert (raster.values == one[1].values)[cells].all()
    assert rows.building_error_m[far].tolist() == [0.0] * far.sum() and rows.building_error_m[near].tolist() == [6.0] * near.sum()


@pytest.mark.parametrize("layer", ["parcels", "buildings"])
def test_an_error_that_no_map_has_is_refused_and_one_of_0_is_told(layer):
    given = {**world(12, 15), "draws": 2, **SURE}
    first = np.arange(len(given[layer])) == 0
    given[layer] = given[layer].assign(location_error_m=np.where(first, 9999.0, math.nan))
    with pytest.raises(LayerContractError, match=f"(?s){layer}.*a number for 'no value'"):
        uncertainty(**given)
    given[layer] = given[layer].assign(location_error_m=np.where(first, 0.0, math.nan))
    told = uncertainty(**given).warnings
    assert any(f"1 of {len(first)} {layer} state a location error of 0" in words for words in told)
    assert f"1 {layer} state a location error: it makes no distance longer, uncertainty alone reckons with it" in told


def test_a_lot_that_cannot_be_judged_has_no_chance():
    given = {**world(20, 8), "draws": 5, **SURE}
    given["parcels"] = given["parcels"].assign(soil=["type 7", "nonsense", *given["parcels"].soil[2:]])
    rows = uncertainty(**given)["parcels"].frame
    for row in (0, 1):
        assert rows.answer_class[row] == NOT_JUDGED and np.isnan(rows.chance_both[row]) and rows.why_not[row]
    assert (rows.why_not.isna() == rows.chance_both.notna()).all()


@pytest.mark.source("wilson1927", where="the interval of a share, as scipy.stats.binomtest has it")
def test_interval_of_a_share_is_wilsons():
    scipy_stats = pytest.importorskip("scipy.stats")
    for hits, count in ((0, 200), (7, 200), (100, 200), (200, 200), (1, 3)):
        expected = scipy_stats.binomtest(hits, count).proportion_ci(0.95, method="wilson")
        assert wilson(hits, count) == (pytest.approx(expected.low, abs=1e-6), pytest.approx(expected.high, abs=1e-6))


def test_every_lot_has_the_class_of_its_answer_and_the_colours_are_those_of_the_sheets():
    """What has no chance is not judged, whatever else; every other class is answer and how sure, as the county map filters by it."""
    given = {**world(40, 11), "draws": 8, **SURE}
    given["wells"] = given["wells"].assign(location_method="digitised", location_error_m=12.0)
    given["parcels"] = given["parcels"].assign(soil=["nonsense", *given["parcels"].soil[1:]])
    result = uncertainty(**given)["parcels"]
    rows, legend = result.frame, result.legend
    for row in rows.itertuples():
        both = "cannot say" if row.answer == "cannot say" else f"{row.answer}, {row.sure}"
        assert row.answer_class == (NOT_JUDGED if math.isnan(row.chance_both) else both)
    assert set(rows.answer_class) <= {swatch.value for swatch in legend.swatches} and len(set(rows.answer_class)) >= 4
    assert legend.swatches[:-1] == SURE_LEGEND.swatches and legend.swatches[-1].value == NOT_JUDGED
    assert {swatch.value for swatch in SURE_LEGEND.swatches} == set(SURE_MEANINGS)
    assert all(swatch.hatch and "no clearance" in swatch.name for swatch in legend.swatches[-2:])


def test_every_column_has_its_meaning():
    rows = uncertainty(**{**world(12, 9), "draws": 3, **SURE})["parcels"]
    assert set(rows.notes) == set(rows.frame.columns) - {"geometry"} == set(chance_fits.NOTES)
