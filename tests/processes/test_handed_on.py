"""No layer that a process takes is forgotten on the way to the check: one that is would not keep anything clear."""

import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import load_rules
from geoseptic.process import DepthIn, ElevationIn, LayerIn
from geoseptic.processes import land
from tests.processes.lots_in_a_row import ground

TAKING = [
    found
    for found in PROCESSES.values()
    if {"parcels", "wells"} <= {parameter.name for parameter in found.parameters} and not found.takes_refused
]


class Seen(Exception):
    """What check_land was given."""


@pytest.mark.parametrize("process", TAKING, ids=lambda found: found.id)
def test_every_layer_that_a_process_takes_reaches_the_check(process, monkeypatch):
    def caught(parcels: object, wells: object, others: object, **named: object) -> None:
        raise Seen({"parcels": parcels, "wells": wells, "culverts": named.get("culverts"), **dict(others)})

    monkeypatch.setattr(land, "check_land", caught)
    given = {parameter.name: object() for parameter in process.parameters if isinstance(parameter.spec, LayerIn)}
    raster = {parameter.name: ground(300.0) for parameter in process.parameters if isinstance(parameter.spec, ElevationIn)}
    with pytest.raises(Seen) as seen:
        process(**given, **raster, rules=load_rules("us-wa"))
    handed = seen.value.args[0]
    checked = {*land.CONTRACTS, "parcels", "wells", "culverts"}
    assert {name: layer for name, layer in handed.items() if given.get(name) is not layer and layer is not None} == {}
    assert {name for name in given if name in checked} == {name for name, layer in handed.items() if layer is not None}
    # Where room is looked for, every kind of feature keeps something clear; the triage of old systems asks for some alone.
    assert set(given) >= set(land.CONTRACTS) or process.id == "old_systems"


def test_check_of_the_inputs_takes_every_input_that_the_screening_takes():
    asked = {
        parameter.name for parameter in PROCESSES["screen_county"].parameters if isinstance(parameter.spec, LayerIn | ElevationIn | DepthIn)
    }
    assert asked <= {parameter.name for parameter in PROCESSES["check_inputs"].parameters}
