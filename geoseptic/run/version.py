"""Which geoseptic this is."""

from importlib import metadata


def version() -> str:
    try:
        return metadata.version("geoseptic")
    except metadata.PackageNotFoundError:
        return "not installed"
