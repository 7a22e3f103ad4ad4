"""What `--describe` prints is a process description by the standard's own schema, and says what the process takes."""

import json

import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.process import LayerIn, Length, Number
from geoseptic.run.cli import main
from geoseptic.run.describe import description
from tests.run.ogcapi_schemas import faults


@pytest.mark.source("ogc-18-062r2", where="schema process.yaml of version 1.0, whole")
@pytest.mark.parametrize("process", PROCESSES)
def test_every_description_holds_by_the_schema_of_the_standard(process: str, capsys):
    assert main(process, ["--describe"]) == 0
    assert faults(json.loads(capsys.readouterr().out), "process") == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda found: found.pop("id"),
        lambda found: found.pop("version"),
        lambda found: found["inputs"]["reach_m"].pop("schema"),
        lambda found: found["inputs"]["reach_m"]["schema"].update({"x-unit": "m"}),
        lambda found: found["inputs"]["wells"]["schema"].update(type="layer"),
        lambda found: found["outputs"]["ponding"]["schema"].update(enum=[]),
        lambda found: found["jobControlOptions"].append("async"),
        lambda found: found["outputTransmission"].append("file"),
    ],
)
def test_the_schema_sees_a_description_that_was_spoiled(spoil):
    """Or the test above could not fail: schemas that lie in one another are really reached."""
    found = json.loads(json.dumps(description(PROCESSES["downslope_distance"], "0")))
    assert faults(found, "process") == []
    spoil(found)
    assert faults(found, "process")


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
def test_every_parameter_and_output_is_described_but_not_how_many_cores_a_host_gives(process):
    found = description(process, "0")
    parameters = {parameter.name: parameter for parameter in process.parameters if parameter.name != "workers"}
    assert parameters.keys() <= found["inputs"].keys()
    assert not {"workers", "scheduler", "keep", "to_postgis", "elevation_tiles", "out", "overwrite", "resume"} & found["inputs"].keys()
    assert ("columns" in found["inputs"]) == any(isinstance(parameter.spec, LayerIn) for parameter in parameters.values())
    for name, parameter in parameters.items():
        assert found["inputs"][name]["minOccurs"] == int(parameter.required)
        if isinstance(parameter.spec, Length | Number):
            assert found["inputs"][name]["additionalParameters"]["parameters"][0]["name"] == "unit"
    assert len(found["outputs"]) == len(process.outputs) + 1, "each output and the record of the run"
    assert SCREENING_AID in found["description"]


def test_outputs_of_one_name_are_told_apart():
    """A layer keeps its name, as it does in a database."""
    media = {
        name: out["schema"].get("contentMediaType", "layer")
        for process in ("check_inputs", "judge_findings", "old_systems")
        for name, out in description(PROCESSES[process], "0")["outputs"].items()
    }
    assert (media["problems"], media["problems_csv"]) == ("layer", "text/csv")
    assert (media["findings"], media["findings_md"]) == ("text/csv", "text/markdown")
    assert (media["sweep"], media["sweep_gpx"]) == ("layer", "application/gpx+xml")
