"""The sections of the public land survey in a layer, found by township, range, number and meridian."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import CRS, Proj, Transformer

from geoseptic.errors import LayerContractError
from geoseptic.io.layers import read_layer
from geoseptic.io.townships import Legal, meridian_key, read_number, read_section
from geoseptic.model.frame import horizontal
from geoseptic.model.layers import SECTIONS
from geoseptic.parcels.aliquots import placed

if TYPE_CHECKING:
    from geopandas import GeoDataFrame


@dataclass(frozen=True)
class SectionPlace:
    """Centre of the named part, in degrees of the layer's own datum, how far its farthest corner is, and the part itself in degrees.

    `cut` is False where the section is too irregular to be cut and the whole of it was taken.
    """

    lon_deg: float
    lat_deg: float
    error_m: float
    part_deg: shapely.Geometry
    cut: bool


@dataclass
class Sections:
    """The sections of a layer. `datum` is the geographic system of the places."""

    source: str
    datum: CRS
    shapes_deg: dict[tuple[str, str, int], dict[str, shapely.Geometry]]
    _found: dict[Legal, SectionPlace] = field(default_factory=dict)

    def place(self, legal: Legal) -> SectionPlace | str:
        """Where a description lies, or in words why it cannot be told."""
        if not legal.whole:
            absent = [
                name for name, value in (("township", legal.township), ("range", legal.range), ("section", legal.section)) if not value
            ]
            return f"its land description names no {' and no '.join(absent)}"
        if legal in self._found:
            return self._found[legal]
        named = self.shapes_deg.get((legal.township, legal.range, legal.section))
        if named is None:
            return f"section {legal.section}, T. {legal.township}, R. {legal.range} is not in the layer of sections"
        key = meridian_key(legal.meridian)
        if key and "" not in named:
            chosen = [shape for meridian, shape in named.items() if key == meridian]
            if not chosen:
                return f"the layer of sections has its section of another meridian only ({', '.join(sorted(named))})"
        else:
            chosen = list(named.values())
        if len(chosen) > 1:
            return f"its section is there of several meridians ({', '.join(sorted(named))}), and it names none"
        found = self._found[legal] = _placed(chosen[0], legal)
        return found


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


def _placed(shape_deg: shapely.Geometry, legal: Legal) -> SectionPlace:
    """By a plane in metres round the section."""
    middle = shapely.centroid(shape_deg)
    plane = Proj(proj="aeqd", lat_0=middle.y, lon_0=middle.x, ellps="GRS80")
    flat = shapely.transform(shape_deg, lambda xy: np.column_stack(plane(xy[:, 0], xy[:, 1])))
    found = placed(flat, legal.parts, legal.section)
    lon, lat = plane(found.x_m, found.y_m, inverse=True)
    part = shapely.transform(found.part, lambda xy: np.column_stack(plane(xy[:, 0], xy[:, 1], inverse=True)))
    return SectionPlace(float(lon), float(lat), found.error_m, part, found.cut)
