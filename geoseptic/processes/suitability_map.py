"""Declaration of the process `suitability_map`."""

from typing import TYPE_CHECKING, Annotated

from geoseptic.process import RasterOut, Weights, process
from geoseptic.processes import inputs
from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.inputs import (
    ASSUMED_LOCATION_ERROR_M,
    BUILDING_HEIGHT_M,
    MIN_SHARE,
    MOST_CHANGED,
    REACH_M,
    WELL_RADIUS_M,
    WINDOW_M,
)
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.slope_suitability import slope_suitability

if TYPE_CHECKING:
    from geoseptic.model.results import Results


@process(
    id="suitability_map",
    title="Suitability map",
    outputs=(
        *setback_envelopes.outputs,
        *slope_suitability.outputs,
        *downslope_distance.outputs,
        RasterOut("suitability", "Suitability for a drain field: 0 excluded, 1 to 100 by the limiting factor, 255 unknown"),
        RasterOut("suitability_class", "The same in classes"),
        RasterOut("reasons", "Why a cell is excluded or unknown, one bit a rule"),
    ),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --elevation dem.tif --rules us-wa --out out",
)
def suitability_map(
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
    parts: inputs.Parts = ("drain_field", "septic_tank"),
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
    """Where a drain field may go and how good the ground is there: law, then ground, then a rating, with a reason for every closed cell."""
    from geoseptic.processes import accounts, mapping
    from geoseptic.processes import land as land_checks

    if "drain_field" not in parts:
        parts = ("drain_field", *parts)
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
    chosen = mapping.Choices(
        parts,
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
    return accounts.with_accounts(mapping.map_suitability(elevation, land, rules, chosen).results, land, rules.unit)
