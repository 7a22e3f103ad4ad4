"""A heap of 64-bit keys, the least first. A key holds a height and, for ties, the cell's number: one comparison, one order everywhere."""

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def ordered(bits):  # type: ignore[no-untyped-def]
    """The bits of a float32, changed so that as whole numbers they have the order of the heights; its own inverse."""
    return bits ^ ((bits >> 31) & 0x7FFFFFFF)


@njit(cache=True, nogil=True)
def key_of(bits, cell):  # type: ignore[no-untyped-def]
    """Key of a cell by the bits of its height, which is not NaN; the cell's number is below 2 ** 32."""
    return (np.int64(ordered(bits)) << 32) | np.int64(cell)


@njit(cache=True, nogil=True)
def cell_of(key):  # type: ignore[no-untyped-def]
    return key & 0xFFFFFFFF


@njit(cache=True, nogil=True)
def push(heap, size, key):  # type: ignore[no-untyped-def]
    """Add a key to a heap of `size` keys; returns the heap, in a longer array where it was full."""
    heap = grown(heap, size)
    at = size
    while at > 0:
        above = (at - 1) >> 1
        if heap[above] <= key:
            break
        heap[at] = heap[above]
        at = above
    heap[at] = key
    return heap


@njit(cache=True, nogil=True)
def pop(heap, size):  # type: ignore[no-untyped-def]
    """Take the least key out of a heap of `size` keys."""
    least = heap[0]
    size -= 1
    key = heap[size]
    at = 0
    while True:
        below = 2 * at + 1
        if below >= size:
            break
        if below + 1 < size and heap[below + 1] < heap[below]:
            below += 1
        if heap[below] >= key:
            break
        heap[at] = heap[below]
        at = below
    heap[at] = key
    return least


@njit(cache=True, nogil=True)
def grown(queue, size):  # type: ignore[no-untyped-def]
    """The queue itself, or a copy twice as long if `size` entries fill it."""
    if size < queue.size:
        return queue
    bigger = np.empty(2 * queue.size, queue.dtype)
    # One by one: assigning a slice takes the compiler seconds in every process that compiles anything of the kind.
    for at in range(size):
        bigger[at] = queue[at]
    return bigger
