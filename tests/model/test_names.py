"""Names that may mean one thing are found, and names that part the same figures otherwise are not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.model import names as name_module
from geoseptic.model.names import alike, near_matches, plain

ODD = {
    "small letters": "mh-002-07",
    "hyphens that do not break": "MH\u2011002\u201107",
    "a dash": "MH\u2013002\u201307",
    "a soft hyphen": "MH\u00ad002\u00ad07",
    "a space of no width": "MH-002-07\u200b",
    "a space that does not break": "MH-002-07\u00a0",
    "a space inside": "MH -002-07",
    "full width": "\uff2d\uff28-002-07",
    "spaces for hyphens": "MH 002 07",
    "no hyphens": "MH00207",
    "a mark of direction": "\u200eMH-002-07",
    "a control sign": "MH-002-07\x01",
}


@pytest.mark.parametrize("written", ODD.values(), ids=ODD)
def test_two_spellings_of_one_name_are_alike(written: str):
    assert alike(["MH-002-07", "MH-003-05", written]) == [("MH-002-07", written)]
    assert near_matches(["MH-002-07", "MH-003-05"], [written, "MH-003-05"]) == [("MH-002-07", written)]


def test_letters_with_marks_are_alike_however_they_are_composed():
    assert alike(["caf\u00e9", "cafe\u0301", "cafe"]) == [("caf\u00e9", "cafe\u0301")]


def test_numbers_that_part_the_same_figures_at_other_places_are_different_lots():
    # Map 1, lot 23 and map 12, lot 3 stand in one layer of many counties.
    assert alike(["1-23", "12-3", "1.23", "001-23"]) == []
    assert alike(["1-2-3", "1-23"]) == [("1-2-3", "1-23")], "one of them parts at more places"


def test_a_name_that_both_have_is_no_near_match():
    assert near_matches(["A-1", "a-1"], ["A-1", "a-1"]) == [] and near_matches(["A-1"], ["A-1", "a-1"]) == []


@given(st.lists(st.text(max_size=6), max_size=6))
def test_every_group_is_of_different_names_with_the_same_letters_and_plain_is_final(names: list[str]):
    for group in alike(names):
        assert len(set(group)) == len(group) > 1 and set(group) <= set(names)
        assert len({"".join(plain(name).replace("-", " ").split()) for name in group}) == 1
    assert all(plain(plain(name)) == plain(name) for name in names)


@given(st.lists(st.text("aAbB12 -\n\u00e9\u2013", max_size=5), max_size=8))
def test_names_that_are_looked_at_as_one_text_give_what_each_by_itself_gives(names: list[str]):
    found = alike(names)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(name_module, "_surely_unlike", lambda _: False)
        assert found == alike(names)
