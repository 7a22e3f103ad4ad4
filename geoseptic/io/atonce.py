"""Values that hold many shapes, sent to another process: one by one each shape takes ten times as long as all of them at once."""

import io
import pickle
from typing import Any, Final, TypeVar, cast

import numpy as np
import shapely

Value = TypeVar("Value")

SHAPES: Final = frozenset(
    {
        shapely.Point,
        shapely.LineString,
        shapely.Polygon,
        shapely.MultiPoint,
        shapely.MultiLineString,
        shapely.MultiPolygon,
        shapely.GeometryCollection,
    }
)
"""All but rings by themselves, which well-known binary cannot tell from lines."""


def at_once(value: Value) -> Value:
    """What arrives elsewhere as the value, bit for bit; here it only waits to be pickled. Shapes that are one and the same stay so."""
    return cast(Value, _AtOnce(value))


class _AtOnce:
    def __init__(self, value: Any):
        self.value = value

    def __reduce__(self) -> tuple[Any, ...]:
        body = io.BytesIO()
        pickler = _WithoutShapes(body)
        pickler.dump(self.value)
        shapes = np.empty(len(pickler.shapes), object)
        shapes[:] = pickler.shapes
        return _as_it_was, (body.getvalue(), shapely.to_wkb(shapes, include_srid=True).tolist())


class _WithoutShapes(pickle.Pickler):
    """Writes numbers in place of shapes, and keeps these."""

    def __init__(self, file: io.BytesIO):
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self.shapes: list[shapely.Geometry] = []
        self._numbers: dict[int, int] = {}

    def persistent_id(self, obj: Any) -> int | None:
        if type(obj) not in SHAPES:
            return None
        number = self._numbers.setdefault(id(obj), len(self.shapes))
        if number == len(self.shapes):
            self.shapes.append(obj)
        return number


class _WithShapes(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, shapes: list[shapely.Geometry]):
        super().__init__(file)
        self._shapes = shapes

    def persistent_load(self, pid: Any) -> shapely.Geometry:
        return self._shapes[pid]


def _as_it_was(body: bytes, shapes: list[bytes]) -> Any:
    return _WithShapes(io.BytesIO(body), shapely.from_wkb(np.array(shapes, object)).tolist()).load()
