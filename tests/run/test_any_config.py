"""Whatever a config gives is used or refused in a sentence: every parameter of every process, with values that nobody means."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.process import (
    DepthIn,
    ElevationIn,
    Facts,
    Ids,
    LayerIn,
    Names,
    Parameter,
    Process,
    RuleSetsIn,
    RulesIn,
    RunIn,
    SheetIn,
    Text,
)
from geoseptic.run.arguments import OUT
from geoseptic.run.cli import main
from geoseptic.run.config import SETTINGS, run_parameters
from tests.dirty.county import write_county
from tests.sheets.finished import write_screening

SAMPLE = Path(__file__).parents[2] / "sample_data"

EMPTY = ('""', '" "', "[]", "{}", '[""]', "[[]]")
OF_A_WRONG_KIND = ("true", "1979-05-27", "12:00:00", "{a = 1}", "[{a = [{}]}]", '"\\u0000"', '"\\u202e"', '"' + 300 * "x" + '"')
NO_NUMBERS = ("nan", "inf", "-inf", '"nan"', '"nanft"', '"infft"')
HUGE = ("1" + 400 * "0", "-1" + 400 * "0", "1e308", '"1e999ft"', '"-5ft"', "-1")
BAD = (*EMPTY, *OF_A_WRONG_KIND, *NO_NUMBERS, *HUGE)

FILES = (LayerIn, ElevationIn, DepthIn, SheetIn, RulesIn, RuleSetsIn, RunIn)

SHEET = "hole,time,depth_to_water_in,refilled\n" + "".join(
    f"{hole},{9 + half // 2}:{30 * (half % 2):02d},{depth},{refilled}\n"
    for hole in "abc"
    for number in range(3)
    for half, depth, refilled in ((number, 6, "yes"), (number + 1, 7, "no"))
)


class Toml(str):
    """A value as it stands in the file."""


def toml(table: Mapping[str, Any]) -> str:
    return "\n".join(f"{name} = {value if isinstance(value, Toml) else json.dumps(value)}" for name, value in table.items())


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What each process needs, by its name."""
    folder = tmp_path_factory.mktemp("any_config")
    county = write_county(folder)
    (folder / "sheet.csv").write_text(SHEET, encoding="utf-8")
    write_screening(folder / "screening")
    files = {
        **county,
        "screening": str(folder / "screening"),
        "parcel": ["A-1"],
        "sheet": str(folder / "sheet.csv"),
        "points": str(SAMPLE / "findings_points.csv"),
        "runs": str(SAMPLE / "findings_runs.csv"),
        "old_systems": f"{folder / 'old' / 'old_systems.gpkg'}|parcels",
    }
    old = {name: county[name] for name in ("parcels", "wells", "rules")}
    (folder / "old.toml").write_text(toml({**old, "out": str(folder / "old")}), encoding="utf-8")
    assert main("old_systems", ["--config", str(folder / "old.toml"), "-q"]) == 0
    needed = {
        name: {one.name: files[one.name] for one in process.parameters if one.required} | {"out": str(folder / "out"), "overwrite": True}
        for name, process in PROCESSES.items()
    }
    needed["size_field"] |= {"bedrooms": 3}
    needed["check_inputs"] |= {name: county[name] for name in ("parcels", "wells")}
    return needed


def parameters(process: Process[..., Any]) -> tuple[Parameter, ...]:
    return (*process.parameters, *run_parameters(process))


def each_once(*kinds: type) -> Iterator[tuple[Process[..., Any], Parameter]]:
    """Every parameter of those kinds, one that several processes declare alike at the first."""
    seen: set[str] = set()
    for process in PROCESSES.values():
        for parameter in parameters(process):
            if isinstance(parameter.spec, kinds) and repr(parameter) not in seen:
                seen.add(repr(parameter))
                yield process, parameter


def key(parameter: Parameter) -> str:
    return parameter.flag.removeprefix("--").replace("-", "_")


def end_of(process: str, table: Mapping[str, Any], folder: Path, *more: str) -> int:
    (folder / "config.toml").write_text(toml(table), encoding="utf-8")
    return main(process, ["--config", str(folder / "config.toml"), "-q", *more])


def may_pass(parameter: Parameter, value: str) -> bool:
    """Whether a value may be one of that parameter: any text is the name of a file, and what may be repeated may be left out."""
    if isinstance(parameter.spec, RuleSetsIn):
        return True
    if isinstance(parameter.spec, FILES):
        return value.startswith('"')
    if isinstance(parameter.spec, Ids):
        return (value.strip('[]" ') != "" and "\\u" not in value and len(value) <= 200) or value in ("[]", "[[]]")
    if isinstance(parameter.spec, Names | Facts):
        return (value == "[]" and not parameter.default) or (isinstance(parameter.spec, Facts) and value == "{}")
    return isinstance(parameter.spec, Text) and value.startswith('"') and "\\u" not in value and value.strip('" ') != ""


@pytest.mark.parametrize("process", PROCESSES.values(), ids=lambda process: process.id)
def test_value_that_nobody_means_is_refused_of_every_parameter_by_its_name(process, tmp_path, capsys):
    for value in BAD:
        code = end_of(process.id, {key(one): Toml(value) for one in (*parameters(process), OUT)}, tmp_path)
        said = capsys.readouterr().err
        # Where all may be names of files, they are names of files that are not there.
        assert code == 2 or (code == 3 and all(may_pass(one, value) for one in (*parameters(process), OUT))), (value, said)
        missed = [one.flag for one in (*parameters(process), OUT) if not may_pass(one, value) and f"{one.flag}" not in said]
        assert missed == [], (value, said)


@pytest.mark.parametrize(("process", "parameter"), [pytest.param(*one, id=f"{one[0].id}-{one[1].name}") for one in each_once(*FILES)])
def test_file_of_an_impossible_name_is_refused(process, parameter, given, tmp_path, capsys):
    for value in ('""', '" "', '"\\u0000"', '"' + 300 * "x" + '"', '"|"'):
        code = end_of(process.id, {**given[process.id], key(parameter): Toml(value)}, tmp_path, "--dry-run")
        said = capsys.readouterr().err
        # That process takes what cannot be read, and tells so.
        assert (code in (2, 3) and said.strip()) or (code == 0 and process.takes_refused), (value, code, said)


def test_setting_of_a_wrong_kind_is_refused(given, tmp_path, capsys):
    for value in (one for one in BAD if one != "{}"):
        for name in SETTINGS:
            if (name in ("overwrite", "resume", "allow_network") and value == "true") or name == "out":
                continue
            code = end_of("setback_envelopes", {**given["setback_envelopes"], name: Toml(value)}, tmp_path, "--dry-run")
            said = capsys.readouterr().err
            assert code in (2, 3) and name.replace("_", "-") in said.replace("_", "-"), (name, value, said)


@pytest.mark.parametrize(
    ("process", "parameter"), [pytest.param(*one, id=f"{one[0].id}-{one[1].name}") for one in each_once(Names, RuleSetsIn)]
)
def test_name_that_is_given_twice_counts_once(process, parameter, given, tmp_path):
    word = parameter.spec.options[0] if isinstance(parameter.spec, Names) else "us-wa"
    outs = []
    for words in ([word], [word, word]):
        out = tmp_path / str(len(words))
        code = end_of(process.id, {**given[process.id], parameter.name: words, "out": str(out)}, tmp_path)
        outs.append((code, sorted(path.name for path in out.iterdir()) if code == 0 else []))
    assert outs[0] == outs[1] and outs[0][0] in (0, 3)


def test_condition_that_is_stated_both_ways_is_refused(given, tmp_path, capsys):
    table = {**given["setback_envelopes"], "facts": ["basement=yes", "basement=no"]}
    assert end_of("setback_envelopes", table, tmp_path, "--dry-run") == 2
    assert "basement is given twice, with two values" in capsys.readouterr().err


def test_parts_of_which_none_is_named_are_refused(given, tmp_path, capsys):
    assert end_of("setback_envelopes", {**given["setback_envelopes"], "parts": []}, tmp_path) == 2
    assert "--parts names nothing" in capsys.readouterr().err
