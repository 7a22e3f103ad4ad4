"""Declaration of the process `screen_county`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.errors import ParameterError
from geoseptic.model import layers
from geoseptic.process import Choice, DepthIn, LayerIn, LayerOut, Length, PointsOut, Weights, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import (
    ASSUMED_LOCATION_ERROR_M,
    BUILDING_HEIGHT_M,
    MIN_SHARE,
    MOST_CHANGED,
    REACH_M,
    WELL_RADIUS_M,
    WINDOW_M,
)
from geoseptic.processes.suitability_map import suitability_map

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.model.grid import Raster
    from geoseptic.model.results import Results
else:
    GeoDataFrame = Raster = Any

TRENCH_BOTTOM_M = 0.6096
"""24 in below the ground. Common practice, no source."""

SEWER_DEPTH_M = 0.6096
"""2 ft. Common practice, no source; as in systems/gravity.py."""

PIPE_DEPTH_M = 0.4572
"""1.5 ft. Common practice, no source; as in systems/gravity.py."""

Soils = Annotated[GeoDataFrame | None, LayerIn(layers.SOILS)]
Floodplain = Annotated[GeoDataFrame | None, LayerIn(layers.FLOODPLAIN)]
Groundwater = Annotated[Raster | None, DepthIn("Depth of mapped groundwater below the ground")]
TrenchBottom = Annotated[float, Length("Depth of the trenches' bottom, to hold the vertical separation against a soil map", 0.1, 3.0)]
SewerDepth = Annotated[float, Length("Ground down to the invert of the sewer where it leaves the house", 0.0, 5.0)]
PipeDepth = Annotated[float, Length("Ground down to the pipe in a trench", 0.1, 2.0)]
InFloodplain = Annotated[str, Choice("Keep fields out of floodplains, or only out of floodways", ("exclude", "allow"))]


@process(
    id="screen_county",
    title="County screening",
    outputs=(
        *suitability_map.outputs,
        LayerOut("screening", "parcels", "One row a parcel: verdict, reasons, assumptions, sizes and distances"),
        LayerOut("screening", "fields", "Primary field and reserve, as two areas"),
        LayerOut("screening", "trenches", "Trenches along the contour"),
        LayerOut("screening", "tanks", "Septic tanks"),
        LayerOut("screening", "sewer_lines", "House to tank, and tank to field"),
        LayerOut("screening", "test_holes", "Where to dig percolation holes and soil pits"),
        LayerOut("screening", "flow_paths", "From each field down to the nearest well downslope"),
        LayerOut("surroundings", "points", "What ground was kept clear of, as it was used: wells and other points"),
        LayerOut("surroundings", "lines", "The same: lines"),
        LayerOut("surroundings", "areas", "The same: areas, and lots on which a well is presumed"),
        PointsOut("waypoints", "The test holes for a phone or a GPS receiver"),
    ),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --elevation dem.tif --rules us-wa --out out",
    sizes_lots=True,
)
def screen_county(
    parcels: inputs.Parcels,
    wells: inputs.Wells,
    elevation: inputs.Elevation,
    *,
    rules: inputs.Rules,
    buildings: inputs.Buildings = None,
    driveways: inputs.Driveways = None,
    pools: inputs.Pools = None,
    surface_water: inputs.SurfaceWater = None,
    springs: inputs.Springs = None,
    cut_banks: inputs.CutBanks = None,
    water_lines: inputs.WaterLines = None,
    drains: inputs.Drains = None,
    other_features: inputs.OtherFeatures = None,
    culverts: inputs.Culverts = None,
    soils: Soils = None,
    floodplain: Floodplain = None,
    groundwater: Groundwater = None,
    in_floodplain: InFloodplain = "exclude",
    trench_bottom_m: TrenchBottom = TRENCH_BOTTOM_M,
    sewer_depth_m: SewerDepth = SEWER_DEPTH_M,
    pipe_depth_m: PipeDepth = PIPE_DEPTH_M,
    facts: inputs.StatedFacts = None,
    granted: inputs.Granted = (),
    unrecorded_wells: inputs.UnrecordedWells = "presume",
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
    well_radius_m: inputs.WellRadius = WELL_RADIUS_M,
    reach_m: inputs.Reach = REACH_M,
    min_share: inputs.MinShare = MIN_SHARE,
    building_height_m: inputs.BuildingHeight = BUILDING_HEIGHT_M,
    window_m: inputs.Window = WINDOW_M,
    method: inputs.SlopeMethod = "plane",
    weights: Annotated[
        dict[str, float] | None, Weights("Weight of each factor; without any, the least factor decides", ("slope", "well_path"))
    ] = None,
    most_changed: inputs.MostChanged = MOST_CHANGED,
    workers: inputs.Workers = 1,
) -> "Results":
    """Whether a drain field with its reserve and a tank really fit on each parcel, where, and how sewage gets there: a verdict with a drawn
    layout. What is assumed of soil, house or wells is told in every row."""
    if pipe_depth_m >= trench_bottom_m:
        raise ParameterError(f"--pipe-depth {pipe_depth_m:g} m is not above the trenches' bottom, --trench-bottom {trench_bottom_m:g} m.")
    from geoseptic.io.soilfiles import load_soil_criteria
    from geoseptic.model.results import Results, merged
    from geoseptic.processes import (
        accounts,
        depth_checks,
        layouts,
        lot_ground,
        lot_sizes,
        lots,
        mapping,
        screening,
        screening_tables,
        soil_ground,
        surroundings,
        ways_down,
    )
    from geoseptic.processes import land as land_checks
    from geoseptic.systems.gravity import Burial

    land = land_checks.check_land(
        parcels,
        wells,
        {
            "buildings": buildings,
            "driveways": driveways,
            "pools": pools,
            "surface_water": surface_water,
            "springs": springs,
            "cut_banks": cut_banks,
            "water_lines": water_lines,
            "drains": drains,
            "other_features": other_features,
        },
        frame=elevation.grid.frame,
        assumed_location_error_m=assumed_location_error_m,
        culverts=culverts,
        presume_wells=unrecorded_wells == "presume",
        most_changed=most_changed,
    )
    soil = soil_ground.check_soils(
        soils, floodplain, groundwater, elevation.grid.frame, rules, load_soil_criteria(), facts or {}, trench_bottom_m
    )
    soil = soil_ground.with_notes(soil, depth_checks.check_depths(groundwater, elevation, land.fabric.shapes_m))
    soil = soil_ground.with_found(soil, land.fabric.shapes_m, land.parcels.texts("soil"))
    excluded = in_floodplain == "exclude"
    (soils_of_lots, flooded_m), lost = screening.soils_on_lots(soil, rules, land, excluded)
    sizes = lot_sizes.sizes_of(land.parcels, soils_of_lots, rules)
    lot_sizes.check_trench_depth(rules, trench_bottom_m)
    chosen = mapping.Choices(
        ("drain_field", "reserve", "septic_tank"),
        facts or {},
        frozenset(granted),
        well_radius_m,
        reach_m,
        min_share,
        building_height_m,
        window_m,
        method,
        weights,
        workers,
    )
    mapped = mapping.map_suitability(elevation, land, rules, chosen)
    ground = lot_ground.LotGround(elevation, mapped.slope_percent, mapped.ponding_m, mapped.paths, soil, rules, excluded)
    searched, astray = lots.lots_of(land, mapped.cuts, sizes, flooded_m)
    search = screening.Search(
        land,
        mapped.cuts,
        searched.barred(lost),
        layouts.Setting(
            *lot_ground.terrains_of(ground, window_m, workers),
            Burial.by_code(rules.sizing, sewer_cover_m=sewer_depth_m, field_pipe_depth_m=pipe_depth_m),
        ),
        ground,
        workers,
    )
    found = screening.screen(search, soil, rules, mapped.ground_facts, facts or {}, frozenset(granted))
    assumed = screening.assumed_of_lots(land, mapped.cuts["drain_field"], presumed=unrecorded_wells == "presume")
    found = screening.told_of(found, "ground of the lots", {**astray, **lost})
    ways, astray = ways_down.ways_down(found.fields_m, elevation, mapped, land)
    found = screening.told_of(found, ways_down.STAGE, astray)
    told = merged(
        mapped.results,
        screening_tables.screening_results(land, rules, found, mapped.cuts["drain_field"], assumed, ways, soil),
        surroundings.surroundings(land, rules.unit),
        Results(warnings=lot_sizes.unsized_told(land.parcels.ids, sizes)),
    )
    return accounts.with_accounts(told, land, rules.unit)
