"""What the maps of soil and floods would show: four soils by where they lie, flood zones along the brook. Local metres."""

from collections.abc import Mapping

import numpy as np
import shapely
from affine import Affine
from rasterio import features
from scipy import ndimage
from shapely.geometry import LineString, shape

from quillback.ground import Ground, near_line
from quillback.layout import CELL_M, HEIGHT_M, map_frame

BOTTOM, BENCH, HILLSIDE, KNOLL = 1, 2, 3, 4
SMALLEST_CELLS = 1500
SIMPLER_M = 6.0

SOILS: Mapping[int, Mapping[str, object]] = {
    BOTTOM: {
        "musym": "Dp", "muname": "Dipper silty clay loam, 0 to 3 percent slopes", "soil": "silty clay loam", "slopegraddcp": 2,
        "brockdepmin": None, "wtdepannmin": 15, "wtdepaprjunmin": 15, "resdept_r": None, "reskind": None, "described_cm": 203,
        "hzdept_r": 61, "hzdepb_r": 152, "ksat_r": 2.7, "flodfreqdcd": "Frequent", "pondfreqprs": "15-49%", "frag_over_3in": 0,
        "totalsub_r": 0, "hydgrpdcd": "C/D", "drclassdcd": "Poorly drained",
    },
    BENCH: {
        "musym": "Wn", "muname": "Wren loam, 2 to 8 percent slopes", "soil": "loam", "slopegraddcp": 5,
        "brockdepmin": None, "wtdepannmin": None, "wtdepaprjunmin": None, "resdept_r": None, "reskind": None, "described_cm": 203,
        "hzdept_r": 61, "hzdepb_r": 152, "ksat_r": 9.0, "flodfreqdcd": "None", "pondfreqprs": "0", "frag_over_3in": 1,
        "totalsub_r": 0, "hydgrpdcd": "B", "drclassdcd": "Well drained",
    },
    HILLSIDE: {
        "musym": "Sk", "muname": "Siskin clay loam, 8 to 20 percent slopes", "soil": "clay loam", "slopegraddcp": 13,
        "brockdepmin": None, "wtdepannmin": 90, "wtdepaprjunmin": 90, "resdept_r": 100, "reskind": "Fragipan", "described_cm": 203,
        "hzdept_r": 61, "hzdepb_r": 100, "ksat_r": 1.5, "flodfreqdcd": "None", "pondfreqprs": "0", "frag_over_3in": 3,
        "totalsub_r": 0, "hydgrpdcd": "C", "drclassdcd": "Moderately well drained",
    },
    KNOLL: {
        "musym": "Tw", "muname": "Twite very stony loam, 8 to 35 percent slopes", "soil": "loam", "slopegraddcp": 22,
        "brockdepmin": 58, "wtdepannmin": None, "wtdepaprjunmin": None, "resdept_r": 58, "reskind": "Lithic bedrock", "described_cm": 58,
        "hzdept_r": 15, "hzdepb_r": 58, "ksat_r": 9.0, "flodfreqdcd": "None", "pondfreqprs": "0", "frag_over_3in": 28,
        "totalsub_r": 0, "hydgrpdcd": "D", "drclassdcd": "Well drained",
    },
}  # fmt: skip
"""Invented series; the columns and their units are those of the federal soil survey."""


def soil_polygons(ground: Ground, brook: LineString) -> list[tuple[Mapping[str, object], shapely.Geometry]]:
    """A soil map as coarse as real ones are: each polygon with its record."""
    smooth_m = ndimage.gaussian_filter(ground.height_m, 15 / CELL_M)
    slope = ground.slope_percent(25.0)
    above_m = smooth_m - _brook_height_m(smooth_m, brook)
    kind = np.full(smooth_m.shape, BENCH, np.uint8)
    kind[slope > 9] = HILLSIDE
    kind[(above_m > np.quantile(above_m, 0.8)) & (slope > 6)] = KNOLL
    kind[(above_m < 2.0) & (slope < 9)] = BOTTOM
    kind = ndimage.median_filter(kind, size=15)
    kind = features.sieve(kind, SMALLEST_CELLS)
    return [(SOILS[int(value)], outline) for value, outline in _outlines(kind, kind > 0)]


def flood_zones(ground: Ground, brook: LineString) -> list[tuple[Mapping[str, object], shapely.Geometry]]:
    """The floodway round the brook's bed, and the ground up to 1.2 m above it."""
    smooth_m = ndimage.gaussian_filter(ground.height_m, 4 / CELL_M)
    near = np.zeros(smooth_m.shape, bool)
    near[near_line(brook, 110)[0]] = True
    low = near & (smooth_m - _brook_height_m(smooth_m, brook) < 1.2)
    low = features.sieve(ndimage.binary_closing(low, iterations=2).astype(np.uint8), SMALLEST_CELLS)
    floodway = brook.buffer(11, cap_style="flat").intersection(map_frame())
    plain = shapely.union_all([outline for _, outline in _outlines(low, low > 0)]).difference(floodway)
    rows: list[tuple[Mapping[str, object], shapely.Geometry]] = [({"kind": "floodway", "zone": "AE", "subtype": "FLOODWAY"}, floodway)]
    rows += [({"kind": "floodplain", "zone": "AE", "subtype": ""}, part) for part in shapely.get_parts(plain) if part.area > 500]
    return rows


def _brook_height_m(height_m: np.ndarray, brook: LineString) -> np.ndarray:
    """Height of the brook where it is nearest to each cell."""
    bed = np.zeros(height_m.shape, bool)
    bed[near_line(brook, 3)[0]] = True
    _, (row, col) = ndimage.distance_transform_edt(~bed, return_indices=True)
    return height_m[row, col]


def _outlines(values: np.ndarray, mask: np.ndarray) -> list[tuple[float, shapely.Geometry]]:
    """Connected cells of one value as polygons whose common edges stay common."""
    to_map = Affine(CELL_M, 0, 0, 0, -CELL_M, HEIGHT_M)
    found = [(value, shape(outline)) for outline, value in features.shapes(values, mask, connectivity=4, transform=to_map)]
    simple = shapely.coverage_simplify([outline for _, outline in found], SIMPLER_M)
    return [(value, outline) for (value, _), outline in zip(found, simple, strict=True)]
