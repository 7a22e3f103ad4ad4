"""Cells of a small grid as bits, so that one operation decides 64 of them.

Rows are uint64 arrays of shape (rows, words); bit k of word w is column 64 w + k. Bits past the last column are never set.
"""

from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

Bits = npt.NDArray[np.uint64]

NONE: Final = np.uint64(0)
ONE: Final = np.uint64(1)
ALL: Final = np.uint64(2**64 - 1)
WORD: Final = np.uint64(64)
LAST: Final = np.uint64(63)

PAIRS: Final = np.uint64(0x5555555555555555)
FOURS: Final = np.uint64(0x3333333333333333)
EIGHTS: Final = np.uint64(0x0F0F0F0F0F0F0F0F)
BYTES: Final = np.uint64(0x0101010101010101)


@njit(cache=True, nogil=True)
def no_cells(rows, cols):  # type: ignore[no-untyped-def]
    """A grid of which nothing is set."""
    return np.zeros((rows, (cols + 63) >> 6), np.uint64)


@njit(cache=True, nogil=True)
def is_set(bits, row, col):  # type: ignore[no-untyped-def]
    return bits[row, col >> 6] >> np.uint64(col & 63) & ONE != NONE


@njit(cache=True, nogil=True)
def turn_over(bits, row, col):  # type: ignore[no-untyped-def]
    bits[row, col >> 6] ^= ONE << np.uint64(col & 63)


@njit(cache=True, nogil=True)
def fill(bits, row, first, last):  # type: ignore[no-untyped-def]
    """Set the cells of a row from the first to the last column, both included; none where the last is before the first."""
    if last < first:
        return
    begin, end = first >> 6, last >> 6
    above, below = ALL << np.uint64(first & 63), ALL >> np.uint64(63 - (last & 63))
    if begin == end:
        bits[row, begin] |= above & below
        return
    bits[row, begin] |= above
    for word in range(begin + 1, end):
        bits[row, word] = ALL
    bits[row, end] |= below


@njit(cache=True, nogil=True)
def fill_between(bits, cols):  # type: ignore[no-untyped-def]
    """Set each cell to whether an odd number of cells of its row is set up to it, itself included."""
    rows, words = bits.shape
    beyond = ALL >> (LAST - (np.uint64(cols - 1) & LAST))
    for row in range(rows):
        odd_before = NONE
        for word in range(words):
            odd = bits[row, word]
            odd ^= odd << np.uint64(1)
            odd ^= odd << np.uint64(2)
            odd ^= odd << np.uint64(4)
            odd ^= odd << np.uint64(8)
            odd ^= odd << np.uint64(16)
            odd ^= odd << np.uint64(32)
            odd ^= odd_before
            odd_before = NONE - (odd >> LAST)
            bits[row, word] = odd
        bits[row, words - 1] &= beyond


@njit(cache=True, nogil=True)
def keep_runs(bits, wide, wider, first, last):  # type: ignore[no-untyped-def]
    """Of cells that begin a run of `wide` cells in their row, keep set those that begin one of `wider`; in the rows from first to last."""
    words = bits.shape[1]
    while wide < wider:
        step = min(wide, wider - wide)
        whole, part = step >> 6, np.uint64(step & 63)
        # Bits that part moves out of a word are shifted in two steps: by 64 at once is undefined.
        rest = LAST - part
        for row in range(first, last + 1):
            for word in range(words - whole - 1):
                bits[row, word] &= bits[row, word + whole] >> part | bits[row, word + whole + 1] << rest << ONE
            if whole < words:
                bits[row, words - whole - 1] &= bits[row, words - 1] >> part
            for word in range(max(0, words - whole), words):
                bits[row, word] = NONE
        wide += step


@njit(cache=True, nogil=True)
def keep_stacks(bits, deep, first, last):  # type: ignore[no-untyped-def]
    """Keep set those cells above which, themselves included, `deep` cells of their column are set; outside of the rows from first to last
    none is."""
    words = bits.shape[1]
    height = 1
    while height < deep:
        step = min(height, deep - height)
        height += step
        for row in range(first, last - height + 2):
            for word in range(words):
                bits[row, word] &= bits[row + step, word]
    for row in range(max(first, last - deep + 2), last + 1):
        for word in range(words):
            bits[row, word] = NONE


@njit(cache=True, nogil=True)
def places_and_ends(bits, first, last):  # type: ignore[no-untyped-def]
    """How many cells are set in the rows from first to last, and the lowest and highest row and column among them (-1 where there is
    none)."""
    places, low, high, near, far = 0, -1, -1, -1, -1
    for word in range(bits.shape[1]):
        anywhere = NONE
        for row in range(first, last + 1):
            here = bits[row, word]
            if here != NONE:
                places += count(here)
                low, high = (row if low == -1 else min(low, row)), max(high, row)
                anywhere |= here
        if anywhere != NONE:
            near, far = (64 * word + lowest(anywhere) if near == -1 else near), 64 * word + highest(anywhere)
    return places, low, high, near, far


@njit(cache=True, nogil=True)
def count(word):  # type: ignore[no-untyped-def]
    """How many bits are set."""
    word = word - (word >> ONE & PAIRS)
    word = (word & FOURS) + (word >> np.uint64(2) & FOURS)
    word = word + (word >> np.uint64(4)) & EIGHTS
    return np.int64(word * BYTES >> np.uint64(56))


@njit(cache=True, nogil=True)
def lowest(word):  # type: ignore[no-untyped-def]
    """The lowest bit that is set, 64 without any."""
    return count((word & (NONE - word)) - ONE)


@njit(cache=True, nogil=True)
def highest(word):  # type: ignore[no-untyped-def]
    """The highest bit that is set, -1 without any."""
    word |= word >> np.uint64(1)
    word |= word >> np.uint64(2)
    word |= word >> np.uint64(4)
    word |= word >> np.uint64(8)
    word |= word >> np.uint64(16)
    word |= word >> np.uint64(32)
    return count(word) - 1
