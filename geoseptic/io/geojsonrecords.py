"""Holds a GeoJSON file against what GDAL makes of it: it passes without a word over whatever it does not take for a feature, over lines
that it cannot read, and over parts of a shape.

The file is gone through once, feature by feature. Coordinates are nearly all of it and need no parsing: brackets and commas tell whether
they are whole.
"""

import codecs
import json
import re
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Final

from geoseptic.errors import FileUnreadableError, listed

SEQUENCE: Final = "GeoJSONSeq"
"""GDAL's driver for one feature a line or, by RFC 8142, a record separator before each."""

SEPARATOR: Final = b"\x1e"
PIECE_BYTES: Final = 4_000_000
KEY: Final = b'"coordinates"'
COORDINATES: Final = re.compile(rb'"coordinates"\s*:\s*(\[[][0-9eE+.,\s-]*\])(?=\s*[},])')
NUMBERS: Final = re.compile(rb"\[[][0-9eE+.,\s-]*\]")
NOT_BRACKETS: Final = bytes(set(range(256)) - set(b"[],"))
POSITIONS: Final = (b"[,]", b"[,,]", b"[,,,]")
STEP: Final = re.compile(rb"(\]*),(\[*)")

WRONG: Final = 0
EMPTY: Final = 9
NO_NUMBERS: Final = re.compile(r"NaN|-?Infinity")
DIGIT: Final = re.compile(rb"[0-9]")

DEPTHS: Final = {"point": 1, "multipoint": 2, "linestring": 2, "multilinestring": 3, "polygon": 3, "multipolygon": 4}
"""Brackets round the first number, by the type in lower letters: GDAL reads it in any."""

ONLY_ONCE: Final = ("features", "type", "geometry", "coordinates", "geometries")
BETWEEN: Final = re.compile(r"[\s,\ufeff]*")
DECODER: Final = json.JSONDecoder(strict=False)
TODO: Final = "Mend that, or take out what stands for nothing on the ground; a GIS that opens the file may not show what it leaves out."


def refuse_lost(path: Path, shown: str, driver: str, read: int) -> None:
    """Raises FileUnreadableError for a file of which `driver` reads other than all features, each with all its parts.

    path : the file; shown : the name by which the user gave it; read : features by GDAL's own count.
    """
    state = path.stat()
    features, faults = _held(path, driver, state.st_mtime_ns, state.st_size)
    unit = "line" if driver == SEQUENCE else "feature"
    if faults:
        told = "; ".join(f"{what} ({unit} {listed(numbers)})" if numbers[0] else what for what, numbers in faults.items())
        raise FileUnreadableError(shown, f"features of it, or parts of them, would be lost: {told}", TODO)
    if features != read:
        raise FileUnreadableError(shown, f"it holds {features} features, and {read} of them are read", "Write it anew in a GIS, and count.")


@lru_cache(maxsize=64)
def _held(path: Path, driver: str, changed_ns: int, size: int) -> tuple[int, Mapping[str, tuple[int, ...]]]:
    """How many features the file holds, and what is wrong with which: those are numbered from 1, as lines of a sequence, 0 is the file."""
    faults: dict[str, list[int]] = {}
    features = 0
    with path.open("rb") as file:
        for number, fault in _of_sequence(file) if driver == SEQUENCE else _of_document(file):
            features += bool(number)
            if fault:
                faults.setdefault(fault, []).append(number)
    return features, {what: tuple(numbers) for what, numbers in faults.items()}


def _of_sequence(file: IO[bytes]) -> Iterator[tuple[int, str]]:
    """Line and fault of every feature; the fault is empty where there is none."""
    for number, record in _records(file):
        text = COORDINATES.sub(_short, record).decode("utf-8-sig", "replace")
        try:
            value = json.loads(text, strict=False)
        except (ValueError, RecursionError):
            yield number, "no whole feature by itself"
            continue
        # Shapes by themselves are taken for features in a sequence.
        bare = isinstance(value, dict) and value.get("type") != "Feature" and _is_shape(value)
        yield number, _shape_fault(value) if bare else _fault(value, text)


def _records(file: IO[bytes]) -> Iterator[tuple[int, bytes]]:
    """The line in which each begins, and each; blank ones are none."""
    if file.read(1) != SEPARATOR:
        file.seek(0)
        yield from ((number, line) for number, line in enumerate(file, 1) if line.strip())
        return
    first, number, lines = 1, 1, list[bytes]()
    for number, line in enumerate(file, 1):
        before, *others = line.split(SEPARATOR)
        lines.append(before)
        for other in others:
            if record := b"".join(lines).strip():
                yield first, record
            first, lines = number, [other]
    if record := b"".join(lines).strip():
        yield first, record


def _of_document(file: IO[bytes]) -> Iterator[tuple[int, str]]:
    """Number and fault of every feature of a file that is one value."""
    reader = _Reader(_pieces(file))
    number = 0
    root: dict[str, Any] = {}
    try:
        reader.step()
        while reader.mark() not in ("", "}"):
            name = reader.value()
            reader.step()
            if name in root and name in ONLY_ONCE:
                yield 0, f"the member '{name}' is there twice"
            if name != "features" or reader.mark() != "[":
                root[name] = reader.value()
                continue
            root[name] = True
            reader.step()
            while reader.mark() not in ("", "]"):
                value = reader.value()
                number += 1
                yield number, _fault(value, reader.last)
            reader.step()
        reader.step()
        if reader.mark():
            yield 0, "more stands behind the first feature or collection, and only that would be read"
    except (ValueError, RecursionError) as error:
        yield 0, f"what follows feature {number} is not JSON by its standard ({str(error)[:100]})"
        return
    if "features" not in root:
        yield 1, _shape_fault(root) if _is_shape(root) else _fault(root, "")


class _Reader:
    """One value of JSON after the other out of a text that comes in pieces; `last` is the text of the last one. GDAL has read it before, so
    commas need no look."""

    def __init__(self, pieces: Iterator[str]) -> None:
        self.pieces, self.text, self.at, self.last = pieces, "", 0, ""

    def mark(self) -> str:
        """The next letter that is no blank and no comma; empty at the end."""
        while True:
            found = BETWEEN.match(self.text, self.at)
            self.at = found.end() if found else self.at
            if self.at < len(self.text):
                return self.text[self.at]
            if not self._more():
                return ""

    def step(self) -> None:
        """Over that letter."""
        if self.mark():
            self.at += 1

    def value(self) -> Any:
        """Raises ValueError or RecursionError where there is none."""
        self.mark()
        while True:
            try:
                value, end = DECODER.raw_decode(self.text, self.at)
            except json.JSONDecodeError:
                if self._more():
                    continue
                raise
            # A number at the end of a piece may go on in the next.
            if end == len(self.text) and self._more():
                continue
            self.last, self.at = self.text[self.at : end], end
            return value

    def _more(self) -> bool:
        piece = next(self.pieces, None)
        if piece is None:
            return False
        self.text, self.at = self.text[self.at :] + piece, 0
        return True


def _pieces(file: IO[bytes]) -> Iterator[str]:
    """The text with its coordinates made short, none of them parted."""
    decode = codecs.getincrementaldecoder("utf-8")("replace").decode
    held = b""
    while block := file.read(max(PIECE_BYTES, len(held))):
        held += block
        cut = held.rfind(KEY)
        cut = cut if cut >= 0 else max(0, len(held) - len(KEY))
        yield decode(COORDINATES.sub(_short, held[:cut]))
        held = held[cut:]
    yield decode(COORDINATES.sub(_short, held), final=True)


def _short(found: re.Match[bytes]) -> bytes:
    """Coordinates as their depth; as they are where they are not all numbers."""
    run = found[1]
    if run.count(b"[") != run.count(b"]"):
        return found[0]
    return b'"coordinates":%d' % _depth(run)


def _depth(run: bytes) -> int:
    """Brackets before the first number; WRONG for coordinates that are not all positions of two to four numbers in the same depth."""
    brackets = run.translate(None, NOT_BRACKETS)
    if b"," not in brackets:
        return WRONG if DIGIT.search(run) else EMPTY
    depth = len(brackets) - len(brackets.lstrip(b"["))
    for position in POSITIONS:
        brackets = brackets.replace(position, b".")
    if b"[]" in brackets or len(brackets) - len(brackets.rstrip(b"]")) != depth - 1 or b".[" in brackets or b"]." in brackets:
        return WRONG
    if (b"]," in brackets or b",[" in brackets) and any(len(step[1]) != len(step[2]) for step in STEP.finditer(brackets)):
        return WRONG
    return depth


def _fault(feature: Any, text: str) -> str:
    """What would be lost of something that should be a feature; empty where nothing."""
    if not isinstance(feature, dict):
        return f"{_kind(feature)} instead of a feature"
    kind = feature.get("type")
    if kind != "Feature":
        return f"the type {_quoted(kind)} instead of 'Feature'" if kind is not None else "no type, which should be 'Feature'"
    if text.count('"geometry"') > 1 and _has_two_shapes(text):
        return "two shapes in one feature"
    if "\\u0000" in text and _has_zero(feature):
        return "a zero in a text, where GDAL ends it"
    shape = feature.get("geometry")
    return "" if shape is None else _shape_fault(shape)


def _has_zero(feature: Mapping[str, Any]) -> bool:
    properties = feature.get("properties")
    values = [*(properties.values() if isinstance(properties, dict) else ()), feature.get("id")]
    return any(isinstance(value, str) and "\x00" in value for value in values)


def _is_shape(value: Mapping[str, Any]) -> bool:
    return str(value.get("type")).lower() in (*DEPTHS, "geometrycollection")


def _shape_fault(shape: Any) -> str:
    if not isinstance(shape, dict):
        return f"{_kind(shape)} instead of a shape"
    kind = str(shape.get("type"))
    if kind.lower() == "geometrycollection":
        parts = shape.get("geometries")
        if not isinstance(parts, list):
            return "a collection without shapes"
        return next((fault for part in parts if (fault := _shape_fault(part))), "")
    wanted = DEPTHS.get(kind.lower())
    if wanted is None:
        return f"a shape of the type {_quoted(shape.get('type'))}, which there is not"
    depth = shape.get("coordinates")
    if not isinstance(depth, int):
        # Places that are not finite are told by those who check layers.
        run = NO_NUMBERS.sub("0", json.dumps(depth)).encode()
        depth = _depth(run) if NUMBERS.fullmatch(run) else WRONG
    if depth in (wanted, EMPTY):
        return ""
    return "coordinates that are not all numbers in pairs" if depth == WRONG else f"coordinates that are no {kind}"


def _has_two_shapes(text: str) -> bool:
    def kept(pairs: list[tuple[str, Any]]) -> list[str]:
        return [name for name, _ in pairs]

    hook: Callable[[list[tuple[str, Any]]], Any] = kept
    names: list[str] = json.loads(text, strict=False, object_pairs_hook=hook)
    return names.count("geometry") > 1


def _kind(value: Any) -> str:
    if value is None:
        return "null"
    kinds = {bool: "true or false", int: "a number", float: "a number", str: "a text", list: "a list", dict: "an object"}
    return kinds[type(value)]


def _quoted(value: Any) -> str:
    return f"'{str(value)[:40]}'"
