"""Points for a phone or a GPS receiver: GPX 1.1, the exchange format of receivers (topografix.com/GPX/1/1)."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
from pyproj import Transformer

from geoseptic.errors import OutputExistsError, ParameterError, listed
from geoseptic.io.xmlwords import for_xml
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Frame

NAMESPACE: Final = "http://www.topografix.com/GPX/1/1"
SCHEMA: Final = "http://www.topografix.com/GPX/1/1/gpx.xsd"
INSTANCE: Final = "http://www.w3.org/2001/XMLSchema-instance"
WGS84: Final = "EPSG:4326"
DECIMALS: Final = 7
"""A ten-millionth of a degree is about a centimetre."""

WARNING: Final = (
    f"{SCREENING_AID} Have utilities marked before any digging. A hand-held receiver is off by several metres: measure the places in from "
    "the lot's corners before you dig."
)  # common practice, no source

Floats = npt.NDArray[np.float64]


def to_wgs84(frame: Frame, points_m: Floats) -> tuple[Floats, Floats]:
    """Longitude and latitude in degrees of points, shape (n, 2), given in metres of the frame.

    Between two datums the transformation that pyproj holds for the best at hand is taken; without a grid it may be off by a metre or two.
    """
    xy = np.asarray(points_m, dtype=np.float64).reshape(-1, 2) / frame.metres_per_unit
    lon, lat = Transformer.from_crs(frame.crs, WGS84, always_xy=True).transform(xy[:, 0], xy[:, 1])
    return np.asarray(lon), np.asarray(lat)


def write_gpx(
    path: Path | str,
    names: Sequence[str],
    lon: Sequence[float] | Floats,
    lat: Sequence[float] | Floats,
    descriptions: Sequence[str] | None = None,
    kinds: Sequence[str] | None = None,
    title: str = "Proposed test holes",
    caution: str = "",
) -> None:
    """Write waypoints. The same points give the same bytes: no time is written.

    Parameters
    ----------
    lon, lat : WGS 84, in degrees; see to_wgs84.
    descriptions, kinds : one a point, shown by receivers and usable as a filter.
    caution : what to say besides `WARNING`.

    Raises
    ------
    OutputExistsError : `path` exists.
    ParameterError : the lists differ in length, or a point is not on Earth.
    """
    target = Path(path)
    if target.exists():
        raise OutputExistsError(str(target.parent), [target.name])
    count = len(names)
    if any(len(values) != count for values in (lon, lat, descriptions or names, kinds or names)):
        raise ParameterError("names, coordinates, descriptions and kinds of the points differ in number.")
    astray = [name for name, x, y in zip(names, lon, lat, strict=True) if not (-180 <= x <= 180 and -90 <= y <= 90)]
    if astray:
        raise ParameterError(f"points that are not on Earth in degrees of longitude and latitude: {listed(astray)}.")
    root = ElementTree.Element(
        "gpx",
        {
            "version": "1.1",
            "creator": "geoseptic",
            "xmlns": NAMESPACE,
            "xmlns:xsi": INSTANCE,
            "xsi:schemaLocation": f"{NAMESPACE} {SCHEMA}",
        },
    )
    metadata = ElementTree.SubElement(root, "metadata")
    _text(metadata, "name", title)
    _text(metadata, "desc", f"{WARNING} {caution}".strip())
    if count:
        edges = {"minlat": min(lat), "minlon": min(lon), "maxlat": max(lat), "maxlon": max(lon)}
        ElementTree.SubElement(metadata, "bounds", {name: _degrees(value) for name, value in edges.items()})
    for number, name in enumerate(names):
        point = ElementTree.SubElement(root, "wpt", {"lat": _degrees(lat[number]), "lon": _degrees(lon[number])})
        # The schema asks for this order.
        _text(point, "name", name)
        if descriptions is not None:
            _text(point, "desc", descriptions[number])
        if kinds is not None:
            _text(point, "type", kinds[number])
    ElementTree.indent(root)
    target.write_bytes(ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True) + b"\n")


def _text(parent: ElementTree.Element, tag: str, words: str) -> None:
    ElementTree.SubElement(parent, tag).text = for_xml(words)


def _degrees(value: float) -> str:
    # Adding zero turns -0.0 into 0.0.
    return f"{round(float(value), DECIMALS) + 0.0:.{DECIMALS}f}"
