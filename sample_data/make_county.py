"""Make the sample data: Marl Hollow township in Quillback County, which does not exist.

    python sample_data/make_county.py [--out sample_data]

One seed, no clock, no input: the same software gives the same county every time.
"""

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from quillback import earth, ground, homes, inspections, layout, lots, water
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point

SEED = 20
CRS, CRS_WITH_HEIGHTS = "EPSG:6339", "EPSG:6339+5703"
NODATA = -9999.0
EMBANKMENT_M = 2.0
CULVERT_HALF_M = 14.0


@dataclass(frozen=True)
class County:
    """Everything that is written: heights, one table for each layer, and of three inspections the sheets and the same as layers."""

    elevation_m: np.ndarray
    layers: dict[str, gpd.GeoDataFrame]
    sheets: dict[str, pd.DataFrame]
    findings: dict[str, gpd.GeoDataFrame]


def make(seed: int = SEED) -> County:
    """Build the county in memory."""
    terrain_rng, lot_rng, home_rng, well_rng = (np.random.default_rng([seed, part]) for part in range(4))
    roads = layout.roads()
    brook = layout.brook_line(terrain_rng)
    pond = layout.pond(terrain_rng)
    land = ground.bare_ground(terrain_rng)
    ground.sink_basin(land)
    ground.level_pond(land, pond)
    ground.carve_channel(land, brook, (3.0, 6.0), 1.0, 0.5)
    ditch = ground.run_off(land, pond, brook)
    ground.carve_channel(land, ditch, (1.0, 1.2), 0.5, 0.5)
    crossings = [(brook, EMBANKMENT_M), (ditch, 1.2)]
    for road in roads:
        ground.build_road(land, road, crossings)

    blocks = lots.blocks(roads, brook)
    parcels = lots.frontage_lots(roads, blocks, lot_rng)
    parcels = lots.with_access(parcels, lots.rear_land(blocks, parcels, lot_rng), roads, lot_rng)
    parcels = lots.fitted(parcels, blocks)

    brook_area = ground.channel_outline(brook)
    wet = shapely.union_all([brook_area, pond, ditch, layout.BASIN_CENTRE.buffer(38)])
    site = homes.Site(land.slope_percent(), wet)
    settled = homes.settle(parcels, lots.numbered(parcels), site, home_rng)
    homes.connect_utilities(settled, home_rng)
    ground.level_pads(land, [home.house for home in settled if home.house is not None])

    wells = [*water.public_wells(well_rng), *water.household_wells(settled, land, wet, well_rng)]
    wells += water.wells_beyond_the_line(layout.TOWNSHIP, well_rng)
    wells += water.roughly_located(layout.TOWNSHIP, wells, well_rng)

    culverts = crossing_lines(roads, brook, ditch)
    mains = water.mains(roads, settled)
    with_drive = [home for home in settled if home.drive]
    with_pool = [home for home in settled if home.pool]
    layers = {
        "parcels": parcel_table(settled),
        "wells": well_table(wells),
        "buildings": building_table(settled),
        "driveways": table([{"parcel_id": home.parcel_id} for home in with_drive], [home.drive for home in with_drive]),
        "pools": table([{"parcel_id": home.parcel_id} for home in with_pool], [home.pool for home in with_pool]),
        "surface_water": surface_water_table(brook_area, pond, ditch, culverts),
        "springs": table([{"name": "Upper seep"}, {"name": "Lower seep"}], list(shapely.points(water.spring_places()))),
        "roads": table([{"name": road.name} for road in roads], [road.centre.intersection(layout.map_frame()) for road in roads]),
        "culverts": table([{"name": name} for name, _ in culverts], [line for _, line in culverts]),
        "cut_banks": table([{"height_m": height_m} for _, height_m in land.cut_banks], [line for line, _ in land.cut_banks]),
        "soils": table(*rows_and_shapes(earth.soil_polygons(land, brook))),
        "floodplain": table(*rows_and_shapes(earth.flood_zones(land, brook))),
        "water_lines": table([{"name": name} for name, _ in mains], [line for _, line in mains]),
    }
    points, runs = inspections.sheets(settled)
    found = dict(zip(("points", "runs"), (placed(*each) for each in inspections.layers(settled)), strict=True))
    return County(ground.surveyed(land, pond, terrain_rng), layers, {"points": points, "runs": runs}, found)


def table(rows: Sequence[Mapping[str, object]], shapes: Sequence[object]) -> gpd.GeoDataFrame:
    """A layer in map coordinates, to the centimetre."""
    placed = shapely.transform(np.asarray(shapes, dtype=object), lambda xy: np.round(xy + np.array([layout.EAST_M, layout.NORTH_M]), 2))
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry=placed, crs=CRS)


def placed(rows: pd.DataFrame, shapes: Sequence[object]) -> gpd.GeoDataFrame:
    """A table whose cells without words are empty, as a layer."""
    return table(rows.replace({"": None}).to_dict("records"), shapes).astype(rows.dtypes.to_dict())


def rows_and_shapes(found: Sequence[tuple[Mapping[str, object], shapely.Geometry]]) -> tuple[list[Mapping[str, object]], list[object]]:
    """Pairs of record and shape as the two lists that `table` takes."""
    return [row for row, _ in found], [shape for _, shape in found]


def parcel_table(settled: list[homes.Home]) -> gpd.GeoDataFrame:
    """Parcels with the assessor's roll, and the faults that real fabrics have."""
    shapes = with_faults({home.parcel_id: home.lot for home in settled})
    by_id = {home.parcel_id: home for home in settled if home.parcel_id in shapes}
    rows = [
        {
            "parcel_id": parcel_id,
            "situs": home.situs,
            "year_built": home.year_built,
            "bedrooms": home.bedrooms,
            "permit_on_file": home.permit_on_file,
            "public_sewer": home.public_sewer,
            "public_water": home.public_water,
        }
        for parcel_id, home in sorted(by_id.items())
    ]
    made = table(rows, [shapes[parcel_id] for parcel_id in sorted(by_id)])
    return made.astype({"year_built": "Int32", "bedrooms": "Int32"})


def with_faults(fabric: dict[str, lots.Lot]) -> dict[str, shapely.Geometry]:
    """The outlines with three faults made on purpose: a bow-tie, an overlap of 0.4 m, a parcel in two parts."""
    shapes = {parcel_id: lot.shape for parcel_id, lot in fabric.items()}
    plain = [parcel_id for parcel_id in sorted(fabric) if fabric[parcel_id].kind == "lot" and not fabric[parcel_id].in_village]
    on_withy = [parcel_id for parcel_id in plain if fabric[parcel_id].road.name == "Withy Lane"]
    bow_tie_id = next(parcel_id for parcel_id in on_withy if shapes[parcel_id].area > 0.97 * shapes[parcel_id].convex_hull.area)
    shapes[bow_tie_id] = lots.bow_tie(fabric[bow_tie_id])
    on_larkspur = [parcel_id for parcel_id in plain if fabric[parcel_id].road.name == "Larkspur Road"]
    one, other = next((one, other) for one, other in pairwise(on_larkspur) if lots.shared_m(shapes[one], shapes[other]) > 40)
    shapes[one] = lots.overlapping(shapes[one], shapes[other], 0.4)
    farms = [parcel_id for parcel_id in sorted(fabric) if fabric[parcel_id].kind == "farm" and fabric[parcel_id].road.name == "Osier Road"]
    across = next(
        (one, other)
        for one in farms
        for other in plain
        if fabric[other].side != fabric[one].side
        and fabric[other].road.name == "Osier Road"
        and 10 < shapes[one].distance(shapes[other]) < 22
    )
    # The farm also owns the lot on the other side of the road.
    shapes[across[0]] = shapely.union(shapes[across[0]], shapes.pop(across[1]))
    return shapes


def well_table(wells: list[water.Well]) -> gpd.GeoDataFrame:
    ordered = sorted(wells, key=lambda well: (-round(well.place.y, 2), well.place.x))
    rows = [
        {
            "well_id": f"W-{number:04d}",
            "kind": well.kind,
            "location_error_m": well.location_error_m,
            "in_house": well.in_house,
            "depth_ft": well.depth_ft,
            "casing_depth_ft": well.casing_depth_ft,
        }
        for number, well in enumerate(ordered, start=1)
    ]
    return table(rows, [well.place for well in ordered]).astype({"depth_ft": "Int32", "casing_depth_ft": "Int32"})


def building_table(settled: list[homes.Home]) -> gpd.GeoDataFrame:
    rows, shapes = [], []
    for home in settled:
        found = [("dwelling", home.house), ("outbuilding", home.garage), *(("outbuilding", shape) for shape in home.outbuildings)]
        for use, shape in found:
            if shape is not None:
                rows.append({"building_id": f"B-{len(rows) + 1:04d}", "parcel_id": home.parcel_id, "use": use})
                shapes.append(shape)
    return table(rows, shapes)


def crossing_lines(roads: list[layout.Road], brook: LineString, ditch: LineString) -> list[tuple[str, LineString]]:
    """A culvert under each road that crosses the brook or the ditch, from foot to foot of the embankment."""
    found = []
    for road in roads:
        for name, line in (("Fettle Brook", brook), ("Sallow Ditch", ditch)):
            met = road.centre.intersection(line)
            if not met.is_empty:
                at = line.project(Point(met.centroid))
                stations = np.array([at - CULVERT_HALF_M, at, at + CULVERT_HALF_M])
                found.append((f"{name} under {road.name}", LineString(layout.points_along(line, stations))))
    return found


def surface_water_table(
    brook: shapely.Geometry, pond: shapely.Geometry, ditch: LineString, culverts: list[tuple[str, LineString]]
) -> gpd.GeoDataFrame:
    """Open water only: where it runs in a culvert there is a gap."""
    piped = shapely.union_all([line.buffer(8, cap_style="flat") for _, line in culverts])
    rows, shapes = [], []
    for name, kind, shape in (
        ("Fettle Brook", "perennial", brook.intersection(layout.map_frame()).difference(piped)),
        ("Dabchick Pond", "perennial", pond),
        ("Sallow Ditch", "intermittent", ditch.difference(shapely.union_all([pond, brook, piped]))),
    ):
        for part in shapely.get_parts(shape):
            rows.append({"name": name, "kind": kind})
            shapes.append(part)
    return table(rows, shapes)


def write(county: County, folder: Path) -> None:
    """elevation.tif, county.gpkg and the findings in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    rows, cols = county.elevation_m.shape
    with rasterio.open(
        folder / "elevation.tif",
        "w",
        driver="GTiff",
        height=rows,
        width=cols,
        count=1,
        dtype="float32",
        crs=CRS_WITH_HEIGHTS,
        transform=from_origin(layout.EAST_M, layout.NORTH_M + layout.HEIGHT_M, layout.CELL_M, layout.CELL_M),
        nodata=NODATA,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        predictor=3,
        zlevel=9,
    ) as raster:
        raster.write(county.elevation_m, 1)
        raster.set_band_unit(1, "metre")
        raster.set_band_description(1, "Ground height")
    for name, sheet in county.sheets.items():
        sheet.to_csv(folder / f"findings_{name}.csv", index=False, lineterminator="\n")
    # Without this the file holds the time at which it was made.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"})
    for file, layers in (("county.gpkg", county.layers), ("findings.gpkg", county.findings)):
        (folder / file).unlink(missing_ok=True)
        for name, layer in layers.items():
            layer.to_file(folder / file, layer=name, driver="GPKG", engine="pyogrio")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write to")
    folder = parser.parse_args().out
    county = make()
    write(county, folder)
    counts = ", ".join(f"{name} {len(layer)}" for name, layer in county.layers.items())
    print(f"elevation.tif, county.gpkg and the findings in {folder}: {counts}")


if __name__ == "__main__":
    main()
