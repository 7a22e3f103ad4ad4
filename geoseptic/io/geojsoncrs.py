"""What a GeoJSON file says of its coordinate reference system: nothing (RFC 7946: longitude and latitude), or the older member `crs`."""

import json
import re
from pathlib import Path
from typing import Any, Final

from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError

END_BYTES: Final = 65_536
RFC_7946: Final = "OGC:CRS84"


def declared_crs(path: Path) -> tuple[bool, CRS | None]:
    """Whether there is a member `crs`, and the system it names; None for `"crs": null`, by which the old standard says that it is unknown.

    Raises FileUnreadableError for a member that names no known system: GDAL would pass over it and take degrees.
    """
    with path.open("rb") as file:
        head = file.read(END_BYTES).decode("utf-8", "replace")
        size = file.seek(0, 2)
        file.seek(max(0, size - END_BYTES))
        tail = file.read().decode("utf-8", "replace")
    # Of the file itself and not of a feature: before the features or after them.
    before, features, _ = head.partition('"features"')
    if not features and not re.search(r'"type"\s*:\s*"FeatureCollection"', head):
        return False, None
    after = tail.rpartition("]")[2] if not re.search(r'"crs"\s*:', before) else ""
    for text in (before, after):
        found = re.search(r'"crs"\s*:\s*', text)
        if found:
            return True, _named(path, _value(text[found.end() :]))
    return False, None


def _value(text: str) -> Any:
    try:
        return json.JSONDecoder().raw_decode(text)[0]
    except (ValueError, RecursionError):
        return text[:100]


def _named(path: Path, member: Any) -> CRS | None:
    if member is None:
        return None
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) and member.get("type") == "name" else None
    try:
        return CRS.from_user_input(str(name)) if name else _unknown(path, member)
    except CRSError:
        return _unknown(path, name)


def _unknown(path: Path, named: object) -> CRS | None:
    raise FileUnreadableError(
        str(path),
        f"its member 'crs' names no coordinate reference system that is known ({str(named)[:100]})",
        "Write it anew in a GIS, in longitude and latitude.",
    )
