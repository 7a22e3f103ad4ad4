"""Hashes of rows tell any two that differ apart, and rows are found again by them."""

from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas import GeoDataFrame
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.io import rowhashes
from geoseptic.io.rowhashes import BLOCK_ROWS, FEW, HASH_BYTES, Hashes, RowHashes, in_order, places_of
from geoseptic.model.rownumbers import FID
from tests.io.test_keptpackages import layers


def row_hashes(frame: GeoDataFrame) -> Hashes:
    return RowHashes(frame).rows


def test_every_difference_in_a_column_is_in_the_hash_of_its_row():
    """Words, no word, an empty one and one that looks like none; numbers that compare equal; truth values; shapes."""
    frame = layers(300)[0].frame
    before = row_hashes(frame).tolist()
    assert before == row_hashes(frame.copy()).tolist() and len(set(before)) == 300
    changes = [("name", ["lot 1", "lot 151 "]), ("open", ["no", "None", "nan", ""]), ("area", [0.0, -0.0, np.nan]), ("sure", [True])]
    changes.append((frame.geometry.name, [shapely.box(0, 0, 1, 1), shapely.box(0, 0, 1, 1).reverse(), shapely.Polygon()]))
    seen = {before[151]}
    for column, values in changes:
        for value in values:
            other = frame.copy()
            other.loc[151, column] = value
            after = row_hashes(other).tolist()
            assert after[:151] + after[152:] == before[:151] + before[152:] and after[151] not in seen, (column, value)
            seen.add(after[151])
    other = frame.copy()
    other.loc[150, "open"] = "yes"
    assert frame["open"].isna()[150] and row_hashes(other)[150].tobytes() not in {before[150], *seen}


def test_values_that_look_alike_have_other_hashes():
    values: list[Any] = ["1", 1, True, 1.0, None, "None", "", "11", float("nan"), "nan"]
    frame = GeoDataFrame({"a": np.array(values, object)}, geometry=[shapely.Point(0, 0)] * len(values), crs=26910)
    assert len(set(row_hashes(frame).tolist())) == len(values)


def test_rows_of_no_columns_are_told_by_their_shapes():
    frame = GeoDataFrame(geometry=[shapely.Point(0, 0), shapely.Point(0, 1), shapely.Point(0, 0)], crs=26910)
    one, other, again = row_hashes(frame).tolist()
    assert one == again != other
    assert len(row_hashes(frame.iloc[:0])) == 0


def hashes_of(letters: list[int]) -> Any:
    return np.array([letter.to_bytes(HASH_BYTES, "little") for letter in letters], f"V{HASH_BYTES}")


def longest(one: list[int], other: list[int]) -> int:
    """How many rows two lists have in common in the same order, by trying every choice of them."""
    return max(
        size
        for size in range(len(one) + 1)
        for chosen in combinations(range(len(one)), size)
        if (rest := iter(other)) is not None and all(any(one[place] == there for there in rest) for place in chosen)
    )


@given(st.lists(st.integers(0, 60), max_size=8, unique=True), st.lists(st.integers(0, 60), max_size=8, unique=True))
def test_as_many_rows_as_can_keep_their_order_are_found_again(now, before):
    places = in_order(hashes_of(now), hashes_of(before))
    there = np.flatnonzero(places >= 0)
    assert (np.diff(places[there]) > 0).all()
    assert all(now[row] == before[places[row]] for row in there)
    assert len(there) == longest(now, before)


@given(st.lists(st.integers(0, 3), max_size=12), st.lists(st.integers(0, 3), max_size=12))
def test_rows_that_are_alike_are_taken_once_each(now, before):
    places = in_order(hashes_of(now), hashes_of(before))
    there = np.flatnonzero(places >= 0)
    assert (np.diff(places[there]) > 0).all() and all(now[row] == before[places[row]] for row in there)


@pytest.mark.parametrize("row", [0, 17, 39])
def test_one_row_more_or_less_moves_the_rows_behind_it(row):
    letters = list(range(40))
    more = [*letters[:row], 99, *letters[row:]]
    assert in_order(hashes_of(more), hashes_of(letters)).tolist() == [*range(row), -1, *range(row, 40)]
    assert in_order(hashes_of(letters), hashes_of(more)).tolist() == [*range(row), *range(row + 1, 41)]


def found_again(now: GeoDataFrame, before: GeoDataFrame) -> list[int]:
    hashes = RowHashes(before)
    return places_of(RowHashes(now), hashes.numbers, hashes.blocks, hashes.rows).tolist()


def of_values(values: Any, numbers: Any = None) -> GeoDataFrame:
    index = None if numbers is None else pd.Index(numbers, dtype=np.int64, name=FID)
    shapes = np.full(len(values), shapely.Point(0, 0))
    return GeoDataFrame({"n": np.asarray(values, np.int64)}, index=index, geometry=shapes, crs=26910)


@given(st.data(), st.integers(1, 4 * BLOCK_ROWS * FEW))
def test_where_few_rows_differ_they_are_found_by_the_blocks_that_they_lie_in(data, count):
    """Of a layer with as many rows: those that differ are new, whether they lie in one block or in many, at its ends or in the middle."""
    differ = data.draw(st.lists(st.integers(0, count - 1), max_size=min(count // FEW, 12), unique=True))
    now, before = of_values(np.arange(count)), of_values(np.arange(count))
    now.loc[differ, "n"] = -1 - np.arange(len(differ))
    expected = np.arange(count)
    expected[differ] = -1
    assert found_again(now, before) == expected.tolist()


def test_rows_that_only_moved_are_found_again_in_a_layer_of_as_many_rows():
    """The last of all became the first: no block is what it was, and all rows but one keep their order."""
    count = 10 * BLOCK_ROWS
    before = of_values(np.arange(count))
    now = before.iloc[[count - 1, *range(count - 1)]].reset_index(drop=True)
    assert found_again(now, before) == [-1, *range(count - 1)]


@pytest.mark.parametrize("seed", range(40))
def test_rows_are_found_again_by_their_numbers_and_else_in_their_order(seed, monkeypatch):
    """Numbers with gaps, in blocks and stretches of a few of them; rows that come, go, change, move to another number and are alike."""
    monkeypatch.setattr(rowhashes, "BLOCK_ROWS", 4)
    monkeypatch.setattr(rowhashes, "SPACING", 32)
    monkeypatch.setattr(rowhashes, "FEW", 5)
    random = np.random.default_rng(seed)
    numbers = np.flatnonzero(random.random(200) < 0.7) + 1
    values = random.integers(0, 400, len(numbers))
    now_values = np.where(random.random(len(numbers)) < 0.05, -1, values)
    keep = random.random(len(numbers)) > random.choice([0.0, 0.02, 0.2])
    now_numbers = numbers if seed % 2 else np.sort(random.choice(220, len(numbers), replace=False)) + 1
    now, before = of_values(now_values[keep], now_numbers[keep]), of_values(values, numbers)
    places = np.array(found_again(now, before))
    there = np.flatnonzero(places >= 0)
    assert (np.diff(places[there]) > 0).all() and (now["n"].to_numpy()[there] == values[places[there]]).all()
    if seed % 2:
        # Nobody but the changed ones is new.
        assert set(np.flatnonzero(places < 0).tolist()) <= set(np.flatnonzero(now["n"] == -1).tolist())
    assert found_again(before, before) == list(range(len(numbers)))


@pytest.mark.parametrize("counts", [(0, 0), (0, 3), (3, 0)])
def test_a_layer_without_a_row_has_nothing_to_be_found_again(counts):
    now, before = (of_values(np.arange(count), 1 + np.arange(count)) for count in counts)
    assert found_again(now, before) == [-1] * counts[0]


def test_a_row_more_at_the_end_of_a_run_leaves_the_others_where_they_are(monkeypatch):
    """Found by their numbers: of the rows only those of the block with the new one are looked at."""
    before = of_values(np.arange(6_000), np.concatenate([1 + np.arange(3_000), 1_000_001 + np.arange(3_000)]))
    hashes, more = RowHashes(before), of_values([*range(3_000), -1, *range(3_000, 6_000)], np.insert(before.index, 3_000, 3_001))
    now = RowHashes(more)
    asked: list[int] = []
    monkeypatch.setattr(now, "some", lambda first, end: asked.append(end - first) or RowHashes.some(now, first, end))
    places = places_of(now, hashes.numbers, hashes.blocks, hashes.rows)
    assert places.tolist() == [*range(3_000), -1, *range(3_000, 6_000)]
    assert len(asked) == 1 and asked[0] <= BLOCK_ROWS
