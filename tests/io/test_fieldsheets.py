"""Field sheets as people send them, and every bad line named."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoseptic.errors import FieldSheetError, FileUnreadableError, GeosepticError
from geoseptic.io.fieldsheets import read_field_sheet
from geoseptic.units import to_metres

GOOD = "hole,time,depth_to_water_in,refilled\n1,9:00,6,yes\n1,09:30,7.5,no\n"


def sheet(folder: Path, text: str | bytes) -> Path:
    path = folder / "sheet.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(FieldSheetError) as caught:
        read_field_sheet(sheet(folder, text))
    return str(caught.value)


def test_reading_has_its_hole_time_depth_refill_and_line(tmp_path):
    first, second = read_field_sheet(sheet(tmp_path, GOOD))
    assert (first.hole, first.time_min, first.refilled, first.line) == ("1", 540.0, True, 2)
    assert (second.time_min, second.depth_m, second.refilled, second.line) == (570.0, to_metres(7.5, "in"), False, 3)


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffHole;TIME;Depth to water in;Refilled\r\n1;9:00;6;Yes\r\n1;09:30;7,5;No\r\n",
        "HOLE\tTime\tDepth-To-Water-In\tRefilled\n1\t9:00:00\t6\tX\n\n1\t9:30\t7 1/2\t\n",
        '\n\nnotes,hole,refilled,time,depth_to_water_in\nsunny,1,1,9:00,6.0\n"a, b",1,0,9:30,7-1/2\n',
        "hole,time,depth_to_water_in,refilled\n1,9:00,6,yes,,\n1,9:30,7.5\n,,,\n",
    ],
)
def test_sheet_reads_the_same_in_the_forms_that_people_send(tmp_path, text):
    plain = read_field_sheet(sheet(tmp_path, GOOD))
    found = read_field_sheet(sheet(tmp_path, text))
    assert [(r.hole, r.time_min, r.depth_m, r.refilled) for r in found] == [(r.hole, r.time_min, r.depth_m, r.refilled) for r in plain]


def test_centimetres_and_minutes_are_understood_and_refilled_may_be_left_out(tmp_path):
    (only,) = read_field_sheet(sheet(tmp_path, "hole,time,depth_to_water_cm\nA,12.5,40\n"))
    assert (only.time_min, only.depth_m, only.refilled) == (12.5, pytest.approx(0.4), False)


def test_every_bad_line_is_named_at_once(tmp_path):
    message = refusal(
        tmp_path,
        "hole,time,depth_to_water_in,refilled\n,9:00,6,no\n1,nine,6,no\n1,9:30,deep,no\n1,9:60,-2,maybe\n1,10:00,7,5,no\n1,10:30,900,no\n1,11:00,1/0,no\n",
    )
    assert "line 2: it names no hole." in message
    assert "line 3: time 'nine' is neither HH:MM nor minutes." in message
    assert "line 4: depth_to_water_in 'deep' is not a number." in message
    assert "line 5: time '9:60'" in message and "'-2' is not a number" in message and "refilled 'maybe' must be yes or no" in message
    assert "line 6: " in message and "decimal comma" in message
    assert "line 7: depth_to_water_in = 900 is not between 0 and 10 m." in message
    assert "line 8" in message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "it is empty"),
        ("\n \n", "it is empty"),
        ("hole,time,depth_to_water_in\n", "a header and no reading"),
        ("hole,clock,depth_to_water_in\n1,9:00,6\n", "column time is missing"),
        ("hole,time,depth\n1,9:00,6\n", "depth_to_water_in and depth_to_water_cm is needed; neither"),
        ("hole,time,depth_to_water_in,depth_to_water_cm\n1,9:00,6,15\n", "both are there"),
        ("hole,time,time,depth_to_water_in\n1,9:00,9:00,6\n", "column time is there twice"),
        ("hole,time,depth_to_water_in\n1,9:00,6\n1,570,7\n", "some are times of day and some are minutes"),
    ],
)
def test_sheet_that_is_none_is_refused_with_the_reason(tmp_path, text, said):
    assert said in refusal(tmp_path, text)


def steady(write: Callable[[int], str], minutes: Sequence[int], holes: str = "AB") -> str:
    """A sheet of holes that lose 1 in over each interval and are filled again at once."""
    lines = ["hole,time,depth_to_water_in,refilled"]
    for hole in holes:
        for before, after in pairwise(minutes):
            lines += [f"{hole},{write(before)},6,yes", f"{hole},{write(after)},7,"]
    return "\n".join(lines) + "\n"


def with_stop(minute: int) -> str:
    return f"{minute // 60}.{minute % 60:02d}"


def day_fraction(minute: int) -> str:
    return f"{minute / 1440:.6f}"


def serial_date(minute: int) -> str:
    return f"{45000 + minute / 1440:.5f}"


def hours(minute: int) -> str:
    return f"{minute / 60:.4g}"


@pytest.mark.parametrize("step_min", [10, 15, 30])
@pytest.mark.parametrize(
    ("write", "looks"),
    [(with_stop, "with a full stop"), (day_fraction, "parts of a day"), (serial_date, "hours or days"), (hours, "look like hours")],
)
def test_numbers_that_are_no_minutes_are_refused_at_every_interval_of_the_codes_by_hole_and_reading(tmp_path, write, looks, step_min):
    message = refusal(tmp_path, steady(write, range(540, 541 + 9 * step_min, step_min)))
    assert "field sheet sheet.csv" in message
    assert "hole A, line " in message and "hole B, line " in message
    assert looks in message
    assert "Write times of day as HH:MM" in message


def test_sheet_in_whole_hours_is_refused_and_one_of_five_minutes_is_read(tmp_path):
    message = refusal(tmp_path, steady(hours, range(0, 241, 60)))
    assert "no hole was watched for 5 min (hole A: 4 min, to line 9)" in message
    # 0 to 5 by whole minutes, and 3.04 to 8.04, which is a rounding short of 5 minutes.
    assert len(read_field_sheet(sheet(tmp_path, steady(str, range(6))))) == 20
    assert len(read_field_sheet(sheet(tmp_path, steady(lambda minute: f"{3 + minute}.04", range(6))))) == 20


def test_one_hole_in_hours_beside_one_in_minutes_is_refused(tmp_path):
    rest = steady(hours, range(540, 700, 30), "B").split("\n", 1)[1]
    message = refusal(tmp_path, steady(str, range(540, 700, 30), "A") + rest)
    assert "hole B, line " in message and "hole A" not in message


def test_minutes_and_times_of_day_are_read_at_every_lawful_interval_and_so_is_sand_by_the_second(tmp_path):
    for step_min in (1, 2, 10, 15, 30):
        minutes = range(540, 541 + 9 * step_min, step_min)
        assert len(read_field_sheet(sheet(tmp_path, steady(str, minutes)))) == 36
        assert len(read_field_sheet(sheet(tmp_path, steady(lambda at: f"{at // 60}:{at % 60:02d}", minutes)))) == 36
    fast = "hole,time,depth_to_water_in,refilled\n1,9:00:00,6,yes\n1,9:00:36,12,\n1,9:01:00,6,yes\n1,9:01:36,12,\n"
    assert read_field_sheet(sheet(tmp_path, fast))[1].time_min == pytest.approx(540.6)


def test_most_falls_decide_so_that_one_quick_look_in_a_long_test_is_no_fault(tmp_path):
    text = "hole,time,depth_to_water_in\n1,0,6\n1,0.5,6\n1,30,7\n1,60,8\n1,90,9\n"
    assert len(read_field_sheet(sheet(tmp_path, text))) == 5


def test_endless_faults_give_a_short_message(tmp_path):
    message = refusal(tmp_path, "hole,time,depth_to_water_in\n" + "1,late,6\n" * 500)
    assert "and 480 more" in message
    assert len(message.splitlines()) < 25


def test_missing_huge_or_binary_file_is_refused(tmp_path):
    with pytest.raises(FileUnreadableError):
        read_field_sheet(tmp_path / "none.csv")
    with pytest.raises(FileUnreadableError):
        read_field_sheet("null\0byte")
    with pytest.raises(FileUnreadableError, match="longer than"):
        read_field_sheet(sheet(tmp_path, "x" * 1_000_001))
    with pytest.raises(FileUnreadableError, match="not UTF-8"):
        read_field_sheet(sheet(tmp_path, b"hole,time\n\xff\xfe"))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.sampled_from('hole,time;depth_to_water_in\n"\t0123456789:./ yx-\ufeff'), max_size=200))
def test_any_text_is_read_or_refused_and_never_breaks(tmp_path, text):
    try:
        read_field_sheet(sheet(tmp_path, text))
        read_field_sheet(sheet(tmp_path, GOOD + text))
    except GeosepticError:
        pass
