"""The plane in which distances are measured."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer

from geoseptic.errors import DistortedCrsError, GeographicCrsError, LocalCrsError, MissingCrsError, WebMercatorError

Geometries = npt.NDArray[np.object_]

WEB_MERCATOR_METHODS = ("popular visualisation pseudo mercator", "mercator (1sp) (spherical)")

MOST_DISTORTION = 0.01
"""A foot in a setback of 100 ft. UTM and state plane zones stay within a tenth of it."""


@dataclass(frozen=True)
class Frame:
    """A projected coordinate reference system and the length of its unit.

    Geometry kernels work in metres: `to_metres` scales coordinates on the way in, `from_metres` on the way out. In a
    metric system both return what they were given.
    """

    crs: CRS
    metres_per_unit: float

    @classmethod
    def of(cls, crs: CRS | str | int | None, layer: str, source: str = "") -> "Frame":
        """The frame of a layer's CRS.

        Raises MissingCrsError, GeographicCrsError (degrees) or WebMercatorError, each naming `layer`.
        """
        if crs is None:
            raise MissingCrsError(layer, source)
        whole = CRS.from_user_input(crs)
        plane = horizontal(whole)
        if plane.is_geographic:
            raise GeographicCrsError(layer, crs_name(plane), source)
        if not plane.is_projected:
            raise LocalCrsError(layer, crs_name(plane), source)
        operation = plane.coordinate_operation
        if operation is not None and operation.method_name.lower() in WEB_MERCATOR_METHODS:
            raise WebMercatorError(layer, crs_name(plane), source)
        return cls(plane, float(plane.axis_info[0].unit_conversion_factor))

    @property
    def name(self) -> str:
        return crs_name(self.crs)

    def refuse_distortion(self, bounds_m: npt.NDArray[np.float64] | tuple[float, ...], layer: str, source: str = "") -> None:
        """Raises DistortedCrsError where a metre of this frame, at the middle of the bounds, is wrong by more than `MOST_DISTORTION`."""
        x, y = (bounds_m[0] + bounds_m[2]) / 2, (bounds_m[1] + bounds_m[3]) / 2
        geographic = self.crs.geodetic_crs
        assert geographic is not None  # a projected CRS has one
        lon, lat = Transformer.from_crs(self.crs, geographic, always_xy=True).transform(x / self.metres_per_unit, y / self.metres_per_unit)
        factors = Proj(self.crs).get_factors(lon, lat)
        scales = (factors.meridional_scale, factors.parallel_scale)
        worst = max(scales, key=lambda scale: abs(scale - 1))
        if not abs(worst - 1) <= MOST_DISTORTION:
            raise DistortedCrsError(layer, self.name, worst, source)

    def to_metres(self, geometries: Geometries) -> Geometries:
        return self._scaled(geometries, self.metres_per_unit)

    def from_metres(self, geometries: Geometries) -> Geometries:
        return self._scaled(geometries, 1 / self.metres_per_unit)

    def _scaled(self, geometries: Geometries, factor: float) -> Geometries:
        if factor == 1.0:
            return geometries
        scaled: Geometries = shapely.transform(geometries, lambda xy: xy * factor)
        return scaled


def horizontal(crs: CRS) -> CRS:
    """The horizontal part of a CRS, itself unless it is compound or bound."""
    if crs.is_bound and crs.source_crs is not None:
        return horizontal(crs.source_crs)
    return CRS(crs.sub_crs_list[0]) if crs.is_compound else crs


def vertical_unit(crs: CRS) -> str | None:
    """Unit name of the heights where the CRS declares it (a compound or 3-D one), else None."""
    if crs.is_compound:
        return str(crs.sub_crs_list[1].axis_info[0].unit_name)
    return str(crs.axis_info[2].unit_name) if len(crs.axis_info) == 3 else None


def crs_name(crs: CRS) -> str:
    code = crs.to_authority()
    return f"{code[0]}:{code[1]}" if code else str(crs.name)
