"""Rule files: what a good one gives, and that every bad one is refused with its file, its entry and its fault."""

import dataclasses
import os
import subprocess
import sys
from itertools import product
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoseptic.errors import CodeSilentError, GeosepticError, RuleFileError
from geoseptic.io import rulefiles
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.io.rulemerge import MOST_CONDITIONS, SetbackKey, Stated, merged_setbacks
from geoseptic.io.rulevalues import Faults
from geoseptic.model.rules import CONDITIONS, FEATURES, PARTS, Citation, RuleSet, Setback

FUZZ = int(os.environ.get("GEOSEPTIC_FUZZ", "100"))

HEAD = """
id = "{id}"
title = "A code"
jurisdiction = "Nowhere"
edition = 2020-01-31
unit = "ft"
summary = "For tests."
extends = {extends}
[citation.t1]
title = "Code"
section = "section 1"
edition = "2020"
address = "https://example.org/code"
read_on = 2026-11-25
checked = true
"""

WELL = """
[[setback]]
part = "drain_field"
feature = "private_well"
distance = 100
cite = "t1"
"""


SIZING_ONLY = ("us-il", "us-in-wayne", "us-ipsdc", "us-mn", "us-mt", "us-pa", "us-sd")
STANDING_ONLY = ("us-epa", "us-hi", "us-ny-fallsburg", "us-ny-suffolk", "us-ri", "us-wi")
WITHOUT_SETBACKS = SIZING_ONLY + STANDING_ONLY
WITH_SETBACKS = [name for name in shipped_rules() if name not in WITHOUT_SETBACKS]


def written(folder: Path, body: str = WELL, name: str = "county", extends: str = "[]", head: str = HEAD) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(head.format(id=name, extends=extends) + body, encoding="utf-8")
    return path


def refusal(path: Path | str) -> str:
    with pytest.raises(RuleFileError) as caught:
        load_rules(path)
    return str(caught.value)


def entry(**changes: str) -> str:
    """One setback with some keys changed; a value is TOML, and "" leaves the key out."""
    keys = {"part": '"drain_field"', "feature": '"private_well"', "distance": "100", "cite": '"t1"'} | changes
    return "\n[[setback]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value)


# ------------------------------------------------------------------------------------------------------------- good files


def test_every_shipped_set_loads_and_has_its_own_id():
    assert set(shipped_rules()) >= {
        "us-wa",
        "us-or",
        "us-id",
        "us-ny",
        "us-ma",
        "us-nj",
        "us-tx",
        "us-nc",
        "us-typical",
        "quillback-county",
    } | set(WITHOUT_SETBACKS)
    assert [load_rules(name).id for name in shipped_rules()] == list(shipped_rules())


@pytest.mark.parametrize("name", WITH_SETBACKS)
@pytest.mark.parametrize("part", ["drain_field", "reserve", "septic_tank"])
@pytest.mark.parametrize("feature", ["private_well", "public_well", "surface_water", "lot_line", "building"])
def test_shipped_set_answers_for_the_features_of_every_lot(name, part, feature):
    assert load_rules(name).setback(part, feature).citation.section


@pytest.mark.parametrize("name", WITHOUT_SETBACKS)
def test_set_without_setbacks_is_silent_on_every_one(name):
    with pytest.raises(CodeSilentError):
        load_rules(name).setback("drain_field", "private_well")


@pytest.mark.parametrize("name", WITH_SETBACKS)
def test_reserve_is_never_held_to_less_than_the_field(name):
    rules = load_rules(name)
    for feature in FEATURES:
        if feature not in rules.silent_on("drain_field", FEATURES):
            field = rules.setback("drain_field", feature).distance_m
            assert rules.setback("reserve", feature).distance_m == field


@pytest.mark.parametrize("name", shipped_rules())
def test_shipped_value_from_memory_says_so_where_it_is_printed(name):
    for citation in load_rules(name).citations:
        assert ("not checked" in str(citation)) is not citation.checked
        assert citation.checked or citation.note


def test_set_has_what_its_file_says(tmp_path):
    path = written(tmp_path, entry(part='["drain_field", "reserve"]', when='["coarse_gravel"]', measured_from='"well centre"', note='"n"'))
    rules = load_rules(path)
    assert (rules.id, rules.unit, rules.edition, rules.source) == ("county", "ft", "2020-01-31", "county.toml")
    assert [line.part for line in rules.setbacks] == ["drain_field", "reserve"]
    line = rules.setbacks[0]
    assert line.distance_m == pytest.approx(30.48, rel=1e-12)
    assert (line.stated, line.when, line.measured_from, line.note) == ("100 ft", frozenset({"coarse_gravel"}), "well centre", "n")
    assert (line.citation.key, line.citation.read_on, line.citation.checked) == ("county/t1", "2026-11-25", True)


def test_entry_may_have_a_unit_of_its_own(tmp_path):
    line = load_rules(written(tmp_path, entry(distance="7.5", unit='"m"'))).setbacks[0]
    assert (line.distance_m, line.stated) == (7.5, "7.5 m")


def test_not_applicable_is_a_line_without_a_distance(tmp_path):
    line = load_rules(written(tmp_path, entry(distance="", applies="false"))).setbacks[0]
    assert (line.distance_m, line.stated) == (None, "not applicable")


def test_loaded_set_cannot_be_changed():
    rules = load_rules("us-wa")
    with pytest.raises(dataclasses.FrozenInstanceError):
        rules.unit = "m"
    with pytest.raises(dataclasses.FrozenInstanceError):
        rules.setbacks[0].distance_m = 0.0
    with pytest.raises(TypeError):
        rules.setbacks[0] = rules.setbacks[1]


def test_silent_code_raises_and_never_gives_zero():
    with pytest.raises(CodeSilentError, match="silent on the distance from a drain field to a driveway"):
        load_rules("us-wa").setback("drain_field", "driveway")
    with pytest.raises(CodeSilentError, match="slope"):
        load_rules("us-ma").slope_limit()


def test_file_saved_with_a_byte_order_mark_loads(tmp_path):
    path = written(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_rules(path).id == "county"


def test_reading_rules_needs_no_array_or_map_library():
    heavy = "{'numpy', 'pandas', 'geopandas', 'shapely', 'rasterio', 'pyogrio'}"
    program = f"import sys; from geoseptic.io.rulefiles import load_rules; load_rules('us-ny'); print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ---------------------------------------------------------------------------------------------------------------- refusals

SPRING = entry(feature='"spring"')

BAD_ENTRIES = {
    "unknown key": (entry(distanse="5"), "unknown key 'distanse'"),
    "unknown part": (entry(part='"leach_line"'), "part 'leach_line' is not known"),
    "unknown feature": (entry(feature='["private_well", "moat"]'), "feature 'moat' is not known"),
    "unknown condition": (entry(when='"full_moon"'), "when 'full_moon' is not known"),
    "conditions that exclude each other": (entry(when='["basement", "no_basement"]'), "basement and no_basement cannot hold together"),
    "unknown unit": (entry(unit='"furlong"'), "unit 'furlong' is not known"),
    "no part": (entry(part=""), "part is missing"),
    "empty part": (entry(part="[]"), "part is empty"),
    "part twice": (entry(part='["drain_field", "drain_field"]'), "part names something twice"),
    "part a number": (entry(part="3"), "part must be text in quotes"),
    "no cite": (entry(cite=""), "cite is missing"),
    "unknown cite": (entry(cite='"t9"'), "cite 't9' is not among the citations of this file"),
    "no distance": (entry(distance=""), "distance is missing"),
    "negative distance": (entry(distance="-5"), "distance = -5"),
    "zero distance": (entry(distance="0"), "Write applies = false"),
    "distance nan": (entry(distance="nan"), "no finite number"),
    "distance infinite": (entry(distance="inf"), "no finite number"),
    "distance in quotes": (entry(distance='"100"'), "distance must be a number"),
    "distance true": (entry(distance="true"), "distance must be a number"),
    "distance beyond belief": (entry(distance="3001", unit='"m"'), "is over 3000 m"),
    "distance of a thousand digits": (entry(distance="1" + "0" * 1000), "far too large"),
    "distance of ten thousand digits": (entry(distance="1" + "0" * 10_000), "not valid TOML"),
    "both distance and applies": (entry(applies="false"), "both a distance and applies = false"),
    "applies a word": (entry(applies='"no"'), "applies must be true or false"),
    "relief without a condition": (WELL + entry(distance="50", relief="true"), "would apply by itself"),
    "relief without a distance": (
        WELL + entry(distance="", applies="false", when='"deep_casing"', relief="true"),
        "relief needs a distance",
    ),
    "relief of nothing": (entry(when='"deep_casing"', relief="true"), "shortens no full distance"),
    "relief that is longer": (WELL + entry(distance="150", when='"deep_casing"', relief="true"), "shortens no full distance"),
    "variance of nothing": (entry(variance="true"), "the set extends none"),
    "duplicate": (WELL + entry(part='["reserve", "drain_field"]', distance="50"), "is already in setback 1 (drain_field to private_well)"),
    "duplicate conditions in another order": (
        entry(when='["coarse_gravel", "drainage_path"]') + entry(when='["drainage_path", "coarse_gravel"]'),
        "is already in setback 1",
    ),
    "no setback": ("", "holds no setback"),
    "setback not a table": ("\n[setback]\npart = 'x'\n", "write each entry as a table of its own"),
    "slope over 100": (
        WELL + "[[slope_limit]]\npart = 'drain_field'\nmax_percent = 130\nkind = 'bed'\ncite = 't1'\n",
        "not between 0 and 100",
    ),
    "slope zero": (WELL + "[[slope_limit]]\npart = 'drain_field'\nmax_percent = 0\nkind = 'bed'\ncite = 't1'\n", "not between 0 and 100"),
    "slope kind": (
        WELL + "[[slope_limit]]\npart = 'drain_field'\nmax_percent = 10\nkind = 'pond'\ncite = 't1'\n",
        "kind 'pond' is not known",
    ),
    "slope twice": (
        WELL + "[[slope_limit]]\npart = 'drain_field'\nmax_percent = 10\nkind = 'bed'\ncite = 't1'\n" * 2,
        "is already in slope_limit 1",
    ),
    "invalid TOML": ("\n[[setback\n", "not valid TOML"),
    "nested arrays": ("\nx = " + "[" * 20_000, "nested too deeply"),
    "nested keys": ("\n" + "a." * 100_000 + "b = 1\n", "nested too deeply"),
    "nested header": ("\n[" + "a." * 100_000 + "b]\n", "nested too deeply"),
    "nested citation": ("\n[citation.t2.deeper]\n" + WELL, "unknown key 'deeper'"),
}


@pytest.mark.parametrize(("body", "why"), BAD_ENTRIES.values(), ids=BAD_ENTRIES.keys())
def test_faulty_entry_is_refused_with_its_fault(tmp_path, body, why):
    message = refusal(written(tmp_path, body))
    assert "rule set county.toml" in message
    assert why in message


def test_refusal_numbers_the_entry_and_names_its_feature(tmp_path):
    message = refusal(written(tmp_path, WELL + entry(part='["septic_tank", "reserve"]', feature='"lot_line"', distance="-3")))
    assert "setback 2 (septic_tank and 1 more to lot_line): distance = -3" in message


def test_all_faults_are_told_at_once(tmp_path):
    message = refusal(written(tmp_path, entry(distance="-1") + entry(feature='"moat"') + entry(feature='"spring"', cite='"t9"')))
    assert "3 faults" in message
    assert all(why in message for why in ("distance = -1", "'moat'", "'t9'"))


def test_endless_faults_give_a_short_message(tmp_path):
    message = refusal(written(tmp_path, "".join(entry(feature=f'"moat_{number}"') for number in range(500))))
    assert "500 faults" in message
    assert message.endswith("and 480 more")
    assert len(message.splitlines()) < 25


@pytest.mark.parametrize("key", ["id", "title", "jurisdiction", "edition", "unit", "summary"])
def test_file_without_a_heading_is_refused(tmp_path, key):
    head = "\n".join(line for line in HEAD.splitlines() if not line.startswith(f"{key} =") or "[citation" in line)
    head = (
        head
        if key not in ("title", "edition")
        else HEAD.replace({"title": 'title = "A code"\n', "edition": "edition = 2020-01-31\n"}[key], "")
    )
    assert f"{key} is missing" in refusal(written(tmp_path, head=head))


@pytest.mark.parametrize("key", ["title", "section", "edition", "address", "read_on", "checked"])
def test_citation_without_a_field_is_refused(tmp_path, key):
    before, citation = HEAD.split("[citation.t1]")
    lines = [line for line in citation.splitlines() if not line.startswith(key)]
    message = refusal(written(tmp_path, head=before + "[citation.t1]" + "\n".join(lines)))
    assert f"citation 't1': {key} is missing" in message


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('address = "https://example.org/code"', 'address = ""', "address is empty"),
        ('address = "https://example.org/code"', 'address = "the shelf"', "must begin with https://"),
        ("read_on = 2026-11-25", 'read_on = ""', "read_on is empty"),
        ("read_on = 2026-11-25", 'read_on = "last week"', "is no day"),
        ("checked = true", 'checked = "yes"', "checked must be true or false"),
    ],
)
def test_checked_citation_must_say_where_and_when_it_was_read(tmp_path, old, new, why):
    assert why in refusal(written(tmp_path, head=HEAD.replace(old, new)))


def test_citation_from_memory_needs_no_address(tmp_path):
    head = HEAD.replace("https://example.org/code", "").replace("2026-11-25", '""').replace("checked = true", "checked = false")
    citation = load_rules(written(tmp_path, head=head)).setbacks[0].citation
    assert (citation.address, citation.read_on, citation.checked) == ("", "", False)


def test_unknown_heading_is_refused(tmp_path):
    assert "unknown key 'colour'" in refusal(written(tmp_path, head='colour = "red"\n' + HEAD))


@pytest.mark.parametrize("name", ["Us-WA", "a b", "-x", "x" * 65])
def test_id_of_other_letters_is_refused(tmp_path, name):
    path = written(tmp_path)
    path.write_text(path.read_text().replace('"county"', f'"{name}"'))
    assert "lower-case letters" in refusal(path)


def test_id_of_a_shipped_set_is_refused(tmp_path):
    assert "is the id of a shipped set" in refusal(written(tmp_path, name="us-wa"))


def test_id_of_an_extended_set_is_refused(tmp_path):
    written(tmp_path, name="state")
    path = written(tmp_path, SPRING, extends='["state.toml"]')
    path.write_text(path.read_text().replace('"county"', '"state"'))
    assert "also the id of a set that it extends" in refusal(path)


def test_file_over_a_megabyte_is_refused(tmp_path):
    assert "longer than 1,000,000 bytes" in refusal(written(tmp_path, WELL + "#" * 1_000_000))


def test_file_in_another_encoding_is_refused(tmp_path):
    path = written(tmp_path)
    path.write_bytes(path.read_bytes() + "# Straße".encode("latin-1"))
    assert "not UTF-8" in refusal(path)


@pytest.mark.parametrize("name", ["us-atlantis", "", "no/such/file.toml", "x" * 5000, "null\0byte", "."])
def test_unknown_name_is_refused_with_the_shipped_ids(name):
    message = refusal(name)
    assert "us-ny" in message
    assert len(message) < 600


# ------------------------------------------------------------------------------------------------------------------ extends


def feet(rules, part="drain_field", feature="private_well"):
    return rules.setback(part, feature).stated


def test_county_over_its_state_keeps_what_it_does_not_say(tmp_path):
    written(tmp_path, WELL + SPRING, name="state")
    county = load_rules(written(tmp_path, entry(distance="150"), extends='["state.toml"]'))
    assert (feet(county), feet(county, feature="spring")) == ("150 ft", "100 ft")
    assert county.extends == ("state",)
    assert {citation.key for citation in county.citations} == {"state/t1", "county/t1"}


def test_county_may_extend_a_shipped_set(tmp_path):
    county = load_rules(written(tmp_path, entry(feature='"driveway"', distance="5"), extends='["us-wa"]'))
    assert (feet(county, feature="driveway"), feet(county)) == ("5 ft", "100 ft")


def test_county_in_another_folder_finds_its_state(tmp_path):
    (tmp_path / "states").mkdir()
    (tmp_path / "counties").mkdir()
    written(tmp_path / "states", name="state")
    assert feet(load_rules(written(tmp_path / "counties", SPRING, extends='["../states/state.toml"]'))) == "100 ft"


def test_later_set_overrides_an_earlier_one(tmp_path):
    written(tmp_path, WELL, name="state")
    written(tmp_path, entry(distance="120"), name="water-district")
    pool = entry(feature='"pool"', distance="9")
    assert feet(load_rules(written(tmp_path, pool, extends='["state.toml", "water-district.toml"]'))) == "120 ft"


def test_later_set_that_loosens_an_earlier_one_is_refused_until_the_file_says_which_holds(tmp_path):
    written(tmp_path, WELL, name="state")
    written(tmp_path, entry(distance="80"), name="water-district")
    both = '["state.toml", "water-district.toml"]'
    message = refusal(written(tmp_path, entry(feature='"pool"', distance="9"), extends=both))
    assert "water-district has 80 ft where an earlier set has 100 ft" in message
    assert feet(load_rules(written(tmp_path, WELL, extends=both))) == "100 ft"


LOOSER = {
    "shorter": entry(distance="99"),
    "shorter in another unit": entry(distance="30.4", unit='"m"'),
    "none at all": entry(distance="", applies="false"),
}


@pytest.mark.parametrize("body", LOOSER.values(), ids=LOOSER.keys())
def test_looser_value_without_a_variance_is_refused(tmp_path, body):
    written(tmp_path, name="state")
    message = refusal(written(tmp_path, body, extends='["state.toml"]'))
    assert "is looser than the 100 ft of Code, section 1. A looser value needs variance = true and its own citation" in message


@pytest.mark.parametrize("body", LOOSER.values(), ids=LOOSER.keys())
def test_looser_value_with_a_variance_is_taken_and_its_note_says_so(tmp_path, body):
    written(tmp_path, name="state")
    county = load_rules(written(tmp_path, body + "variance = true\n", extends='["state.toml"]'))
    (line,) = county.setbacks
    assert line.citation.key == "county/t1"
    assert line.note.startswith("variance: 100 ft by Code, section 1")


def test_variance_without_its_own_citation_is_refused(tmp_path):
    written(tmp_path, name="state")
    head = HEAD.split("[citation.t1]")[0]
    message = refusal(written(tmp_path, entry(distance="50", variance="true"), extends='["state.toml"]', head=head))
    assert "cite 't1' is not among the citations of this file (none)" in message


def test_variance_that_loosens_nothing_is_refused(tmp_path):
    written(tmp_path, name="state")
    assert "nothing here is looser" in refusal(written(tmp_path, entry(distance="150", variance="true"), extends='["state.toml"]'))


def test_the_same_distance_in_metres_is_no_variance(tmp_path):
    written(tmp_path, name="state")
    assert feet(load_rules(written(tmp_path, entry(distance="30.48", unit='"m"'), extends='["state.toml"]'))) == "30.48 m"


def test_county_cannot_shorten_by_adding_a_conditional_line(tmp_path):
    written(tmp_path, name="state")
    county = load_rules(written(tmp_path, entry(distance="20", when='"deep_casing"'), extends='["state.toml"]'))
    assert county.setback("drain_field", "private_well", {"deep_casing": True}).stated == "100 ft"


STAND_INS = {
    "irrigation well below the private well": ("irrigation_well", "99"),
    "public well below the private well": ("public_well", "50"),
    "spring below the private well": ("spring", "1"),
    "public spring by way of the spring": ("public_spring", "99"),
}


@pytest.mark.parametrize(("feature", "distance"), STAND_INS.values(), ids=STAND_INS.keys())
def test_value_below_what_stands_in_for_the_feature_needs_a_variance(tmp_path, feature, distance):
    written(tmp_path, name="state")
    body = entry(feature=f'"{feature}"', distance=distance)
    message = refusal(written(tmp_path, body, extends='["state.toml"]'))
    assert f"(drain_field to {feature})" in message
    assert f"{distance} ft is looser than the 100 ft for private_well, which stands in for {feature}, of Code, section 1" in message
    county = load_rules(written(tmp_path, body + "variance = true\n", extends='["state.toml"]'))
    assert feet(county, feature=feature) == f"{distance} ft"
    assert county.requirement("drain_field", feature).entries[0].note.startswith("variance: 100 ft by Code, section 1")


def test_value_not_below_what_stands_in_needs_no_variance(tmp_path):
    written(tmp_path, name="state")
    assert feet(load_rules(written(tmp_path, entry(feature='"irrigation_well"'), extends='["state.toml"]'))) == "100 ft"
    needless = entry(feature='"irrigation_well"', variance="true")
    assert "nothing here is looser" in refusal(written(tmp_path, needless, extends='["state.toml"]'))


def test_variance_of_a_line_covers_what_it_stands_in_for_and_is_told_once(tmp_path):
    written(tmp_path, name="state")
    body = entry(distance="80")
    message = refusal(written(tmp_path, body, extends='["state.toml"]'))
    assert message.count("looser than") == 1
    assert feet(load_rules(written(tmp_path, body + "variance = true\n", extends='["state.toml"]')), feature="irrigation_well") == "80 ft"


RELIEF = entry(distance="75", when='"authority_consent"', relief="true")


@pytest.mark.parametrize(
    ("when", "distance", "below"),
    [
        ('"authority_consent"', "60", "75 ft"),  # the state's own relief, shortened
        ('"deep_casing"', "80", "100 ft"),  # a relief on other grounds than the state's
        ('["authority_consent", "deep_casing"]', "60", "75 ft"),  # a further one, below the least that the state grants
    ],
)
def test_relief_below_what_the_state_would_grant_needs_a_variance(tmp_path, when, distance, below):
    written(tmp_path, WELL + RELIEF, name="state")
    body = entry(when=when, distance=distance, relief="true")
    message = refusal(written(tmp_path, body, extends='["state.toml"]'))
    assert "is granted is looser than the " + below in message
    assert load_rules(written(tmp_path, body + "variance = true\n", extends='["state.toml"]')).setbacks[-1].note.startswith("variance: ")


def test_relief_no_shorter_than_the_states_for_the_same_consent_needs_no_variance(tmp_path):
    written(tmp_path, WELL + RELIEF, name="state")
    body = entry(when='["authority_consent", "deep_casing"]', distance="80", relief="true")
    assert len(load_rules(written(tmp_path, body, extends='["state.toml"]')).setbacks) == 3


def test_variance_of_the_full_distance_is_none_for_a_relief_below_it(tmp_path):
    written(tmp_path, name="state")
    full = entry(distance="90", variance="true")
    message = refusal(written(tmp_path, full + entry(distance="40", when='"deep_casing"', relief="true"), extends='["state.toml"]'))
    assert "setback 2" in message and "40 ft where deep_casing holds and the relief for deep_casing is granted is looser" in message


def test_line_for_a_case_that_the_state_leaves_out_does_not_go_below_its_longest(tmp_path):
    # A gap in the state's table is no permission: it asks its longest there.
    written(tmp_path, entry(feature='"cut_bank"', distance="25", when='"feature_downslope"'), name="state")
    body = entry(feature='"cut_bank"', distance="5", when='"feature_upslope"')
    assert "5 ft where feature_upslope holds is looser than the 25 ft" in refusal(written(tmp_path, body, extends='["state.toml"]'))


def test_lines_that_never_bind_less_than_the_states_need_no_variance(tmp_path):
    written(tmp_path, WELL + entry(distance="60", when='"deep_casing"'), name="state")
    county = load_rules(written(tmp_path, entry(distance="20", when='"deep_casing"'), extends='["state.toml"]'))
    assert county.setback("drain_field", "private_well", {"deep_casing": True}).stated == "100 ft"


def test_stand_in_may_not_change_to_a_shorter_one(tmp_path):
    # The county's longer spring, in gravel alone, would else become what stands in for a public spring: 30 ft elsewhere.
    state = entry(feature='"public_well"') + entry(feature='"spring"', distance="30")
    written(tmp_path, state, name="state")
    gravel = entry(feature='"spring"', distance="120", when='"coarse_gravel"')
    assert "to public_spring: 30 ft is looser than the 100 ft for public_well" in refusal(
        written(tmp_path, gravel, extends='["state.toml"]')
    )
    stated = load_rules(written(tmp_path, gravel + entry(feature='"public_spring"'), extends='["state.toml"]'))
    assert feet(stated, feature="public_spring") == "100 ft"


def test_set_is_held_against_each_set_that_it_extends(tmp_path):
    written(tmp_path, WELL, name="state")
    written(tmp_path, entry(distance="80"), name="water-district")
    body = entry(distance="90")
    assert "90 ft is looser than the 100 ft" in refusal(written(tmp_path, body, extends='["state.toml", "water-district.toml"]'))


def test_setback_that_hangs_on_too_many_conditions_to_be_compared_is_refused(tmp_path):
    written(tmp_path, name="state")
    names = [name for name in CONDITIONS if name.startswith(("soil", "deep", "cast", "base", "gentle", "large", "unlined"))]
    assert len(names) > MOST_CONDITIONS
    body = "".join(entry(distance="150", when=f'"{name}"') for name in names)
    assert f"hangs on {len(names)} conditions" in refusal(written(tmp_path, body, extends='["state.toml"]'))


KNOWN = ("deep_casing", "feature_downslope", "feature_upslope")
LINES = st.lists(
    st.tuples(
        st.sampled_from(["private_well", "irrigation_well", "public_well", "spring", "public_spring"]),
        st.none() | st.integers(1, 6),
        st.frozensets(st.sampled_from(KNOWN), max_size=2).filter(lambda when: not when >= set(KNOWN[1:])),
        st.booleans(),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda line: (line[0], line[2], line[3]),
)


def lines_of(drawn, set_id: str) -> dict[SetbackKey, Setback]:
    cited = Citation(f"{set_id}/t1", "Code", "section 1", "2020", "https://example.org", "2026-11-25", True)
    return {
        ("drain_field", name, when, relief and bool(when)): Setback(
            "drain_field", name, distance_m, f"{distance_m} m", when, relief and bool(when), "", cited
        )
        for name, distance_m, when, relief in drawn
    }


@settings(max_examples=FUZZ, deadline=None, derandomize=True)
@given(state=LINES, county=LINES)
def test_county_is_refused_just_where_some_case_or_grant_would_ask_less_than_its_state(state, county):
    base = RuleSet("state", "Code", "Nowhere", "2020", "m", "", (), tuple(lines_of(state, "state").values()), ())
    own = {key: Stated(line, f"line {number}", False) for number, (key, line) in enumerate(lines_of(county, "county").items())}
    faults = Faults("county.toml")
    merged = RuleSet("county", "Code", "Nowhere", "2020", "m", "", (), tuple(merged_setbacks("county", [base], own, faults).values()), ())
    looser = False
    for feature, cased, downslope, *granted in product(FEATURES, *[(True, False)] * 5):
        if feature not in base.silent_on("drain_field", [feature]):
            known = {"deep_casing": cased, "feature_downslope": downslope, "feature_upslope": not downslope}
            grant = frozenset(name for name, given in zip(KNOWN, granted, strict=True) if given)
            before, after = (rules.requirement("drain_field", feature).settled(known, grant).largest for rules in (base, merged))
            looser |= (after.distance_m or -1) < (before.distance_m or -1)
    assert bool(faults.found) is looser


def slope(percent: float, kind: str = "trench", extra: str = "") -> str:
    return f'\n[[slope_limit]]\npart = "drain_field"\nmax_percent = {percent}\nkind = "{kind}"\ncite = "t1"\n{extra}\n'


def test_steeper_ground_needs_a_variance(tmp_path):
    written(tmp_path, WELL + slope(20), name="state")
    assert "steeper than the 20 percent" in refusal(written(tmp_path, slope(25), extends='["state.toml"]'))
    assert "steeper than the 20 percent" in refusal(written(tmp_path, slope(25, "bed"), extends='["state.toml"]'))
    assert load_rules(written(tmp_path, slope(15), extends='["state.toml"]')).slope_limit().max_percent == 15
    varied = load_rules(written(tmp_path, slope(25, extra="variance = true"), extends='["state.toml"]')).slope_limit()
    assert (varied.max_percent, varied.note) == (25, "variance: 20 percent in what this set extends.")


def test_sets_that_extend_each_other_are_refused(tmp_path):
    written(tmp_path, name="a", extends='["b.toml"]')
    written(tmp_path, name="b", extends='["c.toml"]')
    path = written(tmp_path, name="c", extends='["a.toml"]')
    assert "c.toml -> a.toml -> b.toml -> c.toml" in refusal(path)


def test_set_that_extends_itself_is_refused(tmp_path):
    assert "in a circle" in refusal(written(tmp_path, extends='["county.toml"]'))


def test_endless_chain_of_sets_is_refused(tmp_path):
    written(tmp_path, name="set-0")
    for number in range(1, 12):
        path = written(tmp_path, "", name=f"set-{number}", extends=f'["set-{number - 1}.toml"]')
    assert "a chain of more than 8" in refusal(path)


def test_two_ways_to_the_same_state_are_no_circle(tmp_path):
    written(tmp_path, name="state")
    written(tmp_path, SPRING, name="left", extends='["state.toml"]')
    written(tmp_path, entry(feature='"pool"', distance="9"), name="right", extends='["state.toml"]')
    county = load_rules(written(tmp_path, "", extends='["left.toml", "right.toml"]'))
    assert (feet(county), feet(county, feature="spring"), feet(county, feature="pool")) == ("100 ft", "100 ft", "9 ft")


@pytest.mark.parametrize(
    ("extends", "why"),
    [
        ('["atlantis"]', "neither a shipped set"),
        ('["/abs/state.toml"]', "is an absolute path"),
        ('"us-wa"', "must be a list"),
        ("[1]", "must be a list"),
        ('["us-wa", "us-wa"]', "twice"),
    ],
)
def test_faulty_extends_is_refused(tmp_path, extends, why):
    assert why in refusal(written(tmp_path, extends=extends))


def test_fault_in_an_extended_file_names_that_file(tmp_path):
    written(tmp_path, entry(distance="-1"), name="state")
    assert "rule set state.toml" in refusal(written(tmp_path, extends='["state.toml"]'))


def test_example_county_is_stricter_than_its_state_but_for_its_variance():
    state, county = load_rules("us-wa"), load_rules("quillback-county")
    shorter = []
    for part in PARTS:
        for feature in FEATURES:
            if feature not in state.silent_on(part, FEATURES):
                before, after = (rules.setback(part, feature).distance_m or 0.0 for rules in (state, county))
                if after < before:
                    shorter.append((part, feature))
    assert shorter == [("septic_tank", "pool"), ("distribution_box", "pool")]
    assert county.setback("septic_tank", "pool").note.startswith("variance: 5 ft")
    assert county.slope_limit().max_percent < state.slope_limit().max_percent


# --------------------------------------------------------------------------------------------------------------------- fuzz

WORDS = st.sampled_from([*PARTS, *FEATURES, *CONDITIONS, "t1", "ft", "m", "https://x", "2026-11-25", "us-wa", "", "bed", "x\0y", "é"])
NUMBERS = st.integers() | st.floats() | st.booleans()
VALUES = st.recursive(
    WORDS | NUMBERS | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


def tables(keys):
    return st.dictionaries(st.sampled_from(sorted(keys)) | st.text(max_size=4), VALUES, max_size=len(keys))


LIKELY_ENTRY = st.fixed_dictionaries(
    {
        "part": st.sampled_from([*PARTS]),
        "feature": st.lists(st.sampled_from([*FEATURES]), min_size=1, max_size=2, unique=True),
        "cite": st.just("t1"),
        "distance": st.integers(-1, 300) | st.floats(0.5, 9000),
    },
    optional={"when": st.lists(st.sampled_from([*CONDITIONS]), max_size=2), "variance": st.booleans()},
)
GOOD_CITATION = {"title": "t", "section": "s", "edition": "e", "address": "", "read_on": "", "checked": False}
SETS = st.fixed_dictionaries(
    {},
    optional={
        "id": st.just("fuzz") | VALUES,
        "title": st.just("t") | VALUES,
        "jurisdiction": st.just("j") | VALUES,
        "edition": st.dates() | VALUES,
        "unit": st.just("ft") | VALUES,
        "summary": st.just("s") | VALUES,
        "extends": st.just([]) | st.just(["us-wa"]) | VALUES,
        "citation": st.just({"t1": GOOD_CITATION}) | st.dictionaries(WORDS, tables(rulefiles.CITATION_KEYS), max_size=2) | VALUES,
        "setback": st.lists(LIKELY_ENTRY | tables(rulefiles.SETBACK_KEYS), max_size=4) | VALUES,
        "slope_limit": st.lists(tables(rulefiles.SLOPE_KEYS), max_size=2) | VALUES,
        "colour": VALUES,
    },
)
NEARLY_GOOD_SETS = st.fixed_dictionaries(
    {
        **{key: st.just("fuzz") for key in ("id", "title", "jurisdiction", "edition", "summary")},
        "unit": st.just("ft"),
        "extends": st.sampled_from([[], ["us-wa"], ["us-ny", "us-nj"]]),
        "citation": st.just({"t1": GOOD_CITATION}),
        "setback": st.lists(LIKELY_ENTRY, min_size=1, max_size=3),
    }
)


@settings(
    max_examples=FUZZ, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(content=SETS | NEARLY_GOOD_SETS)
def test_no_table_at_all_breaks_the_reader(content, tmp_path, monkeypatch):
    path = tmp_path / "fuzz.toml"
    path.write_text("")
    original = rulefiles._table
    monkeypatch.setattr(rulefiles, "_table", lambda read: content if read.name == "fuzz.toml" else original(read))
    try:
        rules = load_rules(path)
    except RuleFileError as error:
        assert "fuzz.toml" in str(error)
    else:
        assert rules.id == "fuzz"
        assert rules.setbacks


@settings(max_examples=200, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=200) | st.text(alphabet="[]{}=\"#.\n\\'abt1, ", max_size=200).map(str.encode))
def test_no_bytes_at_all_break_the_reader(content, tmp_path):
    path = tmp_path / "bytes.toml"
    path.write_bytes(content)
    with pytest.raises(RuleFileError):
        load_rules(path)


def test_refusal_is_an_input_error_that_any_caller_can_catch(tmp_path):
    with pytest.raises(ValueError):
        load_rules(written(tmp_path, ""))
    assert issubclass(RuleFileError, GeosepticError)
