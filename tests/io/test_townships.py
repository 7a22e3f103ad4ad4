import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.io.townships import Legal, meridian_key, read_legal, read_number, read_parts, read_section

FUZZ = int(os.environ.get("GEOSEPTIC_FUZZ", "300"))
"""Texts that the tests of hostile ones try."""

NE_OF_SW = Legal("5N", "3W", 12, ("NE", "SW"))


@pytest.mark.parametrize(
    "text",
    [
        "NE1/4 SW1/4 Sec 12, T5N R3W",
        "T05N R03W 12 NESW",
        "T. 5 N., R. 3 W., Sec. 12: NE/4 SW/4",
        "NE¼ of the SW¼ of Section 12, Township 5 North, Range 3 West",
        "NESW 12-5N-3W",
        "the northeast quarter of the southwest quarter of sec 12 t5n r3w",
        "ne4sw4 s12 t5n-r3w",
        "5N/3W-12 NE SW",
    ],
)
def test_the_many_spellings_of_one_description_read_the_same(text: str):
    assert read_legal(text) == NE_OF_SW


def test_a_description_says_its_meridian_in_words_or_initials():
    for text in ("SEC 1 T1N R1W Willamette Meridian", "SEC 1 T1N R1W, W.M.", "SEC 1 T1N R1W WM"):
        assert meridian_key(read_legal(text).meridian) == "WILLAMETTE"
    assert meridian_key(read_legal("Sec 1 T1N R1W 6th Principal Meridian").meridian) == meridian_key("6th PM")


def test_halves_quarters_and_half_townships_are_kept():
    assert read_legal("N1/2 NW1/4 NE1/4 Sec 7 T5 1/2N R3W") == Legal("5.5N", "3W", 7, ("N", "NW", "NE"))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("S2 NE T5N R3W", "south half"),
        ("NE Sec 40 T1N R1W", "36"),
        ("NE Sec 3 Sec 4 T1N R1W", "more than one section"),
        ("T1N R1W T2N R1W Sec 3", "more than one township"),
        ("behind the barn", "not understood"),
        ("NE NE NE NE NE Sec 3 T1N R1W", "aliquot"),
        ("Sec 3 T0N R1W", "number 0"),
    ],
)
def test_what_would_have_to_be_guessed_is_refused_in_words(text: str, why: str):
    assert why in read_legal(text)


def test_a_description_without_a_township_is_read_but_not_whole():
    found = read_legal("NE NE Sec 3")
    assert found == Legal(section=3, parts=("NE", "NE"))
    assert not found.whole


def test_a_lot_is_somewhere_in_its_section():
    assert read_legal("Gov't Lot 3 Sec 4 T5N R3W") == Legal("5N", "3W", 4, vague=True)


@pytest.mark.source("plss-comma", where="its first two paragraphs: SW1/4NW1/4 is one tract of 40 acres, SW1/4, NW1/4 are two of 320")
def test_a_comma_parts_two_tracts_so_the_well_is_somewhere_in_the_section():
    assert read_legal("SW1/4NW1/4, SEC 26, T17N, R2W, WM").parts == ("SW", "NW")
    assert read_legal("The SW1/4 of the NW1/4 of Section 26, Township 17 North, Range 3 West, Willamette Meridian").parts == ("SW", "NW")
    apart = read_legal("SW1/4, NW1/4, SEC 26, T17N, R2W, WM")
    assert apart.vague and apart.parts == () and apart.section == 26


def test_columns_of_their_own_are_read_as_strictly():
    assert [read_number(text, "NS") for text in ("T05N", "5 N", "12.5S", "5", "0N", "5E")] == ["5N", "5N", "12.5S", "", "", ""]
    assert [read_section(text) for text in ("12", "Sec. 07", "12.0", "37", "", "x")] == [12, 7, 12, 0, 0, 0]
    assert read_parts("NE1/4 SW1/4") == ("NE", "SW")


PARTS = st.lists(st.sampled_from(["NE", "NW", "SE", "SW"]), max_size=4)


@given(PARTS, st.integers(1, 36), st.integers(1, 60), st.sampled_from("NS"), st.integers(1, 60), st.sampled_from("EW"))
@settings(max_examples=100, deadline=None)
def test_whatever_is_written_down_is_read_back(parts: list[str], section: int, township: int, ns: str, range_: int, ew: str):
    words = "".join(f"{part}1/4" for part in parts)
    expected = Legal(f"{township}{ns}", f"{range_}{ew}", section, tuple(parts))
    assert read_legal(f"{words} Sec. {section}, T. {township} {ns}., R. {range_} {ew}.") == expected
    assert read_legal(f"T{township:02}{ns} R{range_:02}{ew} {section:02} {''.join(parts)}") == expected


@given(st.one_of(st.text(max_size=320), st.text("NSEW1234/ TRSECLOT,.-&½¼", max_size=40)))
@settings(max_examples=FUZZ, deadline=None)
def test_no_text_ends_in_anything_but_a_description_or_words(text: str):
    found = read_legal(text)
    assert isinstance(found, Legal) or found
    assert 0 <= (found.section if isinstance(found, Legal) else 0) <= 36
    read_parts(text), read_number(text, "NS"), meridian_key(text)
