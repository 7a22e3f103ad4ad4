"""Reads the sections of the public land survey from a layer."""

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import Transformer

from geoseptic.errors import LayerContractError
from geoseptic.io.layers import read_layer
from geoseptic.io.sections import Sections
from geoseptic.io.townships import meridian_key, read_number, read_section
from geoseptic.model.frame import horizontal
from geoseptic.model.layers import SECTIONS

if TYPE_CHECKING:
    from geopandas import GeoDataFrame


def read_sections(source: str, columns: dict[str, str] | None = None) -> Sections:
    """The sections in a layer of polygons. Raises LayerContractError where they cannot be told from one another."""
    layer = read_layer(source, SECTIONS, columns)
    problems: dict[str, list[object]] = {}
    shapes: dict[tuple[str, str, int], dict[str, list[Any]]] = {}
    for number, (row, shape) in enumerate(zip(_rows(layer), _degrees(layer), strict=True), 1):
        township = _direction(row["township"], row["township_direction"], "NS")
        range_ = _direction(row["range"], row["range_direction"], "EW")
        section = read_section(row["section"])
        if shape is None or shape.is_empty or not np.isfinite(shapely.bounds(shape)).all():
            problems.setdefault("no shape", []).append(f"row {number}")
        elif not section and township and range_:
            continue  # tracts and lots outside the sections bear other numbers
        elif not township or not range_:
            problems.setdefault("township or range without a number and a letter, such as 5N and 3W", []).append(f"row {number}")
        else:
            shapes.setdefault((township, range_, section), {}).setdefault(meridian_key(row["meridian"]), []).append(shape)
    if not shapes:
        problems.setdefault("it holds no section", [])
    if problems:
        raise LayerContractError("sections", problems, source)
    datum = horizontal(layer.crs).geodetic_crs
    assert datum is not None  # or the layer was refused
    united = {key: {name: shapely.union_all(shapely.make_valid(pieces)) for name, pieces in named.items()} for key, named in shapes.items()}
    return Sections(source, datum, united)


def _rows(layer: "GeoDataFrame") -> list[dict[str, str]]:
    names = [column.name for column in SECTIONS.columns]
    cells = {name: layer[name].astype("string").fillna("").tolist() if name in layer else [""] * len(layer) for name in names}
    return [{name: str(cells[name][row]).strip().upper() for name in names} for row in range(len(layer))]


def _degrees(layer: "GeoDataFrame") -> np.ndarray[Any, np.dtype[np.object_]]:
    plane = horizontal(layer.crs)
    shapes = shapely.force_2d(np.asarray(layer.geometry.values, dtype=object))
    if plane.is_geographic:
        return shapes
    change = Transformer.from_crs(plane, plane.geodetic_crs, always_xy=True)
    return shapely.transform(shapes, lambda xy: np.column_stack(change.transform(xy[:, 0], xy[:, 1])))


def _direction(text: str, direction: str, letters: str) -> str:
    """A township or range of two columns, or of one."""
    whole = text.removesuffix(".0")
    return read_number(whole, letters) or (read_number(whole + direction[:1], letters) if direction[:1] in tuple(letters) else "")
