"""Sizing tables of rule files: what a good one gives, and that every bad one is refused with its table, its entry and its fault."""

import pytest

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.sizing_rules import Band, Spacing
from geoseptic.units import FOOT_M, GALLON_M3
from tests.io.test_rulefiles import HEAD, WELL, refusal, written

FLOW = "\n[[design_flow]]\nper_bedroom = 120\nunit = 'gpd'\ncite = 't1'\n"
LOADING = "\n[[loading]]\npercolation = '[1, 5]'\nvalue = 1.2\nunit = 'gpd/ft2'\ncite = 't1'\n"
TRENCH = "\n[trench]\nwidth = '24 in'\nmax_length = '60 ft'\nspacing = '4 ft'\nspacing_between = 'walls'\nsidewall = 'none'\ncite = 't1'\n"
TEST = "\n[percolation]\nkind = 'successive_drops'\nholes = 3\npresoak = '4 h'\nwithin = '0.0625 in'\ncombine = 'average'\ncite = 't1'\n"
ASSUMED = "\n[assumed]\nbedrooms = 3\nfewest_bedrooms = 2\nmost_bedrooms = 4\nsoil = 'loam'\ncite = 't1'\n"
SOIL = "\n[[loading]]\nsoil = ['loam', 'silt']\nvalue = 0.6\nunit = 'gpd/ft2'\ncite = 't1'\n"
CREDIT = "\n[[gravel_credit]]\nfrom = '12 in'\nto = '18 in'\nreduction_percent = 20\ncite = 't1'\n"
SEWER = "\n[[building_sewer]]\nmin_fall = '0.25 in/ft'\ncite = 't1'\n"
PITS = "\n[test_pits]\nnumber = 2\nspacing_min = '50 ft'\ncite = 't1'\n"
ALONE = HEAD.replace("[citation.t1]", "sizing_only = true\n[citation.t1]")


def test_values_come_in_si_with_what_the_file_states(tmp_path):
    sizing = load_rules(written(tmp_path, WELL + FLOW + LOADING + TRENCH + TEST)).sizing
    assert sizing.design_flow[0].table.value(3) == pytest.approx(360 * GALLON_M3)
    (line,) = sizing.loading
    assert (line.kind, line.stated, line.band) == ("rate", "1.2 gpd/ft2", Band(1, 5))
    assert line.value == pytest.approx(1.2 * GALLON_M3 / FOOT_M**2)
    assert sizing.trench is not None and sizing.trench.width_m == pytest.approx(2 * FOOT_M)
    assert sizing.percolation is not None and sizing.percolation.presoak_min == 240
    assert sizing.stated == {"design_flow", "loading", "trench", "percolation"}
    assert [citation.key for citation in sizing.citations] == ["county/t1"]


@pytest.mark.parametrize(
    ("words", "inside", "outside"),
    [
        ("[6, 15]", (6, 10, 15), (5.9, 15.1)),
        ("[10,30)", (10, 29.9), (9.9, 30)),
        ("(60, inf)", (60.1, 1e6), (60,)),
        ("[4, 4]", (4,), (3.9, 4.1)),
    ],
)
def test_band_holds_its_edges_as_its_brackets_say(tmp_path, words, inside, outside):
    body = WELL + LOADING.replace("[1, 5]", words)
    band = load_rules(written(tmp_path, body)).sizing.loading[0].band
    assert band is not None
    assert all(band.holds(rate) for rate in inside)
    assert not any(band.holds(rate) for rate in outside)


def test_minutes_for_six_inches_become_minutes_per_inch(tmp_path):
    body = WELL + LOADING.replace("'[1, 5]'", "'[18, 60]'\nper_inches = 6")
    assert load_rules(written(tmp_path, body)).sizing.loading[0].band == Band(3, 10)


def loading(**changes: str) -> str:
    keys = {"percolation": "'[1, 5]'", "value": "1.2", "unit": "'gpd/ft2'", "cite": "'t1'"} | changes
    return "\n[[loading]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value)


BAD = {
    "band without brackets": (loading(percolation="'1-5'"), "must be a band such as"),
    "band backwards": (loading(percolation="'[5, 1]'"), "holds no rate"),
    "band of nothing": (loading(percolation="'[5, 5)'"), "holds no rate"),
    "band of dots": (loading(percolation="'[1.2.3, 5]'"), "must be a band such as"),
    "neither percolation nor soil": (loading(percolation=""), "for no percolation and no soil"),
    "unknown unit": (loading(unit="'furlongs'"), "unit 'furlongs' is not known"),
    "no value": (loading(value=""), "value is missing"),
    "zero value": (loading(value="0"), "must be over zero"),
    "value and not suitable": (loading(suitable="false"), "both a value and suitable = false"),
    "no cite": (loading(cite=""), "cite is missing"),
    "unknown key": (loading(rate="1"), "unknown key 'rate'"),
    "bands that overlap": (loading() + loading(percolation="'[5, 15]'"), "overlaps that of loading 1"),
    "the same soil twice": (SOIL + SOIL.replace("'silt'", "'clay'"), "soil 'loam' is already in loading 1"),
    "soil empty": (loading(percolation="", soil="[]"), "soil must be a name in quotes"),
    "slope of a rate": (loading(per_minute="0.1"), "belong to an area for a flow"),
    "interpolated bar": (
        loading(value="", unit="", suitable="false", interpolate="true"),
        "only a value by percolation can be interpolated",
    ),
    "flow in two forms": (FLOW + "bedrooms = [1]\nvalues = [100]\n", "both per_bedroom and a table"),
    "flow of unequal lists": (FLOW.replace("per_bedroom = 120", "bedrooms = [1, 2]\nvalues = [100]"), "two lists of the same length"),
    "flow that falls": (FLOW.replace("per_bedroom = 120", "bedrooms = [1, 2]\nvalues = [100, 90]"), "do not fall"),
    "bedrooms out of order": (FLOW.replace("per_bedroom = 120", "bedrooms = [2, 1]\nvalues = [90, 100]"), "bedrooms must rise"),
    "flow twice": (FLOW + FLOW, "two lines hold for the same fixtures"),
    "unknown fixtures": (FLOW + "fixtures = 'golden'\n", "fixtures 'golden' is not known"),
    "tank of a minimum alone": ("\n[[tank]]\nminimum = 1000\nunit = 'gal'\ncite = 't1'\n", "a minimum alone is no volume"),
    "trench as a list": (TRENCH.replace("[trench]", "[[trench]]"), "write it as one table: [trench]"),
    "length without a unit": (TRENCH.replace("'60 ft'", "'60'"), "max_length = '60' must be a number, a space and one of"),
    "negative length": (TRENCH.replace("'60 ft'", "'-60 ft'"), "must be a number, a space"),
    "length as a number": (TRENCH.replace("'60 ft'", "60"), "max_length must be text in quotes"),
    "width over its limit": (TRENCH + "max_width = '18 in'\n", "width must lie between"),
    "centres nearer than a width": (TRENCH.replace("'4 ft'", "'1 ft'").replace("'walls'", "'centres'"), "the trenches would overlap"),
    "sidewall without a height": (TRENCH.replace("'none'", "'sides'"), "sidewall_height is missing"),
    "reserve beyond belief": ("\n[reserve]\npercent = 900\ncite = 't1'\n", "not between 0 and 300"),
    "assumed soil that is nowhere": (ASSUMED, "soil 'loam' is in no loading line"),
    "assumed bedrooms outside": (SOIL + ASSUMED.replace("fewest_bedrooms = 2", "fewest_bedrooms = 4"), "must lie between"),
    "test without a tolerance": (TEST.replace("within = '0.0625 in'\n", ""), "within is missing"),
    "tolerance of another kind": (TEST + "fall = '6 in'\n", "fall does not belong to kind"),
    "unknown kind": (TEST.replace("successive_drops", "guess"), "kind 'guess' is not known"),
    "holes none": (TEST.replace("holes = 3", "holes = 0"), "holes must be a whole number from 1 to 100"),
    "interval a word": (TEST + "interval_min = 'half an hour'\n", "interval_min must be a list of minutes"),
    "credits for the same depth": (CREDIT + CREDIT.replace("12 in", "15 in"), "two lines hold for the same depth"),
    "credit from deep to shallow": (CREDIT.replace("18 in", "6 in"), "from must be less than to"),
    "credit of everything": (CREDIT.replace("20", "100"), "reduction_percent must be under 100"),
    "fall without a unit": (SEWER.replace("0.25 in/ft", "0.25"), "min_fall = '0.25' must be a number, a space and one of in/ft, %"),
    "fall of nothing": (SEWER.replace("0.25 in/ft", "0 %"), "min_fall = '0 %' is not between 0 and 3 in/ft"),
    "fall beyond belief": (SEWER.replace("0.25 in/ft", "208 %"), "is not between 0 and 3 in/ft"),
    "two falls of one pipe": (SEWER + SEWER + "diameter_from = '6 in'\n", "two lines hold for the same diameter"),
    "diameters backwards": (SEWER + "diameter_from = '6 in'\ndiameter_to = '3 in'\n", "diameter_from must not be more than diameter_to"),
    "pits without a number": (PITS.replace("number = 2\n", ""), "test_pits: number is missing"),
    "spacing backwards": (PITS + "spacing_max = '20 ft'\n", "spacing_min must not be more than spacing_max"),
    "spacing of nothing": (TEST + "spacing_min = '0 ft'\n", "percolation: spacing_min = '0 ft' is not between 0 and 100 m"),
    "spacing beyond belief": (TEST + "spacing_max = '5000 ft'\n", "is not between 0 and 100 m"),
    "sizing only with setbacks": ("", "holds setbacks"),
}


@pytest.mark.parametrize(("body", "why"), BAD.values(), ids=BAD.keys())
def test_faulty_sizing_is_refused_with_its_fault(tmp_path, body, why):
    head = ALONE if why == "holds setbacks" else HEAD
    message = refusal(written(tmp_path, WELL + body, head=head))
    assert "rule set county.toml" in message
    assert why in message


def test_fall_of_the_sewer_and_spacing_of_holes_come_in_si(tmp_path):
    narrow = SEWER + "diameter_to = '3 in'\n"
    wide = SEWER.replace("0.25 in/ft", "1 %") + "diameter_from = '4 in'\nnote = 'wide'\n"
    sizing = load_rules(written(tmp_path, WELL + narrow + wide + TEST + "spacing_max = '10 m'\n" + PITS)).sizing
    assert [(line.fall_m_per_m, line.stated) for line in sizing.building_sewer] == [(pytest.approx(0.25 / 12), "0.25 in/ft"), (0.01, "1 %")]
    assert [sizing.sewer_fall(inches * FOOT_M / 12) for inches in (3, 3.5, 4)] == [sizing.building_sewer[0], None, sizing.building_sewer[1]]
    assert sizing.percolation is not None and sizing.percolation.spacing == Spacing(most_m=10.0)
    assert sizing.test_pits is not None and sizing.test_pits.spacing == Spacing(least_m=pytest.approx(50 * FOOT_M))
    assert sizing.stated == {"building_sewer", "percolation", "test_pits"}
    assert len(sizing.citations) == 1


def test_county_that_restates_the_sewer_names_it_in_replaces(tmp_path):
    written(tmp_path, WELL + SEWER, name="state")
    of_state, steeper = '["state.toml"]', SEWER.replace("0.25", "0.5")
    assert 'write replaces = ["building_sewer"]' in refusal(written(tmp_path, steeper, extends=of_state))
    replacing = HEAD.replace("[citation.t1]", "replaces = ['building_sewer']\n[citation.t1]")
    assert load_rules(written(tmp_path, "", extends=of_state)).sizing.building_sewer[0].stated == "0.25 in/ft"
    assert load_rules(written(tmp_path, steeper, extends=of_state, head=replacing)).sizing.building_sewer[0].stated == "0.5 in/ft"


def test_faults_of_setbacks_and_sizing_are_told_together(tmp_path):
    message = refusal(written(tmp_path, WELL.replace("100", "-1") + loading(value="0") + TRENCH.replace("'60 ft'", "'60'")))
    assert all(words in message for words in ("3 faults", "distance = -1", "loading 1: value = 0", "trench: max_length"))


def test_set_for_sizing_alone_must_say_so(tmp_path):
    assert "Write sizing_only = true" in refusal(written(tmp_path, FLOW))
    assert load_rules(written(tmp_path, FLOW, head=ALONE)).setbacks == ()


def test_sizing_only_without_sizing_is_refused(tmp_path):
    assert "holds no setback" in refusal(written(tmp_path, "", head=ALONE))


# --- extends ----------------------------------------------------------------------------------------------------------------------


def county(folder, body, replaces=""):
    head = HEAD.replace("[citation.t1]", f"replaces = {replaces}\n[citation.t1]") if replaces else HEAD
    return written(folder, body, extends='["state.toml"]', head=head)


def test_county_keeps_the_sizing_that_it_does_not_restate(tmp_path):
    written(tmp_path, WELL + FLOW + LOADING, name="state")
    sizing = load_rules(county(tmp_path, TRENCH)).sizing
    assert sizing.stated == {"design_flow", "loading", "trench"}
    assert {citation.key for citation in sizing.citations} == {"state/t1", "county/t1"}


def test_table_is_replaced_whole_and_only_where_the_file_says_so(tmp_path):
    written(tmp_path, WELL + FLOW + LOADING, name="state")
    assert "A table is replaced whole" in refusal(county(tmp_path, SOIL))
    assert [line.soils for line in load_rules(county(tmp_path, SOIL, '["loading"]')).sizing.loading] == [("loam", "silt")]


def test_replacing_nothing_is_refused(tmp_path):
    written(tmp_path, WELL + FLOW, name="state")
    assert "nothing that this set extends has this table" in refusal(county(tmp_path, SOIL, '["loading"]'))
    assert "this file does not have the table" in refusal(county(tmp_path, TRENCH, '["design_flow"]'))


def test_two_states_that_both_size_must_be_settled_by_the_file(tmp_path):
    written(tmp_path, WELL + FLOW, name="state")
    written(tmp_path, WELL + FLOW, name="district")
    both = '["state.toml", "district.toml"]'
    assert "both have design_flow. State which holds" in refusal(written(tmp_path, TRENCH, extends=both))
