"""The ranking of layers: which wells count, what a missing row counts as, and that every number has its words."""

import geopandas
import pandas as pd
import pytest
from shapely import box

from geoseptic.catalog import PROCESSES
from geoseptic.errors import LayerContractError, NoFeaturesInRangeError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.layers import WELL_KINDS
from geoseptic.processes import priority
from geoseptic.systems.triage import WELL_WORDS
from tests.processes.lots_in_a_row import BOTTOM, CRS, LEFT, SIDE_M, lots, wells

rank_parcels = PROCESSES["rank_parcels"]
RULES = load_rules("us-wa")  # 100 ft = 30.48 m from a private well
FAR = [(2500.0, 50.0)]


def old(count: int = 3, **columns: list[object]) -> geopandas.GeoDataFrame:
    """What old_systems said of lots of 100 x 100 m in a row to the east: pits likely, wells on record."""
    shapes = [box(LEFT + SIDE_M * i, BOTTOM, LEFT + SIDE_M * (i + 1), BOTTOM + SIDE_M) for i in range(count)]
    values = {
        "parcel_id": [f"L{i}" for i in range(count)],
        "cesspool": ["likely"] * count,
        "basis": ["age"] * count,
        "well": [WELL_WORDS["recorded"]] * count,
    }
    return geopandas.GeoDataFrame({**values, **columns}, geometry=shapes, crs=CRS)


def screened(ids: list[str], verdicts: list[str], **columns: list[object]) -> geopandas.GeoDataFrame:
    shapes = [box(LEFT + SIDE_M * int(name[1:]), BOTTOM, LEFT + SIDE_M * (int(name[1:]) + 1), BOTTOM + SIDE_M) for name in ids]
    return geopandas.GeoDataFrame({"parcel_id": ids, "verdict": verdicts, **columns}, geometry=shapes, crs=CRS)


def houses(count: int = 3) -> geopandas.GeoDataFrame:
    """Houses of 10 x 10 m in the middle of each lot, 45 m from its sides."""
    shapes = [box(LEFT + SIDE_M * i + 45, BOTTOM + 45, LEFT + SIDE_M * i + 55, BOTTOM + 55) for i in range(count)]
    return geopandas.GeoDataFrame({}, geometry=shapes, crs=CRS)


def ranked(layer: geopandas.GeoDataFrame, points: list[tuple[float, float]], errors: list[float] | None = None, **options: object):
    errors = [0.0] * len(points) if errors is None else errors
    return rank_parcels(layer, wells(points, errors), rules=RULES, **options)


def rows(*args: object, **options: object) -> pd.DataFrame:
    return ranked(*args, **options)["parcels"].frame.set_index("parcel_id")


def test_a_well_counts_within_the_setback_of_the_house_and_50_feet_round_it():
    # House of lot 0 ends at x = 55; 15.24 m round it, then 30.48 m: a well at x = 100.7 is out of reach, one at 100.6 is not.
    near = rows(old(1), [(100.6, 50.0), *FAR], buildings=houses(1))
    assert (near.wells_exposed["L0"], near.which_wells["L0"]) == (1, "W0")
    assert rows(old(1), [(101.5, 50.0), *FAR], buildings=houses(1)).wells_exposed["L0"] == 0


def test_search_areas_are_the_place_where_they_are_drawn():
    areas = geopandas.GeoDataFrame(
        {"parcel_id": ["L0", "L0", "L9"]},
        geometry=[box(LEFT + x, BOTTOM + 40, LEFT + x + 10, BOTTOM + 50) for x in (60, 75, 2000)],
        crs=CRS,
    )
    # The farther area ends at x = 85: a well at 115.4 is within 30.48 m of it, one at 115.6 is not; L1 has its house and 50 ft round it.
    points = [(115.4, 45.0), (115.6, 45.0), *FAR]
    found = rows(old(2), points, buildings=houses(2), search_areas=areas)
    assert found.which_wells.tolist() == ["W0", "W0, W1"]


def test_the_error_of_a_wells_place_adds_to_its_reach():
    assert rows(old(1), [(120.0, 50.0), *FAR], [20.0, 0.0], buildings=houses(1)).wells_exposed["L0"] == 1


def test_without_buildings_the_whole_lot_may_hold_the_old_system_and_the_run_says_so():
    found = ranked(old(1), [(130.0, 50.0), *FAR])
    assert found["parcels"].frame.wells_exposed.tolist() == [1]
    assert any("anywhere on a lot" in told for told in found.warnings)


def test_a_presumed_well_counts_for_its_own_lot_and_for_a_neighbour_within_the_setback():
    words = [WELL_WORDS["recorded"], WELL_WORDS["presumed"], WELL_WORDS["recorded"]]
    found = rows(old(3, well=words), FAR, buildings=houses())
    # The house of lot 0 with its 50 ft ends 29.8 m from lot 1: within 30.48 m.
    assert found.wells_exposed.tolist() == [1, 1, 1]
    assert found.which_wells.tolist() == ["presumed on L1"] * 3


def test_a_lot_of_which_nobody_knows_whether_it_has_a_well_counts_as_having_one():
    assert rows(old(1, well=[WELL_WORDS["unknown"]]), FAR, buildings=houses(1)).wells_exposed.tolist() == [1]
    assert rows(old(1, well=[None]), FAR, buildings=houses(1)).wells_exposed.tolist() == [1]
    assert rows(old(1, well=[WELL_WORDS["no house"]]), FAR, buildings=houses(1)).wells_exposed.tolist() == [0]


def test_a_well_downslope_counts_at_any_distance_and_only_once():
    layer = screened(["L0"], ["fits by gravity"], downslope_well=["W1"])
    assert rows(old(1), [(90.0, 50.0), *FAR], screening=layer, buildings=houses(1)).which_wells.tolist() == ["W0, W1"]
    assert rows(old(1, well_downslope=["W1"]), [(90.0, 50.0), *FAR], buildings=houses(1)).which_wells.tolist() == ["W0, W1"]
    again = screened(["L0"], ["fits by gravity"], downslope_well=["W0"])
    assert rows(old(1), [(90.0, 50.0), *FAR], screening=again, buildings=houses(1)).wells_exposed.tolist() == [1]


def test_a_parcel_that_one_layer_lacks_is_unknown_and_never_late_for_it():
    layer = screened(["L0", "L3"], ["fits by gravity", "does not fit"])
    found = rows(old(3), FAR, screening=layer, buildings=houses())
    assert list(found.index) == ["L0", "L1", "L2", "L3"]
    assert found.verdict.tolist() == ["fits by gravity", "unknown", "unknown", "does not fit"]
    assert found.cesspool["L3"] == "unknown" and found["rank"]["L1"] < found["rank"]["L0"]
    told = " ".join(ranked(old(3), FAR, screening=layer, buildings=houses()).warnings)
    assert "2 parcels are not in the layer screening" in told and "1 parcels are not in the layer old_systems" in told


def test_ranks_ties_and_classes_are_told():
    layer = old(4, cesspool=["likely", "possible", "likely", "no house on record"])
    found = rows(layer, FAR, buildings=houses(4), top=2)
    assert found["rank"].tolist() == [1, 3, 1, 4] and found.tied.tolist() == [2, 1, 2, 1]
    assert found.priority.tolist() == ["first", "second half", "first", "no house on record"]
    table = ranked(layer, FAR, buildings=houses(4), top=2)["priority"]
    assert [record["parcel_id"] for record in table.records] == ["L0", "L2", "L1", "L3"]
    assert [bool(record["cautions"]) for record in table.records] == [True, True, True, False]


def test_a_score_is_the_product_of_its_columns():
    layer = old(3, cesspool=["likely", "possible", "unknown"], may_fail_in_wet_season=["yes", "unknown", "no sign found"])
    found = rows(layer, [(90.0, 50.0), *FAR], buildings=houses())
    product = found.f_cesspool * found.f_wells * found.f_season * found.f_replacement
    assert found.score.tolist() == pytest.approx(product.tolist(), abs=1e-4)


def test_weights_are_exponents():
    layer = old(2, cesspool=["likely", "possible"], may_fail_in_wet_season=["no sign found", "yes"])
    usual = rows(layer, FAR, buildings=houses(2))
    assert usual["rank"].tolist() == [2, 1]  # 0.4 and 0.5
    heavy = {"cesspool": 2.0, "wells": 1.0, "season": 1.0, "replacement": 1.0}
    assert rows(layer, FAR, buildings=houses(2), weights=heavy)["rank"].tolist() == [1, 2]  # 0.4 and 0.25


def test_areas_are_summed_up_with_parcels_that_lie_in_none():
    areas = geopandas.GeoDataFrame(
        {"name": ["east", "nobody"]},
        geometry=[box(LEFT + 100, BOTTOM, LEFT + 300, BOTTOM + 100), box(LEFT, BOTTOM + 500, LEFT + 9, BOTTOM + 509)],
        crs=CRS,
    )
    layer = old(3, cesspool=["likely", "likely", "unknown"])
    records = {
        row["name"]: row for row in ranked(layer, [(150, 50)], buildings=houses(), neighbourhoods=areas, top=1)["neighbourhoods"].records
    }
    assert (records["east"]["parcels"], records["east"]["cesspool_likely"], records["east"]["cesspool_unknown"]) == (2, 1, 1)
    assert (records["east"]["wells_exposed"], records["east"]["among_first"], records["east"]["best_rank"]) == (1, 1, 1)
    assert records["in none of the areas"]["parcels"] == 1
    assert (records["nobody"]["parcels"], records["nobody"]["best_rank"]) == (0, None)


def test_a_run_without_any_well_near_is_refused_and_words_that_are_none_of_ours_are():
    with pytest.raises(NoFeaturesInRangeError):
        ranked(old(1), [(90_000.0, 0.0)])
    with pytest.raises(LayerContractError, match="cesspool"):
        ranked(old(1, cesspool=["maybe"]), FAR)


def test_every_column_is_explained_and_every_class_has_its_colour():
    layer = ranked(old(3), FAR, buildings=houses())["parcels"]
    assert set(layer.notes) == set(layer.frame.columns) - {"geometry"}
    assert set(layer.frame.priority) <= {swatch.value for swatch in layer.legend.swatches}


def test_it_reads_what_old_systems_writes():
    triaged = PROCESSES["old_systems"](lots(3, year_built=[1950, 1985, None]), wells([(150, 50)], [0.0]), rules=RULES, buildings=houses())
    found = rows(triaged["parcels"].frame, [(150.0, 50.0)], buildings=houses())
    assert found.cesspool.tolist() == ["likely", "not expected", "unknown"]


def test_a_kind_of_well_of_which_the_code_is_silent_is_held_to_the_longest_distance_from_any_well(monkeypatch):
    """Silence would else put its lots behind those with a well that the code names."""
    rules, said = load_rules("us-wa"), priority._lines
    monkeypatch.setattr(priority, "_lines", lambda rules, feature: [] if feature == "irrigation_well" else said(rules, feature))
    longest, told = priority._longest(rules, "irrigation_well")
    assert longest is not None and longest.distance_m == max(
        line.distance_m or 0.0 for feature in WELL_KINDS.values() for line in said(rules, feature)
    )
    assert "held to the longest" in told[0]


def test_a_word_for_the_well_that_nobody_has_defined_is_no_well_on_record():
    odd = ranked(old(2, well=["yes", WELL_WORDS["recorded"]]), [(2500.0, 50.0)], buildings=houses(2))
    unknown = rows(old(2, well=[WELL_WORDS["unknown"], WELL_WORDS["recorded"]]), [(2500.0, 50.0)], buildings=houses(2))
    assert odd["parcels"].frame.wells_exposed.tolist() == unknown.wells_exposed.tolist()
    assert any("1 parcels have in the column well no word of old_systems (yes): taken as unknown" in told for told in odd.warnings)


def test_search_areas_of_no_parcel_and_names_that_differ_in_spelling_are_told():
    areas = geopandas.GeoDataFrame({"parcel_id": ["l0", "X"]}, geometry=[box(LEFT + 60, BOTTOM + 40, LEFT + 70, BOTTOM + 50)] * 2, crs=CRS)
    found = ranked(old(2), [(2500.0, 50.0)], buildings=houses(2), search_areas=areas, screening=screened(["L0"], ["does not fit"]))
    assert any("2 of 2 search areas are of parcels that are in no layer, and count for nothing (l0, X)" in told for told in found.warnings)
    assert any("'l0' and 'L0'" in told for told in found.warnings)
    other = screened(["L0", "L1"], ["does not fit"] * 2)
    other["parcel_id"] = ["L 0", "L1"]
    found = ranked(old(2), [(2500.0, 50.0)], buildings=houses(2), screening=other)
    assert any("names in old_systems and in screening" in told and "'L0' and 'L 0'" in told for told in found.warnings)
