"""The plane in which distances are measured."""

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geoseptic.errors import (
    DatumShiftError,
    DistortedCrsError,
    GeocentricCrsError,
    GeographicCrsError,
    LocalCrsError,
    MissingCrsError,
    WebMercatorError,
)
from geoseptic.units import in_both_units

Geometries = npt.NDArray[np.object_]

Degrees = tuple[float, float, float, float]
"""Bounds as west, south, east and north. [degrees]"""

WEB_MERCATOR_METHODS = ("popular visualisation pseudo mercator", "mercator (1sp) (spherical)")

MOST_SHORT = 0.01
"""How much too short lengths may read, as a share: setbacks then keep more than is asked, up to a foot in 100 ft."""

MOST_LONG = 0.001
"""How much too long they may read: setbacks then keep less, up to an inch in 100 ft. UTM and state plane zones stay below it."""


NAD83_REALIZATIONS_M = 2.0
"""How far one realization of NAD83 may lie from another (1986, HARN, 2007, 2011): from 1986 to HARN 0.2 to 1.0 m (PROJ-data, us_noaa), the
later ones less, at most two in all (from memory)."""


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
        if plane.is_geocentric:
            raise GeocentricCrsError(layer, crs_name(plane), source)
        if not plane.is_projected:
            raise LocalCrsError(layer, crs_name(plane), source)
        operation = plane.coordinate_operation
        if operation is not None and operation.method_name.lower() in WEB_MERCATOR_METHODS:
            raise WebMercatorError(layer, crs_name(plane), source)
        return cls(plane, float(plane.axis_info[0].unit_conversion_factor))

    @property
    def name(self) -> str:
        return crs_name(self.crs)

    @property
    def area_of_use(self) -> Degrees | None:
        """The area that the CRS is made for; None where nobody says."""
        return area_of_use(self.crs)

    def refuse_distortion(self, bounds_m: npt.NDArray[np.float64] | tuple[float, ...], layer: str, source: str = "") -> None:
        """Raises DistortedCrsError where lengths in this frame, at the middle of the bounds, read shorter than `MOST_SHORT` or longer than
        `MOST_LONG` allows."""
        x, y = (bounds_m[0] + bounds_m[2]) / 2, (bounds_m[1] + bounds_m[3]) / 2
        geographic = self.crs.geodetic_crs
        assert geographic is not None  # a projected CRS has one
        lon, lat = Transformer.from_crs(self.crs, geographic, always_xy=True).transform(x / self.metres_per_unit, y / self.metres_per_unit)
        factors = Proj(self.crs).get_factors(lon, lat)
        scales = (factors.meridional_scale, factors.parallel_scale)
        worst = max(scales, key=lambda scale: (scale - 1) / MOST_LONG if scale > 1 else (1 - scale) / MOST_SHORT)
        if not 1 - MOST_SHORT <= worst <= 1 + MOST_LONG:
            raise DistortedCrsError(layer, self.name, worst, source, self._is_made_for(y, x))

    def _is_made_for(self, x_m: float, y_m: float) -> bool:
        """Whether a place lies in the area that the CRS is made for; False where that is not known."""
        area, geographic = self.area_of_use, self.crs.geodetic_crs
        if area is None or geographic is None:
            return False
        change = Transformer.from_crs(self.crs, geographic, always_xy=True)
        lon, lat = change.transform(x_m / self.metres_per_unit, y_m / self.metres_per_unit)
        west, south, east, north = area
        return bool(west <= lon <= east and south <= lat <= north)

    def reprojection_from(self, crs: CRS, geometries: Geometries, layer: str, source: str = "") -> "Reprojection":
        """The best way from `crs` into this frame for where the geometries lie, as far as this frame is made for there.

        PROJ puts the ways first that are made for all of that place, of these the most exact. One operation for all: what the output names
        is then what was done. Two realizations of NAD83 without the grids between them are taken for one, within `NAD83_REALIZATIONS_M`:
        most layers stand on one and most new elevation on another. Raises DatumShiftError where PROJ could only leave any other change of
        the datum out.
        """
        with warnings.catch_warnings():
            # It warns of grids that are not there, which `lacking` names.
            warnings.simplefilter("ignore", UserWarning)
            area = _degrees(crs, geometries, self.crs)
            found = TransformerGroup(crs, self.crs, always_xy=True, area_of_interest=area, allow_ballpark=False)
        if not found.transformers and _same_family(crs, self.crs):
            return Reprojection(
                Transformer.from_crs(crs, self.crs, always_xy=True),
                "none: two realizations of NAD83, taken for one",
                NAD83_REALIZATIONS_M,
                _lacking(found, NAD83_REALIZATIONS_M),
            )
        if not found.transformers:
            raise DatumShiftError(layer, crs_name(crs), self.name, _lacking(found, float("inf")), source)
        best = found.transformers[0]
        return Reprojection.of(best, _lacking(found, best.accuracy if best.accuracy >= 0 else float("inf")))

    def to_metres(self, geometries: Geometries) -> Geometries:
        """The geometries with coordinates in metres, from the unit of the CRS. [m]"""
        return self._scaled(geometries, self.metres_per_unit)

    def from_metres(self, geometries: Geometries) -> Geometries:
        """The geometries in the unit of the CRS, from metres."""
        return self._scaled(geometries, 1 / self.metres_per_unit)

    def _scaled(self, geometries: Geometries, factor: float) -> Geometries:
        if factor == 1.0:
            return geometries
        scaled: Geometries = shapely.transform(geometries, lambda xy: xy * factor)
        return scaled


@dataclass(frozen=True)
class Reprojection:
    """One way for coordinates into a frame.

    datum_change : the name of what takes one datum into the other; empty where they are the same.
    accuracy_m : how far off that may put a point, by the register that PROJ brings; NaN where nobody knows. [m]
    lacking : grid files of a finer way, which are not on this machine.
    """

    transformer: Transformer
    datum_change: str
    accuracy_m: float
    lacking: tuple[str, ...]

    @classmethod
    def of(cls, transformer: Transformer, lacking: tuple[str, ...]) -> "Reprojection":
        """What a way of PROJ is called and how exact it is; `lacking` are the grid files of a finer one."""
        steps = [step.name for step in transformer.operations or () if step.type_name != "Conversion"]
        datum_change = " + ".join(steps) if transformer.operations or transformer.accuracy == 0 else transformer.description
        if not datum_change:
            return cls(transformer, "", 0.0, ())
        return cls(transformer, datum_change, transformer.accuracy if transformer.accuracy >= 0 else float("nan"), lacking)

    def record(self, crs: CRS, frame: Frame) -> Mapping[str, object]:
        """This way from `crs` into `frame`, ready for JSON; the accuracy is None where nobody knows it."""
        return {
            "from": crs_name(crs),
            "to": frame.name,
            "name": self.datum_change,
            "accuracy_m": None if np.isnan(self.accuracy_m) else self.accuracy_m,
            "lacking_grids": list(self.lacking),
        }

    def __str__(self) -> str:
        if not self.datum_change:
            return "without a change of datum"
        accuracy = "of unknown accuracy" if np.isnan(self.accuracy_m) else f"accurate to {in_both_units(self.accuracy_m)}"
        finer = f"; a finer way needs {', '.join(self.lacking)}, not on this machine" if self.lacking else ""
        return f"by '{self.datum_change}', {accuracy}{finer}"

    def moved(self, geometries: Geometries) -> Geometries:
        """The geometries in the frame's CRS, in its units and 2-D; what cannot be placed there has infinite coordinates."""
        moved: Geometries = shapely.transform(geometries, lambda xy: np.column_stack(self.transformer.transform(xy[:, 0], xy[:, 1])))
        return moved


def _same_family(one: CRS, other: CRS) -> bool:
    """Whether both stand on a realization of NAD83."""
    return all((geographic := horizontal(crs).geodetic_crs) is not None and geographic.name.startswith("NAD83") for crs in (one, other))


def middles(geometries: Geometries) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """x and y of the middle of each geometry's bounds, NaN where it has none; shapes (geometries,)."""
    bounds = shapely.bounds(geometries).reshape(-1, 4)
    return (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2


def _degrees(crs: CRS, geometries: Geometries, target: CRS) -> AreaOfInterest | None:
    """Where the geometries lie, as far as `target` is made for it; None where that cannot be told."""
    geographic = horizontal(crs).geodetic_crs
    bounds = shapely.bounds(geometries)
    corners = Transformer.from_crs(horizontal(crs), geographic, always_xy=True).transform(bounds[:, [0, 0, 2, 2]], bounds[:, [1, 3, 1, 3]])
    lon, lat = (np.asarray(values).ravel() for values in corners)
    on_earth = (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    if (area := area_of_use(target)) is not None:
        west, south, east, north = area
        inside = on_earth & (lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)
        on_earth = inside if inside.any() else on_earth
    if not on_earth.any():
        return None
    lon, lat = lon[on_earth], lat[on_earth]
    return AreaOfInterest(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))


def _lacking(found: TransformerGroup, accuracy_m: float) -> tuple[str, ...]:
    """The grid files of the finest way that is finer than `accuracy_m` and not to be had without them; empty where there is none."""
    finer = [way for way in found.unavailable_operations if 0 <= way.accuracy < accuracy_m]
    finest = min(finer, key=lambda way: way.accuracy, default=None)
    return tuple(dict.fromkeys(grid.short_name for grid in finest.grids if not grid.available)) if finest else ()


@lru_cache(64)
def area_of_use(crs: CRS) -> Degrees | None:
    """The area that a CRS is made for, as it says itself or, where a file has lost that, as the register does; None where neither does."""
    if crs.area_of_use is not None:
        return crs.area_of_use.bounds
    code = crs.to_authority(min_confidence=100)
    known = CRS.from_authority(*code).area_of_use if code else None
    return known.bounds if known else None


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


def counts_down(crs: CRS) -> bool:
    """Whether the vertical axis of a compound or 3-D CRS points down, so that its numbers are depths."""
    axes = crs.sub_crs_list[1].axis_info[:1] if crs.is_compound else crs.axis_info[2:3]
    return any(axis.direction == "down" for axis in axes)


def crs_name(crs: CRS) -> str:
    """The code, or the CRS's own name where it is not surely that of a code: a likeness may be on another datum."""
    code = crs.to_authority(min_confidence=100)
    return f"{code[0]}:{code[1]}" if code else str(crs.name)
