"""Numbers of wells: each its own, and the same whatever other wells there are."""

import numpy as np
import pytest

from geoseptic.model import wellnumbers
from geoseptic.model.wellnumbers import BITS, rows_of, well_numbers

NAMES = [f"w{number}" for number in range(3000)]


def test_the_number_is_the_first_bits_of_the_hash_that_its_authors_publish():
    """tests/sanity_test_vectors.h of the xxHash library, first of XSUM_XXH32_testdata: no byte, seed 0, gives 02CC5D05."""
    assert well_numbers([""]).tolist() == [0x02CC5D05 >> 32 - BITS]


def test_other_wells_and_another_order_leave_a_well_its_number():
    numbers = dict(zip(NAMES, well_numbers(NAMES).tolist(), strict=True))
    assert len(set(numbers.values())) == len(NAMES) and 0 <= min(numbers.values()) <= max(numbers.values()) < 2**BITS
    mixed = np.random.default_rng(1).permutation(NAMES)
    assert dict(zip(mixed.tolist(), well_numbers(mixed.tolist()).tolist(), strict=True)) == numbers
    # Two of 3,000 have one of 16 million hashes in common in every fourth such list or so.
    fewer = dict(zip(NAMES[::2], well_numbers(NAMES[::2]).tolist(), strict=True))
    assert sum(numbers[name] != own for name, own in fewer.items()) <= 1


@pytest.mark.parametrize("bits", [1, 4, 11])
def test_where_hashes_are_alike_the_next_free_number_is_given_whatever_the_order(monkeypatch, bits):
    monkeypatch.setattr(wellnumbers, "BITS", bits)
    names = NAMES[:900]
    numbers = dict(zip(names, well_numbers(names).tolist(), strict=True))
    assert len(set(numbers.values())) == 900
    assert dict(zip(names[::-1], well_numbers(names[::-1]).tolist(), strict=True)) == numbers


def test_names_that_are_alike_are_numbered_in_their_order():
    first, other, second = well_numbers(["a", "b", "a"]).tolist()
    assert second == first + 1 and other not in (first, second)
    assert well_numbers([]).tolist() == []
    assert len(well_numbers(["\ud800", "é", ""])) == 3


def test_rows_are_found_by_their_numbers():
    numbers = well_numbers(NAMES)
    wanted = np.random.default_rng(2).integers(0, len(NAMES), (40, 30))
    assert (rows_of(numbers, numbers[wanted]) == wanted).all()
