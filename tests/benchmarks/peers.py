"""What an analyst would script with general-purpose tools for the layers that suitability_map makes; each stage is one process.

    python tests/benchmarks/peers.py STAGE --county DIR --out DIR --plan plan.json

`plan.json` has the distances and limits (bench_suitability_map.py takes them from the rule set, so that both sides keep the same ones).
Every stage reads its inputs from files and writes its outputs to files, as scripts do.
"""

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
import shapely
from common import wells_of
from rasterio import features

CUTTERS = ("wells", "buildings", "surface_water")


def slope_classes(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Classes of the slope that gdaldem wrote."""
    with rasterio.open(out / "slope.tif") as file:
        slope_percent, nodata, profile = file.read(1), file.nodata, file.profile
    classes = np.digitize(slope_percent, plan["slope_classes_percent"]).astype(np.uint8) + 1
    classes[slope_percent == nodata] = 255
    write(out / "slope_class.tif", classes, profile, 255)


def flow_whitebox_workflows(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Fill and D-infinity flow path distance to the wells' discs by whitebox-workflows, with the fastest of its three fill tools."""
    import whitebox_workflows

    discs, profile = burnt_discs(county, plan)
    write(out / "discs.tif", discs, profile, None)
    filled = str(out / "filled.tif")
    whitebox_workflows.run_tool("fill_depressions", {"dem": str(county / "dem.tif"), "output": filled})
    target = str(out / "flow_whitebox_workflows.tif")
    whitebox_workflows.run_tool(
        "downslope_distance_to_stream", {"dem": filled, "streams": str(out / "discs.tif"), "dinf": True, "output": target}
    )


def flow_pyflwdir(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Fill, D8 directions and flow path distance to the wells' discs by pyflwdir."""
    import pyflwdir

    discs, profile = burnt_discs(county, plan)
    with rasterio.open(county / "dem.tif") as file:
        height_m, transform = file.read(1), file.transform
    _, d8 = pyflwdir.dem.fill_depressions(height_m, nodata=-9999.0)
    flow = pyflwdir.from_array(d8, ftype="d8", latlon=False)
    # pyflwdir 0.5 hands its transform to compiled code, which affine 3 no longer allows; six plain numbers do.
    flow.transform = tuple(transform)[:6]
    target = discs.ravel() > 0
    distance_m = flow.stream_distance(mask=target, unit="m").reshape(discs.shape)
    # Where water reaches no disc that distance is the one to the outlet; only what lies above a disc is wanted.
    above = flow.fillnodata(discs, nodata=0, direction="up")
    distance_m[above.reshape(discs.shape) == 0] = -1
    write(out / "flow_pyflwdir.tif", distance_m, profile, -1)


def overlay(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Parcels less their lot line strip, less all buffered features, for each part, by geopandas.overlay (one union a parcel)."""
    import geopandas
    import pandas as pd

    parcels = geopandas.read_file(county / "county.gpkg", layer="parcels")
    layers = {name: geopandas.read_file(county / "county.gpkg", layer=name) for name in CUTTERS}
    for part, distances in plan["setbacks_m"].items():
        wells = layers["wells"]
        error_m = wells["location_error_m"].fillna(plan["assumed_location_error_m"])
        cut = [wells.buffer(wells["kind"].map(distances["wells"]) + error_m)]
        cut += [layers[name].buffer(distances[name]) for name in CUTTERS[1:]]
        zones = geopandas.GeoDataFrame(geometry=pd.concat(cut, ignore_index=True), crs=parcels.crs)
        inside = parcels.set_geometry(parcels.buffer(-distances["lot_line"], join_style="mitre"))
        envelopes = geopandas.overlay(inside, zones, how="difference", keep_geom_type=True)
        zones.to_file(out / f"{part}.gpkg", layer="zones")
        envelopes.to_file(out / f"{part}.gpkg", layer="envelope")


def combine(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """One suitability raster: what is left by law, rated by the lesser of slope and flow path distance, written as a COG."""
    import geopandas

    envelope = geopandas.read_file(out / "drain_field.gpkg", layer="envelope")
    with rasterio.open(out / "slope.tif") as file:
        slope_percent, nodata, profile = file.read(1), file.nodata, file.profile
    with rasterio.open(out / f"{plan['flow']}.tif") as file:
        path_m, path_nodata = file.read(1), file.nodata
    left = features.rasterize(envelope.geometry, slope_percent.shape, transform=profile["transform"], dtype="uint8") > 0
    by_slope = np.interp(slope_percent, [0, plan["slope_limit_percent"]], [100, 1]).astype(np.float32)
    by_path = np.interp(path_m, [0, plan["reach_m"]], [1, 100]).astype(np.float32)
    by_path[path_m == path_nodata] = 100
    rating = np.where(left & (slope_percent <= plan["slope_limit_percent"]), np.minimum(by_slope, by_path), 0).astype(np.uint8)
    rating[slope_percent == nodata] = 255
    cog = {key: profile[key] for key in ("crs", "transform", "width", "height")}
    with rasterio.open(out / "suitability.tif", "w", driver="COG", count=1, dtype="uint8", nodata=255, compress="DEFLATE", **cog) as file:
        file.write(rating, 1)


def county_wells(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Wells as discs of 1, and each disc's number."""
    discs = well_discs(county, plan)
    with rasterio.open(county / "dem.tif") as file:
        profile = file.profile
    shape, transform = (profile["height"], profile["width"]), profile["transform"]
    numbers = features.rasterize(zip(discs, range(1, len(discs) + 1), strict=True), shape, transform=transform, dtype="int32")
    write(out / "well_numbers.tif", numbers, profile, 0)
    write(out / "discs.tif", (numbers > 0).astype(np.uint8), profile, None)


def county_fill(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Depressions filled by whitebox-workflows."""
    whitebox("fill_depressions", dem=county / "dem.tif", output=out / "filled.tif")


def county_distance(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """D-infinity flow path distance to the wells' discs by whitebox-workflows."""
    whitebox("downslope_distance_to_stream", dem=out / "filled.tif", streams=out / "discs.tif", dinf=True, output=out / "distance.tif")


def county_nearest(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """Which disc each cell drains to, by D8."""
    whitebox("d8_pointer", dem=out / "filled.tif", output=out / "pointer.tif")
    whitebox(
        "watershed_from_raster_pour_points",
        d8_pointer=out / "pointer.tif",
        pour_points=out / "well_numbers.tif",
        output=out / "well_path_well.tif",
    )


def whitebox(tool: str, **options: Any) -> None:
    import whitebox_workflows

    plain = {name: str(value) if isinstance(value, Path) else value for name, value in options.items()}
    whitebox_workflows.run_tool(tool, plain)


def county_zones(county: Path, out: Path, plan: dict[str, Any]) -> None:
    """What each kind of feature takes for a drain field, one layer a kind."""
    import geopandas

    distances = plan["setbacks_m"]["drain_field"]
    parcels = geopandas.read_file(county / "county.gpkg", layer="parcels")
    taken = {"lot_line": parcels.boundary.buffer(distances["lot_line"])}
    for name in CUTTERS:
        layer = geopandas.read_file(county / "county.gpkg", layer=name)
        reach_m: Any = distances[name]
        if name == "wells":
            reach_m = layer["kind"].map(distances["wells"]) + layer["location_error_m"].fillna(plan["assumed_location_error_m"])
        taken[name] = layer.buffer(reach_m)
    for name, shapes in taken.items():
        geopandas.GeoDataFrame(geometry=shapes, crs=parcels.crs).to_file(out / "zones.gpkg", layer=name)


def well_discs(county: Path, plan: dict[str, Any]) -> npt.NDArray[Any]:
    """A disc round each well: its location error, at least the sanitary radius."""
    x, y, said_m = np.array(wells_of(county), float).T
    error_m = np.where(np.isnan(said_m), plan["assumed_location_error_m"], said_m)
    return shapely.buffer(shapely.points(x, y), np.maximum(error_m, plan["well_radius_m"]), quad_segs=16)


def burnt_discs(county: Path, plan: dict[str, Any]) -> tuple[npt.NDArray[np.uint8], dict[str, Any]]:
    """Cells in the disc of any well, and the profile of the elevation."""
    with rasterio.open(county / "dem.tif") as file:
        profile = file.profile
    shape = (profile["height"], profile["width"])
    return features.rasterize(well_discs(county, plan), shape, transform=profile["transform"], dtype="uint8"), profile


def write(path: Path, values: npt.NDArray[Any], profile: dict[str, Any], nodata: float | None) -> None:
    with rasterio.open(path, "w", **{**profile, "dtype": values.dtype.name, "nodata": nodata}) as file:
        file.write(values, 1)


COUNTY = (county_wells, county_fill, county_distance, county_nearest, county_zones)
STAGES = {run.__name__: run for run in (slope_classes, flow_whitebox_workflows, flow_pyflwdir, overlay, combine, *COUNTY)}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("stage", choices=list(STAGES))
    parser.add_argument("--county", type=Path, required=True, help="folder that synthetic.py wrote")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--plan", type=Path, required=True)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    STAGES[options.stage](options.county, options.out, json.loads(options.plan.read_text(encoding="utf-8")))


if __name__ == "__main__":
    main()
