"""Many parcels in few bytes, for a page that has them in itself: shapes, classes, numbers and texts, packed by gzip.

Layout: four bytes with the length of a JSON header (little-endian), the header in UTF-8, then its sections one after the other. Whole
numbers are LEB128; those that may be negative are folded (0, -1, 1, -2 as 0, 1, 2, 3). `geoseptic/data/county_map/unpack.js` reads it.
"""

import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries

QUANTUM_M: Final = 0.1
"""Corners of parcels are rounded to it: less than what a parcel map knows, and less than the width of a line on a screen."""

STEPS_A_UNIT: Final = 10
"""Numbers are rounded to a tenth, as the screening writes them."""

BETWEEN_TEXTS: Final = "; "
"""What the screening puts between reasons, assumptions and notes; each is stored once, however many parcels have it."""

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Columns:
    """Rows about parcels, each a value a parcel.

    classes : places in a list that the reader knows. numbers : NaN where not known. texts : parts with `BETWEEN_TEXTS` between them.
    """

    classes: Mapping[str, Whole]
    numbers: Mapping[str, npt.NDArray[np.float64]]
    texts: Mapping[str, Sequence[str]]


def packed(ids: Sequence[str], shapes_m: Geometries, columns: Columns, head: Mapping[str, Any]) -> bytes:
    """`head` and the parcels as gzip, the same bytes for the same values. A parcel may have no shape (None); `shapes_m` in metres."""
    sections: dict[str, bytes] = {}
    origin_m = _sections_of_shapes(shapes_m, sections)
    for name, places in columns.classes.items():
        sections[f"class {name}"] = varints(places)
    for name, values in columns.numbers.items():
        known = np.isfinite(values)
        steps = np.rint(np.where(known, values, 0.0) * STEPS_A_UNIT).astype(np.int64)
        sections[f"number {name}"] = varints(np.where(known, folded(steps) + 1, 0))
    words: dict[str, int] = {}
    for name, texts in columns.texts.items():
        _sections_of_texts(name, texts, words, sections)
    places_of, at = {}, 0
    for name, content in sections.items():
        places_of[name] = [at, len(content)]
        at += len(content)
    header = {
        **head,
        "ids": list(ids),
        "words": list(words),
        "origin_m": list(origin_m),
        "quantum_m": QUANTUM_M,
        "steps_a_unit": STEPS_A_UNIT,
        "sections": places_of,
    }
    text = json.dumps(header, ensure_ascii=True, separators=(",", ":"), allow_nan=False).encode("ascii")
    # The highest level would take three times as long, for half a percent less (100,000 parcels).
    return gzip.compress(len(text).to_bytes(4, "little") + text + b"".join(sections.values()), compresslevel=6, mtime=0)


def varints(values: Whole) -> bytes:
    """Whole numbers from 0 as LEB128: seven bits a byte, the lowest first, all but the last byte with the highest bit set."""
    rest = np.asarray(values, np.int64)
    if len(rest) and rest.min() < 0:
        raise ValueError("numbers below 0 are to be folded first")
    lengths = np.ones(len(rest), np.int64)
    for step in range(1, 9):
        lengths += rest >= 1 << 7 * step
    ends = np.cumsum(lengths)
    out = np.empty(int(ends[-1]) if len(ends) else 0, np.uint8)
    for step in range(int(lengths.max(initial=0))):
        own = lengths > step
        more = np.where(lengths[own] > step + 1, 128, 0)
        out[(ends - lengths)[own] + step] = rest[own] >> 7 * step & 127 | more
    return out.tobytes()


def folded(values: Whole) -> Whole:
    """0, -1, 1, -2 as 0, 1, 2, 3."""
    return values << 1 ^ values >> 63


def _sections_of_shapes(shapes_m: Geometries, sections: dict[str, bytes]) -> tuple[float, float]:
    """Rings a parcel, corners a ring, and steps from corner to corner; outer rings run against the clock, holes with it. The origin."""
    parts, part_of = shapely.get_parts(shapely.orient_polygons(shapes_m), return_index=True)
    rings, ring_of = shapely.get_rings(parts, return_index=True)
    xy_m, corner_of = shapely.get_coordinates(rings, return_index=True)
    # A ring's last corner is its first.
    last = np.append(corner_of[1:] != corner_of[:-1], True)[: len(corner_of)]
    xy_m, corner_of = xy_m[~last], corner_of[~last]
    origin_m = xy_m.min(axis=0) if len(xy_m) else np.zeros(2)
    steps = np.rint((xy_m - origin_m) / QUANTUM_M).astype(np.int64)
    sections["rings"] = varints(np.bincount(part_of[ring_of], minlength=len(shapes_m)))
    sections["corners"] = varints(np.bincount(corner_of, minlength=len(rings)))
    sections["steps"] = varints(folded(np.diff(steps, axis=0, prepend=0)).ravel())
    return float(origin_m[0]), float(origin_m[1])


def _sections_of_texts(name: str, texts: Sequence[str], words: dict[str, int], sections: dict[str, bytes]) -> None:
    """Which of the different texts each parcel has, and of which words each of these consists."""
    different: dict[str, int] = {"": 0}
    places = [different.setdefault(text, len(different)) for text in texts]
    parts = [[part for part in text.split(BETWEEN_TEXTS) if part] for text in different]
    sections[f"text {name}"] = varints(np.array(places, np.int64))
    sections[f"lengths {name}"] = varints(np.array([len(own) for own in parts], np.int64))
    sections[f"words {name}"] = varints(np.array([words.setdefault(part, len(words)) for own in parts for part in own], np.int64))
