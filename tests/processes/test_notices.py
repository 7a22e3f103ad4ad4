"""What a run tells beside its layers: answers that change nothing, ground that nobody knows, wells to find first."""

from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from shapely import Point, box

from geoseptic import check_inputs, old_systems, setback_envelopes, slope_suitability
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from tests.processes.lots_in_a_row import BOTTOM, LEFT, SIDE_M, ground, lots, wells

FT2 = 0.3048**2


def run(well_layer: geopandas.GeoDataFrame, count: int = 3, rules: str = "us-wa", **options: object) -> Results:
    return setback_envelopes(lots(count), well_layer, rules=load_rules(rules), **options)


def said(found: Results, words: str) -> str:
    return " ".join(warning for warning in found.warnings if words in warning)


PLAIN = wells([(50, 50)], [3.0])


@pytest.mark.parametrize(
    ("rules", "options", "told"),
    [
        ("us-wa", {"facts": {"coarse_gravel": False}}, "--facts coarse_gravel changes nothing"),
        ("us-ny", {"facts": {"coarse_gravel": False}}, ""),
        ("us-wa", {"granted": ("basement",)}, "--granted basement changes nothing: no relief"),
        ("us-wa", {"granted": ("authority_consent",)}, "before it is also stated that it holds: --facts authority_consent=yes"),
        ("us-wa", {"granted": ("authority_consent",), "facts": {"authority_consent": True}}, ""),
        ("us-nj", {"granted": ("deep_casing",)}, "the column deep_casing of no well says that it holds"),
    ],
)
def test_answers_that_change_nothing_are_named(rules, options, told):
    found = run(PLAIN, rules=rules, **options)
    assert told in said(found, "changes nothing") and bool(told) == bool(said(found, "changes nothing"))


def test_relief_that_a_wells_own_column_grounds_is_not_called_idle():
    cased = wells([(50, 50)], [3.0], deep_casing=[True])
    assert said(run(cased, rules="us-nj", granted=("deep_casing",)), "changes nothing") == ""


def county(folder: Path, line: str) -> RuleSet:
    """us-wa with one more line for a drain field."""
    text = f"""
id = "one-line-more"
title = "One line more"
jurisdiction = "Nowhere"
edition = 2020-01-01
unit = "ft"
summary = "For a test."
extends = ["us-wa"]
[citation.a]
title = "A"
section = "1"
edition = 2020-01-01
address = ""
read_on = ""
checked = false
[[setback]]
part = "drain_field"
cite = "a"
{line}
"""
    (folder / "one-line-more.toml").write_text(text)
    return load_rules(folder / "one-line-more.toml")


def test_relief_of_two_conditions_says_which_other_must_be_granted(tmp_path):
    line = 'feature = "private_well"\ndistance = 60\nwhen = ["authority_consent", "pressure_cemented"]\nrelief = true\nvariance = true'
    cemented = wells([(50, 50)], [3.0], pressure_cemented=[True])
    found = setback_envelopes(lots(), cemented, rules=county(tmp_path, line), granted=("pressure_cemented",), parts=("drain_field",))
    assert "changes nothing without --granted authority_consent" in said(found, "pressure_cemented")


def test_fact_counts_as_read_where_a_line_depends_on_what_it_excludes(tmp_path):
    rules = county(tmp_path, 'feature = "dry_well"\ndistance = 50\nwhen = ["cast_iron_pipe"]')
    for name, idle in (("other_pipe", False), ("large_flow", True)):
        found = setback_envelopes(lots(), PLAIN, rules=rules, facts={name: True}, parts=("drain_field",))
        assert bool(said(found, "changes nothing")) is idle


def test_parcels_off_the_elevation_and_partly_off_it_are_told():
    found = run(PLAIN, count=4, elevation=ground(150.0))
    assert (found.counts["parcels_off_the_elevation"], found.counts["parcels_partly_off_the_elevation"]) == (2, 1)
    assert "(L2, L3)" in said(found, "nothing is known of their ground")
    assert "(L1)" in said(found, "lie partly off")


def test_parcel_on_cells_without_a_height_counts_as_off_the_elevation():
    raster = ground(300.0)
    raster.values[:, 10:20] = np.nan
    raster.values[:5, 25:] = np.nan
    found = run(PLAIN, elevation=raster)
    assert "(L1)" in said(found, "nothing is known of their ground")
    assert "(L2)" in said(found, "lie partly off")


def test_parcel_without_a_shape_is_told_as_failed_and_not_as_off_the_elevation():
    parcels = lots(3)
    shapes = parcels.geometry.to_numpy(dtype=object).copy()
    shapes[1] = None
    found = setback_envelopes(parcels.set_geometry(shapes, crs=parcels.crs), PLAIN, rules=load_rules("us-wa"), elevation=ground(300.0))
    assert [record["feature"] for record in found.failures] == ["L1"]
    assert (found.counts["parcels_off_the_elevation"], found.counts["parcels_partly_off_the_elevation"]) == (0, 0)


def test_parcels_that_lie_on_the_elevation_are_not_told():
    found = run(PLAIN, elevation=ground(300.0))
    assert (found.counts["parcels_off_the_elevation"], found.counts["parcels_partly_off_the_elevation"]) == (0, 0)
    assert said(found, "off the elevation") == ""


def test_well_whose_rough_place_opens_most_ground_comes_first():
    found = run(wells([(50, 50), (250, 50)], [40.0, 60.0]), parts=("drain_field",))
    first, second = found.counts["wells_to_locate_first"]
    assert (first["well_id"], second["well_id"]) == ("W1", "W0")
    assert "find first W1 (" in said(found, "find first")
    field = found["field_envelope"].frame
    # The two rings do not meet, so that what each opens adds up to all that is open.
    opened = (field["possible_ft2"] - field["area_ft2"]).sum()
    assert first["opens_ft2"] + second["opens_ft2"] == pytest.approx(opened, abs=1)


def test_what_a_rough_well_opens_is_the_ring_between_its_near_and_its_far_distance():
    error_m, well_m = 40.0, 100 * 0.3048
    found = run(wells([(150, 50)], [error_m]), parts=("drain_field",))
    (well,) = found.counts["wells_to_locate_first"]
    lot_line_m = 5 * 0.3048
    inside = shapely.union_all(
        [box(SIDE_M * i + lot_line_m, lot_line_m, SIDE_M * (i + 1) - lot_line_m, SIDE_M - lot_line_m) for i in range(3)]
    )
    ring = Point(150, 50).buffer(well_m + error_m, quad_segs=64).difference(Point(150, 50).buffer(well_m, quad_segs=64))
    assert well["opens_ft2"] == pytest.approx(ring.intersection(inside).area / FT2, rel=0.01)
    assert (well["parcels"], well["location_error_ft"]) == (3, pytest.approx(131.2, abs=0.1))


def test_well_of_unknown_kind_is_counted_once():
    one = run(wells([(150, 50)], [40.0], kind="public"), parts=("drain_field",)).counts["wells_to_locate_first"]
    both = run(wells([(150, 50)], [40.0], kind=None), parts=("drain_field",)).counts["wells_to_locate_first"]
    assert len(one) == len(both) == 1
    # The private ring lies within the public one, so it opens no ground of its own beyond what the public one does.
    assert both[0]["opens_ft2"] <= one[0]["opens_ft2"] * 1.001


def test_wells_that_are_placed_well_enough_are_not_to_be_found():
    # New York leaves the ring from 100 to 200 ft open as well, but for the soil and not for the place of the well.
    found = run(wells([(50, 50)], [15.0]), rules="us-ny")
    assert (found["field_envelope"].frame["possible_ft2"] > found["field_envelope"].frame["area_ft2"]).any()
    assert "wells_to_locate_first" not in found.counts and said(found, "find first") == ""


def test_slope_classes_say_where_their_limits_were_read():
    found = slope_suitability(ground(300.0, 300.0), rules=load_rules("us-ny"))
    (citation,) = found.citations
    assert "soil survey" in citation.title and not citation.checked
    assert said(found, "not checked against the survey")


def block(gone: int | None = None, side_m: float = SIDE_M, across: int = 5) -> geopandas.GeoDataFrame:
    """Five by five lots without roads, by rows, without one of them."""
    row, col = np.divmod(np.arange(across**2), across)
    x, y = LEFT + col * side_m, BOTTOM + row * side_m
    shapes = box(x, y, x + side_m, y + side_m)
    frame = geopandas.GeoDataFrame({"parcel_id": [f"L{number}" for number in range(across**2)]}, geometry=shapes, crs=PLAIN.crs)
    return frame if gone is None else frame.drop(index=gone)


@pytest.mark.parametrize(("gone", "edge"), [(None, 16), (12, 24)])
def test_parcels_beside_ground_that_is_in_no_layer_are_counted_and_told_once(gone, edge):
    """Those along the rim, and those round a lot that is missing: a well there would be on no record and presumed nowhere."""
    found = setback_envelopes(block(gone), PLAIN, rules=load_rules("us-wa"), parts=("drain_field", "septic_tank"))
    told = [words for words in found.warnings if "outer edge" in words]
    assert found.counts["parcels_at_the_outer_edge"] == edge and len(told) == 1
    assert (
        told[0].startswith(f"{edge} of {len(block(gone))} parcels") and "30.48 m (100 ft)" in told[0] and ("L7" in told[0]) == (gone == 12)
    )


def test_the_edge_is_as_wide_as_the_longest_distance_from_a_well_that_may_be_asked():
    """By a code that may ask 200 ft the same layer has more parcels at its edge than by one that asks 100 ft."""
    small = block(side_m=45.0)
    counts = [setback_envelopes(small, PLAIN, rules=load_rules(rules)).counts["parcels_at_the_outer_edge"] for rules in ("us-ny", "us-wa")]
    assert counts == [24, 16]


@pytest.mark.parametrize(
    ("side_m", "gone", "rules", "edge", "near"),
    [
        (SIDE_M, None, "us-wa", 16, "30.48 m (100 ft)"),
        (SIDE_M, 12, "us-wa", 24, "30.48 m (100 ft)"),
        (45.0, None, "us-ny", 24, "60.96 m (200 ft)"),
        (SIDE_M, None, None, 16, "30.48 m (100 ft)"),
    ],
)
def test_check_of_the_inputs_names_the_parcels_at_the_outer_edge(side_m, gone, rules, edge, near):
    """Those that a run with the same rules counts, each a row with its place; without rules by the usual distance."""
    parcels = block(gone, side_m)
    found = check_inputs(parcels=parcels, wells=PLAIN, rules=None if rules is None else load_rules(rules))
    (rows,) = (layer.frame for layer in found.layers)
    rows = rows[rows.what.str.contains("outer edge")]
    assert len(rows) == rows.feature.nunique() == edge and set(rows.weight) == {"assumed"} and rows.geometry.is_valid.all()
    assert rows.what.str.startswith(f"{edge} of {len(parcels)} parcels").all() and rows.what.str.contains(near, regex=False).all()
    if rules is not None:
        assert edge == setback_envelopes(parcels, PLAIN, rules=load_rules(rules)).counts["parcels_at_the_outer_edge"]


def test_old_systems_tell_where_the_well_that_their_water_runs_to_may_be_on_no_map():
    """Of nine by nine lots of 100 m only the one in the middle is farther than 1,000 ft from the edge; without an elevation nothing is
    said of wells downslope."""
    parcels, heights = block(across=9), ground(900.0, 900.0)
    found = old_systems(parcels, PLAIN, rules=load_rules("us-ma"), elevation=heights)
    assert found.counts["parcels_at_the_outer_edge"] == 80
    assert said(found, "outer edge").startswith("80 of 81 parcels") and "well_downslope may be empty" in said(found, "304.8 m (1000 ft)")
    without = old_systems(parcels, PLAIN, rules=load_rules("us-ma"))
    assert said(without, "outer edge") == "" and "parcels_at_the_outer_edge" not in without.counts
