"""The outputs of a run as an item of a SpatioTemporal Asset Catalog (STAC 1.1.0), read from the headers of the files."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

VERSION: Final = "1.1.0"
FILE_EXTENSION: Final = "https://stac-extensions.github.io/file/v2.1.0/schema.json"
PROJECTION_EXTENSION: Final = "https://stac-extensions.github.io/projection/v2.0.0/schema.json"
RASTER_EXTENSION: Final = "https://stac-extensions.github.io/raster/v2.0.0/schema.json"
PROCESSING_EXTENSION: Final = "https://stac-extensions.github.io/processing/v1.2.0/schema.json"

SHA256: Final = "1220"
"""How a multihash begins that is a SHA-256 of 32 bytes."""

ROLES: Final[Mapping[str, str]] = {".qml": "style", ".sld": "style", ".md": "document", ".html": "document", ".pdf": "document"}
"""What files of an ending are for, where they are not the data."""

Place = tuple[CRS, tuple[float, float, float, float]]
"""Bounds, and in which coordinates."""

DIGITS: Final = 7
"""Of a degree: 1 cm."""

EDGE_POINTS: Final = 21
"""On each side of a rectangle that is brought to longitude and latitude."""


@dataclass(frozen=True)
class Run:
    """What an item says of the run: `started` is its time, `record` the file that says how it went."""

    process: str
    title: str
    description: str
    version: str
    started: str
    record: str
    record_title: str


def item(
    folder: Path, run: Run, files: Mapping[str, Mapping[str, Any]], titles: Mapping[str, str], types: Mapping[str, str]
) -> dict[str, Any]:
    """The item, ready for JSON.

    files : name of each output in `folder` -> its bytes and sha256. titles, types : what it holds, and its media type.
    """
    assets: dict[str, dict[str, Any]] = {}
    places: list[Place] = []
    extensions = {FILE_EXTENSION, PROCESSING_EXTENSION}
    for name, found in files.items():
        asset: dict[str, Any] = {"href": f"./{name}", "type": types[name], "roles": [ROLES.get(Path(name).suffix, "data")]}
        if name in titles:
            asset["title"] = titles[name]
        asset |= {"file:size": found["bytes"], "file:checksum": SHA256 + found["sha256"]}
        fields: dict[str, Any] = {}
        if name.endswith(".tif"):
            fields, place = _raster(folder / name)
            places.append(place)
            extensions.add(RASTER_EXTENSION)
        elif name.endswith(".gpkg"):
            fields, own = _layers(folder / name)
            places += own
        elif name.endswith((".parquet", ".fgb")):  # copies, which lie where the layers of the packages do
            fields = _copy(folder / name)
        assets[name] = asset | fields
    projected = {name for asset in assets.values() for name in asset if name.startswith("proj:")}
    box = _box(places)
    return {
        "type": "Feature",
        "stac_version": VERSION,
        "stac_extensions": sorted(extensions | ({PROJECTION_EXTENSION} if projected else set())),
        "id": f"{run.process}-{run.started.replace('-', '').replace(':', '')}",
        "geometry": None if box is None else _polygon(box),
        **({} if box is None else {"bbox": box}),
        "properties": {
            "datetime": run.started,
            "title": run.title,
            "description": run.description,
            "processing:software": {"geoseptic": run.version},
        },
        "links": [{"rel": "processing-execution", "href": f"./{run.record}", "type": "application/json", "title": run.record_title}],
        "assets": assets,
    }


def _raster(path: Path) -> tuple[dict[str, Any], Place]:
    """What the header of a raster tells, as fields of its asset, and where it lies."""
    import rasterio

    with rasterio.open(path) as file:
        crs = CRS(file.crs)
        bands = [
            {
                "name": f"band {number + 1}",
                "data_type": file.dtypes[number],
                **({} if file.nodatavals[number] is None else {"nodata": _number(file.nodatavals[number])}),
                **({"unit": file.units[number]} if file.units[number] else {}),
                **({"description": file.descriptions[number]} if file.descriptions[number] else {}),
            }
            for number in range(file.count)
        ]
        metres = [axis.unit_conversion_factor for axis in crs.axis_info[:1]]
        fields = {
            **_projection(crs),
            "proj:shape": [file.height, file.width],
            "proj:transform": list(file.transform)[:6],
            "proj:bbox": list(file.bounds),
            "raster:sampling": "area",
            **({"raster:spatial_resolution": file.transform.a * metres[0]} if metres else {}),
            "bands": bands,
        }
        return fields, (crs, tuple(file.bounds))


def _number(value: float) -> float | str:
    """JSON has no NaN; STAC says it in letters."""
    return value if math.isfinite(value) else "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"


def _layers(path: Path) -> tuple[dict[str, Any], list[Place]]:
    """What the headers of the layers of a file tell, as fields of its asset, and where those lie that have a shape."""
    import pyogrio

    places, fields = [], []
    for name, shapes in pyogrio.list_layers(path):
        if shapes is None:
            continue
        about = pyogrio.read_info(path, layer=name, force_total_bounds=True)
        if about["crs"] is None:
            continue
        crs = CRS(about["crs"])
        fields.append(_projection(crs))
        if about["total_bounds"] is not None and all(map(math.isfinite, about["total_bounds"])):
            places.append((crs, about["total_bounds"]))
    return (fields[0] if fields and all(one == fields[0] for one in fields) else {}), places


def _copy(path: Path) -> dict[str, Any]:
    """What the header of a file of one layer tells of its coordinates."""
    if path.suffix == ".parquet":
        from pyarrow import parquet

        geo = json.loads(parquet.read_schema(path).metadata[b"geo"])
        crs = geo["columns"][geo["primary_column"]]["crs"]
    else:
        import pyogrio

        crs = pyogrio.read_info(path)["crs"]
    return {} if crs is None else _projection(CRS(crs))


def _projection(crs: CRS) -> dict[str, Any]:
    code = crs.to_authority(min_confidence=100)
    return {"proj:code": ":".join(code)} if code else {"proj:code": None, "proj:projjson": crs.to_json_dict()}


def _box(places: Sequence[Place]) -> list[float] | None:
    """West, south, east and north of all in degrees, rounded outward; None where nothing has a place on the Earth."""
    boxes = []
    for crs, bounds in places:
        try:
            found = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True).transform_bounds(*bounds, densify_pts=EDGE_POINTS)
        except ProjError:  # a sketch from any mark
            continue
        if all(map(math.isfinite, found)):
            boxes.append(found)
    if not boxes:
        return None
    scale = 10**DIGITS
    least = [math.floor(min(box[side] for box in boxes) * scale) / scale for side in (0, 1)]
    return [*least, *(math.ceil(max(box[side] for box in boxes) * scale) / scale for side in (2, 3))]


def _polygon(box: Sequence[float]) -> dict[str, Any]:
    west, south, east, north = box
    return {"type": "Polygon", "coordinates": [[[west, south], [east, south], [east, north], [west, north], [west, south]]]}
