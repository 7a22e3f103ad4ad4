"""Columns of layers that are made of few words are what a frame makes of the words row by row."""

import numpy as np
import pandas
import pytest
import shapely

from geoseptic.parcels.envelope import Envelopes
from geoseptic.processes.tables import _open_questions, of_few

WHY, CLAIM = "nothing is known of its ground: lost", "also that of 7"
WELL, ZONES = "where is the well? none is on record", "a longer setback may apply: see the zones"


@pytest.mark.parametrize("texts", [["a"], ["b", "a", "b", "", "c", "a"], [""]])
def test_column_of_few_words_is_that_of_the_words(texts):
    column = pandas.Series(of_few(texts))
    pandas.testing.assert_series_equal(column, pandas.Series(texts))
    assert [type(value) for value in column] == [str] * len(texts)


def test_no_words_stay_no_words():
    assert list(of_few([])) == []


def test_open_questions_stand_in_their_order():
    count, empty = 16, np.array([shapely.Polygon()] * 16, object)
    bits = [[bool(row >> bit & 1) for bit in range(4)] for row in range(count)]
    possible = np.array([shapely.box(0, 0, 9, 9) if own[3] else shapely.Polygon() for own in bits], object)
    lost = {row: "lost" for row, own in enumerate(bits) if own[0]}
    envelopes = Envelopes("drain_field", np.arange(count).astype(object), empty, possible, empty, {}, 0.0, np.empty(0, np.int64), lost)
    found = _open_questions(envelopes, np.array([own[2] for own in bits]), {row: CLAIM for row, own in enumerate(bits) if own[1]})
    expected = ["; ".join(text for text, holds in zip((WHY, CLAIM, WELL, ZONES), own, strict=True) if holds) for own in bits]
    assert found.tolist() == expected
