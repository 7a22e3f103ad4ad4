import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoseptic.io.angles import Angle, is_empty, read_angle

FUZZ = int(os.environ.get("GEOSEPTIC_FUZZ", "300"))
"""Texts that the tests of hostile ones try."""

SAME_LATITUDE = [
    "47°12'30\"N", "47 12 30 N", "47-12-30", "N47.12.30", "N 47° 12′ 30″", "47:12:30", "47d12m30s", "47 deg 12 min 30 sec N", "47º12’30”",
    "Lat 47 12 30", "47 12 30.000", "+47 12 30", "47° 12.5'", "47 12.5 N", "47.2083333333", "47.2083333333°", "47,2083333333",
    "north 47 12 30",
]  # fmt: skip


@pytest.mark.parametrize("text", SAME_LATITUDE)
def test_the_many_spellings_of_one_latitude_read_the_same(text: str):
    assert read_angle(text, "latitude").deg == pytest.approx(47 + 12 / 60 + 30 / 3600, abs=1e-9)


@pytest.mark.parametrize("text", ["-122-30-15", "122-30-15W", "W122 30 15", "122°30'15\"W", "−122.5041666667", "122 30 15 west"])
def test_the_many_spellings_of_one_longitude_read_the_same(text: str):
    assert read_angle(text, "longitude").deg == pytest.approx(-122.5041666667, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("471230", "without marks"),
        ("47,12", "comma"),
        ("-47.1 N", "contradict"),
        ("47.1E", "letter E"),
        ("4.7E1", "short form"),
        ("47 60 00", "60 minutes"),
        ("47 00 60", "60 seconds"),
        ("91", "beyond"),
        ("47 12.5 30", "fraction"),
        ("47.1.2.3.4", "not a coordinate"),
        ("١٢", "not a coordinate"),
        ("Elm Street 5", "not a coordinate"),
        ("9" * 100, "too long"),
    ],
)
def test_what_is_no_latitude_or_may_be_two_is_refused_in_words(text: str, why: str):
    assert why in read_angle(text, "latitude")


def test_packed_degrees_are_read_only_where_that_is_stated():
    for text in ("471230", "47.1230", "47.123", "471230.0"):
        assert read_angle(text, "latitude", packed=True).deg == pytest.approx(47.2083333, abs=1e-6)
    assert read_angle("1223015", "longitude", packed=True).deg == pytest.approx(122.5041667, abs=1e-6)
    assert "60 minutes" in read_angle("47.75", "latitude", packed=True)


@pytest.mark.parametrize(
    ("text", "step_deg"), [("47.21", 0.01), ("47", 1.0), ("47 12", 1 / 60), ("47 12 30", 1 / 3600), ("47 12 30.5", 0.1 / 3600)]
)
def test_the_last_digit_that_was_written_is_known(text: str, step_deg: float):
    assert read_angle(text, "latitude").step_deg == pytest.approx(step_deg)


@given(
    st.integers(0, 89),
    st.integers(0, 59),
    st.integers(0, 5999),
    st.sampled_from(["{}°{}'{}\"", "{} {} {}", "{}-{}-{}", "{}:{}:{}", "{}d{}m{}s"]),
    st.sampled_from("NS"),
)
@settings(max_examples=100, deadline=None)
def test_whatever_is_written_in_a_spelling_is_read_back(degrees: int, minutes: int, hundredths: int, spelling: str, side: str):
    read = read_angle(spelling.format(degrees, minutes, f"{hundredths / 100:.2f}") + f" {side}", "latitude")
    assert isinstance(read, Angle)
    assert abs(read.deg) == pytest.approx(degrees + minutes / 60 + hundredths / 360000, abs=1e-9)
    assert read.deg == 0 or (read.deg < 0) == (side == "S")


@given(
    st.one_of(st.text(max_size=80), st.text("0123456789.-,:NSEWdms°'\" ", max_size=20)),
    st.sampled_from(["latitude", "longitude"]),
    st.booleans(),
)
@settings(max_examples=FUZZ, deadline=None)
def test_no_text_ends_in_anything_but_an_angle_on_earth_or_words(text: str, axis, packed: bool):
    is_empty(text)
    read = read_angle(text, axis, packed)
    if isinstance(read, Angle):
        assert abs(read.deg) <= (90 if axis == "latitude" else 180)
        assert read.step_deg > 0
    else:
        assert read
