"""The kinds of vector source, and which of them a source is of."""

from collections.abc import Callable
from typing import Final

from geoseptic.io import gdalsource, parquetsource, postgissource, tablesource
from geoseptic.io.sources import NOTHING_STATED, LayerSource, Stated

Takes = Callable[[str], bool]
Open = Callable[[str, Stated], LayerSource]

KINDS: Final[tuple[tuple[Takes, Open], ...]] = (
    (postgissource.takes, postgissource.open_layer),
    (parquetsource.takes, parquetsource.open_layer),
    (tablesource.takes, tablesource.open_layer),
    (gdalsource.takes, gdalsource.open_layer),
)
"""The first that takes a source opens it; that of GDAL takes whatever is left, so it is last. A kind looks at the text of the source and
reads nothing; an import that is heavy or optional stands inside its `open`."""


def open_source(source: str, stated: Stated = NOTHING_STATED) -> LayerSource:
    """The layer that `source` names, open to reading; raises FileUnreadableError where there is none, or none that can be read."""
    return next(opened for takes, opened in KINDS if takes(source))(source, stated)
