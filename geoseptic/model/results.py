"""What a process returns: values with all that a reader must know of them, and no file."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from geoseptic.model.citation import Citation
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Raster
from geoseptic.model.legends import RasterLegend, VectorLegend

if TYPE_CHECKING:
    from geopandas import GeoDataFrame


@dataclass(frozen=True)
class RasterResult:
    """One raster theme. Values are in `unit`."""

    name: str
    raster: Raster
    legend: RasterLegend
    title: str
    description: str
    unit: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class LayerResult:
    """One vector layer of a file; `notes` says what each column means. An index of the frame called `fid` has the numbers of the rows
    (`model/rownumbers.py`)."""

    file: str
    name: str
    frame: "GeoDataFrame"
    legend: VectorLegend
    title: str
    description: str
    notes: Mapping[str, str]


Cell = str | float | int | bool | None
"""What a table's cell may hold; None is empty. A number that is not finite is said in words."""


@dataclass(frozen=True)
class TableResult:
    """One table: each row has a cell for every column; `notes` says what each column means. `markdown`: also written as Markdown."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    title: str
    notes: Mapping[str, str]
    markdown: bool = False

    @property
    def records(self) -> tuple[dict[str, Cell], ...]:
        """The rows by column name."""
        return tuple(dict(zip(self.columns, row, strict=True)) for row in self.rows)


Block = tuple[Literal["heading", "part", "text", "item"], str]
"""A piece of a page: a heading, that of a part below it, a paragraph or an item of a list."""


@dataclass(frozen=True)
class PageResult:
    """A text to be read as it is; every page ends with the cautions. `html`: also written as HTML."""

    name: str
    title: str
    blocks: tuple[Block, ...]
    html: bool = False


@dataclass(frozen=True)
class PointsResult:
    """Points for a phone or a GPS receiver; `xy_m` has shape (points, 2), in metres of `frame`.

    caution : what to say to whoever goes there.
    """

    name: str
    frame: Frame
    labels: tuple[str, ...]
    xy_m: npt.NDArray[np.float64]
    descriptions: tuple[str, ...]
    kinds: tuple[str, ...]
    title: str
    caution: str = ""


@dataclass(frozen=True)
class FileResult:
    """A file as it is to be, under the name `name` with its ending."""

    name: str
    content: bytes


@dataclass(frozen=True)
class Results:
    """Everything that a process found.

    counts : what went in and came out.
    warnings : in words, for a person.
    repairs, failures : one mapping a case (layer, feature, what).
    citations : of tables used that are in no rule set, such as the federal soil criteria.
    """

    rasters: tuple[RasterResult, ...] = ()
    layers: tuple[LayerResult, ...] = ()
    tables: tuple[TableResult, ...] = ()
    points: tuple[PointsResult, ...] = ()
    pages: tuple[PageResult, ...] = ()
    files: tuple[FileResult, ...] = ()
    counts: Mapping[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    repairs: tuple[Mapping[str, object], ...] = ()
    failures: tuple[Mapping[str, object], ...] = ()
    citations: tuple[Citation, ...] = ()

    def __getitem__(self, name: str) -> RasterResult | LayerResult | TableResult:
        """The raster, layer or table of that name; KeyError where there is none."""
        named: dict[str, RasterResult | LayerResult | TableResult] = {raster.name: raster for raster in self.rasters}
        named |= {layer.name: layer for layer in self.layers}
        named |= {table.name: table for table in self.tables}
        return named[name]


def merged(*found: Results) -> Results:
    """Several results as one."""
    counts: dict[str, object] = {}
    for part in found:
        counts |= part.counts
    return Results(
        rasters=tuple(raster for part in found for raster in part.rasters),
        layers=tuple(layer for part in found for layer in part.layers),
        tables=tuple(table for part in found for table in part.tables),
        points=tuple(points for part in found for points in part.points),
        pages=tuple(page for part in found for page in part.pages),
        counts=counts,
        warnings=tuple(dict.fromkeys(warning for part in found for warning in part.warnings)),
        repairs=tuple(record for part in found for record in part.repairs),
        failures=tuple(record for part in found for record in part.failures),
        citations=tuple(dict.fromkeys(citation for part in found for citation in part.citations)),
    )
