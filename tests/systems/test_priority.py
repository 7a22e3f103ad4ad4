"""The law of the ranking: whoever is worse in everything never comes later, and what is not known never makes a parcel late."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.systems import priority as p

TABLES = {"cesspool": p.CESSPOOL, "season": p.SEASON, "replacement": p.REPLACEMENT}
ROW = st.tuples(
    st.sampled_from(sorted(p.CESSPOOL)), st.integers(0, 12), st.sampled_from(sorted(p.SEASON)), st.sampled_from(sorted(p.REPLACEMENT))
)
WEIGHTS = st.fixed_dictionaries({name: st.floats(0, 1000) for name in p.FACTORS})


def factors(rows: list[tuple[str, int, str, str]]) -> dict[str, np.ndarray]:
    cesspool, wells, season, replacement = zip(*rows, strict=True)
    return {
        "cesspool": np.array([p.CESSPOOL[word] for word in cesspool]),
        "wells": p.wells_factor(np.array(wells, np.int64)),
        "season": np.array([p.SEASON[word] for word in season]),
        "replacement": np.array([p.REPLACEMENT[word] for word in replacement]),
    }


@given(rows=st.lists(ROW, min_size=2, max_size=60), weights=WEIGHTS)
def test_a_parcel_that_is_worse_in_every_column_never_ranks_lower(rows, weights):
    found = factors(rows)
    rank = p.order(p.log_scores(found, weights)).rank
    columns = np.stack(list(found.values()), axis=1)
    worse = (columns[:, None, :] >= columns[None, :, :]).all(axis=2)
    assert not (worse & (rank[:, None] > rank[None, :])).any()


@given(row=ROW, weights=WEIGHTS, which=st.integers(0, 2))
def test_what_is_not_known_never_ranks_below_the_best_answer_or_below_the_middle_one(row, weights, which):
    name = list(TABLES)[which]
    place = {"cesspool": 0, "season": 2, "replacement": 3}[name]
    for answer, value in TABLES[name].items():
        unknown, known = list(row), list(row)
        unknown[place], known[place] = "unknown", answer
        first, second = p.log_scores(factors([tuple(unknown), tuple(known)]), weights)
        if value <= np.median(list(TABLES[name].values())):
            assert first >= second


@given(rows=st.lists(ROW, min_size=1, max_size=40), seed=st.integers(0, 99))
def test_the_order_does_not_hang_on_the_order_of_rows(rows, seed):
    shuffled = np.random.default_rng(seed).permutation(len(rows))
    weights = dict.fromkeys(p.FACTORS, 1.0)
    one = p.order(p.log_scores(factors(rows), weights))
    other = p.order(p.log_scores(factors([rows[row] for row in shuffled]), weights))
    assert (one.rank[shuffled] == other.rank).all() and (one.tied[shuffled] == other.tied).all()


def test_ranks_are_those_of_a_race_where_equals_share_the_best_place():
    found = p.order(np.array([0.5, 0.9, 0.5, 0.1, 0.9, 0.9]))
    assert found.rank.tolist() == [4, 1, 4, 6, 1, 1]
    assert found.tied.tolist() == [2, 3, 2, 1, 3, 3]
    assert found.among_first(2).sum() == 3


def test_each_well_halves_the_way_to_one():
    # 1 - 0.8 / 2^n, by hand.
    assert p.wells_factor(np.array([0, 1, 2, 3])).tolist() == pytest.approx([0.2, 0.6, 0.8, 0.9], abs=1e-12)
    with pytest.raises(ValueError):
        p.wells_factor(np.array([-1]))


def test_the_score_is_the_product_by_hand():
    # likely 1, two wells 0.8, season unknown 0.75, fits with pump 0.5: 0.3; with the weight 2 of wells 0.24, without season 0.4.
    found = factors([("likely", 2, "unknown", "fits with pump")])
    for changed, score in (({}, 0.3), ({"wells": 2.0}, 0.24), ({"season": 0.0}, 0.4)):
        (found_log,) = p.log_scores(found, {**dict.fromkeys(p.FACTORS, 1.0), **changed})
        assert np.exp(found_log) == pytest.approx(score, rel=1e-8)  # logarithms are rounded to nine decimals


def test_a_faulty_factor_is_refused():
    with pytest.raises(ValueError, match="wells"):
        p.log_scores({"wells": np.array([0.0])}, {"wells": 1.0})
    with pytest.raises(ValueError, match="negative"):
        p.log_scores({"wells": np.array([0.5])}, {"wells": -1.0})


def test_sensitivity_by_hand():
    # Scores 0.6 * 0.5 = 0.3, 0.35 * 0.9 = 0.315 and 0.1: the second parcel is first. With 0.8 of the weight of b the first one is:
    # 0.6 * 0.5^0.8 = 0.3446 and 0.35 * 0.9^0.8 = 0.3217; and with 1.2 of that of a: 0.6^1.2 * 0.5 = 0.2709, 0.35^1.2 * 0.9 = 0.2553.
    found = p.sensitivity({"a": np.array([0.6, 0.35, 0.1]), "b": np.array([0.5, 0.9, 1.0])}, {"a": 1.0, "b": 1.0}, 1, 0.2)
    assert [(move.factor, move.weight) for move in found] == [("a", 0.8), ("a", 1.2), ("b", 0.8), ("b", 1.2)]
    assert [(move.first, move.stay, move.enter) for move in found] == [(1, 1, 0), (1, 0, 1), (1, 0, 1), (1, 1, 0)]


def test_every_word_of_the_verdicts_and_of_the_triage_counts():
    from geoseptic.model.layers import OLD_SYSTEMS, SCREENING
    from geoseptic.systems.verdict import VERDICTS

    by_name = {column.name: column.choices for contract in (OLD_SYSTEMS, SCREENING) for column in contract.columns}
    assert set(by_name["verdict"]) == set(VERDICTS) and set(VERDICTS) | {"unknown"} == set(p.REPLACEMENT)
    assert set(by_name["cesspool"]) == set(p.CESSPOOL)
    assert set(by_name["may_fail_in_wet_season"]) == set(p.SEASON)


def test_high_weights_still_tell_parcels_apart():
    weights = dict.fromkeys(p.FACTORS, 1000.0)
    found = p.order(
        p.log_scores(factors([("not expected", 0, "no sign found", "fits by gravity"), ("possible", 0, "yes", "does not fit")]), weights)
    )
    assert found.rank.tolist() == [2, 1]
