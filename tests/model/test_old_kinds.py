"""The table of old systems answers every case once."""

from itertools import product

import pytest

from geoseptic.model.finding_words import CLEAR_WATER, FIXTURES, GREYWATER, SEWAGE, fixture_names, plain_word, water_of
from geoseptic.model.old_kinds import ENDS, OLD_KINDS, TABLE, VERDICTS, WATERS, kinds_of


def test_every_case_has_exactly_one_line():
    for end, untreated, water, in_series in product(ENDS, (True, False), WATERS, (True, False)):
        lines = [
            line
            for line in TABLE
            if line.end == end and water in line.waters and line.untreated in (None, untreated) and line.in_series in (None, in_series)
        ]
        assert len(lines) == 1, (end, untreated, water, in_series)
        assert kinds_of((end,), (untreated,), (water,), in_series) == {lines[0].kind}


def test_every_kind_of_the_table_is_described_with_a_source_and_a_verdict():
    assert {line.kind for line in TABLE} | {"not_in_use", "filled"} == set(OLD_KINDS)
    for kind in OLD_KINDS.values():
        assert kind.words and kind.definition and kind.why and kind.otherwise in VERDICTS and str(kind.basis)


def test_sewage_in_the_ground_without_a_tank_is_never_the_ordinary_system():
    assert {kinds_of((end,), (True,), (SEWAGE,), False) for end in ("pit", "field")} == {
        frozenset({"cesspool"}),
        frozenset({"field_without_tank"}),
    }


@pytest.mark.parametrize(
    ("written", "names", "unknown"),
    [
        ("toilet, Kitchen; bath 2", ("toilet", "kitchen sink", "bath 2"), ()),
        ("washing machine and WC", ("laundry", "toilet"), ()),
        ("basin upstairs & basin downstairs", ("basin upstairs", "basin downstairs"), ()),
        ("kitchen_sink+laundry-tub", ("kitchen sink", "utility sink"), ()),
        ("toilets, fountain", (), ("toilets", "fountain")),
        ("  ,; ", (), ()),
    ],
)
def test_fixtures_are_read_as_people_write_them(written, names, unknown):
    assert fixture_names(written) == (names, unknown)


def test_water_goes_by_the_longest_name():
    assert [water_of(name) for name in ("utility sink", "bath 2", "bar sink", "roof drain north")] == [
        GREYWATER,
        GREYWATER,
        SEWAGE,
        CLEAR_WATER,
    ]
    assert {water_of(name) for name in FIXTURES} == set(WATERS)


def test_unknown_and_empty_are_the_same_word():
    assert {plain_word("liquid", word) for word in ("unknown", "Not seen", "?", "n/a", " ")} == {""}
