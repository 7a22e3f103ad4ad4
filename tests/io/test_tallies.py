"""Values are counted as sorting them counts them."""

import numpy as np
import pytest

from geoseptic.io import tallies
from geoseptic.io.tallies import count_bits, count_values


@pytest.mark.parametrize("kind", ["uint8", "int16", "int32", "int64"])
def test_values_are_counted_as_by_sorting(kind):
    values = np.random.default_rng(3).integers(5, 90, (40, 70)).astype(kind)
    values[::7] -= 5
    counts = np.zeros(91, np.int64)
    count_values(values[:, ::2], -1, counts)
    found, numbers = np.unique(values[:, ::2], return_counts=True)
    assert dict(zip((np.flatnonzero(counts) - 1).tolist(), counts[counts > 0].tolist(), strict=True)) == dict(
        zip(found.tolist(), numbers.tolist(), strict=True)
    )


@pytest.mark.parametrize("most_apart", [10, 10_000])
def test_values_near_each_other_and_far_apart_are_told_alike(monkeypatch, most_apart):
    monkeypatch.setattr(tallies, "MOST_APART", most_apart)
    values = np.random.default_rng(4).integers(-900, 900, (30, 40)).astype(np.int32)
    found, numbers = np.unique(values, return_counts=True)
    assert tallies.tally(values) == list(zip(found.tolist(), numbers.tolist(), strict=True))


@pytest.mark.parametrize("shape", [(0, 0), (1, 1), (40, 70)])
def test_bits_are_counted_as_one_after_the_other(shape):
    rng = np.random.default_rng(4)
    values = rng.choice(rng.integers(0, 2**32, 9, np.uint32), shape)
    if values.size > 1:
        values[10:30, 20:] = values[0, 0]  # alike over more than a row
        values[-1, -1] = 2**32 - 1
    assert count_bits(values).tolist() == [int(np.count_nonzero(values & np.uint32(1 << bit))) for bit in range(32)]
