"""What goes into a page packed comes out of it whole, to the stated rounding, read here by a reader of its own."""

import gzip
import json
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoseptic.sheets.packing import QUANTUM_M, Columns, folded, packed, varints

SHAPES = np.array(
    [
        shapely.box(500_000.0, 4_000_000.0, 500_040.0, 4_000_030.0),
        shapely.box(0, 0, 100, 100).difference(shapely.box(20, 20, 60, 60)),
        shapely.MultiPolygon([shapely.box(1000, 5, 1010, 15), shapely.box(1020, 5, 1030.04, 15)]),
        None,
    ],
    object,
)
HOSTILE = ["</script><script>alert(1)</script>", "a\u2028b", "\u202eright to left", "'\"&<!--", ""]


def numbers(data: bytes) -> list[int]:
    """LEB128, byte by byte."""
    found, value, shift = [], 0, 0
    for byte in data:
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            found.append(value)
            value, shift = 0, 0
    return found


def unfolded(value: int) -> int:
    return -(value + 1) // 2 if value % 2 else value // 2


def unpacked(content: bytes) -> tuple[dict[str, Any], dict[str, list[int]]]:
    raw = gzip.decompress(content)
    start = 4 + int.from_bytes(raw[:4], "little")
    head = json.loads(raw[4:start])
    return head, {name: numbers(raw[start + at : start + at + size]) for name, (at, size) in head["sections"].items()}


def shapes_of(head: dict[str, Any], sections: dict[str, list[int]]) -> list[shapely.Geometry]:
    """Each parcel as the area between its rings, which no ring's direction matters to."""
    steps, corners = iter(sections["steps"]), iter(sections["corners"])
    x = y = 0
    found = []
    for rings in sections["rings"]:
        shape = shapely.Polygon()
        for _ in range(rings):
            ring = []
            for _ in range(next(corners)):
                x, y = x + unfolded(next(steps)), y + unfolded(next(steps))
                ring.append((head["origin_m"][0] + x * QUANTUM_M, head["origin_m"][1] + y * QUANTUM_M))
            shape = shape.symmetric_difference(shapely.Polygon(ring))
        found.append(shape)
    return found


@given(st.lists(st.integers(0, 2**40)), st.lists(st.integers(-(2**40), 2**40)))
def test_any_whole_numbers_come_back(positive: list[int], any_sign: list[int]):
    """Numbers and folded numbers are read back as they were, by a reader that knows only the published format."""
    assert numbers(varints(np.array(positive, np.int64))) == positive
    assert [unfolded(value) for value in numbers(varints(folded(np.array(any_sign, np.int64))))] == any_sign


def test_a_number_below_0_is_refused_unless_folded():
    """A negative number would end up as another one without a word."""
    with pytest.raises(ValueError, match="folded"):
        varints(np.array([-1], np.int64))


def test_shapes_come_back_to_half_a_step():
    """Holes, several pieces and parcels without a shape are kept; no corner moves by more than the rounding, however far the parcel."""
    head, sections = unpacked(packed(["a", "b", "c", "d"], SHAPES, Columns({}, {}, {}), {}))
    for shape, back in zip(SHAPES, shapes_of(head, sections), strict=True):
        if shape is None:
            assert back.is_empty
        else:
            assert shapely.hausdorff_distance(shape, back) <= QUANTUM_M
            assert back.area == pytest.approx(shape.area, abs=QUANTUM_M * shape.length)


def test_rows_come_back_and_unknown_stays_unknown():
    """An unknown number is not 0, texts come back in their parts, and hostile ones letter by letter."""
    values = {"x": np.array([0.0, np.nan, -12.3, 1e6, 0.04])}
    texts = {"reasons": ["one; two", "", "two", "two; one", "three"], "hostile": HOSTILE}
    classes = {"verdict": np.array([4, 0, 1, 2, 3], np.int64)}
    head, sections = unpacked(packed(HOSTILE, np.full(5, None, object), Columns(classes, values, texts), {"title": HOSTILE[0]}))
    assert head["ids"] == HOSTILE and head["title"] == HOSTILE[0]
    assert sections["class verdict"] == [4, 0, 1, 2, 3]
    assert [None if step == 0 else unfolded(step - 1) / 10 for step in sections["number x"]] == [0.0, None, -12.3, 1e6, 0.0]
    for name, wanted in texts.items():
        ends = np.cumsum([0, *sections[f"lengths {name}"]])
        words = [head["words"][word] for word in sections[f"words {name}"]]
        assert ["; ".join(words[ends[place] : ends[place + 1]]) for place in sections[f"text {name}"]] == wanted


def test_the_same_values_make_the_same_bytes():
    """Nothing of the hour or the machine goes in."""
    made = {packed(["a", "b", "c", "d"], SHAPES, Columns({}, {}, {"t": ["x", "", "x; y", "z"]}), {}) for _ in range(2)}
    assert len(made) == 1
