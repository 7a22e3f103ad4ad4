"""A hash of values by their content: what goes into it and how it is told apart, so that nothing of a value can be left out.

Dataclasses go in field by field, by looking at them: a field that is added later is in the hash at once. A kind of value that is not known
here is refused and never passed over.
"""

import hashlib
import platform
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, fields, is_dataclass
from functools import cache, cached_property
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
import shapely
from affine import Affine
from pyproj import CRS, proj_version_str

from geoseptic.parcels.byplace import ByPlace

VERSIONS: Final = ("numpy", "scipy", "numba", "llvmlite", "shapely", "pyproj", "rasterio", "affine", "pandas", "geopandas", "pyogrio")
"""Packages of which another version may give another bit."""


SOURCES: Final = (".py", ".toml", ".js", ".css", ".html")
"""Files of the package of which results are made."""

AT_ONCE_BYTES: Final = 1 << 20
"""Longer values are not gathered before they are hashed."""

NO_SHAPE: Final = hashlib.sha256().digest()
OTHER_SHAPE: Final = b"\xff"

ONE_RUN: Final = (shapely.GeometryType.POINT, shapely.GeometryType.LINESTRING, shapely.GeometryType.POLYGON)
"""Kinds of shape that their coordinates tell, one after the other, if they have no holes."""

Shapes = np.ndarray[Any, np.dtype[np.object_]]


def digest(*values: Any) -> bytes:
    """SHA-256 of the values, 32 bytes. Raises TypeError for a kind of value that it does not know."""
    found = _Sink()
    for value in values:
        _add(found, value)
    return found.digest()


@cache
def code_digest() -> bytes:
    """That of whatever computes: the package's sources and data, the libraries under it, and the machine that kernels are compiled for."""
    folder = Path(__file__).parents[1]
    sources = sorted(path for path in folder.rglob("*") if path.suffix in SOURCES)
    libraries = {name: _version(name) for name in VERSIONS}
    below = (shapely.geos_version_string, rasterio.__gdal_version__, proj_version_str)
    machine = (platform.python_version(), platform.machine(), platform.system(), str(import_module("llvmlite.binding").get_host_cpu_name()))
    return digest({path.relative_to(folder).as_posix(): path.read_bytes() for path in sources}, libraries, below, machine)


TOLD: Final = np.dtype([("of", "V32"), ("kind", np.uint8), ("number", "V8")])
"""What tells a shape from any other: a hash, what it is of, and a number. Kinds: a shape itself, a ring or a disc round one."""

A_SHAPE, A_RING, A_DISC = range(3)


@dataclass(frozen=True, eq=False)
class Hashed:
    """Shapes with what tells each from any other, and what bounds it. They may be made when somebody asks for them, or hashed then.

    `_make` makes those of some rows, `_tell` and `_bound` say of all what tells them and what they lie in (NaN for an empty one).
    """

    rows: np.ndarray[Any, np.dtype[np.int64]]
    _make: Callable[[np.ndarray[Any, np.dtype[np.int64]]], Shapes]
    _tell: Callable[[], np.ndarray[Any, Any]]
    _bound: Callable[[], np.ndarray[Any, np.dtype[np.float64]]]

    @classmethod
    def of(cls, shapes: Shapes) -> "Hashed":
        """Of shapes that are there, with None for no shape."""
        bounds = cache(lambda: np.asarray(shapely.bounds(shapes), np.float64).reshape(-1, 4))
        return cls(np.arange(len(shapes)), shapes.__getitem__, cache(lambda: _told(shapes)), bounds)

    @classmethod
    def joined(cls, parts: Sequence["Hashed"], rows: Sequence[np.ndarray[Any, np.dtype[np.int64]]] | None = None) -> "Hashed":
        """Several as one: one after the other, or each at its `rows`."""
        ends = np.cumsum([0, *map(len, parts)])
        rows = [np.arange(start, end) for start, end in pairwise(ends)] if rows is None else rows
        part, place = np.zeros(ends[-1], np.int64), np.zeros(ends[-1], np.int64)
        for number, own in enumerate(rows):
            part[own], place[own] = number, np.arange(len(own))

        def make(wanted: np.ndarray[Any, np.dtype[np.int64]]) -> Shapes:
            found = np.empty(len(wanted), object)
            for number in np.unique(part[wanted]).tolist():
                here = part[wanted] == number
                found[here] = parts[number][place[wanted[here]]].shapes
            return found

        def filled(out: np.ndarray[Any, Any], each: Iterable[np.ndarray[Any, Any]]) -> np.ndarray[Any, Any]:
            for own, values in zip(rows, each, strict=True):
                out[own] = values
            return out

        # As bytes, which go from place to place in a fifth of the time of fields.
        whole = f"V{TOLD.itemsize}"
        tell = cache(lambda: filled(np.zeros(ends[-1], whole), (one.hashes.view(whole) for one in parts)).view(TOLD))
        return cls(np.arange(ends[-1]), make, tell, cache(lambda: filled(np.zeros((ends[-1], 4)), (one.bounds_m for one in parts))))

    @cached_property
    def shapes(self) -> Shapes:
        return self._make(self.rows)

    @cached_property
    def hashes(self) -> np.ndarray[Any, Any]:
        return self._tell().take(self.rows)

    @cached_property
    def bounds_m(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        return self._bound().take(self.rows, axis=0)

    @cached_property
    def by_place(self) -> ByPlace:
        return ByPlace(self.bounds_m)

    @property
    def is_empty(self) -> np.ndarray[Any, np.dtype[np.bool_]]:
        return np.isnan(self._bound()[self.rows, 0])

    def __getitem__(self, rows: Any) -> "Hashed":
        return Hashed(self.rows[rows], self._make, self._tell, self._bound)

    def __len__(self) -> int:
        return len(self.rows)

    def content_digest(self) -> bytes:
        return hashlib.sha256(self.hashes.tobytes()).digest()

    def __reduce__(self) -> Any:
        """Other processes get the shapes themselves, told by what they are: how they are made stays here."""
        return Hashed.of, (self.shapes,)


def told(of: Any, kind: int, numbers: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """What tells shapes that follow from something with these hashes, 32 bytes each, and a number of 8 bytes."""
    found = np.zeros(len(numbers), TOLD)
    found["of"], found["kind"], found["number"] = of, kind, numbers.view("V8")
    return found


def _told(shapes: Shapes) -> np.ndarray[Any, Any]:
    plain, kinds, counts, coordinates = _plain_shapes(shapes)
    data, ends = memoryview(coordinates.tobytes()), np.cumsum(counts) * coordinates.itemsize * 2
    found = [NO_SHAPE] * len(shapes)
    starts, marks = ends - counts * coordinates.itemsize * 2, [bytes([kind]) for kind in range(256)]
    for row, kind, start, end in zip(np.flatnonzero(plain).tolist(), kinds[plain].tolist(), starts.tolist(), ends.tolist(), strict=True):
        found[row] = hashlib.sha256(marks[kind] + data[start:end]).digest()
    rest = np.flatnonzero(~plain)
    for row, text in zip(rest.tolist(), shapely.to_wkb(shapes[rest]), strict=True):
        if text is not None:
            found[row] = _of_text(text)
    return told(np.frombuffer(b"".join(found), "V32"), A_SHAPE, np.zeros(len(shapes)))


def told_by_wkb(texts: Iterable[bytes]) -> np.ndarray[Any, Any]:
    """What tells shapes of which the WKB is at hand; the same shape told by its coordinates is taken for another one."""
    found = np.frombuffer(b"".join(map(_of_text, texts)), "V32")
    return told(found, A_SHAPE, np.zeros(len(found)))


def _of_text(text: bytes) -> bytes:
    return hashlib.sha256(OTHER_SHAPE + text).digest()


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return ""


class _Sink:
    """What goes into a hash, gathered and hashed at once: most values are a few bytes."""

    def __init__(self) -> None:
        self.hash, self.parts = hashlib.sha256(), list[Any]()

    def plain(self, kind: str, data: Any) -> None:
        """Every value with its kind and its length before it: no two different ones can run together into the same bytes."""
        self.parts.append(f"{kind} {len(data)}:".encode())
        self.parts.append(data)
        if len(data) > AT_ONCE_BYTES:
            self.flush()

    def flush(self) -> None:
        self.hash.update(b"".join(self.parts))
        self.parts.clear()

    def digest(self) -> bytes:
        self.flush()
        return self.hash.digest()


def _add(found: _Sink, value: Any) -> None:
    kind = type(value)
    if kind not in _KNOWN:
        _KNOWN[kind] = _way(kind)
    _KNOWN[kind](found, value)


def _way(kind: type) -> Callable[[_Sink, Any], None]:
    """How values of a kind go in. Raises TypeError for one that is not known."""
    if hasattr(kind, "content_digest") and not issubclass(kind, _BEFORE_THEIR_OWN):
        return lambda found, value: found.plain(f"own {kind.__qualname__}", value.content_digest())
    for kinds, way in _WAYS:
        if issubclass(kind, kinds):
            return way
    if is_dataclass(kind):
        return _record_way(kind)
    raise TypeError(f"no hash is known for a {kind.__qualname__}")


def _record_way(kind: type) -> Callable[[_Sink, Any], None]:
    name, names = kind.__qualname__.encode(), [field.name for field in fields(kind)]

    def add(found: _Sink, value: Any) -> None:
        found.plain("record", name)
        for own in names:
            _add_text(found, own)
            _add(found, getattr(value, own))

    return add


def _add_nothing(found: _Sink, value: None) -> None:
    found.plain("whole", b"None")


def _add_truth(found: _Sink, value: Any) -> None:
    found.plain("whole", b"True" if value else b"False")


def _add_whole(found: _Sink, value: Any) -> None:
    found.plain("whole", str(int(value)).encode())


def _add_float(found: _Sink, value: Any) -> None:
    found.plain("float", np.float64(value).tobytes())


def _add_text(found: _Sink, value: str) -> None:
    found.plain("text", value.encode("utf-8", "surrogatepass"))


def _add_bytes(found: _Sink, value: bytes) -> None:
    found.plain("bytes", value)


def _add_shape(found: _Sink, value: shapely.Geometry) -> None:
    found.plain("shape", shapely.to_wkb(value))


def _add_affine(found: _Sink, value: Affine) -> None:
    _add_row(found, ("affine", *(float(term) for term in value[:6])))


def _add_crs(found: _Sink, value: CRS) -> None:
    _add_row(found, ("crs", value.to_wkt()))


def _add_slice(found: _Sink, value: slice) -> None:
    _add_row(found, ("slice", value.start, value.stop, value.step))


def _add_mapping(found: _Sink, value: Mapping[Any, Any]) -> None:
    found.plain("mapping", str(len(value)).encode())
    for key, item in value.items():
        _add(found, key)
        _add(found, item)


def _add_set(found: _Sink, value: Set[Any]) -> None:
    found.plain("set", b"".join(sorted(digest(item) for item in value)))


def _add_row(found: _Sink, value: Sequence[Any]) -> None:
    found.plain("row", str(len(value)).encode())
    for item in value:
        _add(found, item)


def _add_array(found: _Sink, array: np.ndarray[Any, Any]) -> None:
    if array.dtype != object:
        found.plain(f"array {array.dtype.str} {array.shape}", np.ascontiguousarray(array).reshape(-1).view(np.uint8))
    elif array.size and shapely.is_valid_input(array).all():
        # Counts and lengths part one shape from the next.
        shapes = array.ravel()
        plain, kinds, counts, coordinates = _plain_shapes(shapes)
        texts = shapely.to_wkb(shapes[~plain])
        lengths = np.array([-1 if text is None else len(text) for text in texts], np.int64)
        found.plain(f"shapes {array.shape}", np.where(plain, kinds, 255).astype(np.uint8))
        for part in (counts, coordinates.reshape(-1), lengths):
            found.plain("shapes", part.view(np.uint8))
        found.plain("shapes", b"".join(text for text in texts if text is not None))
    else:
        found.plain(f"objects {array.shape}", b"")
        for item in array.flat:
            _add(found, item)


_BEFORE_THEIR_OWN: Final = type(None), bool, np.bool_, int, np.integer, float, np.floating, str, bytes, np.ndarray
_WAYS: Final[Sequence[tuple[Any, Callable[[_Sink, Any], None]]]] = (
    (type(None), _add_nothing),
    ((bool, np.bool_), _add_truth),
    ((int, np.integer), _add_whole),
    ((float, np.floating), _add_float),
    (str, _add_text),
    (bytes, _add_bytes),
    (np.ndarray, _add_array),
    (shapely.Geometry, _add_shape),
    (Affine, _add_affine),
    (CRS, _add_crs),
    (slice, _add_slice),
    (Mapping, _add_mapping),
    (Set, _add_set),
    ((tuple, list), _add_row),
)
"""Kinds of value, the first that holds counts."""

_KNOWN: Final[dict[type, Callable[[_Sink, Any], None]]] = {}
"""What `_way` says of each kind that came."""


def _plain_shapes(shapes: Shapes) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Which shapes their kind and coordinates tell whole, and of all the kinds, of those the numbers of corners and the corners. Of the
    rest only WKB does, which takes ten times as long."""
    kinds = shapely.get_type_id(shapes)
    plain = np.isin(kinds, ONE_RUN) & (shapely.get_num_interior_rings(shapes) == 0) & (shapely.get_coordinate_dimension(shapes) == 2)
    own = shapes[plain]
    return plain, kinds, shapely.get_num_coordinates(own).astype(np.int64), shapely.get_coordinates(own)
