"""What a process returns: values with all that a reader must know of them, and no file."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from geopandas import GeoDataFrame

from geoseptic.model.grid import Raster
from geoseptic.model.legends import RasterLegend, VectorLegend


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
    """One vector layer of a file; `notes` says what each column means."""

    file: str
    name: str
    frame: GeoDataFrame
    legend: VectorLegend
    title: str
    description: str
    notes: Mapping[str, str]


@dataclass(frozen=True)
class Results:
    """Everything that a process found.

    counts : what went in and came out.
    warnings : in words, for a person.
    repairs, failures : one mapping a case (layer, feature, what).
    """

    rasters: tuple[RasterResult, ...] = ()
    layers: tuple[LayerResult, ...] = ()
    counts: Mapping[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    repairs: tuple[Mapping[str, object], ...] = ()
    failures: tuple[Mapping[str, object], ...] = ()

    def __getitem__(self, name: str) -> RasterResult | LayerResult:
        """The raster or layer of that name; KeyError where there is none."""
        named: dict[str, RasterResult | LayerResult] = {raster.name: raster for raster in self.rasters}
        named |= {layer.name: layer for layer in self.layers}
        return named[name]
