"""Declaration of the process `uncertainty`."""

from typing import TYPE_CHECKING, Annotated

from geoseptic.process import Choice, Count, LayerOut, Length, PageOut, RasterOut, TableOut, process
from geoseptic.processes import inputs
from geoseptic.processes.account_outputs import OUTPUTS
from geoseptic.processes.inputs import (
    ASSUMED_LOCATION_ERROR_M,
    BUILDING_HEIGHT_M,
    MIN_SHARE,
    MOST_CHANGED,
    REACH_M,
    WELL_RADIUS_M,
    WINDOW_M,
)
from geoseptic.processes.screen_county import TRENCH_BOTTOM_M, Floodplain, Groundwater, InFloodplain, Soils, TrenchBottom

if TYPE_CHECKING:
    from geoseptic.model.results import Results

PARCEL_LINE_ERROR_M = 1.5
"""5 ft. Common practice, no source."""

BUILDING_ERROR_M = 1.0
"""3 ft. Common practice, no source."""

CORRELATION_LENGTH_M = 10.0
"""The slope of a 15 m window is worst at 6 m and hardly better at this (4 percent, cells of 2 m): errors whose practical range is about the
size of the window do most (oksanen2005 in data/references.toml). Heights say nothing of it by themselves."""

GROUND_DRAWS = 20

Draws = Annotated[int, Count("Draws of the places of wells, lot lines and buildings", 1, 10_000)]
Seed = Annotated[int, Count("What the draws begin from: the same seed gives the same draws", 0, 2**31 - 1)]
GroundDraws = Annotated[int, Count("Draws of the ground, for the chance that water runs to a well", 1, 200)]
ParcelLineError = Annotated[float, Length("How far lot lines lie off, as one standard deviation along each axis", 0.0, 100.0)]
BuildingError = Annotated[float, Length("How far buildings lie off, as one standard deviation along each axis", 0.0, 100.0)]
VerticalError = Annotated[float | None, Length("Root mean square error of the heights", 0.0, 20.0)]
LidarQuality = Annotated[
    str | None, Choice("Quality level of the LiDAR that the heights are from, in place of their error", ("QL0", "QL1", "QL2", "QL3"))
]
CorrelationLength = Annotated[
    float, Length("Distance over which errors of the heights are alike: their correlation falls by e", 0.5, 1000.0)
]
Reading = Annotated[
    str,
    Choice(
        "What the location error of a well placed by GPS or digitised means: the circle that holds 50, 90 or 95 of 100 true places, one "
        "standard deviation, or the farthest that it may be off",
        ("cep50", "ce90", "ce95", "sigma", "maximum"),
    ),
]


@process(
    id="uncertainty",
    title="How sure it is",
    outputs=(
        RasterOut("chance_clear", "Chance that a cell keeps every setback of a drain field, in percent; 255 unknown"),
        RasterOut("slope_chance", "Chance that the ground is no steeper than the code's limit, in percent; 255 unknown"),
        RasterOut("path_chance", "Chance that water runs from here to a well, in percent of draws of the ground; 255 unknown"),
        LayerOut("chances", "parcels", "One row a parcel: the chance that a field, and a field with its reserve, fit"),
        LayerOut("chances", "places", "Where the wells may be whose place is not known: the ground that their error leaves open"),
        LayerOut("chances", "survey_first", "Where to go first so that most undecided parcels get an answer"),
        TableOut("survey_first", "The same as a table"),
        PageOut("survey_first", "The same for those who go, by neighbourhoods in the order of a walk"),
        TableOut("survey_by_parcel", "What would settle each undecided parcel, the surest first"),
        *OUTPUTS,
    ),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --elevation dem.tif --rules us-wa --lidar-quality QL2 --out out",
)
def uncertainty(
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
    draws: Draws = 200,
    seed: Seed = 1,
    location_error_is: Reading = "cep50",
    parcel_line_error_m: ParcelLineError = PARCEL_LINE_ERROR_M,
    building_error_m: BuildingError = BUILDING_ERROR_M,
    vertical_error_m: VerticalError = None,
    lidar_quality: LidarQuality = None,
    correlation_length_m: CorrelationLength = CORRELATION_LENGTH_M,
    ground_draws: GroundDraws = GROUND_DRAWS,
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
    most_changed: inputs.MostChanged = MOST_CHANGED,
    workers: inputs.Workers = 1,
) -> "Results":
    """How sure the answers are when wells, lot lines, buildings and heights may lie off: chances instead of yes and no."""
    from geoseptic.io.soilfiles import load_soil_criteria
    from geoseptic.model.results import Results, merged
    from geoseptic.processes import (
        accounts,
        chance_fits,
        chance_maps,
        chance_places,
        depth_checks,
        lot_ground,
        notices,
        plausible_ground,
        slopes,
        soil_ground,
        steps,
    )
    from geoseptic.processes import land as land_checks
    from geoseptic.processes import paths as flow_paths
    from geoseptic.processes.uncertain import Doubts, uncertain_of

    doubts = Doubts(
        seed,
        draws,
        location_error_is,
        assumed_location_error_m,
        parcel_line_error_m,
        building_error_m,
        vertical_error_m,
        lidar_quality,
        correlation_length_m,
        ground_draws,
    )
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
    land_checks.check_overlap(elevation, land)
    uncertain = uncertain_of(land, doubts, rules)
    parts, stated, relieved = ("drain_field",), facts or {}, frozenset(granted)
    soil = soil_ground.check_soils(
        soils, floodplain, groundwater, elevation.grid.frame, rules, load_soil_criteria(), stated, trench_bottom_m
    )
    soil = soil_ground.with_notes(soil, depth_checks.check_depths(groundwater, elevation, land.fabric.shapes_m))
    soil = soil_ground.with_found(soil, land.fabric.shapes_m, land.parcels.texts("soil"))
    slope = slopes.slope_percent(elevation, window_m, method, workers)
    ground = flow_paths.drain(elevation, land, min_share=min_share, building_height_m=building_height_m, workers=workers)
    ponding = flow_paths.ponding(ground, workers)
    ground.filled_m.drop()
    paths = flow_paths.paths_to_wells(elevation, land, ground, reach_m=reach_m, well_radius_m=well_radius_m, workers=workers)
    ground.d8.drop()
    ground_facts = steps.ground_facts(elevation, ground, well_radius_m) if steps.needs_ground(rules, (*parts, "reserve"), land) else None
    cuts = steps.cut_envelopes(land, rules, parts, stated, relieved, ground_facts, workers)
    told = steps.envelope_results(land, rules, cuts)
    clear = chance_maps.clear_results(elevation, land, rules, cuts[0], uncertain, workers)
    gentle = chance_maps.slope_results(elevation, slope, rules, uncertain, window_m, method, workers)
    fits = chance_fits.fit_results(
        land,
        rules,
        stated,
        relieved,
        lot_ground.LotGround(elevation, slope, ponding.depth_m, paths, soil, rules, in_floodplain == "exclude"),
        ground_facts,
        soil,
        uncertain,
        window_m,
        method,
        workers,
    )
    # Only the ground is drawn again, and that takes as much as all this.
    for plane in (slope, ponding.depth_m, paths.distance_m, paths.number, paths.code):
        plane.drop()
    results = merged(
        Results(
            counts={**told.counts, **uncertain.counts},
            warnings=(*told.warnings, *uncertain.notes),
            repairs=told.repairs,
            failures=told.failures,
        ),
        clear,
        gentle,
        fits,
        chance_maps.path_results(
            elevation,
            land,
            ground.ground_m,
            ground.receivers,
            ground.edge,
            uncertain,
            ground_draws,
            reach_m=reach_m,
            well_radius_m=well_radius_m,
            min_share=min_share,
            workers=workers,
        ),
        chance_places.place_results(uncertain, land.frame),
        notices.notices(land, rules, cuts, stated, relieved, elevation),
        plausible_ground.ground_results(elevation),
    )
    return accounts.with_accounts(results, land, rules.unit)
