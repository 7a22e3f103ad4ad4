"""The map library and our own script and style, as texts that a page takes in whole."""

import base64
import hashlib
from dataclasses import dataclass
from importlib import metadata, resources
from pathlib import Path
from typing import Final

from geoseptic.errors import FileUnreadableError

PACKAGE: Final = "django-js-lib-leaflet"
"""A package of the library's own files and nothing else; no framework is needed to read them."""

INSTALL: Final = f"Install it: pip install '{PACKAGE}>=1.9.4,<1.9.5'."

PUBLISHED: Final = {
    "leaflet.js": "20nQCchB9co0qIjJZRGuk2/Z9VM+kNiyxNV1lvTlZBo=",
    "leaflet.css": "p4NxAoJBhIIN+hmNHrzRCf9tD/miZyoHS5obTRR9BMY=",
}
"""SHA-256 of the files of Leaflet 1.9.4 as its makers publish them (key leaflet194); what a page takes in runs with whoever opens it, so
nothing else is taken."""

SCRIPTS: Final = ("unpack.js", "places.js", "draw.js", "words.js", "panels.js", "main.js")
"""The parts of our script, in the order in which they are put together."""


@dataclass(frozen=True)
class PageParts:
    """What every county map is made of, before its data.

    library, library_style : the map library, and `licence` its licence text.
    script, style, skeleton : our own; the skeleton is a string.Template.
    """

    library: str
    library_style: str
    licence: str
    script: str
    style: str
    skeleton: str


def county_map_parts() -> PageParts:
    """Raises FileUnreadableError where the map library is not installed, or not the one whose hashes are known."""
    ours = resources.files("geoseptic") / "data" / "county_map"
    script = "".join((ours / name).read_text(encoding="utf-8") for name in SCRIPTS)
    return PageParts(
        _library("leaflet.js"),
        _library("leaflet.css"),
        _licence(),
        f'(() => {{\n"use strict";\n{script}}})();\n',
        (ours / "page.css").read_text(encoding="utf-8"),
        (ours / "page.html").read_text(encoding="utf-8"),
    )


def _library(name: str) -> str:
    path = _installed(f"js_lib_leaflet/static/js_lib_leaflet/{name}")
    content = path.read_bytes()
    if base64.b64encode(hashlib.sha256(content).digest()).decode() != PUBLISHED[name]:
        raise FileUnreadableError(str(path), "it is not the file that the makers of Leaflet 1.9.4 publish", INSTALL)
    # Browsers make one sign of the two that end its lines before they hold a text against a policy's hash; the map of its source is a file
    # beside it, which a page on a disk does not have.
    return content.decode("utf-8").replace("\r\n", "\n").partition("\n//# sourceMappingURL=")[0] + "\n"


def _licence() -> str:
    found = [str(path) for path in metadata.files(PACKAGE) or () if path.name == "LICENSE"]
    if not found:
        raise FileUnreadableError(PACKAGE, "its licence is not there", INSTALL)
    return _installed(found[0]).read_text(encoding="utf-8")


def _installed(inner_path: str) -> Path:
    try:
        path = Path(str(metadata.distribution(PACKAGE).locate_file(inner_path)))
    except metadata.PackageNotFoundError as error:
        raise FileUnreadableError(PACKAGE, "the map library is not installed", INSTALL) from error
    if not path.is_file():
        raise FileUnreadableError(str(path), "it is not there", INSTALL)
    return path
