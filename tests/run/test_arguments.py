"""Config files and mappings: names that nobody knows come first and all at once, with what was probably meant."""

import json
from pathlib import Path

import geopandas
import pytest
from shapely import Point

from geoseptic.catalog import PROCESSES
from geoseptic.errors import ParameterError
from geoseptic.run import arguments
from geoseptic.run.cli import main
from tests.run.conftest import LEFT, TOP, write
from tests.run.conftest import arguments as words_for

ENVELOPES = PROCESSES["setback_envelopes"]
BARE = 'parcels = "a"\nwells = "b"\nrules = "us-wa"\nout = "o"\n'


def asked(tmp_path: Path, config: str, *words: str, process: str = "setback_envelopes") -> arguments.Request:
    (tmp_path / "run.toml").write_text(config, encoding="utf-8")
    return arguments.request(PROCESSES[process], f"{process}.py", ["--config", str(tmp_path / "run.toml"), *words])


def refusal(tmp_path: Path, config: str, *words: str, process: str = "setback_envelopes") -> str:
    with pytest.raises(ParameterError) as caught:
        asked(tmp_path, config, *words, process=process)
    return str(caught.value)


def test_unknown_keys_are_all_reported_first_with_what_was_probably_meant(tmp_path):
    said = refusal(tmp_path, 'parcels = "a.gpkg"\nwels = "b.gpkg"\nruls = "us-wa"\nasumed_location_error = "50ft"\nxyzzy = 1\n')
    for given, meant in (("wels", "wells"), ("ruls", "rules"), ("asumed_location_error", "assumed_location_error")):
        assert f"'{given}' (did you mean '{meant}'?)" in said
    assert "'xyzzy'" in said and "'xyzzy' (did" not in said
    assert "is needed" not in said


def test_key_of_a_parameter_that_the_process_does_not_have_is_unknown_to_it(tmp_path):
    assert "'elevation_unit'" in refusal(tmp_path, 'elevation_unit = "m"\nrules = "us-ny"\nout = "o"\n', process="size_field")


def test_unknown_option_is_refused_with_what_was_probably_meant():
    with pytest.raises(ParameterError, match=r"unrecognized arguments: '--wels' \(did you mean '--wells'\?\) b.gpkg"):
        arguments.request(ENVELOPES, "setback_envelopes.py", ["--wels", "b.gpkg"])


def test_every_fault_of_the_arguments_comes_in_one_refusal(tmp_path):
    said = refusal(
        tmp_path,
        'parcels = "a.gpkg"\nwell_radius = 30\noverwrite = "yes"\ngranted = "sunny"\nfacts = 3\n[columns]\nwells = "x"\n',
    )
    expected = (
        "--wells is needed",
        "--rules is needed",
        "--out is needed",
        "--well-radius: 30 has no unit",
        "overwrite must be true or false",
    )
    for fault in (*expected, "'sunny'", "--facts", "columns: wells must be a table"):
        assert fault in said, fault


def test_command_line_goes_before_the_config_and_names_with_hyphens_are_the_same(tmp_path):
    config = BARE + 'surface-water = "w"\noverwrite = true\n[values.wells.kind]\nDOM = "public"\nPWS = "public"\n'
    found = asked(tmp_path, config, "--wells", "c", "--values", "wells.kind.dom=private")
    assert (found.values["wells"], found.values["surface_water"], found.overwrite) == ("c", "w", True)
    assert found.value_maps == {"wells": {"kind": {"dom": "private", "pws": "public"}}}


MAPPINGS = {
    "a layer that is not there": ("wels.kind.DOM=private", "'wels' (did you mean 'wells'?)"),
    "a column that is not there": ("wells.knd.DOM=private", "'knd' (did you mean 'kind'?)"),
    "a column of free text": ("parcels.soil.X=loam", "no words to map in parcels, column 'soil'"),
    "a meaning that is not there": ("wells.kind.DOM=privat", "cannot mean 'privat' (did you mean 'private'?)"),
    "a meaning of a flag": ("wells.deep_casing.X=maybe", "Use yes, no, or nothing"),
    "no word": ("wells.kind=private", "must be LAYER.COLUMN.WORD=MEANING"),
    "no meaning": ("wells.kind.DOM", "must be LAYER.COLUMN.WORD=MEANING"),
}


@pytest.mark.parametrize("case", MAPPINGS)
def test_mapping_of_words_that_cannot_be_is_refused_and_says_why(case, tmp_path):
    mapping, said = MAPPINGS[case]
    assert said in refusal(tmp_path, BARE, "--values", mapping)


def test_word_that_is_mapped_twice_in_the_config_is_refused(tmp_path):
    config = BARE + '[values.wells.kind]\nDOM = "private"\ndom = "irrigation"\n'
    assert "dom is there twice" in refusal(tmp_path, config)


def test_word_that_is_given_two_meanings_on_the_line_is_refused(tmp_path):
    line = ("--values", "wells.kind.dom=private", "--values", "wells.kind.DOM=decommissioned")
    assert "wells.kind.dom is given two meanings" in refusal(tmp_path, BARE, *line)
    same = asked(tmp_path, BARE, *line[:3], "wells.kind.DOM=Private")
    assert same.value_maps == {"wells": {"kind": {"dom": "private"}}}


def test_flag_and_unknown_meanings_are_read_as_they_stand(tmp_path):
    config = BARE + '[values.wells.deep_casing]\nC = true\nN = "no"\nU = ""\n'
    assert asked(tmp_path, config).value_maps == {"wells": {"deep_casing": {"c": "yes", "n": "no", "u": ""}}}


def test_unknown_column_of_a_contract_is_refused_before_any_file_is_opened(tmp_path):
    said = refusal(tmp_path, BARE + '[columns.wells]\nknd = "USE_"\n')
    assert "wells have no column 'knd' (did you mean 'kind'?)" in said


def test_county_words_for_wells_are_used_as_they_are_mapped_and_others_are_named(hillside, tmp_path, capsys):
    columns = {"well_id": ["w1", "w2", "w3"], "kind": ["DOM", "dom ", "PWS"], "location_error_m": [3.0, 3.0, 3.0]}
    write(hillside, "wells", columns, [Point(LEFT + 60, TOP - 60), Point(LEFT + 290, TOP - 200), Point(LEFT + 200, TOP - 40)])
    words = words_for(hillside, tmp_path / "out", elevation=None, elevation_unit=None)
    assert main("setback_envelopes", [*words, "--values", "wells.kind.DOM=private"]) == 3
    said = capsys.readouterr().err
    assert "but pws (" in said and "--values wells.kind.pws=MEANING" in said and "w3" in said
    config = tmp_path / "words.toml"
    config.write_text('[values.wells.kind]\nDOM = "private"\nPWS = "public"\n')
    assert main("setback_envelopes", [*words, "--config", str(config)]) == 0
    zones = geopandas.read_file(tmp_path / "out" / "envelopes.gpkg", layer="setback_zones")
    fields = zones[(zones["part"] == "drain_field") & zones["feature_id"].isin(["w1", "w2", "w3"])]
    assert dict(zip(fields["feature_id"], fields["feature"], strict=True)) == {
        "w1": "private_well",
        "w2": "private_well",
        "w3": "public_well",
    }
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["values"] == {"wells": {"kind": {"dom": "private", "pws": "public"}}}


def test_config_with_a_byte_order_mark_is_read(tmp_path):
    assert asked(tmp_path, "\ufeff" + BARE).values["parcels"] == "a"


def test_path_with_backslashes_is_refused_and_says_how_to_write_it(tmp_path):
    assert "Write paths with /" in refusal(tmp_path, 'parcels = "C:\\data\\lots.shp"\n')
    assert asked(tmp_path, BARE.replace('"a"', "'C:\\data\\lots.shp'")).values["parcels"] == "C:\\data\\lots.shp"
