"""Whether checked layers and ground look like a county: figures beside what is usual, in sentences with their numbers. It stops nothing.

All limits are our own choice: common practice, no source.
"""

from collections.abc import Callable
from datetime import date
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Proj, Transformer

from geoseptic.io.keptplanes import at_cells
from geoseptic.model.checking import CheckedLayer
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.results import Results
from geoseptic.processes.land import Land
from geoseptic.processes.plausible_ground import Finding, finding, ground_findings, warned
from geoseptic.stages import stage
from geoseptic.units import METRES_PER_UNIT, in_both_units

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]

ENOUGH: Final = 20
"""Shares and medians of fewer features say nothing."""

PARCEL_M2: Final = (200.0, 2_000_000.0)
"""Medians of parcels outside are of no county: 0.05 and 500 acres. A layer in the wrong foot or unit has such."""
BUILDING_M2: Final = (25.0, 1500.0)
MOST_SLOPE_PERCENT: Final = 60.0
"""Nobody builds where half of the lots are steeper; heights in decimetres read ten times too steep."""
MOST_RELIEF_M: Final = 3000.0
FLAT_SHARE: Final = 0.5
FEWEST_SERVED: Final = 0.02
MOST_WELLS_PER_PARCEL: Final = 2.0
MOST_WELLS_IN_BUILDINGS: Final = 0.05
MOST_WELLS_OUTSIDE: Final = 0.25
MOST_BUILDINGS_OUTSIDE: Final = 0.1
NEAR_PARCELS_M: Final = 100.0
"""Wells and buildings farther from every parcel are the neighbours' and take no part in the shares."""
MOST_OF_ONE_PLACE: Final = 0.02
MOST_OF_ONE_YEAR: Final = 0.3
FIRST_YEAR: Final = 1600

SAMPLED: Final = 20_000
"""Lots at whose middle the ground is looked at; more are taken at even steps."""
SLOPE_OVER_M: Final = 15.0
WHOLE_STEPS: Final = {"metres": 1.0, "feet": METRES_PER_UNIT["ft"], "US survey feet": METRES_PER_UNIT["US survey foot"]}
WHOLE_WITHIN: Final = 1e-6


@stage("plausibility")
def plausibility(land: Land, elevation: Raster | None = None, this_year: int | None = None) -> list[Finding]:
    """Every figure of the layers and of the ground under them; those outside what is usual are warnings."""
    # A spoilt parcel has no shape.
    lots = land.fabric.shapes_m[~shapely.is_empty(land.fabric.shapes_m)]
    tree, on_lots = cache(lambda: shapely.STRtree(lots)), land.on_lots
    middles = shapely.centroid(lots)
    found = _sizes("parcels", "parcel", lots, PARCEL_M2)
    found += _place(land.frame, middles)
    found += _wells(land.wells, lots, *on_lots["wells"])
    found += _outside("wells", land.wells.shapes_m, on_lots["wells"][0], tree, MOST_WELLS_OUTSIDE)
    found += _one_place("wells", land.wells.shapes_m)
    if land.buildings is not None:
        found += _sizes("buildings", "building", land.buildings.shapes_m, BUILDING_M2)
        found += _outside("buildings", land.buildings.shapes_m, on_lots["buildings"][0], tree, MOST_BUILDINGS_OUTSIDE)
        found += _wells_in_buildings(land.wells, land.buildings)
    found += _years(land.parcels, land.fabric.shapes_m, this_year or date.today().year)
    if elevation is not None:
        found += _ground(middles, elevation)
        found += ground_findings(elevation)
    return found


def plausibility_results(land: Land, elevation: Raster | None) -> Results:
    """The same as warnings, and all figures as counts."""
    found = plausibility(land, elevation)
    figures = {item.kind: dict(item.numbers) for item in found}
    warnings = tuple(f"check the data: {item.text}" for item in warned(found))
    return Results(counts={"plausibility": figures}, warnings=warnings)


def _sizes(layer: str, one: str, shapes_m: Geometries, usual_m2: tuple[float, float]) -> list[Finding]:
    if not len(shapes_m):
        return []
    area_m2, (low, high) = shapely.area(shapes_m), usual_m2
    numbers = {
        "median_m2": float(np.median(area_m2)),
        "share_below": float((area_m2 < low).mean()),
        "share_above": float((area_m2 > high).mean()),
    }
    odd = len(area_m2) >= ENOUGH and not low <= numbers["median_m2"] <= high
    text = (
        f"the median {one} has {numbers['median_m2']:,.0f} m2 ({numbers['median_m2'] / METRES_PER_UNIT['ft'] ** 2:,.0f} ft2), and "
        f"{low:,.0f} to {high:,.0f} m2 is usual: the unit of the coordinates may be another than the file says, or the layer holds "
        "other things"
    )
    return [finding(layer, f"size_of_{layer}", odd, text, numbers)]


def _place(frame: Frame, middles_m: Geometries) -> list[Finding]:
    """Lots outside the area that the coordinate reference system is made for, and what a length reads there."""
    area, geographic = frame.area_of_use, frame.crs.geodetic_crs
    if area is None or geographic is None:
        return []
    west, south, east, north = area
    points = shapely.get_coordinates(middles_m) / frame.metres_per_unit
    lon, lat = Transformer.from_crs(frame.crs, geographic, always_xy=True).transform(points[:, 0], points[:, 1])
    outside = ~((lon >= west) & (lon <= east) & (lat >= south) & (lat <= north))
    # The scale is worst at the rim, and finding it takes longer than all the rest.
    rim = shapely.get_coordinates(shapely.convex_hull(_one_shape(np.column_stack([lon, lat]))))
    scales = np.asarray(Proj(frame.crs).get_factors(rim[:, 0], rim[:, 1]).parallel_scale)
    worst = float(scales[np.argmax(np.abs(scales - 1))])
    numbers = {"outside": float(outside.sum()), "share": float(outside.mean()), "length_of_100_reads": 100 * worst}
    text = (
        f"{int(outside.sum())} of {len(middles_m)} parcels lie outside the area that {frame.name} is made for (longitude {west:g} to "
        f"{east:g}, latitude {south:g} to {north:g}); at the worst a length of 100 reads {100 * worst:.2f}. They may "
        "belong to the next zone, or the coordinate reference system is declared wrongly"
    )
    return [finding("parcels", "outside_the_area_of_the_crs", bool(outside.any()), text, numbers, middles_m[outside])]


def _one_shape(points: Floats) -> shapely.Geometry:
    """The points as one line, which is made in a tenth of the time of a shape that has each as its own."""
    return shapely.linestrings(points) if len(points) > 1 else shapely.multipoints(points)


def _wells(wells: CheckedLayer, lots_m: Geometries, well: Rows, lot: Rows) -> list[Finding]:
    """Which well is on which lot, by their rows, and how many that are."""
    served, on_lots = np.unique(lot), len(np.unique(well))
    km2 = float(shapely.area(lots_m).sum()) / 1e6
    numbers = {
        "wells_on_parcels": float(on_lots),
        "wells_per_km2": on_lots / km2 if km2 else 0.0,
        "share_of_parcels_with_a_well": len(served) / len(lots_m),
        "wells_a_parcel": on_lots / len(lots_m),
    }
    few, many = numbers["share_of_parcels_with_a_well"] < FEWEST_SERVED, numbers["wells_a_parcel"] > MOST_WELLS_PER_PARCEL
    why = "the layer may be of another place, shifted, or leave most wells out" if few else "one well may be recorded many times"
    text = (
        f"{len(served)} of {len(lots_m)} parcels have a well ({on_lots} wells, {numbers['wells_per_km2']:.1f} a km2 of parcels): {why}. "
        "A well on no record may still be there"
    )
    odd = len(lots_m) >= ENOUGH and (few or many)
    return [finding("wells", "wells_of_parcels", odd, text, numbers)]


def _outside(layer: str, shapes_m: Geometries, on_a_lot: Rows, tree: Callable[[], shapely.STRtree], most: float) -> list[Finding]:
    """The share of what lies near the parcels that is on none of them, all but the rows `on_a_lot`."""
    on = np.zeros(len(shapes_m), bool)
    on[on_a_lot] = True
    off = np.zeros(len(shapes_m), bool)
    rows = np.flatnonzero(~on)
    if len(rows):
        off[rows[tree().query_nearest(shapes_m[rows], max_distance=NEAR_PARCELS_M, all_matches=False)[0]]] = True
    near = on | off
    if not near.any():
        return []
    numbers = {"near_parcels": float(near.sum()), "on_none": float(off.sum()), "share": float(off.sum() / near.sum())}
    text = (
        f"{int(off.sum())} of {int(near.sum())} {layer} within {in_both_units(NEAR_PARCELS_M)} of the parcels lie on none of them "
        f"({numbers['share']:.0%}; up to {most:.0%} is usual): one of the layers may be shifted, or parcels are missing"
    )
    odd = int(near.sum()) >= ENOUGH and numbers["share"] > most
    return [finding(layer, f"{layer}_outside_every_parcel", odd, text, numbers, shapely.centroid(shapes_m[off]))]


def _wells_in_buildings(wells: CheckedLayer, buildings: CheckedLayer) -> list[Finding]:
    if not len(wells):
        return []
    inside = np.zeros(len(wells), bool)
    inside[shapely.STRtree(buildings.shapes_m).query(wells.shapes_m, predicate="intersects")[0]] = True
    share = float(inside.mean())
    text = (
        f"{int(inside.sum())} of {len(wells)} wells lie inside a building ({share:.0%}; up to {MOST_WELLS_IN_BUILDINGS:.0%} is usual): the "
        "layer may be shifted, or its wells were placed at the address or the middle of the house. State their location error"
    )
    odd = len(wells) >= ENOUGH and share > MOST_WELLS_IN_BUILDINGS
    return [finding("wells", "wells_inside_buildings", odd, text, {"inside": float(inside.sum()), "share": share}, wells.shapes_m[inside])]


def _one_place(layer: str, points_m: Geometries) -> list[Finding]:
    if not len(points_m):
        return []
    # As complex numbers, which sort by x and then by y, in a fifth of the time of rows.
    places = shapely.get_coordinates(points_m).view(np.complex128).ravel()
    _, first, counts = np.unique(places, return_index=True, return_counts=True)
    again = int((counts - 1).sum())
    share = again / len(points_m)
    text = (
        f"{again} of {len(points_m)} {layer} stand exactly where another does ({share:.0%}), up to {int(counts.max())} in one place: they "
        "may be placed by address or section, which needs a location error, or be recorded twice"
    )
    odd = len(points_m) >= ENOUGH and share > MOST_OF_ONE_PLACE
    numbers = {"again": float(again), "share": share, "most_in_one_place": float(counts.max())}
    return [finding(layer, f"{layer}_in_one_place", odd, text, numbers, points_m[first[counts > 1]])]


def _years(parcels: CheckedLayer, lots_m: Geometries, this_year: int) -> list[Finding]:
    year = parcels.numbers("year_built")
    # A year of 0 is none.
    stated = ~np.isnan(year) & (year != 0)
    told = year[stated]
    if not len(told):
        return []
    impossible = (told < FIRST_YEAR) | (told > this_year)
    places_m = lots_m[stated][impossible]
    years, counts = np.unique(told, return_counts=True)
    common, share = float(years[counts.argmax()]), float(counts.max() / len(told))
    numbers = {"median": float(np.median(told)), "impossible": float(impossible.sum()), "commonest": common, "share_of_commonest": share}
    parts = []
    if impossible.any():
        parts.append(f"{int(impossible.sum())} of {len(told)} years of building lie before {FIRST_YEAR} or after {this_year}")
    if len(told) >= ENOUGH and share > MOST_OF_ONE_YEAR:
        parts.append(f"{share:.0%} of {len(told)} years of building are {common:.0f}, which may stand for 'not known'")
    return [
        finding("parcels", "years_built", bool(parts), "; ".join(parts), numbers, shapely.centroid(places_m[~shapely.is_empty(places_m)]))
    ]


def _ground(middles_m: Geometries, elevation: Raster) -> list[Finding]:
    """Heights at the middles of lots and slopes over about `SLOPE_OVER_M` there."""
    grid = elevation.grid
    step = -(-len(middles_m) // SAMPLED)
    col, row = np.floor(grid.cells_of(shapely.get_coordinates(middles_m[::step]))).astype(np.int64).T
    arm = max(1, round(SLOPE_OVER_M / 2 / grid.cell_size_m))
    inside = (row >= arm) & (row < grid.shape[0] - arm) & (col >= arm) & (col < grid.shape[1] - arm)
    row, col = row[inside], col[inside]
    rows, cols = (np.concatenate([own + off for off in offs]) for own, offs in ((row, (0, 0, 0, arm, -arm)), (col, (0, arm, -arm, 0, 0))))
    height_m, east, west, south, north = at_cells(elevation.plane, rows, cols).astype(np.float64).reshape(5, len(row))
    across, along = (east - west) / (2 * arm * grid.cell_size_m), (south - north) / (2 * arm * grid.cell_size_m)
    slope_percent = 100 * np.hypot(across, along)
    known = ~np.isnan(height_m) & ~np.isnan(slope_percent)
    height_m, slope_percent = height_m[known], slope_percent[known]
    if not len(height_m):
        return []
    low, high = float(height_m.min()), float(height_m.max())
    median, flat = float(np.median(slope_percent)), float((slope_percent == 0).mean())
    whole = _whole(height_m)
    numbers = {"lowest_m": low, "highest_m": high, "median_slope_percent": median, "share_level": flat, "lots": float(len(height_m))}
    seen = f"at {len(height_m)} lots heights go from {low:.1f} to {high:.1f} m and the median slope is {median:.1f} percent"
    doubts: list[str] = []
    if high < 0:
        doubts.append(f"{seen}: all of them lie below sea level, so they may be depths or have the wrong sign, and every fall be a rise")
    if len(height_m) >= ENOUGH:
        if median > MOST_SLOPE_PERCENT or high - low > MOST_RELIEF_M:
            tenths = f", all of them whole {whole}, which may be tenths or hundredths (--elevation-scale 0.1 or 0.01)" if whole else ""
            doubts.append(f"{seen}{tenths}: too steep for lots; the unit or the scale of the heights may be wrong")
        elif whole:
            doubts.append(f"{seen}; all heights are whole {whole}: slopes come in steps, and small ones cannot be seen")
        if flat > FLAT_SHARE:
            doubts.append(f"the ground is exactly level at {flat:.0%} of {len(height_m)} lots: heights may be rounded or filled in")
    return [finding("elevation", "ground_at_parcels", bool(doubts), "; ".join(doubts) or seen, numbers)]


def _whole(height_m: Floats) -> str:
    """In which unit all heights are whole numbers, of more than one; empty where in none."""
    if np.ptp(height_m) == 0:
        return ""
    for name, metres in WHOLE_STEPS.items():
        steps = height_m / metres
        if (np.abs(steps - np.round(steps)) <= WHOLE_WITHIN * np.maximum(1, np.abs(steps))).all():
            return name
    return ""
