"""Sheets of findings as people send them; every bad row named; nothing but a refusal for rubbish."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoseptic.errors import FileUnreadableError, GeosepticError, LayerContractError
from geoseptic.io.findingsheets import read_findings
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.finding_checks import checked_findings
from geoseptic.model.layers import FINDING_POINTS, FINDING_RUNS
from geoseptic.systems.findings import judge

POINTS = 'id,kind,fixtures,wells,depth_ft\nH,house,"toilet, kitchen",0,\nP1,pit,,,3.5\n'
RUNS = "from_id,to_id,method,fixtures,flow\n,P1,dye,toilet,yes\n"


def sheet(folder: Path, name: str, content: str | bytes) -> str:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return str(path)


def both(folder: Path, points: str | bytes = POINTS, runs: str | bytes = RUNS):
    return checked_findings(
        read_findings(sheet(folder, "points.csv", points), FINDING_POINTS), read_findings(sheet(folder, "runs.csv", runs), FINDING_RUNS)
    )


def refusal(folder: Path, points: str = POINTS, runs: str = RUNS) -> str:
    with pytest.raises(GeosepticError) as caught:
        both(folder, points, runs)
    return str(caught.value)


@pytest.mark.parametrize(
    "points",
    [
        "\ufeffID;Kind;Fixtures;Wells;Depth ft\r\nH;House;toilet, kitchen;0;\r\nP1;dry well;;;3,5\r\n",
        "\n\nid\tKIND\tfixtures\twells\tdepth-ft\tweather\nH\thouse\ttoilet & kitchen\t0\t\tsunny\n\nP1\tPit\t\t\t3.5\t\n,,\n".replace(
            "\n,,\n", "\n"
        ),
    ],
)
def test_sheet_reads_the_same_in_the_forms_that_people_send(tmp_path, points):
    plain, found = both(tmp_path), both(tmp_path, points)
    assert [(p.id, p.kind, p.fixtures, p.wells) for p in found.points.values()] == [
        (p.id, p.kind, p.fixtures, p.wells) for p in plain.points.values()
    ]
    assert found.points["", "p1"].depth_m == pytest.approx(3.5 * 0.3048)


def test_every_bad_row_is_named_at_once(tmp_path):
    words = refusal(
        tmp_path,
        "id,kind,fixtures,wells,liquid\nH,house,toilet,1.5,\nP1,pitt,,,\nP1,pit,,,brown\n,pit,,,\nP2,pit,toilet,,\nh,lid,,,\n",
    )
    assert "points (points.csv)" in words and "line 3 (P1)" in words and "pitt" in words and "line 4 (P1)" in words and "brown" in words
    assert "empty id: line 5" in words
    words = refusal(tmp_path, "id,kind,fixtures,wells,liquid\nH,house,toilet,1.5,\nP2,pit,toilet,,\nh,lid,,,\n")
    assert "wells must be a whole number" in words and "line 3 (P2)" in words and "there twice" in words and "line 4 (h)" in words


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        ("P1,,camera,,", ""),
        (",P1,dye,,yes", "where did the water come from"),
        (",,dye,toilet,yes", "neither from_id nor to_id"),
        ("P1,H,camera,,", "direction is up"),
        ("P1,P9,camera,,", "there is no point 'P9'"),
        ("P1,P1,camera,,", "the same point"),
        (",P1,sniff,toilet,yes", "method is none of"),
        (",P1,dye,fountain,yes", "is none of toilet"),
        (",P1,dye,toilet,perhaps", "flow is none of yes, no"),
        ("H,P1,tape,,", "a tape needs"),
    ],
)
def test_run_that_says_nothing_is_refused_in_words(tmp_path, row, fault):
    runs = f"from_id,to_id,method,fixtures,flow\n{row}\n"
    if fault:
        words = refusal(tmp_path, runs=runs)
        assert fault in words and "line 2" in words and "runs (runs.csv)" in words
    else:
        assert len(both(tmp_path, runs=runs).runs) == 1


@pytest.mark.parametrize(
    ("points", "fault"),
    [
        ("", "it is empty"),
        ("name,what\nP1,pit\n", "none of its columns is known"),
        ("id,kind,id\nP1,pit,P1\n", "there twice"),
        ("id,kind\n", "it holds no point"),
        ("id,kind\nP1,pit,extra\n", "more cells than the header"),
        ('id,kind,notes\nP1,pit,"a\nb"\n', "quotation marks that do not match"),
        ("id,kind,depth\nP1,pit,3\n", "the unit of 'depth' is not stated"),
        ("id,kind,x_ft\nP1,pit,3\n", "only one of x_ft and y_ft"),
        ("id,kind,depth_ft\nP1,pit,300\n", "is the unit right"),
    ],
)
def test_sheet_that_cannot_be_used_says_why(tmp_path, points, fault):
    assert fault in refusal(tmp_path, points)


def test_file_that_is_not_there_or_no_text_is_refused(tmp_path):
    with pytest.raises(FileUnreadableError):
        read_findings(str(tmp_path / "none.csv"), FINDING_POINTS)
    with pytest.raises(FileUnreadableError, match="UTF-8"):
        read_findings(sheet(tmp_path, "latin.csv", b"id,kind,notes\nP1,pit,\xe9\n"), FINDING_POINTS)


def test_words_and_columns_of_ones_own_are_mapped(tmp_path):
    path = sheet(tmp_path, "own.csv", "Nr,What\nP1,SCHACHT\n")
    frame = read_findings(path, FINDING_POINTS, {"id": "Nr", "kind": "what"}, {"kind": {"schacht": "pit"}})
    assert frame.to_dict("list") == {"id": ["P1"], "kind": ["pit"]}
    with pytest.raises(LayerContractError, match="not in the file"):
        read_findings(path, FINDING_POINTS, {"id": "Name"})


CELL = st.one_of(
    st.sampled_from(
        ["", "P1", "h", "pit", "house", "tank", "toilet", "yes", "no", "camera", "dye", "up", "3", "-1", "1e9", "nan", "inf", '"', "?", "ö"]
    ),
    st.text(max_size=6),
)
HEADER = st.lists(st.sampled_from([*FINDING_POINTS.names, *FINDING_RUNS.names, "weather", ""]), min_size=1, max_size=9)


@given(header=HEADER, rows=st.lists(st.lists(CELL, max_size=9), max_size=5), other=st.booleans(), mark=st.sampled_from(",;\t"))
@settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_rubbish_gives_a_refusal_or_a_judgement_and_nothing_else(tmp_path, header, rows, other, mark):
    text = "\n".join(mark.join(cells) for cells in [header, *rows])
    try:
        found = both(tmp_path, runs=text) if other else both(tmp_path, points=text)
        judge(found, load_rules("us-nj"))
    except GeosepticError as error:
        assert str(error)


@given(content=st.binary(max_size=200))
@settings(
    max_examples=100, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_bytes_give_a_refusal_or_a_table(tmp_path, content):
    try:
        read_findings(sheet(tmp_path, "any.csv", content), FINDING_POINTS)
    except GeosepticError as error:
        assert str(error)
