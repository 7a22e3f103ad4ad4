import zipfile

import pandas as pd
import pyogrio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoseptic.errors import FileUnreadableError
from geoseptic.io.rawtables import RawTable, read_table

TEXT = 'well_id;lat;lon\r\nBöhm 1;47,5;"-122;5"\r\n\r\nW2;47;\r\n'
ROWS = (("Böhm 1", "47,5", "-122;5"), ("W2", "47", ""))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"])
def test_every_usual_encoding_gives_the_same_cells_and_lines(tmp_path, encoding: str):
    path = tmp_path / "wells.csv"
    path.write_bytes(TEXT.encode(encoding))
    table = read_table(str(path))
    assert (table.names, table.rows, table.lines) == (("well_id", "lat", "lon"), ROWS, (2, 4))
    assert bool(table.notes) == (encoding == "cp1252")


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_every_usual_delimiter_and_line_end_is_found(tmp_path, mark: str, newline: str):
    path = tmp_path / "wells.txt"
    path.write_text(newline.join(mark.join(row) for row in [("id", "lat"), ("1", "47.5"), ("2", "48")]), newline="")
    assert read_table(str(path)).rows == (("1", "47.5"), ("2", "48"))


def test_a_title_above_the_column_names_is_passed_over_and_told(tmp_path):
    path = tmp_path / "wells.csv"
    path.write_text("Wells of the county\n\nid,lat\n1,47\n")
    table = read_table(str(path))
    assert table.rows == (("1", "47"),) and table.lines == (4,)
    assert "line 3" in table.notes[0]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no row"),
        ("a\nb\n", "no row"),
        ("a,b\n1,2,3\n", "line 2 has more cells"),
        ("a,A\n1,2\n", "there twice"),
        ('a,b,c\nW1,"x,1\nW2,2,3\nW3,y",4\n', "line 2"),
        ('a,b\n1,"2\n', "line 2"),
        ("PK\x03\x04", "spreadsheet"),
    ],
)
def test_what_would_lose_wells_is_refused_with_its_line(tmp_path, text: str, why: str):
    path = tmp_path / "wells.csv"
    path.write_text(text)
    with pytest.raises(FileUnreadableError, match=why):
        read_table(str(path))


def test_a_line_break_inside_a_quoted_note_is_no_row(tmp_path):
    path = tmp_path / "wells.csv"
    path.write_text('id,note,lat\n1,"old\nwell",47\n2,,48\n')
    table = read_table(str(path))
    assert table.rows == (("1", "old\nwell", "47"), ("2", "", "48")) and table.lines == (2, 4)


@pytest.mark.parametrize(
    "text",
    [
        'id,lat,lon\n"w1,47,-122\nw2",48,-121\n',
        'id,lat,lon\nw0,46,-122\nw1,"47,-122\nw2,48",-121\n',
        'id;land\n"w1;A\nw2";B\n',
        'id;land\n"w1;A\nw2;B\nw3";C\nw4;D\n',
    ],
)
def test_rows_that_a_pair_of_quotation_marks_makes_one_are_refused(tmp_path, text: str):
    (tmp_path / "wells.csv").write_text(text, encoding="utf-8")
    with pytest.raises(FileUnreadableError, match="a cell goes on over lines that look like rows"):
        read_table(str(tmp_path / "wells.csv"))


@pytest.mark.parametrize(
    "text",
    [
        'id,lat,lon,note\nw1,47,-122,"deep, cased\nsee file"\nw2,48,-121,\n',
        'id,address,lat,lon\nw1,"12 Main, Town\nUpstairs",47,-122\nw2,,48,-121\n',
    ],
)
def test_addresses_and_notes_of_several_lines_are_cells(tmp_path, text: str):
    (tmp_path / "wells.csv").write_text(text, encoding="utf-8")
    assert [row[0] for row in read_table(str(tmp_path / "wells.csv")).rows] == ["w1", "w2"]


def test_a_sheet_that_ends_in_the_middle_is_refused(tmp_path):
    whole, torn = tmp_path / "whole.xlsx", tmp_path / "torn.xlsx"
    pyogrio.write_dataframe(pd.DataFrame({"id": ["W1", "W2"], "lat": ["47.21", "48"]}), whole, driver="XLSX", layer="wells")
    assert len(read_table(str(whole)).rows) == 2
    with zipfile.ZipFile(whole) as archive, zipfile.ZipFile(torn, "w") as other:
        for name in archive.namelist():
            content = archive.read(name)
            other.writestr(name, content[: content.rindex(b"<row")] if name.endswith("sheet1.xml") else content)
    with pytest.raises(FileUnreadableError, match="a part of it is damaged"):
        read_table(str(torn))


def test_a_spreadsheet_gives_its_cells_as_they_are_shown(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (["Wells"], [], ["id", "lat", "lon"], ["W1", 47.21, -122.1], [2, "47 12 30 N", None]):
        book.active.append(row)
    book.create_sheet("other").append(["a", "b"])
    book.save(tmp_path / "wells.xlsx")
    table = read_table(str(tmp_path / "wells.xlsx"), "Sheet")
    assert table.rows == (("W1", "47.21", "-122.1"), ("2", "47 12 30 N", "")) and table.lines == (4, 5)
    with pytest.raises(FileUnreadableError, match="2 sheets"):
        read_table(str(tmp_path / "wells.xlsx"))


def test_an_open_document_spreadsheet_is_read_too(tmp_path):
    pyogrio.write_dataframe(pd.DataFrame({"id": ["W1"], "lat": ["47.21"]}), tmp_path / "wells.ods", driver="ODS", layer="wells")
    assert read_table(str(tmp_path / "wells.ods")).rows == (("W1", "47.21"),)


def test_a_spreadsheet_that_unpacks_to_gigabytes_is_refused_unread(tmp_path):
    with zipfile.ZipFile(tmp_path / "wells.xlsx", "w", zipfile.ZIP_DEFLATED) as archive, archive.open("xl/x", "w") as stream:
        for _ in range(1100):
            stream.write(bytes(1_000_000))
    with pytest.raises(FileUnreadableError, match="unpacks to"):
        read_table(str(tmp_path / "wells.xlsx"))


@given(st.one_of(st.binary(max_size=300), st.text('ab1,;"\n\r\t=|\x00é', max_size=200).map(lambda text: text.encode("utf-8", "replace"))))
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_bytes_end_in_anything_but_a_table_or_a_refusal(tmp_path, content: bytes):
    path = tmp_path / "wells.csv"
    path.write_bytes(content)
    try:
        table = read_table(str(path))
    except FileUnreadableError as error:
        assert str(path) in str(error)
    else:
        assert isinstance(table, RawTable)
        assert all(len(row) == len(table.names) for row in table.rows) and len(table.rows) == len(table.lines)
