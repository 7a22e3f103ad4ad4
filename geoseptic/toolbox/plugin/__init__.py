"""A processing plugin of QGIS, written by `geoseptic toolbox`. It runs in QGIS's own Python and imports nothing of geoseptic."""

from .provider import classFactory

__all__ = ["classFactory"]
