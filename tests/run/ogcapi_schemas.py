"""The published schemas of OGC API - Processes, part 1, version 1.0 (tests/run/ogcapi/README.md)."""

from functools import cache
from pathlib import Path
from typing import Any

import pytest

yaml = pytest.importorskip("yaml")
jsonschema = pytest.importorskip("jsonschema")

from referencing import Registry, Resource  # noqa: E402  # comes with jsonschema
from referencing.jsonschema import DRAFT4  # noqa: E402

FOLDER = Path(__file__).with_name("ogcapi")
AT = "standard:/"


@cache
def _read(uri: str) -> Resource[Any]:
    return Resource.from_contents(yaml.safe_load((FOLDER / uri.removeprefix(AT)).read_text(encoding="utf-8")), default_specification=DRAFT4)


def faults(document: Any, schema: str) -> list[str]:
    """What the standard's schema `schema` objects to in the document, each with its place."""
    validator = jsonschema.Draft4Validator({"$ref": f"{AT}{schema}.yaml"}, registry=Registry(retrieve=_read))
    return [f"{'/'.join(map(str, error.absolute_path))}: {error.message}" for error in validator.iter_errors(document)]
