"""What every kind of source of a vector layer has in common: what the user names it by and states of it, its header, and how it is read.

A kind of source (files of GDAL, GeoParquet, tables of wells, a database) is a class that satisfies `LayerSource`, made by a function
`open(source, stated) -> LayerSource`. It enters `sourcekinds.KINDS` together with a test that tells, by the source's text and nothing
read, whether the kind takes it. Nobody else opens a vector source: `layerheaders.read_header` and `layers.read_layer` go through
`sourcekinds.open_source`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from pyproj import CRS
from pyproj.exceptions import CRSError

from geoseptic.errors import FileUnreadableError
from geoseptic.io.placesstated import PlacesStated

if TYPE_CHECKING:
    import pandas as pd
    from geopandas import GeoDataFrame

ROWS_READ: Final = "rows_read"
"""Among the attributes of what was read from a source that is no file: the SHA-256 of its rows, in whatever order they came."""

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Stated:
    """What the user states of a source because the file does not say it. A kind that needs more adds a field with a default here.

    `crs` is where the source declares none; it never replaces one that is declared. `encoding` is that of the table of a shapefile.
    `network` is whether sources elsewhere may be asked. `places` is how the rows of a table become points.
    """

    crs: str | None = None
    encoding: str | None = None
    network: bool = False
    places: PlacesStated | None = None


NOTHING_STATED = Stated()


@dataclass(frozen=True)
class LayerHeader:
    """The header of one layer. `path` is the source without its layer. `geometry` is the kind of its shapes, empty where it has none;
    `crs` is None where none is declared or stated; `features` is -1 where only counting would tell. `notes` is what the user must know
    of how it is read, each a sentence without its end; `stated` what he stated."""

    source: str
    path: str
    layer: str
    crs: CRS | None
    fields: tuple[str, ...]
    geometry: str
    features: int
    notes: tuple[str, ...] = ()
    stated: Stated = field(default=NOTHING_STATED)

    @property
    def dimension(self) -> int | None:
        """0 for points, 1 for lines, 2 for polygons; None where the header leaves the kind open."""
        kind = self.geometry.lower()
        for words, dimension in ((("polygon", "surface", "triangle", "tin"), 2), (("line", "curve", "circularstring"), 1), (("point",), 0)):
            if any(word in kind for word in words):
                return dimension
        return None


class LayerSource(Protocol):
    """One layer that is open to reading. Its records have an order that does not change, and columns under the names of `header.fields`.

    Every method raises FileUnreadableError where the source fails.
    """

    @property
    def header(self) -> LayerHeader:
        """Made when the source is opened, without reading the records where the kind allows it."""

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> "GeoDataFrame":
        """The records that touch `bounds` (in the layer's CRS), all where None, with those columns, in the CRS of the header. Records
        without a shape may be among them whatever the bounds."""

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> "pd.DataFrame":
        """The same records without their shapes."""

    def bounds(self) -> Bounds | None:
        """Of all shapes, as the source states them where it does; None where no record has a shape."""

    def without_shape(self) -> tuple[int, ...]:
        """The source's own numbers of the records that have no shape, an empty one, or one without a finite place."""


def split_source(source: str) -> tuple[str, str | None]:
    """File and layer of 'county.gpkg|wells' (also written 'county.gpkg|layername=wells')."""
    path, bar, layer = source.rpartition("|")
    if not bar or Path(source).exists():
        return source, None
    return path, layer.removeprefix("layername=")


def placed(declared: CRS | None, stated: Stated, source: str) -> CRS | None:
    """The CRS of a layer: that which its source declares, else the one that is stated, else None.

    Raises FileUnreadableError for a stated one that nobody knows, or that is not the declared one.
    """
    if stated.crs is None:
        return declared
    try:
        wanted = CRS.from_user_input(stated.crs)
    except CRSError:
        raise FileUnreadableError(
            source, f"no coordinate reference system '{stated.crs}' is known", "Name it by its number, such as EPSG:26910."
        ) from None
    if declared is not None and not declared.equals(wanted, ignore_axis_order=True):
        raise FileUnreadableError(
            source,
            f"it declares {declared.name}, and {wanted.name} is stated for it",
            "Leave the statement out; where the file is wrong, mend it in a GIS.",
        )
    return declared if declared is not None else wanted


def stated_notes(declared: CRS | None, crs: CRS | None, stated: Stated) -> tuple[str, ...]:
    """What is to be told of a CRS that was stated because none is declared."""
    return (f"it declares no coordinate reference system; {crs.name} ({stated.crs}) was stated for it",) if declared is None and crs else ()
