"""The published schemas of STAC items and GeoParquet metadata (tests/run/stac/README.md)."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import pyproj.datadir
import pytest

jsonschema = pytest.importorskip("jsonschema")

from referencing import Registry, Resource  # noqa: E402  # comes with jsonschema
from referencing.jsonschema import DRAFT7  # noqa: E402

FOLDER = Path(__file__).with_name("stac")
PROJJSON = Path(pyproj.datadir.get_data_dir()) / "projjson.schema.json"
SPECIFICATION = "https://schemas.stacspec.org/v1.1.0/item-spec/json-schema/"
EXTENSIONS = "https://stac-extensions.github.io/"


def _read(uri: str) -> Resource[Any]:
    """A schema by the address under which others know it; KeyError where it is not here."""
    for start in (SPECIFICATION, "https://geojson.org/schema/"):
        if uri.startswith(start):
            return _resource(FOLDER / uri.removeprefix(start))
    if uri.startswith(EXTENSIONS):
        return _resource(FOLDER / f"{uri.removeprefix(EXTENSIONS).partition('/')[0]}.json")
    if uri.startswith("https://proj.org/schemas/"):
        return _resource(PROJJSON)
    raise KeyError(uri)


@cache
def _resource(path: Path) -> Resource[Any]:
    return Resource.from_contents(json.loads(path.read_text(encoding="utf-8")), default_specification=DRAFT7)


REGISTRY: Any = Registry(retrieve=_read)


def _faults(document: Any, schema: Any) -> list[str]:
    checker = jsonschema.Draft7Validator.FORMAT_CHECKER
    found = jsonschema.Draft7Validator(schema, registry=REGISTRY, format_checker=checker).iter_errors(document)
    return [f"{'/'.join(map(str, error.absolute_path))}: {error.message[:300]}" for error in found]


def item_faults(item: Any) -> list[str]:
    """What the specification and each extension that the item names object to."""
    return [fault for uri in (f"{SPECIFICATION}item.json", *item["stac_extensions"]) for fault in _faults(item, _read(uri).contents)]


def geoparquet_faults(metadata: Any) -> list[str]:
    return _faults(metadata, _resource(FOLDER / "geoparquet.json").contents)
